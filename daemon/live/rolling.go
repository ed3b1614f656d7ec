package live

import (
	"math"

	"makebreak/pulse"
)

// slots is how many parts the window has. The oldest is dropped as a whole, so
// Figures look back over 95 to 100 % of the window.
const slots = 20

// A bound is a bound of the limits with its total.
type bound struct {
	pulse.Bound
	total *total
	// Values have been out of it again and again, each less than a window after
	// the one before: from the first to the latest.
	outSince, outLast pulse.Stamp
	wasOut            bool
}

// A total counts the values compared with a bound since the start, and those of
// them that were out of it.
type total struct{ out, of uint64 }

// A boundKey identifies the total of a bound, however limits change.
type boundKey struct {
	quantity string
	upper    bool
}

func (b *bound) key() boundKey {
	if b.Quantity == pulse.RatePPS || b.Quantity == pulse.RateIPM {
		return boundKey{"rate", b.Upper} // its unit depends on the contact's kind
	}
	return boundKey{b.Name(), b.Upper}
}

func (b *bound) same(o *bound) bool {
	return b.key() == o.key() && b.Name() == o.Name() && b.Value == o.Value
}

// An extreme is the worst value of a bound in a slot, and where it was.
type extreme struct {
	pulse.Value
	at     pulse.Stamp
	item   int32 // pulse in its train, or lobe; 0 when there is none
	n, out uint32
}

// merge keeps the worse of two values and adds the counts.
func (e *extreme) merge(o *extreme, upper bool) {
	n, out := e.n+o.n, e.out+o.out
	if o.n > 0 && (e.n == 0 || upper && o.V > e.V || !upper && o.V < e.V) {
		*e = *o
	}
	e.n, e.out = n, out
}

// A slot is one part of the window.
type slot struct {
	worst   []extreme // by bound
	seen    pulse.Counts
	gapNS   int64 // smallest interdigit gap, 0 for none
	periods periods
}

// periods are sums over periods, and over the cycles among them.
type periods struct {
	n, runs           int
	breakNS, allNS    int64
	off, off2         float64 // sums of the periods' distances from the first period ever, and of their squares
	percent, percent2 float64 // the same of the percent breaks and 50 %
	segmentsNS        [maxSegments]int64
	cycles            int // whose segments are known
	shortBreaks       int // periods whose break is their shorter part
}

// maxSegments is the most that a cadence has.
const maxSegments = 64

func (p *periods) add(o *periods) {
	p.n, p.runs, p.cycles, p.shortBreaks = p.n+o.n, p.runs+o.runs, p.cycles+o.cycles, p.shortBreaks+o.shortBreaks
	p.breakNS, p.allNS = p.breakNS+o.breakNS, p.allNS+o.allNS
	p.off, p.off2, p.percent, p.percent2 = p.off+o.off, p.off2+o.off2, p.percent+o.percent, p.percent2+o.percent2
	for i, ns := range o.segmentsNS {
		p.segmentsNS[i] += ns
	}
}

// sums gives them in the form that the overall figures are worked out from.
func (p *periods) sums(breaks int) pulse.Periods {
	s := pulse.Periods{N: p.n, Runs: p.runs, Breaks: breaks, BreakNS: float64(p.breakNS), PeriodNS: float64(p.allNS)}
	if n := float64(p.n); p.n > 1 {
		s.PeriodSDNS = pulse.Known(math.Sqrt(max(p.off2-p.off*p.off/n, 0) / (n - 1)))
		s.PercentSD = pulse.Known(math.Sqrt(max(p.percent2-p.percent*p.percent/n, 0) / (n - 1)))
	}
	return s
}

// rolling is the window: it compares what was measured lately with each bound.
type rolling struct {
	bounds  []bound
	totals  map[boundKey]*total // of all bounds there ever were
	ring    [slots]slot
	slotNS  int64
	current int64       // number of the newest slot
	firstNS int64       // the first period, 0 before it
	end     pulse.Stamp // of the latest period
}

// begin takes the limits that are in force from now on. Totals go on, and so
// does the window if all bounds stay.
func (r *rolling) begin(p *pulse.Profile, windowNS int64, now pulse.Stamp) {
	var bounds []bound
	if p != nil {
		for _, l := range p.Limits {
			for _, b := range l.Bounds() {
				bounds = append(bounds, bound{Bound: b})
			}
		}
	}
	if r.totals == nil {
		r.totals = map[boundKey]*total{}
	}
	stay := len(bounds) == len(r.bounds) && r.slotNS > 0
	for i := range bounds {
		b := &bounds[i]
		if b.total = r.totals[b.key()]; b.total == nil {
			b.total = new(total)
			r.totals[b.key()] = b.total
		}
		stay = stay && b.same(&r.bounds[i])
		for j := range r.bounds {
			if o := &r.bounds[j]; b.same(o) {
				b.outSince, b.outLast, b.wasOut = o.outSince, o.outLast, o.wasOut
			}
		}
	}
	r.bounds = bounds
	r.slotNS = max(windowNS/slots, 1)
	number := r.number(now)
	if stay && number >= r.current {
		return
	}
	r.current = number
	for i := range r.ring {
		r.ring[i] = slot{worst: make([]extreme, len(bounds))}
	}
}

