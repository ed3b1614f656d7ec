package command

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"io"
	"slices"
	"strconv"
	"strings"

	"makebreak/configs"
	"makebreak/daemon/config"
	"makebreak/daemon/figure"
	"makebreak/pulse"
)

type limitsCmd struct {
	What []string `arg:"" optional:"" name:"id|words" help:"Set of limits to show, a YAML file of your own, or words to search for; without any all are listed."`

	Kind    string `group:"Which to list:" enum:"any,dial,interrupter" default:"any" help:"dial or interrupter."`
	Country string `group:"Which to list:" placeholder:"AU" help:"Country, by its code or name."`
	Use     string `group:"Which to list:" enum:"any,sending,receiving,cadence" default:"any" help:"sending, receiving or cadence."`

	JSON     bool   `group:"Output:" name:"json" help:"Write one JSON object instead of the page."`
	Template string `group:"Output:" enum:"none,dial,interrupter" default:"none" placeholder:"KIND" help:"Write an example of limits of your own, for a dial or an interrupter, that explains every key."`
}

func (*limitsCmd) epilogue() string {
	return `Examples:
  makebreak limits
  makebreak limits uk-gpo-dial-accept
  makebreak limits ringing sweden
  makebreak limits --kind dial --country AU
  makebreak limits --template dial > bench.yaml
  makebreak measure configs/recordings/marrow-quay-dial.csv --limits bench.yaml

Limits of your own are a YAML file. --template dial and --template interrupter
write one that explains each key; change its figures, and keep where they come
from.
`
}

func (c *limitsCmd) run(_ context.Context, sh *shell) (int, error) {
	filtered := c.Kind != "any" || c.Country != "" || c.Use != "any"
	if c.Template != "none" {
		if len(c.What) > 0 || filtered || c.JSON {
			return 0, errors.New("--template writes an example: expected nothing beside it")
		}
		_, err := sh.stdout.WriteString(map[string]string{"dial": configs.OwnDial, "interrupter": configs.OwnInterrupter}[c.Template])
		return StatusOK, err
	}
	var unknown error
	if len(c.What) == 1 && !filtered {
		profile, err := config.Profile(c.What[0])
		switch {
		case err == nil && c.JSON:
			return StatusOK, writeLimitsOneJSON(sh.stdout, profile)
		case err == nil:
			return StatusOK, writeLimitsOne(sh.stdout, profile)
		case !errors.Is(err, config.ErrUnknown):
			return 0, err
		}
		unknown = err
	}
	profiles, err := config.Profiles()
	if err != nil {
		return 0, err
	}
	found := slices.DeleteFunc(slices.Clone(profiles), func(p *pulse.Profile) bool { return !c.wants(p) })
	switch {
	case len(found) == 0 && unknown != nil:
		return 0, unknown
	case len(found) == 0:
		return 0, errors.New(`no set of limits is of that kind, country, use and words; "makebreak limits" lists them all`)
	case c.JSON:
		return StatusOK, writeLimitsListJSON(sh.stdout, found)
	}
	return StatusOK, writeLimitsList(sh.stdout, found)
}

// wants tells whether p is to be listed.
func (c *limitsCmd) wants(p *pulse.Profile) bool {
	fold := strings.ToLower
	text := fold(strings.Join([]string{p.ID, p.Title, p.Country, countryName(p.Country), p.Use, p.Kind.String()}, " "))
	for _, w := range c.What {
		if !strings.Contains(text, fold(w)) {
			return false
		}
	}
	return (c.Kind == "any" || c.Kind == p.Kind.String()) && (c.Use == "any" || c.Use == p.Use) &&
		(c.Country == "" || fold(c.Country) == fold(p.Country) || fold(c.Country) == fold(countryName(p.Country)))
}

