package pulse_test

// Random signals for the reference reader. All figures are invented; they are chosen so that the definitions alone decide
// how each signal is read.

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"makebreak/pulse"
)

// refGen makes one signal. Its contact is closed before the first span and the spans alternate.
type refGen struct {
	*rand.Rand
	spans  []refSpan
	desc   []string
	settle float64 // ms

	ofProfile bool // the profile, not the configuration, says what a pulse, a train gap and a flash are
}

type refSpan struct {
	ns    int64
	clean bool // its first edge does not bounce
}

func newRefGen(seed, kind uint64) *refGen {
	return &refGen{Rand: rand.New(rand.NewPCG(seed, kind)), settle: 4}
}

// settleOther chooses another settling time now and then, longer than any level of a bounce.
func (g *refGen) settleOther(s *refSignal) {
	if g.chance(0.25) {
		g.settle = g.between(3, 7)
		s.cfg.SettleNS = int64(g.settle * 1e6)
		g.note("settling time %d ns", s.cfg.SettleNS)
	}
}

func (g *refGen) chance(p float64) bool { return g.Float64() < p }
func (g *refGen) between(lo, hi float64) float64 {
	return lo + (hi-lo)*g.Float64()
}

func (g *refGen) ms(lo, hi float64) int64 { return int64(g.between(lo, hi) * 1e6) }

// note describes what was done, with the number of the span at which it begins.
func (g *refGen) note(format string, a ...any) {
	g.desc = append(g.desc, fmt.Sprintf("span %d: ", len(g.spans))+fmt.Sprintf(format, a...))
}

// edges gives the spans as edges from a time on: the first opens the contact.
func (g *refGen) edges(at int64, pol pulse.Polarity, bounce, chatter float64) []pulse.Edge {
	var out []pulse.Edge
	level := func(closed bool) pulse.Level {
		if closed == (pol == pulse.ClosedHigh) {
			return pulse.High
		}
		return pulse.Low
	}
	closed := true
	for _, s := range g.spans {
		closed = !closed
		t := at
		out = append(out, pulse.Edge{At: pulse.Stamp(t), Level: level(closed)})
		if !s.clean && g.chance(bounce) {
			// Back and forth, no level as long as the settling time, and the last long enough to settle.
			room := min(8e6, s.ns/2)
			for range 1 + g.IntN(3) {
				back, forth := g.ms(0.02, 1.9), g.ms(0.02, 1.9)
				if t+back+forth-at > room {
					break
				}
				out = append(out, pulse.Edge{At: pulse.Stamp(t + back), Level: level(!closed)}, pulse.Edge{At: pulse.Stamp(t + back + forth), Level: level(closed)})
				t += back + forth
			}
		}
		if s.ns > 40e6 && g.chance(chatter) {
			c := at + s.ns/2 + g.ms(-5, 5)
			d := g.ms(0.02, 3)
			out = append(out, pulse.Edge{At: pulse.Stamp(c), Level: level(!closed)}, pulse.Edge{At: pulse.Stamp(c + d), Level: level(closed)})
		}
		at += s.ns
	}
	return out
}

// refDialOptions say what may be in a dial signal.
type refDialOptions struct {
	faults, losses, limits, live bool
}

