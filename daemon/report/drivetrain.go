package report

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// movingParts is said wherever somebody is sent to a drive. A measurement's page
// has workPeople in its caution for wiring, below all.
const (
	movingParts = "Stop the drive and lock it against starting before a hand comes near gears, cams or belts: they crush and pull in."
	workPeople  = "Let competent (where the law asks it, licensed) people do the work, to the local codes."
)

// driveTrain says which shaft moves the openings.
func driveTrain(doc *Document, m *pulse.Measurement) {
	t := m.DriveTrain
	if t == nil {
		return
	}
	doc.head("Drive train")
	doc.tell("", restsOn(t))
	if m.Repeater != nil && t.Openings > 0 && t.Contacts == 1 {
		doc.tell("", "The second contact is not in this fit: that needs one time for both (one recording, or one run of a log), and as many lobes on the same cam shaft.")
	}
	if m.KindLooks != nil && *m.KindLooks == pulse.KindDial.String() {
		doc.mark("CHECK:", Doubtful, "the recording looks like a dial. With a drive train it is read as an interrupter; of a dial what follows tells nothing.")
	}
	driveSpeed(doc, t)
	findings := driveFindings(t)
	for _, f := range findings {
		doc.item(f.text)
	}
	if text := quietText(t); text != "" {
		doc.tell("", text)
	}
	for _, text := range untold(t) {
		doc.tell("", text)
	}
	if text := sharesText(t); text != "" {
		doc.tell("", text)
	}
	if len(findings) > 0 {
		doc.tell("Caution:", "moving parts. "+movingParts)
	}
}

// A driveFinding is something that swings the openings, by so many ms.
type driveFinding struct {
	ms   float64
	text string
}

// driveFindings gives what was found, the largest first.
func driveFindings(t *pulse.DriveTrain) (all []driveFinding) {
	for _, g := range swingGroups(t) {
		switch s := g[0]; {
		case !s.Found():
		case s.Struck != nil:
			all = append(all, driveFinding{math.Abs(s.Struck.LateMS.V), struckText(g)})
		default:
			all = append(all, driveFinding{s.AmplitudeMS.V, swingText(g, t)})
		}
	}
	for i := range t.Meshes {
		m := &t.Meshes[i]
		if text := meshText(m); text != "" {
			size := m.AmplitudeMS.V
			for _, s := range m.Sidebands {
				size = max(size, s.AmplitudeMS.V)
			}
			all = append(all, driveFinding{size, text})
		}
	}
	for i := range t.Unlisted {
		all = append(all, driveFinding{t.Unlisted[i].AmplitudeMS.V, unlistedText(&t.Unlisted[i])})
	}
	slices.SortStableFunc(all, func(a, b driveFinding) int { return cmp.Compare(b.ms, a.ms) })
	return all
}

// restsOn says what the fit had.
func restsOn(t *pulse.DriveTrain) string {
	if t.Openings == 0 {
		return "There were no openings in a row to fit."
	}
	text := figure.Plural(t.Openings, "opening", "openings") + " over " + turnsText(float64(t.Turns)) + " of the cam"
	if t.Closings {
		text += ", with their closings"
	}
	if t.Contacts > 1 {
		text += ", and " + figure.Plural(t.Contacts-1, "contact", "contacts") + " more of the drive"
	}
	text += ", fitted together: the errors of " + figure.Plural(t.Lobes, "lobe", "lobes") + ", a swing of each shaft, and the slow wander of the speed."
	if t.Left > 0 {
		text += " " + figure.Plural(t.Left, "opening", "openings") + " of other stretches or before these left out: after a slip or an unknown time each shaft stands anew."
	}
	return text
}

func turnsText(turns float64) string {
	return figure.Plural(int(math.Round(turns)), "turn", "turns")
}

