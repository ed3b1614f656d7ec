package pulse

import (
	"fmt"
	"slices"
)

// budgets gives the uncertainty of one value of each quantity, at the means.
func (m *Meter) budgets(r *Measurement) map[Quantity]*BudgetResult {
	q := []Quantity{RateIPM, PeriodMS, BreakPercent, BreakMS, MakeMS, BounceMS}
	if m.kind == KindDial {
		q = []Quantity{RatePPS, BreakPercent, BreakMS, MakeMS, InterdigitMS, BounceMS}
	}
	if p := m.cfg.Limits; p != nil { // and what is judged
		for _, l := range p.Limits {
			if l.Quantity != SegmentMS && !l.Quantity.OfTwo() && !slices.Contains(q, l.Quantity) {
				q = append(q, l.Quantity)
			}
		}
	}
	var brk, per, gap, mk float64 // ms
	if d := r.Dial; d != nil {
		brk, mk, gap = d.BreakMS.Mean.V, d.MakeMS.Mean.V, d.InterdigitMS.Mean.V
		per = brk + mk
	} else {
		i := r.Interrupter
		brk, mk, per = i.BreakMS.Mean.V, i.MakeMS.Mean.V, i.PeriodMS.Mean.V
	}
	u := make(map[Quantity]*BudgetResult, len(q))
	for _, q := range q {
		b, t := brk*1e6, per*1e6
		switch {
		case q == InterdigitMS:
			b, t = 0, gap*1e6
		case q == BounceMS:
			b, t = r.Settling.BounceMS.Mean.V*1e6, 0
		case q == BreakPercent && m.kind == KindInterrupter:
			b = r.Interrupter.BreakPercent.Mean.V / 100 * t
		case q == MakeMS && m.kind == KindInterrupter:
			t = b + mk*1e6
		}
		n := m.sample(q, 0).n
		if q == BounceMS {
			n = m.bounces.lengths.Len() // not only what a limit judges
		}
		if n > 0 {
			u[q] = m.setup.Budget(q, m.interrupter.follow.pat.k(), b, t)
		} else {
			u[q] = &BudgetResult{Budget: []Component{}}
		}
	}
	m.overall(r, u)
	if m.repeat != nil {
		m.repeat.budgets(&m.setup, r.Repeater, u)
	}
	return u
}

// judge states whether the measurement keeps the limits of p.
func (m *Meter) judge(p *Profile, r *Measurement) *Conformity {
	c := &Conformity{Statement: NotMeasured, Because: []string{}, Items: []Item{}}
	for _, l := range p.Limits {
		s := m.sample(l.Quantity, l.Segment)
		if m.kind == KindInterrupter && m.interrupter.misfit && !l.Quantity.OfTwo() {
			s = sample{} // the figures are another cadence's
		}
		for _, b := range l.Bounds() {
			c.Items = append(c.Items, m.item(&b, &s))
		}
	}
	c.Statement = c.WorstItem()
	fail, notMeasured := m.because(p, r)
	if slices.ContainsFunc(p.Limits, func(l Limit) bool { return l.Quantity.OfTwo() }) {
		if r.Repeater == nil {
			notMeasured = append(notMeasured, "limits of two contacts need a second one: --against")
		} else {
			fail = append(fail, r.Repeater.because()...)
		}
	}
	c.AtBest(Fail, fail...)
	c.AtBest(NotMeasured, notMeasured...)
	return c
}

// because gathers what beside the limits forbids a pass: what makes the whole a
// fail, and what makes it not measured at best.
func (m *Meter) because(p *Profile, r *Measurement) (fail, notMeasured []string) {
	if m.kind == KindDial {
		return m.dial.because(p.judges(InterdigitMS))
	}
	for _, c := range r.Interrupter.SpeedChanges {
		if c.Factor > 0 {
			text := c.Either()
			if !c.FromNominal {
				text = fmt.Sprintf("at %.1f s ", c.AtS) + text
			}
			notMeasured = append(notMeasured, text)
			break // the rest are in the document
		}
	}
	return r.Faults().Because(), notMeasured
}

// Either says what a change of speed by a whole factor may be. It is empty for any
// other.
func (c SpeedChange) Either() string {
	become := "become"
	if c.FromNominal {
		become = "are, beside the nominal ones,"
	}
	far, near := fmt.Sprintf("%d times as far apart", c.Factor), fmt.Sprintf("%d times as close", c.Factor)
	slow, fast := fmt.Sprintf("at 1/%d of the speed", c.Factor), fmt.Sprintf("at %d times the speed", c.Factor)
	of := fmt.Sprintf("of every %d interruptions %d are", c.Factor, c.Factor-1)
	if c.Factor == 2 {
		far, near, slow, fast, of = "twice as far apart", "twice as close", "at half the speed", "at twice the speed", "every second interruption is"
	}
	switch {
	case c.Factor == 0:
		return ""
	case c.AfterMS > c.BeforeMS:
		return "the openings " + become + " " + far + ": either the drive runs " + slow + ", or " + of + " missing"
	}
	return "the openings " + become + " " + near + ": either the drive runs " + fast + ", or " + of + " extra"
}

