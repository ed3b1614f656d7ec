package report

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// OfGears shows a drive train as it is before anybody measures.
func OfGears(f *pulse.DriveFacts) *Document {
	doc := new(Document)
	doc.say(gearsSpeed(f))
	doc.head("Shafts")
	doc.add(shaftTable(f))
	if len(f.Meshes) > 0 {
		doc.head("Teeth that meet")
		doc.add(meshTable(f))
	}
	doc.head("What the openings can show")
	doc.tell("", "The cam is seen "+times(f.Lobes)+" a turn. What turns r times a cam turn and what turns k · "+strconv.Itoa(f.Lobes)+
		" ± r times look alike to evenly spaced openings; \"seen as\" is the least of these.")
	for i := range f.Shafts {
		s := &f.Shafts[i]
		doc.item("The " + s.Name + " " + sightText(&s.TurnFacts, f, teethOf(f, s.Name)))
	}
	for i := range f.Meshes {
		m := &f.Meshes[i]
		doc.item("The teeth of the " + m.Driving + " and the " + m.Driven + " " + meshSight(&m.TurnFacts))
	}
	doc.head("What looks alike to the openings")
	if len(f.Alike) == 0 {
		doc.tell("", "No two of those that are seen.")
	}
	for i := range f.Alike {
		doc.item(alikeText(&f.Alike[i], f))
	}
	doc.add(Space{})
	doc.say("Swings are measured by makebreak measure SOURCE --gears FILE, with closings used beside openings. A swing of a whole number of turns a cam turn needs a contact on another shaft.")
	doc.add(Space{})
	doc.say("Caution: " + lowerFirst(movingParts) + " " + workPeople)
	return doc
}

func lowerFirst(s string) string { return string(s[0]|0x20) + s[1:] }

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return figure.Count(n) + " times"
}

// gearsSpeed says what the motor makes of the cam.
func gearsSpeed(f *pulse.DriveFacts) string {
	lobes := figure.Plural(f.Lobes, "lobe", "lobes")
	if !f.MotorRPM.OK {
		return "The motor's speed is not known: a measurement tells it. The cam, on the shaft " + f.CamShaft + ", has " + lobes + "."
	}
	i := slices.IndexFunc(f.Shafts, func(s pulse.ShaftFacts) bool { return s.Name == f.CamShaft })
	return "The motor makes " + figure.Trimmed(f.MotorRPM.V, 3) + " turns a minute and the cam, on the shaft " + f.CamShaft + ", " + figure.Trimmed(f.Shafts[i].PerMinute.V, 3) +
		"; its " + lobes + " make " + figure.Trimmed(f.ExpectedIPM.V, 3) + " interruptions a minute."
}

// fraction writes a number with the exact fraction before it, where that is none.
func fraction(exact string, v float64) string {
	decimal := figure.Trimmed(v, 4)
	if exact == decimal || len(exact) > 12 {
		return decimal
	}
	return exact + " = " + decimal
}

func shaftTable(f *pulse.DriveFacts) Table {
	t := Table{Columns: columns("llrrr", "", "driven by", "turns a cam turn", "a minute", "seen as")}
	t.Columns[3].Rank = 1
	for i := range f.Shafts {
		s := &f.Shafts[i]
		from := ""
		if s.From != nil {
			from = fmt.Sprintf("%s, %d into %d", *s.From, s.Teeth[0], s.Teeth[1])
		}
		t.Rows = append(t.Rows, append(cells(s.Name, from), turnCells(&s.TurnFacts)...))
	}
	return t
}

func meshTable(f *pulse.DriveFacts) Table {
	t := Table{Columns: columns("lrrr", "", "a cam turn", "a minute", "seen as")}
	for i := range f.Meshes {
		m := &f.Meshes[i]
		t.Rows = append(t.Rows, append(cells(m.Driving+", "+m.Driven), turnCells(&m.TurnFacts)...))
	}
	return t
}

func turnCells(t *pulse.TurnFacts) []Cell {
	perMinute := "-"
	if t.PerMinute.OK {
		perMinute = figure.Trimmed(t.PerMinute.V, 2)
	}
	seen := fraction(t.ApparentExact, float64(t.ApparentTurns))
	switch t.Sight {
	case pulse.SightLobes:
		seen = "lobes"
	case pulse.SightNone:
		seen = "nothing"
	}
	return cells(fraction(t.TurnsExact, float64(t.TurnsPerCamTurn)), perMinute, seen)
}

