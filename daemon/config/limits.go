// Package config reads makebreak's YAML files: limits profiles, and what
// makebreak watch is to do. All keys of the latter are explained in
// configs/watch.yaml.
//
// # Limits profiles
//
// A limits profile is a set of published limits for one use. The published
// ones are in configs/limits; a user's own is a file of the same form. The
// examples configs/own-dial.yaml and configs/own-interrupter.yaml explain the
// keys. Beside those a profile may have
//
//	conflicts: [where published figures disagree]
//	notes: [anything else]
//
// and, in place of limits, where a cadence is published without a tolerance, so
// that nothing can be judged,
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

// limitsFile allows five times the tokens of the largest bundled file.
var limitsFile = fileKind{"limits profile", 8_000}

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
// path only if such a file exists. The error of a file lists all its mistakes,
// one a line, as "file:line:column: key …: what is wrong: expected …". The error
// of an unknown id, ErrUnknown, lists ids that look like it.
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

// isPath reports whether the name of a profile can only mean a file.
func isPath(name string) bool {
	return strings.ContainsRune(name, '/') || strings.HasSuffix(name, ".yaml") || strings.HasSuffix(name, ".yml")
}

// profileByID gives the bundled profile of an id, or of one that it had formerly;
// nil where there is none.
func profileByID(id string) (*pulse.Profile, error) {
	if !validID(id) {
		return nil, nil
	}
	id = cmp.Or(formerIDs[id], id)
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

// bundled gives the profiles of the bundled files that contain text.
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
	data, err := readFile(limitsFile, path)
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
	root, err := parseYAML(limitsFile, file, data)
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

const (
	wantMillis  = "a plain decimal number of ms above 0, up to 1000000000"
	wantSource  = "the document, its edition and clause, as text on one line"
	wantID      = "small letters a-z, digits and hyphens, at most 64"
	wantProfile = "the keys of a limits profile"
	wantLimits  = "a list of limits"
)

// millis reads ms as ns, above 0.
func (d *decoder) millis(k *key, dst *int64) {
	read(d, k, dst, wantMillis, func(n ast.Node) (int64, bool) {
		x, ok := numberOf(n)
		ns := int64(math.Round(x * 1e6))
		return ns, ok && ns > 0
	})
}

func validCountry(s string) bool {
	return s == "INT" || len(s) == 2 && strings.Trim(s, "ABCDEFGHIJKLMNOPQRSTUVWXYZ") == ""
}

type rawProfiles struct {
	Common   key `yaml:"common"`
	Profiles key `yaml:"profiles" need:""`
}

type rawProfile struct {
	ID          key `yaml:"id" need:""`
	Title       key `yaml:"title" need:""`
	Country     key `yaml:"country"`
	Use         key `yaml:"use" need:""`
	Kind        key `yaml:"kind" need:""`
	Coding      key `yaml:"coding"`
	Pulse       key `yaml:"pulse"`
	TrainGapMS  key `yaml:"train_gap_ms"`
	FlashMaxMS  key `yaml:"flash_max_ms"`
	CadenceMS   key `yaml:"cadence_ms"`
	Limits      key `yaml:"limits"`
	NoTolerance key `yaml:"no_tolerance"`
	Conflicts   key `yaml:"conflicts"`
	Notes       key `yaml:"notes"`
}

type rawPulseMS struct {
	Min key `yaml:"min_ms"`
	Max key `yaml:"max_ms"`
}

type rawLimit struct {
	Quantity key `yaml:"quantity" need:""`
	Segment  key `yaml:"segment"`
	Min      key `yaml:"min"`
	Max      key `yaml:"max"`
	Nominal  key `yaml:"nominal"`
	Source   key `yaml:"source" need:""`
	Seen     key `yaml:"seen" need:""`
	Note     key `yaml:"note"`
}

type rawBasis struct {
	Source key `yaml:"source" need:""`
	Seen   key `yaml:"seen" need:""`
	Note   key `yaml:"note"`
}

// file reads a profile, or a list of profiles with what they have in common.
func (d *decoder) file(root *ast.MappingNode) (all []*pulse.Profile) {
	top := &key{node: root}
	if !slices.ContainsFunc(root.Values, func(kv *ast.MappingValueNode) bool {
		return kv.Key.GetToken().Value == "profiles"
	}) {
		return []*pulse.Profile{d.profile(top, wantProfile, rawProfile{})}
	}
	var raw rawProfiles
	var common rawProfile
	d.keys(top, wantProfile, &raw)
	d.keys(&raw.Common, "the keys that all profiles have in common", &common)
	seen := map[string]string{}
	d.list(&raw.Profiles, "a list of profiles", func(k *key) {
		p := d.profile(k, "the keys of a profile", common)
		if first, ok := seen[p.ID]; ok && p.ID != "" {
			d.report(k.node, k.path+".id", quote(p.ID)+" is the id of "+first, "another id")
		}
		seen[p.ID] = k.path
		all = append(all, p)
	})
	if len(all) == 0 && len(d.mistakes) == 0 {
		d.report(root, "profiles", "empty", "a list of profiles")
	}
	return all
}

// profile reads one profile over what it has in common with others.
func (d *decoder) profile(k *key, want string, r rawProfile) *pulse.Profile {
	p := &pulse.Profile{}
	if d.complete(k, want, &r) {
		r.check(d, k, p)
	}
	return p
}

// check reads the raw keys into profile p.
func (r *rawProfile) check(d *decoder, k *key, p *pulse.Profile) {
	d.text(&r.ID, &p.ID, wantID, validID)
	d.text(&r.Title, &p.Title, wantText, isText)
	d.text(&r.Country, &p.Country, "two capital letters of ISO 3166, or INT", validCountry)
	choice(d, &r.Use, &p.Use, uses...)
	choice(d, &r.Kind, &p.Kind, kinds...)
	choice(d, &r.Coding, &p.Coding, codings...)
	var b rawPulseMS
	if d.complete(&r.Pulse, "min_ms, max_ms or both", &b) {
		d.millis(&b.Min, &p.PulseMinNS)
		d.millis(&b.Max, &p.PulseMaxNS)
		r.Pulse.bad = b.Min.bad || b.Max.bad
	}
	d.millis(&r.TrainGapMS, &p.TrainGapNS)
	d.millis(&r.FlashMaxMS, &p.FlashMaxNS)
	d.segments(&r.CadenceMS, &p.CadenceNS, "a list of ms", d.millis)
	if r.NoTolerance.given() {
		p.Notes = append(p.Notes, r.basis(d))
	}
	r.checkKind(d, k, p)
	items(d, &r.Limits, &p.Limits, wantLimits, func(k *key, l *pulse.Limit) {
		var raw rawLimit
		if d.complete(k, "the keys of a limit", &raw) {
			raw.check(d, k, r, p, l)
		}
	})
	if r.Limits.good() && len(p.Limits) == 0 && !r.NoTolerance.given() {
		d.reject(&r.Limits, "empty", "one limit at least; a cadence without tolerance has no_tolerance instead")
	}
	d.texts(&r.Conflicts, &p.Conflicts)
	d.texts(&r.Notes, &p.Notes)
	d.checkReadings(&r.Pulse, &r.FlashMaxMS, readings{
		cmp.Or(p.PulseMinNS, pulse.DefaultPulseMinNS), cmp.Or(p.PulseMaxNS, pulse.DefaultPulseMaxNS),
		cmp.Or(p.FlashMaxNS, pulse.DefaultFlashMaxNS),
	}, "_ms", duration.Millis)
}

var (
	kinds   = []pulse.Kind{pulse.KindDial, pulse.KindInterrupter}
	codings = []pulse.Coding{pulse.CodingNormal, pulse.CodingNPlus1, pulse.Coding10MinusN}
	allSeen = []pulse.Seen{pulse.SeenText, pulse.SeenSecondary, pulse.SeenDerived, pulse.SeenMemory,
		pulse.SeenPractice, pulse.SeenOwn}
)

// quantitiesOf gives the quantities of a kind, those of two contacts too.
func quantitiesOf(k pulse.Kind) []pulse.Quantity {
	return slices.Concat(quantities[k], pulse.PairQuantities())
}

// allQuantities gives the quantities of both kinds, each once.
func allQuantities() []pulse.Quantity {
	all := slices.Clone(quantities[pulse.KindDial])
	for _, q := range quantities[pulse.KindInterrupter] {
		if !slices.Contains(all, q) {
			all = append(all, q)
		}
	}
	return append(all, pulse.PairQuantities()...)
}

// basis reads where a cadence without tolerance comes from, and gives it as a
// note.
func (r *rawProfile) basis(d *decoder) string {
	var b rawBasis
	var l pulse.Limit
	if d.complete(&r.NoTolerance, "source, seen and perhaps note", &b) {
		d.text(&b.Source, &l.Source, wantSource, isText)
		choice(d, &b.Seen, &l.Seen, allSeen...)
		d.text(&b.Note, &l.Note, wantText, isText)
	}
	s := "Nominal cadence from " + l.Source + " (" + string(l.Seen)
	if l.Note != "" {
		s += "; " + l.Note
	}
	return s + ")."
}

// checkKind reports keys that do not go with the kind, or with each other.
func (r *rawProfile) checkKind(d *decoder, k *key, p *pulse.Profile) {
	if r.Kind.good() && p.Kind == pulse.KindDial {
		d.forbid("not for a dial", "it with kind interrupter only", &r.CadenceMS, &r.NoTolerance)
		if r.Use.good() && p.Use == "cadence" {
			d.reject(&r.Use, "cadence is not for a dial", "sending or receiving")
		}
	} else if r.Kind.good() {
		d.forbid("not for an interrupter", "it with kind dial only", &r.Coding, &r.Pulse, &r.TrainGapMS, &r.FlashMaxMS)
	}
	switch {
	case r.Limits.given():
		d.forbid("given beside limits", "one of the two", &r.NoTolerance)
	case !r.NoTolerance.given():
		d.report(k.node, join(k.path, "limits"), "missing", wantLimits)
	case !r.CadenceMS.given():
		d.reject(&r.NoTolerance, "given without cadence_ms", "both: the nominal cadence and where it comes from")
	}
}

// readings are the bounds of what counts as a pulse and a flash, in ns, with
// the defaults where none was given.
type readings struct{ pulseMin, pulseMax, flashMax int64 }

// checkReadings reports bounds of pulses and flashes that leave nothing between
// them. suffix ends the names of the keys, show writes a time.
func (d *decoder) checkReadings(pulse, flash *key, r readings, suffix string, show func(ns int64) string) {
	minKey, maxKey, flashKey := "min"+suffix, "max"+suffix, "flash_max"+suffix
	at := flash
	if !at.given() {
		at = pulse
	}
	pulseGood, atGood := pulse.good(), at.good()
	if pulseGood && r.pulseMin >= r.pulseMax {
		d.reject(pulse, fmt.Sprintf("%s %s is not below %s %s", minKey, show(r.pulseMin), maxKey, show(r.pulseMax)), minKey+" below "+maxKey)
	}
	if atGood && r.flashMax <= r.pulseMax {
		d.reject(at, fmt.Sprintf("%s %s is not above pulse.%s %s", flashKey, show(r.flashMax), maxKey, show(r.pulseMax)),
			flashKey+" above pulse."+maxKey)
	}
}

// check reads the raw keys into limit l. of are the keys of its profile, and p
// is what has been read of them.
func (r *rawLimit) check(d *decoder, k *key, of *rawProfile, p *pulse.Profile, l *pulse.Limit) {
	choice(d, &r.Quantity, &l.Quantity, allQuantities()...)
	d.count(&r.Segment, &l.Segment, "a whole number from 1", maxNumber)
	number := d.number
	switch l.Quantity {
	case pulse.OpenLagMS, pulse.CloseLagMS, pulse.BreakChangeMS: // below 0 the output is early, or shorter
		number = d.signedNumber
	}
	number(&r.Min, &l.Min)
	number(&r.Max, &l.Max)
	number(&r.Nominal, &l.Nominal)
	d.text(&r.Source, &l.Source, wantSource, isText)
	choice(d, &r.Seen, &l.Seen, allSeen...)
	d.text(&r.Note, &l.Note, wantText, isText)
	if r.Quantity.good() {
		r.checkQuantity(d, k, of, p, l)
	}
	if !r.Min.given() && !r.Max.given() {
		d.report(k.node, k.path, "neither min nor max", "one of them at least")
	}
	const within = "nominal within the limits"
	switch min, max, nominal := r.Min.good(), r.Max.good(), r.Nominal.good(); {
	case min && max && *l.Min > *l.Max:
		d.reject(&r.Min, shown(*l.Min)+" is above max "+shown(*l.Max), "min not above max")
	case nominal && min && *l.Nominal < *l.Min:
		d.reject(&r.Nominal, shown(*l.Nominal)+" is below min "+shown(*l.Min), within)
	case nominal && max && *l.Nominal > *l.Max:
		d.reject(&r.Nominal, shown(*l.Nominal)+" is above max "+shown(*l.Max), within)
	}
}

// askFraction reports a percent break whose largest figure is 1 or less: no contact
// is that seldom open, and 0.6 is easily written for 60 percent.
func (r *rawLimit) askFraction(d *decoder, l *pulse.Limit) {
	var largest *key
	var value float64
	for _, f := range []struct {
		k *key
		x *float64
	}{{&r.Max, l.Max}, {&r.Nominal, l.Nominal}, {&r.Min, l.Min}} {
		if f.x != nil && *f.x > value {
			largest, value = f.k, *f.x
		}
	}
	if largest != nil && value <= 1 {
		d.reject(largest, shown(value)+" is not more than one percent: is it a fraction?", "a percentage, such as "+shown(100*value))
	}
}

// checkQuantity reports what does not go with the limit's quantity.
func (r *rawLimit) checkQuantity(d *decoder, k *key, of *rawProfile, p *pulse.Profile, l *pulse.Limit) {
	if allowed := quantitiesOf(p.Kind); of.Kind.good() && !slices.Contains(allowed, l.Quantity) {
		d.reject(&r.Quantity, string(l.Quantity)+" is no quantity of kind "+p.Kind.String(), either(allowed))
	}
	segments := len(p.CadenceNS)
	switch isSegment := l.Quantity == pulse.SegmentMS; {
	case !isSegment:
		d.forbid("not for "+string(l.Quantity), "it with quantity segment_ms only", &r.Segment)
	case !r.Segment.given():
		d.report(k.node, join(k.path, "segment"), "missing", "the segment's number, 1 for the first make")
	case r.Segment.good() && !of.CadenceMS.bad && l.Segment > segments:
		d.reject(&r.Segment, fmt.Sprintf("%d is outside the cadence of %d segments", l.Segment, segments), "the number of a segment of cadence_ms")
	}
	if l.Quantity == pulse.BreakPercent {
		r.askFraction(d, l)
		for k, x := range map[*key]*float64{&r.Min: l.Min, &r.Max: l.Max, &r.Nominal: l.Nominal} {
			if x != nil && *x > 100 {
				d.report(k.node, k.path, shown(*x)+" is above 100 percent", "a percentage")
			}
		}
	}
	for i, b := range p.Limits {
		if b.Name() == l.Name() && (b.Min != nil && l.Min != nil || b.Max != nil && l.Max != nil) {
			d.report(r.Quantity.node, r.Quantity.path, l.Name()+" is bounded already in "+of.Limits.path+"["+strconv.Itoa(i)+"]", "each bound once")
		}
	}
}
