package report

import (
	"strings"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// otherBreaks counts the breaks that were no pulses.
func otherBreaks(d *pulse.Dial) string {
	text := figure.Plural(d.ShortBreaks, "short break", "short breaks") + ", " + figure.Plural(d.Flashes, "flash", "flashes") + ", " + figure.Plural(d.Disconnects, "disconnect", "disconnects")
	if d.Stalls > 0 {
		text += ", " + figure.Plural(d.Stalls, "stall inside a digit", "stalls inside a digit")
	}
	return text + "."
}

func dial(doc *Document, m *pulse.Measurement, trains *trainDigest) {
	d := m.Dial
	doc.head("Dial")
	doc.tell("", figure.Plural(d.Pulses, "pulse", "pulses")+" in "+figure.Plural(d.Trains.Len(), "train", "trains")+"; "+otherBreaks(d))
	if trains.n > 0 {
		digits, parted := inCalls(trains, d.LongBreaks)
		text := digits + " (" + d.Coding + " coding"
		if parted {
			text += "; / is a disconnect"
		}
		if trains.partial > 0 {
			text += "; _ is a train of which a part is missing"
		}
		if len(trains.odd) > 0 {
			text += "; ? is a train that is no digit"
			if d.Stalls > 0 {
				text += ", or holds a stall"
			}
		}
		doc.tell("Digits", text+")")
	}
	longBreaks(doc, m)
	if d.RatePPS.Overall.OK {
		doc.tell("Overall", overall(m, pulse.RatePPS, d.RatePPS, "pps")+", "+overall(m, pulse.BreakPercent, d.BreakPercent, "%")+" break (k = 2).")
	}
	statistics(doc, "", []statRow{
		quantityRow(m, pulse.RatePPS, d.RatePPS.Stat),
		quantityRow(m, pulse.BreakPercent, d.BreakPercent.Stat),
		quantityRow(m, pulse.BreakMS, d.BreakMS),
		quantityRow(m, pulse.MakeMS, d.MakeMS),
		quantityRow(m, pulse.InterdigitMS, d.InterdigitMS),
		quantityRow(m, pulse.BounceMS, m.Settling.BounceMS),
	})
}

// maxDigits are enough to compare with what was dialled.
const maxDigits = 100

// maxLongBreaks are told one by one.
const maxLongBreaks = 10

// longBreaks tells when each flash and disconnect was.
func longBreaks(doc *Document, m *pulse.Measurement) {
	d := m.Dial
	for _, b := range d.LongBreaks[:min(maxLongBreaks, len(d.LongBreaks))] {
		length := figure.Fixed(b.BreakMS, decimals(m, pulse.BreakMS)) + " ms"
		if b.BreakMS >= 10e3 {
			length = figure.Time(b.BreakMS / 1e3)
		}
		text := "of " + length + " at " + figure.Time(b.StartS)
		if b.AfterTrain > 0 {
			text += ", after train " + figure.Count(b.AfterTrain)
		}
		doc.tell(upperFirst(b.Class.String()), text+".")
	}
	if n := d.Flashes + d.Disconnects - maxLongBreaks; n > 0 {
		doc.tell("", figure.Plural(n, "more flash or disconnect", "more flashes and disconnects")+"; --table has all.")
	}
}

// inCalls writes the digits of the trains in groups of five, and parts those of
// calls between which the line was disconnected.
func inCalls(trains *trainDigest, breaks []pulse.LongBreak) (text string, parted bool) {
	begin := 0
	for _, b := range breaks {
		if b.Class == pulse.ClassDisconnect && b.AfterTrain > begin && b.AfterTrain < trains.n && b.AfterTrain <= len(trains.digits) {
			text += inFives(trains.digits[begin:b.AfterTrain]) + " / "
			begin, parted = b.AfterTrain, true
		}
	}
	text += inFives(trains.digits[begin:])
	if trains.n > len(trains.digits) {
		text += " … " + figure.Count(trains.n) + " in all"
	}
	return text, parted
}

// inFives groups digits in fives.
func inFives(s []byte) string {
	var b strings.Builder
	for i := 0; i < len(s); i += 5 {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.Write(s[i:min(i+5, len(s))])
	}
	return b.String()
}
