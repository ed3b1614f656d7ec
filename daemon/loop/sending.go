package loop

import (
	"context"
	"errors"
	"iter"
	"math"
	"time"

	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

// A Sending is a signal as a line is to carry it.
type Sending struct {
	spec   *synth.Spec
	idle   pulse.Level
	cut    int64       // ns; no break begins at or after it
	hold   pulse.Stamp // rest after the last closing
	length pulse.Stamp
}

// NewSending makes a sending of a signal, whose Closed says which level closes
// the contact. No break begins after untilNS, an endless signal needs it; 0 is
// no such bound. It refuses what only a measurement can have.
func NewSending(spec *synth.Spec, idle pulse.Level, untilNS int64) (*Sending, error) {
	switch {
	case spec.Lost > 0 || spec.LostSilent > 0:
		return nil, errors.New("lost edges cannot be sent: expected no lost and no lost-silent")
	case spec.ClockPPM != 0 || spec.AsymmetryNS != 0:
		return nil, errors.New("clock and asymmetry are faults of measuring: expected neither in what is sent")
	}
	signal, err := synth.New(spec)
	if err != nil {
		return nil, err
	}
	s := &Sending{spec: signal.Spec(), idle: idle, cut: math.MaxInt64}
	truth := signal.Truth()
	end := truth.EndNS
	if untilNS > 0 {
		s.cut = untilNS
		if end == 0 || s.cut < end {
			end = s.cut
		}
	}
	// An interrupter's last opening, into the idle level, comes when its next one
	// would: then it is none too many.
	s.hold = pulse.Stamp(s.spec.LeadNS)
	switch s.spec.Form {
	case synth.Cam:
		s.hold = pulse.Stamp(truth.PeriodNS - truth.BreakNS)
	case synth.Cadence:
		s.hold = pulse.Stamp(truth.SegmentsNS[0])
	}
	s.length = pulse.Stamp(end) + s.hold
	return s, nil
}

// Spec gives the signal with all defaults filled in. It must not be changed.
func (s *Sending) Spec() *synth.Spec { return s.spec }

// Idle is the level that the line has before and after.
func (s *Sending) Idle() pulse.Level { return s.idle }

// Length is about how long the sending takes, from the first edge to the last.
func (s *Sending) Length() pulse.Stamp { return s.length }

// Signal gives the edges of the signal alone, up to the closing of the last
// break that begins before the bound.
func (s *Sending) Signal() iter.Seq[pulse.Edge] {
	return func(yield func(pulse.Edge) bool) {
		signal, err := synth.New(s.spec)
		if err != nil { // it was made before
			panic(err)
		}
		rest := s.spec.Rest()
		level := rest
		buf := make([]pulse.Edge, 256)
		for n := signal.Next(buf); n > 0; n = signal.Next(buf) {
			for _, e := range buf[:n] {
				if level == rest && int64(e.At) >= s.cut || !yield(pulse.Edge{At: e.At, Level: e.Level}) {
					return
				}
				level = e.Level
			}
		}
	}
}

// end is when the line returns to its idle level, after a last edge of the
// signal; 0 stands for a signal that had none.
func (s *Sending) end(last pulse.Stamp) pulse.Stamp {
	if last == 0 {
		return pulse.Stamp(s.spec.LeadNS)
	}
	return last + s.hold
}

// Edges gives what is to be written: from the idle level to rest, the signal,
// rest again, and the idle level. Levels that the line has already are written
// only at the very end.
func (s *Sending) Edges() iter.Seq[pulse.Edge] {
	return func(yield func(pulse.Edge) bool) {
		if rest := s.spec.Rest(); s.idle != rest && !yield(pulse.Edge{Level: rest}) {
			return
		}
		last := pulse.Stamp(0)
		for e := range s.Signal() {
			if !yield(e) {
				return
			}
			last = e.At
		}
		yield(pulse.Edge{At: s.end(last), Level: s.idle})
	}
}

// A Sent is what came of a sending.
type Sent struct {
	Format      string `json:"format"`
	Line        string `json:"line"`
	Description string `json:"description"`
	Complete    bool   `json:"complete"`
	hw.PlayReport
	Idle pulse.Level `json:"-"` // level that the line was left at
}

// Send drives a line of some name with the signal, and closes it. A write later
// than late counts as late; 0 means hw's own bound. Ended by ctx, what was sent
// is not complete.
func (s *Sending) Send(ctx context.Context, out Player, line string, late time.Duration) (Sent, error) {
	sent := Sent{Format: "makebreak.send/1", Line: line, Description: s.spec.String(), Idle: s.idle}
	stopped, err := Use(ctx, out, func() (err error) {
		sent.PlayReport, err = out.Play(ctx, s.Edges(), hw.PlayOptions{Late: late, Spin: spin})
		return err
	})
	sent.Complete = !stopped
	return sent, err
}

// A DryRun is a signal that was written to a file and not sent.
type DryRun struct {
	Format      string         `json:"format"`
	Line        string         `json:"line"`
	Description string         `json:"description"`
	Closed      pulse.Polarity `json:"closed"`
	Idle        pulse.Level    `json:"idle"`
	Rest        pulse.Level    `json:"-"` // of the line before and after the signal
	File        string         `json:"file"`
	Edges       int            `json:"edges"` // of the signal
	LastNS      int64          `json:"last_ns"`
	// When the line would leave its idle level and return to it; null where the
	// signal rests in it.
	LeavesIdleNS  *int64 `json:"leaves_idle_ns"`
	ReturnsIdleNS *int64 `json:"returns_idle_ns"`
}

// DryRun tells what would be sent to a line of some name, once a file holds
// Signal. The error is that of ctx.
func (s *Sending) DryRun(ctx context.Context, line, file string) (DryRun, error) {
	d := DryRun{
		Format: "makebreak.send-dry-run/1", Line: line, File: file, Description: s.spec.String(),
		Closed: s.spec.Closed, Idle: s.idle, Rest: s.spec.Rest(),
	}
	for e := range s.Signal() {
		if err := ctx.Err(); err != nil {
			return d, err
		}
		d.Edges++
		d.LastNS = int64(e.At)
	}
	if d.Rest != d.Idle {
		d.LeavesIdleNS, d.ReturnsIdleNS = new(int64), new(int64)
		*d.ReturnsIdleNS = int64(s.end(pulse.Stamp(d.LastNS)))
	}
	return d, nil
}
