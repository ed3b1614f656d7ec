package config

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"periph.io/x/conn/v3/physic"

	"makebreak/configs"
	"makebreak/daemon/circuit"
)

// marrowCoupler is the coupler of configs/own-coupler.yaml, read by a person.
func marrowCoupler() *circuit.Coupler {
	us := func(low, high float64) circuit.Delay {
		return circuit.Delay{Min: time.Duration(low * 1e3), Max: time.Duration(high * 1e3)}
	}
	return &circuit.Coupler{
		Name: "MQ-4 coupler, invented", Invented: true,
		ForwardVoltage:    circuit.Range[physic.ElectricPotential]{Min: physic.Volt, Max: 1400 * physic.MilliVolt},
		ForwardCurrentMax: 50 * physic.MilliAmpere, ReverseVoltageMax: 6 * physic.Volt,
		Transfer: []circuit.Transfer{
			{LEDCurrent: physic.MilliAmpere, Ratio: circuit.Factor{Min: 0.25, Max: 2}},
			{LEDCurrent: 5 * physic.MilliAmpere, Ratio: circuit.Factor{Min: 0.8, Max: 2.6}},
			{LEDCurrent: 10 * physic.MilliAmpere, Ratio: circuit.Factor{Min: 0.9, Max: 2.7}},
		},
		TemperatureFactor: circuit.Factor{Min: 0.75, Max: 1.1}, AgeFactor: 0.6,
		SaturationVoltageMax: 300 * physic.MilliVolt, SaturationOverdrive: 2, CollectorCurrentMax: 50 * physic.MilliAmpere, DarkCurrentMax: physic.MicroAmpere,
		SwitchingCurrent: 10 * physic.MilliAmpere,
		Switching: []circuit.Switching{
			{Load: physic.KiloOhm, On: us(0.1, 10), Off: us(5, 50)}, {Load: 10 * physic.KiloOhm, On: us(0.1, 10), Off: us(20, 200)}, {Load: 100 * physic.KiloOhm, On: us(0.1, 10), Off: us(80, 1200)},
		},
		RepetitivePeak: 630 * physic.Volt, Transient: 6 * physic.KiloVolt, CreepageMM: 8,
	}
}

func TestCoupler(t *testing.T) {
	for name, text := range map[string]string{
		"the example":            configs.OwnCoupler,
		"with a BOM":             "\uFEFF" + configs.OwnCoupler,
		"in the unit's own sign": strings.NewReplacer("kOhm", "kΩ", "us", "us").Replace(configs.OwnCoupler),
	} {
		got, err := parseCoupler("c.yaml", []byte(text))
		if diff := cmp.Diff(marrowCoupler(), got); err != nil || diff != "" {
			t.Errorf("%s: %v %s", name, err, diff)
		}
	}
}

