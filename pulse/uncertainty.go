package pulse

import (
	"math"
	"strconv"
)

// An Input is one input quantity of a measurement (JCGM 100:2008).
type Input struct {
	Name        string
	Sensitivity float64 // ∂y/∂x
	Standard    float64 // standard uncertainty of x
	DoF         float64 // degrees of freedom of Standard; 0 or Inf: infinite
	Kind        string  // "A" from repeated observations, "B" from other knowledge
}

// Combine gives the combined standard uncertainty u by the law of propagation
// of uncertainty (JCGM 100:2008, 5.1.2 and 5.2.2) and its effective degrees of
// freedom by the Welch–Satterthwaite formula (G.4.1). corr gives the correlation
// coefficient of inputs i < j; nil means that all are independent.
//
// dof is +Inf when every input's is infinite, and NaN where an input with a
// finite one is correlated, since the formula holds for independent inputs
// only. Without inputs u is 0 and dof +Inf.
func Combine(in []Input, corr func(i, j int) float64) (u float64, dof float64) {
	var variance float64
	correlated, limited := false, false
	for i, a := range in {
		ua := a.Sensitivity * a.Standard
		variance += ua * ua
		limited = limited || a.DoF != 0 && !math.IsInf(a.DoF, 1)
		for j := i + 1; corr != nil && j < len(in); j++ {
			if r := corr(i, j); r != 0 {
				variance += 2 * r * ua * in[j].Sensitivity * in[j].Standard
				correlated = true
			}
		}
	}
	u = math.Sqrt(max(variance, 0)) // full correlation can round below 0
	switch {
	case !limited || u == 0:
		return u, math.Inf(1)
	case correlated:
		return u, math.NaN()
	}
	var sum float64
	for _, a := range in {
		if a.DoF != 0 {
			sum += math.Pow(a.Sensitivity*a.Standard/u, 4) / a.DoF
		}
	}
	return u, 1 / sum
}

// OfCadence is the setup for the percent break of a cycle of several breaks:
// each adds its own edges, and the asymmetry once more.
func (s Setup) OfCadence(breaks int) Setup {
	if k := float64(breaks); k > 1 {
		s.AsymmetryUNS *= k
		s.EdgeNoiseNS *= math.Sqrt(k)
		s.ResolutionNS *= math.Sqrt(k)
	}
	return s
}

// A model says how a quantity of one break and the period that it begins
// answers to errors of the measuring chain, all in the quantity's unit.
type model struct {
	// edges are the sensitivities, per ms, to the times of the opening, the
	// closing and the next opening. A delay that openings have and closings
	// have not acts like an earlier closing, with the second of them.
	edges [3]float64
	scale float64 // answer to a relative error of the time base
}

func modelOf(q Quantity, breakMS, periodMS float64) (m model, ok bool) {
	makeMS := periodMS - breakMS
	both := breakMS > 0 && makeMS > 0
	rate := func(perMS float64) model { // perMS / period
		c := perMS / (periodMS * periodMS)
		return model{[3]float64{c, 0, -c}, perMS / periodMS}
	}
	switch q {
	case BreakMS, SegmentMS:
		return model{[3]float64{-1, 1, 0}, breakMS}, breakMS > 0
	case MakeMS:
		return model{[3]float64{0, -1, 1}, makeMS}, both
	case InterdigitMS:
		return model{[3]float64{0, -1, 1}, periodMS}, periodMS > 0
	case BounceMS: // between two edges of the same sense
		return model{[3]float64{-1, 0, 1}, breakMS}, breakMS >= 0
	case PeriodMS:
		return model{[3]float64{-1, 0, 1}, periodMS}, periodMS > 0
	case RatePPS:
		return rate(1e3), periodMS > 0
	case RateIPM:
		return rate(60e3), periodMS > 0
	case BreakPercent:
		c := 100 / periodMS
		return model{[3]float64{-c * makeMS / periodMS, c, -c * breakMS / periodMS}, 0}, both
	case BreakRatio:
		c := 1 / makeMS
		return model{[3]float64{-c, c * periodMS / makeMS, -c * breakMS / makeMS}, 0}, both
	}
	return model{}, false
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
func (s Setup) Budget(q Quantity, breakNS, periodNS float64) *BudgetResult {
	out := &BudgetResult{Budget: []Component{}}
	m, ok := modelOf(q, breakNS/1e6, periodNS/1e6)
	if !ok {
		return out
	}
	var inputs []Input
	add := func(name, kind string, sensitivity, standard float64) {
		if u := math.Abs(sensitivity * standard); u != 0 {
			inputs = append(inputs, Input{Name: name, Kind: kind, Sensitivity: 1, Standard: u})
			out.Budget = append(out.Budget, Component{name, u, kind})
		}
	}
	named := func(name, from string) string {
		if from == "" {
			return name
		}
		return name + " (" + from + ")"
	}
	kind := func(a bool) string {
		if a {
			return "A"
		}
		return "B"
	}
	edges := math.Sqrt(m.edges[0]*m.edges[0] + m.edges[1]*m.edges[1] + m.edges[2]*m.edges[2])

	add(named("edge-time noise", s.EdgeNoiseFrom), kind(s.EdgeNoiseA), edges, s.EdgeNoiseNS/1e6)
	add(named("opto-coupler asymmetry", s.AsymmetryFrom), kind(s.AsymmetryA), m.edges[1], s.AsymmetryUNS/1e6)
	add(named("time base", s.ClockFrom), "B", m.scale, s.ClockRel)
	if s.ResolutionNS > 1 {
		step := strconv.FormatFloat(s.ResolutionNS, 'f', -1, 64)
		add("time resolution (steps of "+step+" ns)", "B", edges, s.ResolutionNS/1e6/math.Sqrt(12))
	}

	u, _ := Combine(inputs, nil)
	if !finite(u) {
		return &BudgetResult{Budget: []Component{}}
	}
	k := s.CoverageFactorK
	if k == 0 {
		k = 2
	}
	out.Standard, out.Expanded = Known(u), Known(k*u)
	return out
}
