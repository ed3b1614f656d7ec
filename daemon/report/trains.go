package report

import (
	"cmp"
	"slices"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// A list of trains longer than foldTrains shows its first and last edgeTrains,
// the extremes, and at most oddTrains of those that have no digit.
const (
	foldTrains = 40
	edgeTrains = 5
	oddTrains  = 6
)

// numberedTrain is a train with its number, from 1.
type numberedTrain struct {
	number int
	pulse.Train
}

// trainDigest is what a page tells of the trains, gathered in one pass: there
// may be a great many.
type trainDigest struct {
	n, partial int
	digits     []byte                    // of the first maxDigits trains, '_' for a partial one, '?' for no digit
	odd        []numberedTrain           // whole trains that no digit has, the first few
	shown      []numberedTrain           // in order
	named      map[int]string            // digits of the trains that limits name
	lo, hi     [3]*numberedTrain         // extremes of rate, percent break and gap
	last       [edgeTrains]numberedTrain // a ring
}

func digest(m *pulse.Measurement) *trainDigest {
	d := &trainDigest{named: map[int]string{}}
	if m.Dial == nil {
		return d
	}
	if m.Conformity != nil {
		for _, it := range m.Conformity.Items {
			if n := it.At.Train; n > 0 {
				d.named[n] = ""
			}
		}
	}
	all := m.Dial.Trains.Len()
	for t := range m.Dial.Trains.All() {
		d.n++
		x := numberedTrain{d.n, t}
		d.last[d.n%edgeTrains] = x
		if _, ok := d.named[d.n]; ok {
			if t.Digit != nil {
				d.named[d.n] = *t.Digit
			}
			d.shown = append(d.shown, x)
		}
		if d.n <= edgeTrains || all <= foldTrains {
			d.shown = append(d.shown, x)
		}
		if d.n <= maxDigits {
			d.digits = append(d.digits, trainMark(&t))
		}
		switch {
		case t.Partial:
			d.partial++
		case t.Digit == nil && len(d.odd) < oddTrains:
			d.odd = append(d.odd, x)
		}
		for i, v := range []pulse.Num{t.RatePPS, t.BreakPercent, t.GapBeforeMS} {
			if v.OK && (d.lo[i] == nil || v.V < ofTrain(d.lo[i], i)) {
				d.lo[i] = &numberedTrain{d.n, t}
			}
			if v.OK && (d.hi[i] == nil || v.V > ofTrain(d.hi[i], i)) {
				d.hi[i] = &numberedTrain{d.n, t}
			}
		}
	}
	d.shown = append(append(d.shown, d.odd...), d.last[:min(d.n, edgeTrains)]...)
	for _, x := range append(d.lo[:], d.hi[:]...) {
		if x != nil {
			d.shown = append(d.shown, *x)
		}
	}
	d.shown = slices.DeleteFunc(d.shown, func(x numberedTrain) bool { return x.number == 0 })
	slices.SortFunc(d.shown, func(a, b numberedTrain) int { return cmp.Compare(a.number, b.number) })
	d.shown = slices.CompactFunc(d.shown, func(a, b numberedTrain) bool { return a.number == b.number })
	return d
}

// noDigit is the first whole train without a stall that is no digit; nil for
// none.
func (d *trainDigest) noDigit() *pulse.Train {
	for i := range d.odd {
		if !d.odd[i].Stalled {
			return &d.odd[i].Train
		}
	}
	return nil
}

// trainMark is a train's place in a row of digits.
func trainMark(t *pulse.Train) byte {
	switch {
	case t.Partial:
		return '_'
	case t.Digit == nil:
		return '?'
	}
	return (*t.Digit)[0]
}

func ofTrain(t *numberedTrain, i int) float64 {
	return [...]float64{t.RatePPS.V, t.BreakPercent.V, t.GapBeforeMS.V}[i]
}

func listTrains(doc *Document, m *pulse.Measurement, d *trainDigest) {
	if d.n == 0 {
		return
	}
	title := "Trains"
	if d.n > foldTrains {
		title += ": the first, the last, the extremes, and those without a digit"
	}
	doc.head(title)
	list := Table{Columns: columns("rrrrrrrl", "train", "digit", "pulses", "start", "pps", "% break", "gap before", "")}
	list.Columns[6].Unit = "ms"
	before := 0
	for _, t := range d.shown {
		if t.number != before+1 {
			list.Rows = append(list.Rows, nil)
		}
		before = t.number
		digit, note := "-", ""
		switch {
		case t.Digit != nil:
			digit = *t.Digit
		case t.Partial:
			note = "partial"
		case t.Stalled:
			note = "stalled"
		default:
			note = "no digit"
		}
		list.Rows = append(list.Rows, cells(figure.Count(t.number), digit, figure.Count(t.Pulses), figure.Time(t.StartS),
			number(t.RatePPS, decimals(m, pulse.RatePPS)), number(t.BreakPercent, decimals(m, pulse.BreakPercent)),
			number(t.GapBeforeMS, decimals(m, pulse.InterdigitMS)), note))
	}
	doc.add(list)
}
