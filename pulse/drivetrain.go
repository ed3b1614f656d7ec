package pulse

import (
	"cmp"
	"math"
	"math/big"
	"slices"
)

// A DriveTrain is what the times of a cam tell of the shafts that drive it. Shares
// are of the variance of the opening times once the slow wander of the speed is
// out. A false alarm is the probability that noise alone makes as much of any of
// the candidates that were tried; a billionth is the least that is claimed.
type DriveTrain struct {
	ExpectedIPM   Num            `json:"expected_ipm"` // by the motor's speed
	Shafts        []ShaftSwing   `json:"shafts"`
	Unlisted      []UnlistedTurn `json:"unlisted"`
	LobesShare    Num            `json:"lobes_share"` // of the variance
	ResidualShare Num            `json:"residual_share"`

	Meshes   []MeshSwing `json:"meshes"`   // that have an order of their own
	Openings int         `json:"openings"` // that the fit rests on, of the longest stretch of one phase
	Left     int         `json:"openings_left_out"`
	Closings bool        `json:"closings"` // were used too
	Contacts int         `json:"contacts"` // that were fitted together
	Turns    Rounded     `json:"cam_turns"`
	Tried    int         `json:"candidates_tried"` // among the listed
	// SearchedFrom and SearchedTo are the orders among which Unlisted was looked for,
	// as the openings see them; unknown where it was not.
	SearchedFrom Num `json:"searched_from"`
	SearchedTo   Num `json:"searched_to"`
	Lobes        int `json:"lobes"`
	// PhaseAtS is the first opening of the fit, where phases are those of their
	// sines: seconds from the first edge. Unknown where only openings were given.
	PhaseAtS Num `json:"phase_at_s"`
	// ResidualMS is the standard deviation of what is left of the openings.
	ResidualMS Num         `json:"residual_ms"`
	Speed      *DriveSpeed `json:"speed"` // null without two turns
}

// A DriveSpeed compares the rate that was measured with the drive's.
type DriveSpeed struct {
	MeasuredIPM Num `json:"measured_ipm"`
	// MotorRPM is the motor's speed if the train is as given.
	MotorRPM Num `json:"motor_rpm"`
	// Ratio is the measured rate over the expected one; unknown without the motor's
	// speed.
	Ratio Num `json:"ratio"`
	// Agrees is nil without the motor's speed. Beyond 5 % either the motor's speed
	// or the train is not as given.
	Agrees *bool `json:"agrees"`
	// LobesThatFit is another number of lobes at which both would agree within 2 %,
	// nil where they agree or none does.
	LobesThatFit *int `json:"lobes_that_fit"`
}

// A SwingKind says what a shaft's swing looks like.
type SwingKind string

const (
	// SwingNone: none was found.
	SwingNone SwingKind = "none"
	// SwingEccentric: one sinusoid a turn, as of a gear out of centre.
	SwingEccentric SwingKind = "eccentric"
	// SwingTooth: a jerk once a turn, as of one bad tooth.
	SwingTooth SwingKind = "tooth"
	// SwingUnclear: it was found, but the edges cannot tell these two apart.
	SwingUnclear SwingKind = "unclear"
)

