package store

import (
	"database/sql"
	"errors"
	"fmt"
	"os"
	"time"

	sqlite3 "modernc.org/sqlite/lib"
)

// An OverlapError says that the log has the time of an import already, or begins
// after it. Exactly one of Log, Watched and Until says which, but that Watched is
// told beside Log too.
type OverlapError struct {
	Contact string
	Began   time.Time // the import
	Log     time.Time // start of the log, where the import would begin before it; else zero
	// Watched is how far the log was watched, whatever its contacts were, where the
	// import would begin before that; else zero.
	Watched time.Time
	// Until is how far the log has imports of the contact, where nothing else
	// stands against it; else zero.
	Until time.Time
}

func (e *OverlapError) Error() string {
	say := func(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05 UTC") }
	begin := "the import would begin " + say(e.Began)
	const older = "what is older than a watch is imported before the watch begins"
	switch {
	case !e.Log.IsZero() && e.Watched.IsZero():
		return fmt.Sprintf("%s, before the log, which begins %s: expected a later time, or a new log", begin, say(e.Log))
	case !e.Log.IsZero():
		return fmt.Sprintf("%s, before the log, which begins %s and was watched until %s: expected a time after that, or a new log; %s", begin, say(e.Log), say(e.Watched), older)
	case !e.Watched.IsZero():
		return fmt.Sprintf("%s, and the log was watched until %s: expected a later time, or a new log; %s", begin, say(e.Watched), older)
	}
	return fmt.Sprintf("%s, and the log has %s until %s already: expected a later time, or another contact", begin, e.Contact, say(e.Until))
}

// newImport begins the session of an import. Its run time is that of its wall
// time, so that imports of several contacts may lie beside each other.
func (s *Store) newImport(w *writer, before *ended) error {
	start := s.session.start
	if err := w.exec("INSERT OR IGNORE INTO contacts (name) VALUES (?)", s.opt.Imported); err != nil {
		return err
	}
	var contact int64
	if err := w.current.QueryRow("SELECT id FROM contacts WHERE name = ?", s.opt.Imported).Scan(&contact); err != nil {
		return err
	}
	if before == nil {
		if s.opt.Site == "" {
			return errors.New("the log is new: expected the name of its site")
		}
		res, err := w.current.Exec("INSERT INTO runs (site, began_wall_ns) VALUES (?, ?)", s.opt.Site, start.Wall.UnixNano())
		if err != nil {
			return err
		}
		run, err := res.LastInsertId()
		if err != nil {
			return err
		}
		return s.insertSession(w, run, -int64(start.Mono), contact)
	}
	if s.opt.Site != "" && s.opt.Site != before.site {
		return fmt.Errorf("it is a log of the site %q: expected that, or another log", before.site)
	}
	at := before.alive + before.offset + start.Wall.UnixNano() - before.wall
	var first int64
	var watched, own sql.NullInt64
	err := w.current.QueryRow(`SELECT min(s.start_ns + s.offset_ns), max(iif(s.imported IS NULL, s.alive_ns + s.offset_ns, NULL)),
  max(iif(s.imported = ?1, s.alive_ns + s.offset_ns, NULL))
FROM sessions s WHERE s.run = ?2 AND `+whole, contact, before.run).Scan(&first, &watched, &own)
	if err != nil {
		return err
	}
	wall := func(run int64) time.Time { return start.Wall.Add(time.Duration(run - at)) }
	overlap := &OverlapError{Contact: s.opt.Imported, Began: start.Wall}
	if watched.Valid && at <= watched.Int64 {
		overlap.Watched = wall(watched.Int64)
	}
	switch {
	case at < first:
		overlap.Log = wall(first)
		return overlap
	case !overlap.Watched.IsZero():
		return overlap
	case own.Valid && at <= own.Int64:
		overlap.Until = wall(own.Int64)
		return overlap
	}
	return s.insertSession(w, before.run, at-int64(start.Mono), contact)
}

// removeUnfinished removes imports that did not come to their end.
func (w *writer) removeUnfinished() error {
	rows, err := w.current.Query("SELECT id FROM sessions WHERE imported IS NOT NULL AND ended = 0")
	if err != nil {
		return err
	}
	ids, err := collect(rows, scanInt)
	for _, id := range ids {
		if err == nil {
			err = w.removeImport(id)
		}
	}
	return err
}

// removeImport removes a session of an import, and the contact and the run where
// nothing else is of them.
func (w *writer) removeImport(session int64) error {
	var contact, run int64
	if err := w.current.QueryRow("SELECT imported, run FROM sessions WHERE id = ?", session).Scan(&contact, &run); err != nil {
		return err
	}
	if err := w.exec("DELETE FROM edge_blocks WHERE contact = ? AND session = ?", contact, session); err != nil {
		return err
	}
	for _, table := range []string{"summaries", "findings", "lobe_marks", "lobe_hours", "configurations", "clocks"} {
		if err := w.exec("DELETE FROM "+table+" WHERE session = ?", session); err != nil {
			return err
		}
	}
	if err := w.exec("DELETE FROM sessions WHERE id = ?", session); err != nil {
		return err
	}
	for _, x := range []struct {
		table string
		id    int64
	}{{"contacts", contact}, {"runs", run}} {
		// What other rows refer to stays.
		if err := w.exec("DELETE FROM "+x.table+" WHERE id = ?", x.id); err != nil && code(err) != sqlite3.SQLITE_CONSTRAINT {
			return err
		}
	}
	return nil
}

// Abandon closes a log without the import that it was opened for. A log that the
// import began is removed.
func (s *Store) Abandon() error {
	s.committing.Lock()
	defer s.committing.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	var err error
	empty := false
	if s.w != nil {
		err = s.w.tx(func(w *writer) error {
			if err := w.removeImport(w.session); err != nil {
				return err
			}
			var sessions int
			err := w.current.QueryRow("SELECT count(*) FROM sessions").Scan(&sessions)
			empty = sessions == 0
			return err
		})
		if err == nil && !empty {
			_, err = s.w.db.Exec("PRAGMA incremental_vacuum")
		}
	}
	err = errors.Join(err, s.detach())
	if err == nil && empty {
		for _, suffix := range []string{"", "-wal", "-shm", ".lock"} {
			if e := os.Remove(s.path + suffix); e != nil && !errors.Is(e, os.ErrNotExist) {
				err = errors.Join(err, e)
			}
		}
	}
	s.lock.release()
	return err
}
