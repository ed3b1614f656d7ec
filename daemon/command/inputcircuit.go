package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"periph.io/x/conn/v3/physic"

	"makebreak/configs"
	"makebreak/daemon/circuit"
	"makebreak/daemon/config"
	"makebreak/daemon/report"
	"makebreak/daemon/wholefile"
)

type inputCircuitCmd struct {
	Voltage    voltage            `group:"The contact:" placeholder:"V..V" help:"Dc of the open contact from lead to lead without its sign, with float and boost charge, such as 42V..58V; or a usual source: 24V-battery, 48V-battery, 60V-battery or 130V-leads."`
	Superposed circuit.Superposed `group:"The contact:" placeholder:"none|ringing|mains" help:"What lies on the lead beside the dc, found with a meter on its ac range. It has no default."`
	Peak       potential          `group:"The contact:" placeholder:"V" help:"Largest voltage measured between the leads while the contact works, kicks of coils included."`
	Reverses   bool               `group:"The contact:" help:"Either lead may be the positive one."`
	Across     bool               `group:"The contact:" help:"The LED lies across the contact and lights while it is open; without, the contact feeds the LED."`
	Hold       current            `group:"The contact:" name:"hold-current" placeholder:"A" help:"With --across: the least current that could operate or hold what is in series with the contact."`
	Load       resistances        `group:"The contact:" name:"load-resistance" placeholder:"OHM..OHM" help:"With --across: resistance of what is in series with the contact."`

	LEDCurrent current        `group:"The circuit:" name:"led-current" default:"5mA" help:"LED current at least, at the lowest voltage."`
	Series     circuit.Series `group:"The circuit:" default:"E24" help:"Series of the resistors: E24 (5 %) or E96 (1 %)."`
	Coupler    string         `group:"The circuit:" placeholder:"FILE" help:"Coupler's data in a YAML file, from its data sheet; without, invented data."`
	PullUp     pullUp         `group:"The circuit:" name:"pull-up" placeholder:"9.5kOhm..10.5kOhm" help:"Pull-up with its tolerance; internal is that of the processor (33 to 73 kOhm)."`
	Template   bool           `group:"The circuit:" help:"Write an example of a coupler's data that explains every key."`

	jsonFlag `group:"Output:"`
	HTML     string `group:"Output:" name:"html" placeholder:"FILE" help:"Write the page as an HTML file too, for a browser or to print."`
	Drawing  string `group:"Output:" placeholder:"FILE.svg" help:"Write the wiring as a drawing."`
	Netlist  string `group:"Output:" placeholder:"FILE.cir" help:"Write the circuit as a netlist for ngspice."`
	Force    bool   `group:"Output:" help:"Let --html, --drawing and --netlist replace a file."`
}

func (*inputCircuitCmd) epilogue() string {
	return report.InputCautionPage() + `
Examples, from the invented Marrow Quay exchange, from where the source lies:
  makebreak input-circuit --voltage 48V-battery --superposed none --peak 90V
  makebreak input-circuit --voltage 130V-leads --superposed none --peak 160V \
    --series E96 --coupler configs/own-coupler.yaml --drawing wiring.svg
  makebreak input-circuit --voltage 48V..56V --superposed none --peak 70V \
    --across --hold-current 30mA --load-resistance 450Ohm..550Ohm

Units stand beside their numbers: V, mA, Ohm, kOhm. All figures are worst cases.
A netlist shows how the circuit behaves: ngspice -b FILE.cir.

Exit status: 0 the circuit fits, under the conditions that it tells; 1 it does
not; 2 the command is wrong, or this circuit is not for such a source; 3 it is
not shown to fit, since the largest voltage was not measured.
`
}

// voltage is a flag that holds the voltage of a contact.
type voltage struct {
	circuit.Range[physic.ElectricPotential]
	reverses bool
}

// UnmarshalText reads a range or the name of a usual source.
func (v *voltage) UnmarshalText(b []byte) (err error) {
	v.Range, v.reverses, err = circuit.ParseVoltage(string(b))
	return err
}

func batteryNames() string {
	var names []string
	for _, u := range circuit.Batteries() {
		names = append(names, u.Name)
	}
	return strings.Join(names, ", ")
}

type potential struct{ physic.ElectricPotential }

// UnmarshalText reads a voltage.
func (p *potential) UnmarshalText(b []byte) (err error) {
	p.ElectricPotential, err = circuit.ParsePeak(string(b))
	return err
}

type current struct{ physic.ElectricCurrent }

// UnmarshalText reads a current.
func (c *current) UnmarshalText(b []byte) (err error) {
	c.ElectricCurrent, err = circuit.Parse[physic.ElectricCurrent](string(b))
	return err
}

