package command

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"makebreak/daemon/report"
)

// outFile is a file that appears under its name only when it is whole.
type outFile struct {
	*os.File
	path string
}

// mayCreate refuses to replace a file without force, and anything that is no
// regular file always. what names the flag in messages. It gives the path
// behind symbolic links.
func mayCreate(what, path string, force bool) (real string, err error) {
	fail := func(msg string) (string, error) { return "", fmt.Errorf("%s %s: %s", what, path, msg) }
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
	case err == nil && !force:
		return fail("the file exists: choose another name, or give --force to replace it")
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return fail(reason(err))
	}
	return path, nil
}

// createFile begins a file that keep will put at path, if mayCreate lets it.
func createFile(what, path string, force bool) (*outFile, error) {
	path, err := mayCreate(what, path, force)
	if err != nil {
		return nil, err
	}
	temp := filepath.Join(filepath.Dir(path), fmt.Sprintf(".%s.%d-%d.part", filepath.Base(path), os.Getpid(), time.Now().UnixNano()))
	f, err := os.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return nil, fmt.Errorf("%s %s: cannot write there: %s", what, path, reason(err))
	}
	return &outFile{f, path}, nil
}

// keep finishes the file and gives it its name, unless writing failed.
func (f *outFile) keep(err error) error {
	if err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Rename(f.Name(), f.path)
	}
	if err != nil {
		return fmt.Errorf("write %s: %s", f.path, reason(err))
	}
	return nil
}

// discard removes a file that was not kept.
func (f *outFile) discard() {
	if f == nil {
		return
	}
	f.Close()
	os.Remove(f.Name())
}

// reason is the operating system's own word for a failure.
func reason(err error) string {
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

// keepPage writes a page as HTML and gives the file its name; it does nothing
// where there is no file.
func (f *outFile) keepPage(doc *report.Document, title string) error {
	if f == nil {
		return nil
	}
	return f.keep(doc.HTML(f, "makebreak: "+title))
}
