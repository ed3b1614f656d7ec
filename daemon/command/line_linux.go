package command

import (
	"fmt"
	"strings"
	"time"

	"makebreak/daemon/calibration"
	"makebreak/daemon/report"
	"makebreak/hw"
	"makebreak/pulse"
)

// hardware is the commands that touch lines.
type hardware struct {
	Lines     linesCmd     `cmd:"" group:"Lines of this computer:" help:"List the lines and which of them are fit for a contact."`
	Preflight preflightCmd `cmd:"" group:"Lines of this computer:" help:"Look whether this computer and a line are ready to measure."`
	Send      sendCmd      `cmd:"" group:"Lines of this computer:" help:"Send pulses out of a line."`
	Calibrate calibrateCmd `cmd:"" group:"Lines of this computer:" help:"Measure the chain of coupler and line by pulses of its own."`
	Margin    marginCmd    `cmd:"" group:"Lines of this computer:" help:"Find the rates and percent breaks that a circuit counts right."`
}

// lineName takes a line's name as commands that want nothing but a line know
// it, and as measure does.
func lineName(s string) string { return strings.TrimPrefix(s, "gpio:") }

// dir is where calibrations are kept.
func (f *calibrationDir) dir(env func(string) string) (string, error) {
	if f.CalibrationDir != "" {
		return f.CalibrationDir, nil
	}
	return calibration.Dir(env)
}

// openLine opens a line of this computer. state is told when it is lost and
// when it is back.
func openLine(name string, c *measureCmd, state func(error), env func(string) string) (*liveLine, error) {
	inventory, err := hw.Lines()
	if err != nil {
		return nil, err
	}
	info, err := inventory.Resolve(name)
	if err != nil {
		return nil, err
	}
	bias := c.bias()
	src, err := hw.OpenNamed(name, hw.InputOptions{Bias: bias}, hw.ReopenOptions{OnState: state})
	if err != nil {
		return nil, err
	}
	before, errBefore := hw.ReadDiscipline()
	l := &liveLine{
		Live: src,
		now:  hw.Monotonic,
		report: report.Line{
			Line: name, Place: fmt.Sprintf("%s:%d", info.Chip, info.Offset), Label: info.Label, Bias: bias.String(),
			Begun: hw.ReadAnchor().At(src.Start()),
		},
	}
	l.calibrate = func(s *pulse.Setup, p pulse.Polarity) error {
		dir, err := c.dir(env)
		if err != nil {
			return nil // no place, no calibration
		}
		line := calibration.LineOf("/", info.LineRef)
		line.Closed, line.Bias = p.String(), bias.String()
		k, fit, err := calibration.For(dir, calibration.ReadBoard("/"), line, time.Now(), time.Duration(c.CalibrationDays)*24*time.Hour)
		if err != nil {
			return fmt.Errorf("%w; calibrate anew, or give --no-calibration", err)
		}
		if k == nil {
			return nil
		}
		l.report.Calibration = &report.Calibration{At: k.At, Coupler: k.Coupler, Used: !fit.Foreign, Why: fit.Why, Words: k.String()}
		if !fit.Foreign {
			k.Apply(s)
		}
		return nil
	}
	l.clock = func() (float64, pulse.ClockFrom) {
		after, err := hw.ReadDiscipline()
		if errBefore != nil || err != nil {
			d := pulse.DefaultSetup()
			return d.ClockRel, d.ClockFrom
		}
		return hw.ClockUncertainty(before, after)
	}
	return l, nil
}