// A ShaftSwing is by how much one shaft moves the openings to and fro. A shaft
// whose swing cannot be told has unknown figures; those that cannot be told apart
// share one swing, and have it each.
type ShaftSwing struct {
	Name                  string   `json:"name"`
	TurnsPerCamTurn       Rounded  `json:"turns_per_cam_turn"`
	AmplitudeMS           Num      `json:"amplitude_ms"`  // peak of the sinusoid
	AmplitudeDeg          Num      `json:"amplitude_deg"` // the same, of that shaft
	PhaseDeg              Num      `json:"phase_deg"`     // of the sine, at PhaseAtS
	Share                 Num      `json:"share"`         // of the variance; of shafts that look alike the first has all, the others 0
	FalseAlarm            Num      `json:"false_alarm"`
	IndistinguishableFrom []string `json:"indistinguishable_from"` // shafts, or LobesName

	AmplitudeSEMS   Num       `json:"amplitude_se_ms"`
	AmplitudeLowMS  Num       `json:"amplitude_low_ms"` // 95 % interval
	AmplitudeHighMS Num       `json:"amplitude_high_ms"`
	Kind            SwingKind `json:"kind"`
	Sight           Sight     `json:"openings_see"`
	// SameJerkAs are shafts whose bad tooth would look the same.
	SameJerkAs []string `json:"same_jerk_as"`
	Teeth      int      `json:"teeth"` // of the wheel that drives it, of the motor's of its pinion; 0 for none
	// Struck is of a jerk, whose amplitude is that of the openings alone; nil where
	// they do not tell.
	Struck *StruckOpening `json:"struck,omitempty"`
	// NeedsTurns is how many turns of the cam are needed, where there are too few.
	NeedsTurns Num `json:"needs_turns"`
}

// foundBelow is the false alarm below which something counts as found.
const foundBelow = 0.01

// Found tells whether the shaft swings the openings.
func (s *ShaftSwing) Found() bool { return s.FalseAlarm.OK && s.FalseAlarm.V < foundBelow }

// A MeshSwing is by how much the openings swing once a tooth of two wheels.
type MeshSwing struct {
	Driving         string     `json:"driving"`
	Driven          string     `json:"driven"`
	TurnsPerCamTurn Rounded    `json:"turns_per_cam_turn"` // teeth that pass in a turn of the cam
	AmplitudeMS     Num        `json:"amplitude_ms"`
	FalseAlarm      Num        `json:"false_alarm"`
	Sight           Sight      `json:"openings_see"`
	SeenLike        []string   `json:"indistinguishable_from"` // shafts that openings see alike
	Sidebands       []Sideband `json:"sidebands"`              // those found
}

// Found tells whether the teeth swing the openings, by themselves or by a
// sideband.
func (m *MeshSwing) Found() bool {
	return m.FalseAlarm.OK && m.FalseAlarm.V < foundBelow || len(m.Sidebands) > 0
}

// A Sideband is a swing beside a mesh's order: teeth whose engagement a shaft
// changes as it turns.
type Sideband struct {
	Shaft           string  `json:"shaft"`
	TurnsPerCamTurn Rounded `json:"turns_per_cam_turn"`
	AmplitudeMS     Num     `json:"amplitude_ms"`
	FalseAlarm      Num     `json:"false_alarm"`
}

// An UnlistedTurn is something that turns and is not among the shafts.
type UnlistedTurn struct {
	TurnsPerCamTurn Rounded `json:"turns_per_cam_turn"`
	AmplitudeMS     Num     `json:"amplitude_ms"`
	FalseAlarm      Num     `json:"false_alarm"`
	// OrTurnsPerCamTurn are the other orders, up to the lobes and half as many, that
	// the edges cannot tell from it.
	OrTurnsPerCamTurn []Rounded `json:"or_turns_per_cam_turn"`
	Share             Num       `json:"share"` // of the variance; unknown where it was not fitted with the shafts
	// Near is a listed shaft of nearly that order; nil without one.
	Near *NearShaft `json:"near,omitempty"`
}

// A NearShaft is one that would turn as something that is not listed does, if a
// little were wrong with the train.
type NearShaft struct {
	Name            string  `json:"name"`
	TurnsPerCamTurn Rounded `json:"turns_per_cam_turn"`
	// Teeth is a pair of wheels with other teeth by which it would; nil where no
	// small change of one number does.
	Teeth *ToothChange `json:"teeth"`
}

// A ToothChange is other teeth of two wheels that mesh.
type ToothChange struct {
	Driving      string `json:"driving"`
	Driven       string `json:"driven"`
	DrivingTeeth int    `json:"driving_teeth"`
	OwnTeeth     int    `json:"own_teeth"`
}

