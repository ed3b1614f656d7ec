package store

import (
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"

	"makebreak/pulse"
)

// storm makes edges that take some 2 bytes each.
func storm(from pulse.Stamp, n int, seed uint64) []pulse.Edge {
	noise := rand.New(rand.NewPCG(seed, 1))
	edges := make([]pulse.Edge, n)
	for i := range edges {
		from += pulse.Stamp(noise.IntN(30000))
		edges[i] = pulse.Edge{At: from, Level: pulse.Level(i & 1)}
	}
	return edges
}

// leafOf finds the first leaf of a table or index.
func leafOf(t *testing.T, path, name string) (file []byte, at int) {
	t.Helper()
	l, err := OpenRead(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	roots, err := list(t.Context(), l, scanInt, "SELECT rootpage FROM sqlite_schema WHERE name = ?", name)
	if err != nil || len(roots) != 1 {
		t.Fatal(roots, err)
	}
	if file, err = os.ReadFile(path); err != nil {
		t.Fatal(err)
	}
	for at = int(roots[0]-1) * pageSize; file[at] == 2 || file[at] == 5; { // interior pages, https://sqlite.org/fileformat2.html
		cell := int(file[at+12])<<8 | int(file[at+13])
		child := file[at+cell : at+cell+4]
		at = (int(child[0])<<24 | int(child[1])<<16 | int(child[2])<<8 | int(child[3]) - 1) * pageSize
	}
	return file, at
}

// Damage in the oldest part does not end retention: it goes past, tells it
// once, and the log keeps to its limits.
func TestRetentionMeetsDamage(t *testing.T) {
	if os.Getenv("MAKEBREAK_ENDURANCE") == "" {
		t.Skip("writes millions of edges: MAKEBREAK_ENDURANCE=1 runs it")
	}
	for name, tt := range map[string]struct {
		spoil    func(t *testing.T, path string) []byte
		from, to int // blocks that may be stuck
	}{
		"zeroed page": {func(t *testing.T, path string) []byte {
			file, at := pageOf(t, path, 1<<32|2)
			clear(file[at : at+pageSize])
			return file
		}, 1, 3},
		"garbage": {func(t *testing.T, path string) []byte {
			file, at := pageOf(t, path, 1<<32|1)
			for i := range 100 {
				file[at+i] = byte(i * 77)
			}
			return file
		}, 1, 2},
		"first page of the index": {func(t *testing.T, path string) []byte {
			file, at := leafOf(t, path, "edge_block_times")
			clear(file[at : at+pageSize])
			return file
		}, 1, 200},
	} {
		for _, opt := range []Options{{MaxBytes: 10e6}, {KeepEdges: time.Hour}} {
			t.Run(name+" "+opt.KeepEdges.String(), func(t *testing.T) {
				path := logPath(t)
				clock := newClock()
				s := open(t, path, clock, Options{})
				for i, until := range []time.Duration{2 * time.Hour, time.Minute} {
					s.Contact(dialA).Append(storm(clock.mono(), 800000, uint64(i)))
					clock.advance(until)
					mustCommit(t, s)
				}
				closeStore(t, s)
				if err := os.WriteFile(path, tt.spoil(t, path), 0o644); err != nil {
					t.Fatal(err)
				}
				var told faults
				opt.OnFault, opt.SetAside = told.add, true
				s = open(t, path, clock, opt)
				c := s.Contact(dialA)
				largest := int64(0)
				var last []pulse.Edge
				for i := range 120 {
					last = storm(clock.mono(), 50000, uint64(i))
					c.Append(last)
					clock.advance(2 * time.Minute)
					mustCommit(t, s)
					largest = max(largest, s.Stats().Bytes)
				}
				st := s.Stats()
				if largest > 10e6 {
					t.Errorf("the log grew to %d bytes", largest)
				}
				if st.RemovedEdges < 1e6 || st.StuckBlocks < uint64(tt.from) || st.StuckBlocks > uint64(tt.to) || st.SetAside != "" {
					t.Errorf("%+v", st)
				}
				if st.Fault == nil || st.Fault.Kind != Damaged || !st.Fault.Writable || st.WriteErrors != 0 ||
					!strings.Contains(st.Fault.Error(), strconv.Itoa(int(st.StuckBlocks))+" blocks of old edges cannot be removed") {
					t.Errorf("%+v", st.Fault)
				}
				diff(t, faults{"damaged"}, told)
				fs := slices.DeleteFunc(texts(findings(t, s.Log, "")), func(f string) bool { return !strings.HasPrefix(f, "damage") })
				if len(fs) != 1 || !strings.HasPrefix(fs[0], "damage: old edges of dial A are damaged and stay in the log") {
					t.Error(fs)
				}
				got, _ := replay(t, s.Log, Span{From: clock.mono() - 3600e9 - 600e9}, "dial A")
				if len(got) < len(last) || got[len(got)-1].Level != last[len(last)-1].Level {
					t.Fatalf("%d edges", len(got))
				}
				diff(t, shift(last, -3600e9), got[len(got)-len(last):])
			})
		}
	}
}

// The latest block of a contact stays, however old it is.
func TestLatestBlockStays(t *testing.T) {
	clock := newClock()
	s := open(t, logPath(t), clock, Options{KeepEdges: time.Hour, MaxBytes: 10e6})
	quiet, loud := s.Contact(named("quiet")), s.Contact(named("loud"))
	quiet.Append(numbered(clock.mono(), 1, 9000))
	for i := range 120 {
		loud.Append(storm(clock.mono(), 50000, uint64(i)))
		clock.advance(10 * time.Minute)
		mustCommit(t, s)
	}
	got, _ := replay(t, s.Log, Span{}, "quiet")
	if n := len(got); n < 10 || n >= 9000 || got[n-1].Seq != 9000 {
		t.Errorf("%d edges of the quiet contact", n)
	}
	clock.advance(100 * time.Hour)
	for range 20 {
		clock.advance(time.Minute)
		mustCommit(t, s)
	}
	if got, _ := replay(t, s.Log, Span{}, "loud"); len(got) < 100 || s.Stats().Fault != nil {
		t.Errorf("%d edges of the loud contact, %v", len(got), s.Stats().Fault)
	}
	sound(t, s.Log)
}

func summaryAt(contact string, at pulse.Stamp, i int64) Summary {
	return Summary{Contact: contact, At: Moment{Mono: at}, LengthNS: 60e9, Edges: 1200 + i%7, Lost: i % 3, Pulses: 600, Missing: i % 2, Extra: i % 5,
		Chatter: 1, Bounced: 300, OutOfLimit: i % 11,
		Period:         TimeStats{N: 500, SumNS: 500 * (100e6 + i), Squares: 1.2345e12, MinNS: 99e6 - i, MaxNS: 101e6 + i},
		Break:          TimeStats{N: 600, SumNS: 600 * 66e6, Squares: 1.23e12, MinNS: 65e6, MaxNS: 67e6},
		PeriodBreaksNS: 500 * 66e6, BounceMaxNS: pulse.Known(float64(1e6 + i)), InterdigitNS: pulse.Known(float64(6e8 - i))}
}

// Statistics merged are those of all values, by gonum.
func TestTimeStatsMerge(t *testing.T) {
	noise := rand.New(rand.NewPCG(3, 3))
	var sum TimeStats
	var all []float64
	for _, n := range []int{0, 1, 7, 0, 500, 2} {
		var part TimeStats
		var values []float64
		for range n {
			v := int64(1e8) + int64(len(all))*1e5 + noise.Int64N(1e6)
			values = append(values, float64(v))
			part.SumNS += v
		}
		if n > 0 {
			part.N, part.MinNS, part.MaxNS = int64(n), int64(slices.Min(values)), int64(slices.Max(values))
			part.Squares = stat.MomentAbout(2, values, stat.Mean(values, nil), nil) * float64(n)
		}
		sum.Merge(part)
		if all = append(all, values...); len(all) == 0 {
			continue
		}
		want := stat.MomentAbout(2, all, stat.Mean(all, nil), nil) * float64(len(all))
		if math.Abs(sum.Squares-want) > 1e-9*want || sum.N != int64(len(all)) || sum.SumNS != int64(floats.Sum(all)) ||
			sum.MinNS != int64(slices.Min(all)) || sum.MaxNS != int64(slices.Max(all)) {
			t.Errorf("after %d values: %+v, want squares %v", len(all), sum, want)
		}
	}
}

// Summaries that would fill the log are put together, oldest first, without
// loss of a count; edges are kept as before.
func TestSummariesFold(t *testing.T) {
	if os.Getenv("MAKEBREAK_ENDURANCE") == "" {
		t.Skip("writes millions of edges: MAKEBREAK_ENDURANCE=1 runs it")
	}
	for _, damaged := range []bool{false, true} {
		path := logPath(t)
		clock := newClock()
		const limit = 10e6
		s := open(t, path, clock, Options{MaxBytes: limit})
		names := []string{"a", "b", "c", "d"}
		var want [4]Summary
		largest, i := int64(0), int64(0)
		for round := range 40 {
			if round == 10 && damaged {
				closeStore(t, s)
				file, at := leafOf(t, path, "summaries")
				clear(file[at : at+pageSize])
				if err := os.WriteFile(path, file, 0o644); err != nil {
					t.Fatal(err)
				}
				s = open(t, path, clock, Options{MaxBytes: limit})
			}
			for range 500 {
				at := clock.advance(time.Minute)
				for k, name := range names {
					s.Contact(named(name)).Append([]pulse.Edge{{At: at, Level: pulse.Low}, {At: at + 6e7, Level: pulse.High}})
					m := summaryAt(name, at, i)
					s.Summarise(m)
					want[k].add(&m)
					i++
				}
			}
			s.Contact(named("e")).Append(storm(clock.mono(), 100000, uint64(round)))
			mustCommit(t, s)
			largest = max(largest, s.Stats().Bytes)
		}
		st := s.Stats()
		if largest > limit {
			t.Errorf("the log grew to %d bytes", largest)
		}
		if st.RolledUpRows < 40000 {
			t.Errorf("%+v", st)
		}
		if edges, _ := replay(t, s.Log, Span{}, "e"); len(edges) < 800000 {
			t.Errorf("%d edges are left", len(edges))
		}
		if damaged {
			fs := slices.DeleteFunc(texts(findings(t, s.Log, "")), func(f string) bool { return !strings.HasPrefix(f, "damage") })
			if len(fs) != 1 || !strings.HasPrefix(fs[0], "damage: old summaries of a are damaged and stay in the log") {
				t.Error(fs)
			}
			continue
		}
		if st.Fault != nil {
			t.Error(st.Fault)
		}
		tl, err := s.Timeline(t.Context(), 0)
		if err != nil {
			t.Fatal(err)
		}
		for k, name := range names {
			var sum Summary
			rows, minutes := 0, 0
			var last Summary
			for m, err := range s.Summaries(t.Context(), Span{}, name) {
				if err != nil {
					t.Fatal(err)
				}
				if m.At.Wall != tl.At(m.At.Run).Wall || m.At.Run <= last.At.Run {
					t.Fatalf("%+v after %+v", m.At, last.At)
				}
				if m.LengthNS == 60e9 {
					minutes++
				} else if minutes > 1 { // the first may be alone in its hour
					t.Fatalf("%v after minutes", time.Duration(m.LengthNS))
				}
				rows++
				sum.add(&m)
				last = m
			}
			if rows > 8000 || minutes < 60 || last.LengthNS != 60e9 {
				t.Errorf("%d rows, %d of them minutes", rows, minutes)
			}
			for _, s := range []*Summary{&sum, &want[k]} {
				s.Period.Squares, s.Break.Squares = math.Round(s.Period.Squares/1e9), math.Round(s.Break.Squares/1e9)
			}
			diff(t, want[k], sum)
		}
		sound(t, s.Log)
	}
}

// An hour that is not over is not rolled up: its summaries may yet be replaced.
func TestRollUpLeavesTheLatestHour(t *testing.T) {
	clock := newClock()
	s := open(t, logPath(t), clock, Options{})
	rollUp := func(want ...int64) {
		t.Helper()
		mustCommit(t, s)
		if err := s.w.tx(func(w *writer) error { _, err := s.rollUp(w); return err }); err != nil {
			t.Fatal(err)
		}
		var minutes []int64
		for m, err := range s.Summaries(t.Context(), Span{}, "a") {
			if err != nil {
				t.Fatal(err)
			}
			minutes = append(minutes, m.LengthNS/60e9)
		}
		diff(t, want, minutes)
	}
	for i := range int64(3) {
		s.Summarise(summaryAt("a", clock.advance(10*time.Minute), i))
	}
	rollUp(1, 1, 1)
	s.Summarise(summaryAt("a", clock.mono(), 7))
	rollUp(1, 1, 1)
	for i := range int64(2) {
		s.Summarise(summaryAt("a", clock.advance(25*time.Minute), i))
	}
	rollUp(4, 1)
	clock.reboot(time.Date(2024, 3, 31, 0, 0, 0, 0, time.UTC), true)
	closeStore(t, s)
	s = open(t, s.Path(), clock, Options{Boot: "boot-2"})
	s.Summarise(summaryAt("a", clock.advance(70*time.Minute), 1))
	rollUp(5, 1) // hours of the other boot became its day
}

// Hours become days when there are no more minutes to put together, and what
// is left to do is told as a fault when findings alone fill the log.
func TestNothingLeftToRemove(t *testing.T) {
	clock := newClock()
	var told faults
	s := open(t, logPath(t), clock, Options{MaxBytes: minMaxBytes, OnFault: told.add})
	s.Contact(dialA).Append(storm(clock.mono(), 200000, 1))
	for i := range int64(3000) {
		s.Summarise(summaryAt("dial A", clock.advance(time.Minute), i))
	}
	mustCommit(t, s)
	text := strings.Repeat("x", 400)
	for range 12 {
		for range 1000 {
			s.Find(Finding{Kind: Extra, At: Moment{Mono: clock.mono()}, Text: text})
		}
		clock.advance(time.Second)
		mustCommit(t, s)
	}
	n := 0
	for _, err := range s.Summaries(t.Context(), Span{}, "dial A") {
		if err != nil {
			t.Fatal(err)
		}
		n++
	}
	if n != 2+3+1 { // the boot was an hour before: two days, the hours since then, the latest minute
		t.Errorf("%d summaries of 50 hours", n)
	}
	st := s.Stats()
	diff(t, faults{"over limit"}, told)
	if st.Fault == nil || !strings.Contains(st.Fault.Error(), "the log is at its limit of 8.4 MB, and all edges but the newest have made room for what is kept for good") {
		t.Errorf("%+v", st.Fault)
	}
	if len(findings(t, s.Log, "")) != 12000+1 { // and what was removed
		t.Error("findings are missing")
	}
}

// A reader that keeps a transaction open makes the write-ahead log grow: that
// is told, and no edge is removed for nothing.
func TestReaderHoldsLog(t *testing.T) {
	clock := newClock()
	path := logPath(t)
	const limit = 10e6
	var told faults
	s := open(t, path, clock, Options{MaxBytes: limit, OnFault: told.add})
	c := s.Contact(dialA)
	mustCommit(t, s)
	db, err := openReader(path, false)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	tx, err := db.Begin()
	if err != nil {
		t.Fatal(err)
	}
	var n int
	if err := tx.QueryRow("SELECT count(*) FROM contacts").Scan(&n); err != nil {
		t.Fatal(err)
	}
	for i := range 200 {
		c.Append(storm(clock.mono(), 50000, uint64(i)))
		clock.advance(time.Second)
		mustCommit(t, s)
	}
	st := s.Stats()
	if st.RemovedEdges != 0 || st.Bytes <= limit || st.Fault == nil || st.Fault.Kind != OverLimit ||
		!strings.Contains(st.Fault.Error(), "over its limit of 10.0 MB, and cannot be made smaller while another program goes on reading it") {
		t.Errorf("while held: %+v, %v", st, st.Fault)
	}
	diff(t, faults{"over limit"}, told)
	if err := tx.Rollback(); err != nil {
		t.Fatal(err)
	}
	for range 60 {
		clock.advance(20 * time.Second)
		mustCommit(t, s)
	}
	st = s.Stats()
	if st.RemovedEdges == 0 || st.Bytes > limit || st.Fault != nil {
		t.Errorf("after: %+v, %v", st, st.Fault)
	}
	diff(t, faults{"over limit", "over"}, told)
	sound(t, s.Log)
}

// What a bad disk has kept back goes into a log at its limit in parts, and room
// is made for each. A crash between two of them leaves no false knowledge.
func TestBacklog(t *testing.T) {
	if os.Getenv("MAKEBREAK_ENDURANCE") == "" {
		t.Skip("writes millions of edges: MAKEBREAK_ENDURANCE=1 runs it")
	}
	clock := newClock()
	path := logPath(t)
	const limit = 10e6
	s := open(t, path, clock, Options{MaxBytes: limit})
	c, quiet := s.Contact(dialA), s.Contact(named("quiet"))
	var backlog []pulse.Edge
	for i := range 20 {
		edges := storm(clock.mono(), 50000, uint64(i))
		if i == 19 {
			backlog = storm(clock.mono(), 3000000, 99)
			edges = backlog
			for range 5000 {
				s.Find(Finding{Kind: Extra, At: Moment{Mono: clock.mono()}, Text: "x"})
			}
		}
		c.Append(edges)
		clock.advance(20 * time.Minute)
		quiet.Append(numbered(clock.mono(), uint32(i), 1))
		if i < 19 {
			mustCommit(t, s)
		}
	}
	pending, begun := waiting(c), backlog[0].At
	if pending < 1e6 {
		t.Fatalf("%d edges wait", pending)
	}
	parts, before := 0, s.Stats()
	for more := true; more; parts++ {
		var err error
		if more, err = s.commitSome(true); err != nil {
			t.Fatal(err)
		}
		if n := logBytes(path); n > limit {
			t.Errorf("%d bytes after part %d", n, parts)
		}
		lag := s.Stats().Lag
		if _, _, since := c.stats(); since.IsZero() != (waiting(c) == 0) {
			t.Errorf("part %d: %d edges wait since %v", parts, waiting(c), since)
		}
		tl, err := s.Timeline(t.Context(), 0)
		if err != nil {
			t.Fatal(err)
		}
		if tl.Sessions[0].Ended == more {
			t.Errorf("part %d: ended in good order: %v", parts, !more)
		}
		_, alive := replay(t, s.Log, Span{To: endless}, "dial A")
		if more && (lag == 0 || tl.End() >= clock.mono()-3600e9 || alive.last < tl.End()) {
			t.Fatalf("lag %v, the log says that it knows all until %v, and the latest edge is at %v", lag, tl.End(), alive.last)
		}
		s.prune()
	}
	if n := parts; n < 5 {
		t.Errorf("%d parts", n)
	}
	st := s.Stats()
	if st.PendingEdges != 0 || st.Lag != 0 || st.Bytes > limit || st.Commits-before.Commits != uint64(parts) || st.Fault != nil {
		t.Errorf("%+v", st)
	}
	got, r := replay(t, s.Log, Span{}, "dial A")
	dropped := int(dropped(c))
	if kept := len(backlog) - dropped; len(got) > kept {
		got = got[len(got)-kept:]
	}
	diff(t, shift(backlog[len(backlog)-dropped-len(got):len(backlog)-dropped], -3600e9), got)
	if tl := r.Timeline(); tl.End() != clock.mono()-3600e9 || begun >= clock.mono() {
		t.Errorf("the log ends at %v", tl.End())
	}
	if n := len(findings(t, s.Log, "")); n != 5002 { // and the dropped edges, and the removed ones
		t.Errorf("%d findings", n)
	}
	sound(t, s.Log)
}
