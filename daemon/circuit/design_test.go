package circuit

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"
	"pgregory.net/rapid"
)

func volts(low, high float64) Range[physic.ElectricPotential] {
	return Range[physic.ElectricPotential]{physic.ElectricPotential(math.Round(low * 1e9)), physic.ElectricPotential(math.Round(high * 1e9))}
}

// feeding is the request of the 48 V example: 42 to 58 V behind a contact.
func feeding() Request {
	return Request{Voltage: volts(42, 58), Superposed: None, Peak: 90 * physic.Volt, Placement: Behind, LEDCurrent: 5 * physic.MilliAmpere, Series: E24, Coupler: Generic(), Input: RaspberryPi()}
}

// leads is that of ± 130 V leads of either polarity.
func leads() Request {
	r := feeding()
	r.Voltage, r.Reverses, r.Peak, r.Series = volts(117, 143), true, 160*physic.Volt, E96
	return r
}

// spanning is that of an LED across a contact, with a load in series.
func spanning() Request {
	r := feeding()
	r.Placement, r.HoldCurrent = Across, 30*physic.MilliAmpere
	r.LoadResistance = Range[physic.ElectricResistance]{450 * physic.Ohm, 550 * physic.Ohm}
	return r
}

func design(t *testing.T, r Request) *Circuit {
	t.Helper()
	c, err := Design(r)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

// Worked by hand, to the digits that are written out.
func TestFeedingByHand(t *testing.T) {
	c := design(t, feeding())
	// Fuses of 32 mA that drop 10 V at it have up to 312.5 Ω each. At 42 V and 1.5 V
	// across the LED, 5 mA leave (42 − 1.5) / 5 mA = 8100 Ω, without the fuses 7475; with
	// 5 % and 1 % of tolerance 7475 / 1.06 / 2 = 3526 Ω each. E24: 3300.
	near(t, "resistor", c.ResistorOhm, 3300, 0)
	near(t, "fuse's resistance", c.FuseOhm.Max, 312.5, 1e-9)
	if c.Resistors != 2 || c.Bridge || !c.ClosedLow {
		t.Errorf("%d resistors, bridge %v, closed low %v", c.Resistors, c.Bridge, c.ClosedLow)
	}
	// 40.5 V / (6600 · 1.06 + 625 = 7621 Ω) = 5.3143 mA, 57 V / (6600 · 0.94 = 6204 Ω) = 9.1876 mA.
	near(t, "least LED current", c.LED.Min, 5.3143e-3, 1e-4)
	near(t, "most LED current", c.LED.Max, 9.1876e-3, 1e-4)
	// One of two equal ones takes a quarter of U²/R: 57² / 4 / 3102 = 0.26185 W. Where
	// the wire behind it touches the other lead, all of 58 V: 58² / 3102 = 1.08446 W, for
	// which 2 W are needed.
	near(t, "dissipation", c.ResistorWatt, 0.26185, 1e-4)
	near(t, "dissipation at a fault", c.FaultWatt, 1.08446, 1e-4)
	near(t, "rating", c.RatingWatt, 2, 0)
	near(t, "rating", c.RatingVolt, 90, 0)
	near(t, "LED at a fault", c.FaultLED, 57/3102.0, 1e-9)
	// (90 − 1) / 6204 = 14.346 mA at the peak, (58 − 0.4) / 6204 = 9.2843 mA reversed.
	near(t, "LED at the peak", c.PeakLED.V, 14.346e-3, 1e-4)
	near(t, "reversed", c.Reversed, 9.2843e-3, 1e-4)
	// 0.8 · 5 mA and 0.9 · 10 mA: at 5.3143 mA 4 + 5 · 0.3143 / 5 = 4.3143 mA, with 0.7
	// for temperature and 0.6 for age 1.8120 mA.
	near(t, "collector", c.Collector, 1.8120e-3, 1e-4)
	// 3.465 V / 9.5 kΩ + 10 µA = 374.74 µA; 1.8120 / 0.37474 = 4.8354.
	near(t, "pull-up", c.PullUp.Max, 374.74e-6, 1e-4)
	near(t, "overdrive", c.Overdrive, 4.8354, 1e-4)
	// 3.135 V − 12 µA · 10.5 kΩ = 3.009 V.
	near(t, "high", c.HighVolt, 3.009, 1e-9)
	near(t, "low", c.LowVolt, 0.4, 1e-9)
	// Times of a new coupler at 10 mA, which give 9 mA at least; here the old and warm
	// one has 1.8120 mA at least, so that closings take up to 10 · 9 / 1.8120 = 49.669 µs,
	// where all of it were left beside the pull-up; 1.8120 − 0.37474 = 1.4373 mA are left:
	// 49.669 · 1.8120 / 1.4373 = 62.618 µs, and 200 pF · 3.465 V / 1.4373 mA = 0.482 µs more.
	near(t, "on", c.On.Max, 63.100e-6, 1e-4)
	// The strongest has 15 + 17 · 4.1876 / 5 = 29.238 mA, with 1.1 for temperature 32.162
	// of the 32 mA at the test, 1.00505 times. Openings at 10.5 kΩ: ln 1.05 / ln 10 =
	// 0.021189 of the way from 250 to 1500 µs by ratio: 250 · 6^0.021189 = 259.67 µs, so
	// 260.98, and for the cable 10.5 kΩ · 200 pF · ln (3.135 / 1.135) = 2.1336 µs.
	near(t, "off", c.Off.Max, 263.11e-6, 1e-4)
	// At 9.5 kΩ: ln 9.5 / ln 10 = 0.97772 of the way from 5 to 20 µs by ratio:
	// 5 · 4^0.97772 = 19.392 µs, for the weak coupler 19.392 · 1.8120 / 9 = 3.9043 µs.
	near(t, "least off", c.Off.Min, 3.9043e-6, 1e-4)
	near(t, "least on", c.On.Min, 0.1e-6/1.00505, 1e-4)
	// A make is shown longer by 3.904 − 63.100 = −59.196 to 263.11 − 0.0995 = 263.01 µs:
	// 101.91 ± 322.21 / 2 / √3 = 93.01 µs.
	near(t, "asymmetry", c.Asymmetry, 101.91e-6, 2e-4)
	near(t, "its uncertainty", c.AsymmetryU, 93.01e-6, 2e-4)
	// Ringing by a slip, 200 V: 2 mm, reinforced 4.
	near(t, "isolation", c.IsolationVolt, 200, 0)
	near(t, "creepage", c.CreepageMM, 4, 0)
	near(t, "fuse", c.FuseAmpere, 0.032, 0)
	if c.Outcome() != Holds {
		t.Errorf("%+v", c.Checks)
	}
}

func TestLeadsByHand(t *testing.T) {
	c := design(t, leads())
	// The bridge takes 0.8 to 2.2 V, the LED 1 to 1.5: (117 − 3.7) / 5 mA = 22,660 Ω, without
	// the fuses 22,035, of four with 2 % 22,035 / 1.02 / 4 = 5400.7. E96: 5360.
	near(t, "resistor", c.ResistorOhm, 5360, 0)
	if c.Resistors != 4 || !c.Bridge {
		t.Errorf("%d resistors, bridge %v", c.Resistors, c.Bridge)
	}
	// 113.3 / (21,868.8 + 625) = 5.0370 mA; (143 − 1.8) / 21,011.2 = 6.7202 mA.
	near(t, "least LED current", c.LED.Min, 5.0370e-3, 1e-4)
	near(t, "most LED current", c.LED.Max, 6.7202e-3, 1e-4)
	// One of 5467.2 Ω beside three of 5252.8 (15,758.4): 141.2² · 5467.2 / 21,225.6² =
	// 0.24194 W. With the other lead's two bypassed, a quarter of 143² / 5252.8: 0.97325 W,
	// and (143 − 1.8) / 10,505.6 = 13.440 mA. At 160 V it takes 160 · 5467.2 / 10,720 =
	// 81.600 V.
	near(t, "dissipation", c.ResistorWatt, 0.24194, 1e-4)
	near(t, "dissipation at a fault", c.FaultWatt, 0.97325, 1e-4)
	near(t, "LED at a fault", c.FaultLED, 13.440e-3, 1e-4)
	near(t, "rating", c.RatingWatt, 1, 0)
	near(t, "rating", c.RatingVolt, 81.600, 1e-4)
	near(t, "reversed", c.Reversed, c.LED.Max, 0)
	near(t, "creepage", c.CreepageMM, 4, 0)
}

// Across a contact the LED lights while it is open: what is late changes sides, and
// so does the sign.
func TestSpanningByHand(t *testing.T) {
	c, behind := design(t, spanning()), design(t, feeding())
	// (40.5 / 5 mA − 550 − 625) / 1.06 / 2 = 3266.5. E24: 3000; 40.5 / (6360 + 1175) =
	// 5.3749, 57 / (5640 + 450) = 9.3596 mA.
	near(t, "resistor", c.ResistorOhm, 3000, 0)
	near(t, "least LED current", c.LED.Min, 5.3749e-3, 1e-4)
	near(t, "most LED current", c.LED.Max, 9.3596e-3, 1e-4)
	if c.ClosedLow || c.Asymmetry >= 0 || behind.Asymmetry <= 0 {
		t.Errorf("closed low %v, asymmetries %v and %v", c.ClosedLow, c.Asymmetry, behind.Asymmetry)
	}
	near(t, "bound", c.AsymmetryBounds.Min, c.On.Min-c.Off.Max, 1e-12)
	near(t, "bound", c.AsymmetryBounds.Max, c.On.Max-c.Off.Min, 1e-12)
}

// evaluate is a second way to the figures: one circuit of given parts, by the sum
// of voltages around the loop.
type evaluated struct{ led, watt, volt, fault, faultLED, pull, high float64 }

func evaluate(c *Circuit, source, forward, drop, load float64, resistors []float64, supply, pullUp, leak, dark float64) (e evaluated) {
	sum := load
	for _, r := range resistors {
		sum += r
	}
	diodes := 0.0
	if c.Bridge {
		diodes = 2 * drop
	}
	e.led = (source - forward - diodes) / sum
	for i, r := range resistors {
		// Without the load, which only lessens what a resistor takes.
		alone := (source - forward - diodes) / (sum - load)
		e.watt = max(e.watt, alone*alone*r)
		// The other lead's are bypassed.
		half := len(resistors) / 2
		own := 0.0
		for _, x := range resistors[i/half*half : i/half*half+half] {
			own += x
		}
		e.fault = max(e.fault, source*source*r/own/own)
		e.volt = max(e.volt, max(source, c.WorkingVolt)*r/own)
		e.faultLED = max(e.faultLED, (source-forward-diodes)/(own+load))
	}
	e.pull = supply/pullUp + leak
	e.high = supply - (dark+leak)*pullUp
	return e
}

// All corners of the parts, and points inside: every figure lies within its
// bounds, and the corners reach them.
func TestBoundsByEnumeration(t *testing.T) {
	for name, r := range map[string]Request{"behind": feeding(), "leads": leads(), "across": spanning()} {
		c := design(t, r)
		v, f, l := r.Voltage.bounds(), r.Coupler.ForwardVoltage.bounds(), r.LoadResistance.bounds().plus(Bounds{0, 2 * c.FuseOhm.Max}) // and the fuses
		part := Bounds{c.ResistorOhm * (1 - c.Tolerance - drift), c.ResistorOhm * (1 + c.Tolerance + drift)}
		s, p := r.Input.Supply.bounds(), r.Input.PullUp.bounds()
		leak, dark := Bounds{0, si(r.Input.Leakage)}, Bounds{0, si(r.Coupler.DarkCurrentMax)}
		all := []Bounds{v, f, diode, l, s, p, leak, dark}
		for range c.Resistors {
			all = append(all, part)
		}
		at := func(x []float64) evaluated {
			return evaluate(c, x[0], x[1], x[2], x[3], x[8:], x[4], x[5], x[6], x[7])
		}
		const slack = 1e-12
		within := func(t interface{ Fatalf(string, ...any) }, e evaluated) {
			if e.led < c.LED.Min*(1-slack) || e.led > c.LED.Max*(1+slack) || e.watt > c.ResistorWatt*(1+slack) || e.fault > c.FaultWatt*(1+slack) || e.faultLED > c.FaultLED*(1+slack) ||
				e.volt > c.RatingVolt*(1+slack) || e.pull < c.PullUp.Min*(1-slack) || e.pull > c.PullUp.Max*(1+slack) || e.high < c.HighVolt-slack {
				t.Fatalf("%s: %+v is outside of %+v", name, e, c)
			}
		}
		low, high := evaluated{led: 1, pull: 1, high: 9}, evaluated{}
		for corner := range 1 << len(all) {
			x := make([]float64, len(all))
			for i, b := range all {
				if x[i] = b.Min; corner>>i&1 == 1 {
					x[i] = b.Max
				}
			}
			e := at(x)
			within(t, e)
			low = evaluated{led: min(low.led, e.led), pull: min(low.pull, e.pull), high: min(low.high, e.high)}
			high = evaluated{led: max(high.led, e.led), watt: max(high.watt, e.watt), volt: max(high.volt, e.volt), fault: max(high.fault, e.fault), faultLED: max(high.faultLED, e.faultLED), pull: max(high.pull, e.pull)}
		}
		for what, pair := range map[string][2]float64{
			"least LED current": {c.LED.Min, low.led}, "most LED current": {c.LED.Max, high.led}, "dissipation": {c.ResistorWatt, high.watt}, "at a fault": {c.FaultWatt, high.fault}, "LED at a fault": {c.FaultLED, high.faultLED},
			"voltage": {c.RatingVolt, high.volt}, "least pull-up": {c.PullUp.Min, low.pull}, "most pull-up": {c.PullUp.Max, high.pull}, "high level": {c.HighVolt, low.high},
		} {
			near(t, name+": "+what+", that no corner reaches,", pair[0], pair[1], 1e-9)
		}
		rapid.Check(t, func(t *rapid.T) {
			x := make([]float64, len(all))
			for i, b := range all {
				x[i] = b.Min + (b.Max-b.Min)*rapid.Float64Range(0, 1).Draw(t, "part")
			}
			within(t, at(x))
		})
	}
}

// The next larger value of the series would let too little flow.
func TestResistorsAreTheLargest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := feeding()
		low := rapid.Float64Range(20, 120).Draw(t, "low")
		r.Voltage = volts(low, low*1.2)
		r.Peak, r.Reverses = 200*physic.Volt, rapid.Bool().Draw(t, "reverses")
		r.LEDCurrent = physic.ElectricCurrent(rapid.Float64Range(1.5e6, 8e6).Draw(t, "wanted"))
		if rapid.Bool().Draw(t, "fine") {
			r.Series = E96
		}
		c, err := Design(r)
		if err != nil {
			t.Fatal(err)
		}
		wanted := float64(r.LEDCurrent) / 1e9
		step := 1.155 // the widest of E24: 1.3 to 1.5
		if r.Series == E96 {
			step = 1.03
		}
		if c.LED.Min < wanted || c.LED.Min > wanted*step {
			t.Fatalf("%v A at least, wanted %v", c.LED.Min, wanted)
		}
		for _, x := range []float64{c.Asymmetry, c.AsymmetryU, c.Off.Max, c.RatingWatt, c.FaultLED} {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				t.Fatalf("%+v", c)
			}
		}
		if _, err := json.Marshal(c); err != nil {
			t.Fatal(err)
		}
	})
}

