//go:build unix

package store

import (
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"

	"golang.org/x/sys/unix"
)

// onReadOnlyDisk is true when nobody can write the path.
func onReadOnlyDisk(path string) bool { return unix.Access(path, unix.W_OK) == unix.EROFS }

// noSpace is true when the disk of the path is full.
func noSpace(path string) bool {
	var st unix.Statfs_t
	err := unix.Statfs(filepath.Dir(path), &st)
	return err == nil && uint64(st.Bavail)*uint64(st.Bsize) < leastSpace
}

// severalNames is true of a file that several hard links lead to.
func severalNames(fi os.FileInfo) bool {
	st, ok := fi.Sys().(*syscall.Stat_t)
	return ok && st.Nlink > 1
}

// permitted checks that this user may read, or read and write, those of the
// paths that exist.
func permitted(write bool, paths ...string) error {
	mode, verb := uint32(unix.R_OK), "read"
	if write {
		mode, verb = unix.R_OK|unix.W_OK, "write"
	}
	for _, p := range paths {
		if unix.Access(p, mode) != unix.EACCES {
			continue
		}
		var st unix.Stat_t
		if err := unix.Stat(p, &st); err != nil || int(st.Uid) == os.Getuid() {
			return fmt.Errorf("no permission to %s %q: its mode, or a folder above it, forbids it", verb, p)
		}
		id := strconv.FormatUint(uint64(st.Uid), 10)
		owner, as := "user "+id, "'#"+id+"'"
		if u, err := user.LookupId(id); err == nil {
			owner, as = u.Username, u.Username
		}
		return fmt.Errorf("no permission to %s %q, which belongs to %s: do this as that user, with sudo -u %s before the command", verb, p, owner, as)
	}
	return nil
}
