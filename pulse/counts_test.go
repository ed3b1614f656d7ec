package pulse

import (
	"math"
	"reflect"
	"testing"
)

// Every counter is added and taken away; the numbers are invented.
func TestCountsAddAndSub(t *testing.T) {
	var n, more Counts
	v, w := reflect.ValueOf(&n).Elem(), reflect.ValueOf(&more).Elem()
	for i := range v.NumField() {
		v.Field(i).SetUint(uint64(100 * i))
		w.Field(i).SetUint(math.MaxUint32 + uint64(i)) // more than 32 bits hold
	}
	sum := n
	sum.Add(more)
	for i := range v.NumField() {
		if got, want := reflect.ValueOf(sum).Field(i).Uint(), math.MaxUint32+uint64(101*i); got != want {
			t.Errorf("%s is %d, want %d", v.Type().Field(i).Name, got, want)
		}
	}
	if got := sum.Sub(more); got != n {
		t.Errorf("%+v, want %+v", got, n)
	}
	if got := n.Sub(sum); got != (Counts{}) {
		t.Errorf("%+v below 0", got)
	}
}

// What fell due while nothing moved is counted once, also after the end.
func TestCountsAfterFinish(t *testing.T) {
	m, err := NewMeter(Config{Kind: KindInterrupter, Live: true, StartLevel: High, PeriodNS: 1e9})
	if err != nil {
		t.Fatal(err)
	}
	var e []Edge
	for i := range 20 {
		at := Stamp(i) * 1e9
		e = append(e, Edge{At: at + 1e8, Level: Low}, Edge{At: at + 6e8, Level: High})
	}
	m.Add(e)
	m.Advance(40e9)
	before := m.Counts()
	r := m.Finish(40e9)
	after := m.Counts()
	if before.Missing == 0 || after.Missing != uint64(r.Interrupter.Missing) || after.CyclesDue != uint64(r.Interrupter.Due) {
		t.Errorf("%d missing and %d due before the end, %d and %d after, %d and %d in the result",
			before.Missing, before.CyclesDue, after.Missing, after.CyclesDue, r.Interrupter.Missing, r.Interrupter.Due)
	}
}
