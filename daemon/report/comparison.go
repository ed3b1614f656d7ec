package report

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/stretch"
	"makebreak/pulse"
)

// ComparisonFormat names the document of a comparison.
const ComparisonFormat = "makebreak.comparison/1"

// A Comparison is how two stretches differ, as other programs read it.
type Comparison struct {
	Format string       `json:"format"`
	Before ComparedSide `json:"before"`
	After  ComparedSide `json:"after"`
	*pulse.Comparison
	Outcome pulse.Outcome `json:"outcome"` // of the whole
	// Around is the moment between them, null where two sources were given.
	Around *Moment `json:"around"`
	// SettingsDiffer are the settings of how the contact is read that a log has
	// differently for the two.
	SettingsDiffer []Setting `json:"settings_differ"`
	SameSource     bool      `json:"same_source"` // both are the same edges
	OverlapS       float64   `json:"overlap_s"`   // of two stretches of one contact
	SharedChain    bool      `json:"shared_chain"`
	SharedClock    bool      `json:"shared_clock"`
	AnyLog         bool      `json:"-"`
}

// A ComparedSide is one of the two stretches.
type ComparedSide struct {
	Source    string     `json:"source"`
	From      *time.Time `json:"from"` // null outside a log
	To        *time.Time `json:"to"`
	DurationS float64    `json:"duration_s"`
	Kind      string     `json:"kind"`
	State     *string    `json:"state"` // "as found" or "as left", where a note says so; else null
	Note      *string    `json:"note"`  // that says so
	Edges     int        `json:"edges"`
	Missing   uint64     `json:"missing"` // interruptions
	Extra     uint64     `json:"extra"`
	Slips     uint64     `json:"slips"`
	Stalls    uint64     `json:"stalls"`
	Log       *SideLog   `json:"log,omitempty"`
}

// A SideLog is what the log knows of a stretch.
type SideLog struct {
	Contact string           `json:"contact"`
	UpS     float64          `json:"source_up_s"`
	Notes   []stretch.Remark `json:"notes"`
	Changes int              `json:"configuration_changes"`
	Removed bool             `json:"edges_removed"`
}

// A Compared is one of two stretches that are compared, measured.
type Compared struct {
	pulse.Compared
	Config pulse.Config
	Log    *stretch.Source // may be closed; nil outside a log
	Report *stretch.Report // of the same
}

// live tells a contact of a log that the computer's own clock timed.
func (x *Compared) live() bool { return strings.HasPrefix(x.Report.Source, "gpio:") }

// Compare compares the two. sameChain says that one coupler and clock measured both,
// which two stretches of one contact of a log always count for. halves is nil where
// they do not lie before and after a moment. It fails as pulse.Compare does.
func Compare(before, after *Compared, sameChain bool, halves *stretch.Halves) (*Comparison, error) {
	c := &Comparison{Format: ComparisonFormat, SettingsDiffer: settingsDiffer(&before.Config, &after.Config), AnyLog: before.Log != nil || after.Log != nil}
	opt := pulse.CompareOptions{SameClock: sameChain, SameCoupler: sameChain}
	if before.Log != nil && after.Log != nil {
		same := before.Log.Contact() == after.Log.Contact()
		opt.ByNumber, opt.SameCoupler = stretch.SameLobes(before.Log, after.Log, before.M, after.M), opt.SameCoupler || same
		opt.SameClock = opt.SameClock || same || before.live() && after.live()
		if before.Log.Run() == after.Log.Run() {
			opt.Gap = pulse.Known(float64(after.Log.Begin() - before.Log.End()))
			if same {
				overlap := min(before.Log.End(), after.Log.End()) - max(before.Log.Begin(), after.Log.Begin())
				c.OverlapS = max(float64(overlap), 0) / 1e9
				c.SameSource = before.Log.Begin() == after.Log.Begin() && before.Log.End() == after.Log.End()
			}
		}
	} else {
		c.SameSource = before.Log == nil && after.Log == nil && before.M.Source == after.M.Source
	}
	var err error
	if c.Comparison, err = pulse.Compare(before.Compared, after.Compared, opt); err != nil {
		return nil, err
	}
	c.Outcome = c.Comparison.Outcome()
	c.SharedChain, c.SharedClock = opt.SameCoupler && opt.SameClock, opt.SameClock
	c.Before = newComparedSide(before.M, before.Report, halves.FoundNote())
	c.After = newComparedSide(after.M, after.Report, halves.LeftNote())
	if halves != nil {
		c.Around = &Moment{At: halves.At}
		if n := halves.Note; n != nil {
			c.Around.Note = &n.Text
		}
	}
	return c, nil
}

