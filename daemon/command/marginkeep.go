package command

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
	"time"

	"makebreak/daemon/filelock"
	"makebreak/pulse"
)

// marginFormat names the first line of a kept margin test.
const marginFormat = "makebreak.margin-log/1"

// marginSettings say what a margin test does: all that its results depend on.
type marginSettings struct {
	Format       string           `json:"format"`
	Grid         pulse.MarginGrid `json:"grid"`
	Pulses       int              `json:"pulses"` // of each train
	Answer       string           `json:"answer"` // "pulses" or "once"
	Seed         uint64           `json:"seed"`
	Out          string           `json:"out"`
	In           string           `json:"in"`
	OutClosed    string           `json:"out_closed"`
	AnswerClosed string           `json:"answer_closed"`
	Idle         string           `json:"idle"`
	Bias         string           `json:"bias"`
	LeadNS       int64            `json:"lead_ns"`
	WithinNS     int64            `json:"answer_within_ns"`
	PauseNS      int64            `json:"pause_ns"`
	SettleNS     int64            `json:"settle_ns"`
}

// trains is how many are sent in one try.
func (s *marginSettings) trains() int {
	if len(s.Grid.GapsMS) > 0 {
		return 2
	}
	return 1
}

// answer says how what is heard is read.
func (s *marginSettings) answer() pulse.Answer {
	return pulse.Answer{Once: s.Answer == "once", Polarity: polarityOf(s.AnswerClosed), SettleNS: s.SettleNS}
}

// A marginTry is one try, as it is kept.
type marginTry struct {
	Try    int       `json:"try"` // its place in the order, from 0
	Cell   int       `json:"cell"`
	Right  bool      `json:"right"`
	Counts []int     `json:"counts"` // pulses of each train heard
	Whole  bool      `json:"whole"`
	Void   string    `json:"void,omitempty"` // why it says nothing and is done again
	LateNS int64     `json:"late_max_ns"`
	At     time.Time `json:"at"`
}

// maxVoids is how often in a row a try may say nothing.
const maxVoids = 5

// A marginRun is how far a margin test has come.
type marginRun struct {
	settings marginSettings
	cells    []pulse.MarginCell
	order    []int
	next     int // place in the order
	voids    int // in a row
	allVoids int
}

func newMarginRun(s marginSettings) *marginRun {
	return &marginRun{settings: s, cells: s.Grid.NewCells(), order: s.Grid.Order(s.Seed)}
}

// done tells whether every try was made.
func (r *marginRun) done() bool { return r.next == len(r.order) }

// take counts a try. An error says that it cannot be the next.
func (r *marginRun) take(t marginTry) error {
	if r.done() || t.Try != r.next || t.Cell != r.order[r.next] {
		return fmt.Errorf("try %d of cell %d: expected the tries in their order", t.Try, t.Cell)
	}
	if t.Void != "" {
		r.voids++
		r.allVoids++
		return nil
	}
	r.voids = 0
	r.next++
	c := &r.cells[t.Cell]
	c.Tries++
	if t.Right {
		c.Right++
	}
	return nil
}

// errLocked is that another run of the program writes a file.
var errLocked = errors.New("in use by another run: wait until it ends, or choose another file")

// A keeper writes each try to a file before the next one is made. A nil
// keeper keeps nothing.
type keeper struct{ f *os.File }

// openKeeper continues the test in a file, or begins one, and keeps other runs
// from writing it. want is nil to take the file's own settings, and to write
// nothing.
func openKeeper(path string, want *marginSettings, anew bool) (_ *keeper, _ *marginRun, err error) {
	fail := func(err error) (*keeper, *marginRun, error) { return nil, nil, fmt.Errorf("--keep %s: %w", path, err) }
	if want == nil {
		b, err := os.ReadFile(path)
		if err != nil {
			return fail(errors.New(reason(err)))
		}
		run, _, err := readKept(b)
		if err != nil {
			return fail(err)
		}
		return nil, run, nil
	}
	if path, err = mayCreate("--keep", path, true); err != nil {
		return nil, nil, err
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o666)
	if err != nil {
		return fail(errors.New("cannot write there: " + reason(err)))
	}
	defer func() {
		if err != nil {
			f.Close()
		}
	}()
	if err := filelock.Lock(f); errors.Is(err, filelock.ErrHeld) {
		return fail(errLocked)
	} else if err != nil {
		return fail(err)
	}
	b, err := io.ReadAll(f)
	if err != nil {
		return fail(errors.New(reason(err)))
	}
	k := &keeper{f}
	if anew || len(b) == 0 {
		if err := errors.Join(f.Truncate(0), seekEnd(f)); err != nil {
			return fail(err)
		}
		if err := k.line(want); err != nil {
			return fail(err)
		}
		return k, newMarginRun(*want), nil
	}
	run, whole, err := readKept(b)
	if err != nil {
		return fail(err)
	}
	if is, asked := mustJSON(run.settings), mustJSON(*want); !bytes.Equal(is, asked) {
		return fail(fmt.Errorf("it is of another test: %s; expected the same settings, another file, or --anew to begin again", firstDifference(is, asked)))
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
func readKept(b []byte) (run *marginRun, whole int64, err error) {
	lines := bufio.NewReader(bytes.NewReader(b))
	for n := 1; ; n++ {
		line, err := lines.ReadBytes('\n')
		if err != nil { // cut off, or nothing
			break
		}
		d := json.NewDecoder(bytes.NewReader(line))
		d.DisallowUnknownFields()
		if run == nil {
			var s marginSettings
			if err := d.Decode(&s); err != nil || s.Format != marginFormat {
				return nil, 0, fmt.Errorf("line 1: expected the settings of a margin test, format %q", marginFormat)
			}
			if err := s.Grid.Check(); err != nil {
				return nil, 0, fmt.Errorf("line 1: %w", err)
			}
			run = newMarginRun(s)
		} else {
			var t marginTry
			if err := d.Decode(&t); err != nil {
				return nil, 0, fmt.Errorf("line %d: %w", n, err)
			}
			if err := run.take(t); err != nil {
				return nil, 0, fmt.Errorf("line %d: %w", n, err)
			}
		}
		whole += int64(len(line))
	}
	if run == nil {
		return nil, 0, errors.New("expected the settings of a margin test in its first line")
	}
	run.voids = 0
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
func (k *keeper) add(t marginTry) error {
	if k == nil {
		return nil
	}
	return k.line(t)
}

func (k *keeper) line(v any) error {
	_, err := k.f.Write(append(mustJSON(v), '\n'))
	if err == nil {
		err = k.f.Sync()
	}
	if err != nil {
		return fmt.Errorf("write %s: %s", k.f.Name(), reason(err))
	}
	return nil
}

func (k *keeper) close() {
	if k != nil {
		k.f.Close()
	}
}
