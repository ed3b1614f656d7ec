package plot

import (
	"bytes"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"makebreak/daemon/config"
	"makebreak/pulse"
)

// tried gives the cells of a grid as a relay with some scatter counts them: it
// follows a pulse whose break is longer than about 44 ms and whose make is
// longer than about 29 ms (invented).
func tried(g *pulse.MarginGrid, rng *rand.Rand) []pulse.MarginCell {
	cells := g.NewCells()
	for i := range cells {
		c := &cells[i]
		for c.Tries < g.Repeats {
			c.Tries++
			right := true
			for range 5 {
				right = right && float64(c.BreakNS()) > 44e6+6e5*rng.NormFloat64() && float64(c.MakeNS()) > 29e6+6e5*rng.NormFloat64()
			}
			if right {
				c.Right++
			}
		}
	}
	return cells
}

// steps gives values from one to another.
func steps(from, to, step float64) (v []float64) {
	for ; from <= to; from += step {
		v = append(v, from)
	}
	return v
}

// The plot shows what was found; MAKEBREAK_PLOTS=DIR keeps it to be looked at.
func TestMargin(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for name, c := range map[string]struct {
		grid    pulse.MarginGrid
		untried int // cells at the end
		limits  string
	}{
		"wide":  {pulse.MarginGrid{RatesPPS: steps(7, 13, 0.5), BreakPercents: steps(45, 80, 2.5)}, 0, "jp-exchange-10pps"},
		"small": {pulse.MarginGrid{RatesPPS: steps(8, 12, 2), BreakPercents: steps(50, 70, 10)}, 0, ""},
		"fine":  {pulse.MarginGrid{RatesPPS: steps(7, 14, 0.25), BreakPercents: steps(40, 80, 1)}, 400, "au-s002-dial"},
		"gaps":  {pulse.MarginGrid{RatesPPS: steps(8, 12, 1), BreakPercents: steps(45, 75, 5), GapsMS: []float64{200, 600}}, 0, "jp-exchange-10pps"},
		"one":   {pulse.MarginGrid{RatesPPS: []float64{10}, BreakPercents: steps(40, 80, 2)}, 0, "uk-gpo-dial-accept"},
	} {
		c.grid.Repeats = 10
		m := &Margin{Grid: &c.grid, Cells: tried(&c.grid, rng), Title: "The title", About: "what was tried", Note: "what it proves", LimitsName: c.limits}
		for i := range c.untried {
			m.Cells[len(m.Cells)-1-i].Tries, m.Cells[len(m.Cells)-1-i].Right = 0, 0
		}
		if c.limits != "" {
			var err error
			if m.Limits, err = config.Profile(c.limits); err != nil {
				t.Fatal(err)
			}
		}
		for suffix, magic := range map[string]string{".png": "\x89PNG", ".svg": "<svg"} {
			var b bytes.Buffer
			if err := Write(&b, m, suffix); err != nil {
				t.Fatal(err)
			}
			if !bytes.HasPrefix(b.Bytes(), []byte(magic)) || b.Len() < 3000 {
				t.Errorf("%s%s: %d bytes, %q", name, suffix, b.Len(), b.Bytes()[:20])
			}
			if suffix == ".svg" {
				for _, text := range []string{"The title", "what was tried", "what it proves", "rate, pulses per second"} {
					if !bytes.Contains(b.Bytes(), []byte(text)) {
						t.Errorf("%s: no %q", name, text)
					}
				}
				// The cells that are all right have their colour, and some are.
				if n := bytes.Count(b.Bytes(), []byte(`fill="#009E73"`)); n == 0 {
					t.Errorf("%s: nothing is right", name)
				}
				if has := bytes.Contains(b.Bytes(), []byte("limits "+c.limits)); has != (c.limits != "") {
					t.Errorf("%s: limits are named: %v", name, has)
				}
			}
			if dir := os.Getenv("MAKEBREAK_PLOTS"); dir != "" {
				if err := os.WriteFile(filepath.Join(dir, name+suffix), b.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	small := &pulse.MarginGrid{RatesPPS: []float64{10}, BreakPercents: []float64{60}, Repeats: 1}
	if err := Write(nil, &Margin{Grid: small, Cells: small.NewCells()}, ".jpg"); err == nil {
		t.Error("a format that is none was taken")
	}
}

// The outline of what limits allow runs along them.
func TestLimitOutline(t *testing.T) {
	v := func(x float64) *float64 { return &x }
	p := &pulse.Profile{Limits: []pulse.Limit{{Quantity: pulse.RatePPS, Min: v(9), Max: v(11)}, {Quantity: pulse.BreakPercent, Min: v(58), Max: v(70)}}}
	ring := limitOutline(p, pulse.Num{}, 40, 80, 7, 13)
	for _, at := range ring {
		onSide := math.Abs(at.X-58) < 1e-9 || math.Abs(at.X-70) < 1e-9
		if !onSide || at.Y < 9 || at.Y > 11 {
			t.Fatalf("a corner at %v", at)
		}
	}
	if ring[0] != ring[len(ring)-1] || ring[0].Y > 9.02 || ring[len(ring)/2].Y < 10.98 {
		t.Errorf("not around: %v … %v", ring[0], ring[len(ring)/2])
	}
	if ring := limitOutline(p, pulse.Num{}, 75, 80, 7, 13); ring != nil {
		t.Error("limits outside the plot are drawn")
	}
}
