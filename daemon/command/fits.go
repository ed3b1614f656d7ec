package command

import (
	"math"
	"slices"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

const (
	// nominalWithin is how far the mean of a segment may be from a nominal one
	// to be recognised: our own choice. What is nearer to two cadences, such as
	// 500/500 and 480/480, is recognised as both.
	nominalWithin = 0.05
	// toleratedWithin is the same where the profile has limits: those decide,
	// this parts cadences of as many segments.
	toleratedWithin = 0.25
	maxFits         = 6
)

// fitting gives the profiles that a measurement's means keep: those with
// limits, and those that are nominal only. Pauses and bounce do not count:
// they do not tell one contact from another.
func fitting(m *pulse.Measurement, profiles []*pulse.Profile) (judged, nominal []*pulse.Profile) {
	if m.KindLooks == nil || *m.KindLooks != m.Kind {
		return nil, nil
	}
	for _, p := range profiles {
		switch {
		case p.Kind.String() != m.Kind:
		case m.Dial != nil && dialFits(m.Dial, p), m.Interrupter != nil && len(p.Limits) > 0 && cadenceFits(m, p):
			judged = append(judged, p)
		case m.Interrupter != nil && len(p.Limits) == 0 && cadenceFits(m, p):
			nominal = append(nominal, p)
		}
	}
	return judged, nominal
}

// keeps tells whether v keeps a limit; v that was not measured does not.
func keeps(v pulse.Num, l *pulse.Limit) bool {
	return v.OK && l.Keeps(v.V)
}

func dialFits(d *pulse.Dial, p *pulse.Profile) bool {
	told := false
	for i := range p.Limits {
		l := &p.Limits[i]
		v := d.RatePPS.Overall
		switch l.Quantity {
		case pulse.RatePPS:
		case pulse.PeriodMS:
			v.V = 1e3 / v.V
		case pulse.BreakPercent, pulse.BreakRatio:
			if v = d.BreakPercent.Overall; l.Quantity == pulse.BreakRatio {
				v.V /= 100 - v.V
			}
		case pulse.BreakMS:
			v = d.BreakMS.Mean
		case pulse.MakeMS:
			v = d.MakeMS.Mean
		default:
			continue
		}
		if told = true; !keeps(v, l) {
			return false
		}
	}
	return told
}

// cadenceFits compares a cycle's segments, wherever the cycle is taken to begin.
func cadenceFits(m *pulse.Measurement, p *pulse.Profile) bool {
	in, got := m.Interrupter, segmentMeans(m)
	n := len(got)
	if n == 0 || in.Cycles < 2 || len(p.CadenceNS) > 0 && len(p.CadenceNS) != n {
		return false
	}
	within := toleratedWithin
	if len(p.Limits) == 0 {
		within = nominalWithin
	}
	segments := func(from int) bool { // from is where the profile's segment 1 is
		for i, ns := range p.CadenceNS {
			if want := float64(ns) / 1e6; math.Abs(got[(from+i)%n]-want) > within*want {
				return false
			}
		}
		for i := range p.Limits {
			if l := &p.Limits[i]; l.Quantity == pulse.SegmentMS && !keeps(pulse.Known(got[(from+l.Segment-1)%n]), l) {
				return false
			}
		}
		return true
	}
	for i := range p.Limits {
		l := &p.Limits[i]
		ok := true
		switch l.Quantity {
		case pulse.RateIPM:
			ok = keeps(in.RateIPM.Overall, l)
		case pulse.PeriodMS:
			ok = keeps(in.PeriodMS.Mean, l)
		case pulse.BreakPercent:
			ok = keeps(in.BreakPercent.Overall, l)
		case pulse.MakeMS, pulse.BreakMS:
			for j, v := range got {
				ok = ok && ((l.Quantity == pulse.MakeMS) != (j%2 == 0) || keeps(pulse.Known(v), l))
			}
		}
		if !ok {
			return false
		}
	}
	for from := 0; from < n; from += 2 {
		if segments(from) {
			return true
		}
	}
	return false
}

// fitsText says which profiles a measurement fits; nothing for none.
func fitsText(m *pulse.Measurement, profiles []*pulse.Profile) string {
	judged, nominal := fitting(m, profiles)
	ids := func(p []*pulse.Profile) string {
		s := make([]string, len(p))
		for i := range p {
			s[i] = p[i].ID
		}
		slices.Sort(s)
		if n := len(s) - maxFits; n > 1 {
			s = append(s[:maxFits], figure.Count(n)+" more")
		}
		return strings.Join(s, ", ")
	}
	text := ""
	if len(judged) > 0 {
		text = "Its means are within the limits of " + ids(judged) + "."
	}
	if len(nominal) > 0 {
		if text != "" {
			text += " "
		}
		text += "Known nominal cadences within " + figure.Trimmed(100*nominalWithin, 0) + " %, to recognise only: " + ids(nominal) + "."
	}
	return text
}
