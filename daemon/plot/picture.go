// Package plot draws results: it knows values, and is given the names of what
// they are of. Every drawing has one look (theme.go), one core (picture.go and
// panel.go) and a text alternative made of its values.
package plot

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"unicode"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"
)

// A Drawing is one of Plane, Histogram, Trend, Lobes, Gears, Strip, Compare,
// Drift, Stability and Margin. Its Alt says in words what it shows.
type Drawing interface {
	Alt() string
	picture(width vg.Length) *picture
}

// A picture is a heading, panels one above the other, keys and a note.
type picture struct {
	title, about string
	panels       []*panel
	keys         []key
	note         string
}

// A key explains one mark.
type key struct {
	width vg.Length // of the mark
	mark  func(c *draw.Canvas, x, y vg.Length)
	text  string
}

// SVG draws d, so many CSS pixels wide; its height is as it comes. What it writes
// needs no style sheet, has no style attribute, fetches nothing, and may stand in
// an HTML page or alone in a file.
func SVG(w io.Writer, d Drawing, width int) error {
	p := d.picture(vg.Length(width))
	height := p.height(vg.Length(width))
	c := vgsvg.New(vg.Length(width), height)
	p.draw(draw.New(c))
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return err
	}
	_, body, _ := bytes.Cut(b.Bytes(), []byte("1999/xlink\">\n"))
	out := bytes.NewBuffer(make([]byte, 0, len(body)))
	fmt.Fprintf(out, `<svg xmlns="http://www.w3.org/2000/svg" role="img" width="%d" height="%.0f" viewBox="0 0 %[1]d %[2]g" font-family="Liberation Sans,Arial,Helvetica,sans-serif">`, width, float64(height))
	for _, e := range [...][2]string{{"title", p.title}, {"desc", d.Alt()}} {
		out.WriteString("\n<" + e[0] + ">")
		xml.EscapeText(out, []byte(e[1])) // a Buffer takes all
		out.WriteString("</" + e[0] + ">")
	}
	out.WriteByte('\n')
	out.Write(plain(body))
	_, err := w.Write(out.Bytes())
	return err
}

var (
	styled = regexp.MustCompile(`\s*style="([^"]*)"`) // text has no quotation mark, it is escaped
	long   = regexp.MustCompile(`\d+\.\d{2,}`)
	dotted = regexp.MustCompile(`<path d="(?:M[-\d.,]+A[-\d.,]+ 0 1 1 [-\d.,]+A[-\d.,]+ 0 1 1 [-\d.,]+)+" fill="([^"]*)" ?/>`)
	dot    = regexp.MustCompile(`M([-\d.]+),([-\d.]+)A([-\d.]+),[^M"]*`)
)

// plain makes attributes of styles, which a page's security policy may forbid, and
// leaves out what is the default.
func plain(svg []byte) []byte {
	svg = styled.ReplaceAllFunc(svg, func(s []byte) []byte {
		var b bytes.Buffer
		for declaration := range strings.SplitSeq(string(styled.FindSubmatch(s)[1]), ";") {
			name, value, _ := strings.Cut(declaration, ":")
			switch {
			case name == "font-family", name == "font-variant", name == "font-style", value == "normal", value == "none" && name == "stroke-dasharray":
			default:
				fmt.Fprintf(&b, ` %s="%s"`, name, strings.TrimSuffix(value, "px"))
			}
		}
		return b.Bytes()
	})
	// A dot is shorter as the round cap of a line without length.
	svg = dotted.ReplaceAllFunc(svg, func(path []byte) []byte {
		var b bytes.Buffer
		radius := 0.0
		b.WriteString(`<path d="`)
		for _, m := range dot.FindAllSubmatch(path, -1) {
			x, _ := strconv.ParseFloat(string(m[1]), 64) // the pattern admits numbers only
			radius, _ = strconv.ParseFloat(string(m[3]), 64)
			fmt.Fprintf(&b, "M%.1f,%sh.01", x-radius, m[2])
		}
		fmt.Fprintf(&b, `" stroke="%s" stroke-width="%g" stroke-linecap="round"/>`, dotted.FindSubmatch(path)[1], 2*radius)
		return b.Bytes()
	})
	// A tenth of a pixel is finer than one sees.
	var b bytes.Buffer
	for rest := svg; ; {
		from := bytes.Index(rest, []byte(` d="`))
		if from < 0 {
			b.Write(rest)
			return b.Bytes()
		}
		from += len(` d="`)
		to := from + bytes.IndexByte(rest[from:], '"')
		b.Write(rest[:from])
		b.Write(long.ReplaceAllFunc(rest[from:to], func(n []byte) []byte {
			return n[:bytes.IndexByte(n, '.')+2]
		}))
		rest = rest[to:]
	}
}

// pngDPI are the dots per inch, of which a CSS pixel is a 72nd here: sharp on paper.
const pngDPI = 180

// PNG draws d as SVG does, as an image.
func PNG(w io.Writer, d Drawing, width int) error {
	p := d.picture(vg.Length(width))
	c := vgimg.PngCanvas{Canvas: vgimg.NewWith(vgimg.UseWH(vg.Length(width), p.height(vg.Length(width))), vgimg.UseDPI(pngDPI))}
	p.draw(draw.New(c))
	_, err := c.WriteTo(w)
	return err
}

