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

func settleAll(s *Settler, edges []Edge, live bool, end Stamp) (out []Event, undecided bool) {
	for _, e := range edges {
		out = append(out, s.Add(e)...)
	}
	ev, undecided := s.Finish(live, end)
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
		{"two edges of one level", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: Low}, {At: 160 * msec, Level: Low}, {At: 200 * msec, Level: High}},
			[]Event{tr(0, 0, true, 0), tr(60, 60, false, 0), unknown(60, 160, true), tr(160, 160, false, 0), tr(200, 200, true, 0)}, 1},
		{"two lost, levels agree", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: Low, Lost: 2}},
			[]Event{tr(0, 0, true, 0), unknown(0, 60, true), tr(60, 60, false, 0)}, 2},
		{"one lost, levels agree", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: High, Lost: 1}},
			[]Event{tr(0, 0, true, 0), unknown(0, 60, false), tr(60, 60, true, 0)}, 1},
		{"one known lost but the levels say one more", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: Low, Lost: 1}},
			[]Event{tr(0, 0, true, 0), unknown(0, 60, true), tr(60, 60, false, 0)}, 2},
		{"two known lost but the levels say one more", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: High, Lost: 2}},
			[]Event{tr(0, 0, true, 0), unknown(0, 60, false), tr(60, 60, true, 0)}, 3},
		{"level unknown for a while", []Edge{{At: 0, Level: High}, {At: 60 * msec, Level: Unknown}, {At: 70 * msec, Level: Unknown}, {At: 90 * msec, Level: Low}, {At: 120 * msec, Level: High}},
			[]Event{tr(0, 0, true, 0), unknown(60, 90, false), tr(120, 120, true, 0)}, 0},
		{"unknown from the start", []Edge{{At: 0, Level: Unknown}, {At: 90 * msec, Level: High}, {At: 120 * msec, Level: Low}},
			[]Event{unknown(0, 90, true), tr(120, 120, false, 0)}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := Settler{SettleNS: 4e6}
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
	s := Settler{SettleNS: 4e6}
	s.Start(0, Low)
	got, undecided := settleAll(&s, edgesAt(High, 10, 60), true, 63*msec)
	if d := cmp.Diff([]Event{tr(10, 10, true, 0)}, got); d != "" || !undecided {
		t.Errorf("undecided %v (-want +got):\n%s", undecided, d)
	}
	s = Settler{SettleNS: 4e6}
	s.Start(0, Low)
	got, undecided = settleAll(&s, edgesAt(High, 10, 60), true, 64*msec)
	if d := cmp.Diff([]Event{tr(10, 10, true, 0), tr(60, 60, false, 0)}, got); d != "" || undecided {
		t.Errorf("undecided %v (-want +got):\n%s", undecided, d)
	}
	// The first edge has the level that the line had at the start: one is lost.
	s = Settler{SettleNS: 4e6}
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
		s := Settler{SettleNS: int64(settle) * 1e5}
		at := Stamp(0)
		last := Stamp(-1)
		state, known := false, false
		check := func(ev []Event) {
			for _, e := range ev {
				if e.At < last || e.End < e.At {
					t.Fatalf("event %+v out of order after %d", e, last)
				}
				last = e.At
				switch e.Kind {
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
			check(s.Add(e))
		}
		ev, undecided := s.Finish(false, 0)
		check(ev)
		if undecided {
			t.Fatal("a recording is never undecided")
		}
		if s.Lost() < lost {
			t.Fatalf("lost %d, want at least %d", s.Lost(), lost)
		}
	})
}
