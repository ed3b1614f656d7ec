package store

import (
	"database/sql"
	"errors"
	"fmt"
	"os"
	"time"

	sqlite3 "modernc.org/sqlite/lib"

	"makebreak/pulse"
)

const (
	// minMaxBytes is the smallest limit that makes sense beside the write-ahead log.
	minMaxBytes = 2 * walBytes
	// pruneEvery is the pause between looks at the age of the edges. Size is
	// looked at after each commit.
	pruneEvery = pulse.Stamp(10 * time.Second)
	// pruneStep blocks are deleted, and pages given back, in one transaction:
	// some ms of work, and more than one commit of a log near its limit adds.
	pruneStep = 256
	// pruneTime bounds the work between two commits, but for one step.
	pruneTime = 200 * time.Millisecond
	// sparePages are kept below the limit for what one commit may add.
	sparePages = 256
	// overLong is how long the log may be too large before that is a fault.
	overLong = pulse.Stamp(time.Minute)
)

// retention is what keeping to the limits knows of the file.
type retention struct {
	fault     *Fault              // what keeps the log from its limits
	pruned    pulse.Stamp         // latest look at the age of edges
	overSince pulse.Stamp         // 0 when the log is not too large
	stuck     map[int64]int64     // contact: its blocks up to this one cannot be removed
	blocks    int                 // of these
	folded    map[foldKey]foldRow // all before it is folded
}

// A stuckError says that a part of the file that is to be removed is damaged.
type stuckError struct {
	contact, block int64 // block 0: the summaries
	err            error
}

func (e *stuckError) Error() string { return e.err.Error() }
func (e *stuckError) Unwrap() error { return e.err }

// A head is the oldest block of a contact that may be deleted, and its latest,
// which may still be growing.
type head struct{ id, session, last, edges, latest int64 }

// prune deletes raw edges that are too old or too many, oldest first, in small
// steps, and folds summaries. What it does not get done is left for after the
// next commit. It goes past what is damaged.
func (s *Store) prune() {
	if s.w == nil || s.opt.KeepEdges == 0 && s.opt.MaxBytes == 0 {
		return
	}
	a, _ := s.opt.Clock()
	held, spent := s.held(), false
	var err error
	for begun := time.Now(); !held && err == nil; {
		tooOld := s.opt.KeepEdges != 0 && (s.keep.pruned == 0 || a.Mono-s.keep.pruned >= pruneEvery)
		var over, n int64
		if over, err = s.overPages(); err != nil || !tooOld && over <= 0 {
			break
		}
		n, err = s.pruneSome(a.Mono, tooOld, over)
		var stuck *stuckError
		if errors.As(err, &stuck) {
			s.goPast(stuck)
			err = nil
		} else if err == nil && n == 0 {
			s.keep.pruned, spent = a.Mono, over > 0
			break
		}
		if time.Since(begun) >= pruneTime {
			break
		}
	}
	if !held && err == nil {
		err = s.shrink()
	}
	s.kept(a.Mono, held, spent, err)
}

// held tells that a reader keeps the write-ahead log from being copied into the
// file and begun anew: whatever is deleted then makes it longer still.
func (s *Store) held() bool {
	fi, err := os.Stat(s.path + "-wal")
	if err != nil || fi.Size() <= walBytes {
		return false
	}
	var busy, all, copied int64
	err = s.w.db.QueryRow("PRAGMA wal_checkpoint(PASSIVE)").Scan(&busy, &all, &copied)
	return err == nil && copied < all
}

