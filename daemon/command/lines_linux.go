package command

import (
	"context"

	"makebreak/daemon/report"
	"makebreak/hw"
)

type linesCmd struct {
	jsonFlag
}

func (*linesCmd) epilogue() string {
	return `Examples:
  makebreak lines
  makebreak lines --json

A line is named by the kernel's name for it (HOOK), a Raspberry Pi's GPIO17 or
header pin P1_11, or chip and line: gpiochip0:17, pinctrl-rp1:GPIO17. Chip
numbers move between boots and kernels; labels and names do not.

` + caution
}

func (c *linesCmd) run(_ context.Context, sh *shell) (int, error) {
	inventory, err := hw.Lines()
	if err != nil {
		return 0, err
	}
	return StatusOK, sh.show(c.JSON, report.LinesJSON(inventory), func() *report.Document { return report.OfLines(inventory) })
}