type resistances struct {
	circuit.Range[physic.ElectricResistance]
}

// UnmarshalText reads a resistance or a range of them.
func (r *resistances) UnmarshalText(b []byte) (err error) {
	r.Range, err = circuit.ParseRange[physic.ElectricResistance](string(b))
	return err
}

type pullUp struct{ resistances }

// UnmarshalText reads a range of resistances, or the word internal.
func (p *pullUp) UnmarshalText(b []byte) error {
	if string(b) == "internal" {
		p.Range = circuit.InternalPullUp()
		return nil
	}
	err := p.resistances.UnmarshalText(b)
	if err == nil && p.Min == 0 {
		err = fmt.Errorf("%.40q: expected a resistance above 0", b)
	}
	return err
}

func (c *inputCircuitCmd) run(_ context.Context, sh *shell) (int, error) {
	if c.Template {
		if c.JSON || c.HTML != "" || c.Drawing != "" || c.Netlist != "" || c.Coupler != "" {
			return 0, errors.New("--template writes an example of a coupler's data: expected no output of a circuit beside it")
		}
		_, err := sh.stdout.WriteString(configs.OwnCoupler)
		return StatusOK, err
	}
	if c.Voltage == (voltage{}) {
		return 0, fmt.Errorf("expected --voltage: a range such as 42V..58V, or one of %s", batteryNames())
	}
	if c.Superposed == "" {
		return 0, errors.New("expected --superposed none, ringing or mains: what lies on the lead beside the dc, found with a meter on its ac range before anything is connected")
	}
	if err := distinct(namedFile{"--coupler", c.Coupler}, namedFile{"--html", c.HTML}, namedFile{"--drawing", c.Drawing}, namedFile{"--netlist", c.Netlist}); err != nil {
		return 0, err
	}
	if c.Drawing != "" && !strings.HasSuffix(c.Drawing, ".svg") {
		return 0, fmt.Errorf("--drawing %s: expected a name that ends with .svg", c.Drawing)
	}
	r := circuit.Request{
		Voltage: c.Voltage.Range, Reverses: c.Reverses || c.Voltage.reverses, Superposed: c.Superposed, Peak: c.Peak.ElectricPotential,
		Placement: circuit.Behind, HoldCurrent: c.Hold.ElectricCurrent, LoadResistance: c.Load.Range,
		LEDCurrent: c.LEDCurrent.ElectricCurrent, Series: c.Series, Coupler: circuit.Generic(), Input: circuit.RaspberryPi(),
	}
	if c.Across {
		r.Placement = circuit.Across
	}
	if c.PullUp.Max > 0 {
		r.Input.PullUp = c.PullUp.Range
	}
	if c.Coupler != "" {
		k, err := config.Coupler(c.Coupler)
		if err != nil {
			return 0, err
		}
		r.Coupler = *k
	}
	designed, err := circuit.Design(r)
	if err != nil {
		return 0, err
	}
	return c.show(sh, designed)
}

// show writes what was asked for of a circuit.
func (c *inputCircuitCmd) show(sh *shell, designed *circuit.Circuit) (int, error) {
	status := map[circuit.Outcome]int{circuit.Holds: StatusOK, circuit.Broken: StatusOutOfLimits, circuit.Unknown: StatusNotMeasured}[designed.Outcome()]
	doc := report.OfInputCircuit(designed)
	files := []struct {
		flag, path string
		write      func(io.Writer) error
		out        *wholefile.File
	}{
		{"--html", c.HTML, func(w io.Writer) error { return doc.HTML(w, "makebreak: input circuit") }, nil},
		{"--drawing", c.Drawing, func(w io.Writer) error { return report.InputDrawing(w, designed) }, nil},
		{"--netlist", c.Netlist, func(w io.Writer) error { return designed.Netlist(w, designed.Middle()) }, nil},
	}
	for i := range files { // all of them, before the first is written
		f := &files[i]
		if f.flag == "--drawing" && f.path != "" && status == StatusOutOfLimits {
			fmt.Fprintf(sh.stderr, "makebreak: %s %s: not written, for the circuit does not fit\n", f.flag, report.Printable(f.path))
			f.path = ""
		}
		var err error
		if f.out, err = createFile(f.flag, f.path, c.Force); err != nil {
			return 0, err
		}
		defer f.out.Discard()
	}
	for _, f := range files {
		if err := keep(f.out, f.write); err != nil {
			return 0, err
		}
	}
	return status, sh.show(c.JSON, report.InputCircuitDocument(designed), func() *report.Document { return doc })
}
