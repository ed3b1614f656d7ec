package stretch

import (
	"encoding/json"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"makebreak/daemon/store"
	"makebreak/hw"
	"makebreak/pulse"
)

// What the log says of the reading counts where nothing else is asked. The
// settings are those of an earlier program, which kept the clock's state as its
// words; the figures are invented.
func TestConfigure(t *testing.T) {
	const chain = `"chain":{"EdgeNoiseNS":5000,"EdgeNoiseFrom":"given","ClockRel":0.00005,"ClockFrom":"assumed quartz"}`
	own := &pulse.Profile{ID: "own", Kind: pulse.KindInterrupter}
	path := filepath.Join(t.TempDir(), "log.db")
	session(t, path, start, start+60e9, hw.Discipline{Synchronised: true, FrequencyPPM: -12, EstimatedErrorNS: 300e3}, map[string]store.Configuration{
		"cam": {Kind: pulse.KindInterrupter, Polarity: pulse.ClosedLow, Settings: json.RawMessage(
			`{"settle_ns":3000000,"timing":"settled","period_ns":1000000000,"lobes":5,"profile":{"ID":"kept","Kind":2},` + chain + `}`)},
		"given": {Kind: pulse.KindInterrupter, Settings: json.RawMessage(`{"chain":{"ClockRel":0.00002,"ClockFrom":"oven"}}`)},
		"dial":  {Kind: pulse.KindDial, Settings: json.RawMessage(`{"pulse_min_ns":11000000,"coding":"n+1"}`)},
	}, []pulse.Edge{{At: start, Level: pulse.High}, {At: start + 1e9, Level: pulse.Low}, {At: start + 2e9, Level: pulse.High}})
	log := open(t, path)

	// 1 ppm is what a steered quartz wanders, see hw.ClockUncertainty.
	steered := pulse.ClockFrom{State: pulse.ClockSynchronised, CorrectionPPM: -12, EstimatedErrorNS: 300e3}
	noise, asymmetry, clock := 7e3, -12e3, 1e-7
	for _, c := range []struct {
		name, contact string
		asked         Wishes
		kind          pulse.Kind
		polarity      pulse.Polarity
		timing        pulse.Timing
		settle        int64
		limits        string
		period        int64
		lobes         int
		clockRel      float64
		clockFrom     pulse.ClockFrom
		noise         float64
	}{
		{"nothing asked", "cam", Wishes{}, pulse.KindInterrupter, pulse.ClosedLow, pulse.TimingSettled, 3e6, "kept", 1e9, 5, 1e-6, steered, 5e3},
		{"level and time asked, as the defaults are", "cam", Wishes{Polarity: true, Timing: true},
			pulse.KindInterrupter, pulse.ClosedHigh, pulse.TimingFirst, 3e6, "kept", 1e9, 5, 1e-6, steered, 5e3},
		// The Meter takes the kind of the limits.
		{"limits and settling asked", "cam", Wishes{Reading: pulse.Config{Limits: own, SettleNS: 4e6, Lobes: 3}},
			pulse.KindAuto, pulse.ClosedLow, pulse.TimingSettled, 4e6, "own", 1e9, 3, 1e-6, steered, 5e3},
		{"cadence asked", "cam", Wishes{Reading: pulse.Config{CadenceNS: []int64{4e8, 6e8}}},
			pulse.KindInterrupter, pulse.ClosedLow, pulse.TimingSettled, 3e6, "kept", 0, 5, 1e-6, steered, 5e3},
		{"to be compared", "cam", Wishes{NoNominal: true}, pulse.KindInterrupter, pulse.ClosedLow, pulse.TimingSettled, 3e6, "", 0, 0, 1e-6, steered, 5e3},
		{"another kind", "cam", Wishes{Reading: pulse.Config{Kind: pulse.KindDial}}, pulse.KindDial, pulse.ClosedLow, pulse.TimingSettled, 3e6, "", 0, 0, 1e-6, steered, 5e3},
		{"chain given", "cam", Wishes{Chain: Chain{EdgeNoiseNS: &noise, AsymmetryNS: &asymmetry, ClockRel: &clock}},
			pulse.KindInterrupter, pulse.ClosedLow, pulse.TimingSettled, 3e6, "kept", 1e9, 5, 1e-7, pulse.ClockFrom{Given: "given"}, 7e3},
		{"chain given in the log", "given", Wishes{}, pulse.KindInterrupter, pulse.ClosedHigh, pulse.TimingFirst, 0, "", 0, 0, 2e-5, pulse.ClockFrom{Given: "oven"}, 0},
		{"dial", "dial", Wishes{}, pulse.KindDial, pulse.ClosedHigh, pulse.TimingFirst, 0, "", 0, 0, 1e-6, steered, 20e3},
	} {
		src, err := Open(t.Context(), log, &Request{}, c.contact)
		if err != nil {
			t.Fatal(err)
		}
		src.owned = false // the next one reads the log too
		cfg, err := src.Configure(t.Context(), &c.asked)
		if err != nil {
			t.Fatal(err)
		}
		limits := ""
		if cfg.Limits != nil {
			limits = cfg.Limits.ID
		}
		type reading struct {
			Kind      pulse.Kind
			Polarity  pulse.Polarity
			Timing    pulse.Timing
			Settle    int64
			Limits    string
			Period    int64
			Lobes     int
			ClockRel  float64
			ClockFrom pulse.ClockFrom
			Noise     float64
		}
		got := reading{cfg.Kind, cfg.Polarity, cfg.Timing, cfg.SettleNS, limits, cfg.PeriodNS, cfg.Lobes, cfg.Setup.ClockRel, cfg.Setup.ClockFrom, cfg.Setup.EdgeNoiseNS}
		want := reading{c.kind, c.polarity, c.timing, c.settle, c.limits, c.period, c.lobes, c.clockRel, c.clockFrom, c.noise}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s: %s", c.name, d)
		}
		if c.contact == "dial" && (cfg.PulseMinNS != 11e6 || !cfg.CodingSet || cfg.Coding != pulse.CodingNPlus1) {
			t.Errorf("%s: pulses from %d ns, coding %v", c.name, cfg.PulseMinNS, cfg.Coding)
		}
		if !cfg.Live || cfg.Start != src.Begin() || src.End()-src.Begin() != pulse.Stamp(time.Minute) {
			t.Errorf("%s: from %d, %d to %d", c.name, cfg.Start, src.Begin(), src.End())
		}
		src.Close()
	}
}

