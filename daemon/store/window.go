package store

import (
	"math"

	"makebreak/pulse"
)

// Window gives what a summary of a contact of a kind tells as a window, at run time.
// An interrupter has so many breaks in a cycle (pulse.Config.BreaksInCycle). The
// window has no lobes, and what single percentages scatter by is not known, nor single
// breaks of a cadence. It is not ok without a period.
func (m *Summary) Window(kind pulse.Kind, breaks int) (w pulse.Window, ok bool) {
	p, b := &m.Period, &m.Break
	w = pulse.Window{From: m.At.Run, To: m.At.Run + pulse.Stamp(m.LengthNS), KnownNS: m.LengthNS}
	if p.N == 0 || p.SumNS <= 0 || m.LengthNS <= 0 {
		return w, false
	}
	w.At = w.From + (w.To-w.From)/2
	per := 1e9
	if kind == pulse.KindInterrupter {
		per = 60e9
	}
	mean := func(v float64, t *TimeStats, scale float64) pulse.WindowMean {
		x := pulse.WindowMean{N: t.N, Mean: v}
		if t.N > 1 {
			sd := scale * math.Sqrt(t.Squares/float64(t.N-1))
			x.SD, x.SE = pulse.Known(sd), sd/math.Sqrt(float64(t.N))
		}
		return x
	}
	period := float64(p.SumNS) / float64(p.N)
	w.Rate = mean(per/period, p, per/period/period)
	w.BreakPercent = pulse.WindowMean{N: p.N, Mean: 100 * float64(m.PeriodBreaksNS) / float64(p.SumNS)}
	switch k := int64(max(breaks, 1)); {
	case kind != pulse.KindInterrupter:
		if b.N > 0 {
			w.BreakMS = mean(float64(b.SumNS)/float64(b.N)/1e6, b, 1e-6)
		}
	case b.N < k*p.N || b.N >= (k+1)*p.N:
		// A cycle has another number of breaks than was said, or too many breaks are of
		// cycles that were not whole.
	default:
		// Of whole cycles, as pulse.Windows has it. Beside them b has breaks of cycles
		// that were not: the short ones alone of a cadence, say.
		v := float64(m.PeriodBreaksNS) / float64(k*p.N) / 1e6
		if k == 1 {
			w.BreakMS = mean(v, b, 1e-6)
		}
		w.BreakMS.N, w.BreakMS.Mean = p.N, v
	}
	return w, true
}
