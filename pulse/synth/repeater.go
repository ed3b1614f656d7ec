package synth

import (
	"math"
	"math/rand/v2"

	"makebreak/pulse"
)

// A repeater follows a contact, its input: it opens and closes a lag later,
// and loses or adds a break at times.
type repeater struct {
	input           *Signal
	random          *rand.Rand
	edge            [1]pulse.Edge
	lostAt, extraAt []int64

	number int64 // of the input's break
	index  int   // of the current break in its train, from 0
	next   span  // of the input
	more   bool
	extra  span // comes next where its kind is repeaterExtra
	last   int64

	// What was lost since the last break given.
	dropped, missing, lost int64
	train                  bool
}

// newRepeater starts the input of the repeater that spec has: the same signal
// without it. What the measuring line does comes after the repeater.
func newRepeater(spec *Spec, lay *layout, random *rand.Rand) *repeater {
	input := *spec
	input.Repeater = Lags{}
	input.AsymmetryNS, input.ClockPPM = 0, 0
	input.Lost, input.LostRun, input.LostSilent = 0, 0, 0
	r := &repeater{
		input: newSignal(&input, lay), random: random,
		lostAt: spec.RepeaterLostAt, extraAt: spec.RepeaterExtraAt, last: -1,
	}
	r.next, r.more = r.read()
	return r
}

// read gives the input's next break, at the times at which it is seen.
func (r *repeater) read() (sp span, ok bool) {
	for r.input.Next(r.edge[:]) > 0 {
		e := r.edge[0]
		switch {
		case !r.input.first:
		case e.Level != r.input.spec.Rest():
			sp = r.input.cur
			sp.open = int64(e.At)
		default:
			sp.close = int64(e.At)
			return sp, true
		}
	}
	return span{}, false
}

// place is the place of a break in its train, from 0, after one at before.
func (sp *span) place(before int) int {
	switch {
	case sp.newTrain:
		return 0
	case sp.kind == pulseBreak:
		return before + 1
	}
	return before
}

// lags gives a repeater's mean lags of a break at a place of its train.
func (s *Spec) lags(sp *span, place int) Lags {
	g := s.Repeater
	if sp.kind == pulseBreak && place < len(s.RepeaterFirst) {
		g.OpenNS += s.RepeaterFirst[place].OpenNS
		g.CloseNS += s.RepeaterFirst[place].CloseNS
	}
	return g
}

// nextRepeated gives the next break of the repeater's output, if there is one.
func (s *Signal) nextRepeated() (span, bool) {
	r := s.repeater
	if r.extra.kind == repeaterExtra {
		sp := r.extra
		r.extra = span{}
		return sp, true
	}
	for r.more {
		sp := r.next
		r.next, r.more = r.read()
		r.number++
		r.index = sp.place(r.index)
		g := s.spec.lags(&sp, r.index)
		sp.open += g.OpenNS + r.spread(s.spec.RepeaterJitter.OpenNS)
		sp.close += g.CloseNS + r.spread(s.spec.RepeaterJitter.CloseNS)
		// The first break and the last are lost only where they are named: what is
		// between them is known.
		if listed(&r.lostAt, r.number) || s.spec.RepeaterLost > 0 && r.random.Float64() < s.spec.RepeaterLost && r.number > 1 && r.more {
			r.dropped++
			r.missing += sp.missing
			r.lost += sp.lost
			r.train = sp.newTrain || r.train && sp.kind == pulseBreak
			listed(&r.extraAt, r.number)
			continue
		}
		sp.open = max(sp.open, r.last+1000)
		sp.close = max(sp.close, sp.open+1000)
		r.last = sp.close
		if listed(&r.extraAt, r.number) {
			length := sp.close - sp.open
			if r.more {
				length = min(length, (r.next.open+s.spec.Repeater.OpenNS-sp.close)/3)
			}
			if length >= minLengthNS {
				r.extra = span{open: sp.close + length, close: sp.close + 2*length, kind: repeaterExtra}
				r.last = r.extra.close
			}
		}
		sp.missing += r.missing
		sp.lost += r.lost
		sp.dropped = r.dropped
		sp.newTrain = sp.newTrain || r.train && sp.kind == pulseBreak
		r.dropped, r.missing, r.lost, r.train = 0, 0, 0, false
		return sp, true
	}
	s.truth.RepeaterLost += r.dropped // after the last break given
	r.dropped = 0
	return span{}, false
}

// spread draws the error of a lag.
func (r *repeater) spread(deviation int64) int64 {
	if deviation == 0 {
		return 0
	}
	return int64(math.Round(max(-6, min(6, r.random.NormFloat64())) * float64(deviation)))
}
