package pulse

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// An Effect is what makes a measured value uncertain.
type Effect uint8

const (
	EdgeNoise Effect = iota
	Asymmetry
	TimeBase
	Resolution
)

var effects = [...]string{"edge-time noise", "opto-coupler asymmetry", "time base", "time resolution"}

func (e Effect) String() string { return effects[e] }

// A Cause is an effect with the source of its figure, in words. From is empty
// where that is not told.
type Cause struct {
	Effect Effect
	From   string
}

// String writes a cause as the budget of a measurement document names it.
func (c Cause) String() string {
	if c.From == "" {
		return c.Effect.String()
	}
	return c.Effect.String() + " (" + c.From + ")"
}

// MarshalText is String.
func (c Cause) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads the name of a budget's component.
func (c *Cause) UnmarshalText(b []byte) error {
	name, from, ok := strings.Cut(string(b), " (")
	for i, s := range effects {
		if s == name {
			*c = Cause{Effect(i), from}
			if ok {
				c.From = strings.TrimSuffix(from, ")")
			}
			return nil
		}
	}
	return fmt.Errorf("%q is no effect of the measuring chain", name)
}

// A model holds the sensitivities of a quantity to errors of the measuring chain,
// in the quantity's unit. The quantity is of one break and the period that it
// begins, or of the breaks of one cycle.
type model struct {
	// noise is the root sum of squares of the sensitivities, per ms, to the
	// time of each edge.
	noise float64
	// asymmetry is the sensitivity, per ms, to a delay of openings only. It acts
	// like earlier closings.
	asymmetry float64
	scale     float64 // sensitivity to a relative error of the time base
}

// breakEdges is the root sum of squares of the sensitivities of a percent break to
// the edges of a cycle of k breaks, each in units of 1/period. With b = break /
// period, the opening of the cycle counts with 1 − b, that of the next cycle with
// b, and the k closings and k − 1 openings between them with 1.
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
	case BreakRatio: // b / (1 − b), so its sensitivities are those of b over (1 − b)²
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

// Budget gives the uncertainty of one value of q, in q's unit, from what s says of
// the measuring chain (JCGM 100:2008). Break, make, percent break and ratio are
// those of a break of breakNS in a period of periodNS, period and rates those of
// periodNS. BounceMS and SegmentMS take their own length as breakNS, InterdigitMS
// the gap as periodNS; the other argument is not used. breaks is the number of
// breaks in a cycle (less than 1 means 1): percent break and ratio are of all of
// them, and breakNS is their sum.
//
// Edge times are independent of each other. The asymmetry of the opto-coupler
// moves all openings alike, so it leaves what lies between two edges of the same
// sense. The time base cancels in percent break and ratio. Times recorded in steps
// are off by up to half a step, evenly distributed (4.3.7). Components of 0 are
// left out.
//
// Standard and Expanded are unknown where a needed length, or the make, is not
// positive (a bounce may be 0), and for an unknown q.
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
		out.Budget = append(out.Budget, Component{Cause{effect, from}, Rounded(u), kind})
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

// stepText writes a step of recorded times with four digits: "24 µs", "41.67 ns".
func stepText(ns float64) string {
	unit := " ns"
	switch {
	case ns >= 1e6:
		ns, unit = ns/1e6, " ms"
	case ns >= 1e3:
		ns, unit = ns/1e3, " µs"
	}
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(ns, 'e', 3, 64), 64)
	if err != nil {
		rounded = ns
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64) + unit
}
