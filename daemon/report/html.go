package report

import (
	"bufio"
	_ "embed"
	"html/template"
	"io"
	"strconv"
	"strings"

	"makebreak/daemon/plot"
)

//go:embed page.css
var style string

// classes are those of each tone in the style of a page.
var classes = [...]string{Plain: "", Strong: "strong", Good: "good", Doubtful: "doubtful", Bad: "bad"}

// HTML writes the document as one page that fetches nothing. Each block becomes
// the element that means the same: what a terminal aligns and folds is left to
// the reader's browser, and every column and digit shows.
func (d *Document) HTML(w io.Writer, title string) error {
	p := htmlPage{Writer: bufio.NewWriter(w)}
	p.WriteString("<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n")
	p.element("title", "", title)
	if d.record != nil {
		p.WriteString("<meta name=\"description\" content=\"" + SumLine(d.record.Sums) + "\">\n")
	}
	p.WriteString("<style>\n" + style + "</style>\n</head>\n<body>\n<main>\n")
	for _, b := range d.Blocks {
		p.block(b)
	}
	p.list(false)
	p.WriteString("</main>\n</body>\n</html>\n")
	return p.Flush()
}

type htmlPage struct {
	*bufio.Writer
	listing bool // inside a list
}

func (p *htmlPage) block(b Block) {
	x, isParagraph := b.(Paragraph)
	p.list(isParagraph && x.Bullet)
	switch b := b.(type) {
	case Title:
		p.element("h1", "", b.Text)
	case Heading:
		p.element("h2", "", b.Text)
	case Statement:
		p.element("p", "verdict "+classes[b.Tone], b.Words)
	case Paragraph:
		p.paragraph(b)
	case Table:
		p.table(b)
	case Drawing:
		p.WriteString("<pre>")
		for _, line := range b.Lines {
			for _, c := range line {
				p.span(c.Tone, c.Text)
			}
			p.WriteByte('\n')
		}
		p.WriteString("</pre>\n")
	case Chart:
		p.WriteString("<figure>\n")
		plot.SVG(p, b.Drawing, plot.Desktop) // what fails is told by Flush
		if said, ok := b.caption(); ok {     // the drawing has its title
			p.element("figcaption", "", said)
			p.WriteString("</figure>\n")
			return
		}
		p.inWords(b.Title, b.Words)
	case Wiring:
		p.WriteString("<figure>\n")
		b.SVG(p) // what fails is told by Flush
		p.inWords(b.Title, b.Words)
	case Caution:
		p.WriteString("<aside class=\"caution\" role=\"note\">\n")
		p.element("p", "", CautionText)
		p.WriteString("</aside>\n")
	case Space: // the style keeps blocks apart
	}
}

// inWords ends a figure with its title, and says it in words.
func (p *htmlPage) inWords(title string, words []Block) {
	p.element("figcaption", "", title)
	p.WriteString("</figure>\n<details>\n<summary>In words</summary>\n")
	for _, b := range words {
		p.block(b)
	}
	p.list(false)
	p.WriteString("</details>\n")
}

// caption is what stands below the drawing where its words are no more than a plain
// paragraph; those of the drawing itself where it has none of its own.
func (c *Chart) caption() (text string, ok bool) {
	switch len(c.Words) {
	case 0:
		return c.Drawing.Alt(), true
	case 1:
		p, ok := c.Words[0].(Paragraph)
		return p.Text, ok && p.Lead == "" && p.Mark == ""
	}
	return "", false
}

// list begins or ends a list.
func (p *htmlPage) list(on bool) {
	switch {
	case on && !p.listing:
		p.WriteString("<ul>\n")
	case !on && p.listing:
		p.WriteString("</ul>\n")
	}
	p.listing = on
}

func (p *htmlPage) paragraph(b Paragraph) {
	tag := "p"
	if b.Bullet {
		tag = "li"
	}
	p.WriteString("<" + tag + ">")
	if lead := strings.TrimSpace(b.Lead); lead != "" {
		p.WriteString("<b>" + escape(lead) + "</b> ")
	}
	if b.Mark != "" {
		p.span(b.Tone, strings.TrimSpace(b.Mark))
		p.WriteByte(' ')
	}
	p.WriteString(escape(b.Text) + "</" + tag + ">\n")
}

func (p *htmlPage) table(t Table) {
	p.WriteString("<div class=\"table\"><table>\n")
	if !t.Headless {
		p.WriteString("<thead><tr>")
		for _, c := range t.Columns {
			p.cell("th scope=\"col\"", c, Plain, with(c.Title, c.Unit))
		}
		p.WriteString("</tr></thead>\n")
	}
	p.WriteString("<tbody>\n")
	for _, r := range t.Rows {
		p.WriteString("<tr>")
		if r == nil {
			p.WriteString("<td colspan=\"" + strconv.Itoa(len(t.Columns)) + "\">…</td>")
		}
		for i, c := range r {
			p.cell("td", t.Columns[i], c.Tone, c.text())
		}
		p.WriteString("</tr>\n")
	}
	p.WriteString("</tbody>\n</table></div>\n")
}

// cell writes a cell of a table; tag may have attributes.
func (p *htmlPage) cell(tag string, c Column, t Tone, text string) {
	p.WriteString("<" + tag)
	switch {
	case c.Right:
		p.WriteString(" class=\"right\"")
	case c.Folds || c.List:
		p.WriteString(" class=\"long\"")
	}
	p.WriteByte('>')
	p.span(t, strings.TrimSpace(text))
	name, _, _ := strings.Cut(tag, " ")
	p.WriteString("</" + name + ">")
}

func (p *htmlPage) span(t Tone, text string) {
	if t == Plain {
		p.WriteString(escape(text))
		return
	}
	p.WriteString("<span class=\"" + classes[t] + "\">" + escape(text) + "</span>")
}

func (p *htmlPage) element(tag, class, text string) {
	attribute := ""
	if class = strings.TrimSpace(class); class != "" {
		attribute = " class=\"" + class + "\""
	}
	p.WriteString("<" + tag + attribute + ">" + escape(text) + "</" + tag + ">\n")
}

func escape(text string) string { return template.HTMLEscapeString(Printable(text)) }
