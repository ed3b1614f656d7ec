package plot

import (
	"image/color"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// A panel is one pair of axes. Its vertical axis is named above it, where it
// costs no width and is read without turning one's head.
type panel struct {
	title, y string
	plot     *plot.Plot
	height   vg.Length
	indent   vg.Length // of its axes, so that those of stacked panels stand in line
	rows     bool      // no vertical axis: its layers name what they draw
}

// An XY is a point of a drawing.
type XY struct{ X, Y float64 }

// Limits are what a figure must keep; a side without a limit is not known.
type Limits struct{ Min, Max pulse.Num }

// any tells whether there is one.
func (l Limits) any() bool { return l.Min.OK || l.Max.OK }

// miss tells a value out of limits.
func (l Limits) miss(v float64) bool { return l.Min.OK && v < l.Min.V || l.Max.OK && v > l.Max.V }

// words names the limits with a unit.
func (l Limits) words(unit string) string {
	switch low, high := figure.Trimmed(l.Min.V, 3), figure.Trimmed(l.Max.V, 3); {
	case l.Min.OK && l.Max.OK:
		return low + " to " + figure.Unit(high, unit)
	case l.Min.OK:
		return "at least " + figure.Unit(low, unit)
	case l.Max.OK:
		return "at most " + figure.Unit(high, unit)
	}
	return ""
}

// LimitsOf are the tightest limits that m was judged by on any of the quantities.
func LimitsOf(m *pulse.Measurement, quantities ...pulse.Quantity) (l Limits) {
	if m.Conformity == nil {
		return l
	}
	for _, it := range m.Conformity.Items {
		for _, q := range quantities {
			switch {
			case pulse.Quantity(it.Quantity) != q:
			case it.Bound == "min" && (!l.Min.OK || it.Limit > l.Min.V):
				l.Min = pulse.Known(it.Limit)
			case it.Bound == "max" && (!l.Max.OK || it.Limit < l.Max.V):
				l.Max = pulse.Known(it.Limit)
			}
		}
	}
	return l
}

// A layer draws into the axes of a panel.
type layer func(c *draw.Canvas, a *axes)

// axes place values on a canvas.
type axes struct {
	x, y func(float64) vg.Length
	plot *plot.Plot
}

// Plot implements plot.Plotter.
func (l layer) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	l(&c, &axes{x, y, p})
}

// within keeps a value on its axis.
func within(v float64, a *plot.Axis) float64 { return min(max(v, a.Min), a.Max) }

// newPanel makes axes with their frame and ruling.
func newPanel(title, y, x string) *panel {
	p := plot.New()
	p.BackgroundColor = nil // the paper is drawn already; transparent would become a fill that no reader of SVG knows
	p.X.Label.Text = printable(x)
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.Label.TextStyle.Font, a.Label.TextStyle.Color = sans(plotLetter, false), faint
		a.Label.Padding = 3
		a.Tick.Label.Font, a.Tick.Label.Color = sans(plotLetter, false), ink
		a.Tick.LineStyle.Color, a.Tick.LineStyle.Width, a.Tick.Length = faint, 0.8, 4
		a.LineStyle.Width = 0 // the frame has it
		a.Padding = 0
		a.Tick.Marker = evenTicks{}
	}
	return &panel{title: title, y: y, plot: p, height: panelHeight}
}

// withoutY makes a panel whose layers name what they draw.
func (p *panel) withoutY(low, high float64) {
	p.rows = true
	p.plot.HideY()
	p.plot.Y.Min, p.plot.Y.Max = low, high
}

func (p *panel) add(l ...layer) {
	for _, x := range l {
		p.plot.Add(x)
	}
}

