package report

import (
	"strings"
	"testing"

	"makebreak/daemon/config"
	"makebreak/pulse"
)

// By hand, from AS/CA S002:2010 cl. 5.5.1.8 (break 60 to 70 ms, make 30 to 40 ms,
// period 90 to 110 ms): at 9.8 pps and 61.5 % the period is 102.04 ms, the break 62.76 ms
// and the make 39.29 ms, which is the nearest to a limit for its band of 10 ms.
func TestLiveSummary(t *testing.T) {
	limits, err := config.Profile("au-s002-dial")
	if err != nil {
		t.Fatal(err)
	}
	s := LiveSummary{TookS: 12.7, Kind: pulse.KindDial, Rate: pulse.Known(9.8), BreakPercent: pulse.Known(61.5), Limits: limits}
	lines, outside := s.Lines()
	if want := "Make 39.29 ms   9.29 above min 30   0.71 below max 40"; lines[0] != want || outside {
		t.Errorf("%q, %v", lines[0], outside)
	}
	s.Adjusted = pulse.RatePPS
	if lines, _ := s.Lines(); lines[0] != "Rate 9.80 pps   0.71 above min 9.09   1.31 below max 11.112" {
		t.Errorf("%q", lines[0])
	}
	// What is worst comes first, in capitals where it is beyond its limit.
	s.Adjusted, s.BreakPercent = "", pulse.Known(59)
	lines, outside = s.Lines()
	if want := "Make 41.84 ms   11.84 above min 30   1.84 ABOVE max 40"; lines[0] != want || !outside {
		t.Errorf("%q, %v", lines[0], outside)
	}
	if text := strings.Join(lines, "\n"); !strings.Contains(text, "Percent break 59.00 %   1.00 BELOW min 60   11.00 below max 70") {
		t.Error(text)
	}
	// Before the first train there is nothing to say of limits.
	s = LiveSummary{Limits: limits}
	if lines, outside := s.Lines(); len(lines) != 1 || lines[0] != "0 s  0 edges  level unknown" || outside {
		t.Errorf("%q, %v", lines, outside)
	}
}

// Until the cycle of a cam is known, words stand where its rate will.
func TestLiveSummaryLearns(t *testing.T) {
	s := LiveSummary{Counts: pulse.Counts{Edges: 10}}
	if lines, _ := s.Lines(); !strings.HasPrefix(lines[0], "Rate and percent break follow") {
		t.Errorf("%q", lines)
	}
	s.Rate, s.Kind = pulse.Known(60), pulse.KindInterrupter
	if lines, _ := s.Lines(); lines[0] != "Rate 60.00 IPM" {
		t.Errorf("%q", lines)
	}
}

// A line that is wider than the terminal folds, and what is written over is as high as
// it became. The terminal may become narrower meanwhile.
func TestScreenFolds(t *testing.T) {
	var b strings.Builder
	columns := 40
	s := Screen{Out: &b, Columns: func() int { return columns }}
	s.Show("Make 40.84 ms   10.84 above min 30   0.84 ABOVE max 40", "3 s")
	if got, want := b.String(), "\rMake 40.84 ms   10.84 above min 30\x1b[K\n  0.84 ABOVE max 40\x1b[K\n3 s\x1b[K"; got != want {
		t.Errorf("%q", got)
	}
	b.Reset()
	s.Show("Percent break 61.42 %   1.42 above min 60   8.58 below max 70")
	if got, want := b.String(), "\x1b[2A\rPercent break 61.42 %\x1b[K\n  1.42 above min 60   8.58 below max 70\x1b[K\x1b[J"; got != want {
		t.Errorf("%q", got)
	}
	b.Reset()
	columns = 10
	s.Show("abcdefghijklmnopqrstu")
	if got, want := b.String(), "\x1b[1A\rabcdefghi\x1b[K\njklmnopqr\x1b[K\nstu\x1b[K"; got != want {
		t.Errorf("%q", got)
	}
	b.Reset()
	columns = 0
	if s.Show("4 s"); b.String() != "\x1b[2A\r4 s\x1b[K\x1b[J" {
		t.Errorf("%q", b.String())
	}
}
