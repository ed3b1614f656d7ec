package report

import (
	"strings"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/stretch"
	"makebreak/pulse"
)

// About is what is known of a measurement beside its edges.
type About struct {
	Limits  *pulse.Profile   // nil when none were asked
	Known   []*pulse.Profile // that it may seem to be for, when none were asked
	Cadence []int64          // as asked, in place of the limits'; nil when none was
	Stopped string           // when not empty, why there is a part only
	Line    *Line            // nil for what was not measured live
	Log     *stretch.Report  // nil for what does not come from a log
	Survey  *pulse.Survey    // of its rows; may be nil
	Samples bool             // the rows look like samples of a level
	Record  bool             // it becomes a test record, which asks for nothing
	Zone    *time.Location   // by whose clock times of day are said; nil is UTC
}

// OfMeasurement says what m found.
func OfMeasurement(m *pulse.Measurement, a *About) *Document {
	doc, trains := &Document{zone: a.Zone}, digest(m)
	doubts := implausible(m, a)
	opening(doc, m, a, doubts)
	verdict(doc, m, trains, a)
	if len(doubts) == 0 {
		adviceOn(doc, m, trains, a.Survey)
	}
	recording(doc, m, trains, a)
	switch {
	case m.Dial != nil:
		dial(doc, m, trains)
		listTrains(doc, m, trains)
	case m.Interrupter != nil:
		interrupter(doc, m, a)
	}
	drift(doc, m, a)
	stability(doc, m)
	driveTrain(doc, m)
	repeater(doc, m)
	if !a.Record { // which has the whole budget
		uncertainty(doc, m)
	}
	doc.add(Caution{})
	return doc
}

// opening names the source, what makes its reading doubtful and how it was read.
func opening(doc *Document, m *pulse.Measurement, a *About, doubts []string) {
	doc.add(Title{m.Source})
	for _, d := range doubts {
		doc.mark("FIRST:", Doubtful, d)
	}
	doc.say(readAs(m, a))
	if a.Stopped != "" {
		doc.mark("INCOMPLETE:", Doubtful, a.Stopped+"; what follows holds for that part alone.")
	}
	doc.add(Space{})
}

// verdict states whether m keeps the limits, why, and by which figures.
func verdict(doc *Document, m *pulse.Measurement, trains *trainDigest, a *About) {
	profile := a.Limits
	doc.add(headline(m))
	if c := m.Capture; c.Unknown > 0 {
		text := figure.Plural(c.Unknown, "interval", "intervals") + " left out and not judged."
		if c.LostEdges > 0 {
			text = figure.Plural(c.LostEdges, "edge was", "edges were") + " lost: " + text
			if sequence(m) == "file" { // some may be other contacts'
				text = "Up to " + text
			}
		} else {
			text = "Level not known: " + text
		}
		doc.say(text)
	}
	if profile != nil {
		id := profile.ID
		if profile.Country != "" {
			id += ", " + profile.Country
		}
		doc.add(Paragraph{Lead: "by", Text: profile.Title + " (" + id + ")"})
	}
	if !m.Measured() {
		doc.add(Space{})
		doc.say(figure.Plural(m.Capture.Edges, "edge", "edges") + ": " + lacks(m))
	}
	if m.Conformity != nil {
		for _, because := range m.Conformity.Because {
			doc.add(Paragraph{Lead: "Because", Text: because + "."})
		}
	} else {
		for _, because := range m.Faults().Because() {
			doc.add(Paragraph{Lead: "But", Text: because + "."})
		}
	}
	if m.Conformity == nil || len(m.Conformity.Items) == 0 {
		if profile == nil && m.Measured() {
			if text := matches(m, a.Known); text != "" {
				doc.say(text)
			}
			if a.Record {
				return
			}
			doc.say("Ask for a verdict with --limits ID, or --limits all to compare; makebreak limits lists them.")
		}
		return
	}
	if m.Measured() {
		deciding(doc, m, trains, a.Log)
	}
	doc.add(Space{})
	doc.add(itemTable(m.Conformity.Items))
	sources(doc, m.Conformity.Items)
	if profile != nil && len(profile.Conflicts) > 0 {
		doc.tell("Note  ", "Published figures disagree here: makebreak limits "+profile.ID+" tells how.")
	}
}