func refDialSignal(seed uint64, opt refDialOptions) *refSignal {
	g := newRefGen(seed, 1)
	s := &refSignal{cfg: pulse.Config{Kind: pulse.KindDial}}
	if g.chance(0.4) {
		s.cfg.Polarity = pulse.ClosedLow
	}
	if !opt.losses && g.chance(0.15) {
		s.cfg.Timing = pulse.TimingSettled
	}
	if g.chance(0.2) {
		s.cfg.CodingSet = true
		s.cfg.Coding = []pulse.Coding{pulse.CodingNPlus1, pulse.Coding10MinusN}[g.IntN(2)]
	}
	g.settleOther(s)
	rangeMax, trainGap, flashMax := 200.0, 150.0, 1500.0
	if g.chance(0.2) {
		rangeMax, trainGap, flashMax = 120, 110, 900
		g.ofProfile = g.chance(0.5)
		if !g.ofProfile {
			s.cfg.PulseMaxNS, s.cfg.TrainGapNS, s.cfg.FlashMaxNS = 120e6, 110e6, 900e6
		}
		g.note("pulse up to 120 ms, train gap 110 ms, flash up to 900 ms")
	}
	period := g.between(85, 120)
	percent := g.between(0.5, 0.7)
	jitter := g.between(0, 1.5)
	open := func(ns int64) { g.spans = append(g.spans, refSpan{ns: ns}) }
	pause := func() int64 { return g.ms(2.15*trainGap, 1000) }
	trains := 1 + g.IntN(4)
	for range trains {
		n := 1 + g.IntN(10)
		stallAt, longAt := -1, -1
		if opt.faults && n > 2 && g.chance(0.15) {
			stallAt = 1 + g.IntN(n-2)
		}
		if opt.faults && g.chance(0.2) {
			longAt = g.IntN(n)
		}
		for i := range n {
			brk, mk := g.ms(period*percent-jitter, period*percent+jitter), g.ms(period*(1-percent)-jitter, period*(1-percent)+jitter)
			if i == longAt {
				brk, mk = g.ms(15, 0.97*rangeMax), g.ms(10, 0.95*trainGap)
				g.note("pulse %d odd", i+1)
			}
			if i == stallAt {
				brk = g.ms(1.03*rangeMax, 0.98*flashMax)
				g.note("stalled break")
			}
			if i == n-1 {
				mk = pause()
			}
			open(brk)
			open(mk)
		}
		if !opt.faults {
			continue
		}
		last := &g.spans[len(g.spans)-1]
		switch g.IntN(12) {
		case 0:
			g.note("flash")
			open(g.ms(1.03*rangeMax, 0.98*flashMax))
			open(pause())
		case 1:
			g.note("flash without a pause")
			last.ns = g.ms(10, 0.95*trainGap)
			open(g.ms(1.03*rangeMax, 0.98*flashMax))
			open(pause())
		case 2:
			g.note("disconnect")
			if g.chance(0.5) {
				last.ns = g.ms(10, 0.95*trainGap)
			}
			open(g.ms(1.02*flashMax, 2*flashMax))
			open(pause())
		case 3:
			g.note("short break")
			g.spans = append(g.spans, refSpan{ns: g.ms(g.settle+0.5, 9.5), clean: true}, refSpan{ns: pause(), clean: true})
		case 4:
			g.note("doubtful make")
			last.ns = g.ms(1.03*trainGap, 1.95*trainGap)
		}
	}
	if len(g.spans) > 0 && !opt.live && g.chance(0.2) {
		g.spans = g.spans[:len(g.spans)-1]
		g.note("ends open")
	} else if n := len(g.spans); n > 0 && !opt.live {
		g.spans[n-1].ns = 500e6
	}
	g.spans[0].clean = g.chance(0.5)
	bounce, chatter := []float64{0, 0.3, 1}[g.IntN(3)], []float64{0, 0, 0.05}[g.IntN(3)]
	origin := int64(g.IntN(1e9))
	s.edges = g.edges(origin, s.cfg.Polarity, bounce, chatter)
	if len(g.spans)%2 == 1 && !opt.live {
		// The file goes on open.
	} else if g.chance(0.15) {
		// It begins open: the first break's start is not there.
		g.note("first break cut off")
		s.beginOpen(g)
	}
	if opt.live {
		s.makeLive(g)
	}
	if opt.losses {
		s.lose(g)
	}
	s.desc = g.desc
	if opt.limits {
		names := []pulse.Quantity{pulse.RatePPS, pulse.BreakPercent, pulse.BreakRatio, pulse.BreakMS, pulse.MakeMS, pulse.InterdigitMS, pulse.PeriodMS}
		{ // also with short breaks, which it does not judge: they are no pulses
			names = append(names, pulse.BounceMS)
		}
		s.draw(g, names)
	}
	return s
}

// beginOpen cuts the first break's opening off.
func (s *refSignal) beginOpen(g *refGen) {
	from := int64(s.edges[0].At) + g.spans[0].ns
	for int64(s.edges[0].At) < from || s.edges[0].Level != s.cfg.Polarity.Level(true) {
		s.edges = s.edges[1:]
	}
}

