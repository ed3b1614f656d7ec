package pulse

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// dialEdges makes the edges of digits sent as pulse counts, closed = high, at
// rest closed, from start on: period and break in ms, gap from the last
// closing to the next opening.
func dialEdges(start, period, brk, gap float64, counts ...int) (e []Edge) {
	t := start
	ns := func(ms float64) Stamp { return Stamp(math.Round(ms * 1e6)) }
	for _, n := range counts {
		for i := range n {
			e = append(e, Edge{At: ns(t + float64(i)*period), Level: Low}, Edge{At: ns(t + float64(i)*period + brk), Level: High})
		}
		t += float64(n-1)*period + brk + gap
	}
	return e
}

func measure(t testing.TB, cfg Config, edges []Edge) *Measurement {
	t.Helper()
	m, err := NewMeter(cfg)
	if err != nil {
		t.Fatal(err)
	}
	m.Add(edges)
	return m.Finish(cfg.Start)
}

func close9(a, b float64) bool { return math.Abs(a-b) <= 1e-9*math.Max(1, math.Abs(b)) }

// The constructed trains: n pulses have n breaks and n − 1 bounded makes. The
// wrong answers are those of dividing n by first opening to last closing.
// Arithmetic, no source.
func TestConstructedTrains(t *testing.T) {
	for _, c := range []struct {
		pulses                            int
		period, brk, rate, percent, wrong float64
	}{
		{10, 100, 60, 10, 60, 10.417},
		{10, 100, 61.538, 10, 61.54, 10.400},
		{10, 111.111, 70, 9, 63, 9.346},
		{10, 90.909, 54.545, 11, 60, 11.458},
		{10, 50, 33.5, 20, 67, 20.683},
	} {
		d := measure(t, Config{Kind: KindDial}, dialEdges(0, c.period, c.brk, 0, c.pulses)).Dial
		train := slices.Collect(d.Trains.All())[0]
		for _, got := range []Num{d.RatePPS.Overall, d.RatePPS.Mean, train.RatePPS} {
			if math.Abs(got.V-c.rate) > 0.0005 || !got.OK {
				t.Errorf("%v ms: rate %v, want %v", c.period, got, c.rate)
			}
			if math.Abs(got.V-c.wrong) < 0.1 {
				t.Errorf("%v ms: rate %v is the wrong one", c.period, got)
			}
		}
		for _, got := range []Num{d.BreakPercent.Overall, d.BreakPercent.Mean, train.BreakPercent} {
			if math.Abs(got.V-c.percent) > 0.005 || !got.OK {
				t.Errorf("%v ms: percent break %v, want %v", c.period, got, c.percent)
			}
		}
		if d.BreakMS.N != 10 || d.MakeMS.N != 9 || d.RatePPS.N != 9 || d.Digits != "0" {
			t.Errorf("%+v", d)
		}
	}
	one := measure(t, Config{Kind: KindDial}, dialEdges(0, 100, 60, 0, 1)).Dial
	if one.RatePPS.Overall.OK || one.BreakPercent.Overall.OK || one.RatePPS.N != 0 || one.BreakMS.N != 1 || !close9(one.BreakMS.Mean.V, 60) || one.Digits != "1" {
		t.Errorf("one pulse: %+v", one)
	}
}

