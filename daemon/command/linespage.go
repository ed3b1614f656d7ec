package command

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/hw"
)

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
