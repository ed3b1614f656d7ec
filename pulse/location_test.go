package pulse

import (
	"encoding/json"
	"testing"
)

// The texts are those of the measurement document; it is read back as it was.
func TestPlaceText(t *testing.T) {
	for want, p := range map[string]Location{
		"":                              {},
		"train 3, pulse 7":              {Train: 3, Pulse: 7},
		"train 1, pulse 2, closing":     {Train: 1, Pulse: 2, Side: Closing},
		"before train 2":                {Train: 2},
		"cycle 120":                     {Cycle: 120},
		"cycle 120, lobe 4":             {Cycle: 120, Lobe: 4},
		"cycle 1, lobe 4, opening":      {Cycle: 1, Lobe: 4, Side: Opening},
		"pulse 2":                       {Pulse: 2},
		"lobe 2 as the log counts them": {Lobe: 2, LobeBy: LobesByLog},
		"lobe 3 of the cam":             {Lobe: 3, LobeBy: LobesByReference},
	} {
		if p.String() != want {
			t.Errorf("%q, want %q", p, want)
		}
		if p.LobeBy != "" {
			continue // of no document
		}
		b, err := json.Marshal(Item{At: p})
		var back Item
		if err2 := json.Unmarshal(b, &back); err != nil || err2 != nil || back.At != p {
			t.Errorf("%q is read as %+v: %v, %v", want, back.At, err, err2)
		}
	}
	for _, bad := range []string{"train", "train 0", "train x, pulse 1", "digit 3", "lobe 2 of the cam", ",", "cycle 1,"} {
		if err := new(Location).UnmarshalText([]byte(bad)); err == nil {
			t.Errorf("%q is read", bad)
		}
	}
}

func TestCauseText(t *testing.T) {
	for want, c := range map[string]Cause{
		"time base": {TimeBase, ""},
		"edge-time noise (calibration of (today), a)": {EdgeNoise, "calibration of (today), a"},
		"time resolution (steps of 24 µs)":            {Resolution, "steps of 24 µs"},
		"opto-coupler asymmetry (given)":              {Asymmetry, "given"},
	} {
		b, err := json.Marshal(Component{Cause: c})
		var back Component
		if err2 := json.Unmarshal(b, &back); err != nil || err2 != nil || back.Cause != c || c.String() != want {
			t.Errorf("%q is read as %+v: %v, %v", c, back.Cause, err, err2)
		}
	}
	if err := new(Cause).UnmarshalText([]byte("the moon (full)")); err == nil {
		t.Error("it is read")
	}
}
