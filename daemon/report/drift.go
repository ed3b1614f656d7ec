package report

import (
	"math"
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
	s := driftSpeech{d: d, a: a, unit: unitFor(float64(d.ToS-d.FromS) / 3600)}
	doc.head("Change over time")
	doc.tell("", s.basis())
	if d.Windows < d.WindowsNeeded {
		doc.tell("", figure.Plural(d.Windows, "window is", "windows are")+" too few for a trend, which needs "+figure.Count(d.WindowsNeeded)+
			": measure longer, or ask for a shorter --window.")
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
		if text := s.of(q.t, q.unit, singles(m)); text != "" {
			doc.tell(q.lead, text)
		}
	}
	s.lobes(doc)
	if text := s.charts(); text != "" {
		doc.tell("", text)
	}
	s.chart(doc, m, rateUnit)
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
	if d.Windows > 0 {
		text += ", from " + s.at(float64(d.FromS)) + " to " + s.at(float64(d.ToS))
	}
	if d.SplitS.OK {
		text += "; those before the note of " + s.at(d.SplitS.V) + " (" + figure.Count(d.WindowsBefore) + ") are another series"
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

// change writes a slope with its 95 % interval as ±, in the unit of time.
func (s *driftSpeech) change(t *pulse.Trend, unit string) string {
	slope, u := math.Abs(t.SlopePerHour.V)*s.unit.hours, (t.High.V-t.Low.V)/2*s.unit.hours
	dec := figure.Decimals(u)
	return figure.Fixed(slope, dec) + " ± " + figure.NonZero(u, dec) + " " + unit + " " + s.unit.name
}

// of says how one quantity changes.
func (s *driftSpeech) of(t *pulse.Trend, unit, singles string) string {
	var said []string
	verb := "rises"
	if t.SlopePerHour.V < 0 {
		verb = "falls"
	}
	switch {
	case !t.SlopePerHour.OK:
	case t.Better == pulse.BetterSlope:
		text := verb + " " + s.change(t, unit) + s.since()
		if c := t.CrossesLimitInHours; c != nil && !c.Beyond {
			text += "; at that pace its mean reaches " + driftLimit(c, unit) + " in " + inTime(c)
			if x := t.SingleCrossesLimitInHours; x != nil {
				text += ", " + singles + " in " + inTime(x)
			}
		}
		if t.TooUnsure {
			text += ", not sure enough yet to say when it reaches a limit"
		}
		said = append(said, text)
	case t.Better == pulse.BetterStep:
		said = append(said, s.step(t, unit)+"; no steady change explains it as well")
	case t.Better == pulse.BetterUnclear:
		text := "has changed, and it cannot be told how: it " + verb + " " + s.change(t, unit)
		if t.Step != nil {
			text += ", or it " + s.step(t, unit)
		}
		said = append(said, text)
	default:
		said = append(said, "no drift shown: less than "+s.proves(t.ProvesPerHour.V)+" "+unit+" "+s.unit.name+" (95 %)")
	}
	if c := t.CrossesLimitInHours; c != nil && c.Beyond {
		said = append(said, "its mean is beyond "+driftLimit(c, unit)+" already")
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
	dec := figure.Decimals(u)
	return verb + " by " + figure.Fixed(math.Abs(x.Size.V), dec) + " ± " + figure.NonZero(u, dec) + " " + unit + " at " + s.at(float64(x.AtS))
}

// proves writes a bound with two digits, rounded so that it never claims more.
func (s *driftSpeech) proves(perHour float64) string {
	v := perHour * s.unit.hours
	dec := figure.Decimals(v)
	scale := math.Pow(10, float64(dec))
	return figure.NonZero(math.Ceil(v*scale-1e-9)/scale, dec)
}

// alarm says what a chart tells beside the trend.
func (s *driftSpeech) alarm(t *pulse.Trend, unit string) string {
	if unit == "points" {
		unit = "%"
	}
	r := t.Reference
	dec := figure.Decimals(2 * r.Sigma.V)
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
				doc.tell("Lobe "+figure.Count(l.Lobe)+" "+x.of, s.of(x.t, "ms", ""))
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
	doc.tell(lead, "Of "+noun+" a drift is shown: less than "+s.proves(most)+" ms "+s.unit.name+" in opening and break, each against the median of the lobes (95 %).")
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
			" windows at most."
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
	picture := plot.Drift{XLabel: label + " from " + s.at(float64(d.FromS)), Note: "Dots are means of windows, the line is the trend or the step that explains them, dashes are limits."}
	for _, q := range []struct {
		title, unit string
		t           *pulse.Trend
		of          func(*pulse.Window) *pulse.WindowMean
		quantity    string
	}{
		{"Rate", rateUnit, d.Rate, func(w *pulse.Window) *pulse.WindowMean { return &w.Rate }, "rate"},
		{"Percent break", "%", d.BreakPercent, func(w *pulse.Window) *pulse.WindowMean { return &w.BreakPercent }, string(pulse.BreakPercent)},
	} {
		if q.t == nil || q.t.N < d.WindowsNeeded {
			continue
		}
		p := plot.DriftPanel{Title: q.title, Y: q.unit}
		step := (len(d.Series) + mostDots - 1) / mostDots
		for i := 0; i < len(d.Series); i += step {
			w := &d.Series[i]
			x := q.of(w)
			if x.N == 0 {
				continue
			}
			p.X, p.Means = append(p.X, float64(w.At-from)/1e9/per), append(p.Means, x.Mean)
			ahead := float64(w.At-d.Series[len(d.Series)-1].To) / 3600e9
			switch q.t.Better {
			case pulse.BetterSlope:
				p.Trend = append(p.Trend, q.t.LevelAtEnd.V+ahead*q.t.SlopePerHour.V)
			case pulse.BetterStep:
				level := q.t.StepBefore.V
				if float64(w.At-from)/1e9+float64(d.FromS) >= float64(q.t.Step.AtS) {
					level += q.t.Step.Size.V
				}
				p.Trend = append(p.Trend, level)
			}
		}
		if m.Conformity != nil {
			for _, it := range m.Conformity.Items {
				if it.Quantity == q.quantity || q.quantity == "rate" && strings.HasPrefix(it.Quantity, "rate_") {
					p.Limits = append(p.Limits, it.Limit)
				}
			}
		}
		picture.Panels = append(picture.Panels, p)
	}
	if len(picture.Panels) > 0 {
		doc.add(Chart{Title: "Change over time", SVG: picture.SVG})
	}
}
