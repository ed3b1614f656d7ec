//go:build guest

package guest

import (
	"context"
	"errors"
	"math"
	"os"
	"runtime"
	"slices"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"makebreak/hw"
	"makebreak/pulse"
)

// Ten pulses a second, 60 % break, for a minute: every edge is there, and
// every interval is within 50 µs of what was driven.
func TestTrainIntervals(t *testing.T) {
	b := newBank(t, "train", "DIAL")
	l := open(t, b.ref(0), hw.InputOptions{})
	holds := []time.Duration{60 * ms, 40 * ms}
	const n = 2*10*60 + 1
	wait := collect(t, l, n)
	driven := b.contact(t, 0).train(n, holds...)
	got := wait()
	compare(t, got, driven)
	var errors spread
	for i := 1; i < n; i++ {
		d := float64(got[i].At-got[i-1].At) - float64(holds[(i-1)%2])
		errors = append(errors, d)
		if math.Abs(d) > 50e3 {
			t.Errorf("interval %d is off by %.1f µs", i, d/1e3)
		}
	}
	t.Logf("interval error: %v", errors)
	if d := time.Duration(got[n-1].At - got[0].At); d < 59*time.Second {
		t.Errorf("lasted %v", d)
	}
}

// compare checks that each edge belongs to its write, and that none is lost.
func compare(t *testing.T, got []pulse.Edge, driven []write) {
	t.Helper()
	if len(got) != len(driven) {
		t.Fatalf("%d edges of %d", len(got), len(driven))
	}
	var stamp spread
	for i, e := range got {
		if e.Level != driven[i].level || e.Lost != 0 || int(e.Seq) != i+1 {
			t.Fatalf("edge %d: %+v, driven to %d", i, e, driven[i].level)
		}
		if e.At < driven[i].before || e.At > driven[i].after {
			t.Errorf("edge %d at %d, written from %d to %d", i, e.At, driven[i].before, driven[i].after)
		}
		stamp = append(stamp, float64(e.At-driven[i].before))
	}
	t.Logf("write to stamp: %v", stamp)
}

// A line that nobody reads keeps its newest 1024 edges, and the first that is
// read then tells exactly how many are missing.
func TestFullBuffer(t *testing.T) {
	b := newBank(t, "full", "DIAL")
	c := b.contact(t, 0)
	l := open(t, b.ref(0), hw.InputOptions{})
	for _, n := range []int{1024, 1025, 3000} {
		for range n {
			c.toggle()
		}
		got := collect(t, l, 1024)()
		lost := n - 1024
		if int(got[0].Lost) != lost {
			t.Errorf("%d edges: first read says %d lost, want %d", n, got[0].Lost, lost)
		}
		for i, e := range got[1:] {
			if e.Lost != 0 || e.Level == got[i].Level {
				t.Fatalf("%d edges: edge %d: %+v after %+v", n, i+1, e, got[i])
			}
		}
		if last := got[len(got)-1]; last.Level != c.level {
			t.Errorf("%d edges: the last is to %d", n, last.Level)
		}
		c.toggle()
		if e := collect(t, l, 1)()[0]; e.Lost != 0 || e.Level != c.level {
			t.Errorf("edge after it: %+v", e)
		}
	}
}

// Edges as fast as they can be made on one line, which a slow reader follows,
// leave another line's edges complete and in place.
func TestStorm(t *testing.T) {
	noise := newBank(t, "noise", "NOISY", "DIAL")
	quiet := newBank(t, "quiet", "DIAL")
	t.Run("other chip", func(t *testing.T) { storm(t, noise, quiet, 0, true) })
	// The simulator's lines of one chip share one pending interrupt, and what
	// it merges while another line's writer is preempted never was an event.
	t.Run("same chip", func(t *testing.T) { storm(t, noise, noise, 1, false) })
}

func storm(t *testing.T, noise, b *bank, line int, exact bool) {
	noisy := open(t, noise.ref(0), hw.InputOptions{})
	dial := open(t, b.ref(line), hw.InputOptions{})
	ctx, cancel := context.WithCancel(t.Context())
	stormed, counted := make(chan int, 1), make(chan int, 1)
	c := noise.contact(t, 0)
	go func() {
		n := 0
		for ; ctx.Err() == nil; n++ {
			c.toggle()
			if n%5000 == 0 { // one processor: let the others have some of it
				time.Sleep(ms)
			}
		}
		stormed <- n
	}()
	quit, stop := context.WithCancel(t.Context())
	defer stop()
	go func() {
		buf := make([]pulse.Edge, 64)
		n := 0
		for {
			k, err := noisy.ReadEdges(quit, buf)
			if err != nil {
				counted <- n
				return
			}
			for _, e := range buf[:k] {
				n += 1 + int(e.Lost)
			}
			time.Sleep(ms)
		}
	}()
	wait := collect(t, dial, 31)
	driven := b.contact(t, line).train(31, 60*ms, 40*ms)
	cancel()
	n := <-stormed
	compare(t, wait(), driven)
	time.Sleep(100 * ms) // the slow reader empties the buffer
	stop()
	k := <-counted
	t.Logf("storm of %d edges: %d read or reported lost", n, k)
	if k > n || k < n*9/10 || exact && k != n {
		t.Errorf("%d of %d edges are accounted for", k, n)
	}
}

