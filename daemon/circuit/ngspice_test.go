package circuit

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"
)

// measured is a figure of a netlist that ngspice prints.
var measured = regexp.MustCompile(`(?m)^(led_current|low_level|high_level|on_delay|off_delay) += +(\S+)`)

// simulate runs a netlist and gives the figures that came out, or skips the test where there is no ngspice.
func simulate(t *testing.T, c *Circuit, p Point) map[string]float64 {
	t.Helper()
	program, err := exec.LookPath("ngspice")
	if err != nil {
		if os.Getenv("MAKEBREAK_TESTS") == "require" {
			t.Fatal(err)
		}
		t.Skipf("%v; MAKEBREAK_TESTS=require makes this a failure", err)
	}
	var netlist bytes.Buffer
	if err := c.Netlist(&netlist, p); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "circuit.cir")
	if err := os.WriteFile(file, netlist.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(program, "-b", file).CombinedOutput()
	figures := map[string]float64{}
	for _, m := range measured.FindAllStringSubmatch(string(out), -1) {
		if figures[m[1]], err = strconv.ParseFloat(m[2], 64); err != nil {
			t.Fatal(err)
		}
	}
	if len(figures) < 2 {
		t.Fatalf("%v %v\n%s\n%s", figures, err, netlist.Bytes(), out)
	}
	return figures
}

// ngspice solves the circuits at the corners of their parts. Its LED current, which
// it finds by the diodes' equation, is the reckoned one within 0.2 % (what the
// contact's 10 mΩ, the guard diode and its tolerance leave), and reaches the
// bounds; the output saturates below the stated voltage and rises above the
// stated level; both delays lie within the stated bounds. The transistor of the
// macro model is invented, as the bounds of the generic coupler are: what is
// checked is that levels, loads and LED currents move times as the bounds allow.
func TestNgspice(t *testing.T) {
	internal := feeding()
	internal.Input.PullUp = InternalPullUp()
	for name, r := range map[string]Request{"behind": feeding(), "leads": leads(), "across": spanning(), "internal": internal} {
		c := design(t, r)
		fresh, _ := r.Coupler.collector(c.LED)
		most := fresh.Max * r.Coupler.TemperatureFactor.Max / c.LED.Max
		v, f, l, s, u, cable := r.Voltage.bounds(), r.Coupler.ForwardVoltage.bounds(), r.LoadResistance.bounds(), r.Input.Supply.bounds(), r.Input.PullUp.bounds(), r.Input.Capacitance.bounds()
		part := Bounds{c.ResistorOhm * (1 - c.Tolerance - drift), c.ResistorOhm * (1 + c.Tolerance + drift)}
		dim := Point{v.Min, part.Max, diode.Max, f.Max, l.Max, c.Collector / c.LED.Min, s.Max, u.Min, cable.Max, c.FuseOhm.Max}
		bright := Point{v.Max, part.Min, diode.Min, f.Min, l.Min, most, s.Min, u.Max, cable.Max, 0}
		for at, p := range map[string]Point{"dim": dim, "bright": bright, "middle": c.Middle()} {
			t.Run(fmt.Sprintf("%s, %s", name, at), func(t *testing.T) {
				t.Parallel()
				got := simulate(t, c, p)
				if len(got) != 5 {
					t.Fatal(got)
				}
				near(t, "LED current", got["led_current"], c.LEDCurrent(p), 2e-3)
				switch at {
				case "dim":
					near(t, "least LED current", got["led_current"], c.LED.Min, 2e-3)
				case "bright":
					near(t, "most LED current", got["led_current"], c.LED.Max, 2e-3)
				}
				if low := got["low_level"]; !(low > 0 && low <= c.LowVolt) {
					t.Errorf("low level %v V, bound %v", low, c.LowVolt)
				}
				if high := got["high_level"]; !(high >= c.HighVolt && high <= s.Max) {
					t.Errorf("high level %v V, bound %v", high, c.HighVolt)
				}
				for delay, b := range map[string]Bounds{"on_delay": c.On, "off_delay": c.Off} {
					if d := got[delay]; !(d >= b.Min && d <= b.Max) {
						t.Errorf("%s %v s, bounds %v", delay, d, b)
					}
				}
				t.Log(got, c.On, c.Off)
			})
		}
	}
}

// A coupler too weak for its pull-up does not saturate in the simulation either:
// its output stays above the level that reads low.
func TestNgspiceWithoutSaturation(t *testing.T) {
	r := feeding()
	r.Coupler.AgeFactor = 0.1
	r.Input.PullUp = Range[physic.ElectricResistance]{physic.KiloOhm, physic.KiloOhm}
	c := design(t, r)
	if c.Outcome() != Broken || c.Overdrive > 0.1 {
		t.Fatalf("overdrive %v", c.Overdrive)
	}
	p := c.Middle()
	p.Ratio = c.Collector / c.LED.Min
	got := simulate(t, c, p)
	if low, ok := got["low_level"]; !ok || low < si(r.Input.LowMax) {
		t.Errorf("%v", got)
	}
	if _, fell := got["on_delay"]; fell {
		t.Errorf("%v", got)
	}
}

