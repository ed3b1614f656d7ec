package filelock

import (
	"errors"
	"fmt"
	"os"

	"golang.org/x/sys/windows"
)

// beyond is the high half of the place of the one byte that is locked, far
// behind any content: Windows lets nobody read or write what is locked.
const beyond = 1 << 30

// Lock locks f until it is closed. It does not wait: it fails with ErrHeld.
// Others can still read and write the file if they do not lock it.
func Lock(f *os.File) error {
	err := windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY,
		0, 1, 0, &windows.Overlapped{OffsetHigh: beyond})
	switch {
	case err == nil:
		return nil
	case errors.Is(err, windows.ERROR_LOCK_VIOLATION), errors.Is(err, windows.ERROR_IO_PENDING):
		return ErrHeld
	}
	return fmt.Errorf("lock %q: %w", f.Name(), err)
}

// LockFar locks f until it is closed, as Lock does: that byte is far behind what
// others lock.
func LockFar(f *os.File) error { return Lock(f) }
