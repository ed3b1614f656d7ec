package config

import (
	"math"
	"testing"

	"makebreak/pulse"
)

// A dial train or a cam's interruptions whose every period is periodNS with a
// break of breakNS, and a pause of gapNS between two trains.
func steady(kind pulse.Kind, breakNS, periodNS, gapNS float64) (e []pulse.Edge) {
	at := 0.0
	add := func(l pulse.Level) { e = append(e, pulse.Edge{At: pulse.Stamp(math.Round(at)), Level: l}) }
	n := 5
	if kind == pulse.KindInterrupter {
		n = 40
	}
	for range 2 {
		for i := range n {
			add(pulse.Low)
			at += breakNS
			add(pulse.High)
			if i < n-1 {
				at += periodNS - breakNS
			}
		}
		if kind == pulse.KindInterrupter {
			return e
		}
		at += gapNS
	}
	return e
}

// Signals made just inside, on and just outside a published limit are given
// the statement that the guard band of one expanded uncertainty demands
// (ILAC-G8:09/2019).
func TestStatementsAtThePublishedLimits(t *testing.T) {
	const (
		s002  = "AS/CA S002:2010 cl. 5.5.1.8"
		japan = "Japan, MPT Ordinance 30 of 1985, Annexed Table 1"
		post  = "Deutsche Bundespost training text, Hackerbibel 1 reprint"
		fcc   = "47 CFR 80.74"
	)
	// make gives break, period and pause in ms for a value of the quantity.
	for _, c := range []struct {
		id       string
		quantity pulse.Quantity
		bound    string
		limit    float64
		source   string
		signal   func(v float64) (brk, period, gap float64)
	}{
		{"au-s002-dial", pulse.BreakMS, "min", 60, s002, func(v float64) (float64, float64, float64) { return v, v + 35, 800 }},
		{"au-s002-dial", pulse.BreakMS, "max", 70, s002, func(v float64) (float64, float64, float64) { return v, v + 35, 800 }},
		{"au-s002-dial", pulse.MakeMS, "min", 30, s002, func(v float64) (float64, float64, float64) { return 65, v + 65, 800 }},
		{"au-s002-dial", pulse.MakeMS, "max", 40, s002, func(v float64) (float64, float64, float64) { return 65, v + 65, 800 }},
		{"au-s002-dial", pulse.InterdigitMS, "min", 750, s002, func(v float64) (float64, float64, float64) { return 65, 100, v }},
		{"au-s002-dial", pulse.InterdigitMS, "max", 3000, s002, func(v float64) (float64, float64, float64) { return 65, 100, v }},
		{"jp-exchange-10pps", pulse.RatePPS, "min", 9, japan, func(v float64) (float64, float64, float64) { return 640 / v, 1000 / v, 700 }},
		{"jp-exchange-10pps", pulse.RatePPS, "max", 11, japan, func(v float64) (float64, float64, float64) { return 640 / v, 1000 / v, 700 }},
		{"jp-exchange-10pps", pulse.BreakPercent, "min", 58, japan, func(v float64) (float64, float64, float64) { return v, 100, 700 }},
		{"jp-exchange-10pps", pulse.BreakPercent, "max", 70, japan, func(v float64) (float64, float64, float64) { return v, 100, 700 }},
		{"jp-exchange-10pps", pulse.InterdigitMS, "min", 600, japan, func(v float64) (float64, float64, float64) { return 64, 100, v }},
		{"jp-exchange-20pps", pulse.RatePPS, "min", 18.4, japan, func(v float64) (float64, float64, float64) { return 670 / v, 1000 / v, 700 }},
		{"jp-exchange-20pps", pulse.RatePPS, "max", 21.6, japan, func(v float64) (float64, float64, float64) { return 670 / v, 1000 / v, 700 }},
		{"jp-exchange-20pps", pulse.BreakPercent, "min", 64, japan, func(v float64) (float64, float64, float64) { return v / 2, 50, 700 }},
		{"jp-exchange-20pps", pulse.BreakPercent, "max", 70, japan, func(v float64) (float64, float64, float64) { return v / 2, 50, 700 }},
		{"jp-exchange-20pps", pulse.InterdigitMS, "min", 450, japan, func(v float64) (float64, float64, float64) { return 33.5, 50, v }},
		{"de-bundespost-dial", pulse.PeriodMS, "min", 90, post, func(v float64) (float64, float64, float64) { return v * 0.61, v, 800 }},
		{"de-bundespost-dial", pulse.PeriodMS, "max", 110, post, func(v float64) (float64, float64, float64) { return v * 0.61, v, 800 }},
		{"de-bundespost-dial", pulse.BreakRatio, "min", 1.3, post, func(v float64) (float64, float64, float64) { return 100 * v / (1 + v), 100, 800 }},
		{"de-bundespost-dial", pulse.BreakRatio, "max", 1.9, post, func(v float64) (float64, float64, float64) { return 100 * v / (1 + v), 100, 800 }},
		{"us-fcc-busy", pulse.RateIPM, "min", 54, fcc, func(v float64) (float64, float64, float64) { return 500, 60e3 / v, 0 }},
		{"us-fcc-busy", pulse.RateIPM, "max", 66, fcc, func(v float64) (float64, float64, float64) { return 500, 60e3 / v, 0 }},
		{"us-fcc-busy", pulse.BreakMS, "min", 450, fcc, func(v float64) (float64, float64, float64) { return v, 1000, 0 }},
		{"us-fcc-busy", pulse.BreakMS, "max", 550, fcc, func(v float64) (float64, float64, float64) { return v, 1000, 0 }},
	} {
		p, err := Profile(c.id)
		if err != nil {
			t.Fatal(err)
		}
		judged := func(v float64) pulse.Item {
			m, err := pulse.NewMeter(pulse.Config{Limits: p})
			if err != nil {
				t.Fatal(err)
			}
			brk, period, gap := c.signal(v)
			m.Add(steady(p.Kind, brk*1e6, period*1e6, gap*1e6))
			for _, i := range m.Finish(0).Conformity.Items {
				if i.Quantity == string(c.quantity) && i.Bound == c.bound {
					return i
				}
			}
			t.Fatalf("%s has no %s of %s", c.id, c.bound, c.quantity)
			return pulse.Item{}
		}
		on := judged(c.limit)
		u, into := on.ExpandedU.V, 1.0
		if c.bound == "max" {
			into = -1
		}
		if on.Limit != c.limit || u <= 0 {
			t.Errorf("%s %s %s: limit %v, want %v (%s); uncertainty %v", c.id, c.bound, c.quantity, on.Limit, c.limit, c.source, u)
		}
		for _, x := range []struct {
			by   float64 // in expanded uncertainties, positive is inside
			want pulse.Statement
		}{{1.2, pulse.Pass}, {0.8, pulse.ConditionalPass}, {-0.8, pulse.ConditionalFail}, {-1.2, pulse.Fail}} {
			got := judged(c.limit + into*x.by*u)
			if got.Statement != x.want {
				t.Errorf("%s %s %s (%s): %+.1f U from the limit, at %v: %s, want %s", c.id, c.bound, c.quantity, c.source, x.by, got.Observed.V, got.Statement, x.want)
			}
			if out := got.OutOfLimit > 0; out != (x.by < 0) {
				t.Errorf("%s %s %s: %d of %d out of limit at %v", c.id, c.bound, c.quantity, got.OutOfLimit, got.Of, got.Observed.V)
			}
		}
		// On the limit, as exactly as whole nanoseconds can be: inside or
		// outside by a rounding, but never sure.
		if s := on.Statement; s != pulse.ConditionalPass && s != pulse.ConditionalFail {
			t.Errorf("%s %s %s: %s on the limit", c.id, c.bound, c.quantity, s)
		}
		if c.quantity != pulse.RatePPS && c.quantity != pulse.RateIPM && c.quantity != pulse.BreakRatio && on.Statement != pulse.ConditionalPass {
			t.Errorf("%s %s %s: %s exactly on the limit, want a conditional pass", c.id, c.bound, c.quantity, on.Statement)
		}
	}
}
