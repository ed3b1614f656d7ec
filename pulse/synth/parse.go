package synth

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"makebreak/pulse"
	"makebreak/pulse/duration"
)

const (
	maxDescription = 4096 // bytes; the longest real one is a cam with all lobes given
	maxDigits      = 200
	maxLobes       = 64
	maxSegments    = 32
	maxGears       = 8
	maxList        = 64
	maxPairs       = 16

	second = int64(1e9)
	hour   = 3600 * second
)

// A field is a key with its way into and out of a Spec. get gives "" for what
// is off or not set.
type field struct {
	Key
	main   bool   // shown even when it has the default
	list   bool   // words without a key continue it
	unless string // a key that it cannot stand beside
	set    func(*Spec, string) error
	get    func(*Spec) string
}

var (
	onDial  = []Form{Dial}
	onCam   = []Form{Cam}
	onDrive = []Form{Dial, Cam}
	onTurns = []Form{Cam, Cadence}
	onCad   = []Form{Cadence}
	onAll   = []Form{Dial, Cam, Cadence}
)

// fields is the one table behind Parse, Spec.String and Keys.
func fields() []field {
	const (
		uDuration = "time such as 800ms, 0.8s, 200us"
		uTimes    = "times, one a lobe: 0,0.4ms,-0.2ms"
		uBreak    = "percent such as 61.5, or time such as 60ms"
		uCount    = "count"
		uChance   = "probability"
		uPPM      = "ppm"
		uPlaces   = "interruptions, counted from 1: 7,12"
		uRate     = "probability per transition such as 0.01, or rate such as 2/s"
		uRange    = "time, or range such as 20ms..80ms"
		uBounce   = "PAIRS:LONGEST such as 3:1.5ms"
	)
	key := func(forms []Form, name, def, unit, meaning string) Key {
		return Key{name, meaning, def, unit, forms}
	}
	missing := field{Key: key(onTurns, "missing", "", uChance, "probability that an interruption is missing")}
	missing.number(func(s *Spec) *float64 { return &s.Missing }, 0, 0.5)
	missingAt := field{Key: key(onTurns, "missing-at", "", uPlaces, "interruptions that are missing")}
	missingAt.places(func(s *Spec) *[]int64 { return &s.MissingAt }, 2)
	extra := field{Key: key(onTurns, "extra", "", uChance, "probability of an extra interruption after one, a third of the make after it")}
	extra.number(func(s *Spec) *float64 { return &s.Extra }, 0, 1)
	extraAt := field{Key: key(onTurns, "extra-at", "", uPlaces, "interruptions that an extra one follows")}
	extraAt.places(func(s *Spec) *[]int64 { return &s.ExtraAt }, 1)

	var fs []field
	add := func(f field) *field { fs = append(fs, f); return &fs[len(fs)-1] }

	f := add(field{Key: key(onCad, "segments", "400/200/400/2000", "make/break/make/break … in ms", "segments of the cadence"), main: true, list: true})
	f.set = func(s *Spec, v string) (err error) { s.SegmentsNS, err = parseSegments(v); return }
	f.get = func(s *Spec) string { return join(s.SegmentsNS, "/", duration.Millis) }

	f = add(field{Key: key(onDial, "digits", "1234567890", "0-9, F flash, H hang-up", "what is dialled"), main: true})
	f.set = func(s *Spec, v string) (err error) { s.Digits, err = parseDigits(v); return }
	f.get = func(s *Spec) string { return strings.Join(strings.FieldsFunc(s.Digits, parts), "_") }
	f = add(field{Key: key(onDial, "coding", "normal", "normal, n+1, 10-n", "pulses for a digit")})
	oneOf(f, func(s *Spec) *pulse.Coding { return &s.Coding }, pulse.CodingNormal, pulse.CodingNPlus1, pulse.Coding10MinusN)
	f = add(field{Key: key(onDial, "rate", "10", "pulses per second", "speed of the pulses"), main: true, unless: "make"})
	f.number(func(s *Spec) *float64 { return &s.RatePPS }, 0.5, 100)
	f = add(field{Key: key(onCam, "ipm", "60", "interruptions per minute, to a millionth", "speed of the interruptions"), main: true, unless: "make"})
	f.number(func(s *Spec) *float64 { return &s.IPM }, 0.01, 6000)
	f = add(field{Key: key(onDial, "break", "61.5", uBreak, "length of a break"), main: true})
	f.breakLength()
	f = add(field{Key: key(onCam, "break", "50", uBreak, "length of a break"), main: true})
	f.breakLength()
	f = add(field{Key: key(onDrive, "break-also", "", "as break: 200ms, or several", "other lengths that a break has at random, each as likely as break"), list: true})
	f.set = func(s *Spec, v string) (err error) { s.BreakAlso, err = list(v, ",", maxList, parseBreak); return }
	f.get = func(s *Spec) string { return join(s.BreakAlso, ",", Break.String) }
	f = add(field{Key: key(onDrive, "make", "", uDuration, "length of a make, with break as a time, in place of the speed"), main: true})
	f.duration(func(s *Spec) *int64 { return &s.MakeNS }, 1e5, hour)
	f = add(field{Key: key(onDial, "gap", "800ms", uDuration, "interdigit gap, last closing to first opening"), main: true})
	f.duration(func(s *Spec) *int64 { return &s.GapNS }, 1e6, hour)
	f = add(field{Key: key(onDial, "flash", "500ms", uDuration, "length of a flash F")})
	f.duration(func(s *Spec) *int64 { return &s.FlashNS }, 1e6, hour)
	f = add(field{Key: key(onDial, "hangup", "3s", uDuration, "length of a hang-up H")})
	f.duration(func(s *Spec) *int64 { return &s.HangupNS }, 1e6, hour)
	f = add(field{Key: key(onDial, "repeat", "1", uCount+" or endless", "times the digits are dialled")})
	f.count(func(s *Spec) *int64 { return &s.Repeat }, 1, 1e9, true)
	f = add(field{Key: key(onDial, "ramp", "", "percent of the rate, first period first: -8,-4,-1", "rate of each train's first periods against the rest"), list: true})
	f.set = func(s *Spec, v string) (err error) {
		s.RampPercent, err = list(v, ",", 9, func(v string) (float64, error) { return parseNumber(v, -50, 50) })
		return
	}
	f.get = func(s *Spec) string { return join(s.RampPercent, ",", number) }
	f = add(field{Key: key(onDial, "break-at", "", "TRAIN:BREAK or TRAIN.PULSE:BREAK such as 3:68,4.7:45ms", "another break in one train or pulse of the digits"), list: true})
	f.set = func(s *Spec, v string) (err error) { s.BreakAt, err = list(v, ",", maxList, parseBreakAt); return }
	f.get = func(s *Spec) string { return join(s.BreakAt, ",", BreakAt.String) }

	f = add(field{Key: key(onCam, "lobes", "1", uCount, "lobes of the cam")})
	f.set = func(s *Spec, v string) error {
		n, err := parseCount(v, 1, maxLobes)
		s.Lobes = int(n)
		return err
	}
	f.get = func(s *Spec) string { return countOrOff(int64(s.Lobes)) }
	f = add(field{Key: key(onCam, "lobe-errors", "", uTimes, "error of each lobe's opening, positive is late")})
	f.times(func(s *Spec) *[]int64 { return &s.LobeErrorsNS }, hour)
	f = add(field{Key: key(onCam, "lobe-breaks", "", uTimes, "error of each lobe's break, positive is long")})
	f.times(func(s *Spec) *[]int64 { return &s.LobeBreaksNS }, hour)
	f = add(field{Key: key(onCam, "wear", "", uTimes, "growth of each lobe's break per day")})
	f.times(func(s *Spec) *[]int64 { return &s.WearNSPerDay }, 10*second)
	f = add(field{Key: key(onTurns, "cycles", "60", uCount+" or endless", "whole cycles, opening to opening; one break more ends them"), main: true, unless: "turns"})
	f.count(func(s *Spec) *int64 { return &s.Cycles }, 1, 1e10, true)
	f = add(field{Key: key(onCam, "turns", "", uCount, "turns of the cam, in place of cycles")})
	f.count(func(s *Spec) *int64 { return &s.Turns }, 1, 1e9, false)
	fs = append(fs, missing, missingAt, extra, extraAt)
	f = add(field{Key: key(onTurns, "gear", "", "ORDER:AMPLITUDE or ORDER:AMPLITUDE:DEGREES, such as 3.5:0.4ms or 35/12:0.4ms:90", "shafts of the drive: turns per turn of the cam, swing in time, phase"), list: true})
	f.set = func(s *Spec, v string) (err error) { s.Gears, err = list(v, ",", maxGears, parseGear); return }
	f.get = func(s *Spec) string { return join(s.Gears, ",", Gear.String) }

	f = add(field{Key: key(onAll, "lead", "1s", uDuration, "closed before the first opening")})
	f.duration(func(s *Spec) *int64 { return &s.LeadNS }, 1e6, 24*hour)
	f = add(field{Key: key(onAll, "drift", "", uPPM+" per hour", "growth of the drive's speed, until it is half or double")})
	f.number(func(s *Spec) *float64 { return &s.DriftPPMPerHour }, -10000, 10000)
	f = add(field{Key: key(onAll, "wander", "", uPPM+" per square root of an hour", "random walk of the drive's speed")})
	f.number(func(s *Spec) *float64 { return &s.WanderPPM }, 0, 10000)
	f = add(field{Key: key(onAll, "jitter", "", uDuration, "standard deviation of each transition's time; its bounce moves with it")})
	f.duration(func(s *Spec) *int64 { return &s.JitterNS }, 0, second)
	f = add(field{Key: key(onAll, "bounce", "", uBounce, "extra pairs of edges after a transition, at most so many within so long")})
	f.bounce(func(s *Spec) *Bounce { return &s.BounceClose })
	one, get := f.set, f.get
	f.set = func(s *Spec, v string) error { err := one(s, v); s.BounceOpen = s.BounceClose; return err }
	f.get = func(s *Spec) string {
		if s.BounceOpen != s.BounceClose {
			return ""
		}
		return get(s)
	}
	f = add(field{Key: key(onAll, "bounce-open", "", uBounce, "bounce of openings alone"), unless: "bounce"})
	f.bounce(func(s *Spec) *Bounce { return &s.BounceOpen })
	f.onlyIfBouncesDiffer()
	f = add(field{Key: key(onAll, "bounce-close", "", uBounce, "bounce of closings alone"), unless: "bounce"})
	f.bounce(func(s *Spec) *Bounce { return &s.BounceClose })
	f.onlyIfBouncesDiffer()
	f = add(field{Key: key(onAll, "chatter", "", uRate, "bursts that end where they began, at least 5 ms from other changes")})
	f.chance(func(s *Spec) *Chance { return &s.Chatter })
	f = add(field{Key: key(onAll, "chatter-length", "1ms", uDuration, "longest chatter")})
	f.duration(func(s *Spec) *int64 { return &s.ChatterNS }, 1e3, 100e6)
	f = add(field{Key: key(onAll, "short-breaks", "", uRate, "short breaks of a closed contact, at least 5 ms from other changes")})
	f.chance(func(s *Spec) *Chance { return &s.ShortBreaks })
	f = add(field{Key: key(onAll, "short-length", "6ms", uDuration, "length of a short break")})
	f.duration(func(s *Spec) *int64 { return &s.ShortNS }, 1e5, 100e6)
	f = add(field{Key: key(onAll, "spurious-breaks", "", "probability per make such as 0.01, or rate such as 2/s", "openings of a closed contact that nothing made, longer than bounce")})
	f.chance(func(s *Spec) *Chance { return &s.SpuriousBreaks })
	f = add(field{Key: key(onAll, "spurious-makes", "", "probability per break such as 0.01, or rate such as 2/s", "closings of an open contact that nothing made")})
	f.chance(func(s *Spec) *Chance { return &s.SpuriousMakes })
	f = add(field{Key: key(onAll, "spurious-length", "20ms..80ms", uRange, "lengths of spurious breaks and makes")})
	f.lengths(func(s *Spec) *Range { return &s.Spurious }, 1e6, hour)
	f = add(field{Key: key(onAll, "outages", "", "rate such as 0.01/s, or times from the start such as 30s,95s", "times in which the contact stands still, whatever its drive does"), list: true})
	f.outages()
	f = add(field{Key: key(onAll, "outage-length", "1s..10s", uRange, "lengths of outages")})
	f.lengths(func(s *Spec) *Range { return &s.Outage }, 1e6, 24*hour)
	f = add(field{Key: key(onAll, "outage-state", "closed", "closed or open", "state of the contact in an outage")})
	f.set = func(s *Spec, v string) error {
		if v != "closed" && v != "open" {
			return errors.New("expected closed, open")
		}
		s.OutageOpen = v == "open"
		return nil
	}
	f.get = func(s *Spec) string { return map[bool]string{false: "closed", true: "open"}[s.OutageOpen] }
	f = add(field{Key: key(onAll, "outage-noise", "", "rate such as 2/s", "spurious breaks, or makes where it is open, in an outage")})
	f.set = func(s *Spec, v string) (err error) { s.OutageNoise, err = parseRate(v, 1000); return }
	f.get = func(s *Spec) string { return rateOrOff(s.OutageNoise) }
	f = add(field{Key: key(onAll, "lost", "", "probability per edge, or PROBABILITY:RUN", "edges lost, RUN in a row, with a gap in the sequence numbers")})
	f.set = func(s *Spec, v string) (err error) {
		p, run, found := strings.Cut(v, ":")
		if s.Lost, err = parseNumber(p, 0, 0.5); err != nil {
			return err
		}
		s.LostRun = 1
		if found {
			s.LostRun, err = parseCount(run, 1, 10000)
		}
		if s.Lost == 0 {
			s.LostRun = 0
		}
		return err
	}
	f.get = func(s *Spec) string {
		if s.Lost != 0 && s.LostRun > 1 {
			return number(s.Lost) + ":" + strconv.FormatInt(s.LostRun, 10)
		}
		return numberOrOff(s.Lost)
	}
	f = add(field{Key: key(onAll, "lost-silent", "", "probability per edge", "edges lost without a gap: two of one level follow each other")})
	f.number(func(s *Spec) *float64 { return &s.LostSilent }, 0, 0.5)
	f = add(field{Key: key(onAll, "asymmetry", "", uDuration, "how much later openings are seen than closings")})
	f.duration(func(s *Spec) *int64 { return &s.AsymmetryNS }, -5e6, 5e6)
	f = add(field{Key: key(onAll, "clock", "", uPPM, "how fast the measuring clock is")})
	f.number(func(s *Spec) *float64 { return &s.ClockPPM }, -10000, 10000)
	f = add(field{Key: key(onAll, "closed", "high", "high or low", "level of a closed contact")})
	oneOf(f, func(s *Spec) *pulse.Polarity { return &s.Closed }, pulse.ClosedHigh, pulse.ClosedLow)
	f = add(field{Key: key(onAll, "seed", "0", "whole number", "same seed, same edges")})
	f.set = func(s *Spec, v string) (err error) {
		if s.Seed, err = strconv.ParseUint(v, 10, 64); err != nil {
			return fmt.Errorf("expected a whole number from 0 to %d", uint64(math.MaxUint64))
		}
		return nil
	}
	f.get = func(s *Spec) string { return strconv.FormatUint(s.Seed, 10) }
	return fs
}

