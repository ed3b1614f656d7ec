// Package report says what a result means, once. A Document of blocks is built
// from a measurement, a soak test, a margin test or a comparison; renderers write
// it as text for a terminal and as HTML. The builders choose the words and the
// order, a renderer chooses the layout.
package report

import (
	"io"
	"time"

	"makebreak/daemon/plot"
	"makebreak/pulse"
)

// A Document is what there is to say of a result, in order.
type Document struct {
	Blocks []Block
	zone   *time.Location // of the times of day that are said; nil is UTC
	record *Particulars   // of a test record; nil for a page
}

// A Block is one of Title, Heading, Paragraph, Statement, Table, Chart, Drawing,
// Space and Caution.
type Block interface{ block() }

// A Tone says how a piece of text is meant. The words carry the meaning; a
// renderer may add colour, which only helps to find them.
type Tone uint8

const (
	Plain    Tone = iota
	Strong        // a heading, or a verdict without limits
	Good          // within limits
	Doubtful      // cannot be told, or by less than the uncertainty
	Bad           // out of limits
)

// A Title names the source of a result. It is one line: what is too long loses
// its middle.
type Title struct{ Text string }

// A Heading begins a section.
type Heading struct{ Text string }

// A Paragraph is running text. Its later lines stand under the first word of
// Text.
type Paragraph struct {
	Indent  int    // columns from the edge
	Bullet  bool   // one of a list
	Mark    string // word before the text, which calls for attention; Text folds to the edge
	Tone    Tone   // of the mark
	Lead    string // words before the text, which it hangs from
	Text    string
	Hanging int  // columns of the later lines, where they do not hang from Text
	OneLine bool // it does not fold, since it holds the name of a file
}

// A Statement is a verdict in words.
type Statement struct {
	Words string
	Tone  Tone
}

// A Table has rows of cells under columns. A nil row stands for rows that are
// left out.
type Table struct {
	Columns  []Column
	Headless bool // the columns' titles are not shown
	Rows     [][]Cell
	// Across is the most columns that stand beside the first one on a page of
	// PageWidth; 0 is all. The others follow in further tables.
	Across int
}

// A Column says how its cells are shown.
type Column struct {
	Title string
	Unit  string // of its numbers
	Right bool   // numbers
	Width int    // at least, in a terminal's columns
	// Rank is 0 for a column that always shows. Where the table is too wide, those
	// of the highest rank go first.
	Rank int
	// Folds lets the text of the last column go on in further lines, under itself.
	Folds bool
	// List lets the text of the last column end at a comma, with an ellipsis.
	List bool
}

// A Cell is text, or a number with the decimals that its uncertainty supports.
type Cell struct {
	Text     string
	Unit     string // of the numbers that Text names
	Tone     Tone
	Number   bool
	Value    pulse.Num
	Decimals int
	Hanging  int // columns by which further lines stand in, where the column folds
}

// A Chart is a picture, and what stands for it where there are none.
type Chart struct {
	Title   string
	Drawing plot.Drawing
	Words   []Block
}

// A Wiring is a drawing of a circuit, which pages show; elsewhere its words stand
// for it.
type Wiring struct {
	Title string
	SVG   func(io.Writer) error
	Words []Block
}

// A Drawing is text in which every column counts.
type Drawing struct{ Lines [][]Cell }

// A Space parts two groups of blocks.
type Space struct{}

// A Caution is the warning of what can hurt, which closes every page of a
// result.
type Caution struct{}

func (Title) block()     {}
func (Heading) block()   {}
func (Paragraph) block() {}
func (Statement) block() {}
func (Table) block()     {}
func (Chart) block()     {}
func (Wiring) block()    {}
func (Drawing) block()   {}
func (Space) block()     {}
func (Caution) block()   {}

func (d *Document) add(b ...Block) { d.Blocks = append(d.Blocks, b...) }

// say adds a paragraph that fills the page.
func (d *Document) say(text string) { d.add(Paragraph{Text: text}) }

// tell adds a paragraph of a section, which hangs from lead when there is one.
func (d *Document) tell(lead, text string) { d.add(Paragraph{Indent: 2, Lead: lead, Text: text}) }

// item adds one of a list.
func (d *Document) item(text string) { d.add(Paragraph{Indent: 2, Bullet: true, Text: text}) }

// mark adds a paragraph that begins with a word that calls for attention.
func (d *Document) mark(mark string, tone Tone, text string) {
	d.add(Paragraph{Mark: mark, Tone: tone, Text: text})
}

func (d *Document) head(text string) { d.add(Heading{text}) }

// cells makes a row of plain cells.
func cells(text ...string) []Cell {
	row := make([]Cell, len(text))
	for i, t := range text {
		row[i].Text = t
	}
	return row
}

// columns makes columns of titles; each byte of align is one's alignment, l or r.
func columns(align string, titles ...string) []Column {
	c := make([]Column, len(titles))
	for i, t := range titles {
		c[i] = Column{Title: t, Right: align[i] == 'r'}
	}
	return c
}

// CautionText warns of what can hurt. It is shown wherever hands come near the
// wiring.
const CautionText = `Caution: exchange battery, ±130 V leads, ringing and mains can injure. Let
competent (where the law asks it, licensed) people do the work, to the local
codes. Never connect a GPIO line straight to exchange wiring: isolate it.`
