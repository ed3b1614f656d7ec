package store

import (
	"database/sql"
	"errors"
	"fmt"
	"os"
	"time"

	sqlite3 "modernc.org/sqlite/lib"

	"makebreak/hw"
	"makebreak/pulse"
)

const (
	// minMaxBytes is the smallest limit that leaves room beside the write-ahead log.
	minMaxBytes = 2 * walBytes
	// pruneEvery is how often the age of the edges is checked. The size of the
	// log is checked after each commit.
	pruneEvery = pulse.Stamp(10 * time.Second)
	// pruneStep is how many blocks are deleted, or pages given back, in one
	// transaction: some ms of work, and more than one commit adds to a log near
	// its limit.
	pruneStep = 256
	// pruneTime bounds the pruning between two commits; one step may go beyond.
	pruneTime = 200 * time.Millisecond
	// sparePages are kept below the limit for what one commit may add.
	sparePages = 256
	// fillsFor is how long after the last removal for the size of the log the
	// contact that fills it is told.
	fillsFor = pulse.Stamp(time.Hour)
	// overLong is how long the log may be too large before that is a fault.
	overLong = pulse.Stamp(time.Minute)
)

// retention is what pruning knows of the file.
type retention struct {
	fault     *Fault                   // why the log exceeds its limits
	pruned    pulse.Stamp              // when the age of the edges was last checked
	overSince pulse.Stamp              // 0 while the log is not too large
	removals  map[removalKey]removal   // those whose findings still grow
	filled    pulse.Stamp              // when a contact was last found to fill the log
	stuck     map[int64]int64          // by contact: its blocks up to this one cannot be removed
	blocks    int                      // how many those are
	rolledUp  map[rollupKey]summaryKey // all summaries before are rolled up
}

// A stuckError says that a part of the file that is to be removed is damaged.
type stuckError struct {
	contact, block int64 // block 0: the summaries
	err            error
}

func (e *stuckError) Error() string { return e.err.Error() }
func (e *stuckError) Unwrap() error { return e.err }

// A head is the oldest block of a contact that may be deleted, and its latest,
// which may still grow.
type head struct{ id, session, first, last, edges, latest int64 }

func (h head) before(o head) bool {
	return h.session < o.session || h.session == o.session && h.last < o.last
}

