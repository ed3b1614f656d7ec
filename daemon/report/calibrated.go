package report

import (
	"fmt"
	"math"

	"makebreak/daemon/calibration"
	"makebreak/daemon/figure"
	"makebreak/daemon/loop"
	"makebreak/pulse"
)

// Refusal says why a result must not be saved; empty when it may.
func Refusal(r *pulse.Loopback) string {
	switch {
	case !loop.Answered(r):
		return fmt.Sprintf("only %s of %s came back as they should: look at the wiring, at --closed and --out-closed, and at the coupler's current",
			figure.Count(r.Openings+r.Closings), figure.Plural(r.Sent, "edge", "edges"))
	case !loop.Follows(r):
		return fmt.Sprintf("%s lost and %s too many, of %s: the chain does not follow; look for bounce, pick-up, or a coupler that is too slow",
			figure.Plural(r.Lost, "edge was", "edges were"), figure.Count(r.Extra), figure.Count(r.Sent))
	}
	return ""
}

// OfCalibrated says what a calibration found, and whether it was saved.
func OfCalibrated(k *loop.Calibrated) *Document {
	doc := new(Document)
	r := k.Result
	if k.Why == "" {
		doc.add(Statement{"CALIBRATED", Good})
	} else {
		doc.add(Statement{"NOT CALIBRATED: THE CHAIN DID NOT FOLLOW", Bad})
	}
	doc.add(Space{})
	doc.tell("", fmt.Sprintf("%s (%s:%d) drove %s (%s:%d) through: %s.", k.Sender.Name, k.Sender.Label, k.Sender.Offset, k.Line.Name, k.Line.Label, k.Line.Offset, k.Coupler))
	doc.tell("", fmt.Sprintf("Closed is %s on the driven line and %s on the measuring one; pull resistor %s.", k.Sender.Closed, k.Line.Closed, k.Line.Bias))
	doc.tell("", fmt.Sprintf("Of %s sent, %s came back as they should, %s did not; %s too many came.",
		figure.Plural(r.Sent, "edge", "edges"), figure.Count(r.Openings+r.Closings), figure.Count(r.Lost), figure.Count(r.Extra)))
	lateness(doc, &k.Sending)
	if k.Why != "" {
		doc.tell("", upperFirst(k.Why)+". Nothing was saved.")
	} else {
		doc.tell("", "Saved as "+k.Saved+"; makebreak measure gpio:"+k.Line.Name+" uses it from now on, with the same --closed and --bias.")
	}
	loopback(doc, r)
	doc.add(Caution{})
	return doc
}

// loopback tells what the chain does.
func loopback(doc *Document, r *pulse.Loopback) {
	if !loop.Answered(r) {
		return
	}
	doc.head("What the chain does (± is k = 2)")
	us := func(ns pulse.Num) pulse.Num {
		ns.V /= 1e3
		return ns
	}
	both := func(n, u pulse.Num) (value, expanded string) {
		u.V *= 2
		dec := figure.Decimals(u.V)
		return signed(n, dec), "± " + number(u, dec)
	}
	row := func(name, unit, meaning string, n, u pulse.Num) []Cell {
		value, expanded := both(n, u)
		return cells(name, value, expanded, unit, meaning)
	}
	doc.add(Table{Headless: true, Columns: columns("lrlll", "", "", "", "", ""), Rows: [][]Cell{
		row("asymmetry", "µs", "a make is shown longer by this", us(r.Asymmetry), us(r.AsymmetryU)),
		cells("edge noise", number(us(r.EdgeNoise), 2), "", "µs", "of one edge, standard deviation"),
		row("linearity", "ppm", "error of a break by its length", r.Linearity, r.LinearityU),
		row("drift", "ns/s", "of the delay", r.DriftNSPerS, r.DriftU),
		cells("delay opening", number(us(r.DelayOpen), 1), "", "µs", "from the write to the stamp"),
		cells("delay closing", number(us(r.DelayClose), 1), "", "µs", ""),
	}})
	for _, x := range []struct {
		of, u pulse.Num
		text  string
	}{
		{r.Linearity, r.LinearityU, "The error of a break depends on its length: what the asymmetry then leaves is in its uncertainty."},
		{r.DriftNSPerS, r.DriftU, "The delay drifted while it was measured: let the chain warm up, then calibrate again."},
	} {
		if x.of.OK && x.u.OK && math.Abs(x.of.V) > 4*x.u.V {
			doc.tell("Note:", x.text)
		}
	}
	doc.head("By length of the break")
	t := Table{Columns: columns("rrrl", "break", "n", "error", "")}
	t.Columns[0].Unit, t.Columns[2].Unit = "ms", "µs"
	for _, l := range r.Lengths {
		e, u := both(us(pulse.Known(l.ErrorNS)), us(l.SE))
		t.Rows = append(t.Rows, cells(figure.Trimmed(l.BreakMS, 0), figure.Count(l.N), e, u))
	}
	doc.add(t)
}

// A SavedCalibration is one that a folder holds, with what is to be thought of it.
type SavedCalibration struct {
	*calibration.Calibration
	Fit calibration.Fitness
}

// OfSaved lists the calibrations that dir holds of a line, or of all where line is
// empty.
func OfSaved(saved []SavedCalibration, line, dir string) *Document {
	doc := new(Document)
	if len(saved) == 0 {
		of := ""
		if line != "" {
			of = " of " + line
		}
		doc.add(Paragraph{OneLine: true, Text: "No calibration" + of + " is saved in " + dir + "."})
	}
	for _, k := range saved {
		device := ""
		if k.Line.Device != "" {
			device = ", " + k.Line.Device
		}
		doc.head(fmt.Sprintf("%s (%s:%d%s), closed is %s, pull resistor %s", k.Line.Name, k.Line.Label, k.Line.Offset, device, k.Line.Closed, k.Line.Bias))
		doc.tell("", upperFirst(k.String())+".")
		if k.Fit.Why != "" {
			doc.tell("", map[bool]string{true: "FOREIGN: ", false: "STALE: "}[k.Fit.Foreign]+k.Fit.Why+".")
		}
		loopback(doc, k.Result)
	}
	return doc
}
