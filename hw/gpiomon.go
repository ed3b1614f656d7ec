package hw

import (
	"bytes"
	"strings"
)

// What the kernel tools' gpiomon prints is read as a recording: a line an edge,
// with the time by the kernel's stamp in seconds and the line's number or name,
// which is the contact. It has no header and no sequence numbers.
//
//	event:  RISING EDGE offset: 17 timestamp: [     123.456789012]
//	123.456789012<tab>rising<tab>gpiochip0 17
//	123.456789012<tab>falling<tab>gpiochip0 4 "HOOK"
//
// The first is libgpiod 1's, the others are libgpiod 2's, which leaves the chip
// and the number out where it was asked for a line by its name alone.

// A monitorForm is which gpiomon printed a recording.
type monitorForm uint8

const (
	notMonitor monitorForm = iota
	monitor1               // of libgpiod 1
	monitor2               // of libgpiod 2
)

const (
	monitorLine1 = "a line of gpiomon like event:  RISING EDGE offset: 17 timestamp: [     123.456789012]"
	monitorLine2 = "a line of gpiomon: time, rising or falling, and the line's name, with tabs between them"
)

// monitorFormOf tells from its first line whether gpiomon printed a file.
func monitorFormOf(line []byte) monitorForm {
	if bytes.HasPrefix(line, []byte("event:")) {
		return monitor1
	}
	if _, edge, _ := splitMonitor2(line); monitorLevel(edge) != nil {
		return monitor2
	}
	return notMonitor
}

// monitorLevels are the levels after an edge as a CSV column has them.
var monitorLevels = [...][]byte{{'0'}, {'1'}}

// monitorLevel is the level after an edge; nil for another word.
func monitorLevel(edge []byte) []byte {
	switch string(edge) {
	case "falling", "FALLING":
		return monitorLevels[0]
	case "rising", "RISING":
		return monitorLevels[1]
	}
	return nil
}

// readMonitor takes rows of a form as those of three columns.
func (d *csvDecoder) readMonitor(form monitorForm) {
	d.monitor, d.time = form, columnTime
	d.columns = []csvColumn{columnTime, columnLevel, columnContact}
}

// splitMonitor is split for a line of gpiomon.
func (d *csvDecoder) splitMonitor(line []byte) (n int, err error) {
	parts, expected := splitMonitor2, monitorLine2
	if d.monitor == monitor1 {
		parts, expected = splitMonitor1, monitorLine1
	}
	time, edge, name := parts(line)
	level := monitorLevel(edge)
	if level == nil {
		return 0, d.fail(d.line, expected, "%s%s", quote(line), d.cutRemark())
	}
	d.fields[0], d.fields[1], d.fields[2] = time, level, name
	return len(d.columns), nil
}

// splitMonitor1 gives the parts of a line of libgpiod 1; nil where it is none.
func splitMonitor1(line []byte) (time, edge, offset []byte) {
	rest, ok1 := bytes.CutPrefix(line, []byte("event:"))
	edge, rest, ok2 := bytes.Cut(rest, []byte(" EDGE offset:"))
	offset, rest, ok3 := bytes.Cut(rest, []byte("timestamp: ["))
	time, ok4 := bytes.CutSuffix(rest, []byte("]"))
	if !ok1 || !ok2 || !ok3 || !ok4 {
		return nil, nil, nil
	}
	return bytes.TrimSpace(time), bytes.TrimSpace(edge), bytes.TrimSpace(offset)
}

// splitMonitor2 gives the parts of a line of libgpiod 2; nil where it is none.
func splitMonitor2(line []byte) (time, edge, of []byte) {
	time, rest, ok1 := bytes.Cut(line, []byte{'\t'})
	edge, of, ok2 := bytes.Cut(rest, []byte{'\t'})
	if !ok1 || !ok2 {
		return nil, nil, nil
	}
	return time, edge, of
}

// monitorName is the name of what libgpiod 2 says a line is: the line's name,
// which has quotes, else all of it.
func monitorName(of string) string {
	before, name, ok := strings.Cut(strings.TrimSuffix(of, `"`), `"`)
	if !ok || name == "" || !strings.HasSuffix(of, `"`) || before != "" && !strings.HasSuffix(before, " ") {
		return of
	}
	return name
}
