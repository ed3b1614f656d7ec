package report

import (
	"fmt"
	"image"
	"io"
	"strings"
	"sync"

	"codeberg.org/go-fonts/liberation/liberationmonoregular"
	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"github.com/carlos7ags/folio/content"
	"github.com/carlos7ags/folio/document"
	"github.com/carlos7ags/folio/font"
	"github.com/carlos7ags/folio/layout"
	"gonum.org/v1/plot/vg"

	"image/color"
	"math"

	plotfont "gonum.org/v1/plot/font"

	"makebreak/daemon/plot"
)

// Sizes of a printed page, in points. The text column is that which A4 (210 by
// 297 mm) and Letter (216 by 279 mm) both have room for.
const (
	pdfWidth   = 595.28
	pdfHeight  = 841.89
	pdfMargin  = 48
	pdfText    = 9.5
	pdfSmall   = 8
	pdfTitle   = 17
	pdfHeading = 12
	pdfVerdict = 14
)

// pdfColours are those of each tone, dark enough for paper.
var pdfColours = [...]layout.Color{
	Plain: layout.Hex("#1c1d1f"), Strong: layout.Hex("#1c1d1f"), Good: layout.Hex("#14603a"), Doubtful: layout.Hex("#7a5200"), Bad: layout.Hex("#a3201a"),
}

var (
	pdfSoft = layout.Hex("#5c6066")
	pdfRule = layout.Hex("#b9b6ac")
)

// faces are the parsed fonts, which many documents share.
var faces = sync.OnceValues(func() (f [3]font.Face, err error) {
	for i, ttf := range [][]byte{liberationsansregular.TTF, liberationsansbold.TTF, liberationmonoregular.TTF} {
		if f[i], err = font.ParseTTF(ttf); err != nil {
			return f, fmt.Errorf("the fonts of a PDF file: %w", err)
		}
	}
	return f, nil
})

// A pdfPage makes elements of blocks.
type pdfPage struct {
	doc                  *document.Document
	regular, bold, fixed *font.EmbeddedFont
	list                 *bullets
	head                 *prose // which waits for what follows it
}

// PDF writes the document as tagged PDF, whose text has its reading order, its
// headings, tables and lists, and whose drawings have their words; fonts are embedded.
func (d *Document) PDF(w io.Writer, title string) error {
	f, err := faces()
	if err != nil {
		return err
	}
	p := &pdfPage{doc: document.NewDocument(document.PageSize{Width: pdfWidth, Height: pdfHeight})}
	p.regular, p.bold, p.fixed = font.NewEmbeddedFont(f[0]), font.NewEmbeddedFont(f[1]), font.NewEmbeddedFont(f[2])
	p.doc.SetTagged(true)
	p.doc.SetAutoBookmarks(true)
	p.doc.SetMargins(layout.Margins{Top: pdfMargin, Right: pdfMargin, Bottom: pdfMargin, Left: pdfMargin})
	p.doc.SetViewerPreferences(document.ViewerPreferences{DisplayDocTitle: true})
	p.doc.Info = document.Info{Title: Printable(title), Language: "en", Creator: "makebreak", Producer: "makebreak"}
	if r := d.record; r != nil {
		p.doc.Info.Author, p.doc.Info.Keywords = Printable(r.By), SumLine(r.Sums)
		p.doc.Info.Creator, p.doc.Info.CreationDate = Printable(r.Program), r.Written
	}
	foot := Shorten(Printable(title), 70)
	p.doc.SetFooterElement(func(ctx document.PageContext) layout.Element {
		text := fmt.Sprintf("%s · page %d of %d", foot, ctx.PageIndex+1, ctx.TotalPages)
		return &artifact{prose{leading: 1.3, align: layout.AlignRight, runs: []layout.TextRun{p.run(text, pdfSmall, p.regular, pdfSoft)}}}
	})
	for _, b := range d.Blocks {
		p.block(b)
	}
	p.listed(false)
	p.flush()
	_, err = p.doc.WriteToWithOptions(w, document.WriteOptions{Deterministic: true})
	return err
}

