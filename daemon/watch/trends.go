package watch

import (
	"context"
	"slices"
	"time"

	"makebreak/daemon/store"
	"makebreak/daemon/trend"
	"makebreak/pulse"
)

const (
	// analyseEvery is how often the changes of each contact are analysed. Wear takes
	// days, and an analysis takes a hundred times as long as the edges of a minute.
	analyseEvery = 5 * time.Minute
	// numberedEvery is how often it is looked whether a cam's lobes have got other
	// numbers since, or have numbers but no figures yet. A start takes some turns and a
	// minute for them, and need not wait for the next analysis. A cam that slips all the
	// time costs no more than ten times as many.
	numberedEvery = 30 * time.Second
	// rememberTime is how far back a start reads what the log has: as far as a
	// trend.Contact keeps it.
	rememberTime = pulse.Stamp(31 * 24 * time.Hour)
	// recallTime is how far back it reads openings.
	recallTime = pulse.Stamp(3 * time.Hour)
	// baselineTime is how much of the openings after the last work, from when the
	// drive ran again, tells what the shafts did then.
	baselineTime = pulse.Stamp(time.Hour)
)

// keepLobes logs what the lobes did in an hour.
func (c *contact) keepLobes(w *pulse.Window, numbering int) {
	h := store.LobeHour{Contact: c.name, At: store.Moment{Mono: w.From}, LengthNS: int64(w.To - w.From), Numbering: int64(numbering)}
	mean := func(m *pulse.WindowMean) store.LobeMean {
		return store.LobeMean{N: m.N, Mean: pulse.Rounded(m.Mean), SE: pulse.Rounded(m.SE)}
	}
	for i := range w.Lobes {
		l := &w.Lobes[i]
		h.Figures = append(h.Figures, store.LobeHourFigure{Opening: mean(&l.Opening), Break: mean(&l.Break)})
	}
	c.store.KeepLobeHour(h)
}

// trends is the task that analyses how the contacts change.
type trends struct {
	*watch
	known map[*trend.Contact]bool // what the log has of before was read
	// numbered is for which numbering what it has of the lobes was read.
	numbered map[*trend.Contact]int
	// met is the numbering at the last look.
	met   map[*trend.Contact]int
	shift map[*trend.Contact]pulse.Stamp // of its past
}

func (t *trends) String() string { return "changes of the contacts" }

func (t *trends) Run(ctx context.Context) error {
	tick := time.NewTicker(analyseEvery)
	defer tick.Stop()
	soon := time.NewTicker(numberedEvery)
	defer soon.Stop()
	for all := true; ; {
		for _, c := range t.all() {
			if ctx.Err() != nil {
				return nil
			}
			if l := c.live.Trend; !all && (l.Numbering() == 0 || l.Numbering() == t.met[l] && len(l.Figures().Lobes) > 0) {
				continue
			}
			if c.ended() { // its own task no longer tells them
				c.tellPairs(t.Now())
			}
			t.look(ctx, c.contact)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			all = true
		case <-soon.C:
			all = false
		}
	}
}

// look reads what the log knows, and analyses the contact.
func (t *trends) look(ctx context.Context, c *contact) {
	l := c.live.Trend
	t.met[l] = l.Numbering()
	past, ok := pastOf(ctx, t.store, c.name)
	known := &past
	if !ok { // the log is not open, and says so itself
		known = nil
	} else {
		if was, ok := t.shift[l]; ok && was != past.shift { // the clock was set
			l.Move(past.start, past.shift-was)
		}
		t.shift[l] = past.shift
		l.Split(past.worked)
		if !t.known[l] {
			t.known[l] = t.remember(ctx, c, past)
		}
		if n := l.Numbering(); n != t.numbered[l] && t.rememberLobes(ctx, c, past, n) {
			t.numbered[l] = n
		}
	}
	for _, x := range l.Analyse(t.Now()) {
		c.changed(&x, known)
	}
}

// A past is how the log's time before this session lies on the clock of this boot.
type past struct {
	shift   pulse.Stamp // from run time to the clock
	start   pulse.Stamp // of this session, on the clock
	end     pulse.Stamp // the same, in run time
	session int64       // this one
	run     int64
	worked  []pulse.Stamp // on the clock
}

func pastOf(ctx context.Context, log *store.Store, contact string) (p past, ok bool) {
	tl, err := log.TimelineOf(ctx, 0, contact)
	if err != nil {
		return p, false
	}
	notes, err := log.Notes(ctx, store.Span{Run: tl.ID}, contact)
	if err != nil {
		return p, false
	}
	now := tl.Sessions[len(tl.Sessions)-1]
	p = past{shift: now.Start.Mono - now.Start.Run, start: now.Start.Mono, end: now.Start.Run, session: now.ID, run: tl.ID}
	for _, n := range notes {
		if n.Worked() {
			p.worked = append(p.worked, n.At.Run+p.shift)
		}
	}
	slices.Sort(p.worked)
	return p, true
}

