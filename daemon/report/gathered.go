package report

import (
	"math/rand/v2"
	"slices"

	"makebreak/daemon/figure"
	"makebreak/daemon/plot"
	"makebreak/pulse"
)

// Gathered keeps the values that the drawings of a record show. A long recording is
// thinned: of every so many pulses or cycles one is kept, drawn by lot, and the worst of
// all. A fixed place in each would fall on the same lobe of a cam, or the same pulse
// of a train, again and again.
type Gathered struct {
	every    int // one of every so many is kept
	at, keep int // place of the next row among those, and of the one to keep
	lots     *rand.Rand
	values   []gatheredRow
	worst    map[string]gatheredRow // by quantity and bound
	periods  int                    // rows with a rate
	latest   gatheredRow            // of them
}

// A gatheredRow is a pulse, or a cycle of one break; what is not known is 0.
type gatheredRow struct {
	breakNS, makeNS, periodNS, bounceNS int64
	openBounceNS, closeBounceNS         int64
	at                                  pulse.Location
}

// mostGathered rows take some megabytes, and are more than a drawing shows.
const mostGathered = 1 << 16

// NewGathered keeps nothing yet. The same rows give the same drawings: the lots have
// a fixed seed.
func NewGathered() *Gathered {
	return &Gathered{every: 1, lots: rand.New(rand.NewPCG(1, 2)), worst: make(map[string]gatheredRow)}
}

// Observer gives g what a Meter finds.
func (g *Gathered) Observer() pulse.Observer {
	return pulse.Observer{
		Pulse: func(r *pulse.PulseRow) {
			if r.Class == pulse.ClassPulse || r.Class == pulse.ClassStall {
				g.add(gatheredRow{r.BreakNS, r.MakeNS, r.PeriodNS, r.BounceNS, r.OpenBounceNS, r.CloseBounceNS, pulse.Location{Train: r.Train, Pulse: r.Pulse}})
			}
		},
		Cycle: func(r *pulse.CycleRow) {
			if r.Whole && len(r.SegmentsNS) <= 2 {
				g.add(gatheredRow{breakNS: r.BreakNS, makeNS: r.MakeNS, periodNS: r.PeriodNS, bounceNS: r.BounceNS, at: pulse.Location{Cycle: r.Cycle, Lobe: r.Lobe}})
			}
		},
	}
}

func (g *Gathered) add(r gatheredRow) {
	for _, q := range []pulse.Quantity{pulse.BreakPercent, pulse.RatePPS, pulse.RateIPM, pulse.PeriodMS, pulse.BreakMS, pulse.MakeMS, pulse.BounceMS} {
		v, ok := r.value(q)
		if !ok {
			continue
		}
		if old, had := g.worst[string(q)+"min"]; !had || v < must(old.value(q)) {
			g.worst[string(q)+"min"] = r
		}
		if old, had := g.worst[string(q)+"max"]; !had || v > must(old.value(q)) {
			g.worst[string(q)+"max"] = r
		}
	}
	if r.periodNS > 0 {
		g.periods++
		g.latest = r
	}
	if g.at == g.keep {
		g.values = append(g.values, r)
	}
	if g.at++; g.at < g.every {
		return
	}
	if len(g.values) == mostGathered {
		for i := range g.values[:mostGathered/2] {
			g.values[i] = g.values[2*i+g.lots.IntN(2)]
		}
		g.values, g.every = g.values[:mostGathered/2], 2*g.every
	}
	g.at, g.keep = 0, g.lots.IntN(g.every)
}

func must(v float64, _ bool) float64 { return v }

// value is one of the row's figures; false where it is not known.
func (r *gatheredRow) value(q pulse.Quantity) (v float64, ok bool) {
	switch q {
	case pulse.BreakPercent:
		return 100 * float64(r.breakNS) / float64(r.periodNS), r.periodNS > 0
	case pulse.RatePPS:
		return 1e9 / float64(r.periodNS), r.periodNS > 0
	case pulse.RateIPM:
		return 60e9 / float64(r.periodNS), r.periodNS > 0
	case pulse.PeriodMS:
		return float64(r.periodNS) / 1e6, r.periodNS > 0
	case pulse.BreakMS:
		return float64(r.breakNS) / 1e6, r.breakNS > 0
	case pulse.MakeMS:
		return float64(r.makeNS) / 1e6, r.makeNS > 0
	case pulse.BounceMS:
		return float64(r.bounceNS) / 1e6, true
	}
	return 0, false
}

