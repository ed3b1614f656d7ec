package report

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"makebreak/daemon/circuit"
	"makebreak/daemon/figure"
	"makebreak/pulse"
	"makebreak/pulse/duration"
)

// InputCircuitFormat names the document of an input circuit.
const InputCircuitFormat = "makebreak.input-circuit/1"

// An InputCircuit is the document of an input circuit for other programs. All
// figures are in SI units; the cautions stand first, for whoever shows it.
type InputCircuit struct {
	Format    string          `json:"format"`
	Cautions  []string        `json:"cautions"`
	Before    []string        `json:"measure_before_connecting"`
	Outcome   circuit.Outcome `json:"outcome"`
	HoldsOnly []string        `json:"holds_only"`
	Asked     InputAsked      `json:"asked"`
	*circuit.Circuit
	Chain string `json:"measure_flags"`
}

// InputAsked is what the circuit was asked for.
type InputAsked struct {
	Voltage      circuit.Bounds     `json:"voltage_v"`
	Reverses     bool               `json:"reverses"`
	Superposed   circuit.Superposed `json:"superposed"`
	PeakV        pulse.Num          `json:"peak_v"` // null where nobody has measured it
	Placement    circuit.Placement  `json:"placement"`
	HoldCurrentA pulse.Num          `json:"hold_current_a"` // null but across a contact, as the load is
	LoadOhm      *circuit.Bounds    `json:"load_ohm"`
	LEDCurrentA  float64            `json:"led_current_a"`
	Series       circuit.Series     `json:"series"`
	PullUp       circuit.Bounds     `json:"pull_up_ohm"`
	Coupler      string             `json:"coupler"`
	CouplerIsOwn bool               `json:"coupler_from_data_sheet"`
}

// InputCircuitDocument makes the document of a circuit.
func InputCircuitDocument(c *circuit.Circuit) *InputCircuit {
	r := &c.Request
	d := &InputCircuit{
		Format: InputCircuitFormat, Cautions: InputCautions(), Before: measureFirst(c), Outcome: c.Outcome(), HoldsOnly: holdsOnly(c), Circuit: c, Chain: InputChain(c),
		Asked: InputAsked{
			Voltage: circuit.Bounds{Min: float64(r.Voltage.Min) / 1e9, Max: float64(r.Voltage.Max) / 1e9}, Reverses: r.Reverses, Superposed: r.Superposed, Placement: r.Placement,
			LEDCurrentA: float64(r.LEDCurrent) / 1e9, Series: r.Series, Coupler: r.Coupler.Name, CouplerIsOwn: !r.Coupler.Invented,
			PullUp: circuit.Bounds{Min: float64(r.Input.PullUp.Min) / 1e9, Max: float64(r.Input.PullUp.Max) / 1e9},
		},
	}
	if r.Placement == circuit.Across {
		d.Asked.HoldCurrentA = pulse.Known(float64(r.HoldCurrent) / 1e9)
		d.Asked.LoadOhm = &circuit.Bounds{Min: float64(r.LoadResistance.Min) / 1e9, Max: float64(r.LoadResistance.Max) / 1e9}
	}
	if r.Peak > 0 {
		d.Asked.PeakV = pulse.Known(float64(r.Peak) / 1e9)
	}
	return d
}

// InputCautions are what whoever wires an input must know. They stand before
// everything else, on every page.
func InputCautions() []string {
	return []string{
		"Local codes, the site's rules and licensed practice come first, before anything written here. Let competent (where the law asks it, licensed) people do the work.",
		"Exchange battery, ±130 V leads, ringing and mains can injure or kill. De-energise, lock off and prove dead before hands go in; where that cannot be, do not work alone, keep one hand away, and take off rings, watches and chains.",
		"Never join the computer's ground, supply or case to any lead of the exchange, its earthed one included. The coupler is the only way across.",
		"Limit the current in both leads, and fuse both, before the wire leaves the exchange's terminals: a battery can drive thousands of amperes into a short. A fuse protects the wire; the resistors protect everything else.",
		"Coils store energy: a contact that breaks a relay's or magnet's current can show hundreds of volts for an instant. Capacitors keep their charge when the power is off.",
		"Ringing, mains and wires that leave the building (lightning, power lines that fall on them) are not for this circuit. Look for ringing and mains with a meter first, on every lead, also against earth.",
		"Cams, gears and motors start without a warning. Stop and lock the drive before fingers, sleeves or leads come near it.",
		"A slip can take down working circuits. Work on one that is out of service, with someone in charge of the exchange beside you.",
	}
}

