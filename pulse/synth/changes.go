package synth

import "math"

const day = 24 * hour

// changes are what time does to a contact: wear of its lobes, drift of its
// breaks, and steps.
type changes struct {
	on           bool
	wear         []int64 // growth of each lobe's break, ns a day
	lobeWear     []int64 // growth of each lobe's opening error, ns a day
	drift        float64 // growth of each break, ns a day
	before, make []int64 // make before and after each span, without changes
	pulseMake    int64   // of a dial

	// Steps to come, at times of the nominal drive from the first opening, and
	// the sum of those that came.
	steps       []Step
	period      float64
	lobeOpenNS  []int64
	lobeBreakNS []int64
	breaksNS    int64

	speeds []speedStep
}

// A speedStep is a time from which a drive has another speed.
type speedStep struct {
	at    int64   // of the nominal drive
	late  float64 // how much later the drive is there than the nominal one
	later float64 // and by how much more for each ns from there on
}

func newChanges(s *Spec, l *layout) changes {
	c := changes{wear: s.WearNSPerDay, lobeWear: s.LobeWearNSPerDay, pulseMake: never}
	n := len(l.spans)
	if s.Form != Cadence {
		period, length := s.nominal()
		c.period = period
		c.drift = s.BreakDriftPerDay / 100 * period
		if s.Form == Dial {
			c.pulseMake = int64(period - length)
		}
	}
	speed, last := 1.0, int64(0) // of the drive, and when it got it, after the first opening
	nominal := 0.0               // where the nominal drive is then
	for _, st := range s.Steps {
		at := st.AtNS - s.LeadNS
		here := nominal + float64(at-last)*speed
		if st.What == StepSpeed {
			speed += st.Speed / 100
			nominal, last = here, at
			c.speeds = append(c.speeds, speedStep{at: int64(math.Round(here)), late: float64(at) - here, later: 1/speed - 1})
			continue
		}
		st.AtNS = int64(math.Round(here))
		c.steps = append(c.steps, st)
	}
	c.on = len(c.wear) > 0 || len(c.lobeWear) > 0 || s.BreakDriftPerDay != 0 || len(c.steps) > 0
	if !c.on {
		return c
	}
	c.lobeOpenNS, c.lobeBreakNS = make([]int64, n), make([]int64, n)
	c.before, c.make = make([]int64, n), make([]int64, n)
	for i, sp := range l.spans {
		next := l.start(1) + l.spans[0].open
		if i+1 < n {
			next = l.spans[i+1].open
		}
		c.make[i] = next - sp.close
		c.before[(i+1)%n] = next - sp.close
	}
	return c
}

// apply makes a step of an opening or a break.
func (c *changes) apply(st Step) {
	switch st.What {
	case StepBreaks:
		c.breaksNS += st.NS + int64(math.Round(st.Break/100*c.period))
	case StepLobe:
		c.lobeOpenNS[st.Lobe-1] += st.NS
	case StepLobeBreak:
		c.lobeBreakNS[st.Lobe-1] += st.NS
	}
}

// step is the sum of the steps so far: of a span's opening and of its break.
func (c *changes) step(i int) (open, grown int64) {
	if !c.on {
		return 0, 0
	}
	return c.lobeOpenNS[i], c.lobeBreakNS[i] + c.breaksNS
}

// change changes a break, given the opening that follows it without changes,
// and returns when that comes.
func (c *changes) change(sp *span, next int64) int64 {
	if sp.kind != pulseBreak && sp.kind != interruption {
		return next
	}
	for len(c.steps) > 0 && c.steps[0].AtNS <= sp.open {
		c.apply(c.steps[0])
		c.steps = c.steps[1:]
	}
	n := int64(len(c.make))
	i := sp.number % n
	days := float64(sp.open) / float64(day)
	length := sp.close - sp.open
	open, step := c.step(int(i))
	grown := float64(step) + c.drift*days
	if len(c.wear) > 0 {
		grown += float64(c.wear[i]) * float64(sp.open) / float64(day)
	}
	sp.open += open + c.worn(i, sp.open)
	sp.close = sp.open + length
	nextOpen, _ := c.step(int((i + 1) % n))
	next += nextOpen + c.worn((i+1)%n, next)
	room := min(next-sp.close, c.pulseMake)
	grown = max(-0.9*float64(length), min(0.9*float64(room), grown))
	sp.close += int64(math.Round(grown))
	return next
}

// worn is how much later than at first a lobe opens by wear, at time t.
func (c *changes) worn(lobe, t int64) int64 {
	if len(c.lobeWear) == 0 {
		return 0
	}
	late := float64(c.lobeWear[lobe]) * float64(t) / float64(day)
	return int64(math.Round(max(-0.4*float64(c.before[lobe]), min(0.4*float64(c.make[lobe]), late))))
}

// late is how much later the drive is for steps of its speed.
func (c *changes) late(t int64) float64 {
	for i := len(c.speeds) - 1; i >= 0; i-- {
		if st := &c.speeds[i]; t >= st.at {
			return st.late + st.later*float64(t-st.at)
		}
	}
	return 0
}
