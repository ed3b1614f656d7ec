// Package config reads makebreak's YAML files: limits profiles, and what
// makebreak watch is to do. All keys of the latter are explained in
// configs/watch.yaml.
//
// # Limits profiles
//
// A limits profile is a set of published limits for one use. The published
// ones are in configs/limits; a user's own is a file of the same form:
//
//	id: mq-sender-bench           # a-z, 0-9 and hyphens
//	title: Key sender, Marrow Quay bench sheet
//	country: AU                   # ISO 3166 alpha-2, SU, or INT; may be left out
//	use: sending                  # sending, receiving or cadence
//	kind: dial                    # dial or interrupter
//	coding: normal                # dial: normal, n+1 or 10-n
//	pulse: {min_ms: 15, max_ms: 150}  # dial: the breaks that count as pulses
//	train_gap_ms: 120             # dial: a longer make ends the train
//	flash_max_ms: 1000            # dial: a longer break is a disconnect
//	limits:
//	  - quantity: break_ms        # see pulse.Quantity
//	    min: 60                   # min, max or both
//	    nominal: 62               # may be left out
//	    max: 70
//	    source: Marrow Quay bench sheet 4, row 2   # document, edition, clause
//	    seen: own                 # text, secondary, derived, memory,
//	                              # common practice or own
//	    note: invented
//	conflicts: [where published figures disagree]
//	notes: [anything else]
//
// All but id, title, use, kind and limits may be left out. An interrupter has
//
//	cadence_ms: [400, 200, 400, 2000]   # nominal make, break, make, break …
//
// instead of the dial's keys. The quantity segment_ms takes "segment", counted
// from 1: segment 1 is the first make. Where a cadence is published without a
// tolerance nothing can be judged; then in place of limits stands
//
//	no_tolerance: {source: …, seen: …, note: …}
//
// Numbers are plain decimals, from 0 to 1e9, without exponent. Tags, anchors
// and aliases are not read. A bundled file may hold several profiles: a list
// under the key "profiles", each of whose keys replaces that of a mapping
// under the key "common".
package config

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"makebreak/configs"
	"makebreak/pulse"
	"makebreak/pulse/duration"
)

// maxSegments is far beyond any published cadence (the longest has 8).
const maxSegments = 64

// limitsForm has room for five times what the largest bundled file holds.
var limitsForm = form{"limits profile", 8_000}

// uses are the values of Profile.Use, in the order of lists.
var uses = []string{"sending", "receiving", "cadence"}

// quantities says which quantities each kind of contact has.
var quantities = map[pulse.Kind][]pulse.Quantity{
	pulse.KindDial: {pulse.RatePPS, pulse.BreakPercent, pulse.BreakRatio, pulse.BreakMS, pulse.MakeMS,
		pulse.InterdigitMS, pulse.PeriodMS, pulse.BounceMS},
	pulse.KindInterrupter: {pulse.RateIPM, pulse.BreakPercent, pulse.BreakMS, pulse.MakeMS, pulse.PeriodMS,
		pulse.BounceMS, pulse.SegmentMS},
}

// ErrUnknown is found (errors.Is) in the error for an id that no bundled
// profile has.
var ErrUnknown = errors.New("is unknown")

// Profile gives the limits profile that idOrPath names: a bundled one by its
// id, else the file at that path, else one by its id in small letters. An
// argument that is no id and has no slash and no .yaml or .yml at its end is a
// path only if such a file exists. The error of a file tells all its mistakes, one a line, as
// "file:line:column: key …: what is wrong: expected …"; that of an unknown id
// tells ids that look like it.
func Profile(idOrPath string) (*pulse.Profile, error) {
	if isPath(idOrPath) {
		return profileFile(idOrPath)
	}
	p, err := profileByID(idOrPath)
	if p != nil || err != nil {
		return p, err
	}
	if _, err := os.Stat(idOrPath); err == nil {
		return profileFile(idOrPath)
	}
	if p, err := profileByID(strings.ToLower(idOrPath)); p != nil || err != nil {
		return p, err
	}
	ids, err := profileIDs()
	if err != nil {
		return nil, err
	}
	if others := near(idOrPath, ids); len(others) > 0 {
		return nil, fmt.Errorf(`limits profile %s %w; near it: %s; "makebreak limits" lists them all`,
			quote(idOrPath), ErrUnknown, strings.Join(others, ", "))
	}
	return nil, fmt.Errorf(`limits profile %s %w; "makebreak limits" lists them all`, quote(idOrPath), ErrUnknown)
}