// The drive train that a contact was watched with tells its shafts, unless another
// cam or cadence is asked for.
func TestConfigureDrive(t *testing.T) {
	path := filepath.Join(t.TempDir(), "log.db")
	session(t, path, start, start+60e9, hw.Discipline{}, map[string]store.Configuration{
		"cam": {Kind: pulse.KindInterrupter, Settings: json.RawMessage(`{"lobes":6,"drive":{"motor_rpm":1725,"lobes":6,"cam_shaft":"cam",` +
			`"shafts":[{"name":"motor"},{"name":"idler","from":"motor","driving_teeth":18,"own_teeth":90},{"name":"cam","from":"idler","driving_teeth":20,"own_teeth":75}]}}`)},
	}, []pulse.Edge{{At: start, Level: pulse.High}, {At: start + 1e9, Level: pulse.Low}, {At: start + 2e9, Level: pulse.High}})
	log := open(t, path)
	own := &pulse.Drive{Lobes: 4, CamShaft: "cam", Shafts: []pulse.Shaft{{Name: "cam"}}}
	for _, c := range []struct {
		name         string
		asked        Wishes
		lobes, drive int // lobes of the cam and of the drive; 0: none
	}{
		{"nothing asked", Wishes{}, 6, 6},
		{"the same lobes", Wishes{Reading: pulse.Config{Lobes: 6}}, 6, 6},
		{"other lobes", Wishes{Reading: pulse.Config{Lobes: 5}}, 5, 0},
		{"another drive", Wishes{Reading: pulse.Config{Kind: pulse.KindInterrupter, Lobes: 4, Drive: own}}, 4, 4},
		{"a cadence", Wishes{Reading: pulse.Config{CadenceNS: []int64{4e8, 6e8}}}, 6, 0},
		{"to be compared", Wishes{NoNominal: true}, 0, 0},
		{"a dial", Wishes{Reading: pulse.Config{Kind: pulse.KindDial}}, 0, 0},
	} {
		src, err := Open(t.Context(), log, &Request{}, "cam")
		if err != nil {
			t.Fatal(err)
		}
		src.owned = false
		cfg, err := src.Configure(t.Context(), &c.asked)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		drive := 0
		if cfg.Drive != nil {
			drive = cfg.Drive.Lobes
		}
		if cfg.Lobes != c.lobes || drive != c.drive {
			t.Errorf("%s: %d lobes, drive of %d; want %d and %d", c.name, cfg.Lobes, drive, c.lobes, c.drive)
		}
		if _, err := pulse.NewMeter(cfg); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		src.Close()
	}
}

// Half of a calibration is none: who gives the asymmetry or how sure it is does
// not keep the other of it.
func TestChainOver(t *testing.T) {
	calibrated := pulse.Setup{AsymmetryNS: 9e3, AsymmetryUNS: 2e3, AsymmetryFrom: "calibrated", AsymmetryA: true, EdgeNoiseNS: 1e3, EdgeNoiseFrom: "calibrated", EdgeNoiseA: true}
	a, u := -12e3, 3e3
	assumed := pulse.DefaultSetup()
	for name, c := range map[string]struct {
		chain Chain
		a, u  float64
		from  string
	}{
		"nothing":     {Chain{}, 9e3, 2e3, "calibrated"},
		"asymmetry":   {Chain{AsymmetryNS: &a}, -12e3, assumed.AsymmetryUNS, assumed.AsymmetryFrom},
		"uncertainty": {Chain{AsymmetryUNS: &u}, 0, 3e3, "given"},
		"both":        {Chain{AsymmetryNS: &a, AsymmetryUNS: &u}, -12e3, 3e3, "given"},
	} {
		s := c.chain.Over(calibrated)
		if s.AsymmetryNS != c.a || s.AsymmetryUNS != c.u || s.AsymmetryFrom != c.from || s.AsymmetryA != (name == "nothing") {
			t.Errorf("%s: %+v", name, s)
		}
		if s.EdgeNoiseNS != 1e3 || !s.EdgeNoiseA {
			t.Errorf("%s: edge noise %v", name, s.EdgeNoiseNS)
		}
	}
}
