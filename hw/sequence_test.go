package hw

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"

	"makebreak/pulse"
)

// Recordings of several contacts here are invented: what each edge's number is
// and which edges are lost is known as they are made.

// A wiredRow is an edge of one of several contacts, with both its numbers.
type wiredRow struct {
	contact   string
	at        int64
	level     pulse.Level
	own, file uint32
	lost      bool
}

// wired makes n edges of contacts that move at random times, numbered from
// first on, with a loss of up to run edges every so many rows.
func wired(seed uint64, contacts []string, n int, first uint32, every, run int) (rows []wiredRow) {
	r := rand.New(rand.NewPCG(seed, 7))
	level, own := map[string]pulse.Level{}, map[string]uint32{}
	at, left := int64(0), 0
	for i, c := range contacts {
		own[c] = first + uint32(1000*i) // watched since other times
	}
	seen := map[string]bool{}
	for i := range n {
		c := contacts[r.IntN(len(contacts))]
		at += 1 + r.Int64N(50e6)
		level[c] ^= 1
		if every > 0 && left == 0 && seen[c] && r.IntN(every) == 0 {
			left = 1 + r.IntN(run)
		}
		lost := left > 0 && i < n-1
		if lost {
			left--
		}
		seen[c] = seen[c] || !lost
		rows = append(rows, wiredRow{c, at, level[c], own[c], first + uint32(i), lost})
		own[c]++
	}
	return rows
}

// wiredCSV writes the rows that are not lost.
func wiredCSV(rows []wiredRow, seq func(wiredRow) uint32) string {
	var b strings.Builder
	b.WriteString("# Marrow Quay (invented)\ntime_ns,level,contact,seq\n")
	for _, r := range rows {
		if !r.lost {
			fmt.Fprintf(&b, "%d,%d,%s,%d\n", r.at, r.level, r.contact, seq(r))
		}
	}
	return b.String()
}

func ownSeq(r wiredRow) uint32  { return r.own }
func fileSeq(r wiredRow) uint32 { return r.file }

// readSequence reads a contact, whole and byte by byte.
func readSequence(t *testing.T, in, contact string) ([]pulse.Edge, string) {
	t.Helper()
	edges, r, err := readAll(strings.NewReader(in), 100, RecordingOptions{Name: "edges.csv", Contact: contact})
	if err != nil {
		t.Fatal(err)
	}
	if len(in) < 100e3 {
		again, s, err := readAll(iotest.OneByteReader(strings.NewReader(in)), 3, RecordingOptions{Name: "edges.csv", Contact: contact})
		if d := cmp.Diff(edges, again); d != "" || err != nil || s.Sequence() != r.Sequence() {
			t.Fatalf("byte by byte: %v, %s, %s", err, s.Sequence(), d)
		}
	}
	return edges, r.Sequence()
}

var three = []string{"dial", "cam", "ring"}

// With no edge lost none is, however the numbers count, wherever they begin.
func TestSequenceNoneLost(t *testing.T) {
	for _, first := range []uint32{0, 1, 5000, 1<<32 - 10, 1<<32 - 1, 1<<31 - 5} {
		for _, contacts := range [][]string{three[:1], three[:2], three} {
			for _, n := range []int{2, 3, 4, 6, 10, 40, 3000, 30000} {
				rows := wired(uint64(n), contacts, n, first, 0, 0)
				for name, seq := range map[string]func(wiredRow) uint32{"contact": ownSeq, "file": fileSeq} {
					in := wiredCSV(rows, seq)
					for _, c := range append([]string{""}, contacts...) {
						if c == "" && len(contacts) > 1 || c != "" && !strings.Contains(in, ","+c+",") {
							continue
						}
						edges, got := readSequence(t, in, c)
						for _, e := range edges {
							if e.Lost != 0 {
								t.Fatalf("%d contacts, %d rows from %d, numbers per %s: contact %q lost %d before %+v", len(contacts), n, first, name, c, e.Lost, e)
							}
						}
						// A few rows may be read either way.
						if len(contacts) == 1 && got != "contact" || n >= 40 && len(contacts) > 1 && got != name || got == "unclear" {
							t.Errorf("%d contacts, %d rows from %d, numbers per %s: read per %s", len(contacts), n, first, name, got)
						}
					}
				}
			}
		}
	}
}

// Numbers of each contact show what each lost, one number for one edge.
func TestSequenceLostPerContact(t *testing.T) {
	for seed := range uint64(40) {
		rows := wired(seed, three, 2000, 1<<32-300, 30, 5)
		in := wiredCSV(rows, ownSeq)
		for _, c := range three {
			edges, got := readSequence(t, in, c)
			if got != "contact" {
				t.Errorf("seed %d: read per %s", seed, got)
			}
			compareLost(t, seed, c, rows, edges, func(e pulse.Edge, own, _ int) bool { return int(e.Lost) == own })
		}
	}
}