// judges tells whether the profile has a limit on q.
func (p *Profile) judges(q Quantity) bool {
	return slices.ContainsFunc(p.Limits, func(l Limit) bool { return l.Quantity == q })
}

// Doubts says what makes a window not measured at best when it is judged by p and
// holds so many doubtful makes and changes of speed by a whole factor. It is empty
// where nothing does.
func (p *Profile) Doubts(doubtfulMakes, doubtfulSpeeds uint64) string {
	switch {
	case doubtfulSpeeds > 0:
		return "the openings' distance changes by a whole factor: either the drive changes its speed, or interruptions are missing or extra"
	case doubtfulMakes == 0 || p.judges(InterdigitMS):
		return ""
	case doubtfulMakes == 1:
		return "a make may be a pause between digits as well as one that stalled, and no interdigit limit judges it"
	}
	return fmt.Sprintf("%d makes may be pauses between digits as well as makes that stalled, and no interdigit limit judges them", doubtfulMakes)
}

// Faults count what never passes, whatever the limits say.
type Faults struct {
	Missing, Extra uint64 // interruptions
	Slips          uint64 // of the phase
	Stalls         uint64 // breaks that stalled inside a digit
}

// Faults are the faults that the whole measurement counted.
func (r *Measurement) Faults() (f Faults) {
	if i := r.Interrupter; i != nil {
		f.Missing, f.Extra, f.Slips = uint64(i.Missing), uint64(i.Extra), uint64(i.Slips)
	}
	if d := r.Dial; d != nil {
		f.Stalls = uint64(d.Stalls + d.DisconnectsInside)
	}
	return f
}

// Because names each kind of fault that there is, in words: "3 interruptions are
// missing". It is empty when there is none.
func (f Faults) Because() (because []string) {
	for _, x := range []struct {
		n         uint64
		one, many string
	}{
		{f.Missing, "1 interruption is missing", "%d interruptions are missing"},
		{f.Extra, "1 interruption is extra", "%d interruptions are extra"},
		{f.Slips, "the phase slipped once", "the phase slipped %d times"},
		{f.Stalls, "1 break stalled inside a digit", "%d breaks stalled inside a digit"},
	} {
		switch x.n {
		case 0:
		case 1:
			because = append(because, x.one)
		default:
			because = append(because, fmt.Sprintf(x.many, x.n))
		}
	}
	return because
}

// AtBest makes the statement no better than s for each of the causes, and
// names each once. Without a cause it changes nothing.
func (c *Conformity) AtBest(s Statement, because ...string) {
	for _, cause := range because {
		c.Statement = Worst(c.Statement, s)
		if !slices.Contains(c.Because, cause) {
			c.Because = append(c.Because, cause)
		}
	}
}

// WorstItem is the worst statement of the items, NotMeasured without any.
func (c *Conformity) WorstItem() Statement {
	if len(c.Items) == 0 {
		return NotMeasured
	}
	s := Pass
	for i := range c.Items {
		s = Worst(s, c.Items[i].Statement)
	}
	return s
}

// item judges one bound on the worst value of the sample, and counts all that
// are beyond it.
func (m *Meter) item(b *Bound, s *sample) Item {
	worst := &s.lo
	if b.Upper {
		worst = &s.hi
	}
	if s.n == 0 || !worst.ok {
		it := b.NoItem()
		it.Of = s.n
		return it
	}
	it := b.Item(m.kind, m.interrupter.follow.pat.k(), &m.setup, worst.Value)
	if b.Quantity.OfTwo() {
		if it.ExpandedU = PairBudget(b.Quantity, &m.setup, &m.repeat.setup, worst.V).Expanded; it.ExpandedU.OK {
			it.Statement = b.Judge(worst.V, it.ExpandedU.V)
		}
	}
	it.Of = s.n
	if !it.ExpandedU.OK {
		return it
	}
	out := 0
	var block [512]float64
	for from := 0; from < s.n; from += len(block) {
		values := block[:min(len(block), s.n-from)]
		s.fill(values, from)
		for _, v := range values {
			if b.Out(v) {
				out++
			}
		}
	}
	it.Count(out, s.n)
	origin := m.origin()
	if b.Quantity == BounceMS && (m.kind == KindInterrupter || worst.side == Closing) { // not corrected
		origin = m.first
	}
	it.AtS = Known(float64(worst.at-origin) / 1e9)
	switch {
	case worst.group == 0:
	case m.kind == KindInterrupter:
		it.At = Location{Cycle: worst.group, Lobe: m.interrupter.numbers.number(worst.item, worst.stretch), Side: worst.side}
	case b.Quantity == InterdigitMS:
		it.At = Location{Train: worst.group}
	default:
		it.At = Location{Train: worst.group, Pulse: worst.item, Side: worst.side}
	}
	return it
}
