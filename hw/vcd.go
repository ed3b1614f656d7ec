package hw

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"makebreak/pulse"
)

// Recorded edges as a value change dump, IEEE 1364-2005 clause 18. Values that
// stand before the first time, at time 0, or in the first $dumpvars are the
// initial level, not an edge. Where they are x or z the recording begins with
// the first known level, and that is no edge either. A variable that has no
// value before its first change has its first edge there. Of several changes
// at one time, or within one ns, the last counts; a change to the level
// already held is no edge. Sections with a keyword not in the standard are
// skipped to their $end.

type vcdDecoder struct {
	*window
	exp      int // one unit of time is 10^exp ns
	variable variable
	names    []string
	declared map[string]bool

	skipped, dump         string // keywords of the current sections, "" if none
	skippedLine, dumpLine int
	wantCode              bool // the next token is the code of value
	value                 pulse.Level
	valueBits             int // 0 if it is none

	timed  bool   // a time was read
	ticks  []byte // the last time, without leading zeros
	at     int64  // the last time, ns
	held   pulse.Level
	change bool // the variable got held at this time
	dumped bool // in a $dumpvars
	level  pulse.Level
	state  vcdState
}

type vcdState uint8

const (
	vcdNoValue vcdState = iota
	vcdUnknown          // x or z, and no level before
	vcdRunning
)

const (
	// Bounds for memory: more than any recorder of contacts declares.
	maxVariables = 1 << 18
	maxCode      = 64
	maxWords     = 64 // of a declaration, and scopes in each other
)

var errMore = errors.New("no whole token in the window")

// token takes the next token, or gives errMore if the window does not hold a
// whole one. It is valid until the next fill.
func (d *vcdDecoder) token() ([]byte, error) {
	b := d.rest()
	i := 0
	for i < len(b) && isSpace(b[i]) {
		if b[i] == '\n' {
			d.line++
		}
		i++
	}
	d.pos += i
	b = b[i:]
	n := 0
	for n < len(b) && !isSpace(b[n]) {
		n++
	}
	if n > maxLine {
		return nil, d.fail(d.line, "at most 65536 bytes", "a word is too long")
	}
	if n == 0 || n == len(b) && !d.last() {
		return nil, errMore
	}
	d.pos += n
	return b[:n], nil
}

// wait is token, but waits for it. At the end of the file it fails with what
// was expected.
func (d *vcdDecoder) wait(expected string) (string, error) {
	for {
		t, err := d.token()
		if err == nil {
			return string(t), nil
		}
		if err != errMore {
			return "", err
		}
		if err := d.fill(context.Background()); err == io.EOF {
			return "", d.fail(d.line, expected, "%s", fileEnds)
		} else if err != nil {
			return "", err
		}
	}
}

func newVCDDecoder(w *window, contact string) (*vcdDecoder, error) {
	d := &vcdDecoder{window: w, declared: map[string]bool{}}
	chosen := selection{wanted: contact}
	var scopes []string
	timescale := false
	for {
		keyword, err := d.wait("$enddefinitions")
		if err != nil {
			return nil, err
		}
		line := d.line
		switch {
		case keyword[0] != '$':
			return nil, d.fail(line, "a keyword like $var, or $enddefinitions before the first value", "%s", quote(keyword))
		case keyword == "$end":
			return nil, d.fail(line, "a keyword like $var", "$end without a section")
		case strings.HasPrefix(keyword, "$dump"):
			return nil, d.fail(line, "$enddefinitions before it", "%s", keyword)
		}
		body, err := d.body(keyword)
		if err != nil {
			return nil, err
		}
		switch keyword {
		case "$timescale":
			text := strings.Join(body, " ")
			exp, ok := timescaleExponent(strings.Join(body, ""))
			if !ok {
				return nil, d.fail(line, "1, 10 or 100, and s, ms, us, ns, ps or fs", "$timescale is %s", quote(text))
			}
			if timescale {
				return nil, d.fail(line, "one", "a second $timescale")
			}
			timescale, d.exp = true, exp
		case "$scope":
			if len(body) != 2 {
				return nil, d.fail(line, "a type and a name", "$scope with %s", quote(strings.Join(body, " ")))
			}
			if len(body[1]) > maxName || len(scopes) == maxWords {
				return nil, d.fail(line, fmt.Sprintf("at most %d scopes and names of at most %d bytes", maxWords, maxName), "too large a $scope")
			}
			scopes = append(scopes, body[1])
		case "$upscope":
			if len(scopes) == 0 {
				return nil, d.fail(line, "a $scope before it", "$upscope")
			}
			scopes = scopes[:len(scopes)-1]
		case "$var":
			if len(body) < 4 {
				return nil, d.fail(line, "type, size, code and name", "$var with %s", quote(strings.Join(body, " ")))
			}
			name := strings.Join(body[3:], "")
			if len(body[2]) > maxCode || len(name) > maxName {
				return nil, d.fail(line, fmt.Sprintf("a code of at most %d bytes and a name of at most %d", maxCode, maxName), "too large a $var")
			}
			if d.declared[body[2]] = true; len(d.declared) > maxVariables {
				return nil, d.fail(line, fmt.Sprintf("at most %d", maxVariables), "too many variables")
			}
			path := strings.Join(append(slices.Clip(scopes), name), ".")
			chosen.add(variable{path: path, kind: body[0], size: body[1], code: body[2]})
		case "$enddefinitions":
			if !timescale {
				return nil, d.fail(line, "it before $enddefinitions", "no $timescale")
			}
			d.names = chosen.all.names
			d.variable, err = chosen.result(d.window)
			return d, err
		}
	}
}

