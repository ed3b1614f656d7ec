package pulse

import (
	"slices"
	"testing"
)

// The order in which the whole takes the worst of its parts: the project's own
// contract, with the statements of ILAC-G8:09/2019, 4.2.3.
var worstFirst = []Statement{Fail, ConditionalFail, NotMeasured, ConditionalPass, Pass}

func TestWorstItemOrder(t *testing.T) {
	for i, a := range worstFirst {
		for j, b := range worstFirst {
			c := &Conformity{Items: []Item{{Statement: a}, {Statement: b}, {Statement: Pass}}}
			if want := worstFirst[min(i, j)]; c.WorstItem() != want {
				t.Errorf("%s and %s: %s, want %s", a, b, c.WorstItem(), want)
			}
		}
	}
	if s := new(Conformity).WorstItem(); s != NotMeasured {
		t.Errorf("without an item: %s", s)
	}
}

// A cause makes a statement worse or leaves it, and is named once; no cause
// changes nothing.
func TestAtBest(t *testing.T) {
	for i, before := range worstFirst {
		for j, most := range worstFirst {
			c := Conformity{Statement: before, Because: []string{}}
			if c.AtBest(most); c.Statement != before || len(c.Because) != 0 {
				t.Errorf("%s, without a cause: %+v", before, c)
			}
			c.AtBest(most, "a", "b")
			c.AtBest(most, "a")
			if want := worstFirst[min(i, j)]; c.Statement != want || !slices.Equal(c.Because, []string{"a", "b"}) {
				t.Errorf("%s, at best %s: %+v, want %s", before, most, c, want)
			}
		}
	}
}

func TestFaultsBecause(t *testing.T) {
	for _, c := range []struct {
		f    Faults
		want []string
	}{
		{Faults{}, nil},
		{Faults{Missing: 1}, []string{"1 interruption is missing"}},
		{Faults{Missing: 3, Extra: 1}, []string{"3 interruptions are missing", "1 interruption is extra"}},
		{Faults{Extra: 2, Slips: 1}, []string{"2 interruptions are extra", "the phase slipped once"}},
		{Faults{Slips: 4}, []string{"the phase slipped 4 times"}},
		{Faults{Stalls: 1}, []string{"1 break stalled inside a digit"}},
		{Faults{Stalls: 2}, []string{"2 breaks stalled inside a digit"}},
	} {
		if got := c.f.Because(); !slices.Equal(got, c.want) {
			t.Errorf("%+v: %q, want %q", c.f, got, c.want)
		}
	}
}

// Whatever the limits say of the cycles that are left, a missing, an extra or
// a slipped interruption is a fail, and is named; none is not. By the
// project's own contract; the cams are invented.
func TestFaultsNeverPass(t *testing.T) {
	wide := &Profile{ID: "wide", Kind: KindInterrupter, Limits: []Limit{{Quantity: RateIPM, Min: bound(50), Max: bound(70)}}}
	never := &Profile{ID: "never", Kind: KindInterrupter, Limits: []Limit{{Quantity: RateIPM, Max: bound(59)}}}
	bare := &Profile{ID: "bare", Kind: KindInterrupter, CadenceNS: []int64{500e6, 500e6}}
	sound := camEdges(0, 1000, 500, 40, nil)
	gone := camEdges(0, 1000, 500, 40, nil, 12)
	more := slices.Clone(sound)
	at := sound[40].At + Stamp(150e6) // within a break: a short make
	more = slices.Insert(more, 41, Edge{At: at, Level: sound[41].Level}, Edge{At: at + Stamp(60e6), Level: sound[40].Level})
	slipped := slices.Clone(sound)
	for i := 40; i < len(slipped); i++ {
		slipped[i].At += Stamp(450e6)
	}
	for _, c := range []struct {
		name  string
		p     *Profile
		edges []Edge
		want  Statement
		fault bool
	}{
		{"sound", wide, sound, Pass, false},
		{"missing", wide, gone, Fail, true},
		{"extra", wide, more, Fail, true},
		{"slipped", wide, slipped, Fail, true},
		{"out of limits", never, sound, Fail, false},
		{"out of limits and missing", never, gone, Fail, true},
		{"no limit", bare, sound, NotMeasured, false},
		{"no limit and missing", bare, gone, Fail, true},
	} {
		r := measure(t, Config{Kind: KindInterrupter, Limits: c.p, PeriodNS: 1e9}, c.edges)
		if got := r.Conformity; got.Statement != c.want || len(got.Because) > 0 != c.fault || !slices.Equal(got.Because, append([]string{}, r.Faults().Because()...)) {
			t.Errorf("%s: %s because %q; %+v", c.name, got.Statement, got.Because, r.Interrupter)
		}
	}
	if r := measure(t, Config{PeriodNS: 1e9, Kind: KindInterrupter}, gone); r.Conformity != nil || r.Faults() != (Faults{Missing: 1}) {
		t.Errorf("without limits: %+v, %+v", r.Conformity, r.Faults())
	}
}

// A dial's stall fails the whole, whatever the limits say, and is named once.
// The dial is invented.
func TestStallNeverPasses(t *testing.T) {
	p := &Profile{ID: "gap only", Kind: KindDial, Limits: []Limit{{Quantity: InterdigitMS, Min: bound(100)}}}
	sound := dialEdges(0, 100, 65, 800, 5, 5)
	stalled := slices.Clone(sound)
	for i := 5; i < len(stalled); i++ { // the third break of the first digit
		stalled[i].At += Stamp(500e6)
	}
	for _, c := range []struct {
		edges  []Edge
		want   Statement
		causes int
	}{{sound, Pass, 0}, {stalled, Fail, 1}} {
		r := measure(t, Config{Limits: p}, c.edges)
		if got := r.Conformity; got.WorstItem() != Pass || got.Statement != c.want || len(got.Because) != c.causes || int(r.Faults().Stalls) != c.causes {
			t.Errorf("%s because %q, want %s; %d stalls", got.Statement, got.Because, c.want, r.Dial.Stalls)
		}
	}
}
