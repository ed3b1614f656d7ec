package command

import (
	"strings"

	"makebreak/daemon/readiness"
)

// writePreflight writes the checks; wired tells that a line is among them.
func writePreflight(p *page, checks []readiness.Check, wired bool) {
	verdict, sgr := "MEASURING MAY START", green
	if !readiness.MayStart(checks) {
		verdict, sgr = "MEASURING MAY NOT START", red
	}
	p.paint(sgr, verdict)
	p.WriteString("\n\n")
	name, state := 0, width(string(readiness.CannotTell))
	for _, k := range checks {
		name = max(name, width(k.Check))
	}
	colour := map[readiness.State]string{readiness.OK: green, readiness.Look: yellow, readiness.No: red, readiness.CannotTell: yellow}
	for _, k := range checks {
		word := string(k.State)
		if k.State == readiness.No {
			word = "NO"
		}
		p.WriteString("  " + k.Check + strings.Repeat(" ", name-width(k.Check)) + "  ")
		p.paint(colour[k.State], word)
		p.WriteString(strings.Repeat(" ", state-width(word)) + "  ")
		indent := 6 + name + state
		p.flow(indent, indent, printable(k.Found))
		if k.Remedy != "" {
			p.para(strings.Repeat(" ", indent)+"-> ", printable(k.Remedy))
		}
	}
	if wired {
		p.WriteByte('\n')
		p.WriteString(caution)
	}
}