// Numbers over the file do not tell whose a lost edge was. No interval in which
// one may be this contact's is taken for whole, and no other for lost.
func TestSequenceLostOverFile(t *testing.T) {
	marked := 0
	for seed := range uint64(40) {
		rows := wired(seed, three, 2000, 1<<32-300, 30, 5)
		in := wiredCSV(rows, fileSeq)
		for _, c := range three {
			edges, got := readSequence(t, in, c)
			if got != "file" {
				t.Errorf("seed %d: read per %s", seed, got)
			}
			compareLost(t, seed, c, rows, edges, func(e pulse.Edge, own, all int) bool {
				if e.Lost > 0 {
					marked++
				}
				// as many as may be, of the parity that the levels show
				return int(e.Lost) == max(0, all-(all^own)&1)
			})
		}
	}
	if marked < 1000 {
		t.Errorf("%d intervals marked", marked)
	}
}

// compareLost holds Lost of each edge against how many edges of the contact,
// and of all, were lost since its edge before.
func compareLost(t *testing.T, seed uint64, contact string, rows []wiredRow, edges []pulse.Edge, ok func(e pulse.Edge, own, all int) bool) {
	t.Helper()
	i, own, all := 0, 0, 0
	for _, r := range rows {
		switch {
		case r.lost:
			all++
			if r.contact == contact {
				own++
			}
		case r.contact == contact:
			if e := edges[i]; int64(e.At) != r.at || i > 0 && !ok(e, own, all) {
				t.Fatalf("seed %d, %s: edge %+v after %d of its own and %d of all were lost", seed, contact, e, own, all)
			}
			i, own, all = i+1, 0, 0
		}
	}
}

// A loss among the first rows, and a first loss far behind the window.
func TestSequenceLateLoss(t *testing.T) {
	for _, at := range []int{5, 6, 39_990} {
		rows := wired(1, three, 40_000, 7, 0, 0)
		rows[at].lost = true
		for _, seq := range []func(wiredRow) uint32{ownSeq, fileSeq} {
			lost := uint32(0)
			for _, c := range three {
				edges, _ := readSequence(t, wiredCSV(rows, seq), c)
				for i, e := range edges {
					lost += e.Lost
					if e.Lost > 0 && e.Level != edges[i-1].Level {
						t.Errorf("row %d lost: %s lost %d before %+v, whose level changed", at, c, e.Lost, e)
					}
				}
			}
			if lost != 1 { // one edge lost is told by the level that repeats
				t.Errorf("row %d lost: %d edges lost in all", at, lost)
			}
		}
	}
}

// Where neither reading fits, it is said and nothing is counted.
func TestSequenceUnclear(t *testing.T) {
	rows := wired(3, three, 600, 1, 0, 0)
	only := func(names ...string) (out []wiredRow) {
		for _, r := range rows {
			if slices.Contains(names, r.contact) {
				out = append(out, r)
			}
		}
		return out
	}
	sorted := slices.Clone(rows)
	slices.SortStableFunc(sorted, func(a, b wiredRow) int { return strings.Compare(a.contact, b.contact) })
	for name, c := range map[string]struct {
		rows    []wiredRow
		contact string
	}{
		"one of three, numbered with the others":         {only("dial"), ""},
		"one of three, chosen":                           {only("ring"), "ring"},
		"two of three":                                   {only("dial", "cam"), "cam"},
		"three, one after the other, numbered over all":  {sorted, "dial"},
		"three, one after the other, the first of them":  {sorted, "cam"},
		"one of three without a column for the contact ": {only("dial"), "-"},
	} {
		in := wiredCSV(c.rows, fileSeq)
		if c.contact == "-" {
			in, c.contact = strings.ReplaceAll(strings.ReplaceAll(in, ",dial,", ","), "contact,", ""), ""
		}
		edges, got := readSequence(t, in, c.contact)
		for _, e := range edges {
			if e.Lost > 0 {
				t.Fatalf("%s: %d lost before %+v", name, e.Lost, e)
			}
		}
		if got != "unclear" || len(edges) < 100 {
			t.Errorf("%s: read per %s, %d edges", name, got, len(edges))
		}
	}
}

// Sparse rows of others: each shows by another sign that neither reading fits,
// or that one does.
func TestSequenceSparse(t *testing.T) {
	// A row a character: d dial, c cam, capitals are left out of the file.
	build := func(pattern string, times int, camFrom uint32, shared bool) string {
		var rows []wiredRow
		level, own := map[string]pulse.Level{}, map[string]uint32{"dial": 1, "cam": camFrom}
		for i, c := range strings.Repeat(pattern, times) {
			name := map[rune]string{'d': "dial", 'D': "dial", 'c': "cam", 'C': "cam"}[c]
			level[name] ^= 1
			rows = append(rows, wiredRow{name, int64(i) * 10e6, level[name], own[name], uint32(i + 1), c == 'D' || c == 'C'})
			own[name]++
		}
		if shared {
			return wiredCSV(rows, fileSeq)
		}
		return wiredCSV(rows, ownSeq)
	}
	early := "dd" + "D" + strings.Repeat("d", 15_000) // a loss that either reading sees, and more than the window
	for _, tt := range []struct {
		name, in, want string
		lost           uint32
	}{
		{"pairs of another contact between, even gaps only", build("dCC", 100, 1, true), "unclear", 0},
		{"few of another contact between, odd gaps", build("dddddC", 40, 1, true), "unclear", 0},
		{"numbers near each other, each counting on", build("ddddddddddddddddddddcddddd", 1, 30, false), "contact", 0},
		{"one contact for long, then others, over the file", build(early+strings.Repeat("dcc", 100), 1, 1, true), "file", 1},
		{"one contact for long, then others, each its own", build(early+strings.Repeat("dcc", 100), 1, 1, false), "contact", 1},
		{"a single gap that does not fit the levels", "time_ns,level,seq\n1,1,1\n2,0,3\n3,1,4\n4,0,5\n", "contact", 1},
	} {
		edges, got := readSequence(t, tt.in, map[bool]string{true: "dial"}[strings.Contains(tt.in, "contact")])
		lost := uint32(0)
		for _, e := range edges {
			lost += e.Lost
		}
		if got != tt.want || lost != tt.lost {
			t.Errorf("%s: read per %s with %d lost, want %s with %d", tt.name, got, lost, tt.want, tt.lost)
		}
	}
}

