package command

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"makebreak/daemon/store"
	"makebreak/daemon/watch"
	"makebreak/hw"
	"makebreak/pulse"
)

// logged is a stretch of one contact in a log, as a source of measure. Where
// the level at its start is not known, it begins with an edge to Unknown.
type logged struct {
	log      *store.Log
	owned    bool // the log is closed with it
	replay   *store.Replay
	contact  string
	settings store.Configuration // in force at the start
	changes  int                 // of the settings, later in the stretch
	asked    bool                // which kind it is
	from, to pulse.Stamp
	seen     pulse.Stamp // measured up to

	ahead   []pulse.Edge // read but not given
	err     error        // that follows ahead
	start   pulse.Level  // at from
	level   pulse.Level  // after the edges given
	unknown pulse.Stamp  // since when the level is, while it is
	blind   pulse.Stamp  // time that it was, in all
	gaps    int
	longest []unknownGap // in order of time
}

// notRead is why the level was not known, where nothing tells more.
const notRead = "the source was not read"

type unknownGap struct{ from, to pulse.Stamp }

// openLog opens the log that a flag names.
func openLog(ctx context.Context, path string) (*store.Log, error) {
	if path == "" {
		return nil, errors.New("expected --log FILE, the log that makebreak watch writes")
	}
	return store.OpenRead(ctx, path)
}

func openLogged(ctx context.Context, f *stretchFlags, contact string) (stretch, error) {
	// A log may hold months. What measuring keeps of them is large and without
	// pointers, cheap to collect around; a small computer misses the garbage more.
	debug.SetGCPercent(10)
	log, err := openLog(ctx, f.Log)
	if err != nil {
		return nil, err
	}
	l, err := openStretch(ctx, log, f, contact)
	if err != nil {
		return nil, errors.Join(err, log.Close())
	}
	l.owned = true
	return l, nil
}

func openStretch(ctx context.Context, log *store.Log, f *stretchFlags, contact string) (*logged, error) {
	if err := knownContact(ctx, log, contact); err != nil {
		return nil, err
	}
	span, err := f.span(ctx, log, contact)
	if err != nil {
		return nil, err
	}
	return replayed(ctx, log, span, f.Since.set || f.Soak != "", contact)
}

// knownContact refuses a contact that the log does not have.
func knownContact(ctx context.Context, log *store.Log, contact string) error {
	names, err := log.Contacts(ctx)
	switch {
	case err != nil:
		return err
	case slices.Contains(names, contact):
		return nil
	case len(names) == 0:
		return fmt.Errorf("contact %q is not in the log %s: it has none", contact, log.Path())
	}
	return fmt.Errorf("contact %q is not in the log %s: expected one of %s", contact, log.Path(), strings.Join(names, ", "))
}

// span is the stretch that the flags choose.
func (f *stretchFlags) span(ctx context.Context, log *store.Log, contact string) (s store.Span, err error) {
	if f.Soak != "" {
		if f.Since.set || f.Until.set {
			return s, errors.New("--soak is a stretch by itself: expected it without --since and --until")
		}
		soaks, err := log.Soaks(ctx)
		if err != nil {
			return s, err
		}
		soak, err := findSoak(soaks, f.Soak)
		if err != nil {
			return s, err
		}
		if contact != "" && soak.Contact != "" && soak.Contact != contact {
			return s, fmt.Errorf("soak test %q is of the contact %s, not of %s", soak.Title, soak.Contact, contact)
		}
		s, _, _, err := soakSpan(ctx, log, soak)
		return s, err
	}
	runs, err := log.Runs(ctx)
	if err != nil {
		return s, err
	}
	run := int64(0)
	if w := f.Since.wall; !w.IsZero() { // a site that was renamed began another run
		for _, r := range runs {
			if run == 0 || !r.Began.After(w) {
				run = r.ID
			}
		}
	}
	tl, err := log.Timeline(ctx, run)
	if err != nil {
		return s, err
	}
	s = store.Span{Run: tl.ID, To: tl.End() + 1}
	has := "the log is of " + wallText(tl.At(0).Wall) + " to " + wallText(tl.At(tl.End()).Wall)
	switch w := &f.Since; {
	case !w.wall.IsZero():
		if s.From = tl.Since(w.wall); s.From >= s.To {
			return s, fmt.Errorf("--since %s: %s", w.text, has)
		}
	case w.set:
		s.From = max(tl.End()-pulse.Stamp(w.back), 0)
	}
	switch w := &f.Until; {
	case !w.wall.IsZero():
		if w.wall.Before(tl.At(0).Wall) {
			return s, fmt.Errorf("--until %s: %s", w.text, has)
		}
		s.To = min(s.To, tl.Until(w.wall))
	case w.set:
		s.To = tl.End() - pulse.Stamp(w.back)
	}
	if s.From >= s.To {
		return s, fmt.Errorf("--since %s is not before --until %s", cmp.Or(f.Since.text, "the start of the log"), cmp.Or(f.Until.text, "the end of the log"))
	}
	return s, nil
}

