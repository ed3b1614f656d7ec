package report

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// countries names the countries of the bundled profiles.
var countries = map[string]string{
	"AT": "Austria", "AU": "Australia", "BE": "Belgium", "CH": "Switzerland", "CN": "China", "CZ": "Czech Republic",
	"DE": "Germany", "DK": "Denmark", "ES": "Spain", "FI": "Finland", "FR": "France", "GB": "United Kingdom",
	"HU": "Hungary", "IN": "India", "INT": "International", "IT": "Italy", "JP": "Japan", "NL": "Netherlands",
	"NO": "Norway", "NZ": "New Zealand", "PL": "Poland", "PT": "Portugal", "RU": "Russia", "SE": "Sweden",
	"SU": "USSR (historic code)", "US": "United States", "ZA": "South Africa",
}

func CountryName(code string) string {
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

// OfLimitsList lists profiles by country, use and id, with the published
// figures of each. Figures derived from those are left to OfLimits.
func OfLimitsList(profiles []*pulse.Profile) *Document {
	order := func(a, b *pulse.Profile) int {
		rankA, _ := limitsSection(a)
		rankB, _ := limitsSection(b)
		return cmp.Or(cmp.Compare(CountryName(a.Country), CountryName(b.Country)), rankA-rankB)
	}
	rest := slices.SortedStableFunc(slices.Values(profiles), func(a, b *pulse.Profile) int {
		return cmp.Or(order(a, b), cmp.Compare(a.ID, b.ID))
	})
	doc := new(Document)
	country := ""
	for len(rest) > 0 {
		n := 1
		for n < len(rest) && order(rest[0], rest[n]) == 0 {
			n++
		}
		group := rest[:n]
		rest = rest[n:]
		if name := CountryName(group[0].Country); name != country {
			country = name
			doc.head(name)
		}
		_, section := limitsSection(group[0])
		doc.tell("", section)
		nominal := Table{Headless: true, Columns: columns("lll", "", "", "")}
		for _, x := range group {
			if len(x.Limits) == 0 {
				nominal.Rows = append(nominal.Rows, cells("  "+x.ID, cadenceMS(x.CadenceNS)+" ms", x.Title))
				continue
			}
			doc.add(Paragraph{Indent: 4, Lead: x.ID + " ", Text: x.Title}, Paragraph{Indent: 6, Text: Figures(x)})
		}
		if len(nominal.Rows) > 0 {
			doc.add(nominal)
		}
	}
	if len(profiles) > 0 {
		doc.add(Space{})
	}
	doc.say("makebreak limits ID shows a set in full, with the source of each figure. " + checkDocument(slices.ContainsFunc(profiles, remembered)))
	return doc
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

// Figures writes the limits of p that are not derived from others, or all when
// there is no other, in one sentence.
func Figures(p *pulse.Profile) string {
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

// OfLimits shows a profile in full.
func OfLimits(profile *pulse.Profile) *Document {
	doc := new(Document)
	doc.say(profile.ID)
	doc.say(profile.Title)
	doc.say(CountryName(profile.Country) + ", " + profile.Use + ", " + profile.Kind.String())
	doc.head("Limits")
	if len(profile.Limits) == 0 {
		doc.tell("", "None: no tolerance is published. The cadence is recognised and measured, never judged: the verdict is \"not measured\", or \"fail\" where interruptions are missing, extra or slipped.")
	} else {
		t := Table{Columns: columns("lrrrl", "", "min", "nominal", "max", "")}
		var items []pulse.Item // that name the sources
		for _, l := range profile.Limits {
			noun, unit := figure.Quantity(l.Name())
			t.Rows = append(t.Rows, cells(noun, bound(l.Min), bound(l.Nominal), bound(l.Max), unit))
			source := l.Source
			if l.Note != "" && l.Note != seenWords(l.Seen) {
				source += "; " + l.Note
			}
			items = append(items, pulse.Item{Quantity: l.Name(), Source: source, Seen: l.Seen})
		}
		doc.add(t)
		sources(doc, items)
	}
	doc.head("How a recording is read")
	if profile.Kind == pulse.KindDial {
		dialReading(doc, profile)
	} else {
		cadenceReading(doc, profile)
	}
	for _, s := range []struct {
		head  string
		lines []string
	}{{"Where published figures disagree", profile.Conflicts}, {"Notes", profile.Notes}} {
		if len(s.lines) == 0 {
			continue
		}
		doc.head(s.head)
		for _, line := range s.lines {
			doc.item(line)
		}
	}
	doc.add(Space{})
	doc.say(checkDocument(remembered(profile)))
	return doc
}

func dialReading(doc *Document, profile *pulse.Profile) {
	span := func(own, byDefault int64) string {
		if own == 0 {
			return figure.Span(byDefault) + " (default)"
		}
		return figure.Span(own)
	}
	doc.tell("Pulse:", "a break of "+span(profile.PulseMinNS, pulse.DefaultPulseMinNS)+" to "+span(profile.PulseMaxNS, pulse.DefaultPulseMaxNS)+".")
	doc.tell("Train:", "ended by a make of "+span(profile.TrainGapNS, pulse.DefaultTrainGapNS)+".")
	doc.tell("Flash:", "a break longer than a pulse, up to "+span(profile.FlashMaxNS, pulse.DefaultFlashMaxNS)+"; then a disconnect.")
	digits := map[pulse.Coding]string{
		pulse.CodingNormal:   "1 to 9 pulses are 1 to 9, ten are 0",
		pulse.CodingNPlus1:   "one pulse is 0, two are 1, ten are 9",
		pulse.Coding10MinusN: "one pulse is 9, nine are 1, ten are 0",
	}
	doc.tell("Digit:", digits[profile.Coding]+" ("+profile.Coding.String()+" coding).")
}

func cadenceReading(doc *Document, profile *pulse.Profile) {
	if len(profile.CadenceNS) == 0 {
		doc.tell("", "Period and cadence are told from the data.")
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
	doc.tell("Cadence:", strings.Join(segments, ", ")+".")
	text := figure.Span(int64(cycle)) + ", " + figure.Trimmed(perMinute, 2) + " a minute"
	if n := len(profile.CadenceNS) / 2; n > 1 {
		text += " with " + figure.Trimmed(perMinute*float64(n), 2) + " makes"
	}
	doc.tell("Cycle:", text+"; make "+figure.Trimmed(100*makes/cycle, 2)+" % of the time.")
}

// LimitsDocument is the list of profiles as JSON. Units are in the names; what
// a profile does not set is null.
type LimitsDocument struct {
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

// LimitsJSON gives profiles, in their order, as other programs read them.
func LimitsJSON(profiles []*pulse.Profile) LimitsDocument {
	doc := LimitsDocument{Format: "makebreak.limits/1", Profiles: []profileJSON{}}
	for _, p := range profiles {
		x := profileJSON{
			ID: p.ID, Title: p.Title, Country: Given(p.Country), Use: p.Use, Kind: p.Kind.String(),
			PulseMinMS: givenMS(p.PulseMinNS), PulseMaxMS: givenMS(p.PulseMaxNS),
			TrainGapMS: givenMS(p.TrainGapNS), FlashMaxMS: givenMS(p.FlashMaxNS), CadenceMS: []float64{}, Limits: []limitJSON{},
			Conflicts: append([]string{}, p.Conflicts...), Notes: append([]string{}, p.Notes...),
		}
		if p.Kind == pulse.KindDial {
			x.Coding = Given(p.Coding.String())
		}
		for _, ns := range p.CadenceNS {
			x.CadenceMS = append(x.CadenceMS, *givenMS(ns))
		}
		for _, l := range p.Limits {
			x.Limits = append(x.Limits, limitJSON{l.Quantity, Given(l.Segment), l.Min, l.Nominal, l.Max, l.Source, l.Seen, Given(l.Note)})
		}
		doc.Profiles = append(doc.Profiles, x)
	}
	return doc
}

// Given is nil for a zero value.
func Given[T comparable](v T) *T {
	var zero T
	if v == zero {
		return nil
	}
	return &v
}

func givenMS(ns int64) *float64 { return Given(float64(ns) / 1e6) }