func TestDialReading(t *testing.T) {
	join := slices.Concat[[]Edge]
	type want struct {
		Digits                              string
		Pulses, Short, Flashes, Disconnects int
		Trains, Interdigits, Lost, Unknown  int
		PartialStart, PartialEnd, Undecided bool
		Partials                            string // P and w(hole) for each train
		FirstGap                            float64
	}
	three := func(at float64) []Edge { return dialEdges(at, 100, 60, 0, 3) } // ends at at+260
	for _, c := range []struct {
		name  string
		cfg   Config
		edges []Edge
		want  want
	}{
		{"two digits", Config{}, dialEdges(0, 100, 60, 800, 3, 10), want{Digits: "30", Pulses: 13, Trains: 2, Interdigits: 1, Partials: "ww", FirstGap: 800}},
		{"n+1", Config{Coding: CodingNPlus1, CodingSet: true}, dialEdges(0, 100, 60, 800, 3, 10, 1), want{Digits: "290", Pulses: 14, Trains: 3, Interdigits: 2, Partials: "www", FirstGap: 800}},
		{"10-n", Config{Coding: Coding10MinusN, CodingSet: true}, dialEdges(0, 100, 60, 800, 3, 10, 9), want{Digits: "701", Pulses: 22, Trains: 3, Interdigits: 2, Partials: "www", FirstGap: 800}},
		{"eleven pulses are no digit", Config{}, dialEdges(0, 100, 60, 800, 11, 2), want{Digits: "?2", Pulses: 13, Trains: 2, Interdigits: 1, Partials: "ww", FirstGap: 800}},
		{"short break inside a train", Config{}, join(three(0), edgesAt(Low, 280, 287), dialEdges(300, 100, 60, 0, 2)),
			want{Digits: "5", Pulses: 5, Short: 1, Trains: 1, Partials: "w"}},
		{"flash parts trains and leaves no gap", Config{}, join(three(0), edgesAt(Low, 1000, 1500), three(2500)),
			want{Digits: "33", Pulses: 6, Flashes: 1, Trains: 2, Partials: "ww"}},
		{"disconnect", Config{}, join(three(0), edgesAt(Low, 1000, 3000), three(4000)),
			want{Digits: "33", Pulses: 6, Disconnects: 1, Trains: 2, Partials: "ww"}},
		{"first edge closes: the train has lost its start", Config{}, join(edgesAt(High, 0), three(40), three(1100)),
			want{Digits: "3", Pulses: 6, Trains: 2, Interdigits: 1, PartialStart: true, Partials: "Pw", FirstGap: 800}},
		{"first edge closes, then a pause", Config{}, join(edgesAt(High, 0), three(500)),
			want{Digits: "3", Pulses: 3, Trains: 1, PartialStart: true, Partials: "w"}},
		{"ends open inside a train", Config{}, join(three(0), edgesAt(Low, 300)),
			want{Pulses: 3, Trains: 1, PartialEnd: true, Partials: "P"}},
		{"ends open after a pause", Config{}, join(three(0), edgesAt(Low, 1300)),
			want{Digits: "3", Pulses: 3, Trains: 1, PartialEnd: true, Partials: "w"}},
		{"lost edges cut both trains", Config{}, join(three(0), []Edge{{At: 300 * msec, Level: Low}, {At: 360 * msec, Level: High, Lost: 2}}, three(400), three(1460)),
			want{Digits: "3", Pulses: 9, Trains: 3, Interdigits: 1, Lost: 2, Unknown: 1, Partials: "PPw", FirstGap: 800}},
		{"lost edges in a long pause", Config{}, join(three(0), []Edge{{At: 1000 * msec, Level: High}}, three(2000)),
			want{Digits: "3", Pulses: 5, Trains: 2, Lost: 1, Unknown: 1, Partials: "Pw"}}, // the third may have gone on
		{"live: starts and ends in a pause", Config{Live: true, StartLevel: High, Start: 0}, three(200), want{Digits: "3", Pulses: 3, Trains: 1, Partials: "w"}},
		{"live: starts inside a train", Config{Live: true, StartLevel: High, Start: 0}, three(40), want{Pulses: 3, Trains: 1, PartialStart: true, Partials: "P"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.cfg.Kind = KindDial
			m, err := NewMeter(c.cfg)
			if err != nil {
				t.Fatal(err)
			}
			m.Add(c.edges)
			r := m.Finish(c.edges[len(c.edges)-1].At + 1000*msec)
			d := r.Dial
			got := want{Digits: d.Digits, Pulses: d.Pulses, Short: d.ShortBreaks, Flashes: d.Flashes, Disconnects: d.Disconnects,
				Trains: d.Trains.Len(), Interdigits: d.InterdigitMS.N, Lost: r.Capture.LostEdges, Unknown: r.Capture.Unknown,
				PartialStart: r.Capture.PartialStart, PartialEnd: r.Capture.PartialEnd, Undecided: r.Capture.UndecidedEnd, FirstGap: d.InterdigitMS.P50.V}
			for x := range d.Trains.All() {
				if x.Partial {
					got.Partials += "P"
				} else {
					got.Partials += "w"
				}
			}
			if d := cmp.Diff(c.want, got); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
		})
	}
}

func TestLiveEndInsideTrain(t *testing.T) {
	for _, c := range []struct {
		after              float64
		partial, undecided bool
	}{{2, true, true}, {100, true, false}, {150, false, false}} {
		cfg := Config{Kind: KindDial, Live: true, StartLevel: High}
		m, _ := NewMeter(cfg)
		m.Add(dialEdges(500, 100, 60, 0, 3))
		r := m.Finish(Stamp((760 + c.after) * 1e6))
		if r.Capture.PartialEnd != c.partial || r.Capture.UndecidedEnd != c.undecided {
			t.Errorf("ends %v ms after the last closing: %+v", c.after, r.Capture)
		}
		if c.undecided && r.Dial.Pulses != 2 {
			t.Errorf("a closing that has not lasted ends no pulse: %d", r.Dial.Pulses)
		}
	}
}

func TestPulseRows(t *testing.T) {
	var got []string
	cfg := Config{Kind: KindDial, Observer: Observer{
		Pulse: func(p *PulseRow) {
			got = append(got, fmt.Sprintf("%d %v t%d p%d b%d T%d m%d g%d", p.At/msec, p.Class, p.Train, p.Pulse, p.BreakNS/1e6, p.PeriodNS/1e6, p.MakeNS/1e6, p.GapNS/1e6))
		},
		Train: func(x *Train) { got = append(got, fmt.Sprintf("train of %d", x.Pulses)) },
	}}
	measure(t, cfg, slices.Concat(dialEdges(0, 100, 60, 800, 2, 2), edgesAt(Low, 2000, 2400)))
	want := []string{
		"0 pulse t1 p1 b60 T100 m40 g0", "100 pulse t1 p2 b60 T0 m0 g0", "train of 2",
		"960 pulse t2 p1 b60 T100 m40 g800", "1060 pulse t2 p2 b60 T0 m0 g0", "train of 2",
		"2000 flash t0 p0 b400 T0 m0 g0",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

// An asymmetry of +2 ms means that makes are shown 2 ms longer than they are.
func TestAsymmetryMovesBreakAndMakeOppositely(t *testing.T) {
	s := DefaultSetup()
	s.AsymmetryNS = 2e6
	d := measure(t, Config{Kind: KindDial, Setup: &s}, dialEdges(0, 100, 60, 0, 10)).Dial
	if !close9(d.BreakMS.Mean.V, 62) || !close9(d.MakeMS.Mean.V, 38) || !close9(d.RatePPS.Mean.V, 10) {
		t.Errorf("break %v make %v rate %v", d.BreakMS.Mean.V, d.MakeMS.Mean.V, d.RatePPS.Mean.V)
	}
}
