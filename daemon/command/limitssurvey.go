package command

import (
	"context"
	"errors"
	"fmt"

	"makebreak/daemon/config"
	"makebreak/daemon/report"
	"makebreak/pulse"
)

// allLimits is what --limits takes in place of one set.
const allLimits = "all"

// runAll measures the source once for each set of limits of its kind: what
// counts as a pulse, a cycle and a digit is part of a set.
func (c *measureCmd) runAll(ctx context.Context, sh *shell) (int, error) {
	switch {
	case c.Source == "-" || c.live():
		return 0, errors.New("--limits all reads the recording once for each set of limits: expected a file or sim:DESCRIPTION, not what can be read once only")
	case c.Table != "":
		return 0, errors.New("--table with --limits all: expected one set of limits, for each reads the pulses its own way")
	}
	for _, f := range []struct {
		set  bool
		flag string
	}{{c.Drift, "drift"}, {c.Stability, "stability"}, {c.Gears != "", "gears"}} {
		if f.set {
			return 0, fmt.Errorf("--limits all compares with many limits: expected it without --%s, which is the same whatever the limits", f.flag)
		}
	}
	out, err := createFile("--html", c.HTML, c.Force)
	if err != nil {
		return 0, err
	}
	defer out.Discard()
	asked := c.Limits
	c.Limits = ""
	cfg, err := c.config()
	c.Limits = asked
	if err != nil {
		return 0, err
	}
	m, samples, err := c.once(ctx, sh, cfg)
	if err != nil {
		return 0, err
	}
	profiles, err := config.Profiles()
	if err != nil {
		return 0, err
	}
	cfg.Lobes, cfg.CadenceNS = 0, nil // each set has its own cadence, or none
	var all []report.SurveyedLimits
	for _, p := range profiles {
		if p.Kind.String() != m.Kind {
			continue
		}
		x := report.SurveyedLimits{ID: p.ID, Title: p.Title, Use: p.Use, Country: report.Given(p.Country)}
		fits := m.Interrupter != nil && m.Interrupter.Matches(p)
		if len(p.Limits) > 0 {
			cfg.Limits = p
			one, _, err := c.once(ctx, sh, cfg)
			if err != nil {
				return 0, err
			}
			x.Conformity = one.Conformity
			fits = one.Interrupter != nil && one.Interrupter.CadenceFits
		}
		if m.Interrupter != nil {
			x.Fits = &fits
		}
		all = append(all, x)
	}
	result := report.LimitsSurvey{Format: "makebreak.limits-survey/1", Source: m.Source, Kind: m.Kind, KindFrom: m.KindFrom, Limits: all}
	about := report.About{Cadence: c.Cadence.ns, Samples: samples, Known: profiles}
	doc := report.OfLimitsSurvey(m, &result, &about)
	if err := keepPage(out, doc, m.Source); err != nil {
		return 0, err
	}
	return StatusOK, sh.show(c.JSON, result, func() *report.Document { return doc })
}

// once measures the source from its beginning to its end.
func (c *measureCmd) once(ctx context.Context, sh *shell, cfg pulse.Config) (m *pulse.Measurement, samples bool, err error) {
	defer func() {
		if interrupted(ctx, err) {
			err = errors.New("stopped by you: nothing was written, for a part would look like the whole")
		}
	}()
	src, err := c.open(ctx, sh, &cfg)
	if err != nil {
		return nil, false, err
	}
	defer src.Close()
	if _, err := pulse.NewMeter(cfg); err != nil { // before anything is read
		return nil, false, err
	}
	m, edges, err := measure(ctx, sh, src, cfg, func(_ pulse.Stamp, sampled bool) { samples = sampled })
	if err == nil && edges == 0 {
		err = errors.New("there is no edge in that stretch of the log")
	}
	if err != nil {
		return nil, false, err
	}
	m.Source = c.Source
	return m, samples, nil
}
