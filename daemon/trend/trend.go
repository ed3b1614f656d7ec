// Package trend keeps how a watched contact changes over hours and days: the means
// of its windows, its latest openings, and what their drift, their steadiness and
// the shafts of the drive were found to be. Memory does not grow with time.
//
// One goroutine feeds a Contact, another one analyses it; any number may ask it for
// Figures meanwhile.
package trend

import (
	"cmp"
	"reflect"
	"slices"
	"sync"

	"makebreak/pulse"
)

// MostOpenings bounds the latest openings: two hours at 120 a minute, enough for
// the deviation at 1000 s, and for a shaft's swing far below the jitter of one
// opening.
const MostOpenings = 1 << 14

// A Setting is how a contact is read, as far as its changes go.
type Setting struct {
	Kind     pulse.Kind
	Polarity pulse.Polarity
	Segments int // of the cadence, 0 for none
	Lobes    int
	Limits   *pulse.Profile
	Drive    *pulse.Drive
}

// A Contact is one contact whose changes are followed.
type Contact struct {
	mu       sync.Mutex
	keep     func(*pulse.Window, int) // see Keep; may be nil
	set      Setting
	windows  *pulse.Windows // of the Meter in use
	series   series
	hour     *pulse.Window // of the lobes, not kept yet
	openings []opening     // the latest; once it is full, the oldest is at next
	next     int
	segment  int32 // of the latest opening
	phase    pulse.PhaseReader
	fresh    bool // there is something that was not analysed
	figures  Figures
	fitted   pulse.Stamp // when the drive was, 0 for never
	one      int         // see ShowLobe
	begun    bool
	// How often what was told before became that of something else.
	another, anotherLobes, anotherDrive int
	numbered                            int         // numbering of the lobes in the series, 0 for none
	rowed                               pulse.Stamp // of the latest row
	row                                 pulse.CycleRow

	told told // of the goroutine that analyses
}

// An opening is what is kept of one cycle. Openings of one segment count on without
// unknown time between them.
type opening struct {
	at      pulse.Stamp
	breakNS int64 // 0: not known, or faulty
	n       int64 // number among the due ones in the segment
	segment int32
}

// New makes the contact.
func New() *Contact { return new(Contact) }

// Keep sets what is told about each hour what the lobes did in it and by which
// numbering, by the goroutine that feeds.
func (c *Contact) Keep(hour func(w *pulse.Window, numbering int)) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.keep = hour
}

// Begin is called before each new Meter. The rows of that Meter go to the Observer,
// with the Numbering that the log has for their lobes.
// What was gathered before stays, unless the setting makes another contact of it.
func (c *Contact) Begin(s Setting) pulse.Observer {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case !c.begun: // what the log has of before may be here already
	case s.Kind != c.set.Kind || s.Polarity != c.set.Polarity || s.Segments != c.set.Segments:
		c.series = series{splits: c.series.splits}
		c.openings, c.next, c.hour, c.figures = nil, 0, nil, Figures{}
		c.another++
	case s.Lobes != c.set.Lobes:
		c.otherLobes(0)
	}
	if !reflect.DeepEqual(s.Drive, c.set.Drive) {
		c.fitted = 0
		c.anotherDrive++
	}
	c.set, c.fresh, c.begun = s, true, true
	c.segment++
	c.phase = pulse.PhaseReader{}
	c.windows = pulse.NewWindows(s.Kind, 0, s.Lobes, c.window)
	for _, at := range c.series.splits {
		if at > c.rowed {
			c.windows.SplitAt(at)
		}
	}
	inner := c.windows.Observer()
	return pulse.Observer{Event: locked(&c.mu, inner.Event), Pulse: locked(&c.mu, inner.Pulse), Cycle: locked(&c.mu, func(r *pulse.CycleRow) {
		c.rowed = r.At
		c.cycle(r)
		c.row = *r
		c.row.Numbering = c.numbering(r)
		if inner.Cycle != nil {
			inner.Cycle(&c.row)
		}
	})}
}

// numbering is 1 for a row whose lobe has a number. Lobes with other numbers than
// those so far are other lobes, as far as can be told.
func (c *Contact) numbering(r *pulse.CycleRow) int {
	if c.set.Lobes == 0 || r.Numbering == 0 {
		return 0
	}
	if r.Numbering != c.numbered {
		c.otherLobes(r.Numbering)
	}
	return 1
}

// otherLobes begins to gather the lobes of another numbering, 0 for none yet.
func (c *Contact) otherLobes(numbering int) {
	c.saveHour()
	if c.numbered != 0 {
		c.series.dropLobes()
		c.anotherLobes++
	}
	c.numbered = numbering
}

// saveHour keeps what the lobes did since the hour began.
func (c *Contact) saveHour() {
	if c.hour != nil && c.keep != nil {
		c.keep(c.hour, c.numbered)
	}
	c.hour = nil
}

// Numbering is that of the latest rows, 0 while there is none.
func (c *Contact) Numbering() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.numbered
}

// locked calls f with mu held; nil stays nil.
func locked[T any](mu *sync.Mutex, f func(*T)) func(*T) {
	if f == nil {
		return nil
	}
	return func(x *T) {
		mu.Lock()
		defer mu.Unlock()
		f(x)
	}
}

