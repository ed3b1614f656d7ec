package pulse

import (
	"math"
	"math/rand/v2"
	"testing"
)

// lobedWindows are n windows of a minute of five lobes, each of 12 breaks of 500 ms
// with a scatter of 0.3 ms, and of 12 openings; lobe 3 changes by change(i) in both.
// As in a Windows, errors are about the median of the window.
func lobedWindows(seed uint64, n int, change func(i int) float64) []Window {
	const lobes, each, sd = 5, 12, 0.3
	r := rand.New(rand.NewPCG(seed, 31))
	w := percentWindows(make([]float64, n))
	for i := range w {
		var mean [2][lobes]float64
		pooled, least, most := moments{}, math.Inf(1), 0.0
		w[i].Lobes = make([]LobeWindow, lobes)
		for j := range lobes {
			for of := range mean {
				var m moments
				low, high := math.Inf(1), 0.0
				for range each {
					v := 500 + sd*r.NormFloat64()
					if j == 2 {
						v += change(i)
					}
					m.Add(v)
					low, high = min(low, v), max(high, v)
				}
				x := WindowMean{N: each, Least: low, Most: high}
				x.Mean, _ = m.Mean()
				x.SD.V, x.SD.OK = m.SD()
				x.SE, _ = m.SE()
				mean[of][j] = x.Mean
				if of == 0 {
					x.Least, x.Most = 0, 0
					w[i].Lobes[j].Opening = x
					continue
				}
				w[i].Lobes[j].Break = x
				pooled.Merge(m)
				least, most = min(least, low), max(most, high)
			}
		}
		for of := range mean {
			mid := medianOf(mean[of][:])
			for j := range w[i].Lobes {
				if of == 0 {
					w[i].Lobes[j].Opening.shift(-mid)
				} else {
					w[i].Lobes[j].Break.shift(-mid)
					w[i].LobeBreakMS = Known(mid)
				}
			}
		}
		b := &w[i].BreakMS
		b.N, b.Least, b.Most = int64(pooled.N()), least, most
		b.Mean, _ = pooled.Mean()
		b.SD.V, b.SD.OK = pooled.SD()
	}
	return w
}

// A lobe that steps or wears shows as it is, and no other lobe moves for it: of the
// 95 % intervals 90 % hold what is true at least, and of the eight figures of the
// other lobes as few seem to change as by chance alone.
func TestLobesDoNotLeak(t *testing.T) {
	k := studySeeds(6, 1000)
	for _, tt := range []struct {
		name   string
		change func(i int) float64
		want   float64
		better string
	}{
		{"a step of 2 ms", func(i int) float64 { return 2 * math.Floor(float64(i)/120) }, 2, BetterStep},
		{"8 ms a day", func(i int) float64 { return 8.0 / 1440 * float64(i) }, 8.0 / 24, BetterSlope},
		{"2 ms a day", func(i int) float64 { return 2.0 / 1440 * float64(i) }, 2.0 / 24, BetterSlope},
		{"nothing", func(int) float64 { return 0 }, 0, BetterNone},
	} {
		told, in, wrong, zero, sum := 0, 0, 0, 0, 0.0
		for seed := range k {
			d := DriftOf(lobedWindows(uint64(seed), 240, tt.change), KindInterrupter, 0, &DriftOptions{})
			for _, l := range d.Lobes {
				for _, x := range []*Trend{l.Opening, l.Break} {
					switch {
					case l.Lobe != 3:
						if x.Better != BetterNone {
							wrong++
						}
						if x.Low.V <= 0 && x.High.V >= 0 {
							zero++
						}
					case x.Better == tt.better:
						told++
						at, low, high := x.SlopePerHour.V, x.Low.V, x.High.V
						if x.Better == BetterStep {
							at, low, high = x.Step.Size.V, x.Step.Low.V, x.Step.High.V
						}
						sum += at
						if low <= tt.want && tt.want <= high {
							in++
						}
					}
				}
			}
		}
		n := float64(2 * k)
		mean, covered := sum/float64(max(told, 1)), 100*float64(in)/float64(max(told, 1))
		t.Logf("%-14s told in %5.1f %%: mean %.4f of %.4f, covered in %5.1f %%; others: change told in %.2f %%, 0 covered in %.1f %%", tt.name,
			100*float64(told)/n, mean, tt.want, covered, 100*float64(wrong)/(8*float64(k)), 100*float64(zero)/(8*float64(k)))
		if told < 2*k*9/10 {
			t.Errorf("%s: told %d times of %d", tt.name, told, 2*k)
		}
		// A window's mean is off by 0.3 ms √(1.25/12) = 0.097 ms, a step of 240 by 0.0125
		// ms, and a slope over 4 hours by 0.0054 ms an hour.
		if off := map[bool]float64{true: 0.0125, false: 0.0054}[tt.better == BetterStep]; math.Abs(mean-tt.want) > 3.5*off/math.Sqrt(n) {
			t.Errorf("%s: %v in the mean, want %v", tt.name, mean, tt.want)
		}
		if room := 300 * math.Sqrt(0.05*0.95/n); covered < 92-room {
			t.Errorf("%s: covered in %.1f %%", tt.name, covered)
		}
		if float64(wrong) > 0.01*8*float64(k)+2 || float64(zero) < 0.92*8*float64(k) {
			t.Errorf("%s: of %d figures of other lobes %d seem to change, %d intervals hold 0", tt.name, 8*k, wrong, zero)
		}
	}
}

