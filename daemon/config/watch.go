package config

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/prometheus/exporter-toolkit/web"

	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/duration"
	"makebreak/pulse/synth"
)

// Defaults of a watch configuration.
const (
	// DefaultListen is loopback only. The port is our own choice: from memory
	// no service is registered for it.
	DefaultListen = "127.0.0.1:7610"
	// DefaultWindow holds several trains of a contact that is used now and
	// then, and is short enough for a person who waits for an adjustment to show.
	DefaultWindow = 10 * time.Minute
	// DefaultKeepRaw is a season: a fault that is noticed late can still be
	// looked at pulse by pulse.
	DefaultKeepRaw = 90 * day
	// DefaultMaxBytes leaves room on the smallest SD card in use, and holds
	// half a year of a contact that never rests at 10 pps, at 3 bytes an edge.
	DefaultMaxBytes = 1e9
)

const (
	day = 24 * time.Hour
	// maxContacts is more than the lines of any board's header.
	maxContacts = 256
	// maxLobes and maxSource are those of a simulated cam and its description.
	maxLobes  = 64
	maxSource = 4096
)

// watchForm has room for the most contacts with all their keys.
var watchForm = form{"watch configuration", 30_000}

// A Watch is what makebreak watch is to do. File names in it are as to be
// opened: those of the file are relative to its own folder.
type Watch struct {
	Site  string
	Store Store
	// Listen is an IP address or localhost, or nothing for all addresses, with
	// a port; port 0 is any free one.
	Listen            string
	ListenUnprotected bool   // Listen may be open to other computers without protection
	WebConfig         string // web configuration file of TLS and passwords; empty: none
	Pprof             bool   // serve Go's profiles too
	// Window is how far back verdicts and worst values look.
	Window time.Duration
	// Calibrations is the folder of the lines' calibrations, empty for the
	// usual one.
	Calibrations string
	Contacts     []Contact
}

// A Store is where edges and findings are kept.
type Store struct {
	Path     string
	KeepRaw  time.Duration // how long edges are kept
	MaxBytes int64         // size that the file does not grow past
}

// A SourceKind says where a contact's edges come from.
type SourceKind uint8

const (
	SourceGPIO SourceKind = iota
	SourceRecording
	SourceSim
)

// A Source is where a contact's edges come from. Only the fields of its kind
// are set.
type Source struct {
	Kind             SourceKind
	Text             string // as written
	Line             string // name of the GPIO line, as hw.Resolve takes it
	Bias             string // "as-is", "pull-up", "pull-down" or "disabled"
	Recording        string
	RecordingContact string      // contact of a recording with several
	Sim              *synth.Spec // must not be changed
}

// A Contact is one contact to watch.
type Contact struct {
	Name   string // small letters, digits and hyphens, unique
	Title  string // empty when there is none
	Notes  []string
	Source Source
	// Meter is how the edges are read. Its kind is known, Setup is set, Forget
	// is too; the callbacks, and what a live capture needs, are left.
	Meter pulse.Config
	// OwnNoise and OwnAsymmetry: Setup's edge noise or its asymmetry are of the
	// file, so that no calibration of the line counts.
	OwnNoise, OwnAsymmetry bool
	// Rate is the nominal rate in pps of a dial or IPM of an interrupter, 0
	// when it is not given.
	Rate       float64
	StuckAfter time.Duration // without an edge it is a finding; 0: never, for an interrupter after three of its cycles
	Text       string        // the contact as the file has it, in YAML
}

// SameReading tells whether c and o are the same contact read in the same
// way, so that a running measurement of one serves the other: titles, notes
// and StuckAfter may differ.
func (c Contact) SameReading(o Contact) bool {
	for _, x := range []*Contact{&c, &o} {
		x.Title, x.Notes, x.Text, x.StuckAfter, x.Source.Text = "", nil, "", 0, ""
	}
	return reflect.DeepEqual(c, o)
}

