package plot

import (
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// A Plane is the pulses or cycles of a contact by percent break (X) and rate (Y),
// with what the limits allow as a box.
type Plane struct {
	Title  string
	Unit   string // of the rate: pps or IPM
	Points []XY
	// Before are those of another stretch, such as the contact as found; they are
	// drawn as rings. BeforeName and Name tell the two apart.
	Before           []XY
	BeforeName, Name string
	// Of and BeforeOf are how many there are, where not all are drawn.
	Of, BeforeOf int
	// Latest is marked, with its expanded uncertainty U; nil marks none.
	Latest *XY
	U      XY // 0 where it is not known
	// Break and Rate are limits. Profile, where it is not nil, draws the border of
	// all that it allows in their place: some profiles have another percent break
	// at each rate.
	Break, Rate Limits
	Profile     *pulse.Profile
	Note        string
}

// Alt implements Drawing.
func (p *Plane) Alt() string {
	var s sentences
	group := func(name string, points []XY, of int) {
		if len(points) == 0 {
			return
		}
		x, y, out := newReach(), newReach(), 0
		for _, q := range points {
			x.hold(q.X)
			y.hold(q.Y)
			if p.outside(q) {
				out++
			}
		}
		if name != "" {
			name = ", " + name
		}
		count := figure.Plural(len(points), "point", "points")
		if of > len(points) {
			count = figure.Count(len(points)) + " of " + figure.Plural(of, "point", "points")
		}
		s.add("%s%s: percent break from %s to %s %%, rate from %s to %s", count, name,
			approx(x.low, x.high-x.low), approx(x.high, x.high-x.low), approx(y.low, y.high-y.low), figure.Unit(approx(y.high, y.high-y.low), p.Unit))
		if p.limited() {
			s.more("; %s outside the limits", figure.Count(out))
		}
	}
	group(p.BeforeName, p.Before, p.BeforeOf)
	group(p.Name, p.Points, p.Of)
	if p.Latest != nil {
		s.add("The latest: percent break %s %%, rate %s", plusMinus(p.Latest.X, pulse.Known(p.U.X)), figure.Unit(plusMinus(p.Latest.Y, pulse.Known(p.U.Y)), p.Unit))
	}
	if p.Break.any() {
		s.add("Limits of percent break: %s", p.Break.words("%"))
	}
	if p.Rate.any() {
		s.add("Limits of the rate: %s", p.Rate.words(p.Unit))
	}
	if s.Len() == 0 {
		s.add("No points yet")
	}
	return s.String()
}

func (p *Plane) limited() bool { return p.Profile != nil || p.Break.any() || p.Rate.any() }

func (p *Plane) outside(q XY) bool {
	if p.Profile != nil {
		allowed, _ := p.Profile.Allows(q.Y, q.X, pulse.Num{})
		return !allowed
	}
	return p.Break.miss(q.X) || p.Rate.miss(q.Y)
}

// Spans that each axis has at least: smaller ones would show noise as if it were
// much.
const (
	leastPercent = 4.0
	leastRate    = 0.04 // of the rate
)

func (p *Plane) picture(vg.Length) *picture {
	out := &picture{title: p.Title, note: p.Note}
	a := newPanel("", rateAxis(p.Unit), "break, % of the period")
	a.height = 280
	x, y := newReach(), newReach()
	for _, points := range [][]XY{p.Before, p.Points} {
		for _, q := range points {
			x.hold(q.X)
			y.hold(q.Y)
		}
	}
	if l := p.Latest; l != nil {
		x.hold(l.X-p.U.X, l.X+p.U.X)
		y.hold(l.Y-p.U.Y, l.Y+p.U.Y)
	}
	// The box shows whole, as far away as it may be: one adjusts towards it.
	for _, l := range []pulse.Num{p.Break.Min, p.Break.Max} {
		if l.OK {
			x.hold(l.V)
		}
	}
	for _, l := range []pulse.Num{p.Rate.Min, p.Rate.Max} {
		if l.OK {
			y.hold(l.V)
		}
	}
	x.set(&a.plot.X, leastPercent)
	y.set(&a.plot.Y, leastRate*max(y.high, 0))
	var ring plotter.XYs
	if p.Profile != nil {
		ring = limitOutline(p.Profile, pulse.Num{}, a.plot.X.Min, a.plot.X.Max, a.plot.Y.Min, a.plot.Y.Max)
	}
	a.add(rule)
	if ring != nil {
		a.add(tintAround(ring), outline(ring))
	} else {
		a.add(limitsX(p.Break), limitsY(p.Rate), limitLines(p.Break, p.Rate))
	}
	if p.limited() {
		out.keys = append(out.keys, limitKey(""))
	}
	if len(p.Before) > 0 {
		a.add(circles(p.Before, 2.6, ink, true))
		out.keys = append(out.keys, dotKey(2.6, ink, true, p.BeforeName))
	}
	a.add(circles(p.Points, 1.8, pen, false))
	if p.Name != "" {
		out.keys = append(out.keys, dotKey(1.8, pen, false, p.Name))
	}
	if p.Latest != nil {
		a.add(p.latest)
		out.keys = append(out.keys, dotKey(4.5, wrongColour, true, "the latest, with its uncertainty"))
	}
	a.add(frame)
	out.panels = []*panel{a}
	return out
}

func rateAxis(unit string) string {
	switch unit {
	case "pps":
		return "rate, pulses per second"
	case "IPM":
		return "rate, interruptions per minute"
	}
	return "rate, " + unit
}

// latest marks the latest point with a cross as wide as its uncertainty.
func (p *Plane) latest(c *draw.Canvas, a *axes) {
	x, y := a.x(p.Latest.X), a.y(p.Latest.Y)
	c.StrokeLine2(whiskerStyle(), a.x(p.Latest.X-p.U.X), y, a.x(p.Latest.X+p.U.X), y)
	c.StrokeLine2(whiskerStyle(), x, a.y(p.Latest.Y-p.U.Y), x, a.y(p.Latest.Y+p.U.Y))
	circles([]XY{*p.Latest}, 4.5, wrongColour, true)(c, a)
	circles([]XY{*p.Latest}, 1.8, ink, false)(c, a)
}

// limitLines draws the lines of two limits over their tints.
func limitLines(x, y Limits) layer {
	return func(c *draw.Canvas, a *axes) {
		for _, s := range x.sides(&a.plot.X) {
			if s.shown {
				c.StrokeLine2(limitStyle(), a.x(s.at), c.Min.Y, a.x(s.at), c.Max.Y)
			}
		}
		for _, s := range y.sides(&a.plot.Y) {
			if s.shown {
				c.StrokeLine2(limitStyle(), c.Min.X, a.y(s.at), c.Max.X, a.y(s.at))
			}
		}
	}
}

// tintAround tints all but a ring.
func tintAround(ring plotter.XYs) layer {
	return func(c *draw.Canvas, a *axes) {
		c.FillPolygon(outside, corners(c.Rectangle, 0))
		xys := make([]vg.Point, len(ring))
		for i, p := range ring {
			xys[i] = vg.Point{X: a.x(p.X), Y: a.y(p.Y)}
		}
		c.FillPolygon(paper, xys)
	}
}
