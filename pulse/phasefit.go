package pulse

import "math"

// These are the number of extra openings, their share and the standard deviation
// of the phase in spacings from which the noise is strong. Then the whole cycles
// are a biased sample, because noise is likelier to hit a longer one, and the rate
// rests on all due openings. Below, it is the rate of the whole cycles.
const (
	noisyShare   = 0.04
	noisyExtras  = 5
	noisyPhaseSD = 0.005
	// outageCycles is after how many cycles without a due opening the rate rests on
	// a new stretch: in noise their number is not sure.
	outageCycles = 4
	// sureCycles is how many cycles of one phase there must be for their number
	// to be sure.
	sureCycles = 10
)

// overallRate is in cycles a minute, where some cycle is whole. spanNS is the time
// that it rests on, in so many runs, each from one opening to another.
func (r *interrupterReader) overallRate() (perMinute float64, spanNS int64, runs int) {
	p, extra, due := &r.phase, float64(r.n.Extra), float64(r.n.CyclesDue)
	if extra >= noisyExtras && extra >= noisyShare*due && p.cycles > 0 && p.sdNS()*float64(p.cycles) > noisyPhaseSD*float64(p.ns) {
		return 60e9 / p.cycleNS(), p.ns, max(p.stretches, 1)
	}
	span := r.per.Sum()
	return float64(r.n.Cycles) * 60e9 / float64(span), span, max(p.runs, 1)
}

// A phaseFit tells how far the cycles' openings lie from a steady rate. Each
// stretch of one phase and speed has a line of its own; the sums over all
// stretches tell the rate and the deviation.
type phaseFit struct {
	line   lineFit // of the stretch: ns beyond steady cycles over the number of cycles
	x0     int     // its first cycle
	y0     Stamp   // and when that began
	period float64 // about how long its cycles are
	last   Stamp
	lastX  int

	residual, freedom float64 // of the stretches that have ended: squares about their lines
	// Of the stretches that are long enough to be sure of the number of cycles.
	stretches  int
	cycles, ns int64
	sxx, sxy   float64

	runs      int // rows of whole cycles that nothing interrupts
	lastWhole bool
}

// add takes the opening that begins cycle number x; period is about how long
// cycles are.
func (p *phaseFit) add(x int, at Stamp, period float64) {
	if p.line.n == 0 {
		p.x0, p.y0, p.period = x, at, period
	}
	p.last, p.lastX = at, x
	n := float64(x - p.x0)
	p.line.add(n, float64(at-p.y0)-n*p.period) // a small difference, so that no digits are lost
}

// cycle counts the rows of whole cycles.
func (p *phaseFit) cycle(whole bool) {
	if whole && !p.lastWhole {
		p.runs++
	}
	p.lastWhole = whole
}

// endStretch says that what follows has another phase or speed.
func (p *phaseFit) endStretch() {
	if n := int64(p.lastX - p.x0); p.line.n > 0 && n >= sureCycles {
		p.stretches++
		p.cycles += n
		p.ns += int64(p.last - p.y0)
		p.sxx += p.line.sxx
		p.sxy += p.line.sxy
	}
	if p.line.n > 2 && p.line.sxx > 0 {
		p.residual += p.line.residual()
		p.freedom += p.line.n - 2
	}
	p.line = lineFit{}
}

// cycleNS is the length of a cycle by all the stretches that are long enough.
func (p *phaseFit) cycleNS() float64 { return p.period + p.sxy/p.sxx }

// sdNS is the standard deviation of the openings from a steady rate, 0 where it
// is not known.
func (p *phaseFit) sdNS() float64 {
	if p.freedom == 0 {
		return 0
	}
	return math.Sqrt(p.residual / p.freedom)
}
