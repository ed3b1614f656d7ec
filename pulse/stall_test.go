package pulse

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// lengthEdges opens at start (ms) and then goes on with breaks and makes in
// turn, of so many ms; it ends closed after an odd number.
func lengthEdges(start float64, lengths ...float64) []Edge {
	times := []float64{start}
	for _, l := range lengths {
		times = append(times, times[len(times)-1]+l)
	}
	return edgesAt(Low, times...)
}

// What is a stall follows from the definitions of measurement of dial pulses:
// a break of more than 200 and at most 1500 ms, with makes below 150 ms on both
// sides, between pulses. Arithmetic, no source.
func TestStalls(t *testing.T) {
	type want struct {
		Digits                                        string
		Pulses, Stalls, Flashes, NoPause, Disconnects int
		Breaks, Periods, Doubtful                     int
		Partials                                      string
		FirstTrain, FirstPulse                        int
		Partial                                       bool // the end
	}
	for _, c := range []struct {
		name  string
		cfg   Config
		edges []Edge
		want  want
	}{
		{"in the middle", Config{}, lengthEdges(1000, 60, 40, 500, 40, 60), want{Digits: "?", Pulses: 2, Stalls: 1, Breaks: 3, Periods: 2, Partials: "w", FirstTrain: 1, FirstPulse: 2}},
		{"just longer than a pulse", Config{}, lengthEdges(1000, 60, 40, 200.001, 40, 60), want{Digits: "?", Pulses: 2, Stalls: 1, Breaks: 3, Periods: 2, Partials: "w", FirstTrain: 1, FirstPulse: 2}},
		{"as long as a pulse may be", Config{}, lengthEdges(1000, 60, 40, 200, 40, 60), want{Digits: "3", Pulses: 3, Breaks: 3, Periods: 2, Partials: "w"}},
		{"as long as a flash may be", Config{}, lengthEdges(1000, 60, 40, 1500, 40, 60), want{Digits: "?", Pulses: 2, Stalls: 1, Breaks: 3, Periods: 2, Partials: "w", FirstTrain: 1, FirstPulse: 2}},
		{"longer is a disconnect", Config{}, lengthEdges(1000, 60, 40, 1500.001, 40, 60), want{Digits: "11", Pulses: 2, Disconnects: 1, Breaks: 2, Partials: "ww"}},
		{"makes just below the train gap", Config{}, lengthEdges(1000, 60, 149.9, 500, 149.9, 60), want{Digits: "?", Pulses: 2, Stalls: 1, Breaks: 3, Periods: 2, Partials: "w", FirstTrain: 1, FirstPulse: 2}},
		{"a pause before", Config{}, lengthEdges(1000, 60, 150, 500, 40, 60), want{Digits: "11", Pulses: 2, Flashes: 1, NoPause: 1, Breaks: 2, Partials: "ww"}},
		{"a pause after", Config{}, lengthEdges(1000, 60, 40, 500, 150, 60), want{Digits: "11", Pulses: 2, Flashes: 1, NoPause: 1, Breaks: 2, Partials: "ww"}},
		{"pauses on both sides", Config{}, lengthEdges(1000, 60, 800, 500, 800, 60), want{Digits: "11", Pulses: 2, Flashes: 1, Breaks: 2, Partials: "ww"}},
		{"at the first pulse", Config{}, lengthEdges(1000, 500, 40, 60, 40, 60), want{Digits: "2", Pulses: 2, Flashes: 1, NoPause: 1, Breaks: 2, Periods: 1, Partials: "w"}},
		{"at the last pulse", Config{}, lengthEdges(1000, 60, 40, 60, 40, 500), want{Digits: "2", Pulses: 2, Flashes: 1, NoPause: 1, Breaks: 2, Periods: 1, Partials: "w"}},
		{"two in a train", Config{}, lengthEdges(1000, 60, 40, 500, 40, 60, 40, 700, 40, 60), want{Digits: "?", Pulses: 3, Stalls: 2, Breaks: 5, Periods: 4, Partials: "w", FirstTrain: 1, FirstPulse: 2}},
		{"two in a row", Config{}, lengthEdges(1000, 60, 40, 500, 40, 700, 40, 60), want{Digits: "?", Pulses: 2, Stalls: 2, Breaks: 4, Periods: 3, Partials: "w", FirstTrain: 1, FirstPulse: 2}},
		{"two in a row at the end", Config{}, lengthEdges(1000, 60, 40, 500, 40, 700), want{Digits: "1", Pulses: 1, Flashes: 2, NoPause: 2, Breaks: 1, Partials: "w"}},
		{"before a disconnect", Config{}, lengthEdges(1000, 60, 40, 500, 40, 2000), want{Digits: "1", Pulses: 1, Flashes: 1, NoPause: 1, Disconnects: 1, Breaks: 1, Partials: "w"}},
		{"short breaks beside it", Config{}, lengthEdges(1000, 60, 20, 8, 20, 500, 20, 8, 20, 60), want{Digits: "?", Pulses: 2, Stalls: 1, Breaks: 3, Periods: 2, Partials: "w", FirstTrain: 1, FirstPulse: 2}},
		{"in the second train", Config{}, lengthEdges(1000, 60, 800, 60, 40, 60, 40, 300, 40, 60), want{Digits: "1?", Pulses: 4, Stalls: 1, Breaks: 5, Periods: 3, Partials: "ww", FirstTrain: 2, FirstPulse: 3}},
		{"another coding", Config{Coding: Coding10MinusN, CodingSet: true}, lengthEdges(1000, 60, 40, 500, 40, 60, 800, 60), want{Digits: "?9", Pulses: 3, Stalls: 1, Breaks: 4, Periods: 2, Partials: "ww", FirstTrain: 1, FirstPulse: 2}},
		{"own lengths", Config{PulseMaxNS: 100e6, FlashMaxNS: 400e6, TrainGapNS: 50e6}, lengthEdges(1000, 60, 40, 150, 40, 60, 40, 401, 40, 60), want{Digits: "?1", Pulses: 3, Stalls: 1, Disconnects: 1, Breaks: 4, Periods: 2, Partials: "ww", FirstTrain: 1, FirstPulse: 2}},
		{"a loss behind it: it may be inside a digit", Config{},
			slices.Concat(lengthEdges(1000, 60, 40, 500, 40), []Edge{{At: 1700 * msec, Level: High, Lost: 2}}, lengthEdges(1740, 60)),
			want{Digits: "", Pulses: 2, Flashes: 1, Breaks: 2, Partials: "PP"}},
		{"a loss before it", Config{},
			slices.Concat(lengthEdges(1000, 60), []Edge{{At: 1110 * msec, Level: High, Lost: 2}}, lengthEdges(1150, 500, 40, 60)),
			want{Digits: "", Pulses: 1, Flashes: 1, NoPause: 1, Breaks: 1, Partials: "P"}},
		{"live, the end too soon after it", Config{Live: true, StartLevel: High}, lengthEdges(1000, 60, 40, 500), want{Pulses: 1, Flashes: 1, Breaks: 1, Partials: "P", Partial: true}},
		{"live, the start too soon before it", Config{Live: true, StartLevel: High, Start: 900 * msec}, lengthEdges(1000, 500, 40, 60), want{Pulses: 1, Flashes: 1, NoPause: 1, Breaks: 1, Partials: "P", Partial: true}},
		{"a make as long as a pause may be", Config{}, lengthEdges(1000, 60, 150, 60, 300, 60, 300.001, 60), want{Digits: "1111", Pulses: 4, Breaks: 4, Doubtful: 2, Partials: "wwww"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.cfg.Kind = KindDial
			m, err := NewMeter(c.cfg)
			if err != nil {
				t.Fatal(err)
			}
			m.Add(c.edges)
			r := m.Finish(c.edges[len(c.edges)-1].At + 100*msec)
			d := r.Dial
			got := want{d.Digits, d.Pulses, d.Stalls, d.Flashes, d.FlashesWithoutPause, d.Disconnects, d.BreakMS.N, d.RatePPS.N, int(m.n.DoubtfulMakes), "",
				m.dial.firstStall.group, m.dial.firstStall.item, r.Capture.PartialEnd}
			for x := range d.Trains.All() {
				got.Partials += map[bool]string{true: "P", false: "w"}[x.Partial]
			}
			if c := m.Counts(); int(c.Stalls) != d.Stalls+d.DisconnectsInside || int(c.Flashes) != d.Flashes {
				t.Errorf("counts %+v", c)
			}
			if d := cmp.Diff(c.want, got); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
		})
	}
}

