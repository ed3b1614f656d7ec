package pulse

import (
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// quantiles gives the ps-quantiles of n values, NaN where there is none.
func quantiles(n int, fill func(dst []float64, from int), ps ...float64) []float64 {
	s := newSeries(n, fill)
	lo, hi, _ := s.extent()
	sel := newSelection(s.n, lo, hi, ps, collectMax)
	for !sel.done() {
		s.each(sel.see)
		sel.narrow()
	}
	qs := make([]float64, len(ps))
	for i, p := range ps {
		qs[i] = sel.quantile(p)
	}
	return qs
}

func TestQuantilesKnown(t *testing.T) {
	ps := []float64{0.05, 0.25, 0.5, 0.9, 0.95}
	for _, c := range []struct {
		name      string
		in        []float64
		ps, want  []float64
		tolerance float64
	}{
		// By hand: h = (n − 1) p, then linear between the order statistics.
		{"two", []float64{10, 20}, []float64{0, 0.05, 0.5, 1}, []float64{10, 10.5, 15, 20}, 0},
		{"one to ten, h = 2.25, 4.5, 6.75", []float64{10, 9, 8, 7, 6, 1, 2, 3, 4, 5}, []float64{0.25, 0.5, 0.75}, []float64{3.25, 5.5, 7.75}, 0},
		{"order of p kept, p twice", []float64{3, 1, 2}, []float64{1, 0, 1, 0.5}, []float64{3, 1, 3, 2}, 0},
		{"one", []float64{7}, ps, []float64{7, 7, 7, 7, 7}, 0},
		{"equal", []float64{2, 2, 2, 2}, ps, []float64{2, 2, 2, 2, 2}, 0},
		{"NaN and Inf left out", []float64{math.NaN(), 1, math.Inf(1), 3, math.Inf(-1)}, []float64{0, 0.5, 1}, []float64{1, 2, 3}, 0},
		{"p out of range", []float64{1, 2}, []float64{-0.1, 1.1, math.NaN()}, []float64{math.NaN(), math.NaN(), math.NaN()}, 0},
		{"empty", nil, []float64{0.5}, []float64{math.NaN()}, 0},
		{"nothing finite", []float64{math.NaN()}, []float64{0.5}, []float64{math.NaN()}, 0},
		{"no p", []float64{1}, nil, []float64{}, 0},
		// numpy.percentile of NumPy 1.24.2 with its default method, "linear"
		// (testdata/figures.py). The tolerance is a few last digits of the greatest:
		// a processor that fuses a·b + c rounds once where others round twice.
		{"Lew", readStRD(t, "lew").values, ps, []float64{-572, -451, -162, 182.49999999999997, 199.04999999999998}, 2e-13},
		{"Lottery", readStRD(t, "lottery").values, ps, []float64{45.05000000000002, 272.75, 522.5, 909.2000000000002, 957.1999999999998}, 4e-13},
		{"Mavro", readStRD(t, "mavro").values, ps, []float64{2.001345, 2.0015, 2.0018, 2.0026, 2.0026}, 2e-15},
		{"Michelso", readStRD(t, "michelson").values, ps, []float64{299.73900000000003, 299.8075, 299.85, 299.96, 299.98}, 2e-13},
	} {
		got := quantiles(len(c.in), fillFrom(c.in), c.ps...)
		if len(got) != len(c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
			continue
		}
		for i := range got {
			if d := math.Abs(got[i] - c.want[i]); d > c.tolerance || math.IsNaN(got[i]) != math.IsNaN(c.want[i]) {
				t.Errorf("%s: quantile %v is %v, want %v", c.name, c.ps[i], got[i], c.want[i])
			}
		}
	}
}

func TestStatOfShort(t *testing.T) {
	for _, c := range []struct {
		name string
		in   []float64
		want Stat
	}{
		{"empty", nil, Stat{}},
		{"nothing finite", []float64{math.Inf(1), math.NaN()}, Stat{}},
		{"one", []float64{0}, Stat{N: 1, Mean: Known(0), Min: Known(0), Max: Known(0), P5: Known(0), P50: Known(0), P95: Known(0)}},
		{"one left", []float64{math.NaN(), 4}, Stat{N: 1, Mean: Known(4), Min: Known(4), Max: Known(4), P5: Known(4), P50: Known(4), P95: Known(4)}},
		{"equal, and no float is a third of their sum", []float64{0.1, 0.1, 0.1}, Stat{N: 3, Mean: Known(0.1), SD: Known(0),
			Min: Known(0.1), Max: Known(0.1), P5: Known(0.1), P50: Known(0.1), P95: Known(0.1)}},
		{"two", []float64{3, 1}, Stat{N: 2, Mean: Known(2), SD: Known(math.Sqrt2),
			Min: Known(1), Max: Known(3), P5: Known(1.1), P50: Known(2), P95: Known(2.9)}},
	} {
		if diff := cmp.Diff(c.want, statOf(len(c.in), fillFrom(c.in))); diff != "" {
			t.Error(c.name, diff)
		}
	}
}

// Values so large that the first pass cannot tell their mean, and equal values
// whose mean no float is: the second pass mends both.
func TestStatOfExact(t *testing.T) {
	const n = 3*blockLen + 2
	x := make([]float64, n)
	for i := range x {
		x[i] = 1<<52 + float64(i%2)
	}
	got := statOf(n, fillFrom(x))
	if got.Mean.V != 1<<52+0.5 || !near(got.SD.V, math.Sqrt(0.25*n/(n-1)), 1e-14) {
		t.Errorf("mean 2^52 + %v, sd %v; want 0.5, 0.5", got.Mean.V-1<<52, got.SD.V)
	}
	for n := range 500 {
		got := statOf(n, func(dst []float64, _ int) {
			for i := range dst {
				dst[i] = 0.1
			}
		})
		if n > 1 && (got.Mean.V != 0.1 || got.SD != Known(0)) {
			t.Fatalf("0.1, %d times: mean %v, sd %v", n, got.Mean, got.SD)
		}
	}
}

// drawSample draws data of many shapes: what selection by bins finds hard are
// many equal values, a few far away, and ranges of many powers of two.
func drawSample(t *rapid.T, n int) []float64 {
	rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
	shape := rapid.SampledFrom([]func() float64{
		func() float64 { return 60 + rng.NormFloat64() },
		func() float64 { return math.Round(60000+100*rng.NormFloat64()) / 1000 },
		func() float64 { return float64(rng.IntN(3)) },
		func() float64 { return float64(rng.IntN(3) - 1) },
		func() float64 { return math.Ldexp(rng.NormFloat64(), rng.IntN(2000)-1000) },
		func() float64 { return 1 + float64(rng.IntN(5))*0x1p-52 },
		func() float64 { return []float64{1e300, -1e300, 5e-324, 0}[min(rng.IntN(1000), 3)] },
		func() float64 { return []float64{math.NaN(), math.Inf(-1), 1, 2 + rng.Float64()}[min(rng.IntN(10), 3)] },
	}).Draw(t, "shape")
	x := make([]float64, n)
	for i := range x {
		x[i] = shape()
	}
	return x
}

// Against a plain sort, with few values collected so that many passes are
// needed, and with the real number.
func TestQuantilesSort(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := drawSample(t, rapid.SampledFrom([]int{1, 2, 5, 100, blockLen, 3*blockLen + 1}).Draw(t, "n"))
		ps := rapid.SliceOfN(rapid.Float64Range(0, 1), 1, rapid.SampledFrom([]int{1, 6, 300}).Draw(t, "most ps")).Draw(t, "ps")
		few := rapid.SampledFrom([]int{0, 1, 10, 3*blockLen + 1}).Draw(t, "collect")

		sorted := slices.DeleteFunc(slices.Clone(x), func(x float64) bool { return !finite(x) })
		slices.Sort(sorted)
		want := make([]float64, len(ps))
		for i, p := range ps {
			if want[i] = math.NaN(); len(sorted) > 0 {
				h := p * float64(len(sorted)-1)
				a, b := sorted[int(h)], sorted[min(int(h)+1, len(sorted)-1)]
				want[i] = a*(1-(h-math.Floor(h))) + b*(h-math.Floor(h))
			}
		}

		got := quantiles(len(x), fillFrom(x), ps...)
		hard := make([]float64, len(ps))
		sel := newSelection(len(sorted), slices.Min(append(sorted, math.Inf(1))), slices.Max(append(sorted, math.Inf(-1))), ps, few)
		passes := 0
		for ; !sel.done(); passes++ {
			sel.see(sorted)
			sel.narrow()
		}
		if passes > 9 || few >= len(x) && passes > 1 { // 64 bits, at least 8 of them each pass, and one to collect
			t.Fatal(passes, "passes")
		}
		for i, p := range ps {
			hard[i] = sel.quantile(p)
			if !near(got[i], want[i], 1e-15) {
				t.Fatalf("quantile %v: %v, want %v", p, got[i], want[i])
			}
			if hard[i] != got[i] && !math.IsNaN(want[i]) {
				t.Fatalf("quantile %v in %d passes: %v, want %v", p, passes, hard[i], got[i])
			}
		}
	})
}

