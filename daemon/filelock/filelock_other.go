//go:build unix && !linux

package filelock

import "os"

// LockFar does nothing here: flock(2) would shut out those who lock parts of the
// file, and the locks of fcntl(2) are of the whole process.
func LockFar(*os.File) error { return nil }
