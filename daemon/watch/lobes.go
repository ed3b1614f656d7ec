package watch

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"time"

	"makebreak/daemon/store"
	"makebreak/pulse"
)

const (
	// markEvery is how often a lobe is marked in the log. To number the lobes of
	// a stretch, edges are read from the mark before it.
	markEvery = pulse.Stamp(time.Hour)
	// signEvery is how often a mark has the signature of the lobes with it: only
	// wear changes it.
	signEvery = 24 * markEvery
	// carryMost is how far back edges are read at a start, to count on from the
	// last mark of a program that was killed.
	carryMost = 3 * markEvery
	// around is how long before an opening edges are read so that the Meter sees
	// it for certain, and after it so that the openings show its lobe.
	around = pulse.Stamp(2 * time.Minute)
	// onesEvery is how often notes that name lobe 1 are looked for: a person who
	// has written one looks at the page next.
	onesEvery = 10 * time.Second
)

// never is long before any opening.
const never = pulse.Stamp(math.MinInt64 / 2)

// ErrNoOpening says that a contact did not open near a time.
var ErrNoOpening = errors.New("the contact did not open near that time")

// ErrLobeUnknown says that the log has lobe numbers, but none for the opening at
// that time.
var ErrLobeUnknown = errors.New("which lobe opened then is not known from the log")

// lobeTracker keeps the numbers of a contact's lobes the same through all Meters
// and starts of the program, by marks in the log.
type lobeTracker struct {
	log     *store.Store // nil: numbers are those of the Meter
	contact string
	lobes   int // on the cam, 0 for none

	loaded     bool
	numberings int64              // how many the log has
	base       int64              // numbering that the Meter began with, 0 for none
	mark       *pulse.LobeMark    // latest opening of base; nil when its phase is lost
	known      []pulse.LobeFigure // latest signature
	knownOf    int64              // numbering of known
	ids        map[int]int64      // numbering in the log by numbering of the Meter

	stretch   int
	numbering int64 // of the latest row, 0 while not known
	latest    pulse.LobeMark
	marked    pulse.Stamp // time of the latest mark
	signed    pulse.Stamp // time of the latest signature
	unsaved   bool        // latest is not marked
	sessions  uint64      // of the log, at the latest mark
}

// load reads what the log knows of the lobes. If the log is not open yet, the
// next call tries again.
func (k *lobeTracker) load(cfg *pulse.Config) {
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
	tl, err := k.log.TimelineOf(ctx, 0, k.contact)
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
		if s.ID != last.At.Session || s.Boot != now.Boot { // after another boot the phase is not known
			continue
		}
		at, ok := k.carried(ctx, tl, last, *cfg)
		if ok {
			at.At += now.Start.Mono - now.Start.Run
			k.mark = &at
		}
	}
}

// carried gives the latest opening in the log whose lobe can be counted from a
// mark.
func (k *lobeTracker) carried(ctx context.Context, tl *store.Timeline, last store.LobeMark, cfg pulse.Config) (pulse.LobeMark, bool) {
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

// begin gives a new Meter what is known of the lobes.
func (k *lobeTracker) begin(cfg *pulse.Config) {
	lobes := cfg.Lobes
	if cfg.Kind != pulse.KindInterrupter {
		lobes = 0
	}
	if lobes != k.lobes {
		*k = lobeTracker{log: k.log, contact: k.contact, lobes: lobes}
	}
	if k.lobes == 0 {
		return
	}
	k.load(cfg)
	if k.numbering != 0 { // the Meter before has counted on
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

// ones are the lobes that notes say are number 1, by numbering.
type ones map[int64]int

// onesOf gives the ones of a cam with that many lobes.
func onesOf(all []store.LobeOne, lobes int) ones {
	o := ones{}
	for _, x := range all {
		if x.Lobes == lobes {
			o[x.Numbering] = x.Lobe
		}
	}
	return o
}

// lobeNotes is the task that reads notes that name lobe 1, for the pages.
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
			if all, err := n.store.LobeOnes(ctx, c.name); err == nil { // else the log is not open, and says so itself
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

// shown gives the lobe number of a row that pages show, and what it is based on;
// 0 while no number is known.
func (k *lobeTracker) shown(r *pulse.CycleRow, o ones) (lobe int, by string) {
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

// cycle takes a row of the Meter, and marks its lobe in the log when that is due.
func (k *lobeTracker) cycle(r *pulse.CycleRow, meter *pulse.Meter) {
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
	if n := k.log.Sessions(); n != k.sessions { // a new file has no marks
		k.sessions, k.marked, k.signed = n, never, never
	}
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

// save marks the latest opening; with sign also the signature, if it is known.
func (k *lobeTracker) save(meter *pulse.Meter, sign bool) {
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
func (k *lobeTracker) stop(meter *pulse.Meter) {
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

// signature is the latest signature that marks have of a numbering, nil without
// one.
func signature(marks []store.LobeMark, numbering int64, lobes int) []pulse.LobeFigure {
	for i := len(marks) - 1; i >= 0; i-- {
		m := &marks[i]
		if m.Signature == nil || m.Numbering != numbering || m.Lobes != lobes {
			continue
		}
		var known []pulse.LobeFigure
		if json.Unmarshal(m.Signature, &known) == nil && len(known) == lobes { // else another version wrote it
			return known
		}
	}
	return nil
}

// turned renumbers a signature: lobe one becomes number 1.
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

// rows reads a contact's edges in a span, gives the cycles to f and returns the
// signature of the lobes at the end; no other figures are kept. Stamps are run
// time.
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

// Lobes numbers a contact's lobes in a run, by the marks and notes in a log.
type Lobes struct {
	log     *store.Log
	contact string
	run     int64
	lobes   int
	marks   []store.LobeMark // with that many lobes
	ones    ones
}

// LobesOf reads the marks and notes on a contact's lobes in a run; lobes is how
// many the cam has, 0 for none.
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

// chosen is the numbering to use for a stretch. Of the numberings with marks in
// it that is one whose lobe 1 a note names, or else the one with the most marks;
// without such marks that of the latest mark before, or else of the first after
// the stretch. It is 0 without any mark.
func (l *Lobes) chosen(from, to pulse.Stamp) (numbering int64) {
	marks := map[int64]int{} // in the stretch
	for i := range l.marks {
		m := &l.marks[i]
		if m.At.Run < from || numbering == 0 {
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

// Numbering is the numbering that Number numbers a stretch by: within one, a number
// stays with its lobe. 0 is none.
func (l *Lobes) Numbering(from, to pulse.Stamp) int64 {
	if l.lobes == 0 || len(l.marks) == 0 {
		return 0
	}
	return l.chosen(from, to)
}

// Number completes the configuration of a Meter that reads a stretch of the log,
// with run time as stamps, with the marks by which it numbers the lobes: those
// in the stretch and its first opening, whose lobe is counted on from the mark
// before the stretch, or back from the one after its start.
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

// first finds the first opening of a stretch and its lobe in a numbering; nil
// when that is not known.
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

// firstIn is first, by the edges of a span and the marks in cfg.
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

// Near gives the opening nearest to a time, and its lobe, as a mark. In a log
// without marks it is lobe 1 of numbering 0. The error may be ErrNoOpening or
// ErrLobeUnknown.
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
