package circuit

import (
	"errors"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/physic"
)

// A Coupler is what the data sheet of an opto-coupler with a transistor as its
// output says of it.
type Coupler struct {
	Name string
	// Invented tells that it is no data sheet's.
	Invented bool

	// The LED: its forward voltage over the temperatures and currents of use, and the
	// most that it stands, at the highest temperature of use.
	ForwardVoltage    Range[physic.ElectricPotential]
	ForwardCurrentMax physic.ElectricCurrent
	ReverseVoltageMax physic.ElectricPotential

	// Transfer is the current transfer ratio of a new coupler at 25 °C, by LED
	// current, which ascends. Between two of them the collector's current is
	// interpolated, above the last it is taken to rise no more.
	Transfer []Transfer
	// TemperatureFactor and AgeFactor are what is left of the ratio over the
	// temperatures of use, and at the end of its life.
	TemperatureFactor Factor
	AgeFactor         float64

	// The transistor. SaturationVoltageMax holds where the LED would draw
	// SaturationOverdrive times the collector's current at least: in a data sheet,
	// the least ratio times the test's LED current over its collector current.
	SaturationVoltageMax physic.ElectricPotential
	SaturationOverdrive  float64
	CollectorCurrentMax  physic.ElectricCurrent
	DarkCurrentMax       physic.ElectricCurrent // at the highest temperature of use

	// Switching times of a new coupler at 25 °C, in saturation, by load, which ascends, at SwitchingCurrent of
	// the LED. Between two loads they are interpolated by ratio.
	SwitchingCurrent physic.ElectricCurrent
	Switching        []Switching

	// Isolation, in the terms of IEC 60747-5-5: the largest repetitive peak voltage
	// (V_IORM) and the largest transient one (V_IOTM).
	RepetitivePeak physic.ElectricPotential
	Transient      physic.ElectricPotential
	CreepageMM     float64 // from input to output, outside
}

// A Factor has two bounds.
type Factor struct{ Min, Max float64 }

// A Transfer is the ratio of the collector's to the LED's current at one LED
// current.
type Transfer struct {
	LEDCurrent physic.ElectricCurrent
	Ratio      Factor
}

// A Switching is how long the output takes to follow the LED, with one load: On
// from LED on to output low, Off from LED off to output high.
type Switching struct {
	Load    physic.ElectricResistance
	On, Off Delay
}

// A Delay has two bounds.
type Delay struct{ Min, Max time.Duration }

// Bounds of what a Coupler may say: beyond any part that is made.
const (
	maxRatio    = 100 // 10,000 %, above darlingtons
	maxDelay    = 20 * time.Millisecond
	maxCreepage = 50 // mm
)

// Generic is an invented coupler of the four-pin kind with a transistor, with wide
// bounds, to see how a circuit comes out. It is no data sheet's: build with the
// data of the part that is built in.
func Generic() Coupler {
	return Coupler{
		Name: "invented coupler with a transistor", Invented: true,
		ForwardVoltage:    Range[physic.ElectricPotential]{1000 * physic.MilliVolt, 1500 * physic.MilliVolt},
		ForwardCurrentMax: 30 * physic.MilliAmpere,
		ReverseVoltageMax: 5 * physic.Volt,
		Transfer: []Transfer{
			{1 * physic.MilliAmpere, Factor{0.3, 2}},
			{5 * physic.MilliAmpere, Factor{0.8, 3}},
			{10 * physic.MilliAmpere, Factor{0.9, 3.2}},
		},
		TemperatureFactor:    Factor{0.7, 1.1},
		AgeFactor:            0.6,
		SaturationVoltageMax: 400 * physic.MilliVolt,
		SaturationOverdrive:  2,
		CollectorCurrentMax:  50 * physic.MilliAmpere,
		DarkCurrentMax:       2 * physic.MicroAmpere,
		SwitchingCurrent:     10 * physic.MilliAmpere,
		Switching: []Switching{
			{100 * physic.Ohm, Delay{100 * time.Nanosecond, 10 * time.Microsecond}, Delay{1 * time.Microsecond, 20 * time.Microsecond}},
			{1 * physic.KiloOhm, Delay{100 * time.Nanosecond, 10 * time.Microsecond}, Delay{5 * time.Microsecond, 60 * time.Microsecond}},
			{10 * physic.KiloOhm, Delay{100 * time.Nanosecond, 10 * time.Microsecond}, Delay{20 * time.Microsecond, 250 * time.Microsecond}},
			{100 * physic.KiloOhm, Delay{100 * time.Nanosecond, 10 * time.Microsecond}, Delay{80 * time.Microsecond, 1500 * time.Microsecond}},
		},
		RepetitivePeak: 600 * physic.Volt,
		Transient:      6 * physic.KiloVolt,
		CreepageMM:     7,
	}
}