// headline gives the verdict in words, as the statement has it.
func headline(m *pulse.Measurement) Statement {
	c, faults := m.Conformity, faultWords(m.Faults())
	switch {
	case c == nil && !m.Measured():
		return Statement{"NOT MEASURED", Doubtful}
	case c == nil && faults != "":
		return Statement{"MEASURED; NO LIMITS ASKED; BUT " + faults, Doubtful}
	case c == nil:
		return Statement{"MEASURED; NO LIMITS ASKED", Strong}
	}
	verdict := Statement{strings.ToUpper(figure.Verdict(c.Statement)), verdictTone(c.Statement)}
	switch {
	case c.Statement == pulse.Fail && faults != "" && c.WorstItem() == pulse.Fail:
		verdict.Words += ", AND " + faults
	case c.Statement == pulse.Fail && faults != "":
		verdict.Words = "FAIL: " + faults
	case c.Statement != pulse.NotMeasured:
	case !m.Measured():
		verdict.Words = "NOT MEASURED"
	case len(c.Items) == 0:
		verdict.Words = "NOT JUDGED: NO TOLERANCE IS PUBLISHED"
	case c.WorstItem() == pulse.NotMeasured:
		verdict.Words += ": NOT EVERY LIMIT COULD BE MEASURED"
	}
	return verdict
}

// Verdict is the verdict of m in words, as its page begins.
func Verdict(m *pulse.Measurement) string { return headline(m).Words }

// faultWords says what never passes; nothing when there is none of it.
func faultWords(f pulse.Faults) string {
	var how []string
	for _, x := range []struct {
		n    uint64
		word string
	}{{f.Missing, "MISSING"}, {f.Extra, "EXTRA"}, {f.Slips, "SLIPPED"}} {
		if x.n > 0 {
			how = append(how, x.word)
		}
	}
	words := ""
	if len(how) > 0 {
		words = "INTERRUPTIONS " + strings.Join(how, ", ")
	}
	if f.Stalls > 0 {
		words += "A BREAK STALLED" // of a dial, which has no interruptions
	}
	return words
}

// readAs says what the recording was read as and why.
func readAs(m *pulse.Measurement, a *About) string {
	if m.KindLooks == nil && m.KindFrom == "data" {
		return "Nothing tells its kind; read as a dial."
	}
	from := map[string]string{"given": "as asked", "profile": "as the limits say", "data": "told from the data"}[m.KindFrom]
	if a.Log != nil && !a.Log.KindAsked && m.KindFrom == "given" {
		from = "as it was watched"
	}
	if m.Interrupter != nil {
		return "Read as an interrupter: " + from + "."
	}
	return "Read as a dial: " + from + "."
}

// lacks says what a recording without figures lacks.
func lacks(m *pulse.Measurement) string {
	if m.Dial == nil && m.Interrupter != nil {
		return "an interrupter's figures need a whole cycle, from one opening of the contact to the next."
	}
	return "a dial's figures need a whole break, a contact that opens and closes again, and its rate a train of two pulses or more."
}

// unmeasuredWhy says what a quantity needs that the recording lacks.
func unmeasuredWhy(m *pulse.Measurement, quantity string) string {
	switch q := pulse.Quantity(quantity); {
	case q.OfTwo() && m.Repeater == nil:
		return "it needs a second contact, with --against"
	case q.OfTwo():
		return "no pulse of the two contacts belongs together so"
	case q == pulse.BounceMS:
		return "it needs a contact that opens or closes and then stays so for the settling time"
	case m.Interrupter != nil && !m.Interrupter.CadenceFits:
		return "the contact does another cadence"
	case m.Interrupter != nil && strings.HasPrefix(quantity, "segment_"):
		return "it needs whole cycles that follow the cadence"
	case m.Interrupter != nil:
		return "it needs a whole cycle, from one opening to the next"
	case q == pulse.BreakMS:
		return "it needs a whole break"
	case q == pulse.InterdigitMS:
		return "it needs two trains with nothing but the pause between them"
	}
	return "it needs a train of two pulses or more"
}
