package pulse

import "slices"

const (
	// detectEvents is how many events are gathered before the kind is detected:
	// several digits of a dial, and more than the ten pulses of one train.
	detectEvents = 400
	// detectEventsLive is less, so that a ringing cadence is shown within minutes.
	detectEventsLive = 64
	// longestDigit is the most pulses that any published coding sends for a digit.
	longestDigit = 10
	// shortestPauseNS is twice the shortest published pause between trains (200 ms,
	// GOST 23595-79). Single breaks with shorter makes between them are no
	// one-pulse digits.
	shortestPauseNS = 400e6
)

// detectKind tells what the events look most like. A dial sends trains of at most
// ten short breaks with pauses between; anything else is an interrupter. Without
// a whole break it is KindAuto. inverted reads makes as breaks.
func detectKind(ev []Event, d *dialReader, inverted bool) Kind {
	var breaks, pulses, inLongTrains, trains, singles, quick, pauses, long int
	var cycle []opening
	var openAt, ref Stamp
	openOK, refOK, n := false, false, 0
	end := func() {
		if n > longestDigit {
			inLongTrains += n
		}
		if n == 1 {
			singles++
		}
		if n > 0 {
			trains++
		}
		n = 0
	}
	for _, e := range ev {
		switch {
		case e.Kind == EventUnknown:
			end()
			openOK, refOK = false, false
		case e.Kind == EventChatter:
		case e.Closed == inverted:
			openAt, openOK = e.At, true
		case openOK:
			b := int64(e.At - openAt)
			openOK = false
			if b < d.pulseMin {
				continue
			}
			breaks++
			if len(cycle) < learnBreaks {
				cycle = append(cycle, opening{at: openAt, breakNS: b})
			}
			mk := int64(openAt - ref)
			if refOK && mk >= d.trainGap {
				pauses++
				end()
				if mk < shortestPauseNS {
					quick++
				}
			}
			if b <= d.pulseMax {
				pulses++
				n++
			} else {
				long++
				end()
			}
			ref, refOK = e.At, true
		}
	}
	end()
	switch {
	case breaks == 0:
		return KindAuto
	case 2*pulses < breaks,
		2*inLongTrains > pulses,
		pauses == 0 && long >= 2, // a dial rests closed
		showsCadence(cycle, d.pulseMax, len(cycle) > 4),
		singles >= 4 && singles == trains && 2*quick >= singles-1:
		return KindInterrupter
	}
	return KindDial
}

// showsCadence tells whether the openings, or a dozen of them in a row, repeat a
// cycle of several breaks, one of which is too long for a pulse: that is a
// cadence, though its shorter breaks may look like pulses. A dozen is enough
// where the contact stood still before and after; it must repeat three times.
func showsCadence(o []opening, pulseMax int64, enough bool) bool {
	cadence := func(o []opening) (k int, ok bool) {
		best := learn(o, nil, nil, false)
		k = best.pat.k()
		return k, best.fits && k > 1 && slices.Max(best.pat.brk) > pulseMax
	}
	if _, ok := cadence(o); ok && enough {
		return true
	}
	const dozen = 12
	for from := 0; from+dozen <= len(o); from += dozen / 2 {
		if k, ok := cadence(o[from : from+dozen]); ok && 3*k <= dozen {
			return true
		}
	}
	return false
}
