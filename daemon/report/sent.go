package report

import (
	"fmt"
	"path/filepath"

	"makebreak/daemon/figure"
	"makebreak/daemon/loop"
	"makebreak/hw"
)

// OfSent says whether a signal was sent as it was asked for.
func OfSent(r *loop.Sent) *Document {
	doc := new(Document)
	switch {
	case r.Late > 0 && !r.Complete:
		doc.add(Statement{"STOPPED BY YOU, AND LATE BEFORE THAT", Bad})
	case r.Late > 0:
		doc.add(Statement{"SENT LATE: NOT WHAT WAS ASKED", Bad})
	case !r.Complete:
		doc.add(Statement{"STOPPED BY YOU; WHAT WAS SENT WAS ON TIME", Doubtful})
	default:
		doc.add(Statement{"SENT ON TIME", Good})
	}
	doc.add(Space{})
	doc.tell("", fmt.Sprintf("%s on %s: %s", figure.Plural(r.Edges, "edge", "edges"), r.Line, r.Description))
	lateness(doc, &r.PlayReport)
	doc.tell("", "The line was left at its idle level, "+r.Idle.String()+", and given back.")
	if r.Late > 0 {
		doc.head("What to do about it")
		if !r.Realtime {
			doc.item("Run it where it may have real-time scheduling.")
		}
		doc.item("Stop what else the computer does; set the processor's governor to performance (makebreak preflight tells).")
		doc.item("Or allow more with --late, when the circuit does not mind.")
	}
	doc.add(Caution{})
	return doc
}

func lateness(doc *Document, r *hw.PlayReport) {
	us := func(ns int64) string { return figure.Fixed(float64(ns)/1e3, 1) + " µs" }
	doc.tell("", fmt.Sprintf("Lateness of the writes: at most %s, 99 %% within %s; later than %s: %s of %s.",
		us(r.LateMaxNS), us(r.LateP99NS), figure.Span(r.BoundNS), figure.Count(r.Late), figure.Count(r.Edges)))
	doc.tell("Scheduling:", r.Scheduling+".")
}

// DryComments begin the file of a dry run.
func DryComments(d *loop.DryRun) []string {
	comments := []string{"Not sent: the signal that makebreak send would write to a line: " + d.Description}
	if d.ReturnsIdleNS != nil {
		comments = append(comments, fmt.Sprintf("Left out: the line goes from its idle level, %s, to %s at time_ns 0, and back to %s at time_ns %d.", d.Idle, d.Rest, d.Idle, *d.ReturnsIdleNS))
	}
	return comments
}

// OfDryRun says what a signal that was not sent would be.
func OfDryRun(d *loop.DryRun) *Document {
	doc, around := new(Document), ""
	if d.ReturnsIdleNS != nil {
		around = fmt.Sprintf(" Left out is how the line would come from its idle level, %s, and at %s return to it.", d.Idle, figure.Time(float64(*d.ReturnsIdleNS)/1e9))
	}
	doc.add(Paragraph{OneLine: true, Text: fmt.Sprintf("Nothing was sent. %s of %s are in %s: look at them with makebreak measure.%s",
		figure.Plural(d.Edges, "edge", "edges"), figure.Time(float64(d.LastNS)/1e9), filepath.Clean(d.File), around)})
	return doc
}
