package pulse

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// DriftOptions say how drift is looked for. The zero value has the defaults.
type DriftOptions struct {
	WindowNS int64 // length of a window, 0 for DefaultWindowNS
	// Splits are the times at which the contact was worked on: the series before
	// and after are not one, and what is told is of the one after the last.
	Splits []Stamp
	// ReferenceFrom and ReferenceTo bound the stretch that target and σ come from.
	// Without an end it is the first windows from ReferenceFrom on; both 0 stand for
	// the first windows after the last split.
	ReferenceFrom, ReferenceTo Stamp
	// FromFirstEdge: these times count from the first edge.
	FromFirstEdge bool
	// InControlWindows is how many windows the EWMA chart lasts on average while
	// nothing changes; 0 for DefaultInControlWindows.
	InControlWindows int
	// Earlier are windows of the time before the edges, such as a log keeps of
	// edges that were removed, in order of time.
	Earlier []Window
	// Limits are those that a forecast is for; nil for none, or for those of the
	// Config.
	Limits *Profile
}

// DefaultWindowNS is long enough for the mean of a window of an interrupter to be
// far better known than one cycle, and short beside any wear.
const DefaultWindowNS int64 = 60e9

const (
	// referenceWindows are an hour of the default length: the standard deviation of
	// a window is then known within 10 %.
	referenceWindows = 60
	// leastReference is the fewest windows with a target and a σ.
	leastReference = 10
	// mostAhead is how many times as far ahead as the time observed a forecast
	// reaches: beyond, it would be of another contact.
	mostAhead = 10
	// forecastSure is how sure a slope must be for a forecast, for a wrong one is
	// worse than none: of hours of white noise that hides a walking speed, one in five
	// would have one with 95 %, and one in fifty has with this; of white, flicker or
	// walking noise alone none of a thousand (TestDriftFalseAlarms).
	forecastSure = 0.999
	// clearLead is by how much the information criterion of one model must be below
	// that of another to be clearly better: "positive evidence" (R. E. Kass, A. E.
	// Raftery, JASA 90, 1995).
	clearLead = 2
	// stepPenalty is what a step costs in the criterion, in logarithms of the number
	// of points: 2 for its size and its time, and 1 because any time was tried (N.
	// R. Zhang, D. O. Siegmund, Biometrics 63, 2007). In noise without a step, some
	// 2 in 100 series then show one.
	stepPenalty = 3
	// stepMargin is how many points a step has on either side at least: fewer are
	// an outlier.
	stepMargin = 3
	hourNS     = 3600e9
)

// A Drift is how the figures of a contact change over time.
type Drift struct {
	// WindowS is how long the windows are in the median, AskedWindowS how long they
	// were to be: those with too few periods are merged, and so are too many.
	WindowS      Rounded `json:"window_s"`
	AskedWindowS Rounded `json:"window_asked_s"`
	Windows      int     `json:"windows"` // after the last split
	// WindowsNeeded is how many are needed for a trend.
	WindowsNeeded int     `json:"windows_needed"`
	FromS         Rounded `json:"from_s"` // of the first of them, from the first edge
	ToS           Rounded `json:"to_s"`   // of the last
	// EarlierWindows are how many of them come from Earlier, EarlierToS is until when.
	EarlierWindows int `json:"windows_from_summaries"`
	EarlierToS     Num `json:"summaries_to_s"`
	WindowsBefore  int `json:"windows_before_split"` // not used
	SplitS         Num `json:"split_s"`              // the last split before the end
	// InControl is how many windows the charts last on average while nothing changes.
	InControl    ChartRun    `json:"in_control_windows"`
	Rate         *Trend      `json:"rate"` // pps of a dial, IPM of an interrupter
	BreakPercent *Trend      `json:"break_percent"`
	BreakMS      *Trend      `json:"break_ms"`
	Lobes        []LobeTrend `json:"lobes"`
	// ClockRel is the relative standard uncertainty of the time base, unknown where
	// that is not said: a rate that seems to change by less may be the clock's.
	ClockRel Num `json:"clock_rel"`

	// Series is what it is made from; the lobes' errors are about the level of the
	// lobes that keep their places, and LobeBreakMS is that level of the breaks.
	Series []Window `json:"-"`
}

// A ChartRun is how many windows the charts of a shift last in control on average.
type ChartRun struct {
	EWMA  Rounded `json:"ewma"`
	CUSUM Rounded `json:"cusum"`
}

// A Trend is how one quantity changes, in its own unit. What too few windows
// cannot tell is unknown.
type Trend struct {
	N            int `json:"n"`              // windows in it
	SlopePerHour Num `json:"slope_per_hour"` // Theil–Sen
	Low          Num `json:"low"`            // 95 % interval of the slope
	High         Num `json:"high"`
	// ProvesPerHour is what a series without a drift proves: 95 % sure, the slope
	// is no steeper than this, up or down. It is unknown where a drift is shown.
	ProvesPerHour Num `json:"less_than_per_hour"`
	LevelAtEnd    Num `json:"level_at_end"` // of the line, or of the mean where there is none

	EWMA      Num  `json:"ewma"`
	EWMALow   Num  `json:"ewma_limit_low"`
	EWMAHigh  Num  `json:"ewma_limit_high"`
	CUSUMHigh Num  `json:"cusum_high"` // in σ of a window mean
	CUSUMLow  Num  `json:"cusum_low"`
	CUSUMH    Num  `json:"cusum_limit"`
	Alarm     bool `json:"alarm"` // at the last window
	// AlarmSinceS is since when without a break.
	AlarmSinceS     Num       `json:"alarm_since_s"`
	Reference       Reference `json:"reference"`
	Autocorrelation Num       `json:"autocorrelation"` // lag 1, in the reference

	// Bent says that the slopes of the first half and of the second differ: a warming
	// up, or a part of a daily swing, which no line leads on.
	Bent bool  `json:"bent"`
	Step *Step `json:"step"`
	// StepBefore is the level before the step.
	StepBefore Num    `json:"-"`
	Better     string `json:"better"` // "none", "slope", "step" or "unclear"

	// TooUnsure tells that a slope leads to a limit, and is too uncertain to say when.
	TooUnsure bool `json:"too_unsure_for_forecast"`
	// NoForecast is why there is none though the contact changes and has a limit; ""
	// where there is one, or nothing to forecast.
	NoForecast          string    `json:"no_forecast"`
	CrossesLimitInHours *Crossing `json:"crosses_limit_in_hours"` // of the mean
	// SingleCrossesLimitInHours is when the first single value is beyond the limit.
	SingleCrossesLimitInHours *Crossing `json:"single_crosses_limit_in_hours"`
}

