package synth

// Truth is what is known of a signal. Lengths are those of the contact without
// errors of the drive's speed and without disturbances. Counts are of what has
// been made so far, which may be one transition with its bounce more than the
// edges that Next has given.
type Truth struct {
	// Dial.
	Digits      string // of one round, without flashes and hang-ups
	TrainPulses []int  // of one round
	GapNS       int64

	// Nominal lengths: of a pulse after any ramp, of an interruption of the
	// cam without its lobe errors. A cadence has its segments, and PeriodNS is
	// its cycle; BreakNS and MakeNS are 0.
	PeriodNS, BreakNS, MakeNS float64
	BreakAlsoNS               []int64 // the other lengths of a break
	SegmentsNS                []int64
	Lobes                     []Lobe

	// What changes in the course of time, as the description has it.
	LobeWearNSPerDay []int64 // growth of each lobe's opening error
	BreakDriftPerDay float64 // percentage points
	Steps            []Step
	Gears            []Gear
	Teeth            []Tooth

	FirstOpeningNS int64
	EndNS          int64 // ideal last closing; 0 when there is no end

	// Edges given, edges missing before them that a gap shows, and edges that
	// none shows. At the end Edges + Lost + LostSilent = Transitions +
	// ExtraEdges + 2 · Chatter.
	Edges, Lost, LostSilent int64
	Transitions             int64 // those of short breaks too
	Bounced, ExtraEdges     int64
	BounceMaxNS             int64
	Chatter, ShortBreaks    int64

	// Dial, complete ones except Trains, which have begun.
	Pulses, Trains, Flashes, Disconnects, Rounds int64

	// Cam and cadence. Due counts the cycles that there should have been up
	// to the last opening, Cycles those in which nothing is missing or extra.
	Cycles, Due, Missing, Extra int64

	// Spurious breaks and makes, those in outages too; outages, the
	// interruptions, pulses, flashes and hang-ups lost to them (not Missing),
	// and the breaks of a contact that stood open in them. A train or a cycle
	// that lost some is counted as far as the rest of it was seen.
	SpuriousBreaks, SpuriousMakes     int64
	Outages, OutageLost, OutageBreaks int64

	// Of a repeater's output: breaks of the input that it does not have, and
	// those that the input does not have. A train that lost its first pulse
	// begins with the next; a cycle that lost or got some is not whole.
	RepeaterLost, RepeaterExtra int64
}

// A Lobe is the truth of one lobe of a cam.
type Lobe struct {
	OpeningErrorNS float64 // about the lobes' common mean, positive is late
	BreakNS        int64   // before wear
	WearNSPerDay   int64
}

// Truth gives what is known so far.
func (s *Signal) Truth() Truth {
	t, spec, l := s.truth, s.spec, s.lay
	t.FirstOpeningNS = spec.LeadNS + l.spans[0].open
	if l.total > 0 {
		t.EndNS = spec.LeadNS + l.end()
	}
	if r := s.repeater; r != nil {
		place := 0
		for i := range l.spans {
			place = l.spans[i].place(place)
			g := spec.lags(&l.spans[i], place)
			if i == 0 {
				t.FirstOpeningNS += g.OpenNS
			}
			if l.total > 0 && int64(i) == (l.total-1)%int64(len(l.spans)) {
				t.EndNS += g.CloseNS
			}
		}
		t.Outages, t.Rounds = r.input.truth.Outages, r.input.truth.Rounds
	}
	t.LobeWearNSPerDay = append(t.LobeWearNSPerDay, spec.LobeWearNSPerDay...)
	t.BreakDriftPerDay = spec.BreakDriftPerDay
	t.Steps = append(t.Steps, spec.Steps...)
	t.Gears = append(t.Gears, spec.Gears...)
	t.Teeth = append(t.Teeth, spec.Teeth...)
	switch spec.Form {
	case Dial:
		for _, c := range spec.Digits {
			if c >= '0' && c <= '9' {
				t.Digits += string(c)
			}
		}
		t.TrainPulses = spec.trainPulses()
		t.GapNS = spec.GapNS
	case Cam:
		mean := 0.0
		for i := range spec.Lobes {
			mean += float64(at(spec.LobeErrorsNS, i)) / float64(spec.Lobes)
		}
		for i, sp := range l.spans {
			t.Lobes = append(t.Lobes, Lobe{
				OpeningErrorNS: float64(at(spec.LobeErrorsNS, i)) - mean,
				BreakNS:        sp.close - sp.open,
				WearNSPerDay:   at(spec.WearNSPerDay, i),
			})
		}
	}
	if spec.Form == Cadence {
		t.PeriodNS = l.roundNS()
		t.SegmentsNS = append(t.SegmentsNS, spec.SegmentsNS...)
		return t
	}
	t.PeriodNS, t.BreakNS = spec.nominal()
	t.MakeNS = t.PeriodNS - t.BreakNS
	t.BreakAlsoNS = spec.alsoNS()
	return t
}

// alsoNS gives the other lengths of a break.
func (s *Spec) alsoNS() (ns []int64) {
	period, _ := s.nominal()
	for _, b := range s.BreakAlso {
		ns = append(ns, b.length(period))
	}
	return ns
}

func (s *Signal) countOpening() {
	t, sp := &s.truth, &s.cur
	t.OutageLost += sp.lost
	t.RepeaterLost += sp.dropped
	switch {
	case sp.newTrain:
		t.Trains++
	case sp.kind == spuriousBreak:
		t.SpuriousBreaks++
		s.clean = false
	case sp.kind == afterSpurious:
		t.SpuriousMakes++
		s.clean = false
	case sp.kind == outageBreak:
		t.OutageBreaks++
		s.clean = false
	case sp.kind == repeaterExtra:
		t.RepeaterExtra++
		s.clean = false
	case sp.kind == extraInterruption:
		t.Extra++
		s.clean = false
	case sp.kind == interruption:
		t.Missing += sp.missing
		s.clean = s.clean && sp.missing == 0 && sp.lost == 0 && sp.dropped == 0
		t.Due = sp.number / s.lay.perCycle
		if sp.number%s.lay.perCycle == 0 {
			if s.clean {
				t.Cycles++
			}
			s.clean = true
		}
	}
}

func (s *Signal) countClosing() {
	t := &s.truth
	switch {
	case s.cur.kind == flashBreak:
		t.Flashes++
	case s.cur.kind == hangupBreak:
		t.Disconnects++
	case s.cur.kind == pulseBreak:
		t.Pulses++
	}
	if s.cur.lastOfRound && s.spec.Form == Dial {
		t.Rounds++
	}
}
