package report

import (
	"fmt"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/loop"
	"makebreak/daemon/plot"
	"makebreak/pulse"
)

// OfMargin says what a margin test found, so far or in the end; stopped tells that
// the user ended it early.
func OfMargin(run *loop.MarginRun, profile *pulse.Profile, stopped bool) *Document {
	doc := new(Document)
	s := &run.Settings
	v := run.Judge(profile)
	doc.say(fmt.Sprintf("Margin of the circuit between %s, which sends, and %s, which reads its answer", s.Out, s.In))
	if !run.Done() {
		text := figure.Count(run.Made) + " of " + figure.Plural(run.Tries(), "try", "tries")
		if stopped {
			text = "stopped by you after " + text
		}
		doc.mark("INCOMPLETE:", Doubtful, text+"; the same command with its --keep file goes on.")
	}
	doc.add(Space{})
	switch {
	case profile == nil:
		doc.add(Statement{"TRIED; NO LIMITS ASKED", Strong})
	case !v.Bounded:
		doc.add(Statement{"CANNOT BE TOLD: THE LIMITS ARE ON NOTHING THAT WAS SENT", Doubtful})
	case v.Inside == 0:
		doc.add(Statement{"CANNOT BE TOLD: NO CELL LIES WITHIN THE LIMITS", Doubtful})
	case v.Wrong > 0:
		doc.add(Statement{"COUNTS WRONG WITHIN THE LIMITS", Bad})
	case v.Untried > 0:
		doc.add(Statement{"CANNOT BE TOLD: CELLS WITHIN THE LIMITS WERE NOT TRIED", Doubtful})
	case !run.Done():
		doc.add(Statement{"RIGHT SO FAR IN EVERY CELL WITHIN THE LIMITS", Doubtful})
	default:
		doc.add(Statement{"COUNTS RIGHT IN EVERY CELL WITHIN THE LIMITS", Good})
	}
	if profile != nil {
		doc.add(Paragraph{Lead: "by", Text: profile.Title + " (" + profile.ID + "): cells within that were counted wrong: " + figure.Count(v.Wrong) + " of " + figure.Count(v.Inside) + "."})
	}
	answer := "The circuit repeats the pulses."
	if s.Answer == "once" {
		answer = "The circuit answers once for each digit counted right."
	}
	doc.tell("", fmt.Sprintf("Each try sends %s. %s It has %s to answer. Order drawn with seed %d.", tryText(s), answer, figure.Span(s.WithinNS), s.Seed))
	if run.Void > 0 {
		doc.tell("", figure.Plural(run.Void, "try", "tries")+" said nothing, for a late pulse or a lost edge, and were made again.")
	}
	doc.add(Chart{
		Title:   "Where the circuit counts right",
		Drawing: MarginPlot(run, profile),
		Words:   marginGrids(run, profile),
	})
	doc.add(Space{})
	doc.tell("", proof(run)+" --table and --json give each cell's bounds.")
	windows(doc, run)
	doc.add(Caution{})
	return doc
}

// tryText tells what one try sends.
func tryText(s *loop.MarginSettings) string {
	pulses := figure.Plural(s.Pulses, "pulse", "pulses")
	if s.Trains() > 1 {
		return "two trains of " + pulses
	}
	return pulses
}

// marginGrids tells each gap's cells, the fastest rate on top.
func marginGrids(run *loop.MarginRun, profile *pulse.Profile) (words []Block) {
	g := &run.Settings.Grid
	for gap := range max(len(g.GapsMS), 1) {
		title := "Right answers in percent; [ ] is within the limits, . was not tried"
		if profile == nil {
			title = "Right answers in percent; . was not tried"
		}
		if len(g.GapsMS) > 0 {
			title = "Gap " + figure.Trimmed(g.GapsMS[gap], 3) + " ms. " + title
		}
		t := Table{Columns: []Column{{Title: "% break", Right: true}}, Across: marginColumns}
		for _, b := range g.BreakPercents {
			t.Columns = append(t.Columns, Column{Title: figure.Trimmed(b, 2) + " ", Right: true})
		}
		for r := len(g.RatesPPS) - 1; r >= 0; r-- {
			row := cells(figure.Trimmed(g.RatesPPS[r], 2) + " pps")
			for i := range g.BreakPercents {
				row = append(row, marginMark(run.Cells[g.Index(r, i, gap)], profile))
			}
			t.Rows = append(t.Rows, row)
		}
		words = append(words, Heading{title}, t)
	}
	return words
}

