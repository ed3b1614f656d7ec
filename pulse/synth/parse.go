package synth

import (
	"cmp"
	"encoding"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

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

// A field is a key with the part of a Spec that it stands for.
type field struct {
	Key
	codec
	main   bool   // shown even when it has the default
	unless string // a key that it cannot stand beside
}

// A codec reads and writes a part of one Spec.
type codec struct {
	set  func(string) error
	get  func() string // "" for what is off or not set
	list bool          // words without a key continue its value
}

var (
	onDial  = []Form{Dial}
	onCam   = []Form{Cam}
	onDrive = []Form{Dial, Cam}
	onTurns = []Form{Cam, Cadence}
	onCad   = []Form{Cadence}
	onAll   = []Form{Dial, Cam, Cadence}
)

// fields is the one table behind Parse, Spec.String and Keys: all keys, with
// the parts of s that they stand for.
func fields(s *Spec) []field {
	const (
		uDuration = "time such as 800ms, 0.8s, 200us"
		uTimes    = "times, one a lobe: 0,0.4ms,-0.2ms"
		uBreak    = "percent such as 61.5, or time such as 60ms"
		uGrowths  = "times, one a lobe, by the day, or by the hour with /h: 0,8ms,-0.2ms/h"
		uCount    = "count"
		uChance   = "probability"
		uPPM      = "ppm"
		uPlaces   = "interruptions, counted from 1: 7,12"
		uBreaks   = "breaks, counted from 1: 7,12"
		uRate     = "probability per transition such as 0.01, or rate such as 2/s"
		uRange    = "time, or range such as 20ms..80ms"
		uBounce   = "PAIRS:LONGEST such as 3:1.5ms"
	)
	bouncesDiffer := s.BounceOpen != s.BounceClose
	return []field{
		{Key: Key{"segments", "segments of the cadence", "400/200/400/2000", "make/break/make/break … in ms", onCad},
			codec: segments(&s.SegmentsNS), main: true},
		{Key: Key{"digits", "what is dialled", "1234567890", "0-9, F flash, H hang-up", onDial},
			codec: value(&s.Digits, parseDigits, oneWord), main: true},
		{Key: Key{"coding", "pulses for a digit", "normal", "normal, n+1, 10-n", onDial}, codec: text(&s.Coding)},
		{Key: Key{"rate", "speed of the pulses", "10", "pulses per second", onDial}, codec: number(&s.RatePPS, 0.5, 100), main: true, unless: "make"},
		{Key: Key{"ipm", "speed of the interruptions", "60", "interruptions per minute, to a millionth", onCam},
			codec: number(&s.IPM, 0.01, 6000), main: true, unless: "make"},
		{Key: Key{"break", "length of a break", "61.5", uBreak, onDial}, codec: value(&s.Break, parseBreak, Break.String), main: true},
		{Key: Key{"break", "length of a break", "50", uBreak, onCam}, codec: value(&s.Break, parseBreak, Break.String), main: true},
		{Key: Key{"break-also", "other lengths that a break has at random, each as likely as break", "", "as break: 200ms, or several", onDrive},
			codec: values(&s.BreakAlso, maxList, parseBreak, Break.String)},
		{Key: Key{"break-drift", "growth of the breaks", "", "percentage points a day, or an hour with /h: 1.2 or 0.05/h", onDrive},
			codec: value(&s.BreakDriftPerDay, parseBreakDrift, numberOrOff)},
		{Key: Key{"make", "length of a make, with break as a time, in place of the speed", "", uDuration, onDrive},
			codec: length(&s.MakeNS, 1e5, hour), main: true},
		{Key: Key{"gap", "interdigit gap, last closing to first opening", "800ms", uDuration, onDial}, codec: length(&s.GapNS, 1e6, hour), main: true},
		{Key: Key{"flash", "length of a flash F", "500ms", uDuration, onDial}, codec: length(&s.FlashNS, 1e6, hour)},
		{Key: Key{"hangup", "length of a hang-up H", "3s", uDuration, onDial}, codec: length(&s.HangupNS, 1e6, hour)},
		{Key: Key{"repeat", "times the digits are dialled", "1", uCount + " or endless", onDial}, codec: countOrEndless(&s.Repeat, 1, 1e9)},
		{Key: Key{"ramp", "rate of each train's first periods against the rest", "", "percent of the rate, first period first: -8,-4,-1", onDial},
			codec: values(&s.RampPercent, 9, numberFrom(-50, 50), decimal)},
		{Key: Key{"break-at", "another break in one train or pulse of the digits", "", "TRAIN:BREAK or TRAIN.PULSE:BREAK such as 3:68,4.7:45ms", onDial},
			codec: values(&s.BreakAt, maxList, parseBreakAt, BreakAt.String)},
		{Key: Key{"lobes", "lobes of the cam", "1", uCount, onCam}, codec: count(&s.Lobes, 1, maxLobes)},
		{Key: Key{"lobe-errors", "error of each lobe's opening, positive is late", "", uTimes, onCam},
			codec: values(&s.LobeErrorsNS, maxLobes, lengthFrom(-hour, hour), duration.Format)},
		{Key: Key{"lobe-breaks", "error of each lobe's break, positive is long", "", uTimes, onCam},
			codec: values(&s.LobeBreaksNS, maxLobes, lengthFrom(-hour, hour), duration.Format)},
		{Key: Key{"wear", "growth of each lobe's break", "", uGrowths, onCam},
			codec: values(&s.WearNSPerDay, maxLobes, parseWear, duration.Format)},
		{Key: Key{"lobe-wear", "growth of each lobe's opening error; its break stays as long", "", uGrowths, onCam},
			codec: values(&s.LobeWearNSPerDay, maxLobes, parseWear, duration.Format)},
		{Key: Key{"cycles", "whole cycles, opening to opening; one break more ends them", "60", uCount + " or endless", onTurns},
			codec: countOrEndless(&s.Cycles, 1, 1e10), main: true, unless: "turns"},
		{Key: Key{"turns", "turns of the cam, in place of cycles", "", uCount, onCam}, codec: count(&s.Turns, 1, 1e9)},
		{Key: Key{"missing", "probability that an interruption is missing", "", uChance, onTurns}, codec: number(&s.Missing, 0, 0.5)},
		{Key: Key{"missing-at", "interruptions that are missing", "", uPlaces, onTurns}, codec: ascending(&s.MissingAt, countFrom(2, 1e10), countOrOff)},
		{Key: Key{"extra", "probability of an extra interruption after one, a third of the make after it", "", uChance, onTurns},
			codec: number(&s.Extra, 0, 1)},
		{Key: Key{"extra-at", "interruptions that an extra one follows", "", uPlaces, onTurns},
			codec: ascending(&s.ExtraAt, countFrom(1, 1e10), countOrOff)},
		{Key: Key{"gear", "shafts of the drive: turns per turn of the cam, swing in time, phase", "", "ORDER:AMPLITUDE or ORDER:AMPLITUDE:DEGREES, such as 3.5:0.4ms or 35/12:0.4ms:90", onTurns},
			codec: values(&s.Gears, maxGears, parseGear, Gear.String)},
		{Key: Key{"tooth", "faults at one place of a shaft, one of TEETH wide: late by up to HEIGHT once a turn of it", "", "ORDER:TEETH:HEIGHT or ORDER:TEETH:HEIGHT:DEGREES, such as 3.75:90:0.4ms", onTurns},
			codec: values(&s.Teeth, maxGears, parseTooth, Tooth.String)},
		{Key: Key{"lead", "closed before the first opening", "1s", uDuration, onAll}, codec: length(&s.LeadNS, 1e6, 24*hour)},
		{Key: Key{"drift", "growth of the drive's speed, until it is half or double", "", uPPM + " per hour", onAll},
			codec: number(&s.DriftPPMPerHour, -10000, 10000)},
		{Key: Key{"steps", "what changes at once and for good, at a time from the start: speed of the drive, breaks, a lobe's opening or its break", "",
			"TIME:speed:PERCENT or …ppm, TIME:break:POINTS or a time, TIME:lobe3:TIME, TIME:lobe3-break:TIME, such as 6h:speed:0.5,12h:break:1.2", onAll},
			codec: steps(&s.Steps)},
		{Key: Key{"wander", "random walk of the drive's speed", "", uPPM + " per square root of an hour", onAll}, codec: number(&s.WanderPPM, 0, 10000)},
		{Key: Key{"wander-white", "white noise of the drive's speed: its Allan deviation at 1 s, 1/√τ of it at τ s", "", uPPM, onAll},
			codec: number(&s.WanderWhitePPM, 0, 10000)},
		{Key: Key{"wander-flicker", "flicker noise of the drive's speed: its Allan deviation at any τ", "", uPPM, onAll},
			codec: number(&s.WanderFlickerPPM, 0, 10000)},
		{Key: Key{"wander-walk", "random walk of the drive's speed: its Allan deviation at 1 s, √τ of it at τ s; wander=104 is wander-walk=1 drawn at each opening", "", uPPM, onAll},
			codec: number(&s.WanderWalkPPM, 0, 10000)},
		{Key: Key{"jitter", "standard deviation of each transition's time; its bounce moves with it", "", uDuration, onAll},
			codec: length(&s.JitterNS, 0, second)},
		{Key: Key{"bounce", "extra pairs of edges after a transition, at most so many within so long", "", uBounce, onAll},
			codec: bounce(!bouncesDiffer, &s.BounceClose, &s.BounceOpen)},
		{Key: Key{"bounce-open", "bounce of openings alone", "", uBounce, onAll}, codec: bounce(bouncesDiffer, &s.BounceOpen), unless: "bounce"},
		{Key: Key{"bounce-close", "bounce of closings alone", "", uBounce, onAll}, codec: bounce(bouncesDiffer, &s.BounceClose), unless: "bounce"},
		{Key: Key{"chatter", "bursts that end where they began, at least 5 ms from other changes", "", uRate, onAll},
			codec: value(&s.Chatter, parseChance, Chance.String)},
		{Key: Key{"chatter-length", "longest chatter", "1ms", uDuration, onAll}, codec: length(&s.ChatterNS, 1e3, 100e6)},
		{Key: Key{"short-breaks", "short breaks of a closed contact, at least 5 ms from other changes", "", uRate, onAll},
			codec: value(&s.ShortBreaks, parseChance, Chance.String)},
		{Key: Key{"short-length", "length of a short break", "6ms", uDuration, onAll}, codec: length(&s.ShortNS, 1e5, 100e6)},
		{Key: Key{"spurious-breaks", "openings of a closed contact that nothing made, longer than bounce", "", "probability per make such as 0.01, or rate such as 2/s", onAll},
			codec: value(&s.SpuriousBreaks, parseChance, Chance.String)},
		{Key: Key{"spurious-makes", "closings of an open contact that nothing made", "", "probability per break such as 0.01, or rate such as 2/s", onAll},
			codec: value(&s.SpuriousMakes, parseChance, Chance.String)},
		{Key: Key{"spurious-length", "lengths of spurious breaks and makes", "20ms..80ms", uRange, onAll},
			codec: value(&s.Spurious, rangeFrom(1e6, hour), Range.String)},
		{Key: Key{"outages", "times in which the contact stands still, whatever its drive does", "", "rate such as 0.01/s, or times from the start such as 30s,95s", onAll},
			codec: outages(s)},
		{Key: Key{"outage-length", "lengths of outages", "1s..10s", uRange, onAll}, codec: value(&s.Outage, rangeFrom(1e6, 24*hour), Range.String)},
		{Key: Key{"outage-state", "state of the contact in an outage", "closed", "closed or open", onAll},
			codec: value(&s.OutageOpen, parseOpen, openOrClosed)},
		{Key: Key{"outage-noise", "spurious breaks, or makes where it is open, in an outage", "", "rate such as 2/s", onAll},
			codec: value(&s.OutageNoise, rateUpTo(1000), rateOrOff)},
		{Key: Key{"lost", "edges lost, RUN in a row, with a gap in the sequence numbers", "", "probability per edge, or PROBABILITY:RUN", onAll},
			codec: lost(s)},
		{Key: Key{"lost-silent", "edges lost without a gap: two of one level follow each other", "", "probability per edge", onAll},
			codec: number(&s.LostSilent, 0, 0.5)},
		{Key: Key{"asymmetry", "how much later openings are seen than closings", "", uDuration, onAll}, codec: length(&s.AsymmetryNS, -5e6, 5e6)},
		{Key: Key{"clock", "how fast the measuring clock is", "", uPPM, onAll}, codec: number(&s.ClockPPM, -10000, 10000)},
		{Key: Key{"closed", "level of a closed contact", "high", "high or low", onAll}, codec: text(&s.Closed)},
		{Key: Key{"contact", "which contact of one drive: the same seed is the same drive, each contact has noise of its own", "", uCount + ", 1 where it is not given", onAll},
			codec: contact(&s.Contact)},
		{Key: Key{"shift", "how much later on its drive the contact stands", "", "time such as 3ms, or degrees of a turn such as 10deg", onAll},
			codec: shift(s)},
		{Key: Key{"repeater", "output of a pulse repeater in place of its input: lags of opening and closing", "", "OPENING:CLOSING such as 12ms:9ms", onAll},
			codec: value(&s.Repeater, lagsFrom(1e3, second, true), Lags.String)},
		{Key: Key{"repeater-jitter", "standard deviation of the repeater's lags", "", "time, or OPENING:CLOSING", onAll},
			codec: value(&s.RepeaterJitter, lagsFrom(0, 100e6, false), Lags.String)},
		{Key: Key{"repeater-first", "lags added for each train's first, second … pulse", "", "OPENING:CLOSING, first pulse first: 4ms:0,2ms:0", onDial},
			codec: values(&s.RepeaterFirst, 10, lagsFrom(-second, second, true), lagsPair)},
		{Key: Key{"repeater-lost", "probability that the repeater loses a break", "", uChance, onAll}, codec: number(&s.RepeaterLost, 0, 0.5)},
		{Key: Key{"repeater-lost-at", "breaks of the input that the repeater loses", "", uBreaks, onAll},
			codec: ascending(&s.RepeaterLostAt, countFrom(1, 1e10), countOrOff)},
		{Key: Key{"repeater-extra-at", "breaks of the input that an extra one of the repeater follows", "", uBreaks, onAll},
			codec: ascending(&s.RepeaterExtraAt, countFrom(1, 1e10), countOrOff)},
		{Key: Key{"seed", "same seed, same edges", "0", "whole number", onAll}, codec: value(&s.Seed, parseSeed, formatSeed)},
	}
}

// fieldsOf gives the fields of s that its form has.
func fieldsOf(s *Spec) []field {
	return slices.DeleteFunc(fields(s), func(f field) bool { return !slices.Contains(f.Forms, s.Form) })
}

// value is a part that parse reads and write writes.
func value[T any](p *T, parse func(string) (T, error), write func(T) string) codec {
	return codec{
		set: func(v string) (err error) { *p, err = parse(v); return err },
		get: func() string { return write(*p) },
	}
}

// values is a list of up to most, between commas.
func values[T any](p *[]T, most int, parse func(string) (T, error), write func(T) string) codec {
	c := value(p,
		func(v string) ([]T, error) { return list(v, ",", most, parse) },
		func(xs []T) string { return join(xs, ",", write) })
	c.list = true
	return c
}

// ascending is a list that is put in order, each value once.
func ascending(p *[]int64, parse func(string) (int64, error), write func(int64) string) codec {
	c := values(p, maxList, parse, write)
	set := c.set
	c.set = func(v string) error {
		err := set(v)
		slices.Sort(*p)
		*p = slices.Compact(*p)
		return err
	}
	return c
}

// steps are put in the order of their times.
func steps(p *[]Step) codec {
	c := values(p, maxList, parseStep, Step.String)
	set := c.set
	c.set = func(v string) error {
		err := set(v)
		slices.SortStableFunc(*p, func(a, b Step) int { return cmp.Compare(a.AtNS, b.AtNS) })
		return err
	}
	return c
}

// contact is the number of a contact; the first is 0, as if it had none.
func contact(p *int64) codec {
	c := count(p, 1, 1000)
	set := c.set
	c.set = func(v string) error {
		err := set(v)
		if *p == 1 {
			*p = 0
		}
		return err
	}
	return c
}

// shift is a time or an angle.
func shift(s *Spec) codec {
	return codec{
		set: func(v string) (err error) {
			degrees, isAngle := strings.CutSuffix(v, "deg")
			if !isAngle {
				degrees, isAngle = strings.CutSuffix(v, "°")
			}
			if isAngle {
				s.ShiftDegrees, err = numberFrom(-360, 360)(degrees)
				return err
			}
			if s.ShiftNS, err = lengthFrom(-hour, hour)(v); err != nil {
				err = fmt.Errorf("%w, or degrees such as 10deg", err)
			}
			return err
		},
		get: func() string {
			switch {
			case s.ShiftDegrees != 0:
				return decimal(s.ShiftDegrees) + "deg"
			case s.ShiftNS != 0:
				return duration.Format(s.ShiftNS)
			}
			return ""
		},
	}
}

// lagsFrom reads two times within lo and hi, or one for both unless there must
// be two.
func lagsFrom(lo, hi int64, two bool) func(string) (Lags, error) {
	return func(v string) (g Lags, err error) {
		open, closing, found := strings.Cut(v, ":")
		if !found && two {
			return g, errors.New("expected OPENING:CLOSING such as 12ms:9ms")
		}
		if g.OpenNS, err = lengthFrom(lo, hi)(open); err != nil {
			return g, fmt.Errorf("opening: %w", err)
		}
		if g.CloseNS = g.OpenNS; found {
			if g.CloseNS, err = lengthFrom(lo, hi)(closing); err != nil {
				err = fmt.Errorf("closing: %w", err)
			}
		}
		return g, err
	}
}

// String gives the lags as a description has them, "" for none.
func (g Lags) String() string {
	if g == (Lags{}) {
		return ""
	}
	return lagsPair(g)
}

func lagsPair(g Lags) string { return duration.Format(g.OpenNS) + ":" + duration.Format(g.CloseNS) }

// text is a part that has a text of its own.
func text(p interface {
	encoding.TextUnmarshaler
	fmt.Stringer
}) codec {
	return codec{set: func(v string) error { return p.UnmarshalText([]byte(v)) }, get: p.String}
}

func number(p *float64, lo, hi float64) codec { return value(p, numberFrom(lo, hi), numberOrOff) }

func count[T int | int64](p *T, lo, hi int64) codec {
	return value(p,
		func(v string) (T, error) { n, err := countFrom(lo, hi)(v); return T(n), err },
		func(n T) string { return countOrOff(int64(n)) })
}

func countOrEndless(p *int64, lo, hi int64) codec {
	return value(p, func(v string) (int64, error) {
		if v == "endless" {
			return Endless, nil
		}
		n, err := countFrom(lo, hi)(v)
		if err != nil {
			err = fmt.Errorf("%w, or endless", err)
		}
		return n, err
	}, func(n int64) string {
		if n == Endless {
			return "endless"
		}
		return countOrOff(n)
	})
}

func length(p *int64, lo, hi int64) codec {
	return value(p, lengthFrom(lo, hi), func(ns int64) string {
		if ns == 0 {
			return ""
		}
		return duration.Format(ns)
	})
}

func segments(p *[]int64) codec {
	c := value(p, parseSegments, func(ns []int64) string { return join(ns, "/", duration.Millis) })
	c.list = true
	return c
}

// bounce is a bounce that several transitions have. It is written if shown.
func bounce(shown bool, all ...*Bounce) codec {
	return codec{
		set: func(v string) error {
			b, err := parseBounce(v)
			for _, p := range all {
				*p = b
			}
			return err
		},
		get: func() string {
			if !shown {
				return ""
			}
			return all[0].String()
		},
	}
}

// outages are a rate, or a list of times.
func outages(s *Spec) codec {
	times := ascending(&s.OutagesAtNS, lengthFrom(1, horizonNS), duration.Format)
	rate := value(&s.Outages, rateUpTo(10), rateOrOff)
	return codec{
		set: func(v string) error {
			if strings.HasSuffix(v, "/s") {
				return rate.set(v)
			}
			if err := times.set(v); err != nil {
				return fmt.Errorf("%w, or a rate such as 0.01/s", err)
			}
			return nil
		},
		get: func() string {
			if len(s.OutagesAtNS) > 0 {
				return times.get()
			}
			return rate.get()
		},
		list: true,
	}
}

// lost are lost edges, with the number of them in a row where that is not 1.
func lost(s *Spec) codec {
	return codec{
		set: func(v string) (err error) {
			p, run, found := strings.Cut(v, ":")
			if s.Lost, err = numberFrom(0, 0.5)(p); err != nil {
				return err
			}
			s.LostRun = 1
			if found {
				s.LostRun, err = countFrom(1, 10000)(run)
			}
			if s.Lost == 0 {
				s.LostRun = 0
			}
			return err
		},
		get: func() string {
			if s.Lost != 0 && s.LostRun > 1 {
				return decimal(s.Lost) + ":" + strconv.FormatInt(s.LostRun, 10)
			}
			return numberOrOff(s.Lost)
		},
	}
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
func Parse(desc string) (*Spec, error) { return parseWhole(desc, false) }

// ParseEndless reads a description as Parse does, but a signal goes on without
// end where the description says neither cycles, turns nor repeat.
func ParseEndless(desc string) (*Spec, error) { return parseWhole(desc, true) }

func parseWhole(desc string, endless bool) (*Spec, error) {
	s, err := parse(desc, endless)
	if err != nil {
		return nil, err
	}
	if _, err := newLayout(s); err != nil {
		return nil, err
	}
	return s, nil
}

func parse(desc string, endless bool) (*Spec, error) {
	if len(desc) > maxDescription {
		return nil, fmt.Errorf("description of %d bytes: expected at most %d", len(desc), maxDescription)
	}
	words := strings.FieldsFunc(desc, separates)
	form := -1
	if len(words) > 0 {
		form = slices.Index(formNames[:], words[0])
	}
	if form < 0 {
		return nil, fmt.Errorf("signal %q: expected %s first, such as dial,digits=0123,rate=10", strings.Join(words[:min(1, len(words))], ""), strings.Join(formNames[:], ", "))
	}
	s := &Spec{Form: Form(form)}
	table := fieldsOf(s)
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
		case !found && hasDecimalComma(desc, w, order, given):
			last := order[len(order)-1].Name
			return nil, fmt.Errorf("%q: expected key=value; a number has a decimal point, as in %s=%s.%s", w, last, given[last], w)
		case !found:
			return nil, fmt.Errorf("%q: expected key=value", w)
		}
		i := slices.IndexFunc(table, func(f field) bool { return f.Name == name })
		if i < 0 {
			return nil, fmt.Errorf("key %q of a %s: expected one of %s", name, s.Form, join(table, ", ", func(f field) string { return f.Name }))
		}
		if _, twice := given[name]; twice {
			return nil, fmt.Errorf("key %q value %q: expected once, already given as %q", name, value, given[name])
		}
		given[name] = value
		order = append(order, &table[i])
	}
	for _, f := range order {
		if other, both := given[f.unless]; both {
			return nil, fmt.Errorf("key %q value %q: expected alone, but %s=%s is given too", f.Name, given[f.Name], f.unless, other)
		}
		if err := f.set(given[f.Name]); err != nil {
			return nil, fmt.Errorf("key %q value %q: %w", f.Name, given[f.Name], err)
		}
	}
	for _, f := range table {
		_, said := given[f.Name]
		_, replaced := given[f.unless]
		if said || replaced || f.Default == "" {
			continue
		}
		value := f.Default
		if endless && (f.Name == "cycles" || f.Name == "repeat") {
			value = "endless"
		}
		if err := f.set(value); err != nil {
			return nil, fmt.Errorf("default of key %q: %w", f.Name, err)
		}
	}
	return s, nil
}

