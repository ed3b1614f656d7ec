package config

import (
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"
	"periph.io/x/conn/v3/physic"

	"makebreak/daemon/circuit"
	"makebreak/pulse/duration"
)

// couplerFile allows tables of a hundred rows.
var couplerFile = fileKind{"coupler's data", 3_000}

const (
	wantCoupler   = "the keys of a coupler's data (see: makebreak input-circuit --template)"
	wantTransfer  = "a list of LED currents with their ratios, such as {led_current: 5mA, percent: [80, 260]}"
	wantSwitching = "a list of loads with their times, such as {load: 10kOhm, on: 1us..10us, off: 20us..200us}"
	wantTwo       = "two plain decimal numbers above 0, the lower first"
	wantDelay     = "a time or two, such as 20us..200us, the lower first"
)

// Coupler reads the data of an opto-coupler. The error lists all mistakes, one a
// line, as "file:line:column: key …: what is wrong: expected …".
// configs/own-coupler.yaml explains the keys. A name with the word invented, as that
// of the template, makes the data Invented.
func Coupler(path string) (*circuit.Coupler, error) {
	data, err := readFile(couplerFile, path)
	if err != nil {
		return nil, err
	}
	return parseCoupler(path, data)
}

type rawCoupler struct {
	Name                 key `yaml:"name" need:""`
	ForwardVoltage       key `yaml:"forward_voltage" need:""`
	ForwardCurrentMax    key `yaml:"forward_current_max" need:""`
	ReverseVoltageMax    key `yaml:"reverse_voltage_max" need:""`
	Transfer             key `yaml:"transfer" need:""`
	TemperatureFactor    key `yaml:"temperature_factor" need:""`
	AgeFactor            key `yaml:"age_factor" need:""`
	SaturationVoltageMax key `yaml:"saturation_voltage_max" need:""`
	SaturationOverdrive  key `yaml:"saturation_overdrive" need:""`
	CollectorCurrentMax  key `yaml:"collector_current_max" need:""`
	DarkCurrentMax       key `yaml:"dark_current_max" need:""`
	SwitchingLEDCurrent  key `yaml:"switching_led_current" need:""`
	Switching            key `yaml:"switching" need:""`
	RepetitivePeak       key `yaml:"repetitive_peak" need:""`
	Transient            key `yaml:"transient" need:""`
	CreepageMM           key `yaml:"creepage_mm" need:""`
}

type rawTransfer struct {
	LEDCurrent key `yaml:"led_current" need:""`
	Percent    key `yaml:"percent" need:""`
}

type rawSwitching struct {
	Load key `yaml:"load" need:""`
	On   key `yaml:"on" need:""`
	Off  key `yaml:"off" need:""`
}

func parseCoupler(path string, data []byte) (*circuit.Coupler, error) {
	root, err := parseYAML(couplerFile, path, data)
	if err != nil {
		return nil, err
	}
	d := &decoder{}
	c := &circuit.Coupler{}
	var r rawCoupler
	if d.complete(&key{node: root}, wantCoupler, &r) {
		d.coupler(&r, c)
	}
	// The template's data stay an example in a file of their own.
	c.Invented = strings.Contains(strings.ToLower(c.Name), "invented")
	if len(d.mistakes) == 0 {
		// What one key cannot tell: order, and what goes with what.
		if err := c.Check(); err != nil {
			what, want, _ := strings.Cut(err.Error(), ": expected ")
			d.report(root, "", what, want)
		}
	}
	if len(d.mistakes) > 0 {
		return nil, d.err(path)
	}
	return c, nil
}

