package pulse

import "math"

// The follower reads openings as the cheapest path through them. On the path
// each opening is due or extra. Between two that are due, some may be missing,
// the phase may have slipped or the speed may have changed. Costs are rough
// negative logarithms of probabilities, so that only their ratios matter.
const (
	// costExtra is the cost of an opening that is not due.
	costExtra = 6
	// costMissing is the cost of a due opening that did not come. All those of
	// one outage cost costOutage at most.
	costMissing = 4
	costOutage  = 30
	// costSlip is the cost of another phase. It is more than that of one opening
	// out of step (one extra, one missing) and less than that of two: when the
	// second opening keeps to a new phase, the phase has slipped.
	costSlip = 12
	// costSpeed is the cost of another speed. It is no more than that of a slip,
	// though it decides more, because it needs intervals that agree.
	costSpeed = 12
	// costAnew is the cost of finding the phase anew after an unknown time over
	// which the known speed could carry it, costLost where it could not.
	costAnew = 8
	costLost = 1
	// costLead is the cost of a first opening that is not due, where there are
	// such openings. Elsewhere the first opening is due.
	costLead = 8
	// costStep is the further cost of a due opening whose time becomes the phase.
	// Otherwise its distance from the phase is jitter, and the phase hardly moves.
	// Without this cost spurious openings would lead the phase astray.
	costStep = 4
	// costOff bounds the cost of an opening's distance from its due time, so that
	// it is due within the tolerance; costAllowed bounds it where the limits
	// allow the interval.
	costOff     = 5
	costAllowed = 3
	// costBreak bounds the cost of a break of unusual length, which tells a
	// spurious opening from the due one beside it.
	costBreak = 2
	// phaseSigma is the standard deviation of spacings that costs next to nothing,
	// as a fraction of the spacing. Contacts in poor weather reach it.
	phaseSigma = 0.05
	// speedRun intervals in a row that agree with one another within speedAgree,
	// and not with the old spacing, are another speed.
	speedRun   = 5
	speedAgree = 0.05
	// So are looseRun of them that agree within looseAgree, as those of a worn cam
	// or a jittery contact do, and whose mean differs from the old spacing by
	// half as much. Shorter ones must be twice as many, since spurious openings
	// make short intervals.
	looseRun   = 2 * speedRun
	looseAgree = 0.25
	// speedWait is for how many openings the start of such a run is kept.
	speedWait = 3 * looseRun
	// gapDrift is how much a motor's speed may wander over an unknown time.
	gapDrift = 0.005
	// gapJump is how far beyond that, in spacings, an opening after the unknown
	// time may be for the phase to be the same: contacts wander so much. In less
	// than gapShort spacings a motor cannot fall out of step.
	gapJump  = 0.05
	gapShort = 0.5
	// lobeSure is the part of what a phase may be off after an unknown time
	// within which an opening is taken for the lobe that it would be. Figures of
	// two lobes in one would mislead.
	lobeSure = 0.2
	// standstillCycles is after how many cycles without an opening all before is
	// decided, and what falls due counts as missing at once. Until then the next
	// opening tells more.
	standstillCycles = 3
	// phaseWeight and speedWeight are the least weights of a new opening in the
	// followed phase and speed. They average jitter and lobes, are fast enough
	// for a motor that warms up, and make a critically damped loop
	// (phaseWeight² = 4 speedWeight). An opening that is off by more than offLess
	// times phaseSigma weighs less, lest spurious openings lead them astray.
	phaseWeight = 0.2
	speedWeight = 0.01
	offLess     = 2
	// noiseWeight is the weight of a new opening in the noise. Openings at random,
	// up to a quarter of a spacing off, have a mean square of 8; those with a
	// standard deviation of phaseSigma have 1. Above noiseMost the phase is not
	// sure.
	noiseWeight = 0.1
	noiseMost   = 5
	// pendingMost bounds how many openings wait for a decision.
	pendingMost = 64
)

