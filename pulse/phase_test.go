package pulse

import (
	"fmt"
	"math"
	"testing"
)

// All contacts here are invented, and what is expected of them is what they
// were made to do.

// A tape makes edges of a contact that begins closed.
type tape struct {
	at    Stamp
	edges []Edge
}

func (t *tape) edge(l Level) { t.edges = append(t.edges, Edge{At: t.at, Level: l}) }

// cycles gives n cycles of break, make, break, make … in ms.
func (t *tape) cycles(n int, ms ...float64) {
	for range n {
		for i, d := range ms {
			t.edge(Level(i & 1))
			t.at += Stamp(d * 1e6)
		}
	}
}

// blind is a time in which nothing is known, after which the contact is closed.
func (t *tape) blind(ms float64) {
	t.at -= 100e6
	t.edge(Unknown)
	t.at += Stamp(ms*1e6) + 100e6
	t.edge(High)
	t.at += 50e6
}

// What is unknown says nothing of the contact: whatever its phase is after it,
// nothing is missing, nothing extra, and each break is of its own segment.
func TestPhaseAfterUnknown(t *testing.T) {
	ringing := []int64{400e6, 200e6, 400e6, 2000e6}
	for _, gap := range []float64{200, 550, 3550, 5000, 7300, 8900, 10000, 10050, 60350, 600650, 3600450, 36000950} {
		for name, cfg := range map[string]Config{
			"cadence given": {Kind: KindInterrupter, CadenceNS: ringing}, "cadence told from the data": {Kind: KindInterrupter},
		} {
			for _, before := range []int{2, 30} { // while the cadence is being learnt, and after
				var x tape
				x.at = 1e9
				x.cycles(before, 200, 400, 2000, 400)
				x.blind(gap)
				x.cycles(30, 200, 400, 2000, 400)
				m, err := NewMeter(cfg)
				if err != nil {
					t.Fatal(err)
				}
				m.Add(x.edges)
				got := m.Finish(0).Interrupter
				what := fmt.Sprintf("%s, %v ms after %d cycles", name, gap, before)
				if got.Missing != 0 || got.Extra != 0 || got.Slips != 0 || got.Cycles < before+30-2 || len(got.Segments) != 4 {
					t.Errorf("%s: %+v", what, got)
					continue
				}
				for i, ns := range ringing {
					if s := got.Segments[i].MS; s.Min.V != float64(ns)/1e6 || s.Max.V != float64(ns)/1e6 || s.N < before+30-2 {
						t.Errorf("%s: segment %d: %+v", what, i+1, s)
					}
				}
			}
		}
		var x tape
		x.at = 1e9
		x.cycles(60, 500, 500)
		x.blind(gap)
		x.cycles(60, 500, 500)
		m, err := NewMeter(Config{Kind: KindInterrupter})
		if err != nil {
			t.Fatal(err)
		}
		m.Add(x.edges)
		got := m.Finish(0).Interrupter
		if got.Missing != 0 || got.Extra != 0 || got.Slips != 0 || got.Cycles < 118 || got.PeriodMS.Min.V != 1000 || got.PeriodMS.Max.V != 1000 {
			t.Errorf("plain, %v ms: %+v", gap, got)
		}
		// The phase count goes on by the time that passed.
		if due := math.Round(float64(x.edges[len(x.edges)-2].At-1e9) / 1e9); math.Abs(float64(got.Due)-due) > 1 {
			t.Errorf("plain, %v ms: %d due, want about %v", gap, got.Due, due)
		}
	}
}

// A speed that changed while nothing was known is no slip.
func TestSpeedAfterUnknown(t *testing.T) {
	var x tape
	x.at = 1e9
	x.cycles(60, 500, 500)
	x.blind(20e3)
	x.cycles(60, 250, 250)
	m, err := NewMeter(Config{Kind: KindInterrupter})
	if err != nil {
		t.Fatal(err)
	}
	m.Add(x.edges)
	if got := m.Finish(0).Interrupter; got.Missing != 0 || got.Extra != 0 || got.Slips != 0 || got.Cycles != 118 {
		t.Errorf("%+v", got)
	}
}

// Lobes keep their numbers over what is unknown while the phase does; else
// they are found again by the signature.
func TestLobesAfterUnknown(t *testing.T) {
	turn := []float64{500, 500, 500, 504, 500, 496, 500, 500, 500, 500} // lobe 3 opens 4 ms late
	for _, tt := range []struct {
		name                 string
		before, after, begin int // turns; lobe at which the second stretch begins
		gap                  float64
		matches, turns       int
		late                 int
		fromS                float64
	}{
		{"phase kept", 20, 20, 0, 4950, 0, 39, 3, 0},
		{"a small jump", 20, 10, 0, 4990, 1, 28, 3, 0},
		{"a jump", 20, 10, 0, 9060, 1, 28, 3, 0},
		{"a jump, the later stretch is longer", 10, 20, 0, 9060, 1, 28, 3, 0},
		{"another lobe first", 10, 20, 2, 9060, 1, 28, 3, 0},
		{"long", 20, 10, 0, 900e3 - 50, 1, 28, 3, 0},
	} {
		var x tape
		x.at = 1e9
		x.cycles(tt.before, turn...)
		x.blind(tt.gap)
		if tt.begin > 0 {
			x.cycles(1, turn[2*tt.begin:]...)
			tt.after--
			x.cycles(tt.after, turn...)
			x.cycles(1, turn[:2*tt.begin]...)
		} else {
			x.cycles(tt.after, turn...)
		}
		m, err := NewMeter(Config{Kind: KindInterrupter, Lobes: 5, PeriodNS: 1e9})
		if err != nil {
			t.Fatal(err)
		}
		m.Add(x.edges)
		got := m.Finish(0).Interrupter
		if got.LobeStretches != 1 || got.LobesMatchLead.OK != (tt.matches > 0) || math.Abs(float64(got.WholeTurns-tt.turns)) > 1 || math.Abs(got.LobesFromS.V-tt.fromS) > 0.05 {
			t.Errorf("%s: %d numberings, lead %v, %d turns from %v s, want %+v", tt.name, got.LobeStretches, got.LobesMatchLead, got.WholeTurns, got.LobesFromS, tt)
		}
		for _, l := range got.Lobes {
			want := 0.0
			if l.Lobe == tt.late {
				want = 4
			}
			if math.Abs(l.OpeningErrorMS.V-want) > 1e-6 {
				t.Errorf("%s: lobe %d is %v ms late, want %v", tt.name, l.Lobe, l.OpeningErrorMS.V, want)
			}
		}
	}
}

