package store

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	sqlite3 "modernc.org/sqlite/lib"

	"makebreak/hw"
	"makebreak/pulse"
)

// A Log reads a log and adds notes and soak tests to it, while another program
// may write it. Its methods may be called from any goroutine.
type Log struct {
	path  string
	clock func() (hw.Anchor, hw.Discipline)
	boot  string // id of this boot; empty: the kernel's
	// format of the file; 0 is that which this program writes.
	format int

	mu   sync.RWMutex
	pool *sql.DB
	own  int64 // session of the Store that reads, which sees it before it is whole
}

// OpenRead opens an existing log for reading, also one of an older format, which
// only Open converts. Errors are those of Open.
func OpenRead(ctx context.Context, path string) (*Log, error) {
	full, err := filepath.Abs(path)
	var fi os.FileInfo
	if err == nil {
		fi, err = os.Stat(full)
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("open log %q: there is no such file", path)
	case err == nil && !fi.Mode().IsRegular():
		return nil, fmt.Errorf("open log %q: expected a file", path)
	case err == nil:
		err = permitted(false, full)
	}
	var format int
	if err == nil {
		format, err = checkFormat(ctx, full)
	}
	if err == nil && format == 0 {
		err = errNoSession
	}
	var db *sql.DB
	if err == nil {
		db, err = openReader(full, false)
		if c := code(err); (c == sqlite3.SQLITE_CANTOPEN || c == sqlite3.SQLITE_READONLY) && atRest(full) {
			// Nobody writes the log, and in this folder nobody could: it does not change.
			db, err = openReader(full, true)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("open log %q: %w", path, err)
	}
	return &Log{path: full, clock: hw.ReadClock, pool: db, format: format}, nil
}

// has is true when the log has what came with a format.
func (l *Log) has(format int) bool { return l.format == 0 || l.format >= format }

// since gives the part of a query that came with a format, and what is in its
// place in an older log.
func (l *Log) since(format int, query, before string) string {
	if l.has(format) {
		return query
	}
	return before
}

// Path is the full path of the file.
func (l *Log) Path() string { return l.path }

// Close ends reading.
func (l *Log) Close() error {
	l.setPool(nil)
	return nil
}

func (l *Log) ownSession() int64 {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.own
}

func (l *Log) setOwn(session int64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.own = session
}

func (l *Log) setPool(db *sql.DB) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.pool != nil {
		_ = l.pool.Close() // nothing was written through it
	}
	l.pool = db
}

// A scanner is the Scan of one row.
type scanner func(columns ...any) error

// collect scans all rows and closes them. With an error it returns those before.
func collect[T any](rows *sql.Rows, scan func(row scanner) (T, error)) (all []T, err error) {
	defer rows.Close()
	for rows.Next() {
		v, err := scan(rows.Scan)
		if err != nil {
			return all, err
		}
		all = append(all, v)
	}
	return all, rows.Err()
}

// list returns all rows of a query. With an error it returns those before.
func list[T any](ctx context.Context, l *Log, scan func(row scanner) (T, error), query string, args ...any) (all []T, err error) {
	rows, err := l.query(ctx, query, args...)
	if err == nil {
		all, err = collect(rows, scan)
	}
	if err != nil {
		err = fmt.Errorf("read log %q: %w", l.path, damage(err))
	}
	return all, err
}

func (l *Log) query(ctx context.Context, query string, args ...any) (*sql.Rows, error) {
	l.mu.RLock()
	defer l.mu.RUnlock()
	if l.pool == nil {
		return nil, errors.New("it is not open")
	}
	return l.pool.QueryContext(ctx, query, args...)
}

// A Moment is a time in the log. Mono is the monotonic clock of the boot that
// Session ran in. Run counts from the start of the run and goes on through
// reboots. Wall is the wall clock as it was set then.
type Moment struct {
	Session int64
	Mono    pulse.Stamp
	Run     pulse.Stamp
	Wall    time.Time
}