// A Moment is what two stretches lie before and after.
type Moment struct {
	At   time.Time `json:"at"`
	Note *string   `json:"note"` // null for a time
}

// A Setting is one of how a contact is read.
type Setting string

const (
	SettingPolarity Setting = "closed"
	SettingSettle   Setting = "settle"
	SettingTiming   Setting = "timing"
	SettingPulse    Setting = "pulse" // what counts as one
	SettingLobes    Setting = "lobes"
	SettingCadence  Setting = "cadence"
)

// settingsDiffer tells which settings two configurations have differently.
func settingsDiffer(a, b *pulse.Config) []Setting {
	differ := []Setting{}
	for _, x := range []struct {
		setting Setting
		differs bool
	}{
		{SettingPolarity, a.Polarity != b.Polarity},
		{SettingSettle, cmp.Or(a.SettleNS, pulse.DefaultSettleNS) != cmp.Or(b.SettleNS, pulse.DefaultSettleNS)},
		{SettingTiming, a.Timing != b.Timing},
		{SettingPulse, a.PulseMinNS != b.PulseMinNS || a.PulseMaxNS != b.PulseMaxNS || a.TrainGapNS != b.TrainGapNS || a.FlashMaxNS != b.FlashMaxNS},
		{SettingLobes, a.Lobes != b.Lobes},
		{SettingCadence, !slices.Equal(a.CadenceNS, b.CadenceNS)},
	} {
		if x.differs {
			differ = append(differ, x.setting)
		}
	}
	return differ
}

// newComparedSide tells of one stretch. log is nil for what is not of a log, note
// where no note says how the contact was found or left.
func newComparedSide(m *pulse.Measurement, log *stretch.Report, note *stretch.StateNote) ComparedSide {
	f := m.Faults()
	s := ComparedSide{Source: m.Source, DurationS: m.Capture.DurationS, Kind: m.Kind, Edges: m.Capture.Edges, Missing: f.Missing, Extra: f.Extra, Slips: f.Slips, Stalls: f.Stalls}
	if log != nil {
		s.From, s.To, s.DurationS = &log.Since, &log.Until, log.LengthS
		s.Log = &SideLog{log.Contact, log.UpS, log.Notes, log.Changes, log.Removed != nil}
	}
	if note != nil {
		s.State, s.Note = &note.State, &note.Text
	}
	return s
}

// Status is the exit status of the whole: 0 nothing shown to have changed, 1
// something changed, 3 it cannot be told.
func (c *Comparison) Status() int {
	switch c.Outcome {
	case pulse.Changed:
		return 1
	case pulse.CannotTell:
		return 3
	}
	return 0
}

// OfComparison says how two stretches differ, with times of day by the clock of a
// zone.
func OfComparison(c *Comparison, zone *time.Location) *Document {
	doc := &Document{zone: zone}
	doc.add(Title{comparedTitle(doc, c)})
	doc.say("Read as " + map[string]string{"dial": "a dial", "interrupter": "an interrupter"}[c.Before.Kind] + ".")
	for _, text := range comparedDoubts(c) {
		doc.mark("NOTE:", Doubtful, text)
	}
	doc.add(Space{}, comparedHeadline(c))
	if notTold := comparedNotTold(c); c.Outcome == pulse.Changed && len(notTold) > 0 {
		doc.say("Of " + figure.List(notTold) + " it cannot be told.")
	}
	doc.add(Space{})
	doc.tell(padded("Before", 7), sideText(doc, &c.Before))
	doc.tell(padded("After", 7), sideText(doc, &c.After))

	doc.head("Difference, after less before")
	t := Table{Columns: columns("lrrrrl", markChanged+"changed", "before", "after", "difference", "±", "")}
	t.Columns[5].Folds = true
	for _, q := range c.Quantities {
		noun, unit := comparedNoun(c, q.Quantity)
		if unit == "%" {
			unit = "points"
		}
		dec := changeDecimals(&q.Change)
		row := []Cell{markedCell(noun, &q.Change)}
		row[0].Unit = rateOnly(unit)
		row = append(row, Cell{Number: true, Value: q.Before, Decimals: dec}, Cell{Number: true, Value: q.After, Decimals: dec},
			Cell{Text: signed(q.Difference, dec)}, Cell{Text: uncertain(q.ExpandedU, dec)}, Cell{Text: changeText(&q.Change, unit)})
		t.Rows = append(t.Rows, row)
	}
	doc.add(t)
	comparedLobes(doc, c)
	doc.add(Space{})
	doc.say(comparedBasis(c))
	doc.add(Caution{})
	return doc
}

