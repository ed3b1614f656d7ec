package archive

import (
	"context"
	"errors"
	"io"
	"math"
	"slices"
	"strconv"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/live"
	"makebreak/daemon/plot"
	"makebreak/daemon/store"
	"makebreak/daemon/stretch"
	"makebreak/daemon/web"
	"makebreak/pulse"
)

const (
	// mostPoints of a trend are told apart on a desk, and are as many windows as a
	// slope is worked out from.
	mostPoints = 240
	// mostMarks of notes and findings are told apart in a drawing; notes come first.
	mostMarks = 24
	// recentTime is how much the histograms are of: some minutes of the end of the
	// stretch, which are some thousand pulses, measured in some tens of ms.
	recentTime = 10 * time.Minute
	// leastSpan of an axis, of a rate relative to it: less is not known.
	leastSpan = 1e-4
)

// drawing makes a web.Drawing of one that plot makes.
func drawing(id, title string, d plot.Drawing, lines ...string) web.Drawing {
	return web.Drawing{ID: id, Title: title, Words: d.Alt(), Lines: lines, SVG: func(w io.Writer, width int) error { return plot.SVG(w, d, width) }}
}

// rateUnit is that of a contact's rate, and how many of them one period in ns makes.
func rateUnit(k pulse.Kind) (q pulse.Quantity, unit string, perNS float64) {
	if k == pulse.KindInterrupter {
		return pulse.RateIPM, "IPM", 60e9
	}
	return pulse.RatePPS, "pps", 1e9
}

// stepOf is how long a point of a trend lasts: whole minutes, as the log has them.
func stepOf(length time.Duration) time.Duration {
	return max(time.Duration(math.Ceil(length.Minutes()/mostPoints))*time.Minute, time.Minute)
}

// trends reads what the log has of a stretch; nil where that is nothing.
func (a *Archive) trends(ctx context.Context, f *live.Figures, s web.Stretch) (*trends, error) {
	span, tl, err := a.span(ctx, f.Name, s)
	if err != nil {
		return nil, err
	}
	end := tl.End()
	if span.To > 0 {
		end = min(end, span.To)
	}
	from := span.From
	if from == 0 {
		from = tl.Sessions[0].Start.Run
	}
	if end <= from {
		return nil, nil
	}
	step := stepOf(time.Duration(end - from))
	all, err := a.log.Buckets(ctx, span, f.Name, step)
	if err != nil {
		return nil, err
	}
	entries, err := stretch.EntriesOf(ctx, a.log, span, f.Name, true)
	if err != nil {
		return nil, err
	}
	t := &trends{a: a, f: f, tl: tl, step: step, from: s.From, to: s.To}
	if first := tl.At(max(from, tl.Sessions[0].Start.Run)).Wall; t.from.Before(first) { // the log is younger
		t.from = first
	}
	if t.to.IsZero() {
		t.to = tl.At(end).Wall
	}
	t.marksOf(entries)
	for i := range all {
		if w, ok := all[i].Window(f.Kind, len(f.SegmentsMS)/2); ok {
			t.windows, t.of = append(t.windows, w), append(t.of, &all[i])
		}
	}
	if len(t.windows) > 0 {
		opt := pulse.DriftOptions{WindowNS: int64(step), Limits: f.Limits}
		notes, err := a.log.Notes(ctx, span, f.Name)
		if err != nil {
			return nil, err
		}
		for i := range notes {
			if notes[i].Worked() {
				opt.Splits = append(opt.Splits, notes[i].At.Run)
			}
		}
		t.drift = pulse.DriftOf(slices.Clone(t.windows), f.Kind, t.windows[0].From, &opt)
	}
	return t, nil
}

