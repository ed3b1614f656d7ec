package config

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"makebreak/configs"
	"makebreak/pulse"
	"makebreak/pulse/duration"
)

// rows gives the lines of a table in testdata.
func rows(t *testing.T, file string) (lines []string) {
	f, err := os.Open(filepath.Join("testdata", file))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for s := bufio.NewScanner(f); s.Scan(); {
		if line := s.Text(); line != "" && line[0] != '#' {
			lines = append(lines, line)
		}
	}
	return lines
}

func bundledByID(t *testing.T) map[string]*pulse.Profile {
	all, err := Profiles()
	if err != nil {
		t.Fatal(err)
	}
	byID := map[string]*pulse.Profile{}
	for _, p := range all {
		if byID[p.ID] != nil {
			t.Errorf("%s is bundled twice", p.ID)
		}
		byID[p.ID] = p
	}
	return byID
}

// Every bundled limit is the published one of testdata/published.txt, and
// every row of that table is bundled. A derived figure was rounded there to the
// nearest: it may differ by half a digit of that rounding and 0.001.
func TestBundledLimitsAreThePublished(t *testing.T) {
	byID := bundledByID(t)
	judged := 0
	for _, p := range byID {
		judged += len(p.Limits)
	}
	table := rows(t, "published.txt")
	if judged != len(table) {
		t.Errorf("%d limits are bundled, the table has %d", judged, len(table))
	}
	for _, row := range table {
		f := strings.Split(row, "  ")
		if len(f) != 7 {
			t.Fatalf("%d columns in %q", len(f), row)
		}
		id, quantity, seen, source := f[0], f[1], f[5], f[6]
		if byID[id] == nil {
			t.Errorf("%s is not bundled", id)
			continue
		}
		i := slices.IndexFunc(byID[id].Limits, func(l pulse.Limit) bool { return l.Name() == quantity })
		if i < 0 {
			t.Errorf("%s has no %s", id, quantity)
			continue
		}
		l := byID[id].Limits[i]
		for j, got := range []*float64{l.Min, l.Nominal, l.Max} {
			name, want := id+" "+quantity+" "+[]string{"min", "nominal", "max"}[j], f[2+j]
			if (want == "-") != (got == nil) {
				t.Errorf("%s: bundled %v, published %s", name, got, want)
			}
			if want == "-" || got == nil {
				continue
			}
			x, err := strconv.ParseFloat(want, 64)
			if err != nil {
				t.Fatal(err)
			}
			slack := 0.0
			if _, decimals, ok := strings.Cut(want, "."); ok && seen == "derived" {
				slack = 0.5*math.Pow10(-len(decimals)) + 0.001
			}
			if math.Abs(*got-x) > slack {
				t.Errorf("%s: bundled %v, published %s", name, *got, want)
			}
		}
		if string(l.Seen) != seen {
			t.Errorf("%s %s: seen %s, published %s", id, quantity, l.Seen, seen)
		}
		if !strings.Contains(l.Source, source) {
			t.Errorf("%s %s: source %q is not %q", id, quantity, l.Source, source)
		}
	}
}

// A derived bound follows from the published ones by the arithmetic here, and
// is never stricter than they are.
func TestDerivedBoundsAreRoundedOutward(t *testing.T) {
	percentBreak := func(r float64) float64 { return 100 * r / (r + 1) }
	// At rate pps a part of x percent lasts 10·x/rate ms.
	type bounds struct{ min, max float64 }
	want := map[string]bounds{
		"au-s002-dial period_ms":           {60 + 30, 70 + 40},
		"au-s002-dial rate_pps":            {1000. / (70 + 40), 1000. / (60 + 30)},
		"au-s002-dial break_percent":       {100 * 60. / (60 + 40), 100 * 70. / (70 + 30)},
		"de-bundespost-dial break_percent": {percentBreak(1.3), percentBreak(1.9)},
		"us-1956-dial-late break_ms":       {10 * 60 / 10.5, 10 * 64 / 9.5},
		"us-1956-dial-late make_ms":        {10 * (100 - 64) / 10.5, 10 * (100 - 60) / 9.5},
		"jp-exchange-10pps break_ms":       {10 * (100 - 42) / 11., 10 * (100 - 30) / 9.},
		"jp-exchange-10pps make_ms":        {10 * 30 / 11., 10 * 42 / 9.},
		"jp-exchange-20pps break_ms":       {10 * (100 - 36) / 21.6, 10 * (100 - 30) / 18.4},
		"jp-exchange-20pps make_ms":        {10 * 30 / 21.6, 10 * 36 / 18.4},
	}
	n := 0
	for id, p := range bundledByID(t) {
		for _, l := range p.Limits {
			if l.Seen != pulse.SeenDerived {
				continue
			}
			n++
			w, ok := want[id+" "+l.Name()]
			if !ok {
				t.Errorf("%s %s: no arithmetic for it", id, l.Name())
				continue
			}
			if d := w.min - *l.Min; d < -1e-12 || d > 0.001 {
				t.Errorf("%s %s: min %v, exact %v", id, l.Name(), *l.Min, w.min)
			}
			if d := *l.Max - w.max; d < -1e-12 || d > 0.001 {
				t.Errorf("%s %s: max %v, exact %v", id, l.Name(), *l.Max, w.max)
			}
		}
	}
	if n != len(want) {
		t.Errorf("%d derived limits, arithmetic for %d", n, len(want))
	}
}

