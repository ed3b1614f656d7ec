package pulse

import (
	"fmt"
	"strconv"
)

// A spot is an extreme value with the pulse or cycle that it belongs to.
type spot struct {
	Value
	at          Stamp
	group, item int  // train and pulse, or cycle and lobe; 0 when there is none
	stretch     int  // of an interrupter, in which its lobes have their numbers
	side        Side // of a bounce
	ok          bool
}

// An extreme keeps the least and the greatest value seen.
type extreme struct{ lo, hi spot }

func (e *extreme) see(v float64, s spot) {
	s.V, s.ok = v, true
	if !e.lo.ok || v < e.lo.V {
		e.lo = s
	}
	if !e.hi.ok || v > e.hi.V {
		e.hi = s
	}
}

// within tells that v changes neither extreme, so that the caller need not
// describe it.
func (e *extreme) within(v float64) bool {
	return e.lo.ok && v >= e.lo.V && v <= e.hi.V
}

// each maps both extremes' values.
func (e extreme) each(f func(float64) float64) extreme {
	e.lo.V, e.hi.V = f(e.lo.V), f(e.hi.V)
	return e
}

// of is each for what follows from their breaks and periods.
func (e extreme) of(f func(breakNS, periodNS int64) float64) extreme {
	e.lo.V, e.hi.V = f(e.lo.BreakNS, e.lo.PeriodNS), f(e.hi.BreakNS, e.hi.PeriodNS)
	return e
}

// swap is for a value that falls as the one that was followed rises.
func (e extreme) swap() extreme { return extreme{e.hi, e.lo} }

func ms(ns float64) float64 { return ns / 1e6 }

// percent is 100·b/t; the integers divide last, so that round limits stay round.
func percent(b, t int64) float64 { return 100 * float64(b) / float64(t) }

func ratio(b, t int64) float64 { return float64(b) / float64(t-b) }

// pairs fills with a function of each break and its period.
func pairs(brk, per *durations, f func(b, t int64) float64) func(dst []float64, from int) {
	return func(dst []float64, from int) {
		var b, t [256]int64
		for len(dst) > 0 {
			n := min(len(dst), len(b))
			brk.Fill(b[:n], from)
			per.Fill(t[:n], from)
			for i := range n {
				dst[i] = f(b[i], t[i])
			}
			dst, from = dst[n:], from+n
		}
	}
}

type durationStore interface {
	Len() int
	FillFloat(dst []float64, from int, unitNS float64)
}

// joined fills with the milliseconds of several stores, one after the other.
func joined(stores ...durationStore) (n int, fill func(dst []float64, from int)) {
	for _, s := range stores {
		n += s.Len()
	}
	return n, func(dst []float64, from int) {
		for _, s := range stores {
			if from >= s.Len() {
				from -= s.Len()
				continue
			}
			k := min(len(dst), s.Len()-from)
			s.FillFloat(dst[:k], from, 1e6)
			dst, from = dst[k:], 0
			if len(dst) == 0 {
				return
			}
		}
	}
}

// trainRec is a train as it is kept: its periods and its gap lie in the
// reader's stores in the same order.
type trainRec struct {
	start  Stamp
	pulses int32
	flags  uint8
}

const (
	trainPartial = 1 << iota
	trainGapBefore
	trainStalled
)

// trainList is a list of trains, in some 5 bytes each.
type trainList struct {
	n     int
	last  Stamp
	steps durations // from start to start
	kinds durations // pulses, and below them the flags
}

const trainFlags = 3 // bits

func (l *trainList) add(r trainRec) {
	l.steps.Add(int64(r.start - l.last))
	l.kinds.Add(int64(r.pulses)<<trainFlags | int64(r.flags))
	l.last = r.start
	l.n++
}

func (l *trainList) all(yield func(trainRec) bool) {
	var at Stamp
	for i, step := range l.steps.All() {
		at += Stamp(step)
		kind := l.kinds.At(i)
		if !yield(trainRec{at, int32(kind >> trainFlags), uint8(kind & (1<<trainFlags - 1))}) {
			return
		}
	}
}

