package pulse

import (
	"math"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestDurations(t *testing.T) {
	edge := []int64{
		0, 1, math.MaxInt32 - 1, math.MaxInt32, math.MaxInt32 + 1, math.MaxUint32, math.MaxUint32 + 1,
		-1, math.MinInt32, math.MinInt32 - 1, math.MaxInt64, math.MinInt64,
	}
	rapid.Check(t, func(t *rapid.T) {
		ns := rapid.OneOf(rapid.SampledFrom(edge), rapid.Int64Range(0, 200e6), rapid.Int64())
		some := rapid.SliceOfN(ns, 1, 50).Draw(t, "some")
		zeros := rapid.SampledFrom([]int{0, 0, 1, 3, 700}).Draw(t, "zeros")
		n := rapid.SampledFrom([]int{0, 1, len(some), chunkLen - 1, chunkLen, chunkLen + 1, 2*chunkLen + 7}).Draw(t, "n")
		var d Durations
		want := make([]int64, zeros, zeros+n)
		var sum int64
		for i := range n {
			x := some[i%len(some)]
			d.Add(x)
			want = append(want, x)
			sum += x
		}
		d.AddZeros(zeros)
		d.AddZeros(-1)

		if d.Len() != len(want) || d.Sum() != sum {
			t.Fatalf("length %d, sum %d; want %d, %d", d.Len(), d.Sum(), len(want), sum)
		}
		got := slices.Repeat([]int64{-7}, len(want)) // what Fill must overwrite
		d.Fill(got, 0)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatal("Fill", diff)
		}
		for i, x := range d.All() {
			if x != want[i] || d.At(i) != x {
				t.Fatalf("duration %d: All %d, At %d, want %d", i, x, d.At(i), want[i])
			}
			got[i] = -7
		}
		for i, x := range got {
			if x != -7 {
				t.Fatalf("All left out %d", i)
			}
		}
		from := rapid.IntRange(0, len(want)).Draw(t, "from")
		part := make([]float64, rapid.IntRange(0, len(want)-from).Draw(t, "len"))
		d.FillFloat(part, from, 1e6)
		for i, ms := range part {
			if ms != float64(want[from+i])/1e6 {
				t.Fatalf("duration %d: %v ms, want %d ns", from+i, ms, want[from+i])
			}
		}
	})
}

func TestDurationsAllStops(t *testing.T) {
	var d Durations
	d.AddZeros(10)
	n := 0
	for range d.All() {
		if n++; n == 3 {
			break
		}
	}
	if n != 3 {
		t.Fatal(n)
	}
}

func TestDurationsOutOfRange(t *testing.T) {
	var d Durations
	d.AddZeros(2)
	d.Add(5)
	for name, f := range map[string]func(){
		"At end":      func() { d.At(3) },
		"At before":   func() { d.At(-1) },
		"Fill beyond": func() { d.Fill(make([]int64, 2), 2) },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Error(name, "did not panic")
				}
			}()
			f()
		}()
	}
}

// Less than one allocation for a thousand durations, and none of them moves.
func TestDurationsAllocations(t *testing.T) {
	var d Durations
	if perThousand := testing.AllocsPerRun(1000, func() {
		for range 1000 {
			d.Add(60e6)
		}
	}); perThousand >= 1 {
		t.Error(perThousand, "allocations for 1000 durations")
	}
	first := d.chunks[0]
	for range 10 * chunkLen {
		d.Add(1)
	}
	if first != d.chunks[0] || first[0] != 60e6 {
		t.Error("a chunk was copied")
	}
}

func BenchmarkDurationsAdd(b *testing.B) {
	b.ReportAllocs()
	var d Durations
	for b.Loop() {
		if d.Add(60e6); d.n == 1<<22 {
			d = Durations{}
		}
	}
}