// Of five lobes one wears by 8 ms a day from 500 ms on; after a day it is at 508 ms.
// Its mean is at 512 ms after 12 hours more, and its first single values, which
// scatter by 0.3 ms, some 3.5 standard deviations or 1 ms earlier: 3 hours. That is
// also when the first of the contact's are, though the mean of all takes 6.5 days:
// (512 − 501.6) / 1.6. A limit on percent break of 51.2 % says the same at 60 IPM,
// and so does one of 488 ms on the make.
func TestForecastOfALobe(t *testing.T) {
	w := lobedWindows(1, 1440, func(i int) float64 { return 8.0 / 1440 * float64(i) })
	for _, tt := range []struct {
		name   string
		limits *Profile
		whole  func(*Drift) *Crossing
		limit  float64
	}{
		{"break", keeping(BreakMS, 0, 512), func(d *Drift) *Crossing { return d.BreakMS.SingleCrossesLimitInHours }, 512},
		{"percent", keeping(BreakPercent, 0, 51.2), func(d *Drift) *Crossing { return d.BreakPercent.SingleCrossesLimitInHours }, 51.2},
		{"ratio", keeping(BreakRatio, 0, 51.2/48.8), func(d *Drift) *Crossing { return d.BreakPercent.SingleCrossesLimitInHours }, 51.2},
		{"make", keeping(MakeMS, 488, 0), nil, 0},
	} {
		d := DriftOf(w, KindInterrupter, 0, &DriftOptions{Limits: tt.limits})
		l := d.Lobes[2]
		if l.CrossesLimitInHours == nil || l.SingleCrossesLimitInHours == nil || l.NoForecast != "" {
			t.Errorf("%s: no forecast of lobe 3: %+v", tt.name, l.Break)
			continue
		}
		almost(t, tt.name+", limit", l.CrossesLimitInHours.Limit, 512, 1e-6)
		almost(t, tt.name+", mean", l.CrossesLimitInHours.Estimate.V, 12, 0.3)
		almost(t, tt.name+", singles", l.SingleCrossesLimitInHours.Estimate.V, 9, 1)
		for _, i := range []int{0, 1, 3, 4} {
			if x := d.Lobes[i]; x.CrossesLimitInHours != nil || x.SingleCrossesLimitInHours != nil || x.NoForecast != "" {
				t.Errorf("%s: a forecast of lobe %d", tt.name, i+1)
			}
		}
		if tt.whole == nil {
			continue
		}
		if c := tt.whole(d); c == nil || c.Lobe != 3 || c.Estimate != l.SingleCrossesLimitInHours.Estimate || math.Abs(c.Limit-tt.limit) > 1e-9 {
			t.Errorf("%s: first single values of the contact: %+v", tt.name, c)
		}
	}
	d := DriftOf(w, KindInterrupter, 0, &DriftOptions{Limits: keeping(BreakMS, 0, 512)})
	almost(t, "mean of all", d.BreakMS.CrossesLimitInHours.Estimate.V, 24*6.5, 5)
	// 530 ms is 17.7 days away for the mean of all, which is too far, and 2.75 for lobe 3.
	d = DriftOf(w, KindInterrupter, 0, &DriftOptions{Limits: keeping(BreakMS, 0, 530)})
	if d.BreakMS.CrossesLimitInHours != nil || d.BreakMS.NoForecast != NoForecastFar || d.BreakMS.SingleCrossesLimitInHours == nil {
		t.Errorf("530 ms: %+v", d.BreakMS)
	}
	almost(t, "530 ms, lobe 3", d.Lobes[2].CrossesLimitInHours.Estimate.V, 66, 1.5)
	// At 507 ms its mean is out, and at 508.5 ms some of its single values.
	d = DriftOf(w, KindInterrupter, 0, &DriftOptions{Limits: keeping(BreakMS, 0, 507)})
	if c := d.Lobes[2].CrossesLimitInHours; c == nil || !c.Beyond {
		t.Errorf("a mean beyond its limit: %+v", c)
	}
	d = DriftOf(w, KindInterrupter, 0, &DriftOptions{Limits: keeping(BreakMS, 0, 508.5)})
	if c := d.BreakMS.SingleCrossesLimitInHours; c == nil || !c.Beyond || c.Lobe != 3 || !(c.Value.V > 508.5 && c.Value.V < 509.5) {
		t.Errorf("single values beyond the limit: %+v", c)
	}
	if c := d.Lobes[2].CrossesLimitInHours; c == nil || c.Beyond {
		t.Errorf("its mean is not: %+v", c)
	}
	// Windows that a log keeps have no extremes: the scatter tells it.
	for i := range w {
		for j := range w[i].Lobes {
			w[i].Lobes[j].Break.Least, w[i].Lobes[j].Break.Most = 0, 0
		}
	}
	d = DriftOf(w, KindInterrupter, 0, &DriftOptions{Limits: keeping(BreakMS, 0, 508)})
	if c := d.Lobes[2].SingleCrossesLimitInHours; c == nil || !c.Beyond || c.Value.OK {
		t.Errorf("single values beyond the limit by their scatter: %+v", c)
	}
}

