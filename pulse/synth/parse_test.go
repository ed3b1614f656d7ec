package synth

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"makebreak/pulse"
)

func TestParse(t *testing.T) {
	type edit func(*Spec)
	dial := func(e edit) *Spec {
		s := &Spec{Form: Dial, Digits: "1234567890", RatePPS: 10, Break: Break{Percent: 61.5}, GapNS: 800e6,
			FlashNS: 500e6, HangupNS: 3e9, Repeat: 1, LeadNS: 1e9, ChatterNS: 1e6, ShortNS: 6e6, Spurious: Range{20e6, 80e6}, Outage: Range{1e9, 10e9}}
		e(s)
		return s
	}
	cam := func(e edit) *Spec {
		s := &Spec{Form: Cam, IPM: 60, Break: Break{Percent: 50}, Lobes: 1, Cycles: 60, LeadNS: 1e9, ChatterNS: 1e6, ShortNS: 6e6, Spurious: Range{20e6, 80e6}, Outage: Range{1e9, 10e9}}
		e(s)
		return s
	}
	cadence := func(e edit) *Spec {
		s := &Spec{Form: Cadence, SegmentsNS: []int64{4e8, 2e8, 4e8, 2e9}, Cycles: 60, LeadNS: 1e9, ChatterNS: 1e6, ShortNS: 6e6, Spurious: Range{20e6, 80e6}, Outage: Range{1e9, 10e9}}
		e(s)
		return s
	}
	for _, c := range []struct {
		desc, canonical string
		want            *Spec
	}{
		{"dial", "dial digits=1234567890 rate=10 break=61.5 gap=800ms", dial(func(*Spec) {})},
		{"dial digits=0123 rate=10 break=61.5 gap=800ms", "dial digits=0123 rate=10 break=61.5 gap=800ms",
			dial(func(s *Spec) { s.Digits = "0123" })},
		{"dial,gap=0.75s,digits=1f2,,rate=9.50", "dial digits=1F2 rate=9.5 break=61.5 gap=750ms",
			dial(func(s *Spec) { s.GapNS, s.Digits, s.RatePPS = 750e6, "1F2", 9.5 })},
		{"dial make=40ms break=60ms repeat=endless", "dial digits=1234567890 break=60ms make=40ms gap=800ms repeat=endless",
			dial(func(s *Spec) { s.RatePPS, s.Break, s.MakeNS, s.Repeat = 0, Break{NS: 60e6}, 40e6, Endless })},
		{"dial ramp=-8,-4,1.5 break-at=3:68,4.6:45ms coding=10-n", "dial digits=1234567890 coding=10-n rate=10 break=61.5 gap=800ms ramp=-8,-4,1.5 break-at=3:68,4.6:45ms",
			dial(func(s *Spec) {
				s.RampPercent, s.Coding = []float64{-8, -4, 1.5}, pulse.Coding10MinusN
				s.BreakAt = []BreakAt{{3, 0, Break{Percent: 68}}, {4, 6, Break{NS: 45e6}}}
			})},
		{"cam ipm=60 break=50 lobes=5 lobe-errors=0,0.4ms,0,0,-0.2ms", "cam ipm=60 break=50 lobes=5 lobe-errors=0,0.4ms,0,0,-0.2ms cycles=60",
			cam(func(s *Spec) { s.Lobes, s.LobeErrorsNS = 5, []int64{0, 4e5, 0, 0, -2e5} })},
		{"cam lobes=2 wear=0,1us turns=3 gear=35/7:0.4ms:90,2.25:20us", "cam ipm=60 break=50 lobes=2 wear=0,1us turns=3 gear=5:0.4ms:90,2.25:20us",
			cam(func(s *Spec) {
				s.Lobes, s.WearNSPerDay, s.Turns, s.Cycles = 2, []int64{0, 1000}, 3, 0
				s.Gears = []Gear{{5, 4e5, 90}, {2.25, 2e4, 0}}
			})},
		{"cam lobes=6 gear=1687.5:20us,18.75:0.4ms tooth=15/4:90:0.5ms:-30,1:20:-3ms", "cam ipm=60 break=50 lobes=6 cycles=60 gear=1687.5:20us,18.75:0.4ms tooth=3.75:90:0.5ms:-30,1:20:-3ms",
			cam(func(s *Spec) {
				s.Lobes, s.Gears = 6, []Gear{{1687.5, 2e4, 0}, {18.75, 4e5, 0}}
				s.Teeth = []Tooth{{3.75, 90, 5e5, -30}, {1, 20, -3e6, 0}}
			})},
		{"dial digits=5 repeater=12ms:9ms repeater-jitter=0.2ms repeater-first=4ms:0,-1ms:2ms repeater-lost=0.01 repeater-lost-at=3,2 repeater-extra-at=4 contact=2 shift=-3ms",
			"dial digits=5 rate=10 break=61.5 gap=800ms contact=2 shift=-3ms repeater=12ms:9ms repeater-jitter=0.2ms:0.2ms repeater-first=4ms:0,-1ms:2ms repeater-lost=0.01 repeater-lost-at=2,3 repeater-extra-at=4",
			dial(func(s *Spec) {
				s.Digits, s.Repeater, s.RepeaterJitter = "5", Lags{12e6, 9e6}, Lags{2e5, 2e5}
				s.RepeaterFirst, s.RepeaterLost = []Lags{{4e6, 0}, {-1e6, 2e6}}, 0.01
				s.RepeaterLostAt, s.RepeaterExtraAt = []int64{2, 3}, []int64{4}
				s.Contact, s.ShiftNS = 2, -3e6
			})},
		{"cam contact=1 shift=10°", "cam ipm=60 break=50 cycles=60 shift=10deg", cam(func(s *Spec) { s.ShiftDegrees = 10 })},
		{"cam missing-at=9,4,9 extra=0.5 missing=0.25 extra-at=1", "cam ipm=60 break=50 cycles=60 missing=0.25 missing-at=4,9 extra=0.5 extra-at=1",
			cam(func(s *Spec) { s.MissingAt, s.Extra, s.Missing, s.ExtraAt = []int64{4, 9}, 0.5, 0.25, []int64{1} })},
		{"cadence 400/200/400/2000 cycles=20", "cadence 400/200/400/2000 cycles=20", cadence(func(s *Spec) { s.Cycles = 20 })},
		{"cadence,0.4s,200ms,400,2s", "cadence 400/200/400/2000 cycles=60", cadence(func(*Spec) {})},
		{"cadence segments=2.5s/0.5s cycles=endless", "cadence 2500/500 cycles=endless",
			cadence(func(s *Spec) { s.SegmentsNS, s.Cycles = []int64{2.5e9, 5e8}, Endless })},
		{"cam break=100ms break-also=200ms,12.5 spurious-breaks=0.5 spurious-makes=2/s spurious-length=10ms..0.1s outages=0.01/s outage-length=1min outage-state=open outage-noise=3/s jitter=50ms",
			"cam ipm=60 break=100ms break-also=200ms,12.5 cycles=60 jitter=50ms spurious-breaks=0.5 spurious-makes=2/s spurious-length=10ms..100ms outages=0.01/s outage-length=60s outage-state=open outage-noise=3/s",
			cam(func(s *Spec) {
				s.Break, s.BreakAlso, s.JitterNS = Break{NS: 1e8}, []Break{{NS: 2e8}, {Percent: 12.5}}, 50e6
				s.SpuriousBreaks, s.SpuriousMakes, s.Spurious = Chance{Probability: 0.5}, Chance{PerSecond: 2}, Range{10e6, 100e6}
				s.Outages, s.Outage, s.OutageOpen, s.OutageNoise = 0.01, Range{60e9, 60e9}, true, 3
			})},
		{"dial outages=95s,30s,30s outage-length=2s", "dial digits=1234567890 rate=10 break=61.5 gap=800ms outages=30s,95s outage-length=2s",
			dial(func(s *Spec) { s.OutagesAtNS, s.Outage = []int64{30e9, 95e9}, Range{2e9, 2e9} })},
		{"cam lead=1min drift=-2.5 wander=3 jitter=150us bounce=3:1.5ms chatter=0.01 short-breaks=2/s lost=0.001:20 lost-silent=0.002 asymmetry=-0.1ms clock=20 closed=low seed=7 chatter-length=2ms short-length=7ms",
			"cam ipm=60 break=50 cycles=60 lead=60s drift=-2.5 wander=3 jitter=0.15ms bounce=3:1.5ms chatter=0.01 chatter-length=2ms short-breaks=2/s short-length=7ms lost=0.001:20 lost-silent=0.002 asymmetry=-0.1ms clock=20 closed=low seed=7",
			cam(func(s *Spec) {
				s.LeadNS, s.DriftPPMPerHour, s.WanderPPM, s.JitterNS = 60e9, -2.5, 3, 15e4
				s.BounceOpen, s.BounceClose = Bounce{3, 15e5}, Bounce{3, 15e5}
				s.Chatter, s.ShortBreaks = Chance{Probability: 0.01}, Chance{PerSecond: 2}
				s.ChatterNS, s.ShortNS = 2e6, 7e6
				s.Lost, s.LostRun, s.LostSilent, s.AsymmetryNS, s.ClockPPM = 0.001, 20, 0.002, -1e5, 20
				s.Closed, s.Seed = pulse.ClosedLow, 7
			})},
		{"cam bounce-close=2:1ms", "cam ipm=60 break=50 cycles=60 bounce-close=2:1ms", cam(func(s *Spec) { s.BounceClose = Bounce{2, 1e6} })},
	} {
		got, err := Parse(c.desc)
		if err != nil {
			t.Errorf("%s: %v", c.desc, err)
			continue
		}
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("%s: (-want +got)\n%s", c.desc, d)
		}
		if got.String() != c.canonical {
			t.Errorf("%s: canonical form\n%s\nwant\n%s", c.desc, got, c.canonical)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, c := range []struct{ desc, want string }{
		{"", `signal "": expected dial, cam, cadence first`},
		{"dail digits=1", `signal "dail": expected dial, cam, cadence first`},
		{"digits=1", `signal "digits=1": expected dial`},
		{"dial gap=800", `key "gap" value "800": expected a time with its unit, such as 800ms`},
		{"dial gap=800m", `key "gap" value "800m": expected 1ms to 3600s`},
		{"dial gap=800x", `key "gap" value "800x": expected a time in ns, us, ms, s, min, h or d`},
		{"dial gap=ms", `key "gap" value "ms": expected a time such as 800ms, 0.8s or 200us`},
		{"dial gap=0.5ns", `key "gap" value "0.5ns": expected 1ms to 3600s`},
		{"dial gap=2h", `key "gap" value "2h": expected 1ms to 3600s`},
		{"dial gap=99999999999999999999h", `key "gap" value "99999999999999999999h": expected 1ms to 3600s`},
		{"dial gap=", `key "gap" value "": expected a time`},
		{"dial rate=1e1", `key "rate" value "1e1": expected a number from 0.5 to 100`},
		{"dial rate=NaN", `key "rate" value "NaN": expected a number`},
		{"dial rate=+Inf", `expected a number from 0.5 to 100`},
		{"dial rate=0x10", `expected a number from 0.5 to 100`},
		{"dial rate=101", `expected a number from 0.5 to 100`},
		{"dial rate=-10", `expected a number from 0.5 to 100`},
		{"dial rate=10 rate=11", `key "rate" value "11": expected once, already given as "10"`},
		{"dial rate", `"rate": expected key=value`},
		{"dial 10", `"10": expected key=value`},
		{"dial digits=12 34", `"34": expected key=value`},
		{"dial rate=9,4", `"4": expected key=value; a number has a decimal point, as in rate=9.4`},
		{"cam,ipm=60,jitter=0,5ms", `"5ms": expected key=value; a number has a decimal point, as in jitter=0.5ms`},
		{"dial rat=10", `key "rat" of a dial: expected one of digits, coding, rate, break`},
		{"dial ipm=60", `key "ipm" of a dial: expected one of`},
		{"dial =3", `key "" of a dial`},
		{"dial digits=12a", `key "digits" value "12a": expected 1 to 200 of 0-9, F and H`},
		{"dial digits=" + strings.Repeat("1", 201), `expected 1 to 200 of 0-9`},
		{"dial coding=swedish", `key "coding" value "swedish": expected normal, n+1, 10-n`},
		{"dial break=100", `key "break" value "100": expected a number from 0.1 to 99.9 percent of the period, or a time such as 60ms`},
		{"dial break=60%", `key "break" value "60%": expected a time in ns, us, ms, s, min, h or d, such as 800ms, or percent of the period such as 61.5`},
		{"dial break=100ms", `dial: make after break 2 of a round would last 0: expected at least 0.1ms, see rate, break`},
		{"dial make=40ms", `key "break" value "61.5": expected a time such as 60ms beside make=40ms`},
		{"dial make=40ms break=60ms rate=10", `key "rate" value "10": expected alone, but make=40ms is given too`},
		{"dial repeat=0", `key "repeat" value "0": expected a whole number from 1 to 1000000000, or endless`},
		{"dial repeat=1.5", `expected a whole number`},
		{"dial ramp=-8,x", `key "ramp" value "-8,x": value 2 "x": expected a number from -50 to 50`},
		{"dial ramp=0,0,0,0,0,0,0,0,0,0", `expected at most 9 values, not 10`},
		{"dial break-at=3", `key "break-at" value "3": expected TRAIN:BREAK or TRAIN.PULSE:BREAK`},
		{"dial digits=12 break-at=3:60", `key "break-at" value "3:60": expected a pulse of the 2 trains`},
		{"dial digits=12 break-at=1.2:60", `expected a pulse of the 2 trains that digits=12 has`},
		{"dial digits=FH break-at=1:60", `expected a pulse of the 0 trains`},
		{"dial break-at=x:60", `train: expected a whole number from 1 to 200`},
		{"dial break-at=1.11:60", `pulse: expected a whole number from 1 to 10`},
		{"cam lobes=0", `key "lobes" value "0": expected a whole number from 1 to 64`},
		{"cam lobes=3 lobe-errors=0,1ms", `key "lobe-errors" value "0,1ms": expected one value a lobe, 3 for lobes=3`},
		{"cam lobe-errors=0,,1ms wear=1", `key "wear" value "1": expected a time with its unit, such as 1ms`},
		{"cam lobes=2 wear=0,3", `value 2 "3": expected a time with its unit, such as 3ms`},
		{"cam lobes=2 lobe-wear=1ms", `key "lobe-wear" value "1ms": expected one value a lobe, 2 for lobes=2`},
		{"cam lobes=2 wear=0,1ms/s", `value 2 "1ms/s": expected a time in ns, us, ms, s, min, h or d, such as 800ms, with /day or /h after it`},
		{"cam wear=11s/h", `key "wear" value "11s/h": expected -10s to 10s, with /day or /h after it`},
		{"cam wear=241s", `expected -240s to 240s`},
		{"dial wear=1ms", `key "wear" of a dial`},
		{"cam steps=6h", `key "steps" value "6h": expected TIME:WHAT:CHANGE such as 6h:speed:0.5`},
		{"cam steps=6h:speed", `expected TIME:WHAT:CHANGE`},
		{"cam steps=6:speed:1", `time: expected a time with its unit, such as 6ms`},
		{"cam steps=-6h:speed:1", `time: expected 0 to 3155760000s`},
		{"cam steps=6h:sped:1", `"sped": expected speed, break, lobe3 or lobe3-break`},
		{"cam steps=6h:speed:1ms", `change of speed: expected a number from -50 to 50 percent, or ppm such as 5000ppm`},
		{"cam steps=6h:speed:NaN", `change of speed: expected a number from -50 to 50`},
		{"cam steps=6h:break:3h", `change of break: expected -3600s to 3600s, or percentage points such as 1.2`},
		{"cam steps=6h:break:91", `change of break: expected a number from -90 to 90`},
		{"cam steps=6h:lobe:1ms", `lobe "": expected a whole number from 1 to 64`},
		{"cam steps=6h:lobe2:1ms", `key "steps" value "6h:lobe2:1ms": expected a lobe from 1 to 1, see lobes`},
		{"cam steps=6h:lobe1:1", `change of the lobe: expected a time with its unit`},
		{"cam steps=1h:break:30,2h:speed:1,3h:break:200ms", `key "steps" value "3h:break:200ms": make after break 1 of a round would last 0: expected at least 0.1ms`},
		{"cam lobes=3 steps=1h:lobe2:-500ms", `make after break 1 of a round would last 0`},
		{"cam lobes=3 steps=1h:lobe2-break:-0.5s", `break 2 of a round would last 0`},
		{"cam steps=1h:speed:-15,2h:speed:-6", `key "steps" value "2h:speed:-6": the speed would be 0.79 times the nominal one: expected 0.8 to 1.25`},
		{"cadence steps=1h:break:1ms", `expected a step of speed, a cadence has its segments`},
		{"dial steps=1h:lobe1:1ms", `expected a step of speed or break, only a cam has lobes`},
		{"cam break-drift=1ms", `key "break-drift" value "1ms": expected a number from -2400 to 2400 of percentage points, with /day or /h after it`},
		{"cam break-drift=101/h", `expected a number from -100 to 100 of percentage points`},
		{"cam lobes=2 lobe-errors=0,-900ms", `cam: make after break 1 of a round would last -400ms`},
		{"cam lobe-breaks=-500ms", `cam: break 1 of a round would last 0`},
		{"cam lobe-errors=-2ms lead=1ms", `key "lead" value "1ms": expected more than lobe 1 is early`},
		{"cam cycles=5 turns=5", `key "cycles" value "5": expected alone, but turns=5 is given too`},
		{"cam missing-at=1", `key "missing-at" value "1": expected a whole number from 2`},
		{"cam cycles=5 missing-at=6", `key "missing-at" value "6": expected interruptions before the last, which is 6`},
		{"cam cycles=5 extra-at=2,7", `key "extra-at" value "2,7": expected interruptions before the last, which is 6`},
		{"cam missing=0.6", `expected a number from 0 to 0.5`},
		{"cam gear=3", `key "gear" value "3": expected ORDER:AMPLITUDE`},
		{"cam gear=3:1ms:2:3", `expected ORDER:AMPLITUDE`},
		{"cam gear=x:1ms", `order: expected a number`},
		{"cam gear=1/0:1ms", `order: expected a number`},
		{"cam gear=1000000/1:1ms", `order: expected 0.0001 to 100000 turns per turn of the cam`},
		{"cam gear=3:1", `amplitude: expected a time with its unit, such as 1ms`},
		{"cam gear=3:1ms:400", `phase in degrees: expected a number from -360 to 360`},
		{"dial repeater=12ms", `key "repeater" value "12ms": expected OPENING:CLOSING such as 12ms:9ms`},
		{"dial repeater=12:9ms", `opening: expected a time with its unit, such as 12ms`},
		{"dial repeater=12ms:0", `closing: expected 1us to 1s`},
		{"dial repeater=90ms:9ms", `key "repeater" value "90ms:9ms": in the output break 1 of a round would last -19.5ms: expected at least 0.1ms`},
		{"dial repeater=9ms:60ms", `in the output make after break 2 of a round would last -12.5ms`},
		{"dial repeater=12ms:9ms repeater-first=60ms:0", `in the output break 1 of a round would last -1.5ms`},
		{"dial repeater-lost=0.1", `key "repeater-lost" value "0.1": expected beside repeater, such as repeater=12ms:9ms`},
		{"dial repeater=1ms:1ms repeater-lost=0.6", `expected a number from 0 to 0.5`},
		{"dial repeater=1ms:1ms repeater-lost-at=0", `expected a whole number from 1`},
		{"cam repeater=1ms:1ms repeater-first=1ms:0", `key "repeater-first" of a cam`},
		{"cam contact=0", `key "contact" value "0": expected a whole number from 1 to 1000`},
		{"cam shift=3", `key "shift" value "3": expected a time with its unit, such as 3ms, or degrees such as 10deg`},
		{"cam shift=361deg", `expected a number from -360 to 360`},
		{"cam shift=-2s", `key "lead" value "1s": expected more than the first opening is early`},
		{"dial shift=3deg", `key "shift" value "3deg": expected a time such as 3ms, a dial has no turns`},
		{"cam tooth=3:90", `key "tooth" value "3:90": expected ORDER:TEETH:HEIGHT or`},
		{"cam tooth=0:90:1ms", `order: expected a number`},
		{"cam tooth=1:0:1ms", `teeth: expected a whole number from 1 to 10000`},
		{"cam tooth=1:2.5:1ms", `teeth: expected a whole number`},
		{"cam tooth=1:90:2", `height: expected a time with its unit, such as 2ms`},
		{"cam tooth=1:90:2ms:x", `phase in degrees: expected a number from -360 to 360`},
		{"cam gear=1:0.05s tooth=3.75:90:-1ms", `key "tooth" value "3.75:90:-1ms": expected less height, the speed would change by 137 %, at most 90`},
		{"dial tooth=1:90:2ms", `key "tooth" of a dial`},
		{"cam gear=100:10ms", `expected less swing, the speed would change by 628 %, at most 50`},
		{"cam ipm=0.01 cycles=10000000000", `cam: lasts more than 100 years`},
		{"cam ipm=6000 break=0.1", `cam: break 1 of a round would last 10us: expected at least 0.1ms, see ipm`},
		{"cadence 400/200/400", `key "segments" value "400/200/400": expected make/break/make/break …, an even number of segments, not 3`},
		{"cadence 400//400/200", `value 2 "": expected a time`},
		{"cadence 400/200/x/200", `value 3 "x": expected a time`},
		{"cadence cycles=3 400/200", `"400/200": expected key=value`},
		{"cadence 400/200 break=50", `key "break" of a cadence: expected one of segments, cycles`},
		{"cadence " + strings.Repeat("400/200/", 17) + "1/1", `expected at most 32 values, not 36`},
		{"cam bounce=3", `key "bounce" value "3": expected PAIRS:LONGEST such as 3:1.5ms`},
		{"cam bounce=17:1ms", `expected a whole number from 1 to 16`},
		{"cam bounce=3:1", `expected a time with its unit`},
		{"cam bounce=3:1ms bounce-open=1:1ms", `key "bounce-open" value "1:1ms": expected alone, but bounce=3:1ms is given too`},
		{"cam chatter=2", `key "chatter" value "2": expected a number from 0 to 1, or a rate such as 2/s`},
		{"cam chatter=x/s", `expected a number from 0 to 1000`},
		{"cam jitter=2s", `key "jitter" value "2s": expected 0 to 1s`},
		{"cam break-also=100", `key "break-also" value "100": expected a number from 0.1 to 99.9 percent`},
		{"cam break-also=1s", `cam: make after break 1 of a round would last 0: expected at least 0.1ms, see ipm, break, break-also`},
		{"cam break-also=200ms lobe-breaks=-0.3s", `cam: break 1 of a round would last -100ms`},
		{"cadence break-also=1s", `key "break-also" of a cadence`},
		{"cam spurious-breaks=2", `key "spurious-breaks" value "2": expected a number from 0 to 1, or a rate such as 2/s`},
		{"cam spurious-length=80ms..20ms", `key "spurious-length" value "80ms..20ms": expected the shorter length first`},
		{"cam spurious-length=20ms..", `key "spurious-length" value "20ms..": expected a time such as 800ms`},
		{"cam spurious-length=0", `key "spurious-length" value "0": expected 1ms to 3600s`},
		{"cam outages=3", `key "outages" value "3": expected a time with its unit, such as 3ms, or a rate such as 0.01/s`},
		{"cam outages=11/s", `key "outages" value "11/s": expected a number from 0 to 10`},
		{"cam outage-state=shut", `key "outage-state" value "shut": expected closed, open`},
		{"cam outage-noise=3", `key "outage-noise" value "3": expected a rate such as 2/s`},
		{"cam lost=0.1:0", `expected a whole number from 1 to 10000`},
		{"cam closed=up", `key "closed" value "up": expected high, low`},
		{"cam seed=-1", `key "seed" value "-1": expected a whole number from 0 to 18446744073709551615`},
		{"cam lead=0", `key "lead" value "0": expected 1ms to 86400s`},
		{"cam seed=" + strings.Repeat("1", 5000), `description of 5009 bytes: expected at most 4096`},
		{"cam jitter=\x00", `key "jitter" value "\x00": expected`},
	} {
		s, err := Parse(c.desc)
		if err == nil {
			t.Errorf("%.80s: no error, %v", c.desc, s)
			continue
		}
		if msg := err.Error(); !strings.Contains(msg, c.want) || strings.Contains(msg, "\n") {
			t.Errorf("%.80s: error\n%s\nwants\n%s", c.desc, msg, c.want)
		}
	}
}

// A Spec made by a program is held to the same ranges as a description.
func TestNewChecks(t *testing.T) {
	for _, c := range []struct {
		spec Spec
		want string
	}{
		{Spec{Form: 3}, `form 3: expected dial, cam, cadence`},
		{Spec{Form: Cam, IPM: -1}, `key "ipm" value "-1"`},
		{Spec{RatePPS: 1e300}, `key "rate"`},
		{Spec{RatePPS: 10, MakeNS: 40e6, Break: Break{NS: 60e6}}, `key "rate" value "10": expected alone`},
		{Spec{Form: Cam, Cycles: -2}, `key "cycles" value "-2"`},
		{Spec{JitterNS: -1 << 63}, `key "jitter"`},
		{Spec{Digits: "1 rate=3"}, `key "digits" value "1_rate=3"`},
		{Spec{Form: Cadence, SegmentsNS: []int64{1e9}}, `key "segments" value "1000"`},
		{Spec{Form: Cam, BounceOpen: Bounce{0, 5}}, `key "bounce-open"`},
		{Spec{Form: Cam, Spurious: Range{5e6, 2e6}}, `key "spurious-length" value "5ms..2ms"`},
		{Spec{Form: Cam, OutagesAtNS: []int64{-5}}, `key "outages" value "-0.005us"`},
	} {
		_, err := New(&c.spec)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: error %v, want %s", c.spec, err, c.want)
		}
	}
	spec := Spec{Form: Cam, IPM: 120}
	s, err := New(&spec)
	if err != nil || s.Spec().Cycles != 60 || spec.Cycles != 0 {
		t.Errorf("New of a short Spec: %v, %v", s.Spec(), err)
	}
}

