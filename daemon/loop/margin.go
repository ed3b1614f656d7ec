package loop

import (
	"context"
	"fmt"
	"iter"
	"time"

	"makebreak/daemon/figure"
	"makebreak/hw"
	"makebreak/pulse"
)

// MarginFileFormat names the first line of a kept margin test.
const MarginFileFormat = "makebreak.margin-log/1"

// MarginSettings say what a margin test does: all that its results depend on.
type MarginSettings struct {
	Format       string           `json:"format"` // MarginFileFormat
	Grid         pulse.MarginGrid `json:"grid"`
	Pulses       int              `json:"pulses"` // of each train
	Answer       string           `json:"answer"` // "pulses" or "once", see pulse.Answer
	Seed         uint64           `json:"seed"`   // of the order
	Out          string           `json:"out"`
	In           string           `json:"in"`
	OutClosed    pulse.Polarity   `json:"out_closed"`
	AnswerClosed pulse.Polarity   `json:"answer_closed"`
	Idle         pulse.Level      `json:"idle"`
	Bias         string           `json:"bias"` // as hw.Bias reads it
	LeadNS       int64            `json:"lead_ns"`
	WithinNS     int64            `json:"answer_within_ns"`
	PauseNS      int64            `json:"pause_ns"`
	SettleNS     int64            `json:"settle_ns"`
}

// Trains is how many are sent in one try.
func (s *MarginSettings) Trains() int {
	if len(s.Grid.GapsMS) > 0 {
		return 2
	}
	return 1
}

// LongestMakeNS is that of the slowest pulses.
func (s *MarginSettings) LongestMakeNS() int64 { return s.Grid.NewCells()[0].MakeNS() }

// LeastRestNS is the least that LeadNS and WithinNS may be: the answer's first
// train must not run into its start, nor its last into its end.
func (s *MarginSettings) LeastRestNS() int64 { return s.LongestMakeNS() * 3 / 2 }

// answer says how what is heard is read.
func (s *MarginSettings) answer() pulse.Answer {
	return pulse.Answer{Once: s.Answer == "once", Polarity: s.AnswerClosed, SettleNS: s.SettleNS}
}

// edges gives one try: rest, the trains, rest for the answer, and the idle
// level.
func (s *MarginSettings) edges(c pulse.MarginCell) iter.Seq[pulse.Edge] {
	closed, open := s.OutClosed.Level(true), s.OutClosed.Level(false)
	return func(yield func(pulse.Edge) bool) {
		if s.Idle != closed && !yield(pulse.Edge{Level: closed}) {
			return
		}
		at := pulse.Stamp(s.LeadNS)
		for train := range s.Trains() {
			if train > 0 {
				at += pulse.Stamp(c.GapMS.V*1e6) - pulse.Stamp(c.MakeNS())
			}
			for range s.Pulses {
				if !yield(pulse.Edge{At: at, Level: open}) || !yield(pulse.Edge{At: at + pulse.Stamp(c.BreakNS()), Level: closed}) {
					return
				}
				at += pulse.Stamp(c.BreakNS() + c.MakeNS())
			}
		}
		yield(pulse.Edge{At: s.end(c), Level: s.Idle})
	}
}

// end is when a try ends.
func (s *MarginSettings) end(c pulse.MarginCell) pulse.Stamp {
	n := int64(s.Trains())
	at := s.LeadNS + n*int64(s.Pulses)*(c.BreakNS()+c.MakeNS()) - c.MakeNS() + s.WithinNS
	if n > 1 {
		at += int64(c.GapMS.V*1e6) - c.MakeNS()
	}
	return pulse.Stamp(at)
}

// A MarginTry is one try, as it is kept.
type MarginTry struct {
	Try    int       `json:"try"` // its number in the order, from 0
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

// A MarginRun is how far a margin test has come.
type MarginRun struct {
	Settings MarginSettings
	Cells    []pulse.MarginCell
	Made     int // tries
	Void     int // tries that said nothing and were made again

	order       []int // cells
	voidsInARow int
}

// NewMarginRun begins a test.
func NewMarginRun(s MarginSettings) *MarginRun {
	return &MarginRun{Settings: s, Cells: s.Grid.NewCells(), order: s.Grid.Order(s.Seed)}
}

// Tries is how many there are to make.
func (r *MarginRun) Tries() int { return len(r.order) }

// Done tells whether every try was made.
func (r *MarginRun) Done() bool { return r.Made == len(r.order) }

// Left is about how long the tries that are still to be made take.
func (r *MarginRun) Left() (d pulse.Stamp) {
	for _, cell := range r.order[r.Made:] {
		d += r.Settings.end(r.Cells[cell]) + pulse.Stamp(r.Settings.PauseNS)
	}
	return d
}

// add counts a try. An error says that it cannot be the next.
func (r *MarginRun) add(t MarginTry) error {
	if r.Done() || t.Try != r.Made || t.Cell != r.order[r.Made] {
		return fmt.Errorf("try %d of cell %d: expected the tries in their order", t.Try, t.Cell)
	}
	if t.Void != "" {
		r.voidsInARow++
		r.Void++
		return nil
	}
	r.voidsInARow = 0
	r.Made++
	c := &r.Cells[t.Cell]
	c.Tries++
	if t.Right {
		c.Right++
	}
	return nil
}

// A MarginTest makes tries.
type MarginTest struct {
	Run   *MarginRun
	Keep  *MarginFile                              // nil keeps no try
	Late  time.Duration                            // a write later than this is late; 0 means hw's own bound
	Tried func(cell pulse.MarginCell, t MarginTry) // told each try; may be nil
}

// All makes the tries that are still to be made, and keeps each.
func (t *MarginTest) All(ctx context.Context, l *Loop) error {
	for !t.Run.Done() {
		try, err := t.one(ctx, l)
		if err != nil {
			return err
		}
		if err := t.Keep.add(try); err != nil {
			return err
		}
		if err := t.Run.add(try); err != nil {
			return err
		}
		if t.Run.voidsInARow == maxVoids {
			return fmt.Errorf("%d tries in a row said nothing, the last because %s", maxVoids, try.Void)
		}
		if t.Tried != nil {
			t.Tried(t.Run.Cells[try.Cell], try)
		}
	}
	return nil
}

func (t *MarginTest) one(ctx context.Context, l *Loop) (MarginTry, error) {
	s := &t.Run.Settings
	try := MarginTry{Try: t.Run.Made, Cell: t.Run.order[t.Run.Made], Counts: []int{}, At: time.Now().UTC().Truncate(time.Millisecond)}
	cell := t.Run.Cells[try.Cell]
	rep, err := l.Play(ctx, s.edges(cell), hw.PlayOptions{Late: t.Late})
	if err != nil {
		return try, err
	}
	if err := wait(ctx, max(time.Duration(s.PauseNS), hw.Late)); err != nil {
		return try, err
	}
	try.LateNS = rep.LateMaxNS
	if _, _, err := l.listener.take(rep.Start); err != nil {
		return try, err
	}
	end := rep.Start + s.end(cell)
	heard, before, err := l.listener.take(end)
	if err != nil {
		return try, err
	}
	if rep.Late > 0 {
		try.Void = fmt.Sprintf("a pulse was sent %s late", figure.Span(rep.LateMaxNS/1000*1000))
		return try, nil
	}
	answer := s.answer()
	counts, whole, err := answer.Count(cell, heard, rep.Start, end, before)
	if err != nil {
		try.Void = err.Error()
		return try, nil
	}
	try.Counts, try.Whole, try.Right = counts, whole, answer.Right(counts, whole, s.Trains(), s.Pulses)
	return try, nil
}
