package pulse

import "iter"

// A Bound is one side of a Limit.
type Bound struct {
	Limit
	Value float64 // its Min, or its Max where Upper
	Upper bool
}

// Bounds gives the sides that the limit has, the lower one first.
func (l Limit) Bounds() (b []Bound) {
	if l.Min != nil {
		b = append(b, Bound{l, *l.Min, false})
	}
	if l.Max != nil {
		b = append(b, Bound{l, *l.Max, true})
	}
	return b
}

// Side is the bound's name in the measurement document, "min" or "max".
func (b *Bound) Side() string {
	if b.Upper {
		return "max"
	}
	return "min"
}

// Judge states whether an observed value keeps the bound, as the function
// Judge does.
func (b *Bound) Judge(observed, expandedU float64) Statement {
	return Judge(observed, b.Value, expandedU, b.Upper)
}

// Out tells that a value is beyond the bound, whatever its uncertainty.
func (b *Bound) Out(v float64) bool { return b.Judge(v, 0) == Fail }

// Keeps tells whether a value is within the limit, whatever its uncertainty.
func (l *Limit) Keeps(v float64) bool {
	for _, b := range l.Bounds() {
		if b.Judge(v, 0) != Pass {
			return false
		}
	}
	return true
}

// A Value is one value of a quantity, with the break and the period that its
// uncertainty hangs on, as Setup.Budget takes them.
type Value struct {
	V                 float64 // in the quantity's unit
	BreakNS, PeriodNS int64
}

// Item states whether the value w keeps the bound, for a contact of a kind with so
// many breaks in its cycle, 0 for a dial. It counts nothing.
func (b *Bound) Item(k Kind, breaks int, s *Setup, w Value) Item {
	it := b.NoItem()
	it.Observed = Known(w.V)
	q, brk := b.Quantity, float64(w.BreakNS)
	if k == KindInterrupter && (q == BreakMS || q == MakeMS || q == SegmentMS) {
		q, brk = SegmentMS, w.V*1e6 // one of several in its cycle
	}
	if it.ExpandedU = s.Budget(q, breaks, brk, float64(w.PeriodNS)).Expanded; it.ExpandedU.OK {
		it.Statement = b.Judge(w.V, it.ExpandedU.V)
	}
	return it
}

// NoItem is the bound's item where no value was measured.
func (b *Bound) NoItem() Item {
	return Item{Quantity: b.Name(), Bound: b.Side(), Limit: b.Value, Statement: NotMeasured, Source: b.Source, Seen: b.Seen}
}

// Count sets how many values were beyond the bound, of how many.
func (it *Item) Count(out, of int) {
	it.OutOfLimit, it.Of = out, of
	if up, ok := UpperBound95(out, of); ok {
		it.Upper95 = Known(100 * up)
	}
}

// ofPeriod gives the function by which q follows from a break and the period that
// it begins, or from the sum of a cycle's breaks and its period. It is nil for a
// quantity that does not depend on a period, or that contacts of the kind lack.
func ofPeriod(k Kind, q Quantity) func(breakNS, periodNS int64) float64 {
	switch {
	case q == PeriodMS:
		return func(_, t int64) float64 { return ms(float64(t)) }
	case q == BreakPercent:
		return percent
	case q == RateIPM && k == KindInterrupter:
		return func(_, t int64) float64 { return 60e9 / float64(t) }
	case k != KindDial:
	case q == RatePPS:
		return func(_, t int64) float64 { return 1e9 / float64(t) }
	case q == BreakRatio:
		return ratio
	case q == MakeMS:
		return func(b, t int64) float64 { return ms(float64(t - b)) }
	}
	return nil
}

// Counts tells whether the break is in the statistics and judged: that of a
// pulse or of a stall.
func (r *PulseRow) Counts() bool { return r.Class == ClassPulse || r.Class == ClassStall }

// Value gives the row's value of q, in q's unit, as the statistics and the verdict
// take it. ok is false where it has none, and for bounce, of which a row has two.
func (r *PulseRow) Value(q Quantity) (v float64, ok bool) {
	switch f := ofPeriod(KindDial, q); {
	case !r.Counts():
	case q == BreakMS:
		return ms(float64(r.BreakNS)), true
	case q == InterdigitMS:
		return ms(float64(r.GapNS)), r.GapNS > 0
	case f != nil && r.PeriodNS > 0: // not the last of its train
		return f(r.BreakNS, r.PeriodNS), true
	}
	return 0, false
}

// Values gives the row's values of q, in q's unit, as the statistics and the
// verdict take them, each with the time that it is counted from: the opening of
// the cycle, or the closing before the make that precedes the cycle, which comes
// first. segment is that of a limit on SegmentMS. A cycle of a cadence has several
// breaks and makes. Bounce is not among the quantities.
func (r *CycleRow) Values(q Quantity, segment int) iter.Seq2[Stamp, float64] {
	return func(yield func(at Stamp, v float64) bool) {
		before := q == MakeMS || q == SegmentMS && segment == r.BeforeSegment
		if before && r.BeforeNS > 0 && !yield(r.At-Stamp(r.BeforeNS), ms(float64(r.BeforeNS))) {
			return
		}
		if r.Faulty() {
			return
		}
		if f := ofPeriod(KindInterrupter, q); f != nil {
			if r.Whole {
				yield(r.At, f(r.BreakNS, r.PeriodNS))
			}
			return
		}
		plain := [...]int64{r.MakeNS, r.BreakNS}
		lengths := r.SegmentsNS
		if lengths == nil && q != SegmentMS {
			lengths = plain[:]
		}
		for i, ns := range lengths {
			mine := q == MakeMS && i%2 == 0 || q == BreakMS && i%2 == 1 || q == SegmentMS && i+1 == segment
			if mine && ns > 0 && !yield(r.At, ms(float64(ns))) {
				return
			}
		}
	}
}

// MeanOfCycles gives the overall rate in IPM and the overall percent break of whole
// cycles, whose periods and breaks are given: cycles / sum of periods, and 100 · sum of
// breaks / sum of periods. Both are unknown without any.
func MeanOfCycles(periodNS, breakNS []int64) (rateIPM, breakPercent Num) {
	var periods, breaks int64
	for i := range periodNS {
		periods += periodNS[i]
		breaks += breakNS[i]
	}
	if periods <= 0 {
		return rateIPM, breakPercent
	}
	return Known(60e9 * float64(len(periodNS)) / float64(periods)), Known(100 * float64(breaks) / float64(periods))
}
