package watch

import (
	"testing"

	"makebreak/daemon/store"
	"makebreak/daemon/trend"
	"makebreak/pulse"
)

// A finding of a change is read back as it was told; others are none.
func TestChangeOf(t *testing.T) {
	of := trend.Subject{Lobe: 3, Of: "break"}
	f := store.Finding{Kind: store.Drifts, Detail: store.Detail(changeDetail{Subject: of, Lobe: 2, SinceRunNS: 7e9})}
	if x, ok := changeOf(&f); !ok || x.Kind != trend.Drifting || x.Subject != of || x.Lobe != 2 || x.Since != 7e9 {
		t.Errorf("%+v, %v", x, ok)
	}
	if _, ok := changeOf(&store.Finding{Kind: store.Missing, Detail: f.Detail}); ok {
		t.Error("a missing interruption is taken for a change")
	}
}

// A contact that is not read leaves the other one's breaks decided: none is lost.
func TestPairsOfAContactNotRead(t *testing.T) {
	p := trend.NewPair("in", "out", pulse.KindDial, 0, 0, nil)
	in := trend.PairSide{Pair: p}
	out := new(contact)
	out.sides.Store(&[]trend.PairSide{{Pair: p, IsOutput: true}})
	in.From(0)
	for i := range pulse.Stamp(600) {
		at := i * 100e6
		in.Feed(pulse.Transition{At: at, End: at})
		in.Feed(pulse.Transition{At: at + 60e6, End: at + 60e6, Closed: true})
		out.tellPairs(at)
	}
	if n := p.Counts(); n.Unknown < 400 || n.Lost != 0 || n.Pairs != 0 {
		t.Errorf("%+v, want some 550 of 600 unknown", n)
	}
}
