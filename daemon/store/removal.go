package store

import (
	"database/sql"
	"errors"
	"fmt"
	"time"

	"makebreak/hw"
	"makebreak/pulse"
)

// removalGrows is how long one finding takes up what is removed of a contact
// for one reason. The findings of a log that is always at its limit are then
// one a day.
const removalGrows = pulse.Stamp(24 * time.Hour)

// A RemovedBy is why edges were removed, as the detail of a finding has it.
type RemovedBy string

// The reasons.
const (
	ByAge  RemovedBy = "age"  // they were older than edges are kept
	BySize RemovedBy = "size" // the log was at its largest size
)

// why says the reason in words, after "have been removed".
func (b RemovedBy) why() string {
	switch b {
	case ByAge:
		return ", because they were older than edges are kept"
	case BySize:
		return " to make room"
	}
	return ""
}

type removalKey struct {
	contact int64
	by      RemovedBy
}

// A removal is a range of edges that were removed.
type removal struct {
	finding     int64       // its row, 0 before it is written
	since       pulse.Stamp // when it began
	edges       int64
	first, last head
	begins      bool    // the finding is new
	told        Finding // as written
}

// removals are what one transaction removes.
type removals map[removalKey]removal

// add takes a block that is removed. Those of one contact come in order of time.
func (g removals) add(key removalKey, h head) {
	r, ok := g[key]
	if !ok {
		r.first = h
	}
	r.last = h
	r.edges += h.edges
	g[key] = r
}

// report writes the findings about removed edges in the transaction that removes
// them, so that no edge goes without. It changes gone to what they then tell.
func (s *Store) report(w *writer, gone removals, fills filler, a hw.Anchor) error {
	for key, r := range gone {
		r.since, r.begins = a.Mono, true
		if before, ok := s.keep.removals[key]; ok && a.Mono-before.since < removalGrows {
			r.finding, r.since, r.begins = before.finding, before.since, false
			r.edges, r.first = r.edges+before.edges, before.first
		}
		if err := w.removed(&r, key, fills, a, &s.opt); err != nil {
			return err
		}
		gone[key] = r
	}
	return nil
}

// removed writes the finding about a removal, or brings it up to date.
func (w *writer) removed(r *removal, key removalKey, fills filler, a hw.Anchor, opt *Options) error {
	from, err := w.wall(r.first.session, r.first.first)
	if err != nil {
		return err
	}
	to, err := w.wall(r.last.session, r.last.last)
	if err != nil {
		return err
	}
	reason := "they were older than " + opt.KeepEdges.String() + ", which is how long edges are kept"
	if key.by == BySize {
		reason = "the log is at its largest size, " + megabytes(opt.MaxBytes)
		if fills.contact != "" {
			reason += ", and " + fills.String()
		}
	}
	const utc = "2006-01-02 15:04:05"
	r.told = finding(Removed, r.since, map[string]any{
		"edges": r.edges, "by": key.by, "from": from, "to": to,
		"from_session": r.first.session, "from_ns": r.first.first, "to_session": r.last.session, "to_ns": r.last.last,
	}, "%d edges from %s to %s UTC were removed: %s", r.edges, from.Format(utc), to.Format(utc), reason)
	if err := w.current.QueryRow("SELECT name FROM contacts WHERE id = ?", key.contact).Scan(&r.told.Contact); err != nil {
		return err
	}
	if !r.begins {
		return w.exec("UPDATE findings SET text = ?, detail = ? WHERE id = ?", r.told.Text, string(r.told.Detail), r.finding)
	}
	res, err := w.current.Exec(`INSERT INTO findings (session, contact, kind, mono_ns, wall_ns, text, detail) VALUES (?, ?, ?, ?, ?, ?, ?)`,
		w.session, key.contact, string(Removed), int64(r.since), a.At(r.since).UnixNano(), r.told.Text, string(r.told.Detail))
	if err == nil {
		r.finding, err = res.LastInsertId()
	}
	return err
}

// wall is the wall-clock time of a session's monotonic time, as it was set then.
func (w *writer) wall(session, mono int64) (time.Time, error) {
	var ahead int64
	err := w.current.QueryRow(`SELECT coalesce(
  (SELECT wall_ns - mono_ns FROM clocks WHERE session = ?1 AND mono_ns <= ?2 ORDER BY mono_ns DESC LIMIT 1),
  (SELECT wall_ns - mono_ns FROM clocks WHERE session = ?1 ORDER BY mono_ns LIMIT 1),
  (SELECT start_wall_ns - start_ns FROM sessions WHERE id = ?1))`, session, mono).Scan(&ahead)
	if errors.Is(err, sql.ErrNoRows) {
		err = fmt.Errorf("session %d is not in the log", session)
	}
	return time.Unix(0, mono+ahead).UTC(), err
}

func megabytes(n int64) string { return fmt.Sprintf("%.1f MB", float64(n)/1e6) }