// An opening is one interruption: when it opened, how long its break lasted.
type opening struct {
	at       Stamp
	breakNS  int64 // 0 when its end is not known
	bounceNS int64
	makeNS   int64 // the make after its break, 0 when it is not known
	// beforeNS is the make before it where the break before that make did not
	// begin with a known opening. Elsewhere it is 0, for that opening has it.
	beforeNS int64
	position int // in the pattern, once it is known to be due
	// unknownBefore: nothing is known from unknownFrom to unknownTo, which lies
	// between the opening before and this one.
	unknownBefore          bool
	unknownFrom, unknownTo Stamp
}

// A step is what the follower decides of one opening.
type step struct {
	o        *opening
	extra    bool // it is not due; nothing else is said of it
	position int  // in the pattern
	// due counts the openings that were due since the last due one, this one
	// included. missing counts those of them that did not come while everything
	// was known.
	due, missing int
	first        bool    // it is the first due opening of all
	unknown      bool    // a time between the last due opening and this one is unknown
	slip         bool    // its phase is another than that of the last due one
	anew         bool    // its phase was found anew after an unknown time
	unsure       bool    // its phase was carried over one, but its lobe is not sure
	stepped      bool    // it is due, but so far off that the phase begins anew at it
	noisy        bool    // the last openings were so far off that their number is not sure
	speed        float64 // ratio of the spacings from the last opening on to those before, 0 where the speed stays
}

// A stepTaker takes the follower's decisions in order of time.
type stepTaker interface{ take(*step) }

type linkKind uint8

const (
	linkNone linkKind = iota
	linkStart
	linkDue
	linkSlip
	linkAnew
	linkSpeed
)

// A node is the end of the cheapest path on which one opening is due at one
// position of the pattern.
type node struct {
	cost        float64 // beyond that of the cheapest path; later openings count as extra
	overdueCost float64 // of what fell due up to the last of them, as missing
	scale       float64 // ratio of the spacings to those of the pattern
	cycles      float64 // number of cycles that the speed rests on
	phaseAhead  float64 // how much later than the opening the phase is
	phases      float64 // number of openings that the phase rests on
	noise       float64 // mean square of how far the last openings were off, in phaseSigma
	at          int64   // number of its opening
	t           Stamp   // when that opened
	breakNS     int64   // and how long it stayed open
	from        int64   // number of the due opening before
	fromSlot    int
	slot        int // 2·position, and 1 more where the phase begins at the opening
	position    int
	due         int
	missing     int
	ratio       float64 // of linkSpeed, new spacing to old
	kind        linkKind
	unknown     bool // a time between from and at is unknown
	unsure      bool
	// Since the opening: the unknown time, and the least and greatest ratio of an
	// interval to that of the pattern, if each opening is the next due one.
	unknownSince           bool
	unknownFrom, unknownTo Stamp
	runLo, runHi           float64
	runSum                 float64 // of the ratios
	runCost                float64 // of their breaks
	running                bool
}

// A follower follows a pattern through openings. It decides each one after a
// few more where they are clear, and after pendingMost at the latest. What it
// decides depends on the openings alone.
type follower struct {
	out        stepTaker // nil: only the cost is wanted
	pat        pattern
	scale0     float64   // the speed at the start
	cycles0    float64   // number of cycles that scale0 rests on
	steady     bool      // the speed does not change: a pattern is being tried
	noSpacing  bool      // the spacing is not known: nothing can be missing over an unknown time
	inv        []float64 // 1 / spacing, by position
	breakCosts []float64 // of the break at hand, by position

	openings     []opening // a ring
	nodes        []node    // a ring, 2·k for each opening
	next         int64     // number of the next opening
	firstPending int64     // number of the first opening that is not decided
	root         *node     // the last due opening that is decided, nil before the first
	rootNode     node      // what root points to: its node in the ring may be overwritten
	candidates   []*node   // ends of paths that may become the cheapest
	path         []*node   // scratch space of decideCommon
	lead         float64   // cost of the path on which nothing is due yet
	leadStep     float64   // cost of one more opening on it
	cost         float64   // of the cheapest path
	extras       int       // of the decided openings
	step         step      // the one that is emitted
}