// countries names the countries of the bundled profiles.
var countries = map[string]string{
	"AT": "Austria", "AU": "Australia", "BE": "Belgium", "CH": "Switzerland", "CN": "China", "CZ": "Czech Republic",
	"DE": "Germany", "DK": "Denmark", "ES": "Spain", "FI": "Finland", "FR": "France", "GB": "United Kingdom",
	"HU": "Hungary", "IN": "India", "INT": "International", "IT": "Italy", "JP": "Japan", "NL": "Netherlands",
	"NO": "Norway", "NZ": "New Zealand", "PL": "Poland", "PT": "Portugal", "RU": "Russia", "SE": "Sweden",
	"SU": "USSR (historic code)", "US": "United States", "ZA": "South Africa",
}

func countryName(code string) string {
	if code == "" {
		return "No country"
	}
	return cmp.Or(countries[code], code)
}

// recogniseOnly heads the profiles that judge nothing.
const recogniseOnly = "cadence, to recognise only: no tolerance is published"

// limitsSection gives the heading that a profile stands under in its country,
// and the place of that heading.
func limitsSection(p *pulse.Profile) (rank int, name string) {
	if len(p.Limits) == 0 {
		return 3, recogniseOnly
	}
	return slices.Index([]string{"sending", "receiving", "cadence"}, p.Use), p.Use
}

// writeLimitsList lists profiles by country, use and id, with the published
// figures of each. Figures derived from those are left to writeLimitsOne.
func writeLimitsList(w io.Writer, profiles []*pulse.Profile) error {
	order := func(a, b *pulse.Profile) int {
		rankA, _ := limitsSection(a)
		rankB, _ := limitsSection(b)
		return cmp.Or(cmp.Compare(countryName(a.Country), countryName(b.Country)), rankA-rankB)
	}
	rest := slices.SortedStableFunc(slices.Values(profiles), func(a, b *pulse.Profile) int {
		return cmp.Or(order(a, b), cmp.Compare(a.ID, b.ID))
	})
	var p page
	country := ""
	for len(rest) > 0 {
		n := 1
		for n < len(rest) && order(rest[0], rest[n]) == 0 {
			n++
		}
		group := rest[:n]
		rest = rest[n:]
		if name := countryName(group[0].Country); name != country {
			country = name
			p.head(name)
		}
		_, section := limitsSection(group[0])
		p.WriteString("  " + section + "\n")
		var nominal [][]cell
		for _, x := range group {
			if len(x.Limits) == 0 {
				nominal = append(nominal, cells("  "+x.ID, cadenceMS(x.CadenceNS)+" ms", x.Title))
				continue
			}
			p.para("    "+x.ID+"  ", x.Title)
			p.para("      ", figures(x))
		}
		p.grid("lll", nominal)
	}
	if p.Len() > 0 {
		p.WriteByte('\n')
	}
	p.para("", "makebreak limits ID shows a set in full, with the source of each figure. "+checkDocument(slices.ContainsFunc(profiles, remembered)))
	_, err := w.Write(p.Bytes())
	return err
}

// remembered tells whether a limit of p is from memory.
func remembered(p *pulse.Profile) bool {
	return slices.ContainsFunc(p.Limits, func(l pulse.Limit) bool { return l.Seen == pulse.SeenMemory })
}

func checkDocument(memory bool) string {
	s := "Before you rely on a figure, check the document itself."
	if memory {
		s += " Figures from memory have not been checked against any: check those first."
	}
	return s
}

// cadenceMS writes a cadence's make/break/make/break … in ms.
func cadenceMS(cadence []int64) string {
	s := make([]string, len(cadence))
	for i, ns := range cadence {
		s[i] = figure.Trimmed(float64(ns)/1e6, 6)
	}
	return strings.Join(s, "/")
}

