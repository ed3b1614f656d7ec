package report

import (
	"bytes"
	"encoding/json"
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"makebreak/daemon/stretch"
	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

// The document is what encoding/json writes.
func TestResultJSON(t *testing.T) {
	check := func(t interface{ Error(...any) }, d Result) {
		var got, want bytes.Buffer
		if err := d.JSON(&got); err != nil {
			t.Error(err)
		}
		e := json.NewEncoder(&want)
		e.SetIndent("", "  ")
		e.SetEscapeHTML(false)
		if err := e.Encode(d); err != nil {
			t.Error(err)
		}
		if diff := cmp.Diff(want.String(), got.String()); diff != "" {
			t.Error(diff)
		}
	}
	for _, desc := range []string{"dial digits=1234567890 jitter=1ms lost=0.02", "cam lobes=3"} {
		for _, n := range []int{1, 3, 1 << 20} {
			edges := hwtest.Sim(t, desc)
			m := measureEdges(t, edges[:min(n, len(edges))], pulse.Config{Limits: nil})
			m.Source = "\n    \"trains\": []<&>"
			check(t, Result{Measurement: m})
			check(t, Result{m, &Line{Line: "<HOOK>"}, &stretch.Report{Site: "Marrow Quay"}})
		}
	}
	var many []pulse.Train // in several batches, the last one full and not
	for i := range 3 * trainsAtOnce {
		many = append(many, pulse.Train{Pulses: i, StartS: float64(i), RatePPS: pulse.Known(10 + float64(i)/1e3)})
	}
	for _, n := range []int{1, trainsAtOnce - 1, trainsAtOnce, trainsAtOnce + 1, len(many) - 1, len(many)} {
		check(t, Result{Measurement: &pulse.Measurement{Dial: &pulse.Dial{Trains: pulse.TrainsOf(many[:n]...)}}})
	}
	num := rapid.Custom(func(t *rapid.T) pulse.Num {
		if rapid.Bool().Draw(t, "measured") {
			return pulse.Known(rapid.Float64().Draw(t, "value"))
		}
		return pulse.Num{}
	})
	rapid.Check(t, func(t *rapid.T) {
		x := pulse.Train{
			Pulses: rapid.Int().Draw(t, "pulses"), StartS: float64(rapid.Int64().Draw(t, "start")) / 1e9,
			RatePPS: num.Draw(t, "rate"), BreakPercent: num.Draw(t, "percent"), GapBeforeMS: num.Draw(t, "gap"), Partial: rapid.Bool().Draw(t, "partial"),
		}
		if rapid.Bool().Draw(t, "decoded") {
			s := rapid.SampledFrom([]string{"0", "9"}).Draw(t, "digit")
			x.Digit = &s
		}
		check(t, Result{Measurement: &pulse.Measurement{Dial: &pulse.Dial{Trains: pulse.TrainsOf(x, x)}}})
	})
}

// A writer that fails ends the writing, with its error.
func TestResultJSONFails(t *testing.T) {
	trains := make([]pulse.Train, 40*trainsAtOnce)
	d := Result{Measurement: &pulse.Measurement{Dial: &pulse.Dial{Trains: pulse.TrainsOf(trains...)}}}
	for _, after := range []int{0, 1, 2, 3} {
		w := &failing{after: after}
		if err := d.JSON(w); err != errFailing || w.writes != after+1 {
			t.Errorf("failing after %d writes: %v after %d", after, err, w.writes)
		}
	}
}

var errFailing = errors.New("the pipe is closed")

type failing struct{ after, writes int }

func (f *failing) Write(b []byte) (int, error) {
	if f.writes++; f.writes > f.after {
		return 0, errFailing
	}
	return len(b), nil
}