func padded(s string, n int) string { return s + strings.Repeat(" ", max(n-width(s), 0)) }

// rateOnly is the unit that a row of differences shows: that of percent break is in
// its name.
func rateOnly(unit string) string {
	if unit == "points" {
		return ""
	}
	return unit
}

func comparedTitle(doc *Document, c *Comparison) string {
	if a := c.Around; a != nil {
		if a.Note != nil {
			return c.Before.Source + ", before and after: " + *a.Note
		}
		return c.Before.Source + ", before and after " + doc.wall(a.At)
	}
	if c.Before.Source == c.After.Source && !c.SameSource {
		return c.Before.Source + ", two stretches"
	}
	return c.Before.Source + " and " + c.After.Source
}

// comparedNotTold names what cannot be told of.
func comparedNotTold(c *Comparison) (all []string) {
	for _, q := range c.Quantities {
		if q.Sentence == pulse.CannotTell {
			noun, _ := comparedNoun(c, q.Quantity)
			all = append(all, noun)
		}
	}
	if slices.ContainsFunc(c.Lobes, func(l pulse.LobeChange) bool { return l.Opening.Sentence == pulse.CannotTell }) {
		all = append(all, "the lobes")
	}
	return all
}

// comparedUntold is the headline where nothing is shown to have changed and of
// something it cannot be told: what is not shown to have changed is not lost in it.
func comparedUntold(c *Comparison) Statement {
	var told []string
	for _, q := range c.Quantities {
		if q.Sentence == pulse.NotShown {
			noun, _ := comparedNoun(c, q.Quantity)
			told = append(told, noun)
		}
	}
	if len(told) == 0 {
		return Statement{strings.ToUpper(string(pulse.CannotTell)), Doubtful}
	}
	return Statement{"NOT SHOWN TO HAVE CHANGED: " + strings.Join(told, ", ") + "; OF " + strings.ToUpper(figure.List(comparedNotTold(c))) + " IT CANNOT BE TOLD", Doubtful}
}

// comparedHeadline gives the outcome in words.
func comparedHeadline(c *Comparison) Statement {
	if c.Outcome == pulse.CannotTell {
		return comparedUntold(c)
	}
	if c.Outcome == pulse.NotShown {
		return Statement{strings.ToUpper(string(c.Outcome)), Strong}
	}
	var what []string
	for _, q := range c.Quantities {
		if q.Sentence == pulse.Changed {
			noun, _ := comparedNoun(c, q.Quantity)
			what = append(what, noun)
		}
	}
	var lobes []string
	breaks := 0
	for _, l := range c.Lobes {
		if l.Break.Sentence == pulse.Changed {
			breaks++
		}
	}
	for _, l := range c.Lobes {
		// Where the breaks of all have changed, the break as such has.
		if l.Opening.Sentence == pulse.Changed || l.Break.Sentence == pulse.Changed && breaks < len(c.Lobes) {
			lobes = append(lobes, figure.Count(l.Lobe))
		}
	}
	if len(lobes) == 0 && len(what) == 0 {
		what = append(what, "the break of every lobe")
	}
	switch len(lobes) {
	case 0:
	case 1:
		what = append(what, "lobe "+lobes[0])
	default:
		what = append(what, "lobes "+figure.List(lobes))
	}
	return Statement{"CHANGED: " + strings.Join(what, ", "), Strong}
}

