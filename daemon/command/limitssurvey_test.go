package command

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"makebreak/daemon/report"
	"makebreak/pulse"
)

// A recording held to every set gives what each gives by itself.
func TestLimitsSurvey(t *testing.T) {
	dir := t.TempDir()
	dial := filepath.Join(dir, "dial.csv")
	if err := os.WriteFile(dial, csvOf(t, "dial digits=1234567890 rate=9 break=61 gap=800ms bounce-close=1:1ms"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, source := range []string{dial, "sim:cadence,400/200/400/2000,cycles=20", "sim:cam,ipm=60,lobes=5,lobe-errors=0,0,20ms,0,0,turns=20"} {
		status, stdout, stderr := runCommand(t.Context(), nil, "measure", source, "--limits", "all", "--json")
		if status != StatusOK || stderr != "" {
			t.Fatalf("status %d, %s", status, stderr)
		}
		var doc report.LimitsSurvey
		if err := json.Unmarshal([]byte(stdout), &doc); err != nil {
			t.Fatal(err)
		}
		judged, seen := 0, map[pulse.Statement]bool{}
		for _, c := range doc.Limits {
			if c.Conformity == nil {
				continue
			}
			judged++
			seen[c.Conformity.Statement] = true
			_, one, _ := runCommand(t.Context(), nil, "measure", source, "--limits", c.ID, "--json")
			var m pulse.Measurement
			if err := json.Unmarshal([]byte(one), &m); err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(m.Conformity, c.Conformity); diff != "" {
				t.Errorf("%s by %s: %s", source, c.ID, diff)
			}
			if m.Interrupter != nil && *c.Fits != m.Interrupter.CadenceFits {
				t.Errorf("%s by %s: cadence fits %v", source, c.ID, *c.Fits)
			}
		}
		if judged < 10 || len(seen) < 2 {
			t.Errorf("%s: %d sets judged, statements %v", source, judged, seen)
		}
		status, stdout, stderr = runCommand(t.Context(), nil, "measure", source, "--limits", "all")
		if status != StatusOK || stderr != "" {
			t.Fatalf("status %d, %s", status, stderr)
		}
		sets := map[string]report.SurveyedLimits{}
		for _, c := range doc.Limits {
			if c.Conformity != nil {
				sets[c.ID] = c
			}
		}
		last, listed := 0, 0
		for line := range strings.Lines(stdout) {
			f := strings.Fields(line)
			if len(f) == 0 || sets[f[0]].Conformity == nil {
				continue
			}
			listed++
			c := sets[f[0]]
			want := c.Conformity.Statement
			if !strings.HasPrefix(strings.Join(f[1:], " "), string(want)) || utf8.RuneCountInString(line) > report.PageWidth+1 {
				t.Errorf("%q, want %s", line, want)
			}
			if at := order(&c); at < last {
				t.Errorf("%s comes after one that judges less, or a worse one", f[0])
			} else {
				last = at
			}
		}
		if listed != judged {
			t.Errorf("%d sets listed, %d judged", listed, judged)
		}
	}
}

// order is the place of a set in a survey: first those that judge rate and
// percent break or two of what sets them, last those for another cadence, and in
// each group by the statement.
func order(c *report.SurveyedLimits) int {
	quantities := map[string]bool{}
	for _, it := range c.Conformity.Items {
		quantities[map[string]string{"period_ms": "rate", "rate_pps": "rate", "rate_ipm": "rate", "break_make_ratio": "break_percent"}[it.Quantity]] = true
		quantities[it.Quantity] = true
	}
	n := 0
	for _, q := range []string{"rate", "break_percent", "break_ms", "make_ms", "segment_1_ms", "segment_2_ms"} {
		if quantities[q] {
			n++
		}
	}
	group := 0
	switch {
	case c.Fits != nil && !*c.Fits:
		group = 2
	case n < 2:
		group = 1
	}
	return 10*group + c.Conformity.Statement.Severity()
}
