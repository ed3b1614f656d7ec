package circuit

import (
	"fmt"
	"math"
	"strings"

	"periph.io/x/conn/v3/physic"
)

// A Quantity is one of physic's, in 10⁻⁹ of its unit, but for capacitances, which
// are in 10⁻¹² of theirs.
type Quantity interface {
	physic.ElectricPotential | physic.ElectricCurrent | physic.ElectricResistance | physic.ElectricalCapacitance
}

// A Range is a quantity that lies between two bounds, or at one of them.
type Range[T Quantity] struct{ Min, Max T }

// settable is a pointer to a quantity that reads its own text.
type settable[T Quantity] interface {
	*T
	Set(string) error
}

// Parse reads a quantity with its unit, such as 48V, 5mA, 10kOhm or 200pF. What is
// below 0 is an error.
func Parse[T Quantity, P settable[T]](text string) (T, error) {
	var x T
	example := "10kOhm"
	switch any(x).(type) {
	case physic.ElectricPotential:
		example = "48V"
	case physic.ElectricCurrent:
		example = "5mA"
	case physic.ElectricalCapacitance:
		example = "200pF"
	}
	if len(text) > maxText || P(&x).Set(strings.ReplaceAll(text, " ", "")) != nil || x < 0 {
		return 0, fmt.Errorf("%.40q: expected a number of 0 or more with its unit, such as %s", text, example)
	}
	return x, nil
}

// maxText is longer than any number of use.
const maxText = 60

// ParseRange reads two quantities with two dots between them, such as 48V..56V, or
// one that stands for both.
func ParseRange[T Quantity, P settable[T]](text string) (r Range[T], err error) {
	low, high, two := strings.Cut(text, "..")
	if r.Min, err = Parse[T, P](low); err != nil {
		return r, err
	}
	if r.Max = r.Min; two {
		if r.Max, err = Parse[T, P](high); err != nil {
			return r, err
		}
	}
	if r.Min > r.Max {
		return r, fmt.Errorf("%q: expected the lower bound first", text)
	}
	return r, nil
}

// si gives a quantity in its unit.
func si[T Quantity](x T) float64 {
	if _, farads := any(x).(physic.ElectricalCapacitance); farads {
		return float64(x) / float64(physic.Farad)
	}
	return float64(x) / 1e9
}

func (r Range[T]) bounds() Bounds { return Bounds{si(r.Min), si(r.Max)} }

// Bounds are those of a figure, in the SI's unit that its name tells.
type Bounds struct {
	Min float64 `json:"min"`
	Max float64 `json:"max"`
}

// Interval arithmetic (Moore 1966): the bounds hold whatever the parts are within
// theirs, and are reached where each part stands once in the expression.

func (a Bounds) plus(b Bounds) Bounds  { return Bounds{a.Min + b.Min, a.Max + b.Max} }
func (a Bounds) minus(b Bounds) Bounds { return Bounds{a.Min - b.Max, a.Max - b.Min} }

// over divides bounds of 0 or more by bounds above 0.
func (a Bounds) over(b Bounds) Bounds { return Bounds{a.Min / b.Max, a.Max / b.Min} }

func (a Bounds) middle() float64 { return (a.Min + a.Max) / 2 }

// geometric is the middle by ratio, of bounds above 0.
func (a Bounds) geometric() float64 { return math.Sqrt(a.Min * a.Max) }