// figures writes the limits of p that are not derived from others, or all when
// there is no other, in one sentence.
func figures(p *pulse.Profile) string {
	limits := slices.DeleteFunc(slices.Clone(p.Limits), func(l pulse.Limit) bool { return l.Seen == pulse.SeenDerived })
	if len(limits) == 0 {
		limits = p.Limits
	}
	var s []string
	for _, l := range limits {
		noun, unit := figure.Quantity(l.Name())
		var value string
		switch {
		case l.Min == nil:
			value = "at most " + bound(l.Max)
		case l.Max == nil:
			value = "at least " + bound(l.Min)
		default:
			value = bound(l.Min) + " to " + bound(l.Max)
		}
		s = append(s, noun+" "+figure.Unit(value, unit))
	}
	return strings.Join(s, ", ")
}

// bound writes a figure as published, or a dash when there is none.
func bound(x *float64) string {
	if x == nil {
		return "-"
	}
	return strconv.FormatFloat(*x, 'f', -1, 64)
}

// writeLimitsOne shows a profile in full.
func writeLimitsOne(w io.Writer, profile *pulse.Profile) error {
	var p page
	p.para("", profile.ID)
	p.para("", profile.Title)
	p.para("", countryName(profile.Country)+", "+profile.Use+", "+profile.Kind.String())
	p.head("Limits")
	if len(profile.Limits) == 0 {
		p.para("  ", "None: no tolerance is published. The cadence is recognised and measured, never judged: the verdict is \"not measured\", or \"fail\" where interruptions are missing, extra or slipped.")
	} else {
		rows := [][]cell{cells("", "min", "nominal", "max", "")}
		var sources []pulse.Item
		for _, l := range profile.Limits {
			noun, unit := figure.Quantity(l.Name())
			rows = append(rows, cells(noun, bound(l.Min), bound(l.Nominal), bound(l.Max), unit))
			source := l.Source
			if l.Note != "" && l.Note != seenWords(l.Seen) {
				source += "; " + l.Note
			}
			sources = append(sources, pulse.Item{Quantity: l.Name(), Source: source, Seen: l.Seen})
		}
		p.grid("lrrrl", rows)
		writeSources(&p, sources)
	}
	p.head("How a recording is read")
	if profile.Kind == pulse.KindDial {
		writeDialReading(&p, profile)
	} else {
		writeCadenceReading(&p, profile)
	}
	for _, s := range []struct {
		head  string
		lines []string
	}{{"Where published figures disagree", profile.Conflicts}, {"Notes", profile.Notes}} {
		if len(s.lines) == 0 {
			continue
		}
		p.head(s.head)
		for _, line := range s.lines {
			p.para("  - ", line)
		}
	}
	p.WriteByte('\n')
	p.para("", checkDocument(remembered(profile)))
	_, err := w.Write(p.Bytes())
	return err
}

func writeDialReading(p *page, profile *pulse.Profile) {
	span := func(own, byDefault int64) string {
		if own == 0 {
			return figure.Span(byDefault) + " (default)"
		}
		return figure.Span(own)
	}
	p.para("  Pulse: ", "a break of "+span(profile.PulseMinNS, pulse.DefaultPulseMinNS)+" to "+span(profile.PulseMaxNS, pulse.DefaultPulseMaxNS)+".")
	p.para("  Train: ", "ended by a make of "+span(profile.TrainGapNS, pulse.DefaultTrainGapNS)+".")
	p.para("  Flash: ", "a break longer than a pulse, up to "+span(profile.FlashMaxNS, pulse.DefaultFlashMaxNS)+"; then a disconnect.")
	digits := map[pulse.Coding]string{
		pulse.CodingNormal:   "1 to 9 pulses are 1 to 9, ten are 0",
		pulse.CodingNPlus1:   "one pulse is 0, two are 1, ten are 9",
		pulse.Coding10MinusN: "one pulse is 9, nine are 1, ten are 0",
	}
	p.para("  Digit: ", digits[profile.Coding]+" ("+profile.Coding.String()+" coding).")
}

