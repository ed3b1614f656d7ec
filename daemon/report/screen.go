package report

import (
	"cmp"
	"fmt"
	"io"
	"strings"
)

// A Screen is some lines at the end of a terminal that are written over. The zero
// value writes nothing.
type Screen struct {
	Out io.Writer
	// Columns is the width of the terminal, which a person may change at any time; nil,
	// or 0 for one that does not tell, is PageWidth. Longer lines fold: those that a
	// terminal breaks by itself could not be written over.
	Columns func() int
	shown   int // lines
	text    string
}

// Show puts lines in place of what stood there; what is the same is left alone.
func (s *Screen) Show(lines ...string) {
	if s.Out == nil || len(lines) == 0 {
		return
	}
	room := PageWidth
	if s.Columns != nil {
		room = cmp.Or(s.Columns(), PageWidth)
	}
	lines = folded(lines, max(room-1, 1))
	var b strings.Builder
	for i, l := range lines {
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(l + "\x1b[K")
	}
	if b.String() == s.text && s.shown > 0 {
		return
	}
	fmt.Fprint(s.Out, s.top()+b.String())
	if len(lines) < s.shown {
		fmt.Fprint(s.Out, "\x1b[J")
	}
	s.shown, s.text = len(lines), b.String()
}

// folded breaks lines that are wider than room between their parts, which two spaces
// part, else between words; the rest is indented.
func folded(lines []string, room int) (all []string) {
	for _, l := range lines {
		for width(l) > room {
			r := []rune(l)
			at := room
			for _, gap := range []string{"  ", " "} { // between parts, else words
				if i := strings.LastIndex(string(r[:room+1]), gap); i > room/3 {
					at = len([]rune(string(r[:room+1])[:i]))
					break
				}
			}
			all = append(all, strings.TrimRight(string(r[:at]), " "))
			l = strings.TrimLeft(string(r[at:]), " ")
			if room > PageWidth/4 {
				l = "  " + l
			}
		}
		all = append(all, l)
	}
	return all
}

// top goes to the begin of the first line.
func (s *Screen) top() string {
	if s.shown > 1 {
		return fmt.Sprintf("\x1b[%dA\r", s.shown-1)
	}
	return "\r"
}

// Clear takes the lines away.
func (s *Screen) Clear() {
	if s.shown > 0 {
		fmt.Fprint(s.Out, s.top()+"\x1b[J")
		s.shown, s.text = 0, ""
	}
}

// Bell rings the terminal's bell.
func (s *Screen) Bell() {
	if s.Out != nil {
		fmt.Fprint(s.Out, "\a")
	}
}