// makeLive turns a recording into a live capture that begins before, at or inside it.
func (s *refSignal) makeLive(g *refGen) {
	s.cfg.Live = true
	first := int64(s.edges[0].At)
	among := s.edges
	if s.cfg.Kind == pulse.KindInterrupter { // enough is left to learn the spacing from
		among = s.edges[:len(s.edges)/3]
		if slices.ContainsFunc(g.desc, func(d string) bool { return !strings.HasPrefix(d, "span 0:") }) {
			among = s.edges[:1] // the first fault comes eight cycles later or more
		}
	}
	var start int64
	switch g.IntN(4) {
	case 0: // long before
		start = first - g.ms(400, 900)
	case 1: // just before the first edge
		start = first - g.ms(0.1, 0.99*g.settle)
	case 2: // somewhere
		start = first + int64(g.Float64()*float64(int64(among[len(among)-1].At)-first))
	default: // beside an edge, inside its bounce or just before it
		e := among[g.IntN(len(among))]
		start = int64(e.At) + g.ms(-9, 9)
	}
	level := pulse.Low + pulse.High - s.edges[0].Level
	before := level
	i := 0
	for ; i < len(s.edges) && int64(s.edges[i].At) <= start; i++ {
		level = s.edges[i].Level
	}
	if i == len(s.edges) {
		start, i, level = first-1e9, 0, before
	}
	s.edges = slices.Clone(s.edges[i:])
	s.cfg.Start = pulse.Stamp(start)
	s.cfg.StartLevel = level
	if g.chance(0.3) {
		s.cfg.StartLevel = pulse.Unknown
	}
	if last := int64(s.edges[len(s.edges)-1].At); g.chance(0.3) {
		s.end = last + g.ms(0.1, 0.99*g.settle)
	} else {
		s.end = last + g.ms(400, 900)
		if s.cfg.Kind == pulse.KindInterrupter { // before the next is due
			s.end = last + g.ms(g.settle+1, 80)
		}
	}
	g.note("live from %d to %d", start, s.end)
}

// lose takes edges out, singly and in runs, or makes a level unknown for a while, at places of every kind.
func (s *refSignal) lose(g *refGen) {
	s.loss = true
	defer func() {
		for i := range s.edges {
			if l := &s.edges[i].Lost; i > 0 && *l%2 == 1 && g.chance(0.3) { // the levels alone tell that one more is lost
				*l--
			}
		}
	}()
	for range 1 + g.IntN(2) {
		if len(s.edges) < 8 {
			return
		}
		i := 1 + g.IntN(len(s.edges)-2)
		if s.cfg.Kind == pulse.KindInterrupter { // the first cycles tell the spacing and the place in a cadence
			i = len(s.edges)/3 + g.IntN(len(s.edges)/2)
		}
		if g.chance(0.3) { // unknown from some time on until the next edge
			from, to := int64(s.edges[i].At), int64(s.edges[i+1].At)
			// Edges that were lost before a level became unknown, but are reported only after it, leave no trace before it: the
			// sequence gap cannot say where they were. So none are lost in the interval that gets the unknown level.
			if to-from < 12e6 || s.edges[i].Level == pulse.Unknown || s.edges[i+1].Lost > 0 {
				continue
			}
			u := from + int64(g.between(0.05, 0.9)*float64(to-from))
			if least := int64((g.settle + 0.5) * 1e6); to-u < least { // whether a shorter one inside a burst matters is not said
				u = to - least
			}
			again := []pulse.Edge{{At: pulse.Stamp(u), Level: pulse.Unknown}}
			if w := u + g.ms(g.settle+0.2, 60); g.chance(0.5) && w < to { // the old level is read again before it changes
				again = append(again, pulse.Edge{At: pulse.Stamp(w), Level: s.edges[i].Level})
				to = w
			}
			g.note("unknown from %d until %d", u, to)
			s.edges = slices.Insert(s.edges, i+1, again...)
			continue
		}
		n := 1
		if g.chance(0.5) {
			n = 1 + g.IntN(min(6, len(s.edges)-i-1))
		}
		lost := s.without(i, n)
		if lost == nil {
			continue
		}
		g.note("%d edges lost from edge %d (%d)", n, i, s.edges[i].At)
		s.edges = lost
	}
}

// without gives the edges without n of them from i on, the next one telling of the loss; nil where a level is unknown there.
func (s *refSignal) without(i, n int) []pulse.Edge {
	if i+n >= len(s.edges) {
		return nil
	}
	out := slices.Clone(s.edges[:i])
	lost := uint32(0)
	for _, e := range s.edges[max(0, i-1) : i+n+1] {
		if e.Level == pulse.Unknown {
			return nil
		}
	}
	for _, e := range s.edges[i : i+n+1] {
		lost += e.Lost
	}
	rest := slices.Clone(s.edges[i+n:])
	rest[0].Lost = lost + uint32(n)
	return append(out, rest...)
}

