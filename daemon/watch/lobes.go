package watch

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"time"

	"makebreak/daemon/store"
	"makebreak/pulse"
)

const (
	// markEvery is how often a lobe is marked in the log: who asks for a stretch
	// reads the edges from the mark before it.
	markEvery = pulse.Stamp(time.Hour)
	// signEvery is how often a mark has the signature of the lobes with it: it
	// changes with wear alone.
	signEvery = 24 * markEvery
	// carryMost is how far back edges are read at a start, to carry the count on
	// from the last mark of a program that was not stopped in good order.
	carryMost = 3 * markEvery
	// around is how much before an opening edges are read so that it is told for
	// sure, and after it so that the openings tell its lobe.
	around = pulse.Stamp(2 * time.Minute)
	// onesEvery is how often notes that name lobe 1 are looked for: who writes
	// one looks at the page next.
	onesEvery = 10 * time.Second
)

// ErrNoOpening says that a contact did not open near a time.
var ErrNoOpening = errors.New("the contact did not open near that time")

// ErrLobeUnknown says that the log does not tell which lobe opened at a time,
// while it does for others.
var ErrLobeUnknown = errors.New("which lobe opened then is not known from the log")

// lobeKeeper carries the numbers of a contact's lobes on through the log.
type lobeKeeper struct {
	log     *store.Store // nil: nowhere
	contact string
	lobes   int // of the cam, 0: none

	loaded     bool
	numberings int64              // given out so far
	base       int64              // numbering that the Meter began with, 0 for none
	mark       *pulse.LobeMark    // latest opening of base; nil when its phase is lost
	known      []pulse.LobeFigure // latest signature
	knownOf    int64              // its numbering
	ids        map[int]int64      // numberings by the Meter's

	stretch   int
	numbering int64 // of the latest row, 0: not known
	latest    pulse.LobeMark
	marked    pulse.Stamp // when the latest mark was
	signed    pulse.Stamp // when the latest signature was
	unsaved   bool
}

// load reads what the log knows of the lobes. The log may not be open yet:
// then marks wait until it is.
func (k *lobeKeeper) load(cfg *pulse.Config) {
	if k.loaded || k.log == nil {
		return
	}
	ctx := context.Background()
	runs, err := k.log.Runs(ctx)
	if err != nil {
		return
	}
	var marks []store.LobeMark // of the latest run
	for _, r := range runs {
		if marks, err = k.log.LobeMarks(ctx, store.Span{Run: r.ID}, k.contact); err != nil {
			return
		}
		for i := range marks {
			k.numberings = max(k.numberings, marks[i].Numbering)
		}
	}
	tl, err := k.log.Timeline(ctx, 0)
	if err != nil {
		return
	}
	k.loaded = true
	if cfg == nil || len(marks) == 0 || marks[len(marks)-1].Lobes != k.lobes {
		return
	}
	last := marks[len(marks)-1]
	k.base = last.Numbering
	k.known, k.knownOf = signature(marks, k.base, k.lobes), k.base
	now := tl.Sessions[len(tl.Sessions)-1]
	for _, s := range tl.Sessions {
		if s.ID != last.At.Session || s.Boot != now.Boot { // in another boot, nobody knows how long it stood
			continue
		}
		at, ok := k.carried(ctx, tl, last, *cfg)
		if ok {
			at.At += now.Start.Mono - now.Start.Run
			k.mark = &at
		}
	}
}

// carried gives the latest opening in the log whose lobe is known from a mark.
func (k *lobeKeeper) carried(ctx context.Context, tl *store.Timeline, last store.LobeMark, cfg pulse.Config) (pulse.LobeMark, bool) {
	at := pulse.LobeMark{At: last.At.Run, Lobe: last.Lobe}
	if tl.End()-last.At.Run > carryMost {
		return at, false
	}
	cfg.LobeMarks, cfg.LobesKnown = []pulse.LobeMark{at}, k.known
	_, err := rows(ctx, k.log.Log, k.contact, store.Span{Run: tl.ID, From: at.At - around}, cfg, func(r *pulse.CycleRow) {
		if r.Numbering == 1 && r.At > at.At {
			at = pulse.LobeMark{At: r.At, Lobe: r.Lobe}
		}
	})
	return at, err == nil
}

