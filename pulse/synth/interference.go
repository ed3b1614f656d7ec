package synth

import (
	"math"
	"math/rand/v2"
)

// An interference disturbs what is seen of a contact: spurious breaks and makes,
// which last longer than bounce, and outages, in which the contact stands still
// whatever its drive does. It takes the breaks that the drive makes and gives
// those that are seen. Each kind has its own random numbers.
type interference struct {
	on             bool
	breaks, makes  Chance
	length, outage Range
	noise          float64 // spurious ones per second of an outage
	open           bool    // the contact stands open in an outage
	apart          int64   // least distance of what it adds from other transitions

	breakRandom, makeRandom, outageRandom, noiseRandom *rand.Rand

	rate  float64 // outages per second
	times []int64 // of the next outages, if they are listed

	began   bool
	sp      span // the next break of the drive
	has     bool
	closed  int64 // when the break before it ended
	drawn   bool  // it was drawn whether this make has a spurious break
	rest    span  // of a break, after a spurious make
	hasRest bool

	// The current or the next outage; from is never when there is none.
	from, to        int64
	in              bool
	stuckAt, freeAt int64 // of a contact that stands open: start and end of the breaks that it hides
	lost, missing   int64 // interruptions or pulses since the last break seen
	train           bool  // one of them began a train
}

func newInterference(s *Spec, random func(stream uint64) *rand.Rand) interference {
	f := interference{
		breaks: s.SpuriousBreaks, makes: s.SpuriousMakes, length: s.Spurious,
		outage: s.Outage, noise: s.OutageNoise, open: s.OutageOpen, rate: s.Outages, times: s.OutagesAtNS,
		apart:       apartNS + max(s.BounceOpen.MaxNS, s.BounceClose.MaxNS),
		breakRandom: random(8), makeRandom: random(9), outageRandom: random(10), noiseRandom: random(11),
	}
	f.on = f.breaks != Chance{} || f.makes != Chance{} || f.rate > 0 || len(f.times) > 0
	f.nextOutage()
	return f
}

// nextOutage draws the outage after the current one.
func (f *interference) nextOutage() {
	f.in, f.stuckAt, f.freeAt = false, never, 0
	switch {
	case f.rate > 0:
		f.from = f.to + wait(f.outageRandom, f.rate)
	case len(f.times) > 0:
		f.from = max(f.to+1, f.times[0])
		f.times = f.times[1:]
	default:
		f.from = never
		return
	}
	f.to = f.from + f.outage.draw(f.outageRandom)
}

// nextSeen gives the next break as it is seen, if there is one.
func (s *Signal) nextSeen() (span, bool) {
	f := &s.interference
	switch {
	case s.repeater != nil:
		return s.nextRepeated()
	case !f.on:
		return s.nextOfDrive()
	}
	if f.hasRest {
		f.hasRest = false
		return f.split(f.rest), true
	}
	for {
		if !f.has {
			if f.sp, f.has = s.nextOfDrive(); !f.has {
				return span{}, false
			}
		}
		sp := &f.sp
		// The first break and the last are never lost: what is between them is
		// known.
		last := s.lay.total > 0 && sp.number == s.lay.total-1 && sp.kind != extraInterruption
		switch {
		case !f.began:
			f.began = true
			for f.from < sp.close+f.apart {
				f.nextOutage()
			}
			return f.give(), true
		case f.from > sp.close-f.apart || f.from > sp.open-2*f.apart && last:
			if b, ok := f.spurious(sp.open); ok {
				return b, true
			}
			return f.give(), true
		case !f.in:
			if b, ok := f.spurious(min(f.from, sp.open)); ok {
				return b, true
			}
			f.in = true
			s.truth.Outages++
		case !last && sp.open < f.to+f.apart:
			s.hide(sp)
		case f.open:
			if b, ok := f.stuck(sp.open - f.apart); ok {
				return b, true
			}
		default:
			at := max(f.closed+f.apart, f.from) + wait(f.noiseRandom, f.noise)
			end := at + f.length.draw(f.noiseRandom)
			if end <= min(f.to, sp.open-f.apart) {
				f.closed = end
				return span{open: at, close: end, kind: spuriousBreak}, true
			}
			f.nextOutage()
		}
	}
}

