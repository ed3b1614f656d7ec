package report

import (
	"math"
	"slices"
	"strings"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/plot"
	"makebreak/pulse"
)

// drift says how the figures change.
func drift(doc *Document, m *pulse.Measurement, a *About) {
	d := m.Drift
	if d == nil {
		return
	}
	s := driftSpeech{d: d, a: a, unit: unitFor(float64(d.ToS-d.FromS) / 3600), singles: singles(m), chain: m.Uncertainty}
	doc.head("Change over time")
	doc.tell("", s.basis())
	if d.Windows < d.WindowsNeeded {
		shorter := ", or ask for a shorter --window"
		if d.WindowS > d.AskedWindowS {
			shorter = "" // they would be merged
		}
		doc.tell("", figure.Plural(d.Windows, "window is", "windows are")+" too few for a trend, which needs "+figure.Count(d.WindowsNeeded)+
			": measure longer"+shorter+".")
	}
	rateUnit := "pps"
	if m.Interrupter != nil {
		rateUnit = rateUnitOf(m)
	}
	for _, q := range []struct {
		lead, unit string
		t          *pulse.Trend
	}{{"Rate", rateUnit, d.Rate}, {"Percent break", "points", d.BreakPercent}, {"Break", "ms", d.BreakMS}} {
		if q.t == nil || q.t.N == 0 {
			continue
		}
		if text := s.of(q.t, q.unit); text != "" {
			if q.t == d.Rate {
				text += s.clock(q.t, q.unit)
			}
			doc.tell(q.lead, text)
		}
	}
	s.lobes(doc)
	if changes(d) && float64(d.ToS-d.FromS) < 24*3600 {
		doc.tell("", "The record is shorter than a day: what warmth and load do each day cannot be told from a drift.")
	}
	if text := s.charts(); text != "" {
		doc.tell("", text)
	}
	s.chart(doc, m, rateUnit)
}

// changes tells that some figure of the whole contact drifts.
func changes(d *pulse.Drift) bool {
	for _, t := range []*pulse.Trend{d.Rate, d.BreakPercent, d.BreakMS} {
		if t != nil && t.N > 0 && t.Better != pulse.BetterNone && t.Better != pulse.BetterStep {
			return true
		}
	}
	return false
}

func rateUnitOf(m *pulse.Measurement) string { return rateUnit(m, "IPM") }

// singles names the single values of a kind.
func singles(m *pulse.Measurement) string {
	if m.Interrupter != nil {
		return "single cycles"
	}
	return "single pulses"
}

// A driftSpeech says trends in one unit of time.
type driftSpeech struct {
	d    *pulse.Drift
	a    *About
	unit timeUnit
	// singles names the single values.
	singles string
	chain   map[pulse.Quantity]*pulse.BudgetResult
}

// A timeUnit is what changes are told by.
type timeUnit struct {
	name  string
	hours float64
}

// unitFor is a unit of time that fits what was observed: a slope is told for a time
// that is not much longer.
func unitFor(observedHours float64) timeUnit {
	switch {
	case observedHours < 18:
		return timeUnit{"an hour", 1}
	case observedHours < 21*24:
		return timeUnit{"a day", 24}
	}
	return timeUnit{"a week", 7 * 24}
}

// at says a time of the measurement: the wall clock's in a log, else from the first
// edge.
func (s *driftSpeech) at(seconds float64) string {
	if s.a.Log != nil && s.a.Log.Wall != nil {
		zone := s.a.Zone
		if zone == nil {
			zone = time.UTC
		}
		return s.a.Log.Wall(seconds).In(zone).Format("2006-01-02 15:04 MST")
	}
	if seconds == 0 {
		return "the first edge"
	}
	return figure.Time(seconds)
}