// init starts a follower; noisy says that the first openings may be extra as
// well as any other.
func (f *follower) init(p pattern, scale float64, noisy bool) {
	k := p.k()
	*f = follower{out: f.out, pat: p, scale0: scale, leadStep: costSlip + 1, openings: f.openings, candidates: f.candidates[:0], path: f.path[:0], nodes: f.nodes}
	if noisy {
		f.leadStep = costLead
	}
	if f.openings == nil {
		f.openings = make([]opening, pendingMost)
	}
	if len(f.nodes) < pendingMost*2*k {
		f.nodes = make([]node, pendingMost*2*k)
		f.candidates = make([]*node, 0, 2*k*(pendingMost+1))
		f.path = make([]*node, 0, 2*k*(pendingMost+1))
	}
	f.inv, f.breakCosts = make([]float64, k), make([]float64, k)
	for j := range k {
		f.inv[j] = 1 / float64(p.spacing(j))
	}
}

func (f *follower) opening(n int64) *opening { return &f.openings[n%pendingMost] }

func (f *follower) node(n int64, slot int) *node {
	return &f.nodes[int(n%pendingMost)*2*f.pat.k()+slot]
}

// best is the end of the cheapest path so far, nil before the first opening.
func (f *follower) best() *node {
	var b *node
	for _, s := range f.candidates {
		if b == nil || s.cost+s.overdueCost < b.cost+b.overdueCost {
			b = s
		}
	}
	return b
}

// noOpeningUntil says that no opening has come from the last one until t. When
// that is long, and no change of speed may have begun, everything before it is
// decided, because later openings tell nothing of it.
func (f *follower) noOpeningUntil(t Stamp) {
	if f.next == 0 || len(f.candidates) == 0 {
		return
	}
	if float64(t-f.opening(f.next-1).at) < standstillCycles*float64(f.pat.cycle)*f.best().scale {
		return
	}
	for _, s := range f.candidates {
		if f.mayChangeSpeed(s, f.next-1) {
			return
		}
	}
	f.decide()
}

// add takes the next opening.
func (f *follower) add(o *opening) {
	quiet := o.at
	if o.unknownBefore {
		quiet = o.unknownFrom
	}
	f.noOpeningUntil(quiet)
	if f.next-f.firstPending >= pendingMost-1 {
		f.decideHalf()
	}
	n := f.next
	f.next++
	*f.opening(n) = *o
	k := f.pat.k()
	var last Stamp
	if n > 0 {
		last = f.opening(n - 1).at
	}
	for q := range k {
		f.node(n, 2*q).cost, f.node(n, 2*q+1).cost = math.Inf(1), math.Inf(1)
		f.breakCosts[q] = 0
		if x := float64(o.breakNS); x > 0 {
			b := float64(f.pat.usual)
			if b == 0 {
				b = float64(f.pat.brk[q]) * f.scale0
			}
			if x < b {
				x, b = b, x
			}
			f.breakCosts[q] = min(costBreak, 0.5*(x/b-1))
		}
	}
	if f.root == nil && f.lead < costSlip {
		for q := range k {
			f.relax(n, q, 1, &node{cost: f.lead + f.breakCosts[q], scale: f.scale0, cycles: f.cycles0, kind: linkStart, due: 1})
		}
	}
	f.lead += f.leadStep
	interval := float64(o.at - last)
	for i := len(f.candidates) - 1; i >= 0; i-- { // the latest first: it is mostly the cheapest
		f.extend(f.candidates[i], o, n, interval)
	}
	// A path that costs a slip more than the cheapest can never become the
	// cheapest, since that one could slip too.
	least := math.Inf(1)
	for _, s := range f.candidates {
		least = min(least, s.cost+s.overdueCost)
	}
	for i := range 2 * k {
		least = min(least, f.node(n, i).cost)
	}
	f.cost += least
	f.lead -= least
	keep := f.candidates[:0]
	for _, s := range f.candidates {
		s.cost -= least
		if s.cost+s.overdueCost < costSlip || f.mayChangeSpeed(s, n) {
			keep = append(keep, s)
		}
	}
	for i := range 2 * k {
		if t := f.node(n, i); t.cost < least+costSlip {
			t.cost -= least
			keep = append(keep, t)
		}
	}
	f.candidates = keep
	f.decideCommon()
}

