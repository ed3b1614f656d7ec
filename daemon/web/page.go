package web

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/live"
	"makebreak/pulse"
)

// A page is what the first page shows, in words.
type page struct {
	frame
	Summary  string
	Notices  []string
	Contacts []pageContact
	Rows     []row // of the same contacts
}

// A row is a contact on the page of all contacts.
type row struct {
	pageContact
	Since   string
	Strip   strip
	Bands   []band
	Changes []change
}

type pageContact struct {
	Name, Title, Source, Kind string
	State                     string
	Verdict                   badge
	Faults                    []badge // faults that never pass, whatever the limits say
	Latest                    string  // the latest rate, empty when not known
	Rate, Nominal, Percent    string  // means of the window where there are any, empty when not known
	Means                     bool    // Rate and Percent are
	RateAgo                   string  // how old the latest rate is, where it is not current; then no means are shown
	Problems                  []problem
	Limits                    []pageLimit
	Segments                  []pageSegment // where no limits judge them
	Profile, ProfileID        string
	Window                    string
	Recent, Total             string
	Notes                     []string
}

// A badge is a verdict as a word, a mark and a colour, which all say the same.
type badge struct {
	Class string `json:"class"`
	Mark  string `json:"mark"`
	Word  string `json:"word"`
}

// A problem is a sentence on something that is wrong.
type problem struct{ Class, Text string }

type pageSegment struct{ Name, Nominal, Mean string }

type pageLimit struct {
	Quantity, Limit, Seen, Out string
	Verdict                    badge
}

var (
	verdicts = map[pulse.Statement]badge{
		pulse.Pass:            {"pass", "✓", figure.Verdict(pulse.Pass)},
		pulse.ConditionalPass: {"near", "≈", figure.Verdict(pulse.ConditionalPass)},
		pulse.ConditionalFail: {"near", "≈", figure.Verdict(pulse.ConditionalFail)},
		pulse.Fail:            {"fail", "✗", figure.Verdict(pulse.Fail)},
		pulse.NotMeasured:     {"none", "–", figure.Verdict(pulse.NotMeasured)},
		"":                    {"none", "–", figure.Verdict("")},
	}
	// faulty is a fail where no value is beyond a limit for certain.
	faulty  = badge{"fail", "✗", "faulty"}
	notRead = badge{"fail", "!", "not being read"}
	silent  = badge{"fail", "!", "no signal"}
	ended   = badge{"none", "–", "at its end"}
	// Of limits that give no tolerance.
	fits     = badge{"none", "–", "fits; no tolerance is published"}
	notKnown = badge{"none", "–", "no tolerance is published"}
)

func newPage(site string, all []live.Figures, now time.Time) *page {
	v := &page{frame: frame{Site: site}}
	count := map[string]int{}
	faults := 0
	for i := range all {
		c := newPageContact(&all[i], now)
		count[c.Verdict.Word]++
		if len(c.Faults) > 0 && c.Verdict != faulty {
			faults++
		}
		v.Contacts = append(v.Contacts, c)
	}
	v.Summary = figure.Plural(len(all), "contact", "contacts")
	var parts []string
	for _, x := range []badge{notRead, silent, ended, verdicts[pulse.Fail], faulty, verdicts[pulse.ConditionalFail], verdicts[pulse.ConditionalPass],
		verdicts[pulse.NotMeasured], notKnown, verdicts[""], fits, verdicts[pulse.Pass]} {
		if n := count[x.Word]; n > 0 {
			parts = append(parts, figure.Count(n)+" "+strings.ReplaceAll(x.Word, "; ", ", "))
		}
	}
	switch {
	case len(parts) == 1 && len(all) > 1:
		v.Summary = "All " + v.Summary + ": " + strings.TrimPrefix(parts[0], figure.Count(len(all))+" ")
	case len(parts) > 0:
		v.Summary += ": " + strings.Join(parts, "; ")
	}
	if faults > 0 {
		v.Summary += "; of these " + figure.Count(faults) + " with faults that never pass"
	}
	v.Summary += "."
	return v
}

