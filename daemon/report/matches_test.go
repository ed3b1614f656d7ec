package report

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"makebreak/daemon/config"
	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

// Without limits the page names those that the means keep. The cadences are
// the national ones of E.180 and AS/CA S002:2010 in the bundled profiles.
func TestMatches(t *testing.T) {
	all, err := config.Profiles()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		desc            string
		cadence         []int64
		judged, nominal string // those that must be there
		not             string
		text            string
	}{
		{desc: "cadence 400/200/400/2000 cycles=20", judged: "au-s002-ringing-tone", nominal: "in-ringing nz-ringing uk-ringing za-ringing", not: "cn-ringing us-ringing",
			text: "Its means are within the limits of au-s002-ringing-tone. Known nominal cadences within 5 %, to recognise only: in-ringing, nz-ringing, uk-ringing, za-ringing."},
		{desc: "cadence 400/2000/400/200 cycles=20", judged: "au-s002-ringing-tone", nominal: "uk-ringing"},
		{desc: "cadence 400/200/400/2000 cycles=20", cadence: []int64{400e6, 2000e6, 400e6, 200e6}, judged: "au-s002-ringing-tone", nominal: "uk-ringing"},
		{desc: "cadence 417/208/417/2083 cycles=20", judged: "au-s002-ringing-tone", nominal: "uk-ringing"},
		{desc: "cadence 424/212/424/2120 cycles=20", judged: "au-s002-ringing-tone", not: "uk-ringing"},
		{desc: "cadence 444/222/444/2220 cycles=20", not: "au-s002-ringing-tone uk-ringing"},
		{desc: "cadence 400/350/225/525 cycles=20", nominal: "uk-congestion", not: "uk-ringing"},
		{desc: "cadence 225/525/400/350 cycles=20", nominal: "uk-congestion"},
		{desc: "cadence 75/100/75/100/75/100/75/400 cycles=20", nominal: "nz-unobtainable"},
		{desc: "cadence 330/15/330/15/330/1000 cycles=20", judged: "int-e180-sit"},
		{desc: "cam ipm=12 break=80 cycles=20", judged: "cn-ringing int-e180-ringing-tone ru-ringing-tone", nominal: "de-ringing it-ringing", not: "us-ringing jp-ringing"},
		{desc: "cam ipm=80 break=50 cycles=20", judged: "au-s002-busy", nominal: "uk-busy au-congestion", not: "us-fcc-busy"},
		{desc: "cam ipm=4 break=98 cycles=20", judged: "au-s002-intrusion"},
		{desc: "cam ipm=12 break=80 cycles=1", not: "cn-ringing de-ringing"},
		{desc: "cam ipm=37 break=20 cycles=20", text: ""},
		{desc: "dial digits=1234567890 rate=10 break=64 gap=800ms", judged: "au-s002-dial jp-exchange-10pps uk-gpo-dial-12-adjust su-gost-23595-dial", not: "jp-exchange-20pps int-ccitt-u2-dial"},
		{desc: "dial digits=1234567890 rate=20 break=67 gap=800ms", judged: "jp-exchange-20pps", not: "jp-exchange-10pps au-s002-dial"},
		{desc: "dial digits=1234567890 rate=10 break=60.01 gap=800ms", judged: "su-gost-7153-dial de-bundespost-dial", not: "uk-gpo-dial-accept"}, // 1.5 : 1
		{desc: "dial digits=1234567890 rate=10 break=70 gap=800ms", not: "de-bundespost-dial"},                                                    // 2.33 : 1
		{desc: "dial digits=11 rate=10 break=60 gap=800ms", not: "jp-exchange-10pps"},                                                             // no rate at all
	} {
		m := measureEdges(t, hwtest.Sim(t, c.desc), pulse.Config{CadenceNS: c.cadence})
		judged, nominal := m.Matching(all)
		ids := func(p []*pulse.Profile) (s []string) {
			for _, x := range p {
				s = append(s, x.ID)
			}
			return s
		}
		for _, x := range []struct {
			name, want string
			got        []string
		}{{"judged", c.judged, ids(judged)}, {"nominal", c.nominal, ids(nominal)}} {
			for _, id := range strings.Fields(x.want) {
				if !slices.Contains(x.got, id) {
					t.Errorf("%s: %s has %v, want %s", c.desc, x.name, x.got, id)
				}
			}
			for _, id := range strings.Fields(c.not) {
				if slices.Contains(x.got, id) {
					t.Errorf("%s: %s has %s", c.desc, x.name, id)
				}
			}
		}
		if c.text != "" || c.judged == "" && c.nominal == "" && c.not == "" {
			if diff := cmp.Diff(c.text, matches(m, all)); diff != "" {
				t.Errorf("%s: %s", c.desc, diff)
			}
		}
	}
	if text := matches(measureEdges(t, hwtest.Sim(t, "cam ipm=60 break=50 cycles=20"), pulse.Config{}), all); !strings.Contains(text, "it-busy, ") && !strings.Contains(text, " more.") {
		t.Errorf("a long list is not cut: %s", text)
	}
}
