package pulse

import (
	"cmp"
	"math"
	"slices"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"
)

// camEdges makes n interruptions of a cam, closed = high, from start on; move
// gives each opening's and closing's displacement in ms, nil for none; skip
// leaves an interruption out.
func camEdges(start, period, brk float64, n int, move func(i int) (open, cls float64), skip ...int) (e []Edge) {
	for i := range n {
		if slices.Contains(skip, i) {
			continue
		}
		o, c := 0.0, 0.0
		if move != nil {
			o, c = move(i)
		}
		t := start + float64(i)*period
		e = append(e, Edge{At: Stamp(math.Round((t + o) * 1e6)), Level: Low}, Edge{At: Stamp(math.Round((t + brk + c) * 1e6)), Level: High})
	}
	return e
}

// cadenceEdges plays make, break, make, break … cycles times, beginning at
// segment from (0-based), and ends with one more edge.
func cadenceEdges(ms []float64, from, segments int) (e []Edge) {
	t := 0.0
	for i := from; i <= from+segments; i++ {
		l := High
		if i%2 == 1 {
			l = Low
		}
		e = append(e, Edge{At: Stamp(math.Round(t * 1e6)), Level: l})
		t += ms[i%len(ms)]
	}
	return e
}

type camWant struct{ Cycles, Missing, Extra, Due, Slips int }

func TestInterrupterPhase(t *testing.T) {
	add := func(e []Edge, at, brk float64) []Edge { // an extra interruption
		e = append(e, edgesAt(Low, at, at+brk)...)
		slices.SortFunc(e, func(a, b Edge) int { return cmp.Compare(a.At, b.At) })
		return e
	}
	for _, c := range []struct {
		name  string
		cfg   Config
		edges []Edge
		rate  float64
		want  camWant
	}{
		{"regular 60 IPM", Config{}, camEdges(0, 1000, 500, 20, nil), 60, camWant{Cycles: 19, Due: 19}},
		{"one missing", Config{}, camEdges(0, 1000, 500, 20, nil, 7), 60, camWant{Cycles: 17, Missing: 1, Due: 19}},
		{"four missing together", Config{}, camEdges(0, 1000, 500, 40, nil, 30, 31, 32, 33), 60, camWant{Cycles: 34, Missing: 4, Due: 39}},
		{"one extra", Config{}, add(camEdges(0, 1000, 500, 20, nil), 9700, 60), 60, camWant{Cycles: 18, Extra: 1, Due: 19}},
		{"some missing, nominal given", Config{PeriodNS: 1e9}, camEdges(0, 1000, 500, 20, nil, 1, 3, 5, 7, 12, 13), 60, camWant{Cycles: 8, Missing: 6, Due: 19}},
		// Nine intervals of twice the nominal are another speed (or, as is said
		// beside it, interruptions missing); one more is too early for it.
		{"every second missing, nominal given", Config{PeriodNS: 1e9}, camEdges(0, 1000, 500, 20, nil, 1, 3, 5, 7, 9, 11, 13, 15, 17), 30, camWant{Cycles: 9, Extra: 1, Due: 9}},
		{"far off the nominal", Config{PeriodNS: 1e9}, camEdges(0, 500, 250, 20, nil), 120, camWant{Cycles: 19, Due: 19}},
		{"stopped for 10.4 cycles", Config{}, append(camEdges(0, 1000, 500, 50, nil), camEdges(59400, 1000, 500, 20, nil)...), 60, camWant{Cycles: 68, Missing: 9, Due: 78, Slips: 1}},
		{"speed creeps up by a tenth", Config{}, func() (e []Edge) {
			at := 0.0
			for i := range 400 {
				e = append(e, edgesAt(Low, at, at+300)...)
				at += 1000 - float64(i)*0.25
			}
			return
		}(), 0, camWant{Cycles: 399, Due: 399}},
		{"120 IPM worn: openings 15 % off on one lobe of four", Config{Lobes: 4}, camEdges(0, 500, 250, 41, func(i int) (float64, float64) {
			if i%4 == 2 {
				return 75, 75
			}
			return 0, 0
		}), 120, camWant{Cycles: 40, Due: 40}},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.cfg.Kind = KindInterrupter
			r := measure(t, c.cfg, c.edges).Interrupter
			got := camWant{r.Cycles, r.Missing, r.Extra, r.Due, r.Slips}
			if d := gocmp.Diff(c.want, got); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
			if c.rate > 0 && !close9(r.RateIPM.P50.V, c.rate) && c.cfg.Lobes == 0 {
				t.Errorf("rate %v, want %v", r.RateIPM.P50, c.rate)
			}
		})
	}
}

