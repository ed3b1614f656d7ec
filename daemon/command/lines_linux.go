package command

import (
	"cmp"
	"context"
	"fmt"
	"strconv"
	"strings"

	"makebreak/daemon/figure"
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
	if c.JSON {
		return StatusOK, encodeJSON(sh.stdout, linesDocument(inventory))
	}
	p := page{colour: sh.colour()}
	writeLines(&p, inventory)
	_, err = p.WriteTo(sh.stdout)
	return StatusOK, err
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

func writeLines(p *page, v *hw.Inventory) {
	p.para("Board: ", printable(cmp.Or(v.Board.Model, "it does not tell its model")))
	header := ""
	for i := 0; i+1 < len(v.Board.Pins); i += 2 {
		left, right := v.Board.Pins[i], v.Board.Pins[i+1]
		if name, _, _ := strings.Cut(left.Name, "_"); name != header {
			header = name
			p.head("Header " + name + ": + is fit for a contact, - is not, the list tells why")
		}
		mark := func(pin hw.Pin) (text, sgr string) {
			for _, l := range v.Lines {
				switch {
				case l.Header != pin.Name:
				case l.Unfit == "":
					return "+", green
				default:
					return "-", yellow
				}
			}
			return " ", plain
		}
		number := func(pin hw.Pin) string { _, n, _ := strings.Cut(pin.Name, "_"); return fmt.Sprintf("%2s", n) }
		m, sgr := mark(left)
		p.WriteString(strings.Repeat(" ", 16))
		p.paint(sgr, m)
		fmt.Fprintf(p, " %8s  [%s][%s]  %-8s ", left.Signal, number(left), number(right), right.Signal)
		m, sgr = mark(right)
		p.paint(sgr, m)
		p.WriteByte('\n')
	}
	for _, c := range v.Chips {
		p.head(fmt.Sprintf("%s: %s, %s", c.Name, printable(cmp.Or(c.Label, "no label")), figure.Plural(c.Lines, "line", "lines")))
		if c.Err != nil {
			p.para("  Could not be read: ", c.Err.Error())
			continue
		}
		rows := [][]cell{cells("", "name", "pin", "is", "pull", "for a contact")}
		for _, l := range v.Lines {
			if l.Chip != c.Name {
				continue
			}
			name := cmp.Or(l.GPIO, l.Name, "-")
			if l.GPIO != "" && l.Name != "" && l.Name != l.GPIO {
				name += " " + l.Name
			}
			direction := "input"
			if l.Output {
				direction = "output"
			}
			if l.ActiveLow {
				direction += " inv"
			}
			rows = append(rows, cells(strconv.Itoa(l.Offset), shorten(printable(name), 24), cmp.Or(l.Header, "-"), direction, l.Bias.String(), printable(cmp.Or(l.Unfit, "fit"))))
		}
		w := gridWidths(rows)
		for _, r := range rows { // the last column folds
			first := "  "
			for i, c := range r[:len(r)-1] {
				space := strings.Repeat(" ", w[i]-width(c.text))
				if i == 0 {
					first += space + c.text + "  "
				} else {
					first += c.text + space + "  "
				}
			}
			p.para(first, r[len(r)-1].text)
		}
	}
	p.WriteByte('\n')
	p.WriteString(caution)
}