// LoadWatch reads a watch configuration, with the limits profiles and the web
// configuration that it names. The error tells all mistakes, one a line, as
// "file:line:column: key …: what is wrong: expected …".
func LoadWatch(path string) (*Watch, error) {
	data, err := readFile(watchForm, path)
	if err != nil {
		return nil, err
	}
	return parseWatch(path, data)
}

func parseWatch(path string, data []byte) (*Watch, error) {
	root, err := parseYAML(watchForm, path, data)
	if err != nil {
		return nil, err
	}
	d := &watchDecoder{dir: filepath.Dir(path), profiles: map[string]*pulse.Profile{}}
	w := d.watch(value{node: root, want: "the keys of a watch configuration"})
	if len(d.mistakes) > 0 {
		return nil, append(d.err(path), d.others...)
	}
	return w, nil
}

type watchDecoder struct {
	decoder
	dir      string
	profiles map[string]*pulse.Profile // those read already, nil where that failed
	ids      []string                  // of the bundled profiles, once they are needed
	others   []error                   // mistakes in other files
}

// watchFields reads into w. seen is where names and lines were used already.
func (d *watchDecoder) watchFields(w *Watch, seen found) []field {
	return []field{
		{"site", true, wantText, d.text(&w.Site, isText)},
		{"store", true, "path and perhaps keep_raw and max_size", func(v value) bool {
			return d.whole(v, found{}, d.storeFields(&w.Store))
		}},
		{"listen", false, "an IP address or localhost, and a port, such as " + DefaultListen, d.text(&w.Listen, validListen)},
		{"web_config", false, "the name of a web configuration file, with TLS, passwords or both", d.path(&w.WebConfig)},
		{"listen_unprotected", false, "true or false", d.boolean(&w.ListenUnprotected)},
		{"pprof", false, "true or false", d.boolean(&w.Pprof)},
		{"window", false, wantTime("1min", "7d", "10min"), d.duration(&w.Window, time.Minute, 7*day)},
		{"calibrations", false, "the name of a folder", d.path(&w.Calibrations)},
		{"contacts", true, "a list of 1 to " + strconv.Itoa(maxContacts) + " contacts", func(v value) bool {
			ok := d.list("the keys of a contact", func(v value) bool {
				c, ok := d.contact(v)
				w.Contacts = append(w.Contacts, c.Contact)
				d.checkUnique(c, seen)
				return ok
			})(v)
			if n := len(w.Contacts); ok && (n == 0 || n > maxContacts) {
				d.tell(v, strconv.Itoa(n)+" contacts", v.want)
			}
			return ok
		}},
	}
}

func (d *watchDecoder) storeFields(s *Store) []field {
	return []field{
		{"path", true, "the name of a file", d.path(&s.Path)},
		{"keep_raw", false, wantTime("1h", "36500d", "90d"), d.duration(&s.KeepRaw, time.Hour, 36500*day)},
		{"max_size", false, "a size from 10MB to 100TB, such as 1GB", d.size(&s.MaxBytes)},
	}
}

func (d *watchDecoder) watch(v value) *Watch {
	w := &Watch{Listen: DefaultListen, Window: DefaultWindow, Store: Store{KeepRaw: DefaultKeepRaw, MaxBytes: DefaultMaxBytes}}
	f := found{}
	d.whole(v, f, d.watchFields(w, found{}))
	d.checkListen(w, f)
	return w
}

// whole reads a mapping and tells what it lacks.
func (d *watchDecoder) whole(v value, f found, fields []field) bool {
	if !d.mapping(v, f, fields) {
		return false
	}
	d.require(v, f, fields)
	return f.good(slices.Collect(maps.Keys(f))...)
}