// relax makes t the path to opening n due at position q, if it is cheaper than
// the one there is. fresh is 1 where the phase begins at it.
func (f *follower) relax(n int64, q, fresh int, t *node) {
	old := f.node(n, 2*q+fresh)
	if t.cost < old.cost {
		*old = *t
		old.at, old.position, old.slot, old.t = n, q, 2*q+fresh, f.opening(n).at
		old.breakNS = f.opening(n).breakNS
		old.runLo, old.runHi, old.runSum, old.runCost, old.running = math.Inf(1), 0, 0, 0, true
	}
}

// mayChangeSpeed tells whether all openings from s to n may be due at another
// speed.
func (f *follower) mayChangeSpeed(s *node, n int64) bool {
	run := float64(n - s.at)
	return s.running && !s.unknownSince && run > 0 && run <= speedWait && math.Abs(s.runSum/run-s.scale) > speedAgree*s.scale
}

// extend relaxes each path on which opening n is the next due one after s.
func (f *follower) extend(s *node, o *opening, n int64, interval float64) {
	k := f.pat.k()
	s.cost += costExtra
	since := s.cost - costExtra
	waited := since + s.overdueCost
	if o.unknownBefore {
		if !s.unknownSince {
			s.unknownSince, s.unknownFrom = true, o.unknownFrom
		}
		s.unknownTo = o.unknownTo
		s.running = false
	}
	if s.running && f.speedChanged(s, n, interval) {
		f.changeSpeed(s, o, n)
	}
	if waited >= costSlip {
		return // kept only for a change of speed
	}
	d := float64(o.at - s.t)
	if s.unknownSince {
		f.crossUnknown(s, o, n, d, since)
		return
	}
	allowed := f.pat.allowed(s.position, int64(o.at-s.t), s.breakNS, s.scale)
	m, off, room, ok := f.pat.ahead(s.position, d-s.phaseAhead, s.scale)
	s.overdueCost = missed(m)
	if off < 0 {
		s.overdueCost = missed(m - 1)
	}
	if k == 1 && ok && since+missed(m-1) >= f.node(n, 0).cost && misfit(off, room) < 1 {
		return // a cheaper path leads there already
	}
	t := node{from: s.at, fromSlot: s.slot, kind: linkDue, cycles: s.cycles, scale: s.scale}
	// The phase goes on. Where the limits allow the interval nothing is missing in
	// it, so that a longer one is never read as better.
	if ok && (m == 1 || !allowed) {
		t.due, t.missing = m, m-1
		t.cost = since + missed(m-1) + f.breakCosts[(s.position+m)%k]
		x := misfit(off, max(room, min(d, float64(f.pat.cycle)*s.scale)))
		f.keepPhase(s, n, &t, off, room, d, min(x, costOff))
		if k > 1 && f.breakCosts[(s.position+m)%k] > costBreak/4 {
			f.slipPhase(s, n, m, d, since) // its break is another's, though its time fits
		}
		if x < 1 {
			return
		}
	}
	// The phase steps: n is due by the time of the last opening alone.
	t.phases, t.phaseAhead, t.noise = 0, 0, s.noise
	fits := allowed
	if allowed {
		spacing := float64(f.pat.spacing(s.position)) * s.scale
		t.due, t.missing = 1, 0
		t.cost = since + min(misfit(d-spacing, spacing), costAllowed)
	} else {
		m, off, room, fits = f.pat.ahead(s.position, d, s.scale)
		t.due, t.missing = m, m-1
		t.cost = since + min(misfit(off, room), costOff) + missed(m-1)
	}
	switch {
	case fits && t.cost < costSlip:
		q := (s.position + t.due) % k
		t.cost += costStep + f.breakCosts[q]
		f.relax(n, q, 1, &t)
	case !fits && !ok: // it is due neither way
		f.slipPhase(s, n, m, d, since)
	}
}

