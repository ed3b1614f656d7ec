package pulse

import (
	"cmp"
	"math"
	"slices"
)

const (
	// windowPeriods is how many periods a window holds at least, where there are
	// neighbours to merge it with: the mean of fewer tells little of its own error.
	windowPeriods = 10
	// windowReachNS is how much time the windows that are merged for that may span:
	// a day, within which a room's warmth and its use come round once.
	windowReachNS = 24 * 3600e9
	// windowWaitNS is how long after its end a window waits for rows that begin in
	// it: a row comes once what follows it has decided it.
	windowWaitNS = 60e9
	// unknownKept is after how many unknown times a dial's windows are closed
	// without waiting for the next pulse: it bounds the memory.
	unknownKept = 256
)

// A Window is what a contact did in one length of time.
type Window struct {
	From, To Stamp // its ends
	// At is the mean time of its periods: a dial is used now and then.
	At           Stamp
	KnownNS      int64      // of it, how long the contact's state was known
	Rate         WindowMean // pps of a dial, IPM of an interrupter: periods / sum of periods
	BreakPercent WindowMean // 100 · sum of breaks / sum of periods
	BreakMS      WindowMean // of a cadence: the mean break of each cycle
	// Lobes are the errors of each lobe, index lobe − 1, about the median of the
	// lobes in this window; nil without lobes, and while their numbers are not known.
	Lobes []LobeWindow
	// LobeBreakMS is the break that the lobes' breaks are compared with here; unknown
	// in what a log keeps.
	LobeBreakMS Num
}

// A WindowMean is the mean of N values.
type WindowMean struct {
	N    int64
	Mean float64
	// SE is the standard error of Mean by the scatter within the window, 0 where it
	// is not known. It takes periods for independent: jitter of the openings alone
	// leaves a rate better known than that, a wandering speed worse.
	SE float64
	SD Num // standard deviation of single values; not known below two, and from some summaries
	// Least and Most are the extremes of single values; both 0 where they are not known.
	Least, Most float64
}

// extremes are those of single values.
func (m *WindowMean) extremes() (least, most float64, ok bool) {
	return m.Least, m.Most, m.Least != 0 || m.Most != 0
}

// shift moves all values by the same.
func (m *WindowMean) shift(by float64) {
	if m.N == 0 {
		return
	}
	m.Mean += by
	if _, _, ok := m.extremes(); ok {
		m.Least, m.Most = m.Least+by, m.Most+by
	}
}

// A LobeWindow is one lobe's mean errors in ms, late and long positive.
type LobeWindow struct{ Opening, Break WindowMean }

// Windows gathers the windows of a contact from the rows of a Meter, in constant
// memory and without an allocation but for each window.
//
// Windows have a fixed length and follow one another from the first opening on. A
// row counts where it begins. Of an interrupter that time is known that cycles
// cover in which nothing is unknown; of a dial all is, idle too, in which the
// level was. A window of which less than half is known is left out, and one without
// any period; so is the rest of less than half a window before a split or the end.
//
// A window with fewer than ten periods is merged with the next ones that have any,
// until ten are reached, or a day, or an unknown time or a split comes that it
// must not bridge: then it stays as it is, and counts by its number. Idle time may
// lie in between, so that a dial used once an hour has windows of hours.
type Windows struct {
	kind   Kind
	length Stamp
	lobes  int
	done   func(*Window)
	all    []*Window

	splits  []Stamp // not reached yet
	began   bool
	from    Stamp // of the window at hand
	covered int64 // of it by cycles
	unknown []knownSpan
	periods pairMoments
	breaks  ranged  // ns
	middle  float64 // sum of the middles of the periods, ns since from
	pending *Window // too few periods

	// The lobes' errors come a turn late. sig counts them from its first opening,
	// which was of lobe offset + 1; late and brk are by lobe.
	sig     lobeSignature
	offset  int
	stretch int
	late    []moments // ns, of the window at hand
	brk     []moments
	brkEnds []ends // ns
}

// A ranged has the moments of values and their extremes.
type ranged struct {
	moments
	ends
}

func (s *ranged) Add(x float64) {
	s.moments.Add(x)
	s.ends.add(x)
}

