package command

import (
	"slices"
	"strings"
	"testing"

	"makebreak/pulse"
)

// The statement of a soak test's result holds of the whole time, and the exit
// status follows it: also for edges that were removed, and for a result that
// was kept when a missing interruption did not yet forbid a pass.
func TestSoakStatement(t *testing.T) {
	for _, c := range []struct {
		name    string
		s       pulse.Statement // empty: no limits
		because []string        // nil: not told yet
		missing int
		removed *removedEdges
		want    pulse.Statement
		causes  int
		status  int
	}{
		{"sound", pulse.Pass, []string{}, 0, nil, pulse.Pass, 0, StatusOK},
		{"missing", pulse.Fail, []string{"2 interruptions are missing"}, 2, nil, pulse.Fail, 1, StatusOutOfLimits},
		{"missing, kept earlier", pulse.Pass, nil, 2, nil, pulse.Fail, 1, StatusOutOfLimits},
		{"edges removed", pulse.Pass, []string{}, 0, &removedEdges{Pulses: 9}, pulse.NotMeasured, 1, StatusNotMeasured},
		{"edges removed, near", pulse.ConditionalFail, []string{}, 0, &removedEdges{Pulses: 9}, pulse.ConditionalFail, 1, StatusOutOfLimits},
		{"edges removed, faulty", pulse.Pass, []string{}, 0, &removedEdges{Missing: 1}, pulse.Fail, 2, StatusOutOfLimits},
		{"no limits", "", nil, 2, nil, "", 0, StatusOK},
		{"no limits, edges removed", "", nil, 0, &removedEdges{Missing: 1}, "", 0, StatusNotMeasured},
	} {
		r := soakResult{Log: &logReport{Removed: c.removed}, Measurement: &pulse.Measurement{Interrupter: &pulse.Interrupter{Cycles: 5, Missing: c.missing}}}
		if c.s != "" {
			r.Measurement.Conformity = &pulse.Conformity{Statement: c.s, Because: slices.Clone(c.because)}
		}
		r.judge()
		r.judge() // as when it is shown again
		d := soakDocument{Results: []soakResult{r}}
		if got := r.Measurement.Conformity; got != nil && (got.Statement != c.want || len(got.Because) != c.causes || got.Because == nil) {
			t.Errorf("%s: %s because %q, want %s", c.name, got.Statement, got.Because, c.want)
		}
		if d.status() != c.status {
			t.Errorf("%s: status %d, want %d", c.name, d.status(), c.status)
		}
	}
}

// The page of a soak test says what the lobes' numbers go by, once for each
// cam, and ends with the caution. Invented figures.
func TestSoakPageTellsLobes(t *testing.T) {
	for lobes, by := range map[int]string{0: "", 2: pulse.LobesByReference} {
		in := &pulse.Interrupter{Cycles: 5, Due: 5, Lobes: make([]pulse.Lobe, lobes)}
		if by != "" {
			in.LobesNumberedBy = &by
		}
		var p page
		writeSoak(&p, &soakDocument{Title: "three days", Results: []soakResult{{Log: &logReport{Contact: "busy-cam"}, Measurement: &pulse.Measurement{Interrupter: in}}}})
		if got := strings.Count(p.String(), "a note in the log names"); got != min(lobes, 1) || strings.Count(p.String(), "Caution: ") != 1 {
			t.Errorf("%d lobes:\n%s", lobes, p.String())
		}
	}
}