// hide drops a break that an outage touches, and counts it.
func (s *Signal) hide(sp *span) {
	f := &s.interference
	f.has = false
	f.stuckAt, f.freeAt = min(f.stuckAt, sp.open), max(f.freeAt, sp.close)
	f.missing += sp.missing
	if sp.kind == extraInterruption {
		return
	}
	f.lost++
	f.train = sp.newTrain || f.train && sp.kind == pulseBreak
	if sp.lastOfRound && s.spec.Form == Dial {
		s.truth.Rounds++
	}
}

// stuck gives the break of a contact that stands open through the outage, up
// to limit at most. It covers the breaks that the outage touches.
func (f *interference) stuck(limit int64) (span, bool) {
	sp := span{open: max(min(f.from, f.stuckAt), f.closed+f.apart), close: min(max(f.to, f.freeAt), limit), kind: outageBreak}
	f.nextOutage()
	if sp.close-sp.open < f.apart {
		return span{}, false
	}
	f.closed, f.drawn = sp.close, false
	return f.split(sp), true
}

// give gives the next break of the drive.
func (f *interference) give() span {
	sp := f.sp
	f.has, f.drawn, f.closed = false, false, sp.close
	if sp.kind != extraInterruption {
		sp.missing += f.missing
		sp.lost = f.lost
		sp.newTrain = sp.newTrain || f.train && sp.kind == pulseBreak
		f.missing, f.lost, f.train = 0, 0, false
	}
	return f.split(sp)
}

// spurious gives a spurious break in the make that ends at end, if one is
// drawn and fits.
func (f *interference) spurious(end int64) (span, bool) {
	at, ok := f.locate(f.breaks, f.breakRandom, f.closed, end, f.drawn)
	f.drawn = true
	if !ok {
		return span{}, false
	}
	f.closed = at.close
	at.kind = spuriousBreak
	return at, true
}

// split cuts a break at a spurious make, if one is drawn and fits, and keeps
// the rest of it.
func (f *interference) split(sp span) span {
	chance, random := f.makes, f.makeRandom
	if sp.kind == outageBreak || sp.stuck {
		chance, random = Chance{PerSecond: f.noise}, f.noiseRandom
	}
	at, ok := f.locate(chance, random, sp.open, sp.close, sp.kind == afterSpurious)
	if !ok {
		return sp
	}
	f.rest = span{open: at.close, close: sp.close, kind: afterSpurious, stuck: sp.kind == outageBreak || sp.stuck}
	f.hasRest = true
	sp.close = at.open
	return sp
}

// locate draws a spurious time between from and end, if there is to be one. A
// probability counts once: drawn says that it has.
func (f *interference) locate(c Chance, random *rand.Rand, from, end int64, drawn bool) (at span, ok bool) {
	from, end = from+f.apart, end-f.apart
	switch {
	case c.PerSecond > 0:
		from += wait(random, c.PerSecond)
		at = span{open: from, close: from + f.length.draw(random)}
	case c.Probability > 0 && !drawn && random.Float64() < c.Probability:
		length := f.length.draw(random)
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

// wait draws the ns until an event that comes at a mean number per second.
func wait(random *rand.Rand, perSecond float64) int64 {
	if perSecond == 0 {
		return horizonNS
	}
	return int64(min(random.ExpFloat64()/perSecond*1e9, float64(horizonNS)))
}

// draw gives a length in the range, all equally likely.
func (r Range) draw(random *rand.Rand) int64 {
	return r.MinNS + random.Int64N(r.MaxNS-r.MinNS+1)
}

// jitterWide moves a break as a whole, and its closing once more by at most half
// its length, so that it stays a break however large the jitter is.
func (s *Signal) jitterWide(open, length int64) (int64, int64) {
	open += int64(math.Round(s.drawJitter()))
	late := s.drawJitter()
	half := float64(length) / 2
	return open, length + int64(math.Round(max(-half, min(half, late))))
}
