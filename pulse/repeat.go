package pulse

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Repeater is what two contacts did together: the input and the output of a
// pulse repeater, or two contacts of one drive. Times of the output count from
// those of the input: positive is later, or longer. Pairing says how their
// changes are paired, and every settled break takes part: pulses, flashes,
// disconnects, and each break of a cadence.
//
// BothClosedMS and BothOpenMS are the overlap. Where the contacts open and close
// together, BothOpenMS has for each pair the time in which both were open, from the
// later opening to the earlier closing, and BothClosedMS the time from the later
// closing before it to the earlier opening; pauses between trains are left out.
// Where one closes as the other opens (Opposite), both have a value for each
// changeover: the one that breaks opened so long after the one that makes had
// closed (both closed), or so long before (both open). The value of a pair or
// changeover without such a time is 0, so that a least overlap can be judged.
type Repeater struct {
	Pairs         int  `json:"pairs"` // openings of both that belong together
	OpenLagMS     Stat `json:"open_lag_ms"`
	CloseLagMS    Stat `json:"close_lag_ms"`
	BreakChangeMS Stat `json:"break_change_ms"`
	Lost          int  `json:"lost"`  // breaks of the input that the output has not
	Extra         int  `json:"extra"` // breaks of the output that the input has not
	BothClosedMS  Stat `json:"both_closed_ms"`
	BothOpenMS    Stat `json:"both_open_ms"`

	// Unpaired are breaks of either that have no pair because the other contact's
	// state is not known there. Short are breaks of a dial, too short for a pulse,
	// that one contact alone has. Neither are lost or extra.
	Unpaired int `json:"unpaired_unknown"`
	Short    int `json:"unpaired_short"`
	// OutputOpensFirst and OutputClosesFirst count the pairs in which it did.
	OutputOpensFirst  int `json:"output_opens_first"`
	OutputClosesFirst int `json:"output_closes_first"`
	// Opposite tells that one contact closes where the other opens: they are in
	// different states for more than two thirds of the time. AgreePercent is the part
	// of the time in which they are in the same.
	Opposite     bool `json:"opposite"`
	AgreePercent Num  `json:"agree_percent"`
	// Where Opposite: how long before the input opens the output has closed, and how
	// long before the output opens the input has closed. Positive is make before break.
	OutputMakesBeforeMS *Stat `json:"output_makes_before_ms,omitempty"`
	InputMakesBeforeMS  *Stat `json:"input_makes_before_ms,omitempty"`
	// PeriodMS is the period that the pairing went by.
	PeriodMS Num `json:"pairing_period_ms"`
	// LostAt and ExtraAt are the first 20 of each.
	LostAt  []PairPlace `json:"lost_at,omitempty"`
	ExtraAt []PairPlace `json:"extra_at,omitempty"`
	// ByPlace has the pulses of a dial by their place in the train: 1 to 10, and 11
	// for all later ones. FirstPulse and LastPulse compare the change of the break of
	// the first pulse and of the last with those from the third on, since a repeater
	// may not have come to rest in the second (but the first with that one too where
	// trains are short); nil where there are too few.
	ByPlace    []PairsAtPlace `json:"by_place,omitempty"`
	FirstPulse *PlaceShift    `json:"first_pulse,omitempty"`
	LastPulse  *PlaceShift    `json:"last_pulse,omitempty"`
	// Output is what the output alone was, for those who show it; it is not part of
	// the document.
	Output *Measurement `json:"-"`
}

// A PairPlace is where a break was lost or extra. AtS counts from the first edge of
// the input; before it, it is negative.
type PairPlace struct {
	AtS   float64 `json:"at_s"`
	Train int     `json:"train,omitempty"`
	Pulse int     `json:"pulse,omitempty"`
}

// PairsAtPlace are the pulses at one place in their train.
type PairsAtPlace struct {
	Pulse         int `json:"pulse"` // 11: the eleventh and later
	N             int `json:"n"`     // whose break is measured on both contacts
	Lost          int `json:"lost"`
	OpenLagMS     Num `json:"open_lag_ms"`
	CloseLagMS    Num `json:"close_lag_ms"`
	BreakChangeMS Num `json:"break_change_ms"`
	BreakChangeSE Num `json:"break_change_se_ms"` // of the mean, from the scatter
}

