package hw

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"makebreak/pulse"
	"makebreak/pulse/synth"
)

func simulated(t *testing.T, desc string, opt SimulatedOptions) (*Simulated, []pulse.Edge) {
	t.Helper()
	spec, err := synth.Parse(desc)
	if err != nil {
		t.Fatal(err)
	}
	s, err := NewSimulated(spec, opt)
	if err != nil {
		t.Fatal(err)
	}
	signal, err := synth.New(spec)
	if err != nil {
		t.Fatal(err)
	}
	edges := make([]pulse.Edge, 1000)
	return s, edges[:signal.Next(edges)]
}

func TestSimulatedAsFastAsRead(t *testing.T) {
	const start, first = 123456789012, 1<<32 - 5
	s, want := simulated(t, "dial digits=12 bounce=2:1ms lost=0.05", SimulatedOptions{Start: start, FirstSeq: first})
	for i := range want {
		want[i].At += start
		want[i].Seq += first - 1 // wraps around as the kernel's does
	}
	var got []pulse.Edge
	buf := make([]pulse.Edge, 3)
	for {
		n, err := s.ReadEdges(t.Context(), buf)
		got = append(got, buf[:n]...)
		if err == io.EOF && n == 0 {
			break
		}
		if err != nil || n == 0 {
			t.Fatalf("%d edges, %v", n, err)
		}
	}
	if d := cmp.Diff(want, got); d != "" || want[0].Seq != first {
		t.Errorf("(-want +got)\n%s", d)
	}
	if p := s.signal.Truth().Pulses; p != 3 {
		t.Errorf("%d pulses, want 3", p)
	}
}

func TestSimulatedRealTime(t *testing.T) {
	for _, c := range []struct {
		speed float64
		batch time.Duration
	}{{1, 0}, {1, 20 * time.Millisecond}, {8, 0}, {0.5, time.Millisecond}} {
		synctest.Test(t, func(t *testing.T) {
			s, want := simulated(t, "dial digits=31 bounce-close=3:2ms seed=3", SimulatedOptions{Speed: c.speed, Batch: c.batch, Start: 5})
			start := time.Now()
			var got []pulse.Edge
			reads := 0
			buf := make([]pulse.Edge, 100)
			for {
				n, err := s.ReadEdges(t.Context(), buf)
				if err == io.EOF {
					break
				}
				if err != nil || n == 0 {
					t.Fatalf("%d edges, %v", n, err)
				}
				reads++
				due := time.Duration(float64(buf[0].At-5)/c.speed) + c.batch
				if now := time.Since(start); now != due {
					t.Errorf("speed %g: edge due at %v came at %v", c.speed, due, now)
				}
				for _, e := range buf[:n] {
					e.At -= 5
					got = append(got, e)
				}
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("(-want +got)\n%s", d)
			}
			if c.batch == 20*time.Millisecond && reads != 8 {
				t.Errorf("%d reads for 4 pulses, want 8", reads)
			}
			if c.batch == 0 && reads != len(want) {
				t.Errorf("%d reads for %d edges", reads, len(want))
			}
		})
	}
}

func TestSimulatedLateReader(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, want := simulated(t, "cam ipm=600 cycles=200", SimulatedOptions{Speed: 1})
		buf := make([]pulse.Edge, 90)
		start := time.Now()
		if n, err := s.ReadEdges(t.Context(), buf); n != 1 || err != nil {
			t.Fatalf("%d edges, %v", n, err)
		}
		time.Sleep(5010 * time.Millisecond) // fake time
		var got []pulse.Edge
		for range 2 {
			n, err := s.ReadEdges(t.Context(), buf)
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, buf[:n]...)
		}
		if waited := time.Since(start); waited != 6010*time.Millisecond {
			t.Errorf("what was due came after %v", waited)
		}
		if d := cmp.Diff(want[1:101], got); d != "" {
			t.Errorf("(-want +got)\n%s", d)
		}
	})
}

// Edges whose time has come are given also when the context is done.
func TestSimulatedDoneContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, want := simulated(t, "cam ipm=60 lead=1s", SimulatedOptions{Speed: 1})
		ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond)
		defer cancel()
		buf := make([]pulse.Edge, 4)
		if n, err := s.ReadEdges(ctx, buf); n != 0 || err != context.DeadlineExceeded {
			t.Errorf("%d edges, %v", n, err)
		}
		time.Sleep(1900 * time.Millisecond) // fake time: an opening and its closing
		if n, err := s.ReadEdges(ctx, buf); n != 2 || err != nil || buf[0] != want[0] || buf[1] != want[1] {
			t.Errorf("%d edges, %v", n, err)
		}
		if n, err := s.ReadEdges(ctx, buf); n != 0 || err != context.DeadlineExceeded {
			t.Errorf("%d edges more, %v", n, err)
		}
	})
}

func TestSimulatedEndsAWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, want := simulated(t, "cam lead=1h", SimulatedOptions{Speed: 1})
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		start := time.Now()
		buf := make([]pulse.Edge, 4)
		if n, err := s.ReadEdges(ctx, buf); n != 0 || !errors.Is(err, context.DeadlineExceeded) || time.Since(start) != time.Minute {
			t.Errorf("%d edges, %v after %v", n, err, time.Since(start))
		}
		// nothing is lost by it
		if n, err := s.ReadEdges(t.Context(), buf); n != 1 || err != nil || buf[0] != want[0] || time.Since(start) != time.Hour {
			t.Errorf("%d edges %v, %v after %v", n, buf[0], err, time.Since(start))
		}
		time.AfterFunc(100*time.Millisecond, func() { s.Close() })
		if n, err := s.ReadEdges(t.Context(), buf); n != 0 || !errors.Is(err, fs.ErrClosed) {
			t.Errorf("%d edges, %v from a closed source", n, err)
		}
		if _, err := s.ReadEdges(t.Context(), buf); !errors.Is(err, fs.ErrClosed) || s.Close() != nil {
			t.Errorf("%v from a closed source", err)
		}
	})
	s, _ := simulated(t, "cam", SimulatedOptions{})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if n, err := s.ReadEdges(ctx, make([]pulse.Edge, 4)); n != 0 || !errors.Is(err, context.Canceled) {
		t.Errorf("%d edges, %v with a context that is done", n, err)
	}
}

func TestSimulatedRefuses(t *testing.T) {
	for _, c := range []struct {
		spec synth.Spec
		opt  SimulatedOptions
		want string
	}{
		{synth.Spec{}, SimulatedOptions{Speed: -1}, "speed -1: expected 0, or 0.001 to"},
		{synth.Spec{}, SimulatedOptions{Speed: 1e9}, "speed 1e+09"},
		{synth.Spec{RatePPS: 1000}, SimulatedOptions{}, `simulated contact: key "rate"`},
	} {
		if _, err := NewSimulated(&c.spec, c.opt); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v, want %s", err, c.want)
		}
	}
}

func TestSimulatedNoAllocations(t *testing.T) {
	buf := make([]pulse.Edge, 256)
	read := func(ctx context.Context, s *Simulated) func() {
		return func() {
			if n, err := s.ReadEdges(ctx, buf); n == 0 || err != nil {
				t.Fatal(n, err)
			}
		}
	}
	s, _ := simulated(t, "cam cycles=endless jitter=0.1ms", SimulatedOptions{})
	if got := testing.AllocsPerRun(100, read(t.Context(), s)); got != 0 {
		t.Errorf("%g allocations a read", got)
	}
	synctest.Test(t, func(t *testing.T) {
		s, _ := simulated(t, "cam cycles=endless jitter=0.1ms", SimulatedOptions{Speed: 1})
		if got := testing.AllocsPerRun(100, read(t.Context(), s)); got != 0 {
			t.Errorf("%g allocations a read in real time", got)
		}
	})
}

// Until ends the signal, at any speed and however it is read; an edge at that
// time is still there.
func TestSimulatedUntil(t *testing.T) {
	_, all := simulated(t, "dial digits=12", SimulatedOptions{})
	for i, until := range []pulse.Stamp{all[0].At - 1, all[0].At, all[3].At, all[len(all)-1].At} {
		want := 0
		for want < len(all) && all[want].At <= until {
			want++
		}
		for _, speed := range []float64{0, 1} {
			for _, size := range []int{1, 4, 100} {
				synctest.Test(t, func(t *testing.T) {
					s, _ := simulated(t, "dial digits=12", SimulatedOptions{Until: until, Speed: speed})
					got := 0
					for buf := make([]pulse.Edge, size); ; {
						n, err := s.ReadEdges(t.Context(), buf)
						if got += n; err == io.EOF {
							break
						}
						if err != nil {
							t.Fatal(err)
						}
					}
					if _, err := s.ReadEdges(t.Context(), make([]pulse.Edge, 1)); got != want || err != io.EOF {
						t.Errorf("bound %d, speed %g, %d at once: %d edges, want %d; then %v", i, speed, size, got, want, err)
					}
				})
			}
		}
	}
}
