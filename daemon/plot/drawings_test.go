package plot

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"image/color"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"makebreak/daemon/config"
	"makebreak/pulse"
)

// drawings are one or two of each kind, of invented values.
func drawings(t testing.TB) map[string]Drawing {
	rng := rand.New(rand.NewPCG(3, 4))
	dial, err := config.Profile("au-s002-dial")
	if err != nil {
		t.Fatal(err)
	}
	limits := func(low, high float64) Limits { return Limits{pulse.Known(low), pulse.Known(high)} }
	var cloud, before []XY
	var breaks []float64
	for range 300 {
		b := 61 + 1.2*rng.NormFloat64()
		cloud = append(cloud, XY{b, 10 + 0.15*rng.NormFloat64()})
		before = append(before, XY{b + 3, 9.4 + 0.15*rng.NormFloat64()})
		breaks = append(breaks, b)
	}
	begin := time.Date(2026, 11, 20, 8, 17, 0, 0, time.UTC)
	trend := &Trend{Title: "Percent break of busy-cam", Quantity: "percent break", Unit: "%", From: begin, To: begin.Add(72 * time.Hour), Limits: limits(58, 64), Least: 0.5,
		Gaps:     []Gap{{begin.Add(30 * time.Hour), begin.Add(36 * time.Hour)}},
		Marks:    []Mark{{begin.Add(20 * time.Hour), MarkNote, "oiled"}, {begin.Add(50 * time.Hour), MarkFinding, "drifts"}, {begin.Add(60 * time.Hour), MarkStep, "0.4 up"}},
		Forecast: &Forecast{From: begin.Add(72 * time.Hour), To: begin.Add(100 * time.Hour), Start: 62.6, V: 64, Low: 63.4, High: 64.6}}
	for h := 0; h < 72; h++ {
		if h >= 30 && h < 36 {
			continue
		}
		v := 60 + float64(h)*0.036 + 0.1*rng.NormFloat64()
		trend.Points = append(trend.Points, TrendPoint{begin.Add(time.Duration(h) * time.Hour), v, 0.12, pulse.Known(v - 0.7), pulse.Known(v + 0.7)})
	}
	trend.Fit = []TrendPoint{{At: begin, V: 60}, {At: begin.Add(72 * time.Hour), V: 62.6}}
	lobes := &Lobes{Title: "Error of each lobe", Unit: "ms", Earlier: "as left on 3 Nov"}
	for i, e := range []float64{0.02, -0.05, 0.9, 0.01, -0.3} {
		lobes.Lobes = append(lobes.Lobes, Lobe{i + 1, pulse.Known(e), 0.06, pulse.Known(e / 3)})
	}
	curve := []pulse.StabilityPoint{}
	for tau := 1.0; tau < 600; tau *= 2 {
		v := 1e-3 / tau
		curve = append(curve, pulse.StabilityPoint{TauS: pulse.Rounded(tau), Deviation: pulse.Known(v), Low: pulse.Known(v / (1 + tau/400)), High: pulse.Known(v * (1 + tau/200))})
	}
	x := []float64{0, 1, 2, 3, 4, 5, 6, 7, 8}
	return map[string]Drawing{
		"plane":       &Plane{Title: "Each cycle of busy-cam", Unit: "IPM", Points: cloud, Name: "cycles", Latest: &cloud[7], U: XY{0.4, 0.05}, Break: limits(58, 64), Rate: limits(9.5, 10.5)},
		"plane-dial":  &Plane{Title: "Each pulse: as found and as left", Unit: "pps", Before: before, BeforeName: "as found", Points: cloud, Name: "as left", Profile: dial},
		"plane-empty": &Plane{Title: "Each pulse", Unit: "pps", Break: limits(63, 70), Rate: limits(9, 11)},
		"histogram":   &Histogram{Title: "Percent break of each pulse", Quantity: "percent break", Unit: "%", Bins: Bins(breaks, 0.01), Limits: limits(58, 64), U: pulse.Known(0.3)},
		"trend":       trend,
		"lobes":       lobes,
		"gears": &Gears{Title: "What the shafts do", Unit: "ms", Shafts: []Shaft{
			{"timing cam", pulse.Known(0.04), 0.03, pulse.Known(0.02), pulse.Known(0.7), false},
			{"idler of the timing cam, 3.75 turns a turn of the cam", pulse.Known(1.21), 0.05, pulse.Known(0.81), pulse.Known(1e-9), true},
			{"motor", pulse.Num{}, 0, pulse.Num{}, pulse.Num{}, false}}},
		"strip": &Strip{Title: "The last second", Unit: "s", To: 1, Rows: []StripRow{
			{"generator-a", []Span{{0, 0.21, Closed, 0, "", false}, {0.21, 0.271, Open, 0.002, "", false}, {0.271, 0.31, Closed, 0.006, "", false}, {0.31, 0.371, Open, 0, "", false}, {0.371, 1, Closed, 0.004, "", false}}},
			{"output-a", []Span{{0, 0.223, Closed, 0, "", false}, {0.223, 0.28, Open, 0, "", false}, {0.5, 1, Closed, 0, "", false}}}}},
		"pulse": &Strip{Title: "The worst pulse: train 3, pulse 7", Unit: "ms", From: -20, To: 130, Rows: []StripRow{
			{"", []Span{{-20, 0, Closed, 0, "", false}, {0, 71.4, Open, 0.4, "break 71.4 ms", false}, {71.4, 104, Closed, 1.9, "32.6", false}, {104, 130, Open, 0, "", false}}}}, Windows: []StripWindow{{58, 67, "where it may close"}}},
		"compare": &Compare{Title: "As found and as left", Before: "as found", After: "as left", Rows: []CompareRow{
			{"percent break", "%", Value{pulse.Known(66.2), pulse.Known(0.4)}, Value{pulse.Known(61.1), pulse.Known(0.4)}, limits(58, 64), "changed"},
			{"rate", "IPM", Value{pulse.Known(60.02), pulse.Known(0.02)}, Value{pulse.Known(60.01), pulse.Known(0.02)}, Limits{}, "not shown to have changed"}}},
		"drift": &Drift{Title: "Change over time", XLabel: "hours from 20 Nov 08:17", Note: "Dots are means of windows, dashes are limits.", Panels: []DriftPanel{
			{"Rate", "IPM", x, []float64{60, 60.001, 60.002, 60, 60.004, 60.005, 60.007, 60.006, 60.008}, []float64{60, 60.001, 60.002, 60.003, 60.004, 60.005, 60.006, 60.007, 60.008}, nil, 0.005},
			{"Percent break", "%", x, []float64{60, 60.1, 60.2, 60, 60.4, 60.5, 60.7, 60.6, 60.8}, nil, []float64{61}, 0.1}}},
		"stability": &Stability{Title: "How steadily the interrupter keeps time", About: "Allan deviation with 95 % intervals", Curve: curve, X: "τ, seconds", Y: "ADEV, ppm of the rate", Guide: -1, GuideName: "noise of the contact alone"},
	}
}