// ends are the extremes of positive values; both 0 before the first.
type ends struct{ least, most float64 }

func (e *ends) add(x float64) {
	if e.most == 0 || x < e.least {
		e.least = x
	}
	e.most = max(e.most, x)
}

// A knownSpan is a time from one Stamp to another.
type knownSpan struct{ from, to Stamp }

// NewWindows makes Windows of a length (0: DefaultWindowNS) for a contact of a
// kind; KindAuto takes rows of either. lobes is 0 without lobes. done is told each
// window when it is complete, in order of time, and may keep it; without done, All
// has them.
func NewWindows(kind Kind, lengthNS int64, lobes int, done func(*Window)) *Windows {
	w := &Windows{kind: kind, length: Stamp(cmp.Or(max(lengthNS, 0), DefaultWindowNS)), lobes: lobes, done: done}
	if lobes > 0 {
		w.sig.init(lobes)
		w.late, w.brk, w.brkEnds = make([]moments, lobes), make([]moments, lobes), make([]ends, lobes)
	}
	return w
}

// SplitAt ends the windows at the given times, before which and after which the
// contact is not the same. It comes before any row that begins after them.
func (w *Windows) SplitAt(at ...Stamp) {
	w.splits = append(w.splits, at...)
	slices.Sort(w.splits)
}

// All are the windows so far, where no done was given.
func (w *Windows) All() []*Window { return w.all }

// Observer is what the windows are made from.
func (w *Windows) Observer() (o Observer) {
	if w.kind != KindInterrupter {
		o.Pulse, o.Event = w.pulse, w.event
	}
	if w.kind != KindDial {
		o.Cycle = w.cycle
	}
	return o
}

func (w *Windows) event(e *Event) {
	if e.Kind != EventUnknown || w.kind == KindInterrupter || e.End <= e.At {
		return
	}
	if len(w.unknown) >= unknownKept {
		w.Advance(e.At)
		if n := len(w.unknown); n >= unknownKept { // all in the window at hand
			w.unknown[n-1].to = e.End
			return
		}
	}
	w.unknown = append(w.unknown, knownSpan{e.At, e.End})
}

func (w *Windows) pulse(r *PulseRow) {
	if !r.Counts() {
		return
	}
	w.kind = KindDial
	w.moveTo(r.At)
	w.breaks.Add(float64(r.BreakNS))
	if r.PeriodNS > 0 {
		w.period(r.At, r.PeriodNS, r.BreakNS)
	}
}

func (w *Windows) cycle(r *CycleRow) {
	if r.PeriodNS <= 0 { // it did not end
		return
	}
	w.kind = KindInterrupter
	w.moveTo(r.At)
	if r.Whole {
		w.period(r.At, r.PeriodNS, r.BreakNS)
		k := int64(1)
		if n := len(r.SegmentsNS); n > 2 {
			k = int64(n / 2)
		}
		w.breaks.Add(float64(r.BreakNS) / float64(k))
	}
	if w.lobes > 0 {
		w.lobe(r)
	}
	if r.Unknown {
		return
	}
	// What goes on beyond the window covers the next ones, which it leaves without
	// figures.
	from, to := r.At, r.At+Stamp(r.PeriodNS)
	if end := w.from + w.length; to > end {
		w.covered += int64(end - max(from, w.from))
		w.moveTo(to)
		from = w.from
	}
	w.covered += int64(to - max(from, w.from))
}

func (w *Windows) period(at Stamp, periodNS, breakNS int64) {
	w.periods.add(float64(periodNS), float64(breakNS))
	w.middle += float64(at-w.from) + float64(periodNS)/2
}

// lobe takes an opening, if its number is in the numbering in force.
func (w *Windows) lobe(r *CycleRow) {
	if w.sig.any && r.Stretch != w.stretch {
		w.endSignature()
	}
	if r.Numbering != 1 || r.Lobe < 1 || r.Lobe > w.lobes {
		return
	}
	if !w.sig.any {
		w.stretch, w.offset = r.Stretch, r.Lobe-1
	}
	o := opening{at: r.At}
	if !r.Faulty() {
		o.breakNS = r.BreakNS
		if o.breakNS > 0 {
			w.brkEnds[r.Lobe-1].add(float64(o.breakNS))
		}
	}
	w.sig.opening(r.Cycle, o)
}

