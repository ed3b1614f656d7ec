package synth

import (
	"math"
	"math/rand/v2"

	"makebreak/pulse"
)

// apartNS is the least distance of chatter and short breaks from transitions and
// from each other, so that the default settling time (4 ms) separates them.
const apartNS = 5e6

// wideJitterNS is the largest jitter that moves each transition, chatter and
// short break by itself, after all were placed. A larger one would push them
// into each other, and beside spurious breaks and outages any would. It moves
// the breaks first, and the rest is placed at a distance from them.
const wideJitterNS = 10e6

// A Signal makes the edges of a Spec one after another. It is not safe for
// concurrent use.
type Signal struct {
	spec  *Spec
	lay   *layout
	truth Truth

	// Each kind of disturbance has its own random numbers, so that adding one
	// leaves the others where they are.
	jitter, bounce, burst, loss, fault, speed, lengths *rand.Rand

	// The next break that is due.
	due                int64
	round              int64
	index              int
	base               int64 // of its round
	turn               float64
	missingAt, extraAt []int64
	extra              span // comes next where its kind is extraInterruption
	changes            changes

	// Wander: as a fraction of the speed since wanderFrom, and the lateness there.
	wander, wanderLate float64
	wanderFrom         int64
	noise              wander

	interference interference
	repeater     *repeater // nil where there is none
	// wide says that the breaks jitter before chatter and short breaks are placed.
	wide bool

	// The current break, the one after it, and how far the signal has come.
	cur, next   span
	hasNext     bool
	stage       stage
	lastReal    int64
	chatter     upcoming
	short       upcoming
	cursor      int64 // end of the last chatter or short break in this make or break
	clean       bool  // nothing missing or extra since the cycle began
	gaveLast    bool
	queue       [2*maxPairs + 1]contactEdge
	head, count int
	commanded   bool // they are of an opening or a closing, with its bounce
	first       bool // so is the edge that Next gave last, and it is the first of them

	// How the edges are recorded.
	clockPPB int64
	shift    int64 // jitter of the edges in the queue
	lastSeen int64
	seq      uint32
	drop     int64 // edges that remain to be lost in a row
	lost     uint32
}

type stage uint8

const (
	atOpening stage = iota
	inBreak
	atClosing
	inMake
)

type contactEdge struct {
	at     int64
	closed bool
}

// upcoming is the next chatter or short break; at is never when there is none.
type upcoming struct {
	chance Chance
	at     int64
}

const never = math.MaxInt64

// New starts the signal that spec describes; spec is not changed. Errors are
// those of Parse.
func New(spec *Spec) (*Signal, error) {
	spec, err := spec.normal()
	if err != nil {
		return nil, err
	}
	lay, err := newLayout(spec)
	if err != nil {
		return nil, err
	}
	return newSignal(spec, lay), nil
}

func newSignal(spec *Spec, lay *layout) *Signal {
	// Each contact of a drive has its own random numbers, and so has the output
	// of a repeater.
	contact := uint64(max(0, spec.Contact-1)) << 8
	drive := func(stream uint64) *rand.Rand { return rand.New(rand.NewPCG(spec.Seed, stream)) }
	random := func(stream uint64) *rand.Rand { return drive(contact + stream) }
	s := &Signal{
		spec: spec, lay: lay,
		jitter: random(1), fault: random(5), speed: drive(6), lengths: random(7),
		missingAt: spec.MissingAt, extraAt: spec.ExtraAt, changes: newChanges(spec, lay),
		chatter: upcoming{chance: spec.Chatter}, short: upcoming{chance: spec.ShortBreaks},
		lastReal: -1, lastSeen: -1,
		clockPPB: int64(math.Round(spec.ClockPPM * 1000)),
	}
	output := uint64(0)
	if spec.Repeater != (Lags{}) {
		output = 1 << 7
		s.repeater = newRepeater(spec, lay, random(output))
		s.wide = true // what jitters is the input
	} else {
		s.noise = newWander(spec, lay.spacingNS(spec))
		s.interference = newInterference(spec, random)
		s.wide = spec.JitterNS > 0 && (spec.JitterNS > wideJitterNS || s.interference.on)
	}
	s.bounce, s.burst, s.loss = random(output+2), random(output+3), random(output+4)
	s.next, s.hasNext = s.nextSeen()
	return s
}

