package report

import (
	"fmt"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// compound tells a cadence of several makes a cycle.
func compound(m *pulse.Measurement) bool {
	return m.Interrupter != nil && len(m.Interrupter.Segments) > 2
}

// cyclesText tells how many cycles there were and should have been.
func cyclesText(m *pulse.Measurement) string {
	in := m.Interrupter
	cycle, cycles, missing := "whole cycle", "whole cycles", "interruptions"
	if compound(m) {
		k := figure.Plural(len(in.Segments)/2, "make", "makes")
		cycle, cycles, missing = cycle+" of "+k, cycles+" of "+k, "breaks"
	}
	text := figure.Plural(in.Cycles, cycle, cycles) + " measured of " + figure.Count(in.Due) + " due; " + missing + " missing: " +
		figure.Count(in.Missing) + ", extra: " + figure.Count(in.Extra)
	if in.Slips > 0 {
		text += "; the phase slipped " + figure.Plural(in.Slips, "time", "times")
	}
	return text + "."
}

func interrupter(doc *Document, m *pulse.Measurement, a *About) {
	in := m.Interrupter
	doc.head("Interrupter")
	doc.tell("", cyclesText(m))
	if text := irregular(m, a); text != "" {
		doc.tell("", text)
	}
	for _, c := range in.SpeedChanges[:min(maxSpeedChanges, len(in.SpeedChanges))] {
		doc.tell("", speedChange(&c))
	}
	if n := len(in.SpeedChanges) + in.MoreSpeedChanges - maxSpeedChanges; n > 0 {
		doc.tell("", figure.Plural(n, "more change of speed", "more changes of speed")+"; --json lists them.")
	}
	if in.RateIPM.Overall.OK {
		text := overall(m, pulse.RateIPM, in.RateIPM, "interruptions per minute")
		if compound(m) {
			text = overall(m, pulse.RateIPM, in.RateIPM, "cycles per minute")
			if in.MakesPerMin.OK {
				text += " (" + figure.Fixed(in.MakesPerMin.V, decimals(m, pulse.RateIPM)) + " makes per minute)"
			}
		}
		if in.BreakPercent.Overall.OK {
			text += ", " + overall(m, pulse.BreakPercent, in.BreakPercent, "%") + " break"
		}
		doc.tell("Overall", text+" (k = 2).")
	}
	rows := []statRow{
		quantityRow(m, pulse.RateIPM, in.RateIPM.Stat),
		quantityRow(m, pulse.PeriodMS, in.PeriodMS),
		quantityRow(m, pulse.BreakPercent, in.BreakPercent.Stat),
	}
	if !compound(m) { // else the segments tell more than their mixture
		rows = append(rows, quantityRow(m, pulse.BreakMS, in.BreakMS), quantityRow(m, pulse.MakeMS, in.MakeMS))
	}
	statistics(doc, "", append(rows, quantityRow(m, pulse.BounceMS, m.Settling.BounceMS)))
	segments(doc, m, a)
	lobes(doc, in)
}

// irregular says in which cycles interruptions are missing or extra, the first few;
// nothing where none is known.
func irregular(m *pulse.Measurement, a *About) string {
	var said []string
	told := 0
	for _, c := range a.Survey.Irregular() {
		at := float64(c.At)/1e9 - m.Capture.FirstEdgeS
		when := figure.Time(at)
		if a.Log != nil {
			when = a.Log.Wall(at).Format(wallMilli) + " UTC"
		}
		what := ""
		if c.Missing > 0 {
			what = figure.Count(c.Missing) + " missing"
		}
		if c.Extra > 0 {
			what += map[bool]string{true: ", ", false: ""}[what != ""] + figure.Count(c.Extra) + " extra"
		}
		told += c.Missing + c.Extra
		said = append(said, "in cycle "+figure.Count(c.Cycle)+", from "+when+" on: "+what)
	}
	text := strings.Join(said, "; ")
	switch all := m.Interrupter.Missing + m.Interrupter.Extra; {
	case text == "":
		return ""
	case told < all:
		text += "; and " + figure.Count(all-told) + " more, which --table lists"
	}
	return upperFirst(text) + "."
}

// maxSpeedChanges are told one by one.
const maxSpeedChanges = 5

func speedChange(c *pulse.SpeedChange) string {
	at, after, before := fmt.Sprintf("At %.1f s ", c.AtS), figure.Fixed(c.AfterMS, 1), figure.Fixed(c.BeforeMS, 1)
	either := c.Either()
	switch {
	case either == "":
		return at + "the speed changes: the openings are " + after + " ms apart in place of " + before + " ms."
	case c.FromNominal:
		return upperFirst(either) + " (" + after + " ms in place of " + before + " ms)."
	}
	return at + either + " (" + after + " ms in place of " + before + " ms)."
}

func segments(doc *Document, m *pulse.Measurement, a *About) {
	var rows []statRow
	for _, s := range m.Interrupter.Segments {
		if s.MS.N > 0 {
			rows = append(rows, statRow{
				name: figure.Count(s.Segment) + " " + s.State, stat: s.MS,
				decimals: decimals(m, pulse.Quantity(s.State+"_ms")), nominal: figure.Trimmed(s.NominalMS, 3),
			})
		}
	}
	if len(rows) == 0 {
		return
	}
	nominal := "from data"
	if m.Interrupter.CadenceFits && (a.Cadence != nil || a.Limits != nil && len(a.Limits.CadenceNS) > 0) {
		nominal = "nominal"
	}
	doc.head("Cadence, ms")
	statistics(doc, nominal, rows)
}

func lobes(doc *Document, in *pulse.Interrupter) {
	if len(in.Lobes) == 0 {
		return
	}
	doc.head("Lobes over " + figure.Plural(in.WholeTurns, "whole turn", "whole turns"))
	doc.tell("", lobesBy(in)+" Errors are against the median of the lobes, positive is late or long; se is one standard error.")
	t := Table{Columns: columns("rrrrrrrr", "lobe", "n", "opening", "± se", "% cycle", "break", "± se", "error")}
	t.Columns[4].Rank = 1
	for _, i := range []int{2, 3, 5, 6, 7} {
		t.Columns[i].Unit = "ms"
	}
	for _, l := range in.Lobes {
		dec := figure.Decimals(2 * l.OpeningErrorSE.V)
		decBreak := figure.Decimals(2 * l.BreakSE.V)
		cycles := l.OpeningErrorCyc
		cycles.V *= 100
		t.Rows = append(t.Rows, cells(figure.Count(l.Lobe), figure.Count(l.N), signed(l.OpeningErrorMS, dec), number(l.OpeningErrorSE, dec),
			signed(cycles, 2), number(l.BreakMS, decBreak), number(l.BreakSE, decBreak), signed(l.BreakErrorMS, decBreak)))
	}
	doc.add(t)
}

// lobesBy says what the numbers of the lobes go by.
func lobesBy(in *pulse.Interrupter) string {
	if in.LobesNumberedBy == nil {
		return "No lobe was seen."
	}
	var text string
	switch *in.LobesNumberedBy {
	case pulse.LobesByLog:
		text = "Numbers are those of the log; lobe 1 is no mark on the cam until a note with --lobe-one says so."
	case pulse.LobesByReference:
		text = "Lobe 1 is the one that a note in the log names."
	case pulse.LobesByMatch:
		text = "Numbers are those of the log, found again by the errors of the lobes."
	default:
		text = "Lobe 1 is the one that opened first in the recording: no mark on the cam."
	}
	if in.LobesMatchLead.OK {
		text += " Where the phase was lost, numbers were found again by the errors of the lobes, " + lead(in.LobesMatchLead.V) + " times likelier so than otherwise."
	}
	if in.LobeStretches > 1 {
		text += " But " + figure.Plural(in.LobeStretches-1, "time", "times") + " they could not be found again, and began anew: these are of one numbering alone, from " + figure.Time(in.LobesFromS.V) + " on."
	}
	return text
}

// lead says how many times likelier a match is than the next, roughly: beyond
// a million the model of the noise is the greater doubt.
func lead(times float64) string {
	if times >= 1e6 {
		return "more than a million"
	}
	return figure.Count(int(times))
}
