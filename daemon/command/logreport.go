package command

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/alecthomas/kong"

	"makebreak/daemon/figure"
	"makebreak/pulse"
	"makebreak/pulse/duration"
)

// stretchFlags choose a stretch of the log.
type stretchFlags struct {
	Log   string `group:"A stretch of a log:" placeholder:"FILE" help:"Log that makebreak watch writes; it may go on writing."`
	Since when   `group:"A stretch of a log:" placeholder:"TIME" help:"Start, such as 2026-11-20T10:00 (UTC, or with a zone: +02:00), or -2h, so long before the end of the log."`
	Until when   `group:"A stretch of a log:" placeholder:"TIME" help:"End, in the same forms."`
	Soak  string `group:"A stretch of a log:" placeholder:"TITLE" help:"The stretch of a soak test."`
}

// none is an error when a flag is set that is for a log only.
func (f *stretchFlags) none() error {
	for _, x := range []struct {
		set  bool
		flag string
	}{{f.Log != "", "log"}, {f.Since.set, "since"}, {f.Until.set, "until"}, {f.Soak != "", "soak"}} {
		if x.set {
			return fmt.Errorf("--%s is for a log: expected run:CONTACT", x.flag)
		}
	}
	return nil
}

// when is a flag that holds a time of the log.
type when struct {
	set  bool
	text string
	wall time.Time
	back time.Duration // before the end of the log, where wall is zero
}

// Decode implements kong.MapperValue; it takes "-2h", which kong would take
// for another flag.
func (w *when) Decode(ctx *kong.DecodeContext) error {
	t := ctx.Scan.Pop()
	if t.IsEOL() {
		return fmt.Errorf("expected a time after it")
	}
	return w.parse(t.String())
}

func (w *when) parse(s string) error {
	w.set, w.text = true, s
	if rest, ok := strings.CutPrefix(s, "-"); ok {
		if ns, err := duration.Parse(rest); err == nil && ns > 0 {
			w.back = time.Duration(ns)
			return nil
		}
	}
	for _, form := range []string{"2006-01-02T15:04:05Z07:00", "2006-01-02T15:04Z07:00", "2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02"} {
		if t, err := time.Parse(form, strings.Replace(s, " ", "T", 1)); err == nil {
			w.wall = t.UTC()
			return nil
		}
	}
	return fmt.Errorf("%q is no time: expected one like 2026-11-20T10:00 or 2026-11-20, in UTC or with a zone such as +02:00, or -2h or -3d before the end of the log", s)
}

// A stretch is the source that run:CONTACT names: a part of a log. configure
// comes first and report last, once all edges were read.
type stretch interface {
	source
	// configure takes what flags leave open from the contact's configuration, and
	// the numbers of its lobes from the log.
	configure(ctx context.Context, c *measureCmd, cfg *pulse.Config) error
	// begin and end are what is read, on the clock of the edges.
	begin() pulse.Stamp
	end() pulse.Stamp
	// saw takes the edges that are measured; cut ends the stretch with them.
	saw(edges []pulse.Edge)
	cut()
	report(ctx context.Context, m *pulse.Measurement) (*logReport, error)
}

// wrong tells whether something was not as it should be in what was removed.
func (r *removedEdges) wrong() bool { return r.OutOfLimit+r.Missing+r.Extra > 0 }

func (r *removedEdges) text() string {
	return "edges before " + wallText(r.Until) + " were removed to make room, and no figure is of them. Of that time the summaries tell: " +
		figure.Count(int(r.Pulses)) + " pulses or cycles, missing: " + figure.Count(int(r.Missing)) + ", extra: " + figure.Count(int(r.Extra)) +
		", out of limit: " + figure.Count(int(r.OutOfLimit)) + ", lost edges: " + figure.Count(int(r.Lost)) + "."
}

// A logReport is what the result tells of a stretch of a log.
type logReport struct {
	Log      string    `json:"log"`
	Site     string    `json:"site"`
	Contact  string    `json:"contact"`
	Source   string    `json:"source"`
	Since    time.Time `json:"since"`
	Until    time.Time `json:"until"`
	LengthS  float64   `json:"length_s"`
	UpS      float64   `json:"source_up_s"` // the level was known
	Gaps     int       `json:"gaps"`        // it was not
	Longest  []logGap  `json:"longest_gaps"`
	Restarts int       `json:"restarts"`
	// Steps are the steps of the wall clock.
	Steps    []logRemark    `json:"clock_steps"`
	Findings map[string]int `json:"findings"` // by kind
	Notes    []logRemark    `json:"notes"`
	// Changes counts the contact's configurations after the one that is used.
	Changes int `json:"configuration_changes"`
	// Removed is what the log still knows of edges that were removed to make
	// room; nil when none were.
	Removed *removedEdges `json:"removed"`
	// Worst are the wall-clock times of the worst values.
	Worst []worstTime `json:"worst"`
	// kindAsked is set when it is not read as the kind that it was watched as
	// says, but as asked.
	kindAsked bool
}

