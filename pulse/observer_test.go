package pulse

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestTee(t *testing.T) {
	var got []string
	note := func(who string) Observer {
		return Observer{
			Event: func(*Event) { got = append(got, who+" event") }, Pulse: func(*PulseRow) { got = append(got, who+" pulse") },
			Cycle: func(*CycleRow) { got = append(got, who+" cycle") }, Train: func(*Train) { got = append(got, who+" train") },
		}
	}
	o := Tee(Observer{}, note("a"), Observer{Cycle: note("b").Cycle}, note("c"))
	o.Event(nil)
	o.Pulse(nil)
	o.Cycle(nil)
	o.Train(nil)
	want := []string{"a event", "c event", "a pulse", "c pulse", "a cycle", "b cycle", "c cycle", "a train", "c train"}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	o = Tee(Observer{}, Observer{Pulse: func(*PulseRow) {}})
	if o.Pulse == nil || o.Event != nil || o.Cycle != nil || o.Train != nil {
		t.Errorf("%+v", o)
	}
	row := PulseRow{}
	seen := 0
	o = Tee(o, Observer{Pulse: func(r *PulseRow) { seen += r.Pulse }}, Observer{Pulse: func(*PulseRow) { seen++ }})
	if n := testing.AllocsPerRun(100, func() { o.Pulse(&row) }); n != 0 || seen == 0 {
		t.Errorf("%v allocations", n)
	}
}
