package pulse

// kindTransitions is how many transitions tell the kind of a contact well
// enough to question the one that was asked for: a digit or two of a dial, four
// cycles of an interrupter.
const kindTransitions = 8

// An ImplausibleKind says why a reading is not plausible.
type ImplausibleKind uint8

const (
	// ImplausibleSamples: the rows look like samples of a level, not edges.
	ImplausibleSamples ImplausibleKind = iota
	// ImplausiblePolarity: the contact seems to rest open; with the other
	// polarity it would read as a dial.
	ImplausiblePolarity
	// ImplausibleContact: the recording looks like a contact of kind Looks.
	ImplausibleContact
	// ImplausibleCompound: the contact does a compound cadence, with means of
	// DoesMS, and the limits know of one make and break a cycle.
	ImplausibleCompound
	// ImplausibleCadence: the contact does another cadence, with means of DoesMS,
	// than that asked for, AskedNS.
	ImplausibleCadence
)

// An Implausibility is one reason to doubt that a recording was read as it
// should be. Its kind says which fields it has.
type Implausibility struct {
	Kind    ImplausibleKind
	Looks   string    // "dial" or "interrupter"
	DoesMS  []float64 // mean make, break, make, break …; nil where no whole cycle was measured
	AskedNS []int64   // nominal make, break, make, break …
}

// A Request is what was asked of a measurement, and what was seen beside it.
type Request struct {
	Limits    *Profile // nil: none
	CadenceNS []int64  // given in place of that of Limits, nil: none
	Matched   bool     // the means match a known profile, see Measurement.Matching
	Samples   bool     // the rows look like samples of a level, see LooksSampled
}

// Implausible gives the reasons to doubt how the recording was read; nil when
// there is none. While there is one, no cause should be looked for in the
// contact.
func (m *Measurement) Implausible(r Request) (why []Implausibility) {
	if r.Samples {
		why = append(why, Implausibility{Kind: ImplausibleSamples})
	}
	in := m.Interrupter
	cadence := Implausibility{DoesMS: in.SegmentMeansMS(), AskedNS: r.CadenceNS}
	if r.CadenceNS == nil && r.Limits != nil {
		cadence.AskedNS = r.Limits.CadenceNS
	}
	looks := m.Kind
	if m.KindLooks != nil && m.Settling.Transitions >= kindTransitions {
		looks = *m.KindLooks
	}
	// With the other polarity, a cadence may pass for a dial. One that is known is
	// no dial, nor one that was asked for and has most of its cycles.
	isCadence := in != nil && (r.Matched || m.KindFrom != "data" && in.CadenceFits && in.Cycles > 0 && 2*in.Cycles >= in.Due)
	switch {
	case m.MaybeInverted && !isCadence, m.Dial != nil && m.Dial.restsOpen():
		why = append(why, Implausibility{Kind: ImplausiblePolarity})
	case looks != m.Kind:
		why = append(why, Implausibility{Kind: ImplausibleContact, Looks: looks})
	case in != nil && r.Limits != nil && len(in.Segments) > 2 && len(r.Limits.CadenceNS) == 0 && m.Conformity != nil && m.Conformity.WorstItem() == Fail:
		cadence.Kind = ImplausibleCompound
		why = append(why, cadence)
	case in != nil && !in.CadenceFits:
		cadence.Kind = ImplausibleCadence
		why = append(why, cadence)
	}
	return why
}

// restsOpen tells whether the makes of a dial look like pulses: the pauses
// between its trains read as long breaks, stalls among them, and its breaks
// are the shorter part of the period.
func (d *Dial) restsOpen() bool {
	long := d.Flashes + d.Disconnects + d.Stalls
	return long > 0 && long+1 >= d.Trains.Len() && d.BreakPercent.P50.OK && d.BreakPercent.P50.V < 50
}

// LooksSampled tells whether most edges repeat the level of the one before, as
// samples of a level do. Edges beside a known loss do not count.
func LooksSampled(edges []Edge) bool {
	repeats := 0
	for i := 1; i < len(edges); i++ {
		if edges[i].Level == edges[i-1].Level && edges[i].Lost == 0 && edges[i].Level <= High {
			repeats++
		}
	}
	return 2*repeats > len(edges)
}