// A Reference is the stretch that target and σ come from.
type Reference struct {
	FromS   Num `json:"from_s"`
	ToS     Num `json:"to_s"`
	Windows int `json:"windows"`
	Target  Num `json:"target"`
	Sigma   Num `json:"sigma"` // of the mean of a window that holds as many values as most
	// Drifts says that the reference drifts itself: Sigma is what is left about a line.
	Drifts bool `json:"drifts"`
}

// What explains a series better.
const (
	BetterNone    = "none"    // neither a slope nor a step is shown
	BetterSlope   = "slope"   // a steady change
	BetterStep    = "step"    // a sudden one
	BetterUnclear = "unclear" // a change, and neither explains it clearly better
)

// Why there is no forecast.
const (
	NoForecastFar     = "far"     // the limit is more than ten times the time observed away
	NoForecastUnsure  = "unsure"  // the slope is too uncertain
	NoForecastStep    = "step"    // a step explains the change: nothing goes on
	NoForecastUnclear = "unclear" // neither a slope nor a step explains it clearly
	// NoForecastSingles: single values are not of one kind, as those of several lobes
	// are not, and their extremes do not tell when they reach the limit.
	NoForecastSingles = "singles"
	NoForecastBent    = "bent" // the slope itself changes: a line does not lead on
)

// A Step is a sudden change of a mean.
type Step struct {
	AtS  Rounded `json:"at_s"` // from the first edge
	Size Num     `json:"size"`
	Low  Num     `json:"low"` // 95 % interval of the size
	High Num     `json:"high"`
}

// A Crossing is when a trend reaches a limit, in hours from the end of the data.
type Crossing struct {
	Limit    float64 `json:"limit"`
	Upper    bool    `json:"upper"`  // it must not be above, else not below
	Beyond   bool    `json:"beyond"` // it is beyond it now; then the times are 0
	Estimate Num     `json:"estimate"`
	Low      Num     `json:"low"`
	High     Num     `json:"high"` // unknown where it may never come
	// Value is the worst of the latest single values where these are beyond it.
	Value Num `json:"value"`
	Lobe  int `json:"lobe,omitempty"` // whose single values come first, where lobes are known
}

// A LobeTrend is the trend of one lobe's errors, in ms. The embedded one is of Of:
// the error that shows its change more surely. Forecasts, also those of the embedded
// one, are of the lobe's own break, its error and the level of the lobes together,
// for the limits on the break, and for those on percent break and make as the breaks
// that they come to at the mean period.
type LobeTrend struct {
	Lobe int    `json:"lobe"`
	Of   string `json:"of"` // "opening" or "break"
	Trend
	Opening *Trend `json:"opening"` // of the opening error
	Break   *Trend `json:"break"`   // of the break's error
	// Whole is the trend of the break itself, error and level together, where there are
	// limits on it; else nil.
	Whole *Trend `json:"-"`
}

// driftReader follows a contact for its drift.
type driftReader struct {
	opt     DriftOptions
	windows *Windows
	all     []Window
	each    int // windows that are merged into one of all
	got     int // of the last one
}

// mostWindows are a week of minutes, in some 3 MB without lobes. A longer series has
// longer windows.
const mostWindows = 10080

func newDriftReader(c *Config) *driftReader {
	d := &driftReader{opt: *c.Drift, each: 1}
	d.windows = NewWindows(c.kind(), c.Drift.WindowNS, c.Lobes, d.take)
	if d.opt.Limits == nil {
		d.opt.Limits = c.Limits
	}
	d.windows.SplitAt(d.opt.Splits...)
	return d
}

// kind is that which is asked for, or that of the limits.
func (c *Config) kind() Kind {
	if c.Kind == KindAuto && c.Limits != nil {
		return c.Limits.Kind
	}
	return c.Kind
}

// take takes the next window. Where there are too many, each two become one.
func (d *driftReader) take(w *Window) {
	if n := len(d.all); n > 0 && d.got < d.each && !d.splitBetween(&d.all[n-1], w) {
		d.all[n-1].Merge(w)
		d.got++
		return
	}
	if len(d.all) >= mostWindows {
		kept := d.all[:0]
		for i := 0; i < len(d.all); i++ {
			w := d.all[i]
			if i+1 < len(d.all) && !d.splitBetween(&w, &d.all[i+1]) {
				w.Merge(&d.all[i+1])
				i++
			}
			kept = append(kept, w)
		}
		clear(d.all[len(kept):])
		d.all, d.each = kept, 2*d.each
	}
	d.all, d.got = append(d.all, *w), 1
}

func (d *driftReader) splitBetween(a, b *Window) bool {
	return slices.ContainsFunc(d.opt.Splits, func(s Stamp) bool { return a.To <= s && s <= b.From })
}

func (d *driftReader) observer() Observer { return d.windows.Observer() }

func (d *driftReader) finish(m *Meter, r *Measurement) {
	d.windows.Finish(m.last)
	opt := d.opt
	if opt.FromFirstEdge {
		if opt.ReferenceTo > 0 {
			opt.ReferenceTo += m.first
		}
		if opt.ReferenceFrom != 0 || opt.ReferenceTo != 0 {
			opt.ReferenceFrom += m.first
		}
	}
	r.Drift = DriftOf(slices.Concat(opt.Earlier, d.all), m.kind, m.first, &opt)
	if m.setup.ClockRel > 0 {
		r.Drift.ClockRel = Known(m.setup.ClockRel)
	}
}

