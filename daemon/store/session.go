package store

import (
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"time"

	"makebreak/daemon/store/edgecode"
	"makebreak/hw"
	"makebreak/pulse"
)

// sessionState is what the writer knows of its own session.
type sessionState struct {
	token   string
	start   hw.Anchor
	alive   pulse.Stamp // latest commit
	commits int64
	before  *ended // session before it in the run, nil for the first
	// gapUnsure: the session began in a new boot whose clock was not
	// synchronised, so the gap before it is not known until the clock is set.
	gapUnsure bool
}

// ended is a session that has ended, and how far it came.
type ended struct {
	id, run       int64
	boot, site    string
	offset, alive int64
	wall          int64
	stopped       bool // in good order, not killed
}

func newToken() string { return strings.ToLower(rand.Text()) }

// errNotHere is why watching needs Linux: only there does the kernel stamp
// edges, and only there can a restart be told from a reboot.
var errNotHere = errors.New("a log is written on Linux only: elsewhere it can be read, and remarks and soak tests be added")

// bootID is different for each boot. It is known on Linux only.
func bootID() (string, error) {
	if runtime.GOOS != "linux" {
		return "", errNotHere
	}
	b, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return "", fmt.Errorf("read boot id: %w", err)
	}
	return strings.TrimSpace(string(b)), nil
}

// attach opens the file, begins or resumes the run and the session in it, and
// opens the readers. After an error nothing is open but the lock.
func (s *Store) attach(ctx context.Context) error {
	for _, p := range []string{filepath.Dir(s.path), s.path} {
		if onReadOnlyDisk(p) {
			return fmt.Errorf("write %q: %w", p, syscall.EROFS)
		}
	}
	format, err := checkFormat(ctx, s.path)
	if err != nil && !isDamage(err) {
		return err
	}
	if s.lock == nil {
		var lockErr error
		if s.lock, s.mark, lockErr = acquire(s.path); lockErr != nil {
			return lockErr
		}
		if s.gone != nil { // how far it had come is known for certain
			s.mark = mark{Token: s.session.token, Commits: s.session.commits, Wall: s.anchor.At(s.session.alive).UTC().Format(markTime)}
		}
	}
	if err == nil {
		err = s.damaged
	}
	var findings []Finding
	if err == nil {
		findings, err = s.begin(format)
		if err != nil && format > 0 && spoilt(err) {
			err = &DamageError{Err: err}
		}
	}
	if isDamage(err) && s.opt.SetAside {
		why := err
		var d *DamageError
		if errors.As(err, &d) {
			why = d.Err
		}
		var aside string
		if aside, err = setAside(s.path, s.anchor.Wall, why); err != nil {
			return err
		}
		s.tell(&Fault{Kind: Damaged, Writable: true, Err: fmt.Errorf(
			"the log is damaged (%w): it is kept as %s and a new one was begun; what was logged before, and soak tests that were going on, are in the old one", why, aside)})
		s.mu.Lock()
		s.stats.SetAside = aside
		s.mu.Unlock()
		s.mark, s.damaged = mark{}, nil
		s.Find(finding(Damage, s.anchor.Mono, map[string]any{"file": aside},
			"the log was damaged; it was renamed to %s and a new one begun", aside))
		findings, err = s.begin(0)
	}
	if err != nil {
		return damage(err)
	}
	for _, f := range findings {
		s.Find(f)
	}
	return nil
}

