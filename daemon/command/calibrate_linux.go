package command

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"makebreak/daemon/calibration"
	"makebreak/daemon/figure"
	"makebreak/daemon/loop"
	"makebreak/daemon/report"
	"makebreak/hw"
	"makebreak/pulse"
)

type calibrateCmd struct {
	loopFlags
	Coupler string `placeholder:"NOTE" help:"What lies between, in your own words: which coupler, which resistor."`
	Closed  string `group:"The measuring line:" enum:"high,low" default:"high" help:"Level of the line while the contact is closed: high or low."`
	Bias    string `group:"The measuring line:" enum:"as-is,pull-up,pull-down,disabled" default:"as-is" help:"Pull resistor inside the chip: as-is, pull-up, pull-down or disabled. It belongs to the calibration: measure with the same."`

	Pulses   int  `group:"The pulses:" default:"2000" help:"How many are sent."`
	BreakMin span `group:"The pulses:" default:"10ms" help:"Shortest break."`
	BreakMax span `group:"The pulses:" default:"100ms" help:"Longest break."`

	Show            bool `group:"Output:" help:"Send nothing: show the saved calibrations, or with --in that of a line."`
	calibrationDir  `group:"Output:"`
	CalibrationDays int `group:"Output:" placeholder:"180" default:"180" help:"Days after which a calibration is called stale."`
	jsonFlag        `group:"Output:"`
}

func (*calibrateCmd) epilogue() string {
	return `Examples:
  makebreak calibrate --out GPIO27 --in GPIO17 --coupler "board 3, 10 kΩ, 50 V"
  makebreak calibrate --show

It sends pulses through the coupler into the measuring line, and finds the
noise of an edge's time and how much longer the chain shows a make than it is.
makebreak measure uses both for that line from then on. Drive the coupler as
the contact will: at its voltage and through its resistor. What the sending
end adds cannot be told apart and is contained in the result.

A calibration belongs to a line of this computer. Adapters of one make are told
apart by their USB serial number, those without by the USB socket.

` + endings + `
Exit status: 0 calibrated and saved; 1 the chain did not follow, nothing was
saved; 2 the command is wrong or a line failed; 3 stopped before the end.

` + driving + `
` + caution
}

// pulses checks the flags and gives what is sent.
func (c *calibrateCmd) pulses() (*loop.CalibrationPulses, error) {
	for _, b := range []struct {
		flag string
		ns   int64
	}{{"break-min", c.BreakMin.ns}, {"break-max", c.BreakMax.ns}} {
		if b.ns < 5e6 || b.ns > 2e9 {
			return nil, fmt.Errorf("--%s is %s: expected 5 ms to 2 s", b.flag, figure.Span(b.ns))
		}
	}
	switch {
	case c.BreakMax.ns < c.BreakMin.ns+loop.CalibrationLengths*1e6:
		return nil, fmt.Errorf("breaks of %s to %s: expected a range of %d ms at least", figure.Span(c.BreakMin.ns), figure.Span(c.BreakMax.ns), loop.CalibrationLengths)
	case c.Pulses < 100 || c.Pulses > 1e6:
		return nil, fmt.Errorf("--pulses is %d: expected 100 to 1,000,000", c.Pulses)
	}
	return &loop.CalibrationPulses{
		Count: c.Pulses, BreakMinNS: c.BreakMin.ns, BreakMaxNS: c.BreakMax.ns,
		OutClosed: c.outClosed(), InClosed: checked[pulse.Polarity](c.Closed), Idle: c.idle(),
	}, checkCalibrationDays(c.CalibrationDays)
}

func (c *calibrateCmd) run(ctx context.Context, sh *shell) (int, error) {
	dir, err := c.dir(sh.env)
	if err != nil {
		return 0, err
	}
	pulses, err := c.pulses()
	if err != nil {
		return 0, err
	}
	if c.Show {
		if err := c.checkDir(); err != nil {
			return 0, err
		}
		return StatusOK, c.show(sh, dir)
	}
	if err := c.names(); err != nil {
		return 0, err
	}
	if c.Coupler == "" {
		return 0, errors.New(`expected --coupler "what lies between the two lines": the calibration holds for that alone`)
	}
	late, err := c.late()
	if err != nil {
		return 0, err
	}
	out, in, err := c.find()
	if err != nil {
		return 0, err
	}
	sh.warnDriving(lineName(c.Out), out, pulses.Length(), pulses.Idle, pulses.OutClosed, figure.Plural(c.Pulses, "pulse", "pulses")+" through "+c.Coupler+" into "+lineName(c.In))
	bias := checked[hw.Bias](c.Bias)
	l, err := loop.Open(out, in, pulses.Idle, bias)
	if err != nil {
		return 0, err
	}
	result := loop.Calibrated{Calibration: &calibration.Calibration{
		Format: calibration.Format, Board: calibration.ReadBoard("/"), Coupler: c.Coupler,
		Line: calibration.LineOf("/", in), Sender: calibration.LineOf("/", out),
	}}
	result.Line.Name, result.Line.Closed, result.Line.Bias = lineName(c.In), c.Closed, bias.String()
	result.Sender.Name, result.Sender.Closed = lineName(c.Out), c.OutClosed
	stopped, err := loop.Use(ctx, l, func() (err error) {
		result.Result, result.Sending, err = pulses.Run(ctx, l, late)
		return err
	})
	if err != nil {
		return 0, err
	}
	if stopped {
		sh.warn("stopped by you: nothing was saved, the line is " + pulses.Idle.String())
		return StatusNotMeasured, nil
	}
	result.At = time.Now().UTC().Truncate(time.Second)
	if result.Why = report.Refusal(result.Result); result.Why == "" {
		if result.Saved, err = result.Save(dir); err != nil {
			return 0, err
		}
	}
	err = sh.show(c.JSON, result, func() *report.Document { return report.OfCalibrated(&result) })
	if result.Why != "" {
		return StatusOutOfLimits, err
	}
	return StatusOK, err
}

// show lists what was saved.
func (c *calibrateCmd) show(sh *shell, dir string) error {
	all, err := calibration.All(dir)
	if err != nil {
		return err
	}
	if c.In != "" {
		all = slices.DeleteFunc(all, func(k *calibration.Calibration) bool { return k.Line.Name != lineName(c.In) })
		if ref, err := hw.Resolve(lineName(c.In)); err == nil && len(all) == 0 {
			if k, err := calibration.Load(dir, calibration.LineOf("/", ref)); err == nil {
				all = append(all, k)
			}
		}
	}
	board := calibration.ReadBoard("/")
	var saved []report.SavedCalibration
	for _, k := range all {
		saved = append(saved, report.SavedCalibration{Calibration: k, Fit: k.Check(board, k.Line, time.Now(), time.Duration(c.CalibrationDays)*24*time.Hour)})
	}
	return sh.show(c.JSON, struct {
		Format       string                     `json:"format"`
		Calibrations []*calibration.Calibration `json:"calibrations"`
	}{"makebreak.calibrations/1", append([]*calibration.Calibration{}, all...)}, func() *report.Document { return report.OfSaved(saved, lineName(c.In), dir) })
}
