//go:build unix

package filelock

import (
	"errors"
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// Lock locks f until it is closed. It does not wait: it fails with ErrHeld.
// Others can still read and write the file if they do not lock it.
func Lock(f *os.File) error {
	err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	switch {
	case err == nil:
		return nil
	case errors.Is(err, unix.EWOULDBLOCK):
		return ErrHeld
	}
	return fmt.Errorf("lock %q: %w", f.Name(), err)
}
