package report

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"

	"periph.io/x/conn/v3/physic"

	"makebreak/daemon/circuit"
)

// inputCircuit designs a circuit of the invented exchange, changed by change.
func inputCircuit(t *testing.T, change func(*circuit.Request)) *circuit.Circuit {
	t.Helper()
	r := circuit.Request{
		Voltage: circuit.Batteries()[1].Voltage, Superposed: circuit.None, Peak: 90 * physic.Volt, Placement: circuit.Behind,
		LEDCurrent: 5 * physic.MilliAmpere, Series: circuit.E24, Coupler: circuit.Generic(), Input: circuit.RaspberryPi(),
	}
	change(&r)
	c, err := circuit.Design(r)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func across(r *circuit.Request) {
	r.Placement, r.HoldCurrent = circuit.Across, 30*physic.MilliAmpere
	r.LoadResistance = circuit.Range[physic.ElectricResistance]{Min: 450 * physic.Ohm, Max: 550 * physic.Ohm}
}

var inputCircuits = map[string]func(*circuit.Request){
	"behind": func(*circuit.Request) {},
	"leads": func(r *circuit.Request) {
		b := circuit.Batteries()[3]
		r.Voltage, r.Reverses, r.Peak = b.Voltage, b.Reverses, 160*physic.Volt
	},
	"across":       across,
	"unmeasured":   func(r *circuit.Request) { r.Peak = 0 },
	"does not fit": func(r *circuit.Request) { r.Coupler.RepetitivePeak = 50 * physic.Volt },
}

// The cautions stand before everything else: on the page, in the file and in the
// document, whatever the outcome is.
func TestInputCautionsComeFirst(t *testing.T) {
	if n := len(InputCautions()); n < 8 {
		t.Fatalf("%d cautions", n)
	}
	all := strings.Join(InputCautions(), " ")
	for _, word := range []string{"Local codes", "licensed", "ground", "Limit the current", "fuse", "De-energise", "one hand", "work alone", "Coils store energy", "Ringing", "mains", "Cams, gears", "coupler is the only way"} {
		if !strings.Contains(all, word) {
			t.Errorf("no caution says %q", word)
		}
	}
	if !strings.HasPrefix(InputCautions()[0], "Local codes") {
		t.Errorf("the first is %q", InputCautions()[0])
	}
	for name, change := range inputCircuits {
		c := inputCircuit(t, change)
		doc := OfInputCircuit(c)
		first := strings.Fields(strings.Join(InputCautions(), " - "))
		page := strings.Fields(doc.String())
		for i, w := range first {
			if at := i + 7; page[at] != w { // the heading, of six words, and a dash
				t.Fatalf("%s: word %d is %q, want %q", name, at, page[at], w)
			}
		}
		var file, text bytes.Buffer
		if err := doc.HTML(&file, "x"); err != nil {
			t.Fatal(err)
		}
		body := readHTML(t, file.String())
		if !strings.HasPrefix(body[strings.Index(body, "Before hands"):], "Before hands come near the wiring Local codes") || strings.Index(body, "Before hands") > 60 {
			t.Errorf("%s: the file begins with %.200s", name, body)
		}
		if err := EncodeJSON(&text, InputCircuitDocument(c)); err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(text.String(), "{\n  \"format\": \"makebreak.input-circuit/1\",\n  \"cautions\": [\n    \"Local codes") {
			t.Errorf("%s: the document begins with %.200s", name, text.String())
		}
		var d struct {
			Cautions []string          `json:"cautions"`
			Peak     *float64          `json:"led_peak_current_a"`
			Asked    map[string]any    `json:"asked"`
			Checks   []json.RawMessage `json:"checks"`
		}
		if err := json.Unmarshal(text.Bytes(), &d); err != nil || len(d.Cautions) != len(InputCautions()) || len(d.Checks) < 10 || (d.Peak == nil) != (name == "unmeasured") {
			t.Errorf("%s: %v %+v", name, err, d)
		}
	}
}

// The drawing is whole XML, has a title and a text that stands for it, a caution,
// the barrier and every part's value; nothing of it fetches or runs anything.
func TestInputDrawing(t *testing.T) {
	for name, want := range map[string][]string{
		"behind":     {"CAUTION", "licensed practice first", "EXCHANGE SIDE", "COMPUTER SIDE", "ISOLATION\nBARRIER", "8 mm clear", "F1  32 mA", "F2  32 mA", "R1  3.3 kΩ", "R2  3.3 kΩ", "2 W, 100 V", "D1  200 V", "U1", "Rp  9.5 kΩ", "GPIO line", "42 V to 58 V dc", "LED 5.31 mA to 9.19 mA", "low = contact closed", "Coupler data invented"},
		"leads":      {"R4  5.1 kΩ", "D1–D4  400 V", "+ or −", "117 V to 143 V dc"},
		"across":     {"load 450 Ω", "to 550 Ω", "high = contact closed"},
		"unmeasured": {"NOT MEASURED"},
	} {
		var b bytes.Buffer
		if err := InputDrawing(&b, inputCircuit(t, inputCircuits[name])); err != nil {
			t.Fatal(err)
		}
		var texts []string
		var title, words string
		d := xml.NewDecoder(bytes.NewReader(b.Bytes()))
		open := ""
		for {
			token, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			switch x := token.(type) {
			case xml.StartElement:
				open = x.Name.Local
				if open == "script" || open == "image" || open == "use" || open == "style" {
					t.Errorf("%s: a %s", name, open)
				}
			case xml.CharData:
				switch open {
				case "text":
					texts = append(texts, string(x))
				case "title":
					title += string(x)
				case "desc":
					words += string(x)
				}
			}
		}
		all := strings.Join(strings.FieldsFunc(strings.Join(texts, "\n"), func(r rune) bool { return r == '\n' }), "\n")
		for _, w := range want {
			if !strings.Contains(all, w) {
				t.Errorf("%s: no %q in %s", name, w, all)
			}
		}
		if !strings.Contains(title, "Isolated input for") || !strings.Contains(words, "nothing but U1 crosses") || !strings.Contains(words, "R2") {
			t.Errorf("%s: %q, %q", name, title, words)
		}
	}
}

// A phone's page of 390 px, less its margins of 16 px, shows the whole width with
// letters of 12 px at least: the style takes back what other charts ask for.
func TestInputDrawingFitsAPhone(t *testing.T) {
	if scale := (390 - 2*16) / float64(wiringWidth); 14*scale < 12 {
		t.Errorf("letters of %.1f px", 14*scale)
	}
	var page bytes.Buffer
	if err := OfInputCircuit(inputCircuit(t, inputCircuits["across"])).HTML(&page, "x"); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`class="narrow" viewBox="0 -36 400 `, "figure svg.narrow { min-width: 0; }"} {
		if !strings.Contains(page.String(), want) {
			t.Errorf("no %q", want)
		}
	}
	if i, j := strings.Index(page.String(), "min-width: 27rem"), strings.Index(page.String(), "svg.narrow"); i > j {
		t.Error("the exception stands before the rule")
	}
}

