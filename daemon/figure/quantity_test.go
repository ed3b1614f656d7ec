package figure

import (
	"testing"

	"makebreak/pulse"
)

func TestQuantity(t *testing.T) {
	for name, want := range map[string][2]string{
		string(pulse.RatePPS):      {"rate", "pps"},
		string(pulse.RateIPM):      {"rate", "IPM"},
		string(pulse.BreakPercent): {"percent break", "%"},
		string(pulse.BreakRatio):   {"break : make", ": 1"},
		string(pulse.BreakMS):      {"break", "ms"},
		string(pulse.MakeMS):       {"make", "ms"},
		string(pulse.InterdigitMS): {"interdigit", "ms"},
		string(pulse.PeriodMS):     {"period", "ms"},
		string(pulse.BounceMS):     {"bounce", "ms"},
		pulse.Limit{Quantity: pulse.SegmentMS, Segment: 12}.Name(): {"segment 12", "ms"},
		"loop_resistance": {"loop_resistance", ""},
	} {
		noun, unit := Quantity(name)
		if got := [2]string{noun, unit}; got != want {
			t.Errorf("%s: got %q, want %q", name, got, want)
		}
	}
	if got := Difference("0.4", "%") + "|" + Difference("0.4", "ms"); got != "0.4 percentage points|0.4 ms" {
		t.Errorf("Difference: got %q", got)
	}
	if got := Unit("1.9", ": 1") + Unit("|7", ""); got != "1.9 : 1|7" {
		t.Errorf("Unit: got %q", got)
	}
}