// basis says what windows there are.
func (s *driftSpeech) basis() string {
	d := s.d
	text := figure.Plural(d.Windows, "window", "windows") + " of " + lengthText(float64(d.WindowS))
	if asked, is := float64(d.AskedWindowS), float64(d.WindowS); d.Windows > 0 && asked > 0 && is > asked {
		text += " in the median, merged from " + lengthText(asked)
		if d.Windows >= mostWindows/2 {
			text += ", for there would be too many"
		} else {
			text += " until each has ten periods"
		}
	}
	if d.Windows > 0 {
		text += ", from " + s.at(float64(d.FromS)) + " to " + s.at(float64(d.ToS))
	}
	if d.SplitS.OK {
		if d.WindowsBefore > 0 {
			text += "; those before the note of " + s.at(d.SplitS.V) + " (" + figure.Count(d.WindowsBefore) + ") are another series"
		}
	}
	text += "."
	switch {
	case d.EarlierWindows == 0:
	case d.EarlierWindows == d.Windows:
		text += " All of them come from the log's summaries; their edges are gone."
	default:
		text += " " + figure.Count(d.EarlierWindows) + " of them, until " + s.at(d.EarlierToS.V) + ", come from the log's summaries, for their edges are gone; the others from edges."
	}
	return text
}

// mostWindows is from how many windows on each two become one.
const mostWindows = 10080

// lengthText writes a length of seconds in the unit that makes it short.
func lengthText(s float64) string {
	for _, u := range []struct {
		s    float64
		name string
	}{{86400, " d"}, {3600, " h"}, {60, " min"}} {
		if n := s / u.s; n == math.Round(n) && n >= 1 && s > 60 {
			return figure.Trimmed(n, 0) + u.name
		}
	}
	return figure.Trimmed(s, 3) + " s"
}

// chainPart is how much finer than the uncertainty of a single value a change may be
// told: what shifts all values alike cancels in it, and no chain keeps that steadier
// than a tenth without having been shown to.
const chainPart = 10

// least is the smallest change of a quantity in a unit that the measuring chain
// supports; 0 where that is not known.
func (s *driftSpeech) least(unit string) float64 {
	of := []pulse.Quantity{pulse.RatePPS, pulse.RateIPM}
	switch unit {
	case "points", "%":
		of = []pulse.Quantity{pulse.BreakPercent}
	case "ms":
		of = []pulse.Quantity{pulse.BreakMS}
	}
	for _, q := range of {
		if b := s.chain[q]; b != nil && b.Expanded.OK {
			return b.Expanded.V / chainPart
		}
	}
	return 0
}

// decimals are those that an uncertainty u supports, and the measuring chain.
func (s *driftSpeech) decimals(u float64, unit string) int {
	dec := figure.Decimals(u)
	if least := s.least(unit); least > 0 {
		dec = min(dec, figure.Decimals(least))
	}
	return dec
}

// atLeastLast writes an uncertainty; one that the decimals would show as 0 is rounded
// up to the last of them.
func atLeastLast(u float64, dec int) string {
	if u > 0 {
		u = max(u, math.Pow(10, -float64(dec)))
	}
	return figure.Fixed(u, dec)
}

// change writes a slope with its 95 % interval as ±, in the unit of time.
func (s *driftSpeech) change(t *pulse.Trend, unit string) string {
	slope, u := math.Abs(t.SlopePerHour.V)*s.unit.hours, (t.High.V-t.Low.V)/2*s.unit.hours
	dec := s.decimals(u, unit)
	return figure.Fixed(slope, dec) + " ± " + atLeastLast(u, dec) + " " + unit + " " + s.unit.name
}

