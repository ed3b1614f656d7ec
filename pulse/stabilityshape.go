package pulse

import (
	"math"
	"math/cmplx"
	"slices"
)

// A Regime is what shapes a part of the curve of the ADEV.
type Regime string

const (
	RegimeContact Regime = "contact" // slope −1: each opening's time has noise of its own
	RegimeWhite   Regime = "white"   // −1/2: the speed of each cycle does
	RegimeFlicker Regime = "flicker" // 0: the speed wanders alike at every scale
	RegimeWalk    Regime = "walk"    // +1/2: the speed walks
	RegimeDrift   Regime = "drift"   // +1: the speed drifts one way
	RegimeCycle   Regime = "cycle"   // a slow cycle hides the noise
)

// slopes are those of the kinds of noise against τ, both as logarithms (NIST SP
// 1065, 3.2 and 6).
var slopes = []struct {
	regime Regime
	slope  float64
}{{RegimeContact, -1}, {RegimeWhite, -0.5}, {RegimeFlicker, 0}, {RegimeWalk, 0.5}, {RegimeDrift, 1}}

// A StabilityRegime says what shapes the curve from one τ to another.
type StabilityRegime struct {
	Regime Regime  `json:"regime"`
	FromS  Rounded `json:"from_s"`
	ToS    Rounded `json:"to_s"`
	Slope  Num     `json:"slope"` // of the curve there; null for a cycle
}

// A SlowCycle is a swing of the openings' times with a period of several openings:
// the curve of the ADEV rises to a hump and dips where τ is the period.
type SlowCycle struct {
	PeriodS  Rounded `json:"period_s"`
	Openings Rounded `json:"period_openings"`
	HumpS    Rounded `json:"hump_s"`      // where the hump of such a swing is highest
	SwingS   Rounded `json:"amplitude_s"` // peak of the swing of the openings' times
}

// humpOfPeriod is where 2A·sin²(πτ/T)/τ, the ADEV of a swing of the time by
// A·sin(2πt/T), is highest, as a part of T: tan u = 2u at u = πτ/T.
const humpOfPeriod = 1.165561185207211 / math.Pi

const (
	// mostCycles bounds the slow cycles that are told.
	mostCycles = 3
	// cycleSteps is how many τ an octave has where cycles are looked for: the
	// dip at the period is seen to a fiftieth of the height.
	cycleSteps = 8
	// denseCycles are tried one by one.
	denseCycles = 16
	// cycleSurety is the probability of the intervals that must lie apart: some
	// hundred τ are tried.
	cycleSurety = 0.999
	// cycleDip is how deep a dip must be: a cycle that makes it has a third of the
	// variance of the openings' times.
	cycleDip = 0.8
	// tunePeriods of a cycle tell its period within a few parts in a thousand, and
	// the speed has not wandered much by then.
	tunePeriods = 64
	// A multiple of the period, up to mostMultiple, hides the cycle when it is a
	// whole number of openings within hiddenPhase of a period.
	mostMultiple, hiddenPhase = 8, 0.03
	// leastFreedom makes a deviation known within a third or so.
	leastFreedom = 8
)

// slowCycles looks for dips: in noise of any kind τ·ADEV never falls where τ
// grows. Where a cycle was found, the search for a longer one goes on at whole
// multiples of its period, at which it does not show.
func (p *phases) slowCycles() (all []SlowCycle) {
	for unit := 1; len(all) < mostCycles; {
		c, next := p.slowCycle(unit)
		if next == 0 {
			break
		}
		all, unit = append(all, c), next
	}
	return all
}

