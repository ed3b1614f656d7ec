// Package duration reads and writes lengths of time as a person does, in
// flags, in configuration files and in descriptions of simulated contacts.
package duration

import (
	"errors"
	"fmt"
	"math/big"
	"strings"
)

// maxText bounds the work of exact arithmetic. A time of any use is far
// shorter.
const maxText = 100 // bytes

var units = map[string]int64{
	"ns": 1, "us": 1e3, "µs": 1e3, "μs": 1e3, "ms": 1e6, // both signs for micro are in use
	"s": 1e9, "m": 60e9, "min": 60e9, "h": 3600e9, "d": 24 * 3600e9,
}

const numerals = "0123456789."

// ErrRange is the error for a time that an int64 of ns does not hold.
var ErrRange = errors.New("expected a time shorter than 292 years")

var errForm = errors.New("expected a time such as 800ms, 0.8s or 200us")

// Parse reads a time in ns. It is a decimal number and its unit: ns, us, ms,
// s, m or min, h or d, or several of them, such as 1h30min; a sign may stand
// before it. Only 0 may go without a unit. What is finer than a ns is rounded
// to the nearest, half away from 0. The error says what was expected.
func Parse(s string) (ns int64, err error) {
	rest := strings.TrimPrefix(s, "-")
	negative := rest != s
	if !negative {
		rest = strings.TrimPrefix(s, "+")
	}
	if rest == "" || len(s) > maxText {
		return 0, errForm
	}
	body, sum := rest, new(big.Rat)
	for rest != "" {
		number := rest[:len(rest)-len(strings.TrimLeft(rest, numerals))]
		rest = rest[len(number):]
		unit := rest[:strings.IndexAny(rest+"0", numerals)]
		rest = rest[len(unit):]
		x, ok := new(big.Rat).SetString(number)
		if !ok {
			return 0, errForm
		}
		scale, known := units[unit]
		switch {
		case known:
			sum.Add(sum, x.Mul(x, new(big.Rat).SetInt64(scale)))
		case unit != "":
			return 0, errors.New("expected a time in ns, us, ms, s, min, h or d, such as 800ms")
		case x.Sign() != 0 || number != body:
			return 0, fmt.Errorf("expected a time with its unit, such as %sms", number)
		}
	}
	// floor((2·num + den) / (2·den)) is the nearest whole number.
	twice := new(big.Int).Lsh(sum.Num(), 1)
	whole := twice.Add(twice, sum.Denom())
	whole.Div(whole, new(big.Int).Lsh(sum.Denom(), 1))
	if negative {
		whole.Neg(whole)
	}
	if !whole.IsInt64() {
		return 0, ErrRange
	}
	return whole.Int64(), nil
}

// Format writes a time in s where it is whole, in us where it is below 0.1 ms,
// else in ms. Parse gives the same time back.
func Format(ns int64) string {
	switch {
	case ns == 0:
		return "0"
	case ns%1e9 == 0:
		return decimal(ns, 9) + "s"
	case -1e5 < ns && ns < 1e5:
		return decimal(ns, 3) + "us"
	}
	return Millis(ns) + "ms"
}

// Millis writes a time in ms, exactly and without its unit.
func Millis(ns int64) string { return decimal(ns, 6) }

// decimal writes n / 10^places exactly, without trailing zeros.
func decimal(n int64, places int) string {
	sign, size := "", uint64(n)
	if n < 0 {
		sign, size = "-", -size
	}
	d := fmt.Sprintf("%0*d", places+1, size)
	whole, part := d[:len(d)-places], strings.TrimRight(d[len(d)-places:], "0")
	if part != "" {
		part = "." + part
	}
	return sign + whole + part
}