// draw draws limits about the worst values of the signal: far inside, within the uncertainty on either side, on it, outside.
func (s *refSignal) draw(g *refGen, names []pulse.Quantity) {
	if g.chance(0.5) {
		s.cfg.Setup = &pulse.Setup{
			EdgeNoiseNS: g.between(1e3, 50e3), AsymmetryUNS: g.between(1e3, 80e3), ClockRel: g.between(1e-6, 100e-6),
			EdgeNoiseFrom: "invented", AsymmetryFrom: "invented", ClockFrom: pulse.ClockFrom{Given: "invented"},
		}
		if g.chance(0.5) {
			s.cfg.Setup.AsymmetryNS = math.Round(g.between(-300e3, 300e3))
		}
	}
	prof := &pulse.Profile{ID: "invented", Kind: s.cfg.Kind}
	if g.ofProfile {
		prof.PulseMaxNS, prof.TrainGapNS, prof.FlashMaxNS = 120e6, 110e6, 900e6
		s.cfg.Limits = prof
	}
	r := refRead(s, refVariant{})
	g.Shuffle(len(names), func(i, j int) { names[i], names[j] = names[j], names[i] })
	for _, q := range names[:min(len(names), 1+g.IntN(3))] {
		l := pulse.Limit{Quantity: q}
		name := string(q)
		if q == pulse.SegmentMS {
			l.Segment = 1 + g.IntN(len(s.cfg.CadenceNS))
			name = refSegment(l.Segment)
		}
		vals := r.values[name]
		if q == pulse.BounceMS && s.cfg.Kind == pulse.KindDial {
			vals = r.judgedBounce
		}
		if len(vals) == 0 {
			one := 50.0
			l.Max = &one
			prof.Limits = append(prof.Limits, l)
			continue
		}
		lo, hi := vals[0], vals[0]
		for _, x := range vals {
			if x.v < lo.v {
				lo = x
			}
			if x.v > hi.v {
				hi = x
			}
		}
		step := func() float64 { return []float64{-30, -3, -3, -1.3, -0.6, 0, 0.6, 1.3, 3}[g.IntN(9)] }
		above, below := hi.v-hi.u*step(), lo.v+lo.u*step()
		if above <= below { // limits stand the right way round
			above, below = hi.v+3*hi.u, lo.v-3*lo.u
		}
		side := g.IntN(3)
		if q == pulse.InterdigitMS && side == 1 {
			side = 0
		}
		if q == pulse.BounceMS {
			if hi.v < 0.1 {
				above = 3
			}
			side = 1
		}
		if (q == pulse.RateIPM || q == pulse.PeriodMS) && s.cfg.Kind == pulse.KindInterrupter {
			side = 2
		}
		if side != 1 {
			l.Min = &below
		}
		if side != 0 {
			l.Max = &above
		}
		prof.Limits = append(prof.Limits, l)
	}
	s.cfg.Limits = prof
}

type refInterrupterOptions struct {
	faults, compound, losses, limits, live bool
	wide                                   bool // limits that allow intervals of 0.6 to 1.5 spacings, and none but such
}