// couplerMistakes change one line of the example; what is told stands behind
// "c.yaml:".
var couplerMistakes = []struct{ name, from, to, want string }{
	{"no unit", "forward_current_max: 50mA", "forward_current_max: 50", `key forward_current_max: the number 50: expected a current with its unit, such as 5mA`},
	{"another unit", "reverse_voltage_max: 6V", "reverse_voltage_max: 6A", `key reverse_voltage_max: "6A": expected a voltage with its unit, such as 1.2V`},
	{"below 0", "reverse_voltage_max: 6V", "reverse_voltage_max: -6V", `key reverse_voltage_max: "-6V": expected a voltage`},
	{"0", "reverse_voltage_max: 6V", "reverse_voltage_max: 0V", `reverse_voltage_max is 0: expected more`},
	{"the higher first", "1.0V..1.4V", "1.4V..1.0V", `key forward_voltage: "1.4V..1.0V": expected two voltages such as 1.0V..1.4V, the lower first`},
	{"an unknown key", "age_factor: 0.6", "age_factors: 0.6", `key age_factors: unknown, near to age_factor: expected one of name,`},
	{"a key that lacks", "age_factor: 0.6\n", "\n", `key age_factor: missing: expected a plain decimal number above 0, up to 1`},
	{"beyond 1", "age_factor: 0.6", "age_factor: 60", `age_factor from 60 to 60: expected two numbers above 0`},
	{"one factor", "[0.75, 1.1]", "[0.75]", `key temperature_factor: a list: expected two plain decimal numbers above 0, the lower first`},
	{"an exponent", "[0.75, 1.1]", "[0.75, 1e1]", `key temperature_factor: a list: expected two plain decimal numbers`},
	{"NaN", "[0.75, 1.1]", "[.nan, 1.1]", `key temperature_factor: a list: expected two plain decimal numbers`},
	{"no rows", "transfer:\n  - {led_current: 1mA, percent: [25, 200]}\n  - {led_current: 5mA, percent: [80, 260]}\n  - {led_current: 10mA, percent: [90, 270]}", "transfer: []", `transfer is empty: expected one LED current`},
	{"a row that is none", "{led_current: 5mA, percent: [80, 260]}", "5mA", `key transfer[1]: "5mA": expected a list of LED currents with their ratios`},
	{"a row that lacks", "{led_current: 5mA, percent: [80, 260]}", "{led_current: 5mA}", `key transfer[1].percent: missing`},
	{"rows that fall", "{led_current: 5mA,", "{led_current: 1mA,", `transfer: expected LED currents that ascend`},
	{"a ratio as a fraction with sign", "percent: [80, 260]", "percent: [-80, 260]", `key transfer[1].percent: a list: expected two plain decimal numbers above 0, the lower first, in percent`},
	{"a time without a unit", "off: 20us..200us", "off: 20..200", `key switching[1].off: "20..200": expected a time or two, such as 20us..200us, the lower first`},
	{"a time of 0", "off: 20us..200us", "off: 0us..200us", `key switching[1].off: "0us..200us": expected a time`},
	{"a long time", "off: 20us..200us", "off: 20us..1s", `switching: from 20µs to 1s: expected two times above 0, the lower first, up to 20ms`},
	{"a name of two lines", "name: MQ-4 coupler, invented", `name: "a\nb"`, `key name: "a\nb": expected a name of up to 40 letters`},
	{"an alias", "age_factor: 0.6", "age_factor: &a 0.6", `key age_factor: an anchor or alias: expected`},
	{"twice", "age_factor: 0.6", "age_factor: 0.6\nage_factor: 0.7", `key age_factor: given twice: expected it once`},
}

// Only a name of the user's own makes the data a data sheet's.
func TestCouplerOfAName(t *testing.T) {
	for name, invented := range map[string]bool{"Marrow Quay 4": false, "an Invented part": true} {
		got, err := parseCoupler("c.yaml", []byte(strings.Replace(configs.OwnCoupler, "MQ-4 coupler, invented", name, 1)))
		if err != nil || got.Name != name || got.Invented != invented {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
}

func TestCouplerMistakes(t *testing.T) {
	for _, c := range couplerMistakes {
		text := strings.Replace(configs.OwnCoupler, c.from, c.to, 1)
		if text == configs.OwnCoupler {
			t.Fatalf("%s: nothing was changed", c.name)
		}
		got, err := parseCoupler("c.yaml", []byte(text))
		if err == nil || got != nil {
			t.Errorf("%s: accepted", c.name)
			continue
		}
		if !strings.Contains(err.Error(), c.want) || !strings.HasPrefix(err.Error(), "c.yaml:") {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	if _, err := parseCoupler("c.yaml", nil); err == nil || err.Error() != "c.yaml:1:1: nothing in the file: expected a coupler's data" {
		t.Error(err)
	}
	if _, err := Coupler("nope.yaml"); err == nil || err.Error() != "coupler's data: open nope.yaml: no such file or directory" {
		t.Error(err)
	}
}

// What is accepted makes a circuit or a plain reason why not, of finite numbers;
// what is not names the file.
func FuzzCoupler(f *testing.F) {
	f.Add([]byte(configs.OwnCoupler))
	for _, c := range couplerMistakes {
		f.Add([]byte(strings.Replace(configs.OwnCoupler, c.from, c.to, 1)))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		got, err := parseCoupler("c.yaml", data)
		if err != nil {
			if got != nil {
				t.Error("a coupler beside an error")
			}
			for line := range strings.Lines(err.Error()) {
				if !strings.HasPrefix(line, "c.yaml:") {
					t.Errorf("%q does not name the file", line)
				}
			}
			return
		}
		if err := got.Check(); err != nil {
			t.Error(err)
		}
		for _, b := range circuit.Batteries() {
			c, err := circuit.Design(circuit.Request{Voltage: b.Voltage, Reverses: b.Reverses, Superposed: circuit.None, Placement: circuit.Behind,
				LEDCurrent: 5 * physic.MilliAmpere, Series: circuit.E24, Coupler: *got, Input: circuit.RaspberryPi()})
			if err != nil {
				if !strings.Contains(err.Error(), "expected") {
					t.Error(err)
				}
				continue
			}
			if _, err := json.Marshal(c); err != nil {
				t.Error(err)
			}
		}
	})
}