func TestParseEndless(t *testing.T) {
	for desc, want := range map[string]string{
		"cam ipm=30":                "cam ipm=30 break=50 cycles=endless",
		"cam cycles=7":              "cam ipm=60 break=50 cycles=7",
		"cam turns=7":               "cam ipm=60 break=50 turns=7",
		"cadence":                   "cadence 400/200/400/2000 cycles=endless",
		"dial digits=5":             "dial digits=5 rate=10 break=61.5 gap=800ms repeat=endless",
		"dial digits=5 repeat=2":    "dial digits=5 rate=10 break=61.5 gap=800ms repeat=2",
		"cam cycles=endless ipm=60": "cam ipm=60 break=50 cycles=endless",
	} {
		if s, err := ParseEndless(desc); err != nil || s.String() != want {
			t.Errorf("%s: %v, %v, want %s", desc, s, err, want)
		}
	}
	if _, err := ParseEndless("cam ipm=x"); err == nil {
		t.Error("no error for ipm=x")
	}
}

func TestKeys(t *testing.T) {
	for _, k := range Keys() {
		if k.Name == "" || k.Meaning == "" || k.Unit == "" || len(k.Forms) == 0 {
			t.Errorf("key %+v is not documented", k)
		}
		// A default is taken by its own key, and canonical: it is then left out.
		for _, f := range k.Forms {
			if k.Default == "" || k.Name == "segments" {
				continue
			}
			s, err := Parse(f.String() + " " + k.Name + "=" + k.Default)
			d, _ := Parse(f.String())
			if err != nil || s.String() != d.String() {
				t.Errorf("default of %s: %v, %v", k.Name, s, err)
			}
		}
	}
	var keys []string
	for _, k := range Keys() {
		for _, f := range k.Forms {
			keys = append(keys, f.String()+" "+k.Name)
		}
	}
	seen := map[string]bool{}
	for _, k := range keys {
		if seen[k] {
			t.Errorf("%s is in the table twice", k)
		}
		seen[k] = true
	}
}