func TestStallRowsAndSentences(t *testing.T) {
	var got []string
	cfg := Config{Kind: KindDial, Observer: Observer{
		Pulse: func(p *PulseRow) {
			got = append(got, fmt.Sprintf("%d %v t%d p%d b%d T%d m%d g%d", p.At/msec, p.Class, p.Train, p.Pulse, p.BreakNS/1e6, p.PeriodNS/1e6, p.MakeNS/1e6, p.GapNS/1e6))
		},
		Train: func(x *Train) {
			got = append(got, fmt.Sprintf("train of %d, digit %v, stalled %v", x.Pulses, x.Digit != nil, x.Stalled))
		},
	}}
	m, err := NewMeter(cfg)
	if err != nil {
		t.Fatal(err)
	}
	m.Add(lengthEdges(0, 60, 40, 500, 40, 60, 200, 60, 40, 400, 800, 60))
	r := m.Finish(0)
	want := []string{
		"0 pulse t1 p1 b60 T100 m40 g0", "100 stall t1 p2 b500 T540 m40 g0", "640 pulse t1 p3 b60 T0 m0 g0", "train of 3, digit false, stalled true",
		"900 pulse t2 p1 b60 T0 m0 g200", "train of 1, digit true, stalled false", "1000 flash t0 p0 b400 T0 m0 g0",
		"2200 pulse t3 p1 b60 T0 m0 g0", "train of 1, digit true, stalled false",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	// 2 periods in 640 ms; their breaks are 560 ms.
	if d := r.Dial; !close9(d.RatePPS.Overall.V, 2/0.64) || !close9(d.BreakPercent.Overall.V, 87.5) || !close9(d.BreakMS.Max.V, 500) {
		t.Errorf("%+v", d)
	}
	stall, open := m.dial.because(false)
	if d := cmp.Diff([]string{"a break stalled inside a digit: 500.0 ms in train 1, pulse 2, at 0.100 s"}, stall); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff([]string{"the make of 200.0 ms before train 2 may be a pause between digits as well as a make that stalled, and no interdigit limit judges it"}, open); d != "" {
		t.Error(d)
	}
	if _, open = m.dial.because(true); open != nil {
		t.Errorf("%q where an interdigit limit judges it", open)
	}
	m, _ = NewMeter(Config{Kind: KindDial})
	m.Add(lengthEdges(0, 60, 40, 500, 40, 60, 40, 250, 40, 60, 200, 60, 201, 60))
	m.Finish(0)
	stall, open = m.dial.because(false)
	if !strings.HasPrefix(strings.Join(stall, ";"), "2 breaks stalled inside a digit, the first 500.0 ms in train 1, pulse 2") ||
		!strings.HasPrefix(strings.Join(open, ";"), "2 makes may be") || len(stall)+len(open) != 2 {
		t.Errorf("%q %q", stall, open)
	}
}

// A live meter learns of a stall with the pulse behind it, and of a flash once
// the make behind it has lasted the train gap.
func TestStallLive(t *testing.T) {
	m, _ := NewMeter(Config{Kind: KindDial, Live: true, StartLevel: High, Forget: true})
	step := func(edges []Edge, now float64, stalls, flashes, trains uint64) {
		t.Helper()
		m.Add(edges)
		m.Advance(Stamp(now * 1e6))
		if c := m.Counts(); c.Stalls != stalls || c.Flashes != flashes || c.Trains != trains {
			t.Errorf("at %v ms: %+v", now, c)
		}
	}
	step(edgesAt(Low, 1000, 1060, 1100, 1600), 1749, 0, 0, 0)
	step(edgesAt(Low, 1749, 1809), 1830, 1, 0, 0)
	step(edgesAt(Low, 1850, 2250), 2399, 1, 0, 0)
	step(nil, 2400, 1, 1, 1)
}

// Rows, trains and counts are the same with and without what is kept, and add up.
func TestStallsAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		length := rapid.SampledFrom([]float64{5, 40, 60, 149, 150, 200, 201, 300, 500, 1500, 1501})
		edges := lengthEdges(1000, rapid.SliceOfN(length, 1, 60).Draw(t, "lengths")...)
		classes, inTrains := map[Class]int{}, 0
		live := rapid.Bool().Draw(t, "live")
		m, _ := NewMeter(Config{Kind: KindDial, Live: live, StartLevel: High,
			Observer: Observer{Pulse: func(p *PulseRow) { classes[p.Class]++ }, Train: func(x *Train) { inTrains += x.Pulses }}})
		for i := range edges {
			m.Add(edges[i : i+1])
			if i+1 < len(edges) {
				m.Advance(edges[i+1].At)
			}
		}
		d := m.Finish(edges[len(edges)-1].At + 5*msec).Dial
		want := map[Class]int{}
		for c, n := range map[Class]int{ClassPulse: d.Pulses, ClassShort: d.ShortBreaks, ClassFlash: d.Flashes, ClassDisconnect: d.Disconnects, ClassStall: d.Stalls} {
			if n > 0 {
				want[c] = n
			}
		}
		if diff := cmp.Diff(want, classes); diff != "" || d.Pulses+d.Stalls != inTrains || d.BreakMS.N != inTrains || d.FlashesWithoutPause > d.Flashes {
			t.Fatalf("%d pulses and stalls in trains: %+v\n%s", inTrains, d, diff)
		}
	})
}

