package stretch

import (
	"context"
	"time"

	"makebreak/daemon/store"
	"makebreak/pulse"
)

// A Report is what a log knows of a stretch beside its edges.
type Report struct {
	Log      string    `json:"log"`
	Site     string    `json:"site"`
	Contact  string    `json:"contact"`
	Source   string    `json:"source"`
	Since    time.Time `json:"since"`
	Until    time.Time `json:"until"`
	LengthS  float64   `json:"length_s"`
	UpS      float64   `json:"source_up_s"` // the level was known
	Gaps     int       `json:"gaps"`        // it was not
	Longest  []Gap     `json:"longest_gaps"`
	Restarts int       `json:"restarts"`
	// Steps are the steps of the wall clock.
	Steps    []Remark       `json:"clock_steps"`
	Findings map[string]int `json:"findings"` // by kind
	Notes    []Remark       `json:"notes"`
	// Changes counts the contact's configurations after the one that is used.
	Changes int `json:"configuration_changes"`
	// Removed is what the log still knows of edges that were removed to make
	// room; nil when none were.
	Removed *Removed `json:"removed"`
	// Worst are the wall-clock times of the worst values.
	Worst []WorstTime `json:"worst"`
	// KindAsked is set when it is not read as the kind that it was watched as
	// says, but as asked.
	KindAsked bool `json:"-"`
	// Wall gives the wall-clock time at so many seconds from the start; nil in a
	// result that a log has kept.
	Wall func(atS float64) time.Time `json:"-"`
}

// A Gap is a time in which the level was not known.
type Gap struct {
	From    time.Time `json:"from"`
	LengthS float64   `json:"length_s"`
	Why     string    `json:"why"`
}

// A Remark is something that was noted or found at a time.
type Remark struct {
	At   time.Time `json:"at"`
	Text string    `json:"text"`
}

// Removed sums the summaries of the stretch before Until, whose edges were
// removed to make room.
type Removed struct {
	Until      time.Time `json:"until"`
	Pulses     int64     `json:"pulses"` // or cycles
	Missing    int64     `json:"missing"`
	Extra      int64     `json:"extra"`
	OutOfLimit int64     `json:"out_of_limit"`
	Lost       int64     `json:"lost_edges"`
}

// Wrong tells whether something was not as it should be in what was removed.
func (r *Removed) Wrong() bool { return r.OutOfLimit+r.Missing+r.Extra > 0 }

// A WorstTime is when the worst value of a quantity against a bound was.
type WorstTime struct {
	Quantity string    `json:"quantity"`
	Bound    string    `json:"bound"`
	At       time.Time `json:"at"`
}

// WorstAt gives the wall-clock time of an item's worst value; false where it is
// not known, and of a nil Report.
func (r *Report) WorstAt(it pulse.Item) (at time.Time, ok bool) {
	if r == nil {
		return at, false
	}
	for _, w := range r.Worst {
		if w.Quantity == it.Quantity && w.Bound == it.Bound {
			return w.At, true
		}
	}
	return at, false
}

// Report gathers what the log knows of the stretch beside its edges, once they
// were measured; m is what that gave.
func (s *Source) Report(ctx context.Context, m *pulse.Measurement) (*Report, error) {
	run := s.replay.Timeline().ID
	if s.level > pulse.High {
		s.known(s.to)
		s.unknown = s.to
	}
	r := &Report{
		Log: s.log.Path(), Site: s.Site(), Contact: s.contact, Source: s.settings.Source, Since: s.Wall(s.from), Until: s.Wall(s.to),
		LengthS: float64(s.to-s.from) / 1e9, UpS: float64(s.to-s.from-s.blind) / 1e9, Gaps: s.gaps, Changes: s.changes,
		KindAsked: s.kindAsked, Wall: func(atS float64) time.Time { return s.Wall(s.from + pulse.Stamp(atS*1e9)) },
		Longest: []Gap{}, Steps: []Remark{}, Findings: map[string]int{}, Notes: []Remark{}, Worst: []WorstTime{},
	}
	told := make([]bool, len(s.longest)) // why it was
	for i, g := range s.longest {
		why := notRead
		for _, x := range s.replay.Gaps() {
			if x.From < g.to && g.from < x.To {
				why, told[i] = x.Why(), true
			}
		}
		r.Longest = append(r.Longest, Gap{s.Wall(g.from), float64(g.to-g.from) / 1e9, why})
	}
	span := store.Span{Run: run, From: s.from, To: s.to + 1}
	for f, err := range s.log.Findings(ctx, span, s.contact) {
		if err != nil {
			return nil, err
		}
		switch f.Kind {
		case store.Restart:
			if f.At.Run > s.from {
				r.Restarts++
			}
		case store.SourceDown:
			r.Findings[string(f.Kind)]++
			for i, g := range s.longest {
				if g.from <= f.At.Run && f.At.Run <= g.to && !told[i] {
					r.Longest[i].Why, told[i] = f.Text, true
				}
			}
		case store.ClockStep:
			r.Steps = append(r.Steps, Remark{f.At.Wall.UTC(), f.Text})
		default:
			r.Findings[string(f.Kind)]++
		}
	}
	notes, err := s.log.Notes(ctx, span, s.contact)
	if err != nil {
		return nil, err
	}
	for _, n := range notes {
		r.Notes = append(r.Notes, Remark{n.At.Wall.UTC(), NoteText(n)})
	}
	if g := s.removedGap(); g != nil {
		x := &Removed{Until: s.Wall(g.To)}
		for sum, err := range s.log.Summaries(ctx, store.Span{Run: run, From: g.From, To: g.To}, s.contact) {
			if err != nil {
				return nil, err
			}
			x.Pulses, x.Missing, x.Extra = x.Pulses+sum.Pulses, x.Missing+sum.Missing, x.Extra+sum.Extra
			x.OutOfLimit, x.Lost = x.OutOfLimit+sum.OutOfLimit, x.Lost+sum.Lost
		}
		r.Removed = x
	}
	if m.Conformity != nil {
		for _, it := range m.Conformity.Items {
			if it.AtS.OK {
				r.Worst = append(r.Worst, WorstTime{it.Quantity, it.Bound, s.Wall(s.from + pulse.Stamp(it.AtS.V*1e9))})
			}
		}
	}
	return r, nil
}

// NoteText tells a note in words, with the contact that it is about.
func NoteText(n store.Note) string {
	text := n.Text
	if n.State != store.PlainNote {
		text = string(n.State) + ": " + text
	}
	if n.Contact == "" {
		return "site, " + text
	}
	return n.Contact + ", " + text
}