// of says how one quantity changes.
func (s *driftSpeech) of(t *pulse.Trend, unit string) string {
	var said []string
	verb := "rises"
	if t.SlopePerHour.V < 0 {
		verb = "falls"
	}
	switch {
	case !t.SlopePerHour.OK:
	case t.Better == pulse.BetterSlope:
		text := verb + " " + s.change(t, unit) + s.since()
		var ahead []string
		if c := t.CrossesLimitInHours; c != nil && !c.Beyond {
			ahead = append(ahead, "its mean reaches "+driftLimit(c, unit)+" in "+inTime(c))
		}
		if x := t.SingleCrossesLimitInHours; x != nil && !x.Beyond {
			what := s.singles
			if len(ahead) == 0 {
				what += " reach " + driftLimit(x, unit)
			}
			what += " in " + inTime(x)
			if x.Lobe > 0 && t == s.d.BreakMS || x.Lobe > 0 && t == s.d.BreakPercent {
				what += ", first those of lobe " + figure.Count(x.Lobe)
			}
			ahead = append(ahead, what)
		}
		if len(ahead) > 0 {
			text += "; at that pace " + strings.Join(ahead, ", ")
		}
		said = append(said, text+s.noForecast(t))
	case t.Better == pulse.BetterStep:
		said = append(said, s.step(t, unit)+"; no steady change explains it as well"+s.noForecast(t))
	case t.Better == pulse.BetterUnclear:
		text := "has changed, and it cannot be told how: it " + verb + " " + s.change(t, unit)
		if t.Step != nil {
			text += ", or it " + s.step(t, unit)
		}
		said = append(said, text+s.noForecast(t))
	default:
		said = append(said, "no drift shown: less than "+s.proves(t.ProvesPerHour.V, unit)+" "+unit+" "+s.unit.name+" (95 %)")
	}
	if c := t.CrossesLimitInHours; c != nil && c.Beyond {
		said = append(said, "its mean is beyond "+driftLimit(c, unit)+" already")
	}
	if x := t.SingleCrossesLimitInHours; x != nil && x.Beyond && (t.Better != pulse.BetterNone || t.CrossesLimitInHours != nil) {
		said = append(said, s.singlesBeyond(t, x, unit))
	}
	// A drift or a step moves it away from its level by itself.
	if t.Alarm && (t.Better == pulse.BetterNone || t.Better == pulse.BetterUnclear) {
		said = append(said, s.alarm(t, unit))
	}
	if len(said) == 0 {
		return ""
	}
	for i := range said {
		said[i] = upperFirst(said[i]) + "."
	}
	return strings.Join(said, " ")
}

// noForecast says why there is no forecast though a change and a limit are there.
func (s *driftSpeech) noForecast(t *pulse.Trend) string {
	switch t.NoForecast {
	case pulse.NoForecastFar:
		return "; its mean reaches no limit within ten times the time observed"
	case pulse.NoForecastBent:
		return "; but the first half of the time does so otherwise than the second, as in a warming up or a daily swing, so when it reaches a limit is not told"
	case pulse.NoForecastUnsure:
		return ", not sure enough yet to say when it reaches a limit"
	case pulse.NoForecastStep:
		return ", so when it reaches a limit is not told"
	case pulse.NoForecastUnclear:
		return "; so when it reaches a limit is not told"
	case pulse.NoForecastSingles:
		return "; " + s.singles + " get there earlier, and when is not told: they are not of one kind"
	}
	return ""
}

// singlesBeyond says that single values are beyond a limit by now.
func (s *driftSpeech) singlesBeyond(t *pulse.Trend, x *pulse.Crossing, unit string) string {
	text := s.singles
	if x.Lobe > 0 && (t == s.d.BreakMS || t == s.d.BreakPercent) {
		text += " of lobe " + figure.Count(x.Lobe)
	}
	text += " are beyond " + driftLimit(x, unit) + " already"
	if x.Value.OK {
		value := figure.Apart(x.Value.V, x.Limit, 1)
		if unit == "points" {
			unit = "%"
		}
		text += ", as far as " + figure.Unit(value, unit)
	}
	return text
}

// clock says what of a change of the rate may be the clock's: a rate is counted by
// it, and nothing here tells how far it keeps its own.
func (s *driftSpeech) clock(t *pulse.Trend, unit string) string {
	rel := 2 * s.d.ClockRel.V
	if !s.d.ClockRel.OK || !t.SlopePerHour.OK || !(t.LevelAtEnd.V > 0) {
		return ""
	}
	hours := float64(s.d.ToS-s.d.FromS) / 3600
	change, own := math.Abs(t.SlopePerHour.V)*hours, rel*t.LevelAtEnd.V
	if t.ProvesPerHour.OK {
		change = t.ProvesPerHour.V * hours
	}
	if change > own {
		return ""
	}
	ppm := rel * 1e6
	return " The computer's clock is known within ± " + figure.Trimmed(ppm, figure.Decimals(ppm)) + " ppm: by as much, " +
		figure.Fixed(own, figure.Decimals(own)) + " " + unit + " here, a drift of its own may make or hide one."
}

