package live

import (
	"makebreak/pulse"
)

// slots is how many parts of the window are kept: the oldest leaves as a
// whole, so that Figures look back from 95 to 100 % of the window.
const slots = 20

// A bound is one bound of one limit.
type bound struct {
	pulse.Limit
	value float64
	upper bool
	total *total
}

// A total is what was seen of a bound since the start.
type total struct{ out, of uint64 }

// A boundKey is what totals go on by, whatever limits come, go and come back.
type boundKey struct {
	quantity string
	upper    bool
}

func (b *bound) key() boundKey {
	if b.Quantity == pulse.RatePPS || b.Quantity == pulse.RateIPM {
		return boundKey{"rate", b.upper} // in another unit for another kind
	}
	return boundKey{b.Name(), b.upper}
}

func (b *bound) same(o *bound) bool {
	return b.Name() == o.Name() && b.upper == o.upper && b.value == o.value
}

// A spot is the worst value of a bound in a slot, with the pulse or cycle that
// it belongs to.
type spot struct {
	v                 float64
	breakNS, periodNS int64
	at                pulse.Stamp
	item              int32 // pulse in its train, or lobe; 0 when there is none
	n, out            uint32
}

// take keeps the worse of two spots; the counts are added.
func (s *spot) take(o *spot, upper bool) {
	n, out := s.n+o.n, s.out+o.out
	if o.n > 0 && (s.n == 0 || upper && o.v > s.v || !upper && o.v < s.v) {
		*s = *o
	}
	s.n, s.out = n, out
}

// A slot is one part of the window.
type slot struct {
	worst []spot // one a bound
	seen  pulse.Counts
	gapNS int64 // the smallest interdigit gap, 0 for none
}

// rolling judges what was measured lately, against each bound.
type rolling struct {
	bounds  []bound
	totals  map[boundKey]*total // of all bounds there ever were
	ring    [slots]slot
	slotNS  int64
	current int64 // number of the newest slot
}

