package pulse

import (
	"math"
	"math/big"
	"slices"
)

const (
	// unlistedRounds of taking up what is not listed and looking again: the strongest
	// hide the others.
	unlistedRounds = 2
	// nearShaft is how close, in parts of its turns, something must be to a shaft to
	// ask whether its teeth are right: one tooth in twenty.
	nearShaft = 0.05
	// toothSlips is by how many teeth a count may well be wrong.
	toothSlips = 3
	// strongSwing is in standard errors. The polynomials make up to 3 % of a swing
	// into others, so a weaker one makes none that is found.
	strongSwing = 30
)

// An extraTurn is something that turns and is no shaft of the train. A strong one
// that is not fitted with the shafts would make swings of theirs, by the
// polynomials of the blocks.
type extraTurn struct {
	order  float64
	alike  []float64
	found  float64 // false alarm when it was found
	*swing         // of the latest fit; nil where it could not be told there
	share  Num
	alarm  float64
}

func (f *driveFit) extraOrders() (orders []float64) {
	for _, e := range f.extra {
		orders = append(orders, e.order)
	}
	return orders
}

// judgeExtra gives what is not listed the swings of a fit, in which it came after
// so many shafts.
func (f *driveFit) judgeExtra(swings map[int]*swing, shafts int) {
	for i, e := range f.extra {
		e.swing = swings[shafts+i]
	}
}

// takeUp has the next fit begin with what was found, and without what it made
// vanish. It is false where nothing was found that was not fitted already.
func (f *driveFit) takeUp() bool {
	f.more = slices.DeleteFunc(f.more, func(e *extraTurn) bool { return e.amplitude() < strongSwing*e.se })
	if len(f.more) == 0 {
		return false
	}
	f.extra = slices.DeleteFunc(f.extra, func(e *extraTurn) bool { return e.swing == nil || e.alarm >= foundBelow })
	f.extra, f.more = append(f.extra, f.more...), nil
	return true
}

// peak gives the order near a place of the spectrum that explains most of the
// openings: neighbours and the window of the record shift that of the spectrum.
func (f *driveFit) peak(order, step float64) float64 {
	s := f.series[0]
	power := func(order float64) float64 {
		w := newWheel(s, order)
		var g sineSums
		for i, e := range s.e {
			if s.w[i] > 0 {
				cos, sin := w.at(s.turn(i), s.lobe(i))
				g.add(float64(s.w[i]), float64(e), cos, sin)
			}
		}
		cos, sin, _, ok := g.solve()
		if !ok {
			return 0
		}
		return g.c*cos + g.s*sin
	}
	// A parabola through three points, twice: the top of the line is one.
	for _, h := range []float64{step / 2, step / 16} {
		a, b, c := power(order-h), power(order), power(order+h)
		if bend := a - 2*b + c; bend < 0 {
			order += h * min(max((a-c)/2/bend, -1), 1)
		}
	}
	return order
}

// turn describes something that is not listed. Of orders that the edges do not
// tell apart, the first is near to a listed shaft, or else the slowest.
func (s *driveSearch) turn(order float64, alike []float64, w *swing, alarm float64, d *Drive, turns []*big.Rat) UnlistedTurn {
	all := append([]float64{order}, alike...)
	slices.Sort(all)
	first := 0
	var near *NearShaft
	for i, o := range all {
		if n := s.nearShaft(o, d, turns); n != nil && (near == nil || near.Teeth == nil && n.Teeth != nil) {
			first, near = i, n
		}
	}
	u := UnlistedTurn{TurnsPerCamTurn: Rounded(all[first]), AmplitudeMS: Known(ms(w.amplitude())), FalseAlarm: Known(alarm), OrTurnsPerCamTurn: []Rounded{}, Near: near}
	for i, o := range all {
		if i != first {
			u.OrTurnsPerCamTurn = append(u.OrTurnsPerCamTurn, Rounded(o))
		}
	}
	return u
}

// nearShaft gives the shaft whose turns an order is closest to, nil where none is
// close, and the smallest change of one number of teeth that would make it its.
func (s *driveSearch) nearShaft(order float64, d *Drive, turns []*big.Rat) (n *NearShaft) {
	closest, shaft := nearShaft, -1
	for i := range turns {
		x, _ := turns[i].Float64()
		if far := math.Abs(order/x - 1); far < closest && d.Shafts[i].Name != d.CamShaft {
			closest, shaft = far, i
			n = &NearShaft{Name: d.Shafts[i].Name, TurnsPerCamTurn: Rounded(x)}
		}
	}
	if n == nil {
		return nil
	}
	best := math.Inf(1)
	for i := range d.Shafts {
		if i == 0 {
			continue
		}
		for _, driving := range []bool{true, false} {
			for change := -toothSlips; change <= toothSlips; change++ {
				other := *d
				other.Shafts = slices.Clone(d.Shafts)
				x := &other.Shafts[i]
				teeth := &x.OwnTeeth
				if driving {
					teeth = &x.DrivingTeeth
				}
				if *teeth += change; change == 0 || *teeth < 1 {
					continue
				}
				changed, _ := other.Turns()[shaft].Float64()
				size := math.Abs(float64(change))
				if math.Abs(changed-order) < s.near/3 && size < best {
					best = size
					n.Teeth = &ToothChange{Driving: x.From, Driven: x.Name, DrivingTeeth: x.DrivingTeeth, OwnTeeth: x.OwnTeeth}
				}
			}
		}
	}
	return n
}
