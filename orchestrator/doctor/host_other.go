//go:build !linux

package doctor

import (
	"os"
	"time"
)

func room(string) (int64, bool) { return 0, false }

func synchronised() (kept bool, within time.Duration, ok bool) { return false, 0, false }

func mayUse(path string) bool {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err == nil {
		_ = f.Close()
	}
	return err == nil
}

func mayWrite(folder string) bool {
	f, err := os.CreateTemp(folder, ".rundown-*")
	if err == nil {
		_ = f.Close()
		_ = os.Remove(f.Name())
	}
	return err == nil
}
