package watch

import (
	"time"

	"makebreak/daemon/live"
	"makebreak/daemon/store"
	"makebreak/pulse"
)

// A minute is the summary of what a contact does until the wall clock's next
// minute. Pulses and cycles belong to the minute in which they were complete.
type minute struct {
	store.Summary
	ends  pulse.Stamp
	up    pulse.Stamp // start of the time that is not in LengthNS yet, none while the source is down
	start live.Totals // at the start of the minute
}

const none = pulse.Stamp(-1)

// begin starts the next minute.
func (m *minute) begin(now pulse.Stamp, wall time.Time, start live.Totals) {
	rest := time.Minute - wall.Sub(wall.Truncate(time.Minute))
	if rest < time.Second { // too short for a minute of its own
		rest += time.Minute
	}
	up := m.up
	if up != none {
		up = now
	}
	*m = minute{Summary: store.Summary{Contact: m.Contact, At: store.Moment{Mono: now}}, ends: now + pulse.Stamp(rest), up: up, start: start}
}

// count takes what was counted since the start of the minute. Extra is left to
// cycle, which knows the cycle that an extra interruption was in.
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
	m.Break.Add(r.BreakNS)
	if r.PeriodNS > 0 {
		m.Period.Add(r.PeriodNS)
		m.PeriodBreaksNS += r.BreakNS
	}
	if gap := float64(r.GapNS); gap > 0 && (!m.InterdigitNS.OK || gap < m.InterdigitNS.V) {
		m.InterdigitNS = pulse.Known(gap)
	}
}

func (m *minute) cycle(r *pulse.CycleRow) {
	m.Extra += int64(r.Extra)
	if r.Whole {
		m.Period.Add(r.PeriodNS)
		m.PeriodBreaksNS += r.BreakNS
	}
	for b := range r.Breaks() {
		m.Break.Add(b)
	}
}