// isPath tells whether the name of a profile can only mean a file.
func isPath(name string) bool {
	return strings.ContainsRune(name, '/') || strings.HasSuffix(name, ".yaml") || strings.HasSuffix(name, ".yml")
}

// profileByID gives the bundled profile of an id, nil where there is none.
func profileByID(id string) (*pulse.Profile, error) {
	if !validID(id) {
		return nil, nil
	}
	mentioning, err := bundled("id: " + id)
	if err != nil {
		return nil, err
	}
	for _, p := range mentioning {
		if p.ID == id {
			return p, nil
		}
	}
	return nil, nil
}

// profileIDs gives the ids of the bundled profiles.
func profileIDs() ([]string, error) {
	profiles, err := Profiles()
	ids := make([]string, len(profiles))
	for i, p := range profiles {
		ids[i] = p.ID
	}
	return ids, err
}

// Profiles gives all bundled limits profiles, by country code, use (sending,
// receiving, cadence) and id.
func Profiles() ([]*pulse.Profile, error) {
	all, err := bundled("")
	if err != nil {
		return nil, err
	}
	slices.SortFunc(all, func(a, b *pulse.Profile) int {
		return cmp.Or(cmp.Compare(a.Country, b.Country),
			slices.Index(uses, a.Use)-slices.Index(uses, b.Use), cmp.Compare(a.ID, b.ID))
	})
	return all, nil
}

// bundled gives the profiles of the bundled files that hold a text.
func bundled(text string) ([]*pulse.Profile, error) {
	files, err := fs.Glob(configs.Limits, "limits/*.yaml")
	if err != nil {
		return nil, err
	}
	var all []*pulse.Profile
	for _, f := range files {
		data, err := configs.Limits.ReadFile(f)
		if err != nil {
			return nil, err
		}
		if !bytes.Contains(data, []byte(text)) {
			continue
		}
		p, err := parseProfiles(f, data)
		if err != nil {
			return nil, err
		}
		all = append(all, p...)
	}
	return all, nil
}

// profileFile reads the one profile of a user's file.
func profileFile(path string) (*pulse.Profile, error) {
	data, err := readFile(limitsForm, path)
	if err != nil {
		return nil, err
	}
	p, err := parseProfiles(path, data)
	if err != nil {
		return nil, err
	}
	if len(p) != 1 {
		return nil, fmt.Errorf("%s: %d profiles in the file: expected one", path, len(p))
	}
	return p[0], nil
}

// parseProfiles reads the profiles of a file; its name is for messages only.
func parseProfiles(file string, data []byte) ([]*pulse.Profile, error) {
	root, err := parseYAML(limitsForm, file, data)
	if err != nil {
		return nil, err
	}
	d := &decoder{}
	p := d.file(root)
	if len(d.mistakes) > 0 {
		return nil, d.err(file)
	}
	return p, nil
}

// millis reads ms as ns, above 0.
func (d *decoder) millis(dst *int64) func(value) bool {
	return func(v value) bool {
		x, ok := numberOf(v.node)
		ns := int64(math.Round(x * 1e6))
		if !ok || ns < 1 {
			return d.wrongNumber(v)
		}
		*dst = ns
		return true
	}
}

const (
	wantMillis = "a plain decimal number of ms above 0, up to 1000000000"
	wantSource = "the document, its edition and clause, as text on one line"
	wantSeen   = "text, secondary, derived, memory, common practice or own"
)

func validCountry(s string) bool {
	return s == "INT" || len(s) == 2 && strings.Trim(s, "ABCDEFGHIJKLMNOPQRSTUVWXYZ") == ""
}

// A draft is a profile being read.
type draft struct {
	pulse.Profile
	found
	limits []limitDraft
	basis  pulse.Limit // source, seen and note of no_tolerance
}

