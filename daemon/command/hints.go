package command

import (
	"fmt"
	"math"
	"slices"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

const (
	// unevenSD is the relative standard deviation from which a rate is called
	// unsteady. It is our own choice: no published figure was found.
	unevenSD = 0.02
	// lobeSigmas and lobeAlone say when one lobe stands out: its error is that
	// many standard errors, and that many times the next lobe's (our own choice).
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
func hints(m *pulse.Measurement, trains *trainDigest, v *view) []string {
	s := sides(m)
	rate, ratio := s[string(pulse.RatePPS)], s[string(pulse.BreakPercent)]
	if r := s[string(pulse.BreakRatio)]; r.off() {
		ratio = r
	}
	var h []string
	switch {
	case m.Dial != nil:
		h = dialHints(m, trains, v.tally, s, rate, ratio)
	case m.Interrupter != nil:
		h = interrupterHints(m, v.tally, s, ratio)
	}
	if s[string(pulse.BounceMS)].off() {
		h = append(h, "Bounce is too long: the tension of the contact springs, then dirty or worn contacts.")
	}
	if n := m.Settling.Chatter; n > 0 {
		h = append(h, fmt.Sprintf("%s of chatter, a contact that moved and came back: a dirty contact, a loose mounting or lead, pick-up on the wires, or bounce that outlasts the settling time (--settle).", figure.Plural(n, "burst", "bursts")))
	}
	if m.Capture.LostEdges > 0 {
		h = append(h, "Edges were lost: before blaming the contact, look at the recording chain, which could not keep up or had a bad connection; in a file that was exported over a pause they stand for the pause, as its comments tell.")
	}
	return h
}

func dialHints(m *pulse.Measurement, trains *trainDigest, t *tally, s map[string]side, rate, ratio side) (h []string) {
	d := m.Dial
	brk, mk := s[string(pulse.BreakMS)], s[string(pulse.MakeMS)]
	ofRate, ofRatio := groupRate, groupRatio
	if rate == (side{}) && ratio == (side{}) && (brk.off() || mk.off()) {
		rate, ratio = fromBreakAndMake(m, brk, mk)
		ofRate, ofRatio = groupMS, groupMS
	}
	// What is off in one place alone is no matter of an adjustment.
	for _, x := range []struct {
		*side
		group
		text string
	}{
		{&rate, ofRate, "The rate is " + rate.word("too slow", "too fast")},
		{&ratio, ofRatio, "The percent break is " + ratio.word("too low", "too high")},
	} {
		if where, ok := t.confined(m, x.group, trains.partial == 0); ok && x.off() {
			h = append(h, x.text+" "+where+": look at what is particular there, and measure once more, before touching governor or springs.")
			*x.side = side{}
		}
	}
	switch {
	case rate.off() && ratio.off():
		h = append(h, "Both rate and percent break are off. The rate comes first: the governor, its friction surface and dry or dirty pivots; then measure percent break again before touching the impulse springs.")
	case rate.off():
		holds := " while percent break holds"
		if len(h) > 0 {
			holds = ""
		}
		h = append(h, "The rate is "+rate.word("too slow", "too fast")+holds+": the governor first, then dirt or want of oil in its gears.")
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
	if d.Stalls > 0 {
		h = append(h, figure.Plural(d.Stalls, "break", "breaks")+" stalled inside a digit: dirt, a dry pivot or a dragging governor that held the contact open, or a hand on the dial while it ran.")
	}
	if i := slices.IndexFunc(trains.odd, func(x numberedTrain) bool { return !x.Stalled }); i >= 0 {
		h = append(h, "A train of "+figure.Plural(trains.odd[i].Pulses, "pulse", "pulses")+" is no digit: two trains that ran together, or a contact that opened once too often.")
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

// uneven tells a rate that wanders.
func uneven(rate pulse.Stat) bool {
	return rate.SD.OK && rate.Mean.OK && rate.SD.V > unevenSD*rate.Mean.V
}

func interrupterHints(m *pulse.Measurement, t *tally, s map[string]side, ratio side) (h []string) {
	in := m.Interrupter
	rate := s[string(pulse.RateIPM)]
	if p := s[string(pulse.PeriodMS)]; p.off() {
		rate = side{low: p.high, high: p.low}
	}
	lateLobe, wrongLobe := oddLobe(in.Lobes, openingError), oddLobe(in.Lobes, breakError)
	if lateLobe != nil || wrongLobe != nil {
		h = append(h, lobeHint(lateLobe, wrongLobe))
	}
	repeats := 0
	if !compound(m) && t != nil {
		repeats = t.lobes.Found()
	}
	switch given := len(in.Lobes); {
	case repeats == 0:
	case given > 0 && given%repeats == 0: // these lobes show it
		repeats = 0
	case given > 0:
		h = append(h, fmt.Sprintf("The cycles repeat every %d openings, which %s cannot show: each figure is a mixture. If the cam has %d lobes, --lobes %d shows the errors of each.", repeats, figure.Plural(given, "lobe", "lobes"), repeats, repeats))
	default:
		h = append(h, fmt.Sprintf("The cycles repeat every %d openings. If the cam has %d lobes, --lobes %d shows the errors of each.", repeats, repeats, repeats))
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
	case wrongLobe != nil || repeats > 0: // said above
	case ratio.off() || brk.off() || mk.off():
		h = append(h, "Make and break share the cycle wrongly while the rate holds: the gap and tension of the contact springs, then wear of the cam.")
	}
	if uneven(in.RateIPM.Stat) && repeats == 0 && lateLobe == nil {
		why := "unsteady drive, or the lobes of a cam read as one; --lobes tells"
		if len(in.Lobes) > 0 {
			why = "unsteady drive"
		}
		h = append(h, fmt.Sprintf("The rate wanders by %s %% (standard deviation) from cycle to cycle: %s.", figure.Fixed(100*in.RateIPM.SD.V/in.RateIPM.Mean.V, 1), why))
	}
	return h
}

func openingError(l *pulse.Lobe) (ms, se pulse.Num) { return l.OpeningErrorMS, l.OpeningErrorSE }
func breakError(l *pulse.Lobe) (ms, se pulse.Num)   { return l.BreakErrorMS, l.BreakSE }

// oddLobe finds a lobe whose error stands out from the others'; nil for none.
// It needs three.
func oddLobe(lobes []pulse.Lobe, of func(*pulse.Lobe) (ms, se pulse.Num)) *pulse.Lobe {
	if len(lobes) < 3 {
		return nil
	}
	var worst *pulse.Lobe
	most, next := 0.0, 0.0
	for i := range lobes {
		ms, se := of(&lobes[i])
		if !ms.OK || !se.OK {
			return nil
		}
		if e := math.Abs(ms.V); worst == nil || e > most {
			worst, most, next = &lobes[i], e, most
		} else {
			next = max(next, e)
		}
	}
	if _, se := of(worst); most > lobeSigmas*se.V && most > lobeAlone*next {
		return worst
	}
	return nil
}

// lobeHint names the lobes whose opening or break stands out, one at least.
func lobeHint(opening, brk *pulse.Lobe) string {
	by := func(l *pulse.Lobe, of func(*pulse.Lobe) (ms, se pulse.Num), less, more string) string {
		ms, se := of(l)
		return figure.NonZero(math.Abs(ms.V), figure.Decimals(2*se.V)) + " ms " + side{low: ms.V < 0}.word(less, more)
	}
	var text string
	if opening != nil {
		text = fmt.Sprintf("Lobe %d opens %s", opening.Lobe, by(opening, openingError, "early", "late"))
	}
	switch {
	case brk == nil:
	case brk == opening:
		text += " and its break is " + by(brk, breakError, "short", "long")
	default:
		if text != "" {
			text += "; "
		}
		text += fmt.Sprintf("the break of lobe %d is %s", brk.Lobe, by(brk, breakError, "short", "long"))
	}
	return upperFirst(text) + ", against the median of the lobes and far beyond its standard error and the others: that lobe of the cam, or the follower as it meets it."
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