// endSignature tells the errors of the last turn to the window at hand; the next
// opening may be of any lobe.
func (w *Windows) endSignature() {
	w.sig.end()
	w.takeErrors()
	clear(w.sig.seen)
	w.sig.any = false
}

// takeErrors takes what the signature has told since the last time.
func (w *Windows) takeErrors() {
	for j := range w.sig.late {
		lobe := (j + w.offset) % w.lobes
		w.late[lobe].Merge(w.sig.late[j])
		w.brk[lobe].Merge(w.sig.brk[j])
	}
	clear(w.sig.late)
	clear(w.sig.brk)
}

// moveTo makes the window at hand the one that at lies in.
func (w *Windows) moveTo(at Stamp) {
	if !w.began {
		w.began, w.from = true, at
		w.dropSplits(at)
	}
	for len(w.splits) > 0 && w.splits[0] <= at {
		split := w.splits[0]
		w.jump(split)
		if w.sig.any {
			w.endSignature()
		}
		w.close(split)
		w.emit()
		w.from = split
		w.dropSplits(split)
	}
	w.jump(at)
}

func (w *Windows) dropSplits(at Stamp) {
	for len(w.splits) > 0 && w.splits[0] <= at {
		w.splits = w.splits[1:]
	}
}

// jump closes the window at hand where at lies beyond it.
func (w *Windows) jump(at Stamp) {
	if at < w.from+w.length {
		return
	}
	w.close(w.from + w.length)
	w.from += (at - w.from) / w.length * w.length
}

// close ends the window at hand, and begins to gather anew.
func (w *Windows) close(to Stamp) {
	x := &Window{From: w.from, To: to, KnownNS: w.covered}
	apart := int64(0) // time since the pending window in which nothing is known
	if w.pending != nil {
		apart = int64(w.from - w.pending.To)
	}
	if w.kind == KindDial {
		x.KnownNS, apart = int64(to-w.from)-w.unknownIn(w.from, to), 0
		if w.pending != nil {
			apart = w.unknownIn(w.pending.To, w.from)
		}
		w.unknown = slices.DeleteFunc(w.unknown, func(u knownSpan) bool { return u.to <= to })
	}
	x.KnownNS = min(max(x.KnownNS, 0), int64(to-w.from))
	if p := &w.periods; p.n > 0 {
		x.At = w.from + Stamp(w.middle/p.n)
		x.Rate, x.BreakPercent = p.figures(w.kind)
		x.BreakMS = meanOf(&w.breaks.moments, 1e6)
		x.BreakMS.Least, x.BreakMS.Most = w.breaks.least/1e6, w.breaks.most/1e6
		x.Lobes, x.LobeBreakMS = w.lobeWindows()
	}
	w.covered, w.middle = 0, 0
	w.periods, w.breaks = pairMoments{}, ranged{}
	clear(w.late)
	clear(w.brk)
	clear(w.brkEnds)
	known := 2*x.KnownNS >= int64(to-w.from)
	short := 2*x.KnownNS < int64(w.length) // cut by a split or the end
	if w.pending != nil && (!known || apart > int64(w.length) || x.Rate.N > 0 && x.To-w.pending.From > windowReachNS) {
		w.emit()
	}
	switch {
	case !known || x.Rate.N == 0 || short && w.pending == nil:
		return
	case w.pending == nil:
		w.pending = x
	default:
		w.pending.Merge(x)
	}
	if w.pending.Rate.N >= windowPeriods {
		w.emit()
	}
}

// unknownIn is how much of a dial's time is not known.
func (w *Windows) unknownIn(from, to Stamp) (ns int64) {
	for _, u := range w.unknown {
		ns += max(int64(min(u.to, to)-max(u.from, from)), 0)
	}
	return ns
}

// emit tells the window that was held back for more periods.
func (w *Windows) emit() {
	x := w.pending
	w.pending = nil
	switch {
	case x == nil:
	case w.done != nil:
		w.done(x)
	default:
		w.all = append(w.all, x)
	}
}

