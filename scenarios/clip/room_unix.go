//go:build unix

package clip

import (
	"math"

	"golang.org/x/sys/unix"
)

// room is how many bytes an ordinary user may still write in a folder, and whether that
// could be found out.
func room(folder string) (int64, bool) {
	var s unix.Statfs_t
	if err := unix.Statfs(folder, &s); err != nil {
		return 0, false
	}
	free := float64(s.Bavail) * float64(s.Bsize)
	return int64(math.Min(free, math.MaxInt64/2)), true
}