// rule draws the ruling of the paper, below everything.
func rule(c *draw.Canvas, a *axes) {
	style := draw.LineStyle{Color: ruling, Width: 0.7}
	for _, t := range a.plot.X.Tick.Marker.Ticks(a.plot.X.Min, a.plot.X.Max) {
		if t.Label != "" {
			c.StrokeLine2(style, a.x(t.Value), c.Min.Y, a.x(t.Value), c.Max.Y)
		}
	}
	for _, t := range a.plot.Y.Tick.Marker.Ticks(a.plot.Y.Min, a.plot.Y.Max) {
		if t.Label != "" {
			c.StrokeLine2(style, c.Min.X, a.y(t.Value), c.Max.X, a.y(t.Value))
		}
	}
}

func frame(c *draw.Canvas, _ *axes) {
	c.StrokeLines(draw.LineStyle{Color: faint, Width: 0.8}, corners(c.Rectangle, 0))
}

// limitsX and limitsY tint what lies outside the limits, and draw those that lie on
// the axis.
func limitsX(l Limits) layer {
	return func(c *draw.Canvas, a *axes) {
		l.draw(c, &a.plot.X, a.x, func(from, to vg.Length) vg.Rectangle {
			return vg.Rectangle{Min: vg.Point{X: from, Y: c.Min.Y}, Max: vg.Point{X: to, Y: c.Max.Y}}
		})
	}
}

func limitsY(l Limits) layer {
	return func(c *draw.Canvas, a *axes) {
		l.draw(c, &a.plot.Y, a.y, func(from, to vg.Length) vg.Rectangle {
			return vg.Rectangle{Min: vg.Point{X: c.Min.X, Y: from}, Max: vg.Point{X: c.Max.X, Y: to}}
		})
	}
}

// draw draws the limits of an axis, whose values lie at a place; band is what of the
// canvas lies between two of them.
func (l Limits) draw(c *draw.Canvas, a *plot.Axis, place func(float64) vg.Length, band func(from, to vg.Length) vg.Rectangle) {
	for _, s := range l.sides(a) {
		at, end := place(within(s.at, a)), place(a.Max)
		if s.below {
			end = place(a.Min)
		}
		if at != end {
			c.FillPolygon(outside, corners(band(min(at, end), max(at, end)), 0))
		}
		if s.shown {
			line := band(at, at)
			c.StrokeLine2(limitStyle(), line.Min.X, line.Min.Y, line.Max.X, line.Max.Y)
		}
	}
}

// A side is one limit: what is below it, or above it, is outside.
type side struct {
	at           float64
	below, shown bool
}

func (l Limits) sides(a *plot.Axis) (s []side) {
	for _, x := range []struct {
		v     pulse.Num
		below bool
	}{{l.Min, true}, {l.Max, false}} {
		if x.v.OK {
			s = append(s, side{x.v.V, x.below, x.v.V >= a.Min && x.v.V <= a.Max})
		}
	}
	return s
}

// A reach is the part of an axis that values take.
type reach struct{ low, high float64 }

func newReach() reach { return reach{math.Inf(1), math.Inf(-1)} }

// hold lets v be on the axis; what is no number is left out.
func (r *reach) hold(values ...float64) {
	for _, v := range values {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			r.low, r.high = min(r.low, v), max(r.high, v)
		}
	}
}

// near holds a limit that lies near the values: one that is far away would press
// them into a line.
func (r *reach) near(least float64, limits ...pulse.Num) {
	if r.low > r.high {
		for _, l := range limits {
			if l.OK {
				r.hold(l.V)
			}
		}
		return
	}
	low, high := r.low, r.high
	room := max(high-low, least, 1e-9*math.Abs(high), 1e-12)
	for _, l := range limits {
		if l.OK && l.V >= low-1.5*room && l.V <= high+1.5*room {
			r.hold(l.V)
		}
	}
}

// set gives the axis what is held, at least so much, with some room beside it.
func (r *reach) set(a *plot.Axis, least float64) {
	low, high := r.low, r.high
	if low > high {
		low, high = 0, 1
	}
	least = max(least, 1e-9*math.Abs(high), 1e-12)
	if less := least - (high - low); less > 0 {
		low, high = low-less/2, high+less/2
	}
	room := 0.06 * (high - low)
	a.Min, a.Max = low-room, high+room
}

