package command

import (
	"fmt"
	"path/filepath"

	"makebreak/daemon/figure"
	"makebreak/daemon/loop"
	"makebreak/hw"
)

func writeSent(p *page, r *loop.Sent) {
	switch {
	case r.Late > 0 && !r.Complete:
		p.paint(red, "STOPPED BY YOU, AND LATE BEFORE THAT")
	case r.Late > 0:
		p.paint(red, "SENT LATE: NOT WHAT WAS ASKED")
	case !r.Complete:
		p.paint(yellow, "STOPPED BY YOU; WHAT WAS SENT WAS ON TIME")
	default:
		p.paint(green, "SENT ON TIME")
	}
	p.WriteString("\n\n")
	p.para("  ", fmt.Sprintf("%s on %s: %s", figure.Plural(r.Edges, "edge", "edges"), printable(r.Line), r.Description))
	writeLateness(p, &r.PlayReport)
	p.para("  ", "The line was left at its idle level, "+r.Idle.String()+", and given back.")
	if r.Late > 0 {
		p.head("What to do about it")
		if !r.Realtime {
			p.para("  - ", "Run it where it may have real-time scheduling.")
		}
		p.para("  - ", "Stop what else the computer does; set the processor's governor to performance (makebreak preflight tells).")
		p.para("  - ", "Or allow more with --late, when the circuit does not mind.")
	}
	p.WriteByte('\n')
	p.WriteString(caution)
}

func writeLateness(p *page, r *hw.PlayReport) {
	us := func(ns int64) string { return figure.Fixed(float64(ns)/1e3, 1) + " µs" }
	p.para("  ", fmt.Sprintf("Lateness of the writes: at most %s, 99 %% within %s; later than %s: %s of %s.",
		us(r.LateMaxNS), us(r.LateP99NS), figure.Span(r.BoundNS), figure.Count(r.Late), figure.Count(r.Edges)))
	p.para("  Scheduling: ", r.Scheduling+".")
}

// dryComments begin the file of a dry run.
func dryComments(d *loop.DryRun) []string {
	comments := []string{"Not sent: the signal that makebreak send would write to a line: " + d.Description}
	if d.ReturnsIdleNS != nil {
		comments = append(comments, fmt.Sprintf("Left out: the line goes from its idle level, %s, to %s at time_ns 0, and back to %s at time_ns %d.", d.Idle, d.Rest, d.Idle, *d.ReturnsIdleNS))
	}
	return comments
}

func dryText(d *loop.DryRun) string {
	around := ""
	if d.ReturnsIdleNS != nil {
		around = fmt.Sprintf(" Left out is how the line would come from its idle level, %s, and at %s return to it.", d.Idle, figure.Time(float64(*d.ReturnsIdleNS)/1e9))
	}
	return fmt.Sprintf("Nothing was sent. %s of %s are in %s: look at them with makebreak measure.%s\n",
		figure.Plural(d.Edges, "edge", "edges"), figure.Time(float64(d.LastNS)/1e9), filepath.Clean(d.File), around)
}