func TestLostEdgesKeepThePhase(t *testing.T) {
	e := camEdges(0, 1000, 500, 20, nil)
	e = slices.Delete(e, 21, 24) // closing of 10, opening and closing of 11
	e[21].Lost = 3
	r := measure(t, Config{Kind: KindInterrupter, Lobes: 3}, e)
	// Opening 10 is not sure to have lasted, 12 is not sure to be the first edge:
	// the four cycles that 10, 11 and 12 begin or end are unknown.
	if i := r.Interrupter; i.Cycles != 15 || i.Missing != 0 || i.Due != 19 || r.Capture.LostEdges != 3 {
		t.Errorf("%+v %+v", i, r.Capture)
	}
}

// Lobe errors put in are found again, about their median, with the
// numbering kept through missing interruptions. Invented values; the noise is
// a fixed sequence.
func TestLobes(t *testing.T) {
	late := []float64{0, 4, -2, 0.5, -2.5} // median 0
	longer := []float64{0, 0, 3, 0, -3}
	noise := func(i int) float64 { return 0.2 * math.Sin(float64(i)*1.7+float64(i*i)*0.3) }
	e := camEdges(100, 200, 100, 503, func(i int) (float64, float64) {
		return late[i%5] + noise(i), late[i%5] + longer[i%5] + noise(i+7)
	}, 77, 210, 211)
	// The motor also speeds up by 2 % over the recording.
	for i := range e {
		x := float64(e[i].At)
		e[i].At = Stamp(x - 1e-12*0.2*x*x)
	}
	r := measure(t, Config{Kind: KindInterrupter, Lobes: 5}, e).Interrupter
	if r.Missing != 3 || len(r.Lobes) != 5 || r.WholeTurns < 94 {
		t.Fatalf("%d missing, %d lobes, %d turns", r.Missing, len(r.Lobes), r.WholeTurns)
	}
	for i, l := range r.Lobes {
		se := l.OpeningErrorSE.V
		if se <= 0 || se > 0.05 {
			t.Errorf("lobe %d: standard error %v ms", i+1, se)
		}
		// 2 % off scale through the speeding up, and five standard errors.
		if tol := 0.02*math.Abs(late[i]) + 5*se; math.Abs(l.OpeningErrorMS.V-late[i]) > tol {
			t.Errorf("lobe %d: opening error %v ± %v ms, want %v", i+1, l.OpeningErrorMS.V, se, late[i])
		}
		if tol := 0.02*100 + 5*l.BreakSE.V; math.Abs(l.BreakErrorMS.V-longer[i]) > tol {
			t.Errorf("lobe %d: break error %v ± %v ms, want %v", i+1, l.BreakErrorMS.V, l.BreakSE.V, longer[i])
		}
		if math.Abs(l.OpeningErrorCyc.V-l.OpeningErrorMS.V/196) > 2e-4 {
			t.Errorf("lobe %d: %v of a cycle", i+1, l.OpeningErrorCyc.V)
		}
	}
}

// National cadences in ms, make/break …, as open telephony tone tables cite
// them from ITU-T E.180 Supplement 2 (secondary): every one is found again
// segment by segment from the data alone.
var nationalCadences = map[string][]float64{
	"US ringing": {2000, 4000}, "US busy": {500, 500}, "US congestion": {250, 250},
	"UK ringing": {400, 200, 400, 2000}, "UK busy": {375, 375}, "UK congestion": {400, 350, 225, 525},
	"NZ unobtainable": {75, 100, 75, 100, 75, 100, 75, 400},
	"Germany ringing": {1000, 4000}, "Germany busy": {480, 480}, "Germany congestion": {240, 240},
	"France ringing": {1500, 3500}, "Austria ringing": {1000, 5000}, "Austria busy": {400, 400},
	"Switzerland congestion": {200, 200}, "Sweden busy": {250, 250}, "Sweden congestion": {250, 750},
	"Finland busy": {300, 300}, "Spain ringing": {1500, 3000}, "Spain busy": {200, 200},
	"Spain congestion": {200, 200, 200, 200, 200, 600}, "Belgium ringing": {1000, 3000}, "Belgium congestion": {167, 167},
	"Portugal ringing": {1000, 5000}, "Czech busy": {330, 330}, "Czech congestion": {165, 165},
	"Hungary ringing": {1250, 3750}, "Japan ringing": {1000, 2000}, "China busy": {350, 350}, "China congestion": {700, 700},
	"China unobtainable": {100, 100, 100, 100, 100, 100, 400, 400},
	"India busy":         {750, 750}, "Russia congestion": {175, 175}, "Australia unobtainable": {2500, 500},
}

