package stretch

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"makebreak/daemon/store"
	"makebreak/pulse"
)

// siteRenamed is why a soak test is cut short.
const siteRenamed = "the site was renamed, and what came then is another run of the log"

// A Soak is a soak test and its result, as the log keeps the result.
type Soak struct {
	Format string     `json:"format"`
	Title  string     `json:"title"`
	Of     *string    `json:"contact"` // null: all
	Limits *string    `json:"limits"`  // as asked; null: those that the contacts are watched by
	Note   string     `json:"note"`
	Begin  time.Time  `json:"begin"`
	End    *time.Time `json:"end"` // null while it goes on
	// LengthS is not changed by steps of the wall clock; null while it goes on.
	LengthS *float64 `json:"length_s"`
	// CutShort says why the time is not the whole of it; null when it is.
	CutShort *string `json:"cut_short"`
	// Idle says that nobody is watching now; null when somebody is.
	Idle *string `json:"idle"`
	// NotRead are contacts whose source was not read at all.
	NotRead []string `json:"not_read"`
	// Results are by contact.
	Results []SoakResult `json:"results"`
}

// A SoakResult is that of one contact.
type SoakResult struct {
	Log         *Report            `json:"log"`
	Profile     *ProfileName       `json:"profile"`
	Measurement *pulse.Measurement `json:"measurement"` // without the trains
}

// A ProfileName is what a page tells of limits.
type ProfileName struct {
	ID      string `json:"id"`
	Title   string `json:"title"`
	Country string `json:"country"`
}

// ResultOf gives the result of a soak test, judged: that which the log keeps of
// a finished one, else what measuring gives, which is kept when it is finished.
func ResultOf(ctx context.Context, log *store.Log, s store.Soak, show Progress) (*Soak, error) {
	var d *Soak
	var err error
	if s.End != nil && s.Result != nil {
		if d, err = kept(&s); err != nil {
			return nil, err
		}
	} else {
		if d, err = measureSoak(ctx, log, s, show); err != nil {
			return nil, err
		}
		if s.End != nil {
			b, err := json.Marshal(d)
			if err != nil {
				return nil, err
			}
			if err := log.SetSoakResult(ctx, s.ID, b); err != nil {
				return nil, err
			}
		}
	}
	for i := range d.Results {
		d.Results[i].judge()
	}
	return d, nil
}

// kept is the result that the log keeps of a soak test, not judged.
func kept(s *store.Soak) (*Soak, error) {
	d := new(Soak)
	if err := json.Unmarshal(s.Result, d); err != nil {
		return nil, fmt.Errorf("result of soak test %q in the log: %w", s.Title, err)
	}
	return d, nil
}

// Statements gives the statements of conformity in the result that the log keeps of a
// soak test, as ResultOf judges them, by contact; contacts without limits have none.
func Statements(s *store.Soak) (map[string]pulse.Statement, error) {
	d, err := kept(s)
	if err != nil {
		return nil, err
	}
	all := map[string]pulse.Statement{}
	for i := range d.Results {
		r := &d.Results[i]
		if r.Log == nil || r.Measurement == nil {
			return nil, fmt.Errorf("result of soak test %q in the log: a contact has no measurement", s.Title)
		}
		r.judge()
		if c := r.Measurement.Conformity; c != nil {
			all[r.Log.Contact] = c.Statement
		}
	}
	return all, nil
}

// A Status sums up a measurement or a soak test.
type Status int

// The program ends with these: 2 is left to what is wrong with a command.
const (
	OK          Status = 0 // pass, or no limits asked
	OutOfLimits Status = 1 // conditional pass, conditional fail or fail
	NotMeasured Status = 3 // nothing was, or not the whole
)

// StatusOf is the status of a measurement: that of its statement alone. Without
// limits there is none: then what gave no figure at all, or was stopped before
// the whole was seen, is not measured.
func StatusOf(m *pulse.Measurement, stopped bool) Status {
	if m.Conformity == nil {
		if stopped || !m.Measured() || m.Repeater != nil && m.Repeater.Pairs == 0 {
			return NotMeasured
		}
		return OK
	}
	switch m.Conformity.Statement {
	case pulse.Pass:
		return OK
	case pulse.NotMeasured:
		return NotMeasured
	}
	return OutOfLimits
}

