package loop

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"

	"makebreak/daemon/filelock"
	"makebreak/daemon/wholefile"
)

// Reasons why a margin test cannot go on in a file; compare with errors.Is.
var (
	// ErrLocked is that another run of the program writes the file.
	ErrLocked = errors.New("in use by another run: wait until it ends, or choose another file")
	// ErrOtherTest is that the file holds a test with other settings.
	ErrOtherTest = errors.New("it is of another test")
)

// A MarginFile keeps each try of a margin test, and keeps other runs from
// writing the file. A nil MarginFile keeps nothing.
type MarginFile struct{ f *os.File }

// ReadMarginFile reads the test that a file holds, as far as it was made.
// Errors begin with the path.
func ReadMarginFile(path string) (*MarginRun, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %s", path, wholefile.Reason(err))
	}
	run, _, err := readKept(b)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return run, nil
}

// OpenMarginFile continues the test in a file, or begins one where there is
// none; anew begins one whatever the file holds. Errors begin with the path.
func OpenMarginFile(path string, want *MarginSettings, anew bool) (_ *MarginFile, _ *MarginRun, err error) {
	if path, err = wholefile.Check(path, true); err != nil {
		return nil, nil, err
	}
	fail := func(err error) (*MarginFile, *MarginRun, error) { return nil, nil, fmt.Errorf("%s: %w", path, err) }
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o666)
	if err != nil {
		return fail(errors.New("cannot write there: " + wholefile.Reason(err)))
	}
	defer func() {
		if err != nil {
			f.Close()
		}
	}()
	if err := filelock.Lock(f); errors.Is(err, filelock.ErrHeld) {
		return fail(ErrLocked)
	} else if err != nil {
		return fail(err)
	}
	b, err := io.ReadAll(f)
	if err != nil {
		return fail(errors.New(wholefile.Reason(err)))
	}
	k := &MarginFile{f}
	if anew || len(b) == 0 {
		if err := errors.Join(f.Truncate(0), seekEnd(f)); err != nil {
			return fail(err)
		}
		if err := k.line(want); err != nil {
			return fail(err)
		}
		return k, NewMarginRun(*want), nil
	}
	run, whole, err := readKept(b)
	if err != nil {
		return fail(err)
	}
	if is, asked := mustJSON(run.Settings), mustJSON(*want); !bytes.Equal(is, asked) {
		return fail(fmt.Errorf("%w: %s", ErrOtherTest, firstDifference(is, asked)))
	}
	// A line that a crash cut off is written over.
	if err := errors.Join(f.Truncate(whole), seekEnd(f)); err != nil {
		return fail(err)
	}
	return k, run, nil
}

func seekEnd(f *os.File) error {
	_, err := f.Seek(0, io.SeekEnd)
	return err
}

// readKept reads a kept test; whole is where its last whole line ends.
func readKept(b []byte) (run *MarginRun, whole int64, err error) {
	lines := bufio.NewReader(bytes.NewReader(b))
	for n := 1; ; n++ {
		line, err := lines.ReadBytes('\n')
		if err != nil { // cut off, or nothing
			break
		}
		d := json.NewDecoder(bytes.NewReader(line))
		d.DisallowUnknownFields()
		if run == nil {
			var s MarginSettings
			err := d.Decode(&s)
			if s.Format != MarginFileFormat {
				return nil, 0, fmt.Errorf("line 1: expected the settings of a margin test, format %q", MarginFileFormat)
			}
			if err != nil {
				return nil, 0, fmt.Errorf("line 1: the settings of a margin test: %w", err)
			}
			if err := s.Grid.Check(); err != nil {
				return nil, 0, fmt.Errorf("line 1: %w", err)
			}
			run = NewMarginRun(s)
		} else {
			var t MarginTry
			if err := d.Decode(&t); err != nil {
				return nil, 0, fmt.Errorf("line %d: %w", n, err)
			}
			if err := run.add(t); err != nil {
				return nil, 0, fmt.Errorf("line %d: %w", n, err)
			}
		}
		whole += int64(len(line))
	}
	if run == nil {
		return nil, 0, errors.New("expected the settings of a margin test in its first line")
	}
	run.voidsInARow = 0
	return run, whole, nil
}

func mustJSON(v any) []byte {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err) // structs of plain values
	}
	return b
}

// firstDifference names the first key that two objects do not share.
func firstDifference(is, asked []byte) string {
	var a, b map[string]json.RawMessage
	if json.Unmarshal(is, &a) != nil || json.Unmarshal(asked, &b) != nil {
		return "its settings"
	}
	for _, k := range slices.Sorted(maps.Keys(a)) {
		if !bytes.Equal(a[k], b[k]) {
			return fmt.Sprintf("its %s is %s, not %s", k, a[k], b[k])
		}
	}
	return "its settings"
}

// add keeps a try: it is on the disk when add returns.
func (k *MarginFile) add(t MarginTry) error {
	if k == nil {
		return nil
	}
	return k.line(t)
}

func (k *MarginFile) line(v any) error {
	_, err := k.f.Write(append(mustJSON(v), '\n'))
	if err == nil {
		err = k.f.Sync()
	}
	if err != nil {
		return fmt.Errorf("write %s: %s", k.f.Name(), wholefile.Reason(err))
	}
	return nil
}

// Close lets other runs write the file.
func (k *MarginFile) Close() {
	if k != nil {
		k.f.Close()
	}
}
