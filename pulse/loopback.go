package pulse

import (
	"cmp"
	"errors"
	"math"
	"slices"
)

// A Driven edge is one that was sent: when its write was done, and the state
// that it was to give the contact.
type Driven struct {
	At     Stamp
	Closed bool
}

// A Loopback is what a chain did to edges that were sent through it, all in
// nanoseconds. The sending end's own part cannot be told from the coupler's
// and is contained in every figure.
type Loopback struct {
	Sent, Seen  int `json:"-"`
	Lost        int `json:"lost_edges"`  // sent but not seen
	Extra       int `json:"extra_edges"` // seen but not sent
	Closings    int `json:"closings"`
	Openings    int `json:"openings"`
	DelayClose  Num `json:"delay_close_ns"` // mean, from the write to the stamp
	DelayOpen   Num `json:"delay_open_ns"`
	EdgeNoise   Num `json:"edge_noise_ns"`  // standard deviation of one edge about its mean delay and the drift
	Asymmetry   Num `json:"asymmetry_ns"`   // opening less closing delay: how much longer makes are shown
	AsymmetryU  Num `json:"asymmetry_u_ns"` // standard uncertainty, its change with the break's length included
	Linearity   Num `json:"linearity_ppm"`  // growth of the break's error with its length
	LinearityU  Num `json:"linearity_u_ppm"`
	DriftNSPerS Num `json:"drift_ns_per_s"` // of the delay
	DriftU      Num `json:"drift_u_ns_per_s"`
	// Lengths are the break lengths sent, each with its mean error.
	Lengths []LoopbackLength `json:"lengths"`
}

// LoopbackLength is the error of the breaks of one length.
type LoopbackLength struct {
	BreakMS float64 `json:"break_ms"` // as sent, to 1 ms
	N       int     `json:"n"`
	ErrorNS float64 `json:"error_ns"` // mean of seen less sent
	SE      Num     `json:"error_se_ns"`
}

// matchEarly is how long before the end of its write an edge may be stamped:
// the stamp is taken while the write is still under way.
const matchEarly = 2e6

// AnalyseLoopback compares the edges that were sent with those that came back.
// Both must be in order of time. It needs at least eight breaks.
func AnalyseLoopback(sent []Driven, seen []Edge, polarity Polarity) (*Loopback, error) {
	type pair struct {
		d      Driven
		delay  float64
		before bool // the edge before it was matched too
	}
	r := &Loopback{Sent: len(sent), Seen: len(seen), Lengths: []LoopbackLength{}}
	var pairs []pair
	j, whole := 0, false
	for i, d := range sent {
		for j < len(seen) && seen[j].At < d.At-matchEarly {
			j++
			r.Extra++
		}
		end := Stamp(math.MaxInt64)
		if i+1 < len(sent) {
			end = sent[i+1].At - matchEarly
		}
		if j < len(seen) && seen[j].At < end && seen[j].Level <= High && polarity.Closed(seen[j].Level) == d.Closed {
			pairs = append(pairs, pair{d, float64(seen[j].At - d.At), whole})
			j++
			whole = true
			continue
		}
		r.Lost++
		whole = false
	}
	r.Extra += len(seen) - j

	var mean [2]Moments
	index := func(closed bool) int {
		if closed {
			return 1
		}
		return 0
	}
	for _, p := range pairs {
		mean[index(p.d.Closed)].Add(p.delay)
	}
	r.Openings, r.Closings = mean[0].N(), mean[1].N()
	if r.Openings < 8 || r.Closings < 8 {
		return r, errors.New("too few edges came back: at least 8 breaks are needed")
	}
	open, _ := mean[0].Mean()
	closing, _ := mean[1].Mean()
	r.DelayOpen, r.DelayClose, r.Asymmetry = Known(open), Known(closing), Known(open-closing)

	// Drift and noise, each sense about its own mean.
	t0 := pairs[0].d.At
	var x, y []float64
	for _, p := range pairs {
		m := closing
		if !p.d.Closed {
			m = open
		}
		x = append(x, float64(p.d.At-t0)/1e9)
		y = append(y, p.delay-m)
	}
	slope, slopeU, rest := line(x, y)
	r.DriftNSPerS, r.DriftU, r.EdgeNoise = slope, slopeU, rest

	// Break by break: error against length.
	groups := map[int64]*Moments{}
	x, y = x[:0], y[:0]
	for i := 1; i < len(pairs); i++ {
		a, b := pairs[i-1], pairs[i]
		if a.d.Closed || !b.d.Closed || !b.before {
			continue
		}
		length := int64(b.d.At - a.d.At)
		x = append(x, float64(length)/1e6)
		y = append(y, b.delay-a.delay)
		ms := (length + 5e5) / 1e6
		if groups[ms] == nil {
			groups[ms] = &Moments{}
		}
		groups[ms].Add(b.delay - a.delay)
	}
	slope, slopeU, _ = line(x, y) // ns per ms is ppm
	r.Linearity, r.LinearityU = slope, slopeU
	var between, within Moments
	for ms, m := range groups {
		e, _ := m.Mean()
		se, ok := m.SE()
		r.Lengths = append(r.Lengths, LoopbackLength{float64(ms), m.N(), e, Num{se, ok}})
		if ok {
			between.Add(e)
			within.Add(se * se)
		}
	}
	slices.SortFunc(r.Lengths, func(a, b LoopbackLength) int { return cmp.Compare(a.BreakMS, b.BreakMS) })
	seOpen, _ := mean[0].SE()
	seClose, _ := mean[1].SE()
	u := seOpen*seOpen + seClose*seClose
	if sd, ok := between.SD(); ok {
		// What the lengths differ by beyond their own noise.
		noise, _ := within.Mean()
		u += max(sd*sd-noise, 0)
	}
	r.AsymmetryU = Known(math.Sqrt(u))
	return r, nil
}

// line fits y = a + b·x by least squares: slope, its standard error and the
// residuals' standard deviation (n − 2). All are unknown below three points or
// when x does not vary; then the deviation about the mean is given if there is
// one.
func line(x, y []float64) (slope, se, sd Num) {
	var mx, my Moments
	for i := range x {
		mx.Add(x[i])
		my.Add(y[i])
	}
	ax, _ := mx.Mean()
	ay, _ := my.Mean()
	var sxx, sxy, syy float64
	for i := range x {
		dx, dy := x[i]-ax, y[i]-ay
		sxx += dx * dx
		sxy += dx * dy
		syy += dy * dy
	}
	if len(x) < 3 || sxx == 0 {
		s, ok := my.SD()
		return Num{}, Num{}, Num{s, ok}
	}
	b := sxy / sxx
	s2 := max(syy-b*sxy, 0) / float64(len(x)-2)
	return Known(b), Known(math.Sqrt(s2 / sxx)), Known(math.Sqrt(s2))
}