// dialReader reads transitions as dial pulses. It keeps durations of
// breaks and periods, for exact percentiles.
type dialReader struct {
	n                                      *Counts // of the Meter
	pulseMin, pulseMax, trainGap, flashMax int64
	coding                                 Coding
	forget                                 bool
	digitOf                                [10]string // there may be millions of trains
	onPulse                                func(*PulseRow)
	onTrain                                func(*Train)
	first                                  Stamp

	// held are breaks of a flash's length that followed the open train within
	// the train gap: stalls if a pulse follows as soon, else flashes.
	held []heldBreak
	// lone says that the last break was a flash of its own; bare counts those
	// that have a pause on one side only.
	lone bool
	bare int
	// severed says that a disconnect ended a train after a short make; cuts
	// counts those that a pulse followed as soon: they stand inside a digit.
	severed   bool
	severedBy heldBreak
	cuts      int
	firstCut  spot
	// Where the first of each is.
	firstStall, firstDoubtful spot

	judgeBounce bool      // bounce is kept
	bounce      unordered // of each pulse's opening and closing, if not 0
	clean       int       // openings and closings without
	xBounce     extreme   // of bounce

	brk, per durations // break and period of each pulse that has a period
	tail     durations // break of the last pulse of each train
	gaps     durations // interdigit gaps
	trains   trainList

	xBreak, xMake, xRate, xPercent, xGap extreme

	openAt     Stamp
	openOK     bool // the open break began at openAt
	open       bool
	openBounce int64
	ref        Stamp // closing of the last break that counts, or since when the contact is known to be closed
	refOK      bool
	cut        bool // a train that begins within the train gap of ref has lost its start
	hadUnknown bool
	startCut   bool // the first train lost its start to the start of the recording
	gapOK      bool // ref is the last closing of a train, with nothing between
	in         bool // a train is open
	cur        trainRec
	curBrk     int64 // breaks and periods of the open train, without its last break
	curPer     int64
	curGap     int64
	pend       PulseRow
}

// A heldBreak is one whose class the next break tells.
type heldBreak struct {
	at                          Stamp
	breakNS                     int64
	openBounceNS, closeBounceNS int64
}

func (d *dialReader) closedSince(at Stamp) { d.ref, d.refOK, d.cut, d.gapOK = at, true, true, false }

func (d *dialReader) transition(at Stamp, closed bool, bounce int64) {
	if !closed {
		d.advance(at)
		d.openAt, d.openOK, d.open, d.openBounce = at, true, true, bounce
		return
	}
	d.open = false
	if !d.openOK { // a break whose start is not known
		d.closedSince(at)
		return
	}
	d.openOK = false
	b := heldBreak{d.openAt, int64(at - d.openAt), d.openBounce, bounce}
	cut := false
	switch {
	case b.breakNS < d.pulseMin:
		d.n.ShortBreaks++
		d.row(ClassShort, b)
		return // the make goes on through a short break
	case b.breakNS <= d.pulseMax:
		d.pulse(b)
		d.ref, d.refOK, d.cut, d.gapOK = at, true, false, true
		return
	case b.breakNS <= d.flashMax && d.in: // and the make before it was short
		d.held = append(d.held, b)
	case b.breakNS <= d.flashMax:
		// Where a train may have begun unseen, this may be a stall in it.
		cut = d.refOK && d.cut && int64(b.at-d.ref) < d.trainGap
		d.flash(b)
		d.lone = true
	default:
		d.severed, d.severedBy = d.in, b // the make before it was short
		d.endTrain(false)
		d.lone = false
		d.n.Disconnects++
		d.row(ClassDisconnect, b)
	}
	d.ref, d.refOK, d.cut, d.gapOK = at, true, cut, false
}

func (d *dialReader) row(c Class, b heldBreak) {
	if d.onPulse != nil {
		d.onPulse(&PulseRow{At: b.at, Class: c, BreakNS: b.breakNS, BounceNS: max(b.openBounceNS, b.closeBounceNS),
			OpenBounceNS: b.openBounceNS, CloseBounceNS: b.closeBounceNS})
	}
}

func (d *dialReader) flash(b heldBreak) {
	d.n.Flashes++
	d.row(ClassFlash, b)
}

func (d *dialReader) pulse(b heldBreak) {
	if !d.in { // advance ended it if the make before this opening was long
		d.begin(b.at)
	}
	if len(d.held) > 0 {
		d.stall()
	}
	d.n.Pulses++
	d.take(b, ClassPulse)
}

