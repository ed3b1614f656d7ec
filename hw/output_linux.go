package hw

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"os"
	"runtime"
	"time"

	"github.com/warthog618/go-gpiocdev/uapi"
	"golang.org/x/sys/unix"

	"makebreak/pulse"
)

// An Output is a line that is driven.
type Output struct {
	ref  LineRef
	f    *os.File
	fd   uintptr
	idle pulse.Level

	closed   bool
	closeErr error
}

// OpenOutput requests a line that has its idle level from the first moment,
// between plays, and at Close. Errors are *OpError.
func OpenOutput(ref LineRef, idle pulse.Level) (*Output, error) {
	req := uapi.LineRequest{Config: uapi.LineConfig{Flags: uapi.LineFlagV2Output}}
	req.Config.AddAttribute(uapi.LineConfigAttribute{Attr: uapi.OutputValues(idle & 1).Encode(), Mask: 1})
	fd, err := request(ref, req)
	if err != nil {
		return nil, err
	}
	return &Output{ref: ref, f: os.NewFile(uintptr(fd), ref.String()), fd: uintptr(fd), idle: idle}, nil
}

// Set drives the line to Low or High.
func (o *Output) Set(l pulse.Level) error {
	if err := uapi.SetLineValuesV2(o.fd, uapi.LineValues{Bits: uapi.LineBitmap(l & 1), Mask: 1}); err != nil {
		return &OpError{"write line", o.ref.String(), gone(err)}
	}
	return nil
}

// Close returns the line to its idle level and gives it back. The chip decides
// what an undriven line does: a Raspberry Pi may make it an input, so a resistor
// should hold the idle level. When the process is killed, the line is only given
// back. Called again it does nothing and returns the same, for the descriptor may
// be another file's by then.
func (o *Output) Close() error {
	if o.closed {
		return o.closeErr
	}
	o.closed = true
	o.closeErr = o.Set(o.idle)
	if e := o.f.Close(); o.closeErr == nil {
		o.closeErr = e
	}
	return o.closeErr
}

// lead is the time from the call of Play to the zero of its schedule. Until nap
// before a write, the context can end the wait at once; then the kernel's sleep
// takes over, which is more exact.
const (
	lead = 20 * time.Millisecond
	nap  = 10 * time.Millisecond
)

// Play writes each edge at its time; stamps count from the schedule's zero, a
// little after the call. They must not be negative or run backwards, and
// levels must be known. It ends with the schedule, with ctx (whose error it
// returns), with an error of a write or of the schedule; the report then covers
// what was played. Whatever happens, a panic of the iterator included, the
// line ends at its idle level.
func (o *Output) Play(ctx context.Context, edges iter.Seq[pulse.Edge], opt PlayOptions) (PlayReport, error) {
	rep, err := play(ctx, edges, opt, o.Set, o.idle)
	var op *OpError
	if err != nil && ctx.Err() == nil && !errors.As(err, &op) {
		err = &OpError{"write line", o.ref.String(), err}
	}
	return rep, err
}

func play(ctx context.Context, edges iter.Seq[pulse.Edge], opt PlayOptions, set func(pulse.Level) error, idle pulse.Level) (rep PlayReport, err error) {
	leave := enterRealtime(&rep)
	defer leave() // after the line is idle: it takes a while
	defer func() {
		e := set(idle)
		switch {
		case err == nil:
			err = e
		case e != nil && !errors.Is(err, ErrUnplugged):
			err = fmt.Errorf("%w; then the line did not return to idle: %w", err, e)
		}
	}()
	bound := opt.Late
	if bound == 0 {
		bound = 200 * time.Microsecond
	}
	rep.BoundNS = int64(bound)
	late := &lateness{}
	defer func() { rep.LateP99NS = late.p99(rep.Edges, rep.LateMaxNS) }()

	rep.Start = Monotonic() + pulse.Stamp(lead)
	far := time.NewTimer(0) // one for all waits: no garbage to collect between pulses
	defer far.Stop()
	last := pulse.Stamp(0)
	for e := range edges {
		if e.At < last || e.Level > pulse.High {
			return rep, fmt.Errorf("edge %d of the schedule at %d ns to level %d: expected times from 0 on in order, and level 0 or 1", rep.Edges+1, e.At, e.Level)
		}
		last = e.At
		due := rep.Start + e.At
		if err := sleepUntil(ctx, far, due, pulse.Stamp(opt.Spin)); err != nil {
			return rep, err
		}
		if err := set(e.Level); err != nil {
			return rep, err
		}
		done := Monotonic()
		by := int64(done - due)
		rep.Edges++
		rep.LateMaxNS = max(rep.LateMaxNS, by)
		if by > rep.BoundNS {
			rep.Late++
		}
		late.add(by)
		if opt.OnWrite != nil {
			opt.OnWrite(e, due, done)
		}
	}
	return rep, nil
}

