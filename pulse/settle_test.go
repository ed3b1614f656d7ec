package pulse

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

const msec = Stamp(1e6)

// edges makes alternating edges from times in ms, the first to High unless
// lead is Low.
func edgesAt(first Level, ms ...float64) (e []Edge) {
	for i, t := range ms {
		e = append(e, Edge{At: Stamp(t * 1e6), Level: first ^ Level(i&1)})
	}
	return e
}

func settleAll(s *settler, edges []Edge, live bool, end Stamp) (out []Event, undecided bool) {
	for _, e := range edges {
		out = append(out, s.Add(e)...)
	}
	ev, undecided, _ := s.Finish(live, end)
	return append(out, ev...), undecided
}

func tr(at, end float64, closed bool, extra int32) Event {
	return Event{Kind: EventTransition, At: Stamp(at * 1e6), End: Stamp(end * 1e6), Closed: closed, Extra: extra}
}

// Expected values follow from the settling rule alone: arithmetic, no source.
func TestSettle(t *testing.T) {
	unknown := func(at, end float64, closed bool) Event {
		return Event{Kind: EventUnknown, At: Stamp(at * 1e6), End: Stamp(end * 1e6), Closed: closed}
	}
	change := func(at, end float64, closed bool) Event {
		return Event{Kind: EventUnknown, Transition: true, At: Stamp(at * 1e6), End: Stamp(end * 1e6), Closed: closed}
	}
	chatter := func(at, end float64, closed bool, extra int32) Event {
		return Event{Kind: EventChatter, At: Stamp(at * 1e6), End: Stamp(end * 1e6), Closed: closed, Extra: extra}
	}
	for _, c := range []struct {
		name  string
		edges []Edge
		want  []Event
		lost  int
	}{
		{"clean", edgesAt(High, 0, 60, 100), []Event{tr(0, 0, true, 0), tr(60, 60, false, 0), tr(100, 100, true, 0)}, 0},
		{"bounce", edgesAt(High, 0, 1, 2, 60), []Event{tr(0, 2, true, 2), tr(60, 60, false, 0)}, 0},
		{"exactly the settling time has lasted", edgesAt(High, 0, 4, 4.5), []Event{tr(0, 0, true, 0), tr(4, 4.5, false, 1)}[:1], 0},
		{"chatter", edgesAt(High, 0, 20, 21, 60), []Event{tr(0, 0, true, 0), chatter(20, 21, true, 1), tr(60, 60, false, 0)}, 0},
		{"a buzz that never lasts is one burst", edgesAt(High, 0, 3, 6, 9, 12, 15, 18), []Event{tr(0, 18, true, 6)}, 0},
		// Whether a level lasted is not known when edges are lost after it: then
		// the transition to it is not known either.
		{"two edges of one level", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: Low}, {At: 160 * msec, Level: Low}, {At: 200 * msec, Level: High}},
			[]Event{tr(0, 0, true, 0), change(60, 160, false), tr(200, 200, true, 0)}, 1},
		{"two lost, levels agree", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: Low, Lost: 2}},
			[]Event{unknown(0, 60, false)}, 2},
		{"one lost, levels agree", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: High, Lost: 1}},
			[]Event{change(0, 60, true)}, 1},
		{"one known lost but the levels say one more", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: Low, Lost: 1}},
			[]Event{unknown(0, 60, false)}, 2},
		{"two known lost but the levels say one more", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: High, Lost: 2}},
			[]Event{change(0, 60, true)}, 3},
		{"the edge behind a loss bounces", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: Low, Lost: 2}, {At: 61 * msec, Level: High}, {At: 63 * msec, Level: Low}, {At: 90 * msec, Level: High}},
			[]Event{unknown(0, 63, false), tr(90, 90, true, 0)}, 2},
		{"a loss behind a loss", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: Low, Lost: 2}, {At: 90 * msec, Level: Low}, {At: 95 * msec, Level: High}},
			[]Event{unknown(0, 90, false), tr(95, 95, true, 0)}, 3},
		{"a loss inside a burst that changes the state", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: Low}, {At: 62 * msec, Level: Low}, {At: 100 * msec, Level: High}},
			[]Event{tr(0, 0, true, 0), {Kind: EventUnknown, Transition: true, Extra: 2, At: 60 * msec, End: 62 * msec}, tr(100, 100, true, 0)}, 1},
		{"a loss inside a burst that does not", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: Low}, {At: 62 * msec, Level: High, Lost: 2}, {At: 100 * msec, Level: Low}},
			[]Event{tr(0, 0, true, 0), chatter(60, 62, true, 3), tr(100, 100, false, 0)}, 2},
		{"the same with the edges around it as far apart as a level lasts", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: Low}, {At: 64 * msec, Level: High, Lost: 2}, {At: 100 * msec, Level: Low}},
			[]Event{tr(0, 0, true, 0), unknown(60, 64, true), tr(100, 100, false, 0)}, 2},
		{"a level unknown inside a burst", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: Low}, {At: 61 * msec, Level: Unknown}, {At: 62 * msec, Level: High}, {At: 100 * msec, Level: Low}},
			[]Event{tr(0, 0, true, 0), chatter(60, 62, true, 1), tr(100, 100, false, 0)}, 0},
		{"a level unknown soon after an edge", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: Low}, {At: 61 * msec, Level: Unknown}, {At: 80 * msec, Level: Low}, {At: 100 * msec, Level: High}},
			[]Event{tr(0, 0, true, 0), change(60, 80, false), tr(100, 100, true, 0)}, 0},
		{"lost before the first edge", []Edge{{At: 10 * msec, Level: High, Lost: 1}, {At: 12 * msec, Level: Low}, {At: 60 * msec, Level: High}},
			[]Event{unknown(10, 12, false), tr(60, 60, true, 0)}, 1},
		{"level unknown for a while", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: Unknown}, {At: 70 * msec, Level: Unknown}, {At: 90 * msec, Level: Low}, {At: 120 * msec, Level: High}},
			[]Event{tr(0, 0, true, 0), change(60, 90, false), tr(120, 120, true, 0)}, 0},
		{"unknown from the start", []Edge{{At: 0, Level: Unknown}, {At: 90 * msec, Level: High}, {At: 120 * msec, Level: Low}},
			[]Event{unknown(0, 90, true), tr(120, 120, false, 0)}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := settler{SettleNS: 4e6}
			got, _ := settleAll(&s, c.edges, false, 0)
			if c.name == "exactly the settling time has lasted" {
				// 0–4 lasted 4 ms; the burst at 4 goes back at 4.5 and stays.
				c.want = append(c.want, Event{Kind: EventChatter, At: 4 * msec, End: Stamp(4.5e6), Closed: true, Extra: 1})
			}
			if d := cmp.Diff(c.want, got); d != "" {
				t.Errorf("events (-want +got):\n%s", d)
			}
			if s.Lost() != c.lost {
				t.Errorf("lost %d, want %d", s.Lost(), c.lost)
			}
		})
	}
}

