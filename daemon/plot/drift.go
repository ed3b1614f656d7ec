package plot

import (
	"bytes"
	"image/color"
	"io"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"makebreak/daemon/figure"
)

// A Drift is how window means change over time.
type Drift struct {
	Panels []DriftPanel
	XLabel string
	Note   string // a line at the foot
}

// A DriftPanel is one quantity.
type DriftPanel struct {
	Title  string
	Y      string // label of the axis, with its unit
	X      []float64
	Means  []float64
	Trend  []float64 // at X: the line or the step that explains the means; nil draws none
	Limits []float64 // drawn where they are near the means
	Span   float64   // the axis spans so much at least: less is not known
}

// driftPanel is the height of one panel.
const driftPanel = 2.1 * vg.Inch

// SVG draws the panels one above the other.
func (d *Drift) SVG(w io.Writer) error {
	height := vg.Length(len(d.Panels))*driftPanel + 0.3*vg.Inch
	c := vgsvg.New(plotWidth, height)
	dc := draw.New(c)
	dc.FillPolygon(color.White, []vg.Point{dc.Min, {X: dc.Max.X, Y: dc.Min.Y}, dc.Max, {X: dc.Min.X, Y: dc.Max.Y}})
	for i := range d.Panels {
		top := height - vg.Length(i)*driftPanel
		p, err := d.panel(&d.Panels[i])
		if err != nil {
			return err
		}
		p.Draw(draw.Crop(dc, 6, -14, top-driftPanel+4, top-height-4))
	}
	label(&dc, sans(plotLetter, false), faint, dc.Min.X+12, dc.Min.Y+8, d.Note)
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return err
	}
	_, err := w.Write(bytes.ReplaceAll(b.Bytes(), []byte("font-family:Liberation Sans;"), []byte("font-family:Liberation Sans,Arial,Helvetica,sans-serif;")))
	return err
}

func (d *Drift) panel(x *DriftPanel) (*plot.Plot, error) {
	p := plot.New()
	p.BackgroundColor = color.Transparent
	p.Title.Text = x.Title
	p.Title.TextStyle.Font, p.Title.TextStyle.Color = sans(10, true), ink
	for _, a := range []struct {
		axis *plot.Axis
		text string
	}{{&p.X, d.XLabel}, {&p.Y, x.Y}} {
		a.axis.Label.Text = a.text
		a.axis.Label.TextStyle.Font, a.axis.Label.TextStyle.Color = sans(plotLetter, false), ink
		a.axis.Tick.Label.Font, a.axis.Tick.Label.Color = sans(plotLetter, false), ink
		a.axis.LineStyle.Color, a.axis.Tick.LineStyle.Color = faint, faint
	}
	points := make(plotter.XYs, len(x.X))
	low, high := math.Inf(1), math.Inf(-1)
	for i := range x.X {
		points[i] = plotter.XY{X: x.X[i], Y: x.Means[i]}
		low, high = min(low, x.Means[i]), max(high, x.Means[i])
	}
	dots, err := plotter.NewScatter(points)
	if err != nil {
		return nil, err
	}
	dots.GlyphStyle = draw.GlyphStyle{Color: color.NRGBA{0x00, 0x72, 0xb2, 0x90}, Radius: 1.2, Shape: draw.CircleGlyph{}}
	p.Add(dots)
	p.X.Min = min(p.X.Min, 0) // ticks at round times from the start
	if less := x.Span - (high - low); less > 0 && len(x.X) > 0 {
		p.Y.Min, p.Y.Max = min(p.Y.Min, low-less/2), max(p.Y.Max, high+less/2)
	}
	p.Y.Tick.Marker = evenTicks{}
	room := max(high-low, x.Span, 1e-9*math.Abs(high), 1e-12)
	for _, limit := range x.Limits {
		// One that is far away would press the means into a line.
		if limit < low-1.5*room || limit > high+1.5*room || len(x.X) == 0 {
			continue
		}
		line, err := plotter.NewLine(plotter.XYs{{X: x.X[0], Y: limit}, {X: x.X[len(x.X)-1], Y: limit}})
		if err != nil {
			return nil, err
		}
		line.LineStyle = limitStyle()
		p.Add(line)
	}
	if x.Trend != nil {
		line := make(plotter.XYs, len(x.X))
		for i := range x.X {
			line[i] = plotter.XY{X: x.X[i], Y: x.Trend[i]}
		}
		trend, err := plotter.NewLine(line)
		if err != nil {
			return nil, err
		}
		trend.LineStyle = draw.LineStyle{Color: wrongColour, Width: 1.6}
		p.Add(trend)
	}
	return p, nil
}

// evenTicks are the usual ones, with the decimals that tell them apart.
type evenTicks struct{}

// mostTickDecimals of a label show all that a float64 near 60 holds and an axis needs.
const mostTickDecimals = 9

// Ticks gives the ticks of an axis.
func (evenTicks) Ticks(low, high float64) []plot.Tick {
	ticks := plot.DefaultTicks{}.Ticks(low, high)
	least := math.Inf(1) // distance of two labels
	last := math.NaN()
	for _, t := range ticks {
		if t.Label == "" {
			continue
		}
		if d := t.Value - last; d > 0 {
			least = min(least, d)
		}
		last = t.Value
	}
	if math.IsInf(least, 1) {
		least = high - low
	}
	decimals := 0
	for ; decimals < mostTickDecimals; decimals++ {
		scale, exact := math.Pow(10, float64(decimals)), true
		for _, t := range ticks {
			if v := t.Value * scale; t.Label != "" && math.Abs(v-math.Round(v)) > 0.01*least*scale {
				exact = false
			}
		}
		if exact {
			break
		}
	}
	for i := range ticks {
		if ticks[i].Label != "" {
			ticks[i].Label = figure.Fixed(ticks[i].Value, decimals)
		}
	}
	return ticks
}
