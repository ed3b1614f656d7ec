package loop

import (
	"encoding/csv"
	"io"
	"slices"
	"strconv"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// A MarginVerdict is what a margin test came to, beside limits on pulses.
type MarginVerdict struct {
	Inside  int // cells within the limits
	Wrong   int // of them: counted wrong in a try
	Untried int // of them: not tried
}

// Judge compares what was counted with the limits of profile. Without one
// nothing is inside.
func (r *MarginRun) Judge(profile *pulse.Profile) (v MarginVerdict) {
	if profile == nil {
		return v
	}
	for _, c := range r.Cells {
		if allowed, _ := profile.Allows(c.RatePPS, c.BreakPercent, c.GapMS); !allowed {
			continue
		}
		v.Inside++
		switch {
		case c.Right < c.Tries:
			v.Wrong++
		case c.Tries == 0:
			v.Untried++
		}
	}
	return v
}

// LeastTries is the number of tries of the cell that has fewest.
func (r *MarginRun) LeastTries() int {
	return slices.MinFunc(r.Cells, func(a, b pulse.MarginCell) int { return a.Tries - b.Tries }).Tries
}

// A MarginDocument is a margin test as a program reads it.
type MarginDocument struct {
	Format   string               `json:"format"`
	Settings MarginSettings       `json:"settings"`
	Tries    int                  `json:"tries"` // made
	Void     int                  `json:"void"`  // made again, because they said nothing
	Of       int                  `json:"of"`
	Limits   *string              `json:"limits"`
	Cells    []MarginCell         `json:"cells"`
	Windows  []pulse.MarginWindow `json:"windows"`
}

// A MarginCell is one cell with what its tries prove.
type MarginCell struct {
	pulse.MarginCell
	RightLower95 float64 `json:"right_lower_95"` // fractions, each bound with 95 % confidence
	RightUpper95 float64 `json:"right_upper_95"`
	WithinLimits *bool   `json:"within_limits"` // null without limits on pulses
}

// Document makes the document of a test, beside the limits of profile unless
// it is nil.
func (r *MarginRun) Document(profile *pulse.Profile) MarginDocument {
	d := MarginDocument{
		Format: "makebreak.margin/1", Settings: r.Settings, Tries: r.Made, Void: r.Void, Of: r.Tries(),
		Windows: append([]pulse.MarginWindow{}, r.Settings.Grid.Windows(r.Cells)...),
	}
	if profile != nil {
		d.Limits = &profile.ID
	}
	for _, c := range r.Cells {
		cell := MarginCell{MarginCell: c}
		cell.RightLower95, cell.RightUpper95 = c.Bounds95()
		if profile != nil {
			if allowed, bounded := profile.Allows(c.RatePPS, c.BreakPercent, c.GapMS); bounded {
				cell.WithinLimits = &allowed
			}
		}
		d.Cells = append(d.Cells, cell)
	}
	return d
}

// WriteTable writes each cell as a CSV row.
func (d *MarginDocument) WriteTable(w io.Writer) error {
	out := csv.NewWriter(w)
	out.Write([]string{"rate_pps", "break_percent", "gap_ms", "tries", "right", "right_lower_95", "right_upper_95", "within_limits"})
	number := func(v float64) string { return figure.Trimmed(v, 6) }
	for _, c := range d.Cells {
		gap, within := "", ""
		if c.GapMS.OK {
			gap = number(c.GapMS.V)
		}
		if c.WithinLimits != nil {
			within = map[bool]string{true: "1", false: "0"}[*c.WithinLimits]
		}
		out.Write([]string{number(c.RatePPS), number(c.BreakPercent), gap, strconv.Itoa(c.Tries), strconv.Itoa(c.Right), number(c.RightLower95), number(c.RightUpper95), within})
	}
	out.Flush()
	return out.Error()
}