// A DriveOpening is one due opening of a cam.
type DriveOpening struct {
	At      Stamp
	N       int64 // number among the due openings, missing ones counted
	BreakNS int64 // 0: not known
	Stretch int   // of one phase; the count goes on only within it
}

// A DriveContact is the openings of one cam, in order. All cams are on the drive's
// cam shaft and have one time base.
type DriveContact struct {
	Lobes    int
	Openings []DriveOpening
}

// MostDriveOpenings bounds the memory of a measurement: it rests on the latest
// ones. It is over a day at 552 a minute.
const MostDriveOpenings = 1 << 20

// FitDrive tells which shaft of a drive train swings the openings of its cam, in
// one least-squares fit of the lobes' errors and of each shaft's sinusoid to the
// times of openings and closings, beside a polynomial for the slow wander of the
// speed in each block of turns. Missing openings leave rows out, gross errors lose
// weight. Of openings in several stretches, the longest stretch counts: after a
// slip the phases of all shafts are others.
//
// The noise of each swing is that at its own order, told by how it differs between
// up to 40 groups of blocks, so that noise of any smooth spectrum, a wandering
// speed too, makes no false alarms. Too few openings for a shaft leave its figures
// unknown, and say how many turns are needed.
//
// It takes some 10 µs an opening, most of it for what is slow and not listed. d must
// pass Check.
func FitDrive(d *Drive, openings []DriveOpening) *DriveTrain {
	return FitDriveContacts(d, []DriveContact{{Lobes: d.Lobes, Openings: openings}})
}

// FitDriveContacts is FitDrive for several cams on the cam shaft, the first of
// which is the drive's. Each has lobes of its own; the shafts' swings are common.
// A contact whose longest stretch does not overlap the first's for ten turns, or
// whose lobes do not fit it, is left out.
func FitDriveContacts(d *Drive, contacts []DriveContact) *DriveTrain {
	return fitDrive(d, contacts, 1)
}

// fitDrive is FitDriveContacts of times in steps of so many ns.
func fitDrive(d *Drive, contacts []DriveContact, step float64) *DriveTrain {
	t := newDriveTrain(d)
	turns := d.Turns()
	f := &driveFit{step: max(step, 1)}
	for i, c := range contacts {
		f.addContact(&c, i == 0, t)
	}
	if len(f.series) > 0 {
		t.speed(d, f.turnNS)
	}
	f.fold(turns)
	f.seekSlow(t, d, turns)
	for round := 0; ; round++ {
		f.seek(t, d, turns)
		if round == unlistedRounds || !f.takeUp() {
			return t
		}
	}
}

// seek fits the shafts, with what else is known to turn, and looks for more.
func (f *driveFit) seek(t *DriveTrain, d *Drive, turns []*big.Rat) {
	fresh := newDriveTrain(d)
	t.Shafts, t.Unlisted, t.Meshes = fresh.Shafts, fresh.Unlisted, fresh.Meshes
	plans := t.plans(f, d, turns)
	if len(f.series) == 0 {
		return
	}
	short := f.plan(float64(d.Lobes)/2, d.Lobes)
	var passes [][2]int
	for from := 0; from < len(plans); {
		to := from + 1
		for to < len(plans) && plans[to].block <= blockRange*plans[from].block {
			to++
		}
		passes = append(passes, [2]int{from, to})
		from = to
	}
	// The longest blocks first: what swings slowly is taken off where blocks are too
	// short to fit it.
	var judged []*judgement
	f.slow = slices.DeleteFunc(f.slow, func(x *slowTurn) bool { return x.listed })
	for i := len(passes) - 1; i >= 0; i-- {
		found := t.pass(f, plans, passes[i][0], passes[i][1])
		judged = append(found, judged...)
		if i > 0 {
			f.takeSlow(t, found)
		}
	}
	if n := len(passes); n > 1 { // the search goes on in the longest ones
		f.takeOff(plans[len(plans)-1].block)
		var orders []float64
		for _, p := range byShaft(plans) {
			orders = append(orders, float64(t.Shafts[p.shaft].TurnsPerCamTurn))
		}
		degree := longDegree
		for _, p := range plans[passes[n-1][0]:] {
			degree = min(degree, p.degree)
		}
		f.run(plans[len(plans)-1].block, degree, append(orders, f.extraOrders()...))
		f.judgeExtra(f.swings(), len(plans))
	}
	if len(plans) == 0 { // the lobes alone
		if f.turns < leastBlocks*float64(max(short.least, 1)) {
			return
		}
		block := max(short.block, int(math.Ceil(short.least)))
		f.takeOff(block)
		f.run(block, shortDegree, f.extraOrders())
		f.judgeExtra(f.swings(), 0)
	}
	t.search(f, d, turns, plans, judged)
}