// replayed starts to read a span. Without whole, a contact whose edges begin
// later is read from its first edge on.
func replayed(ctx context.Context, log *store.Log, span store.Span, whole bool, contact string) (*logged, error) {
	r, err := log.Replay(ctx, span, contact)
	if err != nil {
		return nil, err
	}
	l := &logged{log: log, replay: r, contact: contact, level: r.StartLevel(), ahead: make([]pulse.Edge, 64)}
	l.from, l.to = r.Span().From, r.Span().To
	if l.to == r.Timeline().End()+1 { // there is nothing after the last commit
		l.to--
	}
	n, err := r.ReadEdges(ctx, l.ahead)
	if err != nil && err != io.EOF {
		return nil, err
	}
	l.ahead, l.err = l.ahead[:n], err
	switch g := l.removedGap(); {
	case n == 0:
	case g != nil:
		l.from = max(l.from, g.To)
	case l.level > pulse.High && !whole:
		l.from = l.ahead[0].At
	default:
		l.from = min(l.from, l.ahead[0].At)
	}
	for len(l.ahead) > 0 && l.level > pulse.High && l.ahead[0].At <= l.from { // the level found at the start
		l.level = l.ahead[0].Level
		l.ahead = l.ahead[1:]
	}
	l.start, l.unknown = l.level, l.from
	if l.level > pulse.High {
		l.ahead = slices.Insert(l.ahead, 0, pulse.Edge{At: l.from, Level: pulse.Unknown})
	}
	if l.settings, l.changes, err = settingsAt(ctx, log, contact, r.Timeline().At(l.from), r.Timeline().At(l.to)); err != nil {
		return nil, err
	}
	return l, nil
}

// settingsAt gives how a contact was set up at a moment, the first way that the
// log knows where that is earlier, and how often that changed up to end.
func settingsAt(ctx context.Context, log *store.Log, contact string, start, end store.Moment) (found store.Configuration, changes int, err error) {
	all, err := log.Configurations(ctx, contact)
	if err != nil {
		return found, 0, err
	}
	if len(all) == 0 {
		return found, 0, fmt.Errorf("read log %q: it does not say how contact %q is to be read", log.Path(), contact)
	}
	at := func(c store.Configuration, m store.Moment) bool { // c came before m
		return c.At.Session < m.Session || c.At.Session == m.Session && c.At.Mono <= m.Mono
	}
	found = all[0]
	for i, c := range all {
		switch {
		case i == 0:
		case at(c, start):
			found = c
		case at(c, end):
			changes++
		}
	}
	return found, changes, nil
}

// removedGap is the gap at the start in which edges were removed to make room.
func (l *logged) removedGap() *store.Gap {
	if g := l.replay.Gaps(); len(g) > 0 && g[0].Kind == store.GapRemoved {
		return &g[0]
	}
	return nil
}

func (l *logged) BytesRead() int64      { return max(int64(l.seen-l.from), 0) }
func (l *logged) Size() int64           { return int64(l.to - l.from) }
func (l *logged) ResolutionNS() float64 { return 1 }
func (l *logged) begin() pulse.Stamp    { return l.from }
func (l *logged) end() pulse.Stamp      { return l.to }

