package store

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"makebreak/daemon/store/edgecode"
	"makebreak/hw"
	"makebreak/pulse"
)

const killContacts = 4

// writerChild writes a log under load until it is killed. After each commit
// it tells how many edges of each contact are durable: those of all its
// sessions, whose last it asks the log for at its start.
func writerChild(path string) int {
	fail := func(err error) int {
		fmt.Fprintln(os.Stderr, "child:", err)
		return 1
	}
	s, err := Open(context.Background(), path, Options{Site: "Marrow Quay", MaxBytes: 0, KeepEdges: time.Hour})
	if err != nil {
		return fail(err)
	}
	go s.Run(context.Background())
	if err := s.Flush(); err != nil {
		return fail(err)
	}
	noise := rand.New(rand.NewPCG(uint64(os.Getpid()), 1))
	var contacts [killContacts]*Contact
	var seq [killContacts]uint32
	for i := range contacts {
		contacts[i] = s.Contact(named(fmt.Sprint("contact ", i)))
	}
	if err := s.Flush(); err != nil {
		return fail(err)
	}
	for i := range contacts {
		if seq[i], err = lastSeq(s.Log, contacts[i].name); err != nil {
			return fail(err)
		}
	}
	fmt.Println("started")
	at := hw.Monotonic()
	for {
		for i, c := range contacts {
			edges := make([]pulse.Edge, 1+noise.IntN(200))
			for j := range edges {
				at += pulse.Stamp(noise.IntN(1000))
				seq[i]++
				edges[j] = pulse.Edge{At: at, Seq: seq[i], Level: pulse.Level(seq[i] % 2)}
			}
			c.Append(edges)
		}
		s.Find(Finding{Contact: contacts[0].name, Kind: Extra, At: Moment{Mono: at}, Text: strconv.Itoa(int(seq[0]))})
		if err := s.Flush(); err != nil {
			return fail(err)
		}
		fmt.Println("committed", seq)
	}
}

func lastSeq(l *Log, contact string) (last uint32, err error) {
	blocks, err := list(context.Background(), l, scanBlock, "SELECT "+blockColumns+" FROM edge_blocks b JOIN contacts c ON c.id = b.contact WHERE c.name = ? ORDER BY b.id DESC LIMIT 1", contact)
	if err != nil || len(blocks) == 0 {
		return 0, err
	}
	edges, err := new(edgecode.Decoder).Decode(nil, blocks[0].Header, blocks[0].data)
	if err != nil {
		return 0, err
	}
	return edges[len(edges)-1].Seq, nil
}