// Spec gives the description with all defaults filled in. It must not be changed.
func (s *Signal) Spec() *Spec { return s.spec }

// Next puts the next edges into buf and returns their number; 0 means the end
// (or an empty buf). Times start at 0, the first opening comes after the
// lead-in, the last edge closes. Times always grow. Sequence numbers count
// from 1 and wrap around as the kernel's do.
func (s *Signal) Next(buf []pulse.Edge) (n int) {
	for n < len(buf) {
		if s.head == s.count {
			if !s.refill() {
				break
			}
			continue
		}
		e := s.queue[s.head]
		fresh := s.head == 0
		s.first = fresh && s.commanded
		s.head++
		last := s.gaveLast && s.head == s.count

		t := e.at
		if !e.closed {
			t += s.spec.AsymmetryNS
		}
		if s.clockPPB != 0 {
			t += t/1e9*s.clockPPB + t%1e9*s.clockPPB/1e9
		}
		if fresh && s.spec.JitterNS != 0 && !s.wide {
			s.shift = int64(math.Round(s.drawJitter()))
			s.shift = max(s.shift, s.lastSeen+1-t) // the whole burst, so that it keeps its shape
		}
		t = max(t+s.shift, s.lastSeen+1)
		s.lastSeen = t
		// The first edge and the last are never lost: all losses can be seen,
		// and what is between them is known.
		if s.truth.Edges > 0 && !last && s.loses() {
			continue
		}
		s.seq++
		buf[n] = pulse.Edge{At: pulse.Stamp(t), Seq: s.seq, Lost: s.lost, Level: s.spec.Closed.Level(e.closed)}
		s.truth.Lost += int64(s.lost)
		s.lost = 0
		s.truth.Edges++
		n++
	}
	return n
}

// drawJitter gives an error of one transition's time in ns, cut at six standard
// deviations.
func (s *Signal) drawJitter() float64 {
	return max(-6, min(6, s.jitter.NormFloat64())) * float64(s.spec.JitterNS)
}

func (s *Signal) loses() bool {
	if s.drop == 0 && s.spec.Lost > 0 && s.loss.Float64() < s.spec.Lost {
		s.drop = s.spec.LostRun
	}
	if s.drop > 0 {
		s.drop--
		s.seq++
		s.lost++
		return true
	}
	if s.spec.LostSilent > 0 && s.loss.Float64() < s.spec.LostSilent {
		s.truth.LostSilent++
		return true
	}
	return false
}

// refill queues the edges of what comes next; false means the end.
func (s *Signal) refill() bool {
	s.head, s.count = 0, 0
	for s.count == 0 {
		s.commanded = s.stage == atOpening || s.stage == atClosing
		switch s.stage {
		case atOpening:
			if !s.hasNext {
				return false
			}
			s.cur = s.next
			s.next, s.hasNext = s.nextSeen()
			s.countOpening()
			s.begin(s.transition(s.cur.open, false, s.cur.close-s.cur.open), s.cur.close, false)
			s.stage = inBreak
		case inBreak:
			if !s.disturb(s.cur.close, false) {
				s.stage = atClosing
			}
		case atClosing:
			room, end := int64(never), int64(0)
			if s.hasNext {
				room, end = s.next.open-s.cur.close, s.next.open
			}
			s.countClosing()
			s.begin(s.transition(s.cur.close, true, room), end, true)
			s.gaveLast = !s.hasNext
			s.stage = inMake
		case inMake:
			if !s.hasNext || !s.disturb(s.next.open, true) {
				s.stage = atOpening
			}
		}
	}
	return true
}