// Trend implements web.Archive.
func (a *Archive) Trend(ctx context.Context, f *live.Figures, s web.Stretch) ([]web.Drawing, error) {
	if f.Kind == pulse.KindAuto {
		return nil, nil
	}
	t, err := a.trends(ctx, f, s)
	if err != nil || t == nil {
		return nil, err
	}
	rate, unit, per := rateUnit(f.Kind)
	drawings := []web.Drawing{
		t.draw("trend-rate", "Rate", "rate", unit, rate,
			func(d *pulse.Drift) *pulse.Trend { return d.Rate },
			func(w *pulse.Window, m *store.Summary) (pulse.WindowMean, pulse.Num, pulse.Num) {
				return w.Rate, value(per, m.Period.MaxNS, true), value(per, m.Period.MinNS, true)
			}),
		t.draw("trend-percent", "Percent break", "percent break", "%", pulse.BreakPercent,
			func(d *pulse.Drift) *pulse.Trend { return d.BreakPercent },
			func(w *pulse.Window, _ *store.Summary) (pulse.WindowMean, pulse.Num, pulse.Num) {
				return w.BreakPercent, pulse.Num{}, pulse.Num{}
			}),
	}
	if len(f.SegmentsMS) <= 2 {
		drawings = append(drawings, t.draw("trend-break", "Break", "break", "ms", pulse.BreakMS,
			func(d *pulse.Drift) *pulse.Trend { return d.BreakMS },
			func(w *pulse.Window, m *store.Summary) (pulse.WindowMean, pulse.Num, pulse.Num) {
				return w.BreakMS, value(1e-6, m.Break.MinNS, false), value(1e-6, m.Break.MaxNS, false)
			}))
	}
	return drawings, nil
}

// value is ns by a scale, or the scale by ns; unknown for 0.
func value(scale float64, ns int64, inverse bool) pulse.Num {
	switch {
	case ns <= 0:
		return pulse.Num{}
	case inverse:
		return pulse.Known(scale / float64(ns))
	}
	return pulse.Known(scale * float64(ns))
}

// trends draws the quantities of one stretch.
type trends struct {
	a        *Archive
	f        *live.Figures
	tl       *store.Timeline
	step     time.Duration
	from, to time.Time
	windows  []pulse.Window
	of       []*store.Summary
	drift    *pulse.Drift // nil without windows
	marks    []plot.Mark
}

// marksOf takes the latest notes and findings that can be shown.
func (t *trends) marksOf(entries stretch.Entries) {
	for _, notes := range []bool{true, false} {
		for _, e := range slices.Backward(entries.Notes) {
			kind, isNote := plot.MarkFinding, e.Kind == "note" || e.Kind == string(store.AsFound) || e.Kind == string(store.AsLeft)
			if isNote {
				kind = plot.MarkNote
			}
			if isNote != notes || len(t.marks) >= mostMarks || !isNote && (e.Contact == nil || len(t.marks) >= mostMarks/2) {
				continue
			}
			text := e.Text
			if isNote && e.Kind != "note" {
				text = e.Kind + ": " + text
			}
			t.marks = append(t.marks, plot.Mark{At: e.At, Kind: kind, Text: text})
		}
	}
	slices.SortStableFunc(t.marks, func(a, b plot.Mark) int { return a.At.Compare(b.At) })
}

func (t *trends) draw(id, title, quantity, unit string, q pulse.Quantity, trend func(*pulse.Drift) *pulse.Trend,
	mean func(*pulse.Window, *store.Summary) (m pulse.WindowMean, low, high pulse.Num)) web.Drawing {
	low, high := limitsOf(t.f, q)
	p := &plot.Trend{Title: title, Quantity: quantity, Unit: unit, From: t.from, To: t.to, Zone: t.a.zone, Limits: plot.Limits{Min: low, Max: high}, Marks: slices.Clone(t.marks)}
	var last pulse.Stamp
	for i := range t.windows {
		w := &t.windows[i]
		m, least, most := mean(w, t.of[i])
		if m.N == 0 {
			continue
		}
		at := t.tl.At(w.From + pulse.Stamp(t.step)/2).Wall
		if last != 0 && w.From-last > 2*pulse.Stamp(t.step) {
			p.Gaps = append(p.Gaps, plot.Gap{From: t.tl.At(last + pulse.Stamp(t.step)).Wall, To: t.tl.At(w.From).Wall})
		}
		last = w.From
		p.Points = append(p.Points, plot.TrendPoint{At: at, V: m.Mean, U: 2 * m.SE, Low: least, High: most})
	}
	if n := len(p.Points); n > 0 {
		p.Least = leastSpan * math.Abs(p.Points[n-1].V)
	}
	var lines []string
	if t.drift != nil {
		if x := trend(t.drift); x != nil {
			lines = t.explain(p, x, unit)
		}
	}
	return drawing(id, title, p, lines...)
}

