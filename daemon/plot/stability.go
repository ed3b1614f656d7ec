package plot

import (
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"

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
	// GuideName; without a name there is none.
	Guide     float64
	GuideName string
}

// Alt implements Drawing.
func (s *Stability) Alt() string {
	var w sentences
	w.add("%s", s.About)
	for _, p := range s.Curve {
		if p.Deviation.V > 0 {
			w.add("%s at %s s", figure.NonZero(p.Deviation.V, figure.Decimals(p.Deviation.V)), figure.Trimmed(float64(p.TauS), 3))
		}
	}
	w.add("%s over %s", s.Y, s.X)
	return w.String()
}

// picture has logarithmic axes, with the interval of each point.
func (s *Stability) picture(vg.Length) *picture {
	out := &picture{title: s.Title, about: s.About, keys: []key{lineKey(penStyle(), "deviation"), whiskerKey("95 % interval")}}
	if s.GuideName != "" {
		out.keys = append(out.keys, lineKey(guideStyle(), s.GuideName))
	}
	p := newPanel("", s.Y, s.X)
	p.height = 300
	var points []XY
	var x, lows, highs []float64
	low, high := math.Inf(1), 0.0
	for _, pt := range s.Curve {
		v := pt.Deviation.V
		if v <= 0 {
			continue
		}
		points = append(points, XY{float64(pt.TauS), v})
		low, high = min(low, v), max(high, v)
		// An interval that spans decades says that nothing is known; it may
		// leave the picture.
		low, high = min(low, max(pt.Low.V, v/10)), max(high, min(pt.High.V, 10*v))
		if pt.Low.OK {
			x, lows, highs = append(x, float64(pt.TauS)), append(lows, pt.Low.V), append(highs, pt.High.V)
		}
	}
	if len(points) == 0 {
		return out
	}
	out.panels = append(out.panels, p)
	for _, a := range []struct {
		axis      *plot.Axis
		low, high float64
	}{{&p.plot.X, points[0].X / 1.3, points[len(points)-1].X * 1.3}, {&p.plot.Y, low / 1.3, high * 1.3}} {
		a.axis.Scale = plot.LogScale{}
		a.axis.Min, a.axis.Max = a.low, a.high
		a.axis.Tick.Marker = decades(a.low, a.high)
	}
	p.add(rule)
	if first := points[0]; s.GuideName != "" {
		end := p.plot.X.Max
		if s.Guide < 0 {
			end = min(end, first.X*math.Pow(p.plot.Y.Min/first.Y, 1/s.Guide))
		}
		p.add(line([]XY{first, {end, first.Y * math.Pow(end/first.X, s.Guide)}}, guideStyle()))
	}
	p.add(whiskers(x, lows, highs), line(points, penStyle()), circles(points, 3, pen, false), frame)
	return out
}