func (f *field) number(at func(*Spec) *float64, lo, hi float64) {
	f.set = func(s *Spec, v string) (err error) { *at(s), err = parseNumber(v, lo, hi); return }
	f.get = func(s *Spec) string { return numberOrOff(*at(s)) }
}

func (f *field) count(at func(*Spec) *int64, lo, hi int64, endless bool) {
	f.set = func(s *Spec, v string) (err error) {
		if endless && v == "endless" {
			*at(s) = Endless
			return nil
		}
		if *at(s), err = parseCount(v, lo, hi); err != nil && endless {
			err = fmt.Errorf("%w, or endless", err)
		}
		return err
	}
	f.get = func(s *Spec) string {
		if *at(s) == Endless {
			return "endless"
		}
		return countOrOff(*at(s))
	}
}

func (f *field) duration(at func(*Spec) *int64, lo, hi int64) {
	f.set = func(s *Spec, v string) (err error) { *at(s), err = parseDuration(v, lo, hi); return }
	f.get = func(s *Spec) string {
		if *at(s) == 0 {
			return ""
		}
		return duration.Format(*at(s))
	}
}

func (f *field) times(at func(*Spec) *[]int64, limit int64) {
	f.list = true
	f.set = func(s *Spec, v string) (err error) {
		*at(s), err = list(v, ",", maxLobes, func(v string) (int64, error) { return parseDuration(v, -limit, limit) })
		return
	}
	f.get = func(s *Spec) string { return join(*at(s), ",", duration.Format) }
}