func (d *decoder) coupler(r *rawCoupler, c *circuit.Coupler) {
	const aVoltage, aCurrent = "a voltage with its unit, such as 1.2V", "a current with its unit, such as 5mA"
	d.text(&r.Name, &c.Name, wantName, func(t string) bool { return isPrintable(t, mostName) })
	read(d, &r.ForwardVoltage, &c.ForwardVoltage, "two voltages such as 1.0V..1.4V, the lower first", func(n ast.Node) (circuit.Range[physic.ElectricPotential], bool) {
		s, ok := textOf(n)
		x, err := circuit.ParseRange[physic.ElectricPotential](s)
		return x, ok && err == nil
	})
	for _, x := range []struct {
		k   *key
		dst *physic.ElectricPotential
	}{{&r.ReverseVoltageMax, &c.ReverseVoltageMax}, {&r.SaturationVoltageMax, &c.SaturationVoltageMax}, {&r.RepetitivePeak, &c.RepetitivePeak}, {&r.Transient, &c.Transient}} {
		read(d, x.k, x.dst, aVoltage, quantityOf[physic.ElectricPotential])
	}
	for _, x := range []struct {
		k   *key
		dst *physic.ElectricCurrent
	}{{&r.ForwardCurrentMax, &c.ForwardCurrentMax}, {&r.CollectorCurrentMax, &c.CollectorCurrentMax}, {&r.DarkCurrentMax, &c.DarkCurrentMax}, {&r.SwitchingLEDCurrent, &c.SwitchingCurrent}} {
		read(d, x.k, x.dst, aCurrent, quantityOf[physic.ElectricCurrent])
	}
	read(d, &r.AgeFactor, &c.AgeFactor, "a plain decimal number above 0, up to 1", numberOf)
	read(d, &r.SaturationOverdrive, &c.SaturationOverdrive, "a plain decimal number from 1 on", numberOf)
	read(d, &r.CreepageMM, &c.CreepageMM, "a plain decimal number of millimetres", numberOf)
	read(d, &r.TemperatureFactor, &c.TemperatureFactor, wantTwo, factorOf)
	items(d, &r.Transfer, &c.Transfer, wantTransfer, func(k *key, t *circuit.Transfer) {
		var row rawTransfer
		if d.complete(k, wantTransfer, &row) {
			read(d, &row.LEDCurrent, &t.LEDCurrent, aCurrent, quantityOf[physic.ElectricCurrent])
			read(d, &row.Percent, &t.Ratio, wantTwo+", in percent", factorOf)
			t.Ratio.Min, t.Ratio.Max = t.Ratio.Min/100, t.Ratio.Max/100
		}
	})
	items(d, &r.Switching, &c.Switching, wantSwitching, func(k *key, s *circuit.Switching) {
		var row rawSwitching
		if d.complete(k, wantSwitching, &row) {
			read(d, &row.Load, &s.Load, "a resistance with its unit, such as 10kOhm", quantityOf[physic.ElectricResistance])
			read(d, &row.On, &s.On, wantDelay, delayOf)
			read(d, &row.Off, &s.Off, wantDelay, delayOf)
		}
	})
}

// quantityOf gives a quantity with its unit.
func quantityOf[T circuit.Quantity, P interface {
	*T
	Set(string) error
}](n ast.Node) (T, bool) {
	s, ok := textOf(n)
	x, err := circuit.Parse[T, P](s)
	return x, ok && err == nil
}

// factorOf gives a list of two numbers.
func factorOf(n ast.Node) (f circuit.Factor, ok bool) {
	list, ok := n.(*ast.SequenceNode)
	if !ok || len(list.Values) != 2 || list.Values[0] == nil || list.Values[1] == nil {
		return f, false
	}
	low, ok1 := numberOf(list.Values[0])
	high, ok2 := numberOf(list.Values[1])
	return circuit.Factor{Min: low, Max: high}, ok1 && ok2 && low > 0 && low <= high
}

// delayOf gives a time, or two with two dots between them.
func delayOf(n ast.Node) (t circuit.Delay, ok bool) {
	s, ok := textOf(n)
	low, high, two := strings.Cut(s, "..")
	if !two {
		high = low
	}
	from, err1 := duration.Parse(low)
	to, err2 := duration.Parse(high)
	return circuit.Delay{Min: time.Duration(from), Max: time.Duration(to)}, ok && err1 == nil && err2 == nil && from > 0 && from <= to
}