type limitDraft struct {
	pulse.Limit
	found
	value
}

// file reads a profile, or a list of them with what they have in common.
func (d *decoder) file(root *ast.MappingNode) []*pulse.Profile {
	top := value{node: root, want: "the keys of a limits profile"}
	if !slices.ContainsFunc(root.Values, func(kv *ast.MappingValueNode) bool {
		return kv.Key.GetToken().Value == "profiles"
	}) {
		return []*pulse.Profile{d.profile(top, draft{})}
	}
	var common draft
	var entries []value
	d.mapping(top, found{}, []field{
		{"common", false, "the keys that all profiles have in common", func(v value) bool {
			common.found = found{}
			return d.mapping(v, common.found, d.profileFields(&common))
		}},
		{"profiles", true, "a list of profiles", d.list("the keys of a profile", func(v value) bool {
			entries = append(entries, v)
			return true
		})},
	})
	if len(entries) == 0 && len(d.mistakes) == 0 {
		d.tell(value{"profiles", root, ""}, "empty", "a list of profiles")
	}
	var all []*pulse.Profile
	seen := map[string]string{}
	for _, v := range entries {
		p := d.profile(v, common)
		if first, ok := seen[p.ID]; ok && p.ID != "" {
			d.tell(value{v.path + ".id", v.node, ""}, quote(p.ID)+" is the id of "+first, "another id")
		}
		seen[p.ID] = v.path
		all = append(all, p)
	}
	return all
}

func (d *decoder) profileFields(p *draft) []field {
	return []field{
		{"id", true, "small letters a-z, digits and hyphens, at most 64", d.text(&p.ID, validID)},
		{"title", true, wantText, d.text(&p.Title, isText)},
		{"country", false, "two capital letters of ISO 3166, or INT", d.text(&p.Country, validCountry)},
		{"use", true, "sending, receiving or cadence", choice(d, &p.Use, uses, strings.Clone)},
		{"kind", true, "dial or interrupter", choice(d, &p.Kind,
			[]pulse.Kind{pulse.KindDial, pulse.KindInterrupter}, pulse.Kind.String)},
		{"coding", false, "normal, n+1 or 10-n", choice(d, &p.Coding,
			[]pulse.Coding{pulse.CodingNormal, pulse.CodingNPlus1, pulse.Coding10MinusN}, pulse.Coding.String)},
		{"pulse", false, "min_ms, max_ms or both", func(v value) bool {
			f := found{}
			return d.mapping(v, f, []field{
				{"min_ms", false, wantMillis, d.millis(&p.PulseMinNS)},
				{"max_ms", false, wantMillis, d.millis(&p.PulseMaxNS)},
			}) && f.good(slices.Collect(maps.Keys(f))...)
		}},
		{"train_gap_ms", false, wantMillis, d.millis(&p.TrainGapNS)},
		{"flash_max_ms", false, wantMillis, d.millis(&p.FlashMaxNS)},
		{"cadence_ms", false, "a list of ms: make, break, make, break …", func(v value) bool {
			p.CadenceNS = nil
			ok := d.list(wantMillis, func(v value) bool {
				var ns int64
				ok := d.millis(&ns)(v)
				p.CadenceNS = append(p.CadenceNS, ns)
				return ok
			})(v)
			return ok && d.evenSegments(v, len(p.CadenceNS))
		}},
		{"limits", false, "a list of limits", func(v value) bool {
			p.limits = nil
			return d.list("the keys of a limit", func(v value) bool {
				l := limitDraft{found: found{}, value: v}
				fields := []field{
					{"quantity", true, "one of " + names(allQuantities()), choice(d, &l.Quantity, allQuantities(), toString)},
					{"segment", false, "a whole number from 1", d.count(&l.Segment)},
					{"min", false, wantNumber, d.number(&l.Min)},
					{"max", false, wantNumber, d.number(&l.Max)},
					{"nominal", false, wantNumber, d.number(&l.Nominal)},
					{"source", true, wantSource, d.text(&l.Source, isText)},
					{"seen", true, wantSeen, choice(d, &l.Seen, allSeen, toString)},
					{"note", false, wantText, d.text(&l.Note, isText)},
				}
				ok := d.mapping(v, l.found, fields)
				if ok {
					d.require(v, l.found, fields)
					p.limits = append(p.limits, l)
				}
				return ok
			})(v)
		}},
		{"no_tolerance", false, "source, seen and perhaps note", func(v value) bool {
			p.basis = pulse.Limit{}
			f := found{}
			fields := []field{
				{"source", true, wantSource, d.text(&p.basis.Source, isText)},
				{"seen", true, wantSeen, choice(d, &p.basis.Seen, allSeen, toString)},
				{"note", false, wantText, d.text(&p.basis.Note, isText)},
			}
			ok := d.mapping(v, f, fields)
			if ok {
				d.require(v, f, fields)
			}
			return ok
		}},
		{"conflicts", false, "a list of sentences", d.texts(&p.Conflicts)},
		{"notes", false, "a list of sentences", d.texts(&p.Notes)},
	}
}