// checkListen tells a web configuration that cannot be used, and an address
// that others than this computer reach without any protection.
func (d *watchDecoder) checkListen(w *Watch, f found) {
	protected := false
	if f.good("web_config") {
		var err error
		if protected, err = CheckWebConfig(w.WebConfig); err != nil {
			d.tell(f["web_config"].value, err.Error(), f["web_config"].want)
			return
		}
	}
	if !f.good("listen") || isLoopback(w.Listen) || protected || w.ListenUnprotected {
		return
	}
	what := w.Listen + " is open to other computers, for anyone to read the site's figures and to load this one"
	if f.has("web_config") {
		what += ", and web_config has neither TLS nor passwords"
	}
	d.tell(f["listen"].value, what, "a loopback address, or web_config with TLS or passwords, or listen_unprotected: true")
}

// CheckWebConfig reads a web configuration, the file in which the exporter
// toolkit keeps TLS and passwords, and tells whether it has either. The error
// holds nothing of what is in the file.
func CheckWebConfig(path string) (protected bool, err error) {
	info, err := os.Stat(path)
	if err == nil && (!info.Mode().IsRegular() || info.Size() > maxFileSize) {
		err = errors.New(path + ": not a file of up to 1 MiB")
	}
	if err == nil {
		err = web.Validate(path)
	}
	if err != nil {
		// Messages of the YAML reader hold pieces of the file, which has secrets.
		return false, errors.New(oneLine(quotedYAML.ReplaceAllString(err.Error(), "…")))
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return false, err
	}
	var c struct {
		TLS   map[string]any    `yaml:"tls_server_config"`
		Users map[string]string `yaml:"basic_auth_users"`
	}
	err = yaml.Unmarshal(data, &c)
	return len(c.TLS)+len(c.Users) > 0, err
}

var quotedYAML = regexp.MustCompile("`[^`]*`")

// validListen tells whether s is host:port with a host whose reach is known
// without asking a name server.
func validListen(s string) bool {
	host, port, err := net.SplitHostPort(s)
	if err != nil {
		return false
	}
	_, err = strconv.ParseUint(port, 10, 16)
	_, notIP := netip.ParseAddr(host)
	return err == nil && (host == "" || host == "localhost" || notIP == nil)
}

func isLoopback(listen string) bool {
	host, _, _ := net.SplitHostPort(listen)
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.Unmap().IsLoopback()
}

// A contactDraft is a contact being read.
type contactDraft struct {
	Contact
	found
	rateUnit string // "pps" or "ipm"
	chain    pulse.Setup
}

// profile is the contact's limits, empty when there are none.
func (c *contactDraft) profile() *pulse.Profile {
	if c.Meter.Limits == nil {
		return &pulse.Profile{}
	}
	return c.Meter.Limits
}

var biases = []string{"as-is", "pull-up", "pull-down", "disabled"}