// explain draws the line or the step that explains the values, and the forecast.
func (t *trends) explain(p *plot.Trend, x *pulse.Trend, unit string) (lines []string) {
	origin := t.windows[0].From
	wall := func(s float64) time.Time { return t.tl.At(origin + pulse.Stamp(s*1e9)).Wall }
	from, to := float64(t.drift.FromS), float64(t.drift.ToS)
	u := figure.Unit
	if unit == "%" {
		unit = "percentage points"
	}
	switch {
	case x.Better == pulse.BetterStep && x.Step != nil && x.StepBefore.OK:
		at, after := wall(float64(x.Step.AtS)), x.StepBefore.V+x.Step.Size.V
		p.Fit = []plot.TrendPoint{{At: wall(from), V: x.StepBefore.V}, {At: at, V: x.StepBefore.V}, {At: at, V: after}, {At: wall(to), V: after}}
		size := u(figure.Signed(x.Step.Size.V, (x.Step.High.V-x.Step.Low.V)/2), unit)
		p.Marks = append(p.Marks, plot.Mark{At: at, Kind: plot.MarkStep, Text: "step of " + size})
		lines = append(lines, "A step of "+size+" at "+at.In(t.a.zone).Format("2 January 15:04")+" explains it best.")
	case x.Drifts() && x.LevelAtEnd.OK && x.SlopePerHour.OK:
		start := x.LevelAtEnd.V - x.SlopePerHour.V*(to-from)/3600
		p.Fit = []plot.TrendPoint{{At: wall(from), V: start}, {At: wall(to), V: x.LevelAtEnd.V}}
		lines = append(lines, "It drifts by "+u(figure.Signed(24*x.SlopePerHour.V, 12*(x.High.V-x.Low.V)), unit)+" a day.")
	case x.ProvesPerHour.OK:
		lines = append(lines, "No drift is shown: less than "+u(figure.NonZero(24*x.ProvesPerHour.V, 4), unit)+" a day.")
	}
	if c := x.CrossesLimitInHours; c != nil && !c.Beyond && c.Estimate.OK && x.LevelAtEnd.OK && x.Drifts() {
		// Not further ahead than what was seen, so that that stays most of the drawing.
		ahead := min(c.Estimate.V, t.to.Sub(t.from).Hours())
		end := wall(to)
		p.Forecast = &plot.Forecast{From: end, To: end.Add(time.Duration(ahead * float64(time.Hour))), Start: x.LevelAtEnd.V,
			V: x.LevelAtEnd.V + ahead*x.SlopePerHour.V, Low: x.LevelAtEnd.V + ahead*x.Low.V, High: x.LevelAtEnd.V + ahead*x.High.V}
		lines = append(lines, "If it goes on so, its mean reaches the limit of "+figure.Trimmed(c.Limit, 4)+" about "+end.Add(time.Duration(c.Estimate.V*float64(time.Hour))).In(t.a.zone).Format("2 January 2006")+".")
	}
	return lines
}

// Details implements web.Archive.
func (a *Archive) Details(ctx context.Context, f *live.Figures, s web.Stretch) (all []web.Drawing, err error) {
	if f.Kind == pulse.KindAuto {
		return nil, nil
	}
	if all, err = a.recent(ctx, f, s); err != nil {
		return nil, err
	}
	if len(f.Changes.Lobes) > 0 {
		d, err := a.lobes(ctx, f)
		if err != nil {
			return nil, err
		}
		all = append(all, d)
	}
	if g := f.Changes.Train; g != nil && slices.ContainsFunc(g.Shafts, func(s pulse.ShaftSwing) bool { return s.AmplitudeMS.OK }) {
		all = append(all, gears(g))
	}
	if len(f.Changes.Deviations) > 0 {
		x := &plot.Stability{Title: "How steadily it keeps time", About: "Overlapping Allan deviation of the speed, by the last openings", X: "averaging time, s", Y: "deviation, parts per million"}
		for _, d := range f.Changes.Deviations {
			pt := d.StabilityPoint
			for _, n := range []*pulse.Num{&pt.Deviation, &pt.Low, &pt.High} {
				n.V *= 1e6
			}
			x.Curve = append(x.Curve, pt)
		}
		all = append(all, drawing("deviation", "Deviation over averaging time", x))
	}
	return all, nil
}

