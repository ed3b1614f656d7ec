// Package plot draws results: it knows values, and is given the words that
// stand around them.
package plot

import (
	"bytes"
	"fmt"
	"image/color"
	"io"
	"math"
	"slices"
	"strings"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// A Margin is where a circuit counts right.
type Margin struct {
	Grid  *pulse.MarginGrid
	Cells []pulse.MarginCell
	Title string
	About string // a line below the title
	Note  string // a line at the foot
	// Limits are drawn as the border of what they allow; nil draws none.
	// LimitsName names them at the foot.
	Limits     *pulse.Profile
	LimitsName string
}

// Formats are the suffixes of the files that can be written.
var Formats = []string{".png", ".svg"}

// Sizes of a plot. The dots per inch of a PNG make it sharp on paper.
const (
	plotWidth  = 6.4 * vg.Inch
	plotHead   = 0.62 * vg.Inch
	plotFoot   = 0.62 * vg.Inch
	plotDPI    = 200
	plotLetter = 9 * vg.Length(1)
)

var (
	ink   = color.NRGBA{0x22, 0x22, 0x22, 0xff}
	faint = color.NRGBA{0x66, 0x66, 0x66, 0xff}
	// Vermilion and bluish green, which the colour-blind tell apart (Okabe and
	// Ito's palette, from memory), through a pale grey.
	wrongColour = color.NRGBA{0xd5, 0x5e, 0x00, 0xff}
	halfColour  = color.NRGBA{0xee, 0xec, 0xe6, 0xff}
	rightColour = color.NRGBA{0x00, 0x9e, 0x73, 0xff}
)

// rightness is the colour of a fraction of right answers. What is not quite
// all is well apart from all.
func rightness(f float64) color.NRGBA {
	mix := func(a, b color.NRGBA, t float64) color.NRGBA {
		m := func(x, y uint8) uint8 { return uint8(math.Round(float64(x) + t*(float64(y)-float64(x)))) }
		return color.NRGBA{m(a.R, b.R), m(a.G, b.G), m(a.B, b.B), 0xff}
	}
	switch {
	case f >= 1:
		return rightColour
	case f >= 0.5:
		return mix(halfColour, rightColour, (f-0.5)*1.3)
	}
	return mix(wrongColour, halfColour, 2*f)
}

func sans(size vg.Length, bold bool) font.Font {
	f := font.Font{Typeface: "Liberation", Variant: "Sans", Size: size}
	if bold {
		f.Weight = xfont.WeightBold
	}
	return f
}

// Write draws the margin in the format of a suffix of Formats, one panel for
// each gap.
func (m *Margin) Write(w io.Writer, suffix string) error {
	panels := max(len(m.Grid.GapsMS), 1)
	// Rows of a size that one reads, within a page.
	panel := min(1.6*vg.Inch+vg.Length(len(m.Grid.RatesPPS))*0.4*vg.Inch, 4*vg.Inch)
	width, height := plotWidth, plotHead+plotFoot+vg.Length(panels)*panel
	var c interface {
		vg.CanvasSizer
		io.WriterTo
	}
	switch suffix {
	case ".svg":
		c = vgsvg.New(width, height)
	case ".png":
		c = vgimg.PngCanvas{Canvas: vgimg.NewWith(vgimg.UseWH(width, height), vgimg.UseDPI(plotDPI))}
	default:
		return fmt.Errorf("plot as %q: expected one of %s", suffix, strings.Join(Formats, ", "))
	}
	dc := draw.New(c)
	dc.FillPolygon(color.White, []vg.Point{dc.Min, {X: dc.Max.X, Y: dc.Min.Y}, dc.Max, {X: dc.Min.X, Y: dc.Max.Y}})
	m.drawHead(draw.Crop(dc, 0, 0, height-plotHead, 0))
	m.drawFoot(draw.Crop(dc, 0, 0, 0, plotFoot-height))
	for i := range panels {
		top := height - plotHead - vg.Length(i)*panel
		m.panel(i).Draw(draw.Crop(dc, 6, -14, top-panel+6, top-height))
	}
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return err
	}
	out := b.Bytes()
	if suffix == ".svg" {
		out = withFonts(out)
	}
	_, err := w.Write(out)
	return err
}

// withFonts names others in an SVG beside the font that the sizes are reckoned by,
// which few computers have.
func withFonts(svg []byte) []byte {
	return bytes.ReplaceAll(svg, []byte("font-family:Liberation Sans;"), []byte("font-family:Liberation Sans,Arial,Helvetica,sans-serif;"))
}

func label(c *draw.Canvas, f font.Font, ink color.Color, x, y vg.Length, text string) vg.Length {
	s := draw.TextStyle{Color: ink, Font: f, Handler: plot.DefaultTextHandler}
	c.FillText(s, vg.Point{X: x, Y: y}, text)
	return s.Width(text)
}