// run makes text in a font; a letter that the font does not have becomes a question
// mark: it has those of Latin, Greek and Cyrillic.
func (p *pdfPage) run(text string, size float64, f *font.EmbeddedFont, c layout.Color) layout.TextRun {
	text = strings.Map(func(r rune) rune {
		if f.Face().GlyphIndex(r) == 0 {
			return '?'
		}
		return r
	}, text)
	return layout.NewRunEmbedded(text, f, size).WithColor(c)
}

func (p *pdfPage) add(tag string, before float64, runs ...layout.TextRun) {
	p.put(&prose{tag: tag, runs: runs, before: before, leading: 1.3})
}

// put adds an element, with the heading that waits for it.
func (p *pdfPage) put(e layout.Element) {
	if p.head != nil {
		e, p.head = &together{p.head, e}, nil
	}
	p.doc.Add(e)
}

// flush adds a heading that nothing follows.
func (p *pdfPage) flush() {
	if p.head != nil {
		p.doc.Add(p.head)
		p.head = nil
	}
}

func (p *pdfPage) block(b Block) {
	x, isParagraph := b.(Paragraph)
	p.listed(isParagraph && x.Bullet)
	switch b := b.(type) {
	case Title:
		p.add("H1", 0, p.run(Printable(b.Text), pdfTitle, p.bold, pdfColours[Plain]))
	case Heading:
		p.flush()
		p.head = &prose{tag: "H2", heading: Printable(b.Text), before: 14, leading: 1.4, runs: []layout.TextRun{p.run(Printable(b.Text), pdfHeading, p.bold, pdfColours[Plain])}}
	case Statement:
		p.add("P", 6, p.run(Printable(b.Words), pdfVerdict, p.bold, pdfColours[b.Tone]))
	case Paragraph:
		p.paragraph(b)
	case Table:
		p.put(&pdfTable{page: p, Table: b, first: true})
	case Drawing:
		for _, line := range b.Lines {
			var runs []layout.TextRun
			for _, c := range line {
				runs = append(runs, p.run(strings.ReplaceAll(Printable(c.Text), " ", "\u00a0"), pdfSmall, p.fixed, pdfColours[c.Tone]))
			}
			if len(runs) == 0 {
				runs = append(runs, p.run("\u00a0", pdfSmall, p.fixed, pdfColours[Plain]))
			}
			p.add("P", 0, runs...)
		}
	case Wiring:
		for _, x := range b.Words {
			p.block(x)
		}
	case Chart:
		figure := &pdfFigure{p, b.Drawing}
		if said, ok := b.caption(); ok {
			p.put(&together{figure, &prose{tag: "Caption", before: 2, leading: 1.3, runs: []layout.TextRun{p.run(Printable(said), pdfSmall, p.regular, pdfSoft)}}})
			return
		}
		p.put(figure)
		for _, x := range b.Words {
			p.block(x)
		}
		p.listed(false)
	case Caution:
		p.put(&framed{prose{tag: "P", leading: 1.3, runs: []layout.TextRun{p.run(strings.Join(strings.Fields(CautionText), " "), pdfText, p.bold, pdfColours[Plain])}}})
	case Space:
		p.add("", 0, p.run("\u00a0", 4, p.regular, pdfColours[Plain]))
	}
}

// listed begins or ends a list.
func (p *pdfPage) listed(on bool) {
	switch {
	case on && p.list == nil:
		p.list = &bullets{page: p}
	case !on && p.list != nil:
		p.put(p.list)
		p.list = nil
	}
}

func (p *pdfPage) paragraph(b Paragraph) {
	ink := pdfColours[Plain]
	if b.Bullet {
		p.list.items = append(p.list.items, Printable(b.Text))
		return
	}
	var runs []layout.TextRun
	if lead := strings.TrimSpace(b.Lead); lead != "" {
		runs = append(runs, p.run(Printable(lead)+" ", pdfText, p.bold, ink))
	}
	if b.Mark != "" {
		runs = append(runs, p.run(Printable(strings.TrimSpace(b.Mark))+" ", pdfText, p.bold, pdfColours[b.Tone]))
	}
	p.add("P", 3, append(runs, p.run(Printable(b.Text), pdfText, p.regular, ink))...)
}