// evenSegments tells a cadence of n segments that makes and breaks do not fill.
func (d *decoder) evenSegments(v value, n int) bool {
	if n < 2 || n%2 != 0 || n > maxSegments {
		d.tell(v, strconv.Itoa(n)+" segments", "an even number of them from 2 to 64: make, break, make, break …")
		return false
	}
	return true
}

var allSeen = []pulse.Seen{pulse.SeenText, pulse.SeenSecondary, pulse.SeenDerived, pulse.SeenMemory,
	pulse.SeenPractice, pulse.SeenOwn}

func toString[T ~string](s T) string { return string(s) }

// allQuantities gives the quantities of both kinds, each once.
func allQuantities() []pulse.Quantity {
	all := slices.Clone(quantities[pulse.KindDial])
	for _, q := range quantities[pulse.KindInterrupter] {
		if !slices.Contains(all, q) {
			all = append(all, q)
		}
	}
	return all
}

func names(q []pulse.Quantity) string {
	s := make([]string, len(q))
	for i := range q {
		s[i] = string(q[i])
	}
	return strings.Join(s, ", ")
}

// profile reads one profile over what it has in common with others.
func (d *decoder) profile(v value, common draft) *pulse.Profile {
	p := common
	p.found = maps.Clone(common.found)
	if p.found == nil {
		p.found = found{}
	}
	fields := d.profileFields(&p)
	if !d.mapping(v, p.found, fields) {
		return &p.Profile
	}
	d.require(v, p.found, fields)
	d.checkKind(v, &p)
	d.checkReadings(p.found, readings{
		cmp.Or(p.PulseMinNS, pulse.DefaultPulseMinNS), cmp.Or(p.PulseMaxNS, pulse.DefaultPulseMaxNS),
		cmp.Or(p.FlashMaxNS, pulse.DefaultFlashMaxNS),
	}, "_ms", duration.Millis)
	for i := range p.limits {
		d.checkLimit(&p, i)
		p.Limits = append(p.Limits, p.limits[i].Limit)
	}
	if p.has("no_tolerance") {
		basis := "Nominal cadence from " + p.basis.Source + " (" + string(p.basis.Seen)
		if p.basis.Note != "" {
			basis += "; " + p.basis.Note
		}
		p.Notes = append([]string{basis + ")."}, p.Notes...)
	}
	return &p.Profile
}

// checkKind tells keys that do not go with the kind, or with each other.
func (d *decoder) checkKind(v value, p *draft) {
	forbid := func(why, want string, keys ...string) {
		for _, k := range keys {
			if p.has(k) {
				d.tell(p.found[k].value, why, want)
			}
		}
	}
	if p.good("kind") {
		if p.Kind == pulse.KindDial {
			forbid("not for a dial", "it with kind interrupter only", "cadence_ms", "no_tolerance")
			if p.good("use") && p.Use == "cadence" {
				d.tell(p.found["use"].value, "cadence is not for a dial", "sending or receiving")
			}
		} else {
			forbid("not for an interrupter", "it with kind dial only", "coding", "pulse", "train_gap_ms", "flash_max_ms")
		}
	}
	switch {
	case p.has("limits") && p.has("no_tolerance"):
		forbid("given beside limits", "one of the two", "no_tolerance")
	case p.has("no_tolerance") && !p.has("cadence_ms"):
		forbid("given without cadence_ms", "both: the nominal cadence and where it comes from", "no_tolerance")
	case !p.has("limits") && !p.has("no_tolerance"):
		d.tell(value{path: join(v.path, "limits"), node: v.node}, "missing", "a list of limits")
	case p.good("limits") && len(p.limits) == 0:
		d.tell(p.found["limits"].value, "empty", "one limit at least; a cadence without tolerance has no_tolerance instead")
	}
}

