package report

import (
	"bytes"
	"fmt"
	"io"
	"strings"

	"makebreak/daemon/circuit"
	"makebreak/daemon/figure"
)

// Sizes of the wiring drawing. It is narrow, so that a phone shows all of its width
// with letters large enough to read.
const (
	wiringWidth  = 400
	wiringHeight = 940
	leftLead     = 60
	rightLead    = 340
	middle       = (leftLead + rightLead) / 2
	collectorX   = middle - 40
	emitterX     = middle + 40
	barrierY     = 555
	// capRise is what the cautions above the circuit take, beyond its own zero.
	capRise = 36
)

// Colours of the drawing, on white paper: each side has its own tint, and the words
// say which is which.
const (
	inkColour      = "#1c1d1f"
	exchangeColour = "#fdf1e7"
	computerColour = "#eaf3fb"
	dangerColour   = "#a3201a"
)

// A wiring is a drawing being made.
type wiring struct{ bytes.Buffer }

func (d *wiring) f(format string, a ...any) { fmt.Fprintf(d, format+"\n", a...) }

// line draws a wire along points x, y, x, y, ….
func (d *wiring) line(points ...int) {
	var s []string
	for i := 0; i < len(points); i += 2 {
		s = append(s, fmt.Sprintf("%d,%d", points[i], points[i+1]))
	}
	d.f(`<polyline points="%s"/>`, strings.Join(s, " "))
}

func (d *wiring) dot(x, y int) { d.f(`<circle cx="%d" cy="%d" r="4" fill="%s"/>`, x, y, inkColour) }

// text writes lines below each other; anchor is start, middle or end.
func (d *wiring) text(x, y int, anchor string, lines ...string) {
	for i, l := range lines {
		d.f(`<text x="%d" y="%d" text-anchor="%s">%s</text>`, x, y+18*i, anchor, escape(l))
	}
}

func (d *wiring) bold(x, y int, anchor, colour, line string) {
	d.f(`<text x="%d" y="%d" text-anchor="%s" font-weight="700" fill="%s">%s</text>`, x, y, anchor, colour, escape(line))
}

// box draws a part that is a box on an upright wire: a resistor, or a fuse, which
// the wire goes through.
func (d *wiring) box(x, y int, fuse bool) {
	d.f(`<rect x="%d" y="%d" width="20" height="38" fill="#fff"/>`, x-10, y)
	if fuse {
		d.line(x, y, x, y+38)
	}
}

// diode draws a lying diode around x, y; forward points right.
func (d *wiring) diode(x, y int, forward bool) {
	s := 14
	if !forward {
		s = -14
	}
	d.f(`<polygon points="%d,%d %d,%d %d,%d" fill="#fff"/>`, x-s, y-13, x-s, y+13, x+s, y)
	d.line(x+s, y-13, x+s, y+13)
}

func (d *wiring) arrow(x, y, toX, toY int) {
	d.f(`<path d="M%d %dL%d %d" marker-end="url(#wiring-arrow)"/>`, x, y, toX, toY)
}

// InputDrawing draws the wiring of a circuit as an SVG on white paper, with a text
// that stands for it. A circuit that breaks a demand is refused: it is not to be
// built.
func InputDrawing(w io.Writer, c *circuit.Circuit) error {
	if c.Outcome() == circuit.Broken {
		return fmt.Errorf("a drawing of a circuit that does not fit: expected one whose demands hold")
	}
	d := new(wiring)
	var words []string
	for _, b := range wiringWords(c) {
		if p, ok := b.(Paragraph); ok {
			words = append(words, strings.TrimSpace(p.Lead)+" "+p.Text)
		}
	}
	d.f(`<svg xmlns="http://www.w3.org/2000/svg" class="narrow" viewBox="0 %d %d %d" width="%d" height="%d" role="img" aria-labelledby="wiring-title wiring-words">`, -capRise, wiringWidth, wiringHeight, wiringWidth, wiringHeight)
	d.f(`<title id="wiring-title">%s</title>`, escape("Isolated input for "+voltageText(c)+" dc"))
	d.f(`<desc id="wiring-words">%s</desc>`, escape(strings.Join(words, ". ")))
	d.f(`<defs><marker id="wiring-arrow" viewBox="0 0 10 10" refX="9" refY="5" markerWidth="8" markerHeight="8" orient="auto"><path d="M0 0L10 5L0 10z" fill="%s" stroke="none"/></marker></defs>`, inkColour)
	d.f(`<rect y="%d" width="%d" height="%d" fill="#fff"/>`, -capRise, wiringWidth, wiringHeight)
	d.f(`<rect x="8" y="82" width="%d" height="%d" fill="%s"/>`, wiringWidth-16, barrierY-82, exchangeColour)
	d.f(`<rect x="8" y="%d" width="%d" height="%d" fill="%s"/>`, barrierY, wiringWidth-16, 816-barrierY, computerColour)
	d.f(`<g font-family="Liberation Sans,Arial,Helvetica,sans-serif" font-size="14" fill="%s">`, inkColour)
	d.bold(16, 20-capRise, "start", dangerColour, "CAUTION: can injure or kill.")
	d.bold(16, 38-capRise, "start", dangerColour, "Local codes and licensed practice first.")
	d.text(16, 58-capRise, "start", "De-energise and prove dead before hands go in.", "Stop and lock the drive. No ringing, no mains.", "Never join the computer's ground to the exchange.")
	d.bold(16, 102, "start", dangerColour, "EXCHANGE SIDE")
	d.bold(wiringWidth-12, 690, "end", "#12507b", "COMPUTER SIDE")
	d.text(16, 836, "start", append(conditionLines(c), flagLines(c)...)...)
	d.f(`</g>`)
	d.f(`<g stroke="%s" stroke-width="2" fill="none" stroke-linejoin="round">`, inkColour)
	exchangeWires(d, c)
	computerWires(d)
	d.f(`<path d="M8 %d H%d M%d %d H%d" stroke="%s" stroke-width="4" stroke-dasharray="14 7"/>`, barrierY, middle-80, middle+80, barrierY, wiringWidth-8, dangerColour)
	d.f(`</g>`)
	d.f(`<g font-family="Liberation Sans,Arial,Helvetica,sans-serif" font-size="14" fill="%s">`, inkColour)
	exchangeLabels(d, c)
	computerLabels(d, c)
	d.f(`</g>`)
	d.f(`</svg>`)
	_, err := w.Write(d.Bytes())
	return err
}

