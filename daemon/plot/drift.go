package plot

import (
	"gonum.org/v1/plot/vg"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// A Drift is how window means change over time.
type Drift struct {
	Title  string
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

// Alt implements Drawing.
func (d *Drift) Alt() string {
	var s sentences
	for i := range d.Panels {
		p := &d.Panels[i]
		if len(p.X) == 0 {
			continue
		}
		s.add("%s, %s: %s, from %s to %s", p.Title, p.Y, figure.Plural(len(p.X), "window mean", "window means"), approx(least(p.Means), p.Span), approx(most(p.Means), p.Span))
		if n := len(p.Trend); n > 0 {
			s.more("; the trend goes from %s to %s", approx(p.Trend[0], p.Span), approx(p.Trend[n-1], p.Span))
		}
	}
	s.add("%s", d.XLabel)
	return s.String()
}

func (d *Drift) picture(vg.Length) *picture {
	p := &picture{title: d.Title, note: d.Note}
	for i := range d.Panels {
		x := ""
		if i == len(d.Panels)-1 {
			x = d.XLabel
		}
		p.panels = append(p.panels, d.Panels[i].panel(x))
	}
	return p
}

func (d *DriftPanel) panel(x string) *panel {
	p := newPanel(d.Title, d.Y, x)
	points, trend := make([]XY, len(d.X)), make([]XY, len(d.Trend))
	var xs, ys reach = newReach(), newReach()
	xs.hold(0) // ticks at round times from the start
	for i := range d.X {
		points[i] = XY{d.X[i], d.Means[i]}
		xs.hold(d.X[i])
		ys.hold(d.Means[i])
	}
	for _, limit := range d.Limits {
		ys.near(d.Span, pulse.Known(limit))
	}
	for i := range d.Trend {
		trend[i] = XY{d.X[i], d.Trend[i]}
	}
	p.plot.X.Min, p.plot.X.Max = xs.low, max(xs.high, xs.low+1e-9)
	ys.set(&p.plot.Y, d.Span)
	p.add(rule)
	for _, limit := range d.Limits {
		if limit == within(limit, &p.plot.Y) {
			p.add(line([]XY{{p.plot.X.Min, limit}, {p.plot.X.Max, limit}}, limitStyle()))
		}
	}
	p.add(circles(points, 1.6, pen, false))
	if len(trend) > 0 {
		p.add(line(trend, trendStyle()))
	}
	p.add(frame)
	return p
}