func (f *field) places(at func(*Spec) *[]int64, lo int64) {
	f.list = true
	f.set = func(s *Spec, v string) error {
		p, err := list(v, ",", maxList, func(v string) (int64, error) { return parseCount(v, lo, 1e10) })
		slices.Sort(p)
		*at(s) = slices.Compact(p)
		return err
	}
	f.get = func(s *Spec) string { return join(*at(s), ",", countOrOff) }
}

func (f *field) breakLength() {
	f.set = func(s *Spec, v string) (err error) { s.Break, err = parseBreak(v); return }
	f.get = func(s *Spec) string {
		if s.Break == (Break{}) {
			return ""
		}
		return s.Break.String()
	}
}

func (f *field) bounce(at func(*Spec) *Bounce) {
	f.set = func(s *Spec, v string) error {
		pairs, length, found := strings.Cut(v, ":")
		if !found {
			return errors.New("expected PAIRS:LONGEST such as 3:1.5ms")
		}
		n, err := parseCount(pairs, 1, maxPairs)
		if err != nil {
			return err
		}
		ns, err := parseDuration(length, 1e3, 50e6)
		*at(s) = Bounce{int(n), ns}
		return err
	}
	f.get = func(s *Spec) string {
		b := *at(s)
		if b == (Bounce{}) {
			return ""
		}
		return strconv.Itoa(b.Pairs) + ":" + duration.Format(b.MaxNS)
	}
}