// A chip is taken away while its line is read, and comes back under another
// number: the gap is in the edges, waiting costs nothing, measuring resumes.
func TestChipRemoved(t *testing.T) {
	other := newBank(t, "other", "")
	b := newBank(t, "adapter", "", "DIAL")
	var states []error
	l, err := hw.OpenNamed("adapter:DIAL", hw.InputOptions{}, hw.ReopenOptions{OnState: func(err error) { states = append(states, err) }})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if l.InitialLevel() != pulse.Low {
		t.Fatalf("initial level %d", l.InitialLevel())
	}
	first := collect(t, l, 2)
	b.contact(t, 1).train(2, 60*ms)
	first()

	gap := collect(t, l, 2)
	was := b.chip
	time.Sleep(100 * ms)
	out := hw.Monotonic()
	b.unplug(t)
	other.unplug(t)
	left := hw.Monotonic()
	before, switches := usage()
	time.Sleep(30 * time.Second)
	after, switched := usage()
	if spent := after - before; spent > 300*ms {
		t.Errorf("30 s without a chip cost %v of processor time", spent)
	} else {
		t.Logf("30 s without a chip: %v of processor time, %d wake-ups", spent, switched-switches)
	}
	b.plug(t)
	if b.chip == was {
		t.Fatalf("still %s: the test wants another number", was)
	}
	in := hw.Monotonic()
	time.Sleep(6 * time.Second) // the pause between attempts has grown to 5 s
	edges := gap()
	if e := edges[0]; e.Level != pulse.Unknown || e.At < out || e.At > left+pulse.Stamp(10*ms) {
		t.Errorf("lost from %d to %d: %+v", out, left, e)
	}
	if e := edges[1]; e.Level != pulse.Low || e.At < in || e.At > in+pulse.Stamp(5*time.Second) {
		t.Errorf("return at %d: %+v", in, e)
	}
	resumed := collect(t, l, 20)
	driven := b.contact(t, 1).train(20, 60*ms, 40*ms)
	compare(t, resumed(), driven)
	if len(states) < 2 || !errors.Is(states[0], hw.ErrUnplugged) || states[len(states)-1] != nil {
		t.Errorf("states told: %v", states)
	}
	for _, s := range states {
		t.Logf("told: %v", s)
	}
}

// usage gives the process's processor time and voluntary context switches.
func usage() (time.Duration, int64) {
	var r unix.Rusage
	unix.Getrusage(unix.RUSAGE_SELF, &r)
	return time.Duration(r.Utime.Nano() + r.Stime.Nano()), int64(r.Nvcsw)
}

// Sixteen open lines without edges wake nobody.
func TestIdle(t *testing.T) {
	b := newBank(t, "idle", make([]string, 16)...)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error)
	for i := range b.lines {
		l := open(t, b.ref(i), hw.InputOptions{})
		go func() {
			_, err := l.ReadEdges(ctx, make([]pulse.Edge, 64))
			ended <- err
		}()
	}
	time.Sleep(100 * ms)
	cpu, switches := usage()
	time.Sleep(60 * time.Second)
	cpu2, switches2 := usage()
	t.Logf("60 s: %v of processor time, %d wake-ups", cpu2-cpu, switches2-switches)
	// The runtime's own are few, or about one a second where it looks after
	// itself; sixteen lines polled once a second would be 960.
	if switches2-switches > 160 {
		t.Errorf("%d wake-ups in 60 s", switches2-switches)
	}
	cancel()
	for range b.lines {
		if err := <-ended; err != context.Canceled {
			t.Errorf("reading ended with %v", err)
		}
	}
}