// speedChanged follows how the intervals since s agree, and tells whether they
// are enough for another speed.
func (f *follower) speedChanged(s *node, n int64, interval float64) bool {
	k, run := f.pat.k(), n-s.at
	x := interval * f.inv[(s.position+int(run)-1)%k]
	s.runLo, s.runHi, s.runSum = min(s.runLo, x), max(s.runHi, x), s.runSum+x
	s.runCost += f.breakCosts[(s.position+int(run))%k]
	s.running = s.runHi <= s.runLo*(1+looseAgree)
	switch {
	case f.steady || !f.mayChangeSpeed(s, n):
		return false
	case s.runHi <= s.runLo*(1+speedAgree):
		return run >= speedRun
	case s.runSum < s.scale*float64(run):
		return run >= 2*looseRun
	}
	return run >= looseRun
}

// slipPhase relaxes the paths on which opening n is the next due one after s in
// another phase, at each position.
func (f *follower) slipPhase(s *node, n int64, m int, d, since float64) {
	t := node{from: s.at, fromSlot: s.slot, kind: linkSlip, cycles: s.cycles, scale: s.scale, noise: s.noise}
	// The time alone tells what is missing, at whichever position it goes on.
	if t.missing = max(m-1, 0); d <= 1.5*float64(f.pat.spacing(s.position))*s.scale {
		t.missing = 0
	}
	for q := range f.pat.k() {
		t.due = f.stepsTo(s, q, m, d)
		t.cost = since + costSlip + missed(t.missing) + f.breakCosts[q]
		f.relax(n, q, 1, &t)
	}
}

// keepPhase relaxes the path on which opening n is due in the phase of s, off
// it by so much, at a further cost.
func (f *follower) keepPhase(s *node, n int64, t *node, off, room, d, cost float64) {
	t.cost += cost
	c := float64(f.pat.cycle) * s.scale
	z2 := 2 * misfit(off, room)
	t.noise = s.noise + (z2-s.noise)*noiseWeight
	w := 1 + z2/(offLess*offLess)
	v := 2 * t.noise / noiseMost
	x := off / (w * w * (1 + v*v))
	n1, p1 := s.cycles+2, s.phases+2
	t.scale = s.scale * (1 + max(speedWeight, 6/(n1*(n1+1)))*x/max(d-off, c))
	t.cycles = s.cycles + 1/float64(f.pat.k())
	t.phases = s.phases + 1
	// What is left of off: the phase is earlier than the opening by so much.
	t.phaseAhead = max(phaseWeight, (4*p1-2)/(p1*(p1+1)))*x - off
	f.relax(n, (s.position+t.due)%f.pat.k(), 0, t)
}

// stepsTo is how many openings after s the position q comes, nearest to m and at
// least 1. After up to one and a half spacings it is the next.
func (f *follower) stepsTo(s *node, q, m int, d float64) int {
	k := f.pat.k()
	if k == 1 {
		if d <= 1.5*float64(f.pat.cycle)*s.scale {
			return 1
		}
		return max(m, 1)
	}
	due := (q-s.position-m)%k + m // within k of m
	if due-m > k/2 {
		due -= k
	} else if m-due > k/2 {
		due += k
	}
	for due < 1 {
		due += k
	}
	return due
}

func misfit(off, room float64) float64 {
	z := off / (phaseSigma * room)
	return z * z / 2
}

func missed(n int) float64 { return min(costMissing*float64(max(n, 0)), costOutage) }

