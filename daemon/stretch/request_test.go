package stretch

import (
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"makebreak/daemon/store"
	"makebreak/hw"
	"makebreak/pulse"
)

func TestParseTime(t *testing.T) {
	day := time.Date(2026, 11, 20, 0, 0, 0, 0, time.UTC)
	for text, want := range map[string]Time{
		"2026-11-20":             {Wall: day},
		"2026-11-20T10:00":       {Wall: day.Add(10 * time.Hour)},
		"2026-11-20 10:00:05.25": {Wall: day.Add(10*time.Hour + 5250*time.Millisecond)},
		"2026-11-20T10:00+02:00": {Wall: day.Add(8 * time.Hour)},
		"2026-11-20T10:00:01Z":   {Wall: day.Add(10*time.Hour + time.Second)},
		"-90m":                   {Back: 90 * time.Minute},
		"-90min":                 {Back: 90 * time.Minute},
		"-1h30m":                 {Back: 90 * time.Minute},
		"-3d":                    {Back: 72 * time.Hour},
		"-0.5d":                  {Back: 12 * time.Hour},
	} {
		got, err := ParseTime(text)
		if err != nil || !got.Wall.Equal(want.Wall) || got.Back != want.Back || got.Text != text || !got.Set {
			t.Errorf("%q: %+v, %v, want %+v", text, got, err, want)
		}
	}
	for _, text := range []string{"oiled", "As left", "61 % break", "now", "öl"} {
		if got, err := ParseTime(text); err != nil || got.Words != text || !got.Set {
			t.Errorf("%q: %+v, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "-", "-2", "2h", "-0s", "--2h", "-NaNd", "10:00", "2026-02-30", "--until", "20 Nov 2026", "2026-11-20 10:00 CET"} {
		if got, err := ParseTime(text); err == nil {
			t.Errorf("%q was taken for %+v", text, got)
		}
	}
	if _, err := ParseTime("2h"); err == nil || !strings.Contains(err.Error(), "-2h is so long ago") {
		t.Errorf("2h: %v", err)
	}
}

// A stretch is found by wall-clock times, by times before the end of the log, or
// by a soak test; what is not in the log is told apart.
func TestSpan(t *testing.T) {
	path := filepath.Join(t.TempDir(), "log.db")
	session(t, path, start, start+600e9, hw.Discipline{}, map[string]store.Configuration{"cam": {Kind: pulse.KindInterrupter}},
		[]pulse.Edge{{At: start, Level: pulse.High}, {At: start + 1e9, Level: pulse.Low}})
	log := open(t, path)
	tl, err := log.Timeline(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	first := tl.At(0).Mono
	at := func(text string) Time {
		x, err := ParseTime(text)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	for name, c := range map[string]struct {
		r        Request
		from, to time.Duration // after 10:00
	}{
		"all":          {Request{}, 0, 10*time.Minute + 1},
		"between":      {Request{Since: at("2026-11-20T10:02"), Until: at("2026-11-20T12:05+02:00")}, 2 * time.Minute, 5 * time.Minute},
		"before":       {Request{Since: at("2026-11-20"), Until: at("2026-11-21")}, 0, 10*time.Minute + 1},
		"back":         {Request{Since: at("-4m"), Until: at("-1m")}, 6 * time.Minute, 9 * time.Minute},
		"back too far": {Request{Since: at("-4h")}, 0, 10*time.Minute + 1},
	} {
		s, err := c.r.Span(t.Context(), log, "cam")
		// Until a wall-clock time, that instant is in it or not.
		if err != nil || s.From+first-start != pulse.Stamp(c.from) || time.Duration(s.To+first-start-pulse.Stamp(c.to)).Abs() > 1 {
			t.Errorf("%s: %+v, %v; want %v to %v", name, s, err, c.from, c.to)
		}
	}
	for name, c := range map[string]struct {
		r       Request
		want    error
		atStart bool
	}{
		"after":         {Request{Since: at("2026-11-20T10:11")}, nil, true},
		"before":        {Request{Until: at("2026-11-20T09:59")}, nil, false},
		"reversed":      {Request{Since: at("2026-11-20T10:05"), Until: at("2026-11-20T10:02")}, ErrEmpty, false},
		"reversed back": {Request{Since: at("-1m"), Until: at("-4m")}, ErrEmpty, false},
		"soak and time": {Request{Soak: "oiled", Since: at("-1m")}, ErrSoakAndTimes, false},
	} {
		_, err := c.r.Span(t.Context(), log, "cam")
		var outside *OutsideError
		switch {
		case c.want != nil && !errors.Is(err, c.want):
			t.Errorf("%s: %v", name, err)
		case c.want == nil && (!errors.As(err, &outside) || outside.AtStart != c.atStart || !outside.First.Equal(startWall) || !outside.Last.Equal(startWall.Add(10*time.Minute))):
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A time without a zone is by the clock of the zone that it is read in; one with a
// zone, and one before the end, stay. Berlin is an hour before UTC in November and
// two in July (Directive 2000/84/EC).
func TestTimeIn(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no time zone database: ", err)
	}
	for text, want := range map[string]string{
		"2026-11-20T10:00":       "2026-11-20T09:00:00Z",
		"2026-07-20":             "2026-07-19T22:00:00Z",
		"2026-07-20 10:00:05.25": "2026-07-20T08:00:05.25Z",
		"2026-11-20T10:00Z":      "2026-11-20T10:00:00Z",
		"2026-11-20T10:00+05:30": "2026-11-20T04:30:00Z",
		"-2h":                    "0001-01-01T00:00:00Z",
	} {
		x, err := ParseTime(text)
		if err != nil {
			t.Fatal(err)
		}
		got := x.In(berlin)
		if wall := got.Wall.Format(time.RFC3339Nano); wall != want || got.In(time.UTC).Wall != got.Wall || got.Back != x.Back {
			t.Errorf("%s: %s, want %s", text, wall, want)
		}
	}
}