// since says from when on, in a log.
func (s *driftSpeech) since() string {
	if s.a.Log == nil || s.a.Log.Wall == nil {
		return ""
	}
	return " since " + s.at(float64(s.d.FromS))
}

func (s *driftSpeech) step(t *pulse.Trend, unit string) string {
	x := t.Step
	verb := "stepped up"
	if x.Size.V < 0 {
		verb = "stepped down"
	}
	u := (x.High.V - x.Low.V) / 2
	dec := s.decimals(u, unit)
	return verb + " by " + figure.Fixed(math.Abs(x.Size.V), dec) + " ± " + atLeastLast(u, dec) + " " + unit + " at " + s.at(float64(x.AtS))
}

// proves writes a bound with two digits at most, rounded so that it never claims more.
func (s *driftSpeech) proves(perHour float64, unit string) string {
	v := perHour * s.unit.hours
	dec := s.decimals(v, unit)
	scale := math.Pow(10, float64(dec))
	return figure.NonZero(math.Ceil(v*scale-1e-9)/scale, dec)
}

// alarm says what a chart tells beside the trend.
func (s *driftSpeech) alarm(t *pulse.Trend, unit string) string {
	if unit == "points" {
		unit = "%"
	}
	r := t.Reference
	dec := s.decimals(2*r.Sigma.V, unit)
	return "away from " + figure.Fixed(r.Target.V, dec) + " " + unit + ", its level from " + s.at(r.FromS.V) + " to " + s.at(r.ToS.V) +
		", since " + s.at(t.AlarmSinceS.V)
}

// driftLimit names a limit.
func driftLimit(c *pulse.Crossing, unit string) string {
	if unit == "points" {
		unit = "%"
	}
	return figure.Unit(figure.Trimmed(c.Limit, 3), unit)
}

// inTime says when something comes, as a range with the digits that it supports.
func inTime(c *pulse.Crossing) string {
	low, high := c.Low.V, c.High.V
	if !c.High.OK {
		return roughly(c.Estimate.V) + ", not before " + roughly(low)
	}
	unit, per := "hours", 1.0
	switch {
	case high < 2.0/60:
		return "less than 2 minutes"
	case high < 2:
		unit, per = "minutes", 1.0/60
	case high >= 1000*24:
		unit, per = "years", 365.25*24
	case high >= 48:
		unit, per = "days", 24
	}
	low, high = low/per, high/per
	dec := min(figure.Decimals(high-low), 1)
	if dec > 0 && high-low >= 2 {
		dec = 0
	}
	// The range never claims more than there is.
	scale := math.Pow(10, float64(dec))
	a, b := figure.Fixed(math.Floor(low*scale)/scale, dec), figure.Fixed(math.Ceil(high*scale)/scale, dec)
	if strings.Trim(a, "0.") == "" {
		return "at most " + b + " " + unit
	}
	return a + " to " + b + " " + unit
}

// roughly writes a length of time in hours roughly.
func roughly(hours float64) string {
	switch {
	case hours < 2:
		return "about " + figure.Fixed(hours*60, 0) + " minutes"
	case hours < 48:
		return "about " + figure.Fixed(hours, 0) + " hours"
	}
	return "about " + figure.Fixed(hours/24, 0) + " days"
}

