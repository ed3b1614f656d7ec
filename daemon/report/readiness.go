package report

import "makebreak/daemon/readiness"

// OfChecks says whether measuring may start; wired tells that a line is among the
// checks.
func OfChecks(checks []readiness.Check, wired bool) *Document {
	doc := new(Document)
	if readiness.MayStart(checks) {
		doc.add(Statement{"MEASURING MAY START", Good})
	} else {
		doc.add(Statement{"MEASURING MAY NOT START", Bad})
	}
	doc.add(Space{})
	t := Table{Headless: true, Columns: []Column{{}, {Width: len(readiness.CannotTell)}, {Folds: true}}}
	tones := map[readiness.State]Tone{readiness.OK: Good, readiness.Look: Doubtful, readiness.No: Bad, readiness.CannotTell: Doubtful}
	for _, k := range checks {
		row := cells(k.Check, string(k.State), k.Found)
		row[1].Tone = tones[k.State]
		if k.State == readiness.No {
			row[1].Text = "NO"
		}
		t.Rows = append(t.Rows, row)
		if k.Remedy != "" {
			t.Rows = append(t.Rows, []Cell{{}, {}, {Text: "-> " + k.Remedy, Hanging: len("-> ")}})
		}
	}
	doc.add(t)
	if wired {
		doc.add(Caution{})
	}
	return doc
}
