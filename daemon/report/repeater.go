package report

import (
	"math"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// maxPlacesTold of lost or extra pulses are told of.
const maxPlacesTold = 5

// repeater says what two contacts did together.
func repeater(doc *Document, m *pulse.Measurement) {
	r := m.Repeater
	if r == nil {
		return
	}
	doc.head("Against the second contact, the output")
	if r.Output != nil {
		doc.tell("", r.Output.Source)
	}
	one, many := "break", "breaks"
	if m.Dial != nil {
		one, many = "pulse", "pulses"
	}
	if r.Pairs == 0 {
		doc.tell("", "Not measured: no opening of the output lies within half a period of one of the input. Are the times of both on one clock?")
		if r.Lost+r.Extra > 0 {
			doc.tell("", lostAndExtra(r, one, many))
		}
		outputAlone(doc, r)
		return
	}
	if r.Opposite {
		changeover(doc, m)
	} else {
		lags(doc, m)
	}
	if r.Opposite && m.Dial != nil {
		doc.tell("", "Lags, lost and extra pulses of a dial are not told for such a contact.")
	} else {
		doc.tell("", lostAndExtra(r, one, many))
	}
	for _, s := range []struct {
		shift        *pulse.PlaceShift
		which, other string
	}{{r.FirstPulse, "first", "later ones"}, {r.LastPulse, "last", "ones before it"}} {
		if s.shift != nil && s.shift.Shown && !r.Opposite {
			doc.tell("", shifted(s.shift, s.which, s.other))
		}
	}
	if f, l := r.FirstPulse, r.LastPulse; f != nil && l != nil && !f.Shown && !l.Shown && !r.Opposite {
		u := max(float64(f.ExpandedMS), float64(l.ExpandedMS))
		doc.tell("", "First and last pulse of a train are changed as the others are, within "+figure.NonZero(u, figure.Decimals(u))+" ms (95 %).")
	}
	if lateByMore(r) {
		doc.tell("", "Its first pulses seem lost and its last ones extra: the output may follow by more than half a period, and be taken for early.")
	}
	if 4*(r.Lost+r.Extra) > r.Pairs {
		doc.mark("DOUBTFUL:", Doubtful, "so many "+many+" have no pair that the two may not belong together. Are they the right contacts, at the right polarity, and on one clock?")
	}
	var rows []statRow
	for _, q := range pulse.PairQuantities() {
		rows = append(rows, quantityRow(m, q, r.Stat(q)))
	}
	if r.Opposite {
		rows = append(rows[:0], rows[3:]...) // pairs of openings mean nothing here
	}
	doc.add(Space{})
	statistics(doc, "", rows)
	placeTable(doc, m)
	outputAlone(doc, r)
}

// meanOf writes the mean of a quantity of two contacts, without its sign, with its
// expanded uncertainty.
func meanOf(m *pulse.Measurement, q pulse.Quantity) string {
	v, b := math.Abs(m.Repeater.Stat(q).Mean.V), m.Uncertainty[q]
	if b == nil || !b.Overall.OK {
		return figure.Fixed(v, 3) + " ms"
	}
	dec := figure.Decimals(b.Overall.V)
	return figure.Fixed(v, dec) + " ± " + figure.NonZero(b.Overall.V, dec) + " ms"
}

// lags says how the output follows the input.
func lags(doc *Document, m *pulse.Measurement) {
	r := m.Repeater
	side := func(q pulse.Quantity) string {
		if r.Stat(q).Mean.V < 0 {
			return " before"
		}
		return " after"
	}
	s := "The output opens " + meanOf(m, pulse.OpenLagMS) + side(pulse.OpenLagMS) + " the input"
	if r.CloseLagMS.N > 0 {
		s += " and closes " + meanOf(m, pulse.CloseLagMS) + side(pulse.CloseLagMS) + " it"
	}
	if c := r.BreakChangeMS; c.N > 0 {
		grow := "longer"
		if c.Mean.V < 0 {
			grow = "shorter"
		}
		u := m.Uncertainty[pulse.BreakChangeMS]
		if u != nil && u.Overall.OK && math.Abs(c.Mean.V) <= u.Overall.V {
			s += ": no change of its breaks is shown (" + signed(c.Mean, figure.Decimals(u.Overall.V)) + " ± " + figure.NonZero(u.Overall.V, figure.Decimals(u.Overall.V)) + " ms)"
		} else {
			s += ": its breaks are " + grow + " by " + meanOf(m, pulse.BreakChangeMS)
		}
	}
	doc.tell("", s+".")
	for _, x := range []struct {
		verb   string
		first  int
		s      pulse.Stat
		q      pulse.Quantity
		before pulse.Num
	}{{"opens", r.OutputOpensFirst, r.OpenLagMS, pulse.OpenLagMS, r.OpenLagMS.Min}, {"closes", r.OutputClosesFirst, r.CloseLagMS, pulse.CloseLagMS, r.CloseLagMS.Min}} {
		switch {
		case x.first == 0 || x.s.N == 0:
		case x.first == x.s.N:
			doc.tell("", "The output "+x.verb+" first every time, by "+figure.Fixed(-x.s.Max.V, decimals(m, x.q))+" to "+figure.Fixed(-x.s.Min.V, decimals(m, x.q))+" ms.")
		default:
			doc.tell("", "The output "+x.verb+" first in "+figure.Count(x.first)+" of "+figure.Count(x.s.N)+", by up to "+figure.Fixed(-x.before.V, decimals(m, x.q))+" ms.")
		}
	}
}

// changeover says in which order two contacts change that are closed in turn.
func changeover(doc *Document, m *pulse.Measurement) {
	r := m.Repeater
	doc.tell("", "One contact closes where the other opens: both are in the same state for only "+figure.Fixed(r.AgreePercent.V, 1)+
		" % of the time. That is a changeover; or the line of one is inverted, and wants the other --against-closed.")
	dec := decimals(m, pulse.BothClosedMS)
	for _, x := range []struct {
		s             *pulse.Stat
		makes, breaks string
	}{{r.OutputMakesBeforeMS, "output", "input"}, {r.InputMakesBeforeMS, "input", "output"}} {
		if x.s == nil || x.s.N == 0 {
			continue
		}
		lo, mean, hi := x.s.Min.V, x.s.Mean.V, x.s.Max.V
		text := "The " + x.makes + " makes "
		switch {
		case lo > 0:
			text += figure.Fixed(mean, dec) + " ms before the " + x.breaks + " breaks, every time (least " + figure.Fixed(lo, dec) + " ms): both are closed so long."
		case hi <= 0:
			text += figure.Fixed(-mean, dec) + " ms after the " + x.breaks + " breaks, every time (most " + figure.Fixed(-lo, dec) + " ms): both are open so long."
		default:
			text += "before the " + x.breaks + " breaks at best by " + figure.Fixed(hi, dec) + " ms, at worst " + figure.Fixed(-lo, dec) + " ms after it."
		}
		doc.tell("", text)
	}
}

// lostAndExtra says which breaks have no pair.
func lostAndExtra(r *pulse.Repeater, one, many string) string {
	s := figure.Plural(r.Pairs, "pair", "pairs")
	switch {
	case r.Lost == 0 && r.Extra == 0:
		s += "; no " + one + " is lost, and none is extra."
	default:
		var parts []string
		for _, x := range []struct {
			n    int
			word string
			at   []pulse.PairPlace
		}{{r.Lost, "lost", r.LostAt}, {r.Extra, "extra", r.ExtraAt}} {
			if x.n == 0 {
				parts = append(parts, "none is "+x.word)
				continue
			}
			are := " are "
			if x.n == 1 {
				are = " is "
			}
			parts = append(parts, figure.Plural(x.n, one, many)+are+x.word+" ("+placesOf(x.at, x.n)+")")
		}
		s += "; " + figure.List(parts) + "."
	}
	if r.Unpaired > 0 {
		s += " " + figure.Plural(r.Unpaired, "more is", "more are") + " neither: what the other contact did there is not known."
	}
	if r.Short > 0 {
		s += " " + figure.Plural(r.Short, "short break", "short breaks") + " of one contact alone do not count."
	}
	return s
}

// placesOf lists the first few places.
func placesOf(at []pulse.PairPlace, n int) string {
	var list []string
	for _, p := range at[:min(len(at), maxPlacesTold)] {
		text := figure.Time(p.AtS)
		if p.Train > 0 {
			text = pulse.Location{Train: p.Train, Pulse: p.Pulse}.String() + " at " + text
		}
		list = append(list, text)
	}
	s := strings.Join(list, "; ")
	if n > len(list) {
		s += "; …"
	}
	return s
}

// shifted says that the break of one place changes otherwise.
func shifted(s *pulse.PlaceShift, which, others string) string {
	d, u := math.Abs(float64(s.DifferenceMS)), float64(s.ExpandedMS)
	how := "longer"
	if s.DifferenceMS < 0 {
		how = "shorter"
	}
	dec := figure.Decimals(u)
	return "The " + which + " pulse of a train comes out " + how + " by " + figure.Fixed(d, dec) + " ± " + figure.NonZero(u, dec) + " ms than the " + others + "."
}

// lateByMore tells that all is as if the output followed by more than half a
// period: each train begins with a lost pulse, and ends with an extra one.
func lateByMore(r *pulse.Repeater) bool {
	if !r.OpenLagMS.Max.OK || r.OpenLagMS.Max.V >= 0 || r.Opposite || r.Lost == 0 || r.Extra == 0 {
		return false
	}
	for _, p := range r.LostAt {
		if p.Pulse > 1 {
			return false
		}
	}
	return 2*min(r.Lost, r.Extra) >= max(r.Lost, r.Extra)
}

// placeTable tells how pulses are changed by their place in the train.
func placeTable(doc *Document, m *pulse.Measurement) {
	r := m.Repeater
	if len(r.ByPlace) < 2 || r.Opposite {
		return
	}
	t := Table{Columns: columns("lrrrrr", "place in the train", "n", "open lag", "close lag", "change", "lost")}
	for i := 2; i <= 4; i++ {
		t.Columns[i].Unit = "ms"
	}
	for _, p := range r.ByPlace {
		name := figure.Count(p.Pulse)
		if p.Pulse > 10 {
			name += " and on"
		}
		dec := decimals(m, pulse.BreakChangeMS)
		if se := p.BreakChangeSE; se.OK && se.V > 0 {
			dec = min(dec, figure.Decimals(2*se.V))
		}
		t.Rows = append(t.Rows, []Cell{{Text: name}, {Text: figure.Count(p.N)}, {Number: true, Value: p.OpenLagMS, Decimals: dec},
			{Number: true, Value: p.CloseLagMS, Decimals: dec}, {Text: signed(p.BreakChangeMS, dec)}, {Text: figure.Count(p.Lost)}})
	}
	doc.add(Space{}, t)
}

// outputAlone says what the output is by itself.
func outputAlone(doc *Document, r *pulse.Repeater) {
	o := r.Output
	if o == nil {
		return
	}
	var s string
	switch d, i := o.Dial, o.Interrupter; {
	case d != nil && d.BreakMS.N > 0:
		s = figure.Plural(d.Pulses, "pulse", "pulses") + " in " + figure.Plural(d.Trains.Len(), "train", "trains")
		if d.RatePPS.Overall.OK {
			s += ", " + overall(o, pulse.RatePPS, d.RatePPS, "pps") + ", percent break " + overall(o, pulse.BreakPercent, d.BreakPercent, "%")
		}
	case i != nil && i.Cycles > 0:
		s = figure.Plural(i.Cycles, "cycle", "cycles") + ", " + overall(o, pulse.RateIPM, i.RateIPM, rateUnit(o, "IPM")) + ", percent break " + overall(o, pulse.BreakPercent, i.BreakPercent, "%")
		if n := i.Missing + i.Extra; n > 0 {
			s += ", " + figure.Count(i.Missing) + " missing and " + figure.Count(i.Extra) + " extra"
		}
	default:
		s = "nothing was measured"
	}
	if o.Capture.LostEdges > 0 {
		s += "; " + figure.Plural(o.Capture.LostEdges, "edge", "edges") + " lost"
	}
	doc.add(Space{})
	doc.tell("The output alone:", s+".")
}
