package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"os"

	"makebreak/hw"
)

// A NoteState says whether a note is on the contact as it was found, before
// work on it, or as it was left.
type NoteState string

const (
	PlainNote NoteState = ""
	AsFound   NoteState = "as found"
	AsLeft    NoteState = "as left"
)

// A Note is a remark by a person.
type Note struct {
	ID      int64
	Contact string // name, empty: about the site
	State   NoteState
	At      Moment
	Text    string
	LobeOne bool // it says which lobe is number 1; set by the log
}

// Worked tells that somebody worked on the contact, so that what it did before is
// not to be compared with what it does after: any note on it says so, but one that
// only says which lobe opened, and of those on the site one that tells how it was
// left.
func (n *Note) Worked() bool { return !n.LobeOne && (n.Contact != "" || n.State == AsLeft) }

// A Soak is a soak test over a stretch of the log. It goes on through restarts.
type Soak struct {
	ID      int64
	Contact string // name, empty: all of them
	Title   string
	Profile string // limits, may be empty
	Note    string
	Begin   Moment
	End     *Moment         // nil while it goes on
	Result  json.RawMessage // nil until there is one
}

// Notes gives the notes of a span in order of time; of all contacts when the
// name is empty, else of the contact and of the site.
func (l *Log) Notes(ctx context.Context, span Span, contact string) ([]Note, error) {
	return list(ctx, l, func(row scanner) (n Note, err error) {
		var m moment
		err = row(append(m.fields(), &n.ID, &n.Contact, &n.State, &n.Text, &n.LobeOne)...)
		n.At = m.at()
		return n, err
	}, `SELECT x.session, x.mono_ns, s.offset_ns, x.wall_ns, x.id, coalesce(c.name, ''), x.state, x.text, `+l.since(2, "EXISTS (SELECT 1 FROM lobe_ones WHERE note = x.id)", "0")+`
FROM sessions s CROSS JOIN notes x ON x.session = s.id LEFT JOIN contacts c ON c.id = x.contact
WHERE `+l.inSpan()+` AND (?4 = '' OR c.name IS NULL OR c.name = ?4) ORDER BY x.session, x.mono_ns, x.id`, append(span.args(), contact)...)
}

// AddNote adds a note. Of its At only Wall is used; the zero time means now.
// The note is safe in the log when the error is nil.
func (l *Log) AddNote(ctx context.Context, n Note) (id int64, err error) {
	return l.addNote(ctx, n, nil)
}

// addNote adds a note and, in the same transaction, what more writes; nil
// writes nothing.
func (l *Log) addNote(ctx context.Context, n Note, more func(w *writer, contact any, note int64) error) (id int64, err error) {
	return l.annotate(ctx, n.Contact, func(w *writer, contact any, now Moment) (sql.Result, error) {
		at := now
		if !n.At.Wall.IsZero() {
			tl, err := l.TimelineOf(ctx, 0, n.Contact)
			if err != nil {
				return nil, err
			}
			if at = tl.At(tl.Until(n.At.Wall)); at.Run > now.Run {
				at = now
			}
			at.Wall = n.At.Wall
		}
		r, err := w.current.ExecContext(ctx, "INSERT INTO notes (session, contact, state, mono_ns, wall_ns, text) VALUES (?, ?, ?, ?, ?, ?)",
			at.Session, contact, string(n.State), int64(at.Mono), at.Wall.UnixNano(), n.Text)
		if err != nil || more == nil {
			return r, err
		}
		note, err := r.LastInsertId()
		if err != nil {
			return nil, err
		}
		return r, more(w, contact, note)
	})
}

// Soaks gives all soak tests in the order in which they began.
func (l *Log) Soaks(ctx context.Context) ([]Soak, error) {
	return list(ctx, l, func(row scanner) (s Soak, err error) {
		var m moment
		var end struct{ session, mono, offset, wall sql.NullInt64 }
		err = row(append(m.fields(), &end.session, &end.mono, &end.offset, &end.wall, &s.ID, &s.Contact, &s.Title, &s.Profile, &s.Note, (*[]byte)(&s.Result))...)
		s.Begin = m.at()
		if end.session.Valid {
			at := (&moment{end.session.Int64, end.mono.Int64, end.offset.Int64, end.wall.Int64}).at()
			s.End = &at
		}
		return s, err
	}, `SELECT k.begin_session, k.begin_ns, b.offset_ns, k.begin_wall_ns, k.end_session, k.end_ns, e.offset_ns, k.end_wall_ns,
k.id, coalesce(c.name, ''), k.title, k.profile, k.note, k.result
FROM soaks k JOIN sessions b ON b.id = k.begin_session LEFT JOIN sessions e ON e.id = k.end_session
LEFT JOIN contacts c ON c.id = k.contact ORDER BY k.id`)
}