// lobeWindows are the lobes' errors in the window at hand, and the break that theirs
// are about.
func (w *Windows) lobeWindows() (all []LobeWindow, breakMS Num) {
	if w.lobes == 0 {
		return nil, breakMS
	}
	w.takeErrors()
	all = make([]LobeWindow, w.lobes)
	any := false
	late, brk := make([]float64, 0, w.lobes), make([]float64, 0, w.lobes)
	for i := range all {
		l := &all[i]
		l.Opening, l.Break = meanOf(&w.late[i], 1e6), meanOf(&w.brk[i], 1e6)
		l.Break.Least, l.Break.Most = w.brkEnds[i].least/1e6, w.brkEnds[i].most/1e6
		if l.Opening.N > 0 {
			late, any = append(late, l.Opening.Mean), true
		}
		if l.Break.N > 0 {
			brk, any = append(brk, l.Break.Mean), true
		}
	}
	if !any {
		return nil, breakMS
	}
	lateMid, brkMid := median(late), median(brk)
	for i := range all {
		all[i].Opening.shift(-lateMid)
		all[i].Break.shift(-brkMid)
	}
	if len(brk) > 0 {
		breakMS = Known(brkMid)
	}
	return all, breakMS
}

// Advance says that every row that began long before now has come: windows that
// ended by then are told without waiting for the next row.
func (w *Windows) Advance(now Stamp) {
	wait := Stamp(windowWaitNS)
	if p := w.periods; p.n > 0 {
		wait = max(wait, Stamp(windowPeriods*p.meanX()))
	}
	if !w.began || now-wait < w.from+w.length {
		return
	}
	w.moveTo(now - wait)
}

// Finish tells the last windows: the contact was followed until end.
func (w *Windows) Finish(end Stamp) {
	if w.began {
		w.moveTo(max(end, w.from))
		if w.lobes > 0 && w.sig.any {
			w.endSignature()
		}
		if end > w.from {
			w.close(end)
		}
	}
	w.emit()
}

// Merge adds the neighbouring window o, with weights by number: as if both had been
// one, but that the lobes' errors keep the median of their own window.
func (w *Window) Merge(o *Window) {
	sum := float64(w.Rate.N + o.Rate.N)
	if o.Rate.N > 0 {
		w.At += Stamp(float64(o.At-w.At) * float64(o.Rate.N) / sum)
	}
	// Both hold the time that their periods take, in some unit.
	mine, their := weightOf(&w.Rate), weightOf(&o.Rate)
	w.BreakPercent.merge(&o.BreakPercent, mine, their)
	w.Rate.merge(&o.Rate, mine, their)
	w.BreakMS.merge(&o.BreakMS, float64(w.BreakMS.N), float64(o.BreakMS.N))
	switch {
	case o.Lobes == nil:
	case w.Lobes == nil:
		w.Lobes, w.LobeBreakMS = slices.Clone(o.Lobes), o.LobeBreakMS
	default:
		if mine, their := breaksIn(w.Lobes), breaksIn(o.Lobes); w.LobeBreakMS.OK && o.LobeBreakMS.OK && mine+their > 0 {
			w.LobeBreakMS.V += (o.LobeBreakMS.V - w.LobeBreakMS.V) * their / (mine + their)
		} else if mine == 0 {
			w.LobeBreakMS = o.LobeBreakMS
		} else if their > 0 {
			w.LobeBreakMS = Num{}
		}
		lobes := slices.Clone(w.Lobes)
		for i := range min(len(lobes), len(o.Lobes)) {
			a, b := &lobes[i], &o.Lobes[i]
			a.Opening.merge(&b.Opening, float64(a.Opening.N), float64(b.Opening.N))
			a.Break.merge(&b.Break, float64(a.Break.N), float64(b.Break.N))
		}
		w.Lobes = lobes
	}
	w.From, w.To = min(w.From, o.From), max(w.To, o.To)
	w.KnownNS += o.KnownNS
}

func breaksIn(lobes []LobeWindow) (n float64) {
	for i := range lobes {
		n += float64(lobes[i].Break.N)
	}
	return n
}