// begin opens the writer and begins its session, or finds it where the file was
// only opened again. It returns findings about the start.
func (s *Store) begin(format int) (findings []Finding, err error) {
	if s.mark.Token == s.session.token {
		s.mark.Loss = Loss{} // its edges still wait
	}
	held, err := hold(s.path)
	if err != nil {
		return nil, err
	}
	db, err := openWriter(s.path, commitWait)
	if err != nil {
		_ = held.Close()
		return nil, err
	}
	w := &writer{db: db, held: held}
	defer func() {
		if err != nil {
			_ = w.close()
		}
	}()
	if w.file, err = os.Stat(s.path); err != nil {
		return nil, err
	}
	if err := migrate(w, format); err != nil {
		return nil, err
	}
	w.upsert, err = db.Prepare(`INSERT INTO edge_blocks (id, contact, session, first_ns, last_ns, edges, data) VALUES (?, ?, ?, ?, ?, ?, ?)
ON CONFLICT (id) DO UPDATE SET last_ns = excluded.last_ns, edges = excluded.edges, data = excluded.data`)
	if err != nil {
		return nil, err
	}
	found := false
	err = w.tx(func(w *writer) error {
		err := w.current.QueryRow("SELECT id FROM sessions WHERE token = ?", s.session.token).Scan(&w.session)
		if found = err == nil; found || !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		findings, err = s.newSession(w)
		return err
	})
	if err != nil {
		return nil, err
	}
	readers, err := openReader(s.path, false)
	if err != nil {
		return nil, err
	}
	s.Log.setPool(readers)
	if s.gone != nil && !found {
		s.tell(&Fault{Kind: OtherKind, Writable: true, Err: errors.New(
			"the log file was removed or replaced: a new log was begun, which has what this program still held; the rest of what was logged before, with its notes and soak tests, is gone")})
		s.mu.Lock()
		s.stats.Renewed = true
		s.mu.Unlock()
	}
	s.gone = nil
	if !found {
		s.sessions.Add(1)
		s.keep = retention{}
		s.mu.Lock()
		for _, c := range s.contacts {
			c.forget()
			if c.configure != nil {
				s.rows = append(s.rows, c.configure)
			}
		}
		s.mu.Unlock()
	}
	s.mu.Lock()
	if s.mark.Loss.Edges > 0 && !found {
		s.stats.LostBefore = s.mark.Loss.String()
	}
	s.mu.Unlock()
	s.w, s.mark = w, mark{}
	s.Log.setOwn(w.session)
	s.mu.Lock()
	s.stats.Bytes = logBytes(s.path)
	s.mu.Unlock()
	return findings, nil
}

// detach closes the file.
func (s *Store) detach() error {
	s.Log.setPool(nil)
	if s.w == nil {
		return nil
	}
	err := s.w.close()
	s.w = nil
	if err != nil {
		return fmt.Errorf("close log: %w", err)
	}
	return nil
}

// newSession begins a session, in the latest run if that is of the same site.
func (s *Store) newSession(w *writer) (findings []Finding, err error) {
	start := s.session.start
	before, err := lastSession(w.current)
	if err != nil {
		return nil, err
	}
	if findings, err = s.checkTail(w, before == nil); err != nil {
		return nil, err
	}
	if err := w.removeUnfinished(); err != nil {
		return nil, err
	}
	if s.opt.Imported != "" {
		return findings, s.newImport(w, before)
	}
	run, offset := int64(0), -int64(start.Mono)
	if before == nil || before.site != s.opt.Site {
		before = nil
		res, err := w.current.Exec("INSERT INTO runs (site, began_wall_ns) VALUES (?, ?)", s.opt.Site, start.Wall.UnixNano())
		if err != nil {
			return nil, err
		}
		if run, err = res.LastInsertId(); err != nil {
			return nil, err
		}
	} else {
		run = before.run
		sameBoot := before.boot == s.opt.Boot && int64(start.Mono) >= before.alive
		if sameBoot {
			offset = before.offset
		} else {
			offset = before.nextOffset(start)
		}
		s.session.gapUnsure = !sameBoot && !s.clock.Synchronised
		findings = append(findings, restart(before, start, offset, sameBoot, s.session.gapUnsure, s.mark.Loss))
	}
	if lost := s.mark.Loss; before == nil && lost.Edges > 0 {
		findings = append(findings, finding(LogFault, start.Mono, lossDetail(map[string]any{}, lost), "before this start %s", lost))
	}
	s.session.before = before
	if err := s.insertSession(w, run, offset, nil); err != nil {
		return nil, err
	}
	// In a file that is begun later, the wall clock may have been set since the start.
	return findings, w.clock(s.anchored(), s.clock)
}