// body takes the tokens of a section of declarations, up to $end. Of text and
// unknown sections it gives none.
func (d *vcdDecoder) body(keyword string) (body []string, err error) {
	line, text := d.line, true
	switch keyword {
	case "$timescale", "$scope", "$upscope", "$var", "$enddefinitions":
		text = false
	}
	for {
		t, err := d.wait(fmt.Sprintf("$end of the %s of line %d", keyword, line))
		if err != nil {
			return nil, err
		}
		code := keyword == "$var" && len(body) == 2
		switch {
		case t == "$end" && !code:
			return body, nil
		case text:
		case t[0] == '$' && !code || len(body) == maxWords:
			return nil, d.fail(d.line, "its $end first", "%s inside the %s of line %d", quote(t), keyword, line)
		default:
			body = append(body, t)
		}
	}
}

func timescaleExponent(s string) (exp int, ok bool) {
	number := strings.TrimRight(s, "smunpf")
	unit := s[len(number):]
	for i, u := range []string{"s", "ms", "us", "ns", "ps", "fs"} {
		if unit == u {
			exp, ok = 9-3*i, true
		}
	}
	switch number {
	case "1":
	case "10":
		exp++
	case "100":
		exp += 2
	default:
		ok = false
	}
	return exp, ok
}

type variable struct{ path, kind, size, code string }

// A contact is one bit that changes between levels.
func (v variable) isContact() bool {
	switch v.kind {
	case "real", "realtime", "event", "parameter", "string":
		return false
	}
	return v.size == "1"
}

// A selection finds the wanted variable among those that are declared.
type selection struct {
	wanted          string
	all, exact, end candidates // end: the wanted name is the end of the path
	other           variable   // has the wanted name but is no contact
}

// candidates are variables with different codes: two names of one code are one
// variable.
type candidates struct {
	codes map[string]bool
	one   variable
	names []string
}

func (c *candidates) add(v variable) {
	if c.codes[v.code] {
		return
	}
	if c.codes == nil {
		c.codes = map[string]bool{}
	}
	c.codes[v.code] = true
	c.one = v
	if len(c.names) < maxContacts {
		c.names = append(c.names, v.path)
	}
}

func (c *candidates) list() string { return list(c.names, len(c.codes)) }

func (c *selection) add(v variable) {
	exact := v.path == c.wanted
	end := exact || c.wanted != "" && strings.HasSuffix(v.path, "."+c.wanted)
	if !v.isContact() {
		if end {
			c.other = v
		}
		return
	}
	c.all.add(v)
	if end {
		c.end.add(v)
	}
	if exact {
		c.exact.add(v)
	}
}

func (c *selection) result(w *window) (variable, error) {
	from := &c.all
	if len(c.exact.codes) > 0 {
		from = &c.exact
	} else if c.wanted != "" {
		from = &c.end
	}
	switch {
	case len(from.codes) == 1:
		return from.one, nil
	case len(c.all.codes) == 0 && c.other.path == "":
		return variable{}, w.fail(0, "a wire or reg of size 1", "no variable of one bit")
	case c.wanted == "":
		return variable{}, w.fail(0, "a choice of one with "+w.choice+": "+c.all.list(), "several variables")
	case len(from.codes) > 1:
		return variable{}, w.fail(0, "one of "+from.list(), "several variables %s", quote(c.wanted))
	case c.other.path != "":
		return variable{}, w.fail(0, "a wire or reg of size 1", "variable %s is of type %s and size %s", quote(c.other.path), quote(c.other.kind), quote(c.other.size))
	}
	return variable{}, w.fail(0, "one of "+c.all.list(), "no variable %s", quote(c.wanted))
}