func (f *field) onlyIfBouncesDiffer() {
	get := f.get
	f.get = func(s *Spec) string {
		if s.BounceOpen == s.BounceClose {
			return ""
		}
		return get(s)
	}
}

func (f *field) chance(at func(*Spec) *Chance) {
	f.set = func(s *Spec, v string) (err error) {
		*at(s) = Chance{}
		if rate, ok := strings.CutSuffix(v, "/s"); ok {
			at(s).PerSecond, err = parseNumber(rate, 0, 1000)
			return err
		}
		at(s).Probability, err = parseNumber(v, 0, 1)
		if err != nil {
			err = fmt.Errorf("%w, or a rate such as 2/s", err)
		}
		return err
	}
	f.get = func(s *Spec) string {
		if c := *at(s); c.PerSecond != 0 {
			return number(c.PerSecond) + "/s"
		}
		return numberOrOff(at(s).Probability)
	}
}

// lengths is a range of lengths, or one length.
func (f *field) lengths(at func(*Spec) *Range, lo, hi int64) {
	f.set = func(s *Spec, v string) (err error) {
		least, most, ranged := strings.Cut(v, "..")
		r := at(s)
		if r.MinNS, err = parseDuration(least, lo, hi); err != nil {
			return err
		}
		r.MaxNS = r.MinNS
		if ranged {
			if r.MaxNS, err = parseDuration(most, lo, hi); err == nil && r.MaxNS < r.MinNS {
				err = errors.New("expected the shorter length first, such as 20ms..80ms")
			}
		}
		return err
	}
	f.get = func(s *Spec) string {
		switch r := *at(s); {
		case r == Range{}:
			return ""
		case r.MinNS == r.MaxNS:
			return duration.Format(r.MinNS)
		default:
			return duration.Format(r.MinNS) + ".." + duration.Format(r.MaxNS)
		}
	}
}