// cautionFirst adds the cautions as a section.
func (d *Document) cautionFirst() {
	d.head("Before hands come near the wiring")
	for _, s := range InputCautions() {
		d.item(s)
	}
}

// InputCautionPage is the cautions as plain text.
func InputCautionPage() string {
	doc := new(Document)
	doc.cautionFirst()
	return doc.String()
}

// measureFirst are the steps before the circuit is connected.
func measureFirst(c *circuit.Circuit) []string {
	r := &c.Request
	steps := []string{
		"With a meter and leads rated for mains (CAT II 300 V or better): test the meter on a known source, before and after.",
		"Dc between the two leads, contact open and closed: " + voltageText(c) + " is what the circuit is for. Note which lead is positive; where battery's + is earthed (common practice), that is the earthed one.",
		"Contact open, the dc behind it (or, across it, the dc with the contact closed): below 0.5 V. What leaks past a dirty contact or a damp cable can keep an LED lit.",
		"Ac between the leads, and from each lead to earth, with the contact at rest (one that works gives pulses, which an ac range shows too): anything above a few volts is ringing or mains. Stop.",
		"Dc from each lead to earth: neither may be above " + volts(c.WorkingVolt) + ".",
		"Watch for minutes while the exchange works, through calls and ringing: the lead may not always be what it was at rest.",
		"The largest voltage as the contact opens, by a storage oscilloscope with an isolated input and a probe rated for 600 V or more, or a meter that holds peaks of a millisecond: give it as --peak. A meter's ordinary range does not see a kick.",
	}
	through := ""
	if r.Placement == circuit.Across {
		through = "through a resistor of the load's value, "
		steps = append(steps, "The least current that operates or holds what is in series with the contact, on the bench, and its resistance: "+amperes(c.LED.Max)+" will flow through it while the contact is open.")
	}
	return append(steps,
		"With the power off: no connection (above 10 MΩ) between any point of the exchange side and any of the computer side of the finished board.",
		"First power from a current-limited bench supply instead of the exchange, "+through+"at "+volts(float64(r.Voltage.Max)/1e9)+": the supply shows at most "+amperes(c.LED.Max)+", the output at most "+volts(c.LowVolt)+". Then reversed: "+reversedText(c)+".")
}

func reversedText(c *circuit.Circuit) string {
	if c.Bridge {
		return "the same"
	}
	return "at most " + amperes(c.Reversed) + ", and the output stays high"
}

// holdsOnly are the conditions that nobody has shown.
func holdsOnly(c *circuit.Circuit) (all []string) {
	r := &c.Request
	if r.Peak == 0 {
		all = append(all, "The largest voltage was not measured (--peak). All of this holds only where nothing above "+volts(c.WorkingVolt)+" ever comes, a coil's kick included.")
	}
	if r.Coupler.Invented {
		all = append(all, "The coupler's data are invented, to show how such a circuit comes out. Build with those of your part's data sheet (--coupler FILE; --template writes an example).")
	}
	return append(all, "Nothing is superposed on the dc, as was stated: no ringing, no mains.")
}