// readings are the bounds of what counts as a pulse and a flash, in ns, with
// the defaults where none was given.
type readings struct{ pulseMin, pulseMax, flashMax int64 }

// checkReadings tells bounds of pulses and flashes that leave nothing between
// them. suffix ends the names of keys, show writes a time.
func (d *decoder) checkReadings(f found, r readings, suffix string, show func(ns int64) string) {
	minKey, maxKey, key := "min"+suffix, "max"+suffix, "flash_max"+suffix
	if f.good("pulse") && r.pulseMin >= r.pulseMax {
		d.tell(f["pulse"].value, fmt.Sprintf("%s %s is not below %s %s", minKey, show(r.pulseMin), maxKey, show(r.pulseMax)), minKey+" below "+maxKey)
	}
	at := key
	if !f.has(at) {
		at = "pulse"
	}
	if f.good(at) && r.flashMax <= r.pulseMax {
		d.tell(f[at].value, fmt.Sprintf("%s %s is not above pulse.%s %s", key, show(r.flashMax), maxKey, show(r.pulseMax)),
			key+" above pulse."+maxKey)
	}
}

// checkLimit tells what is wrong in limit i as a whole.
func (d *decoder) checkLimit(p *draft, i int) {
	l := &p.limits[i]
	at := func(key string) value { return l.found[key].value }
	if l.good("quantity") {
		if allowed := quantities[p.Kind]; p.good("kind") && !slices.Contains(allowed, l.Quantity) {
			d.tell(at("quantity"), string(l.Quantity)+" is no quantity of kind "+p.Kind.String(), "one of "+names(allowed))
		}
		segments := len(p.CadenceNS)
		switch isSegment := l.Quantity == pulse.SegmentMS; {
		case !isSegment && l.has("segment"):
			d.tell(at("segment"), "not for "+string(l.Quantity), "it with quantity segment_ms only")
		case isSegment && !l.has("segment"):
			d.tell(value{path: l.path + ".segment", node: l.node}, "missing", "the segment's number, 1 for the first make")
		case isSegment && l.good("segment") && (p.good("cadence_ms") || !p.has("cadence_ms")) && l.Segment > segments:
			d.tell(at("segment"), fmt.Sprintf("%d is outside the cadence of %d segments", l.Segment, segments),
				"the number of a segment of cadence_ms")
		}
		if l.Quantity == pulse.BreakPercent {
			for key, x := range map[string]*float64{"min": l.Min, "max": l.Max, "nominal": l.Nominal} {
				if x != nil && *x > 100 {
					d.tell(at(key), shown(*x)+" is above 100 percent", "a percentage")
				}
			}
		}
		for _, before := range p.limits[:i] {
			if before.good("quantity") && before.Name() == l.Name() &&
				(before.has("min") && l.has("min") || before.has("max") && l.has("max")) {
				d.tell(at("quantity"), l.Name()+" is bounded already in "+before.path, "each bound once")
			}
		}
	}
	if !l.has("min") && !l.has("max") {
		d.tell(l.value, "neither min nor max", "one of them at least")
	}
	switch {
	case l.good("min", "max") && *l.Min > *l.Max:
		d.tell(at("min"), shown(*l.Min)+" is above max "+shown(*l.Max), "min not above max")
	case l.good("nominal", "min") && *l.Nominal < *l.Min:
		d.tell(at("nominal"), shown(*l.Nominal)+" is below min "+shown(*l.Min), "nominal within the limits")
	case l.good("nominal", "max") && *l.Nominal > *l.Max:
		d.tell(at("nominal"), shown(*l.Nominal)+" is above max "+shown(*l.Max), "nominal within the limits")
	}
}