// plans chooses blocks for each shaft whose swing may be told, shorter ones first.
func (t *DriveTrain) plans(f *driveFit, d *Drive, turns []*big.Rat) (plans []plan) {
	for i := range t.Shafts {
		s := &t.Shafts[i]
		o := seenAt(turns[i], d.Lobes)
		if o.sight == SightNone || o.sight == SightLobes {
			s.IndistinguishableFrom = append(s.IndistinguishableFrom, LobesName)
			continue
		}
		apparent, _ := o.apparent.Float64()
		p := f.plan(apparent, d.Lobes)
		if p.block == 0 {
			s.NeedsTurns = Known(leastTurns(apparent, d.Lobes))
			continue
		}
		p.shaft = i
		plans = append(plans, p)
	}
	slices.SortStableFunc(plans, func(a, b plan) int { return cmp.Compare(a.block, b.block) })
	return plans
}

func newDriveTrain(d *Drive) *DriveTrain {
	t := &DriveTrain{ExpectedIPM: d.ExpectedIPM(), Shafts: []ShaftSwing{}, Unlisted: []UnlistedTurn{}, Meshes: []MeshSwing{}, Lobes: d.Lobes}
	turns := d.Turns()
	for i, s := range d.Shafts {
		r, _ := turns[i].Float64()
		x := ShaftSwing{Name: s.Name, TurnsPerCamTurn: Rounded(r), IndistinguishableFrom: []string{}, Kind: SwingNone, SameJerkAs: []string{},
			Sight: seenAt(turns[i], d.Lobes).sight, Teeth: s.OwnTeeth}
		if i == 0 {
			for _, other := range d.Shafts[1:] {
				if other.From == s.Name {
					x.Teeth = other.DrivingTeeth
					break
				}
			}
		}
		t.Shafts = append(t.Shafts, x)
	}
	return t
}

// addContact makes series of the longest stretch of a contact.
func (f *driveFit) addContact(c *DriveContact, first bool, t *DriveTrain) {
	from, to := longestStretch(c.Openings)
	if to-from > MostDriveOpenings {
		from = to - MostDriveOpenings
	}
	rows := c.Openings[from:to]
	if first {
		t.Left = len(c.Openings) - len(rows)
	}
	if len(rows) < 2 || rows[len(rows)-1].N <= rows[0].N || rows[len(rows)-1].N-rows[0].N > math.MaxInt32/2 {
		return
	}
	L := c.Lobes
	end := &rows[len(rows)-1]
	open := &edgeSeries{lobes: L, angle: make([]float64, L)}
	for j := range open.angle {
		open.angle[j] = float64(j) / float64(L)
	}
	base := rows[0].At
	if first {
		f.turnNS = float64(end.At-base) / float64(end.N-rows[0].N) * float64(L)
		f.turns = float64(end.N-rows[0].N) / float64(L)
		f.base = base
		t.Turns, t.Openings = Rounded(f.turns), len(rows)
	}
	open.grow(len(rows))
	for i := range rows {
		open.add(rows[i].N-rows[0].N, int64(rows[i].At-f.base))
	}
	if !first {
		a, b, ok := f.align(open)
		if !ok {
			return
		}
		rows = rows[a:b]
		open.n, open.at, open.w, open.e = open.n[a:b], open.at[a:b], open.w[a:b], open.e[a:b]
	}
	t.Contacts++
	f.series = append(f.series, open)
	if closed := closingsOf(rows, open, f); closed != nil {
		f.series = append(f.series, closed)
		t.Closings = true
	}
}