// stall takes what is held into the train.
func (d *dialReader) stall() {
	d.cur.flags |= trainStalled
	for _, b := range d.held {
		d.take(b, ClassStall)
		if d.n.Stalls++; d.n.Stalls == 1 {
			d.firstStall = d.spot(0)
		}
	}
	d.held = d.held[:0]
}

// begin opens a train at its first pulse.
func (d *dialReader) begin(at Stamp) {
	d.in = true
	d.cur = trainRec{start: at}
	d.curBrk, d.curPer = 0, 0
	gap := int64(0)
	mk := int64(at - d.ref)
	if d.lone && mk < d.trainGap {
		d.bare++
	}
	d.lone = false
	if d.severed && d.refOK && mk < d.trainGap {
		if d.cuts++; d.cuts == 1 {
			d.firstCut = spot{Value: Value{BreakNS: d.severedBy.breakNS}, at: d.severedBy.at, group: int(d.n.Trains) + 1}
		}
	}
	d.severed = false
	switch {
	case d.refOK && d.cut && mk < d.trainGap:
		d.cur.flags = trainPartial
		d.startCut = d.startCut || !d.hadUnknown && d.n.Trains == 0
	case d.gapOK:
		gap = mk
		if !d.forget {
			d.gaps.Add(gap)
		}
		d.cur.flags = trainGapBefore
		where := spot{Value: Value{PeriodNS: gap}, at: at, group: int(d.n.Trains) + 1, item: 1}
		if v := float64(gap); !d.xGap.within(v) {
			d.xGap.see(v, where)
		}
		if gap <= 2*d.trainGap {
			if d.n.DoubtfulMakes++; d.n.DoubtfulMakes == 1 {
				d.firstDoubtful = where
			}
		}
	}
	d.curGap = gap
	d.pend = PulseRow{Train: int(d.n.Trains) + 1, GapNS: gap, Partial: d.cur.flags&trainPartial != 0}
}

// take makes a break the train's latest, and so completes the one before.
func (d *dialReader) take(b heldBreak, c Class) {
	if d.cur.pulses > 0 {
		d.period(int64(b.at - d.pend.At))
	}
	d.cur.pulses++
	p := &d.pend
	p.At, p.Class, p.Pulse, p.BreakNS = b.at, c, int(d.cur.pulses), b.breakNS
	if d.onPulse != nil {
		p.BounceNS, p.OpenBounceNS, p.CloseBounceNS = max(b.openBounceNS, b.closeBounceNS), b.openBounceNS, b.closeBounceNS
	}
	if v := float64(b.breakNS); !d.xBreak.within(v) {
		d.xBreak.see(v, d.spot(0))
	}
	if d.judgeBounce {
		d.seeBounce(b.at, b.openBounceNS, Opening)
		d.seeBounce(b.at+Stamp(b.breakNS), b.closeBounceNS, Closing)
	}
}

func (d *dialReader) seeBounce(at Stamp, ns int64, side Side) {
	if ns == 0 {
		d.clean++
		return
	}
	d.bounce.add(ns)
	if v := float64(ns); !d.xBounce.within(v) {
		s := d.spot(0)
		s.at, s.BreakNS, s.side = at, ns, side
		d.xBounce.see(v, s)
	}
}

// spot describes the pending pulse.
func (d *dialReader) spot(period int64) spot {
	return spot{Value: Value{BreakNS: d.pend.BreakNS, PeriodNS: period}, at: d.pend.At, group: d.pend.Train, item: d.pend.Pulse}
}

// period completes the pending pulse: the next one has opened.
func (d *dialReader) period(t int64) {
	b := d.pend.BreakNS
	d.curBrk += b
	d.curPer += t
	if !d.forget {
		d.brk.Add(b)
		d.per.Add(t)
	}
	if v := float64(t); !d.xRate.within(v) { // kept as a period: the longest is the slowest
		d.xRate.see(v, d.spot(t))
	}
	if v := float64(t - b); !d.xMake.within(v) {
		d.xMake.see(v, d.spot(t))
	}
	if v := percent(b, t); !d.xPercent.within(v) {
		d.xPercent.see(v, d.spot(t))
	}
	if d.onPulse != nil {
		d.pend.PeriodNS, d.pend.MakeNS = t, t-b
		d.onPulse(&d.pend)
		d.pend.PeriodNS, d.pend.MakeNS, d.pend.GapNS = 0, 0, 0
	}
}

