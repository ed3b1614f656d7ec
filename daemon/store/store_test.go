package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

func synthEdges(t testing.TB, desc string, n int) []pulse.Edge {
	t.Helper()
	spec, err := synth.Parse(desc)
	if err != nil {
		t.Fatal(err)
	}
	s, err := synth.New(spec)
	if err != nil {
		t.Fatal(err)
	}
	edges := make([]pulse.Edge, n)
	for got := 0; got < n; {
		k := s.Next(edges[got:])
		if k == 0 {
			return edges[:got]
		}
		got += k
	}
	return edges
}

const busyDial = "dial repeat=endless jitter=0.4ms seed=1"

// handClock is a clock that a test sets. It begins an hour after the boot.
type handClock struct {
	mu     sync.Mutex
	anchor hw.Anchor
	state  hw.Discipline
}

func newClock() *handClock {
	return &handClock{anchor: hw.Anchor{Mono: 3600e9, Wall: time.Date(2024, 3, 30, 12, 0, 0, 0, time.UTC), WithinNS: 100},
		state: hw.Discipline{Synchronised: true, FrequencyPPM: -3.5, EstimatedErrorNS: 2e6, MaxErrorNS: 9e6}}
}

func (c *handClock) read() (hw.Anchor, hw.Discipline) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.anchor, c.state
}

// advance moves both clocks.
func (c *handClock) advance(d time.Duration) pulse.Stamp {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.anchor.Mono += pulse.Stamp(d)
	c.anchor.Wall = c.anchor.Wall.Add(d)
	return c.anchor.Mono
}

// step sets the wall clock.
func (c *handClock) step(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.anchor.Wall = c.anchor.Wall.Add(d)
}

// reboot starts the monotonic clock anew.
func (c *handClock) reboot(wall time.Time, synchronised bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.anchor.Mono, c.anchor.Wall, c.state.Synchronised = 20e9, wall, synchronised
}

func (c *handClock) mono() pulse.Stamp { a, _ := c.read(); return a.Mono }

func logPath(t testing.TB) string { return filepath.Join(t.TempDir(), "log?#%41 .sqlite") }

