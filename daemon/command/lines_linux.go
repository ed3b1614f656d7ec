package command

import (
	"context"

	"makebreak/hw"
)

type linesCmd struct {
	JSON bool `name:"json" help:"Write one JSON object instead of the page."`
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
	return StatusOK, sh.result(c.JSON, linesDocument(inventory), func(p *page) { writeLines(p, inventory) })
}

type linesDoc struct {
	Format string        `json:"format"`
	Board  hw.Board      `json:"board"`
	Chips  []chipDoc     `json:"chips"`
	Lines  []hw.LineInfo `json:"lines"`
}

type chipDoc struct {
	hw.Chip
	Error *string `json:"error"` // why it could not be read
}

func linesDocument(v *hw.Inventory) linesDoc {
	d := linesDoc{"makebreak.lines/1", v.Board, []chipDoc{}, v.Lines}
	if d.Board.Pins == nil {
		d.Board.Pins = []hw.Pin{}
	}
	if d.Lines == nil {
		d.Lines = []hw.LineInfo{}
	}
	for _, c := range v.Chips {
		doc := chipDoc{Chip: c}
		if c.Err != nil {
			s := c.Err.Error()
			doc.Error = &s
		}
		d.Chips = append(d.Chips, doc)
	}
	return d
}