// OfInputCircuit says what a circuit is made of, and what must hold.
func OfInputCircuit(c *circuit.Circuit) *Document {
	doc := new(Document)
	r := &c.Request
	doc.cautionFirst()
	doc.head("Input circuit")
	where := "the contact feeds the LED, which lights while it is closed"
	if r.Placement == circuit.Across {
		where = "the LED lies across the contact and lights while it is open"
	}
	polarity := "of one polarity"
	if r.Reverses {
		polarity = "of either polarity"
	}
	doc.tell("", "For "+voltageText(c)+" dc "+polarity+"; "+where+". All figures are worst cases over every tolerance, temperature and age that the data tell.")
	doc.add(Space{})
	switch outcome := c.Outcome(); {
	case outcome == circuit.Holds && r.Coupler.Invented:
		doc.add(Statement{"AN EXAMPLE THAT FITS, OF AN INVENTED COUPLER: NOT ONE TO BUILD", Doubtful})
	case outcome == circuit.Holds:
		doc.add(Statement{"FITS, UNDER THE CONDITIONS BELOW", Good})
	case outcome == circuit.Unknown:
		doc.add(Statement{"NOT SHOWN TO FIT: THE LARGEST VOLTAGE WAS NOT MEASURED", Doubtful})
	default:
		doc.add(Statement{"DOES NOT FIT: DO NOT BUILD IT", Bad})
	}
	for _, s := range holdsOnly(c) {
		doc.item(s)
	}
	if c.Outcome() != circuit.Broken {
		doc.add(Wiring{Title: "The input circuit", SVG: func(w io.Writer) error { return InputDrawing(w, c) }, Words: wiringWords(c)})
	}
	doc.head("Parts")
	doc.add(partsTable(c))
	doc.head("What must hold")
	doc.add(checksTable(c))
	timing(doc, c)
	doc.head("Keep apart")
	doc.tell("", fmt.Sprintf("The isolation is for %s, the largest of the voltage measured and of the ringing that a slip or a crossed wire can bring (95 V rms on battery), and for surges of telephone lines within a building (IEC 62368-1; from memory). Reinforced, it asks for %s mm of creepage on a board (twice the basic distance of IEC 60664-1, pollution degree 2, material group III; from memory). Keep %s mm between all copper, wire and screws of the two sides, with no plane, label or flux under the coupler; a slot helps (common practice). Beyond a coupler's V_IORM the time that its insulation lasts is not known, whatever its test voltage (IEC 60747-5-5).",
		volts(c.IsolationVolt), figure.Trimmed(c.CreepageMM, 2), figure.Trimmed(c.GapMM, 1)))
	doc.head("What the exchange notices")
	doc.tell("", noticed(c))
	doc.head("Measure before you connect")
	for _, s := range measureFirst(c) {
		doc.item(s)
	}
	return doc
}

// noticed says what the circuit does to what it is connected to.
func noticed(c *circuit.Circuit) string {
	r := &c.Request
	text := "It draws " + between(c.LED, "A") + " while the LED is lit. "
	if r.Placement == circuit.Across {
		text += "That flows through what is in series with the contact while it is open: it must neither operate nor hold it, nor be seen as a seized line. A relay that it flows through may release later than it did: measure with and without. "
	} else {
		text += "Feed it from the contact's own lead, never through a relay's coil that it could operate or hold. "
	}
	if c.Bridge {
		text += "A coil beside the LED kicks the other way as the contact opens; the bridge then lights the LED once more, and the opening is seen late by as long as the kick lasts. "
	}
	if r.Peak > 0 && float64(r.Peak) > 1.5*float64(r.Voltage.Max) {
		text += "Kicks up to " + volts(float64(r.Peak)/1e9) + " are borne by the resistors. Larger ones are quenched at the coil itself, by whoever answers for the exchange, for its relay grows slower; a clamp behind F1 and F2 would draw the coil's current through them, and blow them. "
	}
	return text + "Contacts made to switch tens of milliamperes may stay dirty at so little: where the exchange's own current does not flow, wet them with the LED current that their maker asks for (often 10 mA, common practice). The cable on the exchange side takes the same insulation as the exchange's own, twisted, short, fused where it begins; the one to the computer stays below a metre."
}

// timing says how late the line follows, and gives what a measurement is to be told.
func timing(doc *Document, c *circuit.Circuit) {
	doc.head("Timing")
	t := Table{Columns: columns("lrr", "", "at least", "at most")}
	us := func(s float64) string { return figure.Fixed(1e6*s, 1) + " µs" }
	on, off := "closing is seen late by", "opening is seen late by"
	if c.Request.Placement == circuit.Across {
		on, off = off, on
	}
	t.Rows = append(t.Rows, cells(on, us(c.On.Min), us(c.On.Max)), cells(off, us(c.Off.Min), us(c.Off.Max)), cells("a make is shown longer by", us(c.AsymmetryBounds.Min), us(c.AsymmetryBounds.Max)))
	doc.add(t)
	longer, shorter, less := "longer", "shorter", "less"
	if c.Asymmetry < 0 {
		longer, shorter, less = shorter, longer, "more"
	}
	d := math.Abs(c.Asymmetry)
	doc.tell("", fmt.Sprintf("Uncorrected, a make is shown %s and a break %s by about %s: at 10 pulses a second %s percentage points %s percent break than there is. The period stays right.", longer, shorter, us(d), figure.Fixed(1e3*d, 2), less))
	doc.tell("", "Give a measurement of this line:")
	doc.add(Paragraph{Indent: 4, Text: InputChain(c), OneLine: true})
	doc.tell("", "The standard uncertainty is that of a value anywhere between the bounds (JCGM 100:2008, 4.3.7). makebreak calibrate measures the finished input, and is better by far.")
	if c.AsymmetryU > 200e-6 {
		doc.tell("", "So wide a range comes from a large pull-up: 10 kΩ beside the line makes it some times narrower.")
	}
}

