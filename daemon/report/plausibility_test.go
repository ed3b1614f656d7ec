package report

import (
	"strings"
	"testing"

	"makebreak/daemon/config"
	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

// What makes a reading doubtful is said before anything else, and then nothing
// of what the trade would look at.
func TestImplausible(t *testing.T) {
	const (
		dial     = "dial digits=1234567890 rate=10 break=65 gap=800ms"
		ring     = "cadence 400/200/400/2000 cycles=20"
		polarity = "The contact seems to rest open. With --closed high it would read as a dial: is the polarity the other way round?"
		nz       = "cadence 75/100/75/100/75/100/75/400 cycles=20"
	)
	low := pulse.Config{Polarity: pulse.ClosedLow}
	own := &pulse.Profile{ID: "mq-ring", Kind: pulse.KindInterrupter, Limits: limits(t, "int-e180-ringing-tone").Limits}
	all, err := config.Profiles()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, desc, limits string
		profile            *pulse.Profile
		cfg                pulse.Config
		samples            bool
		known              bool   // the published sets are
		want               string // empty: none
	}{
		{name: "dial", desc: dial, limits: "au-s002-dial"},
		{name: "ringing", desc: ring, limits: "au-s002-ringing-tone"},
		{name: "nothing asked", desc: ring},
		{name: "a dial by limits of an interrupter", desc: dial, limits: "us-fcc-busy",
			want: "The recording looks like a dial, not an interrupter: are these the right limits?"},
		{name: "an interrupter by limits of a dial", desc: ring, limits: "au-s002-dial",
			want: "The recording looks like an interrupter, not a dial: are these the right limits?"},
		{name: "a dial asked to be an interrupter", desc: dial, cfg: pulse.Config{Kind: pulse.KindInterrupter},
			want: "The recording looks like a dial, but was to be read as an interrupter: is that right?"},
		{name: "too little to doubt", desc: "cam ipm=60 cycles=2", cfg: pulse.Config{Kind: pulse.KindDial}},
		{name: "another cadence", desc: ring, limits: "cn-ringing",
			want: "This contact does another cadence (400/200/400/2000 ms) than these limits are for (1000/4000): nothing of them was judged."},
		{name: "another cadence than given", desc: "cam ipm=60 cycles=30", cfg: pulse.Config{CadenceNS: []int64{100e6, 75e6, 100e6, 725e6}},
			want: "This contact does another cadence (500/500 ms) than was given (100/75/100/725): it is read as the data tell."},
		{name: "short segments", desc: "cadence 330/15/330/15.5/330/1000 cycles=20", limits: "cn-ringing",
			want: "another cadence (330/15/330/15.5/330/1000 ms)"},
		{name: "more makes than the limits know", desc: ring, profile: own,
			want: "This contact does 2 makes and breaks a cycle (400/200/400/2000 ms), and these limits know of one: are they the right ones?"},
		{name: "slow cadence", desc: "cadence 480/240/480/2400 cycles=20", limits: "au-s002-ringing-tone"},
		{name: "inverted", desc: dial, cfg: low, want: polarity},
		{name: "inverted, limits of a dial", desc: dial, cfg: low, limits: "au-s002-dial", want: polarity},
		{name: "inverted, kind asked", desc: dial, cfg: pulse.Config{Polarity: pulse.ClosedLow, Kind: pulse.KindDial}, want: polarity},
		{name: "inverted, few digits", desc: "dial digits=55 rate=10 break=65 gap=800ms", cfg: pulse.Config{Polarity: pulse.ClosedLow, Kind: pulse.KindDial}, want: polarity},
		{name: "inverted the other way", desc: dial + " closed=low", want: strings.ReplaceAll(polarity, "--closed high", "--closed low")},
		{name: "inverted, limits of an interrupter", desc: dial, cfg: low, limits: "us-fcc-busy", want: polarity},
		{name: "a cadence that may be an inverted dial", desc: nz, want: strings.ReplaceAll(polarity, "--closed high", "--closed low")},
		{name: "a known cadence", desc: nz, known: true},
		{name: "a cadence that was asked for", desc: nz, cfg: pulse.Config{CadenceNS: []int64{75e6, 100e6, 75e6, 100e6, 75e6, 100e6, 75e6, 400e6}, Kind: pulse.KindInterrupter}},
		{name: "samples", desc: dial, samples: true,
			want: "Most rows repeat the level of the row before: these look like samples of a level, not edges. Export the changes only."},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.cfg.Limits = c.profile; c.limits != "" {
				c.cfg.Limits = limits(t, c.limits)
			}
			m := measureEdges(t, hwtest.Sim(t, c.desc), c.cfg)
			a := &About{Limits: c.cfg.Limits, Cadence: c.cfg.CadenceNS, Samples: c.samples}
			if c.known {
				a.Known = all
			}
			got := implausible(m, a)
			if c.want == "" && len(got) > 0 || c.want != "" && (len(got) != 1 || !strings.Contains(got[0], c.want)) {
				t.Fatalf("got %q, want %q", got, c.want)
			}
			if c.want == "" {
				return
			}
			page := text(t, OfMeasurement(m, a))
			lines := strings.SplitN(page, "\n", 3)
			if !strings.HasPrefix(lines[1], "FIRST: "+c.want[:20]) && !strings.HasPrefix(lines[1], "FIRST: This contact does another") {
				t.Errorf("the page begins with %q", lines[:2])
			}
			if strings.Contains(page, "What the trade") {
				t.Errorf("advice where the reading is doubtful:\n%s", page)
			}
		})
	}
}