// Height is that of d when it is so wide.
func Height(d Drawing, width int) float64 {
	return float64(d.picture(vg.Length(width)).height(vg.Length(width)))
}

// Draw draws d on a canvas of that width and of its Height, in points.
func Draw(c vg.Canvas, d Drawing, width int) {
	p := d.picture(vg.Length(width))
	p.draw(draw.NewCanvas(c, vg.Length(width), p.height(vg.Length(width))))
}

// folded breaks text into lines of that width.
func folded(f font.Font, text string, width vg.Length) (lines []string) {
	line := ""
	for word := range strings.FieldsSeq(text) {
		if line != "" && textWidth(f, line+" "+word) > width {
			lines = append(lines, line)
			line = ""
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// readersFont is how much wider letters may be where the reader's computer has
// another font than the one that sizes are reckoned by: DejaVu Sans is so much
// wider than Liberation Sans (measured on these drawings).
const readersFont = 1.18

// textWidth is the room that text needs with any usual font.
func textWidth(f font.Font, text string) vg.Length {
	s := draw.TextStyle{Font: f, Handler: plot.DefaultTextHandler}
	return readersFont * s.Width(text)
}

// A key begins a new line where it does not fit.
const (
	keyGap    = 16
	keyHeight = 17
)

// placed gives where each key stands, x from the left and y from the top, and
// the height of all.
func (p *picture) placed(width vg.Length) (at []vg.Point, height vg.Length) {
	x := vg.Length(edge)
	for _, k := range p.keys {
		w := k.width + 5 + textWidth(sans(plotLetter, false), k.text)
		if x > edge && x+w > width-edge {
			x, height = edge, height+keyHeight
		}
		at = append(at, vg.Point{X: x, Y: height})
		x += w + keyGap
	}
	if len(at) > 0 {
		height += keyHeight
	}
	return at, height
}

// flow are the lines of a text of the picture, and their height.
func flow(text string, size vg.Length, bold bool, width vg.Length) (lines []string, height vg.Length) {
	lines = folded(sans(size, bold), text, width-2*edge)
	return lines, vg.Length(len(lines)) * size * lineHeight
}

func (p *picture) height(width vg.Length) vg.Length {
	h := vg.Length(edge)
	_, title := flow(p.title, titleLetter, true, width)
	_, about := flow(p.about, plotLetter, false, width)
	_, keys := p.placed(width)
	_, note := flow(p.note, plotLetter, false, width)
	for _, x := range p.panels {
		h += x.height
	}
	return vg.Length(math.Ceil(float64(h + title + about + keys + note + edge)))
}

func (p *picture) draw(dc draw.Canvas) {
	dc.FillPolygon(paper, corners(dc.Rectangle, 0))
	width := dc.Size().X
	y := dc.Max.Y - edge
	write := func(text string, size vg.Length, bold bool, colour draw.TextStyle) {
		lines, _ := flow(text, size, bold, width)
		for _, line := range lines {
			label(&dc, sans(size, bold), colour, dc.Min.X+edge, y-size, line)
			y -= size * lineHeight
		}
	}
	write(p.title, titleLetter, true, inked)
	write(p.about, plotLetter, false, fainter)
	alignLeft(p.panels)
	for _, x := range p.panels {
		x.draw(draw.Canvas{Canvas: dc.Canvas, Rectangle: vg.Rectangle{Min: vg.Point{X: dc.Min.X, Y: y - x.height}, Max: vg.Point{X: dc.Max.X, Y: y}}})
		y -= x.height
	}
	at, height := p.placed(width)
	for i, k := range p.keys {
		x, base := dc.Min.X+at[i].X, y-at[i].Y-plotLetter
		k.mark(&dc, x, base+plotLetter/3)
		label(&dc, sans(plotLetter, false), inked, x+k.width+5, base, k.text)
	}
	y -= height
	write(p.note, plotLetter, false, fainter)
}

// Two inks of text.
var (
	inked   = draw.TextStyle{Color: ink}
	fainter = draw.TextStyle{Color: faint}
)

// label writes text from a point of its base line, or as the style aligns it, and
// gives the room that it needs.
func label(c *draw.Canvas, f font.Font, s draw.TextStyle, x, y vg.Length, text string) vg.Length {
	s.Font, s.Handler = f, plot.DefaultTextHandler
	c.FillText(s, vg.Point{X: x, Y: y}, printable(text))
	return textWidth(f, text)
}

// printable leaves out control characters, which XML does not have.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return unicode.ReplacementChar
		}
		return r
	}, text)
}

// corners are those of r, closed, so far inside it.
func corners(r vg.Rectangle, inset vg.Length) []vg.Point {
	x0, x1, y0, y1 := r.Min.X+inset, r.Max.X-inset, r.Min.Y+inset, r.Max.Y-inset
	return []vg.Point{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x1, Y: y1}, {X: x0, Y: y1}, {X: x0, Y: y0}}
}