func (d *dialReader) endTrain(partial bool) {
	if !d.in {
		return
	}
	d.in = false
	d.n.Trains++
	if partial {
		d.cur.flags |= trainPartial
	}
	if d.onPulse != nil {
		d.onPulse(&d.pend)
	}
	if d.onTrain != nil {
		gap := int64(-1)
		if d.cur.flags&trainGapBefore != 0 {
			gap = d.curGap
		}
		t := d.train(d.cur, d.curBrk, d.curPer, gap)
		d.onTrain(&t)
	}
	if !d.forget {
		d.tail.Add(d.pend.BreakNS)
		d.trains.add(d.cur)
	}
	for i := range d.held { // no stalls, then
		if !partial {
			d.bare++
		}
		d.flash(d.held[i])
	}
	d.held = d.held[:0]
}

// unknown says that nothing is known from the last edge until end.
func (d *dialReader) unknown(end Stamp, closed bool) {
	d.endTrain(true)
	d.hadUnknown, d.lone, d.severed = true, false, false
	d.open, d.openOK, d.refOK, d.gapOK = !closed, false, false, false
	if closed {
		d.closedSince(end)
	}
}

// advance ends a train whose last make has already lasted the train gap.
func (d *dialReader) advance(now Stamp) {
	if d.in && !d.open && int64(now-d.ref) >= d.trainGap {
		d.endTrain(false)
	}
}

// finish ends the reading. quiet is the time up to which a live capture saw no
// edge after the last that was read: a train whose last make was shorter than
// the train gap by then may go on.
func (d *dialReader) finish(live bool, quiet Stamp) (partial bool) {
	// A last break whose end is unknown belongs to the train only if it began
	// within the train gap; else transition has ended the train.
	cut := d.in && (d.open || live && int64(quiet-d.ref) < d.trainGap)
	partial = d.open || cut
	d.endTrain(cut)
	d.bounce.list.AddZeros(d.clean)
	return partial
}

// train makes the train of r from the sums of its breaks and periods and its
// gap in ns, -1 for none.
func (d *dialReader) train(r trainRec, breaks, periods, gap int64) Train {
	t := Train{Pulses: int(r.pulses), StartS: float64(r.start-d.first) / 1e9, Partial: r.flags&trainPartial != 0}
	t.Stalled = r.flags&trainStalled != 0
	if digit, ok := d.coding.Digit(t.Pulses); ok && !t.Partial && !t.Stalled {
		t.Digit = &d.digitOf[digit-'0']
	}
	if periods > 0 {
		t.RatePPS = Known(float64(t.Pulses-1) * 1e9 / float64(periods))
		t.BreakPercent = Known(percent(breaks, periods))
	}
	if gap >= 0 {
		t.GapBeforeMS = Known(float64(gap) / 1e6)
	}
	return t
}

// digits decodes the whole trains; '?' stands for a count that no digit has, or
// for a stalled train.
func (d *dialReader) digits() string {
	b := make([]byte, 0, d.trains.n)
	for r := range d.trains.all {
		if r.flags&trainPartial != 0 {
			continue
		}
		c, ok := d.coding.Digit(int(r.pulses))
		if !ok || r.flags&trainStalled != 0 {
			c = '?'
		}
		b = append(b, c)
	}
	return string(b)
}

func (d *dialReader) list() Trains {
	return Trains{d.trains.n, func(yield func(Train) bool) {
		p, g := 0, 0
		for r := range d.trains.all {
			gap := int64(-1)
			if r.flags&trainGapBefore != 0 {
				gap = d.gaps.At(g)
				g++
			}
			var breaks, periods int64
			for range r.pulses - 1 {
				breaks += d.brk.At(p)
				periods += d.per.At(p)
				p++
			}
			if !yield(d.train(r, breaks, periods, gap)) {
				return
			}
		}
	}}
}

