package command

import (
	"fmt"
	"strings"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/loop"
	"makebreak/daemon/plot"
	"makebreak/pulse"
)

func writeMargin(p *page, run *loop.MarginRun, profile *pulse.Profile, stopped bool) {
	s := &run.Settings
	v := run.Judge(profile)
	p.para("", printable(fmt.Sprintf("Margin of the circuit between %s, which sends, and %s, which reads its answer", s.Out, s.In)))
	if !run.Done() {
		const mark = "INCOMPLETE: "
		p.paint(yellow, mark)
		text := figure.Count(run.Made) + " of " + figure.Plural(run.Tries(), "try", "tries")
		if stopped {
			text = "stopped by you after " + text
		}
		p.flow(len(mark), 0, text+"; the same command with its --keep file goes on.")
	}
	p.WriteByte('\n')
	switch {
	case profile == nil:
		p.paint(bold, "TRIED; NO LIMITS ASKED\n")
	case v.Inside == 0:
		p.paint(yellow, "CANNOT BE TOLD: NO CELL LIES WITHIN THE LIMITS\n")
	case v.Wrong > 0:
		p.paint(red, "COUNTS WRONG WITHIN THE LIMITS\n")
	case v.Untried > 0:
		p.paint(yellow, "CANNOT BE TOLD: CELLS WITHIN THE LIMITS WERE NOT TRIED\n")
	case !run.Done():
		p.paint(yellow, "RIGHT SO FAR IN EVERY CELL WITHIN THE LIMITS\n")
	default:
		p.paint(green, "COUNTS RIGHT IN EVERY CELL WITHIN THE LIMITS\n")
	}
	if profile != nil {
		p.para("by ", printable(profile.Title)+" ("+printable(profile.ID)+"): "+figure.Count(v.Wrong)+" of "+figure.Plural(v.Inside, "cell", "cells")+" within were counted wrong.")
	}
	answer := "The circuit repeats the pulses."
	if s.Answer == "once" {
		answer = "The circuit answers once for each digit counted right."
	}
	trains := figure.Plural(s.Pulses, "pulse", "pulses")
	if s.Trains() > 1 {
		trains = "two trains of " + trains
	}
	p.para("  ", fmt.Sprintf("Each try sends %s. %s It has %s to answer. Order drawn with seed %d.", trains, answer, figure.Span(s.WithinNS), s.Seed))
	if run.Void > 0 {
		p.para("  ", figure.Plural(run.Void, "try", "tries")+" said nothing, for a late pulse or a lost edge, and were made again.")
	}
	gaps := max(len(s.Grid.GapsMS), 1)
	for gap := range gaps {
		title := "Right answers in percent; [ ] is within the limits, . was not tried"
		if profile == nil {
			title = "Right answers in percent; . was not tried"
		}
		if len(s.Grid.GapsMS) > 0 {
			title = "Gap " + figure.Trimmed(s.Grid.GapsMS[gap], 3) + " ms. " + title
		}
		p.head(title)
		writeMarginGrid(p, run, profile, gap)
	}
	p.WriteByte('\n')
	p.para("  ", proof(run)+" --table and --json give each cell's bounds.")
	writeWindows(p, run)
	p.WriteByte('\n')
	p.WriteString(caution)
}

// writeMarginGrid writes one gap's cells, the fastest rate on top, in as many
// blocks of percent breaks as the page's width needs.
func writeMarginGrid(p *page, run *loop.MarginRun, profile *pulse.Profile, gap int) {
	g := &run.Settings.Grid
	const column, label = 7, 12
	for from := 0; from < len(g.BreakPercents); {
		to := min(from+(pageWidth-label)/column, len(g.BreakPercents))
		rows := [][]cell{cells("% break")}
		for _, b := range g.BreakPercents[from:to] {
			rows[0] = append(rows[0], cell{text: figure.Trimmed(b, 2) + " "})
		}
		for r := len(g.RatesPPS) - 1; r >= 0; r-- {
			row := cells(figure.Trimmed(g.RatesPPS[r], 2) + " pps")
			for i := from; i < to; i++ {
				row = append(row, marginMark(run.Cells[g.Index(r, i, gap)], profile))
			}
			rows = append(rows, row)
		}
		if from > 0 {
			p.WriteByte('\n')
		}
		p.grid("r"+strings.Repeat("r", to-from), rows)
		from = to
	}
}