func TestSettleLive(t *testing.T) {
	s := settler{SettleNS: 4e6}
	s.Start(0, Low)
	got, undecided := settleAll(&s, edgesAt(High, 10, 60), true, 63*msec)
	if d := cmp.Diff([]Event{tr(10, 10, true, 0)}, got); d != "" || !undecided {
		t.Errorf("undecided %v (-want +got):\n%s", undecided, d)
	}
	s = settler{SettleNS: 4e6}
	s.Start(0, Low)
	got, undecided = settleAll(&s, edgesAt(High, 10, 60), true, 64*msec)
	if d := cmp.Diff([]Event{tr(10, 10, true, 0), tr(60, 60, false, 0)}, got); d != "" || undecided {
		t.Errorf("undecided %v (-want +got):\n%s", undecided, d)
	}
	// A burst within the settling time of the start may have begun before it.
	for _, c := range []struct {
		level Level
		edges []Edge
		want  []Event
	}{
		{Low, edgesAt(High, 3.9, 60), []Event{{Kind: EventUnknown, Transition: true, Closed: true, End: Stamp(3.9e6)}, tr(60, 60, false, 0)}},
		{Low, edgesAt(High, 4, 60), []Event{tr(4, 4, true, 0), tr(60, 60, false, 0)}},
		{Low, edgesAt(High, 3, 4, 60), []Event{{Kind: EventUnknown, End: 4 * msec}, tr(60, 60, true, 0)}},
		{Unknown, edgesAt(High, 3, 60), []Event{{Kind: EventUnknown, Transition: true, Closed: true, End: 3 * msec}, tr(60, 60, false, 0)}},
		{Unknown, edgesAt(High, 5, 60), []Event{tr(5, 5, true, 0), tr(60, 60, false, 0)}},
	} {
		s = settler{SettleNS: 4e6}
		s.Start(0, c.level)
		got, _ := settleAll(&s, c.edges, true, 100*msec)
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("from level %d, %v (-want +got):\n%s", c.level, c.edges, d)
		}
	}
	// At its end a level behind a loss may not have lasted.
	s = settler{SettleNS: 4e6}
	s.Start(0, Low)
	got, undecided = settleAll(&s, []Edge{{At: 60 * msec, Level: Low}}, true, 63*msec)
	if d := cmp.Diff([]Event{{Kind: EventUnknown, At: 0, End: 63 * msec}}, got); d != "" || !undecided {
		t.Errorf("undecided %v (-want +got):\n%s", undecided, d)
	}
	// The first edge has the level that the line had at the start: one is lost.
	s = settler{SettleNS: 4e6}
	s.Start(0, High)
	settleAll(&s, edgesAt(High, 10), true, 100*msec)
	if s.Lost() != 1 {
		t.Errorf("lost %d, want 1", s.Lost())
	}
}

