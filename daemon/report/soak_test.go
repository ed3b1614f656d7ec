package report

import (
	"strings"
	"testing"

	"makebreak/daemon/stretch"
	"makebreak/pulse"
)

// The page of a soak test says what the lobes' numbers go by, once for each
// cam, and ends with the caution. Invented figures.
func TestSoakPageTellsLobes(t *testing.T) {
	for lobes, by := range map[int]string{0: "", 2: pulse.LobesByReference} {
		in := &pulse.Interrupter{Cycles: 5, Due: 5, Lobes: make([]pulse.Lobe, lobes)}
		if by != "" {
			in.LobesNumberedBy = &by
		}
		page := text(t, OfSoak(&stretch.Soak{Title: "three days", Results: []stretch.SoakResult{{Log: &stretch.Report{Contact: "busy-cam"}, Measurement: &pulse.Measurement{Interrupter: in}}}}, nil))
		if got := strings.Count(page, "a note in the log names"); got != min(lobes, 1) || strings.Count(page, "Caution: ") != 1 {
			t.Errorf("%d lobes:\n%s", lobes, page)
		}
	}
}
