// Package circuit reckons the isolated input between an exchange's contact and a
// line of the computer: resistors that limit the current of an opto-coupler's LED,
// a pull-up at its transistor. It gives worst cases as bounds by interval
// arithmetic, checks of what must hold, how late the output follows the contact,
// a drawing and a netlist. It is pure: no files, no clock.
package circuit

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"periph.io/x/conn/v3/physic"

	"makebreak/pulse"
)

// A Placement is where the LED sits.
type Placement string

const (
	// Behind: the contact feeds the LED, which lights while it is closed.
	Behind Placement = "behind"
	// Across: the LED lies across the contact and lights while it is open, by a
	// current through what is in series with the contact.
	Across Placement = "across"
)

// Superposed is what lies on the lead beside the dc.
type Superposed string

// What can be superposed. The empty value is no answer, which Design refuses.
const (
	None    Superposed = "none"
	Ringing Superposed = "ringing"
	Mains   Superposed = "mains"
)

// A Request is what is known of the contact, and what is wanted.
type Request struct {
	// Voltage is that of the open contact, from lead to lead, without its sign, float
	// and boost charge of a battery included.
	Voltage    Range[physic.ElectricPotential]
	Reverses   bool // either lead may be the positive one
	Superposed Superposed
	// Peak is the largest voltage, of either sign, that was measured between the
	// leads while the contact worked; 0 where nobody has measured.
	Peak      physic.ElectricPotential
	Placement Placement
	// HoldCurrent, for Across, is the least current that could operate or hold what is
	// in series with the contact; LoadResistance is that one's resistance.
	HoldCurrent    physic.ElectricCurrent
	LoadResistance Range[physic.ElectricResistance]

	LEDCurrent physic.ElectricCurrent // at least, at the lowest voltage
	Series     Series
	Coupler    Coupler
	Input      Input
}

// An Input is a line of the computer.
type Input struct {
	Supply  Range[physic.ElectricPotential] // of the pull-up
	LowMax  physic.ElectricPotential        // V_IL: below it reads low
	HighMin physic.ElectricPotential        // V_IH: above it reads high
	Leakage physic.ElectricCurrent          // into the pin, at most
	PullUp  Range[physic.ElectricResistance]
	// Capacitance is that of the pin and of the cable from the coupler.
	Capacitance Range[physic.ElectricalCapacitance]
}

// RaspberryPi is a line of a Raspberry Pi with an external pull-up of 10 kΩ to its
// 3.3 V, and up to a metre of cable. The levels are the data sheets' of the
// compute modules, from memory: V_IL 0.8 V, V_IH 2.0 V at 3.3 V, leakage 10 µA.
func RaspberryPi() Input {
	return Input{
		Supply: Range[physic.ElectricPotential]{3135 * physic.MilliVolt, 3465 * physic.MilliVolt}, // 3.3 V ± 5 %
		LowMax: 800 * physic.MilliVolt, HighMin: 2 * physic.Volt, Leakage: 10 * physic.MicroAmpere,
		PullUp:      Range[physic.ElectricResistance]{9500 * physic.Ohm, 10500 * physic.Ohm},
		Capacitance: Range[physic.ElectricalCapacitance]{5 * physic.PicoFarad, 200 * physic.PicoFarad},
	}
}

// InternalPullUp is that inside the processor: 50 to 65 kΩ of the early boards and
// 33 to 73 kΩ of later ones, from memory of their data sheets.
func InternalPullUp() Range[physic.ElectricResistance] {
	return Range[physic.ElectricResistance]{33 * physic.KiloOhm, 73 * physic.KiloOhm}
}

// A Battery is a usual source of an exchange, by name.
type Battery struct {
	Name     string
	Voltage  Range[physic.ElectricPotential]
	Reverses bool
}