// kept notes how well the log keeps to its limits.
func (s *Store) kept(now pulse.Stamp, held, spent bool, err error) {
	k := &s.keep
	size := logBytes(s.path)
	over := s.opt.MaxBytes != 0 && size > s.opt.MaxBytes
	if !over {
		k.overSince = 0
	} else if k.overSince == 0 {
		k.overSince = now
	}
	var f *Fault
	limit := func(format string, args ...any) {
		f = &Fault{Kind: OverLimit, Writable: true, Err: fmt.Errorf(format, args...)}
	}
	mb := func(n int64) string { return fmt.Sprintf("%.1f MB", float64(n)/1e6) }
	switch long := over && now-k.overSince >= overLong; {
	case spent:
		limit("the log is at its limit of %s, and all edges but the newest have made room for what is kept for good, such as findings and summaries: give it a larger limit, or begin a new log", mb(s.opt.MaxBytes))
	case long && held:
		limit("the log has grown to %s, over its limit of %s, and cannot be made smaller while another program goes on reading it: end that program", mb(size), mb(s.opt.MaxBytes))
	case long && err != nil:
		limit("the log has grown to %s, over its limit of %s, and cannot be made smaller: %w", mb(size), mb(s.opt.MaxBytes), err)
	case long:
		limit("the log has grown to %s, over its limit of %s, and is being made smaller", mb(size), mb(s.opt.MaxBytes))
	case err != nil && code(err) != sqlite3.SQLITE_BUSY:
		f = faultOf(s.path, err)
		f.Writable, f.Err = true, fmt.Errorf("old edges cannot be removed from the log: %w", err)
	case len(k.stuck) > 0:
		f = &Fault{Kind: Damaged, Writable: true, Err: fmt.Errorf("the log has damaged pages: %d blocks of old edges cannot be removed; new edges are logged, and what can be read can be exported", k.blocks)}
	}
	before := k.fault
	k.fault = f
	s.mu.Lock()
	s.stats.Bytes, s.stats.OverLimit, s.stats.Fault = size, over, f
	s.mu.Unlock()
	if f == nil && before != nil || f != nil && (before == nil || before.Kind != f.Kind) {
		s.tell(f)
	}
}

// goPast notes what is damaged, tells it once, and leaves it as it is from then on.
func (s *Store) goPast(e *stuckError) {
	k := &s.keep
	what, blocks, told := "edges", 1, false
	if e.block == 0 {
		what, blocks = "summaries", 0
		for _, width := range []int64{hour, day} {
			k.folded[foldKey{e.contact, width}] = never
		}
	} else {
		if k.stuck == nil {
			k.stuck = map[int64]int64{}
		}
		_, told = k.stuck[e.contact]
		k.stuck[e.contact] = e.block
	}
	k.blocks += blocks
	s.mu.Lock()
	s.stats.StuckBlocks += uint64(blocks)
	s.mu.Unlock()
	if told {
		return
	}
	var name string
	if err := s.w.db.QueryRow("SELECT name FROM contacts WHERE id = ?", e.contact).Scan(&name); err != nil {
		name = fmt.Sprint("contact ", e.contact)
	}
	a, _ := s.opt.Clock()
	s.Find(Finding{Kind: Damage, At: Moment{Mono: a.Mono},
		Text:   fmt.Sprintf("old %s of %s are damaged and stay in the log, which goes on without room for them: %v", what, name, e.err),
		Detail: Detail(map[string]any{"contact": name, "block": e.block, "error": e.err.Error()})})
}

// pages of the file, and those in it that are free.
func (s *Store) pages() (all, free int64, err error) {
	err = s.w.db.QueryRow("SELECT (SELECT page_count FROM pragma_page_count), (SELECT freelist_count FROM pragma_freelist_count)").Scan(&all, &free)
	return all, free, err
}

func (s *Store) limitPages() int64 { return (s.opt.MaxBytes-walBytes)/pageSize - sparePages }

// nearLimit tells that a commit of some blocks, and as many rows as may wait,
// needs room to be made.
func (s *Store) nearLimit(blocks int) (bool, error) {
	if s.opt.MaxBytes == 0 {
		return false, nil
	}
	over, err := s.overPages()
	// Twice, as the write-ahead log has them too.
	return over+2*(int64(blocks)+maxEvents/8) > 0, err
}

func (s *Store) overPages() (int64, error) {
	if s.opt.MaxBytes == 0 {
		return 0, nil
	}
	all, free, err := s.pages()
	return all - free - s.limitPages(), err
}

