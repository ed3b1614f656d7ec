package trend

import (
	"cmp"
	"maps"
	"math"
	"slices"

	"makebreak/pulse"
)

const (
	// surely is how many standard errors a slope or a step must have to be a finding.
	// Some 250 figures of a site are looked at once a minute for years, and 5 leaves
	// less than one finding by chance in that time.
	surely = 5
	// leastWindows is an hour: a first warming up is no wear.
	leastWindows = 60
	// confirm is how many analyses in a row must agree, so that a passing visitor is
	// no finding, and calm how many until what was found is over.
	confirm = 3
	calm    = 60
	// baselineTime is how long a contact is followed before its shafts have a swing to
	// compare with: that of some minutes is hardly known.
	baselineTime = anHour
	// grown is the factor by which a shaft's swing grows to be a finding; surelyThere
	// is the false-alarm probability below which there is a swing at all.
	grown       = 2
	surelyThere = 1e-4
	// sameStep is within what time two steps are one: where it lies is not exact.
	sameStep = anHour
	// stepRest is how long after a step the next one of the same figure is told: what
	// goes up and down every day is no news.
	stepRest = 24 * anHour
)

// A ChangeKind says what has changed.
type ChangeKind uint8

// The kinds of changes.
const (
	Drifting   ChangeKind = iota // a figure drifts
	DriftOver                    // it no longer does
	Stepped                      // a figure has made a step
	SwingGrown                   // a shaft swings more than it did
)

// A Subject is what a change is of: a quantity, an error of a lobe, or a shaft.
type Subject struct {
	Quantity pulse.Quantity `json:"quantity,omitempty"`
	Lobe     int            `json:"numbered_lobe,omitempty"` // in its numbering
	Of       string         `json:"of,omitempty"`            // of a lobe: "opening" or "break"
	Shaft    string         `json:"shaft,omitempty"`
}

// A Change is something that was not so before.
type Change struct {
	Kind    ChangeKind
	Subject Subject
	Lobe    int // number that is shown, 0 for none
	// Since is when it began: a drift's first window, a step's own time.
	Since pulse.Stamp
	Trend *pulse.Trend // of a drift or a step; nil otherwise
	// Of a shaft: its swing, and what it was after the last work on the contact.
	SwingMS, BeforeMS float64
	Worked            bool // Of a shaft: somebody has worked on the contact, so BeforeMS is of after that
}

// told is what has been told of a contact.
type told struct {
	worked   pulse.Stamp // when the contact was last worked on before
	of       map[Subject]*toldOf
	baseline map[string]swing  // of each shaft after the last work
	before   []Change          // told before this start
	base     *pulse.DriveTrain // see Baseline
	standing []Change          // drifts and steps
	swings   map[string]Change // by shaft

	another, anotherLobes, anotherDrive int // of the snapshot
}

// remember takes what was told before this start.
func (t *told) remember(before []Change) {
	t.before = before
	for _, x := range before {
		if t.of != nil && x.Since >= t.worked {
			t.was(&x)
		}
	}
}

// was takes what was told.
func (t *told) was(x *Change) {
	was := t.subject(x.Subject)
	switch x.Kind {
	case Drifting, DriftOver:
		was.drifting = x.Kind == Drifting
	case Stepped:
		was.steps = append(was.steps, x.Since)
	case SwingGrown:
		was.swing, t.baseline[x.Subject.Shaft] = x.SwingMS, swing{x.BeforeMS, x.BeforeMS}
		t.swings[x.Subject.Shaft] = *x
	}
}

// A swing is that of a shaft and its upper bound, in ms.
type swing struct{ ms, high float64 }

type toldOf struct {
	drifting    bool
	agree, calm int           // analyses in a row
	steps       []pulse.Stamp // told
	stepTold    pulse.Stamp   // when the latest was
	stepAt      pulse.Stamp   // that was seen at the latest analysis
	stepAgree   int
	swing       float64 // told, in ms
}

