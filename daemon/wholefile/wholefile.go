// Package wholefile writes files that appear under their names only when they
// are whole.
package wholefile

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// A File is written beside its name and gets it from Keep.
type File struct {
	*os.File
	path    string
	replace bool // a file of that name
}

// Check tells whether a file may be written at path: it refuses anything that
// is no regular file, and without replace a file that is there, with an error
// that is fs.ErrExist. Errors begin with the path. It gives the path behind
// symbolic links.
func Check(path string, replace bool) (real string, err error) {
	fail := func(msg string) (string, error) { return "", fmt.Errorf("%s: %s", path, msg) }
	if path == "-" {
		return fail("expected the name of a file")
	}
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	info, err := os.Lstat(path)
	switch {
	case err == nil && info.IsDir():
		return fail("a directory: expected the name of a file")
	case err == nil && !info.Mode().IsRegular():
		return fail("not a regular file: expected a name for a new one")
	case err == nil && !replace:
		return "", &existsError{path}
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return fail(Reason(err))
	}
	return path, nil
}

// existsError is found as fs.ErrExist.
type existsError struct{ path string }

func (e *existsError) Error() string        { return e.path + ": the file exists: choose another name" }
func (e *existsError) Is(target error) bool { return target == fs.ErrExist }

// Create begins a file that Keep will put at path, if Check lets it. Errors
// begin with the path.
func Create(path string, replace bool) (*File, error) {
	path, err := Check(path, replace)
	if err != nil {
		return nil, err
	}
	temp := filepath.Join(filepath.Dir(path), fmt.Sprintf(".%s.%d-%d.part", filepath.Base(path), os.Getpid(), time.Now().UnixNano()))
	f, err := os.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return nil, fmt.Errorf("%s: cannot write there: %s", path, Reason(err))
	}
	return &File{f, path, replace}, nil
}

// Keep finishes the file and gives it its name, unless err says that writing
// failed.
func (f *File) Keep(err error) error {
	if err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = f.name()
	}
	if err != nil {
		return fmt.Errorf("write %s: %s", f.path, Reason(err))
	}
	return nil
}

// name gives the file its name. Without replace it replaces nothing that has come
// there since Create.
func (f *File) name() error {
	if f.replace {
		return os.Rename(f.Name(), f.path)
	}
	err := os.Link(f.Name(), f.path)
	switch {
	case err == nil:
		return os.Remove(f.Name())
	case errors.Is(err, fs.ErrExist):
		return errors.New("a file of that name has appeared meanwhile")
	}
	// The file system has no hard links, as those of memory cards.
	if _, err := os.Lstat(f.path); err == nil {
		return errors.New("a file of that name has appeared meanwhile")
	}
	return os.Rename(f.Name(), f.path)
}

// Discard removes a file that was not kept. A nil File has nothing to remove.
func (f *File) Discard() {
	if f == nil {
		return
	}
	f.Close()
	os.Remove(f.Name())
}

// Reason is the operating system's own word for a failure, without the name of
// the file.
func Reason(err error) string {
	var p *fs.PathError
	var l *os.LinkError
	switch {
	case errors.As(err, &p):
		return p.Err.Error()
	case errors.As(err, &l):
		return l.Err.Error()
	}
	return err.Error()
}
