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
	"makebreak/pulse"
)

// A Stability is how steadily an interrupter keeps time.
type Stability struct {
	Curve []pulse.StabilityPoint // of one deviation, with a point or more
	Title string
	About string // a line below the title
	X, Y  string // what the axes show; Y stands above the plot
	// Guide is drawn faintly through the first point with this slope, and named
	// GuideName beside About; without a name there is none.
	Guide     float64
	GuideName string
}

// WriteSVG draws the curve on logarithmic axes, with the interval of each point.
func (s *Stability) WriteSVG(w io.Writer) error {
	const nameHeight = 16 // of the vertical axis: it turns no text, and gonum keeps too much room for such text on a logarithmic one
	width, height := plotWidth, 4*vg.Inch
	c := vgsvg.New(width, height)
	dc := draw.New(c)
	dc.FillPolygon(color.White, []vg.Point{dc.Min, {X: dc.Max.X, Y: dc.Min.Y}, dc.Max, {X: dc.Min.X, Y: dc.Max.Y}})
	head := draw.Crop(dc, 0, 0, height-plotHead, 0)
	label(&head, sans(13, true), ink, head.Min.X+12, head.Max.Y-22, s.Title)
	x, y := head.Min.X+12, head.Max.Y-38
	x += 1.2*label(&head, sans(plotLetter, false), faint, x, y, s.About) + 18 // a reader's font may be wider
	if s.GuideName != "" {
		head.StrokeLine2(guideStyle(), x, y+3, x+24, y+3)
		label(&head, sans(plotLetter, false), faint, x+29, y, s.GuideName)
	}
	label(&dc, sans(plotLetter, false), ink, dc.Min.X+12, dc.Max.Y-plotHead-nameHeight+4, s.Y)
	s.panel().Draw(draw.Crop(dc, 8, -16, 8, -plotHead-nameHeight-4))
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return err
	}
	_, err := w.Write(withFonts(b.Bytes()))
	return err
}

func (s *Stability) panel() *plot.Plot {
	p := plot.New()
	p.BackgroundColor = color.Transparent
	low, high := math.Inf(1), 0.0
	var line plotter.XYs
	for _, pt := range s.Curve {
		v := pt.Deviation.V
		if v <= 0 {
			continue
		}
		line = append(line, plotter.XY{X: float64(pt.TauS), Y: v})
		low, high = math.Min(low, v), math.Max(high, v)
		// An interval that spans decades says that nothing is known; it may
		// leave the picture.
		low = math.Min(low, math.Max(pt.Low.V, v/10))
		high = math.Max(high, math.Min(pt.High.V, 10*v))
	}
	if len(line) == 0 {
		return p
	}
	for _, a := range []struct {
		axis      *plot.Axis
		text      string
		low, high float64
	}{{&p.X, s.X, line[0].X / 1.3, line[len(line)-1].X * 1.3}, {&p.Y, "", low / 1.3, high * 1.3}} {
		a.axis.Label.Text = a.text
		a.axis.Label.TextStyle.Font = sans(10, false)
		a.axis.Label.TextStyle.Color = ink
		a.axis.Label.Padding = 4
		a.axis.Tick.Label.Font = sans(plotLetter, false)
		a.axis.Tick.Label.Color = ink
		a.axis.Tick.Length = 3
		a.axis.Tick.LineStyle.Color = faint
		a.axis.LineStyle.Width = 0
		a.axis.Padding = 2
		a.axis.Scale = plot.LogScale{}
		a.axis.Min, a.axis.Max = a.low, a.high
		a.axis.Tick.Marker = decades(a.low, a.high)
	}
	grid := plotter.NewGrid()
	pale := draw.LineStyle{Color: color.Gray{0xe4}, Width: 0.5}
	grid.Vertical, grid.Horizontal = pale, pale
	p.Add(grid)
	if s.GuideName != "" {
		p.Add(&guide{line[0], s.Guide})
	}
	p.Add(intervals{s.Curve, p})
	p.Add(&plotter.Line{XYs: line, LineStyle: draw.LineStyle{Color: rightColour, Width: 1.4}})
	p.Add(&plotter.Scatter{XYs: line, GlyphStyle: draw.GlyphStyle{Color: rightColour, Radius: 2.6, Shape: draw.CircleGlyph{}}})
	return p
}

// decades marks 1, 2 and 5 of each decade, and labels as many of them as one
// reads at ease.
func decades(low, high float64) (t plot.ConstantTicks) {
	labelled := map[int]bool{1: true}
	if high/low < 200 {
		labelled[2], labelled[5] = true, true
	}
	for e := math.Floor(math.Log10(low)); e <= math.Ceil(math.Log10(high)); e++ {
		for _, f := range []int{1, 2, 5} {
			v := float64(f) * math.Pow(10, e)
			if v < low || v > high {
				continue
			}
			k := plot.Tick{Value: v}
			if labelled[f] {
				k.Label = figure.Trimmed(v, 6)
				if v >= 1000 {
					k.Label = figure.Count(int(math.Round(v)))
				}
			}
			t = append(t, k)
		}
	}
	return t
}

// intervals draws the 95 % interval of each point, as far as it lies in the plot.
type intervals struct {
	curve []pulse.StabilityPoint
	p     *plot.Plot
}

func (i intervals) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	style := draw.LineStyle{Color: faint, Width: 0.9}
	for _, pt := range i.curve {
		if !pt.Low.OK || pt.Deviation.V <= 0 {
			continue
		}
		at := x(float64(pt.TauS))
		for _, end := range []float64{pt.Low.V, pt.High.V} {
			inside := math.Min(math.Max(end, p.Y.Min), p.Y.Max)
			if inside == end {
				c.StrokeLine2(style, at-2.5, y(end), at+2.5, y(end))
			}
			c.StrokeLine2(style, at, y(pt.Deviation.V), at, y(inside))
		}
	}
}

func guideStyle() draw.LineStyle {
	return draw.LineStyle{Color: faint, Width: 0.8, Dashes: []vg.Length{3, 3}}
}

// A guide is a straight line through a point, to the edge of the plot.
type guide struct {
	at    plotter.XY
	slope float64
}

func (g *guide) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	end := p.X.Max
	if g.slope < 0 {
		end = math.Min(end, g.at.X*math.Pow(p.Y.Min/g.at.Y, 1/g.slope))
	}
	c.StrokeLine2(guideStyle(), x(g.at.X), y(g.at.Y), x(end), y(g.at.Y*math.Pow(end/g.at.X, g.slope)))
}