// recent draws the pulses of the last minutes of a stretch.
func (a *Archive) recent(ctx context.Context, f *live.Figures, s web.Stretch) (all []web.Drawing, err error) {
	_, unit, per := rateUnit(f.Kind)
	var breaks, makes, rates []float64
	var points []plot.XY
	add := func(breakNS, periodNS int64) {
		if periodNS <= 0 {
			return
		}
		rate := per / float64(periodNS)
		rates = append(rates, rate)
		points = append(points, plot.XY{X: 100 * float64(breakNS) / float64(periodNS), Y: rate})
	}
	err = a.work(ctx, func(ctx context.Context) error {
		_, tl, err := a.span(ctx, f.Name, s)
		if err != nil {
			return err
		}
		end := tl.At(tl.End()).Wall
		if !s.To.IsZero() && s.To.Before(end) {
			end = s.To
		}
		from := end.Add(-recentTime)
		if s.From.After(from) {
			from = s.From
		}
		if !from.Before(end) {
			return nil
		}
		src, err := a.source(ctx, f.Name, web.Stretch{From: from, To: end})
		if err != nil {
			return err
		}
		defer src.Close()
		cfg, err := src.Configure(ctx, &stretch.Wishes{})
		if err != nil {
			return err
		}
		cfg.Observer = pulse.Tee(cfg.Observer, pulse.Observer{
			Pulse: func(r *pulse.PulseRow) {
				if r.Counts() {
					breaks = append(breaks, float64(r.BreakNS)/1e6)
					if r.MakeNS > 0 {
						makes = append(makes, float64(r.MakeNS)/1e6)
					}
					add(r.BreakNS, r.PeriodNS)
				}
			},
			Cycle: func(r *pulse.CycleRow) {
				if r.Whole {
					add(r.BreakNS, r.PeriodNS)
					if len(r.SegmentsNS) <= 2 {
						breaks, makes = append(breaks, float64(r.BreakNS)/1e6), append(makes, float64(r.MakeNS)/1e6)
					}
				}
			},
		})
		_, _, err = src.Measure(ctx, cfg, nil)
		return err
	})
	if err = asked(err); err != nil {
		var none *web.RequestError
		if errors.As(err, &none) { // there is nothing then, or no time to look
			return nil, nil
		}
		return nil, err
	}
	limit := func(q pulse.Quantity) plot.Limits {
		low, high := limitsOf(f, q)
		return plot.Limits{Min: low, Max: high}
	}
	rate, _, _ := rateUnit(f.Kind)
	if len(points) > 0 {
		p := &plot.Plane{Title: "Rate and percent break", Unit: unit, Points: points, Rate: limit(rate), Break: limit(pulse.BreakPercent), Name: "pulses"}
		if f.Kind == pulse.KindInterrupter {
			p.Name = "cycles"
		}
		all = append(all, drawing("plane-log", "The last minutes in the plane of rate and percent break", p))
	}
	for _, h := range []struct {
		id, name, unit string
		q              pulse.Quantity
		values         []float64
	}{{"histogram-rate", "rate", unit, rate, rates}, {"histogram-break", "break", "ms", pulse.BreakMS, breaks}, {"histogram-make", "make", "ms", pulse.MakeMS, makes}} {
		if len(h.values) == 0 {
			continue
		}
		u := pulse.Num{}
		for i := range f.Items {
			if it := &f.Items[i]; it.Limits.Quantity == h.q {
				u = it.ExpandedU
			}
		}
		title := "How often each " + h.name + " came"
		all = append(all, drawing(h.id, title, &plot.Histogram{Title: title, Quantity: h.name, Unit: h.unit, Bins: plot.Bins(h.values, 1e-3), Limits: limit(h.q), U: u,
			Note: "The last " + figure.Count(len(h.values)) + " of the stretch, from at most 10 minutes."}))
	}
	return all, nil
}