func open(t testing.TB, path string, clock *handClock, opt Options) *Store {
	t.Helper()
	if opt.Site == "" {
		opt.Site = "Marrow Quay"
	}
	if opt.Boot == "" {
		opt.Boot = "boot-1"
	}
	if clock != nil {
		opt.Clock = clock.read
	}
	s, err := Open(t.Context(), path, opt)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func closeStore(t testing.TB, s *Store) {
	t.Helper()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// crash leaves the log as a killed process would: nothing more is written.
func crash(t testing.TB, s *Store) {
	t.Helper()
	s.committing.Lock()
	defer s.committing.Unlock()
	s.closed = true
	if err := s.detach(); err != nil {
		t.Fatal(err)
	}
	s.lock.release()
}

func mustCommit(t testing.TB, s *Store) {
	t.Helper()
	if err := s.Flush(); err != nil {
		t.Fatal(err)
	}
}

func waiting(c *Contact) int64 {
	n, _, _ := c.stats()
	return n
}

func dropped(c *Contact) uint64 {
	_, n, _ := c.stats()
	return n
}

var dialA = Configuration{Contact: "dial A", Source: "gpiochip0:17", Kind: pulse.KindDial, Polarity: pulse.ClosedLow, Settings: json.RawMessage(`{"settle_ns":4000000}`)}

func named(name string) Configuration { return Configuration{Contact: name, Source: "sim:" + name} }

// numbered makes n edges, 10 ms apart, that count on from seq.
func numbered(from pulse.Stamp, seq uint32, n int) []pulse.Edge {
	edges := make([]pulse.Edge, n)
	for i := range edges {
		edges[i] = pulse.Edge{At: from + pulse.Stamp(i)*10e6, Seq: seq + uint32(i), Level: pulse.Level((seq + uint32(i)) % 2)}
	}
	return edges
}

func shift(edges []pulse.Edge, by pulse.Stamp) []pulse.Edge {
	out := make([]pulse.Edge, len(edges))
	for i, e := range edges {
		e.At += by
		out[i] = e
	}
	return out
}

func replay(t testing.TB, l *Log, span Span, contact string) ([]pulse.Edge, *Replay) {
	t.Helper()
	r, err := l.Replay(t.Context(), span, contact)
	if err != nil {
		t.Fatal(err)
	}
	var all []pulse.Edge
	buf := make([]pulse.Edge, 700)
	for {
		n, err := r.ReadEdges(t.Context(), buf)
		if err == io.EOF {
			return all, r
		}
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, buf[:n]...)
	}
}

func findings(t testing.TB, l *Log, contact string) (all []Finding) {
	t.Helper()
	runs, err := l.Runs(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range runs {
		for f, err := range l.Findings(t.Context(), Span{Run: r.ID}, contact) {
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, f)
		}
	}
	return all
}

func texts(fs []Finding) (all []string) {
	for _, f := range fs {
		all = append(all, string(f.Kind)+": "+f.Text)
	}
	return all
}

func diff(t testing.TB, want, got any) {
	t.Helper()
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
}

func sound(t testing.TB, l *Log) {
	t.Helper()
	flaws, err := l.Check(t.Context())
	if err != nil || len(flaws) > 0 {
		t.Fatalf("check: %v %v", flaws, err)
	}
}

func TestEverythingComesBack(t *testing.T) {
	clock := newClock()
	path := logPath(t)
	s := open(t, path, clock, Options{Program: "1.2.3"})
	c := s.Contact(dialA)
	edges := shift(synthEdges(t, "dial repeat=endless jitter=0.4ms bounce=2:1ms lost=0.001 seed=2", 5000), clock.mono())
	for i := 0; i < len(edges); i += 700 {
		c.Append(edges[i:min(i+700, len(edges))])
		mustCommit(t, s)
	}
	begin := clock.mono()
	clock.advance(time.Hour)
	found := Finding{Contact: "dial A", Kind: LimitCrossed, At: Moment{Mono: begin + 5e9}, Text: "break 72.1 %: limit 70 %", Detail: Detail(map[string]float64{"value": 72.1})}
	s.Find(found)
	sum := Summary{Contact: "dial A", At: Moment{Mono: begin}, LengthNS: 60e9, Edges: 1200, Lost: 1, Pulses: 600, Missing: 2, Extra: 3, Chatter: 4, Bounced: 5,
		OutOfLimit: 6, Period: TimeStats{590, 59e9, 1.5e12, 98e6, 102e6}, Break: TimeStats{600, 36e9, 2e12, 60e6, 63e6}, PeriodBreaksNS: 35e9,
		BounceMaxNS: pulse.Known(1.5e6)}
	empty := Summary{Contact: "dial A", At: Moment{Mono: begin + 60e9}, LengthNS: 60e9}
	s.Summarise(empty)
	s.Summarise(Summary{Contact: "dial A", At: Moment{Mono: begin}, Edges: 7})
	s.Summarise(sum)
	changed := dialA
	changed.Polarity = pulse.ClosedHigh
	s.Contact(dialA) // the same: no new row
	s.Contact(changed)
	s.Contact(named("cam 60"))
	mustCommit(t, s)
	closeStore(t, s)

	l, err := OpenRead(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	got, r := replay(t, l, Span{}, "dial A")
	diff(t, shift(edges, -begin), got)
	diff(t, []Gap(nil), r.Gaps())
	at := func(mono pulse.Stamp) Moment {
		return Moment{Session: 1, Mono: mono, Run: mono - begin, Wall: time.Date(2024, 3, 30, 12, 0, 0, 0, time.UTC).Add(time.Duration(mono - begin))}
	}
	fs := findings(t, l, "")
	found.ID, found.At = 1, at(begin+5e9)
	diff(t, []Finding{found}, fs)
	var sums []Summary
	for m, err := range l.Summaries(t.Context(), Span{}, "dial A") {
		if err != nil {
			t.Fatal(err)
		}
		sums = append(sums, m)
	}
	sum.At, empty.At = at(begin), at(begin+60e9)
	diff(t, []Summary{sum, empty}, sums)
	cfgs, err := l.Configurations(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	cam := named("cam 60")
	cam.Settings = json.RawMessage("{}")
	cam.At, changed.At = at(begin+3600e9), at(begin+3600e9)
	first := dialA
	first.At = at(begin)
	diff(t, []Configuration{first, changed, cam}, cfgs)
	names, err := l.Contacts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	diff(t, []string{"cam 60", "dial A"}, names)
	tl, err := l.Timeline(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	_, state := clock.read()
	diff(t, &Timeline{Run: Run{1, "Marrow Quay", at(begin).Wall}, Sessions: []Session{{ID: 1, Boot: "boot-1", Program: "1.2.3",
		Start: at(begin), Alive: at(begin + 3600e9), Ended: true, Limits: &Limits{}, Clocks: []Clock{
			{hw.Anchor{Mono: begin, Wall: at(begin).Wall, WithinNS: 100}, state},
			{hw.Anchor{Mono: begin + 3600e9, Wall: at(begin + 3600e9).Wall, WithinNS: 100}, state}}}}}, tl)
	sound(t, l)
}

func TestViewsRead(t *testing.T) {
	clock := newClock()
	s := open(t, logPath(t), clock, Options{Program: "1.2.3"})
	s.Contact(dialA).Append(numbered(clock.mono()+500e6, 1, 101))
	s.Find(Finding{Contact: "dial A", Kind: Missing, At: Moment{Mono: clock.mono()}, Text: "one"})
	s.Summarise(Summary{Contact: "dial A", At: Moment{Mono: clock.mono()}, LengthNS: 60e9, Edges: 40, Pulses: 20, Period: TimeStats{N: 10, SumNS: 1e9},
		Break: TimeStats{N: 10, SumNS: 62e7}, PeriodBreaksNS: 615e6, InterdigitNS: pulse.Known(7e8)})
	mustCommit(t, s)
	if _, err := s.AddNote(t.Context(), Note{Contact: "dial A", State: AsLeft, Text: "oiled"}); err != nil {
		t.Fatal(err)
	}
	for query, want := range map[string]string{
		"SELECT concat_ws('|', site, run, start, alive, start_run_s, alive_run_s, coalesce(gap_before_s, '-'), ended, program) FROM session_times":                                  "Marrow Quay|1|2024-03-30 12:00:00.000|2024-03-30 12:00:01.500|0.0|1.5|-|0|1.2.3",
		"SELECT concat_ws('|', contact, session, edges, first, length_s, first_run_s) FROM edge_block_spans":                                                                        "dial A|1|101|2024-03-30 12:00:00.500|1.0|0.5",
		"SELECT concat_ws('|', contact, start, length_s, edges, pulses, rate_per_s, break_percent, break_ms, coalesce(bounce_max_ms, '-'), interdigit_min_ms) FROM summary_figures": "dial A|2024-03-30 12:00:00.000|60.0|40|20|10.0|61.5|62.0|-|700.0",
		"SELECT concat_ws('|', time, contact, kind, text) FROM finding_list":                                                                                                        "2024-03-30 12:00:00.000|dial A|missing|one",
		"SELECT concat_ws('|', time, contact, state, text) FROM note_list":                                                                                                          "2024-03-30 12:00:00.000|dial A|as left|oiled",
	} {
		got, err := list(t.Context(), s.Log, scanText, query)
		if err != nil {
			t.Errorf("%s: %v", query, err)
			continue
		}
		diff(t, []string{want}, got)
	}
}

// Commits come within a second of an edge by themselves, and the log says that
// it is alive when nothing happens.
func TestRunCommits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		zero := time.Now()
		start, _ := newClock().read()
		read := func() (hw.Anchor, hw.Discipline) {
			d := time.Since(zero)
			return hw.Anchor{Mono: start.Mono + pulse.Stamp(d), Wall: start.Wall.Add(d)}, hw.Discipline{}
		}
		s := open(t, logPath(t), nil, Options{Clock: read})
		c := s.Contact(dialA)
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()
		for i := range 20 {
			c.Append(numbered(start.Mono+pulse.Stamp(i)*1e9, uint32(10*i+1), 10))
			if p := waiting(c); p != 10 {
				t.Fatalf("%d edges pending after Append", p)
			}
			time.Sleep(300 * time.Millisecond)
			if lag := s.Stats().Lag; waiting(c) > 0 && lag != 300*time.Millisecond {
				t.Fatalf("lag %v", lag)
			}
			time.Sleep(700 * time.Millisecond)
			synctest.Wait()
			if st := s.Stats(); st.PendingEdges != 0 || st.Lag != 0 {
				t.Fatalf("after a second: %+v", st)
			}
		}
		before := s.Stats().Commits
		time.Sleep(time.Minute)
		synctest.Wait()
		if n := s.Stats().Commits - before; n < 5 || n > 6 {
			t.Errorf("%d commits in an idle minute", n)
		}
		if d := time.Since(s.Stats().LastTry); d > time.Second {
			t.Errorf("the latest attempt was %v ago", d)
		}
		c.Append(numbered(start.Mono+90e9, 201, 5))
		if err := s.Flush(); err != nil {
			t.Fatal(err)
		}
		if n := waiting(c); n != 0 {
			t.Errorf("%d edges pending after Flush", n)
		}
		c.Append(numbered(start.Mono+91e9, 206, 5))
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
		c.Append(numbered(start.Mono+92e9, 211, 5)) // a source that ends after Run
		closeStore(t, s)
		if err := s.Flush(); !errors.Is(err, errClosed) {
			t.Errorf("Flush of a closed log: %v", err)
		}
		l, err := OpenRead(context.Background(), s.Path())
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		got, _ := replay(t, l, Span{}, "dial A")
		for i, e := range got {
			if e.Seq != uint32(i+1) || e.Lost != 0 {
				t.Fatalf("edge %d: %+v", i, e)
			}
		}
		if len(got) != 215 {
			t.Errorf("%d edges", len(got))
		}
	})
}

// Sources, readers and remarks at once, while contacts come and go on.
func TestAllAtOnce(t *testing.T) {
	s := open(t, logPath(t), nil, Options{})
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- s.Run(ctx) }()
	const sources, rounds, each = 6, 40, 250
	var wg sync.WaitGroup
	for i := range sources {
		wg.Go(func() {
			c := s.Contact(named(fmt.Sprint("cam ", i)))
			begin := hw.Monotonic()
			for round := range rounds {
				c.Append(numbered(begin+pulse.Stamp(round)*each*10e6, uint32(round*each+1), each))
				s.Find(Finding{Contact: c.name, Kind: Extra, At: Moment{Mono: begin}, Text: "x"})
				if err := s.Flush(); err != nil {
					t.Error(err)
				}
				if n := s.Stats().DroppedEdges; n != 0 {
					t.Errorf("%d edges dropped", n)
				}
				if _, err := s.AddNote(ctx, Note{Contact: c.name, Text: "x"}); err != nil {
					t.Error(err)
				}
				r, err := s.Replay(ctx, Span{To: endless}, c.name)
				if err != nil {
					t.Error(err)
					return
				}
				n, buf := 0, make([]pulse.Edge, 1000)
				for {
					k, err := r.ReadEdges(ctx, buf)
					if err != nil {
						break
					}
					n += k
				}
				if n < (round+1)*each {
					t.Errorf("%s: %d edges after round %d", c.name, n, round)
				}
			}
		})
	}
	wg.Wait()
	stop()
	if err := <-done; err != nil {
		t.Error(err)
	}
	if n := len(findings(t, s.Log, "")); n != sources*rounds {
		t.Errorf("%d findings", n)
	}
	sound(t, s.Log)
}