// changes gives what is new in f, and adds to it what is standing.
func (t *told) changes(s *snapshot, f *Figures) (all []Change) {
	if t.of == nil || s.worked() != t.worked || s.another != t.another {
		if t.of != nil && s.another != t.another {
			t.before = nil
		}
		t.begin(s.worked())
		t.another, t.anotherLobes, t.anotherDrive = s.another, s.anotherLobes, s.anotherDrive
	}
	if s.anotherLobes != t.anotherLobes {
		t.anotherLobes = s.anotherLobes
		maps.DeleteFunc(t.of, func(of Subject, _ *toldOf) bool { return of.Lobe > 0 })
	}
	if s.anotherDrive != t.anotherDrive {
		t.anotherDrive = s.anotherDrive
		maps.DeleteFunc(t.of, func(of Subject, _ *toldOf) bool { return of.Shaft != "" })
		t.baseline, t.swings = map[string]swing{}, map[string]Change{}
	}
	t.standing = t.standing[:0]
	if d := f.Drift; d != nil && d.Windows >= leastWindows {
		rate := pulse.RatePPS
		if s.set.Kind == pulse.KindInterrupter {
			rate = pulse.RateIPM
		}
		all = t.trend(all, Subject{Quantity: rate}, d.Rate, s)
		all = t.trend(all, Subject{Quantity: pulse.BreakPercent}, d.BreakPercent, s)
		for i := range d.Lobes {
			l := &d.Lobes[i]
			all = t.trend(all, Subject{Lobe: s.numbered(l.Lobe), Of: "opening"}, l.Opening, s)
			all = t.trend(all, Subject{Lobe: s.numbered(l.Lobe), Of: "break"}, l.Break, s)
		}
	}
	if base := t.base; base != nil {
		t.base = nil
		for i := range base.Shafts {
			if x := &base.Shafts[i]; x.AmplitudeMS.OK && x.AmplitudeHighMS.OK {
				if _, known := t.baseline[x.Name]; !known {
					t.baseline[x.Name] = swing{x.AmplitudeMS.V, x.AmplitudeHighMS.V}
				}
			}
		}
	}
	if f.Train != nil && s.trainDue {
		for i := range f.Train.Shafts {
			all = t.shaft(all, &f.Train.Shafts[i], s)
		}
	}
	f.Standing = slices.Clone(t.standing)
	for _, x := range t.swings {
		f.Standing = append(f.Standing, x)
	}
	slices.SortStableFunc(f.Standing[len(t.standing):], func(a, b Change) int { return cmp.Compare(a.Subject.Shaft, b.Subject.Shaft) })
	return all
}

// begin takes what was told since the last work.
func (t *told) begin(worked pulse.Stamp) {
	t.of, t.worked, t.baseline = map[Subject]*toldOf{}, worked, map[string]swing{}
	t.swings = map[string]Change{}
	for _, x := range t.before {
		if x.Since < worked {
			continue
		}
		t.was(&x)
	}
}

func (t *told) subject(of Subject) *toldOf {
	x := t.of[of]
	if x == nil {
		x = new(toldOf)
		t.of[of] = x
	}
	return x
}