// Batteries are the usual sources of contacts. Their ranges, from discharged to
// boost charge, are common practice.
func Batteries() []Battery {
	v := func(low, high physic.ElectricPotential) Range[physic.ElectricPotential] {
		return Range[physic.ElectricPotential]{low * physic.Volt, high * physic.Volt}
	}
	return []Battery{
		{"24V-battery", v(21, 30), false},
		{"48V-battery", v(42, 58), false},
		{"60V-battery", v(52, 75), false},
		{"130V-leads", v(117, 143), true}, // + 130 or − 130 V against earth, ± 10 %
	}
}

// What this circuit is never for.
var (
	errRinging = errors.New("ringing is superposed: its peaks (95 V rms are 134 V, on top of battery) reverse the voltage and light the LED at every cycle, so that edges of the ringing would be taken for the contact's, and the resistors would overheat: expected a contact, or a time, without ringing")
	errMains   = errors.New("mains are superposed, or can reach the lead: this circuit's resistors, fuse and distances are not made for mains: expected the fault to be found and removed by licensed people, or a commercial isolating input that is rated for mains")
)

// ParseVoltage reads the voltage of a contact: a range such as 42V..58V, or the name
// of one of Batteries. One figure alone is an error, for a battery of 48 V stands
// anywhere between empty and boost charge. So are ringing and mains, which are not dc.
func ParseVoltage(text string) (v Range[physic.ElectricPotential], reverses bool, err error) {
	switch Superposed(strings.ToLower(strings.TrimSpace(text))) {
	case Ringing:
		return v, false, errRinging
	case Mains:
		return v, false, errMains
	}
	var names []string
	for _, b := range Batteries() {
		if b.Name == text {
			return b.Voltage, b.Reverses, nil
		}
		names = append(names, b.Name)
	}
	if !strings.Contains(text, "..") {
		return v, false, fmt.Errorf("%.40q: expected the least and the most that it can be, with their units and without a sign, such as 42V..58V, or one of %s; a meter tells which lead is the positive one", text, strings.Join(names, ", "))
	}
	v, err = ParseRange[physic.ElectricPotential](text)
	return v, false, err
}

// ParsePeak reads the largest voltage that was measured, with its unit. What is not
// above 0 is an error: who has not measured it gives none.
func ParsePeak(text string) (physic.ElectricPotential, error) {
	v, err := Parse[physic.ElectricPotential](text)
	if err == nil && v == 0 {
		err = errors.New("0 V: expected more than 0, the largest voltage that was measured; where it was not, leave it out")
	}
	return v, err
}

const (
	// mostVoltage bounds what a Request may ask: 130 V leads with their tolerance,
	// and not the 260 V between a positive and a negative one.
	mostVoltage = 160
	// mostPeak is a third of what small resistors in series and a coupler stand; what
	// is above it needs a quench at the coil first.
	mostPeak = 400
	// leastHeadroom: below three times what the LED and the diodes take, the current
	// would follow their temperature rather than the resistors.
	leastHeadroom = 3
	// fewResistors is the largest voltage with two resistors, one in each lead, and
	// above it there are two in each: one alone then takes at most half of it, also
	// when the other lead's are bypassed.
	fewResistors = 75
	// drift is what temperature and age add to a resistor's tolerance (common
	// practice for film resistors).
	drift = 0.01
	// load is the part of their rating that resistors and the LED run at (common
	// practice).
	load = 0.5
	// holdPart is the part of a holding current that may leak through what is in
	// series with the contact: a relay may be better than its data.
	holdPart = 0.5
	// fuseMargin is how many times the largest current a fuse is rated for, so that it
	// never ages (common practice).
	fuseMargin = 2
	// slipVolt is what a slip, a crossed wire or a fault can put on a lead that carries
	// only dc at other times: ringing of 95 V rms on 58 V of battery is 192 V (common
	// practice). The isolation stands it whatever the contact's own voltage is.
	slipVolt = 200
	// leastTransient is the test of reinforced insulation for the 1.5 kV surges of
	// telephone lines (IEC 62368-1, from memory).
	leastTransient = 2500
)

// diode is the forward voltage of a silicon diode over temperature, at
// milliamperes (common practice).
var diode = Bounds{0.4, 1.1}

