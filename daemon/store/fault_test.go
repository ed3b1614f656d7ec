package store

import (
	"bytes"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"makebreak/pulse"
)

// faults collects what OnFault is told.
type faults []string

func (f *faults) add(fault *Fault) {
	if fault == nil {
		*f = append(*f, "over")
		return
	}
	*f = append(*f, string(fault.Kind))
}

func TestLockedByAnother(t *testing.T) {
	clock := newClock()
	path := logPath(t)
	var told faults
	s := open(t, path, clock, Options{OnFault: told.add})
	c := s.Contact(dialA)
	begin := clock.mono()
	c.Append(numbered(begin, 1, 10))
	mustCommit(t, s)
	other, err := sql.Open("sqlite", dsn(path, "rw"))
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	tx, err := other.Begin()
	if err != nil {
		t.Fatal(err)
	}
	c.Append(numbered(begin+1e9, 11, 10))
	for range 2 {
		if err := s.Flush(); err == nil {
			t.Fatal("no error")
		}
	}
	if got, _ := replay(t, s.Log, Span{}, "dial A"); len(got) != 10 {
		t.Errorf("%d edges while locked", len(got))
	}
	if st := s.Stats(); st.PendingEdges != 10 || st.Lag < commitWait {
		t.Errorf("while locked: %+v", st)
	}
	if err := tx.Rollback(); err != nil {
		t.Fatal(err)
	}
	mustCommit(t, s)
	diff(t, faults{"locked", "over"}, told)
	got, _ := replay(t, s.Log, Span{}, "dial A")
	diff(t, append(numbered(0, 1, 10), numbered(1e9, 11, 10)...), got)
}

// A file that is removed, or replaced, under the daemon's feet.
func TestFileRemoved(t *testing.T) {
	clock := newClock()
	path := logPath(t)
	var told faults
	s := open(t, path, clock, Options{OnFault: told.add})
	c := s.Contact(dialA)
	c.Append(numbered(clock.mono(), 1, 2000))
	mustCommit(t, s)
	clock.step(time.Hour)
	mustCommit(t, s)
	for _, suffix := range []string{"", "-wal", "-shm", ".lock"} {
		if err := os.Remove(path + suffix); err != nil {
			t.Fatal(err)
		}
	}
	clock.advance(time.Minute)
	c.Append(numbered(clock.mono(), 2001, 10))
	mustCommit(t, s)
	mustCommit(t, s)
	diff(t, faults{"other"}, told)
	if st := s.Stats(); !st.Renewed || st.Fault != nil || st.WriteErrors != 0 || s.Sessions() != 2 {
		t.Errorf("%+v", st)
	}
	got, _ := replay(t, s.Log, Span{}, "dial A")
	fs := texts(findings(t, s.Log, ""))
	if len(fs) != 1 || fs[0] != "damage: the log that was written here until 2024-03-30T13:00:19.990Z is gone, and a new one begun" {
		t.Error(fs)
	}
	cfgs, err := s.Configurations(t.Context(), "")
	if err != nil || len(cfgs) != 1 || cfgs[0].Source != dialA.Source || string(cfgs[0].Settings) != string(dialA.Settings) {
		t.Errorf("%+v, %v", cfgs, err)
	}
	// The wall clock is that of now, though the session began before it was set.
	tl, err := s.Timeline(t.Context(), 0)
	if a, _ := clock.read(); err != nil || !tl.At(a.Mono-3600e9).Wall.Equal(a.Wall) {
		t.Errorf("%v, want %v, %v", tl.At(a.Mono-3600e9).Wall, a.Wall, err)
	}
	// What was in the block that was being filled comes along.
	if last := got[len(got)-1]; last.Seq != 2010 || got[len(got)-11].Seq != 2000 {
		t.Errorf("%+v", last)
	}
	sound(t, s.Log)
}