// What is fed with less becomes no better: more voltage, more age, a smaller
// pull-up never raise the overdrive, the margin of the LED or lower the heat.
func TestWorseIsNotBetter(t *testing.T) {
	base := design(t, feeding())
	for name, c := range map[string]struct {
		change func(*Request)
		worse  func(a, b *Circuit) bool // b is worse than a
	}{
		"more voltage": {func(r *Request) { r.Voltage.Max += 2 * physic.Volt }, func(a, b *Circuit) bool { return b.LED.Max > a.LED.Max && b.ResistorWatt > a.ResistorWatt }},
		"older": {func(r *Request) { r.Coupler.AgeFactor = 0.4 }, func(a, b *Circuit) bool {
			return b.Overdrive < a.Overdrive && b.On.Max > a.On.Max && b.Off.Min < a.Off.Min
		}},
		"warmer":     {func(r *Request) { r.Coupler.TemperatureFactor.Max = 1.3 }, func(a, b *Circuit) bool { return b.Off.Max > a.Off.Max }},
		"more pull":  {func(r *Request) { r.Input.PullUp.Min = 5 * physic.KiloOhm }, func(a, b *Circuit) bool { return b.Overdrive < a.Overdrive }},
		"more dark":  {func(r *Request) { r.Coupler.DarkCurrentMax *= 10 }, func(a, b *Circuit) bool { return b.HighVolt < a.HighVolt }},
		"more cable": {func(r *Request) { r.Input.Capacitance.Max *= 10 }, func(a, b *Circuit) bool { return b.Off.Max > a.Off.Max && b.On.Max > a.On.Max }},
		"slower":     {func(r *Request) { r.Coupler.SwitchingCurrent *= 3 }, func(a, b *Circuit) bool { return b.On.Max > a.On.Max }},
	} {
		r := feeding()
		c.change(&r)
		if !c.worse(base, design(t, r)) {
			t.Errorf("%s is not worse", name)
		}
	}
}

