package plot

import (
	"encoding/xml"
	"io"
	"strings"
	"testing"
)

// The picture is well-formed, and holds each panel, a trend and a limit that is near
// the means; one that is far away is left out.
func TestDrift(t *testing.T) {
	x, y := []float64{0, 1, 2, 3}, []float64{60, 60.1, 60.2, 60.3}
	draw := func(p DriftPanel) string {
		p.Title, p.Y, p.X, p.Means = "Percent break", "%", x, y
		var b strings.Builder
		d := Drift{Panels: []DriftPanel{p, {Title: "Rate", Y: "IPM", X: x, Means: []float64{60, 60, 60, 60}}}, XLabel: "hours", Note: "dots"}
		if err := SVG(&b, &d, Desktop); err != nil {
			t.Fatal(err)
		}
		for dec := xml.NewDecoder(strings.NewReader(b.String())); ; {
			if _, err := dec.Token(); err == io.EOF {
				break
			} else if err != nil {
				t.Fatal(err)
			}
		}
		return b.String()
	}
	plain := draw(DriftPanel{})
	for _, text := range []string{"Percent break", "Rate", "hours", "dots"} {
		if !strings.Contains(plain, ">"+text+"<") {
			t.Errorf("no %q in the picture", text)
		}
	}
	if draw(DriftPanel{Trend: y}) == plain || draw(DriftPanel{Limits: []float64{60.5}}) == plain {
		t.Error("a trend or a limit is not drawn")
	}
	if draw(DriftPanel{Limits: []float64{75}}) != plain {
		t.Error("a limit far away is drawn")
	}
}

// Labels have the decimals that tell them apart, and no more.
func TestEvenTicks(t *testing.T) {
	for _, tt := range []struct {
		low, high float64
		decimals  int
	}{{0, 24, 0}, {50, 50.16, 2}, {59.9997, 60.0003, 4}, {500, 501.6, 1}} {
		var labels []string
		for _, x := range (evenTicks{}).Ticks(tt.low, tt.high) {
			if x.Label != "" {
				labels = append(labels, x.Label)
			}
		}
		for i, l := range labels {
			_, after, _ := strings.Cut(l, ".")
			if len(after) != tt.decimals || i > 0 && l == labels[i-1] {
				t.Errorf("%v to %v: %q", tt.low, tt.high, labels)
				break
			}
		}
		if len(labels) < 2 {
			t.Errorf("%v to %v: %q", tt.low, tt.high, labels)
		}
	}
}
