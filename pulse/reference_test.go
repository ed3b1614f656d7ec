package pulse_test

// A second reader of edges, written from the definitions alone (edges, settling, dial pulses, interrupters, uncertainty,
// statement of conformity) and without a look at the package's code. It is slow and plain on purpose: each rule stands
// where it can be compared with its sentence. The tests in the other reference files run it against the Meter.

import (
	"math"
	"slices"
	"sort"

	"makebreak/pulse"
)

// refSignal is what the reader is given: edges and how to read them.
type refSignal struct {
	desc  []string // how the signal was made, for a failing test
	edges []pulse.Edge
	cfg   pulse.Config
	end   int64 // of a live capture
	loss  bool  // edges were lost or levels unknown
}

// refMark is what the settling filter leaves: an opening or closing whose time is known, or a stretch in which the time
// of whatever happened is not.
type refMark struct {
	kind        byte // 'o' opening, 'c' closing, 'u' unknown
	at          int64
	until, from int64 // of 'u': the state is known until and from these times
	bounceNS    int64
}

const refForever = int64(1) << 60

type refSettled struct {
	marks                                             []refMark
	lost, transitions, bounced, extra, chatter, edges int
	bounceNS, chatterNS                               []int64
	undecided                                         bool
}

// refPiece is the time between two edges.
type refPiece struct {
	from, to int64
	closed   bool
	sure     bool // no edge is missing in it and its level is known
	unread   bool // its level could not be read
}

func refSettle(s *refSignal) refSettled {
	cfg := s.cfg
	settle := cfg.SettleNS
	if settle == 0 {
		settle = 4e6
	}
	closed := func(l pulse.Level) bool { return (l == pulse.High) == (cfg.Polarity == pulse.ClosedHigh) }
	out := refSettled{edges: len(s.edges)}
	if len(s.edges) == 0 {
		return out
	}
	// The pieces. A first one lies before the first edge, in the opposite of its level.
	first := refPiece{from: -refForever, to: int64(s.edges[0].At), closed: !closed(s.edges[0].Level), sure: true}
	if cfg.Live {
		first.from = int64(cfg.Start)
		if cfg.StartLevel != pulse.Unknown {
			first.closed = closed(cfg.StartLevel)
		}
	}
	if n := int(s.edges[0].Lost); n > 0 {
		first.sure = false
		out.lost += n
	}
	pieces := []refPiece{first}
	for i, e := range s.edges {
		p := refPiece{from: int64(e.At), to: refForever, sure: true}
		if e.Level == pulse.Unknown {
			p.sure, p.unread = false, true
		} else {
			p.closed = closed(e.Level)
		}
		if i+1 < len(s.edges) {
			n := s.edges[i+1]
			p.to = int64(n.At)
			lost := int(n.Lost)
			if e.Level != pulse.Unknown && n.Level != pulse.Unknown {
				// With an even number lost the level after the next edge is the other one.
				same := e.Level == n.Level
				if same != (lost%2 == 1) {
					lost++
				}
			}
			if lost > 0 {
				p.sure = false
				out.lost += lost
			}
		} else if cfg.Live {
			p.to = s.end
		}
		pieces = append(pieces, p)
	}
	lasts := func(p refPiece) bool { return p.sure && p.to-p.from >= settle }
	asym := int64(0)
	if cfg.Setup != nil {
		asym = int64(cfg.Setup.AsymmetryNS)
	}
	last := -1 // the last piece that lasted
	for j, p := range pieces {
		if !lasts(p) {
			continue
		}
		if last < 0 {
			out.marks = append(out.marks, refMark{kind: 'u', until: -refForever, from: p.from})
			if j > 0 {
				out.transitions++
			}
			last = j
			continue
		}
		old := pieces[last]
		clean, whole := true, true
		for _, q := range pieces[last+1 : j] {
			clean = clean && q.sure
			if !q.sure && (q.unread || q.to-q.from >= settle) {
				whole = false
			}
		}
		changed := old.closed != p.closed
		switch {
		case clean && changed:
			at := old.to
			if cfg.Timing == pulse.TimingSettled {
				at = p.from
			}
			m := refMark{kind: 'c', at: at, bounceNS: p.from - old.to}
			if !p.closed {
				m.kind, m.at = 'o', at-asym
			}
			out.marks = append(out.marks, m)
			out.transitions++
			out.extra += j - last - 1
			if p.from > old.to {
				out.bounced++
			}
			out.bounceNS = append(out.bounceNS, p.from-old.to)
		case clean:
			out.chatter++
			out.chatterNS = append(out.chatterNS, p.from-old.to)
		case whole && !changed:
			// A burst with a loss inside, too short for any level to have lasted: the interval goes on.
		default:
			out.transitions++
			out.marks = append(out.marks, refMark{kind: 'u', until: old.to, from: p.from})
		}
		last = j
	}
	if last < 0 {
		out.undecided = cfg.Live
		return out
	}
	out.undecided = cfg.Live && last < len(pieces)-1
	out.marks = append(out.marks, refMark{kind: 'u', until: pieces[last].to, from: refForever})
	return out
}

