package command

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"github.com/alecthomas/kong"

	"makebreak/daemon/figure"
	"makebreak/daemon/store"
	"makebreak/daemon/stretch"
	"makebreak/pulse"
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
	}{{f.Log != "", "log"}, {f.Since.Set, "since"}, {f.Until.Set, "until"}, {f.Soak != "", "soak"}} {
		if x.set {
			return fmt.Errorf("--%s is for a log: expected run:CONTACT", x.flag)
		}
	}
	return nil
}

// request is the stretch that the flags ask for.
func (f *stretchFlags) request() *stretch.Request {
	return &stretch.Request{Since: f.Since.Time, Until: f.Until.Time, Soak: f.Soak}
}

// wrong tells in the words of the flags why there is no such stretch.
func (f *stretchFlags) wrong(err error) error {
	var outside *stretch.OutsideError
	switch {
	case errors.Is(err, stretch.ErrSoakAndTimes):
		return errors.New("--soak is a stretch by itself: expected it without --since and --until")
	case errors.As(err, &outside) && outside.AtStart:
		return fmt.Errorf("--since %s: %w", f.Since.Text, err)
	case outside != nil:
		return fmt.Errorf("--until %s: %w", f.Until.Text, err)
	case errors.Is(err, stretch.ErrEmpty):
		return fmt.Errorf("--since %s is not before --until %s", cmp.Or(f.Since.Text, "the start of the log"), cmp.Or(f.Until.Text, "the end of the log"))
	}
	return err
}

// when is a flag that holds a time of the log.
type when struct{ stretch.Time }

// Decode implements kong.MapperValue; it takes "-2h", which kong would take
// for another flag.
func (w *when) Decode(ctx *kong.DecodeContext) (err error) {
	t := ctx.Scan.Pop()
	if t.IsEOL() {
		return fmt.Errorf("expected a time after it")
	}
	w.Time, err = stretch.ParseTime(t.String())
	return err
}

// openLog opens the log that a flag names.
func openLog(ctx context.Context, path string) (*store.Log, error) {
	if path == "" {
		return nil, errors.New("expected --log FILE, the log that makebreak watch writes")
	}
	return store.OpenRead(ctx, path)
}

// openStretch opens the stretch of a contact that flags ask for.
func openStretch(ctx context.Context, f *stretchFlags, contact string) (*stretch.Source, error) {
	// A log may hold months. What measuring keeps of them is large and without
	// pointers, cheap to collect around; a small computer misses the garbage more.
	debug.SetGCPercent(10)
	log, err := openLog(ctx, f.Log)
	if err != nil {
		return nil, err
	}
	src, err := stretch.Open(ctx, log, f.request(), contact)
	if err != nil {
		return nil, errors.Join(f.wrong(err), log.Close())
	}
	return src, nil
}

// feeder reads a stretch of a log ahead, with progress on a terminal. begin,
// unless it is nil, is given the first edges.
func feeder(sh *shell, begin func([]pulse.Edge)) stretch.Feeder {
	return func(ctx context.Context, src *stretch.Source, add func([]pulse.Edge) error) error {
		bar := newProgress(sh, src)
		defer bar.close()
		return pump(ctx, src, pumpShape{pumpBuffers, pumpEdges, true}, func(batch []pulse.Edge, _ float64) error {
			if begin != nil {
				begin(batch)
				begin = nil
			}
			err := add(batch)
			bar.update()
			return err
		}, &ticks{})
	}
}

// A logReport is a stretch's report as the page asks it.
type logReport struct {
	*stretch.Report
	kindAsked bool
}

func newLogReport(r *stretch.Report) *logReport { return &logReport{r, r.KindAsked} }

// at is the wall-clock time of an item's worst value, as text.
func (l *logReport) at(it pulse.Item) string {
	if l == nil {
		return ""
	}
	if at, ok := l.WorstAt(it); ok {
		return at.Format(wallMilli) + " UTC"
	}
	return ""
}

func removedText(r *stretch.Removed) string {
	return "edges before " + wallText(r.Until) + " were removed to make room, and no figure is of them. Of that time the summaries tell: " +
		figure.Count(int(r.Pulses)) + " pulses or cycles, missing: " + figure.Count(int(r.Missing)) + ", extra: " + figure.Count(int(r.Extra)) +
		", out of limit: " + figure.Count(int(r.OutOfLimit)) + ", lost edges: " + figure.Count(int(r.Lost)) + "."
}

const (
	wallSecond = "2006-01-02 15:04:05"
	wallMilli  = wallSecond + ".000"
)

func wallText(t time.Time) string { return t.UTC().Format(wallSecond) + " UTC" }

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
		p.para("  Note: ", removedText(r))
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
	slices.SortStableFunc(remarks, func(a, b stretch.Remark) int { return a.At.Compare(b.At) })
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
