package command

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// A view is what a result page tells of beside the measurement.
type view struct {
	profile *pulse.Profile // nil when no limits were asked
	cadence []int64        // as asked, in place of the profile's; nil when none was
	fits    string         // the limits that it seems to be for, when none were asked
	about
	tally   *tally // may be nil
	samples bool   // the rows look like samples of a level
}

// writeResult writes the result page of m.
func writeResult(p *page, m *pulse.Measurement, v *view) {
	trains := digest(m)
	doubts := doubts(m, v)
	var h []string
	if len(doubts) == 0 {
		h = hints(m, trains, v)
	}
	writeOpening(p, m, v, doubts)
	writeVerdict(p, m, trains, v)
	writeHints(p, h)
	writeRecording(p, m, trains, v)
	switch {
	case m.Dial != nil:
		writeDial(p, m, trains)
		writeTrains(p, m, trains)
	case m.Interrupter != nil:
		writeInterrupter(p, m, v)
	}
	writeUncertainty(p, m)
	p.WriteByte('\n')
	p.WriteString(caution)
}

// measured tells whether the recording gave any figure of its kind.
func measured(m *pulse.Measurement) bool {
	switch {
	case m.Dial != nil:
		d := m.Dial
		return d.BreakMS.N+d.ShortBreaks+d.Flashes+d.Disconnects > 0
	case m.Interrupter != nil:
		i := m.Interrupter
		return i.Cycles+i.BreakMS.N+i.MakeMS.N > 0
	}
	return false
}

// headline gives a verdict in words, as the statement has it.
func headline(m *pulse.Measurement) (words, sgr string) {
	c, faults := m.Conformity, faultWords(m.Faults())
	switch {
	case c == nil && !measured(m):
		return "NOT MEASURED", yellow
	case c == nil && faults != "":
		return "MEASURED; NO LIMITS ASKED; BUT " + faults, yellow
	case c == nil:
		return "MEASURED; NO LIMITS ASKED", bold
	}
	switch c.Statement {
	case pulse.Pass:
		return "WITHIN LIMITS", green
	case pulse.ConditionalPass:
		return "WITHIN LIMITS, BUT BY LESS THAN THE UNCERTAINTY", yellow
	case pulse.ConditionalFail:
		return "OUT OF LIMITS, BUT BY LESS THAN THE UNCERTAINTY", yellow
	case pulse.Fail:
		switch {
		case faults == "":
			return "OUT OF LIMITS", red
		case c.WorstItem() == pulse.Fail:
			return "OUT OF LIMITS, AND " + faults, red
		}
		return "FAIL: " + faults, red
	}
	switch {
	case !measured(m):
		return "NOT MEASURED", yellow
	case len(c.Items) == 0:
		return "NOT JUDGED: NO TOLERANCE IS PUBLISHED", yellow
	case c.WorstItem() == pulse.NotMeasured:
		return "CANNOT BE TOLD: NOT EVERY LIMIT COULD BE MEASURED", yellow
	}
	return "CANNOT BE TOLD", yellow
}

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

// writeOpening names the source, what makes its reading doubtful and how it
// was read.
func writeOpening(p *page, m *pulse.Measurement, v *view, doubts []string) {
	p.para("", shorten(printable(m.Source), pageWidth))
	mark := func(mark, text string) {
		p.paint(yellow, mark)
		p.flow(len(mark), 0, text)
	}
	for _, d := range doubts {
		mark("FIRST: ", d)
	}
	p.para("", kindWords(m, v))
	if v.stopped != "" {
		mark("INCOMPLETE: ", v.stopped+"; what follows holds for that part alone.")
	}
	p.WriteByte('\n')
}

