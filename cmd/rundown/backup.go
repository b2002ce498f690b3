package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"rundown/results"
)

type backupCmd struct {
	Out string `short:"o" required:"" help:"The file to write; one that is there is replaced when the new one is whole." placeholder:"FILE"`
}

func (c *backupCmd) Help() string {
	return "The copy is of one instant and checked before it takes its name; runs go on meanwhile. It holds everything,\nthe hashes of tokens too: keep it as safe as the bench.\n\n" +
		"To restore: stop the daemon, put the copy in place of rundown.db in the data folder, start the daemon.\nWhat was recorded since the copy is lost with the old file, but for segments that still lie on a handset\n(`rundown collect HANDSET`).\n\n" +
		"Example:\n  rundown backup -o /srv/backup/bench-$(date +%F).db"
}

func (c *backupCmd) Run(e *env) error {
	f, err := os.CreateTemp(filepath.Dir(c.Out), "."+filepath.Base(c.Out)+"-*") // 0600: readable by nobody else
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	_, err = e.client.Backup(e.ctx, f)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("no backup was made: %w", err)
	}
	holds, err := results.Verify(f.Name())
	if err != nil {
		return fmt.Errorf("no backup was made: what arrived is not whole: %w", err)
	}
	if err := os.Rename(f.Name(), c.Out); err != nil {
		return err
	}
	if e.json {
		return e.printJSON(struct {
			File string `json:"file"`
			results.Contents
		}{c.Out, holds})
	}
	_, err = fmt.Fprintf(e.out, "%s  %d bytes, %d runs, %d segments, checked\n", c.Out, holds.Bytes, holds.Runs, holds.Segments)
	return err
}