func (d *vcdDecoder) read(ctx context.Context, buf []pulse.Edge) (n int, err error) {
	for n < len(buf) {
		t, err := d.token()
		if err == nil {
			var edge bool
			if edge, err = d.step(t, &buf[n]); edge {
				n++
			}
		} else if err == errMore {
			if n > 0 {
				break
			}
			if err = d.fill(ctx); err == io.EOF {
				if err = d.checkEnd(); err == nil && d.settle(&buf[0]) {
					return 1, nil
				} else if err == nil {
					err = io.EOF
				}
			}
		}
		if err != nil {
			return n, err
		}
	}
	return n, nil
}

// checkEnd fails if the file ends inside something.
func (d *vcdDecoder) checkEnd() error {
	expected := ""
	switch {
	case d.wantCode:
		expected = "the code of a variable"
	case d.skipped != "":
		expected = fmt.Sprintf("$end of the %s of line %d", d.skipped, d.skippedLine)
	case d.dump != "":
		expected = fmt.Sprintf("$end of the %s of line %d", d.dump, d.dumpLine)
	default:
		return nil
	}
	return d.fail(d.line, expected, "%s", fileEnds)
}

const fileEnds = "the file ends here: it seems to be cut off"

// step reads one token, and reports whether that put an edge into e.
func (d *vcdDecoder) step(t []byte, e *pulse.Edge) (edge bool, err error) {
	if d.wantCode {
		d.wantCode = false
		return false, d.set(t)
	}
	if d.skipped != "" {
		if string(t) == "$end" {
			d.skipped = ""
		}
		return false, nil
	}
	switch c := t[0]; c {
	case '0', '1', 'x', 'X', 'z', 'Z':
		if len(t) == 1 {
			return false, d.fail(d.line, "the code of a variable right after it", "value %s", quote(t))
		}
		d.value, d.valueBits = vcdLevel(c), 1
		return false, d.set(t[1:])
	case '#':
		if d.dump != "" {
			return false, d.fail(d.line, "its $end first", "%s inside the %s of line %d", quote(t), d.dump, d.dumpLine)
		}
		return d.time(t[1:], e)
	case 'b', 'B':
		d.wantCode, d.value, d.valueBits = true, vcdLevel(t[len(t)-1]), len(t)-1
	case 'r', 'R', 's', 'S':
		d.wantCode, d.valueBits = true, 0
	case '$':
		switch keyword := string(t); keyword {
		case "$end":
			if d.dump == "" {
				return false, d.fail(d.line, "a value, a time or a keyword", "$end without a section")
			}
			d.dump = ""
		case "$dumpvars", "$dumpall", "$dumpon", "$dumpoff":
			if d.dump != "" {
				return false, d.fail(d.line, "its $end first", "%s inside the %s of line %d", keyword, d.dump, d.dumpLine)
			}
			d.dump, d.dumpLine = keyword, d.line
		default:
			d.skipped, d.skippedLine = keyword, d.line
		}
	default:
		return false, d.fail(d.line, "a value like 1!, a time like #100 or a keyword like $comment", "%s", quote(t))
	}
	return false, nil
}

// vcdLevel is the level of a value, of which x and z are unknown.
func vcdLevel(c byte) pulse.Level {
	switch c {
	case '0':
		return pulse.Low
	case '1':
		return pulse.High
	}
	return pulse.Unknown
}

// set gives value to the variable with a code.
func (d *vcdDecoder) set(code []byte) error {
	if string(code) != d.variable.code {
		if !d.declared[string(code)] {
			return d.fail(d.line, "one that a $var declares", "code %s is not known", quote(code))
		}
		return nil
	}
	if d.valueBits != 1 {
		return d.fail(d.line, "0, 1, x or z", "variable %s gets a value that is not of one bit", quote(d.variable.path))
	}
	d.held, d.change = d.value, true
	d.dumped = d.dumped || d.dump == "$dumpvars"
	return nil
}

// time ends the changes at the last time, which may make an edge, and begins those
// at a new time.
func (d *vcdDecoder) time(digits []byte, e *pulse.Edge) (edge bool, err error) {
	if !allDigits(digits) {
		return false, d.fail(d.line, "# and a whole number", "time %s", quote(digits))
	}
	ticks := bytes.TrimLeft(digits, "0")
	if order := len(ticks) - len(d.ticks); order < 0 || order == 0 && bytes.Compare(ticks, d.ticks) < 0 {
		return false, d.fail(d.line, "times that do not go back", "time #%s after #%s", digits, d.ticks)
	}
	at, ok := decimalNS(ticks, nil, d.exp)
	if !ok {
		return false, d.fail(d.line, fmt.Sprintf("at most %d ns", MaxRecordingNS), "time %s of %v ns each", quote(digits), d.resolutionNS())
	}
	if !d.timed || at > d.at {
		edge = d.settle(e)
		d.at, d.timed = at, true
	}
	d.ticks = append(d.ticks[:0], ticks...)
	return edge, nil
}