// BeginSoak begins a soak test now. Begin, End and Result of s are not used.
func (l *Log) BeginSoak(ctx context.Context, s Soak) (id int64, err error) {
	return l.annotate(ctx, s.Contact, func(w *writer, contact any, now Moment) (sql.Result, error) {
		return w.current.ExecContext(ctx, "INSERT INTO soaks (contact, title, profile, note, begin_session, begin_ns, begin_wall_ns) VALUES (?, ?, ?, ?, ?, ?, ?)",
			contact, s.Title, s.Profile, s.Note, now.Session, int64(now.Mono), now.Wall.UnixNano())
	})
}

// EndSoak ends a soak test now and returns the moment. It is an error when no
// soak test with that id is going on.
func (l *Log) EndSoak(ctx context.Context, id int64) (at Moment, err error) {
	_, err = l.annotate(ctx, "", func(w *writer, _ any, now Moment) (sql.Result, error) {
		at = now
		return changed(w.current.ExecContext(ctx, "UPDATE soaks SET end_session = ?, end_ns = ?, end_wall_ns = ? WHERE id = ? AND end_session IS NULL",
			at.Session, int64(at.Mono), at.Wall.UnixNano(), id))("no soak test %d goes on", id)
	})
	return at, err
}

// SetSoakResult records a JSON value as the result of a soak test, interim or
// final.
func (l *Log) SetSoakResult(ctx context.Context, id int64, result json.RawMessage) error {
	_, err := l.annotate(ctx, "", func(w *writer, _ any, _ Moment) (sql.Result, error) {
		return changed(w.current.ExecContext(ctx, "UPDATE soaks SET result = ? WHERE id = ?", string(result), id))("there is no soak test %d", id)
	})
	return err
}

// changed makes an update that found no row an error.
func changed(r sql.Result, err error) func(format string, args ...any) (sql.Result, error) {
	return func(format string, args ...any) (sql.Result, error) {
		if err != nil {
			return nil, err
		}
		if n, err := r.RowsAffected(); err != nil || n != 1 {
			return nil, errors.Join(err, fmt.Errorf(format, args...))
		}
		return r, nil
	}
}

// annotate lets f add something to the log that is about a contact, or about
// none where the name is empty. It returns the id of the new row.
func (l *Log) annotate(ctx context.Context, contact string, f func(w *writer, contact any, now Moment) (sql.Result, error)) (id int64, err error) {
	err = l.write(func(w *writer, clock hw.Anchor, boot string) error {
		var key any
		if contact != "" {
			var row int64
			err := w.current.QueryRowContext(ctx, "SELECT id FROM contacts WHERE name = ?", contact).Scan(&row)
			if errors.Is(err, sql.ErrNoRows) {
				return fmt.Errorf("contact %q is not in the log", contact)
			}
			if err != nil {
				return err
			}
			key = row
		}
		now, err := w.present(ctx, clock, boot, l.whole())
		if err != nil {
			return err
		}
		r, err := f(w, key, now)
		if err != nil {
			return err
		}
		id, err = r.LastInsertId()
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("write log %q: %w", l.path, err)
	}
	return id, nil
}

// write runs f in a transaction of its own, whoever else writes the log.
func (l *Log) write(f func(w *writer, now hw.Anchor, boot string) error) error {
	fi, err := os.Stat(l.path)
	if err != nil { // opening would make the file
		return err
	}
	if severalNames(fi) {
		// SQLite keeps what is new in a log beside each name.
		return errors.New("the file has another name (a hard link), and by two names it would be damaged: remove one of them")
	}
	db, err := openWriter(l.path, otherWait)
	if err != nil {
		return faultOf(l.path, err)
	}
	defer db.Close()
	boot := l.boot
	if boot == "" {
		boot, err = bootID()
	}
	if err != nil && !errors.Is(err, errNotHere) { // where it is not known, no session ran in it
		return err
	}
	now, _ := l.clock()
	return (&writer{db: db}).tx(func(w *writer) error { return f(w, now, boot) })
}

// present is the moment of a note or soak test that is added now, in a boot of
// that id. It is in the latest session, even when that has ended. whole is
// Log.whole.
func (w *writer) present(ctx context.Context, now hw.Anchor, boot, whole string) (Moment, error) {
	var m moment
	var itsBoot string
	var aliveWall int64
	err := w.current.QueryRowContext(ctx, "SELECT s.id, s.alive_ns, s.offset_ns, s.alive_wall_ns, s.boot FROM sessions s WHERE "+whole+" ORDER BY s.run DESC, s.alive_ns + s.offset_ns DESC, s.id DESC LIMIT 1").
		Scan(&m.session, &m.mono, &m.offset, &aliveWall, &itsBoot)
	if errors.Is(err, sql.ErrNoRows) {
		return Moment{}, errNoSession
	}
	if err != nil {
		return Moment{}, err
	}
	m.wall = now.Wall.UnixNano()
	if itsBoot == boot && int64(now.Mono) >= m.mono {
		m.mono = int64(now.Mono)
	} else {
		m.mono += max(m.wall-aliveWall, 0)
	}
	return m.at(), nil
}