// conditionLines are the first at the foot.
func conditionLines(c *circuit.Circuit) []string {
	r := &c.Request
	switch {
	case r.Peak == 0:
		return []string{"NOT MEASURED: the largest voltage. This holds", "only where nothing above " + volts(c.WorkingVolt) + " ever comes."}
	case r.Coupler.Invented:
		return []string{"Up to " + volts(c.WorkingVolt) + ". Coupler data invented: reckon again", "with the data sheet's before you build."}
	}
	return []string{"For voltages up to " + volts(c.WorkingVolt) + ", kicks included."}
}

// flagLines are the flags of a measurement.
func flagLines(c *circuit.Circuit) []string {
	closed, asymmetry, _ := strings.Cut(InputChain(c), " --asymmetry=")
	return []string{"measure " + closed, "--asymmetry=" + asymmetry}
}

// exchangeWires draws everything above the barrier.
func exchangeWires(d *wiring, c *circuit.Circuit) {
	across := c.Request.Placement == circuit.Across
	// The source: the long plate is the positive one.
	d.line(leftLead, 240, leftLead, 130, middle-12, 130)
	d.line(middle+12, 130, rightLead, 130, rightLead, 240)
	d.line(middle-12, 112, middle-12, 148)
	d.f(`<path d="M%d 121V139" stroke-width="5"/>`, middle+12)
	if across {
		d.f(`<rect x="%d" y="150" width="20" height="38" fill="#fff"/>`, leftLead-10)
		d.line(leftLead, 210, middle-25, 210)
		d.line(middle+25, 210, rightLead, 210)
		d.contact(middle-25, 210, middle+25, 210, middle+20, 192)
		d.dot(leftLead, 210)
		d.dot(rightLead, 210)
	} else {
		d.f(`<path d="M%d 165V205" stroke="%s" stroke-width="4"/>`, leftLead, exchangeColour)
		d.contact(leftLead, 165, leftLead, 205, leftLead-20, 170)
	}
	half := c.Resistors / 2
	for _, x := range []int{leftLead, rightLead} {
		d.line(x, 240, x, 430)
		d.box(x, 232, true)
		for i := range half {
			d.box(x, 290+58*i, false)
		}
	}
	left, right := leftLead, rightLead
	if c.Bridge {
		d.f(`<rect x="%d" y="405" width="120" height="58" fill="#fff"/>`, middle-60)
		d.diode(middle, 434, true)
		d.line(middle-34, 434, middle+34, 434)
		d.line(leftLead, 430, leftLead, 434, middle-60, 434)
		d.line(rightLead, 430, rightLead, 434, middle+60, 434)
		left, right = collectorX, emitterX
		d.line(left, 463, left, 510)
		d.line(right, 463, right, 510)
	} else {
		d.line(leftLead, 430, leftLead, 510)
		d.line(rightLead, 430, rightLead, 510)
		d.line(leftLead, 434, rightLead, 434)
		d.diode(middle, 434, false)
		d.dot(leftLead, 434)
		d.dot(rightLead, 434)
	}
	// The coupler, which stands on the barrier.
	d.f(`<rect x="%d" y="482" width="160" height="128" rx="6" fill="#fff"/>`, middle-80)
	d.line(left, 510, right, 510)
	d.diode(middle, 510, true)
	d.arrow(middle-8, 528, middle-8, 562)
	d.arrow(middle+10, 528, middle+10, 562)
}

