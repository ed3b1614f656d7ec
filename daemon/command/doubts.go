package command

import (
	"strings"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// tellTransitions is how many transitions tell a kind well enough to doubt the
// one that was asked for: a dial's digit or two, four cycles of an interrupter.
const tellTransitions = 8

// doubts says what makes the whole reading doubtful, each in one sentence or
// two; with any, what the trade would look at first is not to be told.
func doubts(m *pulse.Measurement, v *view) (d []string) {
	if v.samples {
		d = append(d, "Most rows repeat the level of the row before: these look like samples of a level, not edges. Export the changes only.")
	}
	in := m.Interrupter
	const most = 40 // of a cadence's text: more than any published one needs
	does, asked := shorten(measuredCadence(m), most), shorten(cadenceMS(v.cadence), most)
	if v.cadence == nil && v.profile != nil {
		asked = shorten(cadenceMS(v.profile.CadenceNS), most)
	}
	looks := m.Kind
	if m.KindLooks != nil && m.Settling.Transitions >= tellTransitions {
		looks = *m.KindLooks
	}
	// The cadence of an interrupter may, the other way round, pass for a dial:
	// not one that is known, or was asked for and has most of its cycles.
	isCadence := in != nil && (v.fits != "" || m.KindFrom != "data" && in.CadenceFits && in.Cycles > 0 && 2*in.Cycles >= in.Due)
	switch {
	case m.MaybeInverted && !isCadence, m.Dial != nil && restsOpen(m.Dial):
		d = append(d, "The contact seems to rest open. With --closed "+otherLevel(m.Capture.Closed)+" it would read as a dial: is the polarity the other way round?")
	case looks != m.Kind && v.profile != nil:
		d = append(d, "The recording looks like "+article(looks)+", not "+article(m.Kind)+": are these the right limits?")
	case looks != m.Kind:
		d = append(d, "The recording looks like "+article(looks)+", but was to be read as "+article(m.Kind)+": is that right?")
	case in != nil && v.profile != nil && compound(m) && len(v.profile.CadenceNS) == 0 && m.Conformity.WorstItem() == pulse.Fail:
		d = append(d, "This contact does "+figure.Count(len(in.Segments)/2)+" makes and breaks a cycle ("+does+" ms), and these limits know of one: are they the right ones?")
	case in != nil && !in.CadenceFits && v.cadence == nil && v.profile != nil:
		d = append(d, "This contact does another cadence ("+does+" ms) than these limits are for ("+asked+"): nothing of them was judged.")
	case in != nil && !in.CadenceFits:
		text := "This contact does another cadence (" + does + " ms) than was given (" + asked + "): it is read as the data tell"
		if v.profile != nil {
			text += ", and no limit was judged"
		}
		d = append(d, text+".")
	}
	return d
}

// restsOpen tells a dial whose makes look like pulses: the rests between its
// trains read as long breaks, stalls among them, and its breaks are the
// shorter part.
func restsOpen(d *pulse.Dial) bool {
	long := d.Flashes + d.Disconnects + d.Stalls
	return long > 0 && long+1 >= d.Trains.Len() && d.BreakPercent.P50.OK && d.BreakPercent.P50.V < 50
}

func otherLevel(level string) string {
	if level == "high" {
		return "low"
	}
	return "high"
}

func article(kind string) string {
	if kind == pulse.KindInterrupter.String() {
		return "an " + kind
	}
	return "a " + kind
}

// segmentMeans gives the mean make, break, make, break … of a cycle in ms,
// nothing where no whole cycle was measured.
func segmentMeans(m *pulse.Measurement) (ms []float64) {
	in := m.Interrupter
	if in == nil || in.Cycles == 0 {
		return nil
	}
	if len(in.Segments) == 0 {
		return []float64{in.MakeMS.Mean.V, in.BreakMS.Mean.V}
	}
	for _, s := range in.Segments {
		ms = append(ms, s.MS.Mean.V)
	}
	return ms
}

// measuredCadence writes the cadence that was found: 400/200/400/2000.
func measuredCadence(m *pulse.Measurement) string {
	var s []string
	for _, ms := range segmentMeans(m) {
		decimals := 0
		if ms < 20 {
			decimals = 1
		}
		s = append(s, figure.Trimmed(ms, decimals))
	}
	if s == nil {
		return "not measured,"
	}
	return strings.Join(s, "/")
}
