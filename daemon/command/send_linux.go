package command

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"makebreak/daemon/config"
	"makebreak/daemon/figure"
	"makebreak/daemon/loop"
	"makebreak/daemon/report"
	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

type sendCmd struct {
	Line        string   `arg:"" help:"Line to drive, such as GPIO27 or P1_13 (see: makebreak lines)."`
	Description []string `arg:"" help:"Signal (dial, cam or cadence), then key=value …, as makebreak sim has it."`

	Closed string `group:"The driven line:" enum:"high,low" default:"high" help:"Level that means a closed contact: high or low."`
	outputFlags
	For      span   `group:"The signal:" placeholder:"TIME" help:"Begin no break after this time, such as 60s; endless signals need it."`
	DryRun   string `group:"Output:" placeholder:"FILE" help:"Touch no line: write the signal that would be sent to FILE.csv or FILE.vcd."`
	Force    bool   `group:"Output:" help:"Let --dry-run replace a file."`
	jsonFlag `group:"Output:"`
}

func (*sendCmd) epilogue() string {
	return `Examples, from the Marrow Quay exchange:
  makebreak send GPIO27 dial digits=0123 rate=10 break=66
  makebreak send GPIO27 cam ipm=60 cycles=endless --for 10m --closed low
  makebreak send GPIO27 dial digits=5 break-at=1.3:45ms --dry-run check.csv

Where the idle level means an open contact, the contact closes first and rests
closed for the signal's lead (1s unless lead= says else). After the last pulse
it rests closed for as long once more, an interrupter for one make, then opens.
It is left open so that no loop stays seized and no coil or bell energised when
nobody looks. A recording of the line begins and ends with that open contact;
the file of --dry-run has the signal alone. --idle high (with --closed low:
--idle low) keeps the contact closed before and after, where that may be.

` + endings + `
Exit status: 0 sent on time; 1 sent, but late; 2 the command is wrong or the
line failed; 3 stopped before the end.

` + driving + `
` + caution
}

func (c *sendCmd) sending() (*loop.Sending, error) {
	spec, err := config.ParseSim(strings.Join(c.Description, " "))
	if err != nil {
		return nil, err
	}
	switch {
	case spec.Closed != pulse.ClosedHigh:
		return nil, errors.New("the closed level of what is sent is a matter of the line: expected --closed low in place of closed=low")
	case (spec.Repeat == synth.Endless || spec.Cycles == synth.Endless) && !c.For.set:
		return nil, errors.New("an endless signal: expected --for, such as --for 60s")
	case c.For.set && c.For.ns <= 0:
		return nil, fmt.Errorf("--for is %s: expected more than 0", figure.Span(c.For.ns))
	}
	spec.Closed = checked[pulse.Polarity](c.Closed)
	return loop.NewSending(spec, c.idle(), c.For.ns)
}

func (c *sendCmd) run(ctx context.Context, sh *shell) (int, error) {
	s, err := c.sending()
	if err != nil {
		return 0, err
	}
	late, err := c.late()
	if err != nil {
		return 0, err
	}
	if c.DryRun != "" {
		return StatusOK, c.dryRun(ctx, sh, s)
	}
	ref, err := hw.Resolve(lineName(c.Line))
	if err != nil {
		return 0, err
	}
	sh.warnDriving(lineName(c.Line), ref, s.Length(), s.Idle(), s.Spec().Closed, s.Spec().String())
	out, err := loop.OpenPlayer(ref, s.Idle())
	if err != nil {
		return 0, err
	}
	sent, err := s.Send(ctx, out, lineName(c.Line), late)
	if err != nil {
		return 0, err
	}
	err = sh.show(c.JSON, sent, func() *report.Document { return report.OfSent(&sent) })
	switch {
	case !sent.Complete:
		return StatusNotMeasured, err
	case sent.Late > 0:
		return StatusOutOfLimits, err
	}
	return StatusOK, err
}

// dryRun writes the signal to a file that appears when it is whole. How the
// line comes from its idle level and returns to it is no part of the signal: it
// would measure as an interruption too many.
func (c *sendCmd) dryRun(ctx context.Context, sh *shell, s *loop.Sending) error {
	if _, err := hw.NewRecordingWriter(c.DryRun, nil, nil); err != nil {
		return ofFlag("--dry-run", err)
	}
	file, err := createFile("--dry-run", c.DryRun, c.Force)
	if err != nil {
		return err
	}
	defer file.Discard()
	dry, err := s.DryRun(ctx, lineName(c.Line), c.DryRun)
	if err != nil {
		return errUnsent
	}
	w, err := hw.NewRecordingWriter(c.DryRun, file, report.DryComments(&dry))
	if err != nil {
		return err
	}
	for e := range s.Signal() {
		if ctx.Err() != nil {
			return errUnsent
		}
		if err := w.Write([]pulse.Edge{e}); err != nil {
			return err
		}
	}
	if err := file.Keep(w.Flush()); err != nil {
		return err
	}
	return sh.show(c.JSON, dry, func() *report.Document { return report.OfDryRun(&dry) })
}

var errUnsent = errors.New("stopped by you before the end of the signal")