// refValue is one measured value with its expanded uncertainty.
type refValue struct{ v, u float64 }

type refTrain struct {
	pulses             int
	digit              byte // 0: none
	startNS            int64
	rate, percent, gap float64 // NaN: none
	partial, stalled   bool
}

type refItem struct {
	quantity  string
	upper     bool
	limit     float64
	observed  float64
	u         float64
	n, out    int
	statement pulse.Statement
}

type refReading struct {
	settled refSettled

	digits                                       string
	pulses, shorts, flashes, disconnects, stalls int
	trains                                       []refTrain
	doubtfulMakes                                int
	cycles, missing, extra, slips, due           int
	overallRate, overallPercent                  float64
	values                                       map[string][]refValue // by name of the quantity
	judgedBounce                                 []refValue            // those that a bounce limit judges
	items                                        []refItem
	statement                                    pulse.Statement
	causes                                       []string
}

// The uncertainty of single values, propagated by hand (JCGM 100:2008, 5.1.2). o is an opening's time, c a closing's,
// a the coupler's asymmetry, s the scale of the clock.
type refBudget struct{ noise, asym, clock float64 }

func refBudgetOf(cfg pulse.Config) refBudget {
	if cfg.Setup == nil {
		// Uncalibrated: 20 us of noise, asymmetry within 0.1 ms (rectangular: over root 3), 50 ppm.
		return refBudget{20e3, 100e3 / math.Sqrt(3), 50e-6}
	}
	return refBudget{cfg.Setup.EdgeNoiseNS, cfg.Setup.AsymmetryUNS, cfg.Setup.ClockRel}
}

func refRoot(x ...float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum)
}

// length is B = c - o, a break, a make or a gap: each end has its noise, the asymmetry acts once.
func (b refBudget) length(ns float64) float64 {
	return 2 * refRoot(b.noise, b.noise, b.asym, b.clock*ns)
}

// same is the time between two edges of one sense, a period or a bounce: the asymmetry cancels.
func (b refBudget) same(ns float64) float64 { return 2 * refRoot(b.noise, b.noise, b.clock*ns) }

// percent is 100 * sum of k breaks / P. The cycle's own opening acts with (1 - b)/P, the next with b/P, the 2k - 1 edges
// between them with 1/P, the asymmetry with k/P; the clock cancels.
func (b refBudget) percent(breaks, period float64, k int) float64 {
	f := breaks / period
	return 200 / period * refRoot(b.noise*math.Sqrt(float64(2*k-1)+(1-f)*(1-f)+f*f), float64(k)*b.asym)
}

// ratio is r = B/M. dr/dc = 1/M + B/M^2, dr/do1 = -1/M, dr/do2 = -B/M^2, dr/da = 1/M + B/M^2.
func (b refBudget) ratio(brk, mk float64) float64 {
	both := 1/mk + brk/mk/mk
	return 2 * refRoot(b.noise*both, b.noise/mk, b.noise*brk/mk/mk, b.asym*both)
}

func (r *refReading) add(name string, v, u float64) {
	r.values[name] = append(r.values[name], refValue{v, u})
}

func (r *refReading) addLength(b refBudget, name string, ns int64) {
	r.add(name, float64(ns)/1e6, b.length(float64(ns))/1e6)
}