func (d *watchDecoder) contactFields(c *contactDraft) []field {
	m := &c.Meter
	ns := func(dst *int64, lo, hi time.Duration) func(value) bool {
		return d.duration((*time.Duration)(dst), lo, hi)
	}
	return []field{
		{"name", true, "small letters a-z, digits and hyphens, at most 64", d.text(&c.Name, validID)},
		{"title", false, wantText, d.text(&c.Title, isText)},
		{"source", true, "gpio:LINE, the name of a recording, or sim:DESCRIPTION", d.source(&c.Source)},
		{"recording_contact", false, wantText, d.text(&c.Source.RecordingContact, isText)},
		{"closed", false, "high or low", choice(&d.decoder, &m.Polarity, []pulse.Polarity{pulse.ClosedHigh, pulse.ClosedLow}, pulse.Polarity.String)},
		{"bias", false, strings.Join(biases, ", "), choice(&d.decoder, &c.Source.Bias, biases, strings.Clone)},
		{"kind", false, "dial or interrupter", choice(&d.decoder, &m.Kind, []pulse.Kind{pulse.KindDial, pulse.KindInterrupter}, pulse.Kind.String)},
		{"settle", false, wantTime("10us", "1s", "4ms"), ns(&m.SettleNS, 10*time.Microsecond, time.Second)},
		{"timing", false, "first or settled", choice(&d.decoder, &m.Timing, []pulse.Timing{pulse.TimingFirst, pulse.TimingSettled}, pulse.Timing.String)},
		{"limits", false, "the id of a bundled limits profile, or the name of a file of one's own that ends in .yaml", d.limits(&m.Limits)},
		{"rate", false, "pulses per second or interruptions per minute, such as 10pps or 60ipm", func(v value) bool {
			s, _ := textOf(v.node)
			x, unit, ok := measure(s, map[string]float64{"pps": 1, "ipm": 1})
			if !ok || unit == "pps" && !(x >= 0.5 && x <= 100) || unit == "ipm" && !(x >= 0.01 && x <= 6000) {
				return d.wrong(v)
			}
			c.Rate, c.rateUnit = x, unit
			return true
		}},
		{"lobes", false, "a whole number from 1 to " + strconv.Itoa(maxLobes), func(v value) bool {
			return d.count(&m.Lobes)(v) && (m.Lobes <= maxLobes || d.wrong(v))
		}},
		{"cadence", false, "a list of times: make, break, make, break …", func(v value) bool {
			ok := d.list(wantTime("1ms", "1h", "400ms"), func(v value) bool {
				m.CadenceNS = append(m.CadenceNS, 0)
				return ns(&m.CadenceNS[len(m.CadenceNS)-1], time.Millisecond, time.Hour)(v)
			})(v)
			return ok && d.evenSegments(v, len(m.CadenceNS))
		}},
		{"coding", false, "normal, n+1 or 10-n", func(v value) bool {
			m.CodingSet = true
			return choice(&d.decoder, &m.Coding, []pulse.Coding{pulse.CodingNormal, pulse.CodingNPlus1, pulse.Coding10MinusN}, pulse.Coding.String)(v)
		}},
		{"pulse", false, "min, max or both", func(v value) bool { return d.whole(v, found{}, d.pulseFields(m)) }},
		{"train_gap", false, wantTime("1ms", "1h", "150ms"), ns(&m.TrainGapNS, time.Millisecond, time.Hour)},
		{"flash_max", false, wantTime("1ms", "1h", "1500ms"), ns(&m.FlashMaxNS, time.Millisecond, time.Hour)},
		{"stuck_after", false, wantTime("1s", "365d", "5min"), d.duration(&c.StuckAfter, time.Second, 365*day)},
		{"chain", false, "edge_noise, asymmetry, asymmetry_u, clock_error and where they come from", func(v value) bool { return d.setup(v, c) }},
		{"notes", false, "a list of sentences", d.texts(&c.Notes)},
	}
}

func (d *watchDecoder) pulseFields(m *pulse.Config) []field {
	return []field{
		{"min", false, wantTime("1ms", "1h", "10ms"), d.duration((*time.Duration)(&m.PulseMinNS), time.Millisecond, time.Hour)},
		{"max", false, wantTime("1ms", "1h", "200ms"), d.duration((*time.Duration)(&m.PulseMaxNS), time.Millisecond, time.Hour)},
	}
}

// setup reads what is known of the measuring chain over the defaults.
func (d *watchDecoder) setup(v value, c *contactDraft) bool {
	s := &c.chain
	var noise, asymmetry, u time.Duration
	var from string
	f := found{}
	if !d.whole(v, f, d.chainFields(&noise, &asymmetry, &u, &s.ClockRel, &from)) {
		return false
	}
	from = cmp.Or(from, "given")
	c.OwnNoise, c.OwnAsymmetry = f.has("edge_noise"), f.has("asymmetry") || f.has("asymmetry_u")
	s.AsymmetryNS = float64(asymmetry)
	if f.has("edge_noise") {
		s.EdgeNoiseNS, s.EdgeNoiseFrom = float64(noise), from
	}
	if f.has("asymmetry_u") {
		s.AsymmetryUNS, s.AsymmetryFrom = float64(u), from
	}
	if f.has("clock_error") {
		s.ClockFrom = from
	}
	return true
}