// A reader whose context ends goes on with another one, and loses nothing.
func TestCancelAndGoOn(t *testing.T) {
	b := newBank(t, "cancel", "DIAL")
	l := open(t, b.ref(0), hw.InputOptions{})
	c := b.contact(t, 0)
	ctx, cancel := context.WithTimeout(t.Context(), 50*ms)
	defer cancel()
	buf := make([]pulse.Edge, 4)
	if n, err := l.ReadEdges(ctx, buf); n != 0 || err != context.DeadlineExceeded {
		t.Fatalf("%d, %v", n, err)
	}
	c.toggle()
	c.toggle()
	got := collect(t, l, 2)()
	if got[0].Level != pulse.High || got[1].Level != pulse.Low || got[1].Seq != 2 || got[1].Lost != 0 {
		t.Errorf("%+v", got)
	}
	// What the kernel holds is given also when the context is done.
	c.toggle()
	time.Sleep(50 * ms)
	if n, err := l.ReadEdges(ctx, buf); n != 1 || err != nil || buf[0].Seq != 3 {
		t.Errorf("by a context that is done: %d, %v", n, err)
	}
	if n, err := l.ReadEdges(ctx, buf); n != 0 || err != context.DeadlineExceeded {
		t.Errorf("nothing more: %d, %v", n, err)
	}
	go func() {
		time.Sleep(50 * ms)
		l.Close()
	}()
	if _, err := l.ReadEdges(t.Context(), buf); !errors.Is(err, os.ErrClosed) {
		t.Errorf("read of a closed line: %v", err)
	}
}

// Lines are opened while their contact chatters without pause: the level at the
// start and the edges after it agree every time.
func TestInitialLevel(t *testing.T) {
	b := newBank(t, "chatter", "DIAL")
	c := b.contact(t, 0)
	for _, level := range []pulse.Level{pulse.Low, pulse.High} {
		c.set(level)
		l := open(t, b.ref(0), hw.InputOptions{})
		if l.InitialLevel() != level {
			t.Errorf("quiet line: initial level %d, want %d", l.InitialLevel(), level)
		}
		l.Close()
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	// A processor for the runtime beside the kernel's one, and a thread before
	// all others: so its timer interrupts the opening anywhere.
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(2))
	go func() {
		defer close(ended)
		realtime(t)
		for i, next := 0, hw.Monotonic(); ctx.Err() == nil; i++ {
			next += pulse.Stamp(60_000 + i%41*1000)
			sleepUntil(next)
			c.toggle()
		}
	}()
	seen := map[pulse.Level]int{}
	for i := range 100 {
		time.Sleep(time.Duration(i*37) * time.Microsecond)
		l := open(t, b.ref(0), hw.InputOptions{})
		level, start := l.InitialLevel(), l.Start()
		seen[level]++
		for _, e := range collect(t, l, 20)() {
			if e.At < start {
				t.Fatalf("opening %d: edge at %d before the start at %d", i, e.At, start)
			}
			if e.Lost == 0 && e.Level == level {
				t.Fatalf("opening %d: %+v comes out of the same level", i, e)
			}
			level = e.Level
		}
		l.Close()
	}
	cancel()
	<-ended
	t.Logf("initial levels: %v", seen)
	if len(seen) != 2 {
		t.Error("the openings did not see both levels")
	}
}

// The levels are those of the wire.
func TestLevels(t *testing.T) {
	b := newBank(t, "levels", "DIAL")
	c := b.contact(t, 0)
	c.set(pulse.High)
	l := open(t, b.ref(0), hw.InputOptions{})
	levels := []pulse.Level{l.InitialLevel()}
	wait := collect(t, l, 2)
	c.train(2, ms)
	for _, e := range wait() {
		levels = append(levels, e.Level)
	}
	if want := []pulse.Level{pulse.High, pulse.Low, pulse.High}; !slices.Equal(levels, want) {
		t.Errorf("levels %v, want %v", levels, want)
	}
}

// The chip gets the pull resistor that is asked for.
func TestBias(t *testing.T) {
	b := newBank(t, "bias", "DIAL")
	for _, c := range []struct {
		bias  hw.Bias
		level pulse.Level
	}{{hw.BiasPullUp, pulse.High}, {hw.BiasAsIs, pulse.High}, {hw.BiasPullDown, pulse.Low}, {hw.BiasDisabled, pulse.Low}} {
		l := open(t, b.ref(0), hw.InputOptions{Bias: c.bias})
		if l.InitialLevel() != c.level {
			t.Errorf("bias %v: level %d, want %d", c.bias, l.InitialLevel(), c.level)
		}
		v, err := hw.Lines()
		if err != nil {
			t.Fatal(err)
		}
		info, err := v.Resolve("DIAL")
		if err != nil || info.Bias != c.bias || !info.Used || info.Consumer != "makebreak" || info.Output {
			t.Errorf("bias %v: kernel says %+v, %v", c.bias, info, err)
		}
		l.Close()
	}
}