// powerRatings of resistors, in W (common practice).
var powerRatings = []float64{0.25, 0.5, 1, 2, 3, 5}

// fuses are the ratings of miniature fuses, in A, and what they may drop at them
// (IEC 60127-2, from memory, rounded up). The quotient bounds a fuse's resistance,
// which is hundreds of ohms for the smallest.
var fuses = []struct{ ampere, volt float64 }{{0.032, 10}, {0.05, 7}, {0.063, 5}, {0.08, 4}, {0.1, 3.5}, {0.125, 3}, {0.16, 2.5}}

// A Circuit is what a Request leads to. All figures are worst cases, in SI units.
type Circuit struct {
	Request Request `json:"-"`

	Bridge          bool      `json:"bridge"` // rectifies ahead of the LED; else a diode lies anti-parallel to it
	Resistors       int       `json:"resistors"`
	ResistorOhm     float64   `json:"resistor_ohm"` // each
	Tolerance       float64   `json:"resistor_tolerance"`
	TotalOhm        Bounds    `json:"total_ohm"` // of all, with tolerance, temperature and age
	ResistorWatt    float64   `json:"resistor_w"`
	FaultWatt       float64   `json:"resistor_fault_w"` // of one when the LED and the other lead's are bypassed, by a short or an earth fault
	RatingWatt      float64   `json:"resistor_rating_w"`
	RatingVolt      float64   `json:"resistor_rating_v"`
	FuseAmpere      float64   `json:"fuse_a"`
	FuseOhm         Bounds    `json:"fuse_ohm"` // each
	LED             Bounds    `json:"led_current_a"`
	FaultLED        float64   `json:"led_fault_current_a"` // largest when one lead's resistors, or the load, are bypassed
	Reversed        float64   `json:"reversed_current_a"`  // largest into leads that are the wrong way round
	PeakLED         pulse.Num `json:"led_peak_current_a"`  // null where no peak was measured
	ReverseVolt     float64   `json:"led_reverse_v"`
	Collector       float64   `json:"collector_current_a"`    // that the LED would make the transistor draw, at least
	PullUp          Bounds    `json:"pull_up_current_a"`      // with the output at 0 V
	Overdrive       float64   `json:"overdrive"`              // Collector over the largest of PullUp
	LowVolt         float64   `json:"low_v"`                  // at most
	HighVolt        float64   `json:"high_v"`                 // at least
	On              Bounds    `json:"on_delay_s"`             // from LED on to output low
	Off             Bounds    `json:"off_delay_s"`            // from LED off to output high
	AsymmetryBounds Bounds    `json:"asymmetry_bounds_s"`     // a make is shown longer by this
	Asymmetry       float64   `json:"asymmetry_s"`            // their middle
	AsymmetryU      float64   `json:"asymmetry_standard_u_s"` // of a rectangular distribution
	WorkingVolt     float64   `json:"working_v"`              // largest that the isolation sees again and again
	IsolationVolt   float64   `json:"isolation_v"`            // for which it is reckoned: ringing that comes by a slip too
	CreepageMM      float64   `json:"creepage_mm"`            // of reinforced insulation, by the table
	GapMM           float64   `json:"gap_mm"`                 // to keep on the board
	ClosedLow       bool      `json:"closed_is_low"`          // the line is low while the contact is closed
	Checks          []Check   `json:"checks"`
}

// A Demand is what must hold.
type Demand string

// The demands that Design checks, in the units that Check tells.
const (
	LEDRating       Demand = "led_current"       // A: the LED stands the largest current
	LEDFault        Demand = "led_fault"         // A: and that when one lead's resistors are bypassed
	LEDPeak         Demand = "led_peak"          // A: and that of the largest voltage measured
	ReverseRating   Demand = "led_reverse"       // V: the LED stands what the diode leaves
	Saturation      Demand = "saturation"        // times: the LED drives the transistor so much more than it needs
	LowLevel        Demand = "low_level"         // V: the output low reads low
	HighLevel       Demand = "high_level"        // V: the output high reads high
	CollectorRating Demand = "collector_current" // A
	RepetitivePeak  Demand = "repetitive_peak"   // V: the isolation stands the working voltage
	Transient       Demand = "transient"         // V: and surges
	Creepage        Demand = "creepage"          // mm: of the coupler's case
	HoldingCurrent  Demand = "hold_current"      // A: what leaks through the load neither operates nor holds it
)