func newPageContact(f *live.Figures, now time.Time) pageContact {
	c := pageContact{
		Name: f.Name, Title: f.Title, Source: f.Source, State: f.State.String(), Notes: f.Notes,
		Verdict: verdicts[f.Statement], Window: duration(f.Window.Seconds()),
	}
	if f.Statement == pulse.Fail && !slices.ContainsFunc(f.Items, func(it live.Item) bool { return it.Statement == pulse.Fail }) {
		c.Verdict = faulty
	}
	if f.State == live.Unknown {
		c.State = "state not known"
	}
	unit := "pps"
	if f.Kind != pulse.KindAuto {
		c.Kind = f.Kind.String()
	}
	if f.Kind == pulse.KindInterrupter {
		unit = "IPM"
	}
	if f.Rate.OK {
		c.Latest = withUnit(figure.Fixed(f.Rate.V, 2), unit)
	}
	if f.Rate.OK && f.Setting.Rate > 0 {
		c.Nominal = withUnit(figure.Trimmed(f.Setting.Rate, 2), unit)
	}
	switch {
	case f.RateAgoS.OK || !f.MeanRate.OK:
		c.Rate = c.Latest
		if f.BreakPercent.OK {
			c.Percent = withUnit(figure.Fixed(f.BreakPercent.V, 1), "%")
		}
	default:
		c.Means = true
		c.Rate, c.Percent = mean(f.MeanRate, f.MeanRateU, unit), mean(f.MeanPercent, f.MeanPercentU, "%")
	}
	if f.RateAgoS.OK {
		c.RateAgo = ago(f.RateAgoS.V)
	}
	if f.Limits != nil && len(f.Items) == 0 && f.Statement == "" {
		c.Verdict = notKnown
		if len(f.SegmentsMS) > 0 && !f.OtherCadence {
			c.Verdict = fits
		}
	}
	if f.Limits != nil && len(f.Items) == 0 && len(f.Limits.CadenceNS) == len(f.SegmentsMS) {
		for i, ms := range f.SegmentsMS {
			c.Segments = append(c.Segments, pageSegment{
				Name:    [2]string{"make ", "break "}[i%2] + strconv.Itoa(i/2+1),
				Nominal: withUnit(figure.Trimmed(float64(f.Limits.CadenceNS[i])/1e6, 3), "ms"), Mean: withUnit(figure.Fixed(ms, 1), "ms"),
			})
		}
	}
	switch {
	case f.Ended:
		if c.State = ended.Word; c.Verdict.Class != "fail" { // what is wrong stays so
			c.Verdict = ended
		}
	case !f.Up:
		c.Verdict = notRead
		why := "The contact is not being read"
		if f.Why != "" {
			why += ": " + f.Why
		}
		c.tell("fail", why+".")
	case f.Stuck:
		c.Verdict = silent
		text := "No edge"
		if f.Kind == pulse.KindInterrupter {
			text = "Standing still: no edge"
		}
		if f.SinceEdge.OK {
			text += " for " + duration(f.SinceEdge.V)
		}
		c.tell("fail", text+"; one was expected within "+duration(f.StuckAfter.Seconds())+".")
	}
	if f.RestsOpen {
		other := pulse.ClosedLow
		if f.Polarity == other {
			other = pulse.ClosedHigh
		}
		c.tell("near", "The contact seems to rest open; with closed: "+other.String()+" it would read as a dial. Is the polarity the other way round?")
	}
	if f.OtherCadence {
		c.tell("near", "The contact does another cadence than the one that is set, so nothing can be judged.")
	}
	for _, class := range []string{"fail", "near"} { // the worse first
		for _, it := range f.Items {
			if v := verdicts[it.Statement]; v.Class == class {
				c.tell(class, worst(it, now))
			}
		}
	}
	for _, because := range f.Because {
		c.tell("fail", title(because)+" in the last "+c.Window+".")
	}
	for _, x := range []struct {
		n    uint64
		word string
	}{{f.Recent.Missing, " missing"}, {f.Recent.Extra, " extra"}, {f.Recent.PhaseSlips, " slipped"}, {f.Recent.Stalls, " stalled"}} {
		if x.n > 0 {
			c.Faults = append(c.Faults, badge{"fail", "✗", figure.Count(x.n) + x.word})
		}
	}
	if n := f.Recent.LostEdges; n > 0 {
		c.tell("near", figure.Plural(n, "edge", "edges")+" lost in the last "+c.Window+"; what they were part of is not in the figures.")
	}
	if f.Limits != nil {
		c.Profile, c.ProfileID = f.Limits.Title, f.Limits.ID
	}
	for i, it := range f.Items {
		if i > 0 && f.Items[i-1].Quantity == it.Quantity {
			continue // shown with its other bound
		}
		c.Limits = append(c.Limits, newPageLimit(f.Items[i:]))
	}
	if f.Kind != pulse.KindAuto {
		recent := live.Totals{Counts: f.Recent}
		recent.Flashes, recent.Disconnects = 0, 0 // no faults: shown in the total only
		c.Recent, c.Total = counts(f.Kind, &recent), counts(f.Kind, &f.Totals)
	}
	return c
}

