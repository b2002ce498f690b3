package devices

import (
	"context"
	"fmt"
	"strings"
)

// HashPiece is the SHA-256 of part of a file on a handset as its shell prints it: count blocks of
// blockBytes each, after the first skip.
func HashPiece(ctx context.Context, l Link, path string, blockBytes, skip, count int64) (printed string, err error) {
	return Run(ctx, l, fmt.Sprintf("dd if=%s bs=%d skip=%d count=%d 2>/dev/null | sha256sum", Quote(path), blockBytes, skip, count))
}

// ListFolder names what is in a folder of a handset; nothing where there is no such folder. A name
// with a blank in it comes in pieces.
func ListFolder(ctx context.Context, l Link, folder string) (names []string, err error) {
	listed, err := Run(ctx, l, "ls "+Quote(folder)+" 2>/dev/null || true")
	return strings.Fields(listed), err
}

// RemoveFile removes a file from a handset; one that is not there is no error.
func RemoveFile(ctx context.Context, l Link, path string) error {
	return run(ctx, l, "rm -f "+Quote(path))
}