func (d *watchDecoder) chainFields(noise, asymmetry, u *time.Duration, clock *float64, from *string) []field {
	return []field{
		{"edge_noise", false, wantTime("0us", "10ms", "20us"), d.duration(noise, 0, 10*time.Millisecond)},
		{"asymmetry", false, wantTime("-5ms", "5ms", "-12us"), d.duration(asymmetry, -5*time.Millisecond, 5*time.Millisecond)},
		{"asymmetry_u", false, wantTime("0us", "5ms", "58us"), d.duration(u, 0, 5*time.Millisecond)},
		{"clock_error", false, "a relative error from 0ppm to 1%, in ppm, ppb or %, such as 50ppm", func(v value) bool {
			s, _ := textOf(v.node)
			x, _, ok := measure(s, map[string]float64{"ppm": 1e-6, "ppb": 1e-9, "%": 1e-2})
			if !ok || x < 0 || x > 0.01 {
				return d.wrong(v)
			}
			*clock = x
			return true
		}},
		{"from", false, wantText, d.text(from, isText)},
	}
}

// contact reads one contact and tells what in it does not go together.
func (d *watchDecoder) contact(v value) (*contactDraft, bool) {
	c := &contactDraft{found: found{}, chain: pulse.DefaultSetup()}
	c.Meter.Forget = true
	before := len(d.mistakes)
	if !d.whole(v, c.found, d.contactFields(c)) && len(c.found) == 0 {
		return c, false
	}
	c.Meter.Setup, c.Text = &c.chain, sourceOf(v.node)
	d.checkContactKind(v, c)
	d.checkSource(c)
	d.checkCadence(c)
	d.checkSettle(c)
	m, p := &c.Meter, c.profile()
	d.checkReadings(c.found, readings{
		cmp.Or(m.PulseMinNS, p.PulseMinNS, pulse.DefaultPulseMinNS), cmp.Or(m.PulseMaxNS, p.PulseMaxNS, pulse.DefaultPulseMaxNS),
		cmp.Or(m.FlashMaxNS, p.FlashMaxNS, pulse.DefaultFlashMaxNS),
	}, "", duration.Format)
	if len(d.mistakes) > before {
		return c, false
	}
	if _, err := pulse.NewMeter(*m); err != nil {
		d.tell(v, err.Error(), "a contact that can be measured")
		return c, false
	}
	return c, true
}

// sourceOf gives a node as YAML of its own, without the indentation that it
// has in the file.
func sourceOf(n ast.Node) string {
	_, column := position(n)
	return strings.ReplaceAll(strings.TrimSpace(n.String()), "\n"+strings.Repeat(" ", column-1), "\n")
}

// checkContactKind takes the kind from the limits when it is not given, and
// tells keys of the other one.
func (d *watchDecoder) checkContactKind(v value, c *contactDraft) {
	m, p := &c.Meter, c.profile()
	told := ""
	switch {
	case c.has("kind") && !c.good("kind"), c.has("limits") && !c.good("limits") && !c.has("kind"):
		return
	case !c.has("kind") && !c.has("limits"):
		d.tell(value{path: v.path + ".kind", node: v.node}, "missing", "dial or interrupter, or limits that tell it")
		return
	case !c.has("kind"):
		m.Kind, told = p.Kind, ", which the limits "+p.ID+" are for"
	case p.Kind != pulse.KindAuto && m.Kind != p.Kind:
		d.tell(c.found["kind"].value, m.Kind.String()+", but the limits "+p.ID+" are for kind "+p.Kind.String(), p.Kind.String()+", or other limits")
		return
	}
	for _, k := range []struct {
		kind pulse.Kind
		keys []string
	}{
		{pulse.KindDial, []string{"coding", "pulse", "train_gap", "flash_max"}},
		{pulse.KindInterrupter, []string{"lobes", "cadence"}},
	} {
		for _, key := range k.keys {
			if c.has(key) && m.Kind != k.kind {
				d.tell(c.found[key].value, "not for kind "+m.Kind.String()+told, "it with kind "+k.kind.String()+" only")
			}
		}
	}
	unit := map[pulse.Kind]string{pulse.KindDial: "pps", pulse.KindInterrupter: "ipm"}[m.Kind]
	switch {
	case !c.good("rate"):
	case unit != c.rateUnit:
		d.tell(c.found["rate"].value, "a rate in "+c.rateUnit+" for a contact of kind "+m.Kind.String(), "a rate in "+unit)
	case m.Kind == pulse.KindInterrupter:
		m.PeriodNS = int64(math.Round(60e9 / c.Rate))
	}
}