// longestStretch gives the bounds of the stretch with the most openings.
func longestStretch(o []DriveOpening) (from, to int) {
	for i := 0; i < len(o); {
		j := i + 1
		for j < len(o) && o[j].Stretch == o[i].Stretch && o[j].N > o[j-1].N && o[j].At > o[j-1].At {
			j++
		}
		if j-i > to-from {
			from, to = i, j
		}
		i = j
	}
	return from, to
}

func (s *edgeSeries) grow(n int) {
	s.n, s.at = make([]int32, 0, n), make([]int64, 0, n)
	s.w, s.e = make([]float32, 0, n), make([]float32, 0, n)
}

func (s *edgeSeries) add(n, at int64) {
	s.n, s.at = append(s.n, int32(n)), append(s.at, at)
	s.w, s.e = append(s.w, 1), append(s.e, 0)
}

// closingsOf makes a series of the closings, where three in four are known.
func closingsOf(rows []DriveOpening, open *edgeSeries, f *driveFit) *edgeSeries {
	known := 0
	for i := range rows {
		if rows[i].BreakNS > 0 {
			known++
		}
	}
	if 4*known < 3*len(rows) {
		return nil
	}
	c := &edgeSeries{lobes: open.lobes, first: open.first, opens: open, angle: slices.Clone(open.angle)}
	c.grow(known)
	breaks := make([][]int64, c.lobes)
	stride := known/(301*c.lobes) + 1 // some hundreds tell a median well enough for an angle
	for i := range rows {
		o := &rows[i]
		if o.BreakNS <= 0 {
			continue
		}
		c.add(int64(open.n[i]), open.at[i]+o.BreakNS)
		if turn := int(open.n[i]) / c.lobes; turn%stride == 0 {
			j := c.lobe(len(c.n) - 1)
			breaks[j] = append(breaks[j], o.BreakNS)
		}
	}
	for j, b := range breaks {
		if len(b) > 0 {
			slices.Sort(b)
			c.angle[j] += float64(b[len(b)/2]) / f.turnNS
		}
	}
	return c
}

// align gives another contact's lobes their angle on the cam shaft, by the first
// contact's openings around its own. It gives the run of rows that those cover.
func (f *driveFit) align(s *edgeSeries) (from, to int, ok bool) {
	ref := f.series[0]
	// The angle of the cam shaft at a time, in turns.
	k := 0
	angle := func(at int64) (float64, bool) {
		for k+1 < len(ref.at) && ref.at[k+1] <= at {
			k++
		}
		if k+1 >= len(ref.at) || ref.at[k] > at {
			return 0, false
		}
		a := func(i int) float64 { return float64(ref.turn(i)) + ref.angle[ref.lobe(i)] }
		part := float64(at-ref.at[k]) / float64(ref.at[k+1]-ref.at[k])
		return a(k) + part*(a(k+1)-a(k)), true
	}
	var rows []int
	var angles []float64
	for i := range s.at {
		if a, ok := angle(s.at[i]); ok {
			rows, angles = append(rows, i), append(angles, a)
		}
	}
	const least = 10 // turns
	if len(rows) < 2 {
		return 0, 0, false
	}
	lastRow, L := rows[len(rows)-1], float64(s.lobes)
	went, own := angles[len(angles)-1]-angles[0], float64(s.n[lastRow]-s.n[rows[0]])/L
	// Half a lobe's turn in the whole record would already shift the count.
	if went < least || math.Abs(went-own) > 0.5/L {
		return 0, 0, false
	}
	s.first = int(math.Floor(angles[0] - float64(s.n[rows[0]])/L))
	sum, n := make([]float64, s.lobes), make([]float64, s.lobes)
	for i, r := range rows {
		j := s.lobe(r)
		sum[j] += angles[i] - float64(s.turn(r))
		n[j]++
	}
	for j := range sum {
		if n[j] > 0 {
			s.angle[j] = sum[j] / n[j]
		}
	}
	return rows[0], lastRow + 1, true
}

