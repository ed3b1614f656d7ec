package command

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"makebreak/hw"
	"makebreak/pulse"
)

// An ear hears everything on a line from its opening on, while another line
// is driven.
type ear struct {
	src    hw.Live
	stop   context.CancelFunc
	done   chan struct{}
	ask    chan time.Time // whether all that has come is heard
	answer chan struct{}

	mu    sync.Mutex
	heard []pulse.Edge // not taken yet
	level pulse.Level  // before them
	err   error
}

// listen begins to hear; the ear owns src from then on.
func listen(src hw.Live) *ear {
	ctx, stop := context.WithCancel(context.Background())
	e := &ear{src: src, stop: stop, done: make(chan struct{}), ask: make(chan time.Time), answer: make(chan struct{}, 1), level: src.InitialLevel()}
	go func() {
		defer close(e.done)
		opt := hw.FollowOptions{Buffers: liveBuffers, Edges: liveEdges, Now: hw.Monotonic, Ticks: e.ask, Tick: func(pulse.Stamp, bool) error {
			select {
			case e.answer <- struct{}{}:
			default: // nobody has asked: it ends
			}
			return nil
		}}
		err := hw.Follow(ctx, src, opt, func(edges []pulse.Edge) error {
			e.mu.Lock()
			defer e.mu.Unlock()
			e.heard = append(e.heard, edges...)
			return nil
		})
		e.mu.Lock()
		defer e.mu.Unlock()
		if ctx.Err() == nil {
			e.err = err
		}
	}()
	return e
}

// take gives what was heard up to a time, and the level before it. It must be
// called liveMargin after that time.
func (e *ear) take(upTo pulse.Stamp) (heard []pulse.Edge, before pulse.Level, err error) {
	select {
	case e.ask <- time.Time{}:
		select {
		case <-e.answer:
		case <-e.done:
		}
	case <-e.done:
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	n := 0
	for n < len(e.heard) && e.heard[n].At <= upTo {
		n++
	}
	heard, before = e.heard[:n:n], e.level
	e.heard = e.heard[n:]
	if n > 0 {
		e.level = heard[n-1].Level
	}
	return heard, before, e.err
}

// close gives the line back; it may be called twice.
func (e *ear) close() {
	e.stop()
	<-e.done
	e.src.Close()
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

// loopFlags are the two ends of a chain: one line drives, the other listens.
type loopFlags struct {
	Out       string `placeholder:"LINE" help:"Line that drives, such as GPIO27."`
	In        string `placeholder:"LINE" help:"Line that listens, such as GPIO17."`
	OutClosed string `group:"The driven line:" enum:"high,low" default:"high" help:"Level that closes the contact: high or low."`
	outputFlags
}

// A loop is both ends, opened.
type loop struct {
	player
	*ear
	outRef, inRef hw.LineRef
}

// close gives both lines back, the driven one at its idle level. It may be
// called twice.
func (l *loop) close() error {
	err := l.player.Close()
	l.ear.close()
	return err
}

// names refuses what cannot be a chain.
func (f *loopFlags) names() error {
	if f.Out == "" || f.In == "" {
		return errors.New("expected --out LINE, which drives, and --in LINE, which listens")
	}
	if lineName(f.Out) == lineName(f.In) {
		return fmt.Errorf("--out and --in are both %s: expected two lines", f.In)
	}
	return nil
}

// find looks both lines up.
func (f *loopFlags) find() (l *loop, err error) {
	l = &loop{}
	if l.outRef, err = hw.Resolve(lineName(f.Out)); err != nil {
		return nil, err
	}
	if l.inRef, err = hw.Resolve(lineName(f.In)); err != nil {
		return nil, err
	}
	if l.outRef == l.inRef {
		return nil, fmt.Errorf("--out %s and --in %s are the same line: expected two", f.Out, f.In)
	}
	return l, nil
}

// open requests both lines: first the one that listens, so that nothing is
// driven when it cannot.
func (f *loopFlags) open(l *loop, bias hw.Bias) error {
	in, err := hw.OpenInput(l.inRef, hw.InputOptions{Bias: bias})
	if err != nil {
		return err
	}
	out, err := openOutput(l.outRef, f.idle())
	if err != nil {
		in.Close()
		return err
	}
	l.player, l.ear = out, listen(in)
	return nil
}
