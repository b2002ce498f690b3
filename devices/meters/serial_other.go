//go:build !linux

package meters

import (
	"context"
	"fmt"
	"io"
)

// Serial is a Source: a serial line. This host's system is not one on which it can be set up.
func Serial(device string, _ int) Source {
	return func(context.Context) (io.ReadCloser, error) {
		return nil, fmt.Errorf("serial line %s: serial meters are read on Linux hosts only", device)
	}
}