// begin is for a new Meter: it tells it what is known of the lobes.
func (k *lobeKeeper) begin(cfg *pulse.Config) {
	lobes := cfg.Lobes
	if cfg.Kind != pulse.KindInterrupter {
		lobes = 0
	}
	if lobes != k.lobes {
		*k = lobeKeeper{log: k.log, contact: k.contact, lobes: lobes}
	}
	if k.lobes == 0 {
		return
	}
	k.load(cfg)
	if k.numbering != 0 { // the Meter before has carried it on
		k.base, k.mark = k.numbering, &pulse.LobeMark{At: k.latest.At, Lobe: k.latest.Lobe}
	}
	k.ids, k.stretch, k.numbering = map[int]int64{}, 0, 0
	if k.base == 0 {
		return
	}
	if k.knownOf == k.base {
		cfg.LobesKnown = k.known
	}
	if k.mark != nil {
		cfg.LobeMarks = []pulse.LobeMark{*k.mark}
	}
	if cfg.LobeMarks != nil || cfg.LobesKnown != nil {
		k.ids[1] = k.base
	}
}

// ones is the lobe that is number 1, by numbering, as notes say.
type ones map[int64]int

// onesOf gives them for a cam of that many lobes.
func onesOf(all []store.LobeOne, lobes int) ones {
	o := ones{}
	for _, x := range all {
		if x.Lobes == lobes {
			o[x.Numbering] = x.Lobe
		}
	}
	return o
}

// lobeNotes is the task that looks for notes that name lobe 1, for the pages.
type lobeNotes struct{ *watch }

func (n *lobeNotes) String() string { return "notes of lobes" }

func (n *lobeNotes) Run(ctx context.Context) error {
	t := time.NewTicker(onesEvery)
	defer t.Stop()
	for {
		for _, c := range n.all() {
			lobes := c.camLobes.Load()
			if lobes == 0 {
				continue
			}
			if all, err := n.store.LobeOnes(ctx, c.name); err == nil { // else the log is not open, which it tells itself
				o := onesOf(all, int(lobes))
				c.ones.Store(&o)
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
		}
	}
}

// shown gives a row the number that pages show, and what it goes by; 0 while
// no number is known.
func (k *lobeKeeper) shown(r *pulse.CycleRow, o ones) (lobe int, by string) {
	numbering := k.ids[r.Numbering]
	switch one := o[numbering]; {
	case k.log == nil:
		return r.Lobe, ""
	case r.Numbering == 0 || numbering == 0:
		return 0, ""
	case one > 0:
		return turn(r.Lobe, one, k.lobes), pulse.LobesByReference
	}
	return r.Lobe, pulse.LobesByLog
}

// cycle takes a row of the Meter.
func (k *lobeKeeper) cycle(r *pulse.CycleRow, meter *pulse.Meter) {
	if k.lobes == 0 || r.Lobe == 0 {
		return
	}
	if r.Stretch != k.stretch {
		k.stop(meter)
		k.stretch, k.numbering = r.Stretch, 0
	}
	if r.Numbering == 0 {
		return
	}
	if k.load(nil); !k.loaded {
		return
	}
	first := k.numbering == 0
	if first {
		if k.ids[r.Numbering] == 0 {
			k.numberings++
			k.ids[r.Numbering] = k.numberings
		}
		k.numbering = k.ids[r.Numbering]
	}
	k.latest, k.unsaved = pulse.LobeMark{At: r.At, Lobe: r.Lobe}, true
	if first || r.At-k.marked >= markEvery {
		k.save(meter, r.At-k.signed >= signEvery)
	}
}

// save marks the latest opening, with the signature when that is asked for and
// known.
func (k *lobeKeeper) save(meter *pulse.Meter, sign bool) {
	m := store.LobeMark{Contact: k.contact, At: store.Moment{Mono: k.latest.At}, Numbering: k.numbering, Lobes: k.lobes, Lobe: k.latest.Lobe}
	if sign {
		if f := meter.LobeFigures(); f != nil {
			m.Signature, k.known, k.knownOf, k.signed = encoded(f), f, k.numbering, k.latest.At
		}
	}
	k.log.MarkLobe(m)
	k.marked, k.unsaved = k.latest.At, false
}

// stop marks the latest opening, before the phase is lost.
func (k *lobeKeeper) stop(meter *pulse.Meter) {
	if k.lobes > 0 && k.numbering != 0 && k.unsaved {
		k.save(meter, true)
	}
}

func encoded(f []pulse.LobeFigure) json.RawMessage {
	b, err := json.Marshal(f)
	if err != nil {
		panic(err) // of plain numbers
	}
	return b
}

// signature is the latest that marks have of a numbering, nil without one.
func signature(marks []store.LobeMark, numbering int64, lobes int) []pulse.LobeFigure {
	for i := len(marks) - 1; i >= 0; i-- {
		m := &marks[i]
		if m.Signature == nil || m.Numbering != numbering || m.Lobes != lobes {
			continue
		}
		var known []pulse.LobeFigure
		if json.Unmarshal(m.Signature, &known) == nil && len(known) == lobes { // else it is of another program
			return known
		}
	}
	return nil
}

// turned gives a signature its numbers anew: lobe one becomes number 1.
func turned(known []pulse.LobeFigure, one int) []pulse.LobeFigure {
	if known == nil {
		return nil
	}
	out := make([]pulse.LobeFigure, len(known))
	for i, f := range known {
		f.Lobe = turn(i+1, one, len(known))
		out[f.Lobe-1] = f
	}
	return out
}

// turn is the number of a lobe when lobe one is number 1.
func turn(lobe, one, lobes int) int { return ((lobe-one)%lobes+lobes)%lobes + 1 }

// rows reads a contact's edges in a span without keeping any figure but the
// signature of the lobes at its end, which it returns, and gives the cycles to
// f. Stamps are run time.
func rows(ctx context.Context, log *store.Log, contact string, span store.Span, cfg pulse.Config, f func(*pulse.CycleRow)) ([]pulse.LobeFigure, error) {
	span.From = max(span.From, 0)
	replay, err := log.Replay(ctx, span, contact)
	if err != nil {
		return nil, err
	}
	defer replay.Close()
	cfg.Live, cfg.Start, cfg.StartLevel, cfg.Forget = true, replay.Span().From, replay.StartLevel(), true
	cfg.Observer = pulse.Observer{Cycle: f}
	var meter *pulse.Meter
	last := cfg.Start
	for buf := make([]pulse.Edge, readEdges); ; {
		n, err := replay.ReadEdges(ctx, buf)
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, err
		}
		if n == 0 {
			continue
		}
		if meter == nil {
			unknown := cfg.StartLevel > pulse.High
			if unknown || buf[0].At < cfg.Start {
				cfg.Start = buf[0].At
			}
			if meter, err = pulse.NewMeter(cfg); err != nil {
				return nil, err
			}
			if unknown {
				meter.Add([]pulse.Edge{{At: cfg.Start, Level: pulse.Unknown}})
			}
		}
		meter.Add(buf[:n])
		last = buf[n-1].At
	}
	if meter == nil {
		return nil, nil
	}
	meter.Finish(last)
	return meter.LobeFigures(), nil
}

