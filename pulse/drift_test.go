package pulse

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// percentWindows are windows of a minute of 60 cycles, of the given percent breaks.
func percentWindows(y []float64) []Window {
	w := make([]Window, len(y))
	for i, v := range y {
		from := Stamp(i) * 60e9
		w[i] = Window{From: from, To: from + 60e9, At: from + 30e9, KnownNS: 60e9, Rate: WindowMean{N: 60, Mean: 60, SD: Known(0)},
			BreakPercent: WindowMean{N: 60, Mean: v, SE: 0.03, SD: Known(0.25)}}
	}
	return w
}

func keeping(q Quantity, low, high float64) *Profile {
	l := Limit{Quantity: q}
	if low > 0 {
		l.Min = &low
	}
	if high > 0 {
		l.Max = &high
	}
	return &Profile{Limits: []Limit{l}}
}

// noisy is a level with a change in white noise of 0.03.
func noisy(seed uint64, n int, change func(i int) float64) []float64 {
	r := rand.New(rand.NewPCG(seed, 9))
	y := make([]float64, n)
	for i := range y {
		y[i] = 60 + change(i) + 0.03*r.NormFloat64()
	}
	return y
}

// Percent break rises by 0.06 points an hour for ten hours: the slope, what explains
// it, and when it reaches 61 %, which is 6.67 hours after the end: (61 − 60.6) / 0.06.
// Single cycles, which scatter by 0.25 points, are beyond it within minutes: the
// chance of one at 60.6 % is Φ(−1.6) = 5.5 %, of 60 in the next minute.
func TestDriftOfASlope(t *testing.T) {
	y := noisy(1, 600, func(i int) float64 { return 0.06 * float64(i) / 60 })
	d := DriftOf(percentWindows(y), KindInterrupter, 0, &DriftOptions{Limits: keeping(BreakPercent, 0, 61)})
	x := d.BreakPercent
	almost(t, "slope", x.SlopePerHour.V, 0.06, 0.002)
	if x.Better != BetterSlope || !x.Drifts() || x.Low.V > 0.06 || x.High.V < 0.06 || x.High.V-x.Low.V > 0.006 || x.ProvesPerHour.OK {
		t.Errorf("slope %v to %v, explained by %q", x.Low, x.High, x.Better)
	}
	c := x.CrossesLimitInHours
	if c == nil || !c.Upper || c.Beyond || c.Limit != 61 {
		t.Fatalf("crossing %+v", c)
	}
	almost(t, "crossing", c.Estimate.V, 6.67, 0.4)
	if !(c.Low.V < c.Estimate.V && c.Estimate.V < c.High.V) || c.Low.V < 5.5 || c.High.V > 8.2 {
		t.Errorf("crossing %+v", c)
	}
	s := x.SingleCrossesLimitInHours
	if s == nil || s.Estimate.V > 0.02 || s.Estimate.V <= 0 || s.High.V > 0.2 {
		t.Errorf("single %+v", s)
	}
	if !x.Alarm || !x.AlarmSinceS.OK || x.Reference.Windows != 60 {
		t.Errorf("alarm %v since %v of a reference of %d windows", x.Alarm, x.AlarmSinceS, x.Reference.Windows)
	}
	// A limit too far away has no forecast, one below has none while it rises.
	d = DriftOf(percentWindows(y), KindInterrupter, 0, &DriftOptions{Limits: keeping(BreakPercent, 55, 67)})
	if d.BreakPercent.CrossesLimitInHours != nil {
		t.Errorf("a forecast of %v hours from 10 hours", d.BreakPercent.CrossesLimitInHours)
	}
	d = DriftOf(percentWindows(y), KindInterrupter, 0, &DriftOptions{Limits: keeping(BreakPercent, 0, 60.2)})
	if c := d.BreakPercent.CrossesLimitInHours; c == nil || !c.Beyond || c.Estimate != Known(0) {
		t.Errorf("a mean beyond its limit: %+v", c)
	}
	// The limits on break : make say the same: 61 % is 1.5641 : 1.
	d = DriftOf(percentWindows(y), KindInterrupter, 0, &DriftOptions{Limits: keeping(BreakRatio, 0, 61.0/39)})
	if c := d.BreakPercent.CrossesLimitInHours; c == nil {
		t.Error("no crossing of a limit on break : make")
	} else {
		almost(t, "limit", c.Limit, 61, 1e-9)
	}
}

// A step of 0.2 points after 400 of 600 windows.
func TestDriftOfAStep(t *testing.T) {
	y := noisy(2, 600, func(i int) float64 {
		if i < 400 {
			return 0
		}
		return 0.2
	})
	x := DriftOf(percentWindows(y), KindInterrupter, 10e9, &DriftOptions{Limits: keeping(BreakPercent, 0, 60.5)}).BreakPercent
	if x.Better != BetterStep || x.Step == nil || x.CrossesLimitInHours != nil {
		t.Fatalf("explained by %q, step %v, crossing %v", x.Better, x.Step, x.CrossesLimitInHours)
	}
	almost(t, "step at", float64(x.Step.AtS), 400*60-10, 61)
	almost(t, "size", x.Step.Size.V, 0.2, 0.01)
	if x.Step.Low.V > 0.2 || x.Step.High.V < 0.2 || x.Step.High.V-x.Step.Low.V > 0.03 {
		t.Errorf("size %+v", x.Step)
	}
	almost(t, "alarm since", x.AlarmSinceS.V, 400*60-10, 300)
}