// crossUnknown relaxes the paths to opening n over an unknown time. Either the
// known speed carries the phase over it, or the phase is found anew.
func (f *follower) crossUnknown(s *node, o *opening, n int64, d, since float64) {
	if f.noSpacing {
		f.relax(n, 0, 1, &node{cost: since, scale: s.scale, from: s.at, fromSlot: s.slot, due: 1, kind: linkAnew, unknown: true})
		return
	}
	k := f.pat.k()
	m, off, room, ok := f.pat.ahead(s.position, d-s.phaseAhead, s.scale)
	drift := gapDrift * d
	carries := drift < phaseTolerance*room
	unsure := false
	if float64(s.unknownTo-s.unknownFrom) > gapShort*room {
		most := gapJump*room + drift
		ok, unsure = ok && math.Abs(off) <= most, math.Abs(off) > lobeSure*most
	}
	before := f.pat.overdue(s.position, float64(s.unknownFrom-s.t), s.scale, phaseTolerance)
	after := float64(o.at - s.unknownTo)
	t := node{from: s.at, fromSlot: s.slot, kind: linkDue, unknown: true, unsure: unsure}
	if ok && carries {
		q := (s.position + m) % k
		t.due, t.missing = m, min(before+f.pat.expected(q, after, s.scale), m-1)
		t.cost = since + missed(t.missing) + f.breakCosts[q]
		f.keepPhase(s, n, &t, off, room, d, min(misfit(off, room), costOff))
	}
	t = node{from: s.at, fromSlot: s.slot, kind: linkAnew, unknown: true, scale: s.scale}
	cost := since + costLost
	if carries {
		cost = since + costAnew
	}
	s.overdueCost = math.Inf(1)
	for q := range k {
		t.missing = before + f.pat.expected(q, after, s.scale)
		s.overdueCost = min(s.overdueCost, missed(t.missing))
		t.due = max(f.stepsTo(s, q, m, d), t.missing+1)
		for (s.position+t.due)%k != q {
			t.due++
		}
		t.cost = cost + missed(t.missing) + f.breakCosts[q]
		f.relax(n, q, 1, &t)
	}
}

// changeSpeed relaxes the path on which all openings since s are due at another
// speed.
func (f *follower) changeSpeed(s *node, o *opening, n int64) {
	k := f.pat.k()
	run := int(n - s.at)
	span := float64(run/k) * float64(f.pat.cycle)
	for i := range run % k {
		span += float64(f.pat.spacing((s.position + i) % k))
	}
	scale := float64(o.at-s.t) / span
	least := speedAgree
	if s.runHi > s.runLo*(1+speedAgree) {
		least = looseAgree / 2
	}
	if math.Abs(scale-s.scale) <= least*s.scale {
		return
	}
	f.relax(n, (s.position+run)%k, 1, &node{cost: s.cost - costExtra*float64(run) + costSpeed + s.runCost, scale: scale, cycles: float64(run) / float64(k),
		from: s.at, fromSlot: s.slot, due: run, ratio: scale / s.scale, kind: linkSpeed})
}

// decideCommon decides what all candidates agree on.
func (f *follower) decideCommon() {
	if f.root == nil && f.lead < costSlip {
		return
	}
	// Mostly there are two, and the last opening follows the other on its path.
	if len(f.candidates) == 2 && f.candidates[1].kind != linkStart && f.candidates[1].from == f.candidates[0].at && f.candidates[1].fromSlot == f.candidates[0].slot {
		f.decideTo(f.candidates[0])
		return
	}
	f.path = f.path[:0]
	f.path = append(f.path, f.candidates...)
	for {
		oldest, same := f.path[0], true
		for _, s := range f.path {
			if s.at < oldest.at {
				oldest = s
			}
		}
		for i, s := range f.path {
			for s.at > oldest.at {
				up := f.before(s)
				if up == nil {
					return
				}
				s = up
			}
			f.path[i] = s
			same = same && s == f.path[0]
		}
		if same {
			f.decideTo(f.path[0])
			return
		}
		// Where several positions of the oldest opening are left, go one back.
		at := f.path[0].at
		for _, s := range f.path {
			if s.at != at {
				at = -1
			}
		}
		if at >= 0 {
			up := f.before(f.path[0])
			if up == nil {
				return
			}
			f.path[0] = up
		}
	}
}

