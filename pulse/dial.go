package pulse

import (
	"fmt"
	"strconv"
)

// A trainRecord is a train as it is kept. Its periods and its gap lie in the
// reader's stores in the same order.
type trainRecord struct {
	start  Stamp
	pulses int32 // its stalls counted with them
	flags  uint8
}

const (
	trainPartial = 1 << iota
	trainGapBefore
	trainStalled

	trainFlags = iota // how many bits
)

// trainList is a list of trains, in some 5 bytes each.
type trainList struct {
	n     int
	last  Stamp
	steps durations // from start to start
	kinds durations // pulses, and below them the flags
}

func (l *trainList) add(r trainRecord) {
	l.steps.Add(int64(r.start - l.last))
	l.kinds.Add(int64(r.pulses)<<trainFlags | int64(r.flags))
	l.last = r.start
	l.n++
}

func (l *trainList) all(yield func(trainRecord) bool) {
	var at Stamp
	for i, step := range l.steps.All() {
		at += Stamp(step)
		kind := l.kinds.At(i)
		if !yield(trainRecord{at, int32(kind >> trainFlags), uint8(kind & (1<<trainFlags - 1))}) {
			return
		}
	}
}

// A dialReader reads transitions as dial pulses. It keeps the durations of
// breaks and periods, for exact percentiles.
type dialReader struct {
	n                                      *Counts // of the Meter
	pulseMin, pulseMax, trainGap, flashMax int64
	coding                                 Coding
	forget                                 bool
	digits                                 [10]string // "0" to "9": there may be millions of trains
	onPulse                                func(*PulseRow)
	onTrain                                func(*Train)
	first                                  Stamp // start of the recording

	// held are breaks of a flash's length that followed the open train within
	// the train gap. They are stalls if a pulse follows within it too, else
	// flashes.
	held []dialBreak
	// afterFlash: the last break was a flash, with a pause before it.
	afterFlash          bool
	flashesWithoutPause int
	// afterDisconnect: the last break was a disconnect, which ended a train after
	// a make shorter than the train gap. It stands inside a digit if a pulse
	// follows within the train gap.
	afterDisconnect   bool
	disconnect        dialBreak
	disconnectsInside int
	// The first of each, for the reasons of a verdict.
	firstStall, firstDisconnect, firstDoubtful extremeAt

	judgeBounce bool
	bounces     bounces // of each opening and closing of a pulse

	brk, per durations // break and period of each pulse that has a period
	tail     durations // break of the last pulse of each train
	gaps     durations // interdigit gaps
	trains   trainList

	longBreaks []LongBreak // the first maxLongBreaks

	xBreak, xMake, xPeriod, xPercent, xGap extremes

	open       bool // the contact is open
	openAt     Stamp
	openOK     bool // the open break began at openAt
	openBounce int64
	// closedAt is the closing of the last break that counts, or since when the
	// contact is known to be closed.
	closedAt Stamp
	closedOK bool
	// mayLackStart: a train that begins within the train gap of closedAt has
	// lost its start.
	mayLackStart  bool
	hadUnknown    bool
	firstLostHead bool // the first train lost its start to the start of the recording
	afterTrain    bool // closedAt is the last closing of a train
	inTrain       bool
	train         trainRecord // the open one
	trainBreaks   int64       // its breaks, without the last one
	trainPeriods  int64
	trainGapNS    int64
	row           PulseRow  // of its last break, whose period is not known yet
	here          extremeAt // the same
}

// A dialBreak is a whole break.
type dialBreak struct {
	at                          Stamp
	breakNS                     int64
	openBounceNS, closeBounceNS int64
}

// closed says since when the contact is closed.
func (d *dialReader) closed(at Stamp, mayLackStart, afterTrain bool) {
	d.closedAt, d.closedOK, d.mayLackStart, d.afterTrain = at, true, mayLackStart, afterTrain
}

