package pulse

import "math"

const (
	// NominalTolerance is how far the mean of a segment may be from its nominal
	// length for a cadence to be recognised, relative to that length: our own
	// choice. A cadence that is within it of two nominal ones, such as 500/500 and
	// 480/480, is recognised as both.
	NominalTolerance = 0.05
	// limitedTolerance is the same for a profile with limits. The limits decide
	// there; this only tells cadences with equally many segments apart.
	limitedTolerance = 0.25
)

// Matching gives the profiles whose figures the means of the measurement keep:
// within has those with limits, nominal those that have a nominal cadence only.
// Interdigit pauses and bounce do not count, because they do not tell one kind
// of contact from another. Both are empty where the data do not look like the
// kind that they were read as.
func (m *Measurement) Matching(profiles []*Profile) (within, nominal []*Profile) {
	if m.KindLooks == nil || *m.KindLooks != m.Kind {
		return nil, nil
	}
	for _, p := range profiles {
		switch {
		case p.Kind.String() != m.Kind:
		case m.Dial != nil && m.Dial.matches(p), m.Interrupter != nil && len(p.Limits) > 0 && m.Interrupter.Matches(p):
			within = append(within, p)
		case m.Interrupter != nil && len(p.Limits) == 0 && m.Interrupter.Matches(p):
			nominal = append(nominal, p)
		}
	}
	return within, nominal
}

// keptBy tells whether the number keeps a limit; one that was not measured
// does not.
func (n Num) keptBy(l *Limit) bool { return n.OK && l.Keeps(n.V) }

// matches tells whether the means of a dial keep the limits of p, of which at
// least one must be on a mean.
func (d *Dial) matches(p *Profile) bool {
	judged := false
	for i := range p.Limits {
		l := &p.Limits[i]
		v := d.RatePPS.Overall
		switch l.Quantity {
		case RatePPS:
		case PeriodMS:
			v.V = 1e3 / v.V
		case BreakPercent:
			v = d.BreakPercent.Overall
		case BreakRatio:
			v = d.BreakPercent.Overall
			v.V /= 100 - v.V
		case BreakMS:
			v = d.BreakMS.Mean
		case MakeMS:
			v = d.MakeMS.Mean
		default:
			continue
		}
		if judged = true; !v.keptBy(l) {
			return false
		}
	}
	return judged
}

// SegmentMeansMS gives the mean make, break, make, break … of a cycle in ms. It
// is nil where no whole cycle was measured.
func (in *Interrupter) SegmentMeansMS() (ms []float64) {
	if in == nil || in.Cycles == 0 {
		return nil
	}
	if len(in.Segments) == 0 {
		return []float64{in.MakeMS.Mean.V, in.BreakMS.Mean.V}
	}
	for _, s := range in.Segments {
		ms = append(ms, s.MS.Mean.V)
	}
	return ms
}

// Matches tells whether the means of two cycles or more keep the limits and the
// nominal cadence of p, from whichever make that cadence is taken to begin.
func (in *Interrupter) Matches(p *Profile) bool {
	means := in.SegmentMeansMS()
	n := len(means)
	if n == 0 || in.Cycles < 2 || len(p.CadenceNS) > 0 && len(p.CadenceNS) != n {
		return false
	}
	for i := range p.Limits {
		l := &p.Limits[i]
		ok := true
		switch l.Quantity {
		case RateIPM:
			ok = in.RateIPM.Overall.keptBy(l)
		case PeriodMS:
			ok = in.PeriodMS.Mean.keptBy(l)
		case BreakPercent:
			ok = in.BreakPercent.Overall.keptBy(l)
		case MakeMS, BreakMS:
			for j, v := range means {
				ofLimit := (l.Quantity == MakeMS) == (j%2 == 0)
				ok = ok && (!ofLimit || l.Keeps(v))
			}
		}
		if !ok {
			return false
		}
	}
	for first := 0; first < n; first += 2 {
		if p.matchesCadence(means, first) {
			return true
		}
	}
	return false
}

// matchesCadence tells whether the means of a cycle's segments, of which number
// first (from 0) is taken as the profile's segment 1, keep its nominal cadence
// and its limits on segments.
func (p *Profile) matchesCadence(means []float64, first int) bool {
	tolerance := limitedTolerance
	if len(p.Limits) == 0 {
		tolerance = NominalTolerance
	}
	for i, ns := range p.CadenceNS {
		want := ms(float64(ns))
		if math.Abs(means[(first+i)%len(means)]-want) > tolerance*want {
			return false
		}
	}
	for i := range p.Limits {
		l := &p.Limits[i]
		if l.Quantity == SegmentMS && !l.Keeps(means[(first+l.Segment-1)%len(means)]) {
			return false
		}
	}
	return true
}
