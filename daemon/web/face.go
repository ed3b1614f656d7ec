package web

import (
	"math"
	"strings"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/live"
	"makebreak/pulse"
)

// A face is what a person at the frame reads of a contact, as it is now.
type face struct {
	State   string       `json:"state"`
	Since   string       `json:"since"` // the last edge
	Verdict badge        `json:"verdict"`
	Figures []faceFigure `json:"figures"`
}

// A faceFigure is one figure that can be adjusted. Words are in plain text.
type faceFigure struct {
	ID       string `json:"id"`
	Noun     string `json:"noun"`
	Value    string `json:"value"` // a dash where it is not known
	Unit     string `json:"unit"`
	Distance string `json:"distance"` // to the nearest limit, with its sign and unit
	Where    string `json:"where"`    // that distance in words
	Class    string `json:"class"`
	X        string `json:"x"` // of the mark on the gauge
	// At is the distance from the middle between the limits, 1 at the upper one; nil
	// without a middle.
	At *float64 `json:"at"`

	bounds bounds
	axis   axis
	scale  `json:"-"`
}

// A scale is an axis with limits as a page draws it, in percent of its width.
type scale struct {
	Low, High        string // the limits; empty for none
	LowX, HighX      string
	ZoneX, ZoneWidth string // between them; empty without any
}

func newScale(a axis, b *bounds) (s scale) {
	from, to := 0.0, 100.0
	if b.low.OK {
		from = a.at(b.low.V)
		s.Low, s.LowX = figure.Trimmed(b.low.V, 4), a.percent(b.low.V)
	}
	if b.high.OK {
		to = a.at(b.high.V)
		s.High, s.HighX = figure.Trimmed(b.high.V, 4), a.percent(b.high.V)
	}
	if b.low.OK || b.high.OK {
		s.ZoneX, s.ZoneWidth = figure.Fixed(from, 2)+"%", figure.Fixed(to-from, 2)+"%"
	}
	return s
}

// bounds are the limits and the nominal of a figure.
type bounds struct {
	low, high, nominal pulse.Num
	u                  float64 // expanded uncertainty, 0 where it is not known
}

// An axis maps values to percent of a width.
type axis struct{ from, to float64 }

func (a axis) at(v float64) float64 {
	if a.to <= a.from {
		return 50
	}
	return min(max(100*(v-a.from)/(a.to-a.from), 0), 100)
}

func (a axis) percent(v float64) string { return figure.Fixed(a.at(v), 2) + "%" }

// axis shows the limits with room on both sides, and the values where they are
// not too far away.
func (b *bounds) axis(values ...float64) axis {
	low, high := b.low.V, b.high.V
	switch {
	case b.low.OK && b.high.OK:
	case b.low.OK:
		high = low + max(math.Abs(low)/4, 1e-9)
	case b.high.OK:
		low = high - max(math.Abs(high)/4, 1e-9)
	case b.nominal.OK:
		low, high = 0.9*b.nominal.V, 1.1*b.nominal.V
	case len(values) > 0:
		low, high = 0.9*values[0], 1.1*values[0]
	}
	width := high - low
	a := axis{low - 0.35*width, high + 0.35*width}
	for _, v := range values {
		a.from = min(a.from, max(v-0.1*width, low-width))
		a.to = max(a.to, min(v+0.1*width, high+width))
	}
	return a
}

func boundsOf(f *live.Figures, q pulse.Quantity) (b bounds) {
	for i := range f.Items {
		it := &f.Items[i]
		if it.Limits.Quantity != q {
			continue
		}
		if it.Bound == "max" {
			b.high = pulse.Known(it.Limit)
		} else {
			b.low = pulse.Known(it.Limit)
		}
		if it.Limits.Nominal != nil {
			b.nominal = pulse.Known(*it.Limits.Nominal)
		}
		b.u = max(b.u, it.ExpandedU.V)
	}
	if (q == pulse.RatePPS || q == pulse.RateIPM) && f.Setting.Rate > 0 {
		b.nominal = pulse.Known(f.Setting.Rate)
	}
	return b
}

// holds tells a value that is not out of a limit.
func (b *bounds) holds(v float64) bool {
	return (!b.low.OK || v >= b.low.V) && (!b.high.OK || v <= b.high.V)
}

