package command

import (
	"cmp"
	"context"
	"errors"
	"io"
	"slices"
	"strings"

	"makebreak/daemon/config"
	"makebreak/daemon/figure"
	"makebreak/daemon/stretch"
	"makebreak/pulse"
)

// allLimits is what --limits takes in place of one set.
const allLimits = "all"

// A comparison is the verdict of one set of limits among others.
type comparison struct {
	ID         string            `json:"limits"`
	Title      string            `json:"title"`
	Use        string            `json:"use"`
	Country    *string           `json:"country"`
	Fits       *bool             `json:"cadence_fits"` // null for a dial
	Conformity *pulse.Conformity `json:"conformity"`   // null where no tolerance is published
}

// comparisonDocument is what --limits all writes as JSON.
type comparisonDocument struct {
	Format   string       `json:"format"`
	Source   string       `json:"source"`
	Kind     string       `json:"kind"`
	KindFrom string       `json:"kind_from"`
	Limits   []comparison `json:"limits"`
}

// runAll measures the source once for each set of limits of its kind: what
// counts as a pulse, a cycle and a digit is part of a set.
func (c *measureCmd) runAll(ctx context.Context, sh *shell) (int, error) {
	switch {
	case c.Source == "-" || c.live():
		return 0, errors.New("--limits all reads the recording once for each set of limits: expected a file or sim:DESCRIPTION, not what can be read once only")
	case c.Table != "":
		return 0, errors.New("--table with --limits all: expected one set of limits, for each reads the pulses its own way")
	}
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
	var all []comparison
	for _, p := range profiles {
		if p.Kind.String() != m.Kind {
			continue
		}
		x := comparison{ID: p.ID, Title: p.Title, Use: p.Use, Country: given(p.Country)}
		fits := m.Interrupter != nil && cadenceFits(m, p)
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
	if c.JSON {
		return StatusOK, encodeJSON(sh.stdout, comparisonDocument{"makebreak.comparison/1", m.Source, m.Kind, m.KindFrom, all})
	}
	p := page{colour: sh.colour()}
	v := view{cadence: c.Cadence.ns, samples: samples, fits: fitsText(m, profiles)}
	writeOpening(&p, m, &v, doubts(m, &v))
	writeComparison(&p, all)
	_, err = p.WriteTo(sh.stdout)
	return StatusOK, err
}

// once measures the source from its beginning to its end.
func (c *measureCmd) once(ctx context.Context, sh *shell, cfg pulse.Config) (m *pulse.Measurement, samples bool, err error) {
	sampled := func(batch []pulse.Edge) { samples = looksSampled(batch) }
	if contact, ok := c.logged(); ok {
		m, err = c.onceLogged(ctx, sh, contact, cfg, feeder(sh, sampled))
	} else {
		m, err = c.onceRecorded(ctx, sh, cfg, sampled)
	}
	if err != nil && ctx.Err() != nil && errors.Is(err, ctx.Err()) {
		err = errors.New("stopped by you: nothing was written, for a part would look like the whole")
	}
	if err != nil {
		return nil, false, err
	}
	m.Source = c.Source
	return m, samples, nil
}

func (c *measureCmd) onceRecorded(ctx context.Context, sh *shell, cfg pulse.Config, begin func([]pulse.Edge)) (*pulse.Measurement, error) {
	src, err := c.open(sh)
	if err != nil {
		return nil, err
	}
	defer src.Close()
	if _, err := pulse.NewMeter(cfg); err != nil { // before anything is read
		return nil, err
	}
	meter, _, err := feed(ctx, sh, src, &cfg, begin)
	if err != io.EOF {
		return nil, err
	}
	return meter.Finish(0), nil
}

func (c *measureCmd) onceLogged(ctx context.Context, sh *shell, contact string, cfg pulse.Config, feed stretch.Feeder) (*pulse.Measurement, error) {
	src, err := c.openLogged(ctx, contact)
	if err != nil {
		return nil, err
	}
	defer src.Close()
	if cfg, err = src.Configure(ctx, c.wishes(cfg)); err != nil {
		return nil, err
	}
	m, edges, err := src.Measure(ctx, cfg, feed)
	if err == nil && edges == 0 {
		err = errors.New("there is no edge in that stretch of the log")
	}
	return m, err
}

// writeComparison writes one line for each set of limits, the best first.
func writeComparison(p *page, all []comparison) {
	rank := func(c comparison) int {
		switch {
		case c.Conformity != nil:
			return severity(c.Conformity.Statement)
		case *c.Fits:
			return 1
		}
		return 9
	}
	slices.SortStableFunc(all, func(a, b comparison) int { return cmp.Or(rank(a)-rank(b), cmp.Compare(a.ID, b.ID)) })
	p.paint(bold, "Compared with every set of limits of its kind, "+figure.Count(len(all)))
	p.WriteByte('\n')
	others := 0
	var rows [][]cell
	for _, c := range all {
		text, sgr := "fits, to recognise only", bold
		switch {
		case c.Conformity != nil:
			text, sgr = string(c.Conformity.Statement), verdictStyle(c.Conformity.Statement)
		case !*c.Fits:
			others++
			continue
		}
		rows = append(rows, []cell{{text: c.ID}, {text, sgr}, {text: decidedBy(c)}})
	}
	w := gridWidths(rows)
	for _, r := range rows {
		for cut := r[2].text; 6+w[0]+w[1]+width(r[2].text) > pageWidth && strings.Contains(cut, ", "); {
			cut = cut[:strings.LastIndex(cut, ", ")]
			r[2].text = cut + ", …"
		}
	}
	p.grid("lll", rows)
	if others > 0 {
		p.para("  ", "And "+figure.Plural(others, "nominal cadence", "nominal cadences")+" that it does not do.")
	}
	p.WriteByte('\n')
	p.para("", "--limits ID in place of all tells which pulse or cycle, by how much, and the source. A set for another use (see makebreak limits) is no fault of the contact.")
}

// decidedBy names what decided a verdict.
func decidedBy(c comparison) string {
	if c.Conformity == nil {
		return ""
	}
	if c.Fits != nil && !*c.Fits {
		return "another cadence"
	}
	items := slices.Clone(c.Conformity.Items)
	byTrade(items)
	var nouns []string
	for _, it := range items {
		noun, _ := figure.Quantity(it.Quantity)
		if it.Statement == c.Conformity.Statement && it.Statement != pulse.Pass && !slices.Contains(nouns, noun) {
			nouns = append(nouns, noun)
		}
	}
	return strings.Join(append(nouns, c.Conformity.Because...), ", ")
}
