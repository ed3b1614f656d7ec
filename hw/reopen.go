package hw

import (
	"context"
	"errors"
	"os"
	"sync"
	"time"

	"makebreak/pulse"
)

// Backoff between attempts to open a lost line again: quick enough that a
// loose plug costs little, slow enough to idle.
const (
	reopenFirst = 100 * time.Millisecond
	reopenLast  = 5 * time.Second
)

// ReopenOptions tune a Reopening source. The zero value is ready.
type ReopenOptions struct {
	// OnState, when set, is called by the reading goroutine with the reason
	// when the line is lost and when an attempt fails for another reason, and
	// with nil when the line is back.
	OnState func(error)
	// Now replaces Monotonic.
	Now func() pulse.Stamp
}

// A Reopening source outlives the disappearance of its chip. The loss is an
// edge to Unknown, stamped when it was noticed; the return is an edge to the
// level found then, stamped at the new Start. What it opened first gives
// InitialLevel and Start.
//
// It is a Source and no more: it waits, tries and tells within ReadEdges, so it
// has no goroutine, buffer or tick of its own. Those are Follow's, which sees
// the loss as an edge like any other. Who must do more at each opening, such as
// look for a calibration, follows the line itself and opens it anew.
type Reopening struct {
	open  func() (Live, error)
	opt   ReopenOptions
	level pulse.Level
	start pulse.Stamp

	pending pulse.Edge // to be told before anything is read
	has     bool
	wait    time.Duration // before the next attempt
	due     time.Time     // when that is
	why     string        // reason told last

	mu     sync.Mutex // cur and closing
	cur    Live
	closed chan struct{}
}

var _ Live = (*Reopening)(nil)

// Reopen opens a line now, whose error it returns, and again whenever reading
// ends with ErrUnplugged, with a growing pause between attempts, until it
// succeeds. open must find the line by name: chip numbers move.
func Reopen(open func() (Live, error), opt ReopenOptions) (*Reopening, error) {
	if opt.Now == nil {
		opt.Now = Monotonic
	}
	if opt.OnState == nil {
		opt.OnState = func(error) {}
	}
	cur, err := open()
	if err != nil {
		return nil, err
	}
	return &Reopening{
		open: open, opt: opt, cur: cur, level: cur.InitialLevel(), start: cur.Start(),
		closed: make(chan struct{}),
	}, nil
}

// OpenNamed watches the line of that name (see Inventory.Resolve), through
// removals of its chip.
func OpenNamed(name string, in InputOptions, opt ReopenOptions) (*Reopening, error) {
	return Reopen(func() (Live, error) {
		ref, err := Resolve(name)
		if err != nil {
			return nil, err
		}
		return OpenInput(ref, in)
	}, opt)
}

// InitialLevel is the level at Start.
func (r *Reopening) InitialLevel() pulse.Level { return r.level }

// Start is when watching first began.
func (r *Reopening) Start() pulse.Stamp { return r.start }

// ReadEdges implements Source. It returns any error but ErrUnplugged as it is.
func (r *Reopening) ReadEdges(ctx context.Context, buf []pulse.Edge) (int, error) {
	if len(buf) == 0 {
		return 0, nil
	}
	for {
		if r.has {
			buf[0], r.has = r.pending, false
			return 1, nil
		}
		cur := r.current()
		if cur == nil {
			if err := r.again(ctx); err != nil {
				return 0, err
			}
			continue
		}
		n, err := cur.ReadEdges(ctx, buf)
		if !errors.Is(err, ErrUnplugged) {
			return n, err
		}
		cur.Close() // it is gone: nothing to say about a failure
		r.swap(nil)
		r.pending, r.has = pulse.Edge{At: r.opt.Now(), Level: pulse.Unknown}, true
		r.pause(reopenFirst)
		r.why = err.Error()
		r.opt.OnState(err)
	}
}

// pause puts the next attempt off.
func (r *Reopening) pause(d time.Duration) { r.wait, r.due = d, time.Now().Add(d) }

// again waits until the next attempt is due, tries once, and leaves the outcome
// in r. The end of ctx does not put the attempt off.
func (r *Reopening) again(ctx context.Context) error {
	if rest := time.Until(r.due); rest > 0 {
		t := time.NewTimer(rest)
		defer t.Stop()
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-r.closed:
			return os.ErrClosed
		case <-t.C:
		}
	}
	cur, err := r.open()
	if err != nil {
		r.pause(min(2*r.wait, reopenLast))
		if why := err.Error(); why != r.why {
			r.why = why
			r.opt.OnState(err)
		}
		return nil
	}
	if !r.swap(cur) {
		cur.Close()
		return os.ErrClosed
	}
	if l := cur.InitialLevel(); l != pulse.Unknown {
		r.pending, r.has = pulse.Edge{At: cur.Start(), Level: l}, true
	}
	r.opt.OnState(nil)
	return nil
}

func (r *Reopening) current() Live {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.cur
}

// swap puts cur in place; false when the source was closed meanwhile.
func (r *Reopening) swap(cur Live) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	select {
	case <-r.closed:
		return false
	default:
		r.cur = cur
		return true
	}
}

// Close gives the line back and ends a waiting ReadEdges with os.ErrClosed.
func (r *Reopening) Close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	select {
	case <-r.closed:
		return os.ErrClosed
	default:
	}
	close(r.closed)
	if r.cur == nil {
		return nil
	}
	return r.cur.Close()
}
