package hw

import (
	"context"
	"fmt"
	"io"
	"io/fs"
	"sync"
	"time"

	"makebreak/pulse"
	"makebreak/pulse/synth"
)

// SimulatedOptions say when a simulated contact's edges come. The zero value
// gives them as fast as they are read.
type SimulatedOptions struct {
	// Speed is 1 for real time, 10 for ten times as fast; 0 never waits.
	Speed float64
	// Batch is how long edges are held back, so that a bounce comes in one read
	// as it does from a kernel's buffer. Stamps are not changed.
	Batch time.Duration
	// Start is added to every stamp, such as CLOCK_MONOTONIC at the start.
	Start pulse.Stamp
	// FirstSeq is the sequence number of the first edge; 0 means 1.
	FirstSeq uint32
	// Until leaves out the edges after this time of the signal; 0 leaves out none.
	Until pulse.Stamp
}

// Simulated is a Source of a contact that only exists as a description. In real
// time the signal starts with the first ReadEdges, and a late reader gets all
// edges that are due. One goroutine may call ReadEdges; Close may come from
// another.
type Simulated struct {
	signal *synth.Signal
	opt    SimulatedOptions
	ahead  [64]pulse.Edge
	next   []pulse.Edge // the rest of ahead
	start  time.Time
	timer  *time.Timer
	closed chan struct{}
	once   sync.Once
}

// NewSimulated makes the source of a signal. It fails as synth.New does, and for
// an option that is out of range.
func NewSimulated(spec *synth.Spec, opt SimulatedOptions) (*Simulated, error) {
	if !(opt.Speed == 0 || opt.Speed >= 1e-3 && opt.Speed <= 1e6) {
		return nil, fmt.Errorf("simulated contact: speed %g: expected 0, or 0.001 to 1000000", opt.Speed)
	}
	signal, err := synth.New(spec)
	if err != nil {
		return nil, fmt.Errorf("simulated contact: %w", err)
	}
	if opt.FirstSeq == 0 {
		opt.FirstSeq = 1
	}
	return &Simulated{signal: signal, opt: opt, closed: make(chan struct{})}, nil
}

// Spec gives the description with all defaults filled in. It must not be changed.
func (s *Simulated) Spec() *synth.Spec { return s.signal.Spec() }

// ReadEdges implements Source. After Close it returns fs.ErrClosed.
func (s *Simulated) ReadEdges(ctx context.Context, buf []pulse.Edge) (int, error) {
	select {
	case <-s.closed:
		return 0, fs.ErrClosed
	default:
	}
	if len(buf) == 0 {
		return 0, nil
	}
	if s.opt.Speed == 0 {
		if err := ctx.Err(); err != nil {
			return 0, err
		}
		n := s.generate(buf)
		if n == 0 {
			return 0, io.EOF
		}
		s.stamp(buf[:n])
		return n, nil
	}
	if s.start.IsZero() {
		s.start = time.Now()
	}
	if !s.fill() {
		return 0, io.EOF
	}
	if err := s.wait(ctx, s.due(s.next[0])+s.opt.Batch); err != nil {
		return 0, err
	}
	now, n := time.Since(s.start), 0
	for n < len(buf) && s.fill() && (n == 0 || s.due(s.next[0]) <= now) {
		buf[n] = s.next[0]
		s.next = s.next[1:]
		n++
	}
	s.stamp(buf[:n])
	return n, nil
}

// generate puts the signal's next edges into buf; 0 means its end.
func (s *Simulated) generate(buf []pulse.Edge) (n int) {
	n = s.signal.Next(buf)
	for s.opt.Until > 0 && n > 0 && buf[n-1].At > s.opt.Until {
		n--
	}
	return n
}

func (s *Simulated) fill() bool {
	if len(s.next) == 0 {
		s.next = s.ahead[:s.generate(s.ahead[:])]
	}
	return len(s.next) > 0
}

// due is when an edge comes, after the start. The division is exact in real time.
func (s *Simulated) due(e pulse.Edge) time.Duration {
	if s.opt.Speed == 1 {
		return time.Duration(e.At)
	}
	return time.Duration(min(float64(e.At)/s.opt.Speed, 1<<62))
}

func (s *Simulated) wait(ctx context.Context, due time.Duration) error {
	rest := due - time.Since(s.start)
	if rest <= 0 {
		return nil
	}
	if s.timer == nil {
		s.timer = time.NewTimer(rest)
	} else {
		s.timer.Reset(rest)
	}
	select {
	case <-s.timer.C:
		return nil
	case <-ctx.Done():
		s.timer.Stop()
		if time.Since(s.start) >= due { // it has come meanwhile
			return nil
		}
		return ctx.Err()
	case <-s.closed:
		s.timer.Stop()
		return fs.ErrClosed
	}
}

func (s *Simulated) stamp(edges []pulse.Edge) {
	for i := range edges {
		edges[i].At += s.opt.Start
		edges[i].Seq += s.opt.FirstSeq - 1
	}
}

// Close ends the source and any read that waits.
func (s *Simulated) Close() error {
	s.once.Do(func() { close(s.closed) })
	return nil
}