// No circuit of invented data is told to fit without saying so in the same breath.
func TestInventedCouplerIsNoneToBuild(t *testing.T) {
	own := inputCircuit(t, func(r *circuit.Request) { r.Coupler.Invented = false })
	if page := OfInputCircuit(own).String(); !strings.Contains(page, "\nFITS, UNDER THE CONDITIONS BELOW\n") {
		t.Errorf("%s", page)
	}
	if page := OfInputCircuit(inputCircuit(t, inputCircuits["behind"])).String(); strings.Contains(page, "\nFITS") || !strings.Contains(page, "INVENTED COUPLER: NOT ONE TO BUILD") {
		t.Errorf("%s", page)
	}
}

// What is not to be built is not drawn.
func TestInputDrawingRefuses(t *testing.T) {
	c := inputCircuit(t, inputCircuits["does not fit"])
	var b bytes.Buffer
	if err := InputDrawing(&b, c); err == nil || b.Len() > 0 {
		t.Errorf("%v, %d bytes", err, b.Len())
	}
	var page bytes.Buffer
	if err := OfInputCircuit(c).HTML(&page, "x"); err != nil || strings.Contains(page.String(), "<svg") || !strings.Contains(page.String(), "DO NOT BUILD IT") {
		t.Errorf("%v: %s", err, page.String())
	}
}

// The flags have the sign by which a make that is shown longer is positive, and the
// uncertainty is never rounded down.
func TestInputChain(t *testing.T) {
	c := inputCircuit(t, inputCircuits["behind"])
	for _, x := range []struct {
		asymmetry, u float64
		low          bool
		want         string
	}{
		{122.4e-6, 80.01e-6, true, "--closed low --asymmetry=0.122ms --asymmetry-u 81us"},
		{-122.6e-6, 80e-6, false, "--closed high --asymmetry=-0.123ms --asymmetry-u 80us"},
		{35e-6, 20e-6, true, "--closed low --asymmetry=35us --asymmetry-u 20us"},
		{2e-3, 1.2e-3, true, "--closed low --asymmetry=2ms --asymmetry-u 1.2ms"},
		{0, 1e-9, true, "--closed low --asymmetry=0 --asymmetry-u 1us"},
	} {
		c.Asymmetry, c.AsymmetryU, c.ClosedLow = x.asymmetry, x.u, x.low
		if got := InputChain(c); got != x.want {
			t.Errorf("%q, want %q", got, x.want)
		}
	}
}

func TestPrefixed(t *testing.T) {
	for _, c := range []struct {
		v          float64
		unit, want string
	}{
		{3600, "Ω", "3.6 kΩ"}, {999.96, "Ω", "1 kΩ"}, {5490, "Ω", "5.49 kΩ"}, {1.5e6, "Ω", "1.5 MΩ"}, {0.0084220, "A", "8.42 mA"}, {0.000375, "A", "375 µA"},
		{0.4, "V", "0.4 V"}, {0.05, "V", "50 mV"}, {0, "A", "0 A"}, {143, "V", "143 V"}, {0.032, "A", "32 mA"}, {4.8268, "", "4.83"}, {2.8, "mm", "2.8 mm"}, {9.996e-3, "A", "10 mA"},
	} {
		if got := prefixed(c.v, c.unit); got != c.want {
			t.Errorf("%v %s: %q, want %q", c.v, c.unit, got, c.want)
		}
	}
}