// cycle keeps an opening.
func (c *Contact) cycle(r *pulse.CycleRow) {
	at, begins, ok := c.phase.Read(r)
	if !ok {
		return
	}
	if begins {
		c.segment++
	}
	o := opening{at: r.At, n: at.N, segment: c.segment}
	if r.SegmentsNS == nil && !r.Faulty() {
		o.breakNS = r.BreakNS
	}
	c.push(o)
}

func (c *Contact) push(o opening) {
	if len(c.openings) < MostOpenings {
		c.openings = append(c.openings, o)
		return
	}
	c.openings[c.next] = o
	c.next = (c.next + 1) % MostOpenings
}

// window takes the next window of the Meter.
func (c *Contact) window(w *pulse.Window) {
	c.series.add(w)
	c.fresh = true
	if c.keep == nil || w.Lobes == nil {
		return
	}
	if c.hour != nil && !c.series.together(c.hour, w, anHour) {
		c.saveHour()
	}
	if c.hour == nil {
		first := *w
		c.hour = &first
	} else {
		c.hour.Merge(w)
	}
}

// Advance says that all rows that began long before now have come.
func (c *Contact) Advance(now pulse.Stamp) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.windows != nil {
		c.windows.Advance(now)
	}
}

// End is called after the Meter has ended: the contact was followed until at.
func (c *Contact) End(at pulse.Stamp) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.windows == nil {
		return
	}
	c.windows.Finish(at)
	c.windows = nil
	c.saveHour()
}

// Remember puts the windows of before this start in front of what there is; told
// was found then, in order. The goroutine that analyses calls it.
func (c *Contact) Remember(before []*pulse.Window, told []Change) {
	c.told.remember(told) // by the goroutine that analyses
	c.mu.Lock()
	defer c.mu.Unlock()
	c.insert(before)
}

// RememberLobes adds windows of before this start that hold nothing but errors of
// the lobes, in a numbering.
func (c *Contact) RememberLobes(before []*pulse.Window, numbering int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if numbering == c.numbered {
		c.insert(before)
	}
}

// insert adds windows of before to the series.
func (c *Contact) insert(before []*pulse.Window) {
	all := append(c.series.all(), before...)
	slices.SortStableFunc(all, func(a, b *pulse.Window) int { return cmp.Compare(a.From, b.From) })
	c.series = newSeries(c.series.splits, all)
	c.fresh = true
}

// Recall takes openings of before this start, in order of time, as rows of one
// Meter.
func (c *Contact) Recall(rows []pulse.CycleRow) {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.latest()
	segment, phase := c.segment, c.phase
	c.openings, c.next, c.phase = nil, 0, pulse.PhaseReader{}
	for i := range rows {
		if len(now) == 0 || rows[i].At < now[0].at {
			c.cycle(&rows[i])
		}
	}
	c.segment++
	for _, o := range now {
		o.segment += c.segment
		c.push(o)
	}
	c.segment, c.phase = c.segment+segment, phase
	c.fresh = true
}

// latest gives the openings in order of time.
func (c *Contact) latest() []opening {
	return append(slices.Clone(c.openings[c.next:]), c.openings[:c.next]...)
}

// Split says when the contact was worked on: what came before is not to be compared
// with what came after. Times that are known already stay, also where they are not
// told again, as by a log that was begun anew.
func (c *Contact) Split(at []pulse.Stamp) {
	c.mu.Lock()
	defer c.mu.Unlock()
	splits := slices.Clone(c.series.splits)
	for _, x := range at {
		if slices.ContainsFunc(splits, func(o pulse.Stamp) bool { return max(x-o, o-x) < sameNote }) {
			continue
		}
		splits = append(splits, x)
		if c.windows != nil {
			c.windows.SplitAt(max(x, c.rowed+1)) // what has come already is in the window at hand
		}
	}
	if len(splits) == len(c.series.splits) {
		return
	}
	slices.Sort(splits)
	c.series = newSeries(splits, c.series.all())
	c.fresh, c.fitted = true, 0
}

// sameNote is within what time two notes tell of one work.
const sameNote = pulse.Stamp(1e9)

// Move moves what came before a time: the clock by which the log knows it was set.
func (c *Contact) Move(before, by pulse.Stamp) {
	c.mu.Lock()
	defer c.mu.Unlock()
	all := c.series.all()
	for i, w := range all {
		if w.From < before {
			x := *w
			x.From, x.At, x.To = x.From+by, x.At+by, x.To+by
			all[i] = &x
		}
	}
	splits := slices.Clone(c.series.splits)
	for i, at := range splits {
		if at < before {
			splits[i] += by
		}
	}
	c.openings, c.next = slices.DeleteFunc(c.latest(), func(o opening) bool { return o.at < before }), 0
	c.series, c.fresh = newSeries(splits, all), true
}

// ShowLobe sets the lobe that is shown as number 1; 0 and 1 leave the numbers of the
// rows.
func (c *Contact) ShowLobe(one int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.fresh = c.fresh || c.one != one
	c.one = one
}

// Figures are what was found at the latest analysis. They must not be changed.
func (c *Contact) Figures() Figures {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.figures
}