// A PlaceShift is by how much the break changes more at one place of the train
// than at others.
type PlaceShift struct {
	N            int     `json:"n"`
	Others       int     `json:"others"`
	DifferenceMS Rounded `json:"difference_ms"` // this place less the others
	// ExpandedMS is at 97.5 %, so that both comparisons of a measurement hold with
	// 95 %.
	ExpandedMS Rounded `json:"expanded_uncertainty_ms"`
	Shown      bool    `json:"shown"` // the difference is greater than its uncertainty
}

// Against is the output that a contact is measured against.
type Against struct {
	// Track has its changes, on the time base of the input.
	Track *Track
	Setup *Setup // of its chain; nil means DefaultSetup
	// OneRecording: it comes from the same file as the input.
	OneRecording bool
	// Openings are those of a second cam on the drive that the measurement is asked
	// for, with as many lobes: both are fitted together. nil for none.
	Openings []DriveOpening
	// Measured is what it is alone; nil when that is not known.
	Measured *Measurement
}

// Quantities of two contacts. They are measured only against another contact.
const (
	OpenLagMS     Quantity = "open_lag_ms"
	CloseLagMS    Quantity = "close_lag_ms"
	BreakChangeMS Quantity = "break_change_ms"
	BothClosedMS  Quantity = "both_closed_ms"
	BothOpenMS    Quantity = "both_open_ms"
)

// PairQuantities are the quantities of two contacts, in the order of a page.
func PairQuantities() []Quantity {
	return []Quantity{OpenLagMS, CloseLagMS, BreakChangeMS, BothClosedMS, BothOpenMS}
}

// OfTwo tells whether a quantity is one of two contacts.
func (q Quantity) OfTwo() bool {
	switch q {
	case OpenLagMS, CloseLagMS, BreakChangeMS, BothClosedMS, BothOpenMS:
		return true
	}
	return false
}

const (
	maxPairPlaces = 20 // more than a page tells
	lastPlace     = 11 // no digit has more than ten pulses
	// shiftLeast is the fewest values on each side that a comparison takes: a standard
	// deviation of fewer tells little.
	shiftLeast = 5
	// shiftLevel is two-sided 97.5 %: two comparisons together hold with 95 %.
	shiftLevel = 1 - 0.025/2
)

// A pairValues is all values of one quantity, with their extremes.
type pairValues struct {
	shifted
	extremes
}

func (v *pairValues) see(ns int64, at *extremeAt) {
	v.Add(ns)
	v.extremes.see(float64(ns), at)
}

func (v *pairValues) sample() sample { return joined(v.extremes, &v.shifted) }

// A repeatReader pairs a contact with the output that it is measured against.
type repeatReader struct {
	cfg     *Against
	setup   Setup // of the output
	read    TransitionReader
	pairing *Pairing
	output  trackReader
	ahead   Transition
	have    bool
	ended   bool

	open, close, change, closed, both pairValues // both: open
	leadOut, leadIn                   pairValues // make before break: by the output, by the input
	leadClosed, leadOpen              pairValues
	opensFirst, closesFirst           int
	lost, extra                       []extremeAt
	places                            [lastPlace + 1]placeSums
	middle, last                      moments
	before                            PairedPulse // the last pulse with a place
	kind                              Kind
}

type placeSums struct {
	open, close, change moments
	lost                int
}

// take gathers a break that is decided.
func (r *repeatReader) take(t *PairedPulse) {
	at := extremeAt{at: t.At, group: t.Train, item: t.Pulse}
	switch t.State {
	case PairLost:
		if len(r.lost) < maxPairPlaces {
			r.lost = append(r.lost, at)
		}
	case PairExtra:
		if len(r.extra) < maxPairPlaces {
			r.extra = append(r.extra, at)
		}
	}
	if t.OpenOK {
		r.open.see(t.OpenLagNS, &at)
		if t.OpenLagNS < 0 {
			r.opensFirst++
		}
	}
	if t.CloseOK {
		r.close.see(t.CloseLagNS, &at)
		if t.CloseLagNS < 0 {
			r.closesFirst++
		}
	}
	if t.ChangeOK {
		r.change.see(t.BreakChangeNS, &at)
	}
	if t.BothClosedOK {
		r.closed.see(t.BothClosedNS, &at)
	}
	if t.BothOpenOK {
		r.both.see(t.BothOpenNS, &at)
	}
	if !t.Output {
		r.place(t)
	}
}

