package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"makebreak/hw"
	"makebreak/pulse"
)

// A Run is a site's log through restarts and reboots.
type Run struct {
	ID    int64
	Site  string
	Began time.Time
}

// Runs gives all runs, the latest last.
func (l *Log) Runs(ctx context.Context) ([]Run, error) {
	return list(ctx, l, func(row scanner) (r Run, err error) {
		var began int64
		err = row(&r.ID, &r.Site, &began)
		r.Began = time.Unix(0, began).UTC()
		return r, err
	}, "SELECT id, site, began_wall_ns FROM runs ORDER BY id")
}

// A Session is one start of the program within a run.
type Session struct {
	ID      int64
	Boot    string // the kernel's boot id
	Program string // version
	Start   Moment
	Alive   Moment // latest commit: nothing is known after it
	Ended   bool   // the program was stopped; false: it runs, or was killed
	Clocks  []Clock
	// Limits are those on what is kept; nil in a session of before they were logged.
	Limits *Limits
}

// Limits are how long edges are kept and the largest size of the log; 0 is no
// limit.
type Limits struct {
	KeepEdges time.Duration
	MaxBytes  int64
}

// A Clock is the state of the clocks from some time on.
type Clock struct {
	Anchor hw.Anchor
	State  hw.Discipline
}

// errNoSession is the error for a log in which the daemon never ran.
var errNoSession = errors.New("nothing was logged yet: expected at least one session")

// A Timeline maps run time to sessions and wall-clock times.
type Timeline struct {
	Run
	Sessions []Session // in order of time, but for imports; at least one
}

// Timeline reads the timeline of a run, 0 for the latest. Imports of several
// contacts lie beside each other in it.
func (l *Log) Timeline(ctx context.Context, run int64) (*Timeline, error) {
	return l.TimelineOf(ctx, run, "")
}

// TimelineOf is the Timeline that a contact has: without the imports of others.
// An empty contact has all.
func (l *Log) TimelineOf(ctx context.Context, run int64, contact string) (*Timeline, error) {
	runs, err := l.Runs(ctx)
	if err != nil {
		return nil, err
	}
	var t Timeline
	for _, r := range runs {
		if run == 0 || r.ID == run {
			t.Run = r
		}
	}
	if t.ID == 0 && run == 0 {
		return nil, fmt.Errorf("read log %q: %w", l.path, errNoSession)
	}
	if t.ID == 0 {
		return nil, fmt.Errorf("read log %q: there is no run %d", l.path, run)
	}
	t.Sessions, err = list(ctx, l, func(row scanner) (s Session, err error) {
		var start, alive moment
		var keep, most sql.NullInt64
		err = row(&s.ID, &s.Boot, &s.Program, &s.Ended, &start.offset, &start.mono, &start.wall, &alive.mono, &alive.wall, &keep, &most)
		if keep.Valid && most.Valid {
			s.Limits = &Limits{time.Duration(keep.Int64), most.Int64}
		}
		start.session, alive.session, alive.offset = s.ID, s.ID, start.offset
		s.Start, s.Alive = start.at(), alive.at()
		return s, err
	}, "SELECT id, boot, program, ended, offset_ns, start_ns, start_wall_ns, alive_ns, alive_wall_ns, "+l.since(3, "keep_raw_ns, max_bytes", "NULL, NULL")+`
FROM sessions s WHERE run = ?1`+l.since(3, `
AND (imported IS NULL OR (ended = 1 OR id = ?3) AND ?2 IN ('', (SELECT name FROM contacts c WHERE c.id = s.imported)))`, " AND ?2 IS NOT NULL AND ?3 IS NOT NULL")+" ORDER BY id",
		t.ID, contact, l.ownSession())
	if err != nil {
		return nil, err
	}
	if len(t.Sessions) == 0 {
		return nil, fmt.Errorf("read log %q: run %d: %w", l.path, t.ID, errNoSession)
	}
	type clock struct {
		session int64
		Clock
	}
	clocks, err := list(ctx, l, func(row scanner) (r clock, err error) {
		var wall int64
		d := &r.State
		err = row(&r.session, &r.Anchor.Mono, &wall, &r.Anchor.WithinNS, &d.Synchronised, &d.FrequencyPPM, &d.SlewPPM, &d.EstimatedErrorNS, &d.MaxErrorNS)
		r.Anchor.Wall = time.Unix(0, wall).UTC()
		return r, err
	}, `SELECT session, mono_ns, wall_ns, within_ns, synchronised, frequency_ppm, slew_ppm, estimated_error_ns, max_error_ns
FROM clocks WHERE session IN (SELECT id FROM sessions WHERE run = ?) ORDER BY session, mono_ns`, t.ID)
	if err != nil {
		return nil, err
	}
	i := 0
	for _, c := range clocks {
		for i < len(t.Sessions) && t.Sessions[i].ID < c.session {
			i++
		}
		if i < len(t.Sessions) && t.Sessions[i].ID == c.session {
			t.Sessions[i].Clocks = append(t.Sessions[i].Clocks, c.Clock)
		}
	}
	return &t, nil
}