// transition queues an edge with its bounce, which takes at most half the
// room after it, and returns when it is over.
func (s *Signal) transition(at int64, closed bool, room int64) int64 {
	s.put(at, closed)
	s.truth.Transitions++
	b := s.spec.BounceOpen
	if closed {
		b = s.spec.BounceClose
	}
	if b.Pairs == 0 {
		return at
	}
	edges := 2 * s.bounce.IntN(b.Pairs+1)
	if edges == 0 {
		return at
	}
	longest := min(b.MaxNS, room/2)
	for range edges {
		t := at + 1 + s.bounce.Int64N(longest)
		i := s.count
		for ; s.queue[i-1].at > t; i-- {
			s.queue[i].at = s.queue[i-1].at
		}
		s.queue[i].at = t
		s.count++
	}
	for i := 1; i < s.count; i++ {
		s.queue[i].closed = closed == (i%2 == 0)
		s.queue[i].at = max(s.queue[i].at, s.queue[i-1].at+1)
	}
	length := s.queue[s.count-1].at - at
	s.truth.Bounced++
	s.truth.ExtraEdges += int64(edges)
	s.truth.BounceMaxNS = max(s.truth.BounceMaxNS, length)
	return at + length
}

func (s *Signal) put(at int64, closed bool) {
	s.queue[s.count] = contactEdge{at, closed}
	s.count++
}

// begin draws the first disturbances of a make or break that has settled at
// from and ends at end.
func (s *Signal) begin(from, end int64, closed bool) {
	s.cursor = from
	s.draw(&s.chatter, end)
	s.short.at = never
	if closed {
		s.draw(&s.short, end)
	}
}

func (s *Signal) draw(u *upcoming, end int64) {
	u.at = never
	lo := s.cursor + apartNS
	switch {
	case lo >= end:
	case u.chance.PerSecond > 0:
		if wait := s.burst.ExpFloat64() / u.chance.PerSecond * 1e9; wait < float64(end-lo) {
			u.at = lo + int64(wait)
		}
	case u.chance.Probability > 0 && s.burst.Float64() < u.chance.Probability:
		u.at = lo + s.burst.Int64N(end-lo)
	}
}

// disturb queues the next chatter or short break of a make or break that ends
// at end; false means there is none.
func (s *Signal) disturb(end int64, closed bool) bool {
	for s.chatter.at != never || s.short.at != never {
		u, isShort := &s.chatter, false
		if s.short.at < u.at {
			u, isShort = &s.short, true
		}
		length := s.spec.ShortNS
		if !isShort {
			length = 1 + s.burst.Int64N(s.spec.ChatterNS)
		}
		at := max(u.at, s.cursor+apartNS)
		// One that comes with a probability is moved to where it fits.
		if u.chance.Probability > 0 {
			at = max(s.cursor+apartNS, min(at, end-apartNS-length))
		}
		u.at = never
		if at+length+apartNS > end {
			continue
		}
		s.put(at, !closed)
		s.put(at+length, closed)
		s.cursor = at + length
		if isShort {
			s.truth.ShortBreaks++
			s.truth.Transitions += 2
		} else {
			s.truth.Chatter++
		}
		if u.chance.PerSecond > 0 {
			s.draw(u, end)
		}
		return true
	}
	return false
}

// nextOfDrive gives the next break as the drive makes it, if there is one.
func (s *Signal) nextOfDrive() (span, bool) {
	if s.extra.kind == extraInterruption {
		sp := s.extra
		s.extra = span{}
		return s.real(sp), true
	}
	missing := int64(0)
	for s.lay.total < 0 || s.due < s.lay.total {
		if s.index == 0 {
			s.base = s.lay.start(s.round)
			if s.base > horizonNS {
				break
			}
			s.turn = float64(s.round)
			s.round++
		}
		sp := s.lay.spans[s.index]
		sp.open += s.base
		sp.close += s.base
		sp.number = s.due
		if len(s.lay.also) > 0 && sp.varies() {
			if i := s.lengths.IntN(len(s.lay.also) + 1); i > 0 {
				sp.close += s.lay.also[i-1]
			}
		}
		var next int64
		if s.index+1 < len(s.lay.spans) {
			next = s.base + s.lay.spans[s.index+1].open
		} else {
			next = s.lay.start(s.round) + s.lay.spans[0].open
		}
		s.stepWander(sp.open - s.lay.shift)
		if s.changes.on {
			next = s.changes.change(&sp, next)
		}
		s.due++
		s.index++
		if s.index == len(s.lay.spans) {
			s.index = 0
		}
		isLast := s.due == s.lay.total
		if listed(&s.missingAt, s.due) || s.spec.Missing > 0 && s.fault.Float64() < s.spec.Missing && s.due > 1 && !isLast {
			missing++
			continue
		}
		if (listed(&s.extraAt, s.due) || s.spec.Extra > 0 && s.fault.Float64() < s.spec.Extra) && !isLast {
			third := (next - sp.close) / 3
			s.extra = span{open: sp.close + third, close: sp.close + 2*third, kind: extraInterruption}
		}
		sp.missing = missing
		return s.real(sp), true
	}
	return span{}, false
}