// moment scans session, mono_ns, offset_ns and wall_ns.
type moment struct{ session, mono, offset, wall int64 }

func (m *moment) fields() []any { return []any{&m.session, &m.mono, &m.offset, &m.wall} }

func (m *moment) at() Moment {
	return Moment{m.session, pulse.Stamp(m.mono), pulse.Stamp(m.mono + m.offset), time.Unix(0, m.wall).UTC()}
}

// A Span is a stretch of a run, From ≤ t < To in run time. Run 0 is the latest
// run, From 0 its start, To 0 its end.
type Span struct {
	Run      int64
	From, To pulse.Stamp
}

// endless is beyond any run time, and small enough that an offset can be
// subtracted from it or from its negative.
const endless = math.MaxInt64 / 2

// args are run, from and to for inSpan.
func (s Span) args() []any {
	from, to := int64(s.From), int64(s.To)
	if from == 0 {
		from = -endless
	}
	if to == 0 {
		to = endless
	}
	return []any{s.Run, from, to}
}

// whole is the condition that a session s is whole: imports that go on are not.
const whole = `(s.imported IS NULL OR s.ended = 1)`

// whole is the same for the log's own format: older logs have no imports.
func (l *Log) whole() string { return l.since(3, whole, "TRUE") }

// inSpan is the condition that goes with Span.args as ?1, ?2 and ?3, for a
// table x joined with its session s.
func (l *Log) inSpan() string {
	return l.whole() + ` AND s.run = iif(?1 = 0, (SELECT max(id) FROM runs), ?1) AND x.mono_ns >= ?2 - s.offset_ns AND x.mono_ns < ?3 - s.offset_ns`
}

// pageRows is how many rows are read at once. A slow reader must not hold a
// transaction open, because that makes the write-ahead log grow.
const pageRows = 1000

// pages reads rows in order of session and time, pageRows at a time. The query
// takes Span.args, then session, time and id of the row before, then a limit,
// then more.
func pages[T any](ctx context.Context, l *Log, span Span, scan func(row scanner) (T, error), key func(T) (Moment, int64), query string, more ...any) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		last := []any{int64(0), int64(math.MinInt64), int64(0)}
		for {
			args := append(append(append(span.args(), last...), pageRows), more...)
			some, err := list(ctx, l, scan, query, args...)
			for _, v := range some {
				if !yield(v, nil) {
					return
				}
			}
			if err != nil {
				var none T
				yield(none, err)
			}
			if err != nil || len(some) < pageRows {
				return
			}
			at, id := key(some[len(some)-1])
			last = []any{at.Session, int64(at.Mono), id}
		}
	}
}

// Contacts gives the names of all contacts in the log, sorted.
func (l *Log) Contacts(ctx context.Context) ([]string, error) {
	return list(ctx, l, scanText, "SELECT name FROM contacts ORDER BY name")
}

func scanText(row scanner) (s string, err error) {
	err = row(&s)
	return s, err
}

// A Configuration is how a contact was set up from some time on.
type Configuration struct {
	Contact  string // name
	At       Moment // set by the log
	Source   string // where the edges come from, as the user wrote it
	Kind     pulse.Kind
	Polarity pulse.Polarity
	Settings json.RawMessage // all else, a JSON object
}

// Configurations gives the configurations of a contact in order of time; of all
// contacts when the name is empty.
func (l *Log) Configurations(ctx context.Context, contact string) ([]Configuration, error) {
	return list(ctx, l, func(row scanner) (c Configuration, err error) {
		var m moment
		var kind, closed, settings string
		if err := row(append(m.fields(), &c.Contact, &c.Source, &kind, &closed, &settings)...); err != nil {
			return c, err
		}
		c.At, c.Settings = m.at(), json.RawMessage(settings)
		_ = c.Kind.UnmarshalText([]byte(kind)) // a word of a newer program leaves the default
		_ = c.Polarity.UnmarshalText([]byte(closed))
		return c, nil
	}, `SELECT x.session, x.mono_ns, s.offset_ns, x.wall_ns, c.name, x.source, x.kind, x.closed, x.settings
FROM configurations x JOIN sessions s ON s.id = x.session JOIN contacts c ON c.id = x.contact
WHERE `+l.whole()+` AND ?1 IN ('', c.name) ORDER BY x.id`, contact)
}