func TestNationalCadences(t *testing.T) {
	for name, want := range nationalCadences {
		k := len(want) / 2
		for from := range want {
			segments := 12 * len(want)
			r := measure(t, Config{}, cadenceEdges(want, from, segments))
			if r.Kind != "interrupter" || r.KindFrom != "data" {
				t.Errorf("%s from segment %d: read as %s", name, from+1, r.Kind)
				continue
			}
			i := r.Interrupter
			if i.Missing != 0 || i.Extra != 0 || i.Cycles < 10 {
				t.Errorf("%s from segment %d: %d cycles, %d missing, %d extra", name, from+1, i.Cycles, i.Missing, i.Extra)
			}
			var got []float64
			if k == 1 {
				got = []float64{i.MakeMS.Mean.V, i.BreakMS.Mean.V}
			}
			for _, s := range i.Segments {
				got = append(got, s.MS.Mean.V)
				if s.MS.SD.V > 1e-9 {
					t.Errorf("%s: segment %d varies", name, s.Segment)
				}
			}
			if d := gocmp.Diff(want, got, gocmp.Comparer(close9)); d != "" {
				t.Errorf("%s from segment %d (-want +got):\n%s", name, from+1, d)
			}
			cycle := 0.0
			for _, s := range want {
				cycle += s
			}
			if !close9(i.RateIPM.Overall.V, 60e3/cycle) || !close9(i.MakesPerMin.V, 60e3/cycle*float64(k)) {
				t.Errorf("%s: %v cycles and %v makes a minute", name, i.RateIPM.Overall.V, i.MakesPerMin.V)
			}
		}
	}
}

// A given cadence keeps its own numbering of the segments wherever the
// recording begins, also at 8 % off speed and with an interruption missing.
func TestGivenCadence(t *testing.T) {
	nominal := []float64{400, 200, 400, 2000}
	ns := []int64{400e6, 200e6, 400e6, 2000e6}
	slow := []float64{432, 216, 432, 2160}
	for from := range nominal {
		e := cadenceEdges(slow, from, 60)
		for i := 30; ; i++ { // an interruption is missing: its closing and opening
			if e[i].Level == Low {
				e = slices.Delete(e, i, i+2)
				break
			}
		}
		r := measure(t, Config{Kind: KindInterrupter, CadenceNS: ns}, e).Interrupter
		if r.Missing != 1 || r.Extra != 0 || r.Cycles < 11 {
			t.Errorf("from %d: %d cycles, %d missing, %d extra", from, r.Cycles, r.Missing, r.Extra)
		}
		for i, s := range r.Segments {
			if !close9(s.MS.P50.V, slow[i]) || !close9(float64(s.NominalMS), nominal[i]) || (s.State == "make") != (i%2 == 0) {
				t.Errorf("from %d: segment %+v", from, s)
			}
		}
	}
}

