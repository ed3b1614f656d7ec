// Package store is the durable log: one SQLite file that holds the edges of
// all contacts exact to the nanosecond, the findings about them and the
// configurations they were read with, through restarts, reboots and steps of
// the wall clock.
//
// One program at a time may write edges (Open); it buffers them in memory and
// commits at least once a second (Store.Run). A power cut loses what was
// appended in the last second and during the commit after it; where a commit
// takes more than 0.9 s, what was appended during two commits and 0.1 s. Other
// programs may read the file meanwhile and add notes and soak tests (OpenRead).
package store

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	sqlite3 "modernc.org/sqlite/lib"

	"makebreak/hw"
	"makebreak/pulse"
)

const (
	// atRisk is the longest time between an edge's Append and its commit, on a
	// disk that commits in less than half of that time.
	atRisk = time.Second
	// aliveEvery is how often an idle log records that it is alive. It is also
	// how exactly the start of a gap is known.
	aliveEvery = 10 * time.Second
	// maxBackoff is the longest wait between attempts to write to a bad disk.
	maxBackoff = 5 * time.Second
	// maxRows bounds the findings, summaries and other rows that wait to be
	// written: hours of them, in some MB.
	maxRows = 20000
	// commitBlocks and commitRows are the most that one transaction writes
	// when the log is near its size limit; room is made after each.
	commitBlocks = 160
	commitRows   = 1000
	// clockEvery is how often the clock's state is logged when nothing happens.
	clockEvery = pulse.Stamp(time.Hour)

	defaultBuffer = 8 << 20
)

var errClosed = errors.New("log is closed")

// Options for Open. The zero value is usable.
type Options struct {
	// Site names the run. The latest run is resumed when it has the same site.
	Site string
	// Program is the program's version, logged with the session.
	Program string
	// Imported names the contact whose recording is imported: the session is of
	// that contact alone, lies where the clock says, and stays out of sight until
	// Close. Without a Site it is of the latest run's. Open fails with an
	// *OverlapError where the log has the contact's time already. Boot must then
	// be of no other session.
	Imported string
	// KeepEdges is how long raw edges are kept; 0 keeps them for good. They are
	// removed in blocks of some 1500, once the latest edge of a block is too
	// old. Only time that is known counts: within a boot, and between boots where
	// the wall clock was steered in both. Summaries, findings and all else are
	// kept for good.
	KeepEdges time.Duration
	// MaxBytes is the largest size of the log, write-ahead log included; 0 is
	// no limit. A log that is larger loses its oldest raw edges, but first those
	// of contacts that take more than their share: half of it is shared equally,
	// the rest goes to who needs it. Where all else
	// takes more than a quarter of the limit, the oldest summaries are first
	// rolled up to one an hour, then to one a day.
	MaxBytes int64
	// BufferBytes bounds the coded edges that wait in memory while the disk
	// cannot be written; 0 means 8 MiB. Contacts have equal shares.
	BufferBytes int
	// SetAside renames a damaged log and begins a new one. Without it Open
	// fails on damage, and Run goes on trying.
	SetAside bool
	// OnFault is called with a fault when the log cannot be written, when it
	// exceeds its limits, and when a damaged log was set aside; and with nil
	// when one of the first two is over. Open may call it. It must not block
	// and must not use the log.
	OnFault func(*Fault)
	// OnRemoval is called with each finding about removed edges when it begins; it
	// goes on growing in the log for a day. It must not block and must not use
	// the log.
	OnRemoval func(Finding)
	// Clock reads the clocks; nil means this computer's.
	Clock func() (hw.Anchor, hw.Discipline)
	// Boot is the id of this boot; "" means the kernel's.
	Boot string
}

func (o *Options) fill() error {
	if o.Clock == nil {
		o.Clock = hw.ReadClock
	}
	if o.BufferBytes == 0 {
		o.BufferBytes = defaultBuffer
	}
	if o.MaxBytes != 0 && o.MaxBytes < minMaxBytes {
		return fmt.Errorf("largest size %d bytes: expected 0 or at least %d", o.MaxBytes, minMaxBytes)
	}
	if o.Boot == "" {
		b, err := bootID()
		if err != nil {
			return err
		}
		o.Boot = b
	}
	return nil
}

