package circuit

import (
	"strings"
	"testing"

	"periph.io/x/conn/v3/physic"
)

func TestParse(t *testing.T) {
	if v, err := ParseRange[physic.ElectricPotential]("42V..58.5V"); err != nil || v != volts(42, 58.5) {
		t.Errorf("%v %v", v, err)
	}
	if v, err := ParseRange[physic.ElectricPotential]("6 kV"); err != nil || v != volts(6000, 6000) {
		t.Errorf("%v %v", v, err)
	}
	for text, want := range map[string]physic.ElectricResistance{"10kΩ": 10 * physic.KiloOhm, "10kOhm": 10 * physic.KiloOhm, "9.53kOhm": 9530 * physic.Ohm, "0Ohm": 0, "1.5MOhm": 1500 * physic.KiloOhm} {
		if got, err := Parse[physic.ElectricResistance](text); err != nil || got != want {
			t.Errorf("%s: %v %v", text, got, err)
		}
	}
	if i, err := Parse[physic.ElectricCurrent]("5mA"); err != nil || i != 5*physic.MilliAmpere {
		t.Errorf("%v %v", i, err)
	}
	if c, err := Parse[physic.ElectricalCapacitance]("200pF"); err != nil || si(c) != 200e-12 {
		t.Errorf("%v %v", c, err)
	}
}

func TestParseRefuses(t *testing.T) {
	for _, text := range []string{"", "48", "V", "48A", "-48V", "-48V..-42V", "NaN", "NaNV", "1e3V", "48V..", "..48V", "42V..58V..60V", "99999999999999V", "48,5V", "0x10V", "48V\n", strings.Repeat("1", 99) + "V", "58V..42V", "Inf V"} {
		if v, err := ParseRange[physic.ElectricPotential](text); err == nil || !strings.Contains(err.Error(), "expected") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: %v %v", text, v, err)
		}
	}
}
