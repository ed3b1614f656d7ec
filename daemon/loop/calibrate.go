package loop

import (
	"context"
	"iter"
	"math"
	"math/rand/v2"
	"time"

	"makebreak/daemon/calibration"
	"makebreak/hw"
	"makebreak/pulse"
)

// CalibrationLengths is how many lengths of breaks are sent, from the shortest
// to the longest: enough to see an error that depends on the length.
const CalibrationLengths = 10

const (
	calibrationMake   = 40 * int64(1e6)        // ns
	calibrationRest   = pulse.Stamp(500 * 1e6) // before and after the pulses
	calibrationDither = 1e6                    // ns
	calibrationSeed   = 1
	// tolerable is the part of the edges that may be lost or doubled: more, and
	// the chain does not follow.
	tolerable = 0.01
	// matchBefore is how long before the end of its write an edge may be stamped.
	matchBefore = pulse.Stamp(2e6)
)

// CalibrationPulses are sent through a chain to calibrate it.
type CalibrationPulses struct {
	Count                  int
	BreakMinNS, BreakMaxNS int64
	OutClosed              pulse.Polarity // of the driven line
	InClosed               pulse.Polarity // of the measuring line
	Idle                   pulse.Level    // of the driven line, before and after
}

// edges gives the pulses: breaks of all lengths in an order drawn by lot, so
// that a drift does not look like a dependence on the length, and makes that
// differ within a millisecond, so that no edge keeps step with a timer.
func (c *CalibrationPulses) edges() iter.Seq[pulse.Edge] {
	closed, open := c.OutClosed.Level(true), c.OutClosed.Level(false)
	return func(yield func(pulse.Edge) bool) {
		rng := rand.New(rand.NewPCG(calibrationSeed, 0))
		if c.Idle != closed && !yield(pulse.Edge{Level: closed}) {
			return
		}
		at := calibrationRest
		var order []int
		for range c.Count {
			if len(order) == 0 {
				order = rng.Perm(CalibrationLengths)
			}
			length := c.BreakMinNS + (c.BreakMaxNS-c.BreakMinNS)*int64(order[0])/(CalibrationLengths-1)
			order = order[1:]
			if !yield(pulse.Edge{At: at, Level: open}) || !yield(pulse.Edge{At: at + pulse.Stamp(length), Level: closed}) {
				return
			}
			at += pulse.Stamp(length + calibrationMake + rng.Int64N(calibrationDither))
		}
		yield(pulse.Edge{At: at + calibrationRest, Level: c.Idle})
	}
}

// Length is about how long the pulses take.
func (c *CalibrationPulses) Length() pulse.Stamp {
	each := (c.BreakMinNS+c.BreakMaxNS)/2 + calibrationMake + calibrationDither/2
	return 2*calibrationRest + pulse.Stamp(int64(c.Count)*each)
}

// Run sends the pulses and compares what came back. A write later than late
// counts as late; 0 means hw's own bound. Errors are those of the lines and of
// ctx; whether the result may be used, Answered and Follows tell.
func (c *CalibrationPulses) Run(ctx context.Context, l *Loop, late time.Duration) (*pulse.Loopback, hw.PlayReport, error) {
	sent := make([]pulse.Driven, 0, 2*c.Count+2)
	level := c.Idle
	rep, err := l.Play(ctx, c.edges(), hw.PlayOptions{Late: late, OnWrite: func(e pulse.Edge, _, done pulse.Stamp) {
		if e.Level != level {
			level = e.Level
			sent = append(sent, pulse.Driven{At: done, Closed: c.OutClosed.Closed(e.Level)})
		}
	}})
	if err != nil {
		return nil, rep, err
	}
	if err := wait(ctx, 2*hw.Late); err != nil {
		return nil, rep, err
	}
	// What came before is no answer; nor is the release, during which this
	// program is busy with other things.
	until := pulse.Stamp(math.MaxInt64)
	if last := sent[len(sent)-1]; !last.Closed {
		sent, until = sent[:len(sent)-1], last.At-matchBefore
	}
	if _, _, err := l.listener.take(sent[0].At - matchBefore); err != nil {
		return nil, rep, err
	}
	seen, _, err := l.listener.take(until)
	if err != nil {
		return nil, rep, err
	}
	r, _ := pulse.AnalyseLoopback(sent, seen, c.InClosed) // too little came back: Answered says so
	return r, rep, nil
}

// Answered tells whether enough edges came back as they should to tell anything.
func Answered(r *pulse.Loopback) bool { return r.AsymmetryU.OK && r.EdgeNoise.OK }

// Follows tells whether few enough edges were lost, or came that were not sent.
func Follows(r *pulse.Loopback) bool {
	return float64(r.Lost+r.Extra) <= tolerable*float64(r.Sent)
}

// A Calibrated is what came of a calibration.
type Calibrated struct {
	*calibration.Calibration
	Saved   string        `json:"saved"`   // file; empty when it was refused
	Why     string        `json:"why_not"` // it was refused, in words
	Sending hw.PlayReport `json:"sending"`
}
