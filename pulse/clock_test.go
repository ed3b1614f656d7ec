package pulse

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// A Setup that a log holds from before the state of the clock was a value, with
// its words: those of a default, and invented ones that a user gave.
func TestClockFromOldLog(t *testing.T) {
	const old = `{"EdgeNoiseNS":20000,"EdgeNoiseFrom":"assumed, not calibrated","EdgeNoiseA":false,"AsymmetryNS":0,"AsymmetryUNS":57735,` +
		`"AsymmetryFrom":"assumed within ±0.1 ms, not calibrated","AsymmetryA":false,"ClockRel":0.00005,"ClockFrom":"assumed quartz","ResolutionNS":0,"CoverageFactorK":0}`
	var got Setup
	if err := json.Unmarshal([]byte(old), &got); err != nil || got != DefaultSetup() {
		t.Errorf("%+v, %v", got, err)
	}
	if b, err := json.Marshal(DefaultSetup()); err != nil || string(b) != old {
		t.Errorf("written as %s, %v: a log would tell of another configuration", b, err)
	}
	if err := json.Unmarshal([]byte(`{"ClockRel":2e-8,"ClockFrom":"oven, Marrow Quay 2026"}`), &got); err != nil ||
		got.ClockFrom != (ClockFrom{State: ClockGiven, Given: "oven, Marrow Quay 2026"}) || got.ClockRel != 2e-8 {
		t.Errorf("%+v, %v", got, err)
	}
	if err := json.Unmarshal([]byte(`{"ClockFrom":7}`), &got); err == nil {
		t.Errorf("a number was taken: %+v", got)
	}
}

// Each is read back as it was, also one given in the words of another.
func TestClockFromIsReadBack(t *testing.T) {
	for want, text := range map[ClockFrom]string{
		{}:                      "",
		{Given: "given"}:        "given",
		{State: ClockAssumed}:   "assumed quartz",
		{Given: assumedQuartz}:  "assumed quartz",
		{State: ClockUnsteered}: "clock not synchronised: assumed quartz",
		{State: ClockSynchronised, CorrectionPPM: -12, EstimatedErrorNS: 300e3}: "clock synchronised, correction -12.000 ppm, estimated error 300µs",
	} {
		if want.String() != text {
			t.Errorf("%+v is %q, want %q", want, want, text)
		}
		b, err := json.Marshal(want)
		if err != nil {
			t.Fatal(err)
		}
		var got ClockFrom
		if err := json.Unmarshal(b, &got); err != nil || got != want {
			t.Errorf("%s: %s, %v", b, cmp.Diff(want, got), err)
		}
	}
}

// Times below a minute are as the standard library writes them.
func TestErrorText(t *testing.T) {
	for _, ns := range []int64{0, 1, 999, 1000, 1500, 300e3, 999_999, 1e6, 4_321_000, 999_999_999, 1e9, 16e9, 59_000_001_000} {
		if got, want := errorText(ns), time.Duration(ns).String(); got != want {
			t.Errorf("%d ns: %s, want %s", ns, got, want)
		}
	}
}