// A prose is running text, one element of the structure. Its lines keep their spaces, which a
// reader that speaks needs.
type prose struct {
	tag, heading    string
	runs            []layout.TextRun
	before, leading float64
	align           layout.Align
	hanging         float64 // of all lines but the first
}

// A lineOfRuns is one line of it, so wide.
type lineOfRuns struct {
	runs  []layout.TextRun
	width float64
}

// folded breaks the runs into lines of that width.
func (t *prose) folded(width float64) (lines []lineOfRuns) {
	var line lineOfRuns
	room := width
	end := func() {
		lines, line, room = append(lines, line), lineOfRuns{}, width-t.hanging
	}
	for _, r := range t.runs {
		for i, word := range strings.Split(r.Text, " ") {
			text := word
			if i > 0 {
				text = " " + word
			}
			w := r.Embedded.MeasureString(text, r.FontSize)
			if i > 0 && line.width+w > room && line.width > 0 {
				end()
				text, w = word, r.Embedded.MeasureString(word, r.FontSize)
			}
			for w > room && len(text) > 1 { // a word that is longer than a line breaks
				n, _, part := r.Embedded.PrefixFit(text, r.FontSize, room-line.width)
				if n == len(text) {
					break
				}
				if n == 0 {
					if line.width == 0 {
						break
					}
					end()
					continue
				}
				line.add(r, text[:n], part)
				end()
				text = text[n:]
				w = r.Embedded.MeasureString(text, r.FontSize)
			}
			line.add(r, text, w)
		}
	}
	end()
	return lines
}

func (l *lineOfRuns) add(r layout.TextRun, text string, width float64) {
	if text == "" {
		return
	}
	l.width += width
	if n := len(l.runs) - 1; n >= 0 && l.runs[n].Embedded == r.Embedded && l.runs[n].Color == r.Color && l.runs[n].FontSize == r.FontSize {
		l.runs[n].Text += text
		return
	}
	r.Text = text
	l.runs = append(l.runs, r)
}

// PlanLayout implements layout.Element.
func (t *prose) PlanLayout(area layout.LayoutArea) layout.LayoutPlan {
	lines := t.folded(area.Width)
	size := 0.0
	for _, r := range t.runs {
		size = max(size, r.FontSize)
	}
	pitch := size * t.leading
	before := t.before
	if area.AtFragmentTop {
		before = 0
	}
	fit := int((area.Height - before) / pitch)
	if fit < len(lines) && !area.AtFragmentTop && (fit < 2 || len(lines) < 4) {
		return layout.LayoutPlan{Status: layout.LayoutNothing}
	}
	fit = min(max(fit, 1), len(lines))
	block := layout.PlacedBlock{Y: before, Width: area.Width, Height: float64(fit) * pitch, Tag: t.tag, HeadingText: t.heading}
	block.Draw = func(ctx layout.DrawContext, x, top float64) {
		for i, line := range lines[:fit] {
			at := x
			if i > 0 {
				at += t.hanging
			}
			if t.align == layout.AlignRight {
				at = x + area.Width - line.width
			}
			for j, r := range line.runs {
				text := r.Text
				if j == len(line.runs)-1 && i < len(lines)-1 {
					text += " " // where the line ends
				}
				ctx.Stream.SetFillColorRGB(r.Color.R, r.Color.G, r.Color.B)
				show(ctx, r.Embedded, r.FontSize, at, top-float64(i)*pitch-size*0.95, text)
				at += r.Embedded.MeasureString(r.Text, r.FontSize)
			}
		}
	}
	plan := layout.LayoutPlan{Consumed: before + float64(fit)*pitch, Blocks: []layout.PlacedBlock{block}}
	if fit < len(lines) {
		rest := *t
		rest.runs, rest.before, rest.heading = nil, 0, ""
		for _, line := range lines[fit:] {
			if len(rest.runs) > 0 {
				rest.runs[len(rest.runs)-1].Text += " "
			}
			rest.runs = append(rest.runs, line.runs...)
		}
		plan.Status, plan.Overflow = layout.LayoutPartial, &rest
	}
	return plan
}