// weightOf is proportional to the time that the periods of a rate take.
func weightOf(rate *WindowMean) float64 {
	if rate.N == 0 || !(rate.Mean > 0) {
		return 0
	}
	return float64(rate.N) / rate.Mean
}

// merge adds the values of o. The means count by weights, their scatter by number.
func (m *WindowMean) merge(o *WindowMean, mine, their float64) {
	switch {
	case o.N == 0:
		return
	case m.N == 0:
		*m = *o
		return
	}
	if least, most, ok := o.extremes(); !ok {
		m.Least, m.Most = 0, 0
	} else if _, _, ok := m.extremes(); ok {
		m.Least, m.Most = min(m.Least, least), max(m.Most, most)
	}
	d, n := o.Mean-m.Mean, float64(m.N+o.N)
	if m.SD.OK || o.SD.OK { // one that is not known is taken to be as the other
		a, b := m.SD, o.SD
		if !a.OK {
			a = b
		}
		if !b.OK {
			b = a
		}
		within := max(float64(m.N-1), 0)*a.V*a.V + max(float64(o.N-1), 0)*b.V*b.V
		m.SD = Known(math.Sqrt((within + d*d*float64(m.N)*float64(o.N)/n) / (n - 1)))
		m.SE = m.SD.V / math.Sqrt(n)
	}
	if mine+their > 0 {
		m.Mean += d * their / (mine + their)
	}
	m.N += o.N
}

// meanOf gives the mean of values in ns in a unit of so many ns.
func meanOf(m *moments, unitNS float64) (w WindowMean) {
	mean, ok := m.Mean()
	if !ok {
		return w
	}
	w.N, w.Mean = int64(m.N()), mean/unitNS
	if sd, ok := m.SD(); ok {
		se, _ := m.SE()
		w.SD, w.SE = Known(sd/unitNS), se/unitNS
	}
	return w
}

// pairMoments accumulates pairs of values, as moments does single ones.
type pairMoments struct {
	n, x0, y0     float64 // number, first pair
	mx, my        float64 // means less the first
	sxx, sxy, syy float64
	xs, parts     ends // of x and of y/x
}

func (p *pairMoments) add(x, y float64) {
	if p.n == 0 {
		p.x0, p.y0 = x, y
	}
	p.n++
	x, y = x-p.x0, y-p.y0
	dx, dy := x-p.mx, y-p.my
	p.mx += dx / p.n
	p.my += dy / p.n
	p.sxx += dx * (x - p.mx)
	p.sxy += dx * (y - p.my)
	p.syy += dy * (y - p.my)
	p.xs.add(p.x0 + x)
	p.parts.add((p.y0 + y) / (p.x0 + x))
}

func (p *pairMoments) meanX() float64 { return p.x0 + p.mx }
func (p *pairMoments) meanY() float64 { return p.y0 + p.my }

// figures are the rate and the percent break of periods x and their breaks y in ns.
// Their scatter is that of ratios, to first order (the delta method: W. G. Cochran,
// Sampling Techniques, 3rd ed., 1977, §6.4).
func (p *pairMoments) figures(kind Kind) (rate, percent WindowMean) {
	per := 1e9 // periods per second
	if kind == KindInterrupter {
		per = 60e9
	}
	x, y, n := p.meanX(), p.meanY(), int64(p.n)
	f := y / x
	rate, percent = WindowMean{N: n, Mean: per / x}, WindowMean{N: n, Mean: 100 * f}
	rate.Least, rate.Most = per/p.xs.most, per/p.xs.least
	percent.Least, percent.Most = 100*p.parts.least, 100*p.parts.most
	if n > 1 {
		sd := per / x * math.Sqrt(p.sxx/(p.n-1)) / x
		rate.SD, rate.SE = Known(sd), sd/math.Sqrt(p.n)
		sd = 100 / x * math.Sqrt(max(p.syy-2*f*p.sxy+f*f*p.sxx, 0)/(p.n-1))
		percent.SD, percent.SE = Known(sd), sd/math.Sqrt(p.n)
	}
	return rate, percent
}
