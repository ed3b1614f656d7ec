package command

import (
	"fmt"

	"makebreak/pulse"
)

// A tally gathers from the rows, as they come, where the values out of limit
// are and whether an interrupter's cycles repeat as the lobes of a cam do. Its
// memory does not grow.
type tally struct {
	bounds  []tallyBound
	spread  [tallyGroups]spread
	coding  pulse.Coding
	train   int  // at hand
	pulses  int  // of it, until now
	stalled bool // it holds a stall
	lobes   *pulse.LobeSearch
}

// A group is what one adjustment is to blame for.
type group uint8

const (
	groupRate  group = iota // rate and period
	groupRatio              // percent break and break : make
	groupMS                 // break and make
	tallyGroups
)

type tallyBound struct {
	pulse.Bound
	group group
	out   int
}

// A spread says which trains hold the pulses out of limit.
type spread struct {
	trains           int // with a pulse that was judged
	seen, out        int // pulses judged and out of limit in the train at hand
	total            int // out of limit
	pulse            int // the last one out of limit in the train at hand
	train, lastPulse int // the last train with any
	holding          int // trains with any
	digit            string
	manyDigits       bool
}

// newTally makes a tally for what cfg measures.
func newTally(cfg *pulse.Config) *tally {
	t := &tally{lobes: new(pulse.LobeSearch)}
	p := cfg.Limits
	if p == nil || p.Kind != pulse.KindDial {
		return t
	}
	t.lobes = nil
	if t.coding = p.Coding; cfg.CodingSet {
		t.coding = cfg.Coding
	}
	for _, l := range p.Limits {
		groups := map[pulse.Quantity]group{pulse.RatePPS: groupRate, pulse.PeriodMS: groupRate, pulse.BreakPercent: groupRatio,
			pulse.BreakRatio: groupRatio, pulse.BreakMS: groupMS, pulse.MakeMS: groupMS}
		if g, ok := groups[l.Quantity]; ok {
			for _, b := range l.Bounds() {
				t.bounds = append(t.bounds, tallyBound{Bound: b, group: g})
			}
		}
	}
	return t
}

// listen takes the rows that a Meter will make, where it needs them.
func (t *tally) listen(cfg *pulse.Config) {
	var o pulse.Observer
	if len(t.bounds) > 0 {
		o.Pulse = t.pulse
	}
	if t.lobes != nil {
		o.Cycle = t.lobes.Cycle
	}
	cfg.Observer = pulse.Tee(cfg.Observer, o)
}

// looksSampled tells rows that most often repeat the level of the row before,
// as samples of a level do.
func looksSampled(edges []pulse.Edge) bool {
	repeats := 0
	for i := 1; i < len(edges); i++ {
		if edges[i].Level == edges[i-1].Level && edges[i].Lost == 0 && edges[i].Level <= pulse.High {
			repeats++
		}
	}
	return 2*repeats > len(edges)
}

// pulse takes a dial's row.
func (t *tally) pulse(p *pulse.PulseRow) {
	if !p.Counts() {
		return
	}
	if p.Train != t.train {
		t.endTrain()
		t.train = p.Train
	}
	t.pulses, t.stalled = p.Pulse, t.stalled || p.Class == pulse.ClassStall
	var seen, out [tallyGroups]bool
	for i := range t.bounds {
		b := &t.bounds[i]
		v, ok := p.Value(b.Quantity)
		if !ok {
			continue
		}
		seen[b.group] = true
		if b.Out(v) {
			b.out++
			out[b.group] = true
		}
	}
	for g := range t.spread {
		s := &t.spread[g]
		if seen[g] {
			s.seen++
		}
		if out[g] {
			s.out++
			s.pulse = p.Pulse
		}
	}
}

func (t *tally) endTrain() {
	digit := "?"
	if d, ok := t.coding.Digit(t.pulses); ok && !t.stalled {
		digit = string(rune(d))
	}
	for g := range t.spread {
		s := &t.spread[g]
		if s.seen > 0 {
			s.trains++
		}
		if s.out > 0 {
			s.manyDigits = s.manyDigits || s.holding > 0 && s.digit != digit
			s.holding++
			s.total += s.out
			s.train, s.lastPulse, s.digit = t.train, s.pulse, digit
		}
		s.seen, s.out = 0, 0
	}
	t.pulses, t.stalled = 0, false
}

// confined says where all the pulses out of the group's limits are, if they
// are in one train of several or, where each train is whole, in those of one
// digit. It is silent unless the verdict counts the same.
func (t *tally) confined(m *pulse.Measurement, g group, whole bool) (where string, ok bool) {
	if t == nil || m.Conformity == nil {
		return "", false
	}
	t.endTrain()
	s := t.spread[g]
	if s.total == 0 || s.trains < 3 || s.trains == s.holding || s.holding > 1 && (!whole || s.manyDigits || s.digit == "?") {
		return "", false
	}
	for _, b := range t.bounds {
		for _, it := range m.Conformity.Items {
			if it.Quantity == b.Name() && it.Bound == b.Side() && b.group == g && it.OutOfLimit != b.out {
				return "", false
			}
		}
	}
	switch {
	case s.total == 1:
		return fmt.Sprintf("in one pulse alone, train %d, pulse %d", s.train, s.lastPulse), true
	case s.holding == 1:
		return fmt.Sprintf("in train %d alone, where all %d pulses out of limit are", s.train, s.total), true
	}
	return fmt.Sprintf("in %d trains of digit %s alone, where all %d pulses out of limit are", s.holding, s.digit, s.total), true
}
