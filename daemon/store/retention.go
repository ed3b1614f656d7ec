package store

import (
	"database/sql"
	"errors"
	"fmt"
	"time"

	"makebreak/pulse"
)

const (
	// minMaxBytes is the smallest limit that makes sense beside the write-ahead log.
	minMaxBytes = 2 * walBytes
	// pruneEvery is the pause between looks at the age of the edges. Size is
	// looked at after each commit.
	pruneEvery = pulse.Stamp(10 * time.Second)
	// pruneStep blocks are deleted, and pages given back, in one transaction:
	// some ms of work.
	pruneStep = 64
	// pruneTime bounds the work between two commits.
	pruneTime = 200 * time.Millisecond
	// sparePages are kept below the limit for what one commit may add.
	sparePages = 256
)

// A head is the oldest block of a contact that may be deleted.
type head struct{ id, session, last, edges int64 }

// prune deletes raw edges that are too old or too many, oldest first, in small
// steps. What it does not get done is left for after the next commit; so is
// an error, which the next commit will meet too.
func (s *Store) prune() {
	if s.w == nil || s.opt.KeepEdges == 0 && s.opt.MaxBytes == 0 {
		return
	}
	a, _ := s.opt.Clock()
	for begun := time.Now(); time.Since(begun) < pruneTime; {
		tooOld := s.opt.KeepEdges != 0 && (s.pruned == 0 || a.Mono-s.pruned >= pruneEvery)
		over, err := s.overPages()
		if err != nil || !tooOld && over <= 0 {
			break
		}
		more, err := s.pruneSome(a.Mono, tooOld, over)
		if err != nil {
			break
		}
		if !more {
			s.pruned = a.Mono
			break
		}
	}
	s.shrink()
}

// pages of the file, and those in it that are free.
func (s *Store) pages() (all, free int64, err error) {
	err = s.w.db.QueryRow("SELECT (SELECT page_count FROM pragma_page_count), (SELECT freelist_count FROM pragma_freelist_count)").Scan(&all, &free)
	return all, free, err
}

func (s *Store) limitPages() int64 { return (s.opt.MaxBytes-walBytes)/pageSize - sparePages }

func (s *Store) overPages() (int64, error) {
	if s.opt.MaxBytes == 0 {
		return 0, nil
	}
	all, free, err := s.pages()
	return all - free - s.limitPages(), err
}

// pruneSome deletes up to pruneStep blocks; more is false when none is left to
// delete.
func (s *Store) pruneSome(now pulse.Stamp, tooOld bool, over int64) (more bool, err error) {
	removed := int64(0)
	err = s.w.tx(func(w *writer) error {
		removed, more = 0, true
		heads, err := s.heads(w)
		if err != nil {
			return err
		}
		for range pruneStep {
			var oldest int64
			for c, h := range heads {
				o := heads[oldest]
				if oldest == 0 || h.session < o.session || h.session == o.session && h.last < o.last {
					oldest = c
				}
			}
			h, ok := heads[oldest]
			if !ok {
				more = false
				return nil
			}
			if over <= 0 {
				old := false
				if tooOld {
					err := w.current.QueryRow(`SELECT ?1 + s.offset_ns < (SELECT ?2 + offset_ns FROM sessions WHERE id = ?3) - ?4 FROM sessions s WHERE s.id = ?5`,
						h.last, int64(now), w.session, int64(s.opt.KeepEdges), h.session).Scan(&old)
					if err != nil {
						return err
					}
				}
				if !old {
					more = false
					return nil
				}
			}
			if err := w.exec("DELETE FROM edge_blocks WHERE id = ?", h.id); err != nil {
				return err
			}
			removed += h.edges
			over--
			if err := s.nextHead(w, heads, oldest); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return false, err
	}
	s.mu.Lock()
	s.stats.RemovedEdges += uint64(removed)
	s.mu.Unlock()
	return more, nil
}

func (s *Store) heads(w *writer) (map[int64]head, error) {
	rows, err := w.current.Query("SELECT id FROM contacts")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	heads := map[int64]head{}
	for rows.Next() {
		var id int64
		if err := rows.Scan(&id); err != nil {
			return nil, err
		}
		heads[id] = head{}
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	for id := range heads {
		if err := s.nextHead(w, heads, id); err != nil {
			return nil, err
		}
	}
	return heads, nil
}

// nextHead finds a contact's oldest block, other than its latest, which may
// still be growing.
func (s *Store) nextHead(w *writer, heads map[int64]head, contact int64) error {
	var h head
	err := w.current.QueryRow(`SELECT id, session, last_ns, edges FROM edge_blocks WHERE id > ?1 << 32 AND id <
  (SELECT max(id) FROM edge_blocks WHERE id > ?1 << 32 AND id < (?1 + 1) << 32) ORDER BY id LIMIT 1`, contact).
		Scan(&h.id, &h.session, &h.last, &h.edges)
	if errors.Is(err, sql.ErrNoRows) {
		delete(heads, contact)
		return nil
	}
	heads[contact] = h
	return err
}

// shrink gives free pages back when the file is too large or a quarter of it
// is free; a few are kept, as the next commits need them.
func (s *Store) shrink() {
	all, free, err := s.pages()
	if err != nil || free == 0 {
		return
	}
	if s.opt.MaxBytes != 0 && all > s.limitPages()+sparePages || free > sparePages && free > all/4 {
		_ = s.w.tx(func(w *writer) error {
			return w.exec(fmt.Sprintf("PRAGMA incremental_vacuum(%d)", pruneStep))
		})
	}
}