// Where the lobes are not known, the extremes of the windows tell what the pooled
// scatter would not: it grows, and is no lobe's.
func TestPooledSingles(t *testing.T) {
	w := lobedWindows(2, 1440, func(i int) float64 { return 8.0 / 1440 * float64(i) })
	for i := range w {
		w[i].Lobes, w[i].LobeBreakMS = nil, Num{}
	}
	limits := &DriftOptions{Limits: keeping(BreakMS, 0, 512)}
	if c := DriftOf(w, KindInterrupter, 0, limits).BreakMS.SingleCrossesLimitInHours; c == nil || c.Lobe != 0 {
		t.Error("no forecast of single values")
	} else {
		almost(t, "singles", c.Estimate.V, 9, 1)
	}
	for i := range w {
		w[i].BreakMS.Least, w[i].BreakMS.Most = 0, 0
	}
	if x := DriftOf(w, KindInterrupter, 0, limits).BreakMS; x.SingleCrossesLimitInHours != nil || x.NoForecast != NoForecastSingles {
		t.Errorf("of a scatter that grows: %+v, %q", x.SingleCrossesLimitInHours, x.NoForecast)
	}
}

// A log keeps the lobes' errors without the break that they are about: then the
// level of the windows that have it stands for it.
func TestForecastOfALogsLobes(t *testing.T) {
	w := lobedWindows(3, 600, func(i int) float64 { return 8.0 / 1440 * float64(i) })
	for i := range w[:580] {
		w[i].LobeBreakMS, w[i].BreakMS = Num{}, WindowMean{}
	}
	d := DriftOf(w, KindInterrupter, 0, &DriftOptions{Limits: keeping(BreakMS, 0, 505)})
	c := d.Lobes[2].CrossesLimitInHours
	if c == nil {
		t.Fatalf("no forecast: %+v", d.Lobes[2].Break)
	}
	almost(t, "hours to 505 ms", c.Estimate.V, 5, 0.3) // 10 hours are 3.33 ms; 1.67 ms are left
}

// Awkward lobes: one that is never seen, two that move, two lobes only, windows with
// holes. The level stays that of those that keep their places.
func TestLobeLevel(t *testing.T) {
	pick := func(l *LobeWindow) *WindowMean { return &l.Break }
	w := lobedWindows(4, 100, func(i int) float64 { return float64(i) })
	r := rand.New(rand.NewPCG(4, 4))
	for i := range w {
		w[i].Lobes[0].Break.shift(float64(-i)) // another one that moves
		if r.IntN(3) == 0 {
			w[i].Lobes[1+r.IntN(4)].Break = WindowMean{}
		}
	}
	l := newLobeLevel(w, 5, pick)
	if l.keeps[0] || l.keeps[2] || !l.keeps[1] || !l.keeps[3] || !l.keeps[4] {
		t.Errorf("lobes that keep their places: %v", l.keeps)
	}
	out := levelled(w, newLobeLevel(w, 5, func(l *LobeWindow) *WindowMean { return &l.Opening }), l)
	for i := range out {
		for j, lobe := range out[i].Lobes {
			if lobe.Break.N == 0 {
				continue
			}
			almost(t, "break", lobe.Break.Mean+out[i].LobeBreakMS.V, w[i].Lobes[j].Break.Mean+w[i].LobeBreakMS.V, 1e-9)
			if j == 1 || j >= 3 {
				almost(t, "a lobe that keeps its place", lobe.Break.Mean, 0, 0.6)
			}
		}
	}
	for i := range w {
		for j := range w[i].Lobes {
			if j != 2 {
				w[i].Lobes[j] = LobeWindow{}
			}
		}
	}
	if l := newLobeLevel(w, 5, pick); l.base[2] != 0 {
		t.Errorf("the only lobe is its own level: %v", l.base)
	}
	if l := newLobeLevel(nil, 5, pick); l.mid != 0 {
		t.Errorf("no window: %+v", l)
	}
}