// Run goes on trying by itself.
func TestRunRetries(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var told faults
		path := logPath(t)
		s := open(t, path, newClock(), Options{OnFault: told.add})
		c := s.Contact(dialA)
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()
		time.Sleep(100 * time.Millisecond)
		if err := os.Rename(path, path+".elsewhere"); err != nil {
			t.Fatal(err)
		}
		if err := os.Mkdir(path, 0o755); err != nil { // nothing can be written here
			t.Fatal(err)
		}
		c.Append(numbered(3600e9, 1, 10))
		time.Sleep(time.Minute)
		synctest.Wait()
		st := s.Stats()
		if st.Fault == nil || st.PendingEdges != 10 || st.Lag != time.Minute || st.WriteErrors < 12 || st.WriteErrors > 16 {
			t.Errorf("%+v", st)
		}
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
		if err := os.Rename(path+".elsewhere", path); err != nil {
			t.Fatal(err)
		}
		time.Sleep(maxBackoff)
		synctest.Wait()
		if st := s.Stats(); st.Fault != nil || st.PendingEdges != 0 || st.Lag != 0 {
			t.Errorf("%+v", st)
		}
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
		closeStore(t, s)
		if len(told) != 2 || told[1] != "over" {
			t.Error(told)
		}
		// The same session goes on.
		l, err := OpenRead(context.Background(), path)
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		got, r := replay(t, l, Span{}, "dial A")
		diff(t, numbered(0, 1, 10), got)
		if n := len(r.Timeline().Sessions); n != 1 {
			t.Errorf("%d sessions", n)
		}
	})
}