// middle is half-way between the limits, and how far it is to either.
func (b *bounds) middle() (middle, half float64, ok bool) {
	switch {
	case b.low.OK && b.high.OK:
		return (b.low.V + b.high.V) / 2, (b.high.V - b.low.V) / 2, b.high.V > b.low.V
	case b.nominal.OK && b.high.OK:
		return b.nominal.V, b.high.V - b.nominal.V, b.high.V > b.nominal.V
	case b.nominal.OK && b.low.OK:
		return b.nominal.V, b.nominal.V - b.low.V, b.nominal.V > b.low.V
	}
	return 0, 0, false
}

func newFace(f *live.Figures, now time.Time) *face {
	c := newPageContact(f, now)
	x := &face{State: c.State, Verdict: c.Verdict, Since: since(f)}
	if f.Up && f.Stuck {
		x.State = "no signal; it rests " + c.State
	}
	rate := pulse.RatePPS
	if f.Kind == pulse.KindInterrupter {
		rate = pulse.RateIPM
	}
	known := f.Rate.OK && f.BreakPercent.OK && !f.RateAgoS.OK
	period := 1000 / f.Rate.V
	if f.Kind == pulse.KindInterrupter {
		period *= 60
	}
	breakMS := period * f.BreakPercent.V / 100
	for _, q := range []struct {
		id       string
		quantity pulse.Quantity
		v        float64
		decimals int
	}{{"rate", rate, f.Rate.V, 2}, {"percent", pulse.BreakPercent, f.BreakPercent.V, 1}, {"break", pulse.BreakMS, breakMS, 1}, {"make", pulse.MakeMS, period - breakMS, 1}} {
		if len(f.SegmentsMS) > 2 && (q.id == "break" || q.id == "make") {
			continue // of a cadence there are several
		}
		x.Figures = append(x.Figures, newFaceFigure(q.id, boundsOf(f, q.quantity), q.quantity, pulse.Num{V: q.v, OK: known}, q.decimals))
	}
	return x
}

func newFaceFigure(id string, b bounds, q pulse.Quantity, v pulse.Num, decimals int) faceFigure {
	noun, unit := figure.Quantity(string(q))
	x := faceFigure{ID: id, Noun: noun, Unit: unit, Value: "–", Class: "none", bounds: b}
	if !v.OK {
		x.Where = "nothing to read now"
		x.axis, x.X = b.axis(), "-10%"
		x.scale = newScale(x.axis, &b)
		return x
	}
	x.axis = b.axis()
	if !b.low.OK && !b.high.OK && !b.nominal.OK {
		x.axis = b.axis(v.V)
	}
	x.scale = newScale(x.axis, &b)
	x.Value, x.X = figure.Fixed(v.V, decimals), x.axis.percent(v.V)
	if middle, half, ok := b.middle(); ok {
		at := math.Round(1e3*(v.V-middle)/half) / 1e3
		x.At = &at
	}
	// The nearest of the two; outside, the one that is crossed is.
	limit, name, side := b.nominal, "nominal", 0.0
	if b.low.OK {
		limit, name, side = b.low, "lower limit", 1
	}
	if b.high.OK && (!b.low.OK || math.Abs(v.V-b.high.V) < math.Abs(v.V-b.low.V)) {
		limit, name, side = b.high, "upper limit", -1
	}
	if !limit.OK {
		x.Where = "no limit is set for it"
		return x
	}
	d := v.V - limit.V
	sign, way := "+", "above "
	switch {
	case d < 0:
		sign, way = "−", "below "
	case d == 0:
		way = "on "
	}
	x.Distance = sign + figure.Difference(figure.NonZero(math.Abs(d), decimals), unit)
	x.Where = way + "the " + name + " of " + figure.Trimmed(limit.V, 4)
	if side == 0 {
		x.Where += "; no limit is set"
		return x
	}
	switch inside := side * d; {
	case inside < -b.u:
		x.Class = "fail"
		x.Where += ", outside"
	case inside < 0:
		x.Class = "near"
		x.Where += ", outside by less than the uncertainty"
	case inside < b.u:
		x.Class = "near"
		x.Where += ", inside by less than the uncertainty"
	default:
		x.Class = "pass"
		x.Where += ", inside"
	}
	return x
}

