package pulse

// An Observer is told what a Meter finds, in order and as soon as it is
// complete. What is nil is not told. None may keep the pointer.
type Observer struct {
	Event func(*Event) // each finding of the settling filter
	Pulse func(*PulseRow)
	Cycle func(*CycleRow)
	Train func(*Train) // one that has ended
}

// Tee is an Observer that tells all of the given ones, the first one first. A
// row that one of them changes is told to the next as changed.
func Tee(all ...Observer) (o Observer) {
	for _, x := range all {
		o.Event, o.Pulse = both(o.Event, x.Event), both(o.Pulse, x.Pulse)
		o.Cycle, o.Train = both(o.Cycle, x.Cycle), both(o.Train, x.Train)
	}
	return o
}

func both[T any](first, then func(*T)) func(*T) {
	switch {
	case first == nil:
		return then
	case then == nil:
		return first
	}
	return func(x *T) {
		first(x)
		then(x)
	}
}