func (d *dialReader) transition(at Stamp, closed bool, bounce int64) {
	if !closed {
		d.advance(at)
		d.openAt, d.openOK, d.open, d.openBounce = at, true, true, bounce
		return
	}
	d.open = false
	if !d.openOK { // a break whose start is not known
		d.closed(at, true, false)
		return
	}
	d.openOK = false
	b := dialBreak{d.openAt, int64(at - d.openAt), d.openBounce, bounce}
	mayLackStart := false
	switch {
	case b.breakNS < d.pulseMin:
		d.n.ShortBreaks++
		d.emit(ClassShort, b)
		return // the make goes on through a short break
	case b.breakNS <= d.pulseMax:
		d.pulse(b)
		d.closed(at, false, true)
		return
	case b.breakNS <= d.flashMax && d.inTrain: // and the make before it was short
		d.held = append(d.held, b)
	case b.breakNS <= d.flashMax:
		// Where a train may have begun unseen, this may be a stall in it.
		mayLackStart = d.closedOK && d.mayLackStart && int64(b.at-d.closedAt) < d.trainGap
		d.flash(b)
		d.afterFlash = true
	default:
		d.afterDisconnect, d.disconnect = d.inTrain, b // the make before it was short
		d.endTrain(false)
		d.afterFlash = false
		d.n.Disconnects++
		d.long(ClassDisconnect, b)
	}
	d.closed(at, mayLackStart, false)
}

// emit gives the row of a break outside a train.
func (d *dialReader) emit(c Class, b dialBreak) {
	if d.onPulse != nil {
		row := PulseRow{At: b.at, Class: c, BreakNS: b.breakNS}
		row.setBounce(b)
		d.onPulse(&row)
	}
}

func (r *PulseRow) setBounce(b dialBreak) {
	r.BounceNS, r.OpenBounceNS, r.CloseBounceNS = max(b.openBounceNS, b.closeBounceNS), b.openBounceNS, b.closeBounceNS
}

func (d *dialReader) flash(b dialBreak) {
	d.n.Flashes++
	d.long(ClassFlash, b)
}

// maxLongBreaks is more than a page tells, and bounds the memory.
const maxLongBreaks = 100

// long takes a flash or a disconnect. No train is open.
func (d *dialReader) long(c Class, b dialBreak) {
	if !d.forget && len(d.longBreaks) < maxLongBreaks {
		d.longBreaks = append(d.longBreaks, LongBreak{c, float64(b.at-d.first) / 1e9, ms(float64(b.breakNS)), int(d.n.Trains)})
	}
	d.emit(c, b)
}

// pulse takes a pulse, and the held breaks before it as stalls.
func (d *dialReader) pulse(b dialBreak) {
	if !d.inTrain { // advance has ended it if the make before this opening was long
		d.begin(b.at)
	}
	for _, stall := range d.held {
		d.train.flags |= trainStalled
		d.take(stall, ClassStall)
		if d.n.Stalls++; d.n.Stalls == 1 {
			d.firstStall = d.here
		}
	}
	d.held = d.held[:0]
	d.n.Pulses++
	d.take(b, ClassPulse)
}

// begin opens a train at its first pulse.
func (d *dialReader) begin(at Stamp) {
	number := int(d.n.Trains) + 1
	mk := int64(at - d.closedAt)
	d.inTrain = true
	d.train = trainRecord{start: at}
	d.trainBreaks, d.trainPeriods, d.trainGapNS = 0, 0, 0
	if d.afterFlash && mk < d.trainGap {
		d.flashesWithoutPause++
	}
	if d.afterDisconnect && d.closedOK && mk < d.trainGap {
		if d.disconnectsInside++; d.disconnectsInside == 1 {
			d.firstDisconnect = extremeAt{Value: Value{BreakNS: d.disconnect.breakNS}, at: d.disconnect.at, group: number}
		}
	}
	d.afterFlash, d.afterDisconnect = false, false
	switch {
	case d.closedOK && d.mayLackStart && mk < d.trainGap:
		d.train.flags = trainPartial
		d.firstLostHead = d.firstLostHead || !d.hadUnknown && d.n.Trains == 0
	case d.afterTrain:
		d.trainGapNS = mk
		if !d.forget {
			d.gaps.Add(mk)
		}
		d.train.flags = trainGapBefore
		gap := extremeAt{Value: Value{PeriodNS: mk}, at: at, group: number, item: 1}
		d.xGap.see(float64(mk), &gap)
		if mk <= 2*d.trainGap {
			if d.n.DoubtfulMakes++; d.n.DoubtfulMakes == 1 {
				d.firstDoubtful = gap
			}
		}
	}
	d.row = PulseRow{Train: number, GapNS: d.trainGapNS, Partial: d.train.flags&trainPartial != 0}
}

