package synth

import (
	"math"
	"math/rand/v2"
)

// A weather is what disturbs a contact beside its own faults: spurious breaks
// and makes, which last longer than bounce, and outages, in which the contact
// stands still whatever its drive does. It takes the breaks that really happen
// and gives those that are seen. Each sort has its own random numbers.
type weather struct {
	on             bool
	breaks, makes  Chance
	length, outage Range
	noise          float64 // spurious ones per second of an outage
	open           bool    // the contact stands open in an outage
	apart          int64   // least distance of all it makes from other changes

	breakRandom, makeRandom, outageRandom, noiseRandom *rand.Rand

	rate  float64 // outages per second
	times []int64 // of the outages still to come, if they are listed

	began   bool
	sp      span // the next break that really happens
	has     bool
	closed  int64 // when the break before it ended
	drawn   bool  // whether this make has a spurious break was drawn
	rest    span  // what a spurious make left of a break
	hasRest bool

	// The outage at hand or the next one; from is never when there is none.
	from, to        int64
	in              bool
	stuckAt, freeAt int64 // of a contact that stands open: the breaks it swallowed
	lost, missing   int64 // interruptions or pulses since the last break given
	train           bool  // one of them began a train
}

func newWeather(s *Spec, random func(stream uint64) *rand.Rand) weather {
	w := weather{
		breaks: s.SpuriousBreaks, makes: s.SpuriousMakes, length: s.Spurious,
		outage: s.Outage, noise: s.OutageNoise, open: s.OutageOpen, rate: s.Outages, times: s.OutagesAtNS,
		apart:       apartNS + max(s.BounceOpen.MaxNS, s.BounceClose.MaxNS),
		breakRandom: random(8), makeRandom: random(9), outageRandom: random(10), noiseRandom: random(11),
	}
	w.on = w.breaks != Chance{} || w.makes != Chance{} || w.rate > 0 || len(w.times) > 0
	w.nextOutage()
	return w
}

// nextOutage draws the outage after the one at hand.
func (w *weather) nextOutage() {
	w.in, w.stuckAt, w.freeAt = false, never, 0
	switch {
	case w.rate > 0:
		w.from = w.to + wait(w.outageRandom, w.rate)
	case len(w.times) > 0:
		w.from = max(w.to+1, w.times[0])
		w.times = w.times[1:]
	default:
		w.from = never
		return
	}
	w.to = w.from + w.outage.draw(w.outageRandom)
}

// seen gives the next break as it is seen, if there is one.
func (s *Signal) seen() (span, bool) {
	w := &s.weather
	if !w.on {
		return s.pull()
	}
	if w.hasRest {
		w.hasRest = false
		return w.split(w.rest), true
	}
	for {
		if !w.has {
			if w.sp, w.has = s.pull(); !w.has {
				return span{}, false
			}
		}
		sp := &w.sp
		// The first break and the last are never lost: what is between them is
		// known.
		last := s.lay.total > 0 && sp.number == s.lay.total-1 && sp.kind != extraInterruption
		switch {
		case !w.began:
			w.began = true
			for w.from < sp.close+w.apart {
				w.nextOutage()
			}
			return w.give(), true
		case w.from > sp.close-w.apart || w.from > sp.open-2*w.apart && last:
			if b, ok := w.spurious(sp.open); ok {
				return b, true
			}
			return w.give(), true
		case !w.in:
			if b, ok := w.spurious(min(w.from, sp.open)); ok {
				return b, true
			}
			w.in = true
			s.truth.Outages++
		case !last && sp.open < w.to+w.apart:
			s.swallow(sp)
		case w.open:
			if b, ok := w.stuck(sp.open - w.apart); ok {
				return b, true
			}
		default:
			at := max(w.closed+w.apart, w.from) + wait(w.noiseRandom, w.noise)
			end := at + w.length.draw(w.noiseRandom)
			if end <= min(w.to, sp.open-w.apart) {
				w.closed = end
				return span{open: at, close: end, kind: spuriousBreak}, true
			}
			w.nextOutage()
		}
	}
}

