package trend

import (
	"cmp"
	"slices"

	"makebreak/pulse"
)

const (
	// What is kept of the windows: the latest as they came, then in steps of ten
	// minutes, then of hours. Together they reach back a month, in the memory of a
	// day of minutes.
	mostMinutes = 360
	mostTens    = 288
	mostHours   = 696

	// The first windows since the last work stay as they came: the target of a chart
	// and its σ come from them, as when a whole recording is looked at.
	mostFirst = 60

	tenMinutes = pulse.Stamp(600e9)
	anHour     = pulse.Stamp(3600e9)
)

// A series is a row of windows in order of time, the older the coarser.
type series struct {
	first, hours, tens, minutes []*pulse.Window
	splits                      []pulse.Stamp // that no window reaches over, in order
}

// newSeries makes a series of windows in order of time.
func newSeries(splits []pulse.Stamp, all []*pulse.Window) series {
	s := series{splits: splits}
	for _, w := range all {
		s.add(w)
	}
	return s
}

// add takes the next window.
func (s *series) add(w *pulse.Window) {
	if n := len(s.splits); len(s.first) < mostFirst && w.Rate.N > 0 && (n == 0 || w.From >= s.splits[n-1]) {
		s.first = append(s.first, w)
		return
	}
	s.minutes = append(s.minutes, w)
	s.minutes, s.tens = s.coarsen(s.minutes, mostMinutes, s.tens, tenMinutes)
	s.tens, s.hours = s.coarsen(s.tens, mostTens, s.hours, anHour)
	if n := len(s.hours) - mostHours; n > 0 {
		s.hours = append(s.hours[:0:0], s.hours[n:]...)
	}
}

// coarsen moves the oldest windows of from into to, those of one step as one, while
// there are more than most.
func (s *series) coarsen(from []*pulse.Window, most int, to []*pulse.Window, step pulse.Stamp) (rest, coarse []*pulse.Window) {
	for len(from) > most {
		n := 1
		for n < len(from) && s.together(from[0], from[n], step) {
			n++
		}
		if n == len(from) { // the step at hand may not be over
			break
		}
		w := *from[0]
		for _, o := range from[1:n] {
			w.Merge(o)
		}
		to = append(to, &w)
		from = append(from[:0:0], from[n:]...)
	}
	return from, to
}

// together tells whether two windows lie in one step of time, on the same side of
// every split.
func (s *series) together(a, b *pulse.Window, step pulse.Stamp) bool {
	if floor(a.From, step) != floor(b.From, step) {
		return false
	}
	for _, at := range s.splits {
		if a.From < at && at <= b.From {
			return false
		}
	}
	return true
}

// floor rounds down, also below 0: a log's windows of before this boot lie there.
func floor(at, step pulse.Stamp) pulse.Stamp {
	r := at % step
	if r < 0 {
		r += step
	}
	return at - r
}

// all gives the windows in order of time. They must not be changed.
func (s *series) all() []*pulse.Window {
	all := slices.Concat(s.first, s.hours, s.tens, s.minutes)
	slices.SortStableFunc(all, func(a, b *pulse.Window) int { return cmp.Compare(a.From, b.From) })
	return all
}

// dropLobes forgets what the lobes did.
func (s *series) dropLobes() {
	for _, level := range [][]*pulse.Window{s.first, s.hours, s.tens, s.minutes} {
		for i, w := range level {
			if w.Lobes != nil {
				x := *w // an analysis may still look at it
				x.Lobes = nil
				level[i] = &x
			}
		}
	}
}
