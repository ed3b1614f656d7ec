package store

import (
	"database/sql"

	"makebreak/pulse"
)

// A boot is what the log knows of the clocks in one boot of the computer.
type boot struct {
	sessions     []int64
	start, alive int64 // monotonic clock: of its first session, of its latest commit
	// What the wall clock was ahead of the monotonic clock, when it was first and
	// last seen steered; not valid when it never was.
	first, last sql.NullInt64
	// Of imports: the start of the session of watching that followed them.
	imports map[int64]int64
}

// An ageScale is what to add to the monotonic clock of each session to compare
// times across boots. An import is as old as the watching that followed it: its
// time on the scale stands in imports.
type ageScale struct{ add, imports map[int64]int64 }

// knownTimes gives, by session from one on, what to add to its monotonic clock
// to compare times across boots. Only time that is known passes on that scale:
// within a boot by the monotonic clock, and between boots by the wall clock, if
// it was steered in both. Else nothing passes from the latest commit of one boot
// to the first session of the next: how far a clock jumped when it was set, with
// nothing to tell it by, is no age.
func (w *writer) knownTimes(from int64) (times ageScale, err error) {
	boots, err := w.boots(from)
	if err != nil {
		return times, err
	}
	times = ageScale{map[int64]int64{}, map[int64]int64{}}
	end := int64(0)           // of the boot before, on the scale
	var steered sql.NullInt64 // what the wall clock was ahead of the scale, when it was last seen steered
	for i, b := range boots {
		add := -b.start
		if i > 0 {
			add = end - b.start
		}
		if steered.Valid && b.first.Valid {
			add = max(add, b.first.Int64-steered.Int64)
		}
		if b.last.Valid {
			steered = sql.NullInt64{Int64: b.last.Int64 - add, Valid: true}
		}
		end = b.alive + add
		for _, id := range b.sessions {
			times.add[id] = add
		}
		for id, start := range b.imports {
			times.imports[id] = start + add
		}
	}
	return times, nil
}

// boots gives the boots since a session, in order of time.
func (w *writer) boots(from int64) (all []boot, err error) {
	rows, err := w.current.Query(`SELECT id, boot, start_ns, alive_ns, imported IS NOT NULL,
  (SELECT wall_ns - mono_ns FROM clocks WHERE session = s.id AND synchronised = 1 ORDER BY mono_ns LIMIT 1),
  (SELECT wall_ns - mono_ns FROM clocks WHERE session = s.id AND synchronised = 1 ORDER BY mono_ns DESC LIMIT 1)
FROM sessions s WHERE id >= ? ORDER BY id`, from)
	if err != nil {
		return nil, err
	}
	name := ""
	var imports []int64 // that no watching has followed yet
	_, err = collect(rows, func(row scanner) (none struct{}, err error) {
		var id int64
		var itsName string
		var s boot
		var isImport bool
		if err := row(&id, &itsName, &s.start, &s.alive, &isImport, &s.first, &s.last); err != nil {
			return none, err
		}
		if isImport {
			imports = append(imports, id)
			return none, nil
		}
		if len(all) == 0 || itsName != name || s.start < all[len(all)-1].alive {
			all = append(all, s)
		}
		name = itsName
		b := &all[len(all)-1]
		b.sessions, b.alive = append(b.sessions, id), s.alive
		if !b.first.Valid {
			b.first = s.first
		}
		if s.last.Valid {
			b.last = s.last
		}
		for _, id := range imports {
			if b.imports == nil {
				b.imports = map[int64]int64{}
			}
			b.imports[id] = s.start
		}
		imports = nil
		return none, nil
	})
	return all, err
}

// age is how long ago the block's last edge was, as far as that is known. It is
// not more than the true age.
func (h head) age(now pulse.Stamp, session int64, times ageScale) int64 {
	then, isImport := times.imports[h.session]
	if !isImport {
		then = h.last + times.add[h.session]
	}
	return int64(now) + times.add[session] - then
}