// A Store writes a log. Its methods may be called from any goroutine.
type Store struct {
	*Log // reads the log; its methods fail until the file was opened for the first time
	opt  Options

	sessions atomic.Uint64 // begun in a file: more than one where a new file was begun

	mu        sync.Mutex // guards what follows
	contacts  []*Contact
	rows      []row
	rowsSince time.Time // when the oldest of rows was added
	lostRows  uint64
	anchor    hw.Anchor
	stats     Stats

	committing sync.Mutex // guards the rest; a commit holds it
	closed     bool
	lock       *lockFile
	mark       mark    // what the lock file held at the start
	w          *writer // nil while the file is not open
	session    sessionState
	clock      hw.Discipline
	fault      *Fault
	faultSince pulse.Stamp
	damaged    error // damage that a commit met: the file is to be set aside
	gone       error // the file was removed or replaced while it was open
	batch      []pending
	keep       retention
}

// A row writes itself into the log when its turn comes.
type row func(w *writer) error

// Stats is the state of a log's writer.
type Stats struct {
	Bytes        int64         // file and write-ahead log
	Lag          time.Duration // age of the oldest edge or row that is not committed
	PendingEdges int64         // appended, not committed
	DroppedEdges uint64        // given up, since the start
	DroppedRows  uint64        // findings and other rows given up
	WriteErrors  uint64        // failed attempts to commit
	Commits      uint64
	LastTry      time.Time // end of the latest attempt, even one with nothing to write
	RemovedEdges uint64    // removed by retention, since the start
	Fills        string    // which contact fills the log that is at its limit, in words; empty for none
	RolledUpRows uint64    // summaries that retention added to others, since the start
	StuckBlocks  uint64    // blocks of edges that retention could not remove because of damage, since the start
	LostBefore   string    // what the session before could not write, in words; empty for nothing
	Renewed      bool      // the log file was removed, or replaced, since the start
	SetAside     string    // name of the file that a damaged log was last renamed to, since the start
	Fault        *Fault    // nil when the log can be written and keeps to its limits
}

// Open opens the log for writing, makes it if there is none, and resumes its
// latest run with a finding about the gap. Errors: a *HeldError when another
// program writes the log, a *DamageError, or one line that says what the file
// is and what was expected; the file is then unchanged. A disk that is full,
// read-only or broken, and a locked log, are no error: Run goes on trying, and
// edges are buffered meanwhile.
func Open(ctx context.Context, path string, opt Options) (*Store, error) {
	if err := opt.fill(); err != nil {
		return nil, fmt.Errorf("open log %q: %w", path, err)
	}
	path, err := checkPath(path)
	if err != nil {
		return nil, err
	}
	s := &Store{Log: &Log{path: path, clock: opt.Clock, boot: opt.Boot}, opt: opt}
	var start hw.Anchor
	start, s.clock = opt.Clock()
	s.anchor = start
	s.session = sessionState{token: newToken(), start: start, alive: start.Mono}
	if err := s.attach(ctx); err != nil {
		if !faultOf(path, err).temporary() {
			s.lock.release()
			return nil, fmt.Errorf("open log %q: %w", path, err)
		}
		s.failed(err)
	}
	return s, nil
}

// String names the task.
func (s *Store) String() string { return "log " + s.path }

// Run commits what was appended until ctx is done. What is left then is
// committed by Close, which should follow soon: Run does not commit at its end,
// as on a slow disk each commit makes a stop seconds longer. Call Run once. The
// error is always nil: faults are retried, and reported by Options.OnFault and
// Stats.
func (s *Store) Run(ctx context.Context) error {
	backoff := time.Duration(0)
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C:
		}
		begun := time.Now()
		err := s.Flush()
		took := time.Since(begun)
		// Edges that come now wait for the pause and for the commit after it.
		pause := max(atRisk-2*took-atRisk/20, atRisk/10)
		if err != nil {
			backoff = min(max(2*backoff, atRisk), maxBackoff)
			pause = backoff
		} else {
			backoff = 0
		}
		timer.Reset(pause)
	}
}

// Flush commits what was appended before the call. After Close it is an error.
func (s *Store) Flush() error {
	s.committing.Lock()
	defer s.committing.Unlock()
	if s.closed {
		return errClosed
	}
	return s.commit(false)
}

// Close commits what is left, marks the session as stopped and closes the
// file. The error says what could not be written and is lost.
func (s *Store) Close() error {
	s.committing.Lock()
	defer s.committing.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	err := s.commit(true)
	if err != nil {
		err = fmt.Errorf("%w: %d edges since %s are lost", err, s.unwritten(), s.anchored().At(s.session.alive).UTC().Format(time.RFC3339))
	}
	err = errors.Join(err, s.detach())
	s.lock.release()
	return err
}