// A FindingKind says what was found.
type FindingKind string

const (
	LimitCrossed FindingKind = "limit"   // a value is out of its limit
	Missing      FindingKind = "missing" // interruptions
	Extra        FindingKind = "extra"   // interruptions
	StuckOpen    FindingKind = "stuck open"
	StuckClosed  FindingKind = "stuck closed"
	LostEdges    FindingKind = "lost edges" // by the source
	SourceDown   FindingKind = "source down"
	SourceUp     FindingKind = "source up"
	LimitKept    FindingKind = "limit kept" // again, by all values of a window
	RestsOpen    FindingKind = "rests open" // a dial, as with the wrong polarity

	Drifts     FindingKind = "drift" // of a figure, over hours and days
	DriftOver  FindingKind = "drift over"
	Stepped    FindingKind = "step"        // of a figure
	SwingGrown FindingKind = "swing grown" // of a shaft of the drive

	OutputLost  FindingKind = "output lost"  // breaks of the contact that its second one has not
	OutputExtra FindingKind = "output extra" // breaks that the second contact alone has

	// The Store itself records these.
	ClockStep FindingKind = "clock step"
	Restart   FindingKind = "restart"
	Imported  FindingKind = "imported"  // the session is a recording from elsewhere
	LogFault  FindingKind = "log fault" // the log could not be written for some time
	Dropped   FindingKind = "dropped"   // edges are not in the log
	Removed   FindingKind = "removed"   // old edges, because of their age or the log's size
	Damage    FindingKind = "damage"
)

// A Finding is something wrong or worth knowing.
type Finding struct {
	ID      int64
	Contact string // name, empty when it is about the log or the site
	Kind    FindingKind
	At      Moment
	Text    string          // for people
	Detail  json.RawMessage // for programs; nil when there is none
}

// Findings gives the findings of a span in order of time; of all contacts when
// the name is empty, else of the contact and of the log itself.
func (l *Log) Findings(ctx context.Context, span Span, contact string) iter.Seq2[Finding, error] {
	scan := func(row scanner) (f Finding, err error) {
		var m moment
		err = row(append(m.fields(), &f.ID, &f.Contact, &f.Kind, &f.Text, (*[]byte)(&f.Detail))...)
		f.At = m.at()
		return f, err
	}
	return pages(ctx, l, span, scan, func(f Finding) (Moment, int64) { return f.At, f.ID },
		`SELECT x.session, x.mono_ns, s.offset_ns, x.wall_ns, x.id, coalesce(c.name, ''), x.kind, x.text, x.detail
FROM sessions s CROSS JOIN findings x ON x.session = s.id LEFT JOIN contacts c ON c.id = x.contact
WHERE `+l.inSpan()+` AND (x.session, x.mono_ns, x.id) > (?4, ?5, ?6) AND (?8 = '' OR c.name IS NULL OR c.name = ?8)
ORDER BY x.session, x.mono_ns, x.id LIMIT ?7`, contact)
}

// TimeStats are count, sum, sum of squares and extremes of some times. Its zero
// value is empty.
type TimeStats struct {
	N            int64
	SumNS        int64
	Squares      float64 // sum of squared differences from the mean, ns²
	MinNS, MaxNS int64   // 0 when N is 0
}

// A Summary is what one contact did in one minute, or in a part of one. Where
// retention has rolled old summaries up, it is of an hour or a day of the
// monotonic clock.
type Summary struct {
	Contact        string
	At             Moment // start
	LengthNS       int64  // time in which the source was up
	Edges, Lost    int64
	Pulses         int64 // or cycles
	Missing, Extra int64 // interruptions
	Chatter        int64
	Bounced        int64 // transitions
	OutOfLimit     int64 // pulses or cycles
	Period, Break  TimeStats
	PeriodBreaksNS int64 // sum of the breaks that belong to the periods: percent break = 100 · this / Period.SumNS
	BounceMaxNS    pulse.Num
	InterdigitNS   pulse.Num // the shortest
}

