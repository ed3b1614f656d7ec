package command

import (
	"fmt"
	"math"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

const (
	// unevenSD is the relative standard deviation from which a rate is called
	// unsteady. It is our own choice: no published figure was found.
	unevenSD = 0.02
	// lobeSigmas and lobeAlone say when one lobe stands out: its error is that
	// many standard errors, and that many times the next lobe's. A single late
	// lobe of three moves the common mean so that its own error is twice theirs.
	lobeSigmas, lobeAlone = 4.0, 1.8
)

// side tells where a quantity lies: below its limits, above, within or both.
type side struct{ low, high bool }

func (s side) off() bool { return s.low || s.high }

// word says in which sense a quantity is off.
func (s side) word(low, high string) string {
	switch {
	case s.low && s.high:
		return "partly " + low + " and partly " + high
	case s.low:
		return low
	}
	return high
}

// sides reads the items that fail, with or without doubt.
func sides(m *pulse.Measurement) map[string]side {
	s := map[string]side{}
	if m.Conformity == nil {
		return s
	}
	for _, it := range m.Conformity.Items {
		if it.Statement != pulse.Fail && it.Statement != pulse.ConditionalFail {
			continue
		}
		x := s[it.Quantity]
		x.low = x.low || it.Bound == "min"
		x.high = x.high || it.Bound == "max"
		s[it.Quantity] = x
	}
	return s
}

// limitSum adds the limits of break and make: the bounds that they set on the
// period. ok is false unless both have the bound.
func limitSum(m *pulse.Measurement, bound string) (ms float64, ok bool) {
	n := 0
	for _, it := range m.Conformity.Items {
		if it.Bound == bound && (it.Quantity == string(pulse.BreakMS) || it.Quantity == string(pulse.MakeMS)) {
			ms += it.Limit
			n++
		}
	}
	return ms, n == 2
}

// hints says what the trade would look at first, most telling first; nothing
// when nothing stands out. All of it is common practice without a source.
func hints(m *pulse.Measurement, trains *trainDigest) []string {
	s := sides(m)
	rate, ratio := s[string(pulse.RatePPS)], s[string(pulse.BreakPercent)]
	if r := s[string(pulse.BreakRatio)]; r.off() {
		ratio = r
	}
	var h []string
	switch {
	case m.Dial != nil:
		h = dialHints(m, trains, s, rate, ratio)
	case m.Interrupter != nil:
		h = interrupterHints(m, s, ratio)
	}
	if s[string(pulse.BounceMS)].off() {
		h = append(h, "Bounce is too long: the tension of the contact springs, then dirty or worn contacts.")
	}
	if n := m.Settling.Chatter; n > 0 {
		h = append(h, fmt.Sprintf("%s of chatter, a contact that moved and came back: a dirty contact, a loose mounting or lead, pick-up on the wires, or bounce that outlasts the settling time (--settle).", figure.Plural(n, "burst", "bursts")))
	}
	if m.Capture.LostEdges > 0 {
		h = append(h, "Edges were lost: before blaming the contact, look at the recording chain, which could not keep up or had a bad connection.")
	}
	return h
}

func dialHints(m *pulse.Measurement, trains *trainDigest, s map[string]side, rate, ratio side) (h []string) {
	d := m.Dial
	brk, mk := s[string(pulse.BreakMS)], s[string(pulse.MakeMS)]
	if rate == (side{}) && ratio == (side{}) && (brk.off() || mk.off()) {
		rate, ratio = fromBreakAndMake(m, brk, mk)
	}
	switch {
	case restsOpen(d):
		return []string{"The line seems to rest open, with closures for breaks. If the contact rests closed, the polarity is the other way round: give --closed " + otherLevel(m.Capture.Closed) + "."}
	case rate.off() && ratio.off():
		h = append(h, "Both rate and percent break are off. The rate comes first: the governor, its friction surface and dry or dirty pivots; then measure percent break again before touching the impulse springs.")
	case rate.off():
		h = append(h, "The rate is "+rate.word("too slow", "too fast")+" while percent break holds: the governor first, then dirt or want of oil in its gears.")
	case ratio.off():
		h = append(h, "The percent break is "+ratio.word("too low", "too high")+" while the rate holds: the gap and the tension of the impulse springs first, then wear of the cam that moves them.")
	}
	if uneven(d.RatePPS.Stat) {
		h = append(h, fmt.Sprintf("The rate wanders by %s %% (standard deviation) from pulse to pulse: a governor that sticks, or dry or dirty gears.", figure.Fixed(100*d.RatePPS.SD.V/d.RatePPS.Mean.V, 1)))
	}
	if d.ShortBreaks > 0 {
		h = append(h, figure.Plural(d.ShortBreaks, "break", "breaks")+" too short for a pulse: a dirty contact, weak springs or a loose lead that opens for a moment.")
	}
	if g := s[string(pulse.InterdigitMS)]; g.off() {
		h = append(h, "The pause between digits is "+g.word("too short", "too long")+". From a dial it is the finger's time and the dial's own lost motion together; from a pulse generator it is a setting.")
	}
	if len(trains.odd) > 0 {
		h = append(h, "A train of "+figure.Plural(trains.odd[0].Pulses, "pulse", "pulses")+" is no digit: two trains that ran together, or a contact that opened once too often.")
	}
	return h
}

// fromBreakAndMake tells rate from ratio where the limits are on break and
// make: a mean period inside what the limits allow leaves the ratio to blame.
func fromBreakAndMake(m *pulse.Measurement, brk, mk side) (rate, ratio side) {
	period := m.Dial.BreakMS.Mean.V + m.Dial.MakeMS.Mean.V
	if lo, ok := limitSum(m, "min"); ok && period < lo {
		return side{high: true}, side{}
	}
	if hi, ok := limitSum(m, "max"); ok && period > hi {
		return side{low: true}, side{}
	}
	return side{}, side{low: brk.low || mk.high, high: brk.high || mk.low}
}

// restsOpen tells a dial whose makes look like pulses: the rests between its
// trains read as long breaks, and its breaks are the shorter part.
func restsOpen(d *pulse.Dial) bool {
	long := d.Flashes + d.Disconnects
	return long > 0 && long+1 >= d.Trains.Len() && d.BreakPercent.Overall.OK && d.BreakPercent.Overall.V < 50
}

func otherLevel(level string) string {
	if level == "high" {
		return "low"
	}
	return "high"
}

// uneven tells a rate that wanders.
func uneven(rate pulse.Stat) bool {
	return rate.SD.OK && rate.Mean.OK && rate.SD.V > unevenSD*rate.Mean.V
}

func interrupterHints(m *pulse.Measurement, s map[string]side, ratio side) (h []string) {
	in := m.Interrupter
	rate := s[string(pulse.RateIPM)]
	if p := s[string(pulse.PeriodMS)]; p.off() {
		rate = side{low: p.high, high: p.low}
	}
	if l, ok := oddLobe(in.Lobes); ok {
		h = append(h, fmt.Sprintf("Lobe %d opens %s ms %s, far beyond its standard error and the other lobes: that lobe of the cam, or the follower as it meets it.",
			l.Lobe, figure.Fixed(math.Abs(l.OpeningErrorMS.V), figure.Decimals(2*l.OpeningErrorSE.V)), side{low: l.OpeningErrorMS.V < 0}.word("early", "late")))
	}
	if in.Missing > 0 {
		h = append(h, figure.Plural(in.Missing, "interruption is", "interruptions are")+" missing: a contact that did not close for dirt or want of tension, or did not open for want of a gap; then the follower and the cam.")
	}
	if in.Extra > 0 {
		h = append(h, figure.Plural(in.Extra, "interruption", "interruptions")+" too many: a dirty contact, bounce that outlasts the settling time, or pick-up on the wires.")
	}
	var segments []string
	for i := range in.Segments {
		name := pulse.Limit{Quantity: pulse.SegmentMS, Segment: i + 1}.Name()
		if x := s[name]; x.off() {
			segments = append(segments, fmt.Sprintf("%d (%s, %s)", i+1, in.Segments[i].State, x.word("too short", "too long")))
		}
	}
	brk, mk := s[string(pulse.BreakMS)], s[string(pulse.MakeMS)]
	switch {
	case rate.off():
		h = append(h, "The rate is "+rate.word("too slow", "too fast")+": the motor's speed, its governor and its supply first, then slip in the drive.")
	case len(segments) > 1 && len(segments) == len(in.Segments) || brk.off() && brk == mk:
		h = append(h, "Makes and breaks are all off together: the motor's speed, its governor and its supply first.")
	case len(segments) > 0:
		h = append(h, "Segments off: "+join(segments)+". The part of the cam that makes them, or the gap and tension of the springs on it.")
	case ratio.off() || brk.off() || mk.off():
		h = append(h, "Make and break share the cycle wrongly while the rate holds: the gap and tension of the contact springs, then wear of the cam.")
	}
	if uneven(in.RateIPM.Stat) {
		h = append(h, fmt.Sprintf("The rate wanders by %s %% (standard deviation) from cycle to cycle: unsteady drive, or the lobes of a cam read as one; --lobes tells.", figure.Fixed(100*in.RateIPM.SD.V/in.RateIPM.Mean.V, 1)))
	}
	return h
}

// oddLobe finds a lobe that stands out from the others. It needs three.
func oddLobe(lobes []pulse.Lobe) (worst pulse.Lobe, ok bool) {
	if len(lobes) < 3 {
		return worst, false
	}
	next := 0.0
	for _, l := range lobes {
		if !l.OpeningErrorMS.OK || !l.OpeningErrorSE.OK {
			return worst, false
		}
		e := math.Abs(l.OpeningErrorMS.V)
		if w := math.Abs(worst.OpeningErrorMS.V); worst.Lobe == 0 || e > w {
			next = max(next, w)
			worst = l
		} else {
			next = max(next, e)
		}
	}
	e := math.Abs(worst.OpeningErrorMS.V)
	return worst, e > lobeSigmas*worst.OpeningErrorSE.V && e > lobeAlone*next
}

func join(s []string) string {
	out := ""
	for i, x := range s {
		switch {
		case i > 0 && i == len(s)-1:
			out += " and "
		case i > 0:
			out += ", "
		}
		out += x
	}
	return out
}
