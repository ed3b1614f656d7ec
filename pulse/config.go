package pulse

import (
	"cmp"
	"iter"
)

// Defaults of the measurement contract. Each says where its number comes from.
const (
	// DefaultSettleNS is longer than the bounce of relay and dial contacts and
	// shorter than any make or break of a dial (common practice).
	DefaultSettleNS int64 = 4e6
	// DefaultPulseMinNS and DefaultPulseMaxNS hold every break that the
	// published dial and receiver limits allow, with room for a faulty dial.
	DefaultPulseMinNS int64 = 10e6
	DefaultPulseMaxNS int64 = 200e6
	// DefaultTrainGapNS is longer than the longest make inside a train (50 ms,
	// GOST 23595-79) and shorter than the shortest pause between trains (200
	// ms, the same).
	DefaultTrainGapNS int64 = 150e6
	// DefaultFlashMaxNS separates a flash from a disconnect (1.5 s; from memory of
	// the LSSGR disconnect time: check the document).
	DefaultFlashMaxNS int64 = 1500e6
)

// A Timing says which instant of a bouncing transition is its time.
type Timing uint8

const (
	TimingFirst   Timing = iota // its first edge
	TimingSettled               // the start of the level that lasted
)

func (t Timing) String() string {
	if t == TimingSettled {
		return "settled"
	}
	return "first"
}

// A Setup is what is known of the measuring chain; it fills the uncertainty
// budget and corrects the openings.
type Setup struct {
	EdgeNoiseNS   float64 // standard uncertainty of one edge's time
	EdgeNoiseFrom string  // where the figure comes from, shown in the budget
	EdgeNoiseA    bool    // it comes from repeated observations (kind A)
	// AsymmetryNS is how much longer the chain shows a make than it is (its
	// turn-off delay less its turn-on delay). Breaks are lengthened by it and
	// makes shortened; periods stay.
	AsymmetryNS     float64
	AsymmetryUNS    float64 // its standard uncertainty
	AsymmetryFrom   string
	AsymmetryA      bool    // AsymmetryUNS comes from repeated observations
	ClockRel        float64 // relative standard uncertainty of the time base
	ClockFrom       ClockFrom
	ResolutionNS    float64 // step of the recorded times, 0 or 1 when they are whole nanoseconds
	CoverageFactorK float64 // 0 means 2
}

// DefaultSetup is what is assumed of a chain that was not calibrated: an
// invented but cautious interrupt jitter of 20 µs, an opto-coupler with a
// resistor-loaded output whose delays differ by at most ±100 µs (rectangular),
// and a quartz within 50 ppm.
func DefaultSetup() Setup {
	return Setup{
		EdgeNoiseNS: 20e3, EdgeNoiseFrom: "assumed, not calibrated",
		AsymmetryUNS: 57735, AsymmetryFrom: "assumed within ±0.1 ms, not calibrated",
		ClockRel: 50e-6, ClockFrom: ClockFrom{State: ClockAssumed},
	}
}

// A Config says how a contact's edges are to be read. The zero value reads
// with the defaults.
type Config struct {
	Kind     Kind
	Polarity Polarity
	SettleNS int64 // 0 means DefaultSettleNS
	Timing   Timing

	// Dial. Zero fields take the profile's, then the default.
	PulseMinNS, PulseMaxNS, TrainGapNS, FlashMaxNS int64
	Coding                                         Coding
	CodingSet                                      bool // Coding was chosen, do not take the profile's

	// Interrupter.
	PeriodNS  int64   // nominal period of one interruption, 0: from the data
	Lobes     int     // lobes of the cam, 0: no lobe signature
	CadenceNS []int64 // nominal make, break, make, break …; nil: profile's, or plain interruptions
	// LobeMarks are openings whose lobe is known from a log or from a user, in
	// order of time. LobesBy is what LobesNumberedBy then says.
	LobeMarks []LobeMark
	LobesBy   string
	// LobesKnown is the signature of lobes whose numbers are known, one figure a
	// lobe. It tells the numbers where the phase does not.
	LobesKnown []LobeFigure

	Setup  *Setup   // nil means DefaultSetup
	Limits *Profile // nil: no verdict

	// A live capture knows its own start and end, and the line's level at the
	// start. A recorded file is taken to begin long after whatever came before
	// it and to go on in its last level.
	Live       bool
	Start      Stamp
	StartLevel Level // Unknown when it could not be read

	// Forget keeps no values and no trains, for a contact that is watched without
	// end. Then the Observer and Counts tell everything, and Finish gives counts
	// only.
	Forget bool

	Observer Observer

	// What is looked for beside the figures of the moment.
	Drift     *DriftOptions // nil: no drift
	Stability bool
	Drive     *Drive // nil: no gears
	// Against is a second contact, which the first is measured against; nil: none.
	Against *Against
}