// slowCycle looks for the shortest cycle of more than one unit of openings, and
// gives a multiple of its period too, in openings; 0 when there is none.
func (p *phases) slowCycle(unit int) (c SlowCycle, multiple int) {
	var all []humpPoint
	most := p.longest() / 4
	found, top := -1, 0 // of the dip, and of the highest before it
	for k := 1; k*unit <= most; k++ {
		if k > denseCycles {
			k = max(k, int(math.Round(float64(k-1)*math.Pow(2, 1.0/cycleSteps))))
		}
		here, ok := p.swing(k * unit)
		if !ok || k*unit > most {
			break
		}
		all = append(all, here)
		i := len(all) - 1
		if found >= 0 && float64(here.m) > 1.5*float64(all[found].m) {
			break
		}
		switch {
		case found >= 0 && here.g < all[found].g:
			found = i
		case found >= 0:
		case here.high < all[top].low && here.g < cycleDip*all[top].g:
			found = i
		case here.low > all[top].low:
			top = i
		}
	}
	if found < 0 {
		return c, 0
	}
	m := float64(all[found].m)
	near := max(float64(all[min(found+1, len(all)-1)].m)-m, m-float64(all[found-1].m)) / m // the next τ, before or after
	period, amplitude := p.tune(all[found].m, min(max(near, 0.1), 0.4))
	s := period * p.tau0 / 1e9
	c = SlowCycle{PeriodS: Rounded(s), Openings: Rounded(period), HumpS: Rounded(humpOfPeriod * s), SwingS: Rounded(amplitude / 1e9)}
	least := 1.0
	for k := 1.0; k <= mostMultiple; k++ {
		off := math.Abs(k*period-math.Round(k*period)) / period
		if off < least {
			least, multiple = off, int(math.Round(k*period))
		}
		if off < hiddenPhase {
			break
		}
	}
	return c, multiple
}

// tune gives the period near m openings, within a part of it, at which the longest
// segment swings most, and the amplitude of the swing in ns. Second differences half
// a period apart are looked at, which hold the swing fourfold and little of a speed
// that wanders, under a Hann window.
func (p *phases) tune(m int, within float64) (period, amplitude float64) {
	var x []int64
	for i := range p.all {
		if len(p.all[i].x) > len(x) {
			x = p.all[i].x
		}
	}
	h := max(1, (m+1)/2)
	z := make([]float64, min(len(x)-2*h, tunePeriods*m))
	var mean, n, weights float64
	for i := range z {
		a, b, c := x[i], x[i+h], x[i+2*h]
		if z[i] = math.NaN(); a != absent && b != absent && c != absent {
			z[i] = float64(c - 2*b + a)
			mean, n = mean+z[i], n+1
		}
	}
	for i, v := range z {
		w := math.Sin(math.Pi * (float64(i) + 0.5) / float64(len(z)))
		if z[i] = 0; v == v {
			z[i] = (v - mean/n) * w * w
			weights += w * w
		}
	}
	const finer = 4 // than one resolves
	var sizes []float64
	best, step, first := 0, 1/float64(finer*len(z)), 1/(float64(m)*(1+within))
	last := min(0.5, 1/(float64(m)*(1-within)))
	for i := 0; first+float64(i)*step <= last; i++ {
		turn := cmplx.Rect(1, 2*math.Pi*(first+float64(i)*step))
		var sum complex128
		for i := len(z) - 1; i >= 0; i-- {
			sum = sum*turn + complex(z[i], 0)
		}
		sizes = append(sizes, 2*cmplx.Abs(sum))
		if sizes[i] > sizes[best] {
			best = i
		}
	}
	at, size := float64(best), sizes[best]
	if best > 0 && best < len(sizes)-1 { // the top of the parabola through three
		a, c := sizes[best-1], sizes[best+1]
		off := (a - c) / (2 * (a - 2*size + c))
		at, size = at+off, size-(a-c)*off/4
	}
	f := first + at*step
	if f > 0.5-2/float64(len(z)) { // not told apart from early and late by turns
		f, size = 0.5, 0
		for i, v := range z {
			size += v * float64(1-2*(i%2))
		}
		size = math.Abs(size)
	}
	u := math.Sin(math.Pi * float64(h) * f)
	return 1 / f, size / weights / (4 * u * u)
}

// A humpPoint is τ·ADEV at m periods, in ns, with an interval.
type humpPoint struct {
	m            int
	g, low, high float64
}