func (t *told) trend(all []Change, of Subject, x *pulse.Trend, s *snapshot) []Change {
	if x == nil {
		return all
	}
	was := t.subject(of)
	drifts := x.Better == pulse.BetterSlope && !x.Bent && sure(x.SlopePerHour, x.Low, x.High)
	was.agree, was.calm = counted(was.agree, drifts), counted(was.calm, !drifts)
	lobe := 0
	if of.Lobe > 0 {
		lobe = s.shown(of.Lobe)
	}
	drift := Change{Subject: of, Lobe: lobe, Since: s.since(), Trend: x}
	switch {
	case !was.drifting && was.agree >= confirm:
		was.drifting, drift.Kind = true, Drifting
		all = append(all, drift)
	case was.drifting && was.calm >= calm:
		was.drifting, drift.Kind = false, DriftOver
		all = append(all, drift)
	}
	if was.drifting && drifts {
		drift.Kind = Drifting
		t.standing = append(t.standing, drift)
	}
	if x.Better != pulse.BetterStep || x.Step == nil || !sure(x.Step.Size, x.Step.Low, x.Step.High) {
		was.stepAgree = 0
		return all
	}
	step := Change{Kind: Stepped, Subject: of, Lobe: lobe, Since: s.stamp(float64(x.Step.AtS)), Trend: x}
	if !near(step.Since, was.stepAt) {
		was.stepAgree = 0
	}
	was.stepAt = step.Since
	was.stepAgree++
	if was.stepAgree < confirm {
		return all
	}
	t.standing = append(t.standing, step)
	known := slices.ContainsFunc(was.steps, func(at pulse.Stamp) bool { return near(at, step.Since) })
	if !known && (len(was.steps) == 0 || s.now-was.stepTold >= stepRest) {
		was.steps, was.stepTold = append(was.steps, step.Since), s.now
		all = append(all, step)
	}
	return all
}

// near tells that two steps may be one.
func near(a, b pulse.Stamp) bool { return max(a-b, b-a) <= sameStep }

// counted counts what was so in a row.
func counted(n int, so bool) int {
	if so {
		return n + 1
	}
	return 0
}

// sure tells that a figure is surely not 0, by its 95 % interval.
func sure(v, low, high pulse.Num) bool {
	const z95 = 1.96 // half of a 95 % interval, in standard errors
	return v.OK && low.OK && high.OK && math.Abs(v.V) > surely*(high.V-low.V)/(2*z95) && low.V*high.V > 0
}

func (t *told) shaft(all []Change, x *pulse.ShaftSwing, s *snapshot) []Change {
	if !x.AmplitudeMS.OK || !x.FalseAlarm.OK {
		return all
	}
	base, known := t.baseline[x.Name]
	if !known {
		if x.AmplitudeHighMS.OK && s.followedFor() >= baselineTime {
			t.baseline[x.Name] = swing{x.AmplitudeMS.V, x.AmplitudeHighMS.V}
		}
		return all
	}
	was := t.subject(Subject{Shaft: x.Name})
	if x.FalseAlarm.V < surelyThere && x.AmplitudeMS.V >= grown*max(base.ms, was.swing) && x.AmplitudeLowMS.OK && x.AmplitudeLowMS.V > base.high {
		was.swing = x.AmplitudeMS.V
		c := Change{Kind: SwingGrown, Subject: Subject{Shaft: x.Name}, Since: s.since(), SwingMS: x.AmplitudeMS.V, BeforeMS: base.ms, Worked: s.worked() > math.MinInt64}
		t.swings[x.Name] = c
		all = append(all, c)
	}
	return all
}

// followedFor is how long the latest openings, or those since the last work, reach.
func (s *snapshot) followedFor() pulse.Stamp {
	o := s.driveOpenings()
	if len(o) == 0 {
		return 0
	}
	return o[len(o)-1].At - o[0].At
}

// Baseline gives what the shafts did after the last work, before this start: the fit
// of the openings of an hour. The goroutine that analyses calls it.
func (c *Contact) Baseline(t *pulse.DriveTrain) {
	c.told.base = t
}

// worked is when the contact was last worked on, the beginning of time if never.
func (s *snapshot) worked() (at pulse.Stamp) {
	at = math.MinInt64
	for _, split := range s.splits {
		at = max(at, split)
	}
	return at
}

// since is where the series begins: with the last work on the contact, or the
// first window.
func (s *snapshot) since() pulse.Stamp {
	if len(s.windows) == 0 {
		return s.worked()
	}
	return max(s.worked(), s.windows[0].From)
}
