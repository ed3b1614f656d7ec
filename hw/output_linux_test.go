package hw

import (
	"context"
	"errors"
	"iter"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"makebreak/pulse"
)

// A pretender stands for a line and notes what is written.
type pretender struct {
	levels []pulse.Level
	fail   map[int]error // by number of the write, from 1
}

func (p *pretender) set(l pulse.Level) error {
	p.levels = append(p.levels, l)
	return p.fail[len(p.levels)]
}

func TestPlay(t *testing.T) {
	ms := pulse.Stamp(time.Millisecond)
	broken := errors.New("broken")
	pulseOf := []pulse.Edge{{At: 0, Level: 1}, {At: ms, Level: 0}, {At: 2 * ms, Level: 1}}
	for name, c := range map[string]struct {
		edges  []pulse.Edge
		fail   map[int]error
		levels []pulse.Level
		played int
		err    error  // wrapped in what is returned
		says   string // in its text
	}{
		"whole":            {edges: pulseOf, levels: []pulse.Level{1, 0, 1, 0}, played: 3},
		"nothing":          {levels: []pulse.Level{0}},
		"write fails":      {edges: pulseOf, fail: map[int]error{2: broken}, levels: []pulse.Level{1, 0, 0}, played: 1, err: broken},
		"return fails":     {edges: pulseOf[:1], fail: map[int]error{2: broken}, levels: []pulse.Level{1, 0}, played: 1, err: broken},
		"both fail":        {edges: pulseOf, fail: map[int]error{2: context.DeadlineExceeded, 3: broken}, levels: []pulse.Level{1, 0, 0}, played: 1, err: broken, says: "deadline exceeded; then the line did not return to idle: broken"},
		"backwards":        {edges: []pulse.Edge{{At: ms, Level: 1}, {At: 0}}, levels: []pulse.Level{1, 0}, played: 1, says: "edge 2 of the schedule at 0 ns to level 0"},
		"before the start": {edges: []pulse.Edge{{At: -1, Level: 1}}, levels: []pulse.Level{0}, says: "edge 1 of the schedule at -1 ns"},
		"unknown level":    {edges: []pulse.Edge{{Level: pulse.Unknown}}, levels: []pulse.Level{0}, says: "to level 2"},
	} {
		p := &pretender{fail: c.fail}
		rep, err := play(t.Context(), slices.Values(c.edges), PlayOptions{Late: time.Hour}, p.set, pulse.Low)
		if d := cmp.Diff(c.levels, p.levels); d != "" || rep.Edges != c.played || rep.Late != 0 || rep.Scheduling == "" {
			t.Errorf("%s: %+v\n%s", name, rep, d)
		}
		if (err == nil) != (c.err == nil && c.says == "") || c.err != nil && !errors.Is(err, c.err) || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Writes are never early, and the report is what the writes did.
func TestPlayReport(t *testing.T) {
	p := &pretender{}
	var edges []pulse.Edge
	for i := range 50 {
		edges = append(edges, pulse.Edge{At: pulse.Stamp(i) * 300_000, Level: pulse.Level(1 - i%2)})
	}
	for _, spin := range []time.Duration{0, 100 * time.Microsecond} {
		worst, i := int64(0), 0
		// A write that takes 1 ms makes itself and those after it late for certain.
		slow := func(l pulse.Level) error {
			if len(p.levels)%51 == 10 {
				for end := Monotonic() + 1e6; Monotonic() < end; {
				}
			}
			return p.set(l)
		}
		rep, err := play(t.Context(), slices.Values(edges), PlayOptions{Late: 900 * time.Microsecond, Spin: spin, OnWrite: func(e pulse.Edge, due, done pulse.Stamp) {
			if e != edges[i] || done < due {
				t.Errorf("write %d: %+v due %d done %d", i, e, due, done)
			}
			worst = max(worst, int64(done-due))
			i++
		}}, slow, pulse.Low)
		if err != nil || rep.Edges != 50 || i != 50 || rep.LateMaxNS != worst || worst < 1e6 || rep.Late < 1 || rep.Late > 50 || rep.LateP99NS > worst || rep.BoundNS != 900e3 {
			t.Errorf("spin %v: %+v, worst %d, %v", spin, rep, worst, err)
		}
	}
}

func TestPlayAllocations(t *testing.T) {
	perPlay := func(n int) float64 {
		return testing.AllocsPerRun(3, func() {
			edges := func(yield func(pulse.Edge) bool) {
				for i := range n {
					if !yield(pulse.Edge{At: pulse.Stamp(i) * 11e6, Level: pulse.Level(i & 1)}) { // longer than a nap
						return
					}
				}
			}
			if _, err := play(t.Context(), edges, PlayOptions{}, func(pulse.Level) error { return nil }, pulse.Low); err != nil {
				t.Error(err)
			}
		})
	}
	if few, many := perPlay(2), perPlay(12); many > few+8 { // the runtime makes some itself, on a busy machine more
		t.Errorf("%v allocations for 2 edges, %v for 12", few, many)
	}
}

func TestPlayStops(t *testing.T) {
	for name, wait := range map[string]pulse.Stamp{"far": pulse.Stamp(time.Hour), "near": pulse.Stamp(5 * time.Millisecond)} {
		p := &pretender{}
		ctx, cancel := context.WithCancel(t.Context())
		edges := func(yield func(pulse.Edge) bool) {
			if yield(pulse.Edge{Level: 1}) {
				cancel()
				yield(pulse.Edge{At: wait})
			}
		}
		rep, err := play(ctx, edges, PlayOptions{}, p.set, pulse.Low)
		if err != context.Canceled || rep.Edges != 1 || !slices.Equal(p.levels, []pulse.Level{1, 0}) {
			t.Errorf("%s: %+v, %v, %v", name, rep, p.levels, err)
		}
	}
}

func TestPlayPanics(t *testing.T) {
	p := &pretender{}
	defer func() {
		if r := recover(); r != "broken schedule" || !slices.Equal(p.levels, []pulse.Level{1, 0}) {
			t.Errorf("recovered %v, wrote %v", r, p.levels)
		}
	}()
	var edges iter.Seq[pulse.Edge] = func(yield func(pulse.Edge) bool) {
		yield(pulse.Edge{Level: 1})
		panic("broken schedule")
	}
	play(t.Context(), edges, PlayOptions{}, p.set, pulse.Low)
}

func TestLateness(t *testing.T) {
	for name, c := range map[string]struct {
		late []int64
		most int64
		want int64
	}{
		"none":           {nil, 0, 0},
		"one":            {[]int64{500}, 500, 500},
		"cell":           {[]int64{1500, 9_000_000}, 9_000_000, 9_000_000},
		"beyond":         {[]int64{70e6}, 70e6, 70e6},
		"early is none":  {[]int64{-5}, 0, 0},
		"one in hundred": {append(slices.Repeat([]int64{2100}, 99), 5e6), 5e6, 3000},
		"two in hundred": {append(slices.Repeat([]int64{2100}, 98), 5e6, 5e6), 5e6, 5e6},
	} {
		h := &lateness{}
		for _, l := range c.late {
			h.add(l)
		}
		if got := h.p99(len(c.late), c.most); got != c.want {
			t.Errorf("%s: %d, want %d", name, got, c.want)
		}
	}
}

// A second Close touches nothing: the descriptor may be another file's. What
// failed the first time is told again.
func TestOutputClosesOnce(t *testing.T) {
	f, err := os.CreateTemp(t.TempDir(), "no line")
	if err != nil {
		t.Fatal(err)
	}
	o := &Output{f: f, fd: f.Fd()}
	first := o.Close()
	var op *OpError
	if !errors.As(first, &op) || op.Op != "write line" {
		t.Errorf("closed: %v", first)
	}
	if again := o.Close(); again != first {
		t.Errorf("closed again: %v, want %v", again, first)
	}
}
