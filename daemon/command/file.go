package command

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"makebreak/daemon/report"
	"makebreak/daemon/wholefile"
	"makebreak/hw"
)

// createFile begins the file that a flag asks for.
func createFile(flag, path string, force bool) (*wholefile.File, error) {
	f, err := wholefile.Create(path, force)
	return f, ofFlag(flag, err)
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

// keepPage writes a page as HTML and gives the file its name; it does nothing
// where there is no file.
func keepPage(f *wholefile.File, doc *report.Document, title string) error {
	if f == nil {
		return nil
	}
	return f.Keep(doc.HTML(f, "makebreak: "+title))
}