// number is the number of the slot that a time is in, rounded down.
func (r *rolling) number(at pulse.Stamp) int64 {
	n := int64(at) / r.slotNS
	if int64(at)%r.slotNS < 0 {
		n--
	}
	return n
}

func (r *rolling) at(number int64) *slot { return &r.ring[(number%slots+slots)%slots] }

// slot gives the slot of a time, or the newest one for a time before it.
func (r *rolling) slot(at pulse.Stamp) *slot {
	n := max(r.number(at), r.current)
	for ; r.current < n; r.current++ {
		if n-r.current > slots {
			r.current = n - slots
		}
		s := r.at(r.current + 1)
		clear(s.worst)
		*s = slot{worst: s.worst}
	}
	return r.at(n)
}

// see compares one value with bound i and returns whether it is out of it.
func (r *rolling) see(s *slot, i int, v float64, x extreme) (out bool) {
	b := &r.bounds[i]
	b.total.of++
	x.V, x.n = v, 1
	if out = b.Out(v); out {
		b.total.out++
		x.out = 1
		if !b.wasOut || x.at-b.outLast > pulse.Stamp(slots*r.slotNS) {
			b.outSince = x.at
		}
		b.outLast, b.wasOut = x.at, true
	}
	s.worst[i].merge(&x, b.Upper)
	return out
}

func (r *rolling) bounce(at pulse.Stamp, ns int64) {
	for i := range r.bounds {
		if r.bounds[i].Quantity == pulse.BounceMS {
			r.see(r.slot(at), i, ms(ns), extreme{Value: pulse.Value{BreakNS: ns}, at: at})
		}
	}
}

// pulse takes a break that is a pulse or a stall, and returns whether any value
// of it is out of limit.
func (r *rolling) pulse(p *pulse.PulseRow) (out bool) {
	s := r.slot(p.At)
	if p.GapNS > 0 && (s.gapNS == 0 || p.GapNS < s.gapNS) {
		s.gapNS = p.GapNS
	}
	for i := range r.bounds {
		q := r.bounds[i].Quantity
		v, ok := p.Value(q)
		if !ok {
			continue
		}
		x := extreme{Value: pulse.Value{BreakNS: p.BreakNS, PeriodNS: p.PeriodNS}, at: p.At, item: int32(p.Pulse)}
		if q == pulse.InterdigitMS {
			x.Value = pulse.Value{PeriodNS: p.GapNS}
		}
		out = r.see(s, i, v, x) || out
	}
	r.bounce(p.At, p.OpenBounceNS)
	r.bounce(p.At+pulse.Stamp(p.BreakNS), p.CloseBounceNS)
	return out
}

// cycle takes a cycle, and returns whether any value of it is out of limit.
func (r *rolling) cycle(c *pulse.CycleRow) (out bool) {
	s := r.slot(c.At)
	for i := range r.bounds {
		b := &r.bounds[i]
		for at, v := range c.Values(b.Quantity, b.Segment) {
			x := extreme{at: at}
			if at == c.At { // not of the make before it
				x.Value, x.item = pulse.Value{BreakNS: c.BreakNS, PeriodNS: c.PeriodNS}, int32(c.Lobe)
			}
			out = r.see(s, i, v, x) || out
		}
	}
	return out
}

// period takes a whole period, with the segments of its cadence if it has one.
func (r *rolling) period(at pulse.Stamp, breakNS, periodNS int64, segmentsNS []int64) {
	if r.firstNS == 0 {
		r.firstNS = periodNS
	}
	p := &r.slot(at).periods
	p.n++
	if at != r.end {
		p.runs++
	}
	r.end = at + pulse.Stamp(periodNS)
	p.breakNS, p.allNS = p.breakNS+breakNS, p.allNS+periodNS
	off, share := float64(periodNS-r.firstNS), percent(breakNS, periodNS)-50
	p.off, p.off2, p.percent, p.percent2 = p.off+off, p.off2+off*off, p.percent+share, p.percent2+share*share
	if share < 0 {
		p.shortBreaks++
	}
	if len(segmentsNS) > 0 {
		p.cycles++
		for i, ns := range segmentsNS[:min(len(segmentsNS), maxSegments)] {
			p.segmentsNS[i] += ns
		}
	}
}

// since adds up the slots of the window that ends now.
func (r *rolling) since(now pulse.Stamp, worst []extreme) (seen pulse.Counts, gapNS int64, mean periods) {
	if r.slotNS == 0 {
		return
	}
	newest := max(r.number(now), r.current)
	for n := r.current; n > r.current-slots && n > newest-slots; n-- {
		s := r.at(n)
		for i := range worst {
			worst[i].merge(&s.worst[i], r.bounds[i].Upper)
		}
		seen.Add(s.seen)
		mean.add(&s.periods)
		if s.gapNS > 0 && (gapNS == 0 || s.gapNS < gapNS) {
			gapNS = s.gapNS
		}
	}
	return seen, gapNS, mean
}

func ms(ns int64) float64 { return float64(ns) / 1e6 }
