package store

import (
	"context"
	"encoding/json"
	"fmt"
)

// A LobeMark is an opening of an interrupter whose lobe is known.
type LobeMark struct {
	Contact string // name
	At      Moment
	// Numbering is the same for marks that give the same lobes the same numbers;
	// from 1.
	Numbering int64
	Lobes     int // on the cam
	Lobe      int // that opened, from 1
	// Signature describes each lobe, in the same numbers, so that they can be
	// recognised; nil when it is not known.
	Signature json.RawMessage
}

// A LobeOne is what a note says of lobe number 1 on the cam.
type LobeOne struct {
	Note      int64
	Numbering int64
	Lobes     int
	Lobe      int // which number 1 is in marks of that numbering
}

const insertLobeMark = "INSERT INTO lobe_marks (contact, session, mono_ns, numbering, lobes, lobe, signature) VALUES (?, ?, ?, ?, ?, ?, ?)"

// MarkLobe records a mark of this session. Of its At only Mono is used.
func (s *Store) MarkLobe(m LobeMark) {
	c := s.byName(m.Contact)
	s.add(func(w *writer) error {
		return w.exec(insertLobeMark, c.key(), w.session, int64(m.At.Mono), m.Numbering, m.Lobes, m.Lobe, nullJSON(m.Signature))
	})
}

// LobeMarks gives a contact's marks in a span, in order of time.
func (l *Log) LobeMarks(ctx context.Context, span Span, contact string) ([]LobeMark, error) {
	if !l.has(2) {
		return nil, nil
	}
	return list(ctx, l, func(row scanner) (m LobeMark, err error) {
		var at moment
		err = row(append(at.fields(), &m.Numbering, &m.Lobes, &m.Lobe, (*[]byte)(&m.Signature))...)
		m.Contact, m.At = contact, at.at()
		return m, err
	}, `SELECT x.session, x.mono_ns, s.offset_ns, s.start_wall_ns + x.mono_ns - s.start_ns, x.numbering, x.lobes, x.lobe, x.signature
FROM sessions s CROSS JOIN lobe_marks x ON x.session = s.id AND x.contact = (SELECT id FROM contacts WHERE name = ?4)
WHERE `+l.inSpan()+` ORDER BY x.session, x.mono_ns, x.id`, append(span.args(), contact)...)
}

// LobeOnes gives what notes say of a contact's lobe number 1, the latest last.
func (l *Log) LobeOnes(ctx context.Context, contact string) ([]LobeOne, error) {
	if !l.has(2) {
		return nil, nil
	}
	return list(ctx, l, func(row scanner) (o LobeOne, err error) {
		err = row(&o.Note, &o.Numbering, &o.Lobes, &o.Lobe)
		return o, err
	}, "SELECT o.note, o.numbering, o.lobes, o.lobe FROM lobe_ones o JOIN contacts c ON c.id = o.contact WHERE c.name = ? ORDER BY o.note", contact)
}

// NoteLobeOne adds a note, as AddNote does, which says that the lobe of m is
// number 1. Where m.Numbering is 0 the log does not number the lobes yet: m
// then begins a numbering, and Session and Mono of its At are used.
func (l *Log) NoteLobeOne(ctx context.Context, n Note, m LobeMark) (id int64, err error) {
	if !l.has(2) {
		return 0, fmt.Errorf("write log %q: its format %d has no numbers of lobes: let the daemon open it once", l.path, l.format)
	}
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