// A plan is in what blocks a shaft is fitted.
type plan struct {
	shaft, block, degree int
	apparent, least      float64 // least: turns of the shortest block
}

// plan chooses blocks for an order that seems to be apparent among the openings;
// block is 0 where there are too few turns.
func (f *driveFit) plan(apparent float64, lobes int) plan {
	rows := float64(leastRows) / float64(lobes)
	p := plan{degree: longDegree, apparent: apparent, least: max(shortCycles/apparent, rows)}
	long := math.Ceil(max(longCycles/apparent, rows, 2))
	if f.turns >= leastBlocks*long {
		p.block = int(long)
		return p
	}
	p.degree = shortDegree
	if short := math.Ceil(p.least); f.turns >= leastBlocks*short {
		p.block = int(short)
	}
	return p
}

// leastTurns is how many turns of the cam a swing needs to be judged.
func leastTurns(apparent float64, lobes int) float64 {
	return leastBlocks * math.Ceil(max(shortCycles/apparent, float64(leastRows)/float64(lobes)))
}

// A judgement is a swing of a shaft with the index that it has in the train.
type judgement struct {
	shaft int
	*swing
	block int // of the fit that it is from
}

// pass fits the shafts of plans together, in blocks for those from one index to
// another, and judges these. The others are in it as far as the blocks show them,
// so that no strong swing is left in the noise.
func (t *DriveTrain) pass(f *driveFit, plans []plan, from, to int) (all []*judgement) {
	// Shafts in their own order, so that the one nearest to the motor stands for
	// those that look like it.
	order := byShaft(plans)
	var orders []float64
	for _, p := range order {
		orders = append(orders, float64(t.Shafts[p.shaft].TurnsPerCamTurn))
	}
	orders = append(orders, f.extraOrders()...)
	pass := plans[from:to]
	degree := longDegree
	for _, p := range pass {
		degree = min(degree, p.degree)
	}
	f.takeOff(pass[len(pass)-1].block)
	parts := f.run(pass[len(pass)-1].block, degree, orders)
	swings := f.swings()
	f.judgeExtra(swings, len(order))
	mine := func(p plan) bool {
		return slices.ContainsFunc(pass, func(q plan) bool { return q.shaft == p.shaft })
	}
	groups := map[int][]int{} // those that look like the one kept
	for i, p := range parts[:len(order)] {
		if p.twin >= 0 && p.lobes >= ownPart {
			groups[p.twin] = append(groups[p.twin], i)
		}
	}
	for i, p := range order {
		s := &t.Shafts[p.shaft]
		x := parts[i]
		switch {
		case !mine(p):
			continue
		case x.seen < ownPart: // openings at two points of its turn
			continue
		case x.wander < ownPart:
			s.NeedsTurns = Known(math.Ceil(leastBlocks * longCycles / p.apparent))
			continue
		case x.lobes < ownPart:
			s.IndistinguishableFrom = append(s.IndistinguishableFrom, LobesName)
			// It gets ahead of a whole number of turns, or falls behind, once in so many.
			if beat := math.Abs(p.apparent - math.Round(p.apparent)); beat > 0 {
				s.NeedsTurns = Known(math.Ceil(1/beat - 1e-6)) // but for rounding
			}
			continue
		}
		kept := i
		if x.twin >= 0 {
			kept = x.twin
		}
		if group := groups[kept]; len(group) > 0 {
			for _, j := range append([]int{kept}, group...) {
				if j != i {
					s.IndistinguishableFrom = append(s.IndistinguishableFrom, t.Shafts[order[j].shaft].Name)
				}
			}
		}
		w := swings[kept]
		if w == nil {
			continue
		}
		t.tell(s, w, orders[kept], f)
		if kept == i {
			all = append(all, &judgement{p.shaft, w, f.block})
		}
	}
	return all
}