// Killed at random moments, the log holds every edge that was committed,
// exactly once, and is sound; the next start resumes the run.
func TestKill(t *testing.T) {
	kills := 100
	if os.Getenv("MAKEBREAK_ENDURANCE") == "" {
		kills = 10
	}
	path := logPath(t)
	noise := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 1))
	var want [killContacts]uint32
	sessions, told := 0, 0
	for kill := range kills {
		cmd, out := child(t, path)
		lines := bufio.NewScanner(out)
		// One in four may die before it has begun; of the others the time counts
		// from when they write, however slow the machine is.
		delay := time.Duration(noise.IntN(250)) * time.Millisecond
		die := func() { _ = cmd.Process.Kill() }
		var timer *time.Timer
		if kill%4 == 0 {
			timer = time.AfterFunc(delay, die)
		}
		for lines.Scan() {
			list, ok := strings.CutPrefix(lines.Text(), "committed ")
			if !ok {
				sessions++
				if timer == nil {
					timer = time.AfterFunc(delay, die)
				}
				continue
			}
			told++
			for i, f := range strings.Fields(strings.Trim(list, "[]")) {
				n, err := strconv.ParseUint(f, 10, 32)
				if err != nil {
					t.Fatal(err)
				}
				want[i] = uint32(n)
			}
		}
		if timer != nil {
			timer.Stop()
		}
		if err := cmd.Wait(); err == nil || cmd.ProcessState.ExitCode() != -1 {
			t.Fatalf("kill %d: the child ended by itself: %v", kill, err)
		}
		if _, err := os.Stat(path); err != nil {
			continue // killed before the file was made
		}
		l, err := OpenRead(t.Context(), path)
		if err != nil {
			if told > 0 || !strings.Contains(err.Error(), "its format is 0") && !errors.Is(err, errNoSession) {
				t.Fatalf("kill %d: %v", kill, err)
			}
			continue
		}
		sound(t, l)
		for i := range want {
			name := fmt.Sprint("contact ", i)
			if want[i] == 0 {
				continue
			}
			got, r := replay(t, l, Span{}, name)
			next := uint32(1)
			for _, e := range got {
				if e.Level == pulse.Unknown {
					continue
				}
				if e.Seq != next || e.Lost != 0 {
					t.Fatalf("kill %d: %s: edge %d follows %d", kill, name, e.Seq, next-1)
				}
				next++
			}
			if next-1 < want[i] {
				t.Fatalf("kill %d: %s: %d edges, %d were committed", kill, name, next-1, want[i])
			}
			for _, g := range r.Gaps() {
				if g.Kind == GapDamaged {
					t.Fatalf("kill %d: %+v", kill, g)
				}
			}
			if i > 0 {
				continue
			}
			found := map[string]int{}
			for f, err := range l.Findings(t.Context(), Span{}, name) {
				if err != nil {
					t.Fatal(err)
				}
				if f.Kind == Extra {
					found[f.Text]++
				} else if f.Kind != Restart {
					t.Fatalf("kill %d: %+v", kill, f)
				}
			}
			if found[strconv.Itoa(int(want[i]))] != 1 {
				t.Fatalf("kill %d: %d findings at edge %d", kill, found[strconv.Itoa(int(want[i]))], want[i])
			}
		}
		runs, err := l.Runs(t.Context())
		if err != nil || len(runs) != 1 {
			t.Fatalf("kill %d: runs %v, %v", kill, runs, err)
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%d kills, %d of them under load, %d commits, %d edges", kills, sessions, told, want)
	if sessions < kills/4 {
		t.Errorf("only %d of %d children came to write", sessions, kills)
	}
}

// The goal is 2.9 bytes an edge, all told, for a dial at 10 pulses per second
// with 0.4 ms of jitter; the entropy of that jitter at 1 ns is 20.66 bits, or
// 2.58 bytes (½·log₂(2πe·σ²)).
func TestBytesPerEdge(t *testing.T) {
	for _, contacts := range []int{1, 4} {
		clock := newClock()
		path := logPath(t)
		s := open(t, path, clock, Options{})
		total := 0
		var all [][]pulse.Edge
		for i := range contacts {
			e := synthEdges(t, fmt.Sprint("dial digits=1234567890 rate=10 repeat=endless jitter=0.4ms seed=", i+1), 1000000)
			all = append(all, shift(e, clock.mono()))
			s.Contact(named(fmt.Sprint("dial ", i)))
			total += len(e)
		}
		// Contacts take turns, so that their blocks are interleaved as in life;
		// the open blocks are written again and again.
		for from := 0; from < 1000000; from += 5000 {
			for i := range all {
				s.Contact(named(fmt.Sprint("dial ", i))).Append(all[i][from : from+5000])
			}
			clock.advance(time.Minute)
			mustCommit(t, s)
		}
		sound(t, s.Log)
		closeStore(t, s)
		fi, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := os.Stat(path + "-wal"); err == nil {
			t.Error("the write-ahead log is still there")
		}
		perEdge := float64(fi.Size()) / float64(total)
		t.Logf("%d contacts: %d edges in %d bytes, %.3f an edge", contacts, total, fi.Size(), perEdge)
		if perEdge > 2.9 {
			t.Errorf("%d contacts: %.3f bytes an edge", contacts, perEdge)
		}
	}
}

func BenchmarkReplay(b *testing.B) {
	clock := newClock()
	s := open(b, logPath(b), clock, Options{})
	c := s.Contact(dialA)
	edges := shift(synthEdges(b, busyDial, 1000000), clock.mono())
	for i := 0; i < len(edges); i += 100000 {
		c.Append(edges[i : i+100000])
		if err := s.Flush(); err != nil {
			b.Fatal(err)
		}
	}
	buf := make([]pulse.Edge, 4096)
	b.ReportAllocs()
	for b.Loop() {
		r, err := s.Replay(b.Context(), Span{To: endless}, "dial A")
		if err != nil {
			b.Fatal(err)
		}
		n := 0
		for {
			k, err := r.ReadEdges(b.Context(), buf)
			if err != nil {
				break
			}
			n += k
		}
		if n < len(edges) {
			b.Fatal(n)
		}
	}
	b.ReportMetric(float64(b.N)*float64(len(edges))/b.Elapsed().Seconds()/1e6, "Medges/s")
}

// One second of a site: sixteen contacts at 20 pulses per second with bounce.
func BenchmarkSecond(b *testing.B) {
	clock := newClock()
	s := open(b, logPath(b), clock, Options{})
	var contacts []*Contact
	for i := range 16 {
		contacts = append(contacts, s.Contact(named(fmt.Sprint("dial ", i))))
	}
	edges := synthEdges(b, "dial rate=20 repeat=endless bounce=3:1.5ms jitter=0.4ms", 100)
	span := edges[len(edges)-1].At
	b.ReportAllocs()
	for b.Loop() {
		for _, c := range contacts {
			c.Append(shift(edges, clock.mono()))
		}
		clock.advance(time.Duration(span) + time.Millisecond)
		if err := s.Flush(); err != nil {
			b.Fatal(err)
		}
	}
}
