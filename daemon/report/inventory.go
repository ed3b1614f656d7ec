package report

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/hw"
)

// OfLines says which lines there are, and which of them are fit for a contact.
func OfLines(v *hw.Inventory) *Document {
	doc := new(Document)
	doc.add(Paragraph{Lead: "Board:", Text: cmp.Or(v.Board.Model, "it does not tell its model")})
	headers(doc, v)
	for _, c := range v.Chips {
		doc.head(fmt.Sprintf("%s: %s, %s", c.Name, cmp.Or(c.Label, "no label"), figure.Plural(c.Lines, "line", "lines")))
		if c.Err != nil {
			doc.tell("Could not be read:", c.Err.Error())
			continue
		}
		t := Table{Columns: columns("rlllll", "", "name", "pin", "is", "pull", "for a contact")}
		t.Columns[5].Folds = true
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
			t.Rows = append(t.Rows, cells(strconv.Itoa(l.Offset), Shorten(name, 24), cmp.Or(l.Header, "-"), direction, l.Bias.String(), cmp.Or(l.Unfit, "fit")))
		}
		doc.add(t)
	}
	doc.add(Caution{})
	return doc
}

// headers draws the board's pin headers, and marks the pins of lines.
func headers(doc *Document, v *hw.Inventory) {
	mark := func(pin hw.Pin) Cell {
		for _, l := range v.Lines {
			switch {
			case l.Header != pin.Name:
			case l.Unfit == "":
				return Cell{Text: "+", Tone: Good}
			default:
				return Cell{Text: "-", Tone: Doubtful}
			}
		}
		return Cell{Text: " "}
	}
	number := func(pin hw.Pin) string { _, n, _ := strings.Cut(pin.Name, "_"); return fmt.Sprintf("%2s", n) }
	header := ""
	for i := 0; i+1 < len(v.Board.Pins); i += 2 {
		left, right := v.Board.Pins[i], v.Board.Pins[i+1]
		if name, _, _ := strings.Cut(left.Name, "_"); name != header {
			header = name
			doc.head("Header " + name + ": + is fit for a contact, - is not, the list tells why")
		}
		pins := fmt.Sprintf(" %8s  [%s][%s]  %-8s ", left.Signal, number(left), number(right), right.Signal)
		doc.add(Drawing{[][]Cell{{{Text: strings.Repeat(" ", 16)}, mark(left), {Text: pins}, mark(right)}}})
	}
}

// A LineList is the lines of this computer as other programs read them.
type LineList struct {
	Format string        `json:"format"`
	Board  hw.Board      `json:"board"`
	Chips  []ChipEntry   `json:"chips"`
	Lines  []hw.LineInfo `json:"lines"`
}

// A ChipEntry is a chip in the list that other programs read.
type ChipEntry struct {
	hw.Chip
	Error *string `json:"error"` // why it could not be read
}

// LinesJSON gives the lines of this computer as other programs read them.
func LinesJSON(v *hw.Inventory) LineList {
	list := LineList{"makebreak.lines/1", v.Board, []ChipEntry{}, append([]hw.LineInfo{}, v.Lines...)}
	list.Board.Pins = append([]hw.Pin{}, v.Board.Pins...)
	for _, c := range v.Chips {
		entry := ChipEntry{Chip: c}
		if c.Err != nil {
			entry.Error = Given(c.Err.Error())
		}
		list.Chips = append(list.Chips, entry)
	}
	return list
}
