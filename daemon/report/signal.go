package report

import (
	"strings"

	"makebreak/daemon/figure"
	"makebreak/pulse/synth"
)

// OfSignalKeys explains the keys that describe a simulated signal.
func OfSignalKeys(keys []synth.Key) *Document {
	doc := new(Document)
	tables := map[string]*Table{}
	var order []string
	for _, k := range keys {
		of := "Keys of every signal:"
		if len(k.Forms) < 3 {
			var names []string
			for _, f := range k.Forms {
				names = append(names, f.String())
			}
			of = "Keys of a " + figure.List(names) + ":"
		}
		if tables[of] == nil {
			tables[of] = &Table{Headless: true, Columns: []Column{{}, {Folds: true}}}
			order = append(order, of)
		}
		unit := k.Unit
		if strings.HasPrefix(unit, "time such as ") {
			unit = "time"
		}
		if k.Default != "" {
			unit += "; default " + k.Default
		}
		tables[of].Rows = append(tables[of].Rows, cells(k.Name, k.Meaning+" ("+unit+")"))
	}
	for _, of := range order {
		doc.add(Space{}, Statement{of, Strong}, *tables[of])
	}
	return doc
}
