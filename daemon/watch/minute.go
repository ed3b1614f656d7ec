package watch

import (
	"time"

	"makebreak/daemon/live"
	"makebreak/daemon/store"
	"makebreak/pulse"
)

// A minute gathers what a contact does until the wall clock's next minute.
// Pulses and cycles belong to the minute in which they were complete.
type minute struct {
	store.Summary
	ends  pulse.Stamp
	up    pulse.Stamp // since when its time counts, none while the source is down
	start live.Totals
}

const none = pulse.Stamp(-1)

// begin starts the next minute.
func (m *minute) begin(now pulse.Stamp, wall time.Time, start live.Totals) {
	rest := time.Minute - wall.Sub(wall.Truncate(time.Minute))
	if rest < time.Second { // what is left of one is none
		rest += time.Minute
	}
	up := m.up
	if up != none {
		up = now
	}
	*m = minute{Summary: store.Summary{Contact: m.Contact, At: store.Moment{Mono: now}}, ends: now + pulse.Stamp(rest), up: up, start: start}
}

// count takes what was counted since it began.
func (m *minute) count(t live.Totals) {
	n := t.Sub(m.start.Counts)
	m.Edges, m.Lost, m.Pulses, m.Missing = int64(n.Edges), int64(n.LostEdges), int64(n.Pulses+n.Cycles), int64(n.Missing)
	m.Chatter, m.Bounced, m.OutOfLimit = int64(n.Chatter), int64(n.Bounced), int64(t.OutOfLimit-m.start.OutOfLimit)
}

func (m *minute) event(e *pulse.Event) {
	if e.Kind == pulse.EventTransition {
		if b := float64(e.End - e.At); !m.BounceMaxNS.OK || b > m.BounceMaxNS.V {
			m.BounceMaxNS = pulse.Known(b)
		}
	}
}

func (m *minute) pulse(r *pulse.PulseRow) {
	if !r.Counts() {
		return
	}
	spread(&m.Break, r.BreakNS)
	if r.PeriodNS > 0 {
		spread(&m.Period, r.PeriodNS)
		m.PeriodBreaksNS += r.BreakNS
	}
	if gap := float64(r.GapNS); gap > 0 && (!m.InterdigitNS.OK || gap < m.InterdigitNS.V) {
		m.InterdigitNS = pulse.Known(gap)
	}
}

func (m *minute) cycle(r *pulse.CycleRow) {
	m.Extra += int64(r.Extra)
	if r.Whole {
		spread(&m.Period, r.PeriodNS)
		m.PeriodBreaksNS += r.BreakNS
	}
	for b := range r.Breaks() {
		spread(&m.Break, b)
	}
}

// spread adds a time to a Spread (Welford's update).
func spread(s *store.Spread, ns int64) {
	x, mean := float64(ns), 0.
	if s.N > 0 {
		mean = float64(s.SumNS) / float64(s.N)
		s.MinNS, s.MaxNS = min(s.MinNS, ns), max(s.MaxNS, ns)
	} else {
		s.MinNS, s.MaxNS = ns, ns
	}
	s.N++
	s.SumNS += ns
	s.Squares += (x - mean) * (x - float64(s.SumNS)/float64(s.N))
}