// swing is from some of the differences that there are; ok is false where they are
// too few.
func (p *phases) swing(m int) (r humpPoint, ok bool) {
	step := max(m/denseCycles, 1)
	freedom := newFreedom(allan, m, p.alpha(m, 2))
	var sum float64
	var n int
	for i := range p.all {
		s := &p.all[i]
		q, k, runs := s.square(allan, m, step)
		if k > 0 {
			of := len(s.x) - 2*m
			freedom.add(min(k*step, of), of, runs)
		}
		sum, n = sum+q, n+k
	}
	edf := min(freedom.edf(), float64(n)/2) // differences that do not overlap share points all the same
	if edf < leastFreedom || sum == 0 {
		return r, false
	}
	g := math.Sqrt(sum / (2 * float64(n)))
	low, high := chiSquared(edf, cycleSurety)
	return humpPoint{m, g, low * g, high * g}, true
}

// covers tells whether a deviation may be that of the cycle alone, for the most
// part.
func (c *SlowCycle) covers(pt *StabilityPoint) bool {
	tau, swing := float64(pt.TauS), float64(c.SwingS)
	u := math.Sin(math.Pi * math.Min(tau/float64(c.PeriodS), 0.5))
	alone := 2 * swing * u * u / tau
	return pt.Deviation.V < math.Sqrt2*alone
}

// shape tells what shapes the curve of the ADEV, where that is known well enough.
func (r *Stability) shape() {
	var points []StabilityPoint
	for _, pt := range r.ADEV {
		if pt.EDF.V >= leastFreedom && pt.Deviation.V > 0 {
			points = append(points, pt)
		}
	}
	regimes := make([]Regime, len(points))
	for i := range points {
		if slices.ContainsFunc(r.Cycles, func(c SlowCycle) bool { return c.covers(&points[i]) }) {
			regimes[i] = RegimeCycle
			continue
		}
		var l lineFit
		for j := range points { // those within an octave
			if ratio := float64(points[j].m) / float64(points[i].m); ratio >= 0.5 && ratio <= 2 {
				l.add(math.Log(float64(points[j].m)), math.Log(points[j].Deviation.V))
			}
		}
		if l.n < 2 {
			continue
		}
		regimes[i] = nearestRegime(l.sxy / l.sxx)
	}
	for i := 0; i < len(points); {
		j := i + 1
		for j < len(points) && regimes[j] == regimes[i] {
			j++
		}
		// On the way from one slope to another the curve has all those between for
		// an octave or two.
		long := 4
		if i == 0 {
			long = 2
		}
		if regimes[i] == RegimeCycle || regimes[i] != "" && points[j-1].m >= long*points[i].m && slopeKnown(&points[i], &points[j-1]) {
			x := StabilityRegime{Regime: regimes[i], FromS: points[i].TauS, ToS: points[j-1].TauS}
			if regimes[i] != RegimeCycle {
				var l lineFit
				for _, pt := range points[i:j] {
					l.add(math.Log(float64(pt.m)), math.Log(pt.Deviation.V))
				}
				x.Slope = Known(l.sxy / l.sxx)
			}
			r.Regimes = append(r.Regimes, x)
		}
		i = j
	}
	if len(r.Regimes) > 0 && r.Regimes[0].Regime == RegimeContact && len(r.TDEV) > 0 {
		r.JitterS = r.TDEV[0].Deviation // of white noise of the phase, at τ0
	}
}

// slopeWithin is how well a slope must be known, as a 90 % interval, to tell one
// regime from the next, whose slopes are 0.5 apart.
const slopeWithin = 0.35

// slopeKnown tells whether two points of the curve tell its slope. The logarithm of
// a deviation of so many degrees of freedom has a standard deviation of 1/√(2·edf).
func slopeKnown(a, b *StabilityPoint) bool {
	const z90 = 1.645
	se := math.Sqrt(1/(2*a.EDF.V)+1/(2*b.EDF.V)) / math.Log(float64(b.m)/float64(a.m))
	return z90*se <= slopeWithin
}

func nearestRegime(slope float64) Regime {
	best := slopes[0]
	for _, s := range slopes[1:] {
		if math.Abs(slope-s.slope) < math.Abs(slope-best.slope) {
			best = s
		}
	}
	return best.regime
}