// The bounce limit of a standard is one on pulsing: a flash may bounce.
func TestBounceLimitIsOnPulses(t *testing.T) {
	p := &Profile{ID: "own", Kind: KindDial, Limits: []Limit{{Quantity: BounceMS, Max: bound(0.5)}}}
	pulses := edgesAt(Low, 1000, 1060, 1060.1, 1060.2, 1100, 1160)
	flash := edgesAt(Low, 3000, 3001, 3002, 3500)
	r := measure(t, Config{Limits: p}, slices.Concat(pulses, flash))
	it := r.Conformity.Items[0]
	if it.Statement != Pass || it.Of != 4 || !close9(it.Observed.V, 0.2) || it.At.String() != "train 1, pulse 1, closing" || !close9(it.AtS.V, 0.06) {
		t.Errorf("%+v", it)
	}
	if s := r.Settling; s.BounceMS.N != 6 || !close9(s.BounceMS.Max.V, 2) {
		t.Errorf("%+v", s)
	}
	// The same burst at a pulse fails.
	r = measure(t, Config{Limits: p}, slices.Concat(pulses, edgesAt(Low, 3000, 3001, 3002, 3060)))
	if it = r.Conformity.Items[0]; it.Statement != Fail || it.OutOfLimit != 1 || it.Of != 6 || it.At.String() != "train 2, pulse 1, opening" {
		t.Errorf("%+v", it)
	}
}