// Lobes is what a log knows of the numbers of a contact's lobes in a run.
type Lobes struct {
	log     *store.Log
	contact string
	run     int64
	lobes   int
	marks   []store.LobeMark // with that many lobes
	ones    ones
}

// LobesOf reads what the log knows of the numbers of a contact's lobes in a
// run; lobes is how many the cam has, 0 for none.
func LobesOf(ctx context.Context, log *store.Log, contact string, run int64, lobes int) (*Lobes, error) {
	l := &Lobes{log: log, contact: contact, run: run, lobes: lobes}
	if lobes == 0 {
		return l, nil
	}
	marks, err := log.LobeMarks(ctx, store.Span{Run: run}, contact)
	if err != nil {
		return nil, err
	}
	for _, m := range marks {
		if m.Lobes == lobes {
			l.marks = append(l.marks, m)
		}
	}
	all, err := log.LobeOnes(ctx, contact)
	l.ones = onesOf(all, lobes)
	return l, err
}

// chosen is the numbering that a stretch is told in: of those with marks in it
// one whose lobe 1 a note names, then the one with the most marks; without any,
// that of the latest mark before it, else of the first after it; 0 for none.
func (l *Lobes) chosen(from, to pulse.Stamp) (numbering int64) {
	marks := map[int64]int{} // in the stretch
	for i := range l.marks {
		m := &l.marks[i]
		switch at := m.At.Run; {
		case at < from, numbering == 0:
			numbering = m.Numbering
		}
		if m.At.Run >= from && m.At.Run < to {
			marks[m.Numbering]++
		}
	}
	best := -1
	for n, in := range marks {
		if l.ones[n] > 0 {
			in += len(l.marks)
		}
		if in > best || in == best && n > numbering {
			best, numbering = in, n
		}
	}
	return numbering
}