// hasDecimalComma tells that the word w of a description follows the value of its last
// key after a comma, and that both are a value together if the comma is a point. It
// sets the key to it.
func hasDecimalComma(desc, w string, order []*field, given map[string]string) bool {
	if len(order) == 0 {
		return false
	}
	last := order[len(order)-1]
	value := given[last.Name]
	return strings.Contains(desc, last.Name+"="+value+","+w) && strings.Trim(value, "+-0123456789") == "" && last.set(value+"."+w) == nil
}

// separates reports whether r stands between words of a description.
func separates(r rune) bool { return strings.ContainsRune(", \t\r\n", r) }

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
	for _, f := range fieldsOf(s) {
		v := f.get()
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
	return parse(s.write(false), false)
}

func parseDigits(v string) (string, error) {
	v = strings.ToUpper(v)
	if v == "" || len(v) > maxDigits || strings.Trim(v, "0123456789FH") != "" {
		return "", fmt.Errorf("expected 1 to %d of 0-9, F and H", maxDigits)
	}
	return v, nil
}

// oneWord keeps what a program wrote into a Spec from being read as several
// words of its description.
func oneWord(s string) string { return strings.Join(strings.FieldsFunc(s, separates), "_") }

func parseSegments(v string) ([]int64, error) {
	ns, err := list(v, "/,", maxSegments, func(v string) (int64, error) {
		if isNumber(v) {
			v += "ms"
		}
		return lengthFrom(1e6, hour)(v)
	})
	if err == nil && len(ns)%2 != 0 {
		err = fmt.Errorf("expected make/break/make/break …, an even number of segments, not %d", len(ns))
	}
	return ns, err
}