// A break inside a digit that is longer than the limits allow never passes,
// however long it is: a stall that outlasts a flash is no better than one that
// does not. Invented: a digit of seven pulses, 60 ms break and 40 ms make.
func TestLongBreakInADigitNeverPasses(t *testing.T) {
	limits := &Profile{ID: "own", Kind: KindDial, Limits: []Limit{{Quantity: BreakMS, Min: bound(50), Max: bound(70)}, {Quantity: InterdigitMS, Min: bound(300)}}}
	for _, long := range []float64{60, 69, 75, 150, 199, 201, 500, 1499, 1501, 3000, 60000} {
		at := 1000.0
		var e []Edge
		for digit := range 3 {
			for i := range 7 {
				b := 60.0
				if digit == 1 && i == 3 {
					b = long
				}
				e = append(e, edgesAt(Low, at, at+b)...)
				at += b + 40
			}
			at += 800
		}
		want := Fail
		if long < 70 {
			want = Pass
		}
		r := measure(t, Config{Limits: limits}, e)
		if r.Conformity.Statement != want || (long > 200) != (len(r.Conformity.Because) > 0) {
			t.Errorf("%v ms: %s because %q, digits %s", long, r.Conformity.Statement, r.Conformity.Because, r.Dial.Digits)
		}
		if long > 1500 && (r.Dial.Disconnects != 1 || r.Dial.DisconnectsInside != 1 || r.Dial.Stalls != 0) {
			t.Errorf("%v ms: %+v", long, r.Dial)
		}
	}
}
