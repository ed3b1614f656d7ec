package command

import (
	"errors"
	"fmt"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/report"
	"makebreak/hw"
	"makebreak/pulse"
)

// outputFlags say how an output line is driven.
type outputFlags struct {
	Idle string `group:"The driven line:" enum:"low,high" default:"low" help:"Level before, after, and between tries: low or high. Low is the default whatever the signal rests in: it energises nothing behind most drivers."`
	Late span   `group:"The driven line:" placeholder:"200us" help:"A write later than this is late, and its pulse is not called good."`
}

func (f *outputFlags) idle() pulse.Level { return checked[pulse.Level](f.Idle) }

// late is the bound of a late write, 0 where none is given.
func (f *outputFlags) late() (time.Duration, error) {
	if f.Late.set && f.Late.ns <= 0 {
		return 0, fmt.Errorf("--late is %s: expected more than 0", figure.Span(f.Late.ns))
	}
	return time.Duration(f.Late.ns), nil
}

// loopFlags are the two ends of a chain: one line drives, the other listens.
type loopFlags struct {
	Out       string `placeholder:"LINE" help:"Line that drives, such as GPIO27."`
	In        string `placeholder:"LINE" help:"Line that listens, such as GPIO17."`
	OutClosed string `group:"The driven line:" enum:"high,low" default:"high" help:"Level that closes the contact: high or low."`
	outputFlags
}

func (f *loopFlags) outClosed() pulse.Polarity { return checked[pulse.Polarity](f.OutClosed) }

// names refuses what cannot be a chain.
func (f *loopFlags) names() error {
	if f.Out == "" || f.In == "" {
		return errors.New("expected --out LINE, which drives, and --in LINE, which listens")
	}
	if lineName(f.Out) == lineName(f.In) {
		return fmt.Errorf("--out and --in are both %s: expected two lines", f.In)
	}
	return nil
}

// find looks both lines up.
func (f *loopFlags) find() (out, in hw.LineRef, err error) {
	if out, err = hw.Resolve(lineName(f.Out)); err != nil {
		return out, in, err
	}
	if in, err = hw.Resolve(lineName(f.In)); err != nil {
		return out, in, err
	}
	if out == in {
		return out, in, fmt.Errorf("--out %s and --in %s are the same line: expected two", f.Out, f.In)
	}
	return out, in, nil
}

// driving tells what a driven line may do to what it is wired to.
const driving = `A driven line moves what it is wired to. Send into a coupler or relay that is
rated for what lies behind it, never into a lead itself, and know what it will
set off: a selector that steps, a register that is seized, bells that ring.
`

// endings tells how a driven line is left.
const endings = `The line has its idle level at the end, after Ctrl-C, a hang-up of the terminal
and a failure of the program; Ctrl-Z is not heeded meanwhile. A kill -9 or a
power failure leaves no time for that: the kernel then gives the line up, and
on most boards it is an input from that moment. A resistor to the idle level
makes that safe.
`

// warn tells what a person should know before it happens.
func (sh *shell) warn(text string) {
	fmt.Fprintln(sh.stderr, "makebreak: "+report.Printable(text))
}

// warnDriving tells what is about to be driven and for how long.
func (sh *shell) warnDriving(name string, ref hw.LineRef, length pulse.Stamp, idle pulse.Level, closed pulse.Polarity, what string) {
	contact := map[bool]string{true: "closed", false: "open"}[closed.Closed(idle)]
	sh.warn(fmt.Sprintf("driving %s (%s:%d) for about %s: %s; Ctrl-C stops it; then as at its end the line is %s, the contact %s",
		name, ref.Chip, ref.Offset, figure.Time(float64(length)/1e9), what, idle, contact))
}
