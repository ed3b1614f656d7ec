package pulse

import "slices"

// pairWindowMost bounds what a PairWindow keeps: ten minutes of a contact that
// never rests at 20 pps, in 1 MB.
const pairWindowMost = 12_000

// A PairWindow keeps what a Pairing told of the last time, for a contact that is
// watched without end. It is full after so many breaks that a longer window would
// take 1 MB: then it reaches back less far.
type PairWindow struct {
	WindowNS int64
	list     []PairedPulse
}

// Add takes what Pairing told: OnPulse may be it. The breaks of the two contacts
// need not come in one order.
func (w *PairWindow) Add(t *PairedPulse) {
	if len(w.list) >= 2*pairWindowMost {
		w.list = append(w.list[:0], w.list[len(w.list)-pairWindowMost:]...)
	}
	w.list = append(w.list, *t)
}

// Stats gives the figures of the breaks in the window that ends at now: counts and
// statistics only, without places. Those of a pair of contacts that change in turn
// (Pairing.Opposite) have no overlap here.
func (w *PairWindow) Stats(now Stamp) *Repeater {
	from := now - Stamp(w.WindowNS)
	w.list = slices.DeleteFunc(w.list, func(t PairedPulse) bool { return t.At < from })
	r := new(Repeater)
	values := map[Quantity][]float64{}
	see := func(q Quantity, ns int64, ok bool) {
		if ok {
			values[q] = append(values[q], ms(float64(ns)))
		}
	}
	for i := max(0, len(w.list)-pairWindowMost); i < len(w.list); i++ {
		t := &w.list[i]
		if t.At > now {
			continue
		}
		switch t.State {
		case Paired:
			r.Pairs++
		case PairLost:
			r.Lost++
		case PairExtra:
			r.Extra++
		case PairShort:
			r.Short++
		case PairUnknown:
			r.Unpaired++
		}
		see(OpenLagMS, t.OpenLagNS, t.OpenOK)
		see(CloseLagMS, t.CloseLagNS, t.CloseOK)
		see(BreakChangeMS, t.BreakChangeNS, t.ChangeOK)
		see(BothClosedMS, t.BothClosedNS, t.BothClosedOK)
		see(BothOpenMS, t.BothOpenNS, t.BothOpenOK)
		if t.OpenOK && t.OpenLagNS < 0 {
			r.OutputOpensFirst++
		}
		if t.CloseOK && t.CloseLagNS < 0 {
			r.OutputClosesFirst++
		}
	}
	for _, q := range PairQuantities() {
		v := values[q]
		*r.stat(q) = statOf(len(v), func(dst []float64, from int) { copy(dst, v[from:]) })
	}
	return r
}
