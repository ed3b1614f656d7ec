package synth

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"makebreak/pulse"
)

// The output is the input's edges and the lags, to the ns, whatever disturbs
// the input.
func TestRepeaterFollowsItsInput(t *testing.T) {
	for _, input := range []string{
		"dial digits=0123 seed=7",
		"dial digits=120F3H9 repeat=30 jitter=0.3ms drift=300 wander-flicker=50 seed=3",
		"cam ipm=60 lobes=3 lobe-errors=0,4ms,0 cycles=500 gear=2.5:1ms jitter=20ms missing=0.02 wander=300 outages=50s outage-length=20s seed=1",
		"cadence 400/200/400/2000 cycles=50 jitter=1ms spurious-breaks=0.3 seed=2",
	} {
		in := read(mustNew(t, input), all, 64)
		out := read(mustNew(t, input+" repeater=12ms:9ms"), all, 64)
		if len(out) != len(in) {
			t.Errorf("%s: %d edges in, %d out", input, len(in), len(out))
			continue
		}
		for i, e := range out {
			want := in[i]
			want.At += 12e6
			if i%2 == 1 {
				want.At -= 3e6
			}
			if e != want {
				t.Fatalf("%s: edge %d is %+v, want %+v", input, i, e, want)
			}
		}
	}
	// Bounce and chatter of the input are not repeated: the output has its own.
	const noisy = "dial digits=0123 jitter=0.1ms bounce=3:2ms chatter=0.5 seed=7"
	source := mustNew(t, noisy)
	s := mustNew(t, noisy+" repeater=12ms:9ms")
	out := map[pulse.Stamp]pulse.Level{}
	for _, e := range read(s, all, 64) {
		out[e.At] = e.Level
	}
	transitions := int64(0)
	for e := read(source, 1, 1); len(e) > 0; e = read(source, 1, 1) {
		if !source.first {
			continue
		}
		lag := pulse.Stamp(12e6)
		if e[0].Level == source.spec.Rest() {
			lag = 9e6
		}
		if level, ok := out[e[0].At+lag]; !ok || level != e[0].Level {
			t.Errorf("no output of the transition at %d", e[0].At)
		}
		transitions++
	}
	if truth := s.Truth(); truth.Bounced == 0 || truth.Chatter == 0 || truth.Transitions != transitions || transitions != 32 {
		t.Errorf("%d transitions of the input, truth %+v", transitions, truth)
	}
}

func TestRepeaterFaults(t *testing.T) {
	const dial = "dial digits=35 rate=10 break=60 gap=700ms repeat=2"
	in, _ := breaks(t, read(mustNew(t, dial), all, 64))
	s := mustNew(t, dial+" repeater=12ms:9ms repeater-first=4ms:1ms,2ms:0 repeater-lost-at=4,6,16 repeater-extra-at=1,7,8")
	out, length := breaks(t, read(s, all, 64))
	// The trains are breaks 1 to 3, 4 to 8, 9 to 11 and 12 to 16 of the input.
	var open, want []int64
	add := func(at, l int64) { open, want = append(open, at), append(want, l) }
	for i, at := range in {
		n, place := i+1, [...]int{0, 1, 2, 0, 1, 2, 3, 4}[i%8]
		at += [...]int64{16e6, 14e6, 12e6, 12e6, 12e6}[place]
		l := [...]int64{54e6, 55e6, 57e6, 57e6, 57e6}[place]
		switch n {
		case 4, 6, 16:
			continue
		}
		add(at, l)
		// An extra break comes a third of the make after it, or its own length,
		// whichever is shorter, after it and lasts as long. The lag of an opening
		// is the mean one then.
		switch n {
		case 1:
			third := (in[1] + 12e6 - at - l) / 3
			add(at+l+third, third)
		case 7:
			third := (in[7] + 12e6 - at - l) / 3
			add(at+l+third, third)
		case 8:
			add(at+l+57e6, 57e6)
		}
	}
	if d := cmp.Diff(open, out); d != "" {
		t.Errorf("openings (-want +got)\n%s", d)
	}
	if d := cmp.Diff(want, length); d != "" {
		t.Errorf("breaks (-want +got)\n%s", d)
	}
	if truth := s.Truth(); truth.RepeaterLost != 3 || truth.RepeaterExtra != 3 || truth.Pulses != 13 || truth.Trains != 4 || truth.Rounds != 2 {
		t.Errorf("truth %+v", truth)
	}
	if truth := s.Truth(); truth.FirstOpeningNS != 1016e6 || truth.EndNS != in[15]+60e6+9e6 {
		t.Errorf("truth: from %d to %d", truth.FirstOpeningNS, truth.EndNS)
	}
	// All lost: no edge, and no panic.
	if got := read(mustNew(t, "dial digits=1 repeater=2ms:2ms repeater-lost-at=1"), all, 64); len(got) != 0 {
		t.Errorf("%d edges of a lost pulse", len(got))
	}
}