// Every bundled cadence is that of testdata/cadences.txt, and the other way
// round; a profile without limits names the table's source.
func TestBundledCadencesAreThePublished(t *testing.T) {
	byID := bundledByID(t)
	source, n := "", 0
	for _, row := range rows(t, "cadences.txt") {
		if s, ok := strings.CutPrefix(row, "= "); ok {
			source = s
			continue
		}
		n++
		f := strings.Fields(row)
		p := byID[f[0]]
		if p == nil {
			t.Errorf("%s is not bundled", f[0])
			continue
		}
		var got []string
		for _, ns := range p.CadenceNS {
			got = append(got, duration.Millis(ns))
		}
		if g := strings.Join(got, "/"); g != f[1] {
			t.Errorf("%s: bundled %s, published %s", p.ID, g, f[1])
		}
		if (source == "limits") != (len(p.Limits) > 0) {
			t.Errorf("%s: %d limits under %q", p.ID, len(p.Limits), source)
		}
		if source != "limits" && !strings.Contains(p.Notes[0], source) {
			t.Errorf("%s: the note %q does not name %q", p.ID, p.Notes[0], source)
		}
	}
	for id, p := range byID {
		if len(p.CadenceNS) > 0 {
			n--
		}
		if len(p.Limits) == 0 && len(p.CadenceNS) == 0 {
			t.Errorf("%s has nothing", id)
		}
	}
	if n != 0 {
		t.Errorf("%d more cadences in the table than bundled", n)
	}
}

func TestBundledProfilesSayHowTheyWereSeen(t *testing.T) {
	const caution = "from memory: check the document"
	memory := 0
	for id, p := range bundledByID(t) {
		checkProfile(t, p)
		fromMemory := false
		for _, l := range p.Limits {
			if l.Seen == pulse.SeenMemory {
				fromMemory = true
				memory++
				if l.Note != caution {
					t.Errorf("%s %s: note %q", id, l.Name(), l.Note)
				}
			}
		}
		if fromMemory != strings.Contains(p.Title, caution) {
			t.Errorf("%s: title %q", id, p.Title)
		}
		interdigit := slices.ContainsFunc(p.Limits, func(l pulse.Limit) bool { return l.Quantity == pulse.InterdigitMS })
		told := slices.ContainsFunc(p.Conflicts, func(s string) bool { return strings.Contains(s, "interdigit pauses differ by receiver") })
		if interdigit != told {
			t.Errorf("%s: interdigit limit %v, its conflict told %v", id, interdigit, told)
		}
	}
	if memory == 0 {
		t.Error("no limit from memory was looked at")
	}
}

// checkProfile holds any accepted profile to what its users rely on.
func checkProfile(t *testing.T, p *pulse.Profile) {
	t.Helper()
	bad := func(format string, args ...any) {
		t.Helper()
		t.Errorf("%s: "+format, append([]any{p.ID}, args...)...)
	}
	if !validID(p.ID) || !isText(p.Title) || p.Country != "" && !validCountry(p.Country) || !slices.Contains(uses, p.Use) {
		bad("id, title %q, country %q or use %q", p.Title, p.Country, p.Use)
	}
	dial := p.Kind == pulse.KindDial
	if !dial && p.Kind != pulse.KindInterrupter || dial && p.Use == "cadence" {
		bad("kind %v, use %s", p.Kind, p.Use)
	}
	if dial && p.CadenceNS != nil || !dial && (p.Coding != 0 || p.PulseMinNS|p.PulseMaxNS|p.TrainGapNS|p.FlashMaxNS != 0) {
		bad("keys of the other kind")
	}
	for _, ns := range append([]int64{p.PulseMinNS, p.PulseMaxNS, p.TrainGapNS, p.FlashMaxNS}, p.CadenceNS...) {
		if ns < 0 || ns > maxNumber*1e6 {
			bad("a time of %d ns", ns)
		}
	}
	if len(p.CadenceNS)%2 != 0 || len(p.CadenceNS) > maxSegments || slices.Contains(p.CadenceNS, 0) {
		bad("cadence %v", p.CadenceNS)
	}
	if len(p.Limits) == 0 && (len(p.CadenceNS) == 0 || len(p.Notes) == 0) {
		bad("neither limits nor a cadence and its source")
	}
	bounds := map[string]bool{}
	for _, l := range p.Limits {
		if !slices.Contains(quantities[p.Kind], l.Quantity) || !slices.Contains(allSeen, l.Seen) ||
			!isText(l.Source) || l.Note != "" && !isText(l.Note) {
			bad("limit %+v", l)
		}
		if (l.Quantity == pulse.SegmentMS) != (l.Segment > 0) || l.Segment > len(p.CadenceNS) {
			bad("%s: segment %d of %d", l.Name(), l.Segment, len(p.CadenceNS))
		}
		at := -1.0
		for i, x := range []*float64{l.Min, l.Nominal, l.Max} {
			if x == nil {
				continue
			}
			if !(*x >= at && *x >= 0 && *x <= maxNumber) || math.Signbit(*x) || l.Quantity == pulse.BreakPercent && *x > 100 {
				bad("%s: %v", l.Name(), *x)
			}
			at = *x
			if key := fmt.Sprint(l.Name(), i); i != 1 && bounds[key] {
				bad("%s is bounded twice", l.Name())
			} else {
				bounds[key] = true
			}
		}
		if l.Min == nil && l.Max == nil {
			bad("%s has no bound", l.Name())
		}
	}
	for _, s := range slices.Concat(p.Conflicts, p.Notes) {
		if strings.ContainsFunc(s, func(r rune) bool { return r < ' ' }) {
			bad("control character in %q", s)
		}
	}
}