// of gives all values of a quantity.
func (g *Gathered) of(q pulse.Quantity) (all []float64) {
	for i := range g.values {
		if v, ok := g.values[i].value(q); ok {
			all = append(all, v)
		}
	}
	return all
}

// points are percent break and rate of each, as many as a drawing shows: where some
// are left out, the extremes are not. of is how many there are in all.
func (g *Gathered) points(rate pulse.Quantity) (all []plot.XY, of int) {
	step := len(g.values)/mostDots + 1
	for i := 0; i < len(g.values); i += step {
		if p, ok := g.values[i+g.lots.IntN(min(step, len(g.values)-i))].point(rate); ok {
			all = append(all, p)
		}
	}
	if step > 1 || g.every > 1 {
		for _, q := range []pulse.Quantity{pulse.BreakPercent, rate} {
			for _, bound := range []string{"min", "max"} {
				r := g.worst[string(q)+bound]
				if p, ok := r.point(rate); ok && !slices.Contains(all, p) {
					all = append(all, p)
				}
			}
		}
	}
	return all, g.periods
}

// point is the row's percent break and rate; false where they are not known.
func (r *gatheredRow) point(rate pulse.Quantity) (plot.XY, bool) {
	x, ok := r.value(pulse.BreakPercent)
	y, known := r.value(rate)
	return plot.XY{X: x, Y: y}, ok && known
}

// rateOf is the quantity and the unit of a kind's rate.
func rateOf(m *pulse.Measurement) (q pulse.Quantity, unit string) {
	if m.Interrupter != nil {
		return pulse.RateIPM, "IPM"
	}
	return pulse.RatePPS, "pps"
}

// expanded is the expanded uncertainty of one value; not known without a budget.
func expanded(m *pulse.Measurement, q pulse.Quantity) (u pulse.Num) {
	if b := m.Uncertainty[q]; b != nil {
		u = b.Expanded
	}
	return u
}

// drawings adds the charts of a measurement's values.
func (g *Gathered) drawings(doc *Document, m *pulse.Measurement, trains *trainDigest, profile *pulse.Profile) {
	if len(g.values) == 0 {
		return
	}
	doc.head("Drawings")
	if g.every > 1 {
		doc.tell("", "Of every "+figure.Count(g.every)+" one is drawn, chosen by lot; the worst is that of all.")
	}
	g.drawWorst(doc, m, trains)
	rate, unit := rateOf(m)
	one, many := "pulse", "pulses"
	if m.Interrupter != nil {
		one, many = "cycle", "cycles"
	}
	if points, of := g.points(rate); len(points) > 0 {
		p := &plot.Plane{
			Title: "Rate and percent break of each " + one, Unit: unit, Points: points, Of: of, Name: many,
			U:     plot.XY{X: expanded(m, pulse.BreakPercent).V, Y: expanded(m, rate).V},
			Break: plot.LimitsOf(m, pulse.BreakPercent), Rate: plot.LimitsOf(m, rate),
		}
		if profile != nil && profile.Kind == pulse.KindDial {
			p.Profile = profile
		}
		if latest, ok := g.latest.point(rate); ok {
			p.Latest = &latest
		}
		doc.draw(p.Title, p)
	}
	for _, q := range []pulse.Quantity{pulse.BreakPercent, rate, pulse.BreakMS, pulse.MakeMS, pulse.BounceMS} {
		noun, unit := figure.Quantity(string(q))
		h := &plot.Histogram{Title: upperFirst(noun) + " of each " + one, Quantity: noun, Unit: unit, Limits: plot.LimitsOf(m, q), U: expanded(m, q)}
		limited := h.Limits.Min.OK || h.Limits.Max.OK
		if !limited && (q == pulse.BreakMS || q == pulse.MakeMS) { // percent break says it
			continue
		}
		if q == pulse.BounceMS && m.Settling.Bounced == 0 {
			continue
		}
		if h.Bins = plot.Bins(g.of(q), h.U.V/finestBin); len(h.Bins) > 0 {
			doc.draw(h.Title, h)
		}
	}
	if i := m.Interrupter; i != nil && len(i.Lobes) > 1 {
		l := &plot.Lobes{Title: "Opening error of each lobe, against the median of the lobes", Unit: "ms", Note: "Intervals are ± twice the standard error."}
		for _, x := range i.Lobes {
			l.Lobes = append(l.Lobes, plot.Lobe{Number: x.Lobe, Error: x.OpeningErrorMS, U: 2 * x.OpeningErrorSE.V})
		}
		doc.draw(l.Title, l)
	}
	if t := m.DriveTrain; t != nil && len(t.Shafts) > 0 {
		s := &plot.Gears{Title: "Swing that each shaft makes in the openings", Unit: "ms"}
		for _, x := range t.Shafts {
			s.Shafts = append(s.Shafts, plot.Shaft{
				Name: x.Name, Amplitude: x.AmplitudeMS, U: 2 * x.AmplitudeSEMS.V, Share: x.Share, FalseAlarm: x.FalseAlarm,
				Shown: x.FalseAlarm.OK && x.FalseAlarm.V < shownBelow,
			})
		}
		doc.draw(s.Title, s)
	}
}