const summaryColumns = `length_ns, edges, lost, pulses, missing, extra, chatter, bounced, out_of_limit,
periods, period_sum_ns, period_squares, period_min_ns, period_max_ns,
breaks, break_sum_ns, break_squares, break_min_ns, break_max_ns, period_breaks_ns, bounce_max_ns, interdigit_min_ns`

// counters are the summary's values for the columns length_ns to out_of_limit.
func (m *Summary) counters() [9]*int64 {
	return [...]*int64{&m.LengthNS, &m.Edges, &m.Lost, &m.Pulses, &m.Missing, &m.Extra, &m.Chatter, &m.Bounced, &m.OutOfLimit}
}

// summarise writes a summary in place of the one with the same key, if any.
func (w *writer) summarise(contact any, session, mono, wall int64, m *Summary) error {
	values := []any{contact, session, mono, wall}
	for _, p := range m.counters() {
		values = append(values, *p)
	}
	for _, t := range []*TimeStats{&m.Period, &m.Break} {
		values = append(values, t.N, t.SumNS, t.Squares, sql.NullInt64{Int64: t.MinNS, Valid: t.N > 0}, sql.NullInt64{Int64: t.MaxNS, Valid: t.N > 0})
	}
	values = append(values, m.PeriodBreaksNS)
	for _, n := range []pulse.Num{m.BounceMaxNS, m.InterdigitNS} {
		values = append(values, sql.NullInt64{Int64: int64(math.Round(n.V)), Valid: n.OK})
	}
	return w.exec(`INSERT OR REPLACE INTO summaries (contact, session, mono_ns, wall_ns, `+summaryColumns+`)
VALUES (`+strings.Repeat("?, ", len(values)-1)+`?)`, values...)
}

// scanSummary scans a moment and summaryColumns.
func scanSummary(row scanner) (m Summary, err error) {
	var at moment
	columns := at.fields()
	for _, p := range m.counters() {
		columns = append(columns, p)
	}
	var extremes [2]struct{ min, max sql.NullInt64 }
	for i, t := range []*TimeStats{&m.Period, &m.Break} {
		columns = append(columns, &t.N, &t.SumNS, &t.Squares, &extremes[i].min, &extremes[i].max)
	}
	var bounce, gap sql.NullInt64
	err = row(append(columns, &m.PeriodBreaksNS, &bounce, &gap)...)
	m.At = at.at()
	m.Period.MinNS, m.Period.MaxNS = extremes[0].min.Int64, extremes[0].max.Int64
	m.Break.MinNS, m.Break.MaxNS = extremes[1].min.Int64, extremes[1].max.Int64
	m.BounceMaxNS = pulse.Num{V: float64(bounce.Int64), OK: bounce.Valid}
	m.InterdigitNS = pulse.Num{V: float64(gap.Int64), OK: gap.Valid}
	return m, err
}

// Summaries gives a contact's summaries that begin in a span, in order of time.
func (l *Log) Summaries(ctx context.Context, span Span, contact string) iter.Seq2[Summary, error] {
	scan := func(row scanner) (Summary, error) {
		m, err := scanSummary(row)
		m.Contact = contact
		return m, err
	}
	return pages(ctx, l, span, scan, func(m Summary) (Moment, int64) { return m.At, math.MaxInt64 },
		`SELECT x.session, x.mono_ns, s.offset_ns, x.wall_ns, `+summaryColumns+`
FROM sessions s CROSS JOIN summaries x ON x.session = s.id AND x.contact = (SELECT id FROM contacts WHERE name = ?8)
WHERE `+l.inSpan()+` AND (x.session, x.mono_ns, ?6) > (?4, ?5, ?6) ORDER BY x.session, x.mono_ns LIMIT ?7`, contact)
}

