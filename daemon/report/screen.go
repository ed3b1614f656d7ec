package report

import (
	"fmt"
	"io"
	"strings"
)

// A Screen is some lines at the end of a terminal that are written over. The zero
// value writes nothing.
type Screen struct {
	Out   io.Writer
	shown int // lines
	text  string
}

// Show puts lines in place of what stood there; what is the same is left alone.
func (s *Screen) Show(lines ...string) {
	if s.Out == nil || len(lines) == 0 {
		return
	}
	var b strings.Builder
	for i, l := range lines {
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(Shorten(l, PageWidth-1) + "\x1b[K")
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
