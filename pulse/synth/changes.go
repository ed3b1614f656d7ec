package synth

import "math"

const day = 24 * hour

// changes are what time does to a contact: wear of its lobes and drift of its
// breaks.
type changes struct {
	on           bool
	wear         []int64 // growth of each lobe's break, ns a day
	lobeWear     []int64 // growth of each lobe's opening error, ns a day
	drift        float64 // growth of each break, ns a day
	before, make []int64 // make before and after each span, without changes
	pulseMake    int64   // of a dial
}

func newChanges(s *Spec, l *layout) changes {
	c := changes{wear: s.WearNSPerDay, lobeWear: s.LobeWearNSPerDay, pulseMake: never}
	c.on = len(c.wear) > 0 || len(c.lobeWear) > 0 || s.BreakDriftPerDay != 0
	if !c.on {
		return c
	}
	n := len(l.spans)
	c.before, c.make = make([]int64, n), make([]int64, n)
	for i, sp := range l.spans {
		next := l.start(1) + l.spans[0].open
		if i+1 < n {
			next = l.spans[i+1].open
		}
		c.make[i] = next - sp.close
		c.before[(i+1)%n] = next - sp.close
	}
	if s.Form != Cadence {
		period, length := s.nominal()
		c.drift = s.BreakDriftPerDay / 100 * period
		if s.Form == Dial {
			c.pulseMake = int64(period - length)
		}
	}
	return c
}

// change changes a break, given the opening that follows it without changes,
// and returns when that comes.
func (c *changes) change(sp *span, next int64) int64 {
	if sp.kind != pulseBreak && sp.kind != interruption {
		return next
	}
	n := int64(len(c.make))
	i := sp.number % n
	days := float64(sp.open) / float64(day)
	length := sp.close - sp.open
	grown := c.drift * days
	if len(c.wear) > 0 {
		grown += float64(c.wear[i]) * float64(sp.open) / float64(day)
	}
	sp.open += c.late(i, sp.open)
	sp.close = sp.open + length
	next += c.late((i+1)%n, next)
	room := min(next-sp.close, c.pulseMake)
	grown = max(-0.9*float64(length), min(0.9*float64(room), grown))
	sp.close += int64(math.Round(grown))
	return next
}

// late is how much later than at first a lobe opens, at time t.
func (c *changes) late(lobe, t int64) int64 {
	if len(c.lobeWear) == 0 {
		return 0
	}
	late := float64(c.lobeWear[lobe]) * float64(t) / float64(day)
	return int64(math.Round(max(-0.4*float64(c.before[lobe]), min(0.4*float64(c.make[lobe]), late))))
}