// comparedNoun is a quantity's noun and unit; the rate of a compound cadence counts
// cycles.
func comparedNoun(c *Comparison, quantity string) (noun, unit string) {
	noun, unit = figure.Quantity(quantity)
	if unit == "IPM" && slices.ContainsFunc(c.Quantities, func(q pulse.QuantityChange) bool { return q.Quantity == "segment_3_ms" }) {
		unit = "cycles/min"
	}
	return noun, unit
}

// markChanged stands before the name of what has changed, which is seen where the
// last column of a table is not, as on a telephone.
const markChanged = "* "

func markedCell(name string, x *pulse.Change) Cell {
	if x.Sentence == pulse.Changed {
		return Cell{Text: markChanged + name, Tone: Strong}
	}
	return Cell{Text: name}
}

// changeDecimals are those that the uncertainty of a difference supports.
func changeDecimals(x *pulse.Change) int {
	if !x.ExpandedU.OK {
		return 2
	}
	return figure.Decimals(x.ExpandedU.V)
}

func uncertain(u pulse.Num, decimals int) string {
	if !u.OK {
		return "-"
	}
	return figure.NonZero(u.V, decimals)
}

// changeText says whether a figure has changed, and what else can be said.
func changeText(x *pulse.Change, unit string) string {
	switch x.Sentence {
	case pulse.Changed:
		return "changed"
	case pulse.NotShown:
		return "not shown: less than " + figure.Unit(figure.NonZero(x.LessThan.V, changeDecimals(x)), unit)
	}
	return "cannot be told: " + doubtText(x)
}

// doubtText says why it cannot be told.
func doubtText(x *pulse.Change) string {
	switch x.Why {
	case pulse.TooFew:
		values := figure.Count(x.BeforeN) + " before and " + figure.Count(x.AfterN) + " after"
		return "it needs " + figure.Count(x.Needed) + " values in each, and there are " + values
	case pulse.Wanders:
		return "it wanders within each, and how long lies between them is not known"
	}
	return "which lobe is which is not sure"
}

// comparedDoubts are what a reader must know before the figures.
func comparedDoubts(c *Comparison) (all []string) {
	if c.SameSource {
		all = append(all, "Both are the same edges: there is nothing that could differ.")
	} else if c.OverlapS > 0 {
		all = append(all, "The two overlap by "+figure.Time(c.OverlapS)+": what both have in common tells of no change, and hides one.")
	}
	if len(c.SettingsDiffer) > 0 {
		words := map[Setting]string{
			SettingPolarity: "the level that means closed", SettingSettle: "the settling time", SettingTiming: "the time of a bouncing transition",
			SettingPulse: "what counts as a pulse", SettingLobes: "the number of lobes", SettingCadence: "the nominal cadence",
		}
		var said []string
		for _, s := range c.SettingsDiffer {
			said = append(said, words[s])
		}
		all = append(all, "The log has the two set up differently in "+figure.List(said)+": a difference may come from that. --settle, --closed, --timing and the others read both alike.")
	}
	for _, x := range []struct {
		name string
		side *ComparedSide
	}{{"before", &c.Before}, {"after", &c.After}} {
		if l := x.side.Log; l != nil && l.Changes > 0 {
			all = append(all, "The contact's configuration changed within the stretch "+x.name+"; all is read by the one at its start.")
		}
		if l := x.side.Log; l != nil && l.Removed {
			all = append(all, "Edges of the stretch "+x.name+" were removed from the log: it is of what is left.")
		}
	}
	return all
}

// sideText tells of one stretch.
func sideText(doc *Document, s *ComparedSide) string {
	text := s.Source
	if s.State != nil {
		text += ", " + *s.State
	}
	if s.From != nil {
		text += ": " + doc.wall(*s.From) + " to " + doc.wall(*s.To)
	}
	text += ", " + figure.Time(s.DurationS) + ", " + figure.Plural(s.Edges, "edge", "edges")
	var faults []string
	for _, f := range []struct {
		n    uint64
		word string
	}{{s.Missing, "missing"}, {s.Extra, "extra"}, {s.Slips, "slipped"}, {s.Stalls, "stalled"}} {
		if f.n > 0 {
			faults = append(faults, figure.Count(f.n)+" "+f.word)
		}
	}
	if len(faults) > 0 {
		text += "; " + figure.List(faults)
	}
	text += "."
	if s.Note != nil {
		text += " Note: " + *s.Note + "."
	}
	return text
}

