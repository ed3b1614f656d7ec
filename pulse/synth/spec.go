// Package synth makes edges of contacts whose truth is known: dial trains,
// interrupter cams and cadences, with the faults and the disturbances that
// real ones have. The same description and seed always make the same edges.
// It is pure, needs constant memory however long the signal, and allocates
// nothing per edge.
package synth

import "makebreak/pulse"

// A Form is the kind of contact that a signal comes from.
type Form uint8

const (
	Dial    Form = iota // pulse trains of digits
	Cam                 // an interrupter cam of one or more lobes
	Cadence             // a repeated sequence of makes and breaks
)

var formNames = [...]string{"dial", "cam", "cadence"}

func (f Form) String() string {
	if int(f) < len(formNames) {
		return formNames[f]
	}
	return "unknown"
}

// Endless as Spec.Repeat or Spec.Cycles makes a signal go on for a hundred
// years, the longest that is made.
const Endless = -1

// A Spec describes a signal. Zero fields take the defaults that Keys lists;
// its ranges hold here too. Times are in ns and positive is late or longer.
type Spec struct {
	Form Form

	// Dial.
	Digits      string // 0-9, F for a flash and H for a hang-up
	Coding      pulse.Coding
	RatePPS     float64
	GapNS       int64 // interdigit gap; also around flashes, hang-ups and repeats
	FlashNS     int64
	HangupNS    int64
	Repeat      int64
	RampPercent []float64 // deviation of the rate in each train's first, second … period
	BreakAt     []BreakAt

	// Dial and cam.
	Break     Break
	BreakAlso []Break // other lengths that a break has at random, all as likely as Break
	MakeNS    int64   // with Break as a time, in place of the speed
	// BreakDriftPerDay is the growth of each pulse's or interruption's break in
	// percent of the period (percentage points), up to 90 % as with wear.
	BreakDriftPerDay float64

	// Cam.
	IPM          float64 // to a millionth
	Lobes        int
	LobeErrorsNS []int64 // error of each lobe's opening; its break stays as long
	LobeBreaksNS []int64 // error of each lobe's break
	WearNSPerDay []int64 // growth of each lobe's break, up to 90 % of the break or of the make
	// LobeWearNSPerDay is by how much each lobe's opening comes later; its break
	// stays as long. Up to 40 % of the make on either side.
	LobeWearNSPerDay []int64
	Turns            int64 // in place of Cycles

	// Cadence.
	SegmentsNS []int64 // make, break, make, break …; the first opening ends the first make

	// Cam and cadence.
	Cycles    int64   // whole cycles from opening to opening
	Missing   float64 // probability of each interruption
	MissingAt []int64 // interruptions; the first is 1 and always there
	Extra     float64 // probability after each interruption
	ExtraAt   []int64
	Gears     []Gear
	Teeth     []Tooth

	// All.
	LeadNS          int64   // idle before the first opening
	DriftPPMPerHour float64 // growth of the drive's speed, until it is half or double
	WanderPPM       float64 // random walk of the drive's speed, ppm per square root of an hour

	Steps []Step // in the order of their times

	// Noise of the drive's speed by its Allan deviation in ppm; see Spec.ADEV.
	WanderWhitePPM   float64 // at 1 s; it falls with the root of the time
	WanderFlickerPPM float64 // at any time
	WanderWalkPPM    float64 // at 1 s; it grows with the root of the time

	JitterNS       int64 // standard deviation of each transition's time, cut at 6; its bounce moves with it. See wideJitterNS
	BounceOpen     Bounce
	BounceClose    Bounce
	Chatter        Chance
	ChatterNS      int64 // its longest
	ShortBreaks    Chance
	ShortNS        int64
	SpuriousBreaks Chance  // per make
	SpuriousMakes  Chance  // per break
	Spurious       Range   // their lengths
	Outages        float64 // per second of the time between them
	OutagesAtNS    []int64 // in place of Outages
	Outage         Range   // their lengths
	OutageOpen     bool    // the contact stands open in an outage, else closed
	OutageNoise    float64 // spurious ones per second of an outage
	Lost           float64 // probability per edge, shown as a gap in the sequence numbers
	LostRun        int64   // edges lost in a row
	LostSilent     float64 // probability per edge, not shown
	AsymmetryNS    int64   // how much later openings are seen than closings
	ClockPPM       float64 // the measuring clock is fast by this
	Closed         pulse.Polarity
	Seed           uint64

	// Another contact of one drive: with the same seed and speed the drive's
	// wander, drift, steps and shafts are the same, the noise of the contact
	// (jitter, bounce, faults) is its own. 0 is contact 1.
	Contact      int64
	ShiftNS      int64   // how much later on the drive it stands
	ShiftDegrees float64 // of a turn of the cam or a cycle of the cadence, in place of ShiftNS

	// The output of a pulse repeater in place of its input, which is the signal
	// without these. It follows each break of the input, whatever made it, but
	// no bounce, chatter or short break. Bounce, chatter, short breaks and
	// losses are then the output's.
	Repeater        Lags
	RepeaterJitter  Lags    // standard deviation of each lag, cut at 6
	RepeaterFirst   []Lags  // added for each train's first, second … pulse
	RepeaterLost    float64 // probability of each break of the input
	RepeaterLostAt  []int64 // breaks of the input, from 1
	RepeaterExtraAt []int64 // breaks of the input that an extra one follows in the output
}