// Buckets gives a contact's summaries that begin in a span added up by steps of run
// time, in order of time: what a drawing of months can show. A session begins
// another bucket. Of them Edges, Lost, Chatter and Bounced are not added, nor
// BounceMaxNS and InterdigitNS.
func (l *Log) Buckets(ctx context.Context, span Span, contact string, step time.Duration) (all []Summary, err error) {
	tl, err := l.TimelineOf(ctx, span.Run, contact)
	if err != nil {
		return nil, err
	}
	for i := range tl.Sessions {
		s := &tl.Sessions[i]
		from, to := max(s.Start.Run, span.From), s.Alive.Run+1
		if span.To > 0 {
			to = min(to, span.To)
		}
		for begin := from - from%pulse.Stamp(step); begin < to; begin += pulse.Stamp(step) {
			m, ok, err := l.bucket(ctx, s, contact, max(begin, from), min(begin+pulse.Stamp(step), to))
			if err != nil {
				return nil, err
			}
			if ok {
				all = append(all, m)
			}
		}
	}
	slices.SortStableFunc(all, func(a, b Summary) int { return cmp.Compare(a.At.Run, b.At.Run) })
	return all, nil
}

// bucketQuery reads one stretch of the table in its order, so that nothing is sorted.
const bucketQuery = `SELECT count(*), min(mono_ns), min(wall_ns), sum(length_ns), sum(pulses), sum(missing), sum(extra), sum(out_of_limit),
sum(periods), sum(period_sum_ns), total(period_squares), total(1.0 * period_sum_ns * period_sum_ns / periods), min(period_min_ns), max(period_max_ns),
sum(breaks), sum(break_sum_ns), total(break_squares), total(1.0 * break_sum_ns * break_sum_ns / breaks), min(break_min_ns), max(break_max_ns), sum(period_breaks_ns)
FROM summaries WHERE contact = (SELECT id FROM contacts WHERE name = ?) AND session = ? AND mono_ns >= ? AND mono_ns < ?`

// bucket adds up the summaries of a session that begin between two run times.
func (l *Log) bucket(ctx context.Context, s *Session, contact string, from, to pulse.Stamp) (m Summary, ok bool, err error) {
	shift := s.Start.Mono - s.Start.Run
	scan := func(row scanner) (n int64, err error) {
		var mono, wall, breaks sql.NullInt64
		values := make([]sql.NullInt64, 5) // the counters
		columns := []any{&n, &mono, &wall}
		for i := range values {
			columns = append(columns, &values[i])
		}
		var stats [2]struct {
			n, sum, least, most sql.NullInt64
			within, between     float64
		}
		for i := range stats {
			t := &stats[i]
			columns = append(columns, &t.n, &t.sum, &t.within, &t.between, &t.least, &t.most)
		}
		err = row(append(columns, &breaks)...)
		m = Summary{Contact: contact, PeriodBreaksNS: breaks.Int64}
		m.At = Moment{Session: s.ID, Mono: pulse.Stamp(mono.Int64), Run: pulse.Stamp(mono.Int64) - shift, Wall: time.Unix(0, wall.Int64).UTC()}
		for i, p := range []*int64{&m.LengthNS, &m.Pulses, &m.Missing, &m.Extra, &m.OutOfLimit} {
			*p = values[i].Int64
		}
		for i, p := range []*TimeStats{&m.Period, &m.Break} {
			t := &stats[i]
			*p = TimeStats{N: t.n.Int64, SumNS: t.sum.Int64, MinNS: t.least.Int64, MaxNS: t.most.Int64}
			if p.N > 0 { // from the mean of all
				p.Squares = t.within + max(t.between-float64(p.SumNS)*float64(p.SumNS)/float64(p.N), 0)
			}
		}
		return n, err
	}
	counts, err := list(ctx, l, scan, bucketQuery, contact, s.ID, int64(from+shift), int64(to+shift))
	return m, err == nil && len(counts) == 1 && counts[0] > 0, err
}