// checkSource tells keys that the contact's source has no use for.
func (d *watchDecoder) checkSource(c *contactDraft) {
	// What is no text is of no kind, and a word that is no file's name may be
	// meant for a line.
	if !c.good("source") && !strings.ContainsAny(c.Source.Text, ":./") {
		return
	}
	if c.Source.Kind == SourceGPIO && !c.has("bias") {
		c.Source.Bias = biases[0]
	}
	if c.has("bias") && c.Source.Kind != SourceGPIO {
		d.tell(c.found["bias"].value, "not for "+quote(c.Source.Text), "it with a gpio: line only")
	}
	if c.has("recording_contact") && c.Source.Kind != SourceRecording {
		d.tell(c.found["recording_contact"].value, "not for "+quote(c.Source.Text), "it with a recording only")
	}
	if c.good("source") && c.Source.Kind == SourceRecording && (c.good("recording_contact") || !c.has("recording_contact")) {
		d.checkRecording(c)
	}
}

// checkRecording tells why a recording that is there cannot be played back, as
// far as its header and its first edges show.
func (d *watchDecoder) checkRecording(c *contactDraft) {
	s := &c.Source
	try := func(contact string) (contacts []string, err *hw.RecordingError) {
		rec, e := hw.OpenRecordingFile(s.Recording, nil, hw.RecordingOptions{Name: s.Text, Contact: contact})
		if e == nil {
			defer rec.Close()
			_, e = rec.ReadEdges(context.Background(), make([]pulse.Edge, 64))
			contacts = rec.Contacts()
		}
		errors.As(e, &err)
		return contacts, err
	}
	contacts, err := try(s.RecordingContact)
	switch {
	case err == nil && s.RecordingContact == "" && len(contacts) > 1:
		d.tell(c.found["source"].value, quote(s.Text)+": several contacts", "recording_contact with one of "+strings.Join(contacts, ", "))
		return
	case err == nil:
		return
	}
	key := "source"
	if s.RecordingContact != "" {
		if _, alone := try(""); alone == nil || alone.Error() != err.Error() {
			key = "recording_contact"
		}
	}
	where := quote(s.Text)
	if err.Line > 0 {
		where += ", line " + strconv.Itoa(err.Line)
	}
	d.tell(c.found[key].value, where+": "+err.Msg, strings.ReplaceAll(cmp.Or(err.Expected, "a recording of the contact"), "--contact", "recording_contact"))
}

// checkCadence tells what does not go with the contact's own cadence or that
// of its limits.
func (d *watchDecoder) checkCadence(c *contactDraft) {
	own, p := c.good("cadence"), c.profile()
	cadence, of := p.CadenceNS, "limits "+p.ID
	if own {
		cadence, of = c.Meter.CadenceNS, "cadence"
	}
	if c.good("lobes") && len(cadence) > 2 {
		d.tell(c.found["lobes"].value, fmt.Sprintf("given for a cadence of %d segments (%s)", len(cadence), of), "lobes of a plain interrupter only")
	}
	if c.good("rate") && c.Meter.PeriodNS > 0 && (own || len(cadence) > 2) {
		d.tell(c.found["rate"].value, "given beside a cadence ("+of+"), which tells the period", "one of the two")
	}
	if !own {
		return
	}
	for _, l := range p.Limits {
		if l.Segment > len(cadence) {
			d.tell(c.found["cadence"].value, fmt.Sprintf("%d segments, but the limits %s bound segment %d", len(cadence), p.ID, l.Segment),
				"a cadence that the limits are for")
			return
		}
	}
}