// Spread and share of lost pulses within 5 standard deviations, and both the
// repeater's alone: its input does not know of them.
func TestRepeaterSpread(t *testing.T) {
	const dial = "dial digits=0 repeat=2000 jitter=0.5ms seed=11"
	in := read(mustNew(t, dial), all, 4096)
	out := read(mustNew(t, dial+" repeater=12ms:9ms repeater-jitter=0.3ms:0.1ms"), all, 4096)
	var sum, sum2 [2]float64
	for i, e := range out {
		d := float64(e.At-in[i].At) - [...]float64{12e6, 9e6}[i%2]
		sum[i%2] += d
		sum2[i%2] += d * d
	}
	n := float64(len(in) / 2)
	for i, sd := range []float64{0.3e6, 0.1e6} {
		if got := math.Sqrt(sum2[i] / n); math.Abs(got-sd) > 5*sd/math.Sqrt(2*n) || math.Abs(sum[i]/n) > 5*sd/math.Sqrt(n) {
			t.Errorf("lag %d has mean %.0f off and deviation %.0f, want 0 and %.0f", i, sum[i]/n, got, sd)
		}
	}
	s := mustNew(t, dial+" repeater=12ms:9ms repeater-lost=0.02")
	lost := read(s, all, 4096)
	openings := map[pulse.Stamp]bool{}
	for _, e := range in {
		openings[e.At] = true
	}
	for i := 0; i < len(lost); i += 2 {
		if !openings[lost[i].At-12e6] {
			t.Fatalf("opening at %d follows none of the input", lost[i].At)
		}
	}
	got := float64(s.Truth().RepeaterLost)
	if math.Abs(got-0.02*n) > 5*math.Sqrt(0.02*n) || len(lost) != len(in)-2*int(got) {
		t.Errorf("%g breaks lost and %d edges of %d left, want about %g lost", got, len(lost), len(in), 0.02*n)
	}
}

// What is lost in recording is lost of the output, whose contact knows nothing
// of it; and the repeater itself loses neither the first nor the last break
// unless it is told to.
func TestRepeaterAndLosses(t *testing.T) {
	const dial = "dial digits=0 repeat=20 repeater=12ms:9ms bounce=2:1ms"
	whole := map[pulse.Stamp]bool{}
	for _, e := range read(mustNew(t, dial), all, 64) {
		whole[e.At] = true
	}
	s := mustNew(t, dial+" lost=0.1 lost-silent=0.05")
	edges := read(s, all, 64)
	for _, e := range edges {
		if !whole[e.At] {
			t.Fatalf("edge at %d is not there without losses", e.At)
		}
	}
	if truth := s.Truth(); truth.Lost == 0 || truth.LostSilent == 0 || int64(len(edges))+truth.Lost+truth.LostSilent != int64(len(whole)) {
		t.Errorf("%d edges of %d, truth %+v", len(edges), len(whole), truth)
	}
	for seed := range 50 {
		in := read(mustNew(t, fmt.Sprintf("dial digits=6 seed=%d", seed)), all, 64)
		out := read(mustNew(t, fmt.Sprintf("dial digits=6 repeater=12ms:9ms repeater-lost=0.5 seed=%d", seed)), all, 64)
		if out[0].At != in[0].At+12e6 || out[len(out)-1].At != in[len(in)-1].At+9e6 {
			t.Errorf("seed %d: from %d to %d of an input from %d to %d", seed, out[0].At, out[len(out)-1].At, in[0].At, in[len(in)-1].At)
		}
	}
}

