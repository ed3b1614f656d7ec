package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// adviceOn says what the trade would look at first. All of it is common practice
// without a source.
func adviceOn(doc *Document, m *pulse.Measurement, trains *trainDigest, s *pulse.Survey) {
	symptoms := s.Diagnose(m, trains.noDigit())
	if m.DriveTrain != nil { // its lobes are known, and it tells itself what repeats
		symptoms = slices.DeleteFunc(symptoms, func(x pulse.Symptom) bool { return x.Kind == pulse.SymptomRepeat })
	}
	if len(symptoms) == 0 {
		return
	}
	doc.head("What the trade would look at first (common practice, not proof)")
	doc.tell("", "Mind the caution below.")
	for _, x := range symptoms {
		doc.item(advice(m, &x))
	}
}

// advice says what to look at for one symptom.
func advice(m *pulse.Measurement, x *pulse.Symptom) string {
	isDial, d := m.Dial != nil, x.Deviation
	speed := func() string { return sideWord(d, "too slow", "too fast") }
	switch x.Kind {
	case pulse.SymptomRateConfined:
		return "The rate is " + speed() + " " + confined(&x.Confinement)
	case pulse.SymptomRatioConfined:
		return "The percent break is " + sideWord(d, "too low", "too high") + " " + confined(&x.Confinement)
	case pulse.SymptomRateAndRatio:
		return "Both rate and percent break are off. The rate, " + speed() + ", comes first: " + dialSpeed(d) + "; then measure percent break again before touching the impulse springs."
	case pulse.SymptomRate:
		switch {
		case !isDial && tooFast(d):
			return "The rate is too fast: the motor's speed, its governor and its supply."
		case !isDial:
			return "The rate is " + speed() + ": the motor's speed, its governor and its supply first, then slip in the drive."
		case x.RatioHolds:
			return "The rate is " + speed() + " while percent break holds: " + dialSpeed(d) + "."
		}
		return "The rate is " + speed() + ": " + dialSpeed(d) + "."
	case pulse.SymptomRatio:
		if !isDial {
			return "Make and break share the cycle wrongly while the rate holds: the gap and tension of the contact springs, then wear of the cam."
		}
		return "The percent break is " + sideWord(d, "too low", "too high") + " while the rate holds: " + contactGap(x.RatioShift) + " Then their tension, then wear of the cam that moves them."
	case pulse.SymptomAllLengths:
		return "Makes and breaks are all off together: the motor's speed, its governor and its supply first."
	case pulse.SymptomSegments:
		var off []string
		for _, s := range x.Segments {
			off = append(off, fmt.Sprintf("%d (%s, %s)", s.Segment, s.State, sideWord(s.Deviation, "too short", "too long")))
		}
		return "Segments off: " + figure.List(off) + ". The part of the cam that makes them, or the gap and tension of the springs on it."
	case pulse.SymptomUnevenRate:
		text := "The rate wanders by " + figure.Fixed(x.Percent, 1) + " % (standard deviation) from "
		switch {
		case isDial:
			return text + "pulse to pulse: a governor that sticks, or dry or dirty gears."
		case len(m.Interrupter.Lobes) > 0 || m.DriveTrain != nil:
			return text + "cycle to cycle: unsteady drive."
		}
		return text + "cycle to cycle: unsteady drive, or the lobes of a cam read as one; --lobes tells."
	case pulse.SymptomShortBreaks:
		return figure.Plural(x.Count, "break", "breaks") + " too short for a pulse: a dirty contact, weak springs or a loose lead that opens for a moment."
	case pulse.SymptomInterdigit:
		return "The pause between digits is " + sideWord(d, "too short", "too long") + ". From a dial it is the finger's time and the dial's own lost motion together; from a pulse generator it is a setting."
	case pulse.SymptomStalls:
		return figure.Plural(x.Count, "break", "breaks") + " stalled inside a digit: dirt, a dry pivot or a dragging governor that held the contact open, or a hand on the dial while it ran."
	case pulse.SymptomNoDigit:
		return "A train of " + figure.Plural(x.Count, "pulse", "pulses") + " is no digit: two trains that ran together, or a contact that opened once too often."
	case pulse.SymptomLobe:
		return oddLobes(x.LateLobe, x.WrongLobe) + jerksInstead(m.DriveTrain)
	case pulse.SymptomRepeat:
		mixture := ""
		if n := len(m.Interrupter.Lobes); n > 0 {
			mixture = ", which " + figure.Plural(n, "lobe", "lobes") + " cannot show: each figure is a mixture"
		}
		return fmt.Sprintf("The cycles repeat every %d openings%s. If the cam has %d lobes, --lobes %d shows the errors of each.", x.Count, mixture, x.Count, x.Count)
	case pulse.SymptomMissing:
		return figure.Plural(x.Count, "interruption is", "interruptions are") + " missing: a contact that did not close for dirt or want of tension, or did not open for want of a gap; then the follower and the cam."
	case pulse.SymptomExtra:
		return figure.Plural(x.Count, "interruption", "interruptions") + " too many: a dirty contact, bounce that outlasts the settling time, or pick-up on the wires."
	case pulse.SymptomBounce:
		return "Bounce is too long: the tension of the contact springs, then dirty or worn contacts."
	case pulse.SymptomChatter:
		return figure.Plural(x.Count, "burst", "bursts") + " of chatter, a contact that moved and came back: a dirty contact, a loose mounting or lead, pick-up on the wires, or bounce that outlasts the settling time (--settle)."
	case pulse.SymptomLostEdges:
		return "Edges were lost: before blaming the contact, look at the recording chain, which could not keep up or had a bad connection; in a file that was exported over a pause they stand for the pause, as its comments tell."
	}
	panic(fmt.Sprint("no advice for symptom ", x.Kind))
}