// statOf agrees with moments and quantiles, and turns over with the values.
func TestStatOfAgrees(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := drawSample(t, rapid.SampledFrom([]int{0, 1, 2, 17, blockLen + 1, 9000}).Draw(t, "n"))
		for i := range x {
			if a := math.Abs(x[i]); a > 1e100 || a < 1e-100 { // squares overflow, or all digits are lost
				x[i] = 0
			}
		}
		got := statOf(len(x), fillFrom(x))
		var m moments
		for _, v := range x {
			m.Add(v)
		}
		sd := num(m.SD())
		q := quantiles(len(x), fillFrom(x), 0, 0.05, 0.5, 0.95, 1)
		for _, c := range []struct {
			name      string
			got, want Num
			tolerance float64 // of the extremes' size
		}{
			{"mean", got.Mean, num(m.Mean()), 1e-14},
			{"sd", got.SD, sd, 1e-13},
			{"min is quantile 0", got.Min, Num{q[0], m.n > 0}, 0}, {"max is quantile 1", got.Max, Num{q[4], m.n > 0}, 0},
			{"p5", got.P5, Num{q[1], m.n > 0}, 0}, {"p50", got.P50, Num{q[2], m.n > 0}, 0}, {"p95", got.P95, Num{q[3], m.n > 0}, 0},
		} {
			size := max(math.Abs(got.Min.V), math.Abs(got.Max.V))
			if c.got.OK != c.want.OK || c.got.OK && !(math.Abs(c.got.V-c.want.V) <= c.tolerance*size) {
				t.Fatalf("%s: %v, want %v", c.name, c.got, c.want)
			}
		}
		turned := statOf(len(x), func(dst []float64, from int) {
			for i := range dst {
				dst[i] = -x[from+i]
			}
		})
		if turned.Min.V != -got.Max.V || turned.P95.OK != got.P5.OK || !near(turned.P95.V, -got.P5.V, 1e-9) || !near(turned.SD.V, got.SD.V, 1e-9) {
			t.Fatalf("turned over: %v, want %v", turned, got)
		}
	})
}

