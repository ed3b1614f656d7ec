package store

import (
	"database/sql"
	"errors"
	"math"
	"time"

	"makebreak/pulse"
)

const (
	// rollUpStep is how many hours or days are rolled up in one transaction.
	rollUpStep = 64
	hour       = int64(time.Hour)
	day        = 24 * hour
)

type (
	// A rollupKey is a contact and a width: an hour or a day.
	rollupKey struct{ contact, width int64 }
	// A summaryKey is where a contact's summary begins.
	summaryKey struct{ session, mono int64 }
)

// never is where the rollup of damaged summaries would go on.
var never = summaryKey{session: math.MaxInt64}

func (k summaryKey) before(o summaryKey) bool {
	return k.session < o.session || k.session == o.session && k.mono < o.mono
}

// rollUp adds the oldest summaries together: those of one hour of the monotonic
// clock, or, where no hour has several, those of one day. It returns the number
// of rows that this saved.
func (s *Store) rollUp(w *writer) (saved int64, err error) {
	ids, err := contactIDs(w)
	if err != nil {
		return 0, err
	}
	if s.keep.rolledUp == nil {
		s.keep.rolledUp = map[rollupKey]summaryKey{}
	}
	for _, width := range []int64{hour, day} {
		next := map[int64]summaryKey{}
		find := func(id int64) error {
			at, ok, err := s.nextRollup(w, rollupKey{id, width})
			if delete(next, id); ok {
				next[id] = at
			}
			return err
		}
		for _, id := range ids {
			if err := find(id); err != nil {
				return 0, err
			}
		}
		for range rollUpStep {
			oldest := oldestOf(next, summaryKey.before)
			if oldest == 0 {
				break
			}
			n, err := w.rollUp(oldest, next[oldest], width)
			if err == nil {
				saved += n
				err = find(oldest)
			}
			if unreadable(err) {
				err = &stuckError{contact: oldest, err: err}
			}
			if err != nil {
				return 0, err
			}
		}
		if saved > 0 {
			break
		}
	}
	return saved, nil
}

// nextRollup finds a contact's first summary that is followed by others of the
// same hour or day, if that is over.
func (s *Store) nextRollup(w *writer, key rollupKey) (at summaryKey, ok bool, err error) {
	from := s.keep.rolledUp[key]
	if from == never {
		return at, false, nil
	}
	var newest summaryKey
	err = w.current.QueryRow("SELECT session, mono_ns FROM summaries WHERE contact = ? ORDER BY session DESC, mono_ns DESC LIMIT 1", key.contact).
		Scan(&newest.session, &newest.mono)
	if err == nil {
		newest.mono -= newest.mono % key.width
		err = w.current.QueryRow(`SELECT session, mono_ns FROM summaries x WHERE contact = ?1 AND (session, mono_ns) >= (?2, ?3) AND (session, mono_ns) < (?4, ?5) AND EXISTS (
  SELECT 1 FROM summaries WHERE contact = ?1 AND session = x.session AND mono_ns > x.mono_ns AND mono_ns < (x.mono_ns / ?6 + 1) * ?6)
ORDER BY session, mono_ns LIMIT 1`, key.contact, from.session, from.mono, newest.session, newest.mono, key.width).Scan(&at.session, &at.mono)
	}
	switch {
	case errors.Is(err, sql.ErrNoRows):
		if from.before(newest) {
			s.keep.rolledUp[key] = newest
		}
		return at, false, nil
	case unreadable(err):
		err = &stuckError{contact: key.contact, err: err}
	case err == nil:
		s.keep.rolledUp[key] = at
	}
	return at, err == nil, err
}

// rollUp adds to one summary those that follow it in the same hour or day.
func (w *writer) rollUp(contact int64, at summaryKey, width int64) (saved int64, err error) {
	end := (at.mono/width + 1) * width
	rows, err := w.current.Query(`SELECT session, mono_ns, 0, wall_ns, `+summaryColumns+` FROM summaries
WHERE contact = ? AND session = ? AND mono_ns >= ? AND mono_ns < ? ORDER BY mono_ns`, contact, at.session, at.mono, end)
	if err != nil {
		return 0, err
	}
	all, err := collect(rows, scanSummary)
	if err != nil {
		return 0, err
	}
	sum := all[0] // nextRollup has found it
	for i := range all[1:] {
		sum.add(&all[1+i])
	}
	err = w.exec("DELETE FROM summaries WHERE contact = ? AND session = ? AND mono_ns > ? AND mono_ns < ?", contact, at.session, at.mono, end)
	if err != nil {
		return 0, err
	}
	return int64(len(all) - 1), w.summarise(contact, at.session, at.mono, sum.At.Wall.UnixNano(), &sum)
}

// oldestOf is the key of the value that is before all others, 0 of an empty map.
func oldestOf[T any](all map[int64]T, before func(a, b T) bool) (oldest int64) {
	for id, x := range all {
		if oldest == 0 || before(x, all[oldest]) {
			oldest = id
		}
	}
	return oldest
}

// add adds a later summary to m.
func (m *Summary) add(b *Summary) {
	of := b.counters()
	for i, p := range m.counters() {
		*p += *of[i]
	}
	m.PeriodBreaksNS += b.PeriodBreaksNS
	m.Period.Merge(b.Period)
	m.Break.Merge(b.Break)
	more := func(to *pulse.Num, n pulse.Num, sign float64) {
		if n.OK && (!to.OK || sign*n.V > sign*to.V) {
			*to = n
		}
	}
	more(&m.BounceMaxNS, b.BounceMaxNS, 1)
	more(&m.InterdigitNS, b.InterdigitNS, -1)
}

// Add takes one more time.
func (s *TimeStats) Add(ns int64) { s.Merge(TimeStats{N: 1, SumNS: ns, MinNS: ns, MaxNS: ns}) }

// Merge takes all times of b, as if each had been added (Chan, Golub and
// LeVeque, Updating formulae and a pairwise algorithm for computing sample
// variances, 1979).
func (s *TimeStats) Merge(b TimeStats) {
	if b.N == 0 {
		return
	}
	if s.N == 0 {
		*s = b
		return
	}
	n, m := float64(s.N), float64(b.N)
	d := float64(b.SumNS)/m - float64(s.SumNS)/n
	s.Squares += b.Squares + d*d*n*m/(n+m)
	s.N, s.SumNS = s.N+b.N, s.SumNS+b.SumNS
	s.MinNS, s.MaxNS = min(s.MinNS, b.MinNS), max(s.MaxNS, b.MaxNS)
}
