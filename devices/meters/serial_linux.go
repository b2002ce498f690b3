package meters

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"golang.org/x/sys/unix"
)

var speeds = map[int]uint32{
	1200: unix.B1200, 2400: unix.B2400, 4800: unix.B4800, 9600: unix.B9600, 19200: unix.B19200,
	38400: unix.B38400, 57600: unix.B57600, 115200: unix.B115200, 230400: unix.B230400,
	460800: unix.B460800, 921600: unix.B921600,
}

// Serial is a Source: a serial line, 8 data bits, no parity, 1 stop bit, no flow control,
// taken for this program alone. Its LinesOptions want DropFirst.
func Serial(device string, baud int) Source {
	return func(context.Context) (io.ReadCloser, error) {
		speed, ok := speeds[baud]
		if !ok {
			return nil, fmt.Errorf("serial line %s: %d baud is no usual speed; want 1200 to 921600, e.g. 9600 or 115200", device, baud)
		}
		fd, err := unix.Open(device, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
		switch {
		case errors.Is(err, unix.EACCES):
			return nil, fmt.Errorf("serial line %s: no right to open it; put the daemon's user into the group that owns it (often dialout): %w", device, err)
		case errors.Is(err, unix.EBUSY):
			return nil, fmt.Errorf("serial line %s: another program has it: %w", device, err)
		case err != nil:
			return nil, fmt.Errorf("serial line %s: is the instrument plugged in: %w", device, err)
		}
		if err := raw(fd, speed); err != nil {
			unix.Close(fd)
			if errors.Is(err, unix.ENOTTY) {
				return nil, fmt.Errorf("%s is no serial line: %w", device, err)
			}
			return nil, fmt.Errorf("serial line %s: %w", device, err)
		}
		// Non-blocking, so that Close ends a Read that waits.
		return os.NewFile(uintptr(fd), device), nil
	}
}

func raw(fd int, speed uint32) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return err
	}
	t.Iflag = unix.IGNBRK | unix.IGNPAR
	t.Oflag, t.Lflag = 0, 0
	t.Cflag = unix.CS8 | unix.CREAD | unix.CLOCAL | speed
	t.Ispeed, t.Ospeed = speed, speed
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	if err := unix.IoctlSetTermios(fd, unix.TCSETS, t); err != nil {
		return err
	}
	if err := unix.IoctlSetInt(fd, unix.TIOCEXCL, 0); err != nil {
		return err
	}
	return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIFLUSH) // what came before the speed was set is noise
}