type logGap struct {
	From    time.Time `json:"from"`
	LengthS float64   `json:"length_s"`
	Why     string    `json:"why"`
}

type logRemark struct {
	At   time.Time `json:"at"`
	Text string    `json:"text"`
}

// removedEdges sums the summaries of the stretch before Until.
type removedEdges struct {
	Until      time.Time `json:"until"`
	Pulses     int64     `json:"pulses"` // or cycles
	Missing    int64     `json:"missing"`
	Extra      int64     `json:"extra"`
	OutOfLimit int64     `json:"out_of_limit"`
	Lost       int64     `json:"lost_edges"`
}

type worstTime struct {
	Quantity string    `json:"quantity"`
	Bound    string    `json:"bound"`
	At       time.Time `json:"at"`
}

// maxGaps of the longest gaps are told of, in order of time.
const maxGaps = 8

const (
	wallSecond = "2006-01-02 15:04:05"
	wallMilli  = wallSecond + ".000"
)

func wallText(t time.Time) string { return t.UTC().Format(wallSecond) + " UTC" }

// at is the wall-clock time of an item's worst value, as text.
func (l *logReport) at(it pulse.Item) string {
	if l == nil {
		return ""
	}
	for _, w := range l.Worst {
		if w.Quantity == it.Quantity && w.Bound == it.Bound {
			return w.At.Format(wallMilli) + " UTC"
		}
	}
	return ""
}

// writeLog tells of a stretch of the log.
func writeLog(p *page, m *pulse.Measurement, l *logReport) {
	p.para("  ", "Contact "+l.Contact+" ("+shorten(printable(l.Source), 40)+") of "+printable(l.Site)+", until "+wallText(l.Until)+".")
	text := "The source was read for " + figure.Time(l.UpS) + " of " + figure.Time(l.LengthS)
	if l.LengthS > 0 {
		percent := 100 * l.UpS / l.LengthS
		if s := figure.Trimmed(percent, 3); s != "100" || l.Gaps == 0 {
			text += " (" + s + " %)"
		} else {
			text += " (more than 99.999 %)"
		}
	}
	text += "; gaps: " + figure.Count(l.Gaps) + ", lost edges: " + figure.Count(m.Capture.LostEdges) +
		", restarts: " + figure.Count(l.Restarts) + ", clock steps: " + figure.Count(len(l.Steps)) + "."
	p.para("  ", text)
	if r := l.Removed; r != nil {
		p.para("  Note: ", r.text())
	}
	if l.Changes > 0 {
		p.para("  Note: ", "the contact's configuration changed "+figure.Plural(l.Changes, "time", "times")+" within the stretch; all is read by the one at its start.")
	}
	if len(l.Longest) > 0 {
		rows := [][]cell{cells("gap from (UTC)", "length", "why")}
		for _, g := range l.Longest {
			rows = append(rows, cells(g.From.Format(wallSecond), figure.Time(g.LengthS), printable(g.Why)))
		}
		p.grid("lrl", rows)
		if n := l.Gaps - len(l.Longest); n > 0 {
			p.para("  ", "and "+figure.Count(n)+" shorter.")
		}
	}
	remarks := slices.Concat(l.Steps, l.Notes)
	slices.SortStableFunc(remarks, func(a, b logRemark) int { return a.At.Compare(b.At) })
	for _, r := range remarks {
		p.para("  "+wallText(r.At)+": ", printable(r.Text))
	}
	p.findings(l.Findings)
}

// findings tells how often what was found.
func (p *page) findings(counts map[string]int) {
	var text []string
	for _, k := range slices.Sorted(maps.Keys(counts)) {
		text = append(text, k+" "+figure.Count(counts[k]))
	}
	if len(text) > 0 {
		p.para("  Findings logged: ", strings.Join(text, ", ")+".")
	}
}
