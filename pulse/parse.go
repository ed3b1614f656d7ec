package pulse

import "fmt"

// The Parse functions are the inverse of String. A text that none has gives
// the zero value and false. There are no text codecs: Profiles are kept in logs
// as JSON, with these as numbers.

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