// InputChain gives the flags of makebreak measure for a line with this circuit,
// rounded to whole microseconds, the uncertainty upwards.
func InputChain(c *circuit.Circuit) string {
	closed := "high"
	if c.ClosedLow {
		closed = "low"
	}
	us := func(s float64) string { return duration.Format(int64(time.Duration(s) * time.Microsecond)) }
	return "--closed " + closed + " --asymmetry=" + us(math.Round(1e6*c.Asymmetry)) + " --asymmetry-u " + us(math.Ceil(1e6*c.AsymmetryU-1e-9))
}

func partsTable(c *circuit.Circuit) Table {
	r := &c.Request
	t := Table{Headless: true, Columns: columns("lll", "", "", "")}
	t.Columns[2].Folds = true
	row := func(name, what, text string) { t.Rows = append(t.Rows, cells(name, what, text)) }
	names := make([]string, c.Resistors)
	for i := range names {
		names[i] = fmt.Sprintf("R%d", i+1)
	}
	row(strings.Join(names, ", "), ohms(c.ResistorOhm)+" ±"+figure.Trimmed(100*c.Tolerance, 0)+" %", fmt.Sprintf("%s; %s or more, %s or more each, film, flame-proof. Half in each lead, where it leaves the exchange. Each takes %s at worst, and %s where a wire behind the resistors touches earth or the other lead.",
		r.Series, figure.Trimmed(c.RatingWatt, 2)+" W", volts(roundUp(c.RatingVolt)), watts(c.ResistorWatt), watts(c.FaultWatt)))
	row("F1, F2", amperes(c.FuseAmpere), "One in each lead where it leaves the exchange, rated to break "+volts(roundUp(c.WorkingVolt))+" dc or more; fuses for ac only do not break dc. Reckoned with up to "+ohms(c.FuseOhm.Max)+" each.")
	if c.Bridge {
		row("D1–D4", "bridge", "Silicon bridge of "+volts(bridgeVolt(c))+" or more: the LED is fed and protected whichever lead is positive.")
	} else {
		row("D1", "diode", "Small silicon diode of "+volts(bridgeVolt(c))+" or more, anti-parallel to the LED and close to it: the LED never sees more than "+volts(c.ReverseVolt)+" the wrong way.")
	}
	row("U1", "coupler", upperFirst(Printable(r.Coupler.Name))+".")
	row("Rp", rangeText(float64(r.Input.PullUp.Min)/1e9, float64(r.Input.PullUp.Max)/1e9, "Ω"), "Pull-up to the computer's own supply, "+rangeText(float64(r.Input.Supply.Min)/1e9, float64(r.Input.Supply.Max)/1e9, "V")+".")
	return t
}

// bridgeVolt is a usual rating of diodes, twice the largest voltage at least.
func bridgeVolt(c *circuit.Circuit) float64 {
	for _, v := range []float64{100, 200, 400, 600} {
		if v >= 2*c.WorkingVolt {
			return v
		}
	}
	return 1000
}

func checksTable(c *circuit.Circuit) Table {
	t := Table{Columns: columns("lrrl", "", "worst case", "limit", "")}
	for _, k := range c.Checks {
		what, unit := demandText(k.Demand)
		value, limit := "not measured", "at most "
		if k.Outcome != circuit.Unknown {
			value = prefixed(k.Value.V, unit)
		}
		if k.AtLeast {
			limit = "at least "
		}
		cell := Cell{Text: string(k.Outcome), Tone: map[circuit.Outcome]Tone{circuit.Holds: Good, circuit.Broken: Bad, circuit.Unknown: Doubtful}[k.Outcome]}
		t.Rows = append(t.Rows, append(cells(what, value, limit+prefixed(k.Limit, unit)), cell))
	}
	return t
}

