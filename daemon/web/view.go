package web

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/daemon/live"
	"makebreak/pulse"
)

// A view is the first page in words.
type view struct {
	Site, Version, Now, Summary string
	CSS                         template.CSS
	Refresh                     int // seconds, 0: not
	Notices                     []string
	Contacts                    []contactView
}

type contactView struct {
	Name, Title, Source, Kind string
	State                     string
	Verdict                   verdictView
	Faults                    []verdictView // what no limit judges and never passes
	Rate, Nominal, Percent    string        // empty when not known
	RateAgo                   string        // where Rate and Percent are not current
	Problems                  []problem
	Limits                    []limitView
	Profile, ProfileID        string
	Window                    string
	Recent, Total             string
	Notes                     []string
}

// A verdictView is a verdict as word, mark and colour, which all tell the same.
type verdictView struct{ Class, Mark, Word string }

// A problem is a sentence on what is not as it should be.
type problem struct{ Class, Text string }

type limitView struct {
	Quantity, Limit, Seen, Out string
	Verdict                    verdictView
}

var (
	verdicts = map[pulse.Statement]verdictView{
		pulse.Pass:            {"pass", "✓", "within limits"},
		pulse.ConditionalPass: {"near", "≈", "within limits, but too near to be sure"},
		pulse.ConditionalFail: {"near", "≈", "beyond a limit, but too near to be sure"},
		pulse.Fail:            {"fail", "✗", "out of limits"},
		pulse.NotMeasured:     {"none", "–", "not all measured"},
		"":                    {"none", "–", "no limits set"},
	}
	// faulty is a fail although no value is beyond a limit for certain.
	faulty  = verdictView{"fail", "✗", "faulty"}
	notRead = verdictView{"fail", "!", "not being read"}
	silent  = verdictView{"fail", "!", "stuck"}
	ended   = verdictView{"none", "–", "at its end"}
)

func newView(site string, all []live.Figures) *view {
	v := &view{Site: site}
	count := map[string]int{}
	faults := 0
	for i := range all {
		c := newContactView(&all[i])
		count[c.Verdict.Word]++
		if len(c.Faults) > 0 {
			faults++
		}
		v.Contacts = append(v.Contacts, c)
	}
	v.Summary = figure.Plural(len(all), "contact", "contacts")
	var parts []string
	for _, x := range []verdictView{notRead, silent, ended, verdicts[pulse.Fail], faulty, verdicts[pulse.ConditionalFail], verdicts[pulse.ConditionalPass],
		verdicts[pulse.NotMeasured], verdicts[""], verdicts[pulse.Pass]} {
		if n := count[x.Word]; n > 0 {
			parts = append(parts, figure.Count(n)+" "+x.Word)
		}
	}
	switch {
	case len(parts) == 1 && len(all) > 1:
		v.Summary = "All " + v.Summary + ": " + strings.TrimPrefix(parts[0], figure.Count(len(all))+" ")
	case len(parts) > 0:
		v.Summary += ": " + strings.Join(parts, "; ")
	}
	if faults > 0 {
		v.Summary += "; " + figure.Count(faults) + " with faults that never pass"
	}
	v.Summary += "."
	return v
}

