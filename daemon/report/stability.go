package report

import (
	"math"
	"math/bits"

	"makebreak/daemon/figure"
	"makebreak/daemon/plot"
	"makebreak/pulse"
)

// stability says how steadily an interrupter keeps time.
func stability(doc *Document, m *pulse.Measurement) {
	s := m.Stability
	if m.StabilityOfDial {
		doc.head("Stability")
		doc.tell("", "Not told: it needs an interrupter, which goes on at one speed. This contact is a dial.")
		return
	}
	if s == nil {
		return
	}
	doc.head("Stability")
	if len(s.ADEV) == 0 {
		doc.tell("", "Not told: the first point of a curve needs "+figure.Count(pulse.LeastOpenings)+" openings in a row whose count is sure, and there are at most two.")
		return
	}
	doc.tell("", stabilityOver(s))
	if s.ADEV[0].Deviation == pulse.Known(0) {
		doc.tell("", "The periods differ by less than the times of the edges can tell.")
		return
	}
	unit := stabilityUnitOf(s)
	doc.add(Chart{
		Title:   "Allan deviation over τ, with 95 % intervals",
		Drawing: stabilityPlot(m, unit),
		Words:   []Block{stabilityTable(s, unit)},
	})
	for _, text := range stabilityWords(m, unit) {
		doc.item(text)
	}
}

// stabilityOver says what the curves are from.
func stabilityOver(s *pulse.Stability) string {
	text := "From " + figure.Plural(s.Openings, "opening", "openings") + ", " + tauText(s.Tau0S.V) + " apart in the mean"
	if s.Segments > 1 {
		text += ", in " + figure.Count(s.Segments) + " segments: no difference is taken across the time between them"
	}
	text += "."
	if s.OtherSpeeds > 0 {
		text += " " + figure.Plural(s.OtherSpeeds, "segment at another speed is", "segments at other speeds are") + " left out."
	}
	return text
}

// A stabilityUnit is how fractions of the speed, and times, are written.
type stabilityUnit struct {
	fraction, fractionName string
	perFraction            float64
	time                   string
	perSecond              float64
}

// stabilityUnitOf chooses units in which the figures in the middle have few zeros:
// curves span decades.
func stabilityUnitOf(s *pulse.Stability) stabilityUnit {
	u := stabilityUnit{fraction: "ppm", fractionName: "parts per million", perFraction: 1e6, time: "µs", perSecond: 1e6}
	middle := func(curve []pulse.StabilityPoint) float64 {
		low, high := math.Inf(1), 0.0
		for _, pt := range curve {
			low, high = math.Min(low, pt.Deviation.V), math.Max(high, pt.Deviation.V)
		}
		return math.Sqrt(low * high)
	}
	if middle(s.ADEV) >= 1e-3 {
		u.fraction, u.fractionName, u.perFraction = "%", "per cent", 100
	}
	if len(s.TDEV) > 0 && middle(s.TDEV) >= 1e-3 {
		u.time, u.perSecond = "ms", 1e3
	}
	return u
}

// tauText writes a time with three digits and its unit.
func tauText(s float64) string { return tauFigure(s) + " s" }

func tauFigure(s float64) string {
	return figure.Trimmed(s, max(2-int(math.Floor(math.Log10(s))), 0))
}

// deviationText gives a deviation and its interval in a unit.
func deviationText(pt *pulse.StabilityPoint, scale float64) (value, interval string) {
	v, low, high := scale*pt.Deviation.V, scale*pt.Low.V, scale*pt.High.V
	if !pt.Low.OK {
		return figure.NonZero(v, 3), ""
	}
	dec := figure.Decimals((high - low) / 2)
	return figure.NonZero(v, dec), figure.NonZero(low, dec) + "–" + figure.NonZero(high, dec)
}

// mostTaus is how many τ a table on a page has; the document has them all.
const mostTaus = 14