// An Outcome of a Check.
type Outcome string

const (
	Holds   Outcome = "holds"
	Broken  Outcome = "broken"
	Unknown Outcome = "not known"
)

// A Check compares a worst case with what it may be at most, or must be at least.
type Check struct {
	Demand  Demand    `json:"demand"`
	Value   pulse.Num `json:"value"` // null where it is not known
	Limit   float64   `json:"limit"`
	AtLeast bool      `json:"at_least"`
	Outcome Outcome   `json:"outcome"`
}

// Outcome is that of all checks: the worst of them.
func (c *Circuit) Outcome() Outcome {
	worst := Holds
	for _, k := range c.Checks {
		if k.Outcome == Broken {
			return Broken
		}
		if k.Outcome == Unknown {
			worst = Unknown
		}
	}
	return worst
}

// Design reckons the circuit of a request. An error tells, as "what: expected …",
// why there is none: data that lack, a source that this circuit is not for. A
// circuit that could be built but breaks a demand is no error: see its Checks.
func Design(r Request) (*Circuit, error) {
	if err := r.check(); err != nil {
		return nil, err
	}
	c := &Circuit{Request: r, Bridge: r.Reverses, Tolerance: r.Series.Tolerance(), ClosedLow: r.Placement == Behind}
	if err := c.limit(); err != nil {
		return nil, err
	}
	if err := c.drive(); err != nil {
		return nil, err
	}
	if err := c.delay(); err != nil {
		return nil, err
	}
	c.isolate()
	c.judge()
	return c, nil
}

// check refuses what this circuit is not for.
func (r *Request) check() error {
	switch r.Superposed {
	case None:
	case Ringing:
		return errRinging
	case Mains:
		return errMains
	case "":
		return errors.New("what is superposed on the dc is not known: expected none, ringing or mains, found with a meter on its ac range before anything is connected")
	default:
		return fmt.Errorf("superposed %.40q: expected none, ringing or mains", r.Superposed)
	}
	v := r.Voltage.bounds()
	switch {
	case r.Voltage.Min > r.Voltage.Max:
		return errors.New("voltage: expected the lower bound first")
	case v.Min <= 0:
		return errors.New("voltage from 0 V: expected the least that feeds the LED, above 0 V")
	case v.Max > mostVoltage:
		return fmt.Errorf("voltage up to %v V: expected at most %v V from lead to lead; between a +130 V and a −130 V lead stand 260 V, which this circuit is not for", v.Max, mostVoltage)
	case r.Peak < 0 || r.Peak != 0 && r.Peak < r.Voltage.Max:
		return fmt.Errorf("a largest voltage of %v V, below the %v V of the contact at rest: expected the largest that was measured", si(r.Peak), v.Max)
	case si(r.Peak) > mostPeak:
		return fmt.Errorf("a largest voltage of %v V: expected at most %v V; a coil that kicks so high needs a quench (a diode, a clamp or a resistor with a capacitor) at the coil first, chosen by who answers for the exchange, for it makes relays slower", si(r.Peak), mostPeak)
	case r.Placement != Behind && r.Placement != Across:
		return fmt.Errorf("placement %.40q: expected behind (the contact feeds the LED) or across (the LED lies across the contact)", r.Placement)
	case r.Placement == Across && r.HoldCurrent <= 0:
		return errors.New("across a contact the LED's current flows through what is in series with it: expected the least current that could operate or hold that, for it must stay far below")
	case r.Placement == Across && (r.LoadResistance.Min < 0 || r.LoadResistance.Max <= 0 || r.LoadResistance.Min > r.LoadResistance.Max):
		return errors.New("across a contact the LED's current flows through what is in series with it: expected the resistance of that")
	case r.Placement == Behind && (r.HoldCurrent != 0 || r.LoadResistance != Range[physic.ElectricResistance]{}):
		return errors.New("a holding current or a load's resistance is for an LED across the contact: expected none where the contact feeds the LED")
	case r.LEDCurrent <= 0:
		return errors.New("LED current 0: expected more")
	case r.Series != E24 && r.Series != E96:
		return fmt.Errorf("series %.40q: expected E24 or E96", r.Series)
	}
	if err := r.Coupler.Check(); err != nil {
		return fmt.Errorf("coupler: %w", err)
	}
	return r.Input.check()
}

