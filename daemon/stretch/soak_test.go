package stretch

import (
	"slices"
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
		removed *Removed
		want    pulse.Statement
		causes  int
		status  Status
	}{
		{"sound", pulse.Pass, []string{}, 0, nil, pulse.Pass, 0, OK},
		{"missing", pulse.Fail, []string{"2 interruptions are missing"}, 2, nil, pulse.Fail, 1, OutOfLimits},
		{"missing, kept earlier", pulse.Pass, nil, 2, nil, pulse.Fail, 1, OutOfLimits},
		{"edges removed", pulse.Pass, []string{}, 0, &Removed{Pulses: 9}, pulse.NotMeasured, 1, NotMeasured},
		{"edges removed, near", pulse.ConditionalFail, []string{}, 0, &Removed{Pulses: 9}, pulse.ConditionalFail, 1, OutOfLimits},
		{"edges removed, faulty", pulse.Pass, []string{}, 0, &Removed{Missing: 1}, pulse.Fail, 2, OutOfLimits},
		{"no limits", "", nil, 2, nil, "", 0, OK},
		{"no limits, edges removed", "", nil, 0, &Removed{Missing: 1}, "", 0, NotMeasured},
	} {
		r := SoakResult{Log: &Report{Removed: c.removed}, Measurement: &pulse.Measurement{Interrupter: &pulse.Interrupter{Cycles: 5, Missing: c.missing}}}
		if c.s != "" {
			r.Measurement.Conformity = &pulse.Conformity{Statement: c.s, Because: slices.Clone(c.because)}
		}
		r.judge()
		r.judge() // as when it is shown again
		d := Soak{Results: []SoakResult{r}}
		if got := r.Measurement.Conformity; got != nil && (got.Statement != c.want || len(got.Because) != c.causes || got.Because == nil) {
			t.Errorf("%s: %s because %q, want %s", c.name, got.Statement, got.Because, c.want)
		}
		if d.Status() != c.status {
			t.Errorf("%s: status %d, want %d", c.name, d.Status(), c.status)
		}
	}
}
