package command

import (
	"bytes"
	"makebreak/daemon/figure"
	"makebreak/daemon/report"
	"makebreak/pulse"
	"strings"
	"unicode/utf8"
)

// pageWidth is the width that every terminal has (80 columns).
const pageWidth = 80

// Colours of a page, as SGR parameters. Words carry the meaning; colour only
// helps to find them.
const (
	plain  = ""
	bold   = "1"
	green  = "32;1"
	yellow = "33;1"
	red    = "31;1"
)

// page collects plain text of at most pageWidth columns.
type page struct {
	bytes.Buffer
	colour bool
}

// paint writes s, in colour when the page has colours.
func (p *page) paint(sgr, s string) {
	if p.colour && sgr != plain {
		s = "\x1b[" + sgr + "m" + s + "\x1b[0m"
	}
	p.WriteString(s)
}

// head begins a section.
func (p *page) head(s string) {
	if p.Len() > 0 {
		p.WriteByte('\n')
	}
	p.paint(bold, s)
	p.WriteByte('\n')
}

// para writes text folded to the page's width: the first line after first,
// the others under it.
func (p *page) para(first, text string) {
	p.WriteString(first)
	p.flow(width(first), width(first), text)
}

// flow writes text folded to the page's width, from column at on and in the
// following lines from column indent on.
func (p *page) flow(at, indent int, text string) {
	fresh := true
	for _, word := range words(text) {
		w := width(word)
		if !fresh && at+1+w > pageWidth {
			p.WriteString("\n" + strings.Repeat(" ", indent))
			at, fresh = indent, true
		}
		if !fresh {
			p.WriteByte(' ')
			at++
		}
		p.WriteString(word)
		at, fresh = at+w, false
	}
	p.WriteByte('\n')
}

// words splits text where a line may end: not between a number and its unit or
// its sign, nor in an equation.
func words(text string) []string {
	var out []string
	glue := false
	for w := range strings.FieldsSeq(text) {
		switch strings.TrimRight(w, ".,:;)") {
		case "%", "ms", "s", "pps", "IPM", "MB", "GB", "=":
			glue = len(out) > 0
		}
		if glue {
			out[len(out)-1] += " " + w
		} else {
			out = append(out, w)
		}
		glue = w == "±" || w == "="
	}
	return out
}

// cell is one field of a grid.
type cell struct{ text, sgr string }

// grid writes rows in columns, indented by two. Each byte of align is a
// column's alignment: l or r. An empty row leaves a line that says that rows
// are left out.
func (p *page) grid(align string, rows [][]cell) {
	w := gridWidths(rows)
	for _, row := range rows {
		if len(row) == 0 {
			p.WriteString("  …\n")
			continue
		}
		line := "  "
		for i, c := range row {
			space := strings.Repeat(" ", w[i]-width(c.text))
			if i > 0 {
				line += "  "
			}
			if align[i] == 'r' {
				line += space
				space = ""
			}
			if i == len(row)-1 {
				space = ""
			}
			if c.sgr != plain && p.colour {
				p.WriteString(line)
				p.paint(c.sgr, c.text)
				line = space
			} else {
				line += c.text + space
			}
		}
		p.WriteString(strings.TrimRight(line, " ") + "\n")
	}
}

func gridWidths(rows [][]cell) []int {
	var w []int
	for _, row := range rows {
		for i, c := range row {
			if i == len(w) {
				w = append(w, 0)
			}
			w[i] = max(w[i], width(c.text))
		}
	}
	return w
}

// gridWidth is the columns that grid needs.
func gridWidth(rows [][]cell) int {
	total := 0
	for _, n := range gridWidths(rows) {
		total += n + 2
	}
	return total
}

// cells makes a row of plain cells.
func cells(text ...string) []cell {
	row := make([]cell, len(text))
	for i, t := range text {
		row[i].text = t
	}
	return row
}

// width is the columns of s on a terminal; the page uses no wide letters.
func width(s string) int { return utf8.RuneCountInString(s) }

// shorten cuts the middle out of s when it is wider than n columns.
func shorten(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	tail := (n - 1) * 2 / 3
	return string(r[:n-1-tail]) + "…" + string(r[len(r)-tail:])
}

var (
	printable  = report.Printable
	wallText   = report.Wall
	encodeJSON = report.EncodeJSON
)

func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

func number(v pulse.Num, decimals int) string {
	if !v.OK {
		return "-"
	}
	return figure.Fixed(v.V, decimals)
}

func signed(v pulse.Num, decimals int) string {
	s := number(v, decimals)
	if v.OK && v.V > 0 && strings.Trim(s, "0.") != "" {
		return "+" + s
	}
	return s
}

var join = figure.List

func otherLevel(level string) string {
	if level == "high" {
		return "low"
	}
	return "high"
}
