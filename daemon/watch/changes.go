package watch

import (
	"encoding/json"
	"fmt"

	"makebreak/daemon/figure"
	"makebreak/daemon/live"
	"makebreak/daemon/store"
	"makebreak/daemon/trend"
	"makebreak/hw"
	"makebreak/pulse"
)

// A changeDetail is what a finding of a change holds for programs.
type changeDetail struct {
	trend.Subject
	Lobe         int         `json:"lobe,omitempty"` // that was shown
	Worked       bool        `json:"worked_on,omitempty"`
	SinceRunNS   pulse.Stamp `json:"since_run_ns"` // on the log's clock
	SlopePerHour *pulse.Num  `json:"slope_per_hour,omitempty"`
	Low          *pulse.Num  `json:"low,omitempty"` // of the slope or the step
	High         *pulse.Num  `json:"high,omitempty"`
	Step         *pulse.Num  `json:"step,omitempty"`
	SwingMS      float64     `json:"swing_ms,omitempty"`
	BeforeMS     float64     `json:"swing_before_ms,omitempty"`
}

// changeKinds are the findings of changes, by kind.
var changeKinds = [...]live.Finding{
	trend.Drifting: live.Drifts, trend.DriftOver: live.DriftOver, trend.Stepped: live.Stepped, trend.SwingGrown: live.SwingGrown,
}

// changed records a change. The log's time is p, nil where the log is not open.
func (c *contact) changed(x *trend.Change, p *past) {
	d := changeDetail{Subject: x.Subject, Lobe: x.Lobe, SwingMS: x.SwingMS, BeforeMS: x.BeforeMS, Worked: x.Worked}
	if p != nil {
		d.SinceRunNS = x.Since - p.shift
	}
	switch t := x.Trend; {
	case t == nil:
	case x.Kind == trend.Stepped:
		d.Step, d.Low, d.High = &t.Step.Size, &t.Step.Low, &t.Step.High
	default:
		d.SlopePerHour, d.Low, d.High = &t.SlopePerHour, &t.Low, &t.High
	}
	anchor, _ := c.Clock()
	c.find(changeKinds[x.Kind], c.Now(), changeText(x, anchor), d)
}

// changes says how a contact changes, a sentence each without its end.
func (w *watch) changes(name string) (all []string) {
	anchor, _ := w.Clock()
	for _, c := range w.all() {
		if c.name != name {
			continue
		}
		f := c.live.Trend.Figures()
		for i := range f.Standing {
			all = append(all, changeText(&f.Standing[i], anchor))
		}
	}
	return all
}

// changeOf reads a finding of a change. Since is in run time.
func changeOf(f *store.Finding) (x trend.Change, ok bool) {
	for kind, k := range changeKinds {
		if f.Kind == findingKinds[k] {
			x.Kind, ok = trend.ChangeKind(kind), true
		}
	}
	var d changeDetail
	if !ok || json.Unmarshal(f.Detail, &d) != nil {
		return x, false
	}
	x.Subject, x.Lobe, x.Since, x.SwingMS, x.BeforeMS, x.Worked = d.Subject, d.Lobe, d.SinceRunNS, d.SwingMS, d.BeforeMS, d.Worked
	return x, true
}

// changeText says a change in words.
func changeText(x *trend.Change, anchor hw.Anchor) string {
	since := anchor.At(x.Since).UTC().Format("2006-01-02 15:04 MST")
	what, unit := subjectText(x)
	switch x.Kind {
	case trend.Drifting:
		t := x.Trend
		text := what + " drifts: " + perDay(t.SlopePerHour, t.Low, t.High, unit) + " a day since " + since
		if in := t.CrossesLimitInHours; in != nil && in.Estimate.OK {
			text += "; at that pace it reaches " + figure.Trimmed(in.Limit, 6) + " " + unit + " in " + days(in)
		}
		return text
	case trend.DriftOver:
		return what + " drifts no longer"
	case trend.Stepped:
		s := x.Trend.Step
		u := (s.High.V - s.Low.V) / 2
		return what + " made a step of " + figure.Signed(s.Size.V, u) + " " + unit + " at " + since
	}
	u := x.SwingMS / 20
	before := "at first"
	if x.Worked {
		before = "after the last work"
	}
	return fmt.Sprintf("%s swings the openings by ±%s ms; %s it was ±%s ms", what,
		figure.Fixed(x.SwingMS, figure.Decimals(u)), before, figure.Fixed(x.BeforeMS, figure.Decimals(u)))
}

// subjectText names what a change is of, and its unit.
func subjectText(x *trend.Change) (what, unit string) {
	s := &x.Subject
	switch {
	case s.Shaft != "":
		return "the shaft " + s.Shaft, "ms"
	case s.Lobe > 0:
		return fmt.Sprintf("the %s of lobe %d", s.Of, x.Lobe), "ms"
	}
	what, unit = figure.Quantity(string(s.Quantity))
	if s.Quantity == pulse.BreakPercent {
		unit = "points"
	}
	return what, unit
}

// perDay writes a slope with its uncertainty.
func perDay(slope, low, high pulse.Num, unit string) string {
	return figure.Signed(24*slope.V, 12*(high.V-low.V)) + " " + unit
}

// days writes when a limit is reached.
func days(c *pulse.Crossing) string {
	span := func(h float64) string {
		if h < 48 {
			return figure.Fixed(h, 0) + " hours"
		}
		return figure.Fixed(h/24, 0) + " days"
	}
	if !c.Low.OK || !c.High.OK {
		return "about " + span(c.Estimate.V)
	}
	return span(c.Low.V) + " to " + span(c.High.V)
}
