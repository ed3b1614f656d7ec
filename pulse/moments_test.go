package pulse

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// A strdSet is one set of the NIST Statistical Reference Datasets with its
// certified figures.
type strdSet struct {
	values   []float64
	mean, sd float64
}

func readStRD(t testing.TB, name string) (s strdSet) {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", "strd_"+name+".txt"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for sc := bufio.NewScanner(f); sc.Scan(); {
		switch line := sc.Text(); {
		case strings.HasPrefix(line, "# certified mean "):
			_, err = fmt.Sscan(line[len("# certified mean "):], &s.mean)
		case strings.HasPrefix(line, "# certified sd "):
			_, err = fmt.Sscan(line[len("# certified sd "):], &s.sd)
		case strings.HasPrefix(line, "#"):
		default:
			var v float64
			v, err = strconv.ParseFloat(line, 64)
			s.values = append(s.values, v)
		}
		if err != nil {
			t.Fatal(name, err)
		}
	}
	return s
}

// numAcc makes the sets NumAcc2 to NumAcc4 as NIST StRD defines them: the
// centre once, then the values 0.1 below and 0.1 above it, 500 times. They are
// parsed from decimals, as anyone would read them.
func numAcc(t testing.TB, centre, below, above string) strdSet {
	t.Helper()
	num := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	s := strdSet{values: []float64{num(centre)}, mean: num(centre), sd: 0.1}
	for range 500 {
		s.values = append(s.values, num(below), num(above))
	}
	return s
}

// digits is the log relative error: the number of correct significant digits,
// at most the 15 that are certified.
func digits(got, certified float64) float64 {
	return min(-math.Log10(math.Abs(got-certified)/math.Abs(certified)), 15)
}

// TestStRD holds the moments to the digits that float64 can give: NumAcc3 and
// NumAcc4 lose theirs when the data are read.
func TestStRD(t *testing.T) {
	for _, c := range []struct {
		name              string
		set               strdSet
		n                 int
		meanDigits        float64
		sdDigits, twoPass float64 // streaming; two passes
		onePassMost       float64 // digits that Σx² − (Σx)²/n may reach; 0: not asked
	}{
		{"PiDigits", readStRD(t, "pidigits"), 5000, 15, 14.7, 14.7, 0},
		{"Lottery", readStRD(t, "lottery"), 218, 15, 14.9, 14.9, 0},
		{"Lew", readStRD(t, "lew"), 200, 15, 14.9, 14.9, 0},
		{"Mavro", readStRD(t, "mavro"), 50, 15, 13, 13, 13},
		{"Michelso", readStRD(t, "michelson"), 100, 15, 13.7, 13.7, 13},
		{"NumAcc1", readStRD(t, "numacc1"), 3, 15, 15, 15, 0},
		{"NumAcc2", numAcc(t, "1.2", "1.1", "1.3"), 1001, 15, 14.5, 14.5, 0},
		{"NumAcc3", numAcc(t, "1000000.2", "1000000.1", "1000000.3"), 1001, 15, 9.4, 9.4, 8},
		{"NumAcc4", numAcc(t, "10000000.2", "10000000.1", "10000000.3"), 1001, 15, 8.2, 8.2, 6},
	} {
		t.Run(c.name, func(t *testing.T) {
			if len(c.set.values) != c.n {
				t.Fatalf("%d values, want %d", len(c.set.values), c.n)
			}
			var m moments
			for _, x := range c.set.values {
				m.Add(x)
			}
			check := func(method string, mean, sd Num, sdDigits float64) {
				dm, ds := digits(mean.V, c.set.mean), digits(sd.V, c.set.sd)
				t.Logf("%s: mean to %.1f digits, sd to %.1f", method, dm, ds)
				if !mean.OK || dm < c.meanDigits {
					t.Errorf("%s: mean %v, certified %v: %.1f digits, want %v", method, mean, c.set.mean, dm, c.meanDigits)
				}
				if !sd.OK || ds < sdDigits {
					t.Errorf("%s: sd %v, certified %v: %.1f digits, want %v", method, sd, c.set.sd, ds, sdDigits)
				}
			}
			check("streaming", num(m.Mean()), num(m.SD()), c.sdDigits)
			s := statOf(len(c.set.values), fillFrom(c.set.values))
			check("two passes", s.Mean, s.SD, c.twoPass)

			if c.onePassMost > 0 {
				var sum, squares float64
				for _, x := range c.set.values {
					sum += x
					squares += x * x
				}
				n := float64(c.n)
				naive := math.Sqrt(max(squares-sum*sum/n, 0) / (n - 1))
				if d := digits(naive, c.set.sd); d > c.onePassMost {
					t.Errorf("one pass reaches %.1f digits: the set tells nothing", d)
				}
			}
		})
	}
}