func writeVerdict(p *page, m *pulse.Measurement, trains *trainDigest, v *view) {
	profile := v.profile
	words, sgr := headline(m)
	p.paint(sgr, words)
	p.WriteByte('\n')
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
		p.para("", text)
	}
	if profile != nil {
		id := printable(profile.ID)
		if profile.Country != "" {
			id += ", " + printable(profile.Country)
		}
		p.para("by ", printable(profile.Title)+" ("+id+")")
	}
	if !measured(m) {
		p.WriteByte('\n')
		p.para("", figure.Plural(m.Capture.Edges, "edge", "edges")+": "+missing(m))
	}
	if m.Conformity != nil {
		for _, because := range m.Conformity.Because {
			p.para("Because ", because+".")
		}
	} else {
		for _, because := range m.Faults().Because() {
			p.para("But ", because+".")
		}
	}
	if m.Conformity == nil || len(m.Conformity.Items) == 0 {
		if profile == nil && measured(m) {
			if v.fits != "" {
				p.para("", v.fits)
			}
			p.para("", "Ask for a verdict with --limits ID, or --limits all to compare; makebreak limits lists them.")
		}
		return
	}
	if measured(m) {
		writeDeciding(p, m, trains, v.log)
	}
	p.WriteByte('\n')
	writeItems(p, m.Conformity.Items)
	writeSources(p, m.Conformity.Items)
	if profile != nil && len(profile.Conflicts) > 0 {
		p.para("  Note   ", "Published figures disagree here: makebreak limits "+printable(profile.ID)+" tells how.")
	}
}

// kindWords says what the recording was read as and why.
func kindWords(m *pulse.Measurement, v *view) string {
	if m.KindLooks == nil && m.KindFrom == "data" {
		return "Nothing tells its kind; read as a dial."
	}
	from := map[string]string{"given": "as asked", "profile": "as the limits say", "data": "told from the data"}[m.KindFrom]
	if v.log != nil && !v.log.kindAsked && m.KindFrom == "given" {
		from = "as it was watched"
	}
	if m.Interrupter != nil {
		return "Read as an interrupter: " + from + "."
	}
	return "Read as a dial: " + from + "."
}

// missing says what a recording without figures lacks.
func missing(m *pulse.Measurement) string {
	if m.Dial == nil && m.Interrupter != nil {
		return "an interrupter's figures need a whole cycle, from one opening of the contact to the next."
	}
	return "a dial's figures need a whole break, a contact that opens and closes again, and its rate a train of two pulses or more."
}

