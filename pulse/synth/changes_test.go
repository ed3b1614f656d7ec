package synth

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"

	"makebreak/pulse"
)

// Growth by the hour is 24 times as much by the day, and is written by the day.
func TestWearUnits(t *testing.T) {
	for _, c := range []struct{ desc, canonical string }{
		{"cam lobes=5 wear=0,8ms/h,8ms/day,8ms,-1us/hour", "cam ipm=60 break=50 lobes=5 wear=0,192ms,8ms,8ms,-24us cycles=60"},
		{"cam lobes=2 lobe-wear=0,10s/h", "cam ipm=60 break=50 lobes=2 lobe-wear=0,240s cycles=60"},
		{"cam lobes=2 lobe-wear=0,1ms/d wear=0,0", "cam ipm=60 break=50 lobes=2 wear=0,0 lobe-wear=0,1ms cycles=60"},
		{"cam break-drift=0.1/h", "cam ipm=60 break=50 break-drift=2.4 cycles=60"},
		{"cam lobes=3 steps=12h:break:1.2,6h:speed:0.5%,18h:lobe3:4ms,18h:lobe3-break:-1ms,1d:speed:-700ppm,25h:break:2ms",
			"cam ipm=60 break=50 lobes=3 cycles=60 steps=21600s:speed:0.5,43200s:break:1.2,64800s:lobe3:4ms,64800s:lobe3-break:-1ms,86400s:speed:-0.07,90000s:break:2ms"},
		{"cadence steps=5s:speed:-0.3,4s:speed:1", "cadence 400/200/400/2000 cycles=60 steps=4s:speed:1,5s:speed:-0.3"},
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

// A speed steps at the time that is asked for, whatever the speed before; the
// times of openings are worked out from stretch to stretch.
func TestStepsOfSpeed(t *testing.T) {
	s := mustNew(t, "cam ipm=60 lobes=2 lead=10s steps=3610s:speed:0.5%,7210s:speed:-1.5,10810s:speed:10000ppm cycles=20000")
	open, length := breaks(t, read(s, all, 4096))
	for i := range open {
		// turns after 1, 2 and 3 h: at 1, 1.005, 0.99 and 1 times the speed
		at, turn := 10e9, float64(i)
		for _, speed := range []float64{1, 1.005, 0.99} {
			part := math.Min(turn, 3600*speed)
			at += part / speed * 1e9
			turn -= part
		}
		at += turn * 1e9
		if math.Abs(float64(open[i])-at) > 1 {
			t.Fatalf("opening %d at %d, want %.0f", i, open[i], at)
		}
		speed := 1.0
		switch hour := float64(open[i]-10e9) / 3600e9; {
		case hour >= 2 && hour < 3:
			speed = 0.99
		case hour >= 1 && hour < 2:
			speed = 1.005
		}
		if want := 0.5e9 / speed; math.Abs(float64(length[i])-want) > 1 && math.Abs(math.Mod(float64(open[i]-10e9), 3600e9)-3600e9) > 1e9 {
			t.Fatalf("break %d lasts %d, want %.0f", i, length[i], want)
		}
	}
	if d := cmp.Diff([]Step{{AtNS: 3610e9, Speed: 0.5}, {AtNS: 7210e9, Speed: -1.5}, {AtNS: 10810e9, Speed: 1}}, s.Truth().Steps); d != "" {
		t.Errorf("truth: %s", d)
	}
}

func TestStepsOfContacts(t *testing.T) {
	const desc = "cam ipm=60 lobes=3 break=40 lobe-errors=0,0,1ms steps=100s:break:1.2,200s:break:-2ms,300s:lobe3:4ms,400s:lobe2-break:5ms,500s:lobe3:-6ms,600s:speed:1 wear=0,0,24ms cycles=1000"
	open, length := breaks(t, read(mustNew(t, desc), all, 64))
	for i := range open {
		at := float64(i) + 1 // s, as the lobes are but for their errors
		wantOpen, wantLength := at*1e9, 400e6
		since := func(s float64) bool { return at >= s }
		if since(100) {
			wantLength += 12e6
		}
		if since(200) {
			wantLength -= 2e6
		}
		switch i % 3 {
		case 1:
			if since(400) {
				wantLength += 5e6
			}
		case 2:
			wantOpen += 1e6
			wantLength += 24e6 * (at - 1) / 86400
			if since(300) {
				wantOpen += 4e6
			}
			if since(500) {
				wantOpen -= 6e6
			}
		}
		faster := func(at float64) float64 { return min(at, 600e9) + max(0, at-600e9)/1.01 }
		wantOpen, wantLength = faster(wantOpen), faster(wantOpen+wantLength)-faster(wantOpen)
		if math.Abs(float64(open[i])-wantOpen) > 1 || math.Abs(float64(length[i])-wantLength) > 2 {
			t.Fatalf("opening %d at %d lasts %d, want %.0f and %.0f", i, open[i], length[i], wantOpen, wantLength)
		}
	}
	// Of a dial: its pulses, not its flashes.
	_, length = breaks(t, read(mustNew(t, "dial digits=2F break=60 steps=30s:break:5,60s:break:-1ms repeat=100"), all, 64))
	for i, want := range []int64{60e6, 60e6, 500e6} {
		if length[i] != want {
			t.Errorf("break %d lasts %d, want %d", i, length[i], want)
		}
		if got := length[len(length)-3+i]; want == 60e6 && got != 64e6 || want != 60e6 && got != want {
			t.Errorf("last but %d lasts %d", 2-i, got)
		}
	}
}

// What is measured of a step is what was asked for.
func TestStepsAsMeasured(t *testing.T) {
	s := mustNew(t, "cam ipm=60 steps=500s:speed:0.5,500s:break:1.2 cycles=1000 jitter=0.1ms")
	var edges [2][]pulse.Edge
	for _, e := range read(s, all, 64) {
		switch {
		case e.At < 499.8e9:
			edges[0] = append(edges[0], e)
		case e.At > 500.8e9:
			edges[1] = append(edges[1], e)
		}
	}
	for i, want := range []struct{ ipm, percent float64 }{{60, 50}, {60.3, 51.2}} {
		m, err := pulse.NewMeter(pulse.Config{Kind: pulse.KindInterrupter})
		if err != nil {
			t.Fatal(err)
		}
		m.Add(edges[i])
		got := m.Finish(0).Interrupter
		if got == nil {
			t.Fatal("no interrupter")
		}
		if ipm, percent := got.RateIPM.Overall.V, got.BreakPercent.Overall.V; math.Abs(ipm-want.ipm) > 0.001 || math.Abs(percent-want.percent) > 0.01 {
			t.Errorf("stretch %d: %.4f IPM and %.3f %%, want %g and %g", i, ipm, percent, want.ipm, want.percent)
		}
	}
}