// driveSpeed says where the rate and the drive do not agree.
func driveSpeed(doc *Document, t *pulse.DriveTrain) {
	s := t.Speed
	switch {
	case s == nil:
	case s.Agrees == nil:
		doc.tell("", "By these teeth the motor makes "+figure.Fixed(s.MotorRPM.V, 1)+" turns a minute.")
	case !*s.Agrees:
		off := 100 * (s.Ratio.V - 1)
		text := "the cam makes " + figure.Fixed(s.MeasuredIPM.V, 1) + " interruptions a minute, " + figure.Fixed(math.Abs(off), 1) + " % " +
			map[bool]string{true: "more", false: "fewer"}[off > 0] + " than the " + figure.Fixed(t.ExpectedIPM.V, 1) +
			" of the drive as described. Either the motor makes " + figure.Fixed(s.MotorRPM.V, 1) + " turns a minute, or a number of teeth or lobes is not right"
		if s.LobesThatFit != nil {
			text += " (" + figure.Plural(*s.LobesThatFit, "lobe", "lobes") + " would fit)"
		}
		doc.mark("CHECK:", Doubtful, text+". In the second case the shafts below are the wrong ones.")
	}
}

// swingGroups gives the shafts that have a swing; together those that look alike,
// by their swing or by their jerk.
func swingGroups(t *pulse.DriveTrain) (groups [][]*pulse.ShaftSwing) {
	for i := range t.Shafts {
		s := &t.Shafts[i]
		if !s.AmplitudeMS.OK {
			continue
		}
		k := slices.IndexFunc(groups, func(g []*pulse.ShaftSwing) bool {
			return slices.Contains(g[0].IndistinguishableFrom, s.Name) || g[0].Struck != nil && s.Struck != nil && slices.Contains(g[0].SameJerkAs, s.Name)
		})
		if k < 0 {
			groups = append(groups, []*pulse.ShaftSwing{s})
		} else {
			groups[k] = append(groups[k], s)
		}
	}
	return groups
}

// wheelText names a shaft with its teeth and turns.
func wheelText(s *pulse.ShaftSwing) string {
	text := figure.Trimmed(float64(s.TurnsPerCamTurn), 4) + " turns a cam turn"
	if s.Teeth > 0 {
		text = figure.Plural(s.Teeth, "tooth", "teeth") + ", " + text
	}
	return "the " + s.Name + " (" + text + ")"
}

// swingText says by how much a shaft swings the openings, or one of several that
// cannot be told apart.
func swingText(g []*pulse.ShaftSwing, t *pulse.DriveTrain) string {
	s := g[0]
	dec := figure.Decimals(2 * s.AmplitudeSEMS.V)
	relative := 2 * s.AmplitudeSEMS.V / s.AmplitudeMS.V
	degrees := func(s *pulse.ShaftSwing) string {
		return figure.Fixed(s.AmplitudeDeg.V, figure.Decimals(relative*s.AmplitudeDeg.V)) + "°"
	}
	var names, turns []string
	for _, x := range g {
		names = append(names, wheelText(x))
		turns = append(turns, degrees(x)+" of the "+x.Name)
	}
	swing := " swings every opening by ±" + figure.Fixed(s.AmplitudeMS.V, dec) + " ms (95 %: " +
		figure.Fixed(s.AmplitudeLowMS.V, dec) + " to " + figure.Fixed(s.AmplitudeHighMS.V, dec) + "), "
	var text string
	if len(g) == 1 {
		text = upperFirst(names[0]) + swing + degrees(s) + " of its own turn"
	} else {
		text = upperFirst(strings.Join(names, " or ")) + ", which these edges do not tell apart," + swing + strings.Join(turns, " or ")
	}
	text += "; chance of this from noise alone: " + chance(s.FalseAlarm.V) + ". "
	whose := map[bool]string{true: "its", false: "their"}[len(g) == 1]
	switch s.Kind {
	case pulse.SwingEccentric:
		text += "It swings once a turn, smoothly, as a wheel out of centre or a bent shaft does. Look at " + whose + " teeth and " + whose + " seat."
	case pulse.SwingTooth:
		text += "It jerks once a turn, as one bad tooth does. Look at " + whose + " teeth, one by one, and then at " + whose + " seat."
	default:
		text += "Whether it is a wheel out of centre or one bad tooth cannot be told. Look at " + whose + " teeth and " + whose + " seat."
	}
	if len(s.SameJerkAs) > 0 {
		text += " A bad tooth of the " + strings.Join(s.SameJerkAs, " or the ") + " would look the same here."
	}
	if len(g) > 1 && !t.Closings {
		text += " Closings may tell them apart; these were not known."
	}
	return text
}