// take makes a break the train's latest, and so completes the one before.
func (d *dialReader) take(b dialBreak, c Class) {
	if d.train.pulses > 0 {
		d.period(int64(b.at - d.row.At))
	}
	d.train.pulses++
	r, h := &d.row, &d.here
	r.At, r.Class, r.Pulse, r.BreakNS = b.at, c, int(d.train.pulses), b.breakNS
	h.at, h.group, h.item, h.BreakNS, h.PeriodNS = b.at, r.Train, r.Pulse, b.breakNS, 0
	if d.onPulse != nil {
		r.setBounce(b)
	}
	d.xBreak.see(float64(b.breakNS), h)
	if d.judgeBounce {
		d.bounces.add(b.openBounceNS, b.at, Opening, h)
		d.bounces.add(b.closeBounceNS, b.at+Stamp(b.breakNS), Closing, h)
	}
}

// period completes the last break of the train: the next one has opened.
func (d *dialReader) period(t int64) {
	b := d.row.BreakNS
	d.trainBreaks += b
	d.trainPeriods += t
	if !d.forget {
		d.brk.Add(b)
		d.per.Add(t)
	}
	d.here.PeriodNS = t
	d.xPeriod.see(float64(t), &d.here)
	d.xMake.see(float64(t-b), &d.here)
	d.xPercent.see(percent(b, t), &d.here)
	if d.onPulse != nil {
		d.row.PeriodNS, d.row.MakeNS = t, t-b
		d.onPulse(&d.row)
		d.row.PeriodNS, d.row.MakeNS, d.row.GapNS = 0, 0, 0
	}
}

func (d *dialReader) endTrain(partial bool) {
	if !d.inTrain {
		return
	}
	d.inTrain = false
	d.n.Trains++
	if partial {
		d.train.flags |= trainPartial
	}
	if d.onPulse != nil {
		d.onPulse(&d.row)
	}
	if d.onTrain != nil {
		t := d.trainOf(d.train, d.trainBreaks, d.trainPeriods, d.trainGapNS)
		d.onTrain(&t)
	}
	if !d.forget {
		d.tail.Add(d.row.BreakNS)
		d.trains.add(d.train)
	}
	for _, b := range d.held { // no pulse came: they are no stalls
		if !partial {
			d.flashesWithoutPause++
		}
		d.flash(b)
	}
	d.held = d.held[:0]
}

// unknown says that nothing is known from the last edge until end.
func (d *dialReader) unknown(end Stamp, closed bool) {
	d.endTrain(true)
	d.hadUnknown, d.afterFlash, d.afterDisconnect = true, false, false
	d.open, d.openOK, d.closedOK, d.afterTrain = !closed, false, false, false
	if closed {
		d.closed(end, true, false)
	}
}

// advance ends a train whose last make has lasted the train gap.
func (d *dialReader) advance(now Stamp) {
	if d.inTrain && !d.open && int64(now-d.closedAt) >= d.trainGap {
		d.endTrain(false)
	}
}

// finish ends the reading. quiet is the time up to which a live capture saw no
// edge after the last that was read: a train whose last make was shorter than
// the train gap by then may go on.
func (d *dialReader) finish(live bool, quiet Stamp) (partial bool) {
	// A last break whose end is unknown belongs to the train only if it began
	// within the train gap; else transition has ended the train.
	cut := d.inTrain && (d.open || live && int64(quiet-d.closedAt) < d.trainGap)
	partial = d.open || cut
	d.endTrain(cut)
	return partial
}

// digit decodes a train. ok is false for a stalled one, and for a number of
// pulses that no digit has.
func (d *dialReader) digit(r trainRecord) (digit byte, ok bool) {
	digit, ok = d.coding.Digit(int(r.pulses))
	return digit, ok && r.flags&trainStalled == 0
}

// trainOf makes the train of r from the sums of its breaks and periods and its
// gap in ns, which counts only where r has one.
func (d *dialReader) trainOf(r trainRecord, breaks, periods, gap int64) Train {
	t := Train{Pulses: int(r.pulses), StartS: float64(r.start-d.first) / 1e9, Partial: r.flags&trainPartial != 0, Stalled: r.flags&trainStalled != 0}
	if digit, ok := d.digit(r); ok && !t.Partial {
		t.Digit = &d.digits[digit-'0']
	}
	if periods > 0 {
		t.RatePPS = Known(float64(t.Pulses-1) * 1e9 / float64(periods))
		t.BreakPercent = Known(percent(breaks, periods))
	}
	if r.flags&trainGapBefore != 0 {
		t.GapBeforeMS = Known(ms(float64(gap)))
	}
	return t
}

