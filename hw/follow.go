package hw

import (
	"cmp"
	"context"
	"errors"
	"time"

	"makebreak/pulse"
)

// Late is how long after its stamp an edge may still be on its way from a line
// to a reader. The kernel's own delay is far below 1 ms; this leaves room for a
// loaded computer.
const Late = 100 * time.Millisecond

// patience is how long a source may take to answer once its reader wants to
// end. A source answers at once, unless it waits for what no context ends, such
// as standard input.
const patience = 100 * time.Millisecond

// Unless told otherwise, 4 buffers of 8192 edges are read ahead: enough that
// neither who parses nor who measures waits for the other, small enough to stay
// in a processor's cache.
const (
	followBuffers = 4
	followEdges   = 8192
)

// FollowOptions say how Follow reads. The zero value is for a recording.
type FollowOptions struct {
	// Buffers of Edges edges each are read ahead; 0 means 4 of 8192. A buffer
	// is made when it is first needed.
	Buffers, Edges int
	// Ticks ask, whenever they give something, whether everything up to now has
	// been read; nil never asks. Only a Live source can tell.
	Ticks <-chan time.Time
	// Tick answers: every edge up to the time at has been added, if heard is
	// true. Where the source has neither answered nor given an edge from one
	// tick to the next, heard is false. Tick runs where add runs, and its error
	// ends Follow. It is also called at the end of ctx. nil: nobody asks.
	Tick func(at pulse.Stamp, heard bool) error
	// Now is the clock of the source's stamps. Needed with Ticks.
	Now func() pulse.Stamp
	// Join waits at the end until the source has come back from its last read,
	// however long that takes: for a source that never waits for input, and
	// whose owner goes on to use it.
	Join bool
}

// Follow reads src to its end and gives its edges to add, in order, in slices
// that are add's until it returns. A goroutine reads ahead, so that a slow add
// loses no edge of a line while there are free buffers. Nothing is allocated
// for an edge.
//
// Follow returns io.EOF at the end of src, or the error of src, after all edges
// before it were added; or the error of add or of Tick, at once; or ctx's. At
// the end of ctx, what has been read and what lies ready in a Live source is
// still added, up to that moment, so that lines that never rest end too.
// Follow does not close src. When it returns, src is not being read any more,
// unless it did not answer within 100 ms (and Join was not asked for): then it
// is left behind, and its edges are lost.
//
// The question of a tick is put to the source, and the answer comes through the
// same buffers as the edges: the reader stops waiting, takes what lies ready,
// and answers when there is nothing more, or an edge that is younger than the
// question. So the answer holds also after the process was stopped for a while
// and everything is late.
//
// A line that is lost is an error here, which ends Follow. A Reopening source
// makes of it an edge to Unknown and goes on.
func Follow(ctx context.Context, src Source, opt FollowOptions, add func([]pulse.Edge) error) error {
	opt.Buffers, opt.Edges = cmp.Or(opt.Buffers, followBuffers), cmp.Or(opt.Edges, followEdges)
	base, end := context.WithCancel(context.WithoutCancel(ctx))
	f := &follower{
		src: src, opt: opt, add: add, base: base,
		// There are never more than a batch a buffer, an answer and an error.
		full: make(chan batch, opt.Buffers+2), free: make(chan []pulse.Edge, opt.Buffers), ended: make(chan struct{}),
	}
	waiting, wake := context.WithCancel(base)
	f.wake = wake
	go f.read(waiting)
	deaf, err := f.run(ctx)
	end()
	switch {
	case opt.Join:
		<-f.ended
	case !deaf:
		select {
		case <-f.ended:
		case <-time.After(patience):
		}
	}
	return err
}

// A batch is what the reader hands over: edges, an answer or the last error.
type batch struct {
	edges []pulse.Edge
	err   error
	wake  context.CancelFunc // of an answer: puts the next question
}

