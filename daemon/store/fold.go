package store

import (
	"database/sql"
	"errors"
	"math"
	"time"

	"makebreak/pulse"
)

const (
	// foldStep stretches of summaries are put together in one transaction.
	foldStep = 64
	hour     = int64(time.Hour)
	day      = 24 * hour
)

type (
	foldKey struct{ contact, width int64 }
	foldRow struct{ session, mono int64 }
)

// never is where the fold of damaged summaries goes on.
var never = foldRow{session: math.MaxInt64}

func (r foldRow) before(o foldRow) bool {
	return r.session < o.session || r.session == o.session && r.mono < o.mono
}

// fold puts the oldest summaries together, those of an hour of the monotonic
// clock to one; where all are, those of a day. It gives the number of rows that
// went.
func (s *Store) fold(w *writer) (gone int64, err error) {
	ids, err := contactIDs(w)
	if err != nil {
		return 0, err
	}
	if s.keep.folded == nil {
		s.keep.folded = map[foldKey]foldRow{}
	}
	for _, width := range []int64{hour, day} {
		next := map[int64]foldRow{}
		find := func(id int64) error {
			at, ok, err := s.nextFold(w, foldKey{id, width})
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
		for range foldStep {
			var oldest int64
			for id, at := range next {
				if oldest == 0 || at.before(next[oldest]) {
					oldest = id
				}
			}
			if oldest == 0 {
				break
			}
			n, err := w.foldInto(oldest, next[oldest], width)
			if err == nil {
				gone += n
				err = find(oldest)
			}
			if unreadable(err) {
				err = &stuckError{contact: oldest, err: err}
			}
			if err != nil {
				return 0, err
			}
		}
		if gone > 0 {
			break
		}
	}
	return gone, nil
}

// nextFold finds a contact's first summary that others of its stretch follow,
// where the stretch is over.
func (s *Store) nextFold(w *writer, key foldKey) (at foldRow, ok bool, err error) {
	from := s.keep.folded[key]
	if from == never {
		return at, false, nil
	}
	var newest foldRow
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
			s.keep.folded[key] = newest
		}
		return at, false, nil
	case unreadable(err):
		err = &stuckError{contact: key.contact, err: err}
	case err == nil:
		s.keep.folded[key] = at
	}
	return at, err == nil, err
}

// foldInto adds the summaries that follow one in its stretch to it.
func (w *writer) foldInto(contact int64, at foldRow, width int64) (gone int64, err error) {
	end := (at.mono/width + 1) * width
	rows, err := w.current.Query(`SELECT session, mono_ns, 0, wall_ns, `+summaryColumns+` FROM summaries
WHERE contact = ? AND session = ? AND mono_ns >= ? AND mono_ns < ? ORDER BY mono_ns`, contact, at.session, at.mono, end)
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	var sum Summary
	for gone = -1; rows.Next(); gone++ {
		m, err := scanSummary(rows.Scan)
		if err != nil {
			return 0, err
		}
		if gone < 0 {
			sum = m
		} else {
			sum.add(&m)
		}
	}
	if err := rows.Err(); err != nil {
		return 0, err
	}
	err = w.exec("DELETE FROM summaries WHERE contact = ? AND session = ? AND mono_ns > ? AND mono_ns < ?", contact, at.session, at.mono, end)
	if err != nil {
		return 0, err
	}
	return gone, w.exec(insertSummary, append([]any{contact, at.session, at.mono, sum.At.Wall.UnixNano()}, sum.columns()...)...)
}

// add adds what came later to a summary.
func (m *Summary) add(b *Summary) {
	m.LengthNS, m.Edges, m.Lost, m.Pulses = m.LengthNS+b.LengthNS, m.Edges+b.Edges, m.Lost+b.Lost, m.Pulses+b.Pulses
	m.Missing, m.Extra, m.Chatter = m.Missing+b.Missing, m.Extra+b.Extra, m.Chatter+b.Chatter
	m.Bounced, m.OutOfLimit, m.PeriodBreaksNS = m.Bounced+b.Bounced, m.OutOfLimit+b.OutOfLimit, m.PeriodBreaksNS+b.PeriodBreaksNS
	m.Period.add(b.Period)
	m.Break.add(b.Break)
	more := func(to *pulse.Num, n pulse.Num, sign float64) {
		if n.OK && (!to.OK || sign*n.V > sign*to.V) {
			*to = n
		}
	}
	more(&m.BounceMaxNS, b.BounceMaxNS, 1)
	more(&m.InterdigitNS, b.InterdigitNS, -1)
}

// add makes s the spread of both (Chan, Golub and LeVeque, Updating formulae
// and a pairwise algorithm for computing sample variances, 1979).
func (s *Spread) add(b Spread) {
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
