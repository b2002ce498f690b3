package orchestrator

import (
	"os"
	"path/filepath"
	"sync"
	"time"
)

// backupName is the copy of the store that is made whenever a run has ended.
const backupName = "rundown-backup.db"

// backupShare is how many times as long as a copy took the next one is put off: a dozen
// runs that end in one hour of the morning must not keep the disk at copying a year's
// store a dozen times.
const backupShare = 50

// backups are the copies beside the store.
type backups struct {
	mu    sync.Mutex
	due   bool      // a run has ended since the last copy
	after time.Time // real time before which the next one is not made
}

// backupOut is how copies are named that are on their way to somebody.
const backupOut = ".backup-*"

// clearBackups removes copies that a daemon was sending when it died.
func (d *Daemon) clearBackups() {
	left, _ := filepath.Glob(filepath.Join(d.dataDir, backupOut))
	for _, path := range left {
		_ = os.Remove(path) // it only takes room
	}
}

// backUp copies the store when a run has ended, so that a file that is damaged or cut
// short costs at most the runs since; at once, or soon after a copy that took long.
func (d *Daemon) backUp() {
	d.backups.mu.Lock()
	d.backups.due = true
	d.backups.mu.Unlock()
	d.backUpDue()
}

// backUpDue makes the copy that is due, if its time has come.
func (d *Daemon) backUpDue() {
	d.backups.mu.Lock()
	defer d.backups.mu.Unlock()
	began := time.Now()
	if !d.backups.due || began.Before(d.backups.after) {
		return
	}
	if err := d.store.BackUp(filepath.Join(d.dataDir, backupName)); err != nil {
		d.log.Error().Err(err).Msg("the store could not be copied to " + backupName)
		return
	}
	d.backups.due, d.backups.after = false, time.Now().Add(backupShare*time.Since(began))
}

// Backup makes a copy of the store as it stands, whole and of one instant, while runs go
// on, and returns it opened at its beginning with its size in bytes. Closing it leaves
// nothing behind. The copy is made on the disk first, and not read out of the store at its
// reader's pace: as long as somebody reads in it, the store cannot grow.
func (d *Daemon) Backup() (copied *os.File, size int64, err error) {
	f, err := os.CreateTemp(d.dataDir, backupOut)
	if err != nil {
		return nil, 0, err
	}
	path := f.Name()
	_ = f.Close()
	defer os.Remove(path) // what is open stays readable
	if err := d.store.BackUp(path); err != nil {
		return nil, 0, err
	}
	if f, err = os.Open(path); err != nil {
		return nil, 0, err
	}
	info, err := f.Stat()
	if err != nil {
		_ = f.Close()
		return nil, 0, err
	}
	return f, info.Size(), nil
}
