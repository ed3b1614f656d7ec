package pulse

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
)

// The text of a value, in flags, files and descriptions of simulated contacts
// alike, is what String gives. Reading any other text fails with what was
// expected, and leaves the value as it was.
//
// JSON keeps a Kind and a Coding as numbers, and reads texts too: logs hold
// limits profiles in that form, and a contact whose logged settings are written
// in another one counts as set up anew.

// UnmarshalText reads auto, dial or interrupter.
func (k *Kind) UnmarshalText(b []byte) error {
	return unmarshalText(k, b, KindAuto, KindDial, KindInterrupter)
}

// UnmarshalJSON reads the number or the text.
func (k *Kind) UnmarshalJSON(b []byte) error {
	return unmarshalJSON(k, b, KindAuto, KindDial, KindInterrupter)
}

// MarshalText is String.
func (l Level) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

// UnmarshalText reads low, high or unknown.
func (l *Level) UnmarshalText(b []byte) error { return unmarshalText(l, b, Low, High, Unknown) }

// MarshalText is String.
func (p Polarity) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads high or low.
func (p *Polarity) UnmarshalText(b []byte) error {
	return unmarshalText(p, b, ClosedHigh, ClosedLow)
}

// MarshalText is String.
func (t Timing) MarshalText() ([]byte, error) { return []byte(t.String()), nil }

// UnmarshalText reads first or settled.
func (t *Timing) UnmarshalText(b []byte) error {
	return unmarshalText(t, b, TimingFirst, TimingSettled)
}

// MarshalText is String.
func (c Class) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads pulse, short break, flash, disconnect or stall.
func (c *Class) UnmarshalText(b []byte) error {
	return unmarshalText(c, b, ClassPulse, ClassShort, ClassFlash, ClassDisconnect, ClassStall)
}

// UnmarshalText reads normal, n+1 or 10-n.
func (c *Coding) UnmarshalText(b []byte) error {
	return unmarshalText(c, b, CodingNormal, CodingNPlus1, Coding10MinusN)
}

// UnmarshalJSON reads the number or the text.
func (c *Coding) UnmarshalJSON(b []byte) error {
	return unmarshalJSON(c, b, CodingNormal, CodingNPlus1, Coding10MinusN)
}

func unmarshalText[T fmt.Stringer](x *T, b []byte, all ...T) error {
	names := make([]string, len(all))
	for i, v := range all {
		if names[i] = v.String(); names[i] == string(b) {
			*x = v
			return nil
		}
	}
	return errors.New("expected " + strings.Join(names, ", "))
}

// unmarshalJSON reads the index of one of all, or its text.
func unmarshalJSON[T fmt.Stringer](x *T, b []byte, all ...T) error {
	if bytes.HasPrefix(b, []byte{'"'}) {
		var s string
		if err := json.Unmarshal(b, &s); err != nil {
			return err
		}
		return unmarshalText(x, []byte(s), all...)
	}
	var i int
	if err := json.Unmarshal(b, &i); err != nil {
		return err
	}
	if i < 0 || i >= len(all) {
		return fmt.Errorf("%d: expected 0 to %d", i, len(all)-1)
	}
	*x = all[i]
	return nil
}