// What a quiet record proves: ten hours of noise of 0.03 points prove less than
// 0.003 points an hour. By hand, the standard error of the slope of 600 values with
// white noise is 0.03 √12 / √600 / 10 h = 0.00042 an hour.
func TestDriftOfAQuietRecord(t *testing.T) {
	x := DriftOf(percentWindows(noisy(3, 600, func(int) float64 { return 0 })), KindInterrupter, 0, &DriftOptions{}).BreakPercent
	if x.Better != BetterNone || x.Alarm || x.Step != nil || x.Drifts() {
		t.Errorf("%+v", x)
	}
	if !(x.ProvesPerHour.V > 1.5*0.00042 && x.ProvesPerHour.V < 0.003) {
		t.Errorf("proves less than %v an hour", x.ProvesPerHour.V)
	}
}

// Work on the contact splits the series; a reference may lie before it.
func TestDriftAfterASplit(t *testing.T) {
	y := noisy(4, 300, func(i int) float64 {
		if i < 200 {
			return 0
		}
		return -3
	})
	d := DriftOf(percentWindows(y), KindInterrupter, 0, &DriftOptions{Splits: []Stamp{100 * 60e9, 200 * 60e9, 900 * 60e9}})
	if d.Windows != 100 || d.WindowsBefore != 200 || d.SplitS != Known(12000) || d.BreakPercent.Better != BetterNone || d.BreakPercent.Alarm {
		t.Errorf("%d windows after %v s, %d before; %+v", d.Windows, d.SplitS, d.WindowsBefore, d.BreakPercent)
	}
	almost(t, "target", d.BreakPercent.Reference.Target.V, 57, 0.02)
	almost(t, "reference from", d.BreakPercent.Reference.FromS.V, 12000, 0)
	d = DriftOf(percentWindows(y), KindInterrupter, 0, &DriftOptions{Splits: []Stamp{200 * 60e9}, ReferenceFrom: 0, ReferenceTo: 40 * 60e9})
	x := d.BreakPercent
	if !x.Alarm || x.Reference.Windows != 40 || x.AlarmSinceS.V != 12000 || !(x.EWMA.V < x.EWMALow.V) || x.CUSUMLow.V < 100 {
		t.Errorf("against a reference before the work: %+v", x)
	}
}

// Awkward series give what they can, and never a figure that is none.
func TestDriftOfAwkwardSeries(t *testing.T) {
	constant := make([]float64, 100)
	line := make([]float64, 100)
	for i := range constant {
		constant[i] = 60
		line[i] = 60 + float64(i)/64
	}
	gap := percentWindows(noisy(5, 200, func(int) float64 { return 0 }))
	for i := range gap[100:] {
		w := &gap[100+i]
		w.From, w.To, w.At = w.From+86400e9, w.To+86400e9, w.At+86400e9
	}
	once := percentWindows(constant)
	for i := range once {
		once[i].At, once[i].From, once[i].To = 0, 0, 0
	}
	uneven := percentWindows(noisy(6, 90, func(int) float64 { return 0 }))
	for i := range uneven {
		uneven[i].BreakPercent.N = int64(1 + i%90*1000)
	}
	none := make([]Window, 40)
	for _, tt := range []struct {
		name   string
		w      []Window
		better string
		slope  bool
	}{
		{"no window", nil, BetterNone, false},
		{"one window", percentWindows([]float64{60}), BetterNone, false},
		{"too few windows", percentWindows(constant[:29]), BetterNone, false},
		{"windows without a figure", none, BetterNone, false},
		{"enough windows", percentWindows(noisy(7, 30, func(int) float64 { return 0 })), BetterNone, true},
		{"constant", percentWindows(constant), BetterNone, true},
		{"a line without noise", percentWindows(line), BetterSlope, true},
		{"a gap of a day", gap, BetterNone, true},
		{"all at one time", once, BetterNone, false},
		{"uneven numbers", uneven, BetterNone, true},
	} {
		d := DriftOf(tt.w, KindInterrupter, 0, &DriftOptions{Limits: keeping(BreakPercent, 50, 70)})
		x := d.BreakPercent
		if x.Better != tt.better || x.SlopePerHour.OK != tt.slope || d.Windows != len(tt.w) {
			t.Errorf("%s: %+v", tt.name, x)
		}
		b, err := json.Marshal(d)
		if err != nil || strings.Contains(string(b), "NaN") || strings.Contains(string(b), "Inf") {
			t.Errorf("%s: %s, %v", tt.name, b, err)
		}
	}
}

