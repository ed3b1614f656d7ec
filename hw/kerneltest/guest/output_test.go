//go:build guest

package guest

import (
	"context"
	"errors"
	"iter"
	"runtime"
	"sync/atomic"
	"testing"
	"time"

	"makebreak/hw"
	"makebreak/pulse"
)

func drive(t testing.TB, ref hw.LineRef, idle pulse.Level) *hw.Output {
	t.Helper()
	o, err := hw.OpenOutput(ref, idle)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { o.Close() })
	return o
}

// breaks is a schedule of n breaks of High, 60 ms in every 100 ms.
func breaks(n int) iter.Seq[pulse.Edge] {
	return func(yield func(pulse.Edge) bool) {
		for i := range n {
			at := pulse.Stamp(i) * pulse.Stamp(100*ms)
			if !yield(pulse.Edge{At: at, Level: pulse.High}) || !yield(pulse.Edge{At: at + pulse.Stamp(60*ms), Level: pulse.Low}) {
				return
			}
		}
	}
}

// A driven line has its idle level from the request to the end.
func TestIdleLevel(t *testing.T) {
	b := newBank(t, "drive", "SEND")
	for _, c := range []struct {
		idle  pulse.Level
		shown string
	}{{pulse.Low, "0"}, {pulse.High, "1"}} {
		o := drive(t, b.ref(0), c.idle)
		if got := b.level(t, 0); got != c.shown {
			t.Errorf("idle %s: requested at %s", c.shown, got)
		}
		if err := o.Set(pulse.High); err != nil || b.level(t, 0) != "1" {
			t.Errorf("idle %s: set high: %s, %v", c.shown, b.level(t, 0), err)
		}
		if err := errors.Join(o.Set(c.idle), o.Set(1-c.idle)); err != nil {
			t.Error(err)
		}
		// The simulated chip reverts to its pull once the line is free: look before.
		if err := o.Set(c.idle); err != nil || b.level(t, 0) != c.shown {
			t.Errorf("idle %s: %s, %v", c.shown, b.level(t, 0), err)
		}
		if err := o.Close(); err != nil {
			t.Error(err)
		}
	}
}

// A minute of pulses goes out on time, through a wire into a measuring line,
// and the measuring line sees what the report claims.
func TestPlay(t *testing.T) {
	b := newBank(t, "loop", "SEND", "MEASURE")
	o := drive(t, b.ref(0), pulse.Low)
	l := open(t, b.ref(1), hw.InputOptions{})
	wire := b.contact(t, 1)
	const n = 600
	wait := collect(t, l, 2*n)
	late := make(spread, 0, 2*n)
	worst := int64(0)
	runtime.GC() // now, and not between an edge and its way over the wire
	rep, err := o.Play(t.Context(), breaks(n), hw.PlayOptions{Late: 50 * time.Microsecond, OnWrite: func(e pulse.Edge, due, done pulse.Stamp) {
		wire.set(e.Level)
		if got := b.level(t, 0); got != string('0'+rune(e.Level)) {
			t.Errorf("at %d: line is %s, want %d", e.At, got, e.Level)
		}
		late = append(late, float64(done-due))
		worst = max(worst, int64(done-due))
	}})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%+v", rep)
	t.Logf("lateness: %v", late)
	if rep.Edges != 2*n || rep.LateMaxNS != worst || rep.LateP99NS > worst || rep.LateP99NS <= 0 || rep.BoundNS != 50_000 || !rep.Realtime {
		t.Errorf("report %+v, worst seen %d", rep, worst)
	}
	if rep.Late != 0 {
		t.Errorf("%d writes late", rep.Late)
	}
	if got := b.level(t, 0); got != "0" {
		t.Errorf("ends at %s", got)
	}
	i := 0
	edges := wait()
	for e := range breaks(n) {
		if d := edges[i].At - rep.Start - e.At; edges[i].Level != e.Level || d < 0 || d > 1e6 {
			t.Fatalf("edge %d: %+v, sent %+v", i, edges[i], e)
		}
		i++
	}
}