// Stats gives the writer's state. It never waits for the disk.
func (s *Store) Stats() Stats {
	s.mu.Lock()
	defer s.mu.Unlock()
	st, since := s.stats, s.rowsSince
	st.DroppedRows = s.lostRows
	for _, c := range s.contacts {
		pending, dropped, t := c.stats()
		st.PendingEdges += pending
		st.DroppedEdges += dropped
		if !t.IsZero() && (since.IsZero() || t.Before(since)) {
			since = t
		}
	}
	if !since.IsZero() {
		st.Lag = time.Since(since)
	}
	return st
}

// add queues a row.
func (s *Store) add(r row) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.rows) >= maxRows {
		s.lostRows++
		return
	}
	if s.rowsSince.IsZero() {
		s.rowsSince = time.Now()
	}
	s.rows = append(s.rows, r)
}

func (s *Store) anchored() hw.Anchor {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.anchor
}

// Find records a finding of this session. Of its At only Mono is used.
func (s *Store) Find(f Finding) {
	a := s.anchored()
	c := s.byName(f.Contact)
	s.add(func(w *writer) error { return w.find(c, f, a) })
}

func (w *writer) find(c *Contact, f Finding, a hw.Anchor) error {
	return w.exec(`INSERT INTO findings (session, contact, kind, mono_ns, wall_ns, text, detail) VALUES (?, ?, ?, ?, ?, ?, ?)`,
		w.session, c.key(), string(f.Kind), int64(f.At.Mono), a.At(f.At.Mono).UnixNano(), f.Text, nullJSON(f.Detail))
}

// Summarise records what a contact did in one minute, or in a part of one. A
// second summary of the same contact and start replaces the first.
func (s *Store) Summarise(m Summary) {
	wall := s.anchored().At(m.At.Mono).UnixNano()
	c := s.byName(m.Contact)
	s.add(func(w *writer) error {
		return w.summarise(c.key(), w.session, int64(m.At.Mono), wall, &m)
	})
}

