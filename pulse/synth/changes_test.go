package synth

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Growth by the hour is 24 times as much by the day, and is written by the day.
func TestWearUnits(t *testing.T) {
	for _, c := range []struct{ desc, canonical string }{
		{"cam lobes=5 wear=0,8ms/h,8ms/day,8ms,-1us/hour", "cam ipm=60 break=50 lobes=5 wear=0,192ms,8ms,8ms,-24us cycles=60"},
		{"cam lobes=2 lobe-wear=0,10s/h", "cam ipm=60 break=50 lobes=2 lobe-wear=0,240s cycles=60"},
		{"cam lobes=2 lobe-wear=0,1ms/d wear=0,0", "cam ipm=60 break=50 lobes=2 wear=0,0 lobe-wear=0,1ms cycles=60"},
		{"cam break-drift=0.1/h", "cam ipm=60 break=50 break-drift=2.4 cycles=60"},
		{"dial digits=5 break-drift=-1.25/day", "dial digits=5 rate=10 break=61.5 break-drift=-1.25 gap=800ms"},
	} {
		s, err := Parse(c.desc)
		if err != nil {
			t.Errorf("%s: %v", c.desc, err)
			continue
		}
		if s.String() != c.canonical {
			t.Errorf("%s: canonical form\n%s\nwant\n%s", c.desc, s, c.canonical)
		}
		if again, err := Parse(s.String()); err != nil || cmp.Diff(s, again) != "" {
			t.Errorf("%s: read again %v, %v", s, again, err)
		}
	}
}

// Each lobe opens later by what it wears, and its break is what the other keys
// make of it; worked out by hand from the time of each opening.
func TestLobeWear(t *testing.T) {
	const desc = "cam ipm=60 lobes=3 break=40 lobe-errors=0,2ms,0 lobe-wear=0,2ms/h,-24ms wear=0,0,1ms/h cycles=40000"
	s := mustNew(t, desc)
	open, length := breaks(t, read(s, all, 4096))
	for i := range open {
		hours := float64(i) / 3600
		wantOpen, wantLength := float64(i)*1e9, 400e6
		switch i % 3 {
		case 1:
			hours += 2e-3 / 3600
			wantOpen += 2e6 + 2e6*hours
		case 2:
			wantOpen -= 1e6 * hours
			wantLength += 1e6 * hours
		}
		if math.Abs(float64(open[i]-1e9)-wantOpen) > 1 || math.Abs(float64(length[i])-wantLength) > 1 {
			t.Fatalf("opening %d at %d lasts %d, want %.0f and %.0f", i, open[i], length[i], wantOpen+1e9, wantLength)
		}
	}
	if d := cmp.Diff([]int64{0, 48e6, -24e6}, s.Truth().LobeWearNSPerDay); d != "" {
		t.Errorf("truth: %s", d)
	}
	// However long it wears, the lobes stay apart and their breaks as they are.
	open, length = breaks(t, read(mustNew(t, "cam ipm=600 lobes=2 lobe-wear=10s/h,-10s/h cycles=20000"), all, 4096))
	for i := range open {
		want := float64(i) * 100e6
		late := math.Min(20e6, 10e9/3600e9*want) // 40 % of a make of 50 ms
		if i%2 == 1 {
			late = -late
		}
		if math.Abs(float64(open[i]-1e9)-want-late) > 1 || length[i] != 50e6 {
			t.Fatalf("opening %d at %d lasts %d, want %.0f and 50 ms", i, open[i], length[i], want+late+1e9)
		}
	}
}

func TestBreakDrift(t *testing.T) {
	// half a point an hour of a second
	s := mustNew(t, "cam ipm=60 lobes=2 lobe-breaks=0,3ms break-drift=0.5/h cycles=100000")
	_, length := breaks(t, read(s, all, 4096))
	for i := range length {
		want := 500e6 + float64(i%2)*3e6 + float64(i)/3600*5e6
		if i%2 == 0 && want > 950e6 {
			want = 950e6 // 90 % of the make of 500 ms
		}
		if i%2 == 1 && want > 950.3e6 {
			want = 950.3e6
		}
		if math.Abs(float64(length[i])-want) > 1 {
			t.Fatalf("break %d lasts %d, want %.0f", i, length[i], want)
		}
	}
	if got := s.Truth().BreakDriftPerDay; got != 12 {
		t.Errorf("truth: %g points a day", got)
	}
	// A dial's pulses, those with a break of their own too, but no flashes; the
	// last of a train has no more room than the others.
	open, length := breaks(t, read(mustNew(t, "dial digits=3F rate=10 break=60 break-drift=-24 break-at=1.2:50 repeat=20000"), all, 4096))
	for i := range length {
		drift := -float64(open[i]-1e9) / 3600e9 * 1e6
		want := [...]float64{math.Max(6e6, 60e6+drift), math.Max(5e6, 50e6+drift), math.Max(6e6, 60e6+drift), 500e6}[i%4]
		if math.Abs(float64(length[i])-want) > 1 {
			t.Fatalf("break %d lasts %d, want %.0f", i, length[i], want)
		}
	}
	open, length = breaks(t, read(mustNew(t, "dial digits=2 rate=10 break=60 break-drift=24 repeat=200000"), all, 4096))
	if last := length[len(length)-1]; last != 96e6 || open[len(open)-1] < 40*3600e9 {
		t.Errorf("the last break lasts %d, want 60 ms and 90 %% of a make of 40 ms", last)
	}
}