// A lobe that grows shows in that lobe alone, and of two errors the surer one leads.
func TestDriftOfALobe(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 1))
	w := percentWindows(noisy(8, 300, func(int) float64 { return 0 }))
	for i := range w {
		w[i].Lobes = make([]LobeWindow, 5)
		for j := range w[i].Lobes {
			l := &w[i].Lobes[j]
			l.Opening = WindowMean{N: 12, Mean: 0.05 * r.NormFloat64()}
			l.Break = WindowMean{N: 12, Mean: 0.05 * r.NormFloat64()}
			if j == 2 {
				l.Break.Mean += 8.0 / 24 * float64(i) / 60 // 8 ms a day
			}
		}
		w[i].Lobes[1].Opening = WindowMean{} // never seen
	}
	d := DriftOf(w, KindInterrupter, 0, &DriftOptions{})
	for i, l := range d.Lobes {
		switch {
		case l.Lobe != i+1:
			t.Errorf("lobe %d is number %d", i+1, l.Lobe)
		case i == 2:
			almost(t, "slope of lobe 3, ms a day", 24*l.SlopePerHour.V, 8, 0.3)
			if l.Of != "break" || l.Trend.Better != BetterSlope || l.Opening.Better != BetterNone {
				t.Errorf("lobe 3: of %s, %+v", l.Of, l.Trend)
			}
		case l.Break.Better == BetterSlope && l.Opening.Better == BetterSlope || i == 1 && (l.Opening.N != 0 || l.Break.N != 300):
			t.Errorf("lobe %d: %+v", i+1, l)
		}
	}
}

// Thousands of windows take no longer than hundreds.
func BenchmarkDriftOf(b *testing.B) {
	for _, n := range []int{60, 240, 4000} {
		w := percentWindows(noisy(1, n, func(int) float64 { return 0 }))
		b.Run(map[int]string{60: "60", 240: "240", 4000: "4000"}[n], func(b *testing.B) {
			for b.Loop() {
				DriftOf(w, KindInterrupter, 0, &DriftOptions{})
			}
		})
	}
}

// A drift that is there from the start is no spread of the reference: a step of ten
// standard deviations is still out. The same in noise that wanders leaves σ as it
// was. All is invented.
func TestReferenceThatDrifts(t *testing.T) {
	const sd = 0.0055
	r := rand.New(rand.NewPCG(7, 8))
	at := func(i int) float64 { return 50 + 0.1*float64(i)/60 + sd*r.NormFloat64() }
	y := make([]float64, 400)
	for i := range y {
		y[i] = at(i)
	}
	d := DriftOf(percentWindows(y), KindInterrupter, 0, &DriftOptions{})
	ref := &d.BreakPercent.Reference
	if !ref.Drifts || ref.Sigma.V < 0.7*sd || ref.Sigma.V > 1.6*sd {
		t.Errorf("%+v, want σ %v", ref, sd)
	}
	if !d.BreakPercent.Alarm || d.BreakPercent.AlarmSinceS.V > 3600 {
		t.Errorf("alarm %v since %+v: the drift itself is out within the hour", d.BreakPercent.Alarm, d.BreakPercent.AlarmSinceS)
	}
	walk, sum, drifting := make([]float64, 60), 0.0, 0
	for range 200 {
		sum = 0
		for i := range walk {
			sum += r.NormFloat64()
			walk[i] = 50 + sum
		}
		if DriftOf(percentWindows(walk), KindInterrupter, 0, &DriftOptions{}).BreakPercent.Reference.Drifts {
			drifting++
		}
	}
	if drifting > 2 {
		t.Errorf("%d of 200 walks are taken for a line", drifting)
	}
}

// A speed that warms up is no line: it is drifting, and nothing is forecast. A line
// of the same size is, in 39 of 40 cases and more. Noise is white; all is invented.
func TestBentSeriesHasNoForecast(t *testing.T) {
	for name, tt := range map[string]struct {
		at   func(i int) float64
		bent bool
	}{
		"warming up": {func(i int) float64 { return 60 - 0.072*math.Exp(-float64(i)/120) }, true},
		"a line":     {func(i int) float64 { return 59.9 + 0.07*float64(i)/360 }, false},
	} {
		bent, told := 0, 0
		for seed := range uint64(40) {
			r := rand.New(rand.NewPCG(seed, 3))
			w := percentWindows(make([]float64, 360))
			for i := range w {
				w[i].Rate.Mean = tt.at(i) + 0.003*r.NormFloat64()
			}
			d := DriftOf(w, KindInterrupter, 0, &DriftOptions{Limits: keeping(RateIPM, 0, 60.1)})
			if d.Rate.Bent {
				bent++
			}
			if d.Rate.CrossesLimitInHours != nil {
				told++
			}
		}
		if tt.bent && (bent < 39 || told > 1) || !tt.bent && (bent > 1 || told < 39) {
			t.Errorf("%s: %d of 40 are bent, %d have a forecast", name, bent, told)
		}
	}
}