func (c *pageContact) tell(class, text string) { c.Problems = append(c.Problems, problem{class, text}) }

// newPageLimit shows the first item, together with the second where that is the
// other bound of the same limit.
func newPageLimit(items []live.Item) pageLimit {
	it := items[0]
	noun, unit := figure.Quantity(it.Quantity)
	l := pageLimit{Quantity: noun, Limit: "at least ", Seen: "–", Out: "–"}
	if it.Bound == "max" {
		l.Limit = "at most "
	}
	l.Limit += withUnit(figure.Trimmed(it.Limit, 4), unit)
	statement, out, of := it.Statement, it.OutOfLimit, it.Of
	two := len(items) > 1 && items[1].Quantity == it.Quantity
	if two {
		l.Limit = figure.Trimmed(it.Limit, 4) + " to " + withUnit(figure.Trimmed(items[1].Limit, 4), unit)
		statement = pulse.Worst(statement, items[1].Statement)
		out += items[1].OutOfLimit
	}
	if it.Observed.OK {
		lo := value(it)
		hi := lo
		if two {
			hi = value(items[1])
		}
		switch {
		case two && lo != hi:
			l.Seen = lo + " to " + withUnit(hi, unit)
		case two:
			l.Seen = withUnit(lo, unit)
		default:
			l.Seen = extreme(it) + " " + withUnit(lo, unit)
		}
		l.Out = figure.Count(out) + " of " + figure.Count(of)
		if up, ok := pulse.UpperBound95(out, of); ok && out == 0 {
			l.Out += ": " + figure.Fewer(up)
		}
	}
	l.Verdict = verdicts[statement]
	switch statement { // short, for a column
	case pulse.ConditionalPass:
		l.Verdict.Word = "just within"
	case pulse.ConditionalFail:
		l.Verdict.Word = "just beyond"
	case pulse.NotMeasured:
		l.Verdict.Word = "not measured"
	}
	return l
}

// value writes the worst value with as many digits as its uncertainty allows.
func value(it live.Item) string { return figure.Fixed(it.Observed.V, figure.Decimals(it.ExpandedU.V)) }

// beyond is value with as many more digits as show on which side of its limit it
// is.
func beyond(it live.Item) string {
	if pulse.OnLimit(it.Observed.V, it.Limit) {
		return value(it)
	}
	return figure.Apart(it.Observed.V, it.Limit, figure.Decimals(it.ExpandedU.V))
}

// extreme names the worst value of a bound.
func extreme(it live.Item) string {
	words := [2]string{"shortest", "longest"}
	switch it.Limits.Quantity {
	case pulse.RatePPS, pulse.RateIPM:
		words = [2]string{"slowest", "fastest"}
	case pulse.BreakPercent, pulse.BreakRatio:
		words = [2]string{"lowest", "highest"}
	}
	if it.Bound == "max" {
		return words[1]
	}
	return words[0]
}