func parseBreak(v string) (b Break, err error) {
	if isNumber(v) {
		b.Percent, err = numberFrom(0.1, 99.9)(v)
		if err != nil {
			err = fmt.Errorf("%w percent of the period, or a time such as 60ms", err)
		}
		return b, err
	}
	b.NS, err = lengthFrom(1e5, hour)(v)
	if err != nil {
		err = fmt.Errorf("%w, or percent of the period such as 61.5", err)
	}
	return b, err
}

// String gives the break as a description has it, "" for none.
func (b Break) String() string {
	if b.NS != 0 {
		return duration.Format(b.NS)
	}
	return numberOrOff(b.Percent)
}

// perDay splits a growth from its unit, a day or an hour: such as 8ms, 8ms/day
// or 8ms/h. It also gives how many of them a day has.
func perDay(v string) (growth string, times int64) {
	growth, unit, found := strings.Cut(v, "/")
	switch {
	case !found || unit == "d" || unit == "day":
		return growth, 1
	case unit == "h" || unit == "hour":
		return growth, 24
	}
	return v, 1
}

func parseWear(v string) (int64, error) {
	growth, times := perDay(v)
	// up to 10 s an hour, however it is written
	ns, err := lengthFrom(-240*second/times, 240*second/times)(growth)
	if err != nil {
		err = fmt.Errorf("%w, with /day or /h after it", err)
	}
	return ns * times, err
}

