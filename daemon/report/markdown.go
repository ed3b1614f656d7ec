package report

import (
	"bufio"
	"io"
	"net/url"
	"strings"
	"unicode/utf8"

	"makebreak/daemon/plot"
)

// Markdown writes the document as CommonMark with tables (of GitHub's flavour). Its
// drawings are files of their own beside it, whose names picture gives by their number from 1;
// their words stand in the text.
func (d *Document) Markdown(w io.Writer, picture func(n int) string) error {
	p := markdownPage{Writer: bufio.NewWriter(w), picture: picture}
	for _, b := range d.Blocks {
		p.block(b)
	}
	if d.record != nil {
		p.WriteString("<!-- " + SumLine(d.record.Sums) + " -->\n")
	}
	return p.Flush()
}

// Charts are the drawings of the document, in order.
func (d *Document) Charts() (all []plot.Drawing) {
	for _, b := range d.Blocks {
		if c, ok := b.(Chart); ok {
			all = append(all, c.Drawing)
		}
	}
	return all
}

type markdownPage struct {
	*bufio.Writer
	picture func(n int) string
	drawn   int
	listing bool
}

func (p *markdownPage) block(b Block) {
	x, isParagraph := b.(Paragraph)
	if listing := isParagraph && x.Bullet; p.listing && !listing {
		p.WriteByte('\n')
		p.listing = false
	}
	switch b := b.(type) {
	case Title:
		p.WriteString("# " + markdown(b.Text) + "\n\n")
	case Heading:
		p.WriteString("## " + markdown(b.Text) + "\n\n")
	case Statement:
		p.WriteString("**" + markdown(b.Words) + "**\n\n")
	case Paragraph:
		p.paragraph(b)
	case Table:
		p.table(b)
	case Drawing:
		// Indented, so that nothing in it ends it.
		for _, line := range b.Lines {
			p.WriteString("    ")
			for _, c := range line {
				p.WriteString(Printable(c.Text))
			}
			p.WriteByte('\n')
		}
		p.WriteByte('\n')
	case Wiring:
		for _, b := range b.Words {
			p.block(b)
		}
	case Chart:
		p.drawn++
		p.WriteString("![" + markdown(b.Title) + "](" + (&url.URL{Path: "./" + p.picture(p.drawn)}).EscapedPath() + ")\n\n")
		if said, ok := b.caption(); ok {
			p.paragraph(Paragraph{Text: said})
			return
		}
		for _, b := range b.Words {
			p.block(b)
		}
	case Caution:
		p.WriteString("> **" + markdown(strings.Join(strings.Fields(CautionText), " ")) + "**\n\n")
	case Space:
	}
}

func (p *markdownPage) paragraph(b Paragraph) {
	if b.Bullet {
		p.WriteString("- ")
		p.listing = true
	}
	if lead := strings.TrimSpace(b.Lead); lead != "" {
		p.WriteString("**" + markdown(lead) + "** ")
	}
	if mark := strings.TrimSpace(b.Mark); mark != "" {
		p.WriteString("**" + markdown(mark) + "** ")
	}
	p.WriteString(markdown(b.Text) + "\n")
	if !b.Bullet {
		p.WriteByte('\n')
	}
}

func (p *markdownPage) table(t Table) {
	p.WriteByte('|')
	for _, c := range t.Columns {
		title := ""
		if !t.Headless {
			title = with(c.Title, c.Unit)
		}
		p.WriteString(" " + markdown(title) + " |")
	}
	p.WriteString("\n|")
	for _, c := range t.Columns {
		if c.Right {
			p.WriteString(" ---: |")
		} else {
			p.WriteString(" --- |")
		}
	}
	p.WriteByte('\n')
	for _, r := range t.Rows {
		p.WriteByte('|')
		for i := range t.Columns {
			text, tone := "…", Plain
			if r != nil {
				text, tone = markdown(strings.TrimSpace(r[i].text())), r[i].Tone
			}
			if tone != Plain && text != "" {
				text = "**" + text + "**"
			}
			p.WriteString(" " + text + " |")
		}
		p.WriteByte('\n')
	}
	p.WriteByte('\n')
}

// markdown makes text that is text: what would be markup is escaped.
func markdown(text string) string {
	text = strings.TrimSpace(Printable(text))
	if strings.Trim(text, "_") == "" { // a line to write on
		return text
	}
	var b strings.Builder
	for i, r := range text {
		next := text[i+utf8.RuneLen(r):]
		begins := next == "" || next[0] == ' ' || rune(next[0]) == r // what a list, or a line below a heading, does
		switch {
		case strings.ContainsRune("\\`*_[]<>#|&~$", r), i == 0 && strings.ContainsRune("-+=", r) && begins:
			b.WriteByte('\\')
		case (r == '.' || r == ')') && i > 0 && begins && strings.Trim(text[:i], "0123456789") == "":
			b.WriteByte('\\')
		}
		b.WriteRune(r)
	}
	return b.String()
}
