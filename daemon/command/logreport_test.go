package command

import (
	"testing"
	"time"
)

func TestWhen(t *testing.T) {
	day := time.Date(2026, 11, 20, 0, 0, 0, 0, time.UTC)
	for text, want := range map[string]when{
		"2026-11-20":             {wall: day},
		"2026-11-20T10:00":       {wall: day.Add(10 * time.Hour)},
		"2026-11-20 10:00:05.25": {wall: day.Add(10*time.Hour + 5250*time.Millisecond)},
		"2026-11-20T10:00+02:00": {wall: day.Add(8 * time.Hour)},
		"2026-11-20T10:00:01Z":   {wall: day.Add(10*time.Hour + time.Second)},
		"-90m":                   {back: 90 * time.Minute},
		"-90min":                 {back: 90 * time.Minute},
		"-1h30m":                 {back: 90 * time.Minute},
		"-3d":                    {back: 72 * time.Hour},
		"-0.5d":                  {back: 12 * time.Hour},
	} {
		var got when
		err := got.parse(text)
		want.set, want.text = true, text
		if err != nil || !got.wall.Equal(want.wall) || got.back != want.back || got.text != text || !got.set {
			t.Errorf("%q: %+v, %v, want %+v", text, got, err, want)
		}
	}
	for _, text := range []string{"", "-", "-2", "2h", "-0s", "--2h", "-NaNd", "10:00", "2026-02-30", "--until"} {
		var got when
		if err := got.parse(text); err == nil {
			t.Errorf("%q was taken for %+v", text, got)
		}
	}
}
