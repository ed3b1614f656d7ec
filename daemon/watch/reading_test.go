package watch

import (
	"encoding/json"
	"testing"

	"github.com/google/go-cmp/cmp"

	"makebreak/daemon/config"
	"makebreak/daemon/store"
	"makebreak/pulse"
)

// What is logged of a configuration gives the same reading again.
func TestReading(t *testing.T) {
	chain := pulse.DefaultSetup()
	chain.EdgeNoiseNS = 5e3
	profile, err := config.Profile("us-fcc-busy")
	if err != nil {
		t.Fatal(err)
	}
	full := pulse.Config{
		Kind: pulse.KindDial, Polarity: pulse.ClosedLow, SettleNS: 3e6, Timing: pulse.TimingSettled, PulseMinNS: 11e6, PulseMaxNS: 190e6,
		TrainGapNS: 140e6, FlashMaxNS: 1.4e9, Coding: pulse.Coding10MinusN, CodingSet: true, Setup: &chain,
	}
	cam := pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 5e8, Lobes: 5, CadenceNS: []int64{4e8, 2e8}, Setup: &chain, Limits: profile,
		Drive: &pulse.Drive{MotorRPM: 1725, Lobes: 5, CamShaft: "cam", Shafts: []pulse.Shaft{{Name: "motor"}, {Name: "cam", From: "motor", DrivingTeeth: 4, OwnTeeth: 25}}}}
	for _, want := range []pulse.Config{full, cam} {
		got, err := Reading(configuration(&config.Contact{Name: "a", Meter: want}))
		if diff := cmp.Diff(want, got); err != nil || diff != "" {
			t.Errorf("%v: %s", err, diff)
		}
	}
	if got := Against(configuration(&config.Contact{Name: "in", Against: "out"})); got != "out" {
		t.Errorf("the second contact is %q, want out", got)
	}
	if _, err := Reading(store.Configuration{Settings: json.RawMessage(`[]`)}); err == nil {
		t.Error("settings that are no object were taken")
	}
	got, err := Reading(store.Configuration{Settings: json.RawMessage(`{}`)})
	if err != nil || got.Limits != nil || *got.Setup != pulse.DefaultSetup() {
		t.Errorf("empty settings: %+v, %v", got, err)
	}
}