func refPick(v ...int64) int64 {
	for _, x := range v {
		if x != 0 {
			return x
		}
	}
	return 0
}

// refElement is a break or a make: known, or unknown with the time for which its state is known to have held.
type refElement struct {
	isBreak, known bool
	from, to       int64
	class          string
	bounceNS       [2]int64 // of its opening and closing, when known
}

func refRead(s *refSignal, v refVariant) *refReading {
	r := &refReading{settled: refSettle(s), values: map[string][]refValue{}, overallRate: math.NaN(), overallPercent: math.NaN()}
	b := refBudgetOf(s.cfg)
	for _, ns := range r.settled.bounceNS {
		r.add("bounce_ms", float64(ns)/1e6, b.same(float64(ns))/1e6)
	}
	if s.cfg.Kind == pulse.KindDial {
		r.dial(s)
	} else {
		r.interrupter(s, v)
	}
	r.judge(s)
	return r
}

// A refVariant chooses between honest readings where the definitions leave a choice. The Meter must agree with one of them
// throughout a signal.
type refVariant struct {
	// looseMakes: an interrupter's known make whose cycle has no known opening is in the make statistics: the make before
	// the first opening, and the one after a break of unknown start. The known break of a cycle that is not known whole
	// always is.
	looseMakes bool
	firstPlace int // cadence: the break that begins a cycle
}