// refInterrupterSignal has faults that lie eight sound openings or more from each other and from both ends.
func refInterrupterSignal(seed uint64, opt refInterrupterOptions) *refSignal {
	g := newRefGen(seed, 2)
	s := &refSignal{cfg: pulse.Config{Kind: pulse.KindInterrupter}}
	if g.chance(0.4) {
		s.cfg.Polarity = pulse.ClosedLow
	}
	g.settleOther(s)
	period := g.between(400, 2000)
	cad := []float64{period * (1 - g.between(0.35, 0.65))} // make, break …
	cad = append(cad, period-cad[0])
	if opt.compound {
		// Short breaks of one length and makes between them of another, then a long silence, as a ringing cadence has.
		k := 2 + g.IntN(2)
		on, off := g.between(200, 400), g.between(150, 300)
		cad = nil
		for i := range k {
			o := off * (1 + 0.1*float64(i))
			if i == k-1 {
				o = off * g.between(5, 8)
			}
			cad = append(cad, on, o)
		}
	}
	k := len(cad) / 2
	nominal := make([]int64, len(cad))
	var cycleNS int64
	for i, x := range cad {
		nominal[i] = int64(x * 1e6)
		cycleNS += nominal[i]
	}
	switch {
	case k > 1:
		s.cfg.CadenceNS = nominal
	case g.chance(0.3):
		s.cfg.CadenceNS = nominal
	case g.chance(0.5):
		s.cfg.PeriodNS = cycleNS
	}
	jitter := g.between(0, 0.002) // of the spacing, one sided
	if opt.compound {
		jitter = g.between(0, 0.001)
	}
	scale := 1.0 // of the spacing, from a change of speed
	at := 0      // place of the next break
	// cycle adds one break and the make after it, the make stretched by so much.
	cycle := func(stretchNS float64) {
		brk, mk := cad[2*at+1], cad[(2*at+2)%len(cad)]
		j := 0.0
		if jitter > 0 {
			j = g.between(-jitter, jitter) * (brk + mk)
		}
		g.spans = append(g.spans, refSpan{ns: int64(brk * scale * 1e6)}, refSpan{ns: int64((mk*scale+j)*1e6 + stretchNS)})
		at = (at + 1) % k
	}
	sound := func(n int) {
		for range n {
			cycle(0)
		}
	}
	spacing := func() float64 { return (cad[2*at+1] + cad[(2*at+2)%len(cad)]) * scale * 1e6 }
	// longer adds one interval of so many spacings in all.
	longer := func(of float64) {
		d := spacing() * (of - 1)
		mk := cad[(2*at+2)%len(cad)] * scale * 1e6
		if mk+d < 10e6 { // the break gives way too
			brk := spacing()*of - 10e6
			g.spans = append(g.spans, refSpan{ns: int64(brk), clean: true}, refSpan{ns: 10e6, clean: true})
			at = (at + 1) % k
			return
		}
		cycle(d)
	}
	apart := func() { sound(k * (9 + g.IntN(4))) }
	apart()
	faults := 0
	if opt.faults {
		faults = 1 + g.IntN(3)
	}
	for range faults {
		if k > 1 {
			switch g.IntN(3) {
			case 0:
				n := 1 + g.IntN(2*k)
				g.note("%d missing at place %d", n, at)
				g.miss(cad, &at, n, scale)
			case 1: // in the silence, so that the make before the next is long
				for at != k-1 {
					cycle(0)
				}
				g.note("break of place %d stretched within a quarter", at)
				brk, mk := cad[2*at+1], cad[0]
				least := math.Inf(1) // whose quarter counts, that of the spacing before or after, does not matter then
				for i := range k {
					least = min(least, cad[2*i+1]+cad[(2*i+2)%len(cad)])
				}
				g.spans = append(g.spans, refSpan{ns: int64((brk + least*g.between(-0.2, 0.2)) * 1e6)}, refSpan{ns: int64(mk * 1e6)})
				at = 0
			default:
				for at != k-1 {
					cycle(0)
				}
				g.note("extra in the silence")
				// A break in two with a make between: the second opens where nothing is due.
				brk, mk := cad[2*at+1]*1e6, cad[0]*1e6
				x := g.between(0.35, 0.6) * brk
				g.spans = append(g.spans, refSpan{ns: int64(x - 30e6)}, refSpan{ns: 30e6}, refSpan{ns: int64(brk - x)}, refSpan{ns: int64(mk)})
				at = 0
			}
			apart()
			continue
		}
		fault := g.IntN(7)
		if opt.wide {
			fault = 7
		}
		switch fault {
		case 7:
			x := []float64{g.between(0.28, 0.58), g.between(0.63, 0.74), g.between(1.26, 1.44), g.between(1.53, 1.7)}[g.IntN(4)]
			g.note("interval of %.3f, limits from 0.6 to 1.5", x)
			longer(x)
		case 0:
			n := 1 + g.IntN(5)
			g.note("%d missing", n)
			longer(float64(n + 1))
		case 1:
			x := g.between(0.30, 0.70)
			brk, sp := cad[1]*scale*1e6, spacing()
			if x*sp > brk+20e6 { // in the make
				g.note("extra at %.3f of the make's cycle", x)
				e := min(30e6, (sp-x*sp)/2)
				g.spans = append(g.spans, refSpan{ns: int64(brk)}, refSpan{ns: int64(x*sp - brk)}, refSpan{ns: int64(e)}, refSpan{ns: int64(sp - x*sp - e)})
			} else if x*sp < brk-20e6 { // the break in two
				g.note("extra at %.3f, break in two", x)
				g.spans = append(g.spans, refSpan{ns: int64(x*sp - 15e6)}, refSpan{ns: 15e6}, refSpan{ns: int64(brk - x*sp)}, refSpan{ns: int64(sp - brk)})
			} else {
				cycle(0)
			}
		case 2:
			x := g.between(0.28, 0.72)
			g.note("slip early, interval of %.3f", x)
			longer(x)
		case 3:
			x := g.between(1.28, 1.47)
			g.note("slip late, interval of %.3f", x)
			longer(x)
		case 4:
			x := float64(1+g.IntN(5)) + []float64{g.between(0.28, 0.47), g.between(0.53, 0.72)}[g.IntN(2)]
			if x < 1.5 {
				x += 1
			}
			g.note("long slip, interval of %.3f", x)
			longer(x)
		case 5:
			x := []float64{g.between(0.78, 0.97), g.between(1.03, 1.22)}[g.IntN(2)]
			g.note("interval of %.3f, within a quarter", x)
			longer(x)
		case 6:
			x := []float64{g.between(0.56, 0.72), g.between(0.78, 0.92), g.between(1.08, 1.22), g.between(1.28, 1.42), g.between(1.55, 1.72), g.between(1.78, 1.85)}[g.IntN(6)]
			g.note("speed change, spacings of %.3f", x)
			scale *= x
			sound(10)
		}
		apart()
	}
	sound(k)
	bounce, chatter := []float64{0, 0.3, 1}[g.IntN(3)], []float64{0, 0, 0.02}[g.IntN(3)]
	s.edges = g.edges(int64(g.IntN(1e9)), s.cfg.Polarity, bounce, chatter)
	if g.chance(0.4) { // ends open
		g.spans = g.spans[:len(g.spans)-1]
		at := s.cfg.Polarity.Level(true)
		for s.edges[len(s.edges)-1].Level == at || s.edges[len(s.edges)-1].At > s.edges[0].At+pulse.Stamp(g.total()) {
			s.edges = s.edges[:len(s.edges)-1]
		}
	}
	if g.chance(0.2) {
		g.note("first break cut off")
		s.beginOpen(g)
	}
	if opt.live {
		s.makeLive(g)
	}
	if opt.losses {
		s.lose(g)
	}
	s.desc = g.desc
	if opt.wide {
		lo, hi := 0.6*period, 1.5*period
		l := pulse.Limit{Quantity: pulse.PeriodMS, Min: &lo, Max: &hi}
		if g.chance(0.5) {
			lo, hi = 60e3/hi, 60e3/lo
			l = pulse.Limit{Quantity: pulse.RateIPM, Min: &lo, Max: &hi}
		}
		s.cfg.Limits = &pulse.Profile{ID: "invented", Kind: pulse.KindInterrupter, Limits: []pulse.Limit{l}}
	}
	if opt.limits {
		names := []pulse.Quantity{pulse.BounceMS, pulse.BreakPercent, pulse.BreakMS, pulse.MakeMS}
		if len(s.cfg.CadenceNS) > 0 {
			names = append(names, pulse.SegmentMS)
		}
		if !opt.faults { // what the limits of the period allow is due: a test of its own
			names = append(names, pulse.RateIPM, pulse.PeriodMS)
		}
		s.draw(g, names)
	}
	return s
}

func (g *refGen) total() int64 {
	var n int64
	for _, s := range g.spans {
		n += s.ns
	}
	return n
}

// miss adds the next break and then leaves n out: the make goes on through them.
func (g *refGen) miss(cad []float64, at *int, n int, scale float64) {
	k := len(cad) / 2
	g.spans = append(g.spans, refSpan{ns: int64(cad[2**at+1] * scale * 1e6)})
	mk := cad[(2**at+2)%len(cad)]
	*at = (*at + 1) % k
	for range n {
		mk += cad[2**at+1] + cad[(2**at+2)%len(cad)]
		*at = (*at + 1) % k
	}
	g.spans = append(g.spans, refSpan{ns: int64(mk * scale * 1e6)})
}
