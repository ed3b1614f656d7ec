package pulse_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"makebreak/pulse"
)

// The profiles are those of the published figures named beside them.
func TestMatching(t *testing.T) {
	nominal := func(id string, ms ...int64) *pulse.Profile {
		p := &pulse.Profile{ID: id, Kind: pulse.KindInterrupter}
		for _, x := range ms {
			p.CadenceNS = append(p.CadenceNS, x*1e6)
		}
		return p
	}
	ratio := &pulse.Profile{ID: "ratio", Kind: pulse.KindDial, Limits: []pulse.Limit{refLimit(pulse.PeriodMS, 90, 110), refLimit(pulse.BreakRatio, 1.3, 1.9)}}
	all := []*pulse.Profile{
		dialLimits(), lengthLimits(), ratio, camLimits(), ringLimits(),
		nominal("nominal ringing", 400, 200, 400, 2000),   // ITU-T E.180 Suppl. 2
		nominal("nominal congestion", 400, 350, 225, 525), // the same
		nominal("nominal busy", 500, 500), nominal("nominal 480", 480, 480),
		{ID: "pauses only", Kind: pulse.KindDial, Limits: []pulse.Limit{refLimit(pulse.InterdigitMS, 1, 9000)}},
	}
	for _, c := range []struct {
		desc            string
		cadence         []int64
		within, nominal []string
	}{
		{desc: "cadence 400/200/400/2000 cycles=20", within: []string{"ringing"}, nominal: []string{"nominal ringing"}},
		{desc: "cadence 400/2000/400/200 cycles=20", within: []string{"ringing"}, nominal: []string{"nominal ringing"}},
		{desc: "cadence 200/400/2000/400 cycles=20"}, // make and break exchanged
		{desc: "cadence 400/200/400/2000 cycles=20", cadence: []int64{400e6, 2000e6, 400e6, 200e6}, within: []string{"ringing"}, nominal: []string{"nominal ringing"}},
		{desc: "cadence 424/212/424/2120 cycles=20", within: []string{"ringing"}}, // 6 % slow
		{desc: "cadence 444/222/444/2220 cycles=20"},                              // 11 % slow
		{desc: "cadence 225/525/400/350 cycles=20", nominal: []string{"nominal congestion"}},
		{desc: "cam ipm=60 break=50 cycles=20", within: []string{"cam"}, nominal: []string{"nominal busy", "nominal 480"}},
		{desc: "cam ipm=60 break=50 cycles=1"},
		{desc: "dial digits=1234567890 rate=10 break=62 gap=800ms", within: []string{"dial", "lengths", "ratio"}}, // 1.63 : 1
		{desc: "dial digits=1234567890 rate=10 break=66 gap=800ms", within: []string{"lengths"}},                  // 1.94 : 1
		{desc: "dial digits=11 rate=10 break=62 gap=800ms"},                                                       // no period
	} {
		edges, _ := makeSignal(t, c.desc)
		m := measureEdges(t, pulse.Config{CadenceNS: c.cadence}, edges)
		within, nominal := m.Matching(all)
		ids := func(p []*pulse.Profile) (s []string) {
			for _, x := range p {
				s = append(s, x.ID)
			}
			return s
		}
		if diff := cmp.Diff(c.within, ids(within)); diff != "" {
			t.Errorf("%s: within: %s", c.desc, diff)
		}
		if diff := cmp.Diff(c.nominal, ids(nominal)); diff != "" {
			t.Errorf("%s: nominal: %s", c.desc, diff)
		}
	}
}