// Each demand is broken by what it is there for, and by nothing less.
func TestDemands(t *testing.T) {
	for _, c := range []struct {
		demand Demand
		change func(*Request)
	}{
		{LEDRating, func(r *Request) { r.Coupler.ForwardCurrentMax = 18360 * physic.MicroAmpere }},       // half is 9.18 < 9.1876 mA
		{LEDFault, func(r *Request) { r.Coupler.ForwardCurrentMax = 18374 * physic.MicroAmpere }},        // < 18.375 mA
		{LEDPeak, func(r *Request) { r.Peak = 250 * physic.Volt }},                                       // (250 − 1) / 6204 = 40.1 mA > 30
		{ReverseRating, func(r *Request) { r.Coupler.ReverseVoltageMax = 1 * physic.Volt }},              // < 1.1 V
		{Saturation, func(r *Request) { r.Coupler.SaturationOverdrive = 4.84 }},                          // > 4.8354
		{LowLevel, func(r *Request) { r.Coupler.SaturationVoltageMax = 801 * physic.MilliVolt }},         // > 0.8 V
		{HighLevel, func(r *Request) { r.Coupler.DarkCurrentMax = 100 * physic.MicroAmpere }},            // 3.135 − 110 µA · 10.5 kΩ = 1.98 V < 2
		{CollectorRating, func(r *Request) { r.Coupler.CollectorCurrentMax = 374 * physic.MicroAmpere }}, // < 374.7 µA
		{RepetitivePeak, func(r *Request) { r.Coupler.RepetitivePeak = 199 * physic.Volt }},              // < 200 V
		{RepetitivePeak, func(r *Request) { r.Peak, r.Coupler.RepetitivePeak = 210*physic.Volt, 209*physic.Volt }},
		{Transient, func(r *Request) { r.Coupler.Transient = 2400 * physic.Volt }},                         // < 2.5 kV
		{Creepage, func(r *Request) { r.Coupler.CreepageMM = 3.9 }},                                        // < 4 mm
		{HoldingCurrent, func(r *Request) { *r = spanning(); r.HoldCurrent = 18700 * physic.MicroAmpere }}, // half is 9.35 < 9.3596 mA
	} {
		r := feeding()
		c.change(&r)
		got := design(t, r)
		broken := map[Demand]bool{}
		for _, k := range got.Checks {
			if k.Outcome == Broken {
				broken[k.Demand] = true
			}
		}
		if !broken[c.demand] || got.Outcome() != Broken {
			t.Errorf("%s: broken are %v", c.demand, broken)
		}
	}
	r := feeding()
	r.Peak = 0
	if c := design(t, r); c.Outcome() != Unknown || c.PeakLED.OK {
		t.Errorf("no peak: %v", c.Outcome())
	}
}