// checkSettle tells a settling time that would swallow what is to be measured.
func (d *watchDecoder) checkSettle(c *contactDraft) {
	if !c.good("settle") {
		return
	}
	m, p := &c.Meter, c.profile()
	longest, of := int64(math.MaxInt64), ""
	bound := func(ns int64, what string) {
		if ns > 0 && ns < longest {
			longest, of = ns, what
		}
	}
	switch m.Kind {
	case pulse.KindDial:
		bound(cmp.Or(m.PulseMaxNS, p.PulseMaxNS, pulse.DefaultPulseMaxNS), "longest pulse")
	case pulse.KindInterrupter:
		bound(m.PeriodNS, "period")
		cadence := m.CadenceNS
		if cadence == nil {
			cadence = p.CadenceNS
		}
		for _, ns := range cadence {
			bound(ns, "shortest segment")
		}
	}
	if m.SettleNS >= longest {
		d.tell(c.found["settle"].value, duration.Format(m.SettleNS)+" is not below the "+of+" "+duration.Format(longest), "a time that every make and break outlasts")
	}
}

// checkUnique tells a name or a line that a contact before has; seen holds
// where.
func (d *watchDecoder) checkUnique(c *contactDraft, seen found) {
	once := func(key, id, what string) {
		if first, ok := seen[id]; ok {
			d.tell(c.found[key].value, what+" is that of "+first.path, "another "+key)
			return
		}
		seen[id] = c.found[key]
	}
	if c.good("name") {
		once("name", "name "+c.Name, quote(c.Name))
	}
	if c.good("source") && c.Source.Kind == SourceGPIO {
		once("source", "line "+c.Source.Line, quote(c.Source.Text))
	}
}

// percentSign is a value in percent with its sign.
var percentSign = regexp.MustCompile(`\d%`)

// ParseSim reads the description of a simulated contact.
func ParseSim(description string) (*synth.Spec, error) {
	spec, err := synth.Parse(description)
	if err != nil && percentSign.MatchString(description) {
		err = fmt.Errorf("%w; a percentage is written without %%, such as break=66", err)
	}
	return spec, err
}

func (d *watchDecoder) source(dst *Source) func(value) bool {
	return func(v value) bool {
		s, ok := textOf(v.node)
		if !ok || !isPrintable(s, maxSource) {
			return d.wrong(v)
		}
		dst.Text = s
		if line, ok := strings.CutPrefix(s, "gpio:"); ok {
			dst.Kind, dst.Line = SourceGPIO, line
			if strings.TrimSpace(line) != line || line == "" {
				d.tell(v, quote(s), "gpio: and the name of a line, such as gpio:GPIO17, gpio:P1_11 or gpio:gpiochip0:17")
				return false
			}
			return true
		}
		if description, ok := strings.CutPrefix(s, "sim:"); ok {
			dst.Kind = SourceSim
			spec, err := ParseSim(description)
			if err != nil {
				what, want, _ := strings.Cut(err.Error(), ": expected ")
				d.tell(v, quote(s)+": "+what, cmp.Or(want, "a description as makebreak sim takes it"))
				return false
			}
			dst.Sim = spec
			return true
		}
		dst.Kind, dst.Recording = SourceRecording, d.inDir(s)
		info, err := os.Stat(dst.Recording)
		if err == nil && !info.Mode().IsRegular() {
			err = errors.New("not a file")
		}
		if err != nil {
			d.tell(v, quote(s)+": "+reason(err), v.want)
			return false
		}
		return true
	}
}

func (d *watchDecoder) limits(dst **pulse.Profile) func(value) bool {
	return func(v value) bool {
		s, ok := textOf(v.node)
		if !ok || !isText(s) {
			return d.wrong(v)
		}
		p, ok := d.profiles[s]
		if !ok {
			p = d.profile(v, s)
			d.profiles[s] = p
		} else if p == nil {
			d.tell(v, quote(s)+" has mistakes or cannot be read, as told above", v.want)
		}
		*dst = p
		return p != nil
	}
}

