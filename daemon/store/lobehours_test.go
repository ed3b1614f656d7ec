package store

import (
	"testing"
	"time"

	"makebreak/pulse"
)

// What the lobes did in an hour comes back as it was, through a restart and in
// order of time, and a replaced hour counts once.
func TestLobeHours(t *testing.T) {
	path, clock := logPath(t), newClock()
	s := open(t, path, clock, Options{})
	cam := Configuration{Contact: "cam", Source: "gpio:CAM", Kind: pulse.KindInterrupter}
	s.Contact(cam)
	s.Contact(named("other"))
	figures := func(ms float64) []LobeHourFigure {
		return []LobeHourFigure{
			{LobeMean{720, pulse.Rounded(ms), 0.01}, LobeMean{719, 0.25, 0.02}},
			{Break: LobeMean{720, -0.25, 0.02}},
		}
	}
	s.KeepLobeHour(LobeHour{Contact: "cam", At: Moment{Mono: 3601e9}, LengthNS: 1800e9, Numbering: 1, Figures: figures(9)})
	s.KeepLobeHour(LobeHour{Contact: "cam", At: Moment{Mono: 3601e9}, LengthNS: 3600e9, Numbering: 1, Figures: figures(1.5)})
	s.KeepLobeHour(LobeHour{Contact: "other", At: Moment{Mono: 3602e9}, LengthNS: 3600e9, Numbering: 4, Figures: figures(2)})
	clock.advance(10 * time.Second)
	mustCommit(t, s)
	closeStore(t, s)
	clock.advance(20 * time.Second)
	s = open(t, path, clock, Options{})
	s.Contact(cam)
	s.KeepLobeHour(LobeHour{Contact: "cam", At: Moment{Mono: 3640e9}, LengthNS: 3600e9, Numbering: 2, Figures: figures(3)})
	clock.advance(20 * time.Second)
	mustCommit(t, s)
	wall := time.Date(2024, 3, 30, 12, 0, 0, 0, time.UTC)
	want := []LobeHour{
		{"cam", Moment{1, 3601e9, 1e9, wall.Add(time.Second)}, 3600e9, 1, figures(1.5)},
		{"cam", Moment{2, 3640e9, 40e9, wall.Add(40 * time.Second)}, 3600e9, 2, figures(3)},
	}
	got, err := s.LobeHours(t.Context(), Span{}, "cam")
	if err != nil {
		t.Fatal(err)
	}
	diff(t, want, got)
	if got, err = s.LobeHours(t.Context(), Span{From: 2e9}, "cam"); err != nil {
		t.Fatal(err)
	}
	diff(t, want[1:], got)
	closeStore(t, s)
}

// The latest hours of a contact stay, and those of others.
func TestLobeHoursAreBounded(t *testing.T) {
	s := open(t, logPath(t), newClock(), Options{})
	s.Contact(Configuration{Contact: "cam", Source: "gpio:CAM", Kind: pulse.KindInterrupter})
	s.Contact(named("other"))
	one := []LobeHourFigure{{Opening: LobeMean{N: 1}}}
	s.KeepLobeHour(LobeHour{Contact: "other", At: Moment{Mono: 3600e9}, Numbering: 1, Figures: one})
	for i := range mostLobeHours + 7 {
		s.KeepLobeHour(LobeHour{Contact: "cam", At: Moment{Mono: 23*3600e9 + pulse.Stamp(i)}, Numbering: 1, Figures: one})
		if i%2000 == 0 {
			mustCommit(t, s)
		}
	}
	s.KeepLobeHour(LobeHour{Contact: "cam", At: Moment{Mono: 24 * 3600e9}, Numbering: 1, Figures: one})
	mustCommit(t, s)
	for contact, want := range map[string]int{"cam": mostLobeHours, "other": 1} {
		got, err := s.LobeHours(t.Context(), Span{}, contact)
		if err != nil || len(got) != want {
			t.Fatalf("%s: %d hours, %v, want %d", contact, len(got), err, want)
		}
		if contact == "cam" && got[0].At.Mono != 23*3600e9+8 {
			t.Errorf("the first hour is %d", got[0].At.Mono)
		}
	}
}