func (f *field) outages() {
	f.set = func(s *Spec, v string) (err error) {
		s.Outages, s.OutagesAtNS = 0, nil
		if strings.HasSuffix(v, "/s") {
			s.Outages, err = parseRate(v, 10)
			return err
		}
		s.OutagesAtNS, err = list(v, ",", maxList, func(v string) (int64, error) { return parseDuration(v, 1, horizonNS) })
		if err != nil {
			return fmt.Errorf("%w, or a rate such as 0.01/s", err)
		}
		slices.Sort(s.OutagesAtNS)
		s.OutagesAtNS = slices.Compact(s.OutagesAtNS)
		return nil
	}
	f.get = func(s *Spec) string {
		if len(s.OutagesAtNS) > 0 {
			return join(s.OutagesAtNS, ",", duration.Format)
		}
		return rateOrOff(s.Outages)
	}
}

func parseRate(v string, most float64) (float64, error) {
	rate, ok := strings.CutSuffix(v, "/s")
	if !ok {
		return 0, errors.New("expected a rate such as 2/s")
	}
	return parseNumber(rate, 0, most)
}

func rateOrOff(x float64) string {
	if x == 0 {
		return ""
	}
	return number(x) + "/s"
}

func oneOf[T interface {
	comparable
	String() string
}](f *field, at func(*Spec) *T, values ...T) {
	f.set = func(s *Spec, v string) error {
		for _, x := range values {
			if v == x.String() {
				*at(s) = x
				return nil
			}
		}
		return errors.New("expected " + join(values, ", ", T.String))
	}
	f.get = func(s *Spec) string { return (*at(s)).String() }
}