func FuzzParse(f *testing.F) {
	f.Add("dial digits=1234567890 rate=8.7 break=64 gap=800ms repeat=2 ramp=-6,-3,-1 break-at=7:72 jitter=0.2ms bounce-close=3:1.2ms seed=2")
	f.Add("cadence 400/200/400/2000 cycles=60 jitter=1ms bounce=2:0.8ms seed=4")
	f.Add("cam lobes=2 lobe-errors=0,-1ms,wear=1us,0,gear=35/12:0.1ms:-90,7:20us bounce=16:1us chatter=40/s lost=0.5:9 drift=-10000")
	f.Add("cam break=100ms break-also=200ms,300ms spurious-breaks=0.5 spurious-length=10ms..80ms outages=3s,9s outage-length=1s..2s outage-noise=3/s jitter=50ms")
	f.Add("dial digits=1F2H3 ramp=-8,-4 break-at=1:60ms,2.1:.5 make=1.ms coding=n+1 lost-silent=0.5 clock=-10000")
	f.Add("cam lobes=2 wear=0,8ms/h lobe-wear=-2ms/day,1us break-drift=0.1/h wander-white=3 wander-flicker=2 wander-walk=1")
	f.Add("dial digits=35 repeater=12ms:9ms repeater-first=4ms:0 repeater-lost=0.1 repeater-lost-at=1,2 repeater-extra-at=1,3 contact=2 shift=-3ms")
	f.Add("cadence 400/200 gear=1687.5:20us tooth=3/7:90:0.5ms:-30,1:1:-3ms")
	f.Add("cam lobes=3 steps=9h:speed:0.5%,2h:speed:-700ppm,12h:break:1.2,3s:break:-2ms,18h:lobe3:4ms,1h:lobe1-break:1us")
	f.Fuzz(func(t *testing.T, desc string) {
		spec, err := Parse(desc)
		if err != nil {
			if strings.Contains(err.Error(), "\n") {
				t.Fatalf("error of several lines: %q", err)
			}
			return
		}
		again, err := Parse(spec.String())
		if err != nil {
			t.Fatalf("%q becomes %q: %v", desc, spec, err)
		}
		if d := cmp.Diff(spec, again); d != "" {
			t.Fatalf("%q becomes %q: (-before +after)\n%s", desc, spec, d)
		}
		s, err := New(spec)
		if err != nil {
			t.Fatal(err)
		}
		last := pulse.Stamp(-1)
		for _, e := range read(s, 100, 64) {
			if e.At <= last {
				t.Fatalf("%s: %d follows %d", spec, e.At, last)
			}
			last = e.At
		}
	})
}
