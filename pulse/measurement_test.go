package pulse

import (
	"encoding/json"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// By the rule, worked by hand: 12 significant digits, but 9 to 12 decimals.
func TestNumJSON(t *testing.T) {
	for _, c := range []struct {
		n    Num
		want string
	}{
		{Num{}, "null"},
		{Known(0), "0"},
		{Known(0.1 + 0.2), "0.3"}, // 0.30000000000000004
		{Known(200.0 / 3), "66.6666666667"},
		{Known(-200.0 / 3), "-66.6666666667"},
		{Known(2.0 / 3e4), "6.6666667e-05"},
		{Known(909.2000000000002), "909.2"},
		{Known(60123456789 / 1e6), "60123.456789"},               // a minute in ms, to the ns
		{Known(2592000123456789 / 1e9), "2.592000123456789e+06"}, // 30 days in s, to the ns
		{Known(4430822.730363296), "4.430822730363296e+06"},      // above 2^22 as it is
		{Known(1<<53 + 2), "9.007199254740994e+15"},
		{Known(-1e-14), "0"},
	} {
		got, err := json.Marshal(c.n)
		if err != nil || string(got) != c.want {
			t.Errorf("%v: %s, %v; want %s", c.n, got, err, c.want)
		}
		if c.n.OK {
			if r, _ := json.Marshal(Rounded(c.n.V)); string(r) != string(got) {
				t.Errorf("%v: rounded to %s", c.n, r)
			}
		}
	}
}

// Rounding changes no value by more than half of the 12th digit or decimal, and a
// rounded value not at all.
func TestRounded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := math.Pow(10, rapid.Float64Range(-10, 17).Draw(t, "exponent"))
		r := rounded(v)
		if math.Abs(r-v) > 5.01e-12*max(v, 0.1) || rounded(r) != r || rounded(-v) != -r {
			t.Errorf("%v is rounded to %v, then to %v", v, r, rounded(r))
		}
	})
}
