package pulse

// Counts are what was counted of a contact. They only grow.
type Counts struct {
	Edges, LostEdges, Transitions, Bounced, Chatter, UnknownIntervals uint64
	Pulses, ShortBreaks, Flashes, Disconnects, Stalls, Trains         uint64
	// DoubtfulMakes counts makes that may be pauses between digits or makes that
	// stalled.
	DoubtfulMakes uint64
	// DoubtfulSpeeds counts changes of speed by a whole factor: it may be that
	// interruptions are missing or extra instead.
	DoubtfulSpeeds                                uint64
	Cycles, CyclesDue, Missing, Extra, PhaseSlips uint64
}

// each lists the counters, for what is done with all of them.
func (n *Counts) each() [19]*uint64 {
	return [...]*uint64{
		&n.Edges, &n.LostEdges, &n.Transitions, &n.Bounced, &n.Chatter, &n.UnknownIntervals,
		&n.Pulses, &n.ShortBreaks, &n.Flashes, &n.Disconnects, &n.Stalls, &n.Trains,
		&n.DoubtfulMakes, &n.DoubtfulSpeeds,
		&n.Cycles, &n.CyclesDue, &n.Missing, &n.Extra, &n.PhaseSlips,
	}
}

// Add adds more to n, counter by counter.
func (n *Counts) Add(more Counts) {
	of := more.each()
	for i, p := range n.each() {
		*p += *of[i]
	}
}

// Sub gives what was counted from earlier to n. A counter that is not above
// the earlier one gives 0.
func (n Counts) Sub(earlier Counts) Counts {
	of := earlier.each()
	for i, p := range n.each() {
		*p -= min(*p, *of[i])
	}
	return n
}

// Faults are those of the counts that never pass, whatever the limits say.
func (n *Counts) Faults() Faults {
	return Faults{Missing: n.Missing, Extra: n.Extra, Slips: n.PhaseSlips, Stalls: n.Stalls}
}