// DriftOf tells how a contact changes over windows in order of time. Times in it
// count from origin. Those after the last split are used, all but for a reference
// before it.
//
// Cost: some 1.5 ms a quantity for 40 windows and more; thousands are first merged
// with their neighbours, to 240 for the slope and to 40 for its error.
func DriftOf(windows []Window, kind Kind, origin Stamp, opt *DriftOptions) *Drift {
	length := cmp.Or(opt.WindowNS, DefaultWindowNS)
	asked := Rounded(float64(length) / 1e9)
	d := &Drift{WindowS: asked, AskedWindowS: asked, WindowsNeeded: leastTrendPoints, Lobes: []LobeTrend{},
		InControl: ChartRun{EWMA: Rounded(cmp.Or(opt.InControlWindows, DefaultInControlWindows)), CUSUM: cusumInControl}}
	seconds := func(t Stamp) float64 { return float64(t-origin) / 1e9 }
	own := windows
	if len(windows) > 0 {
		last := windows[len(windows)-1].To
		for _, s := range opt.Splits {
			if s >= last {
				continue
			}
			for len(own) > 0 && own[0].At < s {
				own = own[1:]
			}
			if !d.SplitS.OK || seconds(s) > d.SplitS.V {
				d.SplitS = Known(seconds(s))
			}
		}
	}
	d.Windows, d.WindowsBefore, d.Series = len(own), len(windows)-len(own), own
	reference := own
	if opt.ReferenceFrom != 0 || opt.ReferenceTo != 0 {
		reference = nil
		for i := range windows {
			if w := &windows[i]; w.At >= opt.ReferenceFrom && (opt.ReferenceTo == 0 || w.At < opt.ReferenceTo) {
				reference = append(reference, *w)
			}
		}
	}
	if n := len(own); n > 0 {
		lengths := make([]float64, n)
		for i := range own {
			lengths[i] = float64(own[i].To-own[i].From) / 1e9
		}
		d.WindowS = Rounded(median(lengths))
		d.FromS, d.ToS = Rounded(seconds(own[0].From)), Rounded(seconds(own[n-1].To))
		if k := min(len(opt.Earlier)-d.WindowsBefore, n); k > 0 {
			d.EarlierWindows, d.EarlierToS = k, Known(seconds(own[k-1].To))
		}
	}
	s := trendSeries{own: own, reference: reference, given: opt.ReferenceTo != 0, seconds: seconds, width: widthFor(opt.InControlWindows)}
	rate := RatePPS
	if kind == KindInterrupter {
		rate = RateIPM
	}
	s.tests = 1
	d.Rate = s.trend(func(w *Window) *WindowMean { return &w.Rate }, opt.Limits.means(rate))
	d.BreakPercent = s.trend(func(w *Window) *WindowMean { return &w.BreakPercent }, opt.Limits.means(BreakPercent))
	d.BreakMS = s.trend(func(w *Window) *WindowMean { return &w.BreakMS }, opt.Limits.means(BreakMS))
	lobes := 0
	for i := range own {
		lobes = max(lobes, len(own[i].Lobes))
	}
	if lobes == 0 {
		return d
	}
	opening := newLobeLevel(own, lobes, func(l *LobeWindow) *WindowMean { return &l.Opening })
	brk := newLobeLevel(own, lobes, func(l *LobeWindow) *WindowMean { return &l.Break })
	s.own = levelled(own, opening, brk)
	s.reference = levelled(reference, opening, brk)
	s.tests = float64(2 * lobes)
	d.Series = s.own
	for i := range lobes {
		of := func(pick func(*LobeWindow) *WindowMean) *Trend {
			return s.trend(func(w *Window) *WindowMean {
				if i >= len(w.Lobes) {
					return &WindowMean{}
				}
				return pick(&w.Lobes[i])
			}, nil)
		}
		l := LobeTrend{Lobe: i + 1, Opening: of(opening.pick), Break: of(brk.pick)}
		d.Lobes = append(d.Lobes, l)
	}
	s.lobeForecasts(d, kind, opt.Limits)
	for i := range d.Lobes {
		l := &d.Lobes[i]
		l.Of, l.Trend = "opening", *l.Opening
		if l.Break.sureness() > l.Opening.sureness() {
			l.Of, l.Trend = "break", *l.Break
		}
		l.Trend.takeForecast(l.Break)
	}
	return d
}

// cusumInControl is how many windows both sides of the CUSUM last in control on
// average, by cusumARL.
const cusumInControl = 465

// Drifts tells whether the interval of the slope leaves 0 out.
func (t *Trend) Drifts() bool { return t.Low.OK && (t.Low.V > 0 || t.High.V < 0) }

// sureness is how many times its own uncertainty a change is.
func (t *Trend) sureness() float64 {
	most := 0.0
	if t.SlopePerHour.OK && t.High.V > t.Low.V {
		most = math.Abs(t.SlopePerHour.V) / (t.High.V - t.Low.V)
	}
	if s := t.Step; s != nil && s.High.V > s.Low.V {
		most = max(most, math.Abs(s.Size.V)/(s.High.V-s.Low.V))
	}
	return most
}

// bounds are what a mean must keep to; nil where there is none.
type bounds struct{ min, max *float64 }