// Check tells the first of what makes no coupler, as "what: expected …".
func (c *Coupler) Check() error {
	above := func(name string, v float64) error {
		if !(v > 0) {
			return errors.New(name + " is 0: expected more")
		}
		return nil
	}
	inOrder := func(name string, f Factor, most float64) error {
		if !(f.Min > 0 && f.Min <= f.Max && f.Max <= most) {
			return fmt.Errorf("%s from %v to %v: expected two numbers above 0, the lower first, up to %v", name, f.Min, f.Max, most)
		}
		return nil
	}
	errs := []error{
		above("forward_voltage", si(c.ForwardVoltage.Min)), above("forward_current_max", si(c.ForwardCurrentMax)), above("reverse_voltage_max", si(c.ReverseVoltageMax)),
		inOrder("temperature_factor", c.TemperatureFactor, 2), inOrder("age_factor", Factor{c.AgeFactor, c.AgeFactor}, 1),
		above("saturation_voltage_max", si(c.SaturationVoltageMax)),
		above("collector_current_max", si(c.CollectorCurrentMax)), above("switching_led_current", si(c.SwitchingCurrent)),
		above("repetitive_peak", si(c.RepetitivePeak)), above("transient", si(c.Transient)),
		inOrder("creepage_mm", Factor{c.CreepageMM, c.CreepageMM}, maxCreepage),
	}
	if !(c.SaturationOverdrive >= 1 && c.SaturationOverdrive <= maxRatio) {
		errs = append(errs, fmt.Errorf("saturation_overdrive %v: expected a number from 1 to %d", c.SaturationOverdrive, maxRatio))
	}
	if c.ForwardVoltage.Min > c.ForwardVoltage.Max {
		errs = append(errs, errors.New("forward_voltage: expected the lower bound first"))
	}
	if c.Transient < c.RepetitivePeak {
		errs = append(errs, errors.New("transient is below repetitive_peak: expected V_IOTM, the larger"))
	}
	if len(c.Transfer) == 0 {
		errs = append(errs, errors.New("transfer is empty: expected one LED current with its ratio at least"))
	}
	for i, t := range c.Transfer {
		errs = append(errs, above("transfer: led_current", si(t.LEDCurrent)), inOrder("transfer: ratio", t.Ratio, maxRatio))
		if i == 0 {
			continue
		}
		before := c.Transfer[i-1]
		switch {
		case t.LEDCurrent <= before.LEDCurrent:
			errs = append(errs, errors.New("transfer: expected LED currents that ascend"))
		case t.Ratio.Min*si(t.LEDCurrent) < before.Ratio.Min*si(before.LEDCurrent) || t.Ratio.Max*si(t.LEDCurrent) < before.Ratio.Max*si(before.LEDCurrent):
			errs = append(errs, errors.New("transfer: the collector's current falls as the LED's rises: expected ratios at currents where it rises"))
		}
	}
	if len(c.Transfer) > 0 && c.SwitchingCurrent < c.Transfer[0].LEDCurrent {
		errs = append(errs, errors.New("switching_led_current is below the first LED current of transfer: expected one whose ratio is told"))
	}
	if len(c.Switching) == 0 {
		errs = append(errs, errors.New("switching is empty: expected one load with its times at least"))
	}
	for i, s := range c.Switching {
		errs = append(errs, above("switching: load", si(s.Load)))
		for _, d := range []Delay{s.On, s.Off} {
			if d.Min <= 0 || d.Min > d.Max || d.Max > maxDelay {
				errs = append(errs, fmt.Errorf("switching: from %v to %v: expected two times above 0, the lower first, up to %v", d.Min, d.Max, maxDelay))
			}
		}
		if i > 0 && s.Load <= c.Switching[i-1].Load {
			errs = append(errs, errors.New("switching: expected loads that ascend"))
		}
	}
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// collector gives the bounds of the current that the transistor of a new coupler
// at 25 °C would draw, for bounds of the LED's; ok is false below the first LED
// current of Transfer.
func (c *Coupler) collector(led Bounds) (b Bounds, ok bool) {
	if led.Min < si(c.Transfer[0].LEDCurrent) {
		return b, false
	}
	at := func(current float64, ratio func(*Transfer) float64) float64 {
		p := &c.Transfer[0]
		y := ratio(p) * si(p.LEDCurrent)
		for i := 1; i < len(c.Transfer) && current > si(p.LEDCurrent); i++ {
			q := &c.Transfer[i]
			x0, x1 := si(p.LEDCurrent), si(q.LEDCurrent)
			y += (ratio(q)*x1 - y) * min((current-x0)/(x1-x0), 1)
			p = q
		}
		return y
	}
	low := func(t *Transfer) float64 { return t.Ratio.Min }
	high := func(t *Transfer) float64 { return t.Ratio.Max }
	b = Bounds{at(led.Min, low), at(led.Max, high)}
	if last := c.Transfer[len(c.Transfer)-1]; led.Max > si(last.LEDCurrent) {
		b.Max = led.Max * last.Ratio.Max // the most is not held back
	}
	return b, true
}

// switching gives the bounds of both delays for bounds of the load; ok is false
// outside the loads of Switching.
func (c *Coupler) switching(load Bounds) (on, off Bounds, ok bool) {
	first, last := c.Switching[0], c.Switching[len(c.Switching)-1]
	if load.Min < si(first.Load) || load.Max > si(last.Load) {
		return on, off, false
	}
	on, off = c.delays(load.Min)
	join := func(load float64) {
		a, b := c.delays(load)
		on, off = Bounds{min(on.Min, a.Min), max(on.Max, a.Max)}, Bounds{min(off.Min, b.Min), max(off.Max, b.Max)}
	}
	join(load.Max)
	for _, s := range c.Switching {
		if l := si(s.Load); l > load.Min && l < load.Max {
			join(l)
		}
	}
	return on, off, true
}

// delays interpolates both delays at a load, by ratio.
func (c *Coupler) delays(load float64) (on, off Bounds) {
	i := 0
	for i+2 < len(c.Switching) && load > si(c.Switching[i+1].Load) {
		i++
	}
	a, b := &c.Switching[i], &c.Switching[min(i+1, len(c.Switching)-1)]
	t := 0.0
	if a != b {
		t = math.Log(load/si(a.Load)) / math.Log(si(b.Load)/si(a.Load))
	}
	between := func(x, y time.Duration) float64 {
		return math.Exp((1-t)*math.Log(x.Seconds()) + t*math.Log(y.Seconds()))
	}
	return Bounds{between(a.On.Min, b.On.Min), between(a.On.Max, b.On.Max)}, Bounds{between(a.Off.Min, b.Off.Min), between(a.Off.Max, b.Off.Max)}
}
