package report

import (
	"bufio"
	"bytes"
	"io"
	"math"
	"math/big"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"makebreak/pulse"
)

func TestRows(t *testing.T) {
	var b bytes.Buffer
	rows := Rows{w: bufio.NewWriter(&b), first: 1_000_000_000}
	for _, p := range []pulse.PulseRow{
		// The mean break and period of ten pulses at 11 pps and 60 %
		// (90.909 and 54.545 ms), to the nanosecond.
		{At: 1_000_000_001, Train: 1, Pulse: 1, BreakNS: 54_545_455, PeriodNS: 90_909_091, MakeNS: 36_363_636, BounceNS: 120_000},
		{At: 3_000_000_000, Train: 2, Pulse: 1, BreakNS: 60_000_000, GapNS: 800_000_000, Partial: true},
		{At: 4_000_000_000, Class: pulse.ClassFlash, BreakNS: 500_000_000},
		{At: 999_999_999, Class: pulse.ClassShort, BreakNS: 1},
		{At: 5_000_000_000, Class: pulse.ClassStall, Train: 3, Pulse: 2, BreakNS: 500_000_000, MakeNS: 300_000_000, PeriodNS: 800_000_000},
		{At: 1_000_000_000, Train: 3, Pulse: 1, BreakNS: math.MaxInt64, PeriodNS: math.MaxInt64},
	} {
		rows.pulse(&p)
	}
	rows.w.Flush()
	want := dialColumns +
		"0.000000001,pulse,1,1,54.545455,36.363636,90.909091,11,60,,0.12,0\n" +
		"2,pulse,2,1,60,,,,,800,0,1\n" +
		"3,flash,,,500,,,,,,0,0\n" +
		"-0.000000001,short break,,,0.000001,,,,,,0,0\n" +
		"4,stall,3,2,500,300,800,1.25,62.5,,0,0\n" +
		"0,pulse,3,1,9223372036854.775807,,9223372036854.775807,0,100,,0,0\n"
	if diff := cmp.Diff(want, b.String()); diff != "" {
		t.Error(diff)
	}

	b.Reset()
	rows = Rows{w: bufio.NewWriter(&b)}
	for _, c := range []pulse.CycleRow{
		{At: 0, Cycle: 1, Lobe: 1, Numbering: 1, PeriodNS: 1_000_000_000, BreakNS: 499_999_999, MakeNS: 500_000_001},
		{At: 3_000_000_000, Cycle: 2, PeriodNS: 3_000_000_000, BreakNS: 2_200_000_000, MakeNS: 800_000_000, BounceNS: 1,
			SegmentsNS: []int64{400_000_000, 200_000_000, 400_000_001, 1_999_999_999}},
		{At: 6_000_000_000, Cycle: 3, Lobe: 2, PeriodNS: 2_000_000_000, Missing: 1, Extra: 2},
	} {
		rows.cycle(&c)
	}
	rows.w.Flush()
	want = interrupterColumns +
		"0,1,1,1000,499.999999,500.000001,60,50,0,0,0,\n" +
		"3,2,,3000,2200,800,20,73.333333,0.000001,0,0,400 200 400.000001 1999.999999\n" +
		"6,3,,2000,,,30,,0,1,2,\n"
	if diff := cmp.Diff(want, b.String()); diff != "" {
		t.Error(diff)
	}
}

// Numbers are exact, or rounded to the nearest millionth: the check is
// math/big's arithmetic.
func TestRowNumbers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Int64().Draw(t, "v")
		got, ok := new(big.Rat).SetString(string(appendDecimal(nil, v, 9)))
		if !ok || got.Cmp(big.NewRat(v, 1e9)) != 0 {
			t.Fatalf("%d ns: got %s", v, appendDecimal(nil, v, 9))
		}
		whole := rapid.Int64Range(1, math.MaxInt64).Draw(t, "whole")
		part := rapid.Int64Range(0, whole).Draw(t, "part")
		text := strings.TrimPrefix(string(appendRatio(nil, part, 100, whole)), ",")
		got, ok = new(big.Rat).SetString(text)
		if !ok {
			t.Fatalf("%d of %d: got %q", part, whole, text)
		}
		off := new(big.Rat).Sub(got, new(big.Rat).Mul(big.NewRat(part, whole), big.NewRat(100, 1)))
		if off.Abs(off).Cmp(big.NewRat(1, 2e6)) > 0 {
			t.Fatalf("%d of %d: got %s, off by %s", part, whole, text, off.FloatString(9))
		}
	})
	// What no contact can do is left out rather than wrong.
	for _, got := range []string{string(appendRatio(nil, 1e9, 1, 0)), string(appendRatio(nil, 1e9, 1, -5)), string(appendRatio(nil, -1, 100, 5)), string(appendRatio(nil, math.MaxInt64, 100, 1))} {
		if got != "," {
			t.Errorf("got %q, want an empty field", got)
		}
	}
	if got := string(appendRatio(nil, 60e9, 1, 1)); got != "," {
		if _, err := strconv.ParseFloat(got[1:], 64); err != nil {
			t.Error(err)
		}
	}
}

func TestRowsAllocates(t *testing.T) {
	rows := Rows{w: bufio.NewWriter(io.Discard)}
	p := pulse.PulseRow{At: 1 << 60, Train: 1e6, Pulse: 10, BreakNS: 61_538_461, PeriodNS: 100_000_001, MakeNS: 38_461_540, GapNS: 1e9, BounceNS: 7}
	c := pulse.CycleRow{At: 1 << 60, Cycle: 1e6, PeriodNS: 1e9 + 1, BreakNS: 1e8 + 7, MakeNS: 1e8 + 7, SegmentsNS: []int64{1e8 + 7, 1e8 + 7}}
	rows.pulse(&p)
	rows.cycle(&c)
	if n := testing.AllocsPerRun(1000, func() { rows.pulse(&p); rows.cycle(&c) }); n != 0 {
		t.Errorf("%v allocations a row", n)
	}
}

func BenchmarkRows(b *testing.B) {
	rows := Rows{w: bufio.NewWriter(io.Discard)}
	p := pulse.PulseRow{At: 1 << 60, Train: 1e6, Pulse: 10, BreakNS: 61_538_461, PeriodNS: 100_000_001, MakeNS: 38_461_540, GapNS: 1e9, BounceNS: 7}
	b.ReportAllocs()
	for b.Loop() {
		rows.pulse(&p)
	}
}