// byShaft sorts plans as the shafts of the train.
func byShaft(plans []plan) []plan {
	order := slices.Clone(plans)
	slices.SortFunc(order, func(a, b plan) int { return cmp.Compare(a.shaft, b.shaft) })
	return order
}

// tell fills in the figures of a shaft's swing, which was fitted at an order that
// looks like the shaft's own.
func (t *DriveTrain) tell(s *ShaftSwing, w *swing, order float64, f *driveFit) {
	a := w.amplitude()
	s.AmplitudeMS = Known(ms(a))
	s.AmplitudeDeg = Known(a / f.turnNS * float64(s.TurnsPerCamTurn) * 360)
	// a sin(2π r θ + φ) = a sin φ cos … + a cos φ sin …
	s.PhaseDeg = Known(f.phaseOf(math.Atan2(w.cos, w.sin), order, float64(s.TurnsPerCamTurn)))
	s.FalseAlarm = Known(w.p) // of this one alone; search counts the others
	low, high := w.interval()
	s.AmplitudeSEMS, s.AmplitudeLowMS, s.AmplitudeHighMS = Known(ms(w.se)), Known(ms(low)), Known(ms(high))
}

// shares fills in how much of the variance of the openings is whose, by the fit
// at hand, and what is left. Each share is the part of the sum of squares that the
// normal equations give its coefficients.
func (t *DriveTrain) shares(f *driveFit, plans []plan) {
	s := f.series[0]
	g := &s.g
	// What was taken off beforehand is no part of the sum of squares.
	total := g.yy
	for _, x := range f.slow {
		if x.off {
			total += g.weight * (x.cos*x.cos + x.sin*x.sin) / 2
		}
	}
	if !(total > 0) {
		return
	}
	order := byShaft(plans)
	part := func(sum float64) Num { return Known(min(max(sum/total, 0), 1)) }
	for _, x := range f.slow {
		if x.off {
			x.share = part(g.weight * (x.cos*x.cos + x.sin*x.sin) / 2)
		}
	}
	// What the fit explains is shared out by the square of each one's own part, so
	// that one beside a strong one that is much like it gets no more than it makes.
	L, c := s.lobes, 2*len(f.orders)
	explained, squares, struck := 0.0, 0.0, false
	lobes, square := 0.0, 0.0
	for l := range L {
		lobes += s.off[l] * g.l[l]
		square += s.off[l] * s.off[l] * g.ll[l*L+l]
		for m := range l {
			square += 2 * s.off[l] * s.off[m] * g.ll[l*L+m]
		}
	}
	explained, squares = lobes, square
	swept, own := map[int]float64{}, map[int]float64{}
	for _, o := range f.kept {
		a, b := f.beta[2*o], f.beta[2*o+1]
		swept[o] = a*g.s[2*o] + b*g.s[2*o+1]
		own[o] = a*a*g.ss[2*o*c+2*o] + 2*a*b*g.ss[(2*o+1)*c+2*o] + b*b*g.ss[(2*o+1)*c+2*o+1]
		explained, squares = explained+swept[o], squares+own[o]
		struck = struck || o < len(order) && t.Shafts[order[o].shaft].Struck != nil
	}
	if !struck && explained > 0 && squares > 0 {
		lobes = square * explained / squares
		for o := range own {
			swept[o] = own[o] * explained / squares
		}
	}
	t.LobesShare = part(lobes)
	rest := 1 - t.LobesShare.V
	for _, x := range f.slow {
		rest -= x.share.V
	}
	for _, o := range f.kept {
		if o >= len(order) { // something else that was found
			if e := o - len(order); e < len(f.extra) {
				f.extra[e].share = part(swept[o])
				rest -= f.extra[e].share.V
			}
			continue
		}
		x := &t.Shafts[order[o].shaft]
		sum := swept[o]
		if x.Struck != nil {
			sum += x.Struck.share
		}
		x.Share = part(sum)
		rest -= x.Share.V
	}
	for i := range t.Shafts {
		if x := &t.Shafts[i]; !x.Share.OK && x.AmplitudeMS.OK {
			x.Share = Known(0) // one that it looks like has it
		}
	}
	t.ResidualShare = Known(min(max(rest, 0), 1))
	t.ResidualMS = Known(ms(s.scale))
}