// lobes draws the errors of the lobes now and after the last work.
func (a *Archive) lobes(ctx context.Context, f *live.Figures) (d web.Drawing, err error) {
	p := &plot.Lobes{Title: "Errors of the lobes at their opening", Unit: "ms"}
	for i, l := range f.Changes.Lobes {
		x := plot.Lobe{Number: i + 1}
		if l.Opening.N > 0 {
			x.Error, x.U = pulse.Known(l.Opening.Mean), 2*l.Opening.SE
		}
		p.Lobes = append(p.Lobes, x)
	}
	tl, err := a.log.TimelineOf(ctx, 0, f.Name)
	if err != nil {
		return d, err
	}
	notes, err := a.log.Notes(ctx, store.Span{Run: tl.ID}, f.Name)
	if err != nil {
		return d, err
	}
	var left *store.Note
	for i := range notes {
		if notes[i].State == store.AsLeft {
			left = &notes[i]
		}
	}
	var lines []string
	if left != nil {
		if lines, err = a.lobesSince(ctx, f, tl, left, p); err != nil {
			return d, err
		}
	}
	return drawing("lobes", "Lobe signature", p, lines...), nil
}

// afterWork is how much of the time after work on a contact its lobes are compared
// with: long enough for some thousand turns.
const afterWork = pulse.Stamp(3 * 3600e9)

// lobesSince adds the errors that the lobes had when the contact was left.
func (a *Archive) lobesSince(ctx context.Context, f *live.Figures, tl *store.Timeline, left *store.Note, p *plot.Lobes) (lines []string, err error) {
	hours, err := a.log.LobeHours(ctx, store.Span{Run: tl.ID, From: max(left.At.Run, 1)}, f.Name)
	if err != nil || len(hours) == 0 {
		return nil, err
	}
	ones, err := a.log.LobeOnes(ctx, f.Name)
	if err != nil {
		return nil, err
	}
	numbering, one := hours[len(hours)-1].Numbering, 1
	for _, o := range ones {
		if o.Numbering == numbering && o.Lobes == len(p.Lobes) {
			one = max(o.Lobe, 1)
		}
	}
	n, sum := make([]float64, len(p.Lobes)), make([]float64, len(p.Lobes))
	for _, h := range hours {
		if h.Numbering != numbering || len(h.Figures) != len(p.Lobes) || h.At.Run > hours[0].At.Run+afterWork {
			continue
		}
		for i, l := range h.Figures {
			shown := (i + 1 - one + len(p.Lobes)) % len(p.Lobes)
			n[shown] += float64(l.Opening.N)
			sum[shown] += float64(l.Opening.N) * float64(l.Opening.Mean)
		}
	}
	worst, change := -1, 0.0
	for i := range p.Lobes {
		if n[i] == 0 {
			continue
		}
		p.Lobes[i].Reference = pulse.Known(sum[i] / n[i])
		if d := p.Lobes[i].Error.V - sum[i]/n[i]; p.Lobes[i].Error.OK && (worst < 0 || math.Abs(d) > math.Abs(change)) {
			worst, change = i, d
		}
	}
	if worst < 0 {
		return nil, nil
	}
	p.Earlier = "as left " + left.At.Wall.In(a.zone).Format("2 January")
	u := max(p.Lobes[worst].U, 1e-3)
	return []string{"Since it was left on " + left.At.Wall.In(a.zone).Format("2 January") + ", lobe " + strconv.Itoa(worst+1) + " has changed most: by " + figure.Unit(figure.Signed(change, u), "ms") + "."}, nil
}

// gears draws what the shafts of the drive do.
func gears(t *pulse.DriveTrain) web.Drawing {
	p := &plot.Gears{Title: "What each shaft swings", Unit: "ms"}
	var lines []string
	for i := range t.Shafts {
		s := &t.Shafts[i]
		x := plot.Shaft{Name: s.Name, Amplitude: s.AmplitudeMS, Share: s.Share, FalseAlarm: s.FalseAlarm, Shown: s.Found()}
		if s.AmplitudeLowMS.OK && s.AmplitudeHighMS.OK {
			x.U = (s.AmplitudeHighMS.V - s.AmplitudeLowMS.V) / 2
		}
		if s.Found() && s.AmplitudeMS.OK {
			lines = append(lines, "The shaft "+s.Name+" swings the openings by ± "+figure.Unit(figure.Fixed(s.AmplitudeMS.V, figure.Decimals(max(x.U, 1e-3))), "ms")+".")
		}
		p.Shafts = append(p.Shafts, x)
	}
	return drawing("gears", "Gears", p, lines...)
}