func TestDesignRefuses(t *testing.T) {
	for _, c := range []struct {
		name, want string
		change     func(*Request)
	}{
		{"not told", "what is superposed on the dc is not known: expected none, ringing or mains", func(r *Request) { r.Superposed = "" }},
		{"ringing", "ringing is superposed: its peaks (95 V rms are 134 V", func(r *Request) { r.Superposed = Ringing }},
		{"mains", "mains are superposed", func(r *Request) { r.Superposed = Mains }},
		{"another", `superposed "hum": expected none, ringing or mains`, func(r *Request) { r.Superposed = "hum" }},
		{"the wrong way round", "voltage: expected the lower bound first", func(r *Request) { r.Voltage = volts(58, 42) }},
		{"0 V", "voltage from 0 V: expected", func(r *Request) { r.Voltage = volts(0, 48) }},
		{"below 0", "voltage from 0 V: expected", func(r *Request) { r.Voltage = volts(-48, 48) }},
		{"260 V", "voltage up to 260 V: expected at most 160 V from lead to lead; between a +130 V and a −130 V lead stand 260 V", func(r *Request) { r.Voltage = volts(234, 260) }},
		{"too little", "voltage from 4 V: expected at least 4.5 V", func(r *Request) { r.Voltage = volts(4, 5) }},
		{"a peak below the rest", "a largest voltage of 50 V, below the 58 V", func(r *Request) { r.Peak = 50 * physic.Volt }},
		{"a negative peak", "a largest voltage of -90 V", func(r *Request) { r.Peak = -90 * physic.Volt }},
		{"a kick", "a largest voltage of 401 V: expected at most 400 V; a coil that kicks so high needs a quench", func(r *Request) { r.Peak = 401 * physic.Volt }},
		{"no place", `placement "": expected behind`, func(r *Request) { r.Placement = "" }},
		{"across without a holding current", "expected the least current that could operate or hold that", func(r *Request) { *r = spanning(); r.HoldCurrent = 0 }},
		{"across without a resistance", "expected the resistance of that", func(r *Request) { *r = spanning(); r.LoadResistance.Max, r.LoadResistance.Min = 0, 0 }},
		{"behind with a holding current", "is for an LED across the contact", func(r *Request) { r.HoldCurrent = 1 }},
		{"no current", "LED current 0: expected more", func(r *Request) { r.LEDCurrent = 0 }},
		{"too small a current", "below the 1 mA from which the coupler's data tell its ratio", func(r *Request) { r.LEDCurrent = 500 * physic.MicroAmpere }},
		{"no current at all", "expected an LED current of some milliamperes", func(r *Request) { r.LEDCurrent = 1 }},
		{"a load that is too large", "do not flow from the least voltage through what is in series with the LED, 10031 Ω with the fuses: expected", func(r *Request) {
			*r = spanning()
			r.LoadResistance = Range[physic.ElectricResistance]{9 * physic.KiloOhm, 10 * physic.KiloOhm}
		}},
		{"an ampere", "expected a smaller LED current", func(r *Request) { r.LEDCurrent = physic.Ampere }},
		{"no series", `series "": expected E24 or E96`, func(r *Request) { r.Series = "" }},
		{"no coupler", "coupler: forward_voltage is 0: expected more", func(r *Request) { r.Coupler = Coupler{} }},
		{"a pull-up beyond the data", "the pull-up is 100 to 200 kΩ, but the coupler's switching times are for loads of 0.1 to 100 kΩ", func(r *Request) {
			r.Input.PullUp = Range[physic.ElectricResistance]{100 * physic.KiloOhm, 200 * physic.KiloOhm}
		}},
		{"no pull-up", "pull-up: expected a resistance above 0", func(r *Request) { r.Input.PullUp.Min = 0 }},
		{"12 V", "supply of the pull-up: expected a voltage up to 5.5 V", func(r *Request) { r.Input.Supply = volts(11, 13) }},
		{"levels", "levels of the line: expected 0 < V_IL < V_IH < the supply", func(r *Request) { r.Input.LowMax = 2 * physic.Volt }},
		{"leakage", "capacitance and leakage of the line", func(r *Request) { r.Input.Leakage = -1 }},
	} {
		r := feeding()
		c.change(&r)
		got, err := Design(r)
		if err == nil || got != nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") || !strings.Contains(err.Error(), "expected") {
			t.Errorf("%s: %v, %v", c.name, got, err)
		}
	}
}