// teethOf gives the most teeth of the wheels on a shaft, 0 for none.
func teethOf(f *pulse.DriveFacts, name string) (most int) {
	for _, s := range f.Shafts {
		if s.From == nil {
			continue
		}
		if s.Name == name {
			most = max(most, s.Teeth[1])
		}
		if *s.From == name {
			most = max(most, s.Teeth[0])
		}
	}
	return most
}

// sightText says how the openings see a shaft.
func sightText(t *pulse.TurnFacts, f *pulse.DriveFacts, teeth int) string {
	switch t.Sight {
	case pulse.SightNone:
		return "cannot be seen: it turns a whole number of times from opening to opening, so that each comes at the same point of its turn."
	case pulse.SightLobes:
		return "turns " + timesText(t) + " a cam turn: its swing is the same each turn, and cannot be told from errors of the lobes."
	case pulse.SightHalf:
		return "is seen at two opposite points of its turn only: one part of its swing. Closings show the other." + needs("Its", t)
	}
	text := "is seen as " + figure.Trimmed(float64(t.ApparentTurns), 4) + " turns, at " + positions(t) + "."
	if n, err := strconv.Atoi(t.Positions); err == nil && teeth > 1 && n < teeth {
		text += " One bad tooth shows only where it meets one of these, or a point where the contact closes."
	}
	return text + needs("Its", t)
}

func timesText(t *pulse.TurnFacts) string {
	if n := float64(t.TurnsPerCamTurn); n == math.Trunc(n) && n < 1e6 {
		return times(int(n))
	}
	return t.TurnsExact + " times"
}

// positions says at how many points of its turn something is seen.
func positions(t *pulse.TurnFacts) string {
	n, err := strconv.Atoi(t.Positions)
	if err != nil || n > 1000 {
		return "more than 1,000 points of its turn"
	}
	return figure.Plural(n, "point", "points") + " of its turn, " + figure.Trimmed(360/float64(n), 1) + "° apart"
}

// needs says how long it takes to measure a swing.
func needs(whose string, t *pulse.TurnFacts) string {
	if !t.NeedsTurns.OK {
		return ""
	}
	text := " " + whose + " swing needs " + turnsText(t.NeedsTurns.V) + " of the cam at least"
	if t.NeedsMinutes.OK {
		text += ", " + lasting(t.NeedsMinutes.V)
	}
	return text + "."
}

// lasting writes a length of time roughly.
func lasting(minutes float64) string {
	switch {
	case minutes < 1:
		return figure.Fixed(math.Ceil(60*minutes), 0) + " s"
	case minutes < 120:
		return figure.Fixed(math.Ceil(minutes), 0) + " minutes"
	case minutes < 48*60:
		return figure.Fixed(math.Ceil(minutes/60), 0) + " hours"
	}
	return figure.Fixed(math.Ceil(minutes/1440), 0) + " days"
}

// meshSight says how the openings see teeth that meet.
func meshSight(t *pulse.TurnFacts) string {
	switch t.Sight {
	case pulse.SightNone, pulse.SightLobes:
		return "pass " + timesText(t) + " a cam turn, a whole number: a fault of every tooth looks like errors of the lobes, or like nothing."
	}
	text := "are seen as " + figure.Trimmed(float64(t.ApparentTurns), 4) + " turns."
	return text + needs("Their", t)
}

func turningText(t pulse.Turning) string {
	if t.Driven != "" {
		return "the teeth of the " + t.Shaft + " and the " + t.Driven
	}
	return "the " + t.Shaft
}

// alikeText says which two things look alike, and what would part them.
func alikeText(a *pulse.Alike, f *pulse.DriveFacts) string {
	text := upperFirst(turningText(a.A)) + " and " + turningText(a.B) + " look alike. "
	unless := ""
	if a.LobesApart > 1 {
		unless = fmt.Sprintf(", unless the break is a multiple of 1/%d of the cycle", a.LobesApart)
	}
	switch a.Help {
	case pulse.HelpClosings:
		return text + "Closings tell them apart" + unless + "; so does a second contact on the cam shaft, between these openings."
	case pulse.HelpUnevenClosings:
		return text + "Closings tell them apart" + unless + ", such as half; so does a second contact on the cam shaft, between these openings."
	}
	return text + "They turn alike: no contact on this cam shaft tells them apart."
}
