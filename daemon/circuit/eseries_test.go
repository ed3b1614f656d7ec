package circuit

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// The tables of IEC 60063, as handbooks print them; copied from memory.
const (
	table24 = "100 110 120 130 150 160 180 200 220 240 270 300 330 360 390 430 470 510 560 620 680 750 820 910"
	table96 = `100 102 105 107 110 113 115 118 121 124 127 130 133 137 140 143 147 150 154 158 162 165 169 174
178 182 187 191 196 200 205 210 215 221 226 232 237 243 249 255 261 267 274 280 287 294 301 309
316 324 332 340 348 357 365 374 383 392 402 412 422 432 442 453 464 475 487 499 511 523 536 549
562 576 590 604 619 634 649 665 681 698 715 732 750 768 787 806 825 845 866 887 909 931 953 976`
)

// Each value of the tables is found when it is asked for, in every decade, and the
// one below it for a little less.
func TestSeriesAreThoseOfTheStandard(t *testing.T) {
	for s, table := range map[Series]string{E24: table24, E96: table96} {
		words := strings.Fields(table)
		if len(words) != s.size() {
			t.Fatalf("%s: %d values, want %d", s, s.size(), len(words))
		}
		for decade := 1.0; decade < 1e6; decade *= 10 {
			for i, w := range words {
				v, err := strconv.ParseFloat(w, 64)
				if err != nil {
					t.Fatal(err)
				}
				want := v / 100 * decade
				if got, ok := s.AtMost(want); !ok || math.Abs(got-want) > 1e-9*want {
					t.Errorf("%s: at most %v is %v", s, want, got)
				}
				if i == 0 {
					continue
				}
				below, _ := strconv.ParseFloat(words[i-1], 64)
				below *= decade / 100
				if got, ok := s.AtMost(want * 0.9999); !ok || math.Abs(got-below) > 1e-9*below {
					t.Errorf("%s: at most a little less than %v is %v, want %v", s, want, got, below)
				}
			}
		}
	}
}

func TestSeriesRefuses(t *testing.T) {
	for _, x := range []float64{math.NaN(), -1, 0, 0.99, 1.01e7, math.Inf(1)} {
		if got, ok := E24.AtMost(x); ok {
			t.Errorf("%v gives %v", x, got)
		}
	}
	var s Series
	if err := s.UnmarshalText([]byte("E12")); err == nil || !strings.Contains(err.Error(), "expected E24 (5 %) or E96 (1 %)") {
		t.Error(err)
	}
}

// The next value up is no more than a step of the series away: 10^(1/n), and as
// the tables are rounded 13 % for E24 (1.3 to 1.5, 15 %) and 3 % for E96.
func TestSeriesAreClose(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := math.Pow(10, rapid.Float64Range(0, 6.99).Draw(t, "decades"))
		for s, step := range map[Series]float64{E24: 1.16, E96: 1.03} {
			got, ok := s.AtMost(x)
			if !ok || got > x*(1+1e-9) || got*step < x {
				t.Fatalf("%s at most %v is %v", s, x, got)
			}
		}
	})
}