// A goroutine that keeps the only processor busy does not make pulses late.
func TestPlayBusy(t *testing.T) {
	b := newBank(t, "busy", "SEND")
	o := drive(t, b.ref(0), pulse.Low)
	stop := make(chan struct{})
	var turns atomic.Int64
	go func() {
		for {
			select {
			case <-stop:
				return
			default:
				turns.Add(1)
			}
		}
	}()
	if n := runtime.GOMAXPROCS(0); n != 1 {
		t.Fatalf("the runtime uses %d processors", n)
	}
	rep, err := o.Play(t.Context(), breaks(20), hw.PlayOptions{Late: 50 * time.Microsecond})
	close(stop)
	if err != nil || rep.Late != 0 || rep.Edges != 40 || turns.Load() < 1e6 {
		t.Errorf("%+v, %v; %d turns of the other", rep, err, turns.Load())
	}
	if n := runtime.GOMAXPROCS(0); n != 1 {
		t.Errorf("the runtime is left with %d processors", n)
	}
	t.Logf("%+v; %d turns of the other", rep, turns.Load())
}

// However a play ends, the line is idle after it.
func TestPlayEndsIdle(t *testing.T) {
	b := newBank(t, "ends", "SEND")
	o := drive(t, b.ref(0), pulse.Low)
	idle := func(what string) {
		t.Helper()
		if got := b.level(t, 0); got != "0" {
			t.Errorf("%s: ends at %s", what, got)
		}
	}
	high := func(last time.Duration, then func()) iter.Seq[pulse.Edge] {
		return func(yield func(pulse.Edge) bool) {
			if yield(pulse.Edge{Level: pulse.High}) {
				if got := b.level(t, 0); got != "1" {
					t.Errorf("at %s while playing", got)
				}
				then()
				yield(pulse.Edge{At: pulse.Stamp(last), Level: pulse.Low})
			}
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	began := hw.Monotonic()
	rep, err := o.Play(ctx, high(time.Hour, func() { time.AfterFunc(100*ms, cancel) }), hw.PlayOptions{})
	if !errors.Is(err, context.Canceled) || rep.Edges != 1 {
		t.Errorf("stopped: %+v, %v", rep, err)
	}
	if d := time.Duration(hw.Monotonic() - began); d > 200*ms {
		t.Errorf("stopped after %v", d)
	}
	idle("stopped")
	func() {
		defer func() {
			if recover() == nil {
				t.Error("the panic was swallowed")
			}
		}()
		o.Play(t.Context(), high(time.Hour, func() { panic("broken schedule") }), hw.PlayOptions{})
	}()
	idle("panicked")
	rep, err = o.Play(t.Context(), high(10*ms, func() { b.unplug(t) }), hw.PlayOptions{})
	var op *hw.OpError
	if !errors.Is(err, hw.ErrUnplugged) || !errors.As(err, &op) || op.Line != "SEND" || rep.Edges != 1 {
		t.Errorf("chip removed: %+v, %v", rep, err)
	}
	t.Log(err)
}

// An opto-coupler that is 150 µs slower to let go than to take makes each
// High that much longer, and leaves the period alone.
func TestCoupler(t *testing.T) {
	b := newBank(t, "coupler", "SEND", "MEASURE")
	stop := b.couple(t, 0, 1, 150*time.Microsecond, 300*time.Microsecond)
	defer stop()
	o := drive(t, b.ref(0), pulse.Low)
	l := open(t, b.ref(1), hw.InputOptions{})
	const n = 600
	wait := collect(t, l, 2*n)
	// One break more: the end of a play halts the coupler's process for a moment.
	if _, err := o.Play(t.Context(), breaks(n+1), hw.PlayOptions{}); err != nil {
		t.Fatal(err)
	}
	got := wait()
	var high, period spread
	for i := 0; i < len(got); i += 2 {
		high = append(high, float64(got[i+1].At-got[i].At)-60e6)
		if i > 0 {
			period = append(period, float64(got[i].At-got[i-2].At)-100e6)
		}
	}
	t.Logf("high: %v", high)
	t.Logf("period: %v", period)
	if m := high.mean(); m < 148e3 || m > 152e3 {
		t.Errorf("high is longer by %.1f µs on the mean, want 150", m/1e3)
	}
	if m := period.mean(); m < -1e3 || m > 1e3 {
		t.Errorf("period is off by %.1f µs on the mean", m/1e3)
	}
}
