package plot

import (
	"math"
	"time"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// A Trend is a quantity over wall time.
type Trend struct {
	Title    string
	Quantity string
	Unit     string
	From, To time.Time // of the axis, without the forecast
	Zone     *time.Location
	Points   []TrendPoint // in order of time
	Gaps     []Gap        // of which nothing is known; no line crosses them
	Limits   Limits
	Marks    []Mark
	Fit      []TrendPoint // the line or the step that explains the values; may be empty
	Forecast *Forecast    // nil for none
	Least    float64      // the axis spans so much at least
	Note     string
}

// A TrendPoint is a mean at a time, with half the width of its interval, 0 where
// that is not known, and the least and greatest single value, where they are.
type TrendPoint struct {
	At        time.Time
	V, U      float64
	Low, High pulse.Num
}

// A Gap is a time of which nothing is known.
type Gap struct{ From, To time.Time }

// A MarkKind tells what a mark stands for.
type MarkKind uint8

const (
	MarkNote    MarkKind = iota // what somebody wrote
	MarkFinding                 // what the program found
	MarkStep                    // a step of the values
)

var markNames = [...]string{"note", "finding", "step"}

// A Mark is something that happened.
type Mark struct {
	At   time.Time
	Kind MarkKind
	Text string
}

// A Forecast is where the trend goes from the end of the values on: between Low and
// High at its end, if it goes on so.
type Forecast struct {
	From, To     time.Time
	Start        float64
	V, Low, High float64 // at To
}

// Alt implements Drawing.
func (t *Trend) Alt() string {
	var s sentences
	if len(t.Points) == 0 {
		s.add("No values of %s from %s to %s", t.Quantity, t.when(t.From), t.when(t.To))
	} else {
		v, out := newReach(), 0
		for _, p := range t.Points {
			v.hold(p.V)
			if t.Limits.miss(p.V) {
				out++
			}
		}
		span := max(v.high-v.low, t.Least)
		first, last := t.Points[0], t.Points[len(t.Points)-1]
		s.add("%s of %s from %s to %s: first %s, last %s, least %s, greatest %s", figure.Plural(len(t.Points), "mean", "means"), t.Quantity, t.when(first.At), t.when(last.At),
			approx(first.V, span), approx(last.V, span), approx(v.low, span), figure.Unit(approx(v.high, span), t.Unit))
		if t.Limits.any() {
			s.add("Limits %s; %s outside", t.Limits.words(t.Unit), figure.Plural(out, "mean", "means"))
		}
	}
	if n := len(t.Gaps); n > 0 {
		s.add("Nothing is known in %s", figure.Plural(n, "gap", "gaps"))
	}
	for i, m := range t.Marks {
		if i == mostMarksSaid {
			s.add("And %d more", len(t.Marks)-i)
			break
		}
		s.add("%s, %s: %s", t.when(m.At), markNames[m.Kind], m.Text)
	}
	if f := t.Forecast; f != nil {
		span := max(f.High-f.Low, t.Least)
		s.add("If it goes on so, %s at %s, between %s and %s", figure.Unit(approx(f.V, span), t.Unit), t.when(f.To), approx(f.Low, span), approx(f.High, span))
	}
	return s.String()
}

// mostMarksSaid are heard without losing the thread.
const mostMarksSaid = 12

func (t *Trend) when(at time.Time) string {
	zone := t.Zone
	if zone == nil {
		zone = time.UTC
	}
	return at.In(zone).Format("2 Jan 2006 15:04")
}

func (t *Trend) picture(width vg.Length) *picture {
	out := &picture{title: t.Title, note: t.Note}
	p := newPanel("", axisName(t.Quantity, t.Unit), "")
	p.height = 230
	y := newReach()
	for _, q := range t.Points {
		y.hold(q.V-q.U, q.V+q.U)
		for _, v := range []pulse.Num{q.Low, q.High} {
			if v.OK {
				y.hold(v.V)
			}
		}
	}
	for _, q := range t.Fit {
		y.hold(q.V)
	}
	end := t.To
	if f := t.Forecast; f != nil {
		y.hold(f.V)
		y.near(t.Least, pulse.Known(f.Low), pulse.Known(f.High))
		if f.To.After(end) {
			end = f.To
		}
	}
	y.near(t.Least, t.Limits.Min, t.Limits.Max)
	y.set(&p.plot.Y, t.Least)
	p.plot.X.Min, p.plot.X.Max = seconds(t.From), max(seconds(end), seconds(t.From)+1e-3)
	p.plot.X.Tick.Marker = clockTicks{t.Zone, width - 60}
	p.add(rule, limitsY(t.Limits), t.drawGaps)
	if t.Forecast != nil {
		p.add(t.fan)
	}
	p.add(limitLines(Limits{}, t.Limits), t.values)
	if len(t.Fit) > 0 {
		fit := make([]XY, len(t.Fit))
		for i, q := range t.Fit {
			fit[i] = XY{seconds(q.At), q.V}
		}
		p.add(line(fit, trendStyle()))
	}
	p.add(t.marks, frame)
	out.panels = []*panel{p}
	out.keys = t.keys()
	return out
}

func (t *Trend) keys() (all []key) {
	spread, interval := false, false
	for _, q := range t.Points {
		spread, interval = spread || q.Low.OK || q.High.OK, interval || q.U > 0
	}
	all = append(all, dotKey(1.8, pen, false, "mean"))
	if interval {
		all = append(all, whiskerKey("its interval"))
	}
	if spread {
		all = append(all, boxKey(spreadColour, "single values"))
	}
	if t.Limits.any() {
		all = append(all, limitKey(t.Limits.words(t.Unit)))
	}
	if len(t.Fit) > 0 {
		all = append(all, lineKey(trendStyle(), "trend"))
	}
	if t.Forecast != nil {
		all = append(all, boxKey(fanColour, "if it goes on so, 95 %"))
	}
	if len(t.Gaps) > 0 {
		all = append(all, hatchKey("nothing known"))
	}
	var has [3]bool
	for _, m := range t.Marks {
		has[m.Kind] = true
	}
	for kind, h := range has {
		if h {
			all = append(all, key{10, func(c *draw.Canvas, x, y vg.Length) { flag(c, MarkKind(kind), x+5, y+5) }, markNames[kind]})
		}
	}
	return all
}

// spread and fan are paler than what is drawn over them, and each another grey, also
// than what is outside the limits.
var (
	spreadColour = mixed(pen, paper, 0.68)
	fanColour    = mixed(wrongColour, paper, 0.65)
)

// values draws the means with their intervals, joined where nothing lies between,
// over the reach of single values.
func (t *Trend) values(c *draw.Canvas, a *axes) {
	var all, run []XY
	var x, low, high []float64
	var over, under []XY
	flush := func() {
		if len(over) > 1 {
			ring := append([]XY{}, over...)
			for i := len(under) - 1; i >= 0; i-- {
				ring = append(ring, under[i])
			}
			area(ring, spreadColour)(c, a)
		}
		over, under = nil, nil
	}
	var runs [][]XY
	for i, q := range t.Points {
		if i > 0 && t.parted(t.Points[i-1].At, q.At) {
			runs, run = append(runs, run), nil
			flush()
		}
		at := XY{seconds(q.At), q.V}
		all, run = append(all, at), append(run, at)
		if q.Low.OK && q.High.OK {
			over, under = append(over, XY{at.X, q.High.V}), append(under, XY{at.X, q.Low.V})
		}
		if q.U > 0 {
			x, low, high = append(x, at.X), append(low, q.V-q.U), append(high, q.V+q.U)
		}
	}
	flush()
	for _, r := range append(runs, run) {
		if len(r) > 1 {
			line(r, draw.LineStyle{Color: pen, Width: 0.8})(c, a)
		}
	}
	if len(x) <= mostWhiskers {
		whiskers(x, low, high)(c, a)
	} else {
		bars(x, low, high)(c, a)
	}
	circles(all, 1.8, pen, false)(c, a)
}

// mostWhiskers stand beside one another; more are drawn without ends.
const mostWhiskers = 40

// bars are whiskers without ends, in one path.
func bars(x, low, high []float64) layer {
	return func(c *draw.Canvas, a *axes) {
		var path vg.Path
		for i := range x {
			path.Move(vg.Point{X: a.x(x[i]), Y: a.y(within(low[i], &a.plot.Y))})
			path.Line(vg.Point{X: a.x(x[i]), Y: a.y(within(high[i], &a.plot.Y))})
		}
		c.SetLineStyle(draw.LineStyle{Color: faint, Width: 0.7})
		c.Stroke(path)
	}
}

// parted tells whether a gap lies between two times.
func (t *Trend) parted(from, to time.Time) bool {
	for _, g := range t.Gaps {
		if g.From.Before(to) && g.To.After(from) {
			return true
		}
	}
	return false
}

// drawGaps hatches the gaps. Those that are parted by less than one sees are one: a
// contact that runs for minutes a day has hundreds.
func (t *Trend) drawGaps(c *draw.Canvas, a *axes) {
	var all []vg.Rectangle
	for _, g := range t.Gaps {
		from, to := a.x(within(seconds(g.From), &a.plot.X)), a.x(within(seconds(g.To), &a.plot.X))
		if to <= from {
			continue
		}
		if n := len(all); n > 0 && from >= all[n-1].Min.X && from < all[n-1].Max.X+1.5 {
			all[n-1].Max.X = max(all[n-1].Max.X, to)
			continue
		}
		all = append(all, vg.Rectangle{Min: vg.Point{X: from, Y: c.Min.Y}, Max: vg.Point{X: max(to, from+1), Y: c.Max.Y}})
	}
	hatch(c, all...)
}

func (t *Trend) fan(c *draw.Canvas, a *axes) {
	f := t.Forecast
	from, to := seconds(f.From), seconds(f.To)
	area([]XY{{from, f.Start}, {to, f.Low}, {to, f.High}}, fanColour)(c, a)
	line([]XY{{from, f.Start}, {to, f.V}}, draw.LineStyle{Color: wrongColour, Width: 1.4, Dashes: []vg.Length{2, 2}})(c, a)
}

// marks draws each mark as a flag at the top, with a line down to the values.
func (t *Trend) marks(c *draw.Canvas, a *axes) {
	for _, m := range t.Marks {
		at := seconds(m.At)
		if at != within(at, &a.plot.X) {
			continue
		}
		c.StrokeLine2(draw.LineStyle{Color: faint, Width: 0.7, Dashes: []vg.Length{1, 2}}, a.x(at), c.Min.Y, a.x(at), c.Max.Y-8)
		flag(c, m.Kind, a.x(at), c.Max.Y)
	}
}

// flag draws the sign of a kind of mark, hanging from a point: a triangle for a
// note, a dot for a finding, a square for a step.
func flag(c *draw.Canvas, kind MarkKind, x, y vg.Length) {
	switch kind {
	case MarkNote:
		c.FillPolygon(ink, []vg.Point{{X: x - 5, Y: y}, {X: x + 5, Y: y}, {X: x, Y: y - 9}})
	case MarkFinding:
		var path vg.Path
		path.Move(vg.Point{X: x + 4, Y: y - 5})
		path.Arc(vg.Point{X: x, Y: y - 5}, 4, 0, 2*math.Pi)
		c.SetColor(wrongColour)
		c.Fill(path)
	case MarkStep:
		c.FillPolygon(pen, corners(vg.Rectangle{Min: vg.Point{X: x - 4, Y: y - 9}, Max: vg.Point{X: x + 4, Y: y - 1}}, 0))
	}
}