func TestProfilesAreSorted(t *testing.T) {
	all, err := Profiles()
	if err != nil {
		t.Fatal(err)
	}
	key := func(p *pulse.Profile) string {
		return p.Country + " " + map[string]string{"sending": "1", "receiving": "2", "cadence": "3"}[p.Use] + " " + p.ID
	}
	for i := 1; i < len(all); i++ {
		if key(all[i-1]) >= key(all[i]) {
			t.Errorf("%s before %s", all[i-1].ID, all[i].ID)
		}
	}
}

// mq is an invented profile with every key of a dial.
const mq = `# invented
id: mq-sender-bench
title: Key sender, Marrow Quay bench sheet
country: AU
use: sending
kind: dial
coding: 10-n
pulse: {min_ms: 15, max_ms: 150}
train_gap_ms: 120.5
flash_max_ms: 1000
limits:
  - quantity: break_ms
    min: 60
    nominal: 62
    max: 70.25
    source: Marrow Quay bench sheet 4, row 2
    seen: own
    note: invented
  - {quantity: interdigit_ms, min: 0.6, source: "sheet 5", seen: common practice}
conflicts: ["sheet 6: another figure"]
notes:
  - >-
    folded
    text
`

func mqProfile() *pulse.Profile {
	f := func(x float64) *float64 { return &x }
	return &pulse.Profile{
		ID: "mq-sender-bench", Title: "Key sender, Marrow Quay bench sheet", Country: "AU", Use: "sending",
		Kind: pulse.KindDial, Coding: pulse.Coding10MinusN,
		PulseMinNS: 15e6, PulseMaxNS: 150e6, TrainGapNS: 120_500_000, FlashMaxNS: 1e9,
		Limits: []pulse.Limit{
			{Quantity: pulse.BreakMS, Min: f(60), Nominal: f(62), Max: f(70.25),
				Source: "Marrow Quay bench sheet 4, row 2", Seen: pulse.SeenOwn, Note: "invented"},
			{Quantity: pulse.InterdigitMS, Min: f(0.6), Source: "sheet 5", Seen: pulse.SeenPractice},
		},
		Conflicts: []string{"sheet 6: another figure"}, Notes: []string{"folded text"},
	}
}