func TestCycleRows(t *testing.T) {
	var rows []CycleRow
	cfg := Config{Kind: KindInterrupter, Lobes: 2, Observer: Observer{Cycle: func(r *CycleRow) { rows = append(rows, *r) }}}
	measure(t, cfg, camEdges(0, 1000, 400, 8, nil, 4))
	want := []CycleRow{
		{At: 0, Cycle: 1, Lobe: 1, Numbering: 1, PeriodNS: 1e9, BreakNS: 4e8, MakeNS: 6e8, Whole: true},
		{At: 1e9, Cycle: 2, Lobe: 2, Numbering: 1, PeriodNS: 1e9, BreakNS: 4e8, MakeNS: 6e8, Whole: true},
		{At: 2e9, Cycle: 3, Lobe: 1, Numbering: 1, PeriodNS: 1e9, BreakNS: 4e8, MakeNS: 6e8, Whole: true},
		{At: 3e9, Cycle: 4, Lobe: 2, Numbering: 1, PeriodNS: 2e9, BreakNS: 4e8, Missing: 1},
		{At: 5e9, Cycle: 6, Lobe: 2, Numbering: 1, PeriodNS: 1e9, BreakNS: 4e8, MakeNS: 6e8, Whole: true},
		{At: 6e9, Cycle: 7, Lobe: 1, Numbering: 1, PeriodNS: 1e9, BreakNS: 4e8, MakeNS: 6e8, Whole: true},
		{At: 7e9, Cycle: 8, Lobe: 2, Numbering: 1, BreakNS: 4e8},
	}
	if d := gocmp.Diff(want, rows); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

// stepped runs a cam at several speeds in turn: n cycles of each period, half
// of it break.
func stepped(parts ...[2]float64) (e []Edge) {
	at := 0.0
	for _, p := range parts {
		for range int(p[0]) {
			e = append(e, edgesAt(Low, at, at+p[1]/2)...)
			at += p[1]
		}
	}
	return e
}

// A change of speed or a stop is followed: what comes after is measured, not
// thrown away as openings that were not due.
func TestSpeedSteps(t *testing.T) {
	for _, period := range []float64{300, 450, 600, 700, 740, 800, 1300, 1400, 2600} {
		r := measure(t, Config{Kind: KindInterrupter}, stepped([2]float64{40, 1000}, [2]float64{200, period})).Interrupter
		if r.Cycles < 220 || r.Extra > 3 || r.Slips > 1 || r.PeriodMS.P50.V != period {
			t.Errorf("to %v ms: %d cycles, %d missing, %d extra, %d slips, median %v", period, r.Cycles, r.Missing, r.Extra, r.Slips, r.PeriodMS.P50.V)
		}
	}
	for _, c := range []struct {
		segments []float64
		pause    float64
	}{
		{[]float64{400, 200, 400, 2000}, 1000}, {[]float64{400, 200, 400, 2000}, 300}, {[]float64{400, 350, 225, 525}, 500}, {[]float64{75, 100, 75, 100, 75, 100, 75, 400}, 250},
	} {
		e := cadenceEdges(c.segments, 1, 60*len(c.segments))
		for i := 11 * len(c.segments); i < len(e); i++ {
			e[i].At += Stamp(c.pause * 1e6)
		}
		r := measure(t, Config{Kind: KindInterrupter}, e).Interrupter
		if r.Cycles < 52 || r.Missing > 5 || r.Extra > 3 || len(r.Segments) != len(c.segments) {
			t.Errorf("%v stopped for %v ms: %d cycles, %d missing, %d extra, %d slips", c.segments, c.pause, r.Cycles, r.Missing, r.Extra, r.Slips)
		}
	}
}

// A break that is far too long hides the next interruption, which is missing;
// the cycle leaves the figures with its break.
func TestLongBreakHidesTheNext(t *testing.T) {
	e := camEdges(0, 1000, 500, 40, nil)
	e = slices.Delete(e, 41, 43) // the closing at 20.5 s and the opening at 21 s never come
	i := measure(t, Config{Kind: KindInterrupter}, e).Interrupter
	if i.Missing != 1 || i.Cycles != 37 || i.Due != 39 || i.BreakMS.N != 38 || i.BreakMS.Max.V != 500 || i.MakeMS.Max.V != 500 || i.PeriodMS.Max.V != 1000 {
		t.Errorf("%+v", i)
	}
}

// Of two openings near a due time the one that looks like it is taken.
func TestGlitchNearADueTime(t *testing.T) {
	for _, at := range []float64{29800, 29950, 30100 + 450, 30000 + 520, 30200 + 490} {
		e := append(camEdges(0, 1000, 500, 60, nil), edgesAt(Low, at, at+10)...)
		slices.SortFunc(e, func(a, b Edge) int { return cmp.Compare(a.At, b.At) })
		if at > 30000 && at < 30500 {
			continue
		}
		r := measure(t, Config{Kind: KindInterrupter}, e).Interrupter
		if r.Extra != 1 || r.Missing != 0 || r.PeriodMS.Min.V != 1000 || r.PeriodMS.Max.V != 1000 || r.BreakMS.Min.V != 500 {
			t.Errorf("glitch at %v: %d extra, %d missing, period %v to %v, break from %v", at, r.Extra, r.Missing, r.PeriodMS.Min, r.PeriodMS.Max, r.BreakMS.Min)
		}
	}
}

// Two missing interruptions do not make a plain interrupter a cadence.
func TestTwoMissingAreNoCadence(t *testing.T) {
	for a := 1; a < 40; a++ {
		for b := a + 1; b < min(a+10, 40); b++ {
			r := measure(t, Config{Kind: KindInterrupter}, camEdges(0, 1000, 500, 60, nil, a, b)).Interrupter
			if r.Missing != 2 || r.Extra != 0 || r.Due != 59 || len(r.Segments) != 0 {
				t.Fatalf("without %d and %d: %d missing, %d extra, %d due, %d segments", a, b, r.Missing, r.Extra, r.Due, len(r.Segments))
			}
		}
	}
}

// lobed runs a cam of five lobes, the third late by a share of the spacing: n
// openings of each period in turn, with a stop of so many ms before each part.
func lobed(share float64, parts ...[3]float64) (e []Edge) {
	at, i := 1000.0, 0
	for _, p := range parts {
		at += p[2]
		for range int(p[0]) {
			o := at
			if i%5 == 2 {
				o += share * p[1]
			}
			e = append(e, edgesAt(Low, o, o+p[1]/2)...)
			at += p[1]
			i++
		}
	}
	return e
}

// A motor that stood for twelve and a half cycles goes on in another phase:
// the fault of one lobe is not smeared over two. Invented figures: 8 ms of
// 1000.
func TestLobesOverASlip(t *testing.T) {
	for _, stop := range []float64{500, 1500, 12500, 100500, 300} {
		r := measure(t, Config{Kind: KindInterrupter, Lobes: 5}, lobed(0.008, [3]float64{100, 1000, 0}, [3]float64{100, 1000, stop})).Interrupter
		if r.Slips != 1 {
			t.Errorf("stopped for %v ms: %d slips", stop, r.Slips)
		}
		for _, l := range r.Lobes {
			want := 0.0
			if l.Lobe == 3 {
				want = 8
			}
			if math.Abs(l.OpeningErrorMS.V-want) > 1e-6 {
				t.Errorf("stopped for %v ms: lobe %d is %v ms late, want %v", stop, l.Lobe, l.OpeningErrorMS.V, want)
			}
		}
	}
}

// A motor that changes its speed for good is followed though its lobes are
// worn, whatever the factor: nothing is missing or extra, from the first
// interval on, and a whole factor is told as such.
func TestSpeedThroughLobes(t *testing.T) {
	for _, period := range []float64{1000. / 3, 500, 700, 900, 1200, 1300, 1750, 2000, 3000, 4000, 10000} {
		r := measure(t, Config{Kind: KindInterrupter, Lobes: 5}, lobed(0.018, [3]float64{200, 1000, 0}, [3]float64{200, period, 0})).Interrupter
		if r.Cycles != 399 || r.Missing != 0 || r.Extra != 0 || r.Slips != 0 || len(r.SpeedChanges) != 1 {
			t.Errorf("to %v ms: %d cycles, %d missing, %d extra, %d slips, %+v", period, r.Cycles, r.Missing, r.Extra, r.Slips, r.SpeedChanges)
			continue
		}
		c := r.SpeedChanges[0]
		ratio := max(period/1000, 1000/period)
		factor := 0
		if n := math.Round(ratio); n >= 2 && math.Abs(ratio-n) < 0.05*n {
			factor = int(n)
		}
		if c.Factor != factor || math.Abs(c.AtS-199) > 3 || math.Abs(float64(c.AfterMS)-period) > 0.02*period || (c.Either() == "") != (factor == 0) {
			t.Errorf("to %v ms: %+v, want factor %d at 199 s", period, c, factor)
		}
	}
}

// A cadence of breaks at even spacings that leaves one out slips by a place,
// though each interval fits.
func TestSlipAtEvenSpacings(t *testing.T) {
	cadence := []float64{400, 100, 900, 300, 700, 600}
	ns := []int64{400e6, 100e6, 900e6, 300e6, 700e6, 600e6}
	e := cadenceEdges(cadence, 1, 240)
	// The interruption of 300 ms and the make before it are left out once.
	for i := 121; ; i++ {
		if e[i].Level == Low && e[i+1].At-e[i].At == 300e6 {
			cut := e[i+2].At - e[i].At
			e = slices.Delete(e, i, i+2)
			for j := i; j < len(e); j++ {
				e[j].At -= cut
			}
			break
		}
	}
	limits := &Profile{ID: "own", Kind: KindInterrupter, CadenceNS: ns, Limits: []Limit{{Quantity: RateIPM, Min: bound(19), Max: bound(21)}}}
	r := measure(t, Config{Limits: limits}, e)
	if i := r.Interrupter; i.Slips != 1 || i.Extra != 0 || r.Conformity.Statement != Fail {
		t.Errorf("%d slips, %d missing, %d extra, %s because %q", i.Slips, i.Missing, i.Extra, r.Conformity.Statement, r.Conformity.Because)
	}
}

// Openings that alternate between two distances are those of a plain
// interrupter with two lobes, not twice too many.
func TestUnevenLobes(t *testing.T) {
	for _, by := range []float64{20, 100, 140} {
		r := measure(t, Config{Kind: KindInterrupter}, camEdges(0, 1000, 300, 80, func(i int) (float64, float64) {
			return by * float64(i%2), by * float64(i%2)
		})).Interrupter
		if r.Cycles != 79 || r.Missing != 0 || r.Extra != 0 {
			t.Errorf("%v ms: %d cycles, %d missing, %d extra", by, r.Cycles, r.Missing, r.Extra)
		}
	}
}

// Where the limits allow an interval, it is one cycle, also when it is a whole
// number of spacings long: else a longer one would be read as better.
func TestLimitsAllowAnInterval(t *testing.T) {
	limits := &Profile{ID: "own", Kind: KindInterrupter, Limits: []Limit{{Quantity: PeriodMS, Min: bound(600), Max: bound(2500)}}}
	for _, long := range []float64{650, 700, 1300, 1600, 1900, 2000, 2200, 2499} {
		e := append(camEdges(0, 1000, 300, 20, nil), camEdges(19000+long, 1000, 300, 20, nil)...)
		r := measure(t, Config{Limits: limits}, e)
		if i := r.Interrupter; i.Cycles != 39 || i.Missing+i.Extra+i.Slips != 0 || r.Conformity.Statement != Pass && r.Conformity.Statement != ConditionalPass {
			t.Errorf("%v ms: %d cycles, %d missing, %d extra, %d slips, %s", long, i.Cycles, i.Missing, i.Extra, i.Slips, r.Conformity.Statement)
		}
	}
	for _, long := range []float64{550, 2600, 3000, 3400} {
		e := append(camEdges(0, 1000, 300, 20, nil), camEdges(19000+long, 1000, 300, 20, nil)...)
		if r := measure(t, Config{Limits: limits}, e); r.Conformity.Statement != Fail {
			t.Errorf("%v ms: %s", long, r.Conformity.Statement)
		}
	}
}

// Two equal faults in a short recording do not make another cadence of it: it
// is the given one, and fails. Limits: busy tone of 300 to 400 ms and as much
// silence (Russia, order 133 of 2009, table 1); the faults are invented.
func TestTwoFaultsAreNoCadence(t *testing.T) {
	limits := &Profile{ID: "own", Kind: KindInterrupter, CadenceNS: []int64{350e6, 350e6}, Limits: []Limit{
		{Quantity: SegmentMS, Segment: 1, Min: bound(300), Max: bound(400)}, {Quantity: SegmentMS, Segment: 2, Min: bound(300), Max: bound(400)}}}
	for _, long := range []float64{60, 400, 1000, 1673, 1777, 5000} {
		at, e := 1000.0, []Edge(nil)
		for i := range 13 {
			b := 350.0
			if i == 1 || i == 4 {
				b += long
			}
			e = append(e, edgesAt(Low, at, at+b)...)
			at += b + 350
		}
		r := measure(t, Config{Limits: limits}, e)
		if r.Conformity.Statement != Fail || !r.Interrupter.CadenceFits {
			t.Errorf("%v ms longer: %s, the cadence fits %v", long, r.Conformity.Statement, r.Interrupter.CadenceFits)
		}
	}
}

// A recording that begins at the lesser part of two speeds has one change of
// speed, not two: what is learnt first is no speed that was seen.
func TestOneChangeOfSpeed(t *testing.T) {
	for n := 8; n <= 30; n += 2 {
		r := measure(t, Config{Kind: KindInterrupter}, stepped([2]float64{float64(n), 1000}, [2]float64{40, 1835})).Interrupter
		if len(r.SpeedChanges) != 1 || r.SpeedChanges[0].Factor != 0 || r.Missing+r.Extra+r.Slips != 0 || r.Cycles != n+39 {
			t.Errorf("%d cycles first: %d cycles, %d missing, %d extra, %+v", n, r.Cycles, r.Missing, r.Extra, r.SpeedChanges)
		}
	}
}
