package web

import (
	"strconv"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/daemon/live"
	"makebreak/pulse"
)

// A strip is the latest make and break as a pen would have drawn it: up is make, as
// in the drawings of package plot.
type strip struct {
	Trace string // the path of known time
	Gaps  string // of time in which the state is not known
	Words string
}

const (
	// stripBins are about as many as a strip has pixels on a phone.
	stripBins = 360
	// Of a strip that is stripBins wide.
	stripOpen, stripClosed = 24, 4
	// overviewTime is how far the page of all contacts looks back: some digits, or some
	// turns of a slow cam.
	overviewTime = pulse.Stamp(2 * 60e9)
)

// newStrip draws what lasted a length of time until now. Where there are more
// changes than can be told apart, the pen fills the height.
func newStrip(l *live.Latest, length pulse.Stamp) strip {
	from := l.Now - length
	state := l.Before
	marks := l.Marks
	for len(marks) > 0 && marks[0].At <= from {
		state, marks = marks[0].To, marks[1:]
	}
	var trace, gaps strings.Builder
	y := map[live.State]string{live.Open: strconv.Itoa(stripOpen), live.Closed: strconv.Itoa(stripClosed)}
	x := func(at pulse.Stamp) int { return int(stripBins * (at - from) / length) }
	opened, known, open := 0, pulse.Stamp(0), pulse.Stamp(0)
	lastX, pen := -1, live.Unknown
	step := func(begin, end pulse.Stamp, s live.State) { // one state
		a, b := x(begin), min(x(end), stripBins)
		if s == live.Unknown {
			if b > a {
				gaps.WriteString("M" + strconv.Itoa(a) + " 14H" + strconv.Itoa(b))
			}
			pen = s
			return
		}
		known += end - begin
		if s == live.Open {
			open += end - begin
		}
		switch {
		case pen == live.Unknown:
			trace.WriteString("M" + strconv.Itoa(a) + " " + y[s])
			pen = s
		case pen != s && (b > a || a != lastX):
			trace.WriteString("H" + strconv.Itoa(a) + "V" + y[s])
			pen, lastX = s, a
		}
		if b > a {
			trace.WriteString("H" + strconv.Itoa(b))
		}
	}
	at := from
	for _, m := range marks {
		end := min(max(m.At, at), l.Now)
		if end > at {
			step(at, end, state)
		}
		if m.To == live.Open && state == live.Closed {
			opened++
		}
		at, state = end, m.To
	}
	step(at, l.Now, state)
	s := strip{Trace: trace.String(), Gaps: gaps.String(), Words: "last " + duration(float64(length)/1e9) + ": "}
	switch {
	case known == 0:
		s.Words += "not being read"
	case opened == 0:
		s.Words += "no opening"
	default:
		s.Words += figure.Plural(opened, "opening", "openings")
	}
	if known > 0 {
		s.Words += ", open " + figure.Fixed(percent(open, known), 0) + " % of the time"
	}
	return s
}

func percent(part, of pulse.Stamp) float64 { return 100 * float64(part) / float64(of) }
