package pulse

import "math"

// Periods are what is kept of the periods of some stretch of a contact, to give
// its overall rate and percent break. The zero value is of no period.
type Periods struct {
	N                 int
	Runs              int     // within one, each period begins where the one before ended
	Breaks            int     // in each period; 0 counts as 1
	BreakNS, PeriodNS float64 // sums
	PeriodSDNS        Num     // standard deviation of the periods
	PercentSD         Num     // of their percent breaks, in percentage points
}

// Overall gives the rate over all periods, in periods a second, and the percent
// break over them, with their expanded uncertainties (k = 2) as a Measurement
// states them of its overall figures: from the setup, and from the scatter of the
// periods where that shows more noise than the setup has. All are unknown without
// a period.
func (s Setup) Overall(p Periods) (hertz, hertzU, percent, percentU Num) {
	if p.N == 0 || p.PeriodNS <= 0 {
		return
	}
	x := overallSum{n: p.N, runs: min(max(p.Runs, 1), p.N), breaks: max(p.Breaks, 1), breakNS: p.BreakNS, periodNS: p.PeriodNS}
	rate, b, expand := float64(p.N)*1e9/p.PeriodNS, p.BreakNS/p.PeriodNS, s.coverage()
	// The standard deviation of a period is √2 times that of its edges.
	noise := max(s.EdgeNoiseNS, p.PeriodSDNS.V/math.Sqrt2)
	hertz, hertzU = Known(rate), Known(expand*rate*s.overallRate(x.runs, p.PeriodNS, noise))
	noise = max(s.EdgeNoiseNS, p.PercentSD.V/100*p.PeriodNS/float64(p.N)/breakEdges(x.breaks, b))
	return hertz, hertzU, Known(100 * b), Known(expand * s.overallPercent(x, noise))
}