// lobes says which lobes change, and what is proved of the others.
func (s *driftSpeech) lobes(doc *Document) {
	quiet, most := 0, 0.0
	for i := range s.d.Lobes {
		l := &s.d.Lobes[i]
		changed := false
		for _, x := range []struct {
			of string
			t  *pulse.Trend
		}{{"opening", l.Opening}, {"break", l.Break}} {
			if x.t == nil || !x.t.SlopePerHour.OK {
				continue
			}
			if x.t.Better != pulse.BetterNone {
				changed = true
				doc.tell("Lobe "+figure.Count(l.Lobe)+" "+x.of, s.of(x.t, "ms"))
			}
		}
		if !changed && l.SlopePerHour.OK {
			quiet++
			for _, t := range []*pulse.Trend{l.Opening, l.Break} {
				if t != nil && t.ProvesPerHour.OK {
					most = max(most, t.ProvesPerHour.V)
				}
			}
		}
	}
	if quiet == 0 {
		return
	}
	lead, noun := "Lobes", "no lobe"
	if quiet < len(s.d.Lobes) {
		lead, noun = "Other lobes", "none"
	}
	doc.tell(lead, "Of "+noun+" a drift is shown: less than "+s.proves(most, "ms")+" ms "+s.unit.name+" in opening and break, each against the level of the lobes that keep their places (95 %).")
}

// driftingReferences names the figures whose reference drifts itself.
func (s *driftSpeech) driftingReferences() string {
	var names []string
	for _, q := range []struct {
		name string
		t    *pulse.Trend
	}{{"rate", s.d.Rate}, {"percent break", s.d.BreakPercent}, {"break", s.d.BreakMS}} {
		if q.t != nil && q.t.Reference.Drifts {
			names = append(names, q.name)
		}
	}
	if len(names) == 0 {
		return ""
	}
	return " In these windows the " + figure.List(names) + " drifted already: the spread is what is left about that line."
}

// charts says how the charts were set up.
func (s *driftSpeech) charts() string {
	for _, t := range []*pulse.Trend{s.d.BreakPercent, s.d.Rate, s.d.BreakMS} {
		if t == nil || t.N == 0 {
			continue
		}
		r := t.Reference
		if !r.Target.OK {
			return "A level to compare with needs 10 windows; the reference has " + figure.Count(r.Windows) + "."
		}
		return "Target and spread are of " + figure.Plural(r.Windows, "window", "windows") + ", from " + s.at(r.FromS.V) + " to " + s.at(r.ToS.V) +
			". EWMA and CUSUM charts alarm by chance once in " + figure.Count(int(s.d.InControl.EWMA)) + " and " + figure.Count(int(s.d.InControl.CUSUM)) +
			" windows at most, and more often where the noise wanders." + s.driftingReferences()
	}
	return ""
}

// mostDots of a chart are told apart on a page: of more windows, some are left out.
const mostDots = 1500

// chart draws the means of each window, with what explains them.
func (s *driftSpeech) chart(doc *Document, m *pulse.Measurement, rateUnit string) {
	d := s.d
	if len(d.Series) < d.WindowsNeeded {
		return
	}
	per, label := 3600.0, "hours"
	if float64(d.ToS-d.FromS) > 3*86400 {
		per, label = 86400, "days"
	}
	from := d.Series[0].From
	picture := plot.Drift{Title: "Change over time", XLabel: label + " from " + s.at(float64(d.FromS)), Note: "Dots are means of windows, the line is the trend or the step that explains them, dashes are limits."}
	for _, q := range s.drawn(m, rateUnit) {
		p := plot.DriftPanel{Title: q.title, Y: q.unit, Limits: q.limits, Span: s.least(q.unit)}
		step := (len(d.Series) + mostDots - 1) / mostDots
		for i := 0; i < len(d.Series); i += step {
			w := &d.Series[i]
			mean, ok := q.of(w)
			if !ok {
				continue
			}
			p.X, p.Means = append(p.X, float64(w.At-from)/1e9/per), append(p.Means, mean)
			ahead := float64(w.At-d.Series[len(d.Series)-1].To) / 3600e9
			switch {
			case q.t.Better == pulse.BetterSlope:
				p.Trend = append(p.Trend, q.t.LevelAtEnd.V+ahead*q.t.SlopePerHour.V)
			case q.t.Better == pulse.BetterStep:
				level := q.t.StepBefore.V
				if float64(w.At-from)/1e9+float64(d.FromS) >= float64(q.t.Step.AtS) {
					level += q.t.Step.Size.V
				}
				p.Trend = append(p.Trend, level)
			}
		}
		if len(p.X) > 0 {
			picture.Panels = append(picture.Panels, p)
		}
	}
	if len(picture.Panels) > 0 {
		doc.add(Chart{Title: "Change over time", Drawing: &picture})
	}
}

