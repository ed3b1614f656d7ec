package stretch

import (
	"testing"
	"time"
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
	for _, text := range []string{"", "-", "-2", "2h", "-0s", "--2h", "-NaNd", "10:00", "2026-02-30", "--until"} {
		if got, err := ParseTime(text); err == nil {
			t.Errorf("%q was taken for %+v", text, got)
		}
	}
}