// prune deletes raw edges that are too old or too many, oldest first, in small
// steps, and rolls summaries up. What it does not finish it does after the next
// commit. It leaves out what is damaged.
func (s *Store) prune() {
	if s.w == nil || s.opt.KeepEdges == 0 && s.opt.MaxBytes == 0 {
		return
	}
	a, _ := s.opt.Clock()
	if s.keep.filled != 0 && a.Mono-s.keep.filled > fillsFor {
		s.keep.filled = 0
		s.mu.Lock()
		s.stats.Fills = ""
		s.mu.Unlock()
	}
	held, spent := s.held(), false
	var err error
	for begun := time.Now(); !held && err == nil; {
		tooOld := s.opt.KeepEdges != 0 && (s.keep.pruned == 0 || a.Mono-s.keep.pruned >= pruneEvery)
		var over, n int64
		if over, err = s.overPages(); err != nil || !tooOld && over <= 0 {
			break
		}
		n, err = s.pruneSome(a, tooOld, over)
		var stuck *stuckError
		if errors.As(err, &stuck) {
			s.skip(stuck)
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

// held is true while a reader keeps the write-ahead log from being copied into
// the file and started again: then every deletion makes it longer still.
func (s *Store) held() bool {
	fi, err := os.Stat(s.path + "-wal")
	if err != nil || fi.Size() <= walBytes {
		return false
	}
	var busy, all, copied int64
	err = s.w.db.QueryRow("PRAGMA wal_checkpoint(PASSIVE)").Scan(&busy, &all, &copied)
	return err == nil && copied < all
}

// kept records whether the log is within its limits, and why not.
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
	grown := fmt.Sprintf("the log has grown to %s, over its limit of %s, and", megabytes(size), megabytes(s.opt.MaxBytes))
	switch long := over && now-k.overSince >= overLong; {
	case spent:
		limit("the log is at its limit of %s, and all edges but the newest have made room for what is kept for good, such as findings and summaries: give it a larger limit, or begin a new log", megabytes(s.opt.MaxBytes))
	case long && held:
		limit("%s cannot be made smaller while another program goes on reading it: end that program", grown)
	case long && err != nil:
		limit("%s cannot be made smaller: %w", grown, err)
	case long:
		limit("%s is being made smaller", grown)
	case err != nil && code(err) != sqlite3.SQLITE_BUSY:
		f = faultOf(s.path, err)
		f.Writable, f.Err = true, fmt.Errorf("old edges cannot be removed from the log: %w", err)
	case len(k.stuck) > 0:
		f = &Fault{Kind: Damaged, Writable: true, Err: fmt.Errorf("the log has damaged pages: %d blocks of old edges cannot be removed; new edges are logged, and what can be read can be exported", k.blocks)}
	}
	before := k.fault
	k.fault = f
	s.mu.Lock()
	s.stats.Bytes, s.stats.Fault = size, f
	s.mu.Unlock()
	if f == nil && before != nil || f != nil && (before == nil || before.Kind != f.Kind) {
		s.tell(f)
	}
}

// skip leaves a damaged part of the file out of pruning from now on. The first
// of a contact is a finding.
func (s *Store) skip(e *stuckError) {
	k := &s.keep
	what, blocks, told := "edges", 1, false
	if e.block == 0 {
		what, blocks = "summaries", 0
		for _, width := range []int64{hour, day} {
			k.rolledUp[rollupKey{e.contact, width}] = never
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
	s.Find(finding(Damage, a.Mono, map[string]any{"contact": name, "block": e.block, "error": e.err.Error()},
		"old %s of %s are damaged and stay in the log, which goes on without room for them: %v", what, name, e.err))
}

// pages counts the pages of the file, and those of them that are free.
func (s *Store) pages() (all, free int64, err error) {
	err = s.w.db.QueryRow("SELECT (SELECT page_count FROM pragma_page_count), (SELECT freelist_count FROM pragma_freelist_count)").Scan(&all, &free)
	return all, free, err
}

// limitPages is how many pages may be in use before edges have to be removed.
func (s *Store) limitPages() int64 { return limitPages(s.opt.MaxBytes) }

func limitPages(maxBytes int64) int64 { return (maxBytes-walBytes)/pageSize - sparePages }

// nearLimit is true when there is no room for a commit of some blocks and of
// as many rows as may wait.
func (s *Store) nearLimit(blocks int) (bool, error) {
	if s.opt.MaxBytes == 0 {
		return false, nil
	}
	over, err := s.overPages()
	// Twice, as they are in the write-ahead log too; a page holds some 8 rows.
	return over+2*(int64(blocks)+maxRows/8) > 0, err
}

// overPages is how many pages more than limitPages are in use.
func (s *Store) overPages() (int64, error) {
	if s.opt.MaxBytes == 0 {
		return 0, nil
	}
	all, free, err := s.pages()
	return all - free - s.limitPages(), err
}

// pruneSome deletes up to pruneStep blocks or rolls some summaries up; n is 0
// when nothing is left to do.
func (s *Store) pruneSome(a hw.Anchor, tooOld bool, over int64) (n int64, err error) {
	var edges, rolledUp int64
	var filled filler
	gone := removals{}
	err = s.w.tx(func(w *writer) error {
		heads, err := s.heads(w)
		if err != nil {
			return err
		}
		rest := over + s.limitPages() // pages of all but blocks
		for _, h := range heads {
			rest -= h.blocks()
		}
		if over > 0 && rest > s.limitPages()/4 {
			if rolledUp, err = s.rollUp(w); err != nil || rolledUp > 0 {
				return err
			}
		}
		var times ageScale
		if h, ok := heads[oldestOf(heads, head.before)]; ok && tooOld {
			if times, err = w.knownTimes(h.session); err != nil {
				return err
			}
		}
		floor, fills := int64(0), filler{}
		if over > 0 && len(heads) > 0 {
			floor = s.limitPages() / int64(2*len(heads))
			if fills, err = w.filler(heads); err != nil {
				return err
			}
		}
		for range pruneStep {
			oldest := oldestOf(heads, head.before)
			if over > 0 {
				oldest = overFloor(heads, floor)
			}
			h, ok := heads[oldest]
			by := BySize
			if ok && over <= 0 {
				by, ok = ByAge, tooOld && h.age(a.Mono, w.session, times) > int64(s.opt.KeepEdges)
			}
			if !ok {
				break
			}
			if err := w.exec("DELETE FROM edge_blocks WHERE id = ?", h.id); err != nil {
				if unreadable(err) {
					err = &stuckError{contact: oldest, block: h.id, err: err}
				}
				return err
			}
			n++
			edges += h.edges
			gone.add(removalKey{oldest, by}, h)
			over--
			if err := s.nextHead(w, heads, oldest); err != nil {
				return err
			}
		}
		filled = fills
		return s.report(w, gone, fills, a)
	})
	if err != nil {
		return 0, err
	}
	if s.keep.removals == nil {
		s.keep.removals = map[removalKey]removal{}
	}
	for key, r := range gone {
		s.keep.removals[key] = r
		if s.opt.OnRemoval != nil && r.begins {
			s.opt.OnRemoval(r.told)
		}
	}
	s.mu.Lock()
	s.stats.RemovedEdges += uint64(edges)
	if filled.contact != "" {
		s.stats.Fills, s.keep.filled = filled.String(), a.Mono
	}
	s.stats.RolledUpRows += uint64(rolledUp)
	s.mu.Unlock()
	return n + rolledUp, nil
}

// overFloor is the contact with the oldest block among those that have more
// than their floor of blocks. What all need above the floor is shared by age, so
// that one with many edges does not take the history of the others. Where no
// contact has more, it is the one with the oldest block.
func overFloor(heads map[int64]head, floor int64) int64 {
	above := map[int64]head{}
	for id, h := range heads {
		if h.blocks() > floor {
			above[id] = h
		}
	}
	if len(above) == 0 {
		above = heads
	}
	return oldestOf(above, head.before)
}

// blocks is how many blocks a contact has.
func (h head) blocks() int64 { return h.latest - h.id + 1 }

// A filler is a contact that has most of the edges of a log, and how much of
// them; empty for none.
type filler struct {
	contact string
	percent int64
}

func (f filler) String() string {
	return fmt.Sprintf("%s has %d %% of the edges in it", f.contact, f.percent)
}

// filler finds the contact that has more than half of the blocks of several.
func (w *writer) filler(heads map[int64]head) (f filler, err error) {
	all := int64(0)
	for _, h := range heads {
		all += h.blocks()
	}
	for id, h := range heads {
		if 2*h.blocks() <= all {
			continue
		}
		var contacts int
		err := w.current.QueryRow("SELECT name, (SELECT count(*) FROM contacts) FROM contacts WHERE id = ?", id).Scan(&f.contact, &contacts)
		if err != nil || contacts < 2 {
			return filler{}, err
		}
		f.percent = 100 * h.blocks() / all
	}
	return f, nil
}

func contactIDs(w *writer) ([]int64, error) {
	rows, err := w.current.Query("SELECT id FROM contacts")
	if err != nil {
		return nil, err
	}
	return collect(rows, scanInt)
}

// heads are the heads of all contacts that have blocks to delete, by contact.
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

// nextHead moves a contact's head on to the block that follows it.
func (s *Store) nextHead(w *writer, heads map[int64]head, contact int64) error {
	before := heads[contact]
	h := head{latest: before.latest}
	err := w.current.QueryRow("SELECT id, session, first_ns, last_ns, edges FROM edge_blocks WHERE id > ? AND id < ? ORDER BY id LIMIT 1", before.id, h.latest).
		Scan(&h.id, &h.session, &h.first, &h.last, &h.edges)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		delete(heads, contact)
		return nil
	case unreadable(err):
		// The index says which block it is; without it, no later one can be found.
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

// shrink gives free pages back to the disk when the file is too large or a
// quarter of it is free. It keeps a few for the next commits.
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
		// The file itself gets smaller when the write-ahead log is copied into it.
		_, err = s.w.db.Exec("PRAGMA wal_checkpoint(PASSIVE)")
	}
	return err
}
