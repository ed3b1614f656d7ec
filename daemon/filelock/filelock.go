// Package filelock keeps other processes from what a file stands for. A lock
// ends when the file is closed or the process ends, however that comes about.
package filelock

import "errors"

// ErrHeld says that another process has locked the file, or this one has by
// opening it a second time.
var ErrHeld = errors.New("file is locked by another process")