// contact draws the exchange's contact between two points, its blade ending at
// x, y.
func (d *wiring) contact(fromX, fromY, toX, toY, x, y int) {
	if fromX == toX { // upright: the blade hangs at the lower end
		d.line(toX, toY, x, y)
	} else {
		d.line(fromX, fromY, x, y)
	}
	d.f(`<circle cx="%d" cy="%d" r="4" fill="#fff"/>`, fromX, fromY)
	d.f(`<circle cx="%d" cy="%d" r="4" fill="#fff"/>`, toX, toY)
}

// computerWires draws everything below the barrier.
func computerWires(d *wiring) {
	// The transistor: collector at the left, emitter at the right.
	d.f(`<path d="M%d 568H%d" stroke-width="4"/>`, middle-24, middle+24)
	d.line(middle-10, 568, collectorX, 592, collectorX, 724)
	d.line(emitterX, 592, emitterX, 724)
	d.arrow(middle+10, 568, emitterX-2, 590)
	d.dot(collectorX, 660)
	d.line(collectorX, 660, leftLead, 660, leftLead, 724)
	d.box(leftLead, 674, false)
	d.f(`<rect x="20" y="724" width="%d" height="80" rx="6" fill="#fff"/>`, wiringWidth-40)
	for _, x := range []int{leftLead, collectorX, emitterX} {
		d.dot(x, 724)
	}
}

// exchangeLabels names what is above the barrier.
func exchangeLabels(d *wiring, c *circuit.Circuit) {
	r := &c.Request
	plus, minus := "+", "−"
	if c.Bridge {
		plus, minus = "+ or −", "− or +"
	}
	d.text(middle-22, 126, "end", plus)
	d.text(middle+24, 126, "start", minus)
	d.text(rightLead-14, 166, "end", voltageText(c)+" dc")
	if r.Placement == circuit.Across {
		d.text(leftLead+18, 166, "start", rangeLines("load ", float64(r.LoadResistance.Min)/1e9, float64(r.LoadResistance.Max)/1e9)...)
		d.text(middle, 232, "middle", "the contact")
	} else {
		d.text(leftLead+16, 190, "start", "the contact")
	}
	d.text(leftLead+18, 256, "start", "F1  "+amperes(c.FuseAmpere))
	d.text(rightLead-18, 256, "end", "F2  "+amperes(c.FuseAmpere))
	half := c.Resistors / 2
	for i := range half {
		y := 306 + 58*i
		d.text(leftLead+18, y, "start", fmt.Sprintf("R%d  %s", i+1, ohms(c.ResistorOhm)), figure.Trimmed(c.RatingWatt, 2)+" W, "+volts(roundUp(c.RatingVolt)))
		d.text(rightLead-18, y, "end", fmt.Sprintf("R%d  %s", half+i+1, ohms(c.ResistorOhm)), figure.Trimmed(c.RatingWatt, 2)+" W, "+volts(roundUp(c.RatingVolt)))
	}
	if c.Bridge {
		d.text(middle, 398, "middle", "D1–D4  "+volts(bridgeVolt(c)))
		d.text(middle-54, 428, "start", "~")
		d.text(middle+54, 428, "end", "~")
		d.text(middle-50, 460, "start", "+")
		d.text(middle+50, 460, "end", "−")
	} else {
		d.text(middle, 416, "middle", "D1  "+volts(bridgeVolt(c)))
	}
	d.text(middle-68, 500, "start", "U1")
	if c.Bridge {
		d.text(16, 494, "start", "LED "+amperes(c.LED.Min), "to "+amperes(c.LED.Max))
	} else {
		d.text(middle, 471, "middle", "LED "+between(c.LED, "A"))
	}
	d.bold(wiringWidth-12, barrierY-23, "end", dangerColour, "ISOLATION")
	d.bold(wiringWidth-12, barrierY-7, "end", dangerColour, "BARRIER")
	d.text(wiringWidth-12, barrierY+20, "end", figure.Trimmed(c.GapMM, 1)+" mm clear", "all along it,", "but for U1")
}

// rangeLines writes a resistance on one line, or a range of it on two.
func rangeLines(name string, low, high float64) []string {
	if low == high {
		return []string{name + ohms(low)}
	}
	return []string{name + ohms(low), "to " + ohms(high)}
}

// computerLabels names what is below it.
func computerLabels(d *wiring, c *circuit.Circuit) {
	r := &c.Request
	d.text(leftLead+18, 688, "start", rangeLines("Rp  ", float64(r.Input.PullUp.Min)/1e9, float64(r.Input.PullUp.Max)/1e9)...)
	line := "low = contact closed"
	if !c.ClosedLow {
		line = "high = contact closed"
	}
	d.text(leftLead, 746, "middle", "3.3 V")
	d.text(collectorX, 746, "middle", "GPIO line")
	d.text(emitterX, 746, "middle", "ground")
	d.text(middle, 770, "middle", line)
	d.text(middle, 792, "middle", "computer: its ground goes nowhere else")
}
