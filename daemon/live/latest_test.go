package live

import (
	"testing"
	"time"

	"makebreak/pulse"
)

// dialling gives the edges of a dial at 10 pps that never rests.
func dialling(n int) (edges []pulse.Edge) {
	for i := range n {
		e := pulse.Edge{At: pulse.Stamp(i+1) * 50e6, Level: pulse.Low}
		if i%2 == 1 {
			e.Level = pulse.High
		}
		edges = append(edges, e)
	}
	return edges
}

// What is kept is exactly what came last, in order, whoever reads how often.
func TestLatest(t *testing.T) {
	r := newRig(Setting{Name: "dial"}, time.Minute)
	r.begin(t, pulse.Config{Kind: pulse.KindDial, Live: true, StartLevel: pulse.High})
	first := r.Latest(Cursor{})
	if len(first.Marks) != 1 || first.Marks[0].To != Closed || first.Before != Unknown || first.Missed {
		t.Errorf("at first: %+v", first)
	}
	edges := dialling(3 * keptMarks)
	var seen []Mark
	at := first.Next
	for i := 0; i < len(edges); i += 100 {
		r.add(edges[i:min(i+100, len(edges))]...)
		l := r.Latest(at)
		if l.Missed {
			t.Errorf("at %d something is missed", i)
		}
		seen, at = append(seen, l.Marks...), l.Next
	}
	r.advance(edges[len(edges)-1].At + 1e9)
	seen = append(seen, r.Latest(at).Marks...)
	if len(seen) != len(edges) {
		t.Fatalf("%d marks of %d edges", len(seen), len(edges))
	}
	for i, m := range seen {
		if want := [...]State{Open, Closed}[i%2]; m.At != edges[i].At || m.To != want {
			t.Fatalf("mark %d: %+v, want %v at %d", i, m, want, edges[i].At)
		}
	}
	all := r.Latest(Cursor{})
	if n := len(all.Marks); n != keptMarks-1 || all.Before == all.Marks[0].To || all.Marks[n-1] != seen[len(seen)-1] || len(all.Points) != keptPoints {
		t.Errorf("%d marks after %v, %d points", len(all.Marks), all.Before, len(all.Points))
	}
	if late := r.Latest(first.Next); !late.Missed {
		t.Error("who comes late is not told so")
	}
	if p := all.Points[keptPoints-1]; p.BreakNS != 50e6 || p.PeriodNS != 100e6 {
		t.Errorf("the last pulse: %+v", p)
	}
	// What came after a cursor is the same whichever way it is asked for.
	for _, back := range []uint64{0, 1, 7, 300, keptMarks - 1} {
		c := all.Next
		c.marks -= back
		c.points -= min(back, 200)
		a, b := all.After(c), r.Latest(c)
		if len(a.Marks) != len(b.Marks) || len(a.Points) != len(b.Points) || a.Before != b.Before || uint64(len(a.Marks)) != back {
			t.Errorf("%d back: %d and %d marks, %d and %d points, after %v and %v", back, len(a.Marks), len(b.Marks), len(a.Points), len(b.Points), a.Before, b.Before)
		}
	}
	r.Down("unplugged")
	if l := r.Latest(all.Next); len(l.Marks) != 1 || l.Marks[0].To != Unknown {
		t.Errorf("down: %+v", l.Marks)
	}
}

// Keeping what came last costs no allocation while nobody asks for it.
func TestLatestAllocates(t *testing.T) {
	r := newRig(Setting{Name: "dial"}, time.Minute)
	r.begin(t, pulse.Config{Kind: pulse.KindDial, Live: true, StartLevel: pulse.High})
	edges := dialling(40_000)
	r.add(edges[:20_000]...)
	rest := edges[20_000:]
	if n := testing.AllocsPerRun(100, func() {
		r.add(rest[:100]...)
		rest = rest[100:]
	}); n > 0 {
		t.Errorf("100 edges take %v allocations", n)
	}
}
