package pulse

// An extremeAt is an extreme value with the pulse or cycle that it belongs to.
type extremeAt struct {
	Value
	at          Stamp
	group, item int  // train and pulse, or cycle and lobe; 0 when there is none
	stretch     int  // of an interrupter: the stretch that counts the lobe
	side        Side // of a bounce
	ok          bool
}

// extremes are the least and the greatest value seen.
type extremes struct{ lo, hi extremeAt }

// see takes the value v, which at describes.
func (e *extremes) see(v float64, at *extremeAt) {
	if !(e.lo.ok && v >= e.lo.V && v <= e.hi.V) { // hardly ever
		e.extend(v, at)
	}
}

func (e *extremes) extend(v float64, at *extremeAt) {
	x := *at
	x.V, x.ok = v, true
	if !e.lo.ok || v < e.lo.V {
		e.lo = x
	}
	if !e.hi.ok || v > e.hi.V {
		e.hi = x
	}
}

// inMS gives the extremes of values in ns in ms.
func (e extremes) inMS() extremes {
	e.lo.V, e.hi.V = ms(e.lo.V), ms(e.hi.V)
	return e
}

// of gives the extremes of what f makes of their breaks and periods.
func (e extremes) of(f func(breakNS, periodNS int64) float64) extremes {
	e.lo.V, e.hi.V = f(e.lo.BreakNS, e.lo.PeriodNS), f(e.hi.BreakNS, e.hi.PeriodNS)
	return e
}

// swapped is for a value that falls as the one that was seen rises.
func (e extremes) swapped() extremes { return extremes{e.hi, e.lo} }

// A sample is all values of a quantity, in its unit. fill is as for statOf. The
// zero value is empty.
type sample struct {
	n    int
	fill func(dst []float64, from int)
	extremes
}

func (s *sample) stat() Stat { return statOf(s.n, s.fill) }

// tasks are what is left to do when all edges have been read. They do not touch
// each other's results, so they may run at the same time.
type tasks []func()

// stat adds the task of summarising s into to.
func (l *tasks) stat(to *Stat, s sample) { *l = append(*l, func() { *to = s.stat() }) }

func ms(ns float64) float64 { return ns / 1e6 }

// percent is 100·b/t. It divides last, so that round limits stay round.
func percent(b, t int64) float64 { return 100 * float64(b) / float64(t) }

func ratio(b, t int64) float64 { return float64(b) / float64(t-b) }

// pairs is a sample of a function of each break and its period.
func pairs(brk, per *durations, x extremes, f func(b, t int64) float64) sample {
	return sample{per.Len(), func(dst []float64, from int) {
		var b, t [256]int64
		for len(dst) > 0 {
			n := min(len(dst), len(b))
			brk.Fill(b[:n], from)
			per.Fill(t[:n], from)
			for i := range n {
				dst[i] = f(b[i], t[i])
			}
			dst, from = dst[n:], from+n
		}
	}, x.of(f)}
}

type durationStore interface {
	Len() int
	FillFloat(dst []float64, from int, unitNS float64)
}

// joined is the sample in ms of several stores, one after the other.
func joined(x extremes, stores ...durationStore) sample {
	n := 0
	for _, s := range stores {
		n += s.Len()
	}
	return sample{n, func(dst []float64, from int) {
		for _, s := range stores {
			if from >= s.Len() {
				from -= s.Len()
				continue
			}
			k := min(len(dst), s.Len()-from)
			s.FillFloat(dst[:k], from, 1e6)
			if dst, from = dst[k:], 0; len(dst) == 0 {
				return
			}
		}
	}, x.inMS()}
}

// bounces keeps the bounce of transitions.
type bounces struct {
	lengths histogram
	extremes
}

// add takes a bounce that began at a time, 0 for a clean transition. at tells
// the pulse that it belongs to.
func (b *bounces) add(ns int64, start Stamp, side Side, at *extremeAt) {
	if ns == 0 {
		b.lengths.zeros++ // mostly
	} else {
		b.addLong(ns, start, side, *at)
	}
}

func (b *bounces) addLong(ns int64, start Stamp, side Side, at extremeAt) {
	b.lengths.add(ns)
	at.at, at.side, at.Value = start, side, Value{BreakNS: ns}
	b.see(float64(ns), &at)
}

// sample gives the bounces in ms. A clean transition is told to be at the start
// of the recording.
func (b *bounces) sample(start Stamp) sample {
	x := b.extremes
	if clean := b.lengths.zeros; clean > 0 {
		x.lo = extremeAt{ok: true, at: start}
		if clean == b.lengths.Len() {
			x.hi = x.lo
		}
	}
	return joined(x, &b.lengths)
}