// What may stand as a colour: hexadecimal, none, or black by its name (SVG 1.1,
// 11.2).
var (
	colours = regexp.MustCompile(` (?:fill|stroke)="([^"]*)"`)
	colour  = regexp.MustCompile(`^(?:none|black|#[0-9A-Fa-f]{6})$`)
)

// Every drawing, at both widths, is well-formed, says what it shows, needs no style
// and fetches nothing, and is the same each time. MAKEBREAK_PLOTS=DIR keeps them to
// be looked at.
func TestDrawings(t *testing.T) {
	for name, d := range drawings(t) {
		for _, width := range []int{Phone, Desktop} {
			var b, again bytes.Buffer
			if err := SVG(&b, d, width); err != nil {
				t.Fatal(name, err)
			}
			if err := SVG(&again, d, width); err != nil || again.String() != b.String() {
				t.Errorf("%s differs the second time: %v", name, err)
			}
			texts := readSVG(t, name, b.String(), width)
			if len(texts["title"]) != 1 || len(texts["desc"]) != 1 || strings.Join(texts["desc"], "") != d.Alt() || len(d.Alt()) < 20 {
				t.Errorf("%s: title %q, description %q", name, texts["title"], texts["desc"])
			}
			for _, not := range []string{"NaN", "Inf", "<style", "style=", "href", "url(", "<?xml"} {
				if strings.Contains(b.String(), not) {
					t.Errorf("%s holds %s", name, not)
				}
			}
			for _, c := range colours.FindAllStringSubmatch(b.String(), -1) {
				if !colour.MatchString(c[1]) {
					t.Errorf("%s has %s, no colour of SVG", name, c[0])
				}
			}
			if n := b.Len(); n > 60<<10 {
				t.Errorf("%s has %d bytes", name, n)
			}
			if dir := os.Getenv("MAKEBREAK_PLOTS"); dir != "" {
				file := name + ".svg"
				if width == Phone {
					file = name + "-phone.svg"
				}
				if err := os.WriteFile(filepath.Join(dir, file), b.Bytes(), 0o666); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

// readSVG gives the texts of each element of a well-formed drawing whose text lies
// within its paper.
func readSVG(t *testing.T, name, svg string, width int) map[string][]string {
	texts := make(map[string][]string)
	element := ""
	for dec := xml.NewDecoder(strings.NewReader(svg)); ; {
		token, err := dec.Token()
		switch x := token.(type) {
		case xml.StartElement:
			element = x.Name.Local
		case xml.EndElement:
			element = ""
		case xml.CharData:
			if element != "" {
				texts[element] = append(texts[element], string(x))
			}
		}
		if err == io.EOF {
			return texts
		}
		if err != nil {
			t.Fatalf("%s: %v\n%s", name, err, svg)
		}
	}
}

// What is inside the limits and outside them, what single values take and where a trend goes are told
// apart without colour too: by the weights of Rec. ITU-R BT.601 at least 8 of 255
// lie between any two of them and the paper.
func TestTintsDifferInGrey(t *testing.T) {
	grey := func(c color.NRGBA) float64 { return 0.299*float64(c.R) + 0.587*float64(c.G) + 0.114*float64(c.B) }
	inside := color.NRGBA{0xec, 0xe6, 0xd3, 0xff} // of the limits, on the pages: --zone of their style
	all := []color.NRGBA{paper, inside, outside, spreadColour, fanColour}
	for i, a := range all {
		for _, b := range all[:i] {
			if d := math.Abs(grey(a) - grey(b)); d < 8 {
				t.Errorf("%v and %v differ by %.1f in grey", a, b, d)
			}
		}
	}
}

// Of a contact that runs for ten minutes a day a month is nearly all unknown: one faint
// hatching, with the lines of the limits whole above it. Invented figures.
func TestTrendMostlyUnknown(t *testing.T) {
	begin := time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
	trend := &Trend{Title: "Rate", Quantity: "rate", Unit: "pps", From: begin, To: begin.Add(30 * 24 * time.Hour), Limits: Limits{pulse.Known(9), pulse.Known(11)}}
	for day := range 30 {
		on := begin.Add(time.Duration(day)*24*time.Hour + 9*time.Hour)
		trend.Gaps = append(trend.Gaps, Gap{on.Add(-23*time.Hour - 50*time.Minute), on})
		trend.Points = append(trend.Points, TrendPoint{At: on.Add(5 * time.Minute), V: 9 + float64(day)/15})
	}
	var b bytes.Buffer
	if err := SVG(&b, trend, Desktop); err != nil {
		t.Fatal(err)
	}
	svg := b.String()
	hex := func(c color.NRGBA) string { return fmt.Sprintf("#%02X%02X%02X", c.R, c.G, c.B) }
	if n := strings.Count(svg, `fill="`+hex(outside)); n != 2 {
		t.Errorf("%d tints of what is outside, expected one above and one below", n)
	}
	hatched, limit := strings.Index(svg, `stroke="`+hex(unknown)), strings.LastIndex(svg, `stroke-dasharray="6,3"`)
	above := svg[max(hatched, 0):]
	if hatched < 0 || strings.Count(above, `stroke-dasharray="6,3"`) != 3 || limit < hatched { // two limits, and the key
		t.Errorf("the hatching at %d, the last line of a limit at %d:\n%s", hatched, limit, svg)
	}
	if b.Len() > 12<<10 {
		t.Errorf("%d bytes", b.Len())
	}
	if dir := os.Getenv("MAKEBREAK_PLOTS"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, "unknown.svg"), b.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
	}
}

// The words name the values: counts out of limits, uncertainties, gaps.
func TestAlt(t *testing.T) {
	all := drawings(t)
	for name, parts := range map[string][]string{
		"plane":     {"300 points", "limits", "58 to 64 %", "± 0.40 %"},
		"histogram": {"300 values of percent break", "Limits 58 to 64 %", "± 0.30 %"},
		"trend":     {"66 means", "1 gap", "oiled", "between 63"},
		"lobes":     {"Lobe 3: 0.900 ± 0.060 ms, before 0.3 ms"},
		"gears":     {"idler", "81 % of the swing", "motor: cannot be told"},
		"strip":     {"generator-a, 2 breaks", "bounce at 3 changes"},
		"pulse":     {"Break 71", "where it may close: 58 to 67 ms"},
		"compare":   {"as found 66.20 ± 0.40 %", "as left 61.10 ± 0.40 %", "changed"},
		"drift":     {"Percent break, %: 9 window means, from 60", "to 60.80"},
		"stability": {"0.0010 at 1 s"},
	} {
		for _, part := range parts {
			if alt := all[name].Alt(); !strings.Contains(alt, part) {
				t.Errorf("%s: no %q in %q", name, part, alt)
			}
		}
	}
}

// A drawing of hostile names is text.
func TestDrawingsEscape(t *testing.T) {
	const hostile = "</title><script>alert(\"1\")</script>\x1b[2J"
	for _, d := range []Drawing{
		&Histogram{Title: hostile, Quantity: hostile, Unit: hostile, Note: hostile},
		&Strip{Title: hostile, Unit: "s", To: 1, Rows: []StripRow{{Name: hostile, Spans: []Span{{To: 1, Text: hostile}}}}},
		&Trend{Title: hostile, Quantity: hostile, Marks: []Mark{{Text: hostile}}},
	} {
		var b bytes.Buffer
		if err := SVG(&b, d, Desktop); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(b.String(), "<script") || strings.ContainsRune(b.String(), 0x1b) || !strings.Contains(b.String(), "&lt;script") {
			t.Errorf("not escaped:\n%s", b.String())
		}
		readSVG(t, "hostile", b.String(), Desktop)
	}
}

// What is not a number is left out, and nothing makes an empty drawing fail.
func TestDrawingsWithoutValues(t *testing.T) {
	nan := math.NaN()
	for _, d := range []Drawing{
		&Plane{Points: []XY{{nan, 1}, {2, math.Inf(1)}}}, &Plane{}, &Histogram{}, &Trend{}, &Lobes{}, &Gears{}, &Strip{}, &Compare{}, &Drift{}, &Stability{},
		&Lobes{Lobes: []Lobe{{Number: 1}}}, &Compare{Rows: []CompareRow{{Quantity: "rate"}}}, &Histogram{Bins: Bins([]float64{5, 5, 5}, 0)},
		&Trend{Points: []TrendPoint{{V: 1}}}, &Drift{Panels: []DriftPanel{{}}},
	} {
		var b bytes.Buffer
		if err := SVG(&b, d, Phone); err != nil || strings.Contains(b.String(), "NaN") || strings.Contains(b.String(), "Inf") {
			t.Errorf("%T: %v\n%s", d, err, b.String())
		}
		d.Alt()
	}
}

// Bins hold every value once, between their ends.
func TestBins(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for range 200 {
		values := make([]float64, 1+rng.IntN(400))
		scale := math.Pow(10, float64(rng.IntN(7)-3))
		for i := range values {
			values[i] = scale * (50 + rng.NormFloat64())
		}
		bins := Bins(values, 0)
		n := 0
		for i, b := range bins {
			n += b.Count
			in := 0
			for _, v := range values {
				if v >= b.Low-1e-9*scale && v < b.High+1e-9*scale {
					in++
				}
			}
			if in < b.Count || i > 0 && math.Abs(b.Low-bins[i-1].High) > 1e-9*scale {
				t.Fatalf("bin %v holds %d, after %v", b, in, bins[max(i-1, 0)])
			}
		}
		if n != len(values) || len(bins) > mostBins+2 {
			t.Fatalf("%d of %d values in %d bins", n, len(values), len(bins))
		}
	}
}

// Ticks of time stand at round times of the zone's clock, as many as have room, also
// where the clock is set.
func TestClockTicks(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip(err)
	}
	from := time.Date(2026, 10, 23, 9, 30, 0, 0, berlin) // the clock is set on the 25th
	for span, want := range map[time.Duration]string{
		4 * 24 * time.Hour:   "24 Oct 25 Oct 26 Oct 27 Oct",
		10 * time.Minute:     "09:30 09:32 09:34 09:36 09:38 09:40",
		400 * 24 * time.Hour: "Jan 2027 Apr 2027 Jul 2027 Oct 2027",
	} {
		var got []string
		for _, k := range (clockTicks{berlin, 6 * clockRoom}).Ticks(seconds(from), seconds(from.Add(span))) {
			got = append(got, k.Label)
		}
		if s := strings.Join(got, " "); s != want {
			t.Errorf("%v: %s, expected %s", span, s, want)
		}
	}
}