func (l *logged) Close() error {
	err := l.replay.Close()
	if l.owned {
		err = errors.Join(err, l.log.Close())
	}
	return err
}

// ReadEdges implements hw.Source.
func (l *logged) ReadEdges(ctx context.Context, buf []pulse.Edge) (n int, err error) {
	switch {
	case len(l.ahead) > 0:
		n = copy(buf, l.ahead)
		l.ahead = l.ahead[n:]
	case l.err != nil:
		return 0, l.err
	default:
		if n, err = l.replay.ReadEdges(ctx, buf); err != nil {
			l.err = err
			return 0, err
		}
	}
	return n, nil
}

func (l *logged) saw(edges []pulse.Edge) {
	for i := range edges {
		e := &edges[i]
		l.seen = e.At
		if (e.Level > pulse.High) == (l.level > pulse.High) {
			continue
		}
		if l.level = e.Level; l.level > pulse.High {
			l.unknown = e.At
		} else {
			l.known(e.At)
		}
	}
}

func (l *logged) cut() { l.to = max(l.seen, l.from) }

// known ends a time in which the level was not known.
func (l *logged) known(at pulse.Stamp) {
	if at <= l.unknown {
		return
	}
	l.gaps++
	l.blind += at - l.unknown
	l.longest = append(l.longest, unknownGap{l.unknown, at})
	if len(l.longest) > maxGaps {
		shortest := slices.MinFunc(l.longest, func(a, b unknownGap) int { return cmp.Compare(a.to-a.from, b.to-b.from) })
		l.longest = slices.DeleteFunc(l.longest, func(g unknownGap) bool { return g == shortest })
	}
}

func (l *logged) configure(ctx context.Context, c *measureCmd, cfg *pulse.Config) error {
	base, err := watch.Reading(l.settings)
	if err != nil {
		return err
	}
	kind := cfg.Kind
	l.asked = c.Kind != "auto"
	if kind == pulse.KindAuto && cfg.Limits != nil {
		kind = cfg.Limits.Kind
	}
	if kind == pulse.KindAuto {
		kind, cfg.Kind = base.Kind, base.Kind
	}
	if c.Closed == "auto" {
		cfg.Polarity = base.Polarity
	}
	if c.Timing == "auto" {
		cfg.Timing = base.Timing
	}
	cfg.SettleNS = cmp.Or(cfg.SettleNS, base.SettleNS)
	if kind == base.Kind {
		if c.Limits == "" {
			cfg.Limits = base.Limits
		}
		cfg.PulseMinNS, cfg.PulseMaxNS = cmp.Or(cfg.PulseMinNS, base.PulseMinNS), cmp.Or(cfg.PulseMaxNS, base.PulseMaxNS)
		cfg.TrainGapNS, cfg.FlashMaxNS = cmp.Or(cfg.TrainGapNS, base.TrainGapNS), cmp.Or(cfg.FlashMaxNS, base.FlashMaxNS)
		if !cfg.CodingSet {
			cfg.Coding, cfg.CodingSet = base.Coding, base.CodingSet
		}
		if c.Limits != allLimits && cfg.PeriodNS == 0 && cfg.CadenceNS == nil {
			cfg.PeriodNS, cfg.CadenceNS = base.PeriodNS, base.CadenceNS
		}
		if c.Limits != allLimits {
			cfg.Lobes = cmp.Or(cfg.Lobes, base.Lobes)
		}
	}
	if cfg.Setup, err = c.setup(*base.Setup); err != nil {
		return err
	}
	if cfg.Setup.ClockFrom == pulse.DefaultSetup().ClockFrom {
		cfg.Setup.ClockRel, cfg.Setup.ClockFrom = l.steering()
	}
	cfg.Live, cfg.Start, cfg.StartLevel = true, l.from, l.start
	if kind != pulse.KindInterrupter || cfg.Lobes == 0 {
		return nil
	}
	lobes, err := watch.LobesOf(ctx, l.log, l.contact, l.replay.Timeline().ID, cfg.Lobes)
	if err != nil {
		return err
	}
	return lobes.Number(ctx, l.from, l.to, cfg)
}

