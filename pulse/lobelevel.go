package pulse

import (
	"math"
	"slices"
)

const (
	// levelBins are the parts of a record in which the movement of lobes is compared:
	// enough to see a step, and few enough for the noise of each to be small.
	levelBins = 10
	// levelRoom is how many times as much as the middle lobe one may move and still
	// count as one that keeps its place. Of ten parts with noise alone, one in some
	// hundreds moves more; a lobe whose change is shown moves far more.
	levelRoom = 2.5
)

// A lobeLevel is what the errors of lobes are about over a whole record. A median
// in each window moves when one lobe moves, and then all errors change: here each
// window's level is the mean of the lobes that keep their places among one another,
// each less its own mean, so that a lobe that moves does not count. Over the record,
// the median of the lobes' mean errors is 0.
type lobeLevel struct {
	keeps []bool    // its place
	base  []float64 // mean of each lobe, about the level
	mid   float64   // median of base
	pick  func(*LobeWindow) *WindowMean
}

func newLobeLevel(own []Window, lobes int, pick func(*LobeWindow) *WindowMean) *lobeLevel {
	l := &lobeLevel{keeps: keepers(own, lobes, pick), base: make([]float64, lobes), pick: pick}
	// Where a lobe is missing in some windows, its mean and their levels depend on one
	// another; where none is, the second round changes nothing.
	const rounds = 8
	for range rounds {
		sum, n := make([]float64, lobes), make([]float64, lobes)
		for i := range own {
			level, ok := l.of(&own[i])
			if !ok {
				continue
			}
			for j := range own[i].Lobes {
				m := pick(&own[i].Lobes[j])
				sum[j] += float64(m.N) * (m.Mean - level)
				n[j] += float64(m.N)
			}
		}
		change := 0.0
		for j := range n {
			if n[j] > 0 {
				change = max(change, math.Abs(sum[j]/n[j]-l.base[j]))
				l.base[j] = sum[j] / n[j]
			}
		}
		if change == 0 {
			break
		}
	}
	var all []float64
	for j := range l.base {
		if slices.ContainsFunc(own, func(w Window) bool { return j < len(w.Lobes) && pick(&w.Lobes[j]).N > 0 }) {
			all = append(all, l.base[j])
		}
	}
	if len(all) > 0 {
		l.mid = median(all)
	}
	return l
}

// of is the level of a window. It is not ok where no lobe tells it.
func (l *lobeLevel) of(w *Window) (level float64, ok bool) {
	n := 0.0
	for j := range min(len(w.Lobes), len(l.base)) {
		if m := l.pick(&w.Lobes[j]); l.keeps[j] && m.N > 0 {
			level += float64(m.N) * (m.Mean - l.base[j])
			n += float64(m.N)
		}
	}
	return level / max(n, 1), n > 0
}

// keepers tells the lobes that move least against the others: more than half of
// them, and all that move hardly more than these.
func keepers(own []Window, lobes int, pick func(*LobeWindow) *WindowMean) []bool {
	keeps := make([]bool, lobes)
	for j := range keeps {
		keeps[j] = true
	}
	bins := min(levelBins, len(own)/stepMargin)
	if lobes < 3 || bins < 2 {
		return keeps
	}
	// apart[j][k] is how much the distance of two lobes varies over the bins. Only
	// windows that have both tell it.
	apart := make([][]float64, lobes)
	for j := range lobes {
		for k := range j {
			var m moments
			for b := range bins {
				sum, weight := 0.0, 0.0
				for i := b * len(own) / bins; i < (b+1)*len(own)/bins; i++ {
					if j >= len(own[i].Lobes) {
						continue
					}
					x, y := pick(&own[i].Lobes[j]), pick(&own[i].Lobes[k])
					if x.N > 0 && y.N > 0 {
						w := 1 / (1/float64(x.N) + 1/float64(y.N))
						sum += w * (x.Mean - y.Mean)
						weight += w
					}
				}
				if weight > 0 {
					m.Add(sum / weight)
				}
			}
			if sd, ok := m.SD(); ok {
				apart[j], apart[k] = append(apart[j], sd*sd), append(apart[k], sd*sd)
			}
		}
	}
	moves := make([]float64, 0, lobes) // of those that are seen
	of := make([]float64, lobes)
	for j := range lobes {
		// A majority keeps its places: one of them is near so many others.
		if near := lobes / 2; len(apart[j]) >= near {
			slices.Sort(apart[j])
			of[j] = apart[j][near-1]
			moves = append(moves, of[j])
		} else {
			keeps[j] = false
		}
	}
	if len(moves) == 0 { // no two lobes in common: nothing to choose by
		for j := range keeps {
			keeps[j] = true
		}
		return keeps
	}
	slices.Sort(moves)
	most := levelRoom * moves[len(moves)/2]
	for j := range keeps {
		keeps[j] = keeps[j] && of[j] <= most
	}
	return keeps
}

// levelled gives windows whose lobes' errors are about the levels of the record. The
// breaks are what they were: LobeBreakMS moves as the errors do.
func levelled(windows []Window, opening, brk *lobeLevel) []Window {
	out := slices.Clone(windows)
	for i := range out {
		w := &out[i]
		if w.Lobes == nil {
			continue
		}
		w.Lobes = slices.Clone(w.Lobes)
		for _, l := range []*lobeLevel{opening, brk} {
			level, ok := l.of(w)
			level += l.mid
			for j := range w.Lobes {
				if m := l.pick(&w.Lobes[j]); ok {
					m.shift(-level)
				} else {
					*m = WindowMean{}
				}
			}
			if l == brk && ok {
				w.LobeBreakMS.V += level
			}
		}
	}
	return out
}