// show writes text at a point.
func show(ctx layout.DrawContext, f *font.EmbeddedFont, size, x, y float64, text string) {
	name := ""
	for _, k := range ctx.Page.Fonts {
		if k.Embedded == f {
			name = k.Name
		}
	}
	if name == "" {
		name = fmt.Sprintf("F%d", len(ctx.Page.Fonts)+1)
		ctx.Page.Fonts = append(ctx.Page.Fonts, layout.FontEntry{Name: name, Embedded: f})
	}
	s := ctx.Stream
	s.BeginText()
	s.SetFont(name, size)
	s.MoveText(x, y)
	s.ShowTextHex(f.EncodeString(text))
	s.EndText()
}

// container makes a block of the structure whose content is that of its children
// alone: the marked content that the library opens for it is closed again at once, since
// no such may lie within another (ISO 32000-2, 14.7.5.1.1).
func container(b layout.PlacedBlock) layout.PlacedBlock {
	draw := b.Draw
	b.Draw = func(ctx layout.DrawContext, x, top float64) {
		ctx.Stream.EndMarkedContent()
		if draw != nil {
			draw(ctx, x, top)
		}
	}
	b.PostDraw = func(ctx layout.DrawContext, _, _ float64) { ctx.Stream.BeginMarkedContent("Artifact") }
	return b
}

// A bullets is a list.
type bullets struct {
	page  *pdfPage
	items []string
}

// PlanLayout implements layout.Element.
func (l *bullets) PlanLayout(area layout.LayoutArea) layout.LayoutPlan {
	const indent = 12
	var items []layout.PlacedBlock
	y := 0.0
	for i, text := range l.items {
		body := &prose{tag: "LBody", leading: 1.3, before: 3, runs: []layout.TextRun{l.page.run(text, pdfText, l.page.regular, pdfColours[Plain])}}
		plan := body.PlanLayout(layout.LayoutArea{Width: area.Width - indent, Height: 1e6})
		if y+plan.Consumed > area.Height && !(area.AtFragmentTop && i == 0) {
			if i == 0 {
				return layout.LayoutPlan{Status: layout.LayoutNothing}
			}
			return layout.LayoutPlan{Status: layout.LayoutPartial, Consumed: y, Overflow: &bullets{l.page, l.items[i:]},
				Blocks: []layout.PlacedBlock{container(layout.PlacedBlock{Width: area.Width, Height: y, Tag: "L", Children: items})}}
		}
		dot := (&prose{tag: "Lbl", leading: 1.3, before: 3, runs: []layout.TextRun{l.page.run("•", pdfText, l.page.regular, pdfColours[Plain])}}).PlanLayout(layout.LayoutArea{Width: indent, Height: 1e6})
		for j := range plan.Blocks {
			plan.Blocks[j].X += indent
		}
		items = append(items, container(layout.PlacedBlock{Y: y, Width: area.Width, Height: plan.Consumed, Tag: "LI", Children: append(dot.Blocks, plan.Blocks...)}))
		y += plan.Consumed
	}
	return layout.LayoutPlan{Consumed: y, Blocks: []layout.PlacedBlock{container(layout.PlacedBlock{Width: area.Width, Height: y, Tag: "L", Children: items})}}
}

// A together is two elements of which the second begins on the page of the first.
type together struct{ first, second layout.Element }

// PlanLayout implements layout.Element.
func (t *together) PlanLayout(area layout.LayoutArea) layout.LayoutPlan {
	a := t.first.PlanLayout(area)
	if a.Status != layout.LayoutFull { // it has a page for itself
		if a.Overflow != nil {
			a.Overflow = &together{a.Overflow, t.second}
		}
		return a
	}
	b := t.second.PlanLayout(layout.LayoutArea{Width: area.Width, Height: area.Height - a.Consumed})
	if b.Status == layout.LayoutNothing {
		if area.AtFragmentTop {
			a.Status, a.Overflow = layout.LayoutPartial, t.second
			return a
		}
		return b
	}
	for i := range b.Blocks {
		b.Blocks[i].Y += a.Consumed
	}
	b.Blocks, b.Consumed = append(a.Blocks, b.Blocks...), a.Consumed+b.Consumed
	return b
}

