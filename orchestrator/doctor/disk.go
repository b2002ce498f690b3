package doctor

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// Room that is wanted on the disk of the data folder: a night on a dozen handsets records
// a few megabytes, and after each run the store is copied whole.
const (
	roomSpare = 1 << 30
	roomLeast = 100 << 20
)

// disk looks at the data folder.
func (e *examination) disk(context.Context) []Finding {
	if e.o.DataDir == "" {
		return nil
	}
	folder := Finding{Area: "disk", Name: "data folder " + e.o.DataDir, Verdict: Fine, Required: true, Found: "may be written"}
	at, made := e.o.DataDir, true
	info, err := os.Stat(at)
	for errors.Is(err, os.ErrNotExist) && at != filepath.Dir(at) { // the nearest folder that there is
		at, made = filepath.Dir(at), false
		info, err = os.Stat(at)
	}
	switch {
	case err != nil:
		folder.Verdict, folder.Found, folder.Mend = Wrong, oneLine(err), "name another folder with --data"
	case !info.IsDir():
		folder.Verdict, folder.Found, folder.Mend = Wrong, at+" is no folder", "name another folder with --data"
	case !mayWrite(at):
		folder.Verdict, folder.Found, folder.Mend = Wrong, "this user may not write in "+at, "give it to the daemon's user, or name another folder with --data"
	case !made:
		folder.Found = "not there yet; it can be made in " + at
	}
	list := []Finding{folder}
	if free, ok := e.o.Host.Room(at); ok {
		var store int64
		if info, err := os.Stat(filepath.Join(e.o.DataDir, "rundown.db")); err == nil {
			store = info.Size()
		}
		f := Finding{Area: "disk", Name: "room", Verdict: Fine, Required: true, Found: fmt.Sprintf("%s free, the store has %s", size(free), size(store))}
		switch {
		case free < store+roomLeast:
			f.Verdict, f.Mend = Wrong, "make room: the store is copied after each run, and without room for that a damaged file costs everything"
		case free < 2*store+roomSpare:
			f.Verdict, f.Required, f.Mend = Look, false, "make room soon"
		}
		list = append(list, f)
	}
	return list
}

func size(bytes int64) string {
	switch {
	case bytes >= 1<<30:
		return fmt.Sprintf("%.1f GiB", float64(bytes)/(1<<30))
	case bytes >= 1<<20:
		return fmt.Sprintf("%.0f MiB", float64(bytes)/(1<<20))
	}
	return fmt.Sprintf("%.0f KiB", float64(bytes)/(1<<10))
}