// circles draws points as dots, or as rings, in one path. Dots that cover one
// another are drawn once, and those beside the axes are left out.
func circles(points []XY, radius vg.Length, colour color.Color, ring bool) layer {
	same := max(1.5, 0.8*radius) // pixels: dots that near look like one
	return func(c *draw.Canvas, a *axes) {
		var path vg.Path
		seen := make(map[[2]int]bool)
		for _, p := range points {
			if !(p.X >= a.plot.X.Min && p.X <= a.plot.X.Max && p.Y >= a.plot.Y.Min && p.Y <= a.plot.Y.Max) {
				continue
			}
			at := vg.Point{X: a.x(p.X), Y: a.y(p.Y)}
			cell := [2]int{int(at.X / same), int(at.Y / same)}
			if seen[cell] {
				continue
			}
			seen[cell] = true
			path.Move(vg.Point{X: at.X + radius, Y: at.Y})
			path.Arc(at, radius, 0, 2*math.Pi)
		}
		if len(path) == 0 {
			return
		}
		c.SetColor(colour)
		if ring {
			c.SetLineWidth(1.2)
			c.SetLineDash(nil, 0)
			c.Stroke(path)
			return
		}
		c.Fill(path)
	}
}

// whiskers draws an interval of y beside each x, as far as it lies on the axis.
func whiskers(x, low, high []float64) layer {
	return func(c *draw.Canvas, a *axes) {
		for i := range x {
			at := a.x(x[i])
			for _, end := range []float64{low[i], high[i]} {
				if end == within(end, &a.plot.Y) {
					c.StrokeLine2(whiskerStyle(), at-3, a.y(end), at+3, a.y(end))
				}
			}
			c.StrokeLine2(whiskerStyle(), at, a.y(within(low[i], &a.plot.Y)), at, a.y(within(high[i], &a.plot.Y)))
		}
	}
}

// line joins points, as far as they lie on the axes.
func line(points []XY, style draw.LineStyle) layer {
	return func(c *draw.Canvas, a *axes) {
		xys := make([]vg.Point, len(points))
		for i, p := range points {
			xys[i] = vg.Point{X: a.x(p.X), Y: a.y(p.Y)}
		}
		c.StrokeLines(style, c.ClipLinesXY(xys)...)
	}
}

// area fills a polygon of values.
func area(points []XY, colour color.Color) layer {
	return func(c *draw.Canvas, a *axes) {
		xys := make([]vg.Point, len(points))
		for i, p := range points {
			xys[i] = vg.Point{X: a.x(p.X), Y: a.y(p.Y)}
		}
		if xys = c.ClipPolygonXY(xys); len(xys) > 2 {
			c.FillPolygon(colour, xys)
		}
	}
}

// outline is a closed dashed line with a halo, which shows on any colour.
func outline(ring plotter.XYs) layer {
	return func(c *draw.Canvas, a *axes) {
		xys := make([]vg.Point, len(ring))
		for i, p := range ring {
			xys[i] = vg.Point{X: a.x(p.X), Y: a.y(p.Y)}
		}
		c.StrokeLines(draw.LineStyle{Color: paper, Width: 3}, xys)
		c.StrokeLines(limitStyle(), xys)
	}
}

// Room beside and within a panel.
const (
	panelHead  = 20 // for its names
	panelLeft  = 8
	panelRight = 18
	panelGap   = 6
)

// labelWidth is the widest label of the vertical axis.
func (p *panel) labelWidth() (w vg.Length) {
	if p.rows {
		return 0
	}
	for _, t := range p.plot.Y.Tick.Marker.Ticks(p.plot.Y.Min, p.plot.Y.Max) {
		w = max(w, p.plot.Y.Tick.Label.Width(t.Label))
	}
	return w
}

// alignLeft lets the axes of stacked panels begin at one line.
func alignLeft(panels []*panel) {
	widest := vg.Length(0)
	for _, p := range panels {
		widest = max(widest, p.labelWidth())
	}
	for _, p := range panels {
		p.indent = widest - p.labelWidth()
	}
}