// before is the node before s on its path, nil for the first one and for those
// that are decided.
func (f *follower) before(s *node) *node {
	switch {
	case s.kind == linkStart || f.root != nil && s.at <= f.root.at:
		return nil
	case f.root != nil && s.from == f.root.at:
		return f.root
	}
	return f.node(s.from, s.fromSlot)
}

// pending counts the missing and the due openings from the last decided one up
// to s.
func (f *follower) pending(s *node) (missing, due int) {
	for ; s != nil && s.at > f.root.at; s = f.before(s) {
		missing, due = missing+s.missing, due+s.due
	}
	return missing, due
}

// decideTo decides s and all its path.
func (f *follower) decideTo(s *node) {
	if f.root != nil && s.at <= f.root.at {
		return
	}
	var chain [pendingMost]*node
	n := 0
	for x := s; x != nil && (f.root == nil || x.at > f.root.at); x = f.before(x) {
		chain[n] = x
		n++
	}
	for n--; n >= 0; n-- {
		f.emitNode(chain[n])
	}
	for i, x := range f.candidates {
		if x == s {
			f.candidates[i] = &f.rootNode
		}
	}
	f.rootNode = *s
	f.root = &f.rootNode
}

// emitNode gives the steps up to a node whose path before is decided.
func (f *follower) emitNode(s *node) {
	if s.kind != linkSpeed {
		f.emitExtras(s.at)
		f.step = step{o: f.opening(s.at), position: s.position, due: s.due, missing: s.missing, first: s.kind == linkStart, unknown: s.unknown,
			slip: s.kind == linkSlip, anew: s.kind == linkAnew, unsure: s.unsure, stepped: s.kind == linkDue && s.slot%2 == 1, noisy: s.noise > noiseMost}
		f.emit()
		return
	}
	f.step = step{due: 1, speed: s.ratio}
	for i := range s.due {
		f.step.o, f.step.position = f.opening(f.firstPending), (s.fromSlot/2+i+1)%f.pat.k()
		f.emit()
		f.step.speed = 0
	}
}

// emit gives the step of the first pending opening.
func (f *follower) emit() {
	f.firstPending++
	if f.out != nil {
		f.out.take(&f.step)
	}
}

// emitExtras decides that the pending openings before number to are not due.
func (f *follower) emitExtras(to int64) {
	for f.firstPending < to {
		f.extras++
		f.step = step{o: f.opening(f.firstPending), extra: true}
		f.emit()
	}
}

// decide decides everything by the cheapest path.
func (f *follower) decide() {
	if b := f.best(); b != nil {
		f.candidates = append(f.candidates[:0], b)
		f.lead = math.Inf(1)
		f.decideTo(b)
	}
}

// decideHalf decides the older half of the pending openings by the cheapest
// path, and gives up the candidates that do not agree.
func (f *follower) decideHalf() {
	half := f.firstPending + pendingMost/2
	s := f.best()
	for s.at >= half {
		up := f.before(s)
		if up == nil {
			break
		}
		s = up
	}
	keep := f.candidates[:0]
	for _, x := range f.candidates {
		after, up := x, x
		for up != nil && up.at > s.at {
			after, up = up, f.before(up)
		}
		if up == s && (x == s || after.at >= half) {
			keep = append(keep, x)
		}
	}
	f.candidates = keep
	f.lead = math.Inf(1)
	f.decideTo(s)
	if f.firstPending < half { // hardly any are due
		f.emitExtras(half)
		f.root.running = false
	}
}

// finish decides all that is left, also the openings after the last due one.
func (f *follower) finish() {
	f.decide()
	f.emitExtras(f.next)
}