func FuzzSettle(f *testing.F) {
	f.Add([]byte{1, 0, 0, 10, 1, 60, 0, 40}, uint16(4))
	f.Add([]byte{2, 0, 1, 255, 255, 1, 0, 0}, uint16(0))
	f.Fuzz(func(t *testing.T, b []byte, settle uint16) {
		s := settler{SettleNS: int64(settle) * 1e5}
		at := Stamp(0)
		last := Stamp(-1)
		state, known := false, false
		check := func(ev []Event, end bool) {
			for _, e := range ev {
				if e.At < last || e.End < e.At {
					t.Fatalf("event %+v out of order after %d", e, last)
				}
				last = e.At
				switch e.Kind {
				case EventUnknown:
					// At the end the level may stay unknown, and be called either.
					if known && e.Transition != (e.Closed != state) && !end {
						t.Fatalf("state %v before: %+v", state, e)
					}
				case EventTransition:
					if known && e.Closed == state {
						t.Fatalf("transition to the state that held: %+v", e)
					}
				case EventChatter:
					if known && e.Closed != state {
						t.Fatalf("chatter changed the state: %+v", e)
					}
				}
				state, known = e.Closed, true
			}
		}
		lost := 0
		for i := 0; i+1 < len(b); i += 2 {
			at += Stamp(b[i+1]) * 1e5
			e := Edge{At: at, Level: Level(b[i] % 3), Lost: uint32(b[i] >> 6)}
			lost += int(e.Lost)
			check(s.Add(e), false)
		}
		ev, undecided, _ := s.Finish(false, 0)
		check(ev, true)
		if undecided {
			t.Fatal("a recording is never undecided")
		}
		if s.Lost() < lost {
			t.Fatalf("lost %d, want at least %d", s.Lost(), lost)
		}
	})
}