// A follower is what the goroutine that reads and the one that adds share.
type follower struct {
	src   Source
	opt   FollowOptions
	add   func([]pulse.Edge) error
	base  context.Context // its end ends the reader
	full  chan batch
	free  chan []pulse.Edge
	ended chan struct{} // closed by the reader
	upTo  pulse.Stamp   // of the question; set before wake is called

	// What follows is of the goroutine that adds.
	wake  context.CancelFunc // ends the reader's waiting: the question
	asked bool               // and not answered yet
	given bool               // edges came since the question or the last tick
}

// read is the goroutine that reads. It is asked by the end of waiting.
func (f *follower) read(waiting context.Context) {
	defer close(f.ended)
	var buf []pulse.Edge
	for made := 0; f.base.Err() == nil; {
		if buf == nil {
			if buf = f.buffer(&made); buf == nil {
				return
			}
		}
		n, err := f.src.ReadEdges(waiting, buf)
		asked, all := waiting.Err() != nil, false
		switch {
		case err != nil && asked && errors.Is(err, waiting.Err()):
			all = true
		case err != nil:
			f.full <- batch{err: err}
			return
		case n > 0:
			all = asked && buf[n-1].At >= f.upTo
			f.full <- batch{edges: buf[:n]}
			buf = nil
		}
		if all && f.base.Err() == nil {
			var wake context.CancelFunc
			waiting, wake = context.WithCancel(f.base)
			f.full <- batch{wake: wake}
		}
	}
}

// buffer gives a buffer that is free, a new one while there may be more; nil at
// the end.
func (f *follower) buffer(made *int) []pulse.Edge {
	select {
	case b := <-f.free:
		return b
	default:
	}
	if *made < f.opt.Buffers {
		*made++
		return make([]pulse.Edge, f.opt.Edges)
	}
	select {
	case b := <-f.free:
		return b
	case <-f.base.Done():
		return nil
	}
}

// run hands over what is read. deaf says that the source did not answer.
func (f *follower) run(ctx context.Context) (deaf bool, err error) {
	for {
		select {
		case b := <-f.full:
			err = f.take(b)
		case <-f.opt.Ticks:
			switch {
			case !f.asked:
				f.ask()
			case !f.given && len(f.full) == 0:
				err = f.tick(f.opt.Now(), false)
			default:
				f.given = false // until the next tick
			}
		case <-ctx.Done():
			return f.stop(ctx)
		}
		if err != nil {
			return false, err
		}
	}
}

// stop hands over what is ready at the end of ctx.
func (f *follower) stop(ctx context.Context) (deaf bool, err error) {
	last := !f.asked // an older question is answered first
	if last {
		f.ask()
	}
	t := time.NewTimer(patience)
	defer t.Stop()
	for {
		select {
		case b := <-f.full:
			if err := f.take(b); err != nil {
				return false, err
			}
			if f.asked {
				continue
			}
			if last {
				return false, ctx.Err()
			}
			f.ask()
			last = true
			t.Reset(patience)
		case <-t.C:
			if len(f.full) == 0 { // else it is add that takes long
				return true, ctx.Err()
			}
			t.Reset(patience)
		}
	}
}

// ask puts the question whether everything up to now has been read.
func (f *follower) ask() {
	f.asked, f.given = true, false
	if f.opt.Now != nil {
		f.upTo = f.opt.Now()
	}
	f.wake()
}

// take hands over what the reader gave.
func (f *follower) take(b batch) error {
	switch {
	case b.err != nil:
		return b.err
	case b.wake != nil:
		f.wake, f.asked = b.wake, false
		return f.tick(f.upTo, true)
	}
	f.given = true
	err := f.add(b.edges)
	f.free <- b.edges[:f.opt.Edges]
	return err
}

func (f *follower) tick(at pulse.Stamp, heard bool) error {
	if f.opt.Tick == nil {
		return nil
	}
	return f.opt.Tick(at, heard)
}