// means are the tightest bounds on the mean of a quantity that the limits imply,
// in its unit. They may be nil.
func (p *Profile) means(q Quantity) *bounds {
	if p == nil {
		return nil
	}
	b := new(bounds)
	keep := func(min, max *float64) {
		if min != nil && (b.min == nil || *min > *b.min) {
			b.min = min
		}
		if max != nil && (b.max == nil || *max < *b.max) {
			b.max = max
		}
	}
	convert := func(v *float64, f func(float64) float64) *float64 {
		if v == nil {
			return nil
		}
		if x := f(*v); finite(x) {
			return &x
		}
		return nil
	}
	for _, l := range p.Limits {
		switch {
		case l.Quantity == q:
			keep(l.Min, l.Max)
		case q == BreakPercent && l.Quantity == BreakRatio:
			f := func(r float64) float64 { return 100 * r / (1 + r) }
			keep(convert(l.Min, f), convert(l.Max, f))
		case (q == RatePPS || q == RateIPM) && l.Quantity == PeriodMS:
			per := 1000.0
			if q == RateIPM {
				per = 60000
			}
			f := func(ms float64) float64 { return per / ms }
			keep(convert(l.Max, f), convert(l.Min, f))
		}
	}
	if b.min == nil && b.max == nil {
		return nil
	}
	return b
}

// breakBounds are bounds on a break in ms that limits on another quantity come to,
// at a mean period.
func (p *Profile) breakBounds(q Quantity, periodMS float64) *bounds {
	if q == BreakMS {
		return p.means(BreakMS)
	}
	b := p.means(q)
	if b == nil || !(periodMS > 0) {
		return nil
	}
	out := new(bounds)
	set := func(to **float64, v *float64, f func(float64) float64) {
		if v != nil {
			x := f(*v)
			*to = &x
		}
	}
	if q == MakeMS {
		f := func(v float64) float64 { return periodMS - v }
		set(&out.min, b.max, f)
		set(&out.max, b.min, f)
		return out
	}
	f := func(v float64) float64 { return v / 100 * periodMS }
	set(&out.min, b.min, f)
	set(&out.max, b.max, f)
	return out
}

// lobeForecasts says when each lobe's own break reaches a limit, and so when the
// first single values of the contact do: pooled, those of several lobes are no one
// distribution.
func (s *trendSeries) lobeForecasts(d *Drift, kind Kind, limits *Profile) {
	if limits == nil {
		return
	}
	periodMS := 0.0
	if v := d.Rate.LevelAtEnd.V; v > 0 {
		periodMS = 60000 / v
		if kind != KindInterrupter {
			periodMS = 1000 / v
		}
	}
	direct := []*bounds{limits.breakBounds(BreakMS, periodMS), limits.breakBounds(BreakPercent, periodMS), limits.breakBounds(MakeMS, periodMS)}
	if direct[0] == nil && direct[1] == nil && direct[2] == nil {
		return
	}
	var first [3]*Crossing
	told := false
	for i := range d.Lobes {
		l := &d.Lobes[i]
		of, ok := s.lobeBreaks(i)
		if !ok {
			continue
		}
		whole, f := s.fit(of)
		if f == nil {
			continue
		}
		told = true
		l.Whole = whole
		for k, b := range direct {
			if b == nil {
				continue
			}
			t := *whole
			f.tell(&t, b)
			l.Break.CrossesLimitInHours = sooner(l.Break.CrossesLimitInHours, t.CrossesLimitInHours)
			l.Break.SingleCrossesLimitInHours = sooner(l.Break.SingleCrossesLimitInHours, t.SingleCrossesLimitInHours)
			l.Break.TooUnsure = l.Break.TooUnsure || t.TooUnsure
			l.Break.NoForecast = cmp.Or(l.Break.NoForecast, t.NoForecast)
			if c := t.SingleCrossesLimitInHours; c != nil {
				c.Lobe = l.Lobe
				first[k] = sooner(first[k], c)
			}
		}
		if l.Break.CrossesLimitInHours != nil {
			l.Break.TooUnsure, l.Break.NoForecast = false, ""
		}
	}
	if !told {
		return
	}
	if direct[0] != nil {
		d.BreakMS.SingleCrossesLimitInHours = first[0]
		d.BreakMS.dropSingles()
	}
	if direct[1] != nil {
		d.BreakPercent.SingleCrossesLimitInHours = nil
		if c := first[1]; c != nil {
			x := *c
			x.Limit *= 100 / periodMS
			x.Value.V *= 100 / periodMS
			d.BreakPercent.SingleCrossesLimitInHours = &x
		}
		d.BreakPercent.dropSingles()
	}
}

// dropSingles forgets why single values had no forecast when they were still pooled.
func (t *Trend) dropSingles() {
	if t.NoForecast == NoForecastSingles {
		t.NoForecast = ""
	}
}

// takeForecast takes that of another trend.
func (t *Trend) takeForecast(o *Trend) {
	t.TooUnsure, t.NoForecast = o.TooUnsure, o.NoForecast
	t.CrossesLimitInHours, t.SingleCrossesLimitInHours = o.CrossesLimitInHours, o.SingleCrossesLimitInHours
}

// sooner is the crossing that comes first; either may be nil.
func sooner(a, b *Crossing) *Crossing {
	if a == nil || b != nil && (b.Beyond && !a.Beyond || b.Beyond == a.Beyond && b.Estimate.V < a.Estimate.V) {
		return b
	}
	return a
}

// lobeBreaks gives the breaks of lobe i in ms in each window. Where the level of
// the lobes is not known for most windows, as in what a log keeps of edges that are
// gone, it is taken to be the mean of those that have it. It is not ok where none has.
func (s *trendSeries) lobeBreaks(i int) (of func(*Window) *WindowMean, ok bool) {
	known, all, level := 0.0, 0.0, 0.0
	for j := range s.own {
		w := &s.own[j]
		if i >= len(w.Lobes) || w.Lobes[i].Break.N == 0 {
			continue
		}
		all++
		if w.LobeBreakMS.OK {
			known++
			level += (w.LobeBreakMS.V - level) / known
		}
	}
	each := known >= leastTrendPoints && 2*known >= all
	scratch := new(WindowMean)
	return func(w *Window) *WindowMean {
		*scratch = WindowMean{}
		if i >= len(w.Lobes) || each && !w.LobeBreakMS.OK {
			return scratch
		}
		*scratch = w.Lobes[i].Break
		if each {
			scratch.shift(w.LobeBreakMS.V)
		} else {
			scratch.shift(level)
		}
		return scratch
	}, known > 0
}

