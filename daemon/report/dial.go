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
		text := inFives(string(trains.digits), trains.n) + " (" + d.Coding + " coding"
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

// inFives groups digits in fives; n is their number, of which s has the
// first.
func inFives(s string, n int) string {
	tail := ""
	if n > len(s) {
		tail = " … " + figure.Count(n) + " in all"
	}
	var b strings.Builder
	for i := 0; i < len(s); i += 5 {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(s[i:min(i+5, len(s))])
	}
	return b.String() + tail
}