// comparedLobes tabulates the lobes.
func comparedLobes(doc *Document, c *Comparison) {
	if len(c.Lobes) == 0 {
		return
	}
	doc.head("Lobes")
	by := "Lobes are paired by the numbers that the log has carried on."
	if c.LobesPairedBy != nil && *c.LobesPairedBy == pulse.PairedByMatch {
		switch {
		case c.Lobes[0].Opening.Why == pulse.NotMatched:
			likelier := "only " + lead(c.MatchLead.V) + " times likelier"
			if c.MatchLead.V < 2 {
				likelier = "no likelier"
			}
			by = "Which lobe is which cannot be told, nor whether any has changed: the best match of their errors is " + likelier + " than the next. The figures stand side by side as they come."
		case c.MatchLead.OK:
			by = "Lobes are paired by their errors and breaks: that is " + lead(c.MatchLead.V) + " times likelier than any other way. Numbers are those of the first."
		default:
			by = "There is one lobe."
		}
	}
	doc.tell("", by+" Opening errors are against the median of the lobes, positive is late.")
	if c.Lobes[0].Opening.Why == pulse.NotMatched {
		t := Table{Columns: columns("rrrrr", "lobe", "opening before, ms", "after", "break before, ms", "after")}
		for i := range c.Lobes {
			l := &c.Lobes[i]
			t.Rows = append(t.Rows, cells(figure.Count(l.Lobe), signed(l.Opening.Before, 2), signed(l.Opening.After, 2), number(l.Break.Before, 2), number(l.Break.After, 2)))
		}
		doc.add(t)
		return
	}
	of := func(title string, change func(l *pulse.LobeChange) *pulse.Change) {
		t := Table{Columns: columns("rrrrrl", title, "before", "after", "difference", "±", "")}
		t.Columns[5].Folds = true
		for i := range c.Lobes {
			l := &c.Lobes[i]
			x := change(l)
			dec := changeDecimals(x)
			t.Rows = append(t.Rows, []Cell{markedCell(figure.Count(l.Lobe), x), {Text: signedUnless(title, x.Before, dec)}, {Text: signedUnless(title, x.After, dec)},
				{Text: signed(x.Difference, dec)}, {Text: uncertain(x.ExpandedU, dec)}, {Text: changeText(x, "ms")}})
		}
		doc.add(t)
	}
	of("opening, ms", func(l *pulse.LobeChange) *pulse.Change { return &l.Opening })
	of("break, ms", func(l *pulse.LobeChange) *pulse.Change { return &l.Break })
}

// signedUnless writes an error with its sign, and a length without.
func signedUnless(title string, v pulse.Num, decimals int) string {
	if strings.HasPrefix(title, "break") {
		return number(v, decimals)
	}
	return signed(v, decimals)
}

// comparedBasis says what the uncertainties and the verdicts rest on.
func comparedBasis(c *Comparison) string {
	text := "Not shown means not shown to have changed; any change is less than what stands beside it (95 %). ± is what the difference of a figure that has not changed keeps within in 95 % of cases, by the scatter and the wander seen within each stretch and by the measuring chain"
	switch {
	case c.SharedChain:
		text += "; what one chain does alike to both has cancelled."
	case c.SharedClock:
		text += "; one clock timed both, but not one coupler."
	default:
		text += ", which is not taken to be the same (--same-chain says that it is)."
	}
	if c.AtOnce > 1 {
		text += " " + figure.Plural(c.AtOnce, "figure was", "figures were") + " tested at once (Holm): the chance that any is called changed which is not is 5 %, so a single difference beyond its ± need not be a change."
	}
	if c.Around == nil && !(c.AnyLog && c.SharedClock) && !c.SameSource {
		text += " What wanders more slowly than the recordings last is not seen: two recordings of the untouched contact, as far apart, tell."
	}
	return text
}
