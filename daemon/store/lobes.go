package store

import (
	"context"
	"database/sql"
	"encoding/json"
)

// A LobeMark is an opening of an interrupter whose lobe is known.
type LobeMark struct {
	Contact string // name
	At      Moment
	// Numbering tells marks whose numbers are of the same lobes, from 1.
	Numbering int64
	Lobes     int // of the cam
	Lobe      int // that opened, from 1
	// Signature is what all lobes are known by, in the same numbers; nil when it
	// is not known.
	Signature json.RawMessage
}

// A LobeOne is a note that says which lobe is number 1 on the cam.
type LobeOne struct {
	Note      int64
	Numbering int64
	Lobes     int
	Lobe      int // as marks of that numbering have it
}

const insertLobeMark = "INSERT INTO lobe_marks (contact, session, mono_ns, numbering, lobes, lobe, signature) VALUES (?, ?, ?, ?, ?, ?, ?)"

// MarkLobe records a mark of this session; of its At, Mono alone counts.
func (s *Store) MarkLobe(m LobeMark) {
	c := s.byName(m.Contact)
	s.add(func(w *writer) error {
		return w.exec(insertLobeMark, c.key(), w.session, int64(m.At.Mono), m.Numbering, m.Lobes, m.Lobe, nullJSON(m.Signature))
	})
}

// LobeMarks gives a contact's marks in a span in order of time.
func (l *Log) LobeMarks(ctx context.Context, span Span, contact string) ([]LobeMark, error) {
	return list(ctx, l, func(row func(...any) error) (m LobeMark, err error) {
		var at moment
		var signature sql.NullString
		err = row(append(at.fields(), &m.Numbering, &m.Lobes, &m.Lobe, &signature)...)
		m.Contact, m.At = contact, at.at()
		if signature.Valid {
			m.Signature = json.RawMessage(signature.String)
		}
		return m, err
	}, `SELECT x.session, x.mono_ns, s.offset_ns, s.start_wall_ns + x.mono_ns - s.start_ns, x.numbering, x.lobes, x.lobe, x.signature
FROM sessions s CROSS JOIN lobe_marks x ON x.session = s.id AND x.contact = (SELECT id FROM contacts WHERE name = ?4)
WHERE `+inSpan+` ORDER BY x.session, x.mono_ns, x.id`, append(span.args(), contact)...)
}

// LobeOnes gives what notes say of a contact's lobe 1, the latest last.
func (l *Log) LobeOnes(ctx context.Context, contact string) ([]LobeOne, error) {
	return list(ctx, l, func(row func(...any) error) (o LobeOne, err error) {
		err = row(&o.Note, &o.Numbering, &o.Lobes, &o.Lobe)
		return o, err
	}, "SELECT o.note, o.numbering, o.lobes, o.lobe FROM lobe_ones o JOIN contacts c ON c.id = o.contact WHERE c.name = ? ORDER BY o.note", contact)
}

// NoteLobeOne adds a note as AddNote does, that says that the lobe which
// opened at m is number 1. With m.Numbering 0 the log has no numbers for it
// yet: m, of which then Session and Mono count, begins a numbering.
func (l *Log) NoteLobeOne(ctx context.Context, n Note, m LobeMark) (id int64, err error) {
	return l.addNote(ctx, n, func(w *writer, contact any, note int64) error {
		if m.Numbering == 0 {
			err := w.current.QueryRowContext(ctx, "SELECT coalesce(max(numbering), 0) + 1 FROM lobe_marks WHERE contact = ?", contact).Scan(&m.Numbering)
			if err != nil {
				return err
			}
			if err := w.exec(insertLobeMark, contact, m.At.Session, int64(m.At.Mono), m.Numbering, m.Lobes, m.Lobe, nullJSON(m.Signature)); err != nil {
				return err
			}
		}
		return w.exec("INSERT INTO lobe_ones (note, contact, numbering, lobes, lobe) VALUES (?, ?, ?, ?, ?)", note, contact, m.Numbering, m.Lobes, m.Lobe)
	})
}