// insertSession adds the row of the session and its first clock. imported is the
// contact of an import, else nil.
func (s *Store) insertSession(w *writer, run, offset int64, imported any) error {
	start := s.session.start
	res, err := w.current.Exec(`INSERT INTO sessions (run, token, boot, program, offset_ns, start_ns, start_wall_ns, alive_ns, alive_wall_ns, commits, ended, keep_raw_ns, max_bytes, imported)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 0, ?, ?, ?)`, run, s.session.token, s.opt.Boot, s.opt.Program, offset,
		int64(start.Mono), start.Wall.UnixNano(), int64(s.session.alive), start.At(s.session.alive).UnixNano(), s.session.commits,
		int64(s.opt.KeepEdges), s.opt.MaxBytes, imported)
	if err != nil {
		return err
	}
	if w.session, err = res.LastInsertId(); err != nil {
		return err
	}
	return w.clock(start, s.clock)
}

// lastSession is the session that came furthest in the latest run of the log,
// nil for an empty log.
func lastSession(tx *sql.Tx) (*ended, error) {
	var e ended
	err := tx.QueryRow(`SELECT s.id, s.run, s.boot, r.site, s.offset_ns, s.alive_ns, s.alive_wall_ns, s.ended
FROM sessions s JOIN runs r ON r.id = s.run WHERE `+whole+` ORDER BY s.run DESC, s.alive_ns + s.offset_ns DESC, s.id DESC LIMIT 1`).
		Scan(&e.id, &e.run, &e.boot, &e.site, &e.offset, &e.alive, &e.wall, &e.stopped)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	return &e, err
}

// nextOffset is the offset of a session that begins in a later boot: run time
// advances by the difference of the wall clock, and never goes back.
func (e *ended) nextOffset(start hw.Anchor) int64 {
	gap := max(start.Wall.UnixNano()-e.wall, 1)
	return e.alive + e.offset + gap - int64(start.Mono)
}

func restart(e *ended, start hw.Anchor, offset int64, sameBoot, unsure bool, lost Loss) Finding {
	gap := time.Duration(int64(start.Mono) + offset - e.alive - e.offset)
	how, where := "after it was stopped", ""
	if !e.stopped {
		how = "after it had ended without a stop"
	}
	if !sameBoot {
		where = ", in a new boot"
	}
	what := fmt.Sprintf("nothing was recorded for %s", round(gap))
	if unsure {
		what = "how long nothing was recorded is not known until the clock is set"
	}
	detail := map[string]any{"gap_s": gap.Seconds(), "stopped": e.stopped, "new_boot": !sameBoot, "gap_known": !unsure, "after_session": e.id}
	if lost.Edges > 0 {
		how = "after " + lost.String() + ","
		lossDetail(detail, lost)
	}
	return finding(Restart, start.Mono, detail, "started %s%s; %s", how, where, what)
}

// lossDetail adds a loss to the detail of a finding.
func lossDetail(detail map[string]any, l Loss) map[string]any {
	detail["lost_edges"], detail["lost_since"], detail["fault"] = l.Edges, l.Since, l.Fault
	return detail
}

// clock logs the state of the clocks.
func (w *writer) clock(a hw.Anchor, d hw.Discipline) error {
	return w.exec(`INSERT OR REPLACE INTO clocks (session, mono_ns, wall_ns, within_ns, synchronised, frequency_ppm, slew_ppm, estimated_error_ns, max_error_ns)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`, w.session, int64(a.Mono), a.Wall.UnixNano(), a.WithinNS, d.Synchronised, d.FrequencyPPM, d.SlewPPM, d.EstimatedErrorNS, d.MaxErrorNS)
}

