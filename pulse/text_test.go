package pulse

import (
	"encoding"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The texts are those of the flags and of the configuration file.
func TestText(t *testing.T) {
	for _, c := range []struct {
		want fmt.Stringer
		into encoding.TextUnmarshaler
		text string
	}{
		{KindAuto, new(Kind), "auto"}, {KindDial, new(Kind), "dial"}, {KindInterrupter, new(Kind), "interrupter"},
		{Low, new(Level), "low"}, {High, new(Level), "high"}, {Unknown, new(Level), "unknown"},
		{ClosedHigh, new(Polarity), "high"}, {ClosedLow, new(Polarity), "low"},
		{TimingFirst, new(Timing), "first"}, {TimingSettled, new(Timing), "settled"},
		{ClassFlash, new(Class), "flash"}, {ClassDisconnect, new(Class), "disconnect"},
		{CodingNormal, new(Coding), "normal"}, {CodingNPlus1, new(Coding), "n+1"}, {Coding10MinusN, new(Coding), "10-n"},
	} {
		if got := c.want.String(); got != c.text {
			t.Errorf("%s is written %s", c.text, got)
		}
		if err := c.into.UnmarshalText([]byte(c.text)); err != nil {
			t.Errorf("%s: %v", c.text, err)
		}
		if got := fmt.Sprint(c.into); got != c.text {
			t.Errorf("%s is read as %s", c.text, got)
		}
	}
	k := KindDial
	if err := k.UnmarshalText([]byte("Dial")); err == nil || err.Error() != "expected auto, dial, interrupter" || k != KindDial {
		t.Errorf("%v, %v", k, err)
	}
}

// Logs hold limits profiles as JSON, with the numbers of the constants.
func TestProfileJSON(t *testing.T) {
	want := Profile{ID: "mq", Kind: KindInterrupter, Coding: Coding10MinusN}
	b, err := json.Marshal(want)
	if err != nil || !strings.Contains(string(b), `"Kind":2,"Coding":2,`) {
		t.Fatalf("%s, %v", b, err)
	}
	for name, text := range map[string]string{
		"written": string(b), "numbers": `{"ID":"mq","Kind":2,"Coding":2}`, "texts": `{"ID":"mq","Kind":"interrupter","Coding":"10-n"}`,
	} {
		var got Profile
		if err := json.Unmarshal([]byte(text), &got); err != nil {
			t.Errorf("%s: %v", name, err)
		} else if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
	for text, want := range map[string]string{
		`{"Kind":3}`: "3: expected 0 to 2", `{"Coding":-1}`: "-1: expected 0 to 2", `{"Kind":"cam"}`: "expected auto, dial, interrupter",
		`{"Coding":1.5}`: "json: cannot unmarshal number 1.5 into Go struct field Profile.Coding of type int",
	} {
		if err := json.Unmarshal([]byte(text), new(Profile)); err == nil || err.Error() != want {
			t.Errorf("%s: %v", text, err)
		}
	}
}