// struckText says how late the openings are that meet a bad tooth.
func struckText(g []*pulse.ShaftSwing) string {
	s := g[0]
	x := s.Struck
	var names, others []string
	for _, y := range g {
		names = append(names, wheelText(y))
	}
	for _, name := range s.SameJerkAs {
		if !slices.ContainsFunc(g, func(y *pulse.ShaftSwing) bool { return y.Name == name }) {
			others = append(others, name)
		}
	}
	half := (x.HighMS.V - x.LowMS.V) / 2
	late := figure.NonZero(math.Abs(x.LateMS.V), figure.Decimals(half)) + " ± " + small(half) + " ms (95 %) " + map[bool]string{true: "late", false: "early"}[x.LateMS.V >= 0]
	text := fmt.Sprintf("Once in %d openings %s makes one %s", x.OneIn, strings.Join(names, " or "), late)
	if x.Places > 1 {
		text += fmt.Sprintf(", and less so those at %s more of its turn", figure.Plural(x.Places-1, "place", "places"))
	}
	text += "; chance of this from noise alone: " + chance(s.FalseAlarm.V) + ". A bad tooth does so, or something that catches once a turn."
	if len(g) == 1 {
		if x.EachTurns > 1 {
			text += " An opening meets that place once in " + figure.Plural(x.EachTurns, "turn", "turns") + " of the " + s.Name + "."
		}
		text += " Look at its teeth, one by one, and then at its seat."
	} else {
		text += " Openings meet each of these shafts at the same few places, so which it is cannot be told here. Look at their teeth, one by one, and then at their seats."
	}
	if len(others) > 0 {
		text += " A bad tooth of the " + strings.Join(others, " or the ") + " would look the same here."
	}
	return text
}

// chance says how probable a false alarm is.
func chance(p float64) string {
	if p < 1e-6 {
		return "under 1 in 10⁶"
	}
	return figure.OneIn(p)
}

// meshText says how teeth swing the openings, if they do.
func meshText(m *pulse.MeshSwing) string {
	if !m.Found() {
		return ""
	}
	pair := "the teeth of the " + m.Driving + " and the " + m.Driven + " (" + figure.Trimmed(float64(m.TurnsPerCamTurn), 2) + " a cam turn)"
	var said []string
	if m.FalseAlarm.OK && m.FalseAlarm.V < 0.01 {
		said = append(said, "swing the openings by ±"+small(m.AmplitudeMS.V)+" ms as each pair meets (chance of this from noise alone: "+chance(m.FalseAlarm.V)+")")
	}
	for _, s := range m.Sidebands {
		said = append(said, "mesh unevenly as the "+s.Shaft+" turns, which swings the openings by ±"+small(s.AmplitudeMS.V)+" ms (chance: "+chance(s.FalseAlarm.V)+")")
	}
	return upperFirst(pair) + " " + strings.Join(said, ", and ") + ". Look at the depth in which they mesh, their wear and their lubrication."
}

// small writes a size with two significant digits.
func small(v float64) string { return figure.NonZero(v, figure.Decimals(v)) }

// unlistedText says what turns and is not among the shafts.
func unlistedText(u *pulse.UnlistedTurn) string {
	text := "Something that is not listed turns " + figure.Fixed(float64(u.TurnsPerCamTurn), 3) + " times a cam turn"
	var others []string
	for _, o := range u.OrTurnsPerCamTurn {
		others = append(others, figure.Fixed(float64(o), 3))
	}
	if len(others) > 0 {
		text += " (or " + strings.Join(others, " or ") + ", which look alike)"
	}
	text += " and swings the openings by ±" + small(u.AmplitudeMS.V) + " ms; chance of this from noise alone, at any of the orders searched: " + chance(u.FalseAlarm.V) + "."
	if u.Near == nil {
		return text + " A shaft or belt that the description lacks, a wrong number of teeth, or something outside the drive that shakes it."
	}
	text += " It is near to the " + u.Near.Name + "'s " + figure.Trimmed(float64(u.Near.TurnsPerCamTurn), 4) + ": are the teeth counted right?"
	if x := u.Near.Teeth; x != nil {
		text += fmt.Sprintf(" With %d on the %s driving %d on the %s it would be the %s.", x.DrivingTeeth, x.Driving, x.OwnTeeth, x.Driven, u.Near.Name)
	}
	return text + " Else it is a shaft or belt that the description lacks, or something outside the drive that shakes it."
}