// A trendSeries is what trends are told from.
type trendSeries struct {
	own, reference []Window
	given          bool // the whole reference was asked for
	seconds        func(Stamp) float64
	width          float64 // of the EWMA's limits
	// tests are how many series are looked at for the same thing: by chance alone,
	// one of many lobes would seem to drift (Bonferroni).
	tests float64
}

// trend is a quantity's trend, with a forecast for bounds, which may be nil.
func (s *trendSeries) trend(of func(*Window) *WindowMean, b *bounds) *Trend {
	t, f := s.fit(of)
	if b != nil && f != nil {
		f.pooled = true
		f.tell(t, b)
	}
	return t
}

// fit is trend without a forecast, which f can make; nil where there is no trend.
func (s *trendSeries) fit(of func(*Window) *WindowMean) (t *Trend, f *forecast) {
	t = &Trend{Better: BetterNone}
	p := make([]trendPoint, 0, len(s.own))
	var single moments // the latest standard deviations of single values
	var ends []*Window
	for i := range s.own {
		w := &s.own[i]
		m := of(w)
		if m.N == 0 {
			continue
		}
		p = append(p, trendPoint{t: float64(w.At-s.own[0].From) / hourNS, y: m.Mean, weight: float64(m.N), length: max(float64(w.To-w.From), 1) / hourNS})
		ends = append(ends, w)
	}
	t.N = len(p)
	if len(p) == 0 {
		return t, nil
	}
	s.shift(t, p, ends, of)
	for _, w := range ends[max(len(ends)-referenceWindows, 0):] {
		if m := of(w); m.SD.OK {
			single.Add(m.SD.V)
		}
	}
	if len(p) < leastTrendPoints {
		t.LevelAtEnd = Known(mergedPoint(p).y)
		return t, nil
	}
	coarse := merged(p, mostTrendPoints)
	slope, ok := theilSen(coarse)
	if !ok {
		return t, nil
	}
	model := newTrendNoise(merged(p, mostNoisePoints))
	// The interval is never narrower than that for independent windows.
	u := model.slopeError(0.975)
	low, high, _ := senInterval(coarse)
	t.SlopePerHour, t.Low, t.High = Known(slope), Known(min(slope-u, low)), Known(max(slope+u, high))
	level := make([]weighted, len(coarse))
	end := float64(ends[len(ends)-1].To-s.own[0].From) / hourNS
	for i, x := range coarse {
		level[i] = weighted{x.y + slope*(end-x.t), x.weight}
	}
	t.LevelAtEnd = Known(weightedMedian(level))
	drifts := t.Drifts()
	if s.tests > 1 {
		drifts = drifts && math.Abs(slope) > model.slopeError(1-0.025/s.tests)
	}
	s.judge(t, p, ends, model, drifts)
	t.Bent = drifts && bent(coarse)
	if t.Better == BetterNone {
		t.ProvesPerHour = Known(max(math.Abs(t.Low.V), math.Abs(t.High.V)))
		t.LevelAtEnd = Known(mergedPoint(p).y)
	}
	f = &forecast{model: model, sure: math.Abs(slope) > model.slopeError((1+forecastSure)/2), end: end, observed: end, level: t.LevelAtEnd.V, slope: slope, ends: ends, of: of, start: s.own[0].From}
	if sd, ok := single.Mean(); ok {
		f.single = Known(sd)
	}
	last := ends[len(ends)-1]
	if hours := float64(last.To-last.From) / hourNS; hours > 0 {
		f.perHour = float64(of(last).N) / hours
	}
	return t, f
}

const (
	// leastHalf is the fewest points with a slope of their own.
	leastHalf = leastTrendPoints / 2
	// bentSure is how sure it is that two slopes differ, and bentBy the part of the
	// greater one that they must differ by: a line that is nearly one leads on.
	bentSure, bentBy = 0.99, 1.0 / 3
)

// bent tells that the slopes of the two halves differ.
func bent(p []trendPoint) bool {
	if len(p) < 2*leastHalf {
		return false
	}
	var slope, u [2]float64
	for i, half := range [][]trendPoint{p[:len(p)/2], p[len(p)/2:]} {
		var ok bool
		if slope[i], ok = theilSen(half); !ok {
			return false
		}
		u[i] = newTrendNoise(merged(half, mostNoisePoints/2)).slopeError((1 + bentSure) / 2)
	}
	apart := math.Abs(slope[0] - slope[1])
	return apart > math.Hypot(u[0], u[1]) && apart > bentBy*max(math.Abs(slope[0]), math.Abs(slope[1]))
}

// shift fills in the charts.
func (s *trendSeries) shift(t *Trend, p []trendPoint, ends []*Window, of func(*Window) *WindowMean) {
	var ref []trendPoint
	for i := range s.reference {
		w := &s.reference[i]
		if m := of(w); m.N > 0 {
			ref = append(ref, trendPoint{y: m.Mean, weight: float64(m.N)})
			if !t.Reference.FromS.OK {
				t.Reference.FromS = Known(s.seconds(w.From))
			}
			t.Reference.ToS = Known(s.seconds(w.To))
			if !s.given && len(ref) == referenceWindows {
				break
			}
		}
	}
	t.Reference.Windows = len(ref)
	if len(ref) < leastReference {
		return
	}
	c := newChart(ref, s.width)
	t.Reference.Target, t.Reference.Sigma, t.Autocorrelation = Known(c.target), Known(c.sigma), Known(c.phi)
	t.Reference.Drifts = c.drifts
	since := -1
	for i := range p {
		if !c.add(p[i].y, p[i].weight) {
			since = -1
		} else if since < 0 {
			since = i
		}
	}
	t.EWMA, t.CUSUMHigh, t.CUSUMLow = Known(c.target+c.sigma*c.e), Known(c.high), Known(c.low)
	t.EWMALow, t.EWMAHigh, t.CUSUMH = Known(c.target-c.sigma*c.limit), Known(c.target+c.sigma*c.limit), Known(cusumH)
	if since >= 0 {
		t.Alarm, t.AlarmSinceS = true, Known(s.seconds(ends[since].From))
	}
}

