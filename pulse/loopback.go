package pulse

import (
	"errors"
	"maps"
	"math"
	"slices"
)

// A Driven edge is one that was sent: when its write was done, and the state
// that it was to give the contact.
type Driven struct {
	At     Stamp
	Closed bool
}

// A Loopback is what a measuring chain did to edges that were sent through it,
// all in nanoseconds. The part of the sending end cannot be told from that of
// the opto-coupler, and is in every figure.
type Loopback struct {
	Sent, Seen  int `json:"-"`
	Lost        int `json:"lost_edges"`  // sent but not seen
	Extra       int `json:"extra_edges"` // seen but not sent
	Closings    int `json:"closings"`
	Openings    int `json:"openings"`
	DelayClose  Num `json:"delay_close_ns"` // mean, from the write to the stamp
	DelayOpen   Num `json:"delay_open_ns"`
	EdgeNoise   Num `json:"edge_noise_ns"`  // standard deviation of one edge from its mean delay and the drift
	Asymmetry   Num `json:"asymmetry_ns"`   // opening delay less closing delay: how much longer makes are shown
	AsymmetryU  Num `json:"asymmetry_u_ns"` // standard uncertainty, including its change with the length of the break
	Linearity   Num `json:"linearity_ppm"`  // growth of the error of a break with its length
	LinearityU  Num `json:"linearity_u_ppm"`
	DriftNSPerS Num `json:"drift_ns_per_s"` // of the delay
	DriftU      Num `json:"drift_u_ns_per_s"`
	// Lengths are the lengths of the breaks that were sent, each with its mean error.
	Lengths []LoopbackLength `json:"lengths"`
}

// LoopbackLength is the error of the breaks of one length.
type LoopbackLength struct {
	BreakMS float64 `json:"break_ms"` // as sent, to 1 ms
	N       int     `json:"n"`
	ErrorNS float64 `json:"error_ns"` // mean of seen less sent
	SE      Num     `json:"error_se_ns"`
}

const (
	// matchEarly is how long before the end of its write an edge may be stamped:
	// the stamp is taken while the write is still under way.
	matchEarly = 2e6
	// minLoopbackBreaks is the least number of breaks that tell a noise.
	minLoopbackBreaks = 8
)

// AnalyseLoopback compares the edges that were sent with those that came back.
// Both must be in order of time. It needs at least eight breaks.
func AnalyseLoopback(sent []Driven, seen []Edge, polarity Polarity) (*Loopback, error) {
	type pair struct {
		Driven
		delay  float64
		before bool // the edge sent before it came back too
	}
	r := &Loopback{Sent: len(sent), Seen: len(seen), Lengths: []LoopbackLength{}}
	var pairs []pair
	var opening, closing moments // delays
	j, before := 0, false
	for i, d := range sent {
		for j < len(seen) && seen[j].At < d.At-matchEarly {
			j++
			r.Extra++
		}
		end := Stamp(math.MaxInt64)
		if i+1 < len(sent) {
			end = sent[i+1].At - matchEarly
		}
		if j == len(seen) || seen[j].At >= end || seen[j].Level > High || polarity.Closed(seen[j].Level) != d.Closed {
			r.Lost++
			before = false
			continue
		}
		p := pair{d, float64(seen[j].At - d.At), before}
		pairs = append(pairs, p)
		if d.Closed {
			closing.Add(p.delay)
		} else {
			opening.Add(p.delay)
		}
		j++
		before = true
	}
	r.Extra += len(seen) - j
	r.Openings, r.Closings = opening.N(), closing.N()
	if r.Openings < minLoopbackBreaks || r.Closings < minLoopbackBreaks {
		return r, errors.New("too few edges came back: at least 8 breaks are needed")
	}
	open, _ := opening.Mean()
	closed, _ := closing.Mean()
	r.DelayOpen, r.DelayClose, r.Asymmetry = Known(open), Known(closed), Known(open-closed)

	var drift lineFit     // of the delays from their means, ns a second
	var linearity lineFit // of the errors of breaks over their lengths: ns a ms is ppm
	lengths := map[int64]*moments{}
	for i, p := range pairs {
		mean := open
		if p.Closed {
			mean = closed
		}
		drift.add(float64(p.At-pairs[0].At)/1e9, p.delay-mean)
		if i == 0 || !p.Closed || !p.before || pairs[i-1].Closed {
			continue
		}
		length, e := int64(p.At-pairs[i-1].At), p.delay-pairs[i-1].delay
		linearity.add(ms(float64(length)), e)
		rounded := (length + 5e5) / 1e6
		if lengths[rounded] == nil {
			lengths[rounded] = &moments{}
		}
		lengths[rounded].Add(e)
	}
	r.DriftNSPerS, r.DriftU, r.EdgeNoise = drift.slope()
	r.Linearity, r.LinearityU, _ = linearity.slope()
	var between, within moments
	for _, length := range slices.Sorted(maps.Keys(lengths)) {
		m := lengths[length]
		e, _ := m.Mean()
		se, ok := m.SE()
		r.Lengths = append(r.Lengths, LoopbackLength{float64(length), m.N(), e, Num{se, ok}})
		if ok {
			between.Add(e)
			within.Add(se * se)
		}
	}
	seOpen, _ := opening.SE()
	seClosed, _ := closing.SE()
	variance := seOpen*seOpen + seClosed*seClosed
	if sd, ok := between.SD(); ok {
		// What the lengths differ by beyond their own noise.
		noise, _ := within.Mean()
		variance += max(sd*sd-noise, 0)
	}
	r.AsymmetryU = Known(math.Sqrt(variance))
	return r, nil
}