func (d *dialReader) result() *Dial {
	stat := func(q Quantity) Stat {
		n, fill, _, _ := d.values(q)
		return statOf(n, fill)
	}
	r := &Dial{
		Digits: d.digits(), Coding: d.coding.String(), Pulses: int(d.n.Pulses), ShortBreaks: int(d.n.ShortBreaks),
		Flashes: int(d.n.Flashes), FlashesWithoutPause: d.bare, Disconnects: int(d.n.Disconnects), Stalls: int(d.n.Stalls), DisconnectsInside: d.cuts, Trains: d.list(),
		BreakMS: stat(BreakMS), MakeMS: stat(MakeMS), InterdigitMS: stat(InterdigitMS),
	}
	r.RatePPS.Stat, r.BreakPercent.Stat = stat(RatePPS), stat(BreakPercent)
	if b, t := d.brk.Sum(), d.per.Sum(); t > 0 {
		r.RatePPS.Overall = Known(float64(d.per.Len()) * 1e9 / float64(t))
		r.BreakPercent.Overall = Known(percent(b, t))
	}
	return r
}

// values gives the values that a limit on q is judged on, in q's unit, and
// the extremes with the uncertainty's arguments. ok is false for a quantity
// that a dial does not have.
func (d *dialReader) values(q Quantity) (n int, fill func(dst []float64, from int), x extreme, ok bool) {
	if f := ofPeriod(KindDial, q); f != nil {
		switch q {
		case RatePPS:
			x = d.xRate.swap()
		case PeriodMS:
			x = d.xRate
		case MakeMS:
			x = d.xMake
		default:
			x = d.xPercent
		}
		return d.per.Len(), pairs(&d.brk, &d.per, f), x.of(f), true
	}
	switch q {
	case InterdigitMS:
		n, fill = joined(&d.gaps)
		return n, fill, d.xGap.each(ms), true
	case BreakMS:
		n, fill = joined(&d.brk, &d.tail)
		return n, fill, d.xBreak.each(ms), true
	case BounceMS: // of pulses only: a standard's limit is one on pulsing
		n, fill = joined(&d.bounce)
		x = d.xBounce
		if d.clean > 0 {
			x.lo = spot{ok: true, at: d.first}
			if n == d.clean {
				x.hi = x.lo
			}
		}
		return n, fill, x.each(ms), true
	}
	return 0, nil, extreme{}, false
}

// because says in sentences what forbids a pass of the dial: breaks that
// stalled, and where no interdigit limit is there to judge them, makes that may
// be a pause as well as a make that stalled, for which it is not measured.
func (d *dialReader) because(hasInterdigitLimit bool) (stall, notMeasured []string) {
	if d.n.Stalls > 0 {
		s := &d.firstStall
		first := fmt.Sprintf("%s ms in train %d, pulse %d, at %.3f s", tenths(s.BreakNS), s.group, s.item, float64(s.at-d.first)/1e9)
		if d.n.Stalls == 1 {
			stall = append(stall, "a break stalled inside a digit: "+first)
		} else {
			stall = append(stall, fmt.Sprintf("%d breaks stalled inside a digit, the first %s", d.n.Stalls, first))
		}
	}
	if d.cuts > 0 {
		s := &d.firstCut
		first := fmt.Sprintf("%s ms at %.3f s, before train %d", tenths(s.BreakNS), float64(s.at-d.first)/1e9, s.group)
		if d.cuts == 1 {
			stall = append(stall, "a break longer than a flash stands inside a digit: "+first)
		} else {
			stall = append(stall, fmt.Sprintf("%d breaks longer than a flash stand inside digits, the first %s", d.cuts, first))
		}
	}
	if d.n.DoubtfulMakes > 0 && !hasInterdigitLimit {
		s := &d.firstDoubtful
		text := fmt.Sprintf("the make of %s ms before train %d may be a pause between digits as well as a make that stalled, and no interdigit limit judges it", tenths(s.PeriodNS), s.group)
		if d.n.DoubtfulMakes > 1 {
			text = fmt.Sprintf("%d makes may be pauses between digits as well as makes that stalled, and no interdigit limit judges them: the first, before train %d, is %s ms", d.n.DoubtfulMakes, s.group, tenths(s.PeriodNS))
		}
		notMeasured = append(notMeasured, text)
	}
	return stall, notMeasured
}

// tenths writes ns in ms.
func tenths(ns int64) string { return strconv.FormatFloat(ms(float64(ns)), 'f', 1, 64) }