// A voltage is a range or a usual source, never one figure and never with a sign.
func TestParseVoltage(t *testing.T) {
	for text, want := range map[string]Range[physic.ElectricPotential]{"42V..58V": volts(42, 58), "24V-battery": volts(21, 30), "130V-leads": volts(117, 143)} {
		if v, reverses, err := ParseVoltage(text); err != nil || v != want || reverses != (text == "130V-leads") {
			t.Errorf("%s: %v %v %v", text, v, reverses, err)
		}
	}
	for _, text := range []string{"", "48V", "-48V", "48-56V", "50 volts", "48V..", "58V..42V", "-58V..-42V", "48V-batteries"} {
		if _, _, err := ParseVoltage(text); err == nil || !strings.Contains(err.Error(), "expected") {
			t.Errorf("%s: %v", text, err)
		}
	}
}

func TestCouplerRefuses(t *testing.T) {
	for name, change := range map[string]func(*Coupler){
		"forward_voltage: expected the lower":                        func(c *Coupler) { c.ForwardVoltage = volts(1.5, 1) },
		"forward_current_max is 0":                                   func(c *Coupler) { c.ForwardCurrentMax = 0 },
		"temperature_factor from NaN":                                func(c *Coupler) { c.TemperatureFactor.Min = math.NaN() },
		"temperature_factor from 1.2 to 1.1":                         func(c *Coupler) { c.TemperatureFactor.Min = 1.2 },
		"age_factor from 1.1":                                        func(c *Coupler) { c.AgeFactor = 1.1 },
		"saturation_overdrive 0.5: expected a number from 1 to 100":  func(c *Coupler) { c.SaturationOverdrive = 0.5 },
		"transient is below repetitive_peak":                         func(c *Coupler) { c.Transient = 1 },
		"creepage_mm from +Inf":                                      func(c *Coupler) { c.CreepageMM = math.Inf(1) },
		"switching_led_current is below the first":                   func(c *Coupler) { c.SwitchingCurrent = physic.MicroAmpere },
		"transfer is empty":                                          func(c *Coupler) { c.Transfer = nil },
		"transfer: ratio from 0":                                     func(c *Coupler) { c.Transfer[1].Ratio.Min = 0 },
		"transfer: expected LED currents that ascend":                func(c *Coupler) { c.Transfer[1].LEDCurrent = physic.MilliAmpere },
		"transfer: the collector's current falls as the LED's rises": func(c *Coupler) { c.Transfer[2].Ratio.Min = 0.3 },
		"switching is empty":                                         func(c *Coupler) { c.Switching = nil },
		"switching: from 0s to 10µs: expected two times above 0":     func(c *Coupler) { c.Switching[0].On.Min = 0 },
		"switching: from 100ns to 21ms: expected two times above 0":  func(c *Coupler) { c.Switching[0].On.Max = 21 * time.Millisecond },
		"switching: expected loads that ascend":                      func(c *Coupler) { c.Switching[1].Load = 100 * physic.Ohm },
	} {
		c := Generic()
		if err := c.Check(); err != nil {
			t.Fatal(err)
		}
		change(&c)
		if err := c.Check(); err == nil || !strings.HasPrefix(err.Error(), name) || !strings.Contains(err.Error(), ": expected ") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A coupler with one row each, and a current above the last of several.
func TestCouplerBeyondItsRows(t *testing.T) {
	c := Generic()
	// 20 mA: at least what 10 mA gave (9 mA), at most 3.2 · 20 = 64 mA.
	if b, ok := c.collector(Bounds{20e-3, 20e-3}); !ok || math.Abs(b.Min-9e-3) > 1e-12 || math.Abs(b.Max-64e-3) > 1e-12 {
		t.Errorf("%v %v", b, ok)
	}
	// 3 mA, half way from 1 mA (0.3 and 2 mA) to 5 mA (4 and 15 mA): 2.15 and 8.5 mA.
	if b, ok := c.collector(Bounds{3e-3, 3e-3}); !ok || math.Abs(b.Min-2.15e-3) > 1e-12 || math.Abs(b.Max-8.5e-3) > 1e-12 {
		t.Errorf("%v %v", b, ok)
	}
	c.Switching = c.Switching[2:3]
	if on, off, ok := c.switching(Bounds{10e3, 10e3}); !ok || math.Abs(on.Max-10e-6) > 1e-12 || math.Abs(off.Max-250e-6) > 1e-12 {
		t.Errorf("%v %v %v", on, off, ok)
	}
	if _, _, ok := c.switching(Bounds{10e3, 11e3}); ok {
		t.Error("a load beyond the data is taken")
	}
}

// A load in between that is slower than both ends counts.
func TestSwitchingBetweenLoads(t *testing.T) {
	c := Generic()
	c.Switching[1].Off.Max = 5 * time.Millisecond
	if _, off, ok := c.switching(Bounds{500, 5000}); !ok || math.Abs(off.Max-5e-3) > 1e-9 {
		t.Errorf("%v %v", off, ok)
	}
}
