package plot

import (
	"fmt"
	"image/color"
	"io"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

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

// Formats are the suffixes of the files that Write can write.
var Formats = []string{".png", ".svg"}

// Write draws d in the format of a suffix of Formats.
func Write(w io.Writer, d Drawing, suffix string) error {
	switch suffix {
	case ".svg":
		return SVG(w, d, Desktop)
	case ".png":
		return PNG(w, d, Desktop)
	}
	return fmt.Errorf("plot as %q: expected one of %s", suffix, strings.Join(Formats, ", "))
}

// rightness is the colour of a fraction of right answers. What is not quite
// all is well apart from all.
func rightness(f float64) color.NRGBA {
	switch {
	case f >= 1:
		return rightColour
	case f >= 0.5:
		return mixed(halfColour, rightColour, (f-0.5)*1.3)
	}
	return mixed(wrongColour, halfColour, 2*f)
}

// Alt implements Drawing.
func (m *Margin) Alt() string {
	var all, some, none, untried int
	for _, c := range m.Cells {
		switch {
		case c.Tries == 0:
			untried++
		case c.Right == c.Tries:
			all++
		case c.Right == 0:
			none++
		default:
			some++
		}
	}
	var s sentences
	s.add("%s", m.About)
	s.add("Of %s of rate and break, %d are right in every try, %d in some, %d in none", figure.Plural(len(m.Cells), "cell", "cells"), all, some, none)
	if untried > 0 {
		s.more(", %d were not tried", untried)
	}
	s.add("%s", m.Note)
	return s.String()
}

func (m *Margin) picture(vg.Length) *picture {
	p := &picture{title: m.Title, about: m.About, note: m.Note}
	for gap := range max(len(m.Grid.GapsMS), 1) {
		p.panels = append(p.panels, m.panel(gap))
	}
	p.keys = []key{boxKey(rightness(1), "right in every try"), boxKey(rightness(0.6), "in some"), boxKey(rightness(0), "in none")}
	if m.Limits != nil {
		p.keys = append(p.keys, limitKey(m.LimitsName))
	}
	return p
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
func (m *Margin) panel(gap int) *panel {
	g := m.Grid
	title := ""
	if len(g.GapsMS) > 0 {
		title = "Gap between the trains " + figure.Trimmed(g.GapsMS[gap], 3) + " ms"
	}
	p := newPanel(title, "rate, pulses per second", "break, % of the period")
	// Rows of a size that one reads, within a page.
	p.height = min(100+vg.Length(len(g.RatesPPS))*30, 300)
	x, y := borders(g.BreakPercents), borders(g.RatesPPS)
	for _, a := range []struct {
		axis   *plot.Axis
		values []float64
		b      []float64
	}{{&p.plot.X, g.BreakPercents, x}, {&p.plot.Y, g.RatesPPS, y}} {
		a.axis.Tick.Marker = axisTicks(a.values)
		a.axis.Min, a.axis.Max = a.b[0], a.b[len(a.b)-1]
	}
	boxes := &marginBoxes{Margin: m, gap: gap, x: x, y: y}
	p.plot.Add(boxes)
	if m.Limits != nil {
		if ring := limitOutline(m.Limits, m.Cells[g.Index(0, 0, gap)].GapMS, x[0], x[len(x)-1], y[0], y[len(y)-1]); ring != nil {
			p.add(outline(ring))
		}
	}
	p.plot.Add(marginFigures{boxes})
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