// marginColumns of percent breaks stand beside each other.
const marginColumns = 9

func marginMark(c pulse.MarginCell, profile *pulse.Profile) Cell {
	m := Cell{Text: "."}
	if c.Tries > 0 {
		// Rounded towards doubt: 100 is all of them.
		m.Text = figure.Count(100 * c.Right / c.Tries)
		m.Tone = map[bool]Tone{true: Good, false: Bad}[c.AllRight()]
	}
	if profile != nil {
		if in, _ := profile.Allows(c.RatePPS, c.BreakPercent, c.GapMS); in {
			m.Text = "[" + m.Text + "]"
			return m
		}
	}
	m.Text += " "
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

// windows tells where the circuit's window has its edges.
func windows(doc *Document, run *loop.MarginRun) {
	for _, along := range []pulse.Quantity{pulse.BreakPercent, pulse.RatePPS} {
		title, unit, of := "Window in percent break, by rate: an edge lies between the two values", "%", "pps"
		if along == pulse.RatePPS {
			title, unit, of = "Window in rate, by percent break: an edge lies between the two values", "pps", "%"
		}
		t := Table{Headless: true, Columns: columns("rllll", "", "", "", "", "")}
		for _, w := range run.Settings.Grid.Windows(run.Cells) {
			if w.Along != along {
				continue
			}
			row := cells(figure.Unit(figure.Trimmed(w.At, 2), of), "", "", "", "")
			if w.GapMS.OK {
				row[1].Text = "gap " + figure.Trimmed(w.GapMS.V, 3) + " ms"
			}
			if !w.LowRight.OK {
				row[2].Text = "never right in every try"
			} else {
				row[2].Text = "lower " + marginEdge(w.LowWrong, w.LowRight, unit)
				row[3].Text = "upper " + marginEdge(w.HighRight, w.HighWrong, unit)
			}
			if w.Ragged {
				row[4].Text = "ragged"
			}
			t.Rows = append(t.Rows, row)
		}
		if len(t.Rows) > 0 {
			doc.head(title)
			doc.add(t)
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

// MarginPlot is the drawing of a margin with its words.
func MarginPlot(run *loop.MarginRun, profile *pulse.Profile) *plot.Margin {
	s := &run.Settings
	about := fmt.Sprintf("%s sends %s, %s reads the answer; tries of each cell: %d", s.Out, tryText(s), s.In, s.Grid.Repeats)
	if !run.Done() {
		about += fmt.Sprintf("; INCOMPLETE, %d of %d tries", run.Made, run.Tries())
	}
	m := &plot.Margin{Grid: &s.Grid, Cells: run.Cells, Title: "Where the circuit counts right", About: Printable(about), Note: proof(run), Limits: profile}
	if profile != nil {
		m.LimitsName = Printable(profile.ID)
	}
	return m
}

// MarginPlan says what a test is about to send.
func MarginPlan(run *loop.MarginRun) string {
	s := &run.Settings
	return fmt.Sprintf("%s of %d pulses each in %s, %s made already",
		figure.Plural(run.Tries(), "try", "tries"), s.Pulses*s.Trains(), figure.Plural(len(run.Cells), "cell", "cells"), figure.Count(run.Made))
}

// MarginProgress says how a try went and how far the test is.
func MarginProgress(run *loop.MarginRun, c pulse.MarginCell, try loop.MarginTry) string {
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
