package pulse

import "fmt"

// The Parse functions are the inverse of String. A text that none has gives
// the zero value and false. Kind, Timing and Coding have no text codecs:
// Profiles are kept in logs as JSON, with these as numbers.

func ParseLevel(s string) (Level, bool) { return named(s, Low, High, Unknown) }

func ParseKind(s string) (Kind, bool) { return named(s, KindAuto, KindDial, KindInterrupter) }

func ParsePolarity(s string) (Polarity, bool) { return named(s, ClosedHigh, ClosedLow) }

func ParseTiming(s string) (Timing, bool) { return named(s, TimingFirst, TimingSettled) }

func ParseCoding(s string) (Coding, bool) {
	return named(s, CodingNormal, CodingNPlus1, Coding10MinusN)
}

func named[T fmt.Stringer](s string, all ...T) (T, bool) {
	for _, x := range all {
		if x.String() == s {
			return x, true
		}
	}
	var none T
	return none, false
}

// MarshalText gives String.
func (l Level) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

// UnmarshalText reads String.
func (l *Level) UnmarshalText(b []byte) (err error) {
	*l, err = text(ParseLevel, b, "low, high or unknown")
	return err
}

// MarshalText gives String.
func (p Polarity) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads String.
func (p *Polarity) UnmarshalText(b []byte) (err error) {
	*p, err = text(ParsePolarity, b, "high or low")
	return err
}

func text[T any](parse func(string) (T, bool), b []byte, expected string) (T, error) {
	x, ok := parse(string(b))
	if !ok {
		return x, fmt.Errorf("%q: expected %s", b, expected)
	}
	return x, nil
}
