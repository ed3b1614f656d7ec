package synth

import (
	"math"
	"math/rand/v2"
)

// A wander is noise of the drive's speed: white, flicker and random walk. It is
// the lateness of the drive as a function of time that the seed alone decides:
// contacts of one drive see the same, whenever they look and however long they
// were not looked at. It is asked at times that grow.
type wander struct {
	paths  []path
	random normals
}

// maxSpeed bounds a random walk of the speed, as a fraction.
const maxSpeed = 0.2

func newWander(s *Spec, spacingNS float64) wander {
	w := wander{random: newNormals(s.Seed)}
	// White noise of deviation X at 1 s: the lateness is a Wiener process whose
	// variance grows by X² · 1 s a second.
	if x := s.WanderWhitePPM * 1e-6; x > 0 {
		w.paths = append(w.paths, newWhite(x*x*1e9, 1))
	}
	// A random walk of the speed whose variance grows by q has the spectrum
	// h₋₂/f² with h₋₂ = q/2π², and the Allan variance 2π²·h₋₂·τ/3 = q·τ/3
	// (NIST SP 1065, conversion of spectra).
	if x := s.WanderWalkPPM * 1e-6; x > 0 {
		w.paths = append(w.paths, path{q: 3 * x * x / 1e9, summed: true, stream: 2, bits: cellBits, levels: cellBits - leafBits})
	}
	if x := s.WanderFlickerPPM * 1e-6; x > 0 {
		w.paths = append(w.paths, newFlicker(x, spacingNS)...)
	}
	for i := range w.paths {
		w.paths[i].start(&w.random)
	}
	return w
}

// late is the lateness in ns, t after the first opening. Before that the speed
// is what it is there.
func (w *wander) late(t int64) float64 {
	sum := 0.0
	for i := range w.paths {
		sum += w.paths[i].late(t, &w.random)
	}
	return sum
}

const (
	// White noise and a random walk are drawn in cells of 2³³ ns (8.6 s) and
	// halved down to 2²⁰ ns (1 ms), a tenth of the shortest period. Below that
	// the lateness is a smooth line.
	cellBits = 33
	leafBits = 20

	// Flicker noise is made of relaxations whose times grow by 4, two doublings:
	// the ripple of the sum is below 0.1 % of its Allan deviation. The slowest
	// remembers for 2⁵⁸ ns, nine years.
	flickerOctaves = 2
	slowestBits    = 57
	// Their cells, half the time of a relaxation wide, are halved to a 32nd of it.
	// What is smoothed below is 1 % of the Allan variance of flicker noise.
	flickerLevels = 4

	maxLevels = cellBits - leafBits
)

// A path is one kind of noise: a Wiener process of the lateness, or one of the
// rate whose sum is the lateness; where it relaxes, the rate forgets itself (an
// Ornstein–Uhlenbeck process). It is drawn from cell to cell, and in each cell
// by halving: the middle is drawn given both ends (Lévy's construction). The
// halves that hold the time asked for last are kept.
type path struct {
	q      float64 // growth of the variance per ns
	summed bool
	stream uint64
	bits   int     // the widest cells are 2^bits ns wide
	width  float64 // the same in ns
	levels int     // times that they are halved

	relaxes            bool
	deviation          float64 // of the rate
	keep, gain         float64 // of the rate in the rate and the lateness a cell later
	rate, both, single float64 // root of the covariance of what comes anew

	cells [maxLevels + 1]cell // the widest first
}

// A cell is a stretch of time with what is known of the lateness in it.
type cell struct {
	index         int64 // in cells of its width from the first opening
	from, mid, to knot
}

// A knot is the lateness of a drive at one time, in ns, and its growth, in ns
// per ns.
type knot struct{ late, rate float64 }

func newWhite(q float64, stream uint64) path {
	return path{q: q, stream: stream, bits: cellBits, levels: cellBits - leafBits}
}

// newFlicker makes flicker noise whose Allan deviation is floor whatever the
// time, from a spacing of the openings to a year. It is a sum of relaxations
// whose times grow by the same factor (A. van der Ziel, Physica 16, 359, 1950).
func newFlicker(floor, spacingNS float64) []path {
	// Relaxations of variance v whose times grow by a factor r add up to the
	// spectrum v/(f·ln r), that is h₋₁/f; flicker noise has the Allan variance
	// 2·ln 2·h₋₁ (NIST SP 1065, conversion of spectra).
	deviation := floor * math.Sqrt(flickerOctaves*math.Ln2/(2*math.Ln2))
	// The fastest relaxation takes a quarter to a sixteenth of the spacing.
	bits := slowestBits
	for math.Ldexp(8, bits) > spacingNS {
		bits -= flickerOctaves
	}
	// Those that would be faster still, each by 4, are white noise to the
	// contact: a relaxation of time T makes the variance of the lateness grow by
	// 2·v·T, and T/4 + T/16 + … is T/3.
	out := []path{newWhite(2*deviation*deviation*math.Ldexp(2, bits)/3, 3)}
	for ; bits <= slowestBits; bits += flickerOctaves {
		// Moments of an Ornstein–Uhlenbeck process and its integral over one
		// step (D. T. Gillespie, Phys. Rev. E 54, 2084, 1996); the step is half
		// the relaxation time.
		const step = 0.5
		a, time := math.Exp(-step), math.Ldexp(1/step, bits)
		p := path{
			// within a cell a relaxation is as good as a random walk
			q: 2 * deviation * deviation / time, summed: true,
			stream: 16 + uint64(bits), bits: bits, levels: flickerLevels,
			relaxes: true, deviation: deviation, keep: a, gain: time * (1 - a),
			rate: deviation * math.Sqrt(1-a*a),
		}
		p.both = deviation * deviation * time * (1 - a) * (1 - a) / p.rate
		p.single = math.Sqrt(deviation*deviation*time*time*(2*step-3+4*a-a*a) - p.both*p.both)
		out = append(out, p)
	}
	return out
}

