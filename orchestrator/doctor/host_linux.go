package doctor

import (
	"math"
	"time"

	"golang.org/x/sys/unix"
)

func room(folder string) (int64, bool) {
	var s unix.Statfs_t
	if err := unix.Statfs(folder, &s); err != nil {
		return 0, false
	}
	return int64(math.Min(float64(s.Bavail)*float64(s.Bsize), math.MaxInt64/2)), true
}

// synchronised asks the kernel, which whatever keeps the clock right has to tell: adjtimex(2),
// whose state is TIME_ERROR, and STA_UNSYNC set, until it has.
func synchronised() (kept bool, within time.Duration, ok bool) {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	if err != nil {
		return false, 0, false
	}
	return state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0, time.Duration(t.Esterror) * time.Microsecond, true
}

func mayUse(path string) bool   { return unix.Access(path, unix.R_OK|unix.W_OK) == nil }
func mayWrite(path string) bool { return unix.Access(path, unix.W_OK|unix.X_OK) == nil }
