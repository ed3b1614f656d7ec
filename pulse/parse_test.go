package pulse

import "testing"

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