// remember gives the contact what the log has of before this start. It is false
// where that could not be read, and is tried again.
func (t *trends) remember(ctx context.Context, c *contact, p past) bool {
	var windows []*pulse.Window
	settings, err := t.store.Configurations(ctx, c.name)
	if err != nil || len(settings) == 0 {
		return false
	}
	cfg, err := Reading(settings[len(settings)-1])
	if err != nil {
		return true // what another program wrote is not understood next time either
	}
	before := p.span(rememberTime)
	before.From = max(before.From, readSince(settings))
	for m, err := range t.store.Summaries(ctx, before, c.name) {
		if err != nil {
			return false
		}
		if w, ok := m.Window(cfg.Kind, cfg.BreaksInCycle()); ok && m.At.Session != p.session {
			w.From, w.At, w.To = w.From+p.shift, w.At+p.shift, w.To+p.shift
			windows = append(windows, &w)
		}
	}
	var told []trend.Change
	for f, err := range t.store.Findings(ctx, store.Span{Run: p.run, To: before.To}, c.name) {
		if err != nil {
			return false
		}
		if x, ok := changeOf(&f); ok && f.Contact == c.name {
			x.Since += p.shift
			told = append(told, x)
		}
	}
	c.live.Trend.Remember(windows, told)
	if cfg.Kind != pulse.KindInterrupter {
		return true
	}
	drive := cfg.Drive
	cfg.Lobes, cfg.Drive = 0, nil // for the numbers that openings count by, none is needed
	openings, err := t.openings(ctx, c.name, p.span(recallTime), cfg, p.shift)
	if err != nil {
		return false
	}
	c.live.Trend.Recall(openings)
	if drive == nil {
		return true
	}
	base := store.Span{Run: p.run, From: before.From}
	if n := len(p.worked); n > 0 {
		base.From = max(p.worked[n-1]-p.shift, 1)
	}
	// Work is done on a drive that stands: the hour begins when it runs again.
	runs := slices.IndexFunc(windows, func(w *pulse.Window) bool { return w.To-p.shift > base.From && w.Rate.N > 0 })
	if runs >= 0 {
		base.From = max(base.From, windows[runs].From-p.shift)
	}
	if base.To = min(base.From+baselineTime, p.end); base.To <= base.From {
		return true
	}
	if openings, err = t.openings(ctx, c.name, base, cfg, p.shift); err != nil {
		return false
	}
	first := make([]pulse.DriveOpening, len(openings))
	for i := range openings {
		first[i] = pulse.DriveOpeningOf(&openings[i])
	}
	c.live.Trend.Baseline(pulse.FitDrive(drive, first))
	return true
}

// openings reads the latest openings of a span, with stamps of this boot's clock.
func (t *trends) openings(ctx context.Context, contact string, span store.Span, cfg pulse.Config, shift pulse.Stamp) (all []pulse.CycleRow, err error) {
	_, err = rows(ctx, t.store.Log, contact, span, cfg, func(r *pulse.CycleRow) {
		o := *r
		o.At += shift
		if o.SegmentsNS != nil {
			o.SegmentsNS = []int64{} // that it is a cadence is all that counts
		}
		if len(all) >= 2*trend.MostOpenings {
			all = all[:copy(all, all[len(all)-trend.MostOpenings:])]
		}
		all = append(all, o)
	})
	return all, err
}

// readSince is since when a contact is read as it is now, in run time: by another
// kind, polarity or cadence it was another one.
func readSince(all []store.Configuration) pulse.Stamp {
	cadence := func(c *store.Configuration) []int64 {
		cfg, err := Reading(*c)
		if err != nil {
			return nil
		}
		return cfg.CadenceNS
	}
	last := &all[len(all)-1]
	for i := len(all) - 1; i > 0; i-- {
		if c := &all[i-1]; c.Kind != last.Kind || c.Polarity != last.Polarity || !slices.Equal(cadence(c), cadence(last)) {
			return all[i].At.Run
		}
	}
	return 0
}

// span is the time of before this start, so far back.
func (p *past) span(back pulse.Stamp) store.Span {
	return store.Span{Run: p.run, From: max(p.end-back, 1), To: max(p.end, 1)}
}

// rememberLobes is remember for what the lobes of a numbering did.
func (t *trends) rememberLobes(ctx context.Context, c *contact, p past, numbering int) bool {
	hours, err := t.store.LobeHours(ctx, p.span(rememberTime), c.name)
	if err != nil {
		return false
	}
	var windows []*pulse.Window
	for i := range hours {
		if h := &hours[i]; h.Numbering == int64(numbering) {
			windows = append(windows, lobeWindow(h, h.At.Run+p.shift))
		}
	}
	c.live.Trend.RememberLobes(windows, numbering)
	return true
}

func lobeWindow(h *store.LobeHour, at pulse.Stamp) *pulse.Window {
	w := &pulse.Window{From: at, At: at + pulse.Stamp(h.LengthNS/2), To: at + pulse.Stamp(h.LengthNS), KnownNS: h.LengthNS}
	mean := func(m store.LobeMean) pulse.WindowMean {
		return pulse.WindowMean{N: m.N, Mean: float64(m.Mean), SE: float64(m.SE)}
	}
	for _, l := range h.Figures {
		w.Lobes = append(w.Lobes, pulse.LobeWindow{Opening: mean(l.Opening), Break: mean(l.Break)})
	}
	return w
}