// A row that the tables refuse is given up, counted, and keeps nothing else out.
func TestRefusedRows(t *testing.T) {
	clock := newClock()
	s := open(t, logPath(t), clock, Options{})
	s.Contact(dialA).Append(numbered(clock.mono(), 1, 10))
	s.Find(Finding{Kind: Extra, Text: "bad", At: Moment{Mono: clock.mono()}, Detail: json.RawMessage("{")})
	s.Summarise(Summary{Contact: "dial A", At: Moment{Mono: clock.mono()}, Period: TimeStats{N: 1, Squares: math.NaN()}})
	s.Find(Finding{Kind: Extra, Text: "good", At: Moment{Mono: clock.mono()}, Detail: Detail(math.Inf(1))})
	mustCommit(t, s)
	if st := s.Stats(); st.DroppedRows != 2 || st.PendingEdges != 0 {
		t.Errorf("%+v", st)
	}
	fs := findings(t, s.Log, "")
	if len(fs) != 1 || fs[0].Text != "good" || string(fs[0].Detail) != `{"error":"json: unsupported value: +Inf"}` {
		t.Errorf("%+v", fs)
	}
	sound(t, s.Log)
}

func TestRestartResumes(t *testing.T) {
	clock := newClock()
	path := logPath(t)
	var want []pulse.Edge
	record := func(s *Store, seq uint32) pulse.Stamp {
		e := numbered(clock.mono(), seq, 100)
		s.Contact(dialA).Append(e)
		clock.advance(time.Second)
		mustCommit(t, s)
		return e[0].At
	}
	add := func(first pulse.Stamp, seq uint32) { want = append(want, numbered(first, seq, 100)...) }
	unknown := func(at pulse.Stamp) { want = append(want, pulse.Edge{At: at, Level: pulse.Unknown}) }

	s := open(t, path, clock, Options{})
	record(s, 1)
	add(0, 1)
	crash(t, s)

	clock.advance(90 * time.Second) // the same boot: exact, whatever the wall clock does
	clock.step(-24 * time.Hour)
	unknown(1e9)
	s = open(t, path, clock, Options{})
	record(s, 1)
	add(91e9, 1)
	closeStore(t, s)

	unknown(92e9)
	a, _ := clock.read()
	clock.reboot(a.Wall.Add(10*time.Minute), true)
	s = open(t, path, clock, Options{Boot: "boot-2"})
	record(s, 1)
	add(692e9, 1)
	crash(t, s)

	// No clock chip: 1970 until the time server is reached after 5 s.
	unknown(693e9)
	a, _ = clock.read()
	clock.reboot(time.Unix(30, 0).UTC(), false)
	s = open(t, path, clock, Options{Boot: "boot-3"})
	record(s, 1)
	clock.advance(4 * time.Second)
	a3, _ := clock.read()
	clock.step(a.Wall.Add(2*time.Hour + 5*time.Second).Sub(a3.Wall))
	clock.state.Synchronised = true
	record(s, 101)
	add(693e9+7200e9, 1)
	add(693e9+7200e9+5e9, 101)
	closeStore(t, s)

	l, err := OpenRead(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	got, r := replay(t, l, Span{}, "dial A")
	diff(t, want, got)
	diff(t, []Gap{{From: 1e9, To: 91e9}, {From: 92e9, To: 692e9}, {From: 693e9, To: 7893e9}}, r.Gaps())
	fs := findings(t, l, "dial A")
	diff(t, []string{
		"restart: started after it had ended without a stop; nothing was recorded for 1m30s",
		"restart: started after it was stopped, in a new boot; nothing was recorded for 10m0s",
		"restart: started after it had ended without a stop, in a new boot; how long nothing was recorded is not known until the clock is set",
		"clock step: the wall clock was set forward by " + a.Wall.Add(2*time.Hour).Sub(time.Unix(30, 0)).Round(time.Second).String() + "; nothing had been recorded for 2h0m0s before this session",
	}, texts(fs))
	tl := r.Timeline()
	// Labels of the third boot are right from its start, though the clock showed 1970.
	if got, want := tl.At(7893e9+1).Wall, a.Wall.Add(2*time.Hour+1); !got.Equal(want) {
		t.Errorf("label %v, want %v", got, want)
	}
	first := time.Date(2024, 3, 30, 12, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		wall         time.Time
		since, until pulse.Stamp
	}{
		{first.Add(-48 * time.Hour), 0, 0},
		{first.Add(500 * time.Millisecond), 500e6, 86400.5e9}, // the clock went back by a day, and comes by again
		{a.Wall.Add(-time.Second), 0, 692e9},                  // between two sessions
		{a.Wall.Add(2*time.Hour + 2*time.Second), 0, 7895e9},  // in the last
		{a.Wall.Add(1000 * time.Hour), 3600693e9, 3600693e9},  // after the end
	} {
		if got := tl.Until(tt.wall); got != tt.until {
			t.Errorf("until %v: %d, want %d", tt.wall, got, tt.until)
		}
		if got := tl.Since(tt.wall); got != tt.since {
			t.Errorf("since %v: %d, want %d", tt.wall, got, tt.since)
		}
	}
	// Any part of it: the edges of the part, and the level at its start.
	for from := pulse.Stamp(0); from < 8000e9; from += 333e9 + 7e6 {
		for _, to := range []pulse.Stamp{from + 1, from + 20e6, from + 700e9, 0} {
			part, r := replay(t, l, Span{From: from, To: to}, "dial A")
			var edges []pulse.Edge
			level := pulse.Unknown
			end := to
			if to == 0 {
				end = tl.End() + 1
			}
			for _, e := range want {
				if e.At < from {
					level = e.Level
				} else if e.At < end {
					edges = append(edges, e)
				}
			}
			if last := tl.End(); from <= last && last < end-1 { // beyond the end nothing is known
				edges = append(edges, pulse.Edge{At: last, Level: pulse.Unknown})
			}
			if d := cmp.Diff(edges, part); d != "" {
				t.Fatalf("from %d to %d: %s", from, to, d)
			}
			if from > tl.End() {
				level = pulse.Unknown
			}
			if r.StartLevel() != level {
				t.Fatalf("from %d: level %d, want %d", from, r.StartLevel(), level)
			}
		}
	}
	sound(t, l)
}

func TestOtherSiteBeginsARun(t *testing.T) {
	clock := newClock()
	path := logPath(t)
	for i, opt := range []Options{{}, {}, {Site: "Marrow Quay yard"}, {Site: "Marrow Quay annexe"}, {Site: "Marrow Quay annexe"}} {
		s := open(t, path, clock, opt)
		s.Contact(dialA).Append(numbered(clock.mono(), uint32(100*i+1), 10))
		clock.advance(time.Minute)
		closeStore(t, s)
	}
	l, err := OpenRead(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	runs, err := l.Runs(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	sites := []string{}
	var firsts [][]uint32
	for _, r := range runs {
		sites = append(sites, r.Site)
		edges, _ := replay(t, l, Span{Run: r.ID}, "dial A")
		var seqs []uint32
		for _, e := range edges {
			if e.At%1e9 == 0 {
				seqs = append(seqs, e.Seq)
			}
		}
		firsts = append(firsts, seqs)
	}
	diff(t, []string{"Marrow Quay", "Marrow Quay yard", "Marrow Quay annexe"}, sites)
	diff(t, [][]uint32{{1, 0, 101}, {201}, {301, 0, 401}}, firsts)
	if _, err := l.Timeline(t.Context(), 9); err == nil || !strings.Contains(err.Error(), "there is no run 9") {
		t.Error(err)
	}
	if _, err := l.Replay(t.Context(), Span{}, "dial B"); err == nil || !strings.Contains(err.Error(), `contact "dial B" is not in it`) {
		t.Error(err)
	}
}

// Order is by the monotonic clock, whatever the wall clock does.
func TestClockSteps(t *testing.T) {
	clock := newClock()
	s := open(t, logPath(t), clock, Options{})
	c := s.Contact(dialA)
	begin := clock.mono()
	var want []pulse.Edge
	for i, step := range []time.Duration{0, time.Hour, -time.Hour, -55 * 365 * 24 * time.Hour, 55 * 365 * 24 * time.Hour, 5 * time.Millisecond} {
		clock.step(step)
		e := numbered(clock.mono(), uint32(i*100+1), 100)
		c.Append(e)
		s.Find(Finding{Contact: "dial A", Kind: Extra, At: Moment{Mono: e[50].At}, Text: "x"})
		want = append(want, e...)
		clock.advance(time.Second)
		mustCommit(t, s)
	}
	got, r := replay(t, s.Log, Span{}, "dial A")
	diff(t, shift(want, -begin), got)
	var kinds []FindingKind
	for _, f := range findings(t, s.Log, "") {
		kinds = append(kinds, f.Kind)
	}
	diff(t, []FindingKind{Extra, Extra, ClockStep, Extra, ClockStep, Extra, ClockStep, Extra, ClockStep, Extra}, kinds)
	// A time that came twice: from the first, to the last.
	tl := r.Timeline()
	noon := time.Date(2024, 3, 30, 12, 0, 0, 0, time.UTC)
	if from, to := tl.Since(noon.Add(500*time.Millisecond)), tl.Until(noon.Add(500*time.Millisecond)); from != 500e6 || to <= from {
		t.Errorf("from %d to %d", from, to)
	}
	if y := tl.At(4500e6).Wall.Year(); y != 1969 {
		t.Errorf("the label of a time in which the clock showed 1969 has year %d", y)
	}
	sound(t, s.Log)
}

func TestAppendRefusesTimeGoingBack(t *testing.T) {
	clock := newClock()
	s := open(t, logPath(t), clock, Options{})
	begin := clock.mono()
	s.Contact(dialA).Append([]pulse.Edge{{At: begin + 5, Seq: 1, Level: 1}, {At: begin + 4, Seq: 2}, {At: begin + 3, Seq: 3, Level: 1, Lost: 2}, {At: begin + 6, Seq: 4}, {At: begin + 6, Seq: 5, Level: 9}})
	mustCommit(t, s)
	got, _ := replay(t, s.Log, Span{}, "dial A")
	diff(t, []pulse.Edge{{At: 5, Seq: 1, Level: 1}, {At: 6, Seq: 4, Lost: 4}, {At: 6, Seq: 5, Level: pulse.Unknown}}, got)
	diff(t, []string{"dropped: 2 edges were dropped before they could be logged: their time went back"}, texts(findings(t, s.Log, "dial A")))
	if st := s.Stats(); st.DroppedEdges != 2 {
		t.Errorf("%+v", st)
	}
}

func TestRemarks(t *testing.T) {
	clock := newClock()
	path := logPath(t)
	boot, err := bootID()
	if err != nil {
		t.Fatal(err)
	}
	s, err := Open(t.Context(), path, Options{Site: "Marrow Quay", Boot: boot}) // real clock: the other side uses it too
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	_ = clock
	s.Contact(dialA)
	mustCommit(t, s)
	l, err := OpenRead(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for _, from := range []*Log{l, s.Log} { // from outside, and from inside
		id, err := from.BeginSoak(t.Context(), Soak{Contact: "dial A", Title: "after oiling", Profile: "au-s002-dial", Note: "24 h"})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := from.AddNote(t.Context(), Note{State: AsFound, Text: "idler dry"}); err != nil {
			t.Fatal(err)
		}
		if err := from.SetSoakResult(t.Context(), id, json.RawMessage(`{"pulses": 7}`)); err != nil {
			t.Fatal(err)
		}
		end, err := from.EndSoak(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		soaks, err := l.Soaks(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		k := soaks[len(soaks)-1]
		if k.End == nil || !(k.End.Run > k.Begin.Run) || k.End.Session != 1 || k.Begin.Session != 1 {
			t.Errorf("%+v", k)
		}
		diff(t, end, *k.End)
		diff(t, Soak{ID: id, Contact: "dial A", Title: "after oiling", Profile: "au-s002-dial", Note: "24 h", Begin: k.Begin, End: k.End, Result: json.RawMessage(`{"pulses": 7}`)}, k)
		_, err = from.EndSoak(t.Context(), id)
		if err == nil || !strings.Contains(err.Error(), "no soak test") {
			t.Errorf("ended twice: %v", err)
		}
		if _, err := from.AddNote(t.Context(), Note{Contact: "dial Z", Text: "?"}); err == nil || !strings.Contains(err.Error(), `contact "dial Z" is not in the log`) {
			t.Error(err)
		}
	}
	notes, err := l.Notes(t.Context(), Span{}, "dial A")
	if err != nil || len(notes) != 2 || notes[0].Text != "idler dry" || notes[0].State != AsFound || notes[0].Contact != "" {
		t.Errorf("%v %+v", err, notes)
	}
	// After the daemon, and for a time in the past.
	closeStore(t, s)
	if _, err := l.AddNote(t.Context(), Note{Text: "past", At: Moment{Wall: notes[0].At.Wall}}); err != nil {
		t.Fatal(err)
	}
	l2, err := OpenRead(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer l2.Close()
	notes, err = l2.Notes(t.Context(), Span{}, "")
	if err != nil || len(notes) != 3 {
		t.Fatalf("%v %+v", err, notes)
	}
	for _, n := range notes {
		if late := n.At.Run - notes[0].At.Run; n.Text == "past" && (late > 1e6 || late < -1e6) {
			t.Errorf("%+v", notes)
		}
	}
	sound(t, l2)
}

func TestPagesOfFindings(t *testing.T) {
	clock := newClock()
	s := open(t, logPath(t), clock, Options{})
	s.Contact(dialA)
	s.Contact(named("cam"))
	for i := range 2*pageRows + 10 {
		s.Find(Finding{Contact: []string{"dial A", "cam"}[i%2], Kind: Extra, At: Moment{Mono: clock.mono() + pulse.Stamp(i/3)}, Text: "x"})
		s.Summarise(Summary{Contact: "dial A", At: Moment{Mono: clock.mono() + pulse.Stamp(i)}, Edges: int64(i)})
	}
	mustCommit(t, s)
	if n := len(findings(t, s.Log, "")); n != 2*pageRows+10 {
		t.Errorf("%d findings", n)
	}
	if n := len(findings(t, s.Log, "cam")); n != pageRows+5 {
		t.Errorf("%d findings of the cam", n)
	}
	i := int64(0)
	for m, err := range s.Summaries(t.Context(), Span{}, "dial A") {
		if err != nil || m.Edges != i {
			t.Fatalf("%d: %v %v", i, m, err)
		}
		i++
	}
	if i != 2*pageRows+10 {
		t.Errorf("%d summaries", i)
	}
	n := 0
	for m, err := range s.Summaries(t.Context(), Span{From: 5, To: 9}, "dial A") {
		if err != nil || m.Edges < 5 || m.Edges > 8 {
			t.Fatal(m, err)
		}
		n++
	}
	if n != 4 {
		t.Errorf("%d summaries of the span", n)
	}
}

// A log that the daemon never ran on has tables only.
func TestLogWithoutSession(t *testing.T) {
	path := logPath(t)
	db, err := openWriter(path, otherWait)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := migrate(&writer{db: db}, 0); err != nil {
		t.Fatal(err)
	}
	for _, add := range []string{"", "INSERT INTO runs (site, began_wall_ns) VALUES ('Marrow Quay', 0); INSERT INTO contacts (name) VALUES ('dial A')"} {
		if _, err := db.Exec(add); err != nil {
			t.Fatal(err)
		}
		l, err := OpenRead(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		_, timeline := l.Timeline(t.Context(), 0)
		_, replay := l.Replay(t.Context(), Span{}, "dial A")
		_, note := l.AddNote(t.Context(), Note{Text: "x"})
		for what, err := range map[string]error{"timeline": timeline, "replay": replay, "note": note} {
			if !errors.Is(err, errNoSession) {
				t.Errorf("%s: %v", what, err)
			}
		}
	}
}