func (r *refReading) dial(s *refSignal) {
	b := refBudgetOf(s.cfg)
	var prof pulse.Profile
	if s.cfg.Limits != nil {
		prof = *s.cfg.Limits
	}
	pulseMin := refPick(s.cfg.PulseMinNS, prof.PulseMinNS, 10e6)
	pulseMax := refPick(s.cfg.PulseMaxNS, prof.PulseMaxNS, 200e6)
	trainGap := refPick(s.cfg.TrainGapNS, prof.TrainGapNS, 150e6)
	flashMax := refPick(s.cfg.FlashMaxNS, prof.FlashMaxNS, 1500e6)

	var el []refElement
	marks := r.settled.marks
	for i := 0; i+1 < len(marks); i++ {
		a, z := marks[i], marks[i+1]
		e := refElement{known: a.kind != 'u' && z.kind != 'u', from: a.at, to: z.at, bounceNS: [2]int64{a.bounceNS, z.bounceNS}}
		if a.kind == 'u' {
			e.from = a.from
		}
		if z.kind == 'u' {
			e.to = z.until
		}
		switch {
		case a.kind == 'o' || z.kind == 'c':
			e.isBreak = true
		case a.kind == 'u' && z.kind == 'u':
			e.isBreak = true // either; nothing can be read from it
		}
		if e.known && e.isBreak {
			switch n := e.to - e.from; {
			case n < pulseMin:
				e.class = "short"
			case n <= pulseMax:
				e.class = "pulse"
			case n <= flashMax:
				e.class = "flash"
			default:
				e.class = "disconnect"
			}
		}
		el = append(el, e)
	}
	at := func(i int) refElement {
		if i < 0 || i >= len(el) {
			return refElement{}
		}
		return el[i]
	}
	closeMake := func(i int) bool { e := at(i); return e.known && !e.isBreak && e.to-e.from < trainGap }
	for i := range el {
		if el[i].class == "flash" && closeMake(i-1) && closeMake(i+1) && at(i-2).class == "pulse" && at(i+2).class == "pulse" {
			el[i].class = "stall"
			r.stalls++
		}
	}
	// A bounce limit of a dial is given for pulsing: it judges both transitions of a pulse, a stall and a short break, where
	// both are known. It does not judge those of a flash or a disconnect, which no published limit means, nor those of a
	// break whose start or end is unknown (the file begins with a closing or ends open, the capture ends undecided, the time
	// between is unknown): that break may be of any length.
	for _, e := range el {
		if e.class == "pulse" || e.class == "stall" {
			for _, ns := range e.bounceNS {
				r.judgedBounce = append(r.judgedBounce, refValue{float64(ns) / 1e6, b.same(float64(ns)) / 1e6})
			}
		}
	}
	// A make between the train gap and twice that, between two pulses, may be a gap or a stalled make.
	for i := range el {
		if e := el[i]; e.known && !e.isBreak && at(i-1).class == "pulse" && at(i+1).class == "pulse" && e.to-e.from >= trainGap && e.to-e.from <= 2*trainGap {
			r.doubtfulMakes++
		}
	}
	inTrain := func(i int) bool { c := at(i).class; return c == "pulse" || c == "stall" }
	sumBreak, sumPeriod, periods := 0.0, 0.0, 0
	gapFrom, gapKnown := int64(0), false
	for i := 0; i < len(el); i++ {
		e := el[i]
		switch e.class {
		case "short":
			r.shorts++
		case "flash":
			r.flashes++
			gapKnown = false
		case "disconnect":
			r.disconnects++
			gapKnown = false
		}
		if !e.known {
			gapKnown = false
		}
		if !inTrain(i) {
			continue
		}
		// A train begins: collect its breaks.
		run := []int{i}
		for inTrain(run[len(run)-1]+2) && closeMake(run[len(run)-1]+1) {
			run = append(run, run[len(run)-1]+2)
		}
		n := len(run)
		lastOne := run[n-1]
		t := refTrain{pulses: n, startNS: e.from, rate: math.NaN(), percent: math.NaN(), gap: math.NaN()}
		// Cut at the start: a make of unknown start that is not known to be a pause, or a short make after an unknown break.
		cut := func(mk, brk int) bool {
			m := at(mk)
			if !m.known {
				return m.to-m.from < trainGap
			}
			return !at(brk).known && m.to-m.from < trainGap
		}
		// A flash with short makes on both sides is a stall when a pulse stands at its other side too. Where the break there is
		// of unknown length, or the make before it is, that cannot be told, so neither can the digit: the flash is counted as
		// one and the train beside it is partial.
		mayStall := func(brk, step int) bool {
			return at(brk).class == "flash" && closeMake(brk-step) && cut(brk+step, brk+2*step)
		}
		if i > 0 && cut(i-1, i-2) || lastOne < len(el)-1 && cut(lastOne+1, lastOne+2) || mayStall(i-2, -1) || mayStall(lastOne+2, 1) {
			t.partial = true
		}
		if gapKnown {
			t.gap = float64(e.from-gapFrom) / 1e6
			r.addLength(b, "interdigit_ms", e.from-gapFrom)
		}
		tb, tp := 0.0, 0.0
		for k, x := range run {
			p := el[x]
			if p.class == "stall" {
				t.stalled = true
			} else {
				r.pulses++
			}
			// A break-time limit judges these; a short break is a defect, but no pulse.
			brk := p.to - p.from
			r.addLength(b, "break_ms", brk)
			// A period, and the make in it, ends at the next pulse of the train. A break whose end is unknown is not known to be
			// one, so the period before it is not measured.
			if k == n-1 {
				continue
			}
			mk := el[x+1].to - el[x+1].from
			per := float64(brk + mk)
			r.addLength(b, "make_ms", mk)
			r.add("period_ms", per/1e6, b.same(per)/1e6)
			r.add("rate_pps", 1e9/per, 1e9/per/per*b.same(per))
			r.add("break_percent", 100*float64(brk)/per, b.percent(float64(brk), per, 1))
			r.add("break_make_ratio", float64(brk)/float64(mk), b.ratio(float64(brk), float64(mk)))
			tb, tp = tb+float64(brk), tp+per
			periods++
		}
		if tp > 0 && n > 1 {
			t.rate = float64(n-1) * 1e9 / float64(el[lastOne].from-e.from)
			t.percent = 100 * tb / tp
		}
		sumBreak, sumPeriod = sumBreak+tb, sumPeriod+tp
		if !t.partial {
			t.digit = refDigit(s.cfg, prof, n)
			if t.stalled {
				t.digit = '?'
			}
			r.digits += string(t.digit)
		}
		r.trains = append(r.trains, t)
		gapFrom, gapKnown = el[lastOne].to, true
		i = lastOne
	}
	if periods > 0 {
		r.overallRate = float64(periods) * 1e9 / sumPeriod
		r.overallPercent = 100 * sumBreak / sumPeriod
	}
}

