package pulse

import (
	"math"
	"strconv"
)

// A model says how a quantity of one break and the period that it begins, or
// of the breaks of one cycle, answers to errors of the measuring chain, all in
// the quantity's unit.
type model struct {
	// noise is the root sum of squares of the sensitivities, per ms, to the
	// time of each edge.
	noise float64
	// asymmetry is the sensitivity, per ms, to a delay that openings have and
	// closings have not: it acts like earlier closings.
	asymmetry float64
	scale     float64 // answer to a relative error of the time base
}

// breakEdges is the root sum of squares of a percent break's answers to the
// edges of a cycle of k breaks, each in units of 1/period: with b = break /
// period, the cycle's own opening counts with 1 − b, the next one with b, and
// the k closings and k − 1 openings between them with 1.
func breakEdges(k int, b float64) float64 {
	return math.Sqrt(float64(2*k-1) + (1-b)*(1-b) + b*b)
}

func modelOf(q Quantity, breaks int, breakMS, periodMS float64) (m model, ok bool) {
	makeMS := periodMS - breakMS
	both := breakMS > 0 && makeMS > 0
	k, b := max(breaks, 1), breakMS/periodMS
	switch q {
	case BreakMS, SegmentMS:
		return model{math.Sqrt2, 1, breakMS}, breakMS > 0
	case MakeMS:
		return model{math.Sqrt2, -1, makeMS}, both
	case InterdigitMS:
		return model{math.Sqrt2, -1, periodMS}, periodMS > 0
	case BounceMS: // between two edges of the same sense
		return model{math.Sqrt2, 0, breakMS}, breakMS >= 0
	case PeriodMS:
		return model{math.Sqrt2, 0, periodMS}, periodMS > 0
	case RatePPS, RateIPM:
		rate := unitsPerMS(q) / periodMS
		return model{math.Sqrt2 * rate / periodMS, 0, rate}, periodMS > 0
	case BreakPercent:
		c := 100 / periodMS
		return model{c * breakEdges(k, b), c * float64(k), 0}, both
	case BreakRatio: // b / (1 − b), so its answers are those of b over (1 − b)²
		c := periodMS / (makeMS * makeMS)
		return model{c * breakEdges(k, b), c * float64(k), 0}, both
	}
	return model{}, false
}

// unitsPerMS is a rate's figure for a period of 1 ms.
func unitsPerMS(q Quantity) float64 {
	if q == RateIPM {
		return 60e3
	}
	return 1e3
}

// Budget gives the uncertainty of one value of q, in q's unit, from what s
// says of the measuring chain (JCGM 100:2008): for break, make, percent break
// and ratio the value of a break of breakNS in a period of periodNS; for
// period and rates of periodNS. BounceMS and SegmentMS take their own length
// as breakNS, InterdigitMS the gap as periodNS; the other argument is not used.
//
// Edge times are independent of each other; the coupler's asymmetry moves all
// openings alike, so it leaves what lies between two edges of the same sense;
// the time base cancels in percent break and ratio; recorded times in steps
// are off by up to half a step, each alike likely (4.3.7). Components that do
// not act are left out.
//
// Standard and Expanded are unknown where a needed length, or the make, is not
// positive (a bounce may be 0), or q is not known.
func (s Setup) Budget(q Quantity, breaks int, breakNS, periodNS float64) *BudgetResult {
	out := &BudgetResult{Budget: []Component{}}
	m, ok := modelOf(q, breaks, breakNS/1e6, periodNS/1e6)
	if !ok {
		return out
	}
	var variance float64
	add := func(effect Effect, from string, repeated bool, sensitivity, standard float64) {
		u := math.Abs(sensitivity * standard)
		if u == 0 {
			return
		}
		variance += u * u
		kind := "B"
		if repeated {
			kind = "A"
		}
		out.Budget = append(out.Budget, Component{Cause{effect, from}, u, kind})
	}
	add(EdgeNoise, s.EdgeNoiseFrom, s.EdgeNoiseA, m.noise, s.EdgeNoiseNS/1e6)
	add(Asymmetry, s.AsymmetryFrom, s.AsymmetryA, m.asymmetry, s.AsymmetryUNS/1e6)
	add(TimeBase, s.ClockFrom.String(), false, m.scale, s.ClockRel)
	add(Resolution, "steps of "+stepText(s.ResolutionNS), false, m.noise, s.resolutionMS())

	u := math.Sqrt(variance)
	if !finite(u) {
		return &BudgetResult{Budget: []Component{}}
	}
	out.Standard, out.Expanded = Known(u), Known(s.coverage()*u)
	return out
}

func (s Setup) coverage() float64 {
	if s.CoverageFactorK == 0 {
		return 2
	}
	return s.CoverageFactorK
}

// resolutionMS is the standard uncertainty of a time recorded in steps, 0
// where they are whole nanoseconds.
func (s Setup) resolutionMS() float64 {
	if s.ResolutionNS <= 1 {
		return 0
	}
	return s.ResolutionNS / 1e6 / math.Sqrt(12)
}

// stepText writes a step of recorded times for people: "24 µs", "41.67 ns".
func stepText(ns float64) string {
	unit := " ns"
	switch {
	case ns >= 1e6:
		ns, unit = ns/1e6, " ms"
	case ns >= 1e3:
		ns, unit = ns/1e3, " µs"
	}
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(ns, 'e', 3, 64), 64) // four digits
	if err != nil {
		rounded = ns
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64) + unit
}
