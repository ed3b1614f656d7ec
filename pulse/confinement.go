package pulse

// An Adjustment is the part of a dial that one group of quantities depends on.
type Adjustment uint8

const (
	AdjustRate    Adjustment = iota // rate and period
	AdjustRatio                     // percent break and break : make
	AdjustLengths                   // break and make
	adjustments
)

// adjustmentOf tells which adjustment a quantity depends on; ok is false for a
// quantity without one.
func adjustmentOf(q Quantity) (a Adjustment, ok bool) {
	switch q {
	case RatePPS, PeriodMS:
		return AdjustRate, true
	case BreakPercent, BreakRatio:
		return AdjustRatio, true
	case BreakMS, MakeMS:
		return AdjustLengths, true
	}
	return 0, false
}

// A Confinement says that every pulse out of limit lies in a small part of what
// was dialled: in one pulse, in one train, or in the trains of one digit.
type Confinement struct {
	Pulses int  // pulses out of limit
	Trains int  // trains that hold them
	Train  int  // the last of these, from 1
	Pulse  int  // the last pulse out of limit in that train, from 1
	Digit  byte // '0' to '9', that all these trains have; '?' where one train is no digit
}

// offenders counts, from a dial's rows as they come, the pulses out of limit
// and the trains that hold them. Its memory does not grow.
type offenders struct {
	bounds      []offenderBound
	adjustments [adjustments]offenderCount
	coding      Coding
	train       int  // number of the train that the last row was in
	pulses      int  // of that train so far
	stalled     bool // that train holds a stall
	partial     bool // a part of that train is missing
}

type offenderBound struct {
	Bound
	adjustment Adjustment
	out        int // pulses beyond the bound
}

// An offenderCount is what is counted for one adjustment.
type offenderCount struct {
	judgedTrains int // trains with a pulse that was judged
	// Of the train that the last row was in: pulses that were judged, pulses
	// out of limit, and the number of the last one out of limit.
	judged, out, lastOut int
	confinement          Confinement
	severalDigits        bool // trains of more than one digit hold them
}

// listen prepares for the limits of cfg. It needs the rows only where ok.
func (o *offenders) listen(cfg *Config) (ok bool) {
	p := cfg.Limits
	if p == nil || p.Kind != KindDial {
		return false
	}
	o.coding = cfg.coding()
	for _, l := range p.Limits {
		if a, ok := adjustmentOf(l.Quantity); ok {
			for _, b := range l.Bounds() {
				o.bounds = append(o.bounds, offenderBound{Bound: b, adjustment: a})
			}
		}
	}
	return len(o.bounds) > 0
}

func (o *offenders) pulse(p *PulseRow) {
	if !p.Counts() {
		return
	}
	if p.Train != o.train {
		o.endTrain()
		o.train = p.Train
	}
	o.pulses, o.stalled, o.partial = p.Pulse, o.stalled || p.Class == ClassStall, o.partial || p.Partial
	var judged, out [adjustments]bool
	for i := range o.bounds {
		b := &o.bounds[i]
		v, ok := p.Value(b.Quantity)
		if !ok {
			continue
		}
		judged[b.adjustment] = true
		if b.Out(v) {
			b.out++
			out[b.adjustment] = true
		}
	}
	for a := range o.adjustments {
		n := &o.adjustments[a]
		if judged[a] {
			n.judged++
		}
		if out[a] {
			n.out++
			n.lastOut = p.Pulse
		}
	}
}

func (o *offenders) endTrain() {
	digit := byte('?')
	if d, ok := o.coding.Digit(o.pulses); ok && !o.stalled && !o.partial {
		digit = d
	}
	for a := range o.adjustments {
		n := &o.adjustments[a]
		if n.judged > 0 {
			n.judgedTrains++
		}
		if n.out > 0 {
			c := &n.confinement
			n.severalDigits = n.severalDigits || c.Trains > 0 && c.Digit != digit
			*c = Confinement{Pulses: c.Pulses + n.out, Trains: c.Trains + 1, Train: o.train, Pulse: n.lastOut, Digit: digit}
		}
		n.judged, n.out = 0, 0
	}
	o.pulses, o.stalled, o.partial = 0, false, false
}

// confined tells where the pulses out of limit are, if they are in one train of
// three or more, or in the trains of one digit. A partial train has no digit. ok
// is false too where the verdict of m counts other pulses out of limit.
func (o *offenders) confined(m *Measurement, a Adjustment) (c Confinement, ok bool) {
	if m.Conformity == nil {
		return c, false
	}
	o.partial = o.partial || m.Capture.PartialEnd
	o.endTrain()
	n := &o.adjustments[a]
	c = n.confinement
	oneDigit := !n.severalDigits && c.Digit != '?'
	if c.Pulses == 0 || n.judgedTrains < 3 || n.judgedTrains == c.Trains || c.Trains > 1 && !oneDigit {
		return Confinement{}, false
	}
	for i := range o.bounds {
		b := &o.bounds[i]
		for _, it := range m.Conformity.Items {
			if b.adjustment == a && it.Quantity == b.Name() && it.Bound == b.Side() && it.OutOfLimit != b.out {
				return Confinement{}, false
			}
		}
	}
	return c, true
}
