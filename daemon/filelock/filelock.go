// Package filelock gives one process at a time a file to itself. A lock ends when
// the file is closed or the process ends, in whatever way.
package filelock

import "errors"

// ErrHeld says that another process has locked the file, or this one has by
// opening it a second time.
var ErrHeld = errors.New("file is locked by another process")