// An artifact is no part of what is read aloud.
type artifact struct{ prose }

// PlanLayout implements layout.Element.
func (a *artifact) PlanLayout(area layout.LayoutArea) layout.LayoutPlan {
	plan := a.prose.PlanLayout(area)
	for i := range plan.Blocks {
		draw := plan.Blocks[i].Draw
		plan.Blocks[i].Draw = func(ctx layout.DrawContext, x, top float64) {
			decorate(ctx, func(*content.Stream) { draw(ctx, x, top) })
		}
	}
	return plan
}

// framed is a paragraph in a frame.
type framed struct{ prose }

// PlanLayout implements layout.Element.
func (f *framed) PlanLayout(area layout.LayoutArea) layout.LayoutPlan {
	const pad, above = 8, 12
	inner := f.prose.PlanLayout(layout.LayoutArea{Width: area.Width - 2*pad, Height: 1e6})
	height := inner.Consumed + 2*pad
	if height+above > area.Height && !area.AtFragmentTop {
		return layout.LayoutPlan{Status: layout.LayoutNothing}
	}
	for i := range inner.Blocks {
		inner.Blocks[i].X += pad
		inner.Blocks[i].Y += pad
	}
	return layout.LayoutPlan{Consumed: height + above, Blocks: []layout.PlacedBlock{{
		Y: above, Width: area.Width, Height: height, Children: inner.Blocks,
		Draw: func(ctx layout.DrawContext, x, top float64) {
			decorate(ctx, func(s *content.Stream) {
				c := pdfColours[Doubtful]
				s.SetStrokeColorRGB(c.R, c.G, c.B)
				s.SetLineWidth(1.2)
				s.Rectangle(x, top-height, area.Width, height)
				s.Stroke()
			})
		},
	}}}
}

// decorate draws what is not read aloud.
func decorate(ctx layout.DrawContext, draw func(*content.Stream)) {
	ctx.Stream.BeginMarkedContent("Artifact")
	ctx.Stream.SaveState()
	draw(ctx.Stream)
	ctx.Stream.RestoreState()
	ctx.Stream.EndMarkedContent()
}

// A pdfTable is a table, whose head is on each of its pages.
type pdfTable struct {
	page *pdfPage
	Table
	first bool // not yet begun
}

const (
	cellPad = 2.5
	cellGap = 10
)

// widths gives each column its width: as wide as its widest cell, where that leaves
// room; what lacks is taken from those that may fold, or from the widest.
func (t *pdfTable) widths(room float64) []float64 {
	w := make([]float64, len(t.Columns))
	least := make([]float64, len(t.Columns))
	see := func(i int, text string, f *font.EmbeddedFont) {
		w[i] = max(w[i], f.MeasureString(text, pdfSmall+0.5)+cellGap)
		for word := range strings.FieldsSeq(text) {
			least[i] = max(least[i], f.MeasureString(word, pdfSmall+0.5)+cellGap)
		}
	}
	for i, c := range t.Columns {
		if !t.Headless {
			see(i, Printable(with(c.Title, c.Unit)), t.page.bold)
		}
		for _, r := range t.Rows {
			if r != nil {
				see(i, strings.TrimSpace(r[i].text()), t.page.bold)
			}
		}
	}
	for lack := sum(w) - room; lack > 0.01; {
		widest, spare := -1, 0.0
		for i := range w {
			if s := w[i] - least[i]; s > spare {
				widest, spare = i, s
			}
		}
		if widest < 0 { // words break, then: those of the widest columns
			for ; lack > 0.01; lack = sum(w) - room {
				first, second := 0, 0.0
				for i := range w {
					if w[i] > w[first] {
						first = i
					}
				}
				for i := range w {
					if i != first && w[i] < w[first] {
						second = max(second, w[i])
					}
				}
				w[first] -= min(lack, max(w[first]-second, 1))
			}
			break
		}
		less := min(lack, max(spare/2, 1), spare)
		w[widest] -= less
		lack -= less
	}
	return w
}

func sum(all []float64) (s float64) {
	for _, x := range all {
		s += x
	}
	return s
}

