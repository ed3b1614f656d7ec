package trend

import (
	"cmp"
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
	// grown is the factor by which a shaft's swing grows to be a finding; surelyThere
	// is the false-alarm probability below which there is a swing at all.
	grown       = 2
	surelyThere = 1e-4
	// sameStep is within what time two steps are one: where it lies is not exact.
	sameStep = anHour
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
	Lobe     int            `json:"lobe,omitempty"`
	Of       string         `json:"of,omitempty"` // of a lobe: "opening" or "break"
	Shaft    string         `json:"shaft,omitempty"`
}

// A Change is something that was not so before.
type Change struct {
	Kind    ChangeKind
	Subject Subject
	// Since is when it began: a drift's first window, a step's own time.
	Since pulse.Stamp
	Trend *pulse.Trend // of a drift or a step; nil otherwise
	// Of a shaft: its swing, and what it was after the last work on the contact.
	SwingMS, BeforeMS float64
}

// told is what has been told of a contact.
type told struct {
	worked   pulse.Stamp // when the contact was last worked on before
	of       map[Subject]*toldOf
	baseline map[string]float64 // swing of each shaft after the last work, ms
	before   []Change           // told before this start
	standing []Change           // drifts and steps
	swings   map[string]Change  // by shaft
}

type toldOf struct {
	drifting    bool
	agree, calm int // analyses in a row
	step        pulse.Stamp
	stepped     bool
	stepAgree   int
	swing       float64 // told, in ms
}

// changes gives what is new in f, and adds to it what is standing.
func (t *told) changes(s *snapshot, f *Figures) (all []Change) {
	if t.of == nil || s.worked() != t.worked {
		t.begin(s.worked())
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
			all = t.trend(all, Subject{Lobe: l.Lobe, Of: "opening"}, l.Opening, s)
			all = t.trend(all, Subject{Lobe: l.Lobe, Of: "break"}, l.Break, s)
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
	t.of, t.worked, t.baseline = map[Subject]*toldOf{}, worked, map[string]float64{}
	t.swings = map[string]Change{}
	for _, x := range t.before {
		if x.Since < worked {
			continue
		}
		was := t.subject(x.Subject)
		switch x.Kind {
		case Drifting, DriftOver:
			was.drifting = x.Kind == Drifting
		case Stepped:
			was.stepped, was.step = true, x.Since
		case SwingGrown:
			was.swing, t.baseline[x.Subject.Shaft] = x.SwingMS, x.BeforeMS
			t.swings[x.Subject.Shaft] = x
		}
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
	drifts := x.Better == pulse.BetterSlope && sure(x.SlopePerHour, x.Low, x.High)
	was.agree, was.calm = counted(was.agree, drifts), counted(was.calm, !drifts)
	switch {
	case !was.drifting && was.agree >= confirm:
		was.drifting = true
		all = append(all, Change{Kind: Drifting, Subject: of, Since: s.since(), Trend: x})
	case was.drifting && was.calm >= calm:
		was.drifting = false
		all = append(all, Change{Kind: DriftOver, Subject: of, Since: s.since(), Trend: x})
	}
	stepped := x.Better == pulse.BetterStep && x.Step != nil && sure(x.Step.Size, x.Step.Low, x.Step.High)
	was.stepAgree = counted(was.stepAgree, stepped)
	switch {
	case was.drifting && drifts:
		t.standing = append(t.standing, Change{Kind: Drifting, Subject: of, Since: s.since(), Trend: x})
	case was.stepped && stepped:
		t.standing = append(t.standing, Change{Kind: Stepped, Subject: of, Since: s.stamp(float64(x.Step.AtS)), Trend: x})
	}
	if stepped && was.stepAgree >= confirm {
		at := s.stamp(float64(x.Step.AtS))
		if !was.stepped || at-was.step > sameStep || was.step-at > sameStep {
			was.stepped, was.step = true, at
			all = append(all, Change{Kind: Stepped, Subject: of, Since: at, Trend: x})
		}
	}
	return all
}

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
		t.baseline[x.Name] = x.AmplitudeMS.V
		return all
	}
	was := t.subject(Subject{Shaft: x.Name})
	if x.FalseAlarm.V < surelyThere && x.AmplitudeMS.V >= grown*max(base, was.swing) && x.AmplitudeLowMS.OK && x.AmplitudeLowMS.V > base {
		was.swing = x.AmplitudeMS.V
		all = append(all, Change{Kind: SwingGrown, Subject: Subject{Shaft: x.Name}, Since: s.since(), SwingMS: x.AmplitudeMS.V, BeforeMS: base})
		t.swings[x.Name] = all[len(all)-1]
	}
	return all
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
