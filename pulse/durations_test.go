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
		var d durations
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
	var d durations
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
	var d durations
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

// Less than one allocation for a thousand durations.
func TestDurationsAllocations(t *testing.T) {
	var d durations
	if perThousand := testing.AllocsPerRun(1000, func() {
		for range 1000 {
			d.Add(60e6)
		}
	}); perThousand >= 1 {
		t.Error(perThousand, "allocations for 1000 durations")
	}
}

// What a duration takes is what the spread of its chunk needs.
func TestDurationsPacked(t *testing.T) {
	for _, tt := range []struct {
		least, spread int64
		want          int // bytes
	}{
		{60e6, 0, 0}, {60e6, 255, 1}, {60e6, 256, 2}, {60e6, 65535, 2}, {60e6, 65536, 3}, {0, 1<<24 - 1, 3}, {60e6, 1 << 24, 4}, {0, math.MaxInt32, 4},
		{-1, 1, 2}, // most are places in the list of what does not fit
	} {
		var d durations
		for i := range int64(3 * chunkLen) {
			d.Add(tt.least + i%7*tt.spread/6)
		}
		for i, c := range d.full {
			if len(c.bytes) > tt.want*chunkLen+4 {
				t.Errorf("%d to %d more: chunk %d takes %d bytes, want at most %d for each", tt.least, tt.spread, i, len(c.bytes), tt.want)
			}
		}
		for i, ns := range d.All() {
			if want := tt.least + int64(i)%7*tt.spread/6; ns != want || d.At(i) != want {
				t.Fatalf("%d to %d more: duration %d is %d, at %d, want %d", tt.least, tt.spread, i, ns, d.At(i), want)
			}
		}
	}
}

// Whatever comes, and however it is read, an unordered holds what was added.
func TestUnordered(t *testing.T) {
	tables := 0
	rapid.Check(t, func(t *rapid.T) {
		u := unordered{most: rapid.Int64Range(0, 40).Draw(t, "most")}
		want := rapid.SliceOf(rapid.Int64Range(0, 50)).Draw(t, "ns")
		for _, ns := range want {
			u.add(ns)
		}
		zeros := rapid.IntRange(0, 3).Draw(t, "zeros")
		u.list.AddZeros(zeros)
		want = append(want, make([]int64, zeros)...)
		slices.Sort(want)
		if u.table != nil {
			tables++
			if len(u.table) != int(u.most) || u.inTable == 0 && u.list.n != len(want)-zeros {
				t.Fatal("a table of", len(u.table), "that holds", u.inTable)
			}
		}
		for pass := range 2 {
			got := make([]float64, u.Len())
			for from := 0; from < len(got); {
				part := got[from:][:rapid.IntRange(1, len(got)-from).Draw(t, "part")]
				u.FillFloat(part, from, 2)
				from += len(part)
			}
			if pass == 0 && len(got) > 0 { // and from anywhere
				var one [1]float64
				i := rapid.IntRange(0, len(got)-1).Draw(t, "i")
				if u.FillFloat(one[:], i, 2); one[0] != got[i] {
					t.Fatalf("%v at %d, %v in a row", one[0], i, got[i])
				}
			}
			slices.Sort(got)
			for i, ns := range want {
				if len(got) != len(want) || got[i] != float64(ns)/2 {
					t.Fatalf("pass %d: %v, want half of %v", pass, got, want)
				}
			}
		}
	})
	if tables == 0 {
		t.Error(tables, "tables tried")
	}
}

func BenchmarkDurationsAdd(b *testing.B) {
	b.ReportAllocs()
	var d durations
	for b.Loop() {
		if d.Add(60e6); d.n == 1<<22 {
			d = durations{}
		}
	}
}
