package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/sys/windows"
)

// onReadOnlyDisk is always false: Windows reports a read-only disk and a missing
// right alike.
func onReadOnlyDisk(string) bool { return false }

// noSpace is true when the disk of the path is full.
func noSpace(path string) bool {
	dir, err := windows.UTF16PtrFromString(filepath.Dir(path))
	if err != nil {
		return false
	}
	var free uint64
	err = windows.GetDiskFreeSpaceEx(dir, &free, nil, nil)
	return err == nil && free < leastSpace
}

// permitted checks that this user may read, or read and write, those of the files
// that exist. What a folder permits shows only when a file is made in it.
func permitted(write bool, paths ...string) error {
	flag, verb := os.O_RDONLY, "read"
	if write {
		flag, verb = os.O_RDWR, "write"
	}
	for _, p := range paths {
		if fi, err := os.Stat(p); err != nil || !fi.Mode().IsRegular() {
			continue
		}
		f, err := os.OpenFile(p, flag, 0)
		if errors.Is(err, fs.ErrPermission) {
			return fmt.Errorf("no permission to %s %q: its properties, or its folder's, forbid it", verb, p)
		}
		if err == nil {
			_ = f.Close()
		}
	}
	return nil
}

// severalNames is not known here, where no log is written.
func severalNames(os.FileInfo) bool { return false }