func num(v float64, ok bool) Num { return Num{v, ok} }

func fillFrom(values []float64) func([]float64, int) {
	return func(dst []float64, from int) { copy(dst, values[from:from+len(dst)]) }
}

func TestMomentsShort(t *testing.T) {
	for _, c := range []struct {
		name         string
		in           []float64
		n            int
		mean, sd, se Num
	}{
		{name: "empty"},
		{name: "one", in: []float64{-3}, n: 1, mean: Known(-3)},
		{name: "zeros are values", in: []float64{0, 0}, n: 2,
			mean: Known(0), sd: Known(0), se: Known(0)},
		{name: "falling", in: []float64{9, 5, 1, 1}, n: 4, // Σd² = 44
			mean: Known(4), sd: Known(math.Sqrt(44.0 / 3)), se: Known(math.Sqrt(44.0 / 12))},
		{name: "NaN and Inf left out", in: []float64{math.NaN(), 1, math.Inf(1), 3, math.Inf(-1)}, n: 2,
			mean: Known(2), sd: Known(math.Sqrt2), se: Known(1)},
		{name: "only NaN", in: []float64{math.NaN()}},
	} {
		var m moments
		for _, x := range c.in {
			m.Add(x)
		}
		if m.N() != c.n {
			t.Errorf("%s: n %d, want %d", c.name, m.N(), c.n)
		}
		for _, f := range []struct {
			name      string
			got, want Num
		}{
			{"mean", num(m.Mean()), c.mean}, {"sd", num(m.SD()), c.sd}, {"se", num(m.SE()), c.se},
		} {
			if f.got.OK != f.want.OK || f.got.OK && math.Abs(f.got.V-f.want.V) > 1e-14 {
				t.Errorf("%s: %s %v, want %v", c.name, f.name, f.got, f.want)
			}
		}
	}
}

// Any split merged in any grouping tells what one run does; a shift of all
// values shifts the mean alone.
func TestMomentsMerge(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.OneOf(rapid.Float64Range(-1e3, 1e3), rapid.SampledFrom([]float64{0, math.NaN(), math.Inf(1)}))
		parts := rapid.SliceOfN(rapid.SliceOfN(value, 0, 20), 0, 6).Draw(t, "parts")
		shift := rapid.Float64Range(-1e6, 1e6).Draw(t, "shift")
		var whole, merged, right, shifted moments
		for _, part := range parts {
			var m moments
			for _, x := range part {
				whole.Add(x)
				m.Add(x)
				shifted.Add(x + shift)
			}
			merged.Merge(m)
		}
		for i := len(parts) - 1; i >= 0; i-- {
			var m moments
			for _, x := range parts[i] {
				m.Add(x)
			}
			m.Merge(right)
			right = m
		}
		same := func(name string, m moments, shift, tolerance float64) {
			if m.n != whole.n {
				t.Fatalf("%s: n %d, whole %d", name, m.n, whole.n)
			}
			for _, p := range [][2]float64{
				{m.first + m.mean, whole.first + whole.mean + shift}, {math.Sqrt(m.m2), math.Sqrt(whole.m2)},
			} {
				if whole.n > 0 && math.Abs(p[0]-p[1]) > tolerance {
					t.Fatalf("%s: %+v, whole %+v", name, m, whole)
				}
			}
		}
		same("merged", merged, 0, 1e-9)
		same("from the right", right, 0, 1e-9)
		same("shifted", shifted, shift, 1e-6)
	})
}

func BenchmarkMomentsAdd(b *testing.B) {
	var m moments
	for b.Loop() {
		m.Add(60.5)
	}
}

// Products are finite on processors that fuse multiplication and subtraction too
// (arm64): there 1.1·1.1 less itself is not 0.
func TestFinite(t *testing.T) {
	for _, x := range []float64{0, 1.1, 1 / 3.0, -1e10 / 3, 1e-160, math.MaxFloat64, math.SmallestNonzeroFloat64} {
		if !finite(x) {
			t.Errorf("%v is not finite", x)
		}
		if square := math.Abs(x) < 1e150; square && !finite(x*x) {
			t.Errorf("the square of %v is not finite", x)
		}
	}
	for _, x := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if finite(x) {
			t.Errorf("%v is finite", x)
		}
	}
}
