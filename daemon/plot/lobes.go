package plot

import (
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// Lobes are the errors of a cam's lobes, with those of an earlier time.
type Lobes struct {
	Title string
	Lobes []Lobe
	Unit  string
	// Earlier names what the references are, such as "as left on 3 Nov".
	Earlier string
	Note    string
}

// A Lobe is the error of one, with half the width of its interval.
type Lobe struct {
	Number    int
	Error     pulse.Num
	U         float64   // 0 where it is not known
	Reference pulse.Num // its error at an earlier time
}

// Alt implements Drawing.
func (l *Lobes) Alt() string {
	var s sentences
	for _, x := range l.Lobes {
		if !x.Error.OK {
			s.add("Lobe %d: not measured", x.Number)
			continue
		}
		s.add("Lobe %d: %s", x.Number, figure.Unit(plusMinus(x.Error.V, pulse.Known(x.U)), l.Unit))
		if x.Reference.OK {
			s.more(", before %s", figure.Unit(plusMinus(x.Reference.V, pulse.Num{}), l.Unit))
		}
	}
	return s.String()
}

func (l *Lobes) picture(vg.Length) *picture {
	out := &picture{title: l.Title, note: l.Note}
	p := newPanel("", axisName("error, + is late", l.Unit), "lobe")
	var xs, low, high []float64
	var numbers []int
	var earlier []XY
	y, spread := newReach(), false
	y.hold(0)
	for i, x := range l.Lobes {
		numbers = append(numbers, x.Number)
		if x.Reference.OK {
			earlier = append(earlier, XY{float64(i), x.Reference.V})
			y.hold(x.Reference.V)
		}
		if !x.Error.OK {
			continue
		}
		y.hold(x.Error.V-x.U, x.Error.V+x.U)
		if x.U > 0 {
			spread = true
			xs, low, high = append(xs, float64(i)), append(low, x.Error.V-x.U), append(high, x.Error.V+x.U)
		}
	}
	y.set(&p.plot.Y, 0)
	p.plot.X.Min, p.plot.X.Max = -0.6, float64(len(l.Lobes))-0.4
	p.plot.X.Tick.Marker = numberTicks(numbers)
	p.add(rule, l.bars, line([]XY{{p.plot.X.Min, 0}, {p.plot.X.Max, 0}}, draw.LineStyle{Color: ink, Width: 0.8}), whiskers(xs, low, high))
	out.keys = append(out.keys, boxKey(pen, "error"))
	if spread {
		out.keys = append(out.keys, whiskerKey("its interval"))
	}
	if len(earlier) > 0 {
		p.add(circles(earlier, 4, wrongColour, true))
		out.keys = append(out.keys, dotKey(4, wrongColour, true, l.Earlier))
	}
	p.add(frame)
	out.panels = []*panel{p}
	return out
}

func (l *Lobes) bars(c *draw.Canvas, a *axes) {
	for i, x := range l.Lobes {
		if !x.Error.OK {
			continue
		}
		zero, top := a.y(0), a.y(x.Error.V)
		c.FillPolygon(pen, corners(vg.Rectangle{
			Min: vg.Point{X: a.x(float64(i) - 0.3), Y: min(zero, top)}, Max: vg.Point{X: a.x(float64(i) + 0.3), Y: max(zero, top)},
		}, 0))
	}
}