// PlanLayout implements layout.Element.
func (t *pdfTable) PlanLayout(area layout.LayoutArea) layout.LayoutPlan {
	w := t.widths(area.Width)
	width := sum(w)
	var rows []layout.PlacedBlock
	y := 0.0
	if t.first {
		y = 4
	}
	top := y
	row := func(cells []layout.TextRun, tag string, head bool) (layout.PlacedBlock, float64) {
		var blocks []layout.PlacedBlock
		height, x := 0.0, 0.0
		for i, c := range cells {
			cell := &prose{tag: tag, leading: 1.25, runs: []layout.TextRun{c}}
			if t.Columns[i].Right {
				cell.align = layout.AlignRight
			}
			plan := cell.PlanLayout(layout.LayoutArea{Width: w[i] - cellGap, Height: 1e6})
			for j := range plan.Blocks {
				plan.Blocks[j].X += x
				plan.Blocks[j].Y += cellPad
			}
			blocks, height = append(blocks, plan.Blocks...), max(height, plan.Consumed)
			x += w[i]
		}
		height += 2 * cellPad
		return container(layout.PlacedBlock{Width: width, Height: height, Tag: "TR", Children: blocks, Draw: func(ctx layout.DrawContext, x, top float64) {
			decorate(ctx, func(s *content.Stream) {
				s.SetStrokeColorRGB(pdfRule.R, pdfRule.G, pdfRule.B)
				s.SetLineWidth(0.4)
				if head {
					s.SetLineWidth(0.9)
				}
				s.MoveTo(x, top-height)
				s.LineTo(x+width-cellGap, top-height)
				s.Stroke()
			})
		}}), height
	}
	put := func(b layout.PlacedBlock, height float64) {
		b.Y = y
		rows = append(rows, b)
		y += height
	}
	if !t.Headless {
		var cells []layout.TextRun
		for _, c := range t.Columns {
			cells = append(cells, t.page.run(nonEmpty(Printable(with(c.Title, c.Unit))), pdfSmall, t.page.bold, pdfSoft))
		}
		put(row(cells, "TH", true))
	}
	heads := len(rows)
	for i, r := range t.Rows {
		var cells []layout.TextRun
		for j := range t.Columns {
			text, tone := "…", Plain
			if r != nil {
				text, tone = strings.TrimSpace(r[j].text()), r[j].Tone
			} else if j > 0 {
				text = ""
			}
			f := t.page.regular
			if tone != Plain {
				f = t.page.bold
			}
			cells = append(cells, t.page.run(nonEmpty(text), pdfSmall+0.5, f, pdfColours[tone]))
		}
		b, height := row(cells, "TD", false)
		if y+height > area.Height && !(area.AtFragmentTop && len(rows) == heads) {
			if len(rows) == heads {
				return layout.LayoutPlan{Status: layout.LayoutNothing}
			}
			rest := *t
			rest.Rows, rest.first = t.Rows[i:], false
			return layout.LayoutPlan{Status: layout.LayoutPartial, Consumed: y, Overflow: &rest, Blocks: []layout.PlacedBlock{container(layout.PlacedBlock{Width: width, Height: y - top, Tag: "Table", Children: rows})}}
		}
		put(b, height)
	}
	y += 4
	return layout.LayoutPlan{Consumed: y, Blocks: []layout.PlacedBlock{container(layout.PlacedBlock{Width: width, Height: y - top, Tag: "Table", Children: rows})}}
}

// nonEmpty lets an empty cell have its height.
func nonEmpty(text string) string {
	if text == "" {
		return "\u00a0"
	}
	return text
}

// A pdfFigure is a drawing, as vectors and text.
type pdfFigure struct {
	page *pdfPage
	plot.Drawing
}

