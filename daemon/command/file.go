package command

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"makebreak/daemon/report"
	"makebreak/daemon/wholefile"
	"makebreak/hw"
)

// outFlags say where that goes which standard output would take.
type outFlags struct {
	Out   string `group:"Output:" placeholder:"FILE" help:"Write to FILE, which appears when it is whole, instead of standard output."`
	Force bool   `group:"Output:" help:"Let --out replace a file."`
}

// create begins the file; without, file is nil.
func (f *outFlags) create(sh *shell) (w io.Writer, file *wholefile.File, err error) {
	if file, err = createFile("--out", f.Out, f.Force); file == nil {
		return sh.stdout, nil, err
	}
	return file, file, nil
}

// createFile begins the file that a flag asks for; nil where it asks for none.
func createFile(flag, path string, force bool) (*wholefile.File, error) {
	if path == "" {
		return nil, nil
	}
	f, err := wholefile.Create(path, force)
	return f, ofFlag(flag, err)
}

// A namedFile is a file of a command line, with what names it there.
type namedFile struct{ what, path string }

// distinct refuses two names of one file: one of the two would be lost.
func distinct(files ...namedFile) error {
	seen := map[string]string{}
	for _, f := range files {
		if f.path == "" || f.path == "-" {
			continue
		}
		path, err := filepath.Abs(f.path)
		if err != nil {
			continue // it cannot be opened either
		}
		if dir, err := filepath.EvalSymlinks(filepath.Dir(path)); err == nil {
			path = filepath.Join(dir, filepath.Base(path))
		}
		if real, err := filepath.EvalSymlinks(path); err == nil {
			path = real
		}
		if other := seen[path]; other != "" {
			return fmt.Errorf("%s %s: the same file as %s: expected another name", f.what, f.path, other)
		}
		seen[path] = f.what
	}
	return nil
}

// ofFlag names the flag in the error of a file.
func ofFlag(flag string, err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, fs.ErrExist):
		return fmt.Errorf("%s %w, or give --force to replace it", flag, err)
	}
	return fmt.Errorf("%s %w", flag, err)
}

// recordingPath tells what is wrong with the name of a recording, and gives that
// of the file which will hold it.
func recordingPath(path string, force bool) (real string, err error) {
	if _, err = hw.NewRecordingWriter(path, nil, nil); err == nil {
		real, err = wholefile.Check(path, force)
	}
	return real, ofFlag("--record", err)
}

// newRecorder begins the file of --record.
func newRecorder(path string, force bool, comments []string) (*hw.Recorder, error) {
	path, err := recordingPath(path, force)
	if err != nil {
		return nil, err
	}
	f, err := os.Create(path)
	if err != nil {
		return nil, fmt.Errorf("--record %s: cannot write there: %s", path, wholefile.Reason(err))
	}
	r, err := hw.NewRecorder(f, comments)
	if err != nil {
		os.Remove(path)
		return nil, err
	}
	return r, nil
}

// keep writes a file and gives it its name; it does nothing where there is none.
func keep(f *wholefile.File, write func(io.Writer) error) error {
	if f == nil {
		return nil
	}
	return f.Keep(write(f))
}

// keepPage writes a page as HTML, as keep does.
func keepPage(f *wholefile.File, doc *report.Document, title string) error {
	return keep(f, func(w io.Writer) error { return doc.HTML(w, "makebreak: "+title) })
}
