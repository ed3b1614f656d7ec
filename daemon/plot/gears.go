package plot

import (
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// Gears are the swings that the shafts of a drive make in a contact's openings.
type Gears struct {
	Title  string
	Shafts []Shaft
	Unit   string // of the amplitudes
	Note   string
}

// A Shaft is what one shaft does.
type Shaft struct {
	Name       string
	Amplitude  pulse.Num
	U          float64   // half the width of its interval, 0 where it is not known
	Share      pulse.Num // of the variance, 0 to 1
	FalseAlarm pulse.Num // the chance that noise alone makes so much
	// Shown tells a swing that is more than noise.
	Shown bool
}

// words are the figures of a shaft.
func (s *Shaft) words(unit string) string {
	if !s.Amplitude.OK {
		return "cannot be told"
	}
	text := figure.Unit(plusMinus(s.Amplitude.V, pulse.Known(s.U)), unit)
	if s.Share.OK {
		text += ", " + figure.Fixed(100*s.Share.V, 0) + " % of the swing"
	}
	switch p := s.FalseAlarm; {
	case !p.OK:
	case p.V < leastChance:
		text += ", by chance less than " + figure.OneIn(leastChance)
	case p.V < 0.1:
		text += ", by chance " + figure.OneIn(p.V)
	default:
		text += ", by chance in " + figure.Fixed(100*p.V, 0) + " %"
	}
	if !s.Shown {
		text += ": no more than noise"
	}
	return text
}

// leastChance is as small as one says a chance.
const leastChance = 1e-6

// Alt implements Drawing.
func (g *Gears) Alt() string {
	var s sentences
	for i := range g.Shafts {
		s.add("%s: %s", g.Shafts[i].Name, g.Shafts[i].words(g.Unit))
	}
	return s.String()
}

// rowHeight is that of two lines of text and a bar.
const rowHeight = 48

func (g *Gears) picture(vg.Length) *picture {
	out := &picture{title: g.Title, note: g.Note, keys: []key{
		boxKey(pen, "more than noise"), boxKey(spreadColour, "no more than noise"), whiskerKey("interval"),
	}}
	p := newPanel("", "", axisName("swing of the openings, peak", g.Unit))
	p.height = vg.Length(len(g.Shafts))*rowHeight + 50
	p.withoutY(0, float64(max(len(g.Shafts), 1)))
	x := newReach()
	x.hold(0)
	for _, s := range g.Shafts {
		if s.Amplitude.OK {
			x.hold(s.Amplitude.V + s.U)
		}
	}
	x.set(&p.plot.X, 0)
	p.plot.X.Min = 0
	p.add(rule, g.rows, frame)
	out.panels = []*panel{p}
	return out
}

func (g *Gears) rows(c *draw.Canvas, a *axes) {
	for i := range g.Shafts {
		s := &g.Shafts[i]
		top := a.y(float64(len(g.Shafts) - i))
		room := c.Size().X - 10
		label(c, sans(plotLetter, true), inked, c.Min.X+6, top-13, fit(s.Name, true, room))
		label(c, sans(plotLetter, false), fainter, c.Min.X+6, top-26, fit(s.words(g.Unit), false, room))
		if !s.Amplitude.OK {
			continue
		}
		colour := spreadColour
		if s.Shown {
			colour = pen
		}
		end := a.x(s.Amplitude.V)
		c.FillPolygon(colour, corners(vg.Rectangle{Min: vg.Point{X: c.Min.X, Y: top - 42}, Max: vg.Point{X: max(end, c.Min.X+1), Y: top - 31}}, 0))
		if s.U > 0 {
			low, high := a.x(max(s.Amplitude.V-s.U, 0)), a.x(s.Amplitude.V+s.U)
			y := top - 36.5
			c.StrokeLine2(whiskerStyle(), low, y, high, y)
			c.StrokeLine2(draw.LineStyle{Color: ink, Width: 1}, high, y-3, high, y+3)
			c.StrokeLine2(draw.LineStyle{Color: ink, Width: 1}, low, y-3, low, y+3)
		}
	}
}

// fit cuts text that is wider than its room.
func fit(text string, bold bool, room vg.Length) string {
	if textWidth(sans(plotLetter, bold), text) <= room {
		return text
	}
	r := []rune(text)
	for len(r) > 1 && textWidth(sans(plotLetter, bold), string(r)+"…") > room {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}
