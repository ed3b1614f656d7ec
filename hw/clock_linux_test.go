package hw

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sys/unix"
)

func TestDiscipline(t *testing.T) {
	for name, c := range map[string]struct {
		state int
		t     unix.Timex
		want  Discipline
	}{
		// Fields by adjtimex(2): freq in 2^-16 ppm, offset in µs or with STA_NANO in ns.
		"steered by the kernel's loop": {0, unix.Timex{Status: unix.STA_PLL | unix.STA_NANO, Offset: 64000, Constant: 2, Freq: -12 * 65536, Tick: 10000, Esterror: 300, Maxerror: 4000},
			Discipline{Synchronised: true, FrequencyPPM: -12, SlewPPM: 4, EstimatedErrorNS: 300e3, MaxErrorNS: 4e6}},
		"offset in µs":     {0, unix.Timex{Status: unix.STA_PLL, Offset: 64, Constant: 2, Tick: 10000}, Discipline{Synchronised: true, SlewPPM: 4}},
		"steered by tick":  {0, unix.Timex{Freq: 65536 / 2, Tick: 10001}, Discipline{Synchronised: true, FrequencyPPM: 100.5}},
		"not steered":      {unix.TIME_ERROR, unix.Timex{Status: unix.STA_UNSYNC, Tick: 10000, Maxerror: 16e6}, Discipline{MaxErrorNS: 16e9}},
		"flag only":        {0, unix.Timex{Status: unix.STA_UNSYNC, Tick: 10000}, Discipline{}},
		"error state only": {unix.TIME_ERROR, unix.Timex{Tick: 10000}, Discipline{}},
	} {
		if d := cmp.Diff(c.want, discipline(c.state, &c.t)); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
	if _, err := ReadDiscipline(); err != nil {
		t.Error(err)
	}
}