// Parse reads a description of one line: the form, then key=value, separated
// by commas or spaces, such as
//
//	dial digits=0123 rate=10 break=61.5 gap=800ms
//	cam,ipm=60,lobes=5,lobe-errors=0,0.4ms,0,0,-0.2ms
//	cadence 400/200/400/2000 cycles=20
//
// What is not said takes the default that Keys lists. Times are as
// duration.Parse reads them; the segments of a cadence without a unit are in ms.
// An error names the key, its value and what was expected, on one line.
func Parse(desc string) (*Spec, error) {
	s, err := parse(desc)
	if err != nil {
		return nil, err
	}
	if _, err := newLayout(s); err != nil {
		return nil, err
	}
	return s, nil
}

func parse(desc string) (*Spec, error) {
	if len(desc) > maxDescription {
		return nil, fmt.Errorf("description of %d bytes: expected at most %d", len(desc), maxDescription)
	}
	words := strings.FieldsFunc(desc, parts)
	form := -1
	if len(words) > 0 {
		form = slices.Index(formNames[:], words[0])
	}
	if form < 0 {
		return nil, fmt.Errorf("signal %q: expected %s first, such as dial,digits=0123,rate=10", strings.Join(words[:min(1, len(words))], ""), strings.Join(formNames[:], ", "))
	}
	s := &Spec{Form: Form(form)}
	table := fields()
	given := map[string]string{}
	var order []*field
	for _, w := range words[1:] {
		name, value, found := strings.Cut(w, "=")
		switch {
		case !found && len(order) == 0 && s.Form == Cadence:
			name, value = "segments", w
		case !found && len(order) > 0 && order[len(order)-1].list:
			given[order[len(order)-1].Name] += "," + w
			continue
		case !found:
			return nil, fmt.Errorf("%q: expected key=value", w)
		}
		f := find(table, name, s.Form)
		if f == nil {
			return nil, fmt.Errorf("key %q of a %s: expected one of %s", name, s.Form, names(table, s.Form))
		}
		if _, twice := given[name]; twice {
			return nil, fmt.Errorf("key %q value %q: expected once, already given as %q", name, value, given[name])
		}
		given[name] = value
		order = append(order, f)
	}
	for _, f := range order {
		if other, both := given[f.unless]; both {
			return nil, fmt.Errorf("key %q value %q: expected alone, but %s=%s is given too", f.Name, given[f.Name], f.unless, other)
		}
		if err := f.set(s, given[f.Name]); err != nil {
			return nil, fmt.Errorf("key %q value %q: %w", f.Name, given[f.Name], err)
		}
	}
	for i := range table {
		f := &table[i]
		_, said := given[f.Name]
		_, replaced := given[f.unless]
		if said || replaced || f.Default == "" || !slices.Contains(f.Forms, s.Form) {
			continue
		}
		if err := f.set(s, f.Default); err != nil {
			return nil, fmt.Errorf("default of key %q: %w", f.Name, err)
		}
	}
	return s, nil
}