// unmeasuredWhy says what a quantity needs that the recording lacks.
func unmeasuredWhy(m *pulse.Measurement, quantity string) string {
	switch q := pulse.Quantity(quantity); {
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

// severity orders statements as the whole takes the worst of its parts.
func severity(s pulse.Statement) int {
	return slices.Index([]pulse.Statement{pulse.Pass, pulse.ConditionalPass, pulse.NotMeasured, pulse.ConditionalFail, pulse.Fail}, s)
}

// margin is by how much the item's worst value keeps its limit, negative when
// it is out, relative to the limit so that quantities compare.
func margin(it pulse.Item) float64 {
	d := it.Limit - it.Observed.V
	if it.Bound == "min" {
		d = -d
	}
	return d / math.Max(math.Abs(it.Limit), 1e-9)
}

// byTrade sorts items as one would deal with them: what is out first, then what
// could not be measured, then what is too near to tell; the speed before what
// hangs on it, the bounce last. What passes is sorted by its margin.
func byTrade(items []pulse.Item) {
	hasRate := slices.ContainsFunc(items, func(it pulse.Item) bool {
		return it.Quantity == string(pulse.RatePPS) || it.Quantity == string(pulse.RateIPM)
	})
	rank := func(it pulse.Item) int {
		switch pulse.Quantity(it.Quantity) {
		case pulse.RatePPS, pulse.RateIPM:
			return 0
		case pulse.BreakPercent, pulse.BreakRatio:
			return 1
		case pulse.InterdigitMS:
			return 4
		case pulse.BounceMS:
			return 5
		case pulse.PeriodMS:
			if !hasRate {
				return 0
			}
			return 3 // it says once more what the rate said
		}
		return 2
	}
	class := func(it pulse.Item) int {
		switch it.Statement {
		case pulse.Fail, pulse.ConditionalFail:
			return 0
		case pulse.ConditionalPass:
			return 2
		case pulse.Pass:
			return 3
		}
		return 1
	}
	slices.SortStableFunc(items, func(a, b pulse.Item) int {
		if class(a) == 3 && class(b) == 3 {
			return cmp.Compare(margin(a), margin(b))
		}
		return cmp.Or(class(a)-class(b), rank(a)-rank(b), severity(b.Statement)-severity(a.Statement), cmp.Compare(margin(a), margin(b)))
	})
}

// maxDeciding leaves a page that is read: the table has all.
const maxDeciding = 3

// writeDeciding tells of the limits that decide: each that is not met without
// doubt, or the one that is nearest when all are.
func writeDeciding(p *page, m *pulse.Measurement, trains *trainDigest, log *logReport) {
	items := slices.Clone(m.Conformity.Items)
	byTrade(items)
	n := 0
	for n < len(items) && items[n].Statement != pulse.Pass {
		n++
	}
	if n == 0 {
		n = min(1, len(items))
	}
	var said []string
	for i, it := range items[:n] {
		s := itemSentence(m, trains, it, log)
		if slices.Contains(said, s) { // both bounds of what was not measured
			continue
		}
		if len(said) == maxDeciding {
			p.para("", "And "+figure.Count(n-i)+" more: see the table.")
			return
		}
		said = append(said, s)
		p.WriteByte('\n')
		p.para("", s)
	}
}

// limitText names a limit: "break max 70 ms".
func limitText(it pulse.Item) string {
	noun, unit := figure.Quantity(it.Quantity)
	return noun + " " + it.Bound + " " + figure.Unit(figure.Trimmed(it.Limit, 4), unit)
}

// itemSentence says which limit, by how much, on which pulse, at what time,
// and what the count proves.
func itemSentence(m *pulse.Measurement, trains *trainDigest, it pulse.Item, log *logReport) string {
	noun, unit := figure.Quantity(it.Quantity)
	if it.Statement == pulse.NotMeasured || !it.Observed.OK || !it.ExpandedU.OK {
		return upperFirst(noun) + " was not measured: " + unmeasuredWhy(m, it.Quantity) + "."
	}
	limit := limitText(it)
	dec := figure.Decimals(it.ExpandedU.V)
	worst := figure.Unit(observed(it), unit) + " ± " + figure.Unit(figure.NonZero(it.ExpandedU.V, dec), unit)
	by := figure.Unit(figure.NonZero(math.Abs(it.Observed.V-it.Limit), dec), unit)
	out := "above"
	if it.Bound == "min" {
		out = "below"
	}
	var s string
	switch {
	case pulse.OnLimit(it.Observed.V, it.Limit):
		s = upperFirst(limit) + ": the worst, " + worst + ", is on it"
	case it.Statement == pulse.Pass:
		s = "Nearest to its limit is " + limit + ": the worst, " + worst + ", keeps it by " + by
	case it.Statement == pulse.ConditionalPass:
		s = upperFirst(limit) + ": the worst, " + worst + ", keeps it by only " + by
	default:
		s = upperFirst(limit) + ": the worst, " + worst + ", is " + by + " " + out + " it"
	}
	s += where(trains, it)
	if it.AtS.OK {
		s += ", at " + figure.Time(it.AtS.V)
		if wall := log.at(it); wall != "" {
			s += " (" + wall + ")"
		}
	}
	s += ". Out of limit: "
	if it.OutOfLimit == it.Of {
		return s + "all of " + figure.Count(it.Of) + "."
	}
	s += figure.Count(it.OutOfLimit) + " of " + figure.Count(it.Of)
	if it.Upper95.OK {
		s += ": " + figure.Fewer(it.Upper95.V/100) + " (95 % bound)"
	}
	return s + "."
}

// observed writes an item's worst value with the digits that its uncertainty
// bears, and those that tell it from its limit.
func observed(it pulse.Item) string {
	dec := figure.Decimals(it.ExpandedU.V)
	if pulse.OnLimit(it.Observed.V, it.Limit) {
		return figure.Fixed(it.Observed.V, dec)
	}
	return figure.Apart(it.Observed.V, it.Limit, dec)
}

// where says on which pulse or cycle an item's worst value is, with the digit.
func where(trains *trainDigest, it pulse.Item) string {
	at := it.At
	switch {
	case at == pulse.Location{}:
		return ""
	case at.Train > 0 && at.Pulse == 0:
		return ", " + at.String()
	case trains.named[at.Train] != "":
		return ", on " + at.String() + " (digit " + trains.named[at.Train] + ")"
	}
	return ", on " + at.String()
}

func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// verdictStyle gives the colour of a statement.
func verdictStyle(s pulse.Statement) string {
	switch s {
	case pulse.Pass:
		return green
	case pulse.Fail:
		return red
	}
	return yellow
}

// writeItems writes the table of all limits.
func writeItems(p *page, items []pulse.Item) {
	rows := [][]cell{cells("limit", "worst", "±", "out", "at most", "verdict")}
	for _, it := range items {
		row := cells(limitText(it), "-", "-", "-", "-", string(it.Statement))
		if it.Observed.OK {
			row[1].text = observed(it)
		}
		if it.ExpandedU.OK {
			row[2].text = figure.NonZero(it.ExpandedU.V, figure.Decimals(it.ExpandedU.V))
		}
		if it.Of > 0 {
			row[3].text = figure.Count(it.OutOfLimit) + " of " + figure.Count(it.Of)
		}
		if it.Upper95.OK {
			row[4].text = strings.TrimPrefix(strings.TrimPrefix(figure.Fewer(it.Upper95.V/100), "fewer than "), "at most ")
		}
		row[5].sgr = verdictStyle(it.Statement)
		rows = append(rows, row)
	}
	align := "lrrrrl"
	if gridWidth(rows) > pageWidth { // the sentences above say the bound of those that matter
		align = "lrrrl"
		for i, r := range rows {
			rows[i] = slices.Delete(r, 4, 5)
		}
	}
	p.grid(align, rows)
}

// seenWords says how firmly a published figure is known.
func seenWords(s pulse.Seen) string {
	switch s {
	case pulse.SeenText:
		return "read in the document"
	case pulse.SeenSecondary:
		return "as another published page states it"
	case pulse.SeenDerived:
		return "by arithmetic from it"
	case pulse.SeenMemory:
		return "from memory: check the document"
	case pulse.SeenOwn:
		return "your own figure"
	}
	return string(s)
}

// writeSources names the source of each limit.
func writeSources(p *page, items []pulse.Item) {
	type source struct {
		name string
		seen pulse.Seen
	}
	var order []source
	nouns := map[source][]string{}
	for _, it := range items {
		s := source{it.Source, it.Seen}
		noun, _ := figure.Quantity(it.Quantity)
		if nouns[s] == nil {
			order = append(order, s)
		}
		if !slices.Contains(nouns[s], noun) {
			nouns[s] = append(nouns[s], noun)
		}
	}
	for i, s := range order {
		first := "         "
		if i == 0 {
			first = "  Source "
		}
		text := printable(s.name) + " (" + seenWords(s.seen) + ")"
		if len(order) > 1 {
			text = strings.Join(nouns[s], ", ") + ": " + text
		}
		p.para(first, text)
	}
}

func writeHints(p *page, h []string) {
	if len(h) == 0 {
		return
	}
	p.head("What the trade would look at first (common practice, not proof)")
	p.WriteString("  Mind the caution below: battery, ringing and mains can injure.\n")
	for _, s := range h {
		p.para("  - ", s)
	}
}

func writeRecording(p *page, m *pulse.Measurement, trains *trainDigest, v *view) {
	line := v.line
	c := m.Capture
	first := "the first edge, at " + figure.Fixed(c.FirstEdgeS, 3) + " s in the recording"
	switch {
	case v.log != nil:
		p.head("Stretch of the log")
		first = "its start, " + wallText(v.log.Since)
	case line == nil:
		p.head("Recording")
	default:
		p.head("Capture")
		first = "its start, " + wallText(line.Begun)
	}
	p.para("  ", figure.Plural(c.Edges, "edge", "edges")+" in "+figure.Time(c.DurationS)+"; times count from "+first+". The contact is closed when the line is "+c.Closed+".")
	if v.log != nil {
		writeLog(p, m, v.log)
	}
	if line != nil {
		writeLine(p, line)
	}
	p.para("  ", settlingText(m))
	for _, n := range notes(m, trains) {
		p.para("  Note: ", n)
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

// writeLine tells of a live capture's line.
func writeLine(p *page, l *lineReport) {
	ended := "Ended " + l.Ended + "."
	if l.Recording != "" {
		ended += " The edges are kept in " + printable(l.Recording) + "."
	}
	if l.Place == "" {
		p.para("  ", ended)
		return
	}
	p.para("  Line ", printable(l.Line)+" ("+l.Place+" of "+printable(l.Label)+"), pull resistor "+l.Bias+". "+ended)
	switch k := l.Calibration; {
	case k == nil:
		p.para("  ", "No calibration was used: what is not known of the coupler is assumed. makebreak calibrate measures it.")
	case k.Used && k.Why == "":
		p.para("  ", "Calibration "+printable(k.words)+".")
	case k.Used:
		p.para("  ", "STALE calibration, still used: "+k.Why+". It is "+printable(k.words)+".")
	default:
		p.para("  ", "FOREIGN calibration, not used: "+printable(k.Why)+".")
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

// decimals gives the decimals of a quantity's figures, by its uncertainty.
func decimals(m *pulse.Measurement, q pulse.Quantity) int {
	if b := m.Uncertainty[q]; b != nil && b.Expanded.OK {
		return figure.Decimals(b.Expanded.V)
	}
	return 3
}

// statRow is one line of a table of statistics.
type statRow struct {
	name     string
	stat     pulse.Stat
	decimals int
	extra    []string // columns after the name
}

// statColumn is a column of a table of statistics. Columns of a higher rank
// leave first when the table is too wide.
type statColumn struct {
	name string
	of   func(pulse.Stat) pulse.Num
	rank int
}

func statColumns() []statColumn {
	return []statColumn{
		{"mean", func(s pulse.Stat) pulse.Num { return s.Mean }, 0},
		{"sd", func(s pulse.Stat) pulse.Num { return s.SD }, 0},
		{"min", func(s pulse.Stat) pulse.Num { return s.Min }, 0},
		{"5 %", func(s pulse.Stat) pulse.Num { return s.P5 }, 2},
		{"50 %", func(s pulse.Stat) pulse.Num { return s.P50 }, 1},
		{"95 %", func(s pulse.Stat) pulse.Num { return s.P95 }, 2},
		{"max", func(s pulse.Stat) pulse.Num { return s.Max }, 0},
	}
}

// writeStats writes a table of statistics, without the rows that have none.
// While it is too wide, the row with the longest numbers loses a digit, then
// columns go.
func writeStats(p *page, extra []string, rows []statRow) {
	rows = slices.DeleteFunc(rows, func(r statRow) bool { return r.stat.N == 0 })
	if len(rows) == 0 {
		return
	}
	columns := statColumns()
	for {
		head := slices.Concat([]string{""}, extra, []string{"n"})
		for _, c := range columns {
			head = append(head, c.name)
		}
		grid := [][]cell{cells(head...)}
		widest, digits := -1, 0
		for i, r := range rows {
			line := slices.Concat([]string{r.name}, r.extra, []string{figure.Count(r.stat.N)})
			for _, c := range columns {
				text := number(c.of(r.stat), r.decimals)
				line = append(line, text)
				if r.decimals > 0 && len(text) > digits {
					widest, digits = i, len(text)
				}
			}
			grid = append(grid, cells(line...))
		}
		rank := slices.MaxFunc(columns, func(a, b statColumn) int { return cmp.Compare(a.rank, b.rank) }).rank
		switch {
		case gridWidth(grid) <= pageWidth || widest < 0 && rank == 0:
			p.grid("l"+strings.Repeat("r", len(head)-1), grid)
			return
		case widest >= 0:
			rows[widest].decimals--
		default:
			columns = slices.DeleteFunc(columns, func(c statColumn) bool { return c.rank == rank })
		}
	}
}

// number writes v, or a dash when it was not measured.
func number(v pulse.Num, decimals int) string {
	if !v.OK {
		return "-"
	}
	return figure.Fixed(v.V, decimals)
}

// quantityRow is a quantity's line in a table of statistics.
func quantityRow(m *pulse.Measurement, q pulse.Quantity, s pulse.Stat) statRow {
	noun, unit := figure.Quantity(string(q))
	unit = rateUnit(m, unit)
	if unit == "%" {
		return statRow{name: noun, stat: s, decimals: decimals(m, q)}
	}
	return statRow{name: noun + " " + unit, stat: s, decimals: decimals(m, q)}
}

// otherBreaks counts the breaks that were no pulses.
func otherBreaks(d *pulse.Dial) string {
	text := figure.Plural(d.ShortBreaks, "short break", "short breaks") + ", " + figure.Plural(d.Flashes, "flash", "flashes") + ", " + figure.Plural(d.Disconnects, "disconnect", "disconnects")
	if d.Stalls > 0 {
		text += ", " + figure.Plural(d.Stalls, "stall inside a digit", "stalls inside a digit")
	}
	return text + "."
}

func writeDial(p *page, m *pulse.Measurement, trains *trainDigest) {
	d := m.Dial
	p.head("Dial")
	p.para("  ", figure.Plural(d.Pulses, "pulse", "pulses")+" in "+figure.Plural(d.Trains.Len(), "train", "trains")+"; "+otherBreaks(d))
	if trains.n > 0 {
		text := foldDigits(string(trains.digits), trains.n) + " (" + d.Coding + " coding"
		if trains.partial > 0 {
			text += "; _ is a train of which a part is missing"
		}
		if len(trains.odd) > 0 {
			text += "; ? is a train that is no digit"
			if d.Stalls > 0 {
				text += ", or holds a stall"
			}
		}
		p.para("  Digits ", text+")")
	}
	if d.RatePPS.Overall.OK {
		p.para("  Overall ", overall(m, pulse.RatePPS, d.RatePPS, "pps")+", "+overall(m, pulse.BreakPercent, d.BreakPercent, "%")+" break (k = 2).")
	}
	writeStats(p, nil, []statRow{
		quantityRow(m, pulse.RatePPS, d.RatePPS.Stat),
		quantityRow(m, pulse.BreakPercent, d.BreakPercent.Stat),
		quantityRow(m, pulse.BreakMS, d.BreakMS),
		quantityRow(m, pulse.MakeMS, d.MakeMS),
		quantityRow(m, pulse.InterdigitMS, d.InterdigitMS),
		quantityRow(m, pulse.BounceMS, m.Settling.BounceMS),
	})
}

// overall writes a figure over all periods with its expanded uncertainty.
func overall(m *pulse.Measurement, q pulse.Quantity, s pulse.OverallStat, unit string) string {
	b := m.Uncertainty[q]
	if b == nil || !b.Overall.OK {
		return figure.Unit(figure.Fixed(s.Overall.V, 3), unit)
	}
	u := b.Overall.V
	dec := figure.Decimals(u)
	return figure.Fixed(s.Overall.V, dec) + " ± " + figure.Unit(figure.NonZero(u, dec), unit)
}

// maxDigits are enough to compare with what was dialled.
const maxDigits = 100

// foldDigits groups digits in fives; n is their number, of which s has the
// first.
func foldDigits(s string, n int) string {
	tail := ""
	if n > len(s) {
		tail = " … " + figure.Count(n) + " in all"
	}
	var b strings.Builder
	for i := 0; i < len(s); i += 5 {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(s[i:min(i+5, len(s))])
	}
	return b.String() + tail
}

// compound tells a cadence of several makes a cycle.
func compound(m *pulse.Measurement) bool {
	return m.Interrupter != nil && len(m.Interrupter.Segments) > 2
}

// rateUnit names what a rate counts: of a compound cadence its cycles, for its
// interruptions are more.
func rateUnit(m *pulse.Measurement, unit string) string {
	if unit == "IPM" && compound(m) {
		return "cycles/min"
	}
	return unit
}

// cyclesText tells how many cycles there were and should have been.
func cyclesText(m *pulse.Measurement) string {
	in := m.Interrupter
	cycle, cycles, missing := "whole cycle", "whole cycles", "interruptions"
	if compound(m) {
		k := figure.Plural(len(in.Segments)/2, "make", "makes")
		cycle, cycles, missing = cycle+" of "+k, cycles+" of "+k, "breaks"
	}
	text := figure.Plural(in.Cycles, cycle, cycles) + " measured of " + figure.Count(in.Due) + " due; " + missing + " missing: " +
		figure.Count(in.Missing) + ", extra: " + figure.Count(in.Extra)
	if in.Slips > 0 {
		text += "; the phase slipped " + figure.Plural(in.Slips, "time", "times")
	}
	return text + "."
}

func writeInterrupter(p *page, m *pulse.Measurement, v *view) {
	in := m.Interrupter
	p.head("Interrupter")
	p.para("  ", cyclesText(m))
	for i, c := range in.SpeedChanges {
		text := fmt.Sprintf("At %.1f s the speed changes: the openings are %s ms apart in place of %s ms.", c.AtS, figure.Fixed(c.AfterMS, 1), figure.Fixed(c.BeforeMS, 1))
		if e := c.Either(); e != "" {
			text = fmt.Sprintf("At %.1f s %s (%s ms in place of %s ms).", c.AtS, e, figure.Fixed(c.AfterMS, 1), figure.Fixed(c.BeforeMS, 1))
			if c.FromNominal {
				text = "T" + strings.TrimPrefix(text, fmt.Sprintf("At %.1f s t", c.AtS))
			}
		}
		if i == 5 {
			text = figure.Plural(len(in.SpeedChanges)+in.MoreSpeedChanges-5, "more change of speed", "more changes of speed") + "; --json lists them."
		}
		if i <= 5 {
			p.para("  ", text)
		}
	}
	if in.RateIPM.Overall.OK {
		text := overall(m, pulse.RateIPM, in.RateIPM, "interruptions per minute")
		if compound(m) {
			text = overall(m, pulse.RateIPM, in.RateIPM, "cycles per minute")
			if in.MakesPerMin.OK {
				text += " (" + figure.Fixed(in.MakesPerMin.V, decimals(m, pulse.RateIPM)) + " makes per minute)"
			}
		}
		if in.BreakPercent.Overall.OK {
			text += ", " + overall(m, pulse.BreakPercent, in.BreakPercent, "%") + " break"
		}
		p.para("  Overall ", text+" (k = 2).")
	}
	rows := []statRow{
		quantityRow(m, pulse.RateIPM, in.RateIPM.Stat),
		quantityRow(m, pulse.PeriodMS, in.PeriodMS),
		quantityRow(m, pulse.BreakPercent, in.BreakPercent.Stat),
	}
	if !compound(m) { // else the segments tell more than their mixture
		rows = append(rows, quantityRow(m, pulse.BreakMS, in.BreakMS), quantityRow(m, pulse.MakeMS, in.MakeMS))
	}
	writeStats(p, nil, append(rows, quantityRow(m, pulse.BounceMS, m.Settling.BounceMS)))
	writeSegments(p, m, v)
	writeLobes(p, in)
}

func writeSegments(p *page, m *pulse.Measurement, v *view) {
	var rows []statRow
	for _, s := range m.Interrupter.Segments {
		if s.MS.N > 0 {
			rows = append(rows, statRow{
				name: figure.Count(s.Segment) + " " + s.State, stat: s.MS,
				decimals: decimals(m, pulse.Quantity(s.State+"_ms")), extra: []string{figure.Trimmed(s.NominalMS, 3)},
			})
		}
	}
	if len(rows) == 0 {
		return
	}
	nominal := "from data"
	if m.Interrupter.CadenceFits && (v.cadence != nil || v.profile != nil && len(v.profile.CadenceNS) > 0) {
		nominal = "nominal"
	}
	p.head("Cadence, ms")
	writeStats(p, []string{nominal}, rows)
}

func writeLobes(p *page, in *pulse.Interrupter) {
	if len(in.Lobes) == 0 {
		return
	}
	p.head("Lobes over " + figure.Plural(in.WholeTurns, "whole turn", "whole turns"))
	p.para("  ", lobesBy(in)+" Errors are against the median of the lobes, positive is late or long; se is one standard error.")
	rows := [][]cell{cells("lobe", "n", "opening ms", "± se ms", "% cycle", "break ms", "± se ms", "error ms")}
	for _, l := range in.Lobes {
		dec := figure.Decimals(2 * l.OpeningErrorSE.V)
		decBreak := figure.Decimals(2 * l.BreakSE.V)
		cycles := l.OpeningErrorCyc
		cycles.V *= 100
		rows = append(rows, cells(figure.Count(l.Lobe), figure.Count(l.N), signed(l.OpeningErrorMS, dec), number(l.OpeningErrorSE, dec),
			signed(cycles, 2), number(l.BreakMS, decBreak), number(l.BreakSE, decBreak), signed(l.BreakErrorMS, decBreak)))
	}
	if gridWidth(rows) > pageWidth {
		for i, r := range rows {
			rows[i] = slices.Delete(r, 4, 5)
		}
	}
	p.grid("rrrrrrrr", rows)
}

// lobesBy says what the numbers of the lobes go by.
func lobesBy(in *pulse.Interrupter) string {
	if in.LobesNumberedBy == nil {
		return "No lobe was seen."
	}
	var text string
	switch *in.LobesNumberedBy {
	case pulse.LobesByLog:
		text = "Numbers are those of the log; lobe 1 is no mark on the cam until a note with --lobe-one says so."
	case pulse.LobesByReference:
		text = "Lobe 1 is the one that a note in the log names."
	case pulse.LobesByMatch:
		text = "Numbers are those of the log, found again by the errors of the lobes."
	default:
		text = "Lobe 1 is the one that opened first in the recording: no mark on the cam."
	}
	if in.LobesMatchLead.OK {
		text += " Where the phase was lost, numbers were found again by the errors of the lobes, " + lead(in.LobesMatchLead.V) + " times likelier so than otherwise."
	}
	if in.LobeStretches > 1 {
		text += " But " + figure.Plural(in.LobeStretches-1, "time", "times") + " they could not be found again, and began anew: these are of one numbering alone, from " + figure.Time(in.LobesFromS.V) + " on."
	}
	return text
}

// lead says how many times likelier a match is than the next, roughly: beyond
// a million the model of the noise is the greater doubt.
func lead(times float64) string {
	if times >= 1e6 {
		return "more than a million"
	}
	return figure.Count(int(times))
}

// signed writes v with its sign.
func signed(v pulse.Num, decimals int) string {
	s := number(v, decimals)
	if v.OK && v.V > 0 && strings.Trim(s, "0.") != "" {
		return "+" + s
	}
	return s
}

// writeUncertainty writes each quantity's expanded uncertainty and what it is
// made of.
func writeUncertainty(p *page, m *pulse.Measurement) {
	order := []pulse.Quantity{pulse.RatePPS, pulse.RateIPM, pulse.PeriodMS, pulse.BreakPercent, pulse.BreakRatio, pulse.BreakMS,
		pulse.MakeMS, pulse.InterdigitMS, pulse.SegmentMS, pulse.BounceMS}
	var rows [][]cell
	var sources []string
	for _, q := range order {
		b := m.Uncertainty[q]
		if b == nil || !b.Expanded.OK {
			continue
		}
		noun, unit := figure.Quantity(string(q))
		unit = rateUnit(m, unit)
		dec := figure.Decimals(b.Expanded.V)
		parts := slices.Clone(b.Budget)
		slices.SortStableFunc(parts, func(a, b pulse.Component) int { return cmp.Compare(b.Standard, a.Standard) })
		from := ""
		for i, c := range parts[:min(2, len(parts))] {
			if i > 0 {
				from += ", "
			}
			name := c.Cause.Effect.String()
			if source := name + ": " + c.Cause.From; c.Cause.From != "" && !slices.Contains(sources, source) {
				sources = append(sources, source)
			}
			from += name + " " + figure.NonZero(c.Standard, dec)
		}
		if from == "" {
			from = "nothing"
		}
		rows = append(rows, cells(noun, figure.Unit(figure.NonZero(b.Expanded.V, dec), unit), from))
	}
	if len(rows) == 0 {
		return
	}
	p.head("Uncertainty of one value (k = 2), and its greatest standard parts")
	w := gridWidths(rows)
	for _, r := range rows {
		p.para("  "+r[0].text+strings.Repeat(" ", w[0]-width(r[0].text))+"  ± "+r[1].text+strings.Repeat(" ", w[1]-width(r[1].text))+"  ", r[2].text)
	}
	if len(sources) > 0 {
		p.para("  ", strings.Join(sources, "; ")+".")
	}
}