// Child processes of the tests: the test program run again.
func TestMain(m *testing.M) {
	if path := os.Getenv("STORE_TEST_WRITER"); path != "" {
		os.Exit(writerChild(path))
	}
	os.Exit(m.Run())
}

func child(t *testing.T, path string) (cmd *exec.Cmd, out io.Reader) {
	t.Helper()
	cmd = exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "STORE_TEST_WRITER="+path)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return cmd, out
}

func TestTwoDaemons(t *testing.T) {
	path := logPath(t)
	cmd, out := child(t, path)
	defer cmd.Process.Kill()
	if _, err := out.Read(make([]byte, 1)); err != nil {
		t.Fatal(err)
	}
	_, err := Open(t.Context(), path, Options{})
	var held *HeldError
	if !errors.As(err, &held) || held.PID != cmd.Process.Pid {
		t.Errorf("%v", err)
	}
	if want := fmt.Sprintf("open log %q: process %d already writes this log: stop it first, or use another log file", path, cmd.Process.Pid); err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
	l, err := OpenRead(t.Context(), path) // reading is allowed
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	// Neither another name of the file nor a lock file that is gone lets one in.
	hard := path + " too"
	if err := errors.Join(os.Link(path, hard), os.Remove(path+".lock")); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{hard, path} {
		want := fmt.Sprintf("open log %q: another program already writes this log: stop it first, or use another log file", name)
		if _, err := Open(t.Context(), name, Options{}); err == nil || err.Error() != want {
			t.Errorf("%v, want %s", err, want)
		}
	}
	if _, err := l.AddNote(t.Context(), Note{Text: "oiled"}); err == nil || !strings.Contains(err.Error(), "the file has another name (a hard link)") {
		t.Error(err)
	}
	if err := os.Remove(hard); err != nil {
		t.Fatal(err)
	}
	if _, err := l.AddNote(t.Context(), Note{Text: "oiled"}); err != nil {
		t.Error(err)
	}
	if _, err := out.Read(make([]byte, 4096)); err != nil { // it goes on
		t.Error(err)
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait() // killed
	s, err := Open(t.Context(), path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	link := filepath.Join(t.TempDir(), "link")
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{path, link} {
		if _, err := Open(t.Context(), path, Options{}); !errors.As(err, &held) || held.PID != os.Getpid() {
			t.Errorf("twice in one process, as %s: %v", path, err)
		}
	}
}

func hash(t *testing.T, path string) [32]byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return sha256.Sum256(b)
}

func TestOpenRefuses(t *testing.T) {
	exec := func(statements string) func(*testing.T, string) {
		return func(t *testing.T, path string) {
			db, err := sql.Open("sqlite", path)
			if err != nil {
				t.Fatal(err)
			}
			defer db.Close()
			if _, err := db.Exec(statements); err != nil {
				t.Fatal(err)
			}
		}
	}
	write := func(b []byte) func(*testing.T, string) {
		return func(t *testing.T, path string) {
			if err := os.WriteFile(path, b, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	newer := func(t *testing.T, path string) {
		s := open(t, path, newClock(), Options{})
		s.Contact(dialA).Append(numbered(3600e9, 1, 10))
		closeStore(t, s)
		exec(fmt.Sprintf("CREATE TABLE cams (id INTEGER PRIMARY KEY); PRAGMA user_version = %d", len(migrations())+1))(t, path)
		if err := os.Remove(path + ".lock"); err != nil {
			t.Fatal(err)
		}
	}
	for name, tt := range map[string]struct {
		make func(*testing.T, string)
		want string
	}{
		"newer":        {newer, "the log was written by a newer version of this program (format 5, expected at most 4): use that version, or another log file"},
		"text":         {write([]byte(strings.Repeat("not a database\n", 999))), "not a log: the file is not an SQLite database"},
		"short text":   {write([]byte("x")), "not a log: the file is not an SQLite database"},
		"foreign":      {exec("CREATE TABLE t (a)"), "not a log: an SQLite database of another program (application id 0x0)"},
		"foreign, WAL": {exec("PRAGMA journal_mode = WAL; PRAGMA application_id = 77; CREATE TABLE t (a)"), "not a log: an SQLite database of another program (application id 0x4d)"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "log")
			tt.make(t, path)
			before := hash(t, path)
			for _, open := range []func() error{
				func() error { _, err := Open(t.Context(), path, Options{SetAside: true}); return err },
				func() error { _, err := OpenRead(t.Context(), path); return err },
			} {
				if err := open(); err == nil || err.Error() != fmt.Sprintf("open log %q: %s", path, tt.want) {
					t.Errorf("%v\nwant %s", err, tt.want)
				}
				if hash(t, path) != before {
					t.Error("the file has changed")
				}
				files, err := os.ReadDir(filepath.Dir(path))
				if err != nil || len(files) != 1 {
					t.Errorf("%v %v", files, err)
				}
			}
		})
	}
	for name, tt := range map[string]struct {
		path, want string
	}{
		"no folder":     {filepath.Join(t.TempDir(), "a", "log"), "does not exist: make it first"},
		"not a folder":  {"/dev/null/log", "is not a folder"},
		"not a file":    {t.TempDir(), "expected a file"},
		"too small":     {"", "expected 0 or at least 8388608"},
		"no such (own)": {"/proc/log", ""},
	} {
		opt := Options{}
		if name == "too small" {
			opt.MaxBytes = 1e6
		}
		if _, err := Open(t.Context(), tt.path, opt); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := OpenRead(t.Context(), filepath.Join(t.TempDir(), "log")); err == nil || !strings.Contains(err.Error(), "there is no such file") {
		t.Error(err)
	}
}

// stopped while it was made: an empty file, and one with settings only.
func TestHalfMadeFile(t *testing.T) {
	path := logPath(t)
	if err := os.WriteFile(path, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	db, err := openWriter(path, commitWait)
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	s := open(t, path, newClock(), Options{})
	s.Contact(dialA).Append(numbered(3600e9, 1, 10))
	mustCommit(t, s)
	sound(t, s.Log)
}

func TestRetention(t *testing.T) {
	t.Run("size", func(t *testing.T) {
		clock := newClock()
		const limit = 10 << 20
		s := open(t, logPath(t), clock, Options{MaxBytes: limit})
		storm, slow := s.Contact(named("storm")), s.Contact(named("slow"))
		noise := rand.New(rand.NewPCG(1, 1))
		seq, largest := uint32(0), int64(0)
		edges := make([]pulse.Edge, 100000)
		for i := range 60 {
			at := clock.mono()
			for j := range edges {
				at += pulse.Stamp(noise.IntN(20000))
				seq++
				edges[j] = pulse.Edge{At: at, Seq: seq, Level: pulse.Level(seq % 2)}
			}
			storm.Append(edges)
			slow.Append([]pulse.Edge{{At: clock.mono(), Seq: uint32(i + 1), Level: pulse.Level(i % 2)}})
			s.Find(Finding{Contact: "storm", Kind: Extra, At: Moment{Mono: clock.mono()}, Text: "x"})
			clock.advance(2 * time.Second)
			mustCommit(t, s)
			largest = max(largest, s.Stats().Bytes)
		}
		if largest > limit {
			t.Errorf("the log grew to %d bytes: limit %d", largest, limit)
		}
		if largest < limit*6/10 {
			t.Errorf("the log had %d bytes at most: limit %d", largest, limit)
		}
		got, r := replay(t, s.Log, Span{}, "storm")
		if uint64(len(got))+s.Stats().RemovedEdges != uint64(seq) || s.Stats().RemovedEdges == 0 {
			t.Errorf("%d edges left, %d removed, of %d", len(got), s.Stats().RemovedEdges, seq)
		}
		for i, e := range got {
			if e.Seq != seq-uint32(len(got)-1-i) {
				t.Fatalf("edge %d has number %d", i, e.Seq)
			}
		}
		diff(t, []Gap{{0, got[0].At, GapRemoved, "", Loss{}, BySize}}, r.Gaps())
		if n, _ := replay(t, s.Log, Span{}, "slow"); len(n) != 60 {
			t.Errorf("%d edges of the slow contact", len(n))
		}
		if n := len(findings(t, s.Log, "")); n != 60+1 { // and what was removed
			t.Errorf("%d findings", n)
		}
		sound(t, s.Log)
	})
	t.Run("age", func(t *testing.T) {
		clock := newClock()
		s := open(t, logPath(t), clock, Options{KeepEdges: time.Hour})
		c := s.Contact(dialA)
		for i := range 30 {
			c.Append(numbered(clock.mono(), uint32(i*10000+1), 10000))
			clock.advance(10 * time.Minute)
			mustCommit(t, s)
		}
		got, _ := replay(t, s.Log, Span{}, "dial A")
		first := got[0].At
		// A block is removed when its last edge is too old: one of these is 8192 × 10 ms.
		now := pulse.Stamp(30 * 10 * time.Minute)
		if age := time.Duration(now - first); age < time.Hour-10*time.Minute || age > time.Hour+10*time.Minute {
			t.Errorf("the oldest edge is %v old", age)
		}
		// A storm makes the file large; when it is too old, the file shrinks.
		storm := make([]pulse.Edge, 2000000)
		noise := rand.New(rand.NewPCG(1, 1))
		at := clock.mono()
		for i := range storm {
			at += pulse.Stamp(noise.IntN(1e6))
			storm[i] = pulse.Edge{At: at, Level: pulse.Level(i % 2)}
		}
		s.Contact(named("storm")).Append(storm)
		mustCommit(t, s)
		large, _, err := s.pages()
		if err != nil {
			t.Fatal(err)
		}
		for range 200 {
			clock.advance(time.Minute)
			mustCommit(t, s)
		}
		all, free, err := s.pages()
		if err != nil || large < 800 || all > large/2 || free > sparePages+pruneStep {
			t.Errorf("%d pages, then %d, %d free, %v", large, all, free, err)
		}
		sound(t, s.Log)
	})
}

// damagedLog makes a log of several blocks and gives the page of each.
func damagedLog(t *testing.T) (path string, edges []pulse.Edge) {
	t.Helper()
	path = logPath(t)
	clock := newClock()
	s := open(t, path, clock, Options{})
	edges = synthEdges(t, "dial repeat=endless jitter=0.4ms seed=9", 30000)
	s.Contact(dialA).Append(shift(edges, clock.mono()))
	s.Contact(named("other")).Append(shift(edges[:5000], clock.mono()))
	clock.advance(time.Hour)
	mustCommit(t, s)
	closeStore(t, s)
	return path, edges
}

// pageOf finds the page that has a block's bytes.
func pageOf(t *testing.T, path string, id int64) (file []byte, at int) {
	t.Helper()
	l, err := OpenRead(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	blocks, err := list(t.Context(), l, scanBlock, "SELECT "+blockColumns+" FROM edge_blocks b WHERE id = ?", id)
	if err != nil || len(blocks) != 1 {
		t.Fatal(err)
	}
	if file, err = os.ReadFile(path); err != nil {
		t.Fatal(err)
	}
	i := bytes.Index(file, blocks[0].data)
	if i < 0 || i/pageSize != (i+len(blocks[0].data)-1)/pageSize {
		t.Fatalf("block %d is not in one page", id)
	}
	return file, i / pageSize * pageSize
}

func TestDamagedBlocks(t *testing.T) {
	for name, spoil := range map[string]func(page []byte){
		"bit":           func(p []byte) { p[2000] ^= 4 },
		"zeroed page":   func(p []byte) { clear(p) },
		"half the page": func(p []byte) { clear(p[:pageSize/2]) },
	} {
		for _, number := range []int64{1, 7, 8} { // the first; two in a row
			t.Run(fmt.Sprintf("%s of block %d", name, number), func(t *testing.T) {
				path, edges := damagedLog(t)
				file, at := pageOf(t, path, 1<<32|number)
				spoil(file[at : at+pageSize])
				if number == 8 {
					_, at := pageOf(t, path, 1<<32|7)
					spoil(file[at : at+pageSize])
				}
				if err := os.WriteFile(path, file, 0o644); err != nil {
					t.Fatal(err)
				}
				l, err := OpenRead(t.Context(), path)
				if err != nil {
					t.Fatal(err)
				}
				defer l.Close()
				got, r := replay(t, l, Span{}, "dial A")
				gaps := r.Gaps()
				if len(gaps) != 1 || gaps[0].Kind != GapDamaged || !strings.Contains(gaps[0].Damage, "damaged") {
					t.Fatalf("gaps %+v", gaps)
				}
				g := gaps[0]
				// Exactly the edges outside of the gap, and an Unknown at its start.
				var want []pulse.Edge
				told := false
				for _, e := range edges {
					if e.At > g.From && e.At < g.To || number == 1 && e.At < g.To {
						continue
					}
					if e.At >= g.To && !told {
						told = true
						want = append(want, pulse.Edge{At: g.From, Level: pulse.Unknown})
					}
					want = append(want, e)
				}
				diff(t, want, got)
				if missing := len(edges) + 1 - len(got); missing < 1000 || missing > 1700*(1+int(number/8)) {
					t.Errorf("%d edges are missing", missing)
				}
				if other, r := replay(t, l, Span{}, "other"); len(other) != 5000 || len(r.Gaps()) != 0 {
					t.Errorf("the other contact: %d edges, %v", len(other), r.Gaps())
				}
				flaws, err := l.Check(t.Context())
				if err != nil || len(flaws) == 0 {
					t.Errorf("check found %v, %v", flaws, err)
				}
			})
		}
	}
}

// The end of the file is missing: that is refused, or told; with SetAside the
// old file is kept and a new one begun.
func TestCutFile(t *testing.T) {
	whole, _ := damagedLog(t)
	file, err := os.ReadFile(whole)
	if err != nil {
		t.Fatal(err)
	}
	mark, err := os.ReadFile(whole + ".lock")
	if err != nil {
		t.Fatal(err)
	}
	refused := 0
	for size := len(file) - 300; size >= 0; size -= 7 * pageSize / 2 {
		cut := func() (string, *handClock) {
			path := logPath(t)
			for name, b := range map[string][]byte{path: file[:size], path + ".lock": mark} {
				if err := os.WriteFile(name, b, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			clock := newClock()
			clock.advance(2 * time.Hour)
			return path, clock
		}
		path, clock := cut()
		s, err := Open(t.Context(), path, Options{Clock: clock.read, Site: "Marrow Quay", Boot: "boot-1"})
		if err != nil {
			var d *DamageError
			if !errors.As(err, &d) || !strings.Contains(err.Error(), "the log is damaged") {
				t.Fatalf("cut to %d bytes: %v", size, err)
			}
			refused++
		} else {
			mustCommit(t, s)
			told := false
			for _, f := range findings(t, s.Log, "") {
				told = told || f.Kind == Damage
			}
			if !told {
				t.Errorf("cut to %d bytes: damage is not told", size)
			}
			closeStore(t, s)
			continue
		}
		path, clock = cut()
		var said string
		s = open(t, path, clock, Options{SetAside: true, OnFault: func(f *Fault) { said += f.Error() }})
		s.Contact(dialA).Append(numbered(clock.mono(), 1, 10))
		mustCommit(t, s)
		got, _ := replay(t, s.Log, Span{}, "dial A")
		diff(t, numbered(0, 1, 10), got)
		aside, err := filepath.Glob(filepath.Join(filepath.Dir(path), "*.damaged-*"))
		if err != nil || len(aside) != 1 || hash(t, aside[0]) != sha256.Sum256(file[:size]) {
			t.Errorf("%v %v", aside, err)
		} else if name := filepath.Base(aside[0]); s.Stats().SetAside != name || strings.Contains(said, "move it") || strings.Count(said, "it is kept as "+name+" and a new one was begun") != 1 {
			t.Errorf("told %q", said)
		}
		fs := texts(findings(t, s.Log, ""))
		if len(fs) != 1 || len(aside) == 1 && !strings.Contains(fs[0], "damage: the log was damaged; it was renamed to "+filepath.Base(aside[0])) {
			t.Errorf("cut to %d bytes: %v", size, fs)
		}
		sound(t, s.Log)
	}
	if refused < 5 {
		t.Errorf("%d cuts were refused", refused)
	}
}

// A commit meets damage that the start did not: without SetAside that is a
// fault that lasts, with it a new log is begun and nothing in memory is lost.
func TestCommitMeetsDamage(t *testing.T) {
	for _, aside := range []bool{false, true} {
		path, _ := damagedLog(t)
		db, err := sql.Open("sqlite", dsn(path, "ro"))
		if err != nil {
			t.Fatal(err)
		}
		var root int
		if err := db.QueryRow("SELECT rootpage FROM sqlite_schema WHERE name = 'findings'").Scan(&root); err != nil {
			t.Fatal(err)
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
		file, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		clear(file[(root-1)*pageSize : root*pageSize])
		if err := os.WriteFile(path, file, 0o644); err != nil {
			t.Fatal(err)
		}
		clock := newClock()
		clock.advance(2 * time.Hour)
		var told faults
		var latest string
		s := open(t, path, clock, Options{SetAside: aside, OnFault: func(f *Fault) {
			told.add(f)
			if f != nil {
				latest = f.Error()
			}
		}})
		s.Contact(dialA).Append(numbered(clock.mono(), 1, 10))
		if err := s.Flush(); err == nil {
			t.Fatal("no error")
		}
		diff(t, faults{"damaged"}, told)
		err = s.Flush()
		if !aside {
			if err == nil || s.Stats().PendingEdges != 10 {
				t.Errorf("%v, %+v", err, s.Stats())
			}
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		mustCommit(t, s)
		diff(t, faults{"damaged", "damaged", "over"}, told)
		name := s.Stats().SetAside
		if _, err := os.Stat(filepath.Join(filepath.Dir(path), name)); err != nil || !strings.Contains(name, ".damaged-") {
			t.Errorf("set aside as %q: %v", name, err)
		}
		diff(t, "the log is damaged (database disk image is malformed (11)): it is kept as "+name+
			" and a new one was begun; what was logged before, and soak tests that were going on, are in the old one", latest)
		got, _ := replay(t, s.Log, Span{}, "dial A")
		diff(t, numbered(0, 1, 10), got)
		fs := texts(findings(t, s.Log, ""))
		if len(fs) != 3 || !slices.ContainsFunc(fs, func(f string) bool { return strings.HasPrefix(f, "damage: the log was damaged; it was renamed to") }) {
			t.Error(fs)
		}
		sound(t, s.Log)
	}
}

// Each connection of the writer has the settings that durability, integrity
// and the bound of the write-ahead log rest on; readers cannot write.
func TestSettings(t *testing.T) {
	s := open(t, logPath(t), newClock(), Options{})
	for pragma, want := range map[string]string{
		"journal_mode": "wal", "synchronous": "2", "foreign_keys": "1", "auto_vacuum": "2", "page_size": "4096", "busy_timeout": "500",
		"wal_autocheckpoint": "512", "journal_size_limit": "4194304", "application_id": "1298874987", "user_version": "4"} {
		var got string
		if err := s.w.db.QueryRow("PRAGMA " + pragma).Scan(&got); err != nil || got != want {
			t.Errorf("%s is %s, %v, want %s", pragma, got, err, want)
		}
	}
	if _, err := list(t.Context(), s.Log, scanInt, "DELETE FROM sessions RETURNING id"); err == nil || !strings.Contains(err.Error(), "readonly") {
		t.Errorf("a reader wrote: %v", err)
	}
}

// copyLog copies a log as a power cut would leave it.
func copyLog(t *testing.T, from string) string {
	t.Helper()
	to := logPath(t)
	for _, suffix := range []string{"", "-wal", ".lock"} {
		b, err := os.ReadFile(from + suffix)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to+suffix, b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return to
}

// The write-ahead log is cut or corrupted: what was committed before is there,
// and what is missing is said to be.
func TestDamagedWAL(t *testing.T) {
	clock := newClock()
	path := logPath(t)
	s := open(t, path, clock, Options{})
	c := s.Contact(dialA)
	const commits, each = 40, 100
	for i := range commits {
		c.Append(numbered(clock.mono(), uint32(i*each+1), each))
		clock.advance(time.Second)
		mustCommit(t, s)
	}
	noise := rand.New(rand.NewPCG(7, 7))
	for i := range 60 {
		to := copyLog(t, path)
		wal, err := os.ReadFile(to + "-wal")
		if err != nil {
			t.Fatal(err)
		}
		switch at := noise.IntN(len(wal)); {
		case i == 0: // unharmed
		case i%2 == 0:
			wal = wal[:at]
		default:
			for j := range min(50, len(wal)-at) {
				wal[at+j] ^= byte(noise.IntN(256))
			}
		}
		if err := os.WriteFile(to+"-wal", wal, 0o644); err != nil {
			t.Fatal(err)
		}
		later := newClock()
		later.advance(time.Hour)
		var again *Store
		again, err = Open(t.Context(), to, Options{Clock: later.read, Boot: "boot-1", Site: "Marrow Quay"})
		if err != nil {
			t.Fatal(err)
		}
		mustCommit(t, again)
		var fs []string
		for _, f := range texts(findings(t, again.Log, "")) {
			if strings.HasPrefix(f, "damage") {
				fs = append(fs, f)
			}
		}
		names, err := again.Contacts(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		if len(names) > 0 {
			got, _ := replay(t, again.Log, Span{}, "dial A")
			if n = len(got); n > 0 && got[n-1].Level == pulse.Unknown {
				n--
			}
			diff(t, numbered(0, 1, n), append([]pulse.Edge{}, got[:n]...))
		}
		lost := commits - n/each
		var want []string
		if lost > 0 {
			want = []string{fmt.Sprintf("damage: the end of the log is missing: %d commits until 2024-03-30T12:00:40.000Z are lost", lost)}
		}
		tl, err := again.Timeline(t.Context(), 0)
		if err != nil {
			t.Fatal(err)
		}
		if len(tl.Sessions) == 1 {
			want = []string{"damage: the log that was written here until 2024-03-30T12:00:40.000Z is gone, and a new one begun"}
		}
		diff(t, want, fs)
		sound(t, again.Log)
		closeStore(t, again)
	}
}

// SQLite's documentation of URI filenames gives file:///C:/… for a drive.
func TestNameOfDrive(t *testing.T) {
	for path, want := range map[string]string{
		"C:/Marrow Quay/log.db": "file:///C:/Marrow%20Quay/log.db?",
		"/srv/Marrow Quay/log":  "file:///srv/Marrow%20Quay/log?",
	} {
		if got := dsn(path, "ro"); !strings.HasPrefix(got, want) {
			t.Errorf("%s: %s, want %s…", path, got, want)
		}
	}
}