func (m *Margin) drawHead(c draw.Canvas) {
	x := c.Min.X + 12
	label(&c, sans(13, true), ink, x, c.Max.Y-22, m.Title)
	label(&c, sans(plotLetter, false), faint, x, c.Max.Y-38, m.About)
}

func (m *Margin) drawFoot(c draw.Canvas) {
	const box = 11
	f := sans(plotLetter, false)
	x, y := c.Min.X+12, c.Max.Y-14
	fill := func(colour color.Color) {
		c.FillPolygon(colour, []vg.Point{{X: x, Y: y - 2}, {X: x + box, Y: y - 2}, {X: x + box, Y: y - 2 + box}, {X: x, Y: y - 2 + box}})
		x += box
	}
	for _, k := range []struct {
		fractions []float64
		text      string
	}{{[]float64{1}, "right in every try"}, {[]float64{0.9, 0.6, 0.3}, "in some"}, {[]float64{0}, "in none"}} {
		for _, v := range k.fractions {
			fill(rightness(v))
		}
		x += 4
		x += label(&c, f, ink, x, y, k.text) + 14
	}
	if m.Limits != nil {
		c.StrokeLine2(limitStyle(), x, y-2+box/2, x+2*box, y-2+box/2)
		x += 2*box + 4
		label(&c, f, ink, x, y, "limits "+m.LimitsName)
	}
	label(&c, f, faint, c.Min.X+12, y-17, m.Note)
}

func limitStyle() draw.LineStyle {
	return draw.LineStyle{Color: ink, Width: 1.6, Dashes: []vg.Length{5, 3}}
}

// borders gives the lines between the cells of an axis and at its ends, so
// that each value lies in its own cell.
func borders(values []float64) []float64 {
	b := make([]float64, len(values)+1)
	for i := 1; i < len(values); i++ {
		b[i] = (values[i-1] + values[i]) / 2
	}
	half := 0.5
	if len(values) > 1 {
		half = (values[1] - values[0]) / 2
	}
	b[0] = values[0] - half
	if n := len(values); n > 1 {
		half = (values[n-1] - values[n-2]) / 2
	}
	b[len(values)] = values[len(values)-1] + half
	return b
}

// axisTicks marks each value, and labels those on the finest round step that
// leaves as many as one can read; each value of a short axis.
func axisTicks(values []float64) (t plot.ConstantTicks) {
	const most = 14
	on := func(step float64) (n int, is []bool) {
		for _, v := range values {
			q := v / step
			is = append(is, step == 0 || math.Abs(q-math.Round(q)) < 1e-9)
			if is[len(is)-1] {
				n++
			}
		}
		return n, is
	}
	n, labelled := on(0)
	for _, step := range []float64{0.5, 1, 2, 5, 10, 20} {
		if n <= most {
			break
		}
		if k, is := on(step); k > 1 {
			n, labelled = k, is
		}
	}
	for i, v := range values {
		k := plot.Tick{Value: v}
		if labelled[i] {
			k.Label = figure.Trimmed(v, 2)
		}
		t = append(t, k)
	}
	return t
}

// panel draws the cells of one gap.
func (m *Margin) panel(gap int) *plot.Plot {
	g := m.Grid
	p := plot.New()
	p.BackgroundColor = color.Transparent
	if len(g.GapsMS) > 0 {
		p.Title.Text = "Gap between the trains " + figure.Trimmed(g.GapsMS[gap], 3) + " ms"
		p.Title.TextStyle.Font = sans(10, true)
		p.Title.TextStyle.Color = ink
		p.Title.Padding = 4
	}
	x, y := borders(g.BreakPercents), borders(g.RatesPPS)
	for _, a := range []struct {
		axis   *plot.Axis
		text   string
		values []float64
		b      []float64
	}{{&p.X, "break, % of the period", g.BreakPercents, x}, {&p.Y, "rate, pulses per second", g.RatesPPS, y}} {
		a.axis.Label.Text = a.text
		a.axis.Label.TextStyle.Font = sans(10, false)
		a.axis.Label.TextStyle.Color = ink
		a.axis.Tick.Label.Font = sans(plotLetter, false)
		a.axis.Tick.Label.Color = ink
		a.axis.Tick.Marker = axisTicks(a.values)
		a.axis.Tick.Length = 3
		a.axis.Tick.LineStyle.Color = faint
		a.axis.LineStyle.Width = 0
		a.axis.Padding = 2
		a.axis.Min, a.axis.Max = a.b[0], a.b[len(a.b)-1]
	}
	boxes := &marginBoxes{Margin: m, gap: gap, x: x, y: y}
	p.Add(boxes)
	if m.Limits != nil {
		if ring := limitOutline(m.Limits, m.Cells[g.Index(0, 0, gap)].GapMS, x[0], x[len(x)-1], y[0], y[len(y)-1]); ring != nil {
			halo := draw.LineStyle{Color: color.White, Width: 3}
			p.Add(&plotter.Polygon{XYs: []plotter.XYs{ring}, LineStyle: halo}, &plotter.Polygon{XYs: []plotter.XYs{ring}, LineStyle: limitStyle()})
		}
	}
	p.Add(marginFigures{boxes})
	return p
}