func (in *Input) check() error {
	switch {
	case in.Supply.Min <= 0 || in.Supply.Min > in.Supply.Max || si(in.Supply.Max) > 5.5:
		return errors.New("supply of the pull-up: expected a voltage up to 5.5 V, the lower bound first")
	case in.LowMax <= 0 || in.LowMax >= in.HighMin || in.HighMin >= in.Supply.Min:
		return errors.New("levels of the line: expected 0 < V_IL < V_IH < the supply")
	case in.PullUp.Min <= 0 || in.PullUp.Min > in.PullUp.Max:
		return errors.New("pull-up: expected a resistance above 0, the lower bound first")
	case in.Capacitance.Min < 0 || in.Capacitance.Min > in.Capacitance.Max || in.Leakage < 0:
		return errors.New("capacitance and leakage of the line: expected 0 or more, the lower bound first")
	}
	return nil
}

// drop is what the diodes take ahead of the LED.
func (c *Circuit) drop() Bounds {
	if c.Bridge {
		return diode.plus(diode)
	}
	return Bounds{}
}

// limit chooses the resistors, and reckons currents and heat.
func (c *Circuit) limit() error {
	r := &c.Request
	v := r.Voltage.bounds()
	forward := r.Coupler.ForwardVoltage.bounds().plus(c.drop())
	if v.Min < leastHeadroom*forward.Max {
		return fmt.Errorf("voltage from %v V: expected at least %.3g V, three times what the LED and the diodes take", v.Min, leastHeadroom*forward.Max)
	}
	across := v.minus(forward)
	c.Resistors = 2
	if v.Max > fewResistors {
		c.Resistors = 4
	}
	var series, one Bounds
	var err error
	for _, f := range fuses { // the smallest that never ages
		c.FuseAmpere, c.FuseOhm = f.ampere, Bounds{0, f.volt / f.ampere}
		series = r.LoadResistance.bounds().plus(Bounds{0, 2 * c.FuseOhm.Max})
		if one, err = c.choose(across.Min, series.Max); err != nil {
			continue
		}
		c.LED = across.over(c.TotalOhm.plus(series))
		if f.ampere >= fuseMargin*c.LED.Max {
			break
		}
		err = fmt.Errorf("the LED's current reaches %.3g mA: expected a smaller LED current", 1e3*c.LED.Max)
	}
	if err != nil {
		return err
	}
	n := float64(c.Resistors)
	others := (n - 1) * one.Min
	// One of several takes most where it is as near as it can be to the others' sum:
	// the derivative of r/(r+s)² is 0 at r = s.
	heat := func(volts, others float64) float64 {
		x := min(max(others, one.Min), one.Max)
		return volts * volts * x / ((x + others) * (x + others))
	}
	c.ResistorWatt = heat(across.Max, others)
	// Wiring that touches earth, or the other lead, behind one lead's resistors leaves
	// that lead's alone between the source's ends, with or without the LED.
	left := (n/2 - 1) * one.Min
	c.FaultWatt = heat(v.Max, left)
	c.FaultLED = max(across.Max/(n/2*one.Min+series.Min), across.Max/c.TotalOhm.Min)
	worst := max(c.ResistorWatt/load, c.FaultWatt)
	var ok bool
	if c.RatingWatt, ok = next(powerRatings, worst); !ok {
		return fmt.Errorf("each resistor would need to be rated for %.2g W: expected a smaller LED current", worst)
	}
	peak := max(v.Max, si(r.Peak))
	c.RatingVolt = peak * one.Max / (one.Max + left) // all of it where there are two
	if r.Peak > 0 {
		p := (si(r.Peak) - forward.Min) / (c.TotalOhm.Min + series.Min)
		c.PeakLED = pulse.Known(p)
	}
	c.ReverseVolt, c.Reversed = diode.Max, c.LED.Max
	if !c.Bridge {
		c.Reversed = (v.Max - diode.Min) / (c.TotalOhm.Min + series.Min)
	}
	return nil
}

