package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/sys/windows"
)

// onReadOnlyDisk is never sure here: Windows tells it like a missing right.
func onReadOnlyDisk(string) bool { return false }

func noSpace(path string) bool {
	dir, err := windows.UTF16PtrFromString(filepath.Dir(path))
	if err != nil {
		return false
	}
	var free uint64
	err = windows.GetDiskFreeSpaceEx(dir, &free, nil, nil)
	return err == nil && free < leastSpace
}

// permitted makes sure that this user may read, or also write, the files there
// are. A folder tells only when a file is made in it.
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
