package command

import (
	"bufio"
	"fmt"
	"slices"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// marginVerdict is what a margin test came to.
type marginVerdict struct {
	inside, wrong, untried int // cells within the limits; those counted wrong, and not tried
	bounded                bool
}

func judgeMargin(run *marginRun, profile *pulse.Profile) (v marginVerdict) {
	for _, c := range run.cells {
		within := false
		if profile != nil {
			allowed, bounded := profile.Allows(c.RatePPS, c.BreakPercent, c.GapMS)
			within = allowed
			v.bounded = v.bounded || bounded
		}
		if !within {
			continue
		}
		v.inside++
		switch {
		case c.Right < c.Tries:
			v.wrong++
		case c.Tries == 0:
			v.untried++
		}
	}
	return v
}

func marginStatus(run *marginRun, profile *pulse.Profile) int {
	v := judgeMargin(run, profile)
	switch {
	case v.wrong > 0:
		return StatusOutOfLimits
	case !run.done(), profile != nil && v.inside == 0:
		return StatusNotMeasured
	}
	return StatusOK
}

type marginDoc struct {
	Format   string               `json:"format"`
	Settings marginSettings       `json:"settings"`
	Tries    int                  `json:"tries"` // made
	Void     int                  `json:"void"`  // made again, because they said nothing
	Of       int                  `json:"of"`
	Limits   *string              `json:"limits"`
	Cells    []marginCellDoc      `json:"cells"`
	Windows  []pulse.MarginWindow `json:"windows"`
}

type marginCellDoc struct {
	pulse.MarginCell
	RightLower95 float64 `json:"right_lower_95"` // fractions, each bound with 95 % confidence
	RightUpper95 float64 `json:"right_upper_95"`
	WithinLimits *bool   `json:"within_limits"` // null without limits on pulses
}

func marginDocument(run *marginRun, profile *pulse.Profile) marginDoc {
	d := marginDoc{
		Format: "makebreak.margin/1", Settings: run.settings, Tries: run.next, Void: run.allVoids, Of: len(run.order),
		Cells: marginCells(run.cells, profile), Windows: append([]pulse.MarginWindow{}, run.settings.Grid.Windows(run.cells)...),
	}
	if profile != nil {
		d.Limits = &profile.ID
	}
	return d
}

func marginCells(cells []pulse.MarginCell, profile *pulse.Profile) (out []marginCellDoc) {
	for _, c := range cells {
		d := marginCellDoc{MarginCell: c}
		d.RightLower95, d.RightUpper95 = c.Bounds95()
		if profile != nil {
			if allowed, bounded := profile.Allows(c.RatePPS, c.BreakPercent, c.GapMS); bounded {
				d.WithinLimits = &allowed
			}
		}
		out = append(out, d)
	}
	return out
}

// writeMarginTable writes each cell as a CSV row.
func writeMarginTable(w *bufio.Writer, cells []pulse.MarginCell, profile *pulse.Profile) {
	w.WriteString("rate_pps,break_percent,gap_ms,tries,right,right_lower_95,right_upper_95,within_limits\n")
	for _, c := range marginCells(cells, profile) {
		gap, within := "", ""
		if c.GapMS.OK {
			gap = figure.Trimmed(c.GapMS.V, 6)
		}
		if c.WithinLimits != nil {
			within = map[bool]string{true: "1", false: "0"}[*c.WithinLimits]
		}
		fmt.Fprintf(w, "%s,%s,%s,%d,%d,%s,%s,%s\n", figure.Trimmed(c.RatePPS, 6), figure.Trimmed(c.BreakPercent, 6), gap,
			c.Tries, c.Right, figure.Trimmed(c.RightLower95, 6), figure.Trimmed(c.RightUpper95, 6), within)
	}
}

func writeMargin(p *page, run *marginRun, profile *pulse.Profile, stopped string) {
	s := &run.settings
	v := judgeMargin(run, profile)
	p.para("", printable(fmt.Sprintf("Margin of the circuit between %s, which sends, and %s, which reads its answer", s.Out, s.In)))
	if !run.done() {
		const mark = "INCOMPLETE: "
		p.paint(yellow, mark)
		text := figure.Count(run.next) + " of " + figure.Plural(len(run.order), "try", "tries")
		if stopped != "" {
			text = stopped + " after " + text
		}
		p.flow(len(mark), 0, text+"; the same command with its --keep file goes on.")
	}
	p.WriteByte('\n')
	switch {
	case profile == nil:
		p.paint(bold, "TRIED; NO LIMITS ASKED\n")
	case v.inside == 0:
		p.paint(yellow, "CANNOT BE TOLD: NO CELL LIES WITHIN THE LIMITS\n")
	case v.wrong > 0:
		p.paint(red, "COUNTS WRONG WITHIN THE LIMITS\n")
	case v.untried > 0:
		p.paint(yellow, "CANNOT BE TOLD: CELLS WITHIN THE LIMITS WERE NOT TRIED\n")
	case !run.done():
		p.paint(yellow, "RIGHT SO FAR IN EVERY CELL WITHIN THE LIMITS\n")
	default:
		p.paint(green, "COUNTS RIGHT IN EVERY CELL WITHIN THE LIMITS\n")
	}
	if profile != nil {
		p.para("by ", printable(profile.Title)+" ("+printable(profile.ID)+"): "+figure.Count(v.wrong)+" of "+figure.Plural(v.inside, "cell", "cells")+" within were counted wrong.")
	}
	answer := "The circuit repeats the pulses."
	if s.Answer == "once" {
		answer = "The circuit answers once for each digit counted right."
	}
	trains := figure.Plural(s.Pulses, "pulse", "pulses")
	if s.trains() > 1 {
		trains = "two trains of " + trains
	}
	p.para("  ", fmt.Sprintf("Each try sends %s. %s It has %s to answer. Order drawn with seed %d.", trains, answer, figure.Span(s.WithinNS), s.Seed))
	if run.allVoids > 0 {
		p.para("  ", figure.Plural(run.allVoids, "try", "tries")+" said nothing, for a late pulse or a lost edge, and were made again.")
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
func writeMarginGrid(p *page, run *marginRun, profile *pulse.Profile, gap int) {
	g := &run.settings.Grid
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
				row = append(row, marginMark(run.cells[g.Index(r, i, gap)], profile))
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
func proof(run *marginRun) string {
	least := slices.MinFunc(run.cells, func(a, b pulse.MarginCell) int { return a.Tries - b.Tries }).Tries
	wrong, ok := pulse.UpperBound95(0, least)
	if !ok {
		return "Not every cell has been tried."
	}
	return fmt.Sprintf("A cell with all of %s right: wrong counts are %s (95 %% bound).", figure.Plural(least, "try", "tries"), figure.Fewer(wrong))
}

// writeWindows tells where the circuit's window has its edges.
func writeWindows(p *page, run *marginRun) {
	for _, along := range []pulse.Quantity{pulse.BreakPercent, pulse.RatePPS} {
		title, unit, of := "Window in percent break, by rate: an edge lies between the two values", "%", "pps"
		if along == pulse.RatePPS {
			title, unit, of = "Window in rate, by percent break: an edge lies between the two values", "pps", "%"
		}
		rows := [][]cell{}
		for _, w := range run.settings.Grid.Windows(run.cells) {
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
