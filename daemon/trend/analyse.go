package trend

import (
	"slices"

	"makebreak/pulse"
)

const (
	// trainEvery is how often the drive is fitted: that takes the longest, and a gear
	// wears over days.
	trainEvery = 30 * pulse.Stamp(60e9)
	// lobesOver is how many of the latest windows the lobes' errors are of.
	lobesOver = 10
)

// A snapshot is what an analysis works on, while the Contact goes on.
type snapshot struct {
	set      Setting
	windows  []*pulse.Window
	splits   []pulse.Stamp
	openings []opening
	trainDue bool
	before   Figures
	one      int
	now      pulse.Stamp

	another, anotherLobes, anotherDrive int
}

// Analyse finds out how the contact changes, with what has come up to now, and
// gives what a person would want to know that was not so before. Only one goroutine
// may call it at a time. It takes some tens of milliseconds, and every half an
// hour, where a drive is known, some hundred more.
func (c *Contact) Analyse(now pulse.Stamp) []Change {
	s, any := c.snapshot(now)
	if !any {
		return nil
	}
	f := s.figures(now)
	changes := c.told.changes(&s, &f)
	c.mu.Lock()
	defer c.mu.Unlock()
	if s.another == c.another { // else it is of the contact as it was read before
		c.figures = f
	}
	return changes
}

func (c *Contact) snapshot(now pulse.Stamp) (s snapshot, any bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.fresh {
		return s, false
	}
	c.fresh = false
	s = snapshot{set: c.set, windows: c.series.all(), splits: slices.Clone(c.series.splits), openings: c.latest(), before: c.figures, one: c.one, now: now,
		another: c.another, anotherLobes: c.anotherLobes, anotherDrive: c.anotherDrive}
	if c.set.Drive != nil && (c.fitted == 0 || now-c.fitted >= trainEvery) {
		s.trainDue, c.fitted = true, now
	}
	return s, true
}

func (s *snapshot) figures(now pulse.Stamp) Figures {
	f := Figures{At: now}
	if n := len(s.windows); n > 0 {
		f.Since = s.windows[0].From
		f.Lobes = s.lobes(s.windows[max(0, n-lobesOver):])
	}
	f.Drift = s.drift()
	if s.set.Kind == pulse.KindInterrupter {
		for i, p := range pulse.ADEVAt(s.segments(), Taus[:]...) {
			if p.N > 0 {
				f.Deviations = append(f.Deviations, Deviation{Taus[i], p})
			}
		}
	}
	switch {
	case s.set.Drive == nil:
	case s.trainDue:
		f.Train = pulse.FitDrive(s.set.Drive, s.driveOpenings())
	default:
		f.Train = s.before.Train
	}
	return f
}

// drift is that of the windows, with the numbers of lobes that are shown.
func (s *snapshot) drift() *pulse.Drift {
	if len(s.windows) == 0 {
		return nil
	}
	windows := make([]pulse.Window, len(s.windows))
	for i, w := range s.windows {
		windows[i] = *w
	}
	d := pulse.DriftOf(windows, s.set.Kind, s.since(), &pulse.DriftOptions{Splits: s.splits, Limits: s.set.Limits})
	d.Series = nil
	for i := range d.Lobes {
		d.Lobes[i].Lobe = s.shown(d.Lobes[i].Lobe)
	}
	slices.SortFunc(d.Lobes, func(a, b pulse.LobeTrend) int { return a.Lobe - b.Lobe })
	return d
}

// stamp is the time of seconds in a Drift.
func (s *snapshot) stamp(seconds float64) pulse.Stamp { return s.since() + pulse.Stamp(seconds*1e9) }

// driveOpenings are those since the last work on the contact.
func (s *snapshot) driveOpenings() (all []pulse.DriveOpening) {
	for _, o := range s.openings {
		if o.at >= s.worked() {
			all = append(all, pulse.DriveOpening{At: o.at, N: int64(o.n), BreakNS: o.breakNS, Stretch: int(o.segment)})
		}
	}
	return all
}

// segments are the openings as a clock's phase.
func (s *snapshot) segments() (all []pulse.PhaseSegment) {
	for i, o := range s.openings {
		if i == 0 || o.segment != s.openings[i-1].segment {
			all = append(all, nil)
		}
		last := &all[len(all)-1]
		*last = append(*last, pulse.PhaseSample{N: int64(o.n), At: o.at})
	}
	return all
}

// lobes are the mean errors in some windows, in the numbers that are shown.
func (s *snapshot) lobes(windows []*pulse.Window) []pulse.LobeWindow {
	var sum pulse.Window
	for _, w := range windows {
		if w.Lobes != nil && len(w.Lobes) == s.set.Lobes {
			sum.Merge(&pulse.Window{From: w.From, To: w.To, Lobes: w.Lobes})
		}
	}
	if sum.Lobes == nil {
		return nil
	}
	shown := make([]pulse.LobeWindow, len(sum.Lobes))
	for i, l := range sum.Lobes {
		shown[s.shown(i+1)-1] = l
	}
	return shown
}

// numbered is the number that a shown lobe has in its numbering.
func (s *snapshot) numbered(shown int) int {
	if s.one == 0 || s.set.Lobes == 0 {
		return shown
	}
	return (shown-1+s.one-1)%s.set.Lobes + 1
}

// shown is the number that a lobe is shown by.
func (s *snapshot) shown(lobe int) int {
	if s.one == 0 || s.set.Lobes == 0 {
		return lobe
	}
	n := s.set.Lobes
	return ((lobe-s.one)%n+n)%n + 1
}