func (p *panel) draw(c draw.Canvas) {
	x := c.Min.X + edge
	if p.title != "" {
		x += label(&c, sans(panelLetter, true), inked, x, c.Max.Y-panelHead+6, p.title) + 10
	}
	if p.y != "" {
		label(&c, sans(plotLetter, false), fainter, x, c.Max.Y-panelHead+6, p.y)
	}
	head := vg.Length(0)
	if p.title != "" || p.y != "" {
		head = panelHead
	}
	left := panelLeft + p.indent
	if p.rows {
		left = edge
	}
	p.plot.Draw(draw.Crop(c, left, -panelRight, panelGap, -head))
}

// Keys of what every drawing has.
func lineKey(style draw.LineStyle, text string) key {
	return key{22, func(c *draw.Canvas, x, y vg.Length) { c.StrokeLine2(style, x, y, x+22, y) }, text}
}

func limitKey(words string) key {
	text := "limits"
	if words != "" {
		text += " " + words
	}
	return lineKey(limitStyle(), text)
}

func dotKey(radius vg.Length, colour color.Color, ring bool, text string) key {
	return key{10, func(c *draw.Canvas, x, y vg.Length) {
		var path vg.Path
		path.Move(vg.Point{X: x + 5 + radius, Y: y})
		path.Arc(vg.Point{X: x + 5, Y: y}, radius, 0, 2*math.Pi)
		c.SetColor(colour)
		if ring {
			c.SetLineWidth(1.2)
			c.SetLineDash(nil, 0)
			c.Stroke(path)
			return
		}
		c.Fill(path)
	}, text}
}

// hatch draws slanted lines over rectangles, in one path. They are in line with one
// another, whatever is under them shows, and they are seen in grey too.
func hatch(c *draw.Canvas, rectangles ...vg.Rectangle) {
	const apart = 8 // pixels across: closer lines look like a tint
	var path vg.Path
	for _, r := range rectangles {
		// Each line has one sum of x and y.
		for sum := vg.Length(math.Ceil(float64((r.Min.X+r.Min.Y)/apart))) * apart; sum < r.Max.X+r.Max.Y; sum += apart {
			left, right := max(r.Min.X, sum-r.Max.Y), min(r.Max.X, sum-r.Min.Y)
			if right > left {
				path.Move(vg.Point{X: left, Y: sum - left})
				path.Line(vg.Point{X: right, Y: sum - right})
			}
		}
	}
	if len(path) > 0 {
		c.SetLineStyle(draw.LineStyle{Color: unknown, Width: 0.7})
		c.Stroke(path)
	}
}

// hatchKey explains what hatch draws.
func hatchKey(text string) key {
	return key{20, func(c *draw.Canvas, x, y vg.Length) {
		box := vg.Rectangle{Min: vg.Point{X: x, Y: y - 5}, Max: vg.Point{X: x + 20, Y: y + 6}}
		hatch(c, box)
		c.StrokeLines(draw.LineStyle{Color: faint, Width: 0.6}, corners(box, 0))
	}, text}
}

func boxKey(colour color.Color, text string) key {
	return key{14, func(c *draw.Canvas, x, y vg.Length) {
		box := vg.Rectangle{Min: vg.Point{X: x, Y: y - 5}, Max: vg.Point{X: x + 14, Y: y + 6}}
		c.FillPolygon(colour, corners(box, 0))
		c.StrokeLines(draw.LineStyle{Color: faint, Width: 0.6}, corners(box, 0))
	}, text}
}

func whiskerKey(text string) key {
	return key{8, func(c *draw.Canvas, x, y vg.Length) {
		c.StrokeLine2(whiskerStyle(), x+4, y-6, x+4, y+6)
		c.StrokeLine2(whiskerStyle(), x+1, y-6, x+7, y-6)
		c.StrokeLine2(whiskerStyle(), x+1, y+6, x+7, y+6)
	}, text}
}