func parseBreakDrift(v string) (float64, error) {
	growth, times := perDay(v)
	points, err := numberFrom(-2400/float64(times), 2400/float64(times))(growth)
	if err != nil {
		return 0, fmt.Errorf("%w of percentage points, with /day or /h after it", err)
	}
	if times > 1 {
		points = math.Round(points*float64(times)*1e9) / 1e9
	}
	return points, nil
}

func parseBreakAt(v string) (b BreakAt, err error) {
	place, length, found := strings.Cut(v, ":")
	if !found {
		return b, errors.New("expected TRAIN:BREAK or TRAIN.PULSE:BREAK such as 3:68")
	}
	train, pulse, one := strings.Cut(place, ".")
	n, err := countFrom(1, maxDigits)(train)
	if err != nil {
		return b, fmt.Errorf("train: %w", err)
	}
	b.Train = int(n)
	if one {
		if n, err = countFrom(1, 10)(pulse); err != nil {
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
	if g.Order, err = parseOrder(part[0]); err != nil {
		return g, err
	}
	if g.AmplitudeNS, err = lengthFrom(0, 60*second)(part[1]); err != nil {
		return g, fmt.Errorf("amplitude: %w", err)
	}
	if len(part) == 3 {
		if g.PhaseDegrees, err = numberFrom(-360, 360)(part[2]); err != nil {
			return g, fmt.Errorf("phase in degrees: %w", err)
		}
	}
	return g, nil
}

// maxOrder is of a motor of 60,000 turns a minute on a cam of one turn, or of
// the teeth of a slower shaft.
const maxOrder = 100000

// parseOrder reads the turns of a shaft in one turn of the cam: 2.25 or 35/12.
func parseOrder(v string) (float64, error) {
	num, den, ratio := strings.Cut(v, "/")
	order, err := numberFrom(0.0001, 1e6)(num)
	if ratio && err == nil {
		var d float64
		d, err = numberFrom(0.0001, 1e6)(den)
		order /= d
	}
	if err != nil {
		return 0, fmt.Errorf("order: %w", err)
	}
	if order < 0.0001 || order > maxOrder {
		return 0, fmt.Errorf("order: expected 0.0001 to %d turns per turn of the cam", maxOrder)
	}
	return order, nil
}

func parseTooth(v string) (f Tooth, err error) {
	part := strings.Split(v, ":")
	if len(part) < 3 || len(part) > 4 {
		return f, errors.New("expected ORDER:TEETH:HEIGHT or ORDER:TEETH:HEIGHT:DEGREES such as 3.75:90:0.4ms")
	}
	if f.Order, err = parseOrder(part[0]); err != nil {
		return f, err
	}
	if f.Teeth, err = countFrom(1, 10000)(part[1]); err != nil {
		return f, fmt.Errorf("teeth: %w", err)
	}
	if f.HeightNS, err = lengthFrom(-60*second, 60*second)(part[2]); err != nil {
		return f, fmt.Errorf("height: %w", err)
	}
	if len(part) == 4 {
		if f.PhaseDegrees, err = numberFrom(-360, 360)(part[3]); err != nil {
			return f, fmt.Errorf("phase in degrees: %w", err)
		}
	}
	return f, nil
}

// String gives the fault as a description has it.
func (f Tooth) String() string {
	s := decimal(f.Order) + ":" + strconv.FormatInt(f.Teeth, 10) + ":" + duration.Format(f.HeightNS)
	if f.PhaseDegrees != 0 {
		s += ":" + decimal(f.PhaseDegrees)
	}
	return s
}

// String gives the gear as a description has it.
func (g Gear) String() string {
	s := decimal(g.Order) + ":" + duration.Format(g.AmplitudeNS)
	if g.PhaseDegrees != 0 {
		s += ":" + decimal(g.PhaseDegrees)
	}
	return s
}

func parseStep(v string) (st Step, err error) {
	part := strings.Split(v, ":")
	if len(part) != 3 {
		return st, errors.New("expected TIME:WHAT:CHANGE such as 6h:speed:0.5, 12h:break:1.2 or 18h:lobe3:4ms")
	}
	if st.AtNS, err = lengthFrom(0, horizonNS)(part[0]); err != nil {
		return st, fmt.Errorf("time: %w", err)
	}
	what, change := part[1], part[2]
	lobe, isLobe := strings.CutPrefix(what, "lobe")
	switch {
	case what == "speed":
		if ppm, ok := strings.CutSuffix(change, "ppm"); ok {
			if st.Speed, err = numberFrom(-500000, 500000)(ppm); err != nil {
				err = fmt.Errorf("%w ppm, or percent such as 0.5", err)
			}
			st.Speed = math.Round(st.Speed*1e5) / 1e9 // to a billionth of a percent
		} else if st.Speed, err = numberFrom(-50, 50)(strings.TrimSuffix(change, "%")); err != nil {
			err = fmt.Errorf("%w percent, or ppm such as 5000ppm", err)
		}
		if err != nil {
			err = fmt.Errorf("change of speed: %w", err)
		}
		return st, err
	case what == "break":
		st.What = StepBreaks
		if points := strings.TrimSuffix(change, "%"); isNumber(points) {
			st.Break, err = numberFrom(-90, 90)(points)
		} else if st.NS, err = lengthFrom(-hour, hour)(change); err != nil {
			err = fmt.Errorf("%w, or percentage points such as 1.2", err)
		}
		if err != nil {
			err = fmt.Errorf("change of break: %w", err)
		}
		return st, err
	case isLobe:
		st.What = StepLobe
		if number, ok := strings.CutSuffix(lobe, "-break"); ok {
			st.What, lobe = StepLobeBreak, number
		}
		n, err := countFrom(1, maxLobes)(lobe)
		if err != nil {
			return st, fmt.Errorf("lobe %q: %w", lobe, err)
		}
		st.Lobe = int(n)
		if st.NS, err = lengthFrom(-hour, hour)(change); err != nil {
			err = fmt.Errorf("change of the lobe: %w", err)
		}
		return st, err
	}
	return st, fmt.Errorf("%q: expected speed, break, lobe3 or lobe3-break", what)
}

// String gives the step as a description has it.
func (st Step) String() string {
	what, change := "", duration.Format(st.NS)
	switch st.What {
	case StepSpeed:
		what, change = "speed", decimal(st.Speed)
	case StepBreaks:
		what = "break"
		if st.NS == 0 {
			change = decimal(st.Break)
		}
	case StepLobe:
		what = "lobe" + strconv.Itoa(st.Lobe)
	case StepLobeBreak:
		what = "lobe" + strconv.Itoa(st.Lobe) + "-break"
	}
	at := duration.Format(st.AtNS)
	if st.AtNS > 0 && st.AtNS%hour == 0 {
		at = strconv.FormatInt(st.AtNS/hour, 10) + "h"
	}
	return at + ":" + what + ":" + change
}

func parseBounce(v string) (b Bounce, err error) {
	pairs, longest, found := strings.Cut(v, ":")
	if !found {
		return b, errors.New("expected PAIRS:LONGEST such as 3:1.5ms")
	}
	n, err := countFrom(1, maxPairs)(pairs)
	if err != nil {
		return b, err
	}
	b.Pairs = int(n)
	b.MaxNS, err = lengthFrom(1e3, 50e6)(longest)
	return b, err
}

// String gives the bounce as a description has it, "" for none.
func (b Bounce) String() string {
	if b == (Bounce{}) {
		return ""
	}
	return strconv.Itoa(b.Pairs) + ":" + duration.Format(b.MaxNS)
}

func parseChance(v string) (c Chance, err error) {
	if strings.HasSuffix(v, "/s") {
		c.PerSecond, err = rateUpTo(1000)(v)
		return c, err
	}
	if c.Probability, err = numberFrom(0, 1)(v); err != nil {
		err = fmt.Errorf("%w, or a rate such as 2/s", err)
	}
	return c, err
}

// String gives the chance as a description has it, "" for none.
func (c Chance) String() string {
	if c.PerSecond != 0 {
		return rateOrOff(c.PerSecond)
	}
	return numberOrOff(c.Probability)
}

// rangeFrom reads a range of lengths, or one length, within lo and hi.
func rangeFrom(lo, hi int64) func(string) (Range, error) {
	return func(v string) (r Range, err error) {
		least, most, ranged := strings.Cut(v, "..")
		if r.MinNS, err = lengthFrom(lo, hi)(least); err != nil {
			return r, err
		}
		r.MaxNS = r.MinNS
		if ranged {
			if r.MaxNS, err = lengthFrom(lo, hi)(most); err == nil && r.MaxNS < r.MinNS {
				err = errors.New("expected the shorter length first, such as 20ms..80ms")
			}
		}
		return r, err
	}
}

// String gives the range as a description has it, "" for none.
func (r Range) String() string {
	switch {
	case r == Range{}:
		return ""
	case r.MinNS == r.MaxNS:
		return duration.Format(r.MinNS)
	}
	return duration.Format(r.MinNS) + ".." + duration.Format(r.MaxNS)
}

func parseOpen(v string) (bool, error) {
	if v != "closed" && v != "open" {
		return false, errors.New("expected closed, open")
	}
	return v == "open", nil
}

func openOrClosed(open bool) string {
	if open {
		return "open"
	}
	return "closed"
}

func parseSeed(v string) (uint64, error) {
	n, err := strconv.ParseUint(v, 10, 64)
	if err != nil {
		err = fmt.Errorf("expected a whole number from 0 to %d", uint64(math.MaxUint64))
	}
	return n, err
}

func formatSeed(n uint64) string { return strconv.FormatUint(n, 10) }

// list reads up to most values that one of the characters in sep separates.
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

// isNumber reports whether v is a plain decimal: no exponent, no Inf or NaN.
func isNumber(v string) bool {
	if len(v) > 0 && (v[0] == '-' || v[0] == '+') {
		v = v[1:]
	}
	whole, part, _ := strings.Cut(v, ".")
	return whole+part != "" && len("0."+whole+part) < maxNumber && strings.Trim(whole+part, "0123456789") == ""
}

func numberFrom(lo, hi float64) func(string) (float64, error) {
	return func(v string) (float64, error) {
		x, err := strconv.ParseFloat(v, 64)
		if !isNumber(v) || err != nil || x < lo || x > hi {
			return 0, fmt.Errorf("expected a number from %s to %s", decimal(lo), decimal(hi))
		}
		return x + 0, nil // + 0 turns -0 into 0
	}
}

func countFrom(lo, hi int64) func(string) (int64, error) {
	return func(v string) (int64, error) {
		n, err := strconv.ParseInt(v, 10, 64)
		if err != nil || n < lo || n > hi {
			return 0, fmt.Errorf("expected a whole number from %d to %d", lo, hi)
		}
		return n, nil
	}
}

func lengthFrom(lo, hi int64) func(string) (int64, error) {
	return func(v string) (int64, error) {
		ns, err := duration.Parse(v)
		if errors.Is(err, duration.ErrRange) || err == nil && (ns < lo || ns > hi) {
			err = fmt.Errorf("expected %s to %s", duration.Format(lo), duration.Format(hi))
		}
		return ns, err
	}
}

func rateUpTo(most float64) func(string) (float64, error) {
	return func(v string) (float64, error) {
		rate, ok := strings.CutSuffix(v, "/s")
		if !ok {
			return 0, errors.New("expected a rate such as 2/s")
		}
		return numberFrom(0, most)(rate)
	}
}

func rateOrOff(x float64) string {
	if x == 0 {
		return ""
	}
	return decimal(x) + "/s"
}

func decimal(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

func numberOrOff(x float64) string {
	if x == 0 {
		return ""
	}
	return decimal(x)
}

func countOrOff(n int64) string {
	if n == 0 {
		return ""
	}
	return strconv.FormatInt(n, 10)
}