// Lags are those of a repeater's opening and closing behind its input's.
type Lags struct {
	OpenNS, CloseNS int64
}

// Rest is the level of the line before the first and after the last edge.
func (s *Spec) Rest() pulse.Level { return s.Closed.Level(true) }

// A Break is a length given in percent of the period or, when NS is not 0, as
// a time.
type Break struct {
	Percent float64
	NS      int64
}

// A BreakAt gives another break to one train of a round, or to one pulse of
// it. Trains and pulses count from 1, Pulse 0 means all of the train.
type BreakAt struct {
	Train, Pulse int
	Break        Break
}

// A Gear is a shaft of the drive that moves every edge by
// Amplitude · sin(2π · Order · turns of the cam + Phase). A turn of a cadence
// is one cycle.
type Gear struct {
	Order        float64 // turns of the shaft in one turn of the cam
	AmplitudeNS  int64
	PhaseDegrees float64 // at the first opening
}

// A Tooth is a fault at one place of a shaft of the drive, such as a bad tooth.
// Within half a tooth of it every edge is late by up to Height: the bump is
// Height · (1 + cos(2π · Teeth · turn)) / 2, turn from the middle of the fault
// in turns of the shaft, and 0 elsewhere.
type Tooth struct {
	Order        float64 // turns of the shaft in one turn of the cam
	Teeth        int64   // of the shaft's wheel: the fault is one of them wide
	HeightNS     int64
	PhaseDegrees float64 // by how much the first opening is past the middle of the fault
}

// A Step changes something at once and for good.
type Step struct {
	AtNS  int64 // from the start of the signal, drift, wander and gears apart
	What  StepOf
	Lobe  int     // of an opening or a break of one lobe, from 1
	Speed float64 // change of the drive's speed in percent of the nominal one
	Break float64 // change of the breaks in percentage points; 0 where NS says it
	NS    int64   // change of the opening (later) or the break (longer)
}

// A StepOf says what a Step changes.
type StepOf uint8

const (
	StepSpeed     StepOf = iota // the speed of the drive
	StepBreaks                  // each pulse's or interruption's break
	StepLobe                    // one lobe's opening; its break stays as long
	StepLobeBreak               // one lobe's break
)

// A Bounce is up to Pairs extra pairs of edges within MaxNS after a transition.
type Bounce struct {
	Pairs int
	MaxNS int64
}

// A Range bounds a length that is drawn anew each time, all in it equally likely.
type Range struct {
	MinNS, MaxNS int64
}

// A Chance is how often something happens: with a probability per
// transition (spurious ones: per make or per break), or at a mean number per second.
type Chance struct {
	Probability, PerSecond float64
}

// A Key is a key of a description.
type Key struct {
	Name    string
	Meaning string
	Default string // "" when it is off
	Unit    string // what its value is written in
	Forms   []Form // signals that have it
}

// Keys lists all keys of a description, for help texts. A key with different
// defaults comes once for each.
func Keys() []Key {
	var keys []Key
	for _, f := range fields(new(Spec)) {
		keys = append(keys, f.Key)
	}
	return keys
}