func write(t *testing.T, name, text string) string {
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestOwnProfile(t *testing.T) {
	for name, text := range map[string]string{
		"plain":     mq,
		"CRLF":      strings.ReplaceAll(mq, "\n", "\r\n"),
		"BOM":       "\uFEFF" + mq,
		"one start": "---\n" + mq + "...\n",
	} {
		p, err := Profile(write(t, "own.yaml", text))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if diff := cmp.Diff(mqProfile(), p); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
}

func TestProfileByIDOrPath(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	for _, name := range []string{"own.yml", "plain", "au-s002-dial"} {
		if err := os.WriteFile(name, []byte(mq), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for arg, want := range map[string]string{
		"au-s002-dial":   "au-s002-dial", // an id goes before a file
		"./au-s002-dial": "mq-sender-bench",
		"own.yml":        "mq-sender-bench",
		"plain":          "mq-sender-bench",
		dir + "/own.yml": "mq-sender-bench",
		"fr-busy":        "fr-busy",
	} {
		p, err := Profile(arg)
		if err != nil || p.ID != want {
			t.Errorf("%s: %v, %v", arg, p, err)
		}
	}
	os.Mkdir("dir.yaml", 0o700)
	for arg, want := range map[string]string{
		"":                       `limits profile "" is unknown; "makebreak limits" lists them all`,
		"au-s002-dail":           `limits profile "au-s002-dail" is unknown; near it: au-s002-dial, au-s002-busy, au-s002-intrusion, au-s002-unobtainable, au-s002-ringing-tone; "makebreak limits" lists them all`,
		"bundespost":             `limits profile "bundespost" is unknown; near it: de-bundespost-dial; "makebreak limits" lists them all`,
		"nominal-national":       `limits profile "nominal-national" is unknown; "makebreak limits" lists them all`,
		"Grüße\x1b":              `limits profile "Grüße\x1b" is unknown; "makebreak limits" lists them all`,
		strings.Repeat("x", 1e5): `limits profile "` + strings.Repeat("x", 40) + `…" is unknown; "makebreak limits" lists them all`,
		"nope.yaml":              `limits profile: open nope.yaml: no such file or directory`,
		"dir.yaml":               `limits profile: open dir.yaml: not a file`,
		"../limits/\x00.yaml":    "limits profile: open ../limits/\x00.yaml: invalid argument",
	} {
		if _, err := Profile(arg); err == nil || err.Error() != want {
			t.Errorf("%.60q: %v, want %s", arg, err, want)
		}
	}
}

// A list of profiles is for bundled files; each entry's keys replace the common.
func TestList(t *testing.T) {
	const text = `common: {use: cadence, kind: interrupter, country: AU, notes: [shared], no_tolerance: {source: sheet 7, seen: own, note: invented}}
profiles:
  - {id: mq-busy, title: Busy, cadence_ms: [375, 375]}
  - {id: mq-ring, title: Ring, cadence_ms: [400, 200, 400, 2000], country: NZ, notes: [its own, more]}
`
	got, err := parseProfiles("list.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	basis := "Nominal cadence from sheet 7 (own; invented)."
	want := []*pulse.Profile{
		{ID: "mq-busy", Title: "Busy", Country: "AU", Use: "cadence", Kind: pulse.KindInterrupter,
			CadenceNS: []int64{375e6, 375e6}, Notes: []string{basis, "shared"}},
		{ID: "mq-ring", Title: "Ring", Country: "NZ", Use: "cadence", Kind: pulse.KindInterrupter,
			CadenceNS: []int64{400e6, 200e6, 400e6, 2000e6}, Notes: []string{basis, "its own", "more"}},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	path := write(t, "list.yaml", text)
	if _, err := Profile(path); err == nil || err.Error() != path+": 2 profiles in the file: expected one" {
		t.Error(err)
	}
}

const (
	// dial begins an otherwise right profile of a dial, cadence of an interrupter.
	dial    = "id: mq\ntitle: Bench\nuse: sending\nkind: dial\n"
	cadence = "id: mq\ntitle: Bench\nuse: cadence\nkind: interrupter\n"
	// limit is a right list of limits for both.
	limit = "limits: [{quantity: break_ms, min: 60, source: sheet 4, seen: own}]\n"
	rest  = "source: sheet 4, seen: own}]\n" // ends a limit

	keys       = "id, title, country, use, kind, coding, pulse, train_gap_ms, flash_max_ms, cadence_ms, limits, no_tolerance, conflicts, notes"
	limitKeys  = "quantity, segment, min, max, nominal, source, seen, note"
	aNumber    = "expected a plain decimal number from 0 to 1000000000"
	someMillis = "expected a plain decimal number of ms above 0, up to 1000000000"
	someText   = "expected text on one line, at most 500 letters, in quotes where it looks like a number"
	aSource    = "expected the document, its edition and clause, as text on one line"
	aSeen      = "expected text, secondary, derived, memory, common practice or own"
	aLimits    = "expected one limit at least; a cadence without tolerance has no_tolerance instead"
)

// mistakes are files that are not accepted, each with all that is told of it;
// every line is told with "f.yaml:" before it.
var mistakes = []struct{ name, text, want string }{
	{"empty", "", "1:1: nothing in the file: expected a limits profile"},
	{"comments only", "# nothing\n", "1:1: nothing in the file: expected a limits profile"},
	{"empty mapping", "{}\n", "1:1: an empty mapping: expected the keys of a limits profile"},
	{"empty mappings", dial + "pulse: {}\nlimits: [{}]\n",
		"5:8: key pulse: an empty mapping: expected min_ms, max_ms or both\n6:10: key limits[0]: an empty mapping: expected the keys of a limit"},
	{"not a mapping", "- a\n", "1:1: a list: expected the keys of a limits profile"},
	{"text", "dial", `1:1: "dial": expected the keys of a limits profile`},
	{"two documents", dial + limit + "---\n" + dial, "7:1: a second document: expected one"},
	{"cut off", dial + "limits: [{quantity: break_ms", "5:10: could not find flow mapping end token '}': expected YAML"},
	{"tab", "id: mq\n\ttitle: Bench\n", "2:1: a tab before the text: expected blanks, for YAML is not indented by tabs"},
	{"UTF-16", "i\x00d\x00", "1:2: byte 0x00: expected UTF-8 text"},
	{"Latin-1", "id: mq\ntitle: B\xe9nch\n", "2:9: byte 0xe9: expected UTF-8 text"},

	{"unknown key", dial + limit + "limts: 1\n<<: {}\n\"\\e\": 1\n",
		"6:1: key limts: unknown, near to limits: expected one of " + keys + "\n" +
			"7:1: key \"<<\": unknown: expected one of " + keys + "\n" +
			"8:1: key \"\\x1b\": unknown: expected one of " + keys},
	{"unknown key of a limit", dial + "limits:\n  - quantity: break_ms\n    mim: 60\n    max: 70\n    source: sheet 4\n    seen: own\n",
		"7:5: key limits[0].mim: unknown, near to min: expected one of " + limitKeys},
	{"unknown key of pulse", dial + limit + "pulse: {min: 1}\n",
		"6:9: key pulse.min: unknown, near to min_ms: expected one of min_ms, max_ms"},
	{"key twice", dial + limit + "title: Again\n", "6:1: key title: given twice: expected it once, as on line 2"},
	{"key twice in a limit", dial + "limits: [{quantity: break_ms, min: 60, min: 50, " + rest,
		"5:40: key limits[0].min: given twice: expected it once, as on line 5"},

	{"wrong types", "id: [mq]\ntitle: 1956\ncountry: true\nuse: {}\nkind: 1\ncoding: 10\npulse: 10\ntrain_gap_ms: long\n" +
		"flash_max_ms: []\ncadence_ms: 500\nlimits: 60\nno_tolerance: none\nconflicts: none\nnotes: [1, a, [b]]\n",
		"1:5: key id: a list: expected small letters a-z, digits and hyphens, at most 64\n" +
			"2:8: key title: the number 1956: " + someText + "\n" +
			"3:10: key country: true: expected two capital letters of ISO 3166, or INT\n" +
			"4:6: key use: an empty mapping: expected sending, receiving or cadence\n" +
			"5:7: key kind: the number 1: expected dial or interrupter\n" +
			"6:9: key coding: the number 10: expected normal, n+1 or 10-n\n" +
			"7:8: key pulse: the number 10: expected min_ms, max_ms or both\n" +
			"8:15: key train_gap_ms: \"long\": " + someMillis + "\n" +
			"9:15: key flash_max_ms: a list: " + someMillis + "\n" +
			"10:13: key cadence_ms: the number 500: expected a list of ms: make, break, make, break …\n" +
			"11:9: key limits: the number 60: expected a list of limits\n" +
			"12:15: key no_tolerance: \"none\": expected source, seen and perhaps note\n" +
			"12:15: key no_tolerance: given beside limits: expected one of the two\n" +
			"13:12: key conflicts: \"none\": expected a list of sentences\n" +
			"14:9: key notes[0]: the number 1: " + someText + "\n" +
			"14:15: key notes[2]: a list: " + someText},
	{"wrong types in a limit", dial + "limits:\n  - 60\n  - {quantity: [break_ms], min: sixty, source: 4, seen: true, note: {}}\n",
		"6:5: key limits[0]: the number 60: expected the keys of a limit\n" +
			"7:16: key limits[1].quantity: a list: expected rate_pps, break_percent, break_make_ratio, break_ms, make_ms, interdigit_ms, period_ms, bounce_ms, rate_ipm, segment_ms, open_lag_ms, close_lag_ms, break_change_ms, both_closed_ms or both_open_ms\n" +
			"7:33: key limits[1].min: \"sixty\": " + aNumber + "\n" +
			"7:48: key limits[1].source: the number 4: " + aSource + "\n" +
			"7:57: key limits[1].seen: true: " + aSeen + "\n" +
			"7:69: key limits[1].note: an empty mapping: " + someText},
	{"nothing", "id:\ntitle: ~\nuse: sending\nkind: dial\n" + limit,
		"1:1: key id: nothing: expected small letters a-z, digits and hyphens, at most 64\n2:1: key title: nothing: " + someText},
	{"missing", "notes: []\n",
		"1:1: key id: missing: expected small letters a-z, digits and hyphens, at most 64\n" +
			"1:1: key title: missing: " + someText + "\n" +
			"1:1: key use: missing: expected sending, receiving or cadence\n" +
			"1:1: key kind: missing: expected dial or interrupter\n" +
			"1:1: key limits: missing: expected a list of limits"},
	{"missing in a limit", dial + "limits:\n  - {note: a}\n",
		"6:5: key limits[0].quantity: missing: expected rate_pps, break_percent, break_make_ratio, break_ms, make_ms, interdigit_ms, period_ms, bounce_ms, rate_ipm, segment_ms, open_lag_ms, close_lag_ms, break_change_ms, both_closed_ms or both_open_ms\n" +
			"6:5: key limits[0].source: missing: " + aSource + "\n" +
			"6:5: key limits[0].seen: missing: " + aSeen + "\n" +
			"6:5: key limits[0]: neither min nor max: expected one of them at least"},
	{"no limits", dial + "limits: []\n", "5:9: key limits: empty: " + aLimits},
	{"no source", dial + "limits: [{quantity: break_ms, min: 60, source: \"\", seen: own}]\n",
		"5:48: key limits[0].source: \"\": " + aSource},

	{"unknown words", "id: mq\ntitle: Bench\nuse: sender\nkind: Dial\ncoding: n+2\nlimits: [{quantity: break, min: 60, source: sheet 4, seen: heard}]\n",
		"3:6: key use: \"sender\": expected sending, receiving or cadence\n" +
			"4:7: key kind: \"Dial\": expected dial or interrupter\n" +
			"5:9: key coding: \"n+2\": expected normal, n+1 or 10-n\n" +
			"6:21: key limits[0].quantity: \"break\": expected rate_pps, break_percent, break_make_ratio, break_ms, make_ms, interdigit_ms, period_ms, bounce_ms, rate_ipm, segment_ms, open_lag_ms, close_lag_ms, break_change_ms, both_closed_ms or both_open_ms\n" +
			"6:60: key limits[0].seen: \"heard\": " + aSeen},
	{"id", "id: MQ_1\ntitle: Bench\nuse: sending\nkind: dial\n" + limit,
		"1:5: key id: \"MQ_1\": expected small letters a-z, digits and hyphens, at most 64"},
	{"country", dial + "country: Australia\n" + limit, "5:10: key country: \"Australia\": expected two capital letters of ISO 3166, or INT"},
	{"escape sequence", "id: mq\ntitle: \"\\e[31mred\"\nuse: sending\nkind: dial\n" + limit, "2:8: key title: \"\\x1b[31mred\": " + someText},
	{"several lines", dial + limit + "notes:\n  - |\n    one\n    two\n", "7:5: key notes[0]: \"one\\ntwo\": " + someText},

	{"min above max", dial + "limits:\n  - {quantity: break_ms, min: 50, max: 60, source: sheet 4, seen: own}\n  - {quantity: make_ms, min: 70, max: 60, source: sheet 4, seen: own}\n",
		"7:30: key limits[1].min: 70 is above max 60: expected min not above max"},
	{"nominal below", dial + "limits: [{quantity: make_ms, min: 30, nominal: 29.5, " + rest,
		"5:48: key limits[0].nominal: 29.5 is below min 30: expected nominal within the limits"},
	{"nominal above", dial + "limits: [{quantity: make_ms, nominal: 41, max: 40, " + rest,
		"5:39: key limits[0].nominal: 41 is above max 40: expected nominal within the limits"},
	{"NaN", dial + "limits: [{quantity: make_ms, min: .nan, " + rest, "5:35: key limits[0].min: the number .nan: " + aNumber},
	{"infinite", dial + "limits: [{quantity: make_ms, min: -.inf, max: .inf, " + rest,
		"5:35: key limits[0].min: the number -.inf: " + aNumber + "\n5:47: key limits[0].max: the number .inf: " + aNumber},
	{"negative", dial + "limits: [{quantity: make_ms, min: -30, " + rest, "5:35: key limits[0].min: the number -30: " + aNumber},
	{"too large", dial + "limits: [{quantity: make_ms, max: 1000000001, " + rest, "5:35: key limits[0].max: the number 1000000001: " + aNumber},
	{"exponent", dial + "limits: [{quantity: make_ms, max: 1e400, " + rest, "5:35: key limits[0].max: \"1e400\": " + aNumber},
	{"octal, hexadecimal, underscore", dial + "pulse: {min_ms: 010, max_ms: 0x10}\ntrain_gap_ms: 1_0\n" + limit,
		"5:17: key pulse.min_ms: the number 010: " + someMillis + "\n" +
			"5:30: key pulse.max_ms: the number 0x10: " + someMillis + "\n" +
			"6:15: key train_gap_ms: the number 1_0: " + someMillis},
	{"a fraction for a percentage", dial + "limits: [{quantity: break_percent, min: 0.6, max: 0.67, " + rest, "5:51: key limits[0].max: 0.67 is not more than one percent: is it a fraction?: expected a percentage, such as 67"},
	{"a fraction below", dial + "limits: [{quantity: break_percent, min: 0.6, " + rest, "5:41: key limits[0].min: 0.6 is not more than one percent: is it a fraction?: expected a percentage, such as 60"},
	{"percent above 100", dial + "limits: [{quantity: break_percent, max: 101, " + rest, "5:41: key limits[0].max: 101 is above 100 percent: expected a percentage"},
	{"same bound twice", dial + "limits:\n  - {quantity: make_ms, min: 30, max: 40, source: sheet 4, seen: own}\n  - {quantity: make_ms, max: 41, source: sheet 4, seen: own}\n",
		"7:16: key limits[1].quantity: make_ms is bounded already in limits[0]: expected each bound once"},

	{"interrupter's keys for a dial", dial + "cadence_ms: [500, 500]\n" + limit,
		"5:13: key cadence_ms: not for a dial: expected it with kind interrupter only"},
	{"interrupter's quantity for a dial", dial + "limits: [{quantity: rate_ipm, min: 60, " + rest,
		"5:21: key limits[0].quantity: rate_ipm is no quantity of kind dial: expected rate_pps, break_percent, break_make_ratio, break_ms, make_ms, interdigit_ms, period_ms, bounce_ms, open_lag_ms, close_lag_ms, break_change_ms, both_closed_ms or both_open_ms"},
	{"dial as a cadence", "id: mq\ntitle: Bench\nuse: cadence\nkind: dial\n" + limit,
		"3:6: key use: cadence is not for a dial: expected sending or receiving"},
	{"dial without tolerance", dial + "no_tolerance: {source: sheet 4, seen: own}\n",
		"5:15: key no_tolerance: not for a dial: expected it with kind interrupter only\n" +
			"5:15: key no_tolerance: given without cadence_ms: expected both: the nominal cadence and where it comes from"},
	{"dial's keys for an interrupter", cadence + limit + "coding: normal\npulse: {max_ms: 90}\ntrain_gap_ms: 1\nflash_max_ms: 300\n",
		"6:9: key coding: not for an interrupter: expected it with kind dial only\n" +
			"7:8: key pulse: not for an interrupter: expected it with kind dial only\n" +
			"8:15: key train_gap_ms: not for an interrupter: expected it with kind dial only\n" +
			"9:15: key flash_max_ms: not for an interrupter: expected it with kind dial only"},
	{"dial's quantity for an interrupter", cadence + "limits: [{quantity: interdigit_ms, min: 60, " + rest,
		"5:21: key limits[0].quantity: interdigit_ms is no quantity of kind interrupter: expected rate_ipm, break_percent, break_ms, make_ms, period_ms, bounce_ms, segment_ms, open_lag_ms, close_lag_ms, break_change_ms, both_closed_ms or both_open_ms"},

	{"odd cadence", cadence + "cadence_ms: [400, 200, 400]\n" + limit,
		"5:13: key cadence_ms: 3 segments: expected an even number of them from 2 to 64: make, break, make, break …"},
	{"empty cadence", cadence + "cadence_ms: []\n" + limit,
		"5:13: key cadence_ms: 0 segments: expected an even number of them from 2 to 64: make, break, make, break …"},
	{"long cadence", cadence + "cadence_ms: [" + strings.Repeat("1, ", 65) + "1]\n" + limit,
		"5:13: key cadence_ms: 66 segments: expected an even number of them from 2 to 64: make, break, make, break …"},
	{"cadence with a mistake", cadence + "cadence_ms: [400, x, 200]\nlimits: [{quantity: segment_ms, segment: 4, min: 60, " + rest,
		"5:19: key cadence_ms[1]: \"x\": " + someMillis},
	{"segment of 0", cadence + "cadence_ms: [400, 0]\n" + limit, "5:19: key cadence_ms[1]: the number 0: " + someMillis},
	{"segment outside", cadence + "cadence_ms: [400, 200]\nlimits: [{quantity: segment_ms, segment: 3, min: 60, " + rest,
		"6:42: key limits[0].segment: 3 is outside the cadence of 2 segments: expected the number of a segment of cadence_ms"},
	{"segment without cadence", cadence + "limits: [{quantity: segment_ms, segment: 1, min: 60, " + rest,
		"5:42: key limits[0].segment: 1 is outside the cadence of 0 segments: expected the number of a segment of cadence_ms"},
	{"no segment", cadence + "cadence_ms: [400, 200]\nlimits: [{quantity: segment_ms, min: 60, " + rest,
		"6:10: key limits[0].segment: missing: expected the segment's number, 1 for the first make"},
	{"segment of another quantity", cadence + "cadence_ms: [400, 200]\nlimits: [{quantity: make_ms, segment: 1, min: 60, " + rest,
		"6:39: key limits[0].segment: not for make_ms: expected it with quantity segment_ms only"},
	{"half a segment", cadence + "cadence_ms: [400, 200]\nlimits: [{quantity: segment_ms, segment: 1.5, min: 60, " + rest,
		"6:42: key limits[0].segment: the number 1.5: expected a whole number from 1"},

	{"limits beside no_tolerance", cadence + "cadence_ms: [400, 200]\n" + limit + "no_tolerance: {source: sheet 4, seen: own}\n",
		"7:15: key no_tolerance: given beside limits: expected one of the two"},
	{"no_tolerance without source", cadence + "cadence_ms: [400, 200]\nno_tolerance: {seen: own}\n",
		"6:15: key no_tolerance.source: missing: " + aSource},
	{"no_tolerance without cadence", cadence + "no_tolerance: {source: sheet 4, seen: own}\n",
		"5:15: key no_tolerance: given without cadence_ms: expected both: the nominal cadence and where it comes from"},

	{"pulse bounds", dial + limit + "pulse: {min_ms: 90, max_ms: 80.5}\n",
		"6:8: key pulse: min_ms 90 is not below max_ms 80.5: expected min_ms below max_ms"},
	{"pulse above the default", dial + limit + "pulse: {min_ms: 250}\n",
		"6:8: key pulse: min_ms 250 is not below max_ms 200: expected min_ms below max_ms"},
	{"pulse with a mistake", dial + limit + "pulse: {min_ms: 250, max_ms: x}\n", "6:30: key pulse.max_ms: \"x\": " + someMillis},
	{"flash below pulse", dial + limit + "flash_max_ms: 150\n",
		"6:15: key flash_max_ms: flash_max_ms 150 is not above pulse.max_ms 200: expected flash_max_ms above pulse.max_ms"},
	{"pulse above flash", dial + limit + "pulse: {max_ms: 1600}\n",
		"6:8: key pulse: flash_max_ms 1500 is not above pulse.max_ms 1600: expected flash_max_ms above pulse.max_ms"},

	{"anchor and alias", "id: mq\ntitle: &t Bench\nuse: sending\nkind: dial\nnotes: [*t]\n" + limit,
		"2:8: key title: an anchor or alias: " + someText + "\n5:9: key notes[0]: an anchor or alias: " + someText},
	{"tag", "id: !!str mq\ntitle: Bench\nuse: sending\nkind: dial\n" + limit,
		"1:5: key id: a tag: expected small letters a-z, digits and hyphens, at most 64"},

	{"list without entries", "profiles: []\n", "1:1: key profiles: empty: expected a list of profiles"},
	{"list of another thing", "profiles: [1]\n", "1:12: key profiles[0]: the number 1: expected the keys of a profile"},
	{"mistakes in a list", "common: {kind: dail, use: sending, title: Bench}\nprofiles:\n  - id: mq\n    " + limit + "  - {id: mq, kind: dial}\n",
		"1:16: key common.kind: \"dail\": expected dial or interrupter\n" +
			"5:5: key profiles[1].limits: missing: expected a list of limits\n" +
			"5:5: key profiles[1].id: \"mq\" is the id of profiles[0]: expected another id"},
	{"mistake in the common part once", "common: {use: sending, kind: dial, title: Bench, limits: [{quantity: make_ms, min: 2, max: 1, source: s, seen: own}]}\nprofiles:\n  - {id: mq-1}\n  - {id: mq-2}\n",
		"1:84: key common.limits[0].min: 2 is above max 1: expected min not above max"},
	{"many mistakes", dial + limit + manyKeys(102),
		manyUnknown(100) + "and 2 more mistakes"},
}

// manyKeys gives n keys that are unknown, from line 6 on.
func manyKeys(n int) (s string) {
	for i := range n {
		s += fmt.Sprintf("z%03dzzzz: 1\n", i)
	}
	return s
}

func manyUnknown(n int) (s string) {
	for i := range n {
		s += fmt.Sprintf("%d:1: key \"z%03dzzzz\": unknown: expected one of %s\n", i+6, i, keys)
	}
	return s
}

// Of two contacts the output may be the first, or its breaks shorter; an overlap is
// a length.
func TestLimitsOfTwoContacts(t *testing.T) {
	const head = "id: own-two\ntitle: x\nuse: sending\nkind: dial\nlimits:\n"
	p, err := parseProfiles("f.yaml", []byte(head+"  - {quantity: break_change_ms, min: -2.5, max: 3, source: x, seen: own}\n  - {quantity: both_closed_ms, min: 1, source: x, seen: own}\n"))
	if err != nil {
		t.Fatal(err)
	}
	if l := p[0].Limits; *l[0].Min != -2.5 || *l[0].Max != 3 || l[1].Quantity != pulse.BothClosedMS || *l[1].Min != 1 {
		t.Errorf("read as %+v", l)
	}
	for limit, want := range map[string]string{
		"{quantity: both_closed_ms, min: -1, source: x, seen: own}":       "expected a plain decimal number from 0 to 1000000000",
		"{quantity: open_lag_ms, min: -1e3, source: x, seen: own}":        "expected a plain decimal number from -1000000000 to 1000000000",
		"{quantity: close_lag_ms, min: 3, max: -3, source: x, seen: own}": "3 is above max -3",
	} {
		if _, err := parseProfiles("f.yaml", []byte(head+"  - "+limit+"\n")); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", limit, err, want)
		}
	}
}

func TestMistakes(t *testing.T) {
	for _, c := range mistakes {
		t.Run(c.name, func(t *testing.T) {
			_, err := parseProfiles("f.yaml", []byte(c.text))
			if err == nil {
				t.Fatal("accepted")
			}
			want := "f.yaml:" + strings.ReplaceAll(c.want, "\n", "\nf.yaml:")
			want = strings.Replace(want, "f.yaml:and", "f.yaml: and", 1)
			if diff := cmp.Diff(want, err.Error()); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// Files made to exhaust the reader are told off without being read through.
// Under the limits on size and words the parser's work is bounded.
func TestOverlargeFiles(t *testing.T) {
	laughs := "a: &a [x, x, x, x, x, x, x, x, x]\n"
	for c := 'b'; c <= 'i'; c++ {
		laughs += fmt.Sprintf("%c: &%c [%s*%c]\n", c, c, strings.Repeat(fmt.Sprintf("*%c, ", c-1), 8), c-1)
	}
	unknown := func(line int, key string) string {
		return fmt.Sprintf("f.yaml:%d:1: key %s: unknown", line, key)
	}
	for _, c := range []struct{ name, text, want string }{
		{"10 MB", strings.Repeat("# x\n", 10<<20/4), "f.yaml: larger than 1 MiB: expected a limits profile"},
		{"10 MB line", "title: " + strings.Repeat("x", 10<<20), "f.yaml: larger than 1 MiB: expected a limits profile"},
		{"nesting", strings.Repeat("[", 1e6), "f.yaml:1:1: more than 8000 words and signs: expected a limits profile"},
		{"nesting cut off below the limit", strings.Repeat("[", 7999), "f.yaml:1:7999: sequence end token ']' not found: expected YAML"},
		{"block nesting", strings.Repeat("- ", 5e5), "f.yaml:1:1: more than 8000 words and signs: expected a limits profile"},
		{"nesting below the limit", "notes: " + strings.Repeat("[", 3900) + strings.Repeat("]", 3900), "f.yaml:1:1: key id: missing"},
		{"keys", strings.Repeat("a: b\n", 1e5), "f.yaml:2667:1: more than 8000 words and signs: expected a limits profile"},
		{"long text", "title: " + strings.Repeat("x", 1e6), "f.yaml:1:1: key id: missing"},
		{"aliases of aliases", laughs, unknown(1, "a")},
	} {
		_, err := parseProfiles("f.yaml", []byte(c.text))
		if err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%s: %.200v, want %s", c.name, err, c.want)
		}
		for line := range strings.Lines(fmt.Sprint(err)) {
			if len(line) > 500 {
				t.Errorf("%s: a line of %d bytes", c.name, len(line))
			}
		}
	}
}

func TestOverlargeFileOnDisk(t *testing.T) {
	path := write(t, "f.yaml", mq+strings.Repeat("#\n", 1<<20))
	if _, err := Profile(path); err == nil || err.Error() != path+": larger than 1 MiB: expected a limits profile" {
		t.Error(err)
	}
}

// The examples of a user's own limits are profiles that are accepted; so are
// those in which the keys of the remarks are given too.
func TestOwnExamples(t *testing.T) {
	given := regexp.MustCompile(`(?m)^# (country|coding|pulse|train_gap_ms|flash_max_ms|notes): `)
	for name, example := range map[string]string{"dial": configs.OwnDial, "interrupter": configs.OwnInterrupter} {
		for _, text := range []string{example, given.ReplaceAllString(example, "$1: ")} {
			p, err := parseProfiles(name, []byte(text))
			if err != nil {
				t.Fatal(err)
			}
			checkProfile(t, p[0])
			if len(p[0].Limits) < 6 || (len(p[0].Notes) == 1) != (text != example) || p[0].Kind.String() != name {
				t.Errorf("%+v", p[0])
			}
		}
	}
}