// quietText says what bounds the swing of the shafts of which none was found.
func quietText(t *pulse.DriveTrain) string {
	var names []string
	most := 0.0
	all := true
	for i := range t.Shafts {
		switch s := &t.Shafts[i]; {
		case !s.AmplitudeMS.OK:
		case s.Found():
			all = false
		default:
			names = append(names, s.Name)
			most = max(most, s.AmplitudeHighMS.V)
		}
	}
	if len(names) == 0 {
		return ""
	}
	bound := "±" + small(most) + " ms (95 %)"
	if all {
		return "No shaft was found to swing the openings: none of " + figure.List(names) + " by more than " + bound + "."
	}
	if len(names) == 1 {
		return "The " + names[0] + " was not found to swing them: by no more than " + bound + "."
	}
	return figure.List(names) + " were not found to swing them: none by more than " + bound + "."
}

// untold says which shafts cannot be judged, and why.
func untold(t *pulse.DriveTrain) (all []string) {
	var lobes, none, half []string
	short := map[float64][]string{} // by the turns that are needed
	for i := range t.Shafts {
		s := &t.Shafts[i]
		if s.AmplitudeMS.OK {
			continue
		}
		switch {
		case s.Sight == pulse.SightNone:
			none = append(none, s.Name)
		case s.Sight == pulse.SightLobes:
			lobes = append(lobes, s.Name)
		case s.NeedsTurns.OK:
			short[s.NeedsTurns.V] = append(short[s.NeedsTurns.V], s.Name)
		case s.Sight == pulse.SightHalf:
			half = append(half, s.Name)
		}
	}
	for _, turns := range slices.Sorted(maps.Keys(short)) {
		all = append(all, "A swing of "+figure.List(short[turns])+" cannot be judged from "+turnsText(float64(t.Turns))+": it needs "+turnsText(turns)+" of the cam, all in one stretch.")
	}
	if len(lobes) > 0 {
		all = append(all, "A swing of "+figure.List(lobes)+" is the same each turn of the cam: it is among the errors of the lobes and cannot be told from them.")
	}
	if len(none) > 0 {
		all = append(all, "A swing of "+figure.List(none)+" cannot be seen: it is at the same point of a turn at each opening.")
	}
	if len(half) > 0 {
		all = append(all, "Of "+figure.List(half)+" the openings see two points of its turn only; closings are needed too.")
	}
	return all
}

// sharesText shares out the variance.
func sharesText(t *pulse.DriveTrain) string {
	if !t.ResidualShare.OK {
		return ""
	}
	percent := func(n pulse.Num) string { return figure.Fixed(100*n.V, 1) + " %" }
	var said []string
	if t.LobesShare.OK {
		said = append(said, "the lobes "+percent(t.LobesShare))
	}
	for _, g := range swingGroups(t) {
		if s := g[0]; s.Found() && s.Share.OK {
			var names []string
			share := s.Share
			for _, x := range g {
				names = append(names, "the "+x.Name)
				if x != s && x.Struck != nil && x.Share.OK { // one jerk, but a swing of each
					share.V += x.Share.V
				}
			}
			said = append(said, strings.Join(names, " or ")+" "+percent(share))
		}
	}
	for i := range t.Unlisted {
		if u := &t.Unlisted[i]; u.Share.OK {
			said = append(said, "what turns "+figure.Fixed(float64(u.TurnsPerCamTurn), 3)+" times "+percent(u.Share))
		}
	}
	said = append(said, "what is left "+percent(t.ResidualShare)+" ("+small(t.ResidualMS.V)+" ms)")
	return "Of the variance of the opening times, without the slow wander of the speed: " + figure.List(said) + "."
}