func (s *Store) byName(name string) *Contact {
	if name == "" {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.contact(name)
}

// contact gives the contact of a name. All have equal shares of the buffer.
func (s *Store) contact(name string) *Contact {
	if i := slices.IndexFunc(s.contacts, func(c *Contact) bool { return c.name == name }); i >= 0 {
		return s.contacts[i]
	}
	s.contacts = append(s.contacts, &Contact{name: name, open: new(block), last: math.MinInt64})
	for _, c := range s.contacts {
		c.mu.Lock()
		c.share = max(s.opt.BufferBytes/blockMemory/len(s.contacts), 1)
		c.mu.Unlock()
	}
	return s.contacts[len(s.contacts)-1]
}

// Contact returns the contact that a configuration names. The configuration is
// in force from now on, and is logged when it differs from the one before.
func (s *Store) Contact(cfg Configuration) *Contact {
	s.mu.Lock()
	c := s.contact(cfg.Contact)
	s.mu.Unlock()
	a, _ := s.opt.Clock()
	if len(cfg.Settings) == 0 {
		cfg.Settings = json.RawMessage("{}")
	}
	configure := func(w *writer) error {
		return w.exec(`INSERT INTO configurations (contact, session, mono_ns, wall_ns, source, kind, closed, settings)
SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8 WHERE (?5, ?6, ?7, ?8) IS NOT (
  SELECT source, kind, closed, settings FROM configurations WHERE contact = ?1 ORDER BY id DESC LIMIT 1)`,
			c.key(), w.session, int64(a.Mono), a.Wall.UnixNano(), cfg.Source, cfg.Kind.String(), cfg.Polarity.String(), string(cfg.Settings))
	}
	s.mu.Lock()
	c.configure = configure
	s.mu.Unlock()
	s.add(configure)
	return c
}

// commit writes everything that waits: in one transaction, or in several when
// the log is near its size limit. end marks the session as stopped.
func (s *Store) commit(end bool) error {
	for more := true; more; {
		var err error
		more, err = s.commitSome(end)
		s.mu.Lock()
		s.stats.LastTry = time.Now()
		s.mu.Unlock()
		if err != nil {
			if s.w != nil && !retryInPlace(err) {
				// The connection may be stuck with a file that is gone.
				_ = s.detach()
				s.lock.release()
				s.lock = nil
			}
			if isDamage(err) && s.opt.SetAside {
				s.damaged = err
			}
			return s.failed(err)
		}
		s.recovered()
		if more || !end {
			s.prune()
		}
	}
	return nil
}

func (s *Store) commitSome(end bool) (more bool, err error) {
	if s.w == nil {
		if err := s.attach(context.Background()); err != nil {
			return false, err
		}
	}
	if err := s.w.inPlace(s.path); err != nil {
		if err := s.renew(err); err != nil {
			return false, err
		}
	}
	a, d := s.opt.Clock()
	s.followClock(a, d)
	s.mu.Lock()
	contacts, rows, since := slices.Clip(s.contacts), s.rows, s.rowsSince
	s.rowsSince = time.Time{}
	s.mu.Unlock()
	done := false
	defer func() {
		s.settle(contacts, done)
		s.mu.Lock()
		defer s.mu.Unlock()
		if (!done || more) && !since.IsZero() { // else rows that came meanwhile have set it
			s.rowsSince = since
		}
		if done {
			s.rows = slices.Delete(s.rows, 0, len(rows))
		}
	}()
	if err := s.register(contacts); err != nil {
		return false, err
	}
	alive := max(a.Mono, s.session.alive)
	s.batch = s.batch[:0]
	for _, c := range contacts {
		s.batch = c.collect(s.batch)
	}
	for i := range s.batch {
		alive = max(alive, s.batch[i].header.Last)
	}
	if len(s.batch) > commitBlocks || len(rows) > commitRows {
		split, err := s.nearLimit(len(s.batch))
		if err != nil {
			return false, err
		}
		if n := commitRows; split && len(rows) > n {
			more, rows = true, rows[:n]
		}
		if n := commitBlocks; split && len(s.batch) > n {
			// The log is then complete up to the first edge that has to wait.
			slices.SortStableFunc(s.batch, func(a, b pending) int { return cmp.Compare(a.header.First, b.header.First) })
			alive = max(min(alive, s.batch[n].header.First), s.session.alive)
			for _, p := range s.batch[n:] {
				p.contact.left = true
			}
			more, s.batch = true, s.batch[:n]
		}
	}
	due := alive-s.session.alive >= pulse.Stamp(aliveEvery)
	if len(s.batch) == 0 && len(rows) == 0 && !due && !end {
		done = true
		return false, nil
	}
	refused := uint64(0)
	err = s.w.tx(func(w *writer) error {
		for i := range s.batch {
			if err := s.batch[i].write(w); err != nil {
				return err
			}
		}
		refused = 0
		for _, r := range rows {
			// A row that the tables refuse must not keep all others out.
			if err := r(w); code(err) == sqlite3.SQLITE_CONSTRAINT || code(err) == sqlite3.SQLITE_TOOBIG {
				refused++
			} else if err != nil {
				return err
			}
		}
		for _, c := range contacts {
			if err := c.reportDrops(w, a, s.fault); err != nil {
				return err
			}
		}
		return w.exec(`UPDATE sessions SET alive_ns = ?, alive_wall_ns = ?, commits = commits + 1, ended = ? WHERE id = ?`,
			int64(alive), a.At(alive).UnixNano(), end && !more, w.session)
	})
	if err != nil {
		return false, err
	}
	done = true
	s.session.alive = alive
	s.session.commits++
	s.lock.mark(s.session.token, s.session.commits, a.At(alive))
	s.mu.Lock()
	defer s.mu.Unlock()
	s.lostRows += refused
	s.stats.Commits++
	s.stats.Bytes = logBytes(s.path)
	return more, nil
}

// settle takes out of the buffers what was committed, or puts back what was not.
func (s *Store) settle(contacts []*Contact, done bool) {
	for i := range s.batch {
		if done {
			s.batch[i].settle()
		}
	}
	for _, c := range contacts {
		c.settle(done)
	}
	s.batch = s.batch[:0]
}

// failed records an attempt that went wrong and returns it as a *Fault.
func (s *Store) failed(err error) error {
	f := faultOf(s.path, err)
	s.mu.Lock()
	s.stats.WriteErrors++
	s.stats.Fault = f
	s.mu.Unlock()
	if s.lock != nil {
		s.lock.tellLoss(Loss{s.unwritten(), s.anchored().At(s.session.alive).UTC().Format(markTime), f.Kind})
	}
	if s.fault == nil {
		a, _ := s.opt.Clock()
		s.faultSince = a.Mono
		s.fault = f
		s.tell(f)
	}
	return f
}

// unwritten is how many edges are not in the log, nor told to be missing there:
// those that wait, and those dropped since the latest commit.
func (s *Store) unwritten() (n int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, c := range s.contacts {
		n += c.unwritten()
	}
	return n
}

// Sessions counts the files in which the Store has begun its session: what is to
// be in each file, and is not an edge or a configuration, is written again when
// the count goes up.
func (s *Store) Sessions() uint64 { return s.sessions.Load() }

// renew begins a log anew where the file has been removed or replaced. What waits
// in memory goes into the new one.
func (s *Store) renew(why error) error {
	_ = s.detach() // the file is gone
	s.lock.release()
	s.lock, s.gone = nil, why
	if err := s.attach(context.Background()); err != nil {
		return fmt.Errorf("%w; no new one can be begun: %w", why, err)
	}
	return nil
}

// tell calls OnFault, with nil when a fault is over.
func (s *Store) tell(f *Fault) {
	if s.opt.OnFault != nil {
		s.opt.OnFault(f)
	}
}

// recovered ends a fault, if there was one: the log can be written again.
func (s *Store) recovered() {
	if s.fault == nil {
		return
	}
	f := s.fault
	s.fault = nil
	s.mu.Lock()
	s.stats.Fault = s.keep.fault
	s.mu.Unlock()
	a, _ := s.opt.Clock()
	d := time.Duration(a.Mono - s.faultSince)
	s.Find(finding(LogFault, s.faultSince, map[string]any{"fault": f.Kind, "seconds": d.Seconds(), "error": f.Err.Error()},
		"the log could not be written for %s: %s", round(d), f.Kind))
	s.tell(nil)
}

func round(d time.Duration) time.Duration {
	if d.Abs() < time.Second {
		return d.Round(time.Millisecond)
	}
	return d.Round(time.Second)
}

// finding makes a finding of the log itself.
func finding(kind FindingKind, at pulse.Stamp, detail map[string]any, format string, args ...any) Finding {
	return Finding{Kind: kind, At: Moment{Mono: at}, Text: fmt.Sprintf(format, args...), Detail: Detail(detail)}
}

// Detail marshals a finding's detail. What cannot be marshalled becomes an
// object with the error.
func Detail(v any) json.RawMessage {
	b, err := json.Marshal(v)
	if err != nil {
		b, _ = json.Marshal(map[string]string{"error": err.Error()})
	}
	return b
}

func nullJSON(b json.RawMessage) any {
	if len(b) == 0 {
		return nil
	}
	return string(b)
}

// logBytes is the size of the log on disk, write-ahead log included.
func logBytes(path string) (n int64) {
	for _, p := range []string{path, path + "-wal"} {
		if fi, err := os.Stat(p); err == nil {
			n += fi.Size()
		}
	}
	return n
}

// A writer is the open file of a Store.
type writer struct {
	db      *sql.DB
	upsert  *sql.Stmt
	session int64
	file    os.FileInfo
	held    *os.File // the file, locked; closed after db

	// Set within tx.
	current *sql.Tx
	block   *sql.Stmt
	data    []byte
}

// tx runs f in a transaction. It takes no context, so that a stop of the
// program waits for a commit instead of undoing it. A lock held by another
// program is waited for as openWriter was told.
func (w *writer) tx(f func(*writer) error) error {
	tx, err := w.db.Begin()
	if err != nil {
		return err
	}
	w.current = tx
	if w.upsert != nil {
		w.block = tx.Stmt(w.upsert)
	}
	defer func() { w.current, w.block = nil, nil }()
	if err := f(w); err != nil {
		_ = tx.Rollback() // err says it all
		return err
	}
	return tx.Commit()
}

// close closes the file, and then unlocks it.
func (w *writer) close() error {
	err := w.db.Close()
	_ = w.held.Close() // nothing was written through it
	return err
}

func (w *writer) exec(query string, args ...any) error {
	_, err := w.current.Exec(query, args...)
	return err
}

// inPlace checks that the path still leads to the open file: on Linux writes to
// a removed file succeed and are lost.
func (w *writer) inPlace(path string) error {
	fi, err := os.Stat(path)
	if err == nil && !os.SameFile(fi, w.file) {
		err = errors.New("another file has taken its place")
	}
	if err != nil {
		return fmt.Errorf("log file is gone: %w", err)
	}
	return nil
}