// limitOutline is the border of what a profile allows, in percent break and
// rate, as far as it lies in the plot; nil when nothing does.
func limitOutline(profile *pulse.Profile, gapMS pulse.Num, left, right, low, high float64) plotter.XYs {
	const steps = 400 // finer than a point of the plot
	var up, down plotter.XYs
	for i := range steps + 1 {
		rate := low + (high-low)*float64(i)/steps
		if rate <= 0 {
			continue
		}
		lo, hi, bounded := profile.BreakWindow(rate)
		lo, hi = max(lo, left), min(hi, right)
		if !bounded || lo >= hi {
			continue
		}
		if allowed, _ := profile.Allows(rate, (lo+hi)/2, gapMS); !allowed {
			continue
		}
		up = append(up, plotter.XY{X: lo, Y: rate})
		down = append(down, plotter.XY{X: hi, Y: rate})
	}
	if len(up) == 0 {
		return nil
	}
	slices.Reverse(down)
	return append(append(up, down...), up[0])
}

// marginBoxes draws each cell as a box in the colour of its answers.
type marginBoxes struct {
	*Margin
	gap  int
	x, y []float64
}

// each gives the cells of the panel with their places.
func (m *marginBoxes) each(c *draw.Canvas, p *plot.Plot, f func(k pulse.MarginCell, box vg.Rectangle)) {
	trX, trY := p.Transforms(c)
	g := m.Grid
	for r := range g.RatesPPS {
		for b := range g.BreakPercents {
			f(m.Cells[g.Index(r, b, m.gap)], vg.Rectangle{
				Min: vg.Point{X: trX(m.x[b]), Y: trY(m.y[r])}, Max: vg.Point{X: trX(m.x[b+1]), Y: trY(m.y[r+1])},
			})
		}
	}
}

func corners(r vg.Rectangle, inset vg.Length) []vg.Point {
	x0, x1, y0, y1 := r.Min.X+inset, r.Max.X-inset, r.Min.Y+inset, r.Max.Y-inset
	return []vg.Point{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x1, Y: y1}, {X: x0, Y: y1}, {X: x0, Y: y0}}
}

func fraction(k pulse.MarginCell) float64 { return float64(k.Right) / float64(k.Tries) }

func (m *marginBoxes) Plot(c draw.Canvas, p *plot.Plot) {
	m.each(&c, p, func(k pulse.MarginCell, box vg.Rectangle) {
		inset := min(0.4, box.Size().X/60, box.Size().Y/60)
		if k.Tries == 0 {
			c.StrokeLines(draw.LineStyle{Color: color.Gray{0xcc}, Width: 0.4}, corners(box, inset))
			return
		}
		c.FillPolygon(rightness(fraction(k)), corners(box, inset))
	})
}

// marginFigures writes the right tries of each cell that is neither all right
// nor all wrong, over what else is drawn, if every one has room for it.
type marginFigures struct{ *marginBoxes }

func (m marginFigures) Plot(c draw.Canvas, p *plot.Plot) {
	f := sans(8, false)
	s := draw.TextStyle{Color: ink, Font: f, Handler: plot.DefaultTextHandler, XAlign: draw.XCenter, YAlign: draw.YCenter}
	mixed := func(k pulse.MarginCell) bool { return k.Right > 0 && k.Right < k.Tries }
	text := func(k pulse.MarginCell) string { return fmt.Sprintf("%d/%d", k.Right, k.Tries) }
	readable := true
	m.each(&c, p, func(k pulse.MarginCell, box vg.Rectangle) {
		readable = readable && (!mixed(k) || s.Width(text(k))+4 < box.Size().X && f.Size+2 < box.Size().Y)
	})
	if !readable {
		return
	}
	m.each(&c, p, func(k pulse.MarginCell, box vg.Rectangle) {
		if !mixed(k) {
			return
		}
		at := vg.Point{X: (box.Min.X + box.Max.X) / 2, Y: (box.Min.Y + box.Max.Y) / 2}
		half := vg.Point{X: s.Width(text(k))/2 + 1, Y: f.Size/2 + 0.5}
		c.FillPolygon(rightness(fraction(k)), corners(vg.Rectangle{Min: at.Sub(half), Max: at.Add(half)}, 0))
		c.FillText(s, at, text(k))
	})
}
