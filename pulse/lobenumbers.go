package pulse

import (
	"cmp"
	"math"
)

// What the numbers of lobes go by (Interrupter.LobesNumberedBy).
const (
	LobesByRecording = "recording" // lobe 1 is that of the first measured opening
	LobesByLog       = "log"       // numbers that a log has carried on
	LobesByReference = "reference" // a user said when lobe 1 opened
	LobesByMatch     = "match"     // found again by the signature
)

const (
	// leastMatch and lastMatch are the turns at which a match is tried first and
	// last; each try has twice the turns of the one before.
	leastMatch, lastMatch = 6, 192
	// maxLobeGroups bounds the numberings that are kept, maxLobeStretches the
	// stretches whose lobes an item can name. A log that slips more often has no
	// lobes to tell.
	maxLobeGroups, maxLobeStretches = 4, 4096
)

// lobeNumbers tells the lobe of each opening and keeps the signature of each
// numbering. Within a stretch of time in which the phase is known, the count of
// openings carries the numbers on. A mark or the signature ties a stretch to the
// numbers of the stretches before it.
type lobeNumbers struct {
	n     int // number of lobes, 0 for none
	marks []LobeMark
	by    string       // what numbers from marks go by
	known []LobeFigure // reference signature, nil for none

	cur        lobeSignature // of the stretch at hand
	stretch    int
	turn       int    // from the count of the stretch to the numbers, in lobes
	numberedBy string // what the numbers go by, "" while they are not known
	group      int    // that the stretch belongs to, once the numbers are known
	tried      int    // turns at the last try to match
	lead       float64
	mark       int // next of marks
	prev       opening
	prevN      int
	havePrev   bool

	groups     []lobeGroup
	made       int             // numberings that began
	placements []lobePlacement // of each stretch that is over
	shown      int
}

// A lobeGroup is the signature of all stretches with the same numbers.
type lobeGroup struct {
	id   int // of the numbering, from 1 in order of time
	sig  lobeSignature
	by   string
	lead float64 // of the least sure match in it, 0 for none
	any  bool    // a stretch is in it
	tied bool    // by a mark
}

// A lobePlacement says how the count of a stretch becomes numbers.
type lobePlacement struct {
	group int // -1 when it is not kept
	turn  int
}

// init starts anew. marks are in order of time, known may be nil.
func (c *lobeNumbers) init(lobes int, marks []LobeMark, by string, known []LobeFigure) {
	*c = lobeNumbers{n: lobes, by: cmp.Or(by, LobesByLog), group: -1}
	if lobes == 0 {
		return
	}
	for _, m := range marks {
		if m.Lobe >= 1 && m.Lobe <= lobes {
			c.marks = append(c.marks, m)
		}
	}
	if len(known) == lobes {
		c.known = known
	}
	c.cur.init(lobes)
	if len(c.marks) > 0 || c.known != nil {
		c.newGroup(c.by)
	} else {
		c.begin(LobesByRecording)
	}
}

// newGroup makes a numbering and gives its index. Where there are too many,
// the one with the fewest turns is given up, never that of the marks.
func (c *lobeNumbers) newGroup(by string) int {
	c.made++
	if len(c.groups) < maxLobeGroups {
		c.groups = append(c.groups, lobeGroup{id: c.made, by: by})
		g := &c.groups[len(c.groups)-1]
		g.sig.init(c.n)
		return len(c.groups) - 1
	}
	worst := 1
	for i := 1; i < len(c.groups); i++ {
		if c.groups[i].sig.turns() < c.groups[worst].sig.turns() {
			worst = i
		}
	}
	for i := range c.placements {
		if c.placements[i].group == worst {
			c.placements[i].group = -1
		}
	}
	g := &c.groups[worst]
	g.sig.clear()
	g.id, g.by, g.lead, g.any, g.tied = c.made, by, 0, false, false
	return worst
}

// begin gives the stretch at hand a numbering of its own, from its first
// opening.
func (c *lobeNumbers) begin(by string) { c.tie(c.newGroup(by), 0, by, 0) }

func (c *lobeNumbers) tie(group, turn int, by string, lead float64) {
	c.group, c.turn, c.numberedBy, c.lead = group, turn, by, lead
}

// marked tells whether group 0 is that of marks or of a reference signature.
func (c *lobeNumbers) marked() bool { return len(c.marks) > 0 || c.known != nil }

// opening takes the due opening number n.
func (c *lobeNumbers) opening(n int, o opening) {
	if c.n == 0 {
		return
	}
	c.cur.opening(n, o)
	if c.mark < len(c.marks) {
		c.meet(n, o)
	}
	c.prev, c.prevN, c.havePrev = o, n, true
	if c.numberedBy == "" {
		c.decide(false)
	}
}

