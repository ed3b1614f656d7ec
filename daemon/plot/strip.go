package plot

import (
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"makebreak/daemon/figure"
)

// A Strip is make and break over time, of one contact or of several: the last
// seconds, or the pulse that was worst.
type Strip struct {
	Title string
	Unit  string // of the times: s or ms
	Rows  []StripRow
	// From and To are the ends of the axis, in Unit.
	From, To float64
	// Windows are where the limits let a change come, in Unit; they are tinted.
	Windows []StripWindow
	Note    string
}

// A StripRow is one contact.
type StripRow struct {
	Name  string
	Spans []Span // in order; between them nothing is known
}

// A State is that of a contact.
type State uint8

const (
	Open State = iota // break
	Closed
)

// A Span is a time in one state. Bounce is how long its begin bounced.
type Span struct {
	From, To float64
	State    State
	Bounce   float64
	Text     string // above it, where it has room
	Cut      bool   // it begins or ends outside the drawing
}

// A StripWindow is a time in which something may happen.
type StripWindow struct {
	From, To float64
	Text     string
}

// Alt implements Drawing.
func (s *Strip) Alt() string {
	var w sentences
	for _, r := range s.Rows {
		var breaks, bounced int
		open := 0.0
		for _, x := range r.Spans {
			if x.Bounce > 0 {
				bounced++
			}
			if x.State == Open && !x.Cut {
				breaks++
				open += x.To - x.From
			}
		}
		w.add("%s%s in %s, %s in all; bounce at %s", named(r.Name), figure.Plural(breaks, "break", "breaks"), figure.Unit(approx(s.To-s.From, s.To-s.From), s.Unit),
			figure.Unit(approx(open, s.To-s.From), s.Unit), figure.Plural(bounced, "change", "changes"))
		if len(r.Spans) <= mostSpansSaid {
			for _, x := range r.Spans {
				if x.Cut {
					continue
				}
				w.add("%s %s", [...]string{"Break", "Make"}[x.State], figure.Unit(approx(x.To-x.From, s.To-s.From), s.Unit))
				if x.Bounce > 0 {
					w.more(", its begin bounces for %s", figure.Unit(approx(x.Bounce, s.To-s.From), s.Unit))
				}
			}
		}
	}
	for _, x := range s.Windows {
		w.add("Tinted, %s: %s to %s", x.Text, figure.Trimmed(x.From, 3), figure.Unit(figure.Trimmed(x.To, 3), s.Unit))
	}
	return w.String()
}

// mostSpansSaid are heard without losing the thread.
const mostSpansSaid = 8

// stripHeight is that of one contact.
const stripHeight = 62

func (s *Strip) picture(vg.Length) *picture {
	out := &picture{title: s.Title, note: s.Note, keys: []key{
		lineKey(draw.LineStyle{Color: pen, Width: 2}, "up: make, down: break"),
	}}
	p := newPanel("", "", "time, "+s.Unit)
	p.height = vg.Length(len(s.Rows))*stripHeight + 46
	p.withoutY(0, float64(max(len(s.Rows), 1)))
	p.plot.X.Min, p.plot.X.Max = s.From, max(s.To, s.From+1e-9)
	p.add(rule, s.windows)
	bounce := false
	for i, r := range s.Rows {
		p.add(s.row(i, &r))
		for _, x := range r.Spans {
			bounce = bounce || x.Bounce > 0
		}
	}
	if bounce {
		out.keys = append(out.keys, boxKey(wrongColour, "bounce"))
	}
	if len(s.Windows) > 0 {
		out.keys = append(out.keys, boxKey(mixed(rightColour, paper, 0.75), s.Windows[0].Text))
	}
	p.add(frame)
	out.panels = []*panel{p}
	return out
}

func (s *Strip) windows(c *draw.Canvas, a *axes) {
	for _, x := range s.Windows {
		from, to := a.x(within(x.From, &a.plot.X)), a.x(within(x.To, &a.plot.X))
		if to > from {
			c.FillPolygon(mixed(rightColour, paper, 0.75), corners(vg.Rectangle{Min: vg.Point{X: from, Y: c.Min.Y}, Max: vg.Point{X: to, Y: c.Max.Y}}, 0))
		}
	}
}

// row draws the trace of a contact, with steps where its state changes, and each
// bounce as a block.
func (s *Strip) row(i int, r *StripRow) layer {
	return func(c *draw.Canvas, a *axes) {
		base := float64(len(s.Rows) - 1 - i)
		level := func(st State) vg.Length { return a.y(base + [...]float64{0.14, 0.58}[st]) }
		var path, blocks vg.Path
		last := Span{To: -1}
		for j, x := range r.Spans {
			if x.To < s.From || x.From > s.To {
				continue
			}
			from, to, y := a.x(max(x.From, s.From)), a.x(min(x.To, s.To)), level(x.State)
			if j > 0 && last.To == x.From && x.From >= s.From {
				path.Line(vg.Point{X: from, Y: y})
			} else {
				path.Move(vg.Point{X: from, Y: y})
			}
			path.Line(vg.Point{X: to, Y: y})
			if x.Bounce > 0 && x.From >= s.From {
				low, high := level(Open), level(Closed)
				end := max(a.x(min(x.From+x.Bounce, s.To)), from+1)
				blocks.Move(vg.Point{X: from, Y: low})
				blocks.Line(vg.Point{X: from, Y: high})
				blocks.Line(vg.Point{X: end, Y: high})
				blocks.Line(vg.Point{X: end, Y: low})
				blocks.Close()
			}
			if f := sans(plotLetter, false); x.Text != "" && textWidth(f, x.Text)+4 < to-from {
				label(c, f, draw.TextStyle{Color: ink, XAlign: draw.XCenter}, (from+to)/2, y+4, x.Text)
			}
			last = x
		}
		if len(blocks) > 0 {
			c.SetColor(wrongColour)
			c.Fill(blocks)
		}
		if len(path) > 0 {
			c.SetLineStyle(draw.LineStyle{Color: pen, Width: 2})
			c.Stroke(path)
		}
		if r.Name != "" {
			label(c, sans(plotLetter, true), inked, c.Min.X+5, a.y(base+1)-13, fit(r.Name, true, c.Size().X-10))
		}
		if i > 0 {
			c.StrokeLine2(draw.LineStyle{Color: ruling, Width: 1}, c.Min.X, a.y(base+1), c.Max.X, a.y(base+1))
		}
	}
}