// worst is a sentence on a worst value that is not surely within its limit.
func worst(it live.Item, now time.Time) string {
	noun, unit := figure.Quantity(it.Quantity)
	decimals := figure.Decimals(it.ExpandedU.V)
	by := figure.Difference(figure.NonZero(math.Abs(it.Observed.V-it.Limit), decimals), unit)
	limit := withUnit(figure.Trimmed(it.Limit, 4), unit)
	side := "inside"
	if it.Statement != pulse.ConditionalPass {
		side = map[string]string{"min": "below", "max": "above"}[it.Bound]
	}
	s := title(extreme(it)) + " " + noun + " " + withUnit(beyond(it), unit) + ", " + by + " " + side + " the limit of " + limit
	if pulse.OnLimit(it.Observed.V, it.Limit) {
		s = title(extreme(it)) + " " + noun + " " + withUnit(value(it), unit) + ", on the limit of " + limit
	}
	if it.Statement != pulse.Fail {
		s += ", by less than the uncertainty (" + uncertain(it.ExpandedU.V, decimals, unit) + ")"
	}
	if where := it.At.String(); where != "" {
		s += "; " + where
		if it.At.Pulse > 0 {
			s += " of its train"
		}
	}
	if it.AgoS.OK {
		s += "; " + ago(it.AgoS.V)
	}
	if it.OutForS.OK {
		s += "; beyond it since " + moment(now, it.OutForS.V) + ", " + ago(it.OutForS.V)
	}
	return s + "."
}

// moment writes the time that was some seconds before now, with its date where
// that is another.
func moment(now time.Time, agoS float64) string {
	at := now.Add(-time.Duration(agoS * 1e9))
	form := "15:04"
	if at.Format(time.DateOnly) != now.Format(time.DateOnly) {
		form = "2 January 15:04"
	}
	return at.Format(form)
}

// mean writes a mean with its expanded uncertainty.
func mean(v, u pulse.Num, unit string) string {
	decimals := figure.Decimals(u.V)
	return withUnit(figure.Fixed(v.V, decimals)+" ± "+figure.NonZero(u.V, decimals), unit)
}

// uncertain writes an expanded uncertainty, on one line.
func uncertain(u float64, decimals int, unit string) string {
	return strings.ReplaceAll("± "+figure.Difference(figure.NonZero(u, decimals), unit), " ", "\u00a0")
}

// withUnit keeps value and unit on one line.
func withUnit(value, unit string) string {
	return strings.ReplaceAll(figure.Unit(value, unit), " ", "\u00a0")
}

func title(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// counts lists what was counted. It leaves out faults that there were none of.
func counts(kind pulse.Kind, t *live.Totals) string {
	var parts []string
	add := func(n uint64, one, many string) {
		if n > 0 {
			parts = append(parts, figure.Plural(n, one, many))
		}
	}
	if kind == pulse.KindDial {
		parts = append(parts, figure.Plural(t.Pulses, "pulse", "pulses")+" in "+figure.Plural(t.Trains, "train", "trains"))
		add(t.ShortBreaks, "short break", "short breaks")
		add(t.Flashes, "flash", "flashes")
		add(t.Disconnects, "disconnect", "disconnects")
		add(t.Stalls, "stall inside a digit", "stalls inside a digit")
	} else {
		parts = append(parts, figure.Plural(t.Cycles, "whole cycle", "whole cycles"))
		add(t.Missing, "interruption missing", "interruptions missing")
		add(t.Extra, "extra interruption", "extra interruptions")
		add(t.PhaseSlips, "slip of the phase", "slips of the phase")
	}
	add(t.OutOfLimit, "of them out of limits", "of them out of limits")
	add(t.Chatter, "burst of chatter", "bursts of chatter")
	add(t.LostEdges, "lost edge", "lost edges")
	return strings.Join(parts, ", ")
}

// duration writes seconds in at most two units: "45 seconds", "2 hours 5
// minutes".
func duration(s float64) string { return inUnits(s, 2) }

// inUnits writes seconds in the largest unit that fits and, with units 2, the
// rest in the next smaller one.
func inUnits(s float64, units int) string {
	rest, text := int64(math.Round(s)), ""
	for _, u := range []struct {
		s         int64
		one, many string
	}{{86400, "day", "days"}, {3600, "hour", "hours"}, {60, "minute", "minutes"}, {1, "second", "seconds"}} {
		if text == "" && rest < u.s {
			continue
		}
		if n := rest / u.s; n > 0 && units > 0 {
			text += " " + figure.Plural(n, u.one, u.many)
		}
		units, rest = units-1, rest%u.s
	}
	if text == "" {
		return "0 seconds"
	}
	return text[1:]
}

func ago(s float64) string {
	if s < 1 {
		return "just now"
	}
	return inUnits(s, 1) + " ago"
}
