package pulse

import (
	"fmt"
	"maps"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// A bouncing is a contact's life made of transitions, each with its bounces.
type bouncing struct {
	edges []Edge
	first map[Stamp]Event // what each transition is, by its first edge
	brk   map[Stamp]int64 // the break of each opening
	next  map[Stamp]Stamp // the next opening
}

// bounces are the distances of a burst's edges in ms, one set after the other:
// clean, two and four more edges, and one that almost lasts.
var bounces = [][]float64{{0.8, 1.6}, {}, {0.3, 0.4, 2.2, 0.5}, {3.9, 0.2}}

// bouncingAt opens and closes in turn at the times in ms, closed before.
func bouncingAt(times ...float64) (b bouncing) {
	b.first, b.brk, b.next = map[Stamp]Event{}, map[Stamp]int64{}, map[Stamp]Stamp{}
	opened := Stamp(-1)
	for i, t := range times {
		at, l := Stamp(t*1e6), Level(i&1)
		start := at
		b.edges = append(b.edges, Edge{At: at, Level: l})
		steps := bounces[i%len(bounces)]
		for j, step := range steps {
			at += Stamp(step * 1e6)
			b.edges = append(b.edges, Edge{At: at, Level: l ^ Level(1-j&1)})
		}
		b.first[start] = Event{Closed: l == High, Extra: int32(len(steps)), At: start, End: at}
		if l == High {
			b.brk[opened] = int64(start - opened)
		} else {
			if opened >= 0 {
				b.next[opened] = start
			}
			opened = start
		}
	}
	return b
}

// lose leaves edges out. told says how the loss shows in the first one behind:
// by its number, or only by the levels; else the level is unknown in between.
func lose(e []Edge, told string, gone ...int) (out []Edge) {
	lost := 0
	for i, x := range e {
		switch {
		case slices.Contains(gone, i):
			lost++
			continue
		case lost > 0 && told == "number":
			x.Lost = uint32(lost)
		case lost > 0 && told == "unknown":
			at := e[0].At - 1
			if len(out) > 0 {
				at = out[len(out)-1].At + 1
			}
			out = append(out, Edge{At: at, Level: Unknown})
		}
		lost = 0
		out = append(out, x)
	}
	return out
}

// Whatever edges are lost, and wherever a live capture begins, no transition,
// break, period, make, gap or bounce comes out that the contact did not do: so
// no limit that the contact keeps can fail, and none that it breaks can be
// passed by a wrong figure. The signal is constructed, its figures are
// arithmetic.
func TestLossNeverChangesAFigure(t *testing.T) {
	dial := bouncingAt(1000, 1060, 1100, 1172, 1200, 1260, 2060, 2120, 2160, 2220, 3020, 3080, 3120, 3180)
	cam := bouncingAt(1000, 1500, 2000, 2500, 3000, 3530, 4000, 4500, 5000, 5500, 6000, 6500)
	for kind, b := range map[Kind]bouncing{KindDial: dial, KindInterrupter: cam} {
		n := len(b.edges)
		check := func(name string, edges []Edge, cfg Config, end Stamp) (seen int) {
			var wrong []string
			bad := func(format string, a ...any) { wrong = append(wrong, fmt.Sprintf(format, a...)) }
			cfg.Kind = kind
			cfg.Observer.Event = func(e *Event) {
				if e.Kind == EventTransition {
					seen++
					// A loss behind the last edge that was seen leaves no trace.
					if want := b.first[e.At]; *e != want && e.At < edges[len(edges)-1].At-Stamp(10e6) {
						bad("transition %+v, the contact did %+v", *e, want)
					}
				}
			}
			cfg.Observer.Pulse = func(r *PulseRow) {
				if r.BreakNS != b.brk[r.At] || r.PeriodNS > 0 && r.At+Stamp(r.PeriodNS) != b.next[r.At] || r.Class != ClassPulse {
					bad("pulse %+v", *r)
				}
				if r.GapNS > 0 && r.GapNS != 800e6 {
					bad("gap %+v", *r)
				}
			}
			cfg.Observer.Cycle = func(r *CycleRow) {
				if r.Whole && (r.At+Stamp(r.PeriodNS) != b.next[r.At] || r.BreakNS != b.brk[r.At]) || r.BreakNS > 0 && r.BreakNS != b.brk[r.At] {
					bad("cycle %+v", *r)
				}
			}
			for _, pieces := range []bool{false, true} {
				m, err := NewMeter(cfg)
				if err != nil {
					t.Fatal(err)
				}
				for i := range edges {
					m.Add(edges[i : i+1])
					if pieces && i+1 < len(edges) {
						if next := edges[i+1]; next.Lost == 0 && next.Level <= High && next.Level != edges[i].Level {
							m.Advance(next.At)
						}
					}
				}
				r := m.Finish(end)
				if d := r.Dial; d != nil && d.ShortBreaks+d.Flashes+d.Disconnects > 0 {
					bad("%+v", d)
				}
			}
			if len(wrong) > 0 {
				t.Fatalf("%s, %s: %q", kind, name, wrong)
			}
			return seen
		}
		starts := map[string]Config{"a file": {}, "live": {Live: true, StartLevel: High}, "live, level not read": {Live: true, StartLevel: Unknown}}
		for from, cfg := range starts {
			if seen := check(from, b.edges, cfg, 8000*msec); seen != 2*len(b.first) {
				t.Errorf("%s, %s: %d transitions in two readings, want %d each", kind, from, seen, len(b.first))
			}
			for i := 1; i < n; i++ { // a file that lacks its first edge cannot tell
				for j := i; j < n; j++ {
					for _, told := range []string{"number", "levels", "unknown"} {
						if told == "levels" && j == i+1 {
							continue // an even number leaves no trace
						}
						name := fmt.Sprintf("%s, %d and %d lost, told by %s", from, i, j, told)
						check(name, lose(b.edges, told, i, j), cfg, 8000*msec)
					}
				}
			}
		}
		// From every start inside the first pulses, with and without a loss.
		lead := map[int]bool{}
		for i := 1; i < min(n, 16); i++ {
			for _, after := range []Stamp{1, 1e5, 39e5, 4e6, 41e5, 30e6} {
				at := b.edges[i-1].At + after
				if at >= b.edges[i].At {
					continue
				}
				for _, l := range []Level{b.edges[i-1].Level, Unknown} {
					cfg := Config{Live: true, Start: at, StartLevel: l}
					check(fmt.Sprintf("from %d", at), b.edges[i:], cfg, 8000*msec)
					for j := range n - i {
						for k := j; k < min(j+3, n-i); k++ {
							for _, told := range []string{"number", "unknown"} {
								check(fmt.Sprintf("from %d, %d and %d lost, told by %s", at, j, k, told), lose(b.edges[i:], told, j, k), cfg, 8000*msec)
							}
						}
					}
				}
				lead[i] = true
			}
		}
		if len(lead) < 10 {
			t.Errorf("started at %v only", slices.Sorted(maps.Keys(lead)))
		}
	}
}

// A number of lost edges and a level unknown from the edge before are the same
// to the settling filter: so the two formats of a recording give one verdict.
func TestLostIsAsUnknown(t *testing.T) {
	b := bouncingAt(1000, 1060, 1100, 1172, 1200, 1260, 2060, 2120)
	for i := 1; i < len(b.edges); i++ {
		for j := i; j < len(b.edges); j++ {
			byNumber, byLevel := settler{SettleNS: 4e6}, settler{SettleNS: 4e6}
			x, _ := settleAll(&byNumber, lose(b.edges, "number", i, j), false, 0)
			y, _ := settleAll(&byLevel, lose(b.edges, "unknown", i, j), false, 0)
			for _, ev := range [][]Event{x, y} { // how many edges a burst had is not known
				for k := range ev {
					ev[k].Extra = 0
				}
			}
			if d := cmp.Diff(x, y); d != "" {
				t.Errorf("%d and %d lost (-by number +by level):\n%s", i, j, d)
			}
		}
	}
}

// An opening that was lost with its bounce does not make a long break pass: the
// break of 72 ms would read 69.6 ms against at most 70.
func TestBreakWithLostOpening(t *testing.T) {
	p := &Profile{ID: "own", Kind: KindDial, Limits: []Limit{{Quantity: BreakMS, Min: bound(50), Max: bound(70)}}}
	e := edgesAt(Low, 1000, 1000.8, 1002.4, 1072)
	r := measure(t, Config{Limits: p, Live: true, StartLevel: High}, slices.Concat(
		[]Edge{{At: e[2].At, Level: Low, Lost: 2}}, e[3:]))
	if r.Dial.BreakMS.N != 0 || r.Conformity.Statement != NotMeasured {
		t.Errorf("%+v %s", r.Dial.BreakMS, r.Conformity.Statement)
	}
}

// A file may begin in the middle of a bounce: a break near its start that is
// too short for a pulse, 10 ms, is no extra interruption, nor is it judged.
func TestFileBeginsInABounce(t *testing.T) {
	p := &Profile{ID: "own", Kind: KindInterrupter, Limits: []Limit{{Quantity: BreakMS, Min: bound(400), Max: bound(600)}, {Quantity: RateIPM, Min: bound(50), Max: bound(70)}}}
	cam := camEdges(500, 1000, 500, 20, nil)
	for _, c := range []struct {
		times  []float64 // of an opening and a closing
		extra  bool
		settle int64
	}{
		{nil, false, 0}, {[]float64{0, 2}, false, 0}, {[]float64{0, 5}, false, 0}, {[]float64{0, 8}, false, 0}, {[]float64{0, 8.1}, true, 0},
		{[]float64{0, 12}, true, 0}, {[]float64{0, 13}, true, 8e6}, {[]float64{0, 9}, false, 8e6},
	} {
		edges := slices.Concat(edgesAt(Low, c.times...), cam)
		r := measure(t, Config{Limits: p, SettleNS: c.settle}, edges)
		i := r.Interrupter
		if clean := i.Extra == 0 && i.BreakMS.N == 20 && r.Conformity.Statement == Pass; clean == c.extra {
			t.Errorf("%v: %+v, %s", c.times, i, r.Conformity.Statement)
		}
		if c.times != nil && !c.extra && c.times[1] > 4 && !r.Capture.PartialStart {
			t.Errorf("%v: not reported: %+v", c.times, r.Capture)
		}
	}
	// The same of a dial is a short break, which no limit judges.
	d := measure(t, Config{Kind: KindDial}, slices.Concat(edgesAt(Low, 0, 5), dialEdges(800, 100, 60, 0, 3))).Dial
	if d.ShortBreaks != 1 || d.Digits != "3" || d.BreakMS.N != 3 {
		t.Errorf("%+v", d)
	}
}
