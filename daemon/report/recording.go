package report

import (
	"time"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// recording tells of the edges: what they are of, how they were read, and what was
// left out.
func recording(doc *Document, m *pulse.Measurement, trains *trainDigest, a *About) {
	line := a.Line
	c := m.Capture
	first := "the first edge, at " + figure.Fixed(c.FirstEdgeS, 3) + " s in the recording"
	switch {
	case a.Log != nil:
		doc.head("Stretch of the log")
		first = "its start, " + doc.wall(a.Log.Since)
	case line == nil:
		doc.head("Recording")
	default:
		doc.head("Capture")
		first = "its start, " + doc.wall(line.Begun)
	}
	doc.tell("", figure.Plural(c.Edges, "edge", "edges")+" in "+figure.Time(c.DurationS)+"; times count from "+first+". The contact is closed when the line is "+c.Closed+".")
	if a.Log != nil {
		stretchOf(doc, m, a.Log)
	}
	if line != nil {
		lineOf(doc, line)
	}
	doc.tell("", settlingText(m))
	for _, n := range notes(m, trains) {
		doc.tell("Note:", n)
	}
	if c.LostEdges > 0 {
		unknownTimes(doc, &c)
	}
}

// maxUnknownTimes are told one by one.
const maxUnknownTimes = 5

// unknownTimes tells when the level was unknown, where edges were lost.
func unknownTimes(doc *Document, c *pulse.Capture) {
	for _, u := range c.UnknownTimes[:min(maxUnknownTimes, len(c.UnknownTimes))] {
		text := "at " + figure.Time(u.StartS) + " for " + figure.Time(u.LengthS)
		if u.Train > 0 {
			text += ", in train " + figure.Count(u.Train)
		}
		doc.tell("Unknown", text+".")
	}
	if n := c.Unknown - maxUnknownTimes; n > 0 && len(c.UnknownTimes) > 0 {
		doc.tell("", figure.Plural(n, "more such interval", "more such intervals")+".")
	}
}

// settlingText tells what the settling filter saw.
func settlingText(m *pulse.Measurement) string {
	s := m.Settling
	text := figure.Plural(s.Transitions, "transition", "transitions") + " (to a level that lasts " + figure.Trimmed(s.SettleMS, 6) + " ms, timed at "
	if s.Timing == "settled" {
		text += "its start"
	} else {
		text += "the first edge"
	}
	text += "), " + figure.Count(s.Bounced) + " with bounce (" + figure.Plural(s.ExtraEdges, "extra edge", "extra edges") + ")"
	if s.BounceMS.N > 0 && s.Bounced > 0 {
		text += ", the longest " + figure.Fixed(s.BounceMS.Max.V, decimals(m, pulse.BounceMS)) + " ms"
	}
	return text + "; chatter: " + figure.Plural(s.Chatter, "burst", "bursts") + "."
}

// A Line is what is known of a contact that was measured as it moved.
type Line struct {
	Line        string       `json:"line"`  // as the kernel names it; empty for a simulated contact
	Place       string       `json:"place"` // "gpiochip0:17"
	Label       string       `json:"chip_label"`
	Bias        string       `json:"bias"`
	Begun       time.Time    `json:"begun_at"`
	Ended       string       `json:"ended"` // why, in words
	Calibration *Calibration `json:"calibration"`
	Recording   string       `json:"recording,omitempty"` // file of the edges
}

// A Calibration tells which calibration of a line was there and whether it was
// used.
type Calibration struct {
	At      time.Time `json:"at"`
	Coupler string    `json:"coupler"`
	Used    bool      `json:"used"`
	Why     string    `json:"why"` // not used or named, in words; empty when it fits
	Words   string    `json:"-"`   // what it found
}

// lineOf tells of a live capture's line.
func lineOf(doc *Document, l *Line) {
	ended := "Ended " + l.Ended + "."
	if l.Recording != "" {
		ended += " The edges are kept in " + l.Recording + "."
	}
	if l.Place == "" {
		doc.tell("", ended)
		return
	}
	doc.tell("Line", l.Line+" ("+l.Place+" of "+l.Label+"), pull resistor "+l.Bias+". "+ended)
	switch k := l.Calibration; {
	case k == nil:
		doc.tell("", "No calibration was used: what is not known of the coupler is assumed. makebreak calibrate measures it.")
	case k.Used && k.Why == "":
		doc.tell("", "Calibration "+k.Words+".")
	case k.Used:
		doc.tell("", "STALE calibration, still used: "+k.Why+". It is "+k.Words+".")
	default:
		doc.tell("", "FOREIGN calibration, not used: "+k.Why+".")
	}
}

// sequence says how sequence numbers count, "" where there are none.
func sequence(m *pulse.Measurement) string {
	if s := m.Capture.Sequence; s != nil {
		return *s
	}
	return ""
}

// notes says what was left out of the figures and why.
func notes(m *pulse.Measurement, trains *trainDigest) []string {
	var n []string
	c := m.Capture
	unknown := "the level is unknown in " + figure.Plural(c.Unknown, "interval", "intervals") + ", " + figure.Time(c.UnknownS) + " in all, left out of every figure"
	switch {
	case c.LostEdges > 0 && sequence(m) == "file":
		n = append(n, "up to "+figure.Plural(c.LostEdges, "edge was lost", "edges were lost")+" in recording, whose sequence numbers count over all contacts and do not tell whose: "+unknown+". A fault may have been lost with them.")
	case c.LostEdges > 0:
		n = append(n, figure.Plural(c.LostEdges, "edge was lost", "edges were lost")+" in recording: "+unknown+". A fault may have been lost with them.")
	case c.Unknown > 0:
		n = append(n, unknown+".")
	}
	if sequence(m) == "unclear" {
		n = append(n, "the sequence numbers count neither this contact's edges nor those of all contacts in the file: whether edges were lost is not known.")
	}
	if c.PartialStart {
		n = append(n, "the recording begins inside a break or a train, whose start is not known.")
	}
	if c.PartialEnd {
		n = append(n, "the recording ends inside a break or a train, whose end is not known.")
	}
	if c.UndecidedEnd {
		n = append(n, "the last level did not last the settling time: its transition is undecided and left out.")
	}
	if trains.partial > 0 {
		n = append(n, figure.Plural(trains.partial, "train is", "trains are")+" cut by the recording's start or end or by what is unknown: no digit is decoded from a part.")
	}
	if d := m.Dial; d != nil && d.FlashesWithoutPause > 0 {
		n = append(n, figure.Plural(d.FlashesWithoutPause, "flash has", "flashes have")+" a pause on one side only: a pulse that stalled at the beginning or end of a digit looks the same. This is not judged.")
	}
	if i := m.Interrupter; i != nil {
		if i.Missing+i.Extra > 0 {
			n = append(n, "cycles with a missing or an extra interruption are counted and left out of the statistics.")
		}
	}
	return n
}