// swallow takes a break that an outage touches.
func (s *Signal) swallow(sp *span) {
	w := &s.weather
	w.has = false
	w.stuckAt, w.freeAt = min(w.stuckAt, sp.open), max(w.freeAt, sp.close)
	w.missing += sp.missing
	if sp.kind == extraInterruption {
		return
	}
	w.lost++
	w.train = sp.newTrain || w.train && sp.kind == pulseBreak
	if sp.lastOfRound && s.spec.Form == Dial {
		s.truth.Rounds++
	}
}

// stuck gives the break of a contact that stands open through the outage, up
// to limit at most. It takes in the breaks that the outage touches.
func (w *weather) stuck(limit int64) (span, bool) {
	sp := span{open: max(min(w.from, w.stuckAt), w.closed+w.apart), close: min(max(w.to, w.freeAt), limit), kind: outageBreak}
	w.nextOutage()
	if sp.close-sp.open < w.apart {
		return span{}, false
	}
	w.closed, w.drawn = sp.close, false
	return w.split(sp), true
}

// give gives the next break that really happens.
func (w *weather) give() span {
	sp := w.sp
	w.has, w.drawn, w.closed = false, false, sp.close
	if sp.kind != extraInterruption {
		sp.missing += w.missing
		sp.lost = w.lost
		sp.newTrain = sp.newTrain || w.train && sp.kind == pulseBreak
		w.missing, w.lost, w.train = 0, 0, false
	}
	return w.split(sp)
}

// spurious gives a spurious break in the make that ends at end, if one is
// drawn and fits.
func (w *weather) spurious(end int64) (span, bool) {
	at, ok := w.place(w.breaks, w.breakRandom, w.closed, end, w.drawn)
	w.drawn = true
	if !ok {
		return span{}, false
	}
	w.closed = at.close
	at.kind = spuriousBreak
	return at, true
}

// split cuts a break at a spurious make, if one is drawn and fits, and keeps
// the rest of it.
func (w *weather) split(sp span) span {
	chance, random := w.makes, w.makeRandom
	if sp.kind == outageBreak || sp.stuck {
		chance, random = Chance{PerSecond: w.noise}, w.noiseRandom
	}
	at, ok := w.place(chance, random, sp.open, sp.close, sp.kind == afterSpurious)
	if !ok {
		return sp
	}
	w.rest = span{open: at.close, close: sp.close, kind: afterSpurious, stuck: sp.kind == outageBreak || sp.stuck}
	w.hasRest = true
	sp.close = at.open
	return sp
}

// place draws where between from and end something spurious is. drawn says
// that a probability has had its turn.
func (w *weather) place(c Chance, random *rand.Rand, from, end int64, drawn bool) (at span, ok bool) {
	from, end = from+w.apart, end-w.apart
	switch {
	case c.PerSecond > 0:
		from += wait(random, c.PerSecond)
		at = span{open: from, close: from + w.length.draw(random)}
	case c.Probability > 0 && !drawn && random.Float64() < c.Probability:
		length := w.length.draw(random)
		room := end - length - from
		if room < 0 {
			return span{}, false
		}
		from += random.Int64N(room + 1)
		at = span{open: from, close: from + length}
	default:
		return span{}, false
	}
	return at, at.close <= end
}

// wait draws the ns until something comes that comes so often a second.
func wait(random *rand.Rand, perSecond float64) int64 {
	if perSecond == 0 {
		return horizonNS
	}
	return int64(min(random.ExpFloat64()/perSecond*1e9, float64(horizonNS)))
}

// draw gives a length of the range, each as likely.
func (r Range) draw(random *rand.Rand) int64 {
	return r.MinNS + random.Int64N(r.MaxNS-r.MinNS+1)
}

// jitterWide moves a break as large a jitter does. The break moves as a whole,
// so that its length stays one of a break however large the jitter is, and its
// closing once more, by half its length at most.
func (s *Signal) jitterWide(open, length int64) (int64, int64) {
	sd := float64(s.spec.JitterNS)
	open += int64(math.Round(max(-6, min(6, s.jitter.NormFloat64())) * sd))
	late := max(-6, min(6, s.jitter.NormFloat64())) * sd
	half := float64(length) / 2
	return open, length + int64(math.Round(max(-half, min(half, late))))
}
