package command

import (
	"fmt"
	"math"

	"makebreak/daemon/calibration"
	"makebreak/daemon/figure"
	"makebreak/daemon/loop"
	"makebreak/pulse"
)

// refusalText says why a result must not be saved; empty when it may.
func refusalText(r *pulse.Loopback) string {
	switch loop.RefusalOf(r) {
	case loop.Unanswered:
		return fmt.Sprintf("only %s of %s came back as they should: look at the wiring, at --closed and --out-closed, and at the coupler's current",
			figure.Count(r.Openings+r.Closings), figure.Plural(r.Sent, "edge", "edges"))
	case loop.NotFollowing:
		return fmt.Sprintf("%s lost and %s too many, of %s: the chain does not follow; look for bounce, pick-up, or a coupler that is too slow",
			figure.Plural(r.Lost, "edge was", "edges were"), figure.Count(r.Extra), figure.Count(r.Sent))
	}
	return ""
}

func writeCalibrated(p *page, k *loop.Calibrated) {
	r := k.Result
	if k.Why == "" {
		p.paint(green, "CALIBRATED")
	} else {
		p.paint(red, "NOT CALIBRATED: THE CHAIN DID NOT FOLLOW")
	}
	p.WriteString("\n\n")
	p.para("  ", printable(fmt.Sprintf("%s (%s:%d) drove %s (%s:%d) through: %s.", k.Sender.Name, k.Sender.Label, k.Sender.Offset, k.Line.Name, k.Line.Label, k.Line.Offset, k.Coupler)))
	p.para("  ", fmt.Sprintf("Closed is %s on the driven line and %s on the measuring one; pull resistor %s.", k.Sender.Closed, k.Line.Closed, k.Line.Bias))
	p.para("  ", fmt.Sprintf("Of %s sent, %s came back as they should, %s did not; %s too many came.",
		figure.Plural(r.Sent, "edge", "edges"), figure.Count(r.Openings+r.Closings), figure.Count(r.Lost), figure.Count(r.Extra)))
	writeLateness(p, &k.Sending)
	if k.Why != "" {
		p.para("  ", upperFirst(k.Why)+". Nothing was saved.")
	} else {
		p.para("  ", "Saved as "+printable(k.Saved)+"; makebreak measure gpio:"+printable(k.Line.Name)+" uses it from now on, with the same --closed and --bias.")
	}
	writeLoopback(p, r)
	p.WriteByte('\n')
	p.WriteString(caution)
}

// writeLoopback writes the figures of a loopback.
func writeLoopback(p *page, r *pulse.Loopback) {
	if !r.EdgeNoise.OK || !r.AsymmetryU.OK {
		return
	}
	p.head("What the chain does (± is k = 2)")
	us := func(n, u pulse.Num) (v, pm string) {
		dec := figure.Decimals(2 * u.V / 1e3)
		n.V, u.V = n.V/1e3, 2*u.V/1e3
		return signed(n, dec), "± " + number(u, dec)
	}
	row := func(name, unit, meaning string, n, u pulse.Num) []cell {
		dec := figure.Decimals(2 * u.V)
		u.V *= 2
		return cells(name, signed(n, dec), "± "+number(u, dec), unit, meaning)
	}
	asymmetry, asymmetryU := us(r.Asymmetry, r.AsymmetryU)
	opening := r.DelayOpen
	opening.V /= 1e3
	closing := r.DelayClose
	closing.V /= 1e3
	noise := r.EdgeNoise
	noise.V /= 1e3
	p.grid("lrlll", [][]cell{
		cells("asymmetry", asymmetry, asymmetryU, "µs", "a make is shown longer by this"),
		cells("edge noise", number(noise, 2), "", "µs", "of one edge, standard deviation"),
		row("linearity", "ppm", "error of a break by its length", r.Linearity, r.LinearityU),
		row("drift", "ns/s", "of the delay", r.DriftNSPerS, r.DriftU),
		cells("delay opening", number(opening, 1), "", "µs", "from the write to the stamp"),
		cells("delay closing", number(closing, 1), "", "µs", ""),
	})
	for _, x := range []struct {
		of, u pulse.Num
		text  string
	}{
		{r.Linearity, r.LinearityU, "The error of a break depends on its length: what the asymmetry then leaves is in its uncertainty."},
		{r.DriftNSPerS, r.DriftU, "The delay drifted while it was measured: let the chain warm up, then calibrate again."},
	} {
		if x.of.OK && x.u.OK && math.Abs(x.of.V) > 4*x.u.V {
			p.para("  Note: ", x.text)
		}
	}
	p.head("By length of the break")
	rows := [][]cell{cells("break ms", "n", "error µs", "")}
	for _, l := range r.Lengths {
		e, u := us(pulse.Known(l.ErrorNS), l.SE)
		rows = append(rows, cells(figure.Trimmed(l.BreakMS, 0), figure.Count(l.N), e, u))
	}
	p.grid("rrrl", rows)
}

// writeNoneSaved tells that a folder has no calibration of a line, or of any
// where none is named.
func writeNoneSaved(p *page, line, dir string) {
	of := ""
	if line != "" {
		of = " of " + line
	}
	p.WriteString(printable("No calibration"+of+" is saved in "+dir+".") + "\n")
}

// writeSaved writes a saved calibration, and what is to be thought of it.
func writeSaved(p *page, k *calibration.Calibration, fit calibration.Fitness) {
	device := ""
	if k.Line.Device != "" {
		device = ", " + k.Line.Device
	}
	p.head(printable(fmt.Sprintf("%s (%s:%d%s), closed is %s, pull resistor %s", k.Line.Name, k.Line.Label, k.Line.Offset, device, k.Line.Closed, k.Line.Bias)))
	p.para("  ", upperFirst(printable(k.String()))+".")
	if fit.Why != "" {
		p.para("  ", map[bool]string{true: "FOREIGN: ", false: "STALE: "}[fit.Foreign]+printable(fit.Why)+".")
	}
	writeLoopback(p, k.Result)
}