func refDigit(cfg pulse.Config, prof pulse.Profile, n int) byte {
	coding := prof.Coding
	if cfg.CodingSet {
		coding = cfg.Coding
	}
	switch {
	case n < 1 || n > 10:
		return '?'
	case coding == pulse.CodingNPlus1: // 0 is one pulse, 9 ten
		return byte('0' + n - 1)
	case coding == pulse.Coding10MinusN: // 0 is ten pulses, 9 one
		return byte('0' + 10 - n)
	case n == 10:
		return '0'
	}
	return byte('0' + n)
}

// refInterval is opening to opening.
type refInterval struct {
	place   int // of its opening in the cadence
	good    bool
	brk, mk int64
}

func (r *refReading) interrupter(s *refSignal, v refVariant) {
	b := refBudgetOf(s.cfg)
	marks := r.settled.marks
	type opening struct {
		at       int64
		brk      int64 // -1: unknown
		mk       int64 // of the same cycle, -1: unknown
		whole    bool  // the next opening follows with nothing unknown between
		lastMake int64 // the make before it, -1: unknown
	}
	var op []opening
	for i, m := range marks {
		if m.kind != 'o' {
			continue
		}
		o := opening{at: m.at, brk: -1, mk: -1, lastMake: -1}
		if marks[i+1].kind == 'c' {
			o.brk = marks[i+1].at - m.at
			if marks[i+2].kind == 'o' {
				o.mk = marks[i+2].at - marks[i+1].at
				o.whole = true
			}
		}
		if marks[i-1].kind == 'c' {
			o.lastMake = m.at - marks[i-1].at
		}
		op = append(op, o)
	}
	// The spacings that are expected, from each break's opening to the next, at the speed that is seen.
	cad := s.cfg.CadenceNS
	if cad == nil && s.cfg.Limits != nil {
		cad = s.cfg.Limits.CadenceNS
	}
	k := max(1, len(cad)/2)
	sp := make([]float64, k)
	for i := range sp {
		if cad != nil {
			sp[i] = float64(cad[2*i+1] + cad[(2*i+2)%len(cad)])
		}
	}
	addBreak := func(place int, ns int64) {
		r.addLength(b, "break_ms", ns)
		if len(cad) > 0 {
			r.addLength(b, refSegment(2*(place%k)+2), ns)
		}
	}
	addMakeAfter := func(place int, ns int64) { // the make that follows the break of a place
		r.addLength(b, "make_ms", ns)
		if len(cad) > 0 {
			r.addLength(b, refSegment((2*(place%k)+2)%len(cad)+1), ns)
		}
	}
	place := 0
	if k == 1 {
		// The first cycles of a signal are sound; their median is the spacing.
		var d []float64
		for i := 0; i+1 < len(op) && len(d) < 7; i++ {
			if op[i].whole {
				d = append(d, float64(op[i+1].at-op[i].at))
			}
		}
		sort.Float64s(d)
		if len(d) == 0 {
			// No cycle is whole, so nothing tells the spacing; breaks need none.
			for _, o := range op {
				if o.brk >= 0 {
					addBreak(0, o.brk)
				}
				if v.looseMakes && o.lastMake >= 0 {
					addMakeAfter(0, o.lastMake)
				}
			}
			return
		}
		sp[0] = d[len(d)/2]
	} else if len(op) < 2 {
		return
	} else {
		bestErr := math.Inf(1)
		for p := range k {
			e := 0.0
			for i := 0; i < min(2*k, len(op)-1); i++ {
				if op[i].whole {
					q := (p + i) % k
					e += math.Abs(float64(op[i].brk)-float64(cad[2*q+1])) + math.Abs(float64(op[i].mk)-float64(cad[(2*q+2)%len(cad)]))
				}
			}
			if e < bestErr {
				bestErr, place = e, p
			}
		}
	}
	// The limits allow an interval that keeps all that is said of it and of its break and make, if they say something of
	// the side on which it is off: its length, or both its parts.
	allows := func(ns float64, brk, mk int64) bool {
		if s.cfg.Limits == nil || k > 1 || brk <= 0 || mk <= 0 {
			return false
		}
		long := ns > sp[0]
		whole, breakSide, makeSide := false, false, false
		for _, l := range s.cfg.Limits.Limits {
			value, side := 0.0, false
			least, most := l.Min, l.Max
			switch name := string(l.Quantity); {
			case l.Quantity == pulse.RateIPM:
				value = 60e9 / ns
				side = long && least != nil || !long && most != nil
				whole = whole || side
			case l.Quantity == pulse.PeriodMS:
				value = ns / 1e6
				side = long && most != nil || !long && least != nil
				whole = whole || side
			case l.Quantity == pulse.BreakPercent:
				value = 100 * float64(brk) / ns
			case name == "break_ms" || name == "segment_ms" && l.Segment == 2:
				value = float64(brk) / 1e6
				side = long && most != nil || !long && least != nil
				breakSide = breakSide || side
			case name == "make_ms" || name == "segment_ms" && l.Segment == 1:
				value = float64(mk) / 1e6
				side = long && most != nil || !long && least != nil
				makeSide = makeSide || side
			default:
				continue
			}
			if least != nil && value < *least-1e-9 || most != nil && value > *most+1e-9 {
				return false
			}
		}
		return whole || breakSide && makeSide
	}
	// steps gives how many expected openings lie from an opening of a place to a time d after it, and whether one is due then.
	steps := func(p int, d float64) (n int, due bool) {
		sum, best := 0.0, math.Inf(1)
		for m := 1; m < 100000; m++ {
			its := sp[(p+m-1)%k]
			sum += its
			if off := math.Abs(d - sum); off < best {
				best, n, due = off, m, off <= its/4
			} else {
				break
			}
		}
		return n, due
	}
	if op[0].lastMake >= 0 && v.looseMakes {
		addMakeAfter(place+k-1, op[0].lastMake)
	}
	var iv []refInterval // every interval in turn; one that is not good parts cycles
	for i := 0; i+1 < len(op); i++ {
		d := float64(op[i+1].at - op[i].at)
		if !op[i].whole {
			n, _ := steps(place, d)
			r.due += n
			if op[i].brk >= 0 {
				addBreak(place, op[i].brk)
			}
			place = (place + n) % k
			if v.looseMakes && op[i+1].lastMake >= 0 {
				addMakeAfter(place+k-1, op[i+1].lastMake)
			}
			iv = append(iv, refInterval{})
			continue
		}
		if k == 1 && i+5 < len(op) {
			// Five in a row that agree within 5 % and not with the old spacing: the speed has changed.
			lo, hi, sum, known := math.Inf(1), 0.0, 0.0, true
			for j := i; j < i+5; j++ {
				x := float64(op[j+1].at - op[j].at)
				lo, hi, sum, known = min(lo, x), max(hi, x), sum+x, known && op[j].whole
			}
			if known && hi <= lo*1.05 && math.Abs(sum/5-sp[0]) > 0.05*sp[0] {
				sp[0] = sum / 5
			}
		}
		n, due := steps(place, d)
		one := refInterval{place: place, good: true, brk: op[i].brk, mk: op[i].mk}
		// Do the following ones keep the old phase, or this one's?
		keepOld, keepNew := 0, 0
		for j := i + 2; j < min(len(op), i+2+2*k+2); j++ {
			if _, ok := steps(place, float64(op[j].at-op[i].at)); ok {
				keepOld++
			}
			if _, ok := steps((place+1)%k, float64(op[j].at-op[i+1].at)); ok {
				keepNew++
			}
		}
		switch {
		// Where only the limits allow it, and all that follows keeps the old phase, it is extra all the same: that explains
		// the whole better.
		case due && n == 1 || !due && allows(d, op[i].brk, op[i].mk) && (d > sp[place] || keepOld <= keepNew):
			n = 1
			iv = append(iv, one)
		case due:
			r.missing += n - 1
			iv = append(iv, refInterval{})
		default:
			if keepOld >= keepNew {
				r.extra++
				r.due++
				iv = append(iv, refInterval{})
				i++ // the opening after the extra one ends the cycle
				place = (place + 1) % k
				continue
			}
			r.slips++
			n = 1
			if d <= 1.5*sp[place] {
				iv = append(iv, one)
			} else {
				n = int(math.Round(d / sp[place]))
				r.missing += n - 1
				iv = append(iv, refInterval{})
			}
		}
		r.due += n
		place = (place + n) % k
	}
	if tail := op[len(op)-1]; tail.brk >= 0 {
		addBreak(place, tail.brk)
	}
	for _, x := range iv {
		if !x.good {
			continue
		}
		addBreak(x.place, x.brk)
		addMakeAfter(x.place, x.mk)
	}
	// Whole cycles.
	sumBreak, sumPeriod := 0.0, 0.0
	for i := 0; i+k <= len(iv); i++ {
		c := iv[i : i+k]
		if c[0].place != v.firstPlace%k || slices.ContainsFunc(c, func(x refInterval) bool { return !x.good }) {
			continue
		}
		brk, per := 0.0, 0.0
		for _, x := range c {
			brk += float64(x.brk)
			per += float64(x.brk + x.mk)
		}
		r.cycles++
		r.add("period_ms", per/1e6, b.same(per)/1e6)
		r.add("rate_ipm", 60e9/per, 60e9/per/per*b.same(per))
		r.add("break_percent", 100*brk/per, b.percent(brk, per, k))
		if k == 1 {
			r.add("break_make_ratio", brk/(per-brk), b.ratio(brk, per-brk))
		}
		sumBreak, sumPeriod = sumBreak+brk, sumPeriod+per
	}
	if r.cycles > 0 {
		r.overallRate = 60e9 * float64(r.cycles) / sumPeriod
		r.overallPercent = 100 * sumBreak / sumPeriod
	}
}

