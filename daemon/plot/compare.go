package plot

import (
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// A Compare is figures of two stretches beside one another, each on a scale of its
// own.
type Compare struct {
	Title         string
	Before, After string // what the two are, such as as found and as left
	Rows          []CompareRow
	Note          string
}

// A CompareRow is one figure.
type CompareRow struct {
	Quantity, Unit string
	Before, After  Value
	Limits         Limits
	Outcome        string // in words, such as changed
}

// A Value is a figure with its expanded uncertainty, which may not be known.
type Value struct{ V, U pulse.Num }

func (v Value) words(unit string) string {
	if !v.V.OK {
		return "not measured"
	}
	return figure.Unit(plusMinus(v.V.V, v.U), unit)
}

// Alt implements Drawing.
func (c *Compare) Alt() string {
	var s sentences
	for _, r := range c.Rows {
		s.add("%s: %s %s, %s %s", upperFirst(r.Quantity), c.Before, r.Before.words(r.Unit), c.After, r.After.words(r.Unit))
		if r.Outcome != "" {
			s.more(": %s", r.Outcome)
		}
		if r.Limits.any() {
			s.more("; limits %s", r.Limits.words(r.Unit))
		}
	}
	return s.String()
}

func (c *Compare) picture(vg.Length) *picture {
	out := &picture{title: c.Title, note: c.Note, keys: []key{
		dotKey(4, ink, true, c.Before), dotKey(4, pen, false, c.After), whiskerKey("expanded uncertainty"),
	}}
	limited := false
	for _, r := range c.Rows {
		limited = limited || r.Limits.any()
		out.panels = append(out.panels, r.panel())
	}
	if limited {
		out.keys = append(out.keys, limitKey(""))
	}
	return out
}

func (r *CompareRow) panel() *panel {
	p := newPanel(axisName(r.Quantity, r.Unit), r.Outcome, "")
	p.height = 88
	p.withoutY(0, 3)
	x, least := newReach(), 0.0
	for _, v := range []Value{r.Before, r.After} {
		if v.V.OK {
			x.hold(v.V.V-v.U.V, v.V.V+v.U.V)
			least = max(least, v.U.V)
		}
	}
	x.near(least, r.Limits.Min, r.Limits.Max)
	x.set(&p.plot.X, least)
	p.add(rule, limitsX(r.Limits))
	for i, v := range []Value{r.After, r.Before} {
		if !v.V.OK {
			continue
		}
		y, before := float64(i)+1, i == 1
		p.add(func(c *draw.Canvas, a *axes) {
			at := a.y(y)
			if v.U.OK && v.U.V > 0 {
				for _, end := range []float64{v.V.V - v.U.V, v.V.V + v.U.V} {
					c.StrokeLine2(whiskerStyle(), a.x(end), at-4, a.x(end), at+4)
				}
				c.StrokeLine2(whiskerStyle(), a.x(v.V.V-v.U.V), at, a.x(v.V.V+v.U.V), at)
			}
			if before {
				circles([]XY{{v.V.V, y}}, 4, paper, false)(c, a)
				circles([]XY{{v.V.V, y}}, 4, ink, true)(c, a)
			} else {
				circles([]XY{{v.V.V, y}}, 4, pen, false)(c, a)
			}
		})
	}
	p.add(frame)
	return p
}