// pruneSome deletes up to pruneStep blocks or folds some summaries; n is 0 when
// nothing is left to do.
func (s *Store) pruneSome(now pulse.Stamp, tooOld bool, over int64) (n int64, err error) {
	var edges, folded int64
	err = s.w.tx(func(w *writer) error {
		heads, err := s.heads(w)
		if err != nil {
			return err
		}
		rest := over + s.limitPages() // pages of all but blocks
		for _, h := range heads {
			rest -= h.latest - h.id + 1
		}
		if over > 0 && rest > s.limitPages()/4 {
			if folded, err = s.fold(w); err != nil || folded > 0 {
				return err
			}
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
					return nil
				}
			}
			if err := w.exec("DELETE FROM edge_blocks WHERE id = ?", h.id); err != nil {
				if unreadable(err) {
					err = &stuckError{contact: oldest, block: h.id, err: err}
				}
				return err
			}
			n++
			edges += h.edges
			over--
			if err := s.nextHead(w, heads, oldest); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return 0, err
	}
	s.mu.Lock()
	s.stats.RemovedEdges += uint64(edges)
	s.stats.FoldedRows += uint64(folded)
	s.mu.Unlock()
	return n + folded, nil
}

func contactIDs(w *writer) (ids []int64, err error) {
	rows, err := w.current.Query("SELECT id FROM contacts")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var id int64
		if err := rows.Scan(&id); err != nil {
			return nil, err
		}
		ids = append(ids, id)
	}
	return ids, rows.Err()
}

func (s *Store) heads(w *writer) (map[int64]head, error) {
	ids, err := contactIDs(w)
	if err != nil {
		return nil, err
	}
	heads := map[int64]head{}
	for _, id := range ids {
		after := max(id<<32, s.keep.stuck[id])
		var latest sql.NullInt64
		err := w.current.QueryRow("SELECT max(id) FROM edge_blocks WHERE id > ? AND id < ?", after, (id+1)<<32).Scan(&latest)
		if unreadable(err) {
			return nil, &stuckError{contact: id, block: (id+1)<<32 - 1, err: err}
		}
		if err != nil {
			return nil, err
		}
		heads[id] = head{id: after, latest: latest.Int64}
		if err := s.nextHead(w, heads, id); err != nil {
			return nil, err
		}
	}
	return heads, nil
}

// nextHead finds the block of a contact that follows its head.
func (s *Store) nextHead(w *writer, heads map[int64]head, contact int64) error {
	before := heads[contact]
	h := head{latest: before.latest}
	err := w.current.QueryRow("SELECT id, session, last_ns, edges FROM edge_blocks WHERE id > ? AND id < ? ORDER BY id LIMIT 1", before.id, h.latest).
		Scan(&h.id, &h.session, &h.last, &h.edges)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		delete(heads, contact)
		return nil
	case unreadable(err):
		// The index tells which one it is; without it, no later one can be found.
		e := &stuckError{contact: contact, block: (contact+1)<<32 - 1, err: err}
		var id int64
		if w.current.QueryRow("SELECT id FROM edge_blocks INDEXED BY edge_block_times WHERE contact = ? AND id > ? ORDER BY session, first_ns LIMIT 1", contact, before.id).Scan(&id) == nil {
			e.block = id
		}
		return e
	}
	heads[contact] = h
	return err
}

// shrink gives free pages back when the file is too large or a quarter of it
// is free; a few are kept, as the next commits need them.
func (s *Store) shrink() error {
	all, free, err := s.pages()
	if err != nil {
		return err
	}
	if free > 0 && s.opt.MaxBytes != 0 && all > s.limitPages()+sparePages || free > sparePages && free > all/4 {
		return s.w.tx(func(w *writer) error {
			return w.exec(fmt.Sprintf("PRAGMA incremental_vacuum(%d)", pruneStep))
		})
	}
	if s.opt.MaxBytes != 0 && logBytes(s.path) > s.opt.MaxBytes {
		// The file itself is made smaller when the write-ahead log is copied to it.
		_, err = s.w.db.Exec("PRAGMA wal_checkpoint(PASSIVE)")
	}
	return err
}