func writeCadenceReading(p *page, profile *pulse.Profile) {
	if len(profile.CadenceNS) == 0 {
		p.para("  ", "Period and cadence are told from the data.")
		return
	}
	var cycle, makes float64
	var segments []string
	for i, ns := range profile.CadenceNS {
		state := "break"
		if i%2 == 0 {
			state = "make"
			makes += float64(ns)
		}
		cycle += float64(ns)
		segments = append(segments, state+" "+figure.Span(ns))
	}
	perMinute := 60e9 / cycle
	p.para("  Cadence: ", strings.Join(segments, ", ")+".")
	text := figure.Span(int64(cycle)) + ", " + figure.Trimmed(perMinute, 2) + " a minute"
	if n := len(profile.CadenceNS) / 2; n > 1 {
		text += " with " + figure.Trimmed(perMinute*float64(n), 2) + " makes"
	}
	p.para("  Cycle: ", text+"; make "+figure.Trimmed(100*makes/cycle, 2)+" % of the time.")
}

// limitsDocument is the list of profiles as JSON. Units are in the names; what
// a profile does not set is null.
type limitsDocument struct {
	Format   string        `json:"format"`
	Profiles []profileJSON `json:"profiles"`
}

type profileJSON struct {
	ID         string      `json:"id"`
	Title      string      `json:"title"`
	Country    *string     `json:"country"`
	Use        string      `json:"use"`
	Kind       string      `json:"kind"`
	Coding     *string     `json:"coding"` // of a dial
	PulseMinMS *float64    `json:"pulse_min_ms"`
	PulseMaxMS *float64    `json:"pulse_max_ms"`
	TrainGapMS *float64    `json:"train_gap_ms"`
	FlashMaxMS *float64    `json:"flash_max_ms"`
	CadenceMS  []float64   `json:"cadence_ms"`
	Limits     []limitJSON `json:"limits"` // empty: nothing is judged
	Conflicts  []string    `json:"conflicts"`
	Notes      []string    `json:"notes"`
}

type limitJSON struct {
	Quantity pulse.Quantity `json:"quantity"`
	Segment  *int           `json:"segment"`
	Min      *float64       `json:"min"`
	Nominal  *float64       `json:"nominal"`
	Max      *float64       `json:"max"`
	Source   string         `json:"source"`
	Seen     pulse.Seen     `json:"seen"`
	Note     *string        `json:"note"`
}

// writeLimitsListJSON writes profiles, in their order, as one JSON object.
func writeLimitsListJSON(w io.Writer, profiles []*pulse.Profile) error {
	doc := limitsDocument{Format: "makebreak.limits/1", Profiles: []profileJSON{}}
	for _, p := range profiles {
		x := profileJSON{
			ID: p.ID, Title: p.Title, Country: given(p.Country), Use: p.Use, Kind: p.Kind.String(),
			PulseMinMS: givenMS(p.PulseMinNS), PulseMaxMS: givenMS(p.PulseMaxNS),
			TrainGapMS: givenMS(p.TrainGapNS), FlashMaxMS: givenMS(p.FlashMaxNS), CadenceMS: []float64{}, Limits: []limitJSON{},
			Conflicts: append([]string{}, p.Conflicts...), Notes: append([]string{}, p.Notes...),
		}
		if p.Kind == pulse.KindDial {
			x.Coding = given(p.Coding.String())
		}
		for _, ns := range p.CadenceNS {
			x.CadenceMS = append(x.CadenceMS, *givenMS(ns))
		}
		for _, l := range p.Limits {
			x.Limits = append(x.Limits, limitJSON{l.Quantity, given(l.Segment), l.Min, l.Nominal, l.Max, l.Source, l.Seen, given(l.Note)})
		}
		doc.Profiles = append(doc.Profiles, x)
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(doc)
}

// writeLimitsOneJSON writes the document of writeLimitsListJSON with p alone.
func writeLimitsOneJSON(w io.Writer, p *pulse.Profile) error {
	return writeLimitsListJSON(w, []*pulse.Profile{p})
}

// given is nil for a zero value.
func given[T comparable](v T) *T {
	var zero T
	if v == zero {
		return nil
	}
	return &v
}

func givenMS(ns int64) *float64 { return given(float64(ns) / 1e6) }
