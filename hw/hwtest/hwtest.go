// Package hwtest has what tests read edges from: sources that follow a script,
// signals, an invented computer.
package hwtest

import (
	"context"
	"io"
	"sync/atomic"
	"testing"
	"time"

	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

// A Step is one thing that a scripted source does.
type Step func(ctx context.Context, buf []pulse.Edge) (n int, done bool, err error)

// Edges gives edges, as many per call as fit, never with those of another step.
// A loss is an edge with Lost set, an unplugged chip one with Level Unknown.
func Edges(edges ...pulse.Edge) Step {
	return func(_ context.Context, buf []pulse.Edge) (int, bool, error) {
		n := copy(buf, edges)
		edges = edges[n:]
		return n, len(edges) == 0, nil
	}
}

// Times gives one edge at each time, alternately to High and Low, numbered from 1.
func Times(at ...pulse.Stamp) Step {
	edges := make([]pulse.Edge, len(at))
	for i, t := range at {
		edges[i] = pulse.Edge{At: t, Seq: uint32(i + 1), Level: pulse.Level(1 - i%2)}
	}
	return Edges(edges...)
}

// Stall waits until the channel gives something or is closed, or the context
// is done; nil waits for the context only.
func Stall(until <-chan struct{}) Step {
	return func(ctx context.Context, _ []pulse.Edge) (int, bool, error) {
		select {
		case <-until:
			return 0, true, nil
		case <-ctx.Done():
		}
		select {
		case <-until: // both, then
			return 0, true, nil
		default:
			return 0, false, ctx.Err()
		}
	}
}

// After waits for a time from when the script gets there, however often the
// context is done meanwhile.
func After(d time.Duration) Step {
	var until time.Time
	return func(ctx context.Context, _ []pulse.Edge) (int, bool, error) {
		if until.IsZero() {
			until = time.Now().Add(d)
		}
		select {
		case <-time.After(time.Until(until)):
		case <-ctx.Done():
			if time.Now().Before(until) {
				return 0, false, ctx.Err()
			}
		}
		return 0, true, nil
	}
}

// Call runs f when the script gets there.
func Call(f func()) Step {
	return func(context.Context, []pulse.Edge) (int, bool, error) { f(); return 0, true, nil }
}

// Fail returns err once; the script goes on after it.
func Fail(err error) Step {
	return func(context.Context, []pulse.Edge) (int, bool, error) { return 0, true, err }
}

// A Source plays its script and then gives io.EOF. It is for one reader; the
// counters may be read by others.
type Source struct {
	Level  pulse.Level // InitialLevel
	From   pulse.Stamp // Start
	Reads  atomic.Int64
	Closed atomic.Int64 // calls of Close

	steps []Step
}

var _ hw.Live = (*Source)(nil)

// Script makes a source of its steps.
func Script(steps ...Step) *Source { return &Source{steps: steps} }

// ReadEdges implements hw.Source.
func (s *Source) ReadEdges(ctx context.Context, buf []pulse.Edge) (int, error) {
	s.Reads.Add(1)
	if len(buf) == 0 {
		return 0, nil
	}
	for len(s.steps) > 0 {
		n, done, err := s.steps[0](ctx, buf)
		if done {
			s.steps = s.steps[1:]
		}
		if n > 0 || err != nil {
			return n, err
		}
	}
	return 0, io.EOF
}

// InitialLevel gives Level.
func (s *Source) InitialLevel() pulse.Level { return s.Level }

// Start gives From.
func (s *Source) Start() pulse.Stamp { return s.From }

// Close counts its calls.
func (s *Source) Close() error { s.Closed.Add(1); return nil }

// Sim gives all edges of a signal that a description of package synth makes.
func Sim(t testing.TB, description string) (edges []pulse.Edge) {
	t.Helper()
	spec, err := synth.Parse(description)
	if err != nil {
		t.Fatal(err)
	}
	signal, err := synth.New(spec)
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]pulse.Edge, 256)
	for n := signal.Next(buf); n > 0; n = signal.Next(buf) {
		edges = append(edges, buf[:n]...)
	}
	return edges
}

// Inventory is that of an invented computer with one chip.
func Inventory(lines ...hw.LineInfo) *hw.Inventory {
	v := &hw.Inventory{Board: hw.Board{Model: "Marrow Quay computer"}, Chips: []hw.Chip{{Name: "gpiochip0", Label: "pinctrl-rp1", Lines: len(lines)}}}
	for i, l := range lines {
		l.Chip, l.Label, l.Offset = "gpiochip0", "pinctrl-rp1", i
		v.Lines = append(v.Lines, l)
	}
	return v
}

// Unwoken is a line whose edges do not wake its reader, as those that came while
// the process was stopped: they lie in the kernel until someone looks.
type Unwoken struct {
	*Source
	Now   func() pulse.Stamp
	Edges []pulse.Edge
}

// ReadEdges gives, when ctx is done, the edges up to now.
func (u *Unwoken) ReadEdges(ctx context.Context, buf []pulse.Edge) (n int, err error) {
	for <-ctx.Done(); n < len(buf) && len(u.Edges) > 0 && u.Edges[0].At <= u.Now(); n++ {
		buf[n] = u.Edges[0]
		u.Edges = u.Edges[1:]
	}
	if n == 0 {
		err = ctx.Err()
	}
	return n, err
}