// A chart watches for a shift of window means.
type chart struct {
	target, sigma, phi float64
	drifts             bool    // the reference does, on a line
	number             float64 // values in a window of the reference
	limit              float64 // of the EWMA, in σ
	k                  float64 // allowance of the CUSUM, in σ
	longRun            float64 // by which serial correlation makes σ of long sums greater
	e, high, low       float64
}

// referenceSure is how sure it is that charts last as long as they are said to with
// a target and a σ that come from few windows: 90 % (A. Gandy, J. T. Kvaløy,
// Scandinavian Journal of Statistics 40, 2013, who ask for this of each reference,
// not of their average).
const referenceSure = 0.9

// mostPhi bounds the serial correlation that is allowed for: beyond it there is no
// target to speak of.
const mostPhi = 0.95

// steadyPhi is the serial correlation below which what is left about a line does not
// wander: of flicker noise and of a random walk more is left.
const steadyPhi = 0.5

// scatterOf gives the sum of squares of values about 0, and their lag-1
// autocorrelation.
func scatterOf(z []float64) (ss, phi float64) {
	lag := 0.0
	for i, v := range z {
		ss += v * v
		if i > 0 {
			lag += v * z[i-1]
		}
	}
	if ss > 0 {
		// That of so few is too low by (1 + 3φ)/n (M. G. Kendall, Biometrika 41, 1954).
		phi = lag / ss
		phi = min(phi+(1+3*phi)/float64(len(z)), mostPhi)
	}
	return ss, phi
}

// aboutLine gives what is left of values in a row about the line through them.
func aboutLine(z []float64) []float64 {
	var l lineFit
	for i, v := range z {
		l.add(float64(i), v)
	}
	left := make([]float64, len(z))
	for i, v := range z {
		left[i] = v - l.at(float64(i))
	}
	return left
}

func newChart(ref []trendPoint, width float64) *chart {
	c := new(chart)
	n := float64(len(ref))
	m := mergedPoint(ref)
	c.target, c.number = m.y, m.weight/n
	z := make([]float64, len(ref))
	for i, x := range ref {
		z[i] = (x.y - c.target) * math.Sqrt(x.weight/c.number)
	}
	var ss float64
	ss, c.phi = scatterOf(z)
	// A drift in the reference is no spread of it: what is left about a line is, where
	// it is much less and does not wander itself.
	if about, phi := scatterOf(aboutLine(z)); about < ss/2 && phi < steadyPhi {
		ss, c.phi, c.drifts = about, phi, true
	}
	phi := max(c.phi, 0)
	// Of so many windows, so many are independent.
	c.longRun = math.Sqrt((1 + phi) / (1 - phi))
	independent := max(n/(c.longRun*c.longRun), 2)
	c.sigma = math.Sqrt(ss / (n - 1))
	chi := distuv.ChiSquared{K: independent - 1}
	wide := math.Sqrt((independent - 1) / chi.Quantile(1-referenceSure))
	off := distuv.UnitNormal.Quantile((1+referenceSure)/2) * c.longRun / math.Sqrt(n)
	c.sigma *= wide
	c.limit = width*ewmaSD(ewmaLambda, 0, phi) + off/wide
	c.k = cusumK + off/wide/c.longRun
	return c
}

// add takes the next mean of so many values, and tells whether a chart is out.
func (c *chart) add(y, weight float64) (out bool) {
	z := 0.0
	switch d := y - c.target; {
	case c.sigma > 0:
		z = d * math.Sqrt(weight/c.number) / c.sigma
	case d != 0: // a reference without any scatter
		z = math.Copysign(2*cusumH, d)
	}
	c.e = ewmaNext(c.e, z, ewmaLambda)
	c.high, c.low = cusumNext(c.high, c.low, z/c.longRun, 0, c.k)
	return math.Abs(c.e) > c.limit || c.high > cusumH || c.low > cusumH
}

// judge tells a step from a slope.
func (s *trendSeries) judge(t *Trend, p []trendPoint, ends []*Window, model *trendNoise, drifts bool) {
	n := len(model.p) - 1
	flat, line := math.Inf(1), math.Inf(1)
	step, at := math.Inf(1), -1
	for i := range model.all {
		x := &model.all[i]
		prior := -2 * math.Log(x.prior())
		flat, line = min(flat, x.flat+prior), min(line, x.line+prior)
		for k := stepMargin - 1; k <= n-stepMargin; k++ {
			if v := x.step[k] + prior; v < step {
				step, at = v, k
			}
		}
	}
	cost := math.Log(float64(n))
	line += cost
	step += stepPenalty * cost
	shown := at >= 0 && step < flat-clearLead-2*math.Log(s.tests)
	switch {
	case !drifts && !shown:
		return
	case shown && step < line-clearLead:
		t.Better = BetterStep
	case drifts && line < step-clearLead:
		t.Better = BetterSlope
	case at < 0:
		t.Better = BetterSlope
	default:
		t.Better = BetterUnclear
	}
	if shown && t.Better != BetterSlope {
		s.step(t, p, ends, model, at)
	}
}