// lead gathers a changeover.
func (r *repeatReader) lead(at Stamp, inputOpens bool, ns int64) {
	x := extremeAt{at: at}
	if inputOpens {
		r.leadOut.see(ns, &x)
	} else {
		r.leadIn.see(ns, &x)
	}
	r.leadClosed.see(max(ns, 0), &x)
	r.leadOpen.see(max(-ns, 0), &x)
}

// place gathers a pulse by its place; it makes the one before the last of its
// train, where it begins another.
func (r *repeatReader) place(t *PairedPulse) {
	if t.Pulse == 0 {
		return
	}
	r.endOfTrain(t.Train)
	p := &r.places[min(t.Pulse, lastPlace)]
	if t.State == PairLost {
		p.lost++
	}
	if t.OpenOK {
		p.open.Add(ms(float64(t.OpenLagNS)))
	}
	if t.CloseOK {
		p.close.Add(ms(float64(t.CloseLagNS)))
	}
	if t.ChangeOK {
		p.change.Add(ms(float64(t.BreakChangeNS)))
	}
	r.before = *t
}

// endOfTrain takes the pulse before to be the last of its train, unless the next
// is of the same train.
func (r *repeatReader) endOfTrain(next int) {
	b := &r.before
	if b.Pulse > 1 && b.ChangeOK {
		v := ms(float64(b.BreakChangeNS))
		if b.Train != next && b.Pulse > 2 {
			r.last.Add(v)
		} else if b.Train == next && b.Pulse > 2 {
			r.middle.Add(v)
		}
	}
	*b = PairedPulse{}
}

// shift compares two means, as B. L. Welch does for variances that may differ
// (Biometrika 34, 1947). noise is the standard uncertainty of one value from the
// edges: what was seen to scatter less than that is taken to scatter so. It is nil
// with fewer than shiftLeast values on one side.
func shift(a, b moments, noise float64) *PlaceShift {
	if a.N() < shiftLeast || b.N() < shiftLeast {
		return nil
	}
	x, _ := a.Mean()
	y, _ := b.Mean()
	square := func(m moments) float64 {
		sd, _ := m.SD()
		sd = max(sd, noise)
		return sd * sd / float64(m.N())
	}
	va, vb := square(a), square(b)
	s := &PlaceShift{N: a.N(), Others: b.N(), DifferenceMS: Rounded(x - y)}
	if v := va + vb; v > 0 {
		df := v * v / (va*va/float64(a.N()-1) + vb*vb/float64(b.N()-1))
		s.ExpandedMS = Rounded(distuv.StudentsT{Sigma: 1, Nu: df}.Quantile(shiftLevel) * math.Sqrt(v))
	}
	s.Shown = math.Abs(float64(s.DifferenceMS)) > float64(s.ExpandedMS)
	return s
}

func newRepeatReader(cfg *Config) *repeatReader {
	a := cfg.Against
	r := &repeatReader{cfg: a, setup: DefaultSetup(), read: NewTransitionReader(cfg)}
	if a.Setup != nil {
		r.setup = *a.Setup
	}
	r.pairing = NewPairing(PairingOptions{
		TrainGapNS: cfg.trainGap(), ShortNS: cfg.pulseMin(), OneRecording: a.OneRecording,
		Places: true, OnPulse: r.take, OnLead: r.lead,
	})
	if cfg.Live {
		r.pairing.InputFrom(cfg.Start)
	}
	if a.Track != nil && a.Track.bounded {
		r.pairing.OutputFrom(a.Track.from)
	}
	r.output.track = a.Track
	return r
}

func (r *repeatReader) observer() Observer {
	return Observer{
		Event: func(e *Event) {
			t, ok := r.read.Read(e)
			if !ok {
				return
			}
			r.pairing.Input(t)
			r.readOutput(t.End)
		},
		Pulse: func(row *PulseRow) {
			if !row.Partial {
				r.pairing.Place(row.At, row.Train, row.Pulse)
			}
		},
	}
}