// Two contacts of one drive: the second stands where the shift says on every
// turn, whatever the drive does, and has noise of its own.
func TestContactsOfOneDrive(t *testing.T) {
	const drive = "ipm=60 lobes=6 cycles=20000 wander-white=20 wander-flicker=30 wander-walk=2 wander=50 drift=200 steps=3h:speed:0.4 gear=2.25:2ms seed=5"
	first, _ := breaks(t, read(mustNew(t, "cam break=50 "+drive), all, 4096))
	// At the same place of the cam it sees the same, however long its break is.
	same, length := breaks(t, read(mustNew(t, "cam break=40 contact=2 "+drive), all, 4096))
	if d := cmp.Diff(first, same); d != "" {
		t.Fatal("the openings of a second contact at the same place are others")
	}
	if length[0] > 410e6 || length[0] < 390e6 {
		t.Errorf("its break lasts %d", length[0])
	}
	// A whole lobe on, it opens when the first does one lobe later. What it sees
	// at each opening is drawn between them as well: nothing but the old wander,
	// a step at each opening, is off by its tiny change.
	for _, shift := range []string{"60deg", "1s"} {
		next, _ := breaks(t, read(mustNew(t, "cam break=40 contact=2 shift="+shift+" "+drive), all, 4096))
		for i := range first[1:] {
			if d := next[i] - first[i+1]; d < -5000 || d > 5000 {
				t.Fatalf("shift=%s: opening %d at %d, the first contact's next is at %d", shift, i, next[i], first[i+1])
			}
		}
		exact := strings.ReplaceAll(drive, " wander=50", "")
		a, _ := breaks(t, read(mustNew(t, "cam "+exact), all, 4096))
		b, _ := breaks(t, read(mustNew(t, "cam break=40 contact=2 shift="+shift+" "+exact), all, 4096))
		if d := cmp.Diff(a[1:], b[:len(b)-1], cmp.Comparer(func(x, y int64) bool { return x-y <= 1 && y-x <= 1 })); d != "" {
			t.Fatalf("shift=%s: %.300s", shift, d)
		}
	}
	// 3 ms on the drive: 3 ms of its time, whatever the speed.
	shifted, _ := breaks(t, read(mustNew(t, "cam break=40 contact=2 shift=-3ms "+drive), all, 4096))
	for i := range first {
		if d := first[i] - shifted[i]; d < 2_700_000 || d > 3_300_000 {
			t.Fatalf("opening %d comes %d ns early", i, d)
		}
	}
	// Jitter of two contacts is independent, and of one with itself not.
	jitter := func(more string) []int64 {
		open, _ := breaks(t, read(mustNew(t, "cam ipm=60 cycles=5000 jitter=0.2ms seed=5"+more), all, 4096))
		for i := range open {
			open[i] -= int64(i) * 1e9
		}
		return open
	}
	a, b, again := jitter(""), jitter(" contact=2"), jitter(" contact=1")
	if d := cmp.Diff(a, again); d != "" {
		t.Errorf("contact 1 is not the one without a number")
	}
	ab, aa, bb := 0.0, 0.0, 0.0
	for i := range a {
		x, y := float64(a[i]-1e9), float64(b[i]-1e9)
		ab, aa, bb = ab+x*y, aa+x*x, bb+y*y
	}
	if r := ab / math.Sqrt(aa*bb); math.Abs(r) > 5/math.Sqrt(float64(len(a))) {
		t.Errorf("jitter of two contacts is correlated, %.3f", r)
	}
}

// A repeater whatever its input: as many breaks as the truth says, in order,
// none before the lag has passed.
func TestRepeaterProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		r := rand.New(rand.NewPCG(seed, 1))
		input := fmt.Sprintf("dial digits=%d rate=%.2f break=%.1f jitter=%dus repeat=%d seed=%d",
			10+r.IntN(900), 8+4*r.Float64(), 55+10*r.Float64(), r.IntN(900), 1+r.IntN(9), seed)
		output := fmt.Sprintf("%s repeater=%dms:%dms repeater-jitter=%dus repeater-lost=0.1 repeater-lost-at=%d repeater-extra-at=%d,%d",
			input, 1+r.IntN(20), 1+r.IntN(20), r.IntN(500), 2+r.IntN(9), 1+r.IntN(9), 1+r.IntN(9))
		in, out := mustNew(t, input), mustNew(t, output)
		given, got := read(in, all, 64), read(out, all, rapid.IntRange(1, 64).Draw(t, "piece"))
		truth := out.Truth()
		if want := int64(len(given)) - 2*truth.RepeaterLost + 2*truth.RepeaterExtra; int64(len(got)) != want {
			t.Fatalf("%s: %d edges of %d, truth says %d", output, len(got), len(given), want)
		}
		for i, e := range got {
			if i > 0 && e.At <= got[i-1].At || e.At < given[0].At || e.Level != pulse.Level(i%2) {
				t.Fatalf("%s: edge %d is %+v", output, i, e)
			}
		}
	})
}