// step fills in the step after point at of the model.
func (s *trendSeries) step(t *Trend, p []trendPoint, ends []*Window, model *trendNoise, at int) {
	// Points of the model may be many windows: the step is between two of them.
	n := len(model.p)
	from, mid, to := at*len(p)/n, (at+1)*len(p)/n, (at+2)*len(p)/n
	if n == len(p) {
		from, mid, to = at, at+1, at+2
	}
	best, k := math.Inf(1), mid
	left, right := mergedPoint(p[:max(from, 1)]).y, mergedPoint(p[min(to, len(p)-1):]).y
	for i := from + 1; i < to; i++ {
		sum := 0.0
		for j := from; j < to; j++ {
			d := p[j].y - left
			if j >= i {
				d = p[j].y - right
			}
			sum += p[j].weight * d * d
		}
		if sum < best {
			best, k = sum, i
		}
	}
	t.Step = &Step{AtS: Rounded(s.seconds(ends[k-1].To/2 + ends[k].From/2))}
	// Points on either side hold nothing of the other.
	before := merged(p[:k], max(mostNoisePoints*k/len(p), stepMargin))
	both := append(slices.Clone(before), merged(p[k:], max(mostNoisePoints-len(before), stepMargin))...)
	if len(both) < 4 {
		return
	}
	model = newTrendNoise(both)
	i := len(before) - 1
	mid2, sd := make([]float64, len(model.all)), make([]float64, len(model.all))
	size := 0.0
	model.weigh(func(x *scatterKind) float64 { return x.stepLikelihood[i] })
	for j := range model.all {
		x := &model.all[j]
		mid2[j], sd[j] = x.size[i], math.Sqrt(x.sizeVar[i])
		size += x.likelihood * x.size[i]
	}
	t.Step.Size, t.StepBefore = Known(size), Known(mergedPoint(p[:k]).y)
	t.Step.Low, t.Step.High = Known(model.quantile(0.025, mid2, sd)), Known(model.quantile(0.975, mid2, sd))
}

// A forecast says when a line reaches a limit.
type forecast struct {
	model                       *trendNoise
	end, observed, level, slope float64 // hours; of the line at the end
	single                      Num     // standard deviation of single values
	perHour                     float64 // single values
	sure                        bool    // of the slope, enough for a forecast
	// pooled: single values may be of several lobes, which are not known.
	pooled bool

	ends  []*Window // with values
	of    func(*Window) *WindowMean
	start Stamp // that hours count from
}

// aheadSteps are the times at which a forecast is looked at, evenly spread over the
// square root of the time ahead: what comes soon is told finely.
const aheadSteps = 60

// outSure is how many single values beyond a limit are expected among the latest
// ones, where their extremes are not known, for some to be taken to be there: then
// there is none with a probability of 5 % (e^−3).
const outSure = 3

func (f *forecast) tell(t *Trend, b *bounds) {
	for _, x := range []struct {
		limit *float64
		sign  float64
	}{{b.max, 1}, {b.min, -1}} {
		if x.limit == nil {
			continue
		}
		if c := f.singlesOut(*x.limit, x.sign); c != nil {
			t.SingleCrossesLimitInHours = sooner(t.SingleCrossesLimitInHours, c)
		}
		room := x.sign * (*x.limit - f.level)
		if room <= 0 {
			t.CrossesLimitInHours = &Crossing{Limit: *x.limit, Upper: x.sign > 0, Beyond: true, Estimate: Known(0), Low: Known(0), High: Known(0)}
			t.NoForecast, t.TooUnsure = "", false
			return
		}
		switch t.Better {
		case BetterNone:
			continue
		case BetterStep:
			t.NoForecast = NoForecastStep
			continue
		case BetterUnclear:
			t.NoForecast = NoForecastUnclear
			continue
		}
		if x.sign*f.slope <= 0 {
			continue
		}
		if t.Bent {
			t.NoForecast = NoForecastBent
			continue
		}
		hours := room / math.Abs(f.slope)
		switch {
		case !f.sure:
			t.NoForecast, t.TooUnsure = NoForecastUnsure, hours <= mostAhead*f.observed
			continue
		case hours > mostAhead*f.observed:
			t.NoForecast = NoForecastFar
		default:
			c := &Crossing{Limit: *x.limit, Upper: x.sign > 0, Estimate: Known(hours)}
			c.Low, c.High = f.crossing(room, hours)
			t.CrossesLimitInHours = c
		}
		if t.SingleCrossesLimitInHours != nil {
			continue
		}
		c, refused := f.singles(*x.limit, x.sign, room, hours)
		t.SingleCrossesLimitInHours = c
		if refused && t.NoForecast == "" {
			t.NoForecast = NoForecastSingles
		}
	}
}

// latest are the windows that the latest single values are in.
func (f *forecast) latest() []*Window { return f.ends[max(len(f.ends)-referenceWindows, 0):] }

// singlesOut tells that some of the latest single values are beyond a limit; nil
// where none is.
func (f *forecast) singlesOut(limit, sign float64) *Crossing {
	c := &Crossing{Limit: limit, Upper: sign > 0, Beyond: true, Estimate: Known(0), Low: Known(0), High: Known(0)}
	expected := 0.0
	for _, w := range f.latest() {
		m := f.of(w)
		least, most, ok := m.extremes()
		switch {
		case ok:
			v := least
			if sign > 0 {
				v = most
			}
			if sign*(v-limit) > 0 && (!c.Value.OK || sign*(v-c.Value.V) > 0) {
				c.Value = Known(v)
			}
		case !f.pooled && m.SD.OK && m.SD.V > 0:
			expected += float64(m.N) * distuv.UnitNormal.Survival(sign*(limit-m.Mean)/m.SD.V)
		}
	}
	if !c.Value.OK && expected < outSure {
		return nil
	}
	return c
}

// singles is when the first single value is beyond a limit. Those of one lobe
// scatter normally about its line. Pooled ones need not: a lobe that wears is beyond
// the limit long before the others, so there the extremes of the windows have their
// own line. Where these are not known, the scatter within the windows must at least
// be steady. refused tells that nothing is said for that reason.
func (f *forecast) singles(limit, sign, room, hours float64) (c *Crossing, refused bool) {
	if f.pooled {
		x, known := f.ofExtremes(sign)
		if !known && f.steadyScatter() {
			return f.firstSingle(limit, sign, room, hours), false
		}
		if x == nil {
			return nil, true
		}
		f, room = x, sign*(limit-x.level)
		if room <= 0 || !f.sure || sign*f.slope <= 0 {
			return nil, true
		}
		hours = room / math.Abs(f.slope)
	}
	if !f.single.OK || f.perHour <= 0 {
		return nil, false
	}
	return f.firstSingle(limit, sign, room, hours), false
}