func (p *path) start(random *normals) {
	p.width = math.Ldexp(1, p.bits)
	for i := range p.cells {
		p.cells[i].index = -1
	}
	if p.relaxes {
		a, _ := random.at(p.stream, 0, -1)
		p.cells[0].to.rate = p.deviation * a
	}
	p.nextCell(random)
}

// nextCell goes on to the next of the widest cells.
func (p *path) nextCell(random *normals) {
	c := &p.cells[0]
	c.index++
	c.from = c.to
	a, b := random.at(p.stream, 1<<8, c.index)
	root := math.Sqrt(p.q * p.width)
	switch {
	case p.relaxes:
		c.to.rate = p.keep*c.from.rate + p.rate*a
		c.to.late = c.from.late + p.gain*c.from.rate + p.both*a + p.single*b
	case p.summed:
		// of the rate after the cell, and of its sum given the rate
		c.to.rate = max(-maxSpeed, min(maxSpeed, c.from.rate+root*a))
		c.to.late = c.from.late + p.width*(c.from.rate+root*(a/2+b/math.Sqrt(12)))
	default:
		c.to.late = c.from.late + root*a
	}
}

// halve draws the middle of a cell given its ends.
func (p *path) halve(level int, random *normals) {
	c := &p.cells[level]
	width := p.width / float64(int64(1)<<level)
	a, b := random.at(p.stream, uint64(level), c.index)
	if !p.summed {
		c.mid.late = (c.from.late+c.to.late)/2 + math.Sqrt(p.q*width)/2*a
		return
	}
	// The two halves give the middle the precision diag(8/s, 24/s³)/q, s half
	// the width, and the mean of the cubic through both ends.
	c.mid.late = (c.from.late+c.to.late)/2 + width/8*(c.from.rate-c.to.rate) + math.Sqrt(p.q*width/192)*width*a
	c.mid.rate = 1.5*(c.to.late-c.from.late)/width - (c.from.rate+c.to.rate)/4 + math.Sqrt(p.q*width)/4*b
}

func (p *path) late(t int64, random *normals) float64 {
	top := &p.cells[0]
	if start := top.index << p.bits; t < start {
		return top.from.late + top.from.rate*float64(t-start)
	}
	leaf := p.bits - p.levels
	for top.index < t>>p.bits {
		p.nextCell(random)
	}
	first := 1
	if p.cells[p.levels].index == t>>leaf {
		first = p.levels + 1
	}
	for level := first; level <= p.levels; level++ {
		index := t >> (p.bits - level)
		c, up := &p.cells[level], &p.cells[level-1]
		if c.index == index {
			continue
		}
		if c.index>>1 != index>>1 {
			p.halve(level-1, random) // else its middle is there from the other half
		}
		c.index = index
		if index%2 == 0 {
			c.from, c.to = up.from, up.mid
		} else {
			c.from, c.to = up.mid, up.to
		}
	}
	c := &p.cells[p.levels]
	width := p.width / float64(int64(1)<<p.levels)
	part := float64(t-c.index<<leaf) / width
	if !p.summed {
		return c.from.late + part*(c.to.late-c.from.late)
	}
	return cubic(c.from, c.to, width, part)
}

// cubic is the lateness at a part of the time between two knots, on the cubic
// that has the lateness and the rate of both.
func cubic(from, to knot, width, part float64) float64 {
	rest := 1 - part
	return from.late + part*part*(3-2*part)*(to.late-from.late) +
		width*part*rest*(rest*from.rate-part*to.rate)
}

// normals gives normal random numbers by their place, in any order.
type normals struct {
	seed   uint64
	source *rand.PCG
	random *rand.Rand
}

func newNormals(seed uint64) normals {
	source := new(rand.PCG)
	return normals{seed: mix(seed), source: source, random: rand.New(source)}
}

// at gives two normal random numbers.
func (n *normals) at(stream, level uint64, index int64) (a, b float64) {
	h := mix(n.seed ^ mix(uint64(index)^mix(stream<<32|level)))
	n.source.Seed(h, n.seed)
	return n.random.NormFloat64(), n.random.NormFloat64()
}

// mix is the finalizer of SplitMix64: each bit of x changes each bit of the
// result with probability 1/2 (Steele, Lea and Flood, "Fast splittable
// pseudorandom number generators", OOPSLA 2014).
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// ADEV is the Allan deviation of the drive's speed over tau ns, as a fraction,
// that its wander has: all kinds, no drift, steps, gears or noise of the contact
// (definition in NIST SP 1065). Flicker noise keeps to it from the spacing of the
// openings to a year.
func (s *Spec) ADEV(tauNS float64) float64 {
	seconds := tauNS / 1e9
	white, walk := s.WanderWhitePPM*1e-6, s.WanderWalkPPM*1e-6
	steps := s.WanderPPM * 1e-6 // per root of an hour
	flicker := s.WanderFlickerPPM * 1e-6
	return math.Sqrt(white*white/seconds + flicker*flicker + walk*walk*seconds + steps*steps/3600*seconds/3)
}