// readOutput feeds the output until it is as far as the input.
func (r *repeatReader) readOutput(upTo Stamp) {
	for !r.ended {
		if !r.have {
			if r.ahead, r.have = r.output.next(); !r.have {
				r.ended = true
				if t := r.cfg.Track; t != nil && t.bounded {
					r.pairing.OutputEndsAt(t.to)
				} else {
					r.pairing.OutputEnds()
				}
				return
			}
		}
		if r.ahead.At > upTo {
			r.pairing.OutputUpTo(upTo)
			return
		}
		r.pairing.Output(r.ahead)
		r.have = false
	}
}

// told tells the kind, once it is known.
func (r *repeatReader) told(k Kind) {
	if r.kind == KindAuto && k != KindAuto {
		r.kind = k
		r.pairing.SetKind(k)
	}
}

// finish pairs what is left, and adds the result.
func (r *repeatReader) finish(m *Meter, x *Measurement, end Stamp) {
	r.told(m.kind)
	r.readOutput(endless)
	r.pairing.Finish(end, m.cfg.Live)
	r.endOfTrain(0)
	n := r.pairing.Counts()
	out := &Repeater{
		Pairs: int(n.Pairs), Lost: int(n.Lost), Extra: int(n.Extra), Unpaired: int(n.Unknown), Short: int(n.Short),
		OutputOpensFirst: r.opensFirst, OutputClosesFirst: r.closesFirst, Opposite: r.pairing.Opposite(), Output: r.cfg.Measured,
	}
	if part, ok := r.pairing.Agreement(); ok {
		out.AgreePercent = Known(100 * part)
	}
	if p := r.pairing.PeriodNS(); p > 0 {
		out.PeriodMS = Known(ms(float64(p)))
	}
	for _, q := range PairQuantities() {
		s := r.sample(q)
		*out.stat(q) = s.stat()
	}
	if out.Opposite {
		outFirst, inFirst := r.leadOut.sample(), r.leadIn.sample()
		a, b := outFirst.stat(), inFirst.stat()
		out.OutputMakesBeforeMS, out.InputMakesBeforeMS = &a, &b
	}
	origin := m.origin()
	for _, l := range []struct {
		from []extremeAt
		to   *[]PairPlace
	}{{r.lost, &out.LostAt}, {r.extra, &out.ExtraAt}} {
		for _, e := range l.from {
			*l.to = append(*l.to, PairPlace{float64(e.at-origin) / 1e9, e.group, e.item})
		}
	}
	r.byPlace(m, out)
	x.Repeater = out
}

func (r *repeatReader) byPlace(m *Meter, out *Repeater) {
	number := func(v float64, ok bool) Num { return Num{v, ok} }
	var later, second moments
	for i := 1; i < len(r.places); i++ {
		p := &r.places[i]
		if p.open.N()+p.close.N()+p.lost == 0 {
			continue
		}
		row := PairsAtPlace{Pulse: i, N: p.change.N(), Lost: p.lost}
		row.OpenLagMS, row.CloseLagMS = number(p.open.Mean()), number(p.close.Mean())
		row.BreakChangeMS, row.BreakChangeSE = number(p.change.Mean()), number(p.change.SE())
		out.ByPlace = append(out.ByPlace, row)
		switch {
		case i == 2:
			second = p.change
		case i > 2:
			later.Merge(p.change)
		}
	}
	if later.N() < shiftLeast {
		later.Merge(second)
	}
	noise := pairModelOf(BreakChangeMS).noise * math.Hypot(m.setup.edgeMS(), r.setup.edgeMS())
	out.FirstPulse, out.LastPulse = shift(r.places[1].change, later, noise), shift(r.last, r.middle, noise)
}

// stat is the figure of a quantity of two contacts.
func (x *Repeater) stat(q Quantity) *Stat {
	switch q {
	case OpenLagMS:
		return &x.OpenLagMS
	case CloseLagMS:
		return &x.CloseLagMS
	case BreakChangeMS:
		return &x.BreakChangeMS
	case BothClosedMS:
		return &x.BothClosedMS
	}
	return &x.BothOpenMS
}

// because names what never passes where limits of two contacts are judged.
func (x *Repeater) because() (because []string) {
	if x.Lost > 0 {
		because = append(because, oneOrMore(x.Lost, "the output lost one break of the input", "the output lost %d breaks of the input"))
	}
	if x.Extra > 0 {
		because = append(because, oneOrMore(x.Extra, "the output has one break that the input has not", "the output has %d breaks that the input has not"))
	}
	return because
}