// steering is how good the clock was in the stretch, by its first and last
// known state.
func (l *logged) steering() (rel float64, from string) {
	tl := l.replay.Timeline()
	var first, last hw.Discipline
	for _, s := range tl.Sessions {
		for _, c := range s.Clocks {
			at := c.Anchor.Mono - s.Start.Mono + s.Start.Run
			if at <= l.from {
				first = c.State
			}
			if at <= l.to {
				last = c.State
			}
		}
	}
	return hw.ClockUncertainty(first, last)
}

// report gathers what the log knows of the stretch beside its edges.
func (l *logged) report(ctx context.Context, m *pulse.Measurement) (*logReport, error) {
	tl := l.replay.Timeline()
	wall := func(at pulse.Stamp) time.Time { return tl.At(at).Wall.UTC() }
	if l.level > pulse.High {
		l.known(l.to)
		l.unknown = l.to
	}
	r := &logReport{
		Log: l.log.Path(), Site: tl.Site, Contact: l.contact, Source: l.settings.Source, Since: wall(l.from), Until: wall(l.to),
		LengthS: float64(l.to-l.from) / 1e9, UpS: float64(l.to-l.from-l.blind) / 1e9, Gaps: l.gaps, Changes: l.changes,
		kindAsked: l.asked,
		Longest:   []logGap{}, Steps: []logRemark{}, Findings: map[string]int{}, Notes: []logRemark{}, Worst: []worstTime{},
	}
	told := make([]bool, len(l.longest)) // why it was
	for i, g := range l.longest {
		why := notRead
		for _, x := range l.replay.Gaps() {
			if x.From < g.to && g.from < x.To {
				why, told[i] = x.Why(), true
			}
		}
		r.Longest = append(r.Longest, logGap{wall(g.from), float64(g.to-g.from) / 1e9, why})
	}
	span := store.Span{Run: tl.ID, From: l.from, To: l.to + 1}
	for f, err := range l.log.Findings(ctx, span, l.contact) {
		if err != nil {
			return nil, err
		}
		switch f.Kind {
		case store.Restart:
			if f.At.Run > l.from {
				r.Restarts++
			}
		case store.SourceDown:
			r.Findings[string(f.Kind)]++
			for i, g := range l.longest {
				if g.from <= f.At.Run && f.At.Run <= g.to && !told[i] {
					r.Longest[i].Why, told[i] = f.Text, true
				}
			}
		case store.ClockStep:
			r.Steps = append(r.Steps, logRemark{f.At.Wall.UTC(), f.Text})
		default:
			r.Findings[string(f.Kind)]++
		}
	}
	notes, err := l.log.Notes(ctx, span, l.contact)
	if err != nil {
		return nil, err
	}
	for _, n := range notes {
		r.Notes = append(r.Notes, logRemark{n.At.Wall.UTC(), noteText(n)})
	}
	if g := l.removedGap(); g != nil {
		x := &removedEdges{Until: wall(g.To)}
		for s, err := range l.log.Summaries(ctx, store.Span{Run: tl.ID, From: g.From, To: g.To}, l.contact) {
			if err != nil {
				return nil, err
			}
			x.Pulses, x.Missing, x.Extra = x.Pulses+s.Pulses, x.Missing+s.Missing, x.Extra+s.Extra
			x.OutOfLimit, x.Lost = x.OutOfLimit+s.OutOfLimit, x.Lost+s.Lost
		}
		r.Removed = x
	}
	if m.Conformity != nil {
		for _, it := range m.Conformity.Items {
			if it.AtS.OK {
				r.Worst = append(r.Worst, worstTime{it.Quantity, it.Bound, wall(l.from + pulse.Stamp(it.AtS.V*1e9))})
			}
		}
	}
	return r, nil
}

// noteText tells a note with the contact that it is about.
func noteText(n store.Note) string {
	text := n.Text
	if n.State != store.PlainNote {
		text = string(n.State) + ": " + text
	}
	if n.Contact == "" {
		return "site, " + text
	}
	return n.Contact + ", " + text
}