// stabilityTable has the deviations at the octaves and decades of τ, or every
// other octave where there are many.
func stabilityTable(s *pulse.Stability, u stabilityUnit) Table {
	t := Table{Columns: columns("rrrrrrrrr", "τ", "ADEV", "95 %", "MDEV", "95 %", "TDEV", "95 %", "HDEV", "95 %")}
	t.Columns[0].Unit = "s"
	for i, unit := range map[int]string{1: u.fraction, 3: u.fraction, 5: u.time, 7: u.fraction} {
		t.Columns[i].Unit = unit
	}
	// The interval of the TDEV is as wide as that of the MDEV.
	t.Columns[6].Rank, t.Columns[8].Rank, t.Columns[4].Rank = 3, 2, 1
	for i := range s.ADEV {
		if n := periodsOf(s, i); len(s.ADEV) > mostTaus && bits.OnesCount(n) == 1 && bits.TrailingZeros(n)%2 == 1 {
			continue
		}
		row := cells(tauFigure(float64(s.ADEV[i].TauS)))
		for _, c := range []struct {
			curve []pulse.StabilityPoint
			scale float64
		}{{s.ADEV, u.perFraction}, {s.MDEV, u.perFraction}, {s.TDEV, u.perSecond}, {s.HDEV, u.perFraction}} {
			value, interval := "", ""
			for j := range c.curve {
				if c.curve[j].TauS == s.ADEV[i].TauS {
					value, interval = deviationText(&c.curve[j], c.scale)
				}
			}
			row = append(row, cells(value, interval)...)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// periodsOf is τ of point i in mean periods.
func periodsOf(s *pulse.Stability, i int) uint {
	return uint(math.Round(float64(s.ADEV[i].TauS) / s.Tau0S.V))
}

// stabilityWords say what the curve means for a motor and its contact.
func stabilityWords(m *pulse.Measurement, u stabilityUnit) (words []string) {
	s := m.Stability
	if best := steadiest(s.ADEV); best != nil {
		value, interval := deviationText(best, u.perFraction)
		words = append(words, "Steadiest at τ = "+tauText(float64(best.TauS))+", with an ADEV of "+figure.Unit(value, u.fraction)+" ("+interval+
			"). The mean speeds of one such time and of the next differ by √2 times that."+longerUnknown(s.ADEV, best))
	}
	unknown := false
	for _, c := range s.Cycles {
		text := "A slow cycle: the times of the openings swing by ± " + shortTime(float64(c.SwingS)) + " with a period of about " + tauText(float64(c.PeriodS)) +
			", or " + figure.Trimmed(float64(c.Openings), 2) + " openings. The curve has its hump near " + tauText(float64(c.HumpS)) + " and a dip at the period."
		if lobes := float64(len(m.Interrupter.Lobes)); lobes > 1 && math.Abs(float64(c.Openings)-lobes) < 0.02*lobes {
			text += " The cam has as many lobes: this is its own signature."
		} else {
			unknown = true
		}
		words = append(words, text)
	}
	if unknown {
		text := "Something turns at that pace, or at one that looks the same from the openings: --gears names a shaft"
		if len(m.Interrupter.Lobes) == 0 {
			text += ", --lobes shows the cam's own part"
		}
		words = append(words, text+".")
	}
	for _, r := range s.Regimes {
		if text := regimeText(m, &r); text != "" {
			words = append(words, "τ from "+tauFigure(float64(r.FromS))+" to "+tauText(float64(r.ToS))+": "+text)
		}
	}
	if len(s.Regimes) == 0 && len(s.Cycles) == 0 {
		words = append(words, "What shapes the curve cannot be told from so few cycles: it takes some twenty openings in a row.")
	}
	return words
}

// steadiest gives the lowest point that is known within a third or so.
func steadiest(curve []pulse.StabilityPoint) (best *pulse.StabilityPoint) {
	for i := range curve {
		if pt := &curve[i]; pt.EDF.V >= 8 && (best == nil || pt.Deviation.V < best.Deviation.V) {
			best = pt
		}
	}
	return best
}

// longerUnknown says that a longer time may be steadier, where its figure is lower
// but hardly known.
func longerUnknown(curve []pulse.StabilityPoint, best *pulse.StabilityPoint) string {
	for i := range curve {
		if pt := &curve[i]; pt.Deviation.OK && pt.TauS > best.TauS && pt.Deviation.V < best.Deviation.V {
			return " Longer times may be steadier, but the record is too short to tell."
		}
	}
	return ""
}

func regimeText(m *pulse.Measurement, r *pulse.StabilityRegime) string {
	slope := "slope " + signed(r.Slope, 2)
	switch r.Regime {
	case pulse.RegimeContact:
		text := "noise of the contact (" + slope + "). Each opening is early or late on its own, which evens out with time; the motor is not to blame."
		if j := m.Stability.JitterS; j.OK && r.FromS == m.Stability.ADEV[0].TauS {
			text += " It is " + shortTime(j.V) + " an opening, as a standard deviation"
			if noise, ok := edgeNoise(m); ok && j.V <= 2*noise {
				text += "; the measuring chain alone may make " + shortTime(noise)
			}
			text += "."
		}
		return text
	case pulse.RegimeWhite:
		return "the speed differs at random from cycle to cycle (" + slope + "): friction or load that changes from moment to moment. A longer mean is steadier, slowly."
	case pulse.RegimeFlicker:
		return "the speed wanders (" + slope + "), as much in a long time as in a short one: a longer mean is no steadier."
	case pulse.RegimeWalk:
		return "the speed walks away and has no reason to return (" + slope + "): voltage, warmth or oil may do this."
	case pulse.RegimeDrift:
		return "the speed drifts one way (" + slope + "): --drift tells how fast. The HDEV does not see a steady drift."
	}
	return ""
}

// edgeNoise is the standard uncertainty, in s, of one edge's time.
func edgeNoise(m *pulse.Measurement) (s float64, ok bool) {
	b := m.Uncertainty[pulse.PeriodMS]
	if b == nil {
		return 0, false
	}
	for _, c := range b.Budget {
		if c.Cause.Effect == pulse.EdgeNoise {
			return float64(c.Standard) / 1e3 / math.Sqrt2, true // a period has two edges
		}
	}
	return 0, false
}

// shortTime writes a time with two digits, in ms or µs.
func shortTime(s float64) string {
	if s < 1e-3 {
		return figure.NonZero(s*1e6, figure.Decimals(s*1e6)) + " µs"
	}
	return figure.NonZero(s*1e3, figure.Decimals(s*1e3)) + " ms"
}

func stabilityPlot(m *pulse.Measurement, u stabilityUnit) *plot.Stability {
	s := m.Stability
	p := &plot.Stability{
		Title: "How steadily the interrupter keeps time",
		About: "Allan deviation with 95 % intervals, " + figure.Plural(s.Openings, "opening", "openings"),
		X:     "τ, seconds", Y: "ADEV, " + u.fractionName,
		Guide: -1, GuideName: "noise of the contact alone",
	}
	for i, pt := range s.ADEV {
		if n := len(p.Curve); n > 0 && i < len(s.ADEV)-1 && pt.TauS < 1.2*p.Curve[n-1].TauS {
			continue // an octave beside a decade
		}
		for _, v := range []*pulse.Num{&pt.Deviation, &pt.Low, &pt.High} {
			v.V *= u.perFraction
		}
		p.Curve = append(p.Curve, pt)
	}
	return p
}