// since says how long ago the last edge came.
func since(f *live.Figures) string {
	switch {
	case !f.Up:
		return "not being read"
	case !f.SinceEdge.OK:
		return "no edge yet"
	case f.SinceEdge.V < 2:
		return "moving"
	}
	return "last edge " + ago(f.SinceEdge.V)
}

// A band is a judged figure of the window: where it lay, and its limits.
type band struct {
	pageLimit
	scale
	SeenX, SeenEnd      string // of the worst values; empty where nothing was seen
	WhiskerX, WhiskerTo string
	Uncertainty         string
	Words               string
}

// bands are those of all judged figures.
func bands(f *live.Figures) (all []band) {
	for i := range f.Items {
		if i > 0 && f.Items[i-1].Quantity == f.Items[i].Quantity {
			continue
		}
		all = append(all, newBand(f.Items[i:]))
	}
	return all
}

func newBand(items []live.Item) band {
	b := band{pageLimit: newPageLimit(items)}
	noun, unit := figure.Quantity(items[0].Quantity)
	var limits bounds
	var seen []float64
	for i := range items[:min(len(items), 2)] {
		it := &items[i]
		if it.Quantity != items[0].Quantity {
			break
		}
		if it.Bound == "max" {
			limits.high = pulse.Known(it.Limit)
		} else {
			limits.low = pulse.Known(it.Limit)
		}
		if it.Observed.OK {
			seen = append(seen, it.Observed.V)
			limits.u = max(limits.u, it.ExpandedU.V)
		}
	}
	a := limits.axis(seen...)
	b.scale = newScale(a, &limits)
	b.Words = noun + ": limits " + strings.ReplaceAll(b.Limit, "\u00a0", " ") + "; nothing seen yet"
	if len(seen) > 0 {
		low, high := min(seen[0], seen[len(seen)-1]), max(seen[0], seen[len(seen)-1])
		b.SeenX, b.SeenEnd = a.percent(low), a.percent(high)
		b.WhiskerX, b.WhiskerTo = a.percent(low-limits.u), a.percent(high+limits.u)
		if limits.u > 0 {
			b.Uncertainty = uncertain(limits.u, figure.Decimals(limits.u), unit)
		}
		b.Words = strings.ReplaceAll(noun+": seen "+b.Seen+" "+b.Uncertainty+"; limits "+b.Limit+": "+b.Verdict.Word, "\u00a0", " ")
	}
	return b
}

// A change is how a figure changes over hours and days.
type change struct {
	Arrow, Class string
	Number, Of   string // the number, and of what
	Words        string
}

// changesOf gives those of the rate and of the percent break, as far as a trend is
// known.
func changesOf(f *live.Figures) (all []change) {
	d := f.Changes.Drift
	if d == nil {
		return nil
	}
	unit := "pps"
	if f.Kind == pulse.KindInterrupter {
		unit = "IPM"
	}
	for _, x := range []struct {
		of, unit string
		t        *pulse.Trend
	}{{"rate", unit, d.Rate}, {"percent break", "percentage points", d.BreakPercent}, {"break", "ms", d.BreakMS}} {
		t := x.t
		switch {
		case t == nil || !t.SlopePerHour.OK:
		case t.ProvesPerHour.OK:
			all = append(all, change{"→", "none", "less than " + figure.Unit(figure.NonZero(24*t.ProvesPerHour.V, 4), x.unit) + " a day", x.of, "no drift shown"})
		case t.Better == pulse.BetterStep && t.Step != nil:
			c := change{Arrow: "↥", Class: "near", Of: x.of, Words: "stepped", Number: figure.Unit(figure.Signed(t.Step.Size.V, (t.Step.High.V-t.Step.Low.V)/2), x.unit)}
			if t.Step.Size.V < 0 {
				c.Arrow = "↧"
			}
			all = append(all, c)
		case t.Better == pulse.BetterUnclear:
			all = append(all, change{Arrow: "↝", Class: "near", Of: x.of, Words: "has changed", Number: "by a slope or a step, which cannot be told"})
		case t.Drifts():
			c := change{Arrow: "↗", Class: "near", Of: x.of, Words: "rises",
				Number: figure.Unit(figure.Signed(24*t.SlopePerHour.V, 12*(t.High.V-t.Low.V)), x.unit) + " a day"}
			if t.SlopePerHour.V < 0 {
				c.Arrow, c.Words = "↘", "falls"
			}
			all = append(all, c)
		}
	}
	return all
}
