package command

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// errLocked is that another program, or another run of this one, writes a file.
var errLocked = errors.New("in use by another run: wait until it ends, or choose another file")

// lock keeps other runs from writing f until it is closed. It does not wait.
func lock(f *os.File) error {
	err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return errLocked
	}
	return err
}