// choose takes the resistors for a voltage across them and what is in series, and
// gives the bounds of one.
func (c *Circuit) choose(volts, series float64) (Bounds, error) {
	wanted, n := si(c.Request.LEDCurrent), float64(c.Resistors)
	high, low := 1+c.Tolerance+drift, 1-c.Tolerance-drift
	left := volts/wanted - series
	value, ok := c.Request.Series.AtMost(left / (n * high))
	switch {
	case !ok && left > n*high: // more than is made
		return Bounds{}, fmt.Errorf("no resistors are large enough for so little as %.3g mA: expected an LED current of some milliamperes", 1e3*wanted)
	case !ok:
		return Bounds{}, fmt.Errorf("%.3g mA do not flow from the least voltage through what is in series with the LED, %.0f Ω with the fuses: expected a smaller LED current, or less in series", 1e3*wanted, series)
	}
	c.ResistorOhm = value
	c.TotalOhm = Bounds{n * value * low, n * value * high}
	return Bounds{value * low, value * high}, nil
}

// next gives the first of ascending ratings that is enough.
func next(ratings []float64, enough float64) (float64, bool) {
	for _, r := range ratings {
		if r >= enough {
			return r, true
		}
	}
	return 0, false
}

// drive reckons the output's levels.
func (c *Circuit) drive() error {
	k, in := &c.Request.Coupler, &c.Request.Input
	fresh, ok := k.collector(c.LED)
	if !ok {
		return fmt.Errorf("the LED's current is %.3g mA at least, below the %.3g mA from which the coupler's data tell its ratio: expected a larger LED current, or data for a smaller one", 1e3*c.LED.Min, 1e3*si(k.Transfer[0].LEDCurrent))
	}
	c.Collector = fresh.Min * k.TemperatureFactor.Min * k.AgeFactor
	supply, pullUp := in.Supply.bounds(), in.PullUp.bounds()
	leak := si(in.Leakage)
	c.PullUp = supply.over(pullUp).plus(Bounds{0, leak})
	c.Overdrive = c.Collector / c.PullUp.Max
	c.LowVolt = si(k.SaturationVoltageMax)
	c.HighVolt = supply.Min - (si(k.DarkCurrentMax)+leak)*pullUp.Max
	return nil
}