// meet ties the stretch to the marks that opening n has reached.
func (c *lobeNumbers) meet(n int, o opening) {
	for c.mark < len(c.marks) {
		m := c.marks[c.mark]
		if m.At < c.cur.from {
			// The phase of the first stretch is carried back, once a turn has told
			// the spacing well.
			if c.mark+1 < len(c.marks) && c.marks[c.mark+1].At <= c.cur.from {
				c.mark++
				continue
			}
			if n < c.cur.first+c.n {
				if n == c.cur.first || c.cur.from-m.At > Stamp(phaseTolerance*float64(o.at-c.cur.from)/float64(n-c.cur.first)) {
					return
				}
				// The mark is at the first opening.
			}
			c.reach(m, n, o)
			c.mark++
			continue
		}
		if m.At > o.at || !c.havePrev && m.At != o.at {
			return // the next opening may be nearer
		}
		count := float64(n)
		if c.havePrev {
			count -= float64(o.at-m.At) / float64(o.at-c.prev.at) * float64(n-c.prevN)
		}
		c.accept(m, count, phaseTolerance, n, o)
		c.mark++
	}
}

// reach ties the first stretch to a mark before or after it, where the speed
// carries the phase so far.
func (c *lobeNumbers) reach(m LobeMark, n int, o opening) {
	spacing := float64(o.at-c.cur.from) / float64(n-c.cur.first)
	anchor, at := c.cur.first, c.cur.from
	if m.At > o.at {
		anchor, at = n, o.at
	}
	apart := float64(m.At-at) / spacing
	drift := gapDrift * math.Abs(apart)
	if c.numberedBy != "" || drift > phaseTolerance {
		return
	}
	c.accept(m, float64(anchor)+apart, gapJump+drift, n, o)
}

// accept ties the stretch to a mark at a fractional count of openings, if that
// is within room of an opening. A mark that contradicts the one before begins a
// new stretch: the phase has moved unseen.
func (c *lobeNumbers) accept(m LobeMark, count, room float64, n int, o opening) {
	near := math.Round(count)
	if math.Abs(count-near) > room {
		return
	}
	turn := ((m.Lobe-1-c.cur.own(int(near)))%c.n + c.n) % c.n
	if c.numberedBy == c.by && c.group == 0 {
		if turn == c.turn {
			return
		}
		c.newStretch()
		c.cur.opening(n, o)
		turn = ((m.Lobe-1-c.cur.own(int(near)))%c.n + c.n) % c.n
	}
	c.tie(0, turn, c.by, 0)
}

// own is the lobe of due opening n, from 1, in the count of its stretch. number
// makes the lobe's number of it later.
func (c *lobeNumbers) own(n int) int {
	if c.n == 0 {
		return 0
	}
	return c.cur.own(n) + 1
}

// lobe is the number, from 1, of the lobe of due opening n as it is known now,
// and the numbering that it is of, 0 while that is not known.
func (c *lobeNumbers) lobe(n int) (lobe, numbering int) {
	if c.n == 0 {
		return 0, 0
	}
	if c.numberedBy != "" {
		numbering = c.groups[c.group].id
	}
	return (c.cur.own(n)+c.turn)%c.n + 1, numbering
}

// figures are the signature of the lobes in the numbering at hand: the given one
// until this recording has as many turns. They are nil while there is no
// numbering or it has too few turns.
func (c *lobeNumbers) figures() []LobeFigure {
	if c.n == 0 || c.numberedBy == "" {
		return nil
	}
	g := &c.groups[c.group]
	var all lobeSignature
	all.init(c.n)
	all.merge(&g.sig, 0)
	all.merge(&c.cur, c.turn)
	switch turns := all.turns(); {
	case c.group == 0 && c.known != nil && turns < lastMatch:
		return c.known
	case turns < leastMatch:
		return nil
	}
	return all.figures()
}

// decide ties the stretch at hand by its signature, where it has turns enough
// for another try or is over.
func (c *lobeNumbers) decide(over bool) {
	turns := c.cur.turns()
	if turns < leastMatch || !over && turns < 2*c.tried {
		return
	}
	c.tried = turns
	mine := c.cur.figures()
	step, _ := c.cur.step.Mean()
	best, bestTurn, bestLead := -1, 0, 0.0
	for i := range c.groups {
		if turn, lead, sure := c.match(i, mine, step); sure && (best < 0 || i > 0 && c.groups[i].sig.turns() > c.groups[best].sig.turns() && !(best == 0 && c.marked())) {
			best, bestTurn, bestLead = i, turn, lead
		}
	}
	switch {
	case best >= 0:
		c.tie(best, bestTurn, LobesByMatch, bestLead)
	case !over && turns >= lastMatch && c.mark == len(c.marks):
		c.begin(LobesByRecording)
	}
}