// ofExtremes is a forecast of the extremes of the windows, each a single value. It
// is nil where there are too few, or no line; known tells whether there are any.
func (f *forecast) ofExtremes(sign float64) (x *forecast, known bool) {
	var p []trendPoint
	length := 0.0
	for _, w := range f.ends {
		least, most, ok := f.of(w).extremes()
		if !ok {
			continue
		}
		q := trendPoint{t: float64(w.At-f.start) / hourNS, y: least, weight: 1, length: max(float64(w.To-w.From), 1) / hourNS}
		if sign > 0 {
			q.y = most
		}
		p = append(p, q)
		length += q.length
	}
	if len(p) < leastTrendPoints || 2*len(p) < len(f.ends) {
		return nil, len(p) > 0
	}
	coarse := merged(p, mostTrendPoints)
	slope, ok := theilSen(coarse)
	if !ok {
		return nil, true
	}
	x = &forecast{model: newTrendNoise(merged(p, mostNoisePoints)), end: f.end, observed: f.observed, slope: slope, perHour: float64(len(p)) / length}
	x.sure = math.Abs(slope) > x.model.slopeError((1+forecastSure)/2)
	level := make([]weighted, len(coarse))
	for i, q := range coarse {
		level[i] = weighted{q.y + slope*(f.end-q.t), q.weight}
	}
	x.level = weightedMedian(level)
	var m moments
	for _, q := range p {
		m.Add(q.y + slope*(f.end-q.t))
	}
	sd, _ := m.SD()
	x.single = Known(sd)
	return x, true
}

const (
	// steadyRatio is by how much the scatter within the last third of the windows may
	// differ from that in the first and still be of the same values, and steadyErrors
	// the number of its standard errors that chance may make of it.
	steadyRatio  = 1.05
	steadyErrors = 4
)

// steadyScatter tells whether single values scatter as much in the last third of the
// windows as in the first.
func (f *forecast) steadyScatter() bool {
	third := func(ends []*Window) (sd, dof float64) {
		for _, w := range ends {
			if m := f.of(w); m.SD.OK && m.N > 1 {
				sd += float64(m.N-1) * m.SD.V * m.SD.V
				dof += float64(m.N - 1)
			}
		}
		return math.Sqrt(sd / max(dof, 1)), dof
	}
	n := len(f.ends)
	a, na := third(f.ends[:n/3])
	b, nb := third(f.ends[n-n/3:])
	if !(a > 0) || !(b > 0) {
		return a == b
	}
	ratio := math.Abs(math.Log(b / a))
	// The logarithm of a standard deviation has the standard error 1/√(2 dof).
	return ratio < math.Log(steadyRatio) || ratio < steadyErrors*math.Sqrt(1/(2*na)+1/(2*nb))
}

// beyond is the probability that the mean is beyond the limit hours ahead, where
// the line has room left to it at the end.
func (f *forecast) beyond(room, hours float64) float64 {
	m := f.model
	sd := make([]float64, len(m.all))
	for i := range m.all {
		if m.all[i].likelihood >= 1e-9 {
			sd[i] = m.aheadSD(&m.all[i], f.end+hours)
		}
	}
	return m.below(math.Abs(f.slope)*hours-room, nil, sd)
}

// crossing is the 95 % interval of when the mean crosses.
func (f *forecast) crossing(room, hours float64) (low, high Num) {
	// The probability grows with time, but for a line that is so uncertain that it may
	// turn; then the upper end is not known.
	find := func(p, lo, hi float64) (float64, bool) {
		if f.beyond(room, lo) >= p {
			return lo, true
		}
		if f.beyond(room, hi) < p {
			return 0, false
		}
		for range 30 {
			mid := (lo + hi) / 2
			if f.beyond(room, mid) < p {
				lo = mid
			} else {
				hi = mid
			}
		}
		return (lo + hi) / 2, true
	}
	v, ok := find(0.025, 0, hours)
	low = Num{v, ok}
	v, ok = find(0.975, hours, 10*mostAhead*f.observed)
	return low, Num{v, ok}
}

// firstSingle is when the first single value is beyond the limit: single values
// scatter normally about the line, which is as uncertain as the noise makes it. A
// crossing's estimate is when it has come with a probability of one half.
func (f *forecast) firstSingle(limit, sign, room, hours float64) *Crossing {
	c := &Crossing{Limit: limit, Upper: sign > 0}
	m := f.model
	most := min(2*hours, mostAhead*f.observed)
	// The line's own error, at nine quantiles.
	const paths = 9
	var expected [paths]float64
	var at, come [aheadSteps + 1]float64
	for k := 1; k <= aheadSteps; k++ {
		x := float64(k) / aheadSteps
		at[k] = most * x * x
		t := (at[k] + at[k-1]) / 2
		v := 0.0
		for i := range m.all {
			if w := m.all[i].likelihood; w >= 1e-4 {
				sd := m.aheadSD(&m.all[i], f.end+t)
				v += w * sd * sd
			}
		}
		sd := math.Sqrt(v)
		for q := range paths {
			z := distuv.UnitNormal.Quantile((float64(q) + 0.5) / paths)
			left := room - math.Abs(f.slope)*t - z*sd
			p := 1.0
			switch {
			case f.single.V > 0:
				p = distuv.UnitNormal.Survival(left / f.single.V)
			case left > 0:
				p = 0
			}
			expected[q] += p * f.perHour * (at[k] - at[k-1])
			come[k] += (1 - math.Exp(-expected[q])) / paths
		}
	}
	find := func(p float64) Num {
		for k := 1; k <= aheadSteps; k++ {
			if come[k] >= p {
				part := (p - come[k-1]) / (come[k] - come[k-1])
				return Known(at[k-1] + part*(at[k]-at[k-1]))
			}
		}
		return Num{}
	}
	c.Low, c.Estimate, c.High = find(0.025), find(0.5), find(0.975)
	if !c.Estimate.OK {
		return nil
	}
	return c
}