// wholeDigits decodes the whole trains; '?' stands for one that is no digit.
func (d *dialReader) wholeDigits() string {
	b := make([]byte, 0, d.trains.n)
	for r := range d.trains.all {
		if r.flags&trainPartial != 0 {
			continue
		}
		c, ok := d.digit(r)
		if !ok {
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
			var breaks, periods, gap int64
			if r.flags&trainGapBefore != 0 {
				gap = d.gaps.At(g)
				g++
			}
			for range r.pulses - 1 {
				breaks += d.brk.At(p)
				periods += d.per.At(p)
				p++
			}
			if !yield(d.trainOf(r, breaks, periods, gap)) {
				return
			}
		}
	}}
}

func (d *dialReader) result(later *tasks) *Dial {
	r := &Dial{
		Digits: d.wholeDigits(), Coding: d.coding.String(), Pulses: int(d.n.Pulses), ShortBreaks: int(d.n.ShortBreaks),
		Flashes: int(d.n.Flashes), FlashesWithoutPause: d.flashesWithoutPause, Disconnects: int(d.n.Disconnects),
		Stalls: int(d.n.Stalls), DisconnectsInside: d.disconnectsInside, LongBreaks: d.longBreaks, Trains: d.list(),
	}
	later.stat(&r.RatePPS.Stat, d.sample(RatePPS)) // the longest first
	later.stat(&r.BreakPercent.Stat, d.sample(BreakPercent))
	later.stat(&r.MakeMS, d.sample(MakeMS))
	later.stat(&r.BreakMS, d.sample(BreakMS))
	later.stat(&r.InterdigitMS, d.sample(InterdigitMS))
	*later = append(*later, func() {
		if b, t := d.brk.Sum(), d.per.Sum(); t > 0 {
			r.RatePPS.Overall = Known(float64(d.per.Len()) * 1e9 / float64(t))
			r.BreakPercent.Overall = Known(percent(b, t))
		}
	})
	return r
}

// sample gives the values that a limit on q is judged on. It is empty for a
// quantity that a dial does not have.
func (d *dialReader) sample(q Quantity) sample {
	if f := ofPeriod(KindDial, q); f != nil {
		x := d.xPercent
		switch q {
		case RatePPS:
			x = d.xPeriod.swapped()
		case PeriodMS:
			x = d.xPeriod
		case MakeMS:
			x = d.xMake
		}
		return pairs(&d.brk, &d.per, x, f)
	}
	switch q {
	case InterdigitMS:
		return joined(d.xGap, &d.gaps)
	case BreakMS:
		return joined(d.xBreak, &d.brk, &d.tail)
	case BounceMS: // of pulses only: a limit of a standard is one on pulsing
		return d.bounces.sample(d.first)
	}
	return sample{}
}

// because says in sentences what forbids a pass of the dial: breaks that
// stalled, and makes that may be a pause as well as a make that stalled. These
// leave it not measured where no interdigit limit judges them.
func (d *dialReader) because(hasInterdigitLimit bool) (stall, notMeasured []string) {
	seconds := func(x *extremeAt) float64 { return float64(x.at-d.first) / 1e9 }
	if n, x := d.n.Stalls, &d.firstStall; n > 0 {
		first := fmt.Sprintf("%s ms in train %d, pulse %d, at %.3f s", tenths(x.BreakNS), x.group, x.item, seconds(x))
		stall = append(stall, oneOrMore(int(n), "a break stalled inside a digit: ", "%d breaks stalled inside a digit, the first ")+first)
	}
	if n, x := d.disconnectsInside, &d.firstDisconnect; n > 0 {
		first := fmt.Sprintf("%s ms at %.3f s, before train %d", tenths(x.BreakNS), seconds(x), x.group)
		stall = append(stall, oneOrMore(n, "a break longer than a flash stands inside a digit: ", "%d breaks longer than a flash stand inside digits, the first ")+first)
	}
	if n, x := d.n.DoubtfulMakes, &d.firstDoubtful; n > 0 && !hasInterdigitLimit {
		text := fmt.Sprintf("the make of %s ms before train %d may be a pause between digits as well as a make that stalled, and no interdigit limit judges it", tenths(x.PeriodNS), x.group)
		if n > 1 {
			text = fmt.Sprintf("%d makes may be pauses between digits as well as makes that stalled, and no interdigit limit judges them: the first, before train %d, is %s ms", n, x.group, tenths(x.PeriodNS))
		}
		notMeasured = append(notMeasured, text)
	}
	return stall, notMeasured
}

// oneOrMore words a number of things: more has a %d.
func oneOrMore(n int, one, more string) string {
	if n == 1 {
		return one
	}
	return fmt.Sprintf(more, n)
}

// tenths writes ns in ms.
func tenths(ns int64) string { return strconv.FormatFloat(ms(float64(ns)), 'f', 1, 64) }