// match matches a signature with that of a group. Group 0 has the given one
// until it has more turns of its own.
func (c *lobeNumbers) match(group int, mine []LobeFigure, step float64) (turn int, lead float64, sure bool) {
	g := &c.groups[group]
	their := c.known
	if group > 0 || their == nil || g.sig.turns() >= lastMatch {
		if g.sig.turns() < leastMatch {
			return 0, 0, false
		}
		their = g.sig.figures()
	}
	return matchLobes(their, mine, step)
}

// newStretch says that the next opening is in another phase than the last.
func (c *lobeNumbers) newStretch() {
	if c.n == 0 {
		c.stretch++
		return
	}
	if !c.cur.any {
		return
	}
	c.close()
	c.cur.clear()
	c.stretch++
	c.turn, c.numberedBy, c.group, c.tried, c.lead, c.havePrev = 0, "", -1, 0, 0, false
}

// close merges the signature of the stretch at hand into its group.
func (c *lobeNumbers) close() {
	c.cur.end()
	if c.numberedBy == "" {
		if c.decide(true); c.numberedBy == "" {
			c.begin(LobesByRecording)
		}
	}
	g := &c.groups[c.group]
	g.sig.merge(&c.cur, c.turn)
	g.any = true
	if c.lead > 0 && (g.lead == 0 || c.lead < g.lead) {
		g.lead = c.lead
	}
	if c.group == 0 && c.marked() && (c.numberedBy == c.by || !g.tied) {
		g.by, g.tied = c.numberedBy, c.numberedBy == c.by
	}
	if len(c.placements) < maxLobeStretches {
		c.placements = append(c.placements, lobePlacement{c.group, c.turn})
	}
}

// finish ends the last stretch and chooses the numbering to show: that of the
// marks, else the one with the most turns. Numberings whose signatures now match
// it for sure join it.
func (c *lobeNumbers) finish() {
	if c.n == 0 {
		return
	}
	if c.cur.any {
		for c.mark < len(c.marks) && c.prevN > c.cur.first+c.n {
			c.reach(c.marks[c.mark], c.prevN, c.prev)
			c.mark++
		}
		c.close()
		c.cur.clear()
	}
	for i := range c.groups {
		g, s := &c.groups[i], &c.groups[c.shown]
		if !s.any || g.any && !(c.marked() && c.shown == 0) && g.sig.turns() > s.sig.turns() {
			c.shown = i
		}
	}
	s := &c.groups[c.shown]
	for i := range c.groups {
		g := &c.groups[i]
		if i == c.shown || !g.any || i == 0 && c.marked() || g.sig.turns() < leastMatch {
			continue
		}
		step, _ := g.sig.step.Mean()
		turn, lead, sure := c.match(c.shown, g.sig.figures(), step)
		if !sure {
			continue
		}
		s.sig.merge(&g.sig, turn)
		if s.lead == 0 || lead < s.lead {
			s.lead = lead
		}
		for k := range c.placements {
			if p := &c.placements[k]; p.group == i {
				p.group, p.turn = c.shown, (p.turn+turn)%c.n
			}
		}
		g.any = false
		c.made--
	}
}

// number is the number of the lobe that own gave in a stretch, 0 where that is
// not of the numbering shown. It is for use after finish.
func (c *lobeNumbers) number(own, stretch int) int {
	if own == 0 || stretch >= len(c.placements) || c.placements[stretch].group != c.shown {
		return 0
	}
	return (own-1+c.placements[stretch].turn)%c.n + 1
}

// result fills in what is known of lobes; first is when the measurement begins.
// It is for use after finish.
func (c *lobeNumbers) result(res *Interrupter, first Stamp) {
	if c.n == 0 {
		return
	}
	var empty lobeGroup
	g := &empty
	if len(c.groups) > 0 {
		g = &c.groups[c.shown]
	} else {
		g.sig.init(c.n)
	}
	res.Lobes, res.WholeTurns = g.sig.result(), g.sig.turns()
	if !g.any {
		return
	}
	by := g.by
	res.LobesNumberedBy = &by
	res.LobesMatchLead = Num{g.lead, g.lead > 0}
	res.LobesFromS = Known(float64(g.sig.from-first) / 1e9)
	res.LobeStretches = c.made
	if c.marked() && !c.groups[0].any {
		res.LobeStretches--
	}
}
