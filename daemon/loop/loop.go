// Package loop drives one line and listens to another: it sends signals,
// calibrates the chain of a coupler and a measuring line, and finds the margin
// within which a circuit counts right.
package loop

import (
	"context"
	"errors"
	"iter"
	"sync"
	"time"

	"makebreak/hw"
	"makebreak/pulse"
)

// spin is how long before a write the processor waits busily: longer than a
// wake-up takes, short beside a pulse.
const spin = 150 * time.Microsecond

// A listener reads so many buffers of so many edges ahead: 50 s of a dial.
const (
	listenBuffers = 1024
	listenEdges   = 64
)

// A Player drives a line, as *hw.Output does. Close leaves it at its idle level
// and may be called more than once.
type Player interface {
	Play(ctx context.Context, edges iter.Seq[pulse.Edge], opt hw.PlayOptions) (hw.PlayReport, error)
	Close() error
}

// OpenPlayer opens a line that is driven. Errors are *hw.OpError. From then on
// the program does not heed Ctrl-Z.
func OpenPlayer(ref hw.LineRef, idle pulse.Level) (Player, error) {
	ignoreSuspend()
	out, err := hw.OpenOutput(ref, idle)
	if err != nil {
		return nil, err
	}
	return out, nil
}

// Use runs a job on p and closes p. stopped tells that the job ended because
// ctx did; that is no error.
func Use(ctx context.Context, p Player, job func() error) (stopped bool, err error) {
	defer func() { // after a panic too
		if e := p.Close(); err == nil {
			err = e
		}
	}()
	err = job()
	if stopped = err != nil && ctx.Err() != nil && errors.Is(err, ctx.Err()); stopped {
		return true, nil
	}
	return false, err
}

// A Loop is a line that is driven and a line that listens.
type Loop struct {
	player   Player
	listener *listener
}

// Open opens both lines: first the one that listens, so that nothing is driven
// when it cannot. Errors are *hw.OpError.
func Open(out, in hw.LineRef, idle pulse.Level, bias hw.Bias) (*Loop, error) {
	src, err := hw.OpenInput(in, hw.InputOptions{Bias: bias})
	if err != nil {
		return nil, err
	}
	player, err := OpenPlayer(out, idle)
	if err != nil {
		src.Close()
		return nil, err
	}
	return &Loop{player, listen(src)}, nil
}

// Play drives the line, see hw.Output.
func (l *Loop) Play(ctx context.Context, edges iter.Seq[pulse.Edge], opt hw.PlayOptions) (hw.PlayReport, error) {
	opt.Spin = spin
	return l.player.Play(ctx, edges, opt)
}

// Close gives both lines back, the driven one at its idle level. It may be
// called more than once.
func (l *Loop) Close() error {
	err := l.player.Close()
	l.listener.close()
	return err
}

// A listener hears everything on a line from its opening on, while another
// line is driven.
type listener struct {
	src    hw.Live
	stop   context.CancelFunc
	done   chan struct{}
	ask    chan time.Time // whether all that has come is heard
	answer chan bool

	mu    sync.Mutex
	heard []pulse.Edge // not taken yet
	level pulse.Level  // before them
	err   error
}

// listen begins to hear; src belongs to the listener from then on.
func listen(src hw.Live) *listener {
	ctx, stop := context.WithCancel(context.Background())
	l := &listener{src: src, stop: stop, done: make(chan struct{}), ask: make(chan time.Time), answer: make(chan bool, 1), level: src.InitialLevel()}
	go func() {
		defer close(l.done)
		opt := hw.FollowOptions{Buffers: listenBuffers, Edges: listenEdges, Now: hw.Monotonic, Ticks: l.ask, Tick: func(_ pulse.Stamp, heard bool) error {
			select {
			case l.answer <- heard:
			default: // nobody has asked: it ends
			}
			return nil
		}}
		err := hw.Follow(ctx, src, opt, func(edges []pulse.Edge) error {
			l.mu.Lock()
			defer l.mu.Unlock()
			l.heard = append(l.heard, edges...)
			return nil
		})
		l.mu.Lock()
		defer l.mu.Unlock()
		if ctx.Err() == nil {
			l.err = err
		}
	}()
	return l
}

// take gives what was heard up to a time, and the level before it. It must be
// called hw.Late after that time.
func (l *listener) take(upTo pulse.Stamp) (heard []pulse.Edge, before pulse.Level, err error) {
	if !l.hears() {
		return nil, l.level, errors.New("the line that listens does not answer")
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	n := 0
	for n < len(l.heard) && l.heard[n].At <= upTo {
		n++
	}
	heard, before = l.heard[:n:n], l.level
	l.heard = l.heard[n:]
	if n > 0 {
		l.level = heard[n-1].Level
	}
	return heard, before, l.err
}

// hears waits until all that has come up to now is heard, or nothing more can
// come. It is false where the line does not answer: asked a second time, Follow
// says so.
func (l *listener) hears() bool {
	for {
		select {
		case l.ask <- time.Time{}:
		case <-l.done:
			return true
		}
		select {
		case heard := <-l.answer:
			return heard
		case <-l.done:
			return true
		case <-time.After(hw.Late):
		}
	}
}

// close gives the line back; it may be called twice.
func (l *listener) close() {
	l.stop()
	<-l.done
	l.src.Close()
}

// wait pauses for a while, or until ctx ends.
func wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