// PlanLayout implements layout.Element.
func (f *pdfFigure) PlanLayout(area layout.LayoutArea) layout.LayoutPlan {
	const above = 8
	scale := area.Width / plot.Desktop
	height := plot.Height(f.Drawing, plot.Desktop) * scale
	if full := pdfHeight - 3*pdfMargin; height > full { // of a page
		scale *= full / height
		height = full
	}
	if height+above > area.Height && !area.AtFragmentTop {
		return layout.LayoutPlan{Status: layout.LayoutNothing}
	}
	return layout.LayoutPlan{Consumed: height + above, Blocks: []layout.PlacedBlock{{
		Y: above, Width: area.Width, Height: height, Tag: "Figure", AltText: f.Drawing.Alt(),
		Draw: func(ctx layout.DrawContext, x, top float64) {
			ctx.Stream.SaveState()
			ctx.Stream.ConcatMatrix(scale, 0, 0, scale, x, top-height)
			plot.Draw(&pdfCanvas{page: f.page, ctx: ctx}, f.Drawing, plot.Desktop)
			ctx.Stream.RestoreState()
		},
	}}}
}

// A pdfCanvas draws a plot into a page.
type pdfCanvas struct {
	page  *pdfPage
	ctx   layout.DrawContext
	clear bool // the colour is
}

// SetLineWidth implements vg.Canvas, as the others do.
func (c *pdfCanvas) SetLineWidth(w vg.Length) { c.ctx.Stream.SetLineWidth(w.Points()) }

func (c *pdfCanvas) SetLineDash(pattern []vg.Length, offset vg.Length) {
	dash := make([]float64, len(pattern))
	for i, p := range pattern {
		dash[i] = p.Points()
	}
	c.ctx.Stream.SetDashPattern(dash, offset.Points())
}

func (c *pdfCanvas) SetColor(colour color.Color) {
	r, g, b, a := colour.RGBA() // of these drawings: opaque or clear
	c.clear = a == 0
	c.ctx.Stream.SetFillColorRGB(float64(r)/0xffff, float64(g)/0xffff, float64(b)/0xffff)
	c.ctx.Stream.SetStrokeColorRGB(float64(r)/0xffff, float64(g)/0xffff, float64(b)/0xffff)
}

func (c *pdfCanvas) Rotate(radians float64) {
	sin, cos := math.Sincos(radians)
	c.ctx.Stream.ConcatMatrix(cos, sin, -sin, cos, 0, 0)
}

func (c *pdfCanvas) Translate(p vg.Point) {
	c.ctx.Stream.ConcatMatrix(1, 0, 0, 1, p.X.Points(), p.Y.Points())
}

func (c *pdfCanvas) Scale(x, y float64) { c.ctx.Stream.ConcatMatrix(x, 0, 0, y, 0, 0) }
func (c *pdfCanvas) Push()              { c.ctx.Stream.SaveState() }
func (c *pdfCanvas) Pop()               { c.ctx.Stream.RestoreState() }

func (c *pdfCanvas) Stroke(p vg.Path) {
	if !c.clear {
		c.path(p)
		c.ctx.Stream.Stroke()
	}
}

func (c *pdfCanvas) Fill(p vg.Path) {
	if !c.clear {
		c.path(p)
		c.ctx.Stream.Fill()
	}
}

func (c *pdfCanvas) path(p vg.Path) {
	s := c.ctx.Stream
	for _, k := range p {
		x, y := k.Pos.X.Points(), k.Pos.Y.Points()
		switch k.Type {
		case vg.MoveComp:
			s.MoveTo(x, y)
		case vg.LineComp:
			s.LineTo(x, y)
		case vg.ArcComp: // of these drawings: whole circles
			s.Circle(x, y, k.Radius.Points())
		case vg.CurveComp:
			a := k.Control[0]
			b := k.Control[len(k.Control)-1]
			s.CurveTo(a.X.Points(), a.Y.Points(), b.X.Points(), b.Y.Points(), x, y)
		case vg.CloseComp:
			s.ClosePath()
		}
	}
}

func (c *pdfCanvas) FillString(f plotfont.Face, at vg.Point, text string) {
	e := c.page.regular
	if f.Font.Weight > 0 {
		e = c.page.bold
	}
	show(c.ctx, e, f.Font.Size.Points(), at.X.Points(), at.Y.Points(), text)
}

// DrawImage implements vg.Canvas; no drawing has an image.
func (c *pdfCanvas) DrawImage(vg.Rectangle, image.Image) {}
