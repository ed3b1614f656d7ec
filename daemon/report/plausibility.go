package report

import (
	"slices"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// implausible says what makes the whole reading doubtful, each in one sentence or
// two.
func implausible(m *pulse.Measurement, a *About) (why []string) {
	within, nominal := m.Matching(a.Known)
	request := pulse.Request{Limits: a.Limits, CadenceNS: a.Cadence, Matched: len(within)+len(nominal) > 0, Samples: a.Samples}
	for _, x := range m.Implausible(request) {
		why = append(why, doubt(m, &x, a))
	}
	return why
}

func doubt(m *pulse.Measurement, x *pulse.Implausibility, a *About) string {
	limited, given := a.Limits != nil, a.Cadence != nil
	const most = 40 // columns of a cadence: more than any published one needs
	does, asked := Shorten(cadenceMeans(x.DoesMS), most), Shorten(cadenceMS(x.AskedNS), most)
	switch x.Kind {
	case pulse.ImplausibleSamples:
		return "Most rows repeat the level of the row before: these look like samples of a level, not edges. Export the changes only."
	case pulse.ImplausiblePolarity:
		return "The contact seems to rest open. With --closed " + otherLevel(m.Capture.Closed) + " it would read as a dial: is the polarity the other way round?"
	case pulse.ImplausibleContact:
		if limited {
			return "The recording looks like " + article(x.Looks) + ", not " + article(m.Kind) + ": are these the right limits?"
		}
		return "The recording looks like " + article(x.Looks) + ", but was to be read as " + article(m.Kind) + ": is that right?"
	case pulse.ImplausibleCompound:
		return "This contact does " + figure.Count(len(m.Interrupter.Segments)/2) + " makes and breaks a cycle (" + does + " ms), and these limits know of one: are they the right ones?"
	}
	switch {
	case !given && limited:
		return "This contact does another cadence (" + does + " ms) than these limits are for (" + asked + "): nothing of them was judged."
	case limited:
		return "This contact does another cadence (" + does + " ms) than was given (" + asked + "): it is read as the data tell, and no limit was judged."
	}
	return "This contact does another cadence (" + does + " ms) than was given (" + asked + "): it is read as the data tell."
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

// cadenceMeans writes the cadence that was found: 400/200/400/2000.
func cadenceMeans(ms []float64) string {
	var s []string
	for _, x := range ms {
		decimals := 0
		if x < 20 {
			decimals = 1
		}
		s = append(s, figure.Trimmed(x, decimals))
	}
	if s == nil {
		return "not measured,"
	}
	return strings.Join(s, "/")
}

// maxMatches of the sets of limits that a measurement matches are named.
const maxMatches = 6

// matches says which of the known limits a measurement's means keep; nothing for
// none.
func matches(m *pulse.Measurement, known []*pulse.Profile) string {
	ids := func(p []*pulse.Profile) string {
		s := make([]string, len(p))
		for i := range p {
			s[i] = p[i].ID
		}
		slices.Sort(s)
		if n := len(s) - maxMatches; n > 1 {
			s = append(s[:maxMatches], figure.Count(n)+" more")
		}
		return strings.Join(s, ", ")
	}
	within, nominal := m.Matching(known)
	var said []string
	if len(within) > 0 {
		said = append(said, "Its means are within the limits of "+ids(within)+".")
	}
	if len(nominal) > 0 {
		said = append(said, "Known nominal cadences within "+figure.Trimmed(100*pulse.NominalTolerance, 0)+" %, to recognise only: "+ids(nominal)+".")
	}
	return strings.Join(said, " ")
}
