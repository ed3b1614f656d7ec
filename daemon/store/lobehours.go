package store

import (
	"context"
	"encoding/json"

	"makebreak/pulse"
)

// A LobeHour is what the lobes of an interrupter did in about an hour. It stays
// when the edges are removed.
type LobeHour struct {
	Contact   string // name
	At        Moment // start
	LengthNS  int64
	Numbering int64 // as in LobeMark
	// Figures have one of each lobe, in order, in the numbers of Numbering.
	Figures []LobeHourFigure
}

// A LobeHourFigure is one lobe in a LobeHour. Errors are about the median of the
// lobes, in ms; positive is late or long.
type LobeHourFigure struct {
	Opening LobeMean `json:"opening"`
	Break   LobeMean `json:"break"`
}

// A LobeMean is the mean error of a lobe over N openings or breaks.
type LobeMean struct {
	N    int64         `json:"n"`
	Mean pulse.Rounded `json:"mean_ms"` // 0 when N is 0
	SE   pulse.Rounded `json:"se_ms"`   // standard error
}

// mostLobeHours are kept of a contact, the latest: more than a year, in some 10 MB.
const mostLobeHours = 10_000

// KeepLobeHour records one of this session, and removes the oldest where there are
// many. Of its At only Mono is used.
func (s *Store) KeepLobeHour(h LobeHour) {
	c := s.byName(h.Contact)
	figures, err := json.Marshal(h.Figures)
	if err != nil {
		return // a figure is no number: nothing that could be read again
	}
	s.add(func(w *writer) error {
		if err := w.exec("INSERT OR REPLACE INTO lobe_hours (contact, session, mono_ns, length_ns, numbering, figures) VALUES (?, ?, ?, ?, ?, ?)",
			c.key(), w.session, int64(h.At.Mono), h.LengthNS, h.Numbering, string(figures)); err != nil {
			return err
		}
		if int64(h.At.Mono)/hour%24 != 0 { // once a day is enough
			return nil
		}
		return w.exec(`DELETE FROM lobe_hours WHERE contact = ?1 AND (session, mono_ns) IN (
  SELECT session, mono_ns FROM lobe_hours WHERE contact = ?1 ORDER BY session DESC, mono_ns DESC LIMIT -1 OFFSET ?2)`, c.key(), mostLobeHours)
	})
}

// LobeHours gives those of a contact that begin in a span, in order of time; none
// of a log of before they were kept. One that cannot be read, as a newer program
// may have written it, is left out.
func (l *Log) LobeHours(ctx context.Context, span Span, contact string) ([]LobeHour, error) {
	if !l.has(4) {
		return nil, nil
	}
	all, err := list(ctx, l, func(row scanner) (h LobeHour, err error) {
		var at moment
		var figures []byte
		if err = row(append(at.fields(), &h.LengthNS, &h.Numbering, &figures)...); err != nil {
			return h, err
		}
		h.Contact, h.At = contact, at.at()
		_ = json.Unmarshal(figures, &h.Figures) // what cannot be read has no figures
		return h, nil
	}, `SELECT x.session, x.mono_ns, s.offset_ns, s.start_wall_ns + x.mono_ns - s.start_ns, x.length_ns, x.numbering, x.figures
FROM sessions s CROSS JOIN lobe_hours x ON x.session = s.id AND x.contact = (SELECT id FROM contacts WHERE name = ?4)
WHERE `+l.inSpan()+` ORDER BY x.session, x.mono_ns`, append(span.args(), contact)...)
	read := all[:0]
	for _, h := range all {
		if len(h.Figures) > 0 {
			read = append(read, h)
		}
	}
	return read, err
}
