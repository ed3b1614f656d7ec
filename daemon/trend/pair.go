package trend

import (
	"sync"

	"makebreak/pulse"
)

const (
	// A pair's figures look back over pairSlots minutes: about the window of the
	// verdicts, as it is by default.
	pairSlots  = 10
	pairSlotNS = pulse.Stamp(60e9)
	// pairLate is how long after its time a change may still be undecided: longer
	// than any settling time.
	pairLate = pulse.Stamp(1e9)
	// pairRest is how long without a pair a Pairing is kept: one contact stands still,
	// and what the other does would be kept for it.
	pairRest = 6 * anHour
)

// A Pair follows two contacts together: the input and the output of a repeater, or
// two contacts of one drive. Each is fed by its own goroutine.
type Pair struct {
	Input, Output string // names of the contacts

	mu      sync.Mutex
	opt     pulse.PairingOptions
	pairing *pulse.Pairing
	before  pulse.PairCounts // of Pairings before
	// When it was last looked for pairs, and how many there were.
	looked pulse.Stamp
	paired uint64
	begun  [2]bool
	latest [2]pulse.Stamp
	value  func(q pulse.Quantity, at pulse.Stamp, ms float64)
	slots  [pairSlots][len(pairQuantities)]pairSum
	slot   pulse.Stamp // number of the newest one
}

// pairQuantities are pulse.PairQuantities, in their order.
var pairQuantities = [...]pulse.Quantity{pulse.OpenLagMS, pulse.CloseLagMS, pulse.BreakChangeMS, pulse.BothClosedMS, pulse.BothOpenMS}

type pairSum struct {
	n             int
	sum, min, max float64
}

func (s *pairSum) add(o pairSum) {
	switch {
	case o.n == 0:
		return
	case s.n == 0:
		*s = o
		return
	}
	s.n, s.sum, s.min, s.max = s.n+o.n, s.sum+o.sum, min(s.min, o.min), max(s.max, o.max)
}

// A PairSide is one of the two contacts of a Pair.
type PairSide struct {
	*Pair
	IsOutput bool
}

// NewPair makes the pair of two contacts of a kind. trainGap and shortest are those
// of a dial, 0 for the defaults. value is told each value that is decided, in ms; it
// may be nil.
func NewPair(input, output string, kind pulse.Kind, trainGapNS, shortestNS int64, value func(q pulse.Quantity, at pulse.Stamp, ms float64)) *Pair {
	p := &Pair{Input: input, Output: output, value: value}
	p.opt = pulse.PairingOptions{Kind: kind, TrainGapNS: trainGapNS, ShortNS: shortestNS, OnPulse: p.pulse, OnLead: p.lead}
	p.pairing = pulse.NewPairing(p.opt)
	return p
}

// rest begins anew where there was no pair for long.
func (p *Pair) rest(now pulse.Stamp) {
	if now-p.looked < pairRest {
		return
	}
	n := p.pairing.Counts()
	if p.looked > 0 && n.Pairs == p.paired {
		p.before.Add(n)
		p.pairing = pulse.NewPairing(p.opt)
		p.pairing.InputFrom(p.latest[0])
		p.pairing.OutputFrom(p.latest[1])
		n = pulse.PairCounts{}
	}
	p.looked, p.paired = now, n.Pairs
}

// From says since when the contact is read.
func (s PairSide) From(at pulse.Stamp) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if i := s.index(); !s.begun[i] {
		s.begun[i] = true
		if s.IsOutput {
			s.pairing.OutputFrom(at)
		} else {
			s.pairing.InputFrom(at)
		}
	}
}

func (s PairSide) index() int {
	if s.IsOutput {
		return 1
	}
	return 0
}

// Feed takes the contact's next change.
func (s PairSide) Feed(t pulse.Transition) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.latest[s.index()] = t.End
	s.rest(t.End)
	if s.IsOutput {
		s.pairing.Output(t)
	} else {
		s.pairing.Input(t)
	}
}

// UpTo says that the contact is known up to a time.
func (s PairSide) UpTo(at pulse.Stamp) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if at -= pairLate; at <= s.latest[s.index()] {
		return
	}
	s.latest[s.index()] = at
	s.rest(at)
	if s.IsOutput {
		s.pairing.OutputUpTo(at)
	} else {
		s.pairing.InputUpTo(at)
	}
}

func (p *Pair) pulse(x *pulse.PairedPulse) {
	p.take(0, x.At, x.OpenLagNS, x.OpenOK)
	p.take(1, x.At, x.CloseLagNS, x.CloseOK)
	p.take(2, x.At, x.BreakChangeNS, x.ChangeOK)
	if !p.pairing.Opposite() {
		p.take(3, x.At, x.BothClosedNS, x.BothClosedOK)
		p.take(4, x.At, x.BothOpenNS, x.BothOpenOK)
	}
}

// lead takes a changeover of two contacts that are closed in turn.
func (p *Pair) lead(at pulse.Stamp, _ bool, leadNS int64) {
	if p.pairing.Opposite() {
		p.take(3, at, max(leadNS, 0), true)
		p.take(4, at, max(-leadNS, 0), true)
	}
}

func (p *Pair) take(quantity int, at pulse.Stamp, ns int64, ok bool) {
	if !ok {
		return
	}
	v := float64(ns) / 1e6
	if s := p.slotOf(at); s != nil {
		s[quantity].add(pairSum{1, v, v, v})
	}
	if p.value != nil {
		p.value(pairQuantities[quantity], at, v)
	}
}

// slotOf gives the sums of a time, nil for one that is too old.
func (p *Pair) slotOf(at pulse.Stamp) *[len(pairQuantities)]pairSum {
	n := at / pairSlotNS
	if n > p.slot+pairSlots {
		p.slot = n - pairSlots
	}
	for ; p.slot < n; p.slot++ {
		p.slots[(p.slot+1)%pairSlots] = [len(pairQuantities)]pairSum{}
	}
	if n <= p.slot-pairSlots {
		return nil
	}
	return &p.slots[n%pairSlots]
}

// PairFigures are what is known of two contacts together. Means and extremes are of
// the last minutes.
type PairFigures struct {
	Output string
	Counts pulse.PairCounts
	Of     []PairFigure
}

// A PairFigure is one quantity of two contacts, in ms.
type PairFigure struct {
	Quantity       pulse.Quantity
	N              int
	Mean, Min, Max float64
}

// Counts are those since the pair was made.
func (p *Pair) Counts() pulse.PairCounts {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.counts()
}

func (p *Pair) counts() pulse.PairCounts {
	n := p.before
	n.Add(p.pairing.Counts())
	return n
}

// Figures are what is known up to now. A nil Pair has none.
func (p *Pair) Figures(now pulse.Stamp) *PairFigures {
	if p == nil {
		return nil
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	f := &PairFigures{Output: p.Output, Counts: p.counts()}
	p.slotOf(now)
	for i, q := range pairQuantities {
		var sum pairSum
		for j := range p.slots {
			sum.add(p.slots[j][i])
		}
		if sum.n > 0 {
			f.Of = append(f.Of, PairFigure{q, sum.n, sum.sum / float64(sum.n), sum.min, sum.max})
		}
	}
	return f
}