// parts tells whether r parts the words of a description.
func parts(r rune) bool { return strings.ContainsRune(", \t\r\n", r) }

func find(table []field, name string, form Form) *field {
	for i := range table {
		if table[i].Name == name && slices.Contains(table[i].Forms, form) {
			return &table[i]
		}
	}
	return nil
}

func names(table []field, form Form) string {
	var out []string
	for _, f := range table {
		if slices.Contains(f.Forms, form) {
			out = append(out, f.Name)
		}
	}
	return strings.Join(out, ", ")
}

// String gives the canonical description: the figures that matter most, and
// what differs from the defaults. Parse gives the same Spec back. A Spec that
// Parse would refuse is written as it stands.
func (s *Spec) String() string {
	if p, err := Parse(s.write(false)); err == nil {
		return p.write(true)
	}
	return s.write(false)
}

func (s *Spec) write(short bool) string {
	var b strings.Builder
	b.WriteString(s.Form.String())
	for _, f := range fields() {
		if !slices.Contains(f.Forms, s.Form) {
			continue
		}
		v := f.get(s)
		switch {
		case v == "" || short && v == f.Default && !f.main:
		case f.Name == "segments":
			b.WriteString(" " + v)
		default:
			b.WriteString(" " + f.Name + "=" + v)
		}
	}
	return b.String()
}

// normal gives the Spec with its defaults filled in and its ranges checked:
// what is written and read back is one and the same check for both ways in.
func (s *Spec) normal() (*Spec, error) {
	if int(s.Form) >= len(formNames) {
		return nil, fmt.Errorf("form %d: expected %s", s.Form, strings.Join(formNames[:], ", "))
	}
	return parse(s.write(false))
}

func parseDigits(v string) (string, error) {
	v = strings.ToUpper(v)
	if v == "" || len(v) > maxDigits || strings.Trim(v, "0123456789FH") != "" {
		return "", fmt.Errorf("expected 1 to %d of 0-9, F and H", maxDigits)
	}
	return v, nil
}

func parseSegments(v string) ([]int64, error) {
	ns, err := list(v, "/,", maxSegments, func(v string) (int64, error) {
		if isNumber(v) {
			v += "ms"
		}
		return parseDuration(v, 1e6, hour)
	})
	if err == nil && len(ns)%2 != 0 {
		err = fmt.Errorf("expected make/break/make/break …, an even number of segments, not %d", len(ns))
	}
	return ns, err
}

func parseBreak(v string) (b Break, err error) {
	if isNumber(v) {
		b.Percent, err = parseNumber(v, 0.1, 99.9)
		if err != nil {
			err = fmt.Errorf("%w percent of the period, or a time such as 60ms", err)
		}
		return b, err
	}
	b.NS, err = parseDuration(v, 1e5, hour)
	if err != nil {
		err = fmt.Errorf("%w, or percent of the period such as 61.5", err)
	}
	return b, err
}

// String gives the break as a description has it.
func (b Break) String() string {
	if b.NS != 0 {
		return duration.Format(b.NS)
	}
	return number(b.Percent)
}

func parseBreakAt(v string) (b BreakAt, err error) {
	place, length, found := strings.Cut(v, ":")
	if !found {
		return b, errors.New("expected TRAIN:BREAK or TRAIN.PULSE:BREAK such as 3:68")
	}
	train, pulse, one := strings.Cut(place, ".")
	n, err := parseCount(train, 1, maxDigits)
	if err != nil {
		return b, fmt.Errorf("train: %w", err)
	}
	b.Train = int(n)
	if one {
		if n, err = parseCount(pulse, 1, 10); err != nil {
			return b, fmt.Errorf("pulse: %w", err)
		}
		b.Pulse = int(n)
	}
	b.Break, err = parseBreak(length)
	return b, err
}

// String gives the place and the break as a description has them.
func (b BreakAt) String() string {
	place := strconv.Itoa(b.Train)
	if b.Pulse != 0 {
		place += "." + strconv.Itoa(b.Pulse)
	}
	return place + ":" + b.Break.String()
}

