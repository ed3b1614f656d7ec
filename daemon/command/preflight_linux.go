package command

import (
	"context"

	"makebreak/daemon/readiness"
	"makebreak/daemon/report"
	"makebreak/pulse"
)

type preflightCmd struct {
	Line string `arg:"" optional:"" help:"Line that is to be measured, such as GPIO17 or P1_11; without it the computer alone is looked at."`

	Closed string `enum:"high,low" default:"high" help:"Level of the line while the contact is closed: high or low."`
	Kind   string `enum:"dial,interrupter" default:"dial" help:"dial or interrupter. A dial's contact rests closed; where an interrupter's stands, nothing tells."`
	At     string `placeholder:"DIR" default:"." help:"Where a recording is to be kept: looks for free space there."`
	biasFlag
	jsonFlag
}

func (*preflightCmd) epilogue() string {
	return `Examples:
  makebreak preflight
  makebreak preflight GPIO17 --closed low --bias pull-up --at recordings

The line is opened for a moment as an input; one that is driven is left alone.

Exit status: 0 measuring may start, 1 it may not; 2 the command is wrong.

` + caution
}

func (c *preflightCmd) run(ctx context.Context, sh *shell) (int, error) {
	checks := readiness.ThisComputer().Checks(ctx, readiness.Plan{
		Line: c.Line, Closed: checked[pulse.Polarity](c.Closed), Kind: checked[pulse.Kind](c.Kind), Bias: c.bias(), Dir: c.At,
	})
	may := readiness.MayStart(checks)
	err := sh.show(c.JSON, struct {
		Format   string            `json:"format"`
		Line     string            `json:"line"`
		MayStart bool              `json:"may_start"`
		Checks   []readiness.Check `json:"checks"`
	}{"makebreak.preflight/1", c.Line, may, checks}, func() *report.Document { return report.OfChecks(checks, c.Line != "") })
	if !may {
		return StatusOutOfLimits, err
	}
	return StatusOK, err
}