// finestBin is how many bins the uncertainty of a value has at most: finer ones
// would show nothing.
const finestBin = 4

// shownBelow is the chance below which a swing is more than noise: one in a
// hundred, as pulse takes it.
const shownBelow = 0.01

// draw adds a chart; its words are the drawing's own.
func (d *Document) draw(title string, x plot.Drawing) {
	d.add(Chart{Title: title, Drawing: x, Words: []Block{Paragraph{Text: x.Alt()}}})
}

// Tails of the worst pulse's drawing, in parts of its break.
const tailOfBreak = 0.4

// drawWorst draws the pulse or cycle whose value decides.
func (g *Gathered) drawWorst(doc *Document, m *pulse.Measurement, trains *trainDigest) {
	if m.Conformity == nil {
		return
	}
	items := append([]pulse.Item{}, m.Conformity.Items...)
	pulse.SortByPriority(items)
	for _, it := range items {
		r, ok := g.worst[it.Quantity+it.Bound]
		if !ok || !it.Observed.OK {
			continue
		}
		ms := func(ns int64) float64 { return float64(ns) / 1e6 }
		brk, tail := ms(r.breakNS), tailOfBreak*ms(r.breakNS)
		next := plot.Span{From: brk, To: brk + tail, State: plot.Closed, Bounce: ms(r.closeBounceNS)}
		spans := []plot.Span{
			{From: -tail, State: plot.Closed, Cut: true},
			{To: brk, Bounce: ms(r.openBounceNS), Text: "break " + figure.Unit(figure.Trimmed(brk, 2), "ms")},
		}
		to := brk + tail
		if r.periodNS > 0 {
			next.To, to = ms(r.periodNS), ms(r.periodNS)+tail
			next.Text = "make " + figure.Unit(figure.Trimmed(ms(r.makeNS), 2), "ms")
			spans = append(spans, next, plot.Span{From: next.To, To: to, Cut: true})
		} else {
			next.Cut = true
			spans = append(spans, next)
		}
		s := &plot.Strip{Title: "The worst against " + limitText(it) + where(trains, it), Unit: "ms", From: -tail, To: to, Rows: []plot.StripRow{{Spans: spans}}}
		limits := plot.LimitsOf(m, pulse.BreakMS)
		if !limits.Min.OK && !limits.Max.OK && r.periodNS > 0 {
			limits = plot.LimitsOf(m, pulse.BreakPercent)
			limits.Min.V *= ms(r.periodNS) / 100
			limits.Max.V *= ms(r.periodNS) / 100
		}
		if limits.Min.OK || limits.Max.OK {
			w := plot.StripWindow{From: 0, To: to, Text: "where the limits let it close"}
			if limits.Min.OK {
				w.From = limits.Min.V
			}
			if limits.Max.OK {
				w.To = limits.Max.V
			}
			s.Windows = []plot.StripWindow{w}
		}
		doc.draw(s.Title, s)
		return
	}
}