// settle takes over the level at the end of a time, and reports whether it makes an
// edge.
func (d *vcdDecoder) settle(e *pulse.Edge) bool {
	if !d.change {
		return false
	}
	d.change = false
	initial := d.state == vcdUnknown || d.at == 0 || d.dumped
	switch {
	case d.state != vcdRunning && d.held == pulse.Unknown:
		d.state = vcdUnknown
		return false
	case d.state != vcdRunning && initial:
		d.state, d.level = vcdRunning, d.held
		return false
	case d.state == vcdRunning && d.held == d.level:
		return false
	}
	d.state, d.level = vcdRunning, d.held
	*e = pulse.Edge{At: pulse.Stamp(d.at), Level: d.held}
	return true
}

func (d *vcdDecoder) noEdges() *RecordingError {
	return &RecordingError{File: d.file, Msg: fmt.Sprintf("%v of variable %s", ErrNoEdges, quote(d.variable.path)), Err: ErrNoEdges}
}

func (d *vcdDecoder) resolutionNS() float64 { return math.Pow10(d.exp) }
func (d *vcdDecoder) contacts() []string    { return d.names }

// A VCDWriter writes edges as a value change dump of one variable, with a
// timescale of 1 ns, that OpenRecording reads. The initial level is the
// opposite of the first edge's. Where edges are missing (Lost, or two of one
// level) the variable is x from 1 ns after the edge before; their number is
// not kept.
type VCDWriter struct {
	out   lineWriter
	level pulse.Level
}

// NewVCDWriter begins a file with its definitions. Nothing is written before
// the first full buffer or Flush. The name of the variable must be printable
// ASCII without spaces, else the first Write or Flush fails.
func NewVCDWriter(w io.Writer, variable string) *VCDWriter {
	v := &VCDWriter{out: lineWriter{w: w, last: -1}}
	odd := func(r rune) bool { return r <= ' ' || r > '~' }
	if variable == "" || variable[0] == '$' || len(variable) > maxName || strings.IndexFunc(variable, odd) >= 0 {
		v.out.err = fmt.Errorf("write recording: VCD name %s: expected printable ASCII without spaces, no $ in front, at most %d bytes", quote(variable), maxName)
		return v
	}
	v.out.line("$timescale 1 ns $end")
	v.out.line("$scope module top $end")
	v.out.line("$var wire 1 ! ", variable, " $end")
	v.out.line("$upscope $end")
	v.out.line("$enddefinitions $end")
	return v
}

func (v *VCDWriter) value(l pulse.Level) {
	v.out.buf = append(v.out.buf, "01x"[l], '!', '\n')
}

func (v *VCDWriter) at(at pulse.Stamp, l pulse.Level) {
	v.out.buf = append(v.out.buf, '#')
	v.out.buf = strconv.AppendInt(v.out.buf, int64(at), 10)
	v.out.buf = append(v.out.buf, '\n')
	v.value(l)
}

// Write adds edges. It fails, and from then on always, if the writer below
// fails or at an edge that the format cannot hold: a time below 0, above
// MaxRecordingNS or not after the one before, edges missing within 1 ns.
func (v *VCDWriter) Write(edges []pulse.Edge) error {
	for _, e := range edges {
		before := v.out.last
		if e.Level > pulse.Unknown {
			v.out.refuse(e, "no level")
		}
		if !v.out.advance(e.At) {
			return v.out.err
		}
		switch missing := e.Lost > 0 || e.Level == v.level; {
		case before < 0:
			v.out.line("$dumpvars")
			v.value(opposite(e.Level))
			v.out.line("$end")
		case missing && v.level != pulse.Unknown && e.At-before < 2:
			v.out.refuse(e, "edges missing within 1 ns")
			return v.out.err
		case missing && v.level != pulse.Unknown:
			v.at(before+1, pulse.Unknown)
		}
		v.at(e.At, e.Level)
		v.level = e.Level
		v.out.flushFull()
	}
	return v.out.err
}

func opposite(l pulse.Level) pulse.Level {
	switch l {
	case pulse.Low:
		return pulse.High
	case pulse.High:
		return pulse.Low
	}
	return pulse.Unknown
}

// Flush writes what is still held. It does not close the writer below.
func (v *VCDWriter) Flush() error { return v.out.flush() }