func refSegment(n int) string {
	return pulse.Limit{Quantity: pulse.SegmentMS, Segment: n}.Name()
}

// refRank is the order of statements, the worst first.
var refRank = map[pulse.Statement]int{pulse.Fail: 0, pulse.ConditionalFail: 1, pulse.NotMeasured: 2, pulse.ConditionalPass: 3, pulse.Pass: 4}

func (r *refReading) judge(s *refSignal) {
	if s.cfg.Limits == nil {
		return
	}
	r.statement = pulse.Pass
	worst := func(st pulse.Statement) {
		if refRank[st] < refRank[r.statement] {
			r.statement = st
		}
	}
	for _, l := range s.cfg.Limits.Limits {
		name := string(l.Quantity)
		if l.Quantity == pulse.SegmentMS {
			name = refSegment(l.Segment)
		}
		for _, bound := range []*float64{l.Min, l.Max} {
			if bound == nil {
				continue
			}
			it := refItem{quantity: name, upper: bound == l.Max, limit: *bound, observed: math.NaN(), u: math.NaN(), statement: pulse.NotMeasured}
			worstExcess := math.Inf(-1)
			values := r.values[name]
			if l.Quantity == pulse.BounceMS && s.cfg.Kind == pulse.KindDial {
				values = r.judgedBounce
			}
			for _, x := range values {
				excess := x.v - *bound
				if !it.upper {
					excess = -excess
				}
				if math.Abs(excess) < 1e-12*math.Abs(*bound) {
					excess = 0
				}
				it.n++
				if excess > 0 {
					it.out++
				}
				if excess > worstExcess {
					worstExcess, it.observed, it.u = excess, x.v, x.u
				}
			}
			if it.n > 0 {
				switch {
				case worstExcess > it.u:
					it.statement = pulse.Fail
				case worstExcess > 0:
					it.statement = pulse.ConditionalFail
				case worstExcess > -it.u:
					it.statement = pulse.ConditionalPass
				default:
					it.statement = pulse.Pass
				}
			}
			worst(it.statement)
			r.items = append(r.items, it)
		}
	}
	judgesGap := slices.ContainsFunc(s.cfg.Limits.Limits, func(l pulse.Limit) bool { return l.Quantity == pulse.InterdigitMS })
	if r.doubtfulMakes > 0 && !judgesGap {
		worst(pulse.NotMeasured)
		r.causes = append(r.causes, "a make that may be a stalled one")
	}
	for _, c := range []struct {
		n    int
		what string
	}{{r.missing, "missing"}, {r.extra, "extra"}, {r.slips, "slipped"}, {r.stalls, "stalled"}} {
		if c.n > 0 {
			worst(pulse.Fail)
			r.causes = append(r.causes, c.what)
		}
	}
}