// demandText says what is checked, and in which unit.
func demandText(d circuit.Demand) (what, unit string) {
	switch d {
	case circuit.LEDRating:
		return "LED current, half its rating", "A"
	case circuit.LEDFault:
		return "… one lead's resistors bypassed", "A"
	case circuit.LEDPeak:
		return "… at the largest voltage", "A"
	case circuit.ReverseRating:
		return "LED the wrong way", "V"
	case circuit.Saturation:
		return "LED drives the transistor, times", ""
	case circuit.LowLevel:
		return "output low, line's V_IL", "V"
	case circuit.HighLevel:
		return "output high, line's V_IH", "V"
	case circuit.CollectorRating:
		return "collector current", "A"
	case circuit.RepetitivePeak:
		return "coupler's V_IORM", "V"
	case circuit.Transient:
		return "coupler's V_IOTM", "V"
	case circuit.Creepage:
		return "coupler's creepage", "mm"
	case circuit.HoldingCurrent:
		return "through the load, half its hold", "A"
	}
	return string(d), ""
}

// wiringWords tell the drawing where there are no pictures.
func wiringWords(c *circuit.Circuit) []Block {
	half := c.Resistors / 2
	chain := func(fuse string, first int) string {
		s := fuse
		for i := range half {
			s += fmt.Sprintf(" – R%d", first+i)
		}
		return s
	}
	contact, guard := "positive lead (from the contact, or the other one where the contact is in the negative lead)", "D1 (its cathode at the + side) and "
	if c.Bridge {
		contact, guard = "lead from the contact", "the bridge D1–D4, behind it "
	} else if c.Request.Placement == circuit.Across {
		contact = "+ side of the contact"
	}
	back := "negative lead"
	if c.Bridge {
		back = "other lead"
	} else if c.Request.Placement == circuit.Across {
		back = "– side of the contact"
	}
	line := "low while the contact is closed"
	if !c.ClosedLow {
		line = "high while the contact is closed"
	}
	return []Block{
		Heading{"Wiring"},
		Paragraph{Indent: 2, Lead: "exchange:", Text: contact + " – " + chain("F1", 1) + " – " + guard + "the LED of U1 – " + chainBack(c.Resistors, half) + " – " + back},
		Paragraph{Indent: 2, Lead: "barrier: ", Text: "nothing but U1 crosses; " + figure.Trimmed(c.GapMM, 1) + " mm clear all along it"},
		Paragraph{Indent: 2, Lead: "computer:", Text: "3.3 V – Rp – the GPIO line and U1's collector; U1's emitter – the computer's ground. The line is " + line + "."},
	}
}

// chainBack names the other lead's resistors from the LED on.
func chainBack(n, half int) string {
	var s []string
	for i := n; i > half; i-- {
		s = append(s, fmt.Sprintf("R%d", i))
	}
	return strings.Join(s, " – ") + " – F2"
}

func ohms(v float64) string    { return prefixed(v, "Ω") }
func volts(v float64) string   { return prefixed(v, "V") }
func amperes(v float64) string { return prefixed(v, "A") }
func watts(v float64) string   { return figure.Fixed(v, 2) + " W" }

func between(b circuit.Bounds, unit string) string { return rangeText(b.Min, b.Max, unit) }

func rangeText(low, high float64, unit string) string {
	if low == high {
		return prefixed(low, unit)
	}
	return prefixed(low, unit) + " to " + prefixed(high, unit)
}

// prefixed writes a value of 0 or more with three significant digits and a prefix
// of the SI.
func prefixed(v float64, unit string) string {
	scale, prefix := 1.0, ""
	if unit == "V" || unit == "A" || unit == "Ω" {
		for _, p := range []struct {
			scale  float64
			prefix string
		}{{1e6, "M"}, {1e3, "k"}, {1, ""}, {1e-3, "m"}, {1e-6, "µ"}} {
			scale, prefix = p.scale, p.prefix
			if v >= 0.9995*scale {
				break
			}
		}
		if v == 0 || unit == "V" && v >= 0.1 && v < 1 {
			scale, prefix = 1, ""
		}
	}
	x := v / scale
	decimals := 2
	switch {
	case x >= 99.95:
		decimals = 0
	case x >= 9.995:
		decimals = 1
	}
	return figure.Unit(figure.Trimmed(x, decimals), prefix+unit)
}

// roundUp gives the next voltage of a usual rating.
func roundUp(v float64) float64 {
	for _, r := range []float64{100, 150, 200, 250, 300, 350} {
		if v <= r {
			return r
		}
	}
	return 500
}

func voltageText(c *circuit.Circuit) string {
	v := c.Request.Voltage
	return rangeText(float64(v.Min)/1e9, float64(v.Max)/1e9, "V")
}