// Status is that of the worst contact. What was not measured for the whole time
// does not pass.
func (d *Soak) Status() Status {
	status := OK
	if len(d.Results) == 0 || d.CutShort != nil {
		status = NotMeasured
	}
	for _, r := range d.Results { // out of limits outweighs what was not measured
		one := StatusOf(r.Measurement, false)
		if one == OK && r.Log.Removed != nil {
			one = NotMeasured
		}
		if status == OK || one == OutOfLimits {
			status = one
		}
	}
	return status
}

// judge makes the statement hold of the whole time: also of the edges that were
// removed, and in a result that was kept before a statement named its causes.
func (r *SoakResult) judge() {
	c := r.Measurement.Conformity
	if c == nil {
		return
	}
	if c.Because == nil {
		c.Because = []string{}
		c.AtBest(pulse.Fail, r.Measurement.Faults().Because()...)
	}
	if x := r.Log.Removed; x != nil {
		c.AtBest(pulse.NotMeasured, "edges "+x.Why())
		if x.Wrong() {
			c.AtBest(pulse.Fail, "the summaries of the removed edges tell of faults")
		}
	}
}

func measureSoak(ctx context.Context, log *store.Log, s store.Soak, show Progress) (*Soak, error) {
	d := &Soak{Format: "makebreak.soak/1", Title: s.Title, Note: s.Note, Begin: s.Begin.Wall.UTC(), Results: []SoakResult{}, NotRead: []string{}}
	limits, err := keptLimits(s)
	if err != nil {
		return nil, err
	}
	if limits.Profile != nil {
		d.Limits = &limits.Asked
	}
	span, tl, cut, err := soakSpan(ctx, log, s)
	if err != nil {
		return nil, err
	}
	d.Begin = tl.At(span.From).Wall.UTC() // a clock that was set later is right there
	if cut {
		why := siteRenamed
		d.CutShort = &why
	}
	if s.End != nil || cut {
		to := max(min(span.To, tl.End()), span.From) // nobody watched: the log ends before the test
		end := tl.At(to).Wall.UTC()
		d.End = &end
		if length := float64(to-span.From) / 1e9; length != 0 {
			d.LengthS = &length
		}
	} else if idle, err := idleOf(ctx, log, time.UTC); err != nil {
		return nil, err
	} else if idle != "" {
		d.Idle = &idle
	}
	contacts := []string{s.Contact}
	if s.Contact != "" {
		d.Of = &s.Contact
	} else if contacts, err = log.Contacts(ctx); err != nil {
		return nil, err
	}
	for _, name := range contacts {
		r, err := soakContact(ctx, log, span, limits, s.Contact != "", name, show)
		if err != nil {
			return nil, fmt.Errorf("soak test %q: %w", s.Title, err)
		}
		if r.Measurement.Capture.Edges > 0 || r.Log.UpS > 0 || r.Log.Removed != nil || s.Contact != "" {
			d.Results = append(d.Results, r)
		} else {
			d.NotRead = append(d.NotRead, name)
		}
	}
	return d, nil
}

// soakContact measures one contact; alone says that the test is of no other.
func soakContact(ctx context.Context, log *store.Log, span store.Span, limits SoakLimits, alone bool, name string, show Progress) (r SoakResult, err error) {
	src, err := replayed(ctx, log, span, true, name)
	if err != nil {
		return r, err
	}
	defer src.Close()
	var w Wishes
	if p := limits.Profile; p != nil && (alone || p.Kind == src.settings.Kind) { // of all, it holds those that it is for
		w.Reading.Limits = p
	}
	cfg, err := src.Configure(ctx, &w)
	if err != nil {
		return r, err
	}
	m, _, err := src.Measure(ctx, cfg, show)
	if err != nil {
		return r, err
	}
	m.Source = "run:" + name
	if m.Dial != nil {
		m.Dial.Trains = pulse.Trains{} // the log would hold them twice
	}
	if p := cfg.Limits; p != nil {
		r.Profile = &ProfileName{p.ID, p.Title, p.Country}
	}
	r.Measurement = m
	if r.Log, err = src.Report(ctx, m); err == nil {
		r.judge()
	}
	return r, err
}