const (
	// speedAgrees is by how much a motor's speed may be off before it is said: a
	// loaded induction motor slips less.
	speedAgrees = 0.05
	lobesAgree  = 0.02
)

// speed compares the rate with the drive's.
func (t *DriveTrain) speed(d *Drive, turnNS float64) {
	motor, _ := d.Turns()[0].Float64()
	s := &DriveSpeed{MeasuredIPM: Known(60e9 / turnNS * float64(d.Lobes)), MotorRPM: Known(60e9 / turnNS * motor)}
	t.Speed = s
	if !t.ExpectedIPM.OK {
		return
	}
	s.Ratio = Known(s.MeasuredIPM.V / t.ExpectedIPM.V)
	agrees := math.Abs(s.Ratio.V-1) <= speedAgrees
	s.Agrees = &agrees
	lobes := math.Round(float64(d.Lobes) * s.Ratio.V)
	if fits := lobes >= 1 && lobes <= MostDriveLobes && math.Abs(float64(d.Lobes)*s.Ratio.V/lobes-1) <= lobesAgree; fits && !agrees {
		n := int(lobes)
		s.LobesThatFit = &n
	}
}

// A driveReader gathers the openings of a cam.
type driveReader struct {
	drive *Drive
	off   bool // a contact that is watched without end is fitted by others
	rows  []DriveOpening
	from  int // of rows, once they are full
	more  int // openings before those
}

func newDriveReader(c *Config) *driveReader { return &driveReader{drive: c.Drive, off: c.Forget} }

func (d *driveReader) observer() Observer {
	if d.off {
		return Observer{}
	}
	return Observer{Cycle: d.cycle}
}

func (d *driveReader) cycle(r *CycleRow) {
	o := DriveOpeningOf(r)
	if len(d.rows) < MostDriveOpenings {
		d.rows = append(d.rows, o)
		return
	}
	d.rows[d.from] = o
	d.from = (d.from + 1) % MostDriveOpenings
	d.more++
}

// DriveOpeningOf gives the opening that begins a cycle.
func DriveOpeningOf(r *CycleRow) DriveOpening {
	o := DriveOpening{At: r.At, N: int64(r.Cycle) - 1, Stretch: r.Stretch}
	if !r.Faulty() && r.SegmentsNS == nil {
		o.BreakNS = r.BreakNS
	}
	return o
}

func (d *driveReader) finish(m *Meter, r *Measurement) {
	if d.off || r.Interrupter == nil {
		return
	}
	rows := d.rows
	if d.from > 0 {
		rows = slices.Concat(rows[d.from:], rows[:d.from])
	}
	d.rows = nil
	contacts := []DriveContact{{d.drive.Lobes, rows}}
	if a := m.cfg.Against; a != nil && a.Openings != nil {
		contacts = append(contacts, DriveContact{d.drive.Lobes, a.Openings[max(0, len(a.Openings)-MostDriveOpenings):]})
	}
	r.DriveTrain = fitDrive(d.drive, contacts, m.setup.ResolutionNS)
	r.DriveTrain.Left += d.more
	if from, to := longestStretch(rows); to > from {
		r.DriveTrain.PhaseAtS = Known(float64(rows[max(from, to-MostDriveOpenings)].At-m.first) / 1e9)
	}
}