// Number gives a Meter that reads a stretch of the log, with run time as
// stamps, the marks by which it numbers the lobes: those in the stretch, and
// its first opening, to which the count is carried from the mark before, or
// back from the one after.
func (l *Lobes) Number(ctx context.Context, from, to pulse.Stamp, cfg *pulse.Config) error {
	if l.lobes == 0 || len(l.marks) == 0 {
		return nil
	}
	numbering := l.chosen(from, to)
	first, err := l.first(ctx, numbering, from, to, *cfg)
	if err != nil {
		return err
	}
	one := l.ones[numbering]
	cfg.LobesBy = pulse.LobesByReference
	if one == 0 {
		one, cfg.LobesBy = 1, pulse.LobesByLog
	}
	add := func(at pulse.Stamp, lobe int) {
		cfg.LobeMarks = append(cfg.LobeMarks, pulse.LobeMark{At: at, Lobe: turn(lobe, one, l.lobes)})
	}
	if first != nil {
		add(first.At, first.Lobe)
	}
	for i := range l.marks {
		if m := &l.marks[i]; m.Numbering == numbering && m.At.Run >= from && m.At.Run < to && (first == nil || m.At.Run > first.At) {
			add(m.At.Run, m.Lobe)
		}
	}
	cfg.LobesKnown = turned(signature(l.marks, numbering, l.lobes), one)
	return nil
}

// first finds the first opening of a stretch, and its lobe as the marks of a
// numbering have it; nil when that is not known.
func (l *Lobes) first(ctx context.Context, numbering int64, from, to pulse.Stamp, cfg pulse.Config) (*pulse.LobeMark, error) {
	var before, after *store.LobeMark
	for i := range l.marks {
		if m := &l.marks[i]; m.Numbering == numbering {
			if m.At.Run <= from {
				before = m
			} else if after == nil {
				after = m
			}
		}
	}
	cfg.LobesKnown, cfg.LobesBy = signature(l.marks, numbering, l.lobes), ""
	mark := func(m *store.LobeMark) pulse.LobeMark { return pulse.LobeMark{At: m.At.Run, Lobe: m.Lobe} }
	if before != nil {
		cfg.LobeMarks = []pulse.LobeMark{mark(before)}
		first, err := l.firstIn(ctx, store.Span{Run: l.run, From: before.At.Run - around, To: from + around}, from, to, cfg)
		if first != nil || err != nil {
			return first, err
		}
	}
	span := store.Span{Run: l.run, From: from, To: from + around}
	if cfg.LobeMarks = nil; after != nil {
		cfg.LobeMarks = []pulse.LobeMark{mark(after)}
		span.To = after.At.Run + around
	}
	return l.firstIn(ctx, span, from, to, cfg)
}

func (l *Lobes) firstIn(ctx context.Context, span store.Span, from, to pulse.Stamp, cfg pulse.Config) (first *pulse.LobeMark, err error) {
	var row *pulse.CycleRow
	_, err = rows(ctx, l.log, l.contact, span, cfg, func(r *pulse.CycleRow) {
		if r.At < from || r.Lobe == 0 || first != nil {
			return
		}
		if row == nil && r.At < to {
			x := *r
			row = &x
		}
		if row != nil && r.Numbering == 1 && r.Stretch == row.Stretch {
			first = &pulse.LobeMark{At: row.At, Lobe: turn(r.Lobe, 1+r.Cycle-row.Cycle, l.lobes)}
		}
	})
	return first, err
}

// Near gives the opening nearest to a time and which lobe it is, as a mark. In
// a log without marks it is lobe 1, of numbering 0. The error may be
// ErrNoOpening or ErrLobeUnknown.
func (l *Lobes) Near(ctx context.Context, tl *store.Timeline, at pulse.Stamp, cfg pulse.Config) (m store.LobeMark, err error) {
	var near pulse.CycleRow
	var period int64
	any := false
	apart := func(r *pulse.CycleRow) pulse.Stamp { return max(r.At-at, at-r.At) }
	known, err := rows(ctx, l.log, l.contact, store.Span{Run: l.run, From: at - around, To: at + around}, cfg, func(r *pulse.CycleRow) {
		if r.Lobe > 0 && (!any || apart(r) < apart(&near)) {
			near, any = *r, true
		}
		if r.Whole {
			period = r.PeriodNS
		}
	})
	if err != nil {
		return m, err
	}
	if period == 0 || apart(&near) > pulse.Stamp(period) {
		return m, ErrNoOpening
	}
	m = store.LobeMark{Contact: l.contact, At: tl.At(near.At), Lobes: l.lobes, Lobe: 1}
	if len(l.marks) == 0 {
		if known != nil && near.Numbering == 1 {
			m.Signature = encoded(turned(known, near.Lobe))
		}
		return m, nil
	}
	numbering := l.chosen(near.At, near.At+1)
	first, err := l.first(ctx, numbering, near.At-1, near.At+around, cfg)
	if err != nil {
		return m, err
	}
	if first == nil || first.At != near.At {
		return m, ErrLobeUnknown
	}
	m.Numbering, m.Lobe = numbering, first.Lobe
	return m, nil
}
