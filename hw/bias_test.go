package hw

import (
	"encoding/json"
	"testing"
)

// A bias is asked for by the words of the flag --bias, and shown without the
// hyphen of as-is.
func TestBiasText(t *testing.T) {
	for text, want := range map[string]Bias{"as-is": BiasAsIs, "as is": BiasAsIs, "pull-up": BiasPullUp, "pull-down": BiasPullDown, "disabled": BiasDisabled} {
		got := BiasDisabled
		if err := got.UnmarshalText([]byte(text)); err != nil || got != want {
			t.Errorf("%s: %v, %v", text, got, err)
		}
	}
	b := BiasPullUp
	if err := b.UnmarshalText([]byte("up")); err == nil || err.Error() != "expected as-is, pull-up, pull-down, disabled" || b != BiasPullUp {
		t.Errorf("%v, %v", b, err)
	}
	line, _ := json.Marshal(LineInfo{Bias: BiasPullDown})
	var back LineInfo
	if err := json.Unmarshal(line, &back); err != nil || back.Bias != BiasPullDown {
		t.Errorf("%s: %+v, %v", line, back, err)
	}
}