// End is the run time of the latest commit.
func (t *Timeline) End() (end pulse.Stamp) {
	for i := range t.Sessions {
		end = max(end, t.Sessions[i].Alive.Run)
	}
	return end
}

// A segment is a stretch of a timeline with one relation between the clocks.
type segment struct {
	session  *Session
	from, to pulse.Stamp // run time
	wall     time.Time   // at from
	steered  bool        // wall is by a clock that was synchronised
}

// segments cover the timeline without a gap: each lasts until the next, the
// last one forever.
func (t *Timeline) segments() (all []segment) {
	for i := range t.Sessions {
		s := &t.Sessions[i]
		from := s.Start.Run
		for j, c := range s.Clocks {
			if at := c.Anchor.Mono - s.Start.Mono + s.Start.Run; j > 0 {
				from = at
			}
			// Where the clock was not synchronised, the next time that it was is used.
			for _, later := range s.Clocks[j:] {
				if later.State.Synchronised {
					c = later
					break
				}
			}
			all = append(all, segment{s, from, endless, c.Anchor.At(from - s.Start.Run + s.Start.Mono), c.State.Synchronised})
		}
	}
	for i := range all[1:] {
		all[i].to = all[i+1].from
	}
	return all
}

// At gives the moment of a run time. Its wall-clock time is by the clock as it
// was set then; where the clock was not synchronised, by its first setting
// later in the session when it was.
func (t *Timeline) At(at pulse.Stamp) Moment {
	m, _ := t.WallClock().At(at)
	return m
}

// A WallClock gives the moments of many run times at little cost, least where they
// rise.
type WallClock struct {
	segments []segment
	i        int // of the latest
}

// WallClock gives that of the timeline.
func (t *Timeline) WallClock() *WallClock { return &WallClock{segments: t.segments()} }

// At is Timeline.At. steered tells whether the wall-clock time is by a clock that was
// synchronised, and no guess of a computer that nobody had told the time.
func (w *WallClock) At(at pulse.Stamp) (m Moment, steered bool) {
	for w.i > 0 && w.segments[w.i].from > at {
		w.i--
	}
	for w.i+1 < len(w.segments) && w.segments[w.i+1].from <= at {
		w.i++
	}
	s := &w.segments[w.i]
	return Moment{s.session.ID, at - s.session.Start.Run + s.session.Start.Mono, at, s.wall.Add(time.Duration(at - s.from))}, s.steered
}

// Since gives the first run time at which the wall clock showed wall or later.
// A clock that was set back has shown some times twice.
func (t *Timeline) Since(wall time.Time) pulse.Stamp {
	for _, s := range t.segments() {
		if at := s.from + pulse.Stamp(max(wall.Sub(s.wall), 0)); at < s.to {
			return at
		}
	}
	return endless
}

// Until gives the last run time at which the wall clock showed wall or earlier,
// 0 when the run began later.
func (t *Timeline) Until(wall time.Time) pulse.Stamp {
	all := t.segments()
	for i := len(all) - 1; i >= 0; i-- {
		if d := wall.Sub(all[i].wall); d >= 0 {
			return min(all[i].from+pulse.Stamp(d), all[i].to)
		}
	}
	return 0
}

// Holds gives how long a log of the session's largest size holds edges, if they
// go on to come as in the last day. It is 0 where that is not known: there is no
// largest size, or no contact has filled a block of edges in that time.
func (l *Log) Holds(ctx context.Context, s *Session) (time.Duration, error) {
	if s.Limits == nil || s.Limits.MaxBytes == 0 {
		return 0, nil
	}
	alive := int64(s.Alive.Mono)
	rates, err := list(ctx, l, func(row scanner) (blocksPerNS float64, err error) {
		var blocks, first int64
		if err := row(&blocks, &first); err != nil || blocks < 2 || first >= alive {
			return 0, err
		}
		return float64(blocks-1) / float64(alive-first), nil // the last is not full
	}, `SELECT count(*), min(b.first_ns) FROM contacts c CROSS JOIN edge_blocks b ON b.contact = c.id AND b.session = ? AND b.first_ns >= ?
GROUP BY c.id`, s.ID, alive-int64(24*time.Hour))
	sum := 0.0
	for _, r := range rates {
		sum += r
	}
	if err != nil || sum == 0 {
		return 0, err
	}
	return time.Duration(min(float64(limitPages(s.Limits.MaxBytes))/sum, endless)), nil
}