func marginMark(c pulse.MarginCell, profile *pulse.Profile) cell {
	m := cell{text: ".", sgr: plain}
	if c.Tries > 0 {
		// Rounded towards doubt: 100 is all of them.
		m.text = figure.Count(100 * c.Right / c.Tries)
		m.sgr = map[bool]string{true: green, false: red}[c.AllRight()]
	}
	if profile != nil {
		if in, _ := profile.Allows(c.RatePPS, c.BreakPercent, c.GapMS); in {
			m.text = "[" + m.text + "]"
			return m
		}
	}
	m.text += " "
	return m
}

// proof tells what the number of tries proves.
func proof(run *loop.MarginRun) string {
	least := run.LeastTries()
	wrong, ok := pulse.UpperBound95(0, least)
	if !ok {
		return "Not every cell has been tried."
	}
	return fmt.Sprintf("A cell with all of %s right: wrong counts are %s (95 %% bound).", figure.Plural(least, "try", "tries"), figure.Fewer(wrong))
}

// writeWindows tells where the circuit's window has its edges.
func writeWindows(p *page, run *loop.MarginRun) {
	for _, along := range []pulse.Quantity{pulse.BreakPercent, pulse.RatePPS} {
		title, unit, of := "Window in percent break, by rate: an edge lies between the two values", "%", "pps"
		if along == pulse.RatePPS {
			title, unit, of = "Window in rate, by percent break: an edge lies between the two values", "pps", "%"
		}
		rows := [][]cell{}
		for _, w := range run.Settings.Grid.Windows(run.Cells) {
			if w.Along != along {
				continue
			}
			row := cells(figure.Unit(figure.Trimmed(w.At, 2), of), "", "", "", "")
			if w.GapMS.OK {
				row[1].text = "gap " + figure.Trimmed(w.GapMS.V, 3) + " ms"
			}
			if !w.LowRight.OK {
				row[2].text = "never right in every try"
			} else {
				row[2].text = "lower " + marginEdge(w.LowWrong, w.LowRight, unit)
				row[3].text = "upper " + marginEdge(w.HighRight, w.HighWrong, unit)
			}
			if w.Ragged {
				row[4].text = "ragged"
			}
			rows = append(rows, row)
		}
		if len(rows) > 0 {
			p.head(title)
			p.grid("rllll", rows)
		}
	}
}

// marginEdge writes the two values that an edge lies between.
func marginEdge(a, b pulse.Num, unit string) string {
	switch {
	case !a.OK:
		return "below " + figure.Unit(figure.Trimmed(b.V, 2), unit)
	case !b.OK:
		return "above " + figure.Unit(figure.Trimmed(a.V, 2), unit)
	}
	return figure.Trimmed(a.V, 2) + " to " + figure.Unit(figure.Trimmed(b.V, 2), unit)
}

// marginPlot is the drawing of a margin with its words.
func marginPlot(run *loop.MarginRun, profile *pulse.Profile) *plot.Margin {
	s := &run.Settings
	pulses := figure.Plural(s.Pulses, "pulse", "pulses")
	if s.Trains() > 1 {
		pulses = "two trains of " + pulses
	}
	about := fmt.Sprintf("%s sends %s, %s reads the answer; tries of each cell: %d", s.Out, pulses, s.In, s.Grid.Repeats)
	if !run.Done() {
		about += fmt.Sprintf("; INCOMPLETE, %d of %d tries", run.Made, run.Tries())
	}
	m := &plot.Margin{Grid: &s.Grid, Cells: run.Cells, Title: "Where the circuit counts right", About: printable(about), Note: proof(run), Limits: profile}
	if profile != nil {
		m.LimitsName = printable(profile.ID)
	}
	return m
}

// marginPlan says what a test is about to send.
func marginPlan(run *loop.MarginRun) string {
	s := &run.Settings
	return fmt.Sprintf("%s of %d pulses each in %s, %s made already",
		figure.Plural(run.Tries(), "try", "tries"), s.Pulses*s.Trains(), figure.Plural(len(run.Cells), "cell", "cells"), figure.Count(run.Made))
}

// marginProgress says how a try went and how far the test is.
func marginProgress(run *loop.MarginRun, c pulse.MarginCell, try loop.MarginTry) string {
	result := "wrong"
	switch {
	case try.Void != "":
		result = "again: " + try.Void
	case try.Right:
		result = "right"
	}
	return fmt.Sprintf("%s of %s  %s pps, %s %% break: %s  about %s left", figure.Count(run.Made), figure.Plural(run.Tries(), "try", "tries"),
		figure.Trimmed(c.RatePPS, 2), figure.Trimmed(c.BreakPercent, 2), result, time.Duration(run.Left()).Round(time.Second))
}