// Rows in order of time may be a few places out of the order of the numbers,
// which a kernel gives in a second step.
func TestSequenceSwapped(t *testing.T) {
	rows := wired(5, three, 3000, 1, 0, 0)
	for i := 10; i+1 < len(rows); i += 17 {
		if a, b := &rows[i], &rows[i+1]; a.contact != b.contact {
			a.file, b.file = b.file, a.file
		}
	}
	for _, c := range three {
		edges, got := readSequence(t, wiredCSV(rows, fileSeq), c)
		for _, e := range edges {
			if e.Lost > 0 {
				t.Fatalf("%s: %d lost before %+v", c, e.Lost, e)
			}
		}
		if got != "file" {
			t.Errorf("read per %s", got)
		}
	}
}

// Files that hold to no reading are refused at the row where it shows.
func TestSequenceRefused(t *testing.T) {
	rows := wired(5, three[:2], 30_000, 1, 0, 0)
	in := wiredCSV(rows, fileSeq)
	last := rows[len(rows)-1]
	for _, tt := range []struct{ row, want string }{
		{fmt.Sprintf("%d,1,ring,29000\n", last.at+1), "edges.csv:30003: seq 29000 after 30000: expected a greater one in each row, for those before count over all contacts"},
		{fmt.Sprintf("%d,1,%s,30000\n", last.at+1, last.contact), "edges.csv:30003: seq 30000 after 30000: expected a greater one in each row, for those before count over all contacts"},
	} {
		_, _, err := readAll(strings.NewReader(in+tt.row), 100, RecordingOptions{Name: "edges.csv", Contact: "cam"})
		if err == nil || err.Error() != tt.want {
			t.Errorf("%v, want %s", err, tt.want)
		}
	}
	_, _, err := readAll(strings.NewReader("time_ns,level,contact,seq\n1,1,cam,5\n2,1,dial,6\n3,0,cam,7\n4,0,dial,6\n"), 100, RecordingOptions{Name: "edges.csv", Contact: "cam"})
	if want := `edges.csv:5: seq 6 after 6: expected a greater one in each row of "dial"`; err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
}

// No numbers, no reading.
func TestNoSequence(t *testing.T) {
	for _, in := range []string{"time_ns,level\n5,1\n", "time_ns,level,contact\n5,1,cam\n", "$timescale 1 ns $end $var wire 1 ! cam $end $enddefinitions $end #5 1! #6 0!\n"} {
		if _, got := readSequence(t, in, ""); got != "" {
			t.Errorf("%q: read per %s", in, got)
		}
	}
}

// Lost edges in every row do not make reading slow or take memory for each.
func TestSequenceAllocations(t *testing.T) {
	for _, seq := range []func(wiredRow) uint32{ownSeq, fileSeq} {
		in := wiredCSV(wired(2, three, 60_000, 1, 3, 2), seq)
		r, err := OpenRecording(strings.NewReader(in), RecordingOptions{Contact: "cam"})
		if err != nil {
			t.Fatal(err)
		}
		buf := make([]pulse.Edge, 50)
		read := func() {
			if n, err := r.ReadEdges(context.Background(), buf); n == 0 || err != nil {
				t.Fatal(n, err)
			}
		}
		read()
		if n := testing.AllocsPerRun(100, read); n != 0 {
			t.Errorf("%v allocations per 50 edges", n)
		}
	}
}

func BenchmarkSequence(b *testing.B) {
	in := []byte(wiredCSV(wired(2, three, 200_000, 1, 3, 2), fileSeq))
	buf := make([]pulse.Edge, 4096)
	b.SetBytes(int64(len(in)))
	b.ReportAllocs()
	for b.Loop() {
		r, err := OpenRecording(bytes.NewReader(in), RecordingOptions{Contact: "cam"})
		if err != nil {
			b.Fatal(err)
		}
		for err == nil {
			_, err = r.ReadEdges(context.Background(), buf)
		}
		if err != io.EOF {
			b.Fatal(err)
		}
	}
}