// Stat gives the figure of a quantity of two contacts.
func (x *Repeater) Stat(q Quantity) Stat {
	if !q.OfTwo() {
		return Stat{}
	}
	return *x.stat(q)
}

func (r *repeatReader) sample(q Quantity) sample {
	opposite := r.pairing.Opposite()
	switch {
	case q == OpenLagMS:
		return r.open.sample()
	case q == CloseLagMS:
		return r.close.sample()
	case q == BreakChangeMS:
		return r.change.sample()
	case q == BothClosedMS && opposite:
		return r.leadClosed.sample()
	case q == BothClosedMS:
		return r.closed.sample()
	case opposite:
		return r.leadOpen.sample()
	}
	return r.both.sample()
}

// edgeMS is the standard uncertainty of one edge's time, its step included.
func (s Setup) edgeMS() float64 { return math.Hypot(s.EdgeNoiseNS/1e6, s.resolutionMS()) }

// A pairModel has the sensitivities of a quantity to the noise of one edge of each
// contact.
type pairModel struct{ noise float64 }

func pairModelOf(q Quantity) pairModel {
	if q == BreakChangeMS { // two edges of each
		return pairModel{math.Sqrt2}
	}
	return pairModel{1}
}

// PairBudget gives the uncertainty of one value, in ms, of a quantity of two
// contacts, from what is known of both chains (JCGM 100:2008). Both share the
// clock, so its error counts for the difference alone. The asymmetries of the two
// chains are independent, and count once each for a change of the break. A lag
// hangs on how far the delays of the two chains differ. Of a chain only the
// difference of its two delays is known; how far a delay differs from that of the
// other chain is taken to be as uncertain.
func PairBudget(q Quantity, in, out *Setup, valueMS float64) *BudgetResult {
	b := &BudgetResult{Budget: []Component{}}
	if !q.OfTwo() {
		return b
	}
	var variance float64
	add := func(effect Effect, inFrom, outFrom string, repeated bool, u float64) {
		if u == 0 {
			return
		}
		variance += u * u
		from := inFrom
		if outFrom != inFrom {
			from = inFrom + "; output: " + outFrom
		}
		kind := "B"
		if repeated {
			kind = "A"
		}
		b.Budget = append(b.Budget, Component{Cause{effect, from}, Rounded(u), kind})
	}
	noise := pairModelOf(q).noise
	add(EdgeNoise, in.EdgeNoiseFrom, out.EdgeNoiseFrom, in.EdgeNoiseA && out.EdgeNoiseA, noise*math.Hypot(in.EdgeNoiseNS, out.EdgeNoiseNS)/1e6)
	add(Asymmetry, in.AsymmetryFrom, out.AsymmetryFrom, in.AsymmetryA && out.AsymmetryA, math.Hypot(in.AsymmetryUNS, out.AsymmetryUNS)/1e6)
	add(TimeBase, in.ClockFrom.String(), in.ClockFrom.String(), false, math.Abs(valueMS)*in.ClockRel)
	add(Resolution, "steps of "+stepText(in.ResolutionNS), "steps of "+stepText(out.ResolutionNS), false, noise*math.Hypot(in.resolutionMS(), out.resolutionMS()))
	u := math.Sqrt(variance)
	if !finite(u) {
		return &BudgetResult{Budget: []Component{}}
	}
	b.Standard, b.Expanded = Known(u), Known(in.coverage()*u)
	return b
}

// budgets adds the uncertainties of the quantities of two contacts: of one value at
// the mean and, as Overall, of the mean. There the scatter of the values, or the
// noise where that is more, falls with their number; the asymmetries do not.
func (r *repeatReader) budgets(in *Setup, x *Repeater, u map[Quantity]*BudgetResult) {
	for _, q := range PairQuantities() {
		s := x.stat(q)
		if s.N == 0 {
			u[q] = &BudgetResult{Budget: []Component{}}
			continue
		}
		b := PairBudget(q, in, &r.setup, s.Mean.V)
		var steady, noise float64
		for _, c := range b.Budget {
			switch v := float64(c.Standard); c.Cause.Effect {
			case EdgeNoise, Resolution:
				noise += v * v
			default:
				steady += v * v
			}
		}
		scatter := max(s.SD.V*s.SD.V, noise)
		b.Overall = Known(in.coverage() * math.Sqrt(scatter/float64(s.N)+steady))
		u[q] = b
	}
}