// What falls due while nothing moves is missing: a contact that has stopped is
// told of before it moves again, and counted once.
func TestStandsStill(t *testing.T) {
	for _, tt := range []struct {
		name    string
		cadence []int64 // make first
		cycle   []float64
		opens   int // each cycle
		open    bool
	}{
		{"stands closed", nil, []float64{500, 500}, 1, false},
		{"stands open", nil, []float64{500, 500}, 1, true},
		{"cadence", []int64{400e6, 200e6, 400e6, 2000e6}, []float64{200, 400, 2000, 400}, 2, false},
	} {
		cfg := Config{Kind: KindInterrupter, Live: true, StartLevel: High, CadenceNS: tt.cadence, Start: 1e9}
		if tt.cadence == nil {
			cfg.PeriodNS = 1e9
		}
		m, err := NewMeter(cfg)
		if err != nil {
			t.Fatal(err)
		}
		var x tape
		x.at = 2e9
		x.cycles(20, tt.cycle...)
		if tt.open {
			x.edge(Low)
		}
		m.Add(x.edges)
		cycle := Stamp(0)
		for _, ms := range tt.cycle {
			cycle += Stamp(ms * 1e6)
		}
		last := x.at // the next opening was due here
		before := Counts{}
		for n := range 100 {
			m.Advance(last + Stamp(n)*cycle + cycle*9/10)
			c := m.Counts()
			if c.Missing < before.Missing || c.CyclesDue < before.CyclesDue {
				t.Errorf("%s: %+v after %+v", tt.name, c, before)
			}
			before = c
		}
		want := 100 * tt.opens
		if tt.open {
			want = 99
		}
		if before.Missing != uint64(want) || before.CyclesDue < 117 || before.CyclesDue > 121 {
			t.Errorf("%s: %+v, want %d missing, 119 due", tt.name, before, want)
		}
		if n := m.Counts().Extra; n != 0 {
			t.Errorf("%s: %d extra", tt.name, n)
		}
		// It goes on in the old phase: counted once.
		x.edges, x.at = nil, last+200*cycle
		if tt.open {
			x.at -= cycle / 2
			x.edge(High)
			x.at += cycle / 2
		}
		x.cycles(20, tt.cycle...)
		m.Add(x.edges)
		want = 200 * tt.opens
		if tt.open {
			want--
		}
		got := m.Finish(x.at).Interrupter
		if got.Missing != want || got.Extra != 0 {
			t.Errorf("%s: it goes on: %d missing, %d extra, want %d missing", tt.name, got.Missing, got.Extra, want)
		}
	}
	// A capture that ends while the contact stands still tells it too.
	m, err := NewMeter(Config{Kind: KindInterrupter, Live: true, StartLevel: High, Start: 1e9})
	if err != nil {
		t.Fatal(err)
	}
	var x tape
	x.at = 2e9
	x.cycles(600, 500, 500)
	m.Add(x.edges)
	if got := m.Finish(x.at + 3000e9).Interrupter; got.Missing != 3000 || got.Due != 3599 || got.Cycles != 599 {
		t.Errorf("stopped after 600 s of 3600: %+v", got)
	}
	// What is unknown at the end is not missing.
	m, err = NewMeter(Config{Kind: KindInterrupter, Live: true, StartLevel: High, Start: 1e9})
	if err != nil {
		t.Fatal(err)
	}
	x.edge(Unknown)
	m.Add(x.edges)
	if got := m.Finish(x.at + 3000e9).Interrupter; got.Missing != 0 {
		t.Errorf("unknown after 600 s: %+v", got)
	}
}

// What stood still at a known level after an unknown time has missed what fell
// due then; the openings that follow are due, however few they are.
func TestStandsStillAfterUnknown(t *testing.T) {
	for _, stood := range []float64{0, 450, 950, 3950} {
		var x tape
		x.at = 1e9
		x.cycles(20, 50, 50)
		x.blind(2317)
		x.at += Stamp(stood * 1e6)
		x.cycles(10, 50, 50)
		m, err := NewMeter(Config{Kind: KindInterrupter})
		if err != nil {
			t.Fatal(err)
		}
		m.Add(x.edges)
		got := m.Finish(0).Interrupter
		if got.Extra != 0 || got.Slips != 0 || got.Cycles != 28 || math.Abs(float64(got.Missing)-stood/100) > 1 {
			t.Errorf("stood for %v ms: %d cycles, %d missing, %d extra, %d slips", stood, got.Cycles, got.Missing, got.Extra, got.Slips)
		}
	}
}