// followClock logs steps of the wall clock and changes of its steering.
func (s *Store) followClock(a hw.Anchor, d hw.Discipline) {
	s.mu.Lock()
	last := s.anchor
	s.mu.Unlock()
	step, stepped := a.Step(last)
	if !stepped && d.Synchronised == s.clock.Synchronised && a.Mono-last.Mono < clockEvery {
		return
	}
	s.clock = d
	s.mu.Lock()
	s.anchor = a
	s.mu.Unlock()
	s.add(func(w *writer) error { return w.clock(a, d) })
	if !stepped {
		return
	}
	direction := "forward"
	if step < 0 {
		direction = "back"
	}
	f := finding(ClockStep, a.Mono, map[string]any{"step_s": step.Seconds()}, "the wall clock was set %s by %s", direction, round(step.Abs()))
	if s.session.gapUnsure {
		s.session.gapUnsure = !d.Synchronised
		before, start := s.session.before, s.session.start
		start.Wall = a.At(start.Mono)
		if gap := time.Duration(start.Wall.UnixNano() - before.wall); gap > 0 {
			offset := before.nextOffset(start)
			f.Text += fmt.Sprintf("; nothing had been recorded for %s before this session", round(gap))
			s.add(func(w *writer) error {
				return w.exec("UPDATE sessions SET offset_ns = ? WHERE id = ?", offset, w.session)
			})
		}
	}
	s.Find(f)
}

// register adds the rows of new contacts, and reads the number of each one's
// latest block.
func (s *Store) register(contacts []*Contact) error {
	contacts = slices.DeleteFunc(slices.Clone(contacts), func(c *Contact) bool { return c.id != 0 })
	if len(contacts) == 0 {
		return nil
	}
	ids, blocks := make([]int64, len(contacts)), make([]int64, len(contacts))
	err := s.w.tx(func(w *writer) error {
		for i, c := range contacts {
			if err := w.exec("INSERT OR IGNORE INTO contacts (name) VALUES (?)", c.name); err != nil {
				return err
			}
			err := w.current.QueryRow(`SELECT id, coalesce((SELECT max(b.id) FROM edge_blocks b WHERE b.id > c.id << 32 AND b.id < (c.id + 1) << 32), 0) & 0xffffffff
FROM contacts c WHERE name = ?`, c.name).Scan(&ids[i], &blocks[i])
			if err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	for i, c := range contacts {
		c.id, c.blocks = ids[i], blocks[i]
	}
	return nil
}

// checkTail looks for what a crash can damage: commits that the lock file's mark
// counts but the log does not have, and the latest block of each contact.
func (s *Store) checkTail(w *writer, empty bool) (findings []Finding, err error) {
	at := s.session.start.Mono
	if m := s.mark; m.Token != "" {
		var commits int64
		err := w.current.QueryRow("SELECT commits FROM sessions WHERE token = ?", m.Token).Scan(&commits)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return nil, err
		}
		if lost := m.Commits - commits; lost > 0 {
			text := fmt.Sprintf("the end of the log is missing: %d commits until %s are lost", lost, m.Wall)
			if empty {
				text = fmt.Sprintf("the log that was written here until %s is gone, and a new one begun", m.Wall)
			}
			findings = append(findings, finding(Damage, at, map[string]any{"commits": lost, "until": m.Wall}, "%s", text))
		}
	}
	rows, err := w.current.Query(`SELECT ` + blockColumns + `, c.name FROM contacts c JOIN edge_blocks b ON b.id =
  (SELECT max(id) FROM edge_blocks WHERE id > c.id << 32 AND id < (c.id + 1) << 32) ORDER BY b.id`)
	if err != nil {
		return nil, err
	}
	type latest struct {
		storedBlock
		contact string
	}
	blocks, err := collect(rows, func(row scanner) (b latest, err error) {
		err = row(append(b.fields(), &b.contact)...)
		return b, err
	})
	var d edgecode.Decoder
	for _, b := range blocks {
		if _, err := d.Decode(nil, b.Header, b.data); err != nil {
			f := finding(Damage, at, map[string]any{"block": b.id, "edges": b.Edges, "session": b.Session, "from_ns": b.First, "to_ns": b.Last},
				"the latest %d edges of %s in the log are damaged: %v", b.Edges, b.contact, err)
			f.Contact = b.contact
			findings = append(findings, f)
		}
	}
	return findings, err
}