// The bounds of the delays from a coupler's table hold in another circuit than the
// table was taken in. Here ngspice takes the table, as a data sheet's author would:
// 10 mA of LED current, three loads, no cable, new couplers of the least and the most
// ratio. The circuits run at other LED currents, with other pull-ups and a cable, old
// and cold or new and warm, and their delays lie within the bounds that Design makes of the table. They come
// near to them too: a table that is a fifth of itself does not hold.
func TestNgspiceTakesTheTable(t *testing.T) {
	r := feeding()
	base := design(t, r)
	test := r.Coupler.SwitchingCurrent
	then, _ := r.Coupler.collector(Bounds{si(test), si(test)})
	for i := range r.Coupler.Switching {
		s := &r.Coupler.Switching[i]
		var on, off []float64
		for _, ratio := range []float64{then.Min / si(test), then.Max / si(test)} {
			p := base.Middle()
			p.Fuse = 0
			p.Ratio, p.PullUp, p.Capacitance = ratio, max(si(s.Load), 1000), 0
			p.Resistor = (p.Volt - p.ForwardVolt) / si(test) / float64(base.Resistors)
			got := simulate(t, base, p)
			if len(got) != 5 {
				t.Fatal(got)
			}
			near(t, "LED current of the test", got["led_current"], si(test), 2e-3)
			on, off = append(on, got["on_delay"]), append(off, got["off_delay"])
		}
		if i == 0 {
			continue // 100 Ω would not saturate
		}
		bounds := func(x []float64) Delay {
			return Delay{time.Duration(1e9 * min(x[0], x[1])), time.Duration(1e9 * max(x[0], x[1]))}
		}
		s.On, s.Off = bounds(on), bounds(off)
	}
	r.Coupler.Switching = r.Coupler.Switching[1:]
	fewer := r
	fewer.Coupler.Switching = nil
	for _, s := range r.Coupler.Switching {
		s.On, s.Off = Delay{s.On.Min / 5, s.On.Max / 5}, Delay{s.Off.Min / 5, s.Off.Max / 5}
		fewer.Coupler.Switching = append(fewer.Coupler.Switching, s)
	}
	for name, change := range map[string]func(*Request){
		"dim": func(r *Request) {
			r.LEDCurrent = 2 * physic.MilliAmpere
			r.Input.PullUp = Range[physic.ElectricResistance]{20 * physic.KiloOhm, 25 * physic.KiloOhm}
		},
		"usual": func(*Request) {},
		"bright": func(r *Request) {
			r.LEDCurrent = 12 * physic.MilliAmpere
			r.Input.PullUp = Range[physic.ElectricResistance]{4 * physic.KiloOhm, 5 * physic.KiloOhm}
		},
		"internal": func(r *Request) { r.Input.PullUp = InternalPullUp() },
	} {
		t.Run(name, func(t *testing.T) {
			held := r
			change(&held)
			c := design(t, held)
			fresh, _ := held.Coupler.collector(c.LED)
			v, f, u := held.Voltage.bounds(), held.Coupler.ForwardVoltage.bounds(), held.Input.PullUp.bounds()
			dim, bright := c.Middle(), c.Middle()
			dim.Volt, dim.ForwardVolt, dim.Resistor, dim.PullUp = v.Min, f.Max, c.TotalOhm.Max/float64(c.Resistors), u.Min
			dim.Ratio, dim.Capacitance, dim.Fuse = c.Collector/c.LED.Min, si(held.Input.Capacitance.Max), c.FuseOhm.Max
			bright.Volt, bright.ForwardVolt, bright.Resistor, bright.PullUp = v.Max, f.Min, c.TotalOhm.Min/float64(c.Resistors), u.Max
			bright.Ratio, bright.Capacitance, bright.Fuse = fresh.Max*held.Coupler.TemperatureFactor.Max/c.LED.Max, si(held.Input.Capacitance.Max), 0
			one, two := simulate(t, c, dim), simulate(t, c, bright)
			for delay, b := range map[string]Bounds{"on_delay": c.On, "off_delay": c.Off} {
				for _, got := range []map[string]float64{one, two} {
					if d, ok := got[delay]; !ok || d < b.Min || d > b.Max {
						t.Errorf("%s %v s, bounds %v", delay, d, b)
					}
				}
			}
			t.Log(one, two, c.On, c.Off)
			quick := fewer
			change(&quick)
			if few := design(t, quick); two["off_delay"] <= few.Off.Max {
				t.Errorf("an opening after %v s is within the bounds of a fifth of the table, %v", two["off_delay"], few.Off)
			}
		})
	}
}