func newContactView(f *live.Figures) contactView {
	c := contactView{
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
		c.Rate = withUnit(figure.Fixed(f.Rate.V, 2), unit)
	}
	if f.Rate.OK && f.Setting.Rate > 0 {
		c.Nominal = withUnit(figure.Trimmed(f.Setting.Rate, 2), unit)
	}
	if f.BreakPercent.OK {
		c.Percent = withUnit(figure.Fixed(f.BreakPercent.V, 1), "%")
	}
	if f.RateAgoS.OK {
		c.RateAgo = ago(f.RateAgoS.V)
	}
	switch {
	case f.Ended:
		c.Verdict = ended
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
	if f.OtherCadence {
		c.tell("near", "The contact does another cadence than the one that is set, so nothing can be judged.")
	}
	for _, class := range []string{"fail", "near"} { // the worse first
		for _, it := range f.Items {
			if v := verdicts[it.Statement]; v.Class == class {
				c.tell(class, worst(it))
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
			c.Faults = append(c.Faults, verdictView{"fail", "✗", count(x.n) + x.word})
		}
	}
	if n := f.Recent.LostEdges; n > 0 {
		c.tell("near", plural(n, "edge", "edges")+" lost in the last "+c.Window+"; what they were part of is not in the figures.")
	}
	if f.Limits != nil {
		c.Profile, c.ProfileID = f.Limits.Title, f.Limits.ID
	}
	for i, it := range f.Items {
		if i > 0 && f.Items[i-1].Quantity == it.Quantity {
			continue // told with its other bound
		}
		c.Limits = append(c.Limits, newLimitView(f.Items[i:]))
	}
	if f.Kind != pulse.KindAuto {
		recent := live.Totals{Counts: f.Recent}
		recent.Flashes, recent.Disconnects = 0, 0 // no faults: the total tells them
		c.Recent, c.Total = counts(f.Kind, &recent), counts(f.Kind, &f.Totals)
	}
	return c
}

func (c *contactView) tell(class, text string) { c.Problems = append(c.Problems, problem{class, text}) }

// newLimitView tells the first item, and the second where that is the other
// bound of the same limit.
func newLimitView(items []live.Item) limitView {
	it := items[0]
	noun, unit := figure.Quantity(it.Quantity)
	l := limitView{Quantity: noun, Limit: "at least ", Seen: "–", Out: "–"}
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

// value writes the worst value with the digits that its uncertainty bears.
func value(it live.Item) string { return figure.Fixed(it.Observed.V, figure.Decimals(it.ExpandedU.V)) }

// beyond is value with the digits too that tell it from its limit.
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

// worst tells of a worst value that is not surely within its limit.
func worst(it live.Item) string {
	noun, unit := figure.Quantity(it.Quantity)
	decimals := figure.Decimals(it.ExpandedU.V)
	by := withUnit(figure.NonZero(math.Abs(it.Observed.V-it.Limit), decimals), unit)
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
		s += ", too near to be sure (± " + withUnit(figure.NonZero(it.ExpandedU.V, decimals), unit) + ")"
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
	return s + "."
}

// withUnit keeps value and unit on one line.
func withUnit(value, unit string) string {
	return strings.ReplaceAll(figure.Unit(value, unit), " ", "\u00a0")
}

func title(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// counts tells what was counted, without what there was none of.
func counts(kind pulse.Kind, t *live.Totals) string {
	var parts []string
	add := func(n uint64, one, many string) {
		if n > 0 {
			parts = append(parts, plural(n, one, many))
		}
	}
	if kind == pulse.KindDial {
		parts = append(parts, plural(t.Pulses, "pulse", "pulses")+" in "+plural(t.Trains, "train", "trains"))
		add(t.ShortBreaks, "short break", "short breaks")
		add(t.Flashes, "flash", "flashes")
		add(t.Disconnects, "disconnect", "disconnects")
		add(t.Stalls, "stall inside a digit", "stalls inside a digit")
	} else {
		parts = append(parts, plural(t.Cycles, "whole cycle", "whole cycles"))
		add(t.Missing, "interruption missing", "interruptions missing")
		add(t.Extra, "extra interruption", "extra interruptions")
		add(t.PhaseSlips, "slip of the phase", "slips of the phase")
	}
	add(t.OutOfLimit, "of them out of limits", "of them out of limits")
	add(t.Chatter, "burst of chatter", "bursts of chatter")
	add(t.LostEdges, "lost edge", "lost edges")
	return strings.Join(parts, ", ")
}

func plural(n uint64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return count(n) + " " + many
}

// count is figure.Count for counts that an int of 32 bits may not hold.
func count(n uint64) string {
	if n < 1e9 {
		return figure.Count(int(n))
	}
	return figure.Count(int(n/1e9)) + fmt.Sprintf(",%03d,%03d,%03d", n/1e6%1000, n/1e3%1000, n%1000)
}

var steps = []struct {
	s         float64
	one, many string
}{{86400, "day", "days"}, {3600, "hour", "hours"}, {60, "minute", "minutes"}, {1, "second", "seconds"}}

// duration writes seconds roughly, in one or two units: "45 seconds", "2 hours
// 5 minutes".
func duration(s float64) string { return rough(s, 2) }

func rough(s float64, units int) string {
	s = math.Round(s)
	i := slices.IndexFunc(steps, func(x struct {
		s         float64
		one, many string
	}) bool {
		return s >= x.s
	})
	if i < 0 {
		return "0 seconds"
	}
	whole := math.Floor(s / steps[i].s)
	text := figure.Plural(int(whole), steps[i].one, steps[i].many)
	if units > 1 && i+1 < len(steps) {
		if rest := math.Floor((s - whole*steps[i].s) / steps[i+1].s); rest > 0 {
			text += " " + figure.Plural(int(rest), steps[i+1].one, steps[i+1].many)
		}
	}
	return text
}

func ago(s float64) string {
	if s < 1 {
		return "just now"
	}
	return rough(s, 1) + " ago"
}