func near(a, b, relative float64) bool {
	return math.IsNaN(a) && math.IsNaN(b) || math.Abs(a-b) <= relative*max(math.Abs(a), math.Abs(b))
}

func TestKeyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.Float64().Draw(t, "a"), rapid.Float64().Draw(t, "b")
		if (a < b) != (key(a) < key(b)) && a != b {
			t.Fatal(a, b)
		}
		if unkey(key(a)) != a {
			t.Fatal(a, unkey(key(a)))
		}
	})
}

// bigSeries are shapes of a long log, by index, so that nothing but the
// summary takes memory.
func bigSeries() map[string]func(dst []float64, from int) {
	unit := func(i int) float64 { // uniform in 0…1, scrambled
		x := uint64(i) * 0x9e3779b97f4a7c15
		x ^= x >> 29
		return float64(x>>11) / (1 << 53)
	}
	per := func(f func(i int) float64) func([]float64, int) {
		return func(dst []float64, from int) {
			for i := range dst {
				dst[i] = f(from + i)
			}
		}
	}
	return map[string]func([]float64, int){
		"uniform":     per(func(i int) float64 { return 60 + unit(i) }),
		"whole µs":    per(func(i int) float64 { return math.Floor(60000+20*unit(i)) / 1000 }),
		"mostly zero": per(func(i int) float64 { return max(0, 10*unit(i)-9) }),
		"one far off": per(func(i int) float64 {
			if i == 12345 {
				return 1e9
			}
			return 60 + 0.001*unit(i)
		}),
	}
}

// A million values are summarised in little memory, whatever their shape.
func TestStatOfMemory(t *testing.T) {
	const n = 1 << 20
	for name, fill := range bigSeries() {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		got := statOf(n, fill)
		runtime.ReadMemStats(&after)
		if used := after.TotalAlloc - before.TotalAlloc; used > 4<<20 {
			t.Errorf("%s: %d bytes", name, used)
		}
		x := make([]float64, n)
		fill(x, 0)
		slices.Sort(x)
		h := 0.95 * (n - 1)
		want := x[int(h)] + (h-math.Floor(h))*(x[int(h)+1]-x[int(h)])
		if !near(got.P95.V, want, 1e-15) {
			t.Errorf("%s: p95 %v, want %v", name, got.P95, want)
		}
	}
}

func BenchmarkStatOf10M(b *testing.B) {
	const n = 10e6
	for name, fill := range bigSeries() {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				statOf(n, fill)
			}
		})
	}
	b.Run("percent break of durations", func(b *testing.B) {
		var brk, per durations
		rng := rand.New(rand.NewPCG(1, 2))
		for range int(n) {
			brk.Add(int64(60e6 + 1e5*rng.NormFloat64()))
			per.Add(int64(100e6 + 1e5*rng.NormFloat64()))
		}
		var x, y [blockLen]float64
		b.ReportAllocs()
		for b.Loop() {
			statOf(n, func(dst []float64, from int) {
				brk.FillFloat(x[:len(dst)], from, 1)
				per.FillFloat(y[:len(dst)], from, 1)
				for i := range dst {
					dst[i] = 100 * x[i] / y[i]
				}
			})
		}
	})
}