// begin takes the limits for what comes. Totals go on, and so does the window
// if all bounds stay.
func (r *rolling) begin(p *pulse.Profile, windowNS int64, now pulse.Stamp) {
	var bounds []bound
	if p != nil {
		for _, l := range p.Limits {
			if l.Min != nil {
				bounds = append(bounds, bound{Limit: l, value: *l.Min})
			}
			if l.Max != nil {
				bounds = append(bounds, bound{Limit: l, value: *l.Max, upper: true})
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
	}
	r.bounds = bounds
	r.slotNS = max(windowNS/slots, 1)
	number := r.number(now)
	if stay && number >= r.current {
		return
	}
	r.current = number
	for i := range r.ring {
		r.ring[i] = slot{worst: make([]spot, len(bounds))}
	}
}

func (r *rolling) number(at pulse.Stamp) int64 {
	n := int64(at) / r.slotNS
	if int64(at)%r.slotNS < 0 {
		n--
	}
	return n
}

func (r *rolling) at(number int64) *slot { return &r.ring[(number%slots+slots)%slots] }

// slot gives the slot of a time, or the newest for a time before it.
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

// see takes one value of bound i, and tells whether it is beyond it.
func (r *rolling) see(s *slot, i int, v float64, where spot) (out bool) {
	b := &r.bounds[i]
	b.total.of++
	where.v, where.n = v, 1
	if out = v < b.value && !b.upper || v > b.value && b.upper; out {
		b.total.out++
		where.out = 1
	}
	s.worst[i].take(&where, b.upper)
	return out
}

func (r *rolling) bounce(at pulse.Stamp, ns int64) {
	var s *slot
	for i := range r.bounds {
		if r.bounds[i].Quantity != pulse.BounceMS {
			continue
		}
		if s == nil {
			s = r.slot(at)
		}
		r.see(s, i, ms(ns), spot{breakNS: ns, at: at})
	}
}

// pulse takes a break that is a pulse or a stall, and tells whether anything of
// it is out of limit. The quantities are those of the measurement document.
func (r *rolling) pulse(p *pulse.PulseRow) (out bool) {
	s := r.slot(p.At)
	if p.GapNS > 0 && (s.gapNS == 0 || p.GapNS < s.gapNS) {
		s.gapNS = p.GapNS
	}
	where := spot{breakNS: p.BreakNS, periodNS: p.PeriodNS, at: p.At, item: int32(p.Pulse)}
	for i := range r.bounds {
		q := r.bounds[i].Quantity
		switch {
		case q == pulse.BreakMS:
			out = r.see(s, i, ms(p.BreakNS), where) || out
		case q == pulse.InterdigitMS:
			if p.GapNS > 0 {
				out = r.see(s, i, ms(p.GapNS), spot{periodNS: p.GapNS, at: p.At, item: 1}) || out
			}
		case p.PeriodNS == 0: // the last of its train
		case q == pulse.MakeMS:
			out = r.see(s, i, ms(p.MakeNS), where) || out
		case q == pulse.PeriodMS:
			out = r.see(s, i, ms(p.PeriodNS), where) || out
		case q == pulse.RatePPS:
			out = r.see(s, i, 1e9/float64(p.PeriodNS), where) || out
		case q == pulse.BreakPercent:
			out = r.see(s, i, percent(p.BreakNS, p.PeriodNS), where) || out
		case q == pulse.BreakRatio:
			out = r.see(s, i, float64(p.BreakNS)/float64(p.MakeNS), where) || out
		}
	}
	r.bounce(p.At, p.OpenBounceNS)
	r.bounce(p.At+pulse.Stamp(p.BreakNS), p.CloseBounceNS)
	return out
}

// cycle takes a whole cycle, and tells the same of it.
func (r *rolling) cycle(c *pulse.CycleRow) (out bool) {
	s := r.slot(c.At)
	for i := range r.bounds {
		b := &r.bounds[i]
		if b.Quantity == pulse.MakeMS || b.Quantity == pulse.SegmentMS && b.Segment == c.BeforeSegment {
			out = r.known(s, i, c.BeforeNS, spot{at: c.At - pulse.Stamp(c.BeforeNS)}) || out
		}
	}
	if c.Faulty() {
		return out
	}
	where := spot{breakNS: c.BreakNS, periodNS: c.PeriodNS, at: c.At, item: int32(c.Lobe)}
	for i := range r.bounds {
		b := &r.bounds[i]
		switch b.Quantity {
		case pulse.PeriodMS:
			if c.Whole {
				out = r.see(s, i, ms(c.PeriodNS), where) || out
			}
		case pulse.RateIPM:
			if c.Whole {
				out = r.see(s, i, 60e9/float64(c.PeriodNS), where) || out
			}
		case pulse.BreakPercent:
			if c.Whole {
				out = r.see(s, i, percent(c.BreakNS, c.PeriodNS), where) || out
			}
		case pulse.SegmentMS:
			if b.Segment <= len(c.SegmentsNS) {
				out = r.known(s, i, c.SegmentsNS[b.Segment-1], where) || out
			}
		case pulse.BreakMS:
			out = r.segments(s, i, c, 1, c.BreakNS, where) || out
		case pulse.MakeMS:
			out = r.segments(s, i, c, 0, c.MakeNS, where) || out
		}
	}
	return out
}

// segments takes every other segment of a cadence, or the only one there is.
func (r *rolling) segments(s *slot, i int, c *pulse.CycleRow, from int, only int64, where spot) (out bool) {
	if c.SegmentsNS == nil {
		out = r.known(s, i, only, where) || out
	}
	for ; from < len(c.SegmentsNS); from += 2 {
		out = r.known(s, i, c.SegmentsNS[from], where) || out
	}
	return out
}

// known takes a make or break unless it is 0, not known.
func (r *rolling) known(s *slot, i int, ns int64, where spot) bool {
	return ns > 0 && r.see(s, i, ms(ns), where)
}

// since adds up the slots that the window reaches at now.
func (r *rolling) since(now pulse.Stamp, worst []spot) (seen pulse.Counts, gapNS int64) {
	if r.slotNS == 0 {
		return
	}
	newest := max(r.number(now), r.current)
	for n := r.current; n > r.current-slots && n > newest-slots; n-- {
		s := r.at(n)
		for i := range worst {
			worst[i].take(&s.worst[i], r.bounds[i].upper)
		}
		seen.Add(s.seen)
		if s.gapNS > 0 && (gapNS == 0 || s.gapNS < gapNS) {
			gapNS = s.gapNS
		}
	}
	return seen, gapNS
}

func ms(ns int64) float64 { return float64(ns) / 1e6 }
