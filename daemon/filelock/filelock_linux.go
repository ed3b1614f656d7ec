package filelock

import (
	"errors"
	"fmt"
	"io"
	"os"

	"golang.org/x/sys/unix"
)

// farByte is where LockFar locks: far behind any content, and behind the bytes
// from 2^30 on that SQLite locks in its files.
const farByte = 1 << 62

// LockFar locks f until it is closed, against others that call it. It does not
// wait: it fails with ErrHeld. Locks that another library takes on parts of the
// same file, as SQLite does, stay apart from it; but where such a library has the
// file open in this process, it has to close it before f is closed, for the
// kernel then drops its locks (fcntl(2)). On Linux 3.15 or later, and on
// Windows; elsewhere it does nothing.
func LockFar(f *os.File) error {
	lock := unix.Flock_t{Type: unix.F_WRLCK, Whence: io.SeekStart, Start: farByte, Len: 1}
	err := unix.FcntlFlock(f.Fd(), unix.F_OFD_SETLK, &lock)
	switch {
	case err == nil:
		return nil
	case errors.Is(err, unix.EAGAIN), errors.Is(err, unix.EACCES):
		return ErrHeld
	}
	return fmt.Errorf("lock %q: %w", f.Name(), err)
}