// Second is the configuration for a second contact, the output that one of this
// configuration is measured against: it is read in the same way, without verdict
// and without what is looked for in the first one.
func (c *Config) Second() Config {
	s := *c
	if p := c.Limits; p != nil {
		if s.Kind == KindAuto {
			s.Kind = p.Kind
		}
		s.PulseMinNS, s.PulseMaxNS = cmp.Or(s.PulseMinNS, p.PulseMinNS), cmp.Or(s.PulseMaxNS, p.PulseMaxNS)
		s.TrainGapNS, s.FlashMaxNS = cmp.Or(s.TrainGapNS, p.TrainGapNS), cmp.Or(s.FlashMaxNS, p.FlashMaxNS)
		if s.CadenceNS == nil {
			s.CadenceNS = p.CadenceNS
		}
		s.Coding, s.CodingSet = c.coding(), true
	}
	s.Limits, s.Lobes, s.LobeMarks, s.LobesKnown = nil, 0, nil, nil
	s.Drift, s.Stability, s.Drive, s.Against, s.Observer = nil, false, nil, nil, Observer{}
	return s
}

// BreaksInCycle is how many breaks a cycle of the cadence in force has; 0 without a
// cadence.
func (c *Config) BreaksInCycle() int { return len(c.cadence()) / 2 }

// cadence is that in force.
func (c *Config) cadence() []int64 {
	if c.CadenceNS == nil && c.Limits != nil {
		return c.Limits.CadenceNS
	}
	return c.CadenceNS
}

// coding is that in force.
func (c *Config) coding() Coding {
	if c.CodingSet || c.Limits == nil {
		return c.Coding
	}
	return c.Limits.Coding
}

// A LobeMark says that the opening nearest to At was that of lobe Lobe, from 1.
type LobeMark struct {
	At   Stamp
	Lobe int
}

// A PulseRow is one break of a dial contact, as a table row.
type PulseRow struct {
	At       Stamp // opening
	Class    Class
	Train    int // 1-based train, 0 outside a train; stalls are inside theirs
	Pulse    int // 1-based pulse or stall in its train, 0 outside a train
	BreakNS  int64
	PeriodNS int64 // opening to next opening inside the train, 0 for the last pulse
	MakeNS   int64 // make after it inside the train, 0 for the last pulse
	GapNS    int64 // interdigit gap before the train, on its first pulse; 0 when there is none
	BounceNS int64 // the longer bounce of its opening and closing
	// OpenBounceNS and CloseBounceNS are both of them.
	OpenBounceNS, CloseBounceNS int64
	Partial                     bool // the train is known to have lost its start
}

// A Class is what a break was taken for.
type Class uint8

const (
	ClassPulse Class = iota
	ClassShort
	ClassFlash
	ClassDisconnect
	// ClassStall is a break of a flash's length inside a train.
	ClassStall
)

func (c Class) String() string {
	return [...]string{"pulse", "short break", "flash", "disconnect", "stall"}[c]
}

// A CycleRow is one cycle of an interrupter, as a table row. What is not known is
// 0. The last row is the cycle that had not ended with the recording: it has no
// period.
type CycleRow struct {
	At    Stamp // opening that begins it
	Cycle int   // 1-based count of due cycles, missing ones included
	Lobe  int   // 1-based, 0 without lobes
	// Stretch is the number, from 0, of the stretch of time in which the phase was
	// known throughout. Numbering tells what Lobe is a number of: 1 is the numbering
	// of LobeMarks and LobesKnown, or else of the first stretch. 0 means that it is
	// not known yet, and that Lobe counts from the first opening of the stretch.
	Stretch   int
	Numbering int
	PeriodNS  int64
	BreakNS   int64
	MakeNS    int64
	BounceNS  int64
	// BeforeNS is the make before its first opening, where that make belongs to a
	// cycle whose beginning is not known, and 0 elsewhere. It is in the statistics.
	BeforeNS      int64
	BeforeSegment int     // of the cadence, 1-based; 0 without one
	SegmentsNS    []int64 // the makes and breaks of a cadence, in its own order; nil otherwise
	Missing       int     // interruptions missing in it
	Extra         int     // extra interruptions in it
	Unknown       bool    // there is unknown time in it
	// Whole tells that nothing is missing, extra or unknown in it. Only then its
	// period is in the statistics.
	Whole bool
}

// Faulty tells that interruptions are missing or extra in the cycle: they are
// counted, and its breaks and makes are not in the statistics.
func (r *CycleRow) Faulty() bool { return r.Missing > 0 || r.Extra > 0 }

// Breaks gives the breaks of the cycle that are in the statistics, in ns.
func (r *CycleRow) Breaks() iter.Seq[int64] {
	return func(yield func(int64) bool) {
		if r.Faulty() {
			return
		}
		if r.SegmentsNS == nil {
			if r.BreakNS > 0 {
				yield(r.BreakNS)
			}
			return
		}
		for i := 1; i < len(r.SegmentsNS); i += 2 {
			if b := r.SegmentsNS[i]; b > 0 && !yield(b) {
				return
			}
		}
	}
}