// profile reads the limits that a contact names, and tells why it cannot.
func (d *watchDecoder) profile(v value, name string) *pulse.Profile {
	if isPath(name) {
		p, err := profileFile(d.inDir(name))
		var cannot *os.PathError
		switch {
		case errors.As(err, &cannot):
			d.tell(v, quote(name)+": "+cannot.Err.Error(), v.want)
		case err != nil:
			d.tell(v, quote(name)+" has mistakes, told below", "a limits profile without mistakes")
			d.others = append(d.others, err)
		}
		return p
	}
	p, err := profileByID(name)
	if p != nil {
		return p
	}
	if d.ids == nil && err == nil {
		d.ids, err = profileIDs()
	}
	what := quote(name) + " is unknown"
	if err != nil {
		what = oneLine(err.Error())
	} else if others := near(name, d.ids); len(others) > 0 {
		what += ", near to " + strings.Join(others, ", ")
	}
	d.tell(v, what, v.want+`; "makebreak limits" lists the bundled ones`)
	return nil
}

// reason is why a file cannot be used, without its name.
func reason(err error) string {
	var p *os.PathError
	if errors.As(err, &p) {
		err = p.Err
	}
	return err.Error()
}

// path reads the name of a file, which is relative to that of the configuration.
func (d *watchDecoder) path(dst *string) func(value) bool {
	return func(v value) bool {
		var s string
		if !d.text(&s, isText)(v) {
			return false
		}
		*dst = d.inDir(s)
		return true
	}
}

func (d *watchDecoder) inDir(name string) string {
	if filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(d.dir, name)
}

func (d *watchDecoder) boolean(dst *bool) func(value) bool {
	return func(v value) bool {
		b, ok := v.node.(*ast.BoolNode)
		if !ok {
			return d.wrong(v)
		}
		*dst = b.Value
		return true
	}
}

var amount = regexp.MustCompile(`^(-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?)([A-Za-zµ%]+)$`)

// measure reads a number with its unit, and gives it in the unit of 1.
func measure(s string, units map[string]float64) (x float64, unit string, ok bool) {
	m := amount.FindStringSubmatch(s)
	if m == nil {
		return 0, "", false
	}
	scale, known := units[m[2]]
	x, err := strconv.ParseFloat(m[1], 64)
	return x * scale, m[2], known && err == nil
}

func wantTime(lo, hi, example string) string {
	return "a time from " + lo + " to " + hi + " with its unit (us, ms, s, min, h or d), such as " + example
}

func (d *watchDecoder) duration(dst *time.Duration, lo, hi time.Duration) func(value) bool {
	return func(v value) bool {
		ns, ok := spanOf(v.node)
		if !ok || ns < int64(lo) || ns > int64(hi) {
			return d.wrong(v)
		}
		*dst = time.Duration(ns)
		return true
	}
}

func (d *watchDecoder) size(dst *int64) func(value) bool {
	units := map[string]float64{"MB": 1e6, "GB": 1e9, "TB": 1e12, "MiB": 1 << 20, "GiB": 1 << 30, "TiB": 1 << 40}
	return func(v value) bool {
		s, _ := textOf(v.node)
		x, _, ok := measure(s, units)
		if !ok || !(x >= 10e6 && x <= 100e12) {
			return d.wrong(v)
		}
		*dst = int64(x)
		return true
	}
}

// spanOf gives the time of a scalar, of which only 0 may lack a unit.
func spanOf(n ast.Node) (ns int64, ok bool) {
	s, isText := textOf(n)
	if _, isNumber := n.(*ast.IntegerNode); isNumber {
		s, isText = n.GetToken().Value, true
	}
	ns, err := duration.Parse(s)
	return ns, isText && err == nil
}