// tooFast tells a rate that is out on the fast side alone.
func tooFast(d pulse.Deviation) bool { return d.High && !d.Low }

// dialSpeed says what sets the speed of a dial that is out by d. Dirt and want of
// oil only slow it down.
func dialSpeed(d pulse.Deviation) string {
	if tooFast(d) {
		return "the governor's setting first, then oil on its friction surface or wear of it, so that it brakes too little"
	}
	return "the governor first, then dirt or want of oil in its gears"
}

// contactGap says which way the gap of a dial's impulse springs goes. They are
// closed at rest and a cam opens them: the wider the gap, the longer the break.
func contactGap(shift pulse.Num) string {
	points := figure.Fixed(math.Abs(shift.V), 1) + " percentage points "
	switch {
	case !shift.OK:
		return "the gap of the impulse springs first."
	case shift.V < 0:
		return "a narrower gap of the impulse springs shortens the break, whose mean is " + points + "above the middle of its limits."
	}
	return "a wider gap of the impulse springs lengthens the break, whose mean is " + points + "below the middle of its limits."
}

// sideWord says in which sense a quantity is out of its limits.
func sideWord(d pulse.Deviation, low, high string) string {
	switch {
	case d.Low && d.High:
		return "partly " + low + " and partly " + high
	case d.Low:
		return low
	}
	return high
}

// confined says where all the pulses out of limit are.
func confined(c *pulse.Confinement) string {
	const then = ": look at what is particular there, and measure once more, before touching governor or springs."
	switch {
	case c.Pulses == 1:
		return fmt.Sprintf("in one pulse alone, train %d, pulse %d", c.Train, c.Pulse) + then
	case c.Trains == 1:
		return fmt.Sprintf("in train %d alone, where all %d pulses out of limit are", c.Train, c.Pulses) + then
	}
	return fmt.Sprintf("in %d trains of digit %c alone, where all %d pulses out of limit are", c.Trains, c.Digit, c.Pulses) + then
}

// oddLobes names the lobes whose opening or break stands out, one at least.
func oddLobes(opening, brk *pulse.Lobe) string {
	by := func(ms, se pulse.Num, less, more string) string {
		return figure.NonZero(math.Abs(ms.V), figure.Decimals(2*se.V)) + " ms " + sideWord(pulse.Deviation{Low: ms.V < 0}, less, more)
	}
	breaks := func() string { return by(brk.BreakErrorMS, brk.BreakSE, "short", "long") }
	var said []string
	if opening != nil {
		text := fmt.Sprintf("lobe %d opens %s", opening.Lobe, by(opening.OpeningErrorMS, opening.OpeningErrorSE, "early", "late"))
		if brk == opening {
			text += " and its break is " + breaks()
		}
		said = append(said, text)
	}
	if brk != nil && brk != opening {
		said = append(said, fmt.Sprintf("the break of lobe %d is %s", brk.Lobe, breaks()))
	}
	return upperFirst(strings.Join(said, "; ")) + ", against the median of the lobes and far beyond its standard error and the others: that lobe of the cam, or the follower as it meets it."
}

// jerksInstead names what may be the cause in place of a lobe: an opening that is
// late once in some turns of the cam shifts the mean of its lobe.
func jerksInstead(t *pulse.DriveTrain) string {
	if t == nil {
		return ""
	}
	for i := range t.Shafts {
		if s := &t.Shafts[i]; s.Found() && s.Struck != nil && s.Struck.OneIn%t.Lobes == 0 {
			return " But once in " + figure.Plural(s.Struck.OneIn, "opening", "openings") + " something in the drive moves one, which shifts the mean of its lobe: the drive train comes first."
		}
	}
	return ""
}