// A drawnTrend is one panel of the chart.
type drawnTrend struct {
	title, unit string
	t           *pulse.Trend
	of          func(*pulse.Window) (mean float64, ok bool)
	limits      []float64
}

// mostLobesDrawn bounds the picture: more lobes that change are a matter of the cam,
// and the words have them all.
const mostLobesDrawn = 6

// drawn are the quantities to draw: percent break, and whatever else changes; the
// rate beside it where nothing does.
func (s *driftSpeech) drawn(m *pulse.Measurement, rateUnit string) (all []drawnTrend) {
	d := s.d
	mean := func(pick func(*pulse.Window) *pulse.WindowMean) func(*pulse.Window) (float64, bool) {
		return func(w *pulse.Window) (float64, bool) { x := pick(w); return x.Mean, x.N > 0 }
	}
	told := func(t *pulse.Trend) bool { return t != nil && t.N >= d.WindowsNeeded && t.SlopePerHour.OK }
	changes := func(t *pulse.Trend) bool { return told(t) && t.Better != pulse.BetterNone }
	inMS := limitsOf(m, pulse.BreakMS)
	var lobes []drawnTrend
	for i := range d.Lobes {
		l := &d.Lobes[i]
		for _, x := range []struct {
			of string
			t  *pulse.Trend
		}{{"opening", l.Opening}, {"break", l.Break}} {
			if !changes(x.t) || len(lobes) == mostLobesDrawn {
				continue
			}
			p := drawnTrend{title: "Lobe " + figure.Count(l.Lobe) + " " + x.of + ", error", unit: "ms", t: x.t}
			p.of = func(w *pulse.Window) (float64, bool) {
				if i >= len(w.Lobes) {
					return 0, false
				}
				e := &w.Lobes[i].Opening
				if x.of == "break" {
					e = &w.Lobes[i].Break
				}
				return e.Mean, e.N > 0
			}
			if x.of == "break" && l.Whole != nil {
				error := p.of
				p.title, p.t, p.limits = "Lobe "+figure.Count(l.Lobe)+" break", l.Whole, inMS
				p.of = func(w *pulse.Window) (float64, bool) {
					e, ok := error(w)
					return e + w.LobeBreakMS.V, ok && w.LobeBreakMS.OK
				}
			}
			lobes = append(lobes, p)
		}
	}
	rate := drawnTrend{"Rate", rateUnit, d.Rate, mean(func(w *pulse.Window) *pulse.WindowMean { return &w.Rate }), limitsOf(m, pulse.RateIPM, pulse.RatePPS)}
	percent := drawnTrend{"Percent break", "%", d.BreakPercent, mean(func(w *pulse.Window) *pulse.WindowMean { return &w.BreakPercent }), limitsOf(m, pulse.BreakPercent)}
	brk := drawnTrend{"Break", "ms", d.BreakMS, mean(func(w *pulse.Window) *pulse.WindowMean { return &w.BreakMS }), inMS}
	if told(d.Rate) && (changes(d.Rate) || len(lobes) == 0 && !changes(d.BreakMS)) {
		all = append(all, rate)
	}
	if told(d.BreakPercent) {
		all = append(all, percent)
	}
	// Without a limit of its own, the break says what percent break does.
	if changes(d.BreakMS) && (len(inMS) > 0 || !changes(d.BreakPercent)) {
		all = append(all, brk)
	}
	return append(all, lobes...)
}

// limitsOf are the limits on quantities that were asked for.
func limitsOf(m *pulse.Measurement, of ...pulse.Quantity) (all []float64) {
	if m.Conformity == nil {
		return nil
	}
	for _, it := range m.Conformity.Items {
		if slices.Contains(of, pulse.Quantity(it.Quantity)) {
			all = append(all, it.Limit)
		}
	}
	return all
}