// listed reports whether n is the next number of a list, and removes it.
func listed(list *[]int64, n int64) bool {
	if len(*list) == 0 || (*list)[0] > n {
		return false
	}
	hit := (*list)[0] == n
	*list = (*list)[1:]
	return hit
}

func (s *Signal) stepWander(opening int64) {
	if s.spec.WanderPPM == 0 {
		return
	}
	dt := float64(opening - s.wanderFrom)
	s.wanderLate -= s.wander * dt
	s.wanderFrom = opening
	s.wander += s.speed.NormFloat64() * s.spec.WanderPPM * 1e-6 * math.Sqrt(math.Abs(dt)/float64(hour))
	s.wander = max(-maxSpeed, min(maxSpeed, s.wander))
}

// real moves an ideal break by the errors of the drive and the lead-in. Breaks
// stay in order however large the errors are.
func (s *Signal) real(sp span) span {
	sp.open = s.spec.LeadNS + sp.open + s.late(sp.open)
	sp.close = s.spec.LeadNS + sp.close + s.late(sp.close)
	if s.wide {
		var length int64
		sp.open, length = s.jitterWide(sp.open, max(1000, sp.close-sp.open))
		sp.close = sp.open + length
	}
	sp.open = max(sp.open, s.lastReal+1000)
	sp.close = max(sp.close, sp.open+1000)
	s.lastReal = sp.close
	return sp
}

// late is how much later than the ideal the drive is, at time t after the
// first opening.
func (s *Signal) late(t int64) int64 {
	late := 0.0
	if s.spec.DriftPPMPerHour != 0 {
		late += driftLate(s.spec.DriftPPMPerHour*1e-6/float64(hour), float64(t))
	}
	if s.spec.WanderPPM != 0 {
		late += s.wanderLate - s.wander*float64(t-s.wanderFrom)
	}
	late += s.noise.late(t) + s.changes.late(t)
	if len(s.spec.Gears) > 0 || len(s.spec.Teeth) > 0 {
		part := float64(t-s.base) / s.lay.roundNS()
		for _, g := range s.spec.Gears {
			late += float64(g.AmplitudeNS) * math.Sin(2*math.Pi*(turnFraction(g.Order, s.turn)+g.Order*part+g.PhaseDegrees/360))
		}
		for i := range s.spec.Teeth {
			f := &s.spec.Teeth[i]
			late += f.late(turnFraction(f.Order, s.turn) + f.Order*part + f.PhaseDegrees/360)
		}
	}
	return int64(math.Round(late))
}

// turnFraction is order · turn without its whole turns, exact for as many
// turns as a float64 counts.
func turnFraction(order, turn float64) float64 {
	product := order * turn
	return math.Mod(product, 1) + math.FMA(order, turn, -product)
}

// late is the lateness in ns at an angle of the shaft from the fault, in turns.
func (f *Tooth) late(turns float64) float64 {
	turns -= math.Round(turns)
	if teeth := float64(f.Teeth); math.Abs(turns)*2*teeth < 1 {
		return float64(f.HeightNS) * (1 + math.Cos(2*math.Pi*teeth*turns)) / 2
	}
	return 0
}

// driftLate is the lateness of a drive whose speed grows as 1 + rate·t, at the
// ideal time tau (both per ns and ns). From tau = t + rate·t²/2,
// t − tau = −2·rate·tau² / (1 + sqrt(1 + 2·rate·tau))². At half or double
// speed the growth ends.
func driftLate(rate, tau float64) float64 {
	speed := 0.5
	if rate > 0 {
		speed = 2
	}
	end := (speed*speed - 1) / (2 * rate)
	rest := max(0, tau-end)
	tau = min(tau, end)
	root := 1 + math.Sqrt(1+2*rate*tau)
	return -2*rate*tau*tau/(root*root) + rest*(1/speed-1)
}