// delay reckons how late the output follows the contact.
func (c *Circuit) delay() error {
	k, in := &c.Request.Coupler, &c.Request.Input
	pullUp, supply, capacitance := in.PullUp.bounds(), in.Supply.bounds(), in.Capacitance.bounds()
	on, off, ok := k.switching(pullUp)
	if !ok {
		return fmt.Errorf("the pull-up is %v to %v kΩ, but the coupler's switching times are for loads of %v to %v kΩ: expected times for the load in use",
			pullUp.Min/1e3, pullUp.Max/1e3, si(k.Switching[0].Load)/1e3, si(k.Switching[len(k.Switching)-1].Load)/1e3)
	}
	// The times are those of a new coupler at one LED current and 25 °C. What light
	// fills or empties takes longer or shorter by the ratio of the transistor's
	// currents at most, temperature and age included, so it may widen the bounds, and
	// is never taken to narrow them.
	test := Bounds{si(k.SwitchingCurrent), si(k.SwitchingCurrent)}
	then, _ := k.collector(test) // Check has seen that it is told
	now, _ := k.collector(c.LED)
	weak := max(then.Min/c.Collector, test.Min/c.LED.Min, 1)
	strong := max(now.Max*k.TemperatureFactor.Max/then.Max, c.LED.Max/test.Max, 1)
	on = Bounds{on.Min / strong, on.Max * weak}
	off = Bounds{off.Min / weak, off.Max * strong}
	// The cable is charged by the pull-up and discharged by what the transistor has
	// left over. A level between V_IL and V_IH may read as either.
	c.On, c.Off = on, off
	c.Off.Max += pullUp.Max * capacitance.Max * math.Log(supply.Min/(supply.Min-si(in.HighMin)))
	if spare := c.Collector - c.PullUp.Max; spare > 0 {
		// What the pull-up takes is not left to move the output.
		c.On.Max = c.On.Max*c.Collector/spare + capacitance.Max*supply.Max/spare
	}
	// A make is shown longer by the opening's delay less the closing's.
	opening, closing := c.Off, c.On
	if c.Request.Placement == Across {
		opening, closing = c.On, c.Off
	}
	c.AsymmetryBounds = opening.minus(closing)
	c.Asymmetry = c.AsymmetryBounds.middle()
	c.AsymmetryU = (c.AsymmetryBounds.Max - c.AsymmetryBounds.Min) / 2 / math.Sqrt(3) // JCGM 100:2008, 4.3.7
	return nil
}

// creepages are those of basic insulation of printed boards' material (group III)
// at pollution degree 2, by working voltage: IEC 60664-1, table F.4, from memory.
var creepages = []struct{ volts, mm float64 }{{50, 1.2}, {63, 1.25}, {80, 1.3}, {100, 1.4}, {125, 1.5}, {160, 1.6}, {200, 2}, {250, 2.5}, {320, 3.2}, {400, 4}}

// boardGap is kept between the sides whatever the table asks (common practice with
// couplers whose leads are bent wide).
const boardGap = 8

// isolate reckons what the isolation must stand.
func (c *Circuit) isolate() {
	c.WorkingVolt = max(si(c.Request.Voltage.Max), si(c.Request.Peak))
	c.IsolationVolt = max(c.WorkingVolt, slipVolt)
	for _, row := range creepages {
		if c.CreepageMM = 2 * row.mm; row.volts >= c.IsolationVolt { // reinforced is twice basic
			break
		}
	}
	c.GapMM = max(c.CreepageMM, boardGap)
}

// judge checks what must hold.
func (c *Circuit) judge() {
	k, in := &c.Request.Coupler, &c.Request.Input
	add := func(d Demand, value, limit float64, atLeast bool) {
		outcome := Broken
		if atLeast && value >= limit || !atLeast && value <= limit {
			outcome = Holds
		}
		c.Checks = append(c.Checks, Check{d, pulse.Known(value), limit, atLeast, outcome})
	}
	rating := si(k.ForwardCurrentMax)
	add(LEDRating, c.LED.Max, rating*load, false)
	add(LEDFault, c.FaultLED, rating, false)
	if c.PeakLED.OK {
		add(LEDPeak, c.PeakLED.V, rating, false)
	} else {
		c.Checks = append(c.Checks, Check{LEDPeak, pulse.Num{}, rating, false, Unknown})
	}
	add(ReverseRating, c.ReverseVolt, si(k.ReverseVoltageMax), false)
	add(Saturation, c.Overdrive, k.SaturationOverdrive, true)
	add(LowLevel, c.LowVolt, si(in.LowMax), false)
	add(HighLevel, c.HighVolt, si(in.HighMin), true)
	add(CollectorRating, c.PullUp.Max, si(k.CollectorCurrentMax), false)
	add(RepetitivePeak, si(k.RepetitivePeak), c.IsolationVolt, true)
	add(Transient, si(k.Transient), leastTransient, true)
	add(Creepage, k.CreepageMM, c.CreepageMM, true)
	if c.Request.Placement == Across {
		add(HoldingCurrent, c.LED.Max, si(c.Request.HoldCurrent)*holdPart, false)
	}
}