// sleepUntil waits until due, or until ctx ends: at once while due is far,
// within nap when it is near.
func sleepUntil(ctx context.Context, far *time.Timer, due, spin pulse.Stamp) error {
	if d := time.Duration(due-Monotonic()) - nap; d > 0 {
		far.Reset(d)
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-far.C:
		}
	}
	ts := unix.NsecToTimespec(int64(due - spin))
	for unix.ClockNanosleep(unix.CLOCK_MONOTONIC, unix.TIMER_ABSTIME, &ts, nil) == unix.EINTR {
	}
	for Monotonic() < due {
	}
	return ctx.Err()
}

// lateness is a histogram of 1 µs cells, the last for all beyond.
type lateness struct{ n [10_001]uint32 }

func (h *lateness) add(ns int64) { h.n[min(max(ns, 0)/1000, int64(len(h.n)-1))]++ }

func (h *lateness) p99(count int, most int64) int64 {
	rank, seen := (99*int64(count)+99)/100, int64(0)
	for i, n := range h.n[:len(h.n)-1] {
		if seen += int64(n); seen >= rank {
			return min(int64(i+1)*1000, most) // the cell's upper end
		}
	}
	return most
}

// enterRealtime locks the goroutine to its thread and asks for the tightest
// scheduling it may have: SCHED_FIFO, and memory that is not paged out. The
// runtime collects its garbage now, and gets more processors: this goroutine
// needs one to wake on, when others keep as many busy as there are and the
// runtime's own collector, sweeper and scavenger run beside them. leave undoes it.
func enterRealtime(rep *PlayReport) (leave func()) {
	runtime.GC()
	runtime.LockOSThread()
	procs := runtime.GOMAXPROCS(0)
	runtime.GOMAXPROCS(procs + 4)
	old, err := unix.SchedGetAttr(0, 0)
	if err == nil {
		// Above ordinary threads, below the kernel's interrupt threads (50).
		err = unix.SchedSetAttr(0, &unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: unix.SCHED_FIFO, Priority: 40}, 0)
	}
	if err != nil {
		rep.Scheduling = fmt.Sprintf("ordinary scheduling: SCHED_FIFO was refused (%v); it needs root, CAP_SYS_NICE or LimitRTPRIO", err)
		return func() {
			runtime.GOMAXPROCS(procs)
			runtime.UnlockOSThread()
		}
	}
	// ONFAULT: pages in use stay, without filling the runtime's reservations.
	locked := unix.Mlockall(unix.MCL_CURRENT | unix.MCL_ONFAULT)
	rep.Realtime = locked == nil
	rep.Scheduling = "SCHED_FIFO, memory locked"
	if locked != nil {
		rep.Scheduling = fmt.Sprintf("SCHED_FIFO, memory not locked (%v)", locked)
	}
	return func() {
		runtime.GOMAXPROCS(procs)
		if locked == nil {
			unix.Munlockall()
		}
		if unix.SchedSetAttr(0, old, 0) == nil {
			runtime.UnlockOSThread() // else the thread ends with its goroutine
		}
	}
}
