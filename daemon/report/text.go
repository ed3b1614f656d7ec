package report

import (
	"bytes"
	"io"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// PageWidth is the width that every terminal has.
const PageWidth = 80

// sgr is the colour of each tone, as the parameter of a terminal's SGR sequence.
var sgr = [...]string{Plain: "", Strong: "1", Good: "32;1", Doubtful: "33;1", Bad: "31;1"}

// Text writes the document as plain text of PageWidth columns, of which tables may
// use tableWidth where that is more, with a terminal's colours when asked. Control characters in what is said, which could drive a
// terminal, are replaced.
func (d *Document) Text(w io.Writer, colour bool, tableWidth int) error {
	p := textPage{colour: colour, tableWidth: max(tableWidth, PageWidth)}
	for _, b := range d.Blocks {
		p.block(b)
	}
	_, err := p.WriteTo(w)
	return err
}

// String is the document as plain text.
func (d *Document) String() string {
	var b strings.Builder
	d.Text(&b, false, PageWidth) // a Builder takes all
	return b.String()
}

type textPage struct {
	bytes.Buffer
	colour     bool
	tableWidth int
}

func (p *textPage) block(b Block) {
	switch b := b.(type) {
	case Title:
		p.flow(0, 0, PageWidth, Shorten(Printable(b.Text), PageWidth))
	case Heading:
		if p.Len() > 0 {
			p.WriteByte('\n')
		}
		p.paint(Strong, Printable(b.Text))
		p.WriteByte('\n')
	case Statement:
		var folded textPage
		folded.flow(0, 0, PageWidth, Printable(b.Words))
		for line := range strings.Lines(folded.String()) {
			p.paint(b.Tone, strings.TrimRight(line, "\n"))
			p.WriteByte('\n')
		}
	case Paragraph:
		p.paragraph(b)
	case Table:
		p.tables(b)
	case Chart:
		for _, b := range b.Words {
			p.block(b)
		}
	case Wiring:
		for _, b := range b.Words {
			p.block(b)
		}
	case Drawing:
		for _, line := range b.Lines {
			p.line(line)
		}
	case Space:
		p.WriteByte('\n')
	case Caution:
		p.WriteByte('\n')
		p.flow(0, 0, PageWidth, CautionText)
	}
}

func (p *textPage) paint(t Tone, s string) {
	if p.colour && sgr[t] != "" {
		s = "\x1b[" + sgr[t] + "m" + s + "\x1b[0m"
	}
	p.WriteString(s)
}

func (p *textPage) line(cells []Cell) {
	for _, c := range cells {
		p.paint(c.Tone, Printable(c.Text))
	}
	p.WriteByte('\n')
}

func (p *textPage) paragraph(b Paragraph) {
	first := strings.Repeat(" ", b.Indent)
	if b.Bullet {
		first += "- "
	}
	if b.Lead != "" {
		first += Printable(b.Lead) + " "
	}
	p.WriteString(first)
	if b.OneLine {
		p.WriteString(Printable(b.Text) + "\n")
		return
	}
	at := width(first)
	indent := at
	if b.Mark != "" {
		p.paint(b.Tone, b.Mark+" ")
		at += width(b.Mark) + 1
	}
	if b.Hanging > 0 {
		indent = b.Hanging
	}
	p.flow(at, indent, PageWidth, Printable(b.Text))
}

// flow writes text folded to so many columns, from column at on and in the
// following lines from column indent on.
func (p *textPage) flow(at, indent, columns int, text string) {
	fresh := true
	for _, word := range words(text) {
		w := width(word)
		if !fresh && at+1+w > columns {
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

// tables writes t, in as many tables as Across asks for on a page of PageWidth.
func (p *textPage) tables(t Table) {
	n := len(t.Columns) - 1
	across := t.Across * p.tableWidth / PageWidth
	if t.Across == 0 || n <= across {
		p.table(t)
		return
	}
	for from := 0; from < n; from += across {
		part := func(i int) bool { return i == 0 || i > from && i <= from+across }
		x := Table{Headless: t.Headless, Columns: pick(t.Columns, part)}
		for _, row := range t.Rows {
			x.Rows = append(x.Rows, pick(row, part))
		}
		if from > 0 {
			p.WriteByte('\n')
		}
		p.table(x)
	}
}

// pick gives the elements whose index which takes.
func pick[T any](s []T, which func(int) bool) []T {
	var out []T
	for i, x := range s {
		if which(i) {
			out = append(out, x)
		}
	}
	return out
}

// table writes t, indented by two. While it is too wide, the row with the
// longest number loses a digit, then the columns of the highest rank go.
func (p *textPage) table(t Table) {
	var rows [][]Cell
	if !t.Headless {
		head := make([]Cell, len(t.Columns))
		for i, c := range t.Columns {
			head[i] = Cell{Text: c.Title, Unit: c.Unit}
		}
		rows = append(rows, head)
	}
	for _, r := range t.Rows {
		rows = append(rows, slices.Clone(r))
	}
	for {
		last := len(t.Columns) - 1
		w := widths(t.Columns, rows)
		total := 0
		for _, n := range w {
			total += n + 2
		}
		if t.Columns[last].Folds || t.Columns[last].List {
			total -= w[last]
		}
		rank := slices.MaxFunc(t.Columns, func(a, b Column) int { return a.Rank - b.Rank }).Rank
		switch row := longestNumber(rows); {
		case total > p.tableWidth && row != nil:
			for i := range row {
				if row[i].Number && row[i].Decimals > 0 {
					row[i].Decimals--
				}
			}
		case total > p.tableWidth && rank > 0:
			keep := func(i int) bool { return t.Columns[i].Rank < rank }
			for i, r := range rows {
				rows[i] = pick(r, keep)
			}
			t.Columns = pick(t.Columns, keep)
		default:
			for _, row := range rows {
				p.row(t.Columns, row, w)
			}
			return
		}
	}
}

// longestNumber gives the row with the longest number that has a decimal to
// lose; nil for none.
func longestNumber(rows [][]Cell) (row []Cell) {
	longest := 0
	for _, r := range rows {
		for _, c := range r {
			if n := width(c.text()); c.Number && c.Decimals > 0 && n > longest {
				row, longest = r, n
			}
		}
	}
	return row
}

// text is what a cell shows.
func (c Cell) text() string {
	if c.Number {
		return number(c.Value, c.Decimals)
	}
	return Printable(with(c.Text, c.Unit))
}

// with writes a unit after what it is of, if there is one.
func with(text, unit string) string {
	if unit == "" {
		return text
	}
	return text + " " + unit
}

func widths(columns []Column, rows [][]Cell) []int {
	w := make([]int, len(columns))
	for i, c := range columns {
		w[i] = c.Width
	}
	for _, r := range rows {
		for i, c := range r {
			w[i] = max(w[i], width(c.text()))
		}
	}
	return w
}

// row writes a row of a table; a nil row stands for rows that are left out.
func (p *textPage) row(columns []Column, row []Cell, w []int) {
	if len(row) == 0 {
		p.WriteString("  …\n")
		return
	}
	last := len(row) - 1
	at, gap := 2, "  "
	for i, cell := range row[:last] {
		s := cell.text()
		space := strings.Repeat(" ", w[i]-width(s))
		if columns[i].Right {
			gap += space
			space = ""
		}
		if s != "" {
			p.WriteString(gap)
			gap = ""
			p.paint(cell.Tone, s)
		}
		gap += space + "  "
		at += w[i] + 2
	}
	cell, c := row[last], columns[last]
	s := cell.text()
	switch {
	case c.Right && strings.TrimSpace(s) != "":
		p.WriteString(gap + strings.Repeat(" ", w[last]-width(s)))
		if cell.Tone == Plain || !p.colour {
			s = strings.TrimRight(s, " ")
		}
		p.paint(cell.Tone, s)
	case s == "":
	case c.Folds:
		p.WriteString(gap)
		p.flow(at, at+cell.Hanging, p.tableWidth, s)
		return
	default:
		p.WriteString(gap)
		if c.List {
			s = cut(s, p.tableWidth-at)
		}
		p.paint(cell.Tone, s)
	}
	p.WriteByte('\n')
}

// cut ends a list at a comma, with an ellipsis, where it is wider than n.
func cut(list string, n int) string {
	short := list
	for rest := list; width(short) > n; short = rest + ", …" {
		i := strings.LastIndex(rest, ", ")
		if i < 0 {
			return short
		}
		rest = rest[:i]
	}
	return short
}

// width is the columns of s on a terminal; pages use no wide letters.
func width(s string) int { return utf8.RuneCountInString(s) }

// Shorten cuts the middle out of s when it is wider than n columns.
func Shorten(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	tail := (n - 1) * 2 / 3
	return string(r[:n-1-tail]) + "…" + string(r[len(r)-tail:])
}

// Printable makes text from files and arguments safe to show on one line:
// control characters, which could drive a terminal, are replaced.
func Printable(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t':
			return ' '
		case !unicode.IsPrint(r):
			return '\uFFFD'
		}
		return r
	}, s)
}
