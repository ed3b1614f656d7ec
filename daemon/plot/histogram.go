package plot

import (
	"math"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// A Histogram is how often values of a quantity came.
type Histogram struct {
	Title    string
	Quantity string // such as break
	Unit     string // such as ms
	Bins     []Bin  // in order
	Limits   Limits
	// U is the expanded uncertainty of a value: the guard band inside each limit.
	U    pulse.Num
	Note string
}

// A Bin holds how many values lie from Low to High.
type Bin struct {
	Low, High float64
	Count     int
}

// mostBins of a histogram are told apart on a phone. So many at least show two groups that
// lie apart, which the rule, made for one, would join.
const (
	mostBins  = 40
	leastBins = 15
)

// Bins sorts values into bins of a round width, as many as Freedman and
// Diaconis' rule asks for (Z. Wahrscheinlichkeitstheorie 57, 1981: 2 IQR / n^⅓),
// some 15 to 40. No bin is finer than a resolution. None of no values.
func Bins(values []float64, resolution float64) []Bin {
	if len(values) == 0 {
		return nil
	}
	low, high := least(values), most(values)
	width := max((high-low)/mostBins, resolution, 1e-9*math.Abs(high), 1e-9)
	if iqr := quantile(values, 0.75) - quantile(values, 0.25); iqr > 0 {
		width = max(width, min(2*iqr/math.Cbrt(float64(len(values))), (high-low)/leastBins))
	}
	width = roundUp(width)
	first := math.Floor(low / width)
	bins := make([]Bin, int(math.Floor(high/width)-first)+1)
	for i := range bins {
		bins[i].Low, bins[i].High = (first+float64(i))*width, (first+float64(i)+1)*width
	}
	for _, v := range values {
		bins[min(max(int(math.Floor(v/width)-first), 0), len(bins)-1)].Count++
	}
	return bins
}

// roundUp gives 1, 2 or 5 times a power of ten, no less than v.
func roundUp(v float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(v)))
	for _, f := range []float64{1, 2, 5} {
		if f*power >= v*(1-1e-9) {
			return f * power
		}
	}
	return 10 * power
}

// Alt implements Drawing.
func (h *Histogram) Alt() string {
	var s sentences
	n, top := 0, Bin{}
	low, high := newReach(), newReach()
	for _, b := range h.Bins {
		n += b.Count
		if b.Count > top.Count {
			top = b
		}
		if b.Count > 0 {
			low.hold(b.Low)
			high.hold(b.High)
		}
	}
	if n == 0 {
		s.add("No values of %s yet", h.Quantity)
	} else {
		w := top.High - top.Low
		s.add("%s of %s, from %s to %s", figure.Plural(n, "value", "values"), h.Quantity, binEnd(low.low, w), figure.Unit(binEnd(high.high, w), h.Unit))
		if len(h.Bins) > 1 {
			s.more("; most often %s to %s, %s", binEnd(top.Low, w), figure.Unit(binEnd(top.High, w), h.Unit), figure.Plural(top.Count, "time", "times"))
		}
	}
	if h.Limits.any() {
		s.add("Limits %s", h.Limits.words(h.Unit))
	}
	if h.U.OK && h.U.V > 0 {
		s.add("Each value is known within ± %s", figure.Unit(figure.Fixed(h.U.V, figure.Decimals(h.U.V)), h.Unit))
	}
	return s.String()
}

// binEnd writes the end of a bin, whose width has one digit.
func binEnd(v, width float64) string { return figure.Fixed(v, max(figure.Decimals(width)-1, 0)) }

func (h *Histogram) picture(vg.Length) *picture {
	out := &picture{title: h.Title, note: h.Note}
	p := newPanel("", "number of values", axisName(h.Quantity, h.Unit))
	p.height = 190
	x, top := newReach(), 0
	for _, b := range h.Bins {
		if b.Count > 0 {
			x.hold(b.Low, b.High)
		}
		top = max(top, b.Count)
	}
	x.near(h.U.V, h.Limits.Min, h.Limits.Max)
	x.set(&p.plot.X, 2*h.U.V)
	p.plot.Y.Min, p.plot.Y.Max = 0, 1.08*float64(max(top, 1))
	p.plot.Y.Tick.Marker = countTicks{}
	p.add(rule, limitsX(h.Limits), h.bars)
	if h.Limits.any() {
		out.keys = append(out.keys, limitKey(h.Limits.words(h.Unit)))
		p.add(limitLines(h.Limits, Limits{}))
		if h.U.OK && h.U.V > 0 {
			p.add(h.guard)
			out.keys = append(out.keys, lineKey(guideStyle(), "± "+figure.Unit(figure.Fixed(h.U.V, figure.Decimals(h.U.V)), h.Unit)+" inside them"))
		}
	}
	p.add(frame)
	out.panels = []*panel{p}
	return out
}

func axisName(quantity, unit string) string {
	if unit == "" {
		return quantity
	}
	return quantity + ", " + unit
}

func (h *Histogram) bars(c *draw.Canvas, a *axes) {
	var path vg.Path
	for _, b := range h.Bins {
		if b.Count == 0 {
			continue
		}
		x0, x1, y := a.x(b.Low), a.x(b.High), a.y(float64(b.Count))
		if x1-x0 > 3 { // bars stand apart where there is room
			x0, x1 = x0+0.5, x1-0.5
		}
		path.Move(vg.Point{X: x0, Y: c.Min.Y})
		path.Line(vg.Point{X: x0, Y: y})
		path.Line(vg.Point{X: x1, Y: y})
		path.Line(vg.Point{X: x1, Y: c.Min.Y})
		path.Close()
	}
	if len(path) > 0 {
		c.SetColor(pen)
		c.Fill(path)
	}
}

// guard draws where a value is surely inside the limits.
func (h *Histogram) guard(c *draw.Canvas, a *axes) {
	for _, s := range h.Limits.sides(&a.plot.X) {
		at := s.at - h.U.V
		if s.below {
			at = s.at + h.U.V
		}
		if at == within(at, &a.plot.X) {
			c.StrokeLine2(guideStyle(), a.x(at), c.Min.Y, a.x(at), c.Max.Y)
		}
	}
}