func parseGear(v string) (g Gear, err error) {
	part := strings.Split(v, ":")
	if len(part) < 2 || len(part) > 3 {
		return g, errors.New("expected ORDER:AMPLITUDE or ORDER:AMPLITUDE:DEGREES such as 3.5:0.4ms:90")
	}
	num, den, ratio := strings.Cut(part[0], "/")
	g.Order, err = parseNumber(num, 0.0001, 1e6)
	if ratio && err == nil {
		var d float64
		d, err = parseNumber(den, 0.0001, 1e6)
		g.Order /= d
	}
	if err != nil {
		return g, fmt.Errorf("order: %w", err)
	}
	if g.Order < 0.0001 || g.Order > 1000 {
		return g, errors.New("order: expected 0.0001 to 1000 turns per turn of the cam")
	}
	if g.AmplitudeNS, err = parseDuration(part[1], 0, 60*second); err != nil {
		return g, fmt.Errorf("amplitude: %w", err)
	}
	if len(part) == 3 {
		if g.PhaseDegrees, err = parseNumber(part[2], -360, 360); err != nil {
			return g, fmt.Errorf("phase in degrees: %w", err)
		}
	}
	return g, nil
}

// String gives the gear as a description has it.
func (g Gear) String() string {
	s := number(g.Order) + ":" + duration.Format(g.AmplitudeNS)
	if g.PhaseDegrees != 0 {
		s += ":" + number(g.PhaseDegrees)
	}
	return s
}

// list parses parts that one of the separators in sep parts.
func list[T any](v, sep string, most int, one func(string) (T, error)) ([]T, error) {
	for _, r := range sep[1:] {
		v = strings.ReplaceAll(v, string(r), sep[:1])
	}
	words := strings.Split(v, sep[:1])
	if len(words) > most {
		return nil, fmt.Errorf("expected at most %d values, not %d", most, len(words))
	}
	out := make([]T, 0, len(words))
	for i, w := range words {
		x, err := one(w)
		if err != nil {
			if len(words) > 1 {
				err = fmt.Errorf("value %d %q: %w", i+1, w, err)
			}
			return nil, err
		}
		out = append(out, x)
	}
	return out, nil
}

func join[T any](xs []T, sep string, text func(T) string) string {
	var b strings.Builder
	for i, x := range xs {
		if i > 0 {
			b.WriteString(sep)
		}
		b.WriteString(text(x))
	}
	return b.String()
}

// maxNumber is the longest number in bytes: the shortest text of a float64 in
// the ranges used here is well below it.
const maxNumber = 40

// isNumber tells whether v is a plain decimal: no exponent, no Inf or NaN.
func isNumber(v string) bool {
	if len(v) > 0 && (v[0] == '-' || v[0] == '+') {
		v = v[1:]
	}
	whole, part, _ := strings.Cut(v, ".")
	return whole+part != "" && len("0."+whole+part) < maxNumber && strings.Trim(whole+part, "0123456789") == ""
}

func parseNumber(v string, lo, hi float64) (float64, error) {
	x, err := strconv.ParseFloat(v, 64)
	if !isNumber(v) || err != nil || x < lo || x > hi {
		return 0, fmt.Errorf("expected a number from %s to %s", number(lo), number(hi))
	}
	return x + 0, nil // + 0 turns -0 into 0
}

func parseCount(v string, lo, hi int64) (int64, error) {
	n, err := strconv.ParseInt(v, 10, 64)
	if err != nil || n < lo || n > hi {
		return 0, fmt.Errorf("expected a whole number from %d to %d", lo, hi)
	}
	return n, nil
}

func parseDuration(v string, lo, hi int64) (int64, error) {
	ns, err := duration.Parse(v)
	if errors.Is(err, duration.ErrRange) || err == nil && (ns < lo || ns > hi) {
		err = fmt.Errorf("expected %s to %s", duration.Format(lo), duration.Format(hi))
	}
	return ns, err
}

func number(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

func numberOrOff(x float64) string {
	if x == 0 {
		return ""
	}
	return number(x)
}

func countOrOff(n int64) string {
	if n == 0 {
		return ""
	}
	return strconv.FormatInt(n, 10)
}
