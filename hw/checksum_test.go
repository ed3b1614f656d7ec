package hw

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"makebreak/pulse"
)

func sumOf(edges []pulse.Edge) string {
	sum := NewChecksum()
	w := NewEdgeWriter(sum)
	for i := 0; i < len(edges); i += 3 { // pieces
		w.Add(edges[i:min(i+3, len(edges))])
	}
	return sum.String()
}

// The checksum is that of the lines that its comment describes, which sha256sum
// (GNU coreutils 9.1) gave for printf '0 1 0\n40000000 0 0\n100000000 1 1\n'.
func TestChecksum(t *testing.T) {
	edges := []pulse.Edge{{At: 5e9, Level: 1}, {At: 5.04e9, Level: 0}, {At: 5.1e9, Level: 1, Lost: 3}}
	const want = "beb51a9faf784780beef10fb9fe359228f047e4d3351a20ccf3cc9cb6754ae9b"
	if got := sumOf(edges); got != want {
		t.Errorf("%s, expected %s", got, want)
	}
	for i, change := range []func(*pulse.Edge){
		func(e *pulse.Edge) { e.At++ }, func(e *pulse.Edge) { e.Level ^= 1 }, func(e *pulse.Edge) { e.Lost = 1 },
	} {
		other := append([]pulse.Edge{}, edges...)
		change(&other[1])
		if sumOf(other) == want {
			t.Errorf("change %d is not seen", i)
		}
	}
	for i := range edges {
		edges[i].At -= 3e9
	}
	if sumOf(edges) != want {
		t.Error("it depends on the clock's zero")
	}
	if got := NewChecksum().String(); got != fmt.Sprintf("%x", sha256.Sum256(nil)) {
		t.Error("that of no edges: " + got)
	}
}

// Edges that are written as CSV or VCD, and read again, have the checksum that they
// had, lost edges and unknown times included.
func TestChecksumOfFiles(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for range 200 {
		var edges []pulse.Edge
		at, level := pulse.Stamp(rng.Int64N(1e9)), pulse.Level(1)
		for range 40 {
			at += 1e5 + pulse.Stamp(rng.Int64N(1e8))
			e := pulse.Edge{At: at, Level: level}
			switch rng.IntN(12) {
			case 0:
				if len(edges) > 0 { // an even number lost leaves the levels in turn
					e.Lost = 2
				}
			case 1:
				edges = append(edges, pulse.Edge{At: at, Level: pulse.Unknown})
				at += 1e7
				e.At = at
			}
			edges = append(edges, e)
			level ^= 1
		}
		if edges[0].Level > 1 {
			continue
		}
		want := sumOf(edges)
		var b bytes.Buffer
		w := NewEdgeWriter(NewCSVWriter(&b, CSVOptions{Seq: true}))
		w.Add(edges)
		w.Flush()
		rec, err := OpenRecording(strings.NewReader(b.String()), RecordingOptions{})
		if err != nil {
			t.Fatal(err)
		}
		sum, err := ChecksumOf(context.Background(), rec)
		if err != nil || sum.String() != want {
			t.Fatalf("%v: %s, expected %s\n%s", err, sum, want, b.String())
		}
	}
}
