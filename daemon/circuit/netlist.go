package circuit

import (
	"bytes"
	"fmt"
	"io"
	"math"
)

// A Point is one case of a circuit: every part at one value, in SI units.
type Point struct {
	Volt        float64
	Resistor    float64 // each
	DiodeVolt   float64 // of each of the bridge's diodes
	ForwardVolt float64 // of the LED
	Load        float64 // resistance in series with the contact
	Ratio       float64 // collector's current over the LED's
	Supply      float64
	PullUp      float64
	Capacitance float64
	Fuse        float64 // resistance of each fuse
}

// Middle is a usual case: the middle of each part's bounds.
func (c *Circuit) Middle() Point {
	r := &c.Request
	p := Point{
		Volt: r.Voltage.bounds().middle(), Resistor: c.ResistorOhm, DiodeVolt: diode.middle(), ForwardVolt: r.Coupler.ForwardVoltage.bounds().middle(),
		Load: r.LoadResistance.bounds().middle(), Supply: r.Input.Supply.bounds().middle(), PullUp: r.Input.PullUp.bounds().middle(), Capacitance: r.Input.Capacitance.bounds().middle(), Fuse: c.FuseOhm.middle(),
	}
	most := c.LED.Max * r.Coupler.Transfer[len(r.Coupler.Transfer)-1].Ratio.Max
	if fresh, ok := r.Coupler.collector(c.LED); ok {
		most = fresh.Max
	}
	p.Ratio = Bounds{c.Collector, most * r.Coupler.TemperatureFactor.Max}.geometric() / c.LED.geometric()
	return p
}

// LEDCurrent is that of a case.
func (c *Circuit) LEDCurrent(p Point) float64 {
	drop := p.ForwardVolt
	if c.Bridge {
		drop += 2 * p.DiodeVolt
	}
	return (p.Volt - drop) / (float64(c.Resistors)*p.Resistor + 2*p.Fuse + p.Load)
}

// The macro model of the coupler. Its transistor's gain and charges are invented,
// of the order that makes a phototransistor slow: a large junction at the base,
// which only the light's current fills and only recombination empties. They show
// how a circuit behaves, not how quick one make of coupler is.
const (
	transistorGain = 300
	junctionFarad  = 12e-12 // collector to base
	emitterFarad   = 12e-12
	transitSecond  = 0.3e-9 // forward
	storageSecond  = 60e-9  // reverse: what saturation stores
	// thermalVolt is kT/q at 27 °C, at which ngspice works.
	thermalVolt = 1.380649e-23 * 300.15 / 1.602176634e-19
)

// Netlist writes a case for ngspice: the contact closes at 1 ms, opens at 6 ms
// and closes again at 12 ms. It measures the LED's current, the output's low and
// high levels, and both delays, from the contact's change to the input's level at
// which the line is sure to read it.
func (c *Circuit) Netlist(w io.Writer, p Point) error {
	var b bytes.Buffer
	current := c.LEDCurrent(p)
	line := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	line("* makebreak input circuit; the coupler is a macro model with an invented transistor")
	line("* The contact: its control is 1 V while it is closed")
	line("vcontact ctl 0 pulse(0 1 1m 10n 10n 4.99998m 11m)")
	line(".model contact sw(vt=0.5 vh=0 ron=0.01 roff=1e9)")
	line("vsource plus 0 dc %g", p.Volt)
	top, bottom := "lead", "0"
	if c.Request.Placement == Across {
		line("rload plus lead %g", p.Load)
		line("scontact lead 0 ctl 0 contact")
	} else {
		line("scontact plus lead ctl 0 contact")
	}
	// 1 µΩ keeps a fuse of no resistance a resistor for ngspice.
	line("rf1 %s fused1 %g", top, p.Fuse+1e-6)
	line("rf2 %s fused2 %g", bottom, p.Fuse+1e-6)
	top, bottom = "fused1", "fused2"
	// Half of the resistors stand in each lead.
	for i := range c.Resistors {
		half := c.Resistors / 2
		if i < half {
			line("r%d %s a%d %g", i+1, top, i+1, p.Resistor)
			top = fmt.Sprintf("a%d", i+1)
		} else {
			line("r%d %s b%d %g", i+1, bottom, i+1, p.Resistor)
			bottom = fmt.Sprintf("b%d", i+1)
		}
	}
	if c.Bridge {
		line("d1 %s anode half", top)
		line("d2 cathode %s half", top)
		line("d3 %s anode half", bottom)
		line("d4 cathode %s half", bottom)
		line(".model half d(is=%g n=2)", saturation(current, p.DiodeVolt))
		top, bottom = "anode", "cathode"
	} else {
		line("d1 %s %s guard", bottom, top)
		line(".model guard d(is=1e-9 n=2)")
	}
	line("vsense %s led dc 0", top)
	line("dled led %s led", bottom)
	line(".model led d(is=%g n=2)", saturation(current, p.ForwardVolt))
	line("* The output side; its ground is the computer's and only the simulator's node 0")
	line("* joins the sides")
	line("vdd supply 0 dc %g", p.Supply)
	line("rpull supply out %g", p.PullUp)
	line("cline out 0 %g", p.Capacitance)
	line("flight 0 base vsense %g", p.Ratio/transistorGain)
	line("qphoto out base 0 photo")
	line(".model photo npn(is=1e-14 bf=%d br=5 rc=20 cjc=%g cje=%g tf=%g tr=%g)", transistorGain, junctionFarad, emitterFarad, transitSecond, storageSecond)
	line(".options reltol=1e-5")
	line(".tran 0.2u 17m 0 1u")
	lit, dark := "5.9m", "11.9m"
	on, off := 1e-3, 6e-3
	if c.Request.Placement == Across {
		lit, dark = dark, lit
		on, off = off, 12e-3
	}
	in := &c.Request.Input
	line(".meas tran led_current find i(vsense) at=%s", lit)
	line(".meas tran low_level find v(out) at=%s", lit)
	line(".meas tran high_level find v(out) at=%s", dark)
	line(".meas tran on_delay trig at=%g targ v(out) val=%g fall=1 td=%g", on, si(in.LowMax), on)
	line(".meas tran off_delay trig at=%g targ v(out) val=%g rise=1 td=%g", off, si(in.HighMin), off)
	line(".end")
	_, err := w.Write(b.Bytes())
	return err
}

// saturation gives the saturation current of a diode of emission coefficient 2
// that takes volts at a current (Shockley's equation).
func saturation(current, volts float64) float64 {
	return current / math.Expm1(volts/(2*thermalVolt))
}
