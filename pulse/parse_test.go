package pulse

import (
	"encoding/json"
	"testing"
)

// The texts are those of the flags and of the configuration file.
func TestParse(t *testing.T) {
	for s, want := range map[string]Kind{"auto": KindAuto, "dial": KindDial, "interrupter": KindInterrupter} {
		if k, ok := ParseKind(s); k != want || !ok {
			t.Errorf("%s: %v", s, k)
		}
	}
	for s, want := range map[string]Polarity{"high": ClosedHigh, "low": ClosedLow} {
		if p, ok := ParsePolarity(s); p != want || !ok {
			t.Errorf("%s: %v", s, p)
		}
	}
	for s, want := range map[string]Level{"low": Low, "high": High, "unknown": Unknown} {
		if l, ok := ParseLevel(s); l != want || !ok {
			t.Errorf("%s: %v", s, l)
		}
	}
	for s, want := range map[string]Timing{"first": TimingFirst, "settled": TimingSettled} {
		if x, ok := ParseTiming(s); x != want || !ok {
			t.Errorf("%s: %v", s, x)
		}
	}
	for s, want := range map[string]Coding{"normal": CodingNormal, "n+1": CodingNPlus1, "10-n": Coding10MinusN} {
		if c, ok := ParseCoding(s); c != want || !ok {
			t.Errorf("%s: %v", s, c)
		}
	}
	if k, ok := ParseKind("Dial"); k != KindAuto || ok {
		t.Errorf("%v, %v", k, ok)
	}
}

// A document has a level and a polarity in words, and refuses other words.
func TestTextCodecs(t *testing.T) {
	type both struct {
		L Level
		P Polarity
	}
	b, err := json.Marshal(both{High, ClosedLow})
	if err != nil || string(b) != `{"L":"high","P":"low"}` {
		t.Errorf("%s, %v", b, err)
	}
	var got both
	if err := json.Unmarshal(b, &got); err != nil || got != (both{High, ClosedLow}) {
		t.Errorf("%v, %v", got, err)
	}
	for _, s := range []string{`{"L":"up"}`, `{"P":"unknown"}`} {
		if err := json.Unmarshal([]byte(s), &got); err == nil {
			t.Errorf("%s was taken", s)
		}
	}
}
