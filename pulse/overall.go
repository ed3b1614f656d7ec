package pulse

import "math"

// An overallSum is what an overall figure rests on: n periods of breaks each, in
// runs within which each period begins at the opening that ended the one before.
type overallSum struct {
	n, runs, breaks   int
	breakNS, periodNS float64 // sums
}

// overallRate is the relative standard uncertainty of a rate over runs that last
// spanNS together. Within a run the openings between its first and its last cancel,
// so noise of edgeNS counts twice a run. Steps of the recorded times may be off
// alike in every run. The time base is common to all (JCGM 100:2008, 5.1 and 5.2).
func (s Setup) overallRate(runs int, spanNS, edgeNS float64) float64 {
	noise := math.Sqrt(2*float64(runs)) * edgeNS
	steps := math.Sqrt2 * float64(runs) * s.resolutionMS() * 1e6
	return math.Hypot(math.Hypot(noise, steps)/spanNS, s.ClockRel)
}

// overallPercent is the standard uncertainty of 100 · sum of breaks / sum of
// periods, b as a fraction. In a run of m periods of k breaks its km closings
// and km − 1 openings inside count with 1, its first opening with 1 − b and
// its last with b: noise of edgeNS has the variance 2kn − 2·runs·b(1 − b) in
// units of 100 · edgeNS / sum of periods. The asymmetry acts alike on each
// break, and so may steps of the recorded times on each period; the time base
// cancels.
func (s Setup) overallPercent(x overallSum, edgeNS float64) float64 {
	b, k, n := x.breakNS/x.periodNS, float64(x.breaks), float64(x.n)
	noise := edgeNS * math.Sqrt(2*k*n-2*float64(x.runs)*b*(1-b))
	asymmetry := n * k * s.AsymmetryUNS
	steps := n * breakEdges(x.breaks, b) * s.resolutionMS() * 1e6
	return 100 / x.periodNS * math.Hypot(math.Hypot(noise, steps), asymmetry)
}

// overall adds to the budgets the expanded uncertainties of the overall rate
// and percent break. Where the edges were seen to scatter more than the
// budget's noise, that scatter counts in its place: what was seen is never
// more certain than it looks.
func (m *Meter) overall(r *Measurement, u map[Quantity]*BudgetResult) {
	var x overallSum
	var q Quantity
	var percent Stat
	var rate, rateNS, seenNS float64 // the time that the rate rests on, the scatter of the edges in it
	switch {
	case r.Dial != nil:
		d := &m.dial
		q, percent, rate = RatePPS, r.Dial.BreakPercent.Stat, r.Dial.RatePPS.Overall.V
		x = overallSum{n: d.per.Len(), breaks: 1, breakNS: float64(d.brk.Sum()), periodNS: float64(d.per.Sum())}
		rateNS = x.periodNS
		for t := range d.trains.all {
			if t.pulses > 1 {
				x.runs++
			}
		}
		// The standard deviation of a period is √2 times that of its edges.
		if s := r.Dial.RatePPS.Stat; s.SD.OK {
			seenNS = s.SD.V / s.Mean.V * x.periodNS / float64(x.n) / math.Sqrt2
		}
	case r.Interrupter != nil:
		c := &m.interrupter
		q, percent, rate = RateIPM, r.Interrupter.BreakPercent.Stat, r.Interrupter.RateIPM.Overall.V
		x = overallSum{n: c.per.Len(), breaks: max(c.follow.pat.k(), 1), breakNS: float64(c.brk.Sum()), periodNS: float64(c.per.Sum())}
		var span int64
		_, span, x.runs = c.overallRate()
		seenNS, rateNS = c.phase.sdNS(), float64(span)
	}
	if x.n == 0 || x.periodNS <= 0 {
		return
	}
	x.runs = min(max(x.runs, 1), x.n)
	expand := m.setup.coverage()
	if b := u[q]; b != nil && b.Expanded.OK {
		b.Overall = Known(expand * rate * m.setup.overallRate(x.runs, rateNS, max(m.setup.EdgeNoiseNS, seenNS)))
	}
	if b := u[BreakPercent]; b != nil && b.Expanded.OK {
		seenNS = 0
		if percent.SD.OK { // as one period's edges would give it
			seenNS = percent.SD.V / 100 * x.periodNS / float64(x.n) / breakEdges(x.breaks, x.breakNS/x.periodNS)
		}
		b.Overall = Known(expand * m.setup.overallPercent(x, max(m.setup.EdgeNoiseNS, seenNS)))
	}
}
