package config

import (
	"cmp"
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"math"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
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
	// DefaultKeepRaw is three months: a fault that is noticed late can still be
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

// watchFile allows the most contacts with all their keys.
var watchFile = fileKind{"watch configuration", 30_000}

// A Watch is what makebreak watch is to do. Names of files in it are ready to be
// opened; in the configuration file they are relative to its folder.
type Watch struct {
	Site  string
	Store Store
	// Listen is an IP address or localhost, or nothing for all addresses, with
	// a port; port 0 is any free one.
	Listen            string
	ListenUnprotected bool       // Listen may be open to other computers without protection
	WebConfig         string     // web configuration file of TLS and passwords; empty: none
	Protection        Protection // as WebConfig has it
	Pprof             bool       // serve Go's profiles too
	// Window is how far back verdicts and worst values look.
	Window time.Duration
	// Calibrations is the folder of the lines' calibrations, empty for the
	// usual one.
	Calibrations string
	Contacts     []Contact
	// Renamed has a sentence for each limits profile that the file names by a
	// former id.
	Renamed []string
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
	Bias             hw.Bias
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
	// Meter is how the edges are read. Kind, Setup and Forget are set; the
	// observer, and what a live capture needs, are left to the caller.
	Meter pulse.Config
	// OwnNoise and OwnAsymmetry: Setup's edge noise or its asymmetry are given in
	// the file, so that a calibration of the line does not replace them.
	OwnNoise, OwnAsymmetry bool
	// Rate is the nominal rate in pps of a dial or IPM of an interrupter, 0
	// when it is not given.
	Rate       float64
	Against    string        // name of the contact that is the output of this one, or the other of its drive; empty: none
	StuckAfter time.Duration // without an edge it is a finding; 0: never, for an interrupter after three of its cycles
	Text       string        // the contact as the file has it, in YAML
}

// SameReading reports whether c and o are the same contact read in the same way,
// so that a running measurement of c can go on for o. Titles, notes and
// StuckAfter may differ.
func (c Contact) SameReading(o Contact) bool {
	for _, x := range []*Contact{&c, &o} {
		x.Title, x.Notes, x.Text, x.StuckAfter, x.Source.Text = "", nil, "", 0, ""
	}
	return reflect.DeepEqual(c, o)
}

// LoadWatch reads a watch configuration, with the limits profiles and the web
// configuration that it names. The error lists all mistakes, one a line, as
// "file:line:column: key …: what is wrong: expected …".
func LoadWatch(path string) (*Watch, error) { return loadWatch(path, nil) }

// CheckWatch is LoadWatch that also tells whether the log can be written.
// mayWrite gives why this user may not write to a file or in a folder that
// exists.
func CheckWatch(path string, mayWrite func(path string) error) (*Watch, error) {
	return loadWatch(path, mayWrite)
}

func loadWatch(path string, mayWrite func(string) error) (*Watch, error) {
	data, err := readFile(watchFile, path)
	if err != nil {
		return nil, err
	}
	return parseWatch(path, data, mayWrite)
}

func parseWatch(path string, data []byte, mayWrite func(string) error) (*Watch, error) {
	root, err := parseYAML(watchFile, path, data)
	if err != nil {
		return nil, err
	}
	d := &decoder{dir: filepath.Dir(path), profiles: map[string]*pulse.Profile{}, mayWrite: mayWrite}
	w := &Watch{Listen: DefaultListen, Window: DefaultWindow, Store: Store{KeepRaw: DefaultKeepRaw, MaxBytes: DefaultMaxBytes}}
	var raw rawWatch
	if d.complete(&key{node: root}, "the keys of a watch configuration", &raw) {
		raw.check(d, w)
	}
	if len(d.mistakes) > 0 {
		return nil, append(d.err(path), d.others...)
	}
	w.Renamed = d.renamed
	return w, nil
}

type rawWatch struct {
	Site              key `yaml:"site" need:""`
	Store             key `yaml:"store" need:""`
	Listen            key `yaml:"listen"`
	WebConfig         key `yaml:"web_config"`
	ListenUnprotected key `yaml:"listen_unprotected"`
	Pprof             key `yaml:"pprof"`
	Window            key `yaml:"window"`
	Calibrations      key `yaml:"calibrations"`
	Contacts          key `yaml:"contacts" need:""`
}

type rawStore struct {
	Path    key `yaml:"path" need:""`
	KeepRaw key `yaml:"keep_raw"`
	MaxSize key `yaml:"max_size"`
}

type rawContact struct {
	Name             key `yaml:"name" need:""`
	Title            key `yaml:"title"`
	Source           key `yaml:"source" need:""`
	RecordingContact key `yaml:"recording_contact"`
	Closed           key `yaml:"closed"`
	Bias             key `yaml:"bias"`
	Kind             key `yaml:"kind"`
	Settle           key `yaml:"settle"`
	Timing           key `yaml:"timing"`
	Limits           key `yaml:"limits"`
	Rate             key `yaml:"rate"`
	Lobes            key `yaml:"lobes"`
	Gears            key `yaml:"gears"`
	Cadence          key `yaml:"cadence"`
	Coding           key `yaml:"coding"`
	Pulse            key `yaml:"pulse"`
	TrainGap         key `yaml:"train_gap"`
	FlashMax         key `yaml:"flash_max"`
	StuckAfter       key `yaml:"stuck_after"`
	Chain            key `yaml:"chain"`
	Against          key `yaml:"against"`
	Notes            key `yaml:"notes"`
}

type rawPulse struct {
	Min key `yaml:"min"`
	Max key `yaml:"max"`
}

type rawChain struct {
	EdgeNoise  key `yaml:"edge_noise"`
	Asymmetry  key `yaml:"asymmetry"`
	AsymmetryU key `yaml:"asymmetry_u"`
	ClockError key `yaml:"clock_error"`
	From       key `yaml:"from"`
}

// check reads the keys into w.
func (r *rawWatch) check(d *decoder, w *Watch) {
	d.text(&r.Site, &w.Site, wantText, isText)
	var s rawStore
	if _, name := r.Store.node.(*ast.StringNode); name {
		d.path(&r.Store, &w.Store.Path, wantStore)
		d.checkLog(&r.Store, w.Store.Path)
	} else if d.complete(&r.Store, wantStore, &s) {
		d.path(&s.Path, &w.Store.Path, wantLog)
		d.checkLog(&s.Path, w.Store.Path)
		times(d, &s.KeepRaw, &w.Store.KeepRaw, "1h", "36500d", "90d")
		read(d, &s.MaxSize, &w.Store.MaxBytes, "a size from 10MB to 100TB, such as 1GB", sizeOf)
	}
	d.text(&r.Listen, &w.Listen, "an IP address or localhost, and a port, such as "+DefaultListen, validListen)
	d.path(&r.WebConfig, &w.WebConfig, wantWebConfig)
	d.boolean(&r.ListenUnprotected, &w.ListenUnprotected)
	d.boolean(&r.Pprof, &w.Pprof)
	times(d, &r.Window, &w.Window, "1min", "7d", "10min")
	d.path(&r.Calibrations, &w.Calibrations, "the name of a folder")
	wantContacts := "a list of 1 to " + strconv.Itoa(maxContacts) + " contacts"
	seen := map[string]string{}
	var drafts []*contactDraft
	d.list(&r.Contacts, wantContacts, func(k *key) {
		c := contactDraft{chain: pulse.DefaultSetup()}
		if d.complete(k, "the keys of a contact", &c.raw) {
			c.check(d, k)
			c.checkUnique(d, seen)
			drafts = append(drafts, &c)
		}
		w.Contacts = append(w.Contacts, c.Contact)
	})
	if n := len(w.Contacts); r.Contacts.good() && (n == 0 || n > maxContacts) {
		d.reject(&r.Contacts, strconv.Itoa(n)+" contacts", wantContacts)
	}
	for _, c := range drafts {
		c.checkAgainst(d, drafts)
	}
	r.checkListen(d, w)
}

const wantStore = "the name of a file, or path and perhaps keep_raw and max_size"

const wantLog = "the name of a file"

// checkLog reports, where that is asked for, a log that cannot be written: its
// folder takes files that come and go beside it.
func (d *decoder) checkLog(k *key, path string) {
	if d.mayWrite == nil || !k.good() {
		return
	}
	folder := filepath.Dir(path)
	switch info, err := os.Stat(folder); {
	case err != nil:
		d.reject(k, "folder "+quote(folder)+": "+reason(err), wantLog+" in a folder that exists")
	case !info.IsDir():
		d.reject(k, quote(folder)+" is no folder", wantLog+" in a folder")
	default:
		if err := d.mayWrite(folder); err != nil {
			d.reject(k, "folder "+quote(folder)+" cannot be written: "+err.Error(), wantLog+" in a folder that this user may write to")
		} else if _, err := os.Stat(path); err == nil {
			if err := d.mayWrite(path); err != nil {
				d.reject(k, quote(path)+" cannot be written: "+err.Error(), wantLog+" that this user may write to")
			}
		}
	}
}

const wantWebConfig = "the name of a web configuration file, with TLS, passwords or both"

// A Protection is what a web configuration asks of clients.
type Protection struct {
	TLS          bool
	Passwords    bool
	Certificates bool // of clients, signed by a given authority
}

// KeepsOut reports whether strangers are kept out. TLS alone lets in everybody.
func (p Protection) KeepsOut() bool { return p.Passwords || p.Certificates }

// checkListen reports a web configuration that cannot be used, and an address
// that other computers reach without anything that keeps strangers out.
func (r *rawWatch) checkListen(d *decoder, w *Watch) {
	if r.WebConfig.good() {
		var err error
		if w.Protection, err = CheckWebConfig(w.WebConfig); err != nil {
			d.reject(&r.WebConfig, err.Error(), wantWebConfig)
			return
		}
	}
	if !r.Listen.good() || isLoopback(w.Listen) || w.Protection.KeepsOut() || w.ListenUnprotected {
		return
	}
	what := w.Listen + " is open to other computers, for anyone to read the site's figures and to load this one"
	switch {
	case w.Protection.TLS:
		what += "; TLS alone, as web_config has it, keeps nobody out"
	case r.WebConfig.given():
		what += ", and web_config has no passwords"
	}
	d.reject(&r.Listen, what, "a loopback address, or web_config with passwords or with clients' certificates, or listen_unprotected: true")
}

// LocalOnly reports whether being on this computer is all that is asked of a
// client.
func (w *Watch) LocalOnly() bool { return isLoopback(w.Listen) && !w.Protection.KeepsOut() }

// CheckWebConfig reads a web configuration, the file in which the exporter
// toolkit keeps TLS and passwords, and gives what it asks of clients. The error
// holds nothing of what is in the file.
func CheckWebConfig(path string) (p Protection, err error) {
	info, err := os.Stat(path)
	if err == nil && (!info.Mode().IsRegular() || info.Size() > maxFileSize) {
		err = errors.New(path + ": not a file of up to 1 MiB")
	}
	if err == nil {
		err = web.Validate(path)
	}
	if err != nil {
		// Messages of the YAML reader hold pieces of the file, which has secrets.
		return p, errors.New(oneLine(quotedYAML.ReplaceAllString(err.Error(), "…")))
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return p, err
	}
	var c struct {
		TLS struct {
			Cert     string `yaml:"cert"`
			CertFile string `yaml:"cert_file"`
			Asks     string `yaml:"client_auth_type"`
			CA       string `yaml:"client_ca"`
			CAFile   string `yaml:"client_ca_file"`
		} `yaml:"tls_server_config"`
		Users map[string]string `yaml:"basic_auth_users"`
	}
	if err := yaml.Unmarshal(data, &c); err != nil {
		return p, errors.New(path + ": not readable")
	}
	p.TLS, p.Passwords = c.TLS.Cert+c.TLS.CertFile != "", len(c.Users) > 0
	// The toolkit accepts what follows; without an authority of its own it would
	// trust those of the system, whose certificates anybody can have.
	if verifies := c.TLS.Asks == "RequireAndVerifyClientCert"; verifies || c.TLS.Asks == "VerifyClientCertIfGiven" {
		p.Certificates = verifies
		if c.TLS.CA+c.TLS.CAFile == "" {
			return p, fmt.Errorf("%s: client_auth_type %s without client_ca_file, which says whose certificates count", path, c.TLS.Asks)
		}
	}
	authorities := []byte(c.TLS.CA)
	if c.TLS.CAFile != "" {
		if !filepath.IsAbs(c.TLS.CAFile) {
			c.TLS.CAFile = filepath.Join(filepath.Dir(path), c.TLS.CAFile)
		}
		if authorities, err = os.ReadFile(c.TLS.CAFile); err != nil {
			return p, err
		}
	}
	if len(authorities) > 0 && !x509.NewCertPool().AppendCertsFromPEM(authorities) {
		return p, fmt.Errorf("%s: no certificate in client_ca or client_ca_file", path)
	}
	return p, nil
}

var quotedYAML = regexp.MustCompile("`[^`]*`")

// validListen reports whether s is host:port with a host whose reach is known
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
	raw      rawContact
	rateUnit string // "pps" or "ipm"
	chain    pulse.Setup
}

// profile is the contact's limits, empty when there are none.
func (c *contactDraft) profile() *pulse.Profile {
	return cmp.Or(c.Meter.Limits, &pulse.Profile{})
}

// check reads one contact and reports what in it does not go together.
func (c *contactDraft) check(d *decoder, k *key) {
	before := len(d.mistakes)
	r, m := &c.raw, &c.Meter
	m.Forget, m.Setup, c.Text = true, &c.chain, sourceOf(k.node)
	d.text(&r.Name, &c.Name, wantID, validID)
	d.text(&r.Title, &c.Title, wantText, isText)
	d.source(&r.Source, &c.Source)
	d.text(&r.RecordingContact, &c.Source.RecordingContact, wantText, isText)
	choice(d, &r.Closed, &m.Polarity, pulse.ClosedHigh, pulse.ClosedLow)
	read(d, &r.Bias, &c.Source.Bias, "as-is, pull-up, pull-down or disabled", func(n ast.Node) (b hw.Bias, ok bool) {
		s, _ := textOf(n)
		err := b.UnmarshalText([]byte(s))
		return b, err == nil
	})
	choice(d, &r.Kind, &m.Kind, kinds...)
	times(d, &r.Settle, &m.SettleNS, "10us", "1s", "4ms")
	choice(d, &r.Timing, &m.Timing, pulse.TimingFirst, pulse.TimingSettled)
	d.limits(&r.Limits, &m.Limits)
	read(d, &r.Rate, &c.Rate, "pulses per second or interruptions per minute, such as 10pps or 60ipm", c.rateOf)
	d.count(&r.Lobes, &m.Lobes, "a whole number from 1 to "+strconv.Itoa(maxLobes), maxLobes)
	d.gears(&r.Gears, &m.Drive)
	d.segments(&r.Cadence, &m.CadenceNS, "a list of times", func(k *key, ns *int64) { times(d, k, ns, "1ms", "1h", "400ms") })
	m.CodingSet = r.Coding.given()
	choice(d, &r.Coding, &m.Coding, codings...)
	var b rawPulse
	if d.complete(&r.Pulse, "min, max or both", &b) {
		times(d, &b.Min, &m.PulseMinNS, "1ms", "1h", "10ms")
		times(d, &b.Max, &m.PulseMaxNS, "1ms", "1h", "200ms")
		r.Pulse.bad = b.Min.bad || b.Max.bad
	}
	times(d, &r.TrainGap, &m.TrainGapNS, "1ms", "1h", "150ms")
	times(d, &r.FlashMax, &m.FlashMaxNS, "1ms", "1h", "1500ms")
	times(d, &r.StuckAfter, &c.StuckAfter, "1s", "365d", "5min")
	c.checkChain(d)
	d.text(&r.Against, &c.Against, wantID, validID)
	d.texts(&r.Notes, &c.Notes)

	c.checkKind(d, k)
	c.checkSource(d)
	c.checkCadence(d)
	c.checkGears(d)
	c.checkSettle(d)
	p := c.profile()
	d.checkReadings(&r.Pulse, &r.FlashMax, readings{
		cmp.Or(m.PulseMinNS, p.PulseMinNS, pulse.DefaultPulseMinNS), cmp.Or(m.PulseMaxNS, p.PulseMaxNS, pulse.DefaultPulseMaxNS),
		cmp.Or(m.FlashMaxNS, p.FlashMaxNS, pulse.DefaultFlashMaxNS),
	}, "", duration.Format)
	if len(d.mistakes) == before {
		if _, err := pulse.NewMeter(*m); err != nil {
			d.reject(k, err.Error(), "a contact that can be measured")
		}
	}
}

// checkChain reads what is known of the measuring chain over the defaults.
func (c *contactDraft) checkChain(d *decoder) {
	var r rawChain
	if !d.complete(&c.raw.Chain, "edge_noise, asymmetry, asymmetry_u, clock_error and where they come from", &r) {
		return
	}
	s, from := &c.chain, "given"
	var noise, asymmetry, u time.Duration
	times(d, &r.EdgeNoise, &noise, "0us", "10ms", "20us")
	times(d, &r.Asymmetry, &asymmetry, "-5ms", "5ms", "-12us")
	times(d, &r.AsymmetryU, &u, "0us", "5ms", "58us")
	read(d, &r.ClockError, &s.ClockRel, "a relative error from 0ppm to 1%, in ppm, ppb or %, such as 50ppm", relativeOf)
	d.text(&r.From, &from, wantText, isText)
	c.OwnNoise, c.OwnAsymmetry = r.EdgeNoise.given(), r.Asymmetry.given() || r.AsymmetryU.given()
	s.AsymmetryNS = float64(asymmetry)
	if r.EdgeNoise.given() {
		s.EdgeNoiseNS, s.EdgeNoiseFrom = float64(noise), from
	}
	if r.AsymmetryU.given() {
		s.AsymmetryUNS, s.AsymmetryFrom = float64(u), from
	}
	if r.ClockError.given() {
		s.ClockFrom = pulse.ClockFrom{Given: from}
	}
}

// sourceOf gives a node as YAML of its own, without the indentation that it
// has in the file.
func sourceOf(n ast.Node) string {
	_, column := position(n)
	return strings.ReplaceAll(strings.TrimSpace(n.String()), "\n"+strings.Repeat(" ", column-1), "\n")
}

// checkKind takes the kind from the limits when it is not given, and reports
// keys of the other kind.
func (c *contactDraft) checkKind(d *decoder, k *key) {
	r, m, p := &c.raw, &c.Meter, c.profile()
	why := ""
	switch {
	case r.Kind.given() && !r.Kind.good(), r.Limits.given() && !r.Limits.good() && !r.Kind.given():
		return
	case !r.Kind.given() && !r.Limits.given():
		d.report(k.node, join(k.path, "kind"), "missing", "dial or interrupter, or limits that tell it")
		return
	case !r.Kind.given():
		m.Kind, why = p.Kind, ", which the limits "+p.ID+" are for"
	case p.Kind != pulse.KindAuto && m.Kind != p.Kind:
		d.reject(&r.Kind, m.Kind.String()+", but the limits "+p.ID+" are for kind "+p.Kind.String(), p.Kind.String()+", or other limits")
		return
	}
	unit, other, others := "pps", pulse.KindInterrupter, []*key{&r.Lobes, &r.Gears, &r.Cadence}
	if m.Kind == pulse.KindInterrupter {
		unit, other, others = "ipm", pulse.KindDial, []*key{&r.Coding, &r.Pulse, &r.TrainGap, &r.FlashMax}
	}
	d.forbid("not for kind "+m.Kind.String()+why, "it with kind "+other.String()+" only", others...)
	switch {
	case !r.Rate.good():
	case unit != c.rateUnit:
		d.reject(&r.Rate, "a rate in "+c.rateUnit+" for a contact of kind "+m.Kind.String(), "a rate in "+unit)
	case m.Kind == pulse.KindInterrupter:
		m.PeriodNS = int64(math.Round(60e9 / c.Rate))
	}
}

// checkSource reports keys that the contact's source has no use for.
func (c *contactDraft) checkSource(d *decoder) {
	r, s := &c.raw, &c.Source
	// A value that is no text has no kind, and a word that does not look like the
	// name of a file may be meant for a line.
	if !r.Source.good() && !strings.ContainsAny(s.Text, ":./") {
		return
	}
	if s.Kind != SourceGPIO {
		d.forbid("not for "+quote(s.Text), "it with a gpio: line only", &r.Bias)
	}
	if s.Kind != SourceRecording {
		d.forbid("not for "+quote(s.Text), "it with a recording only", &r.RecordingContact)
	} else if r.Source.good() && !r.RecordingContact.bad {
		c.checkRecording(d)
	}
}

// checkRecording reports why a recording that exists cannot be played back, as
// far as its header and its first edges show.
func (c *contactDraft) checkRecording(d *decoder) {
	r, s := &c.raw, &c.Source
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
	if err == nil {
		if s.RecordingContact == "" && len(contacts) > 1 {
			d.reject(&r.Source, quote(s.Text)+": several contacts", "recording_contact with one of "+strings.Join(contacts, ", "))
		}
		return
	}
	k := &r.Source
	if s.RecordingContact != "" {
		if _, alone := try(""); alone == nil || alone.Error() != err.Error() {
			k = &r.RecordingContact
		}
	}
	where := quote(s.Text)
	if err.Line > 0 {
		where += ", line " + strconv.Itoa(err.Line)
	}
	d.reject(k, where+": "+err.Msg, strings.ReplaceAll(cmp.Or(err.Expected, "a recording of the contact"), "--contact", "recording_contact"))
}

// checkCadence reports what does not go with the contact's own cadence or that
// of its limits.
func (c *contactDraft) checkCadence(d *decoder) {
	r, p := &c.raw, c.profile()
	own, cadence, of := r.Cadence.good(), p.CadenceNS, "limits "+p.ID
	if own {
		cadence, of = c.Meter.CadenceNS, "cadence"
	}
	if r.Lobes.good() && len(cadence) > 2 {
		d.reject(&r.Lobes, fmt.Sprintf("given for a cadence of %d segments (%s)", len(cadence), of), "lobes of a plain interrupter only")
	}
	if r.Rate.good() && c.Meter.PeriodNS > 0 && (own || len(cadence) > 2) {
		d.reject(&r.Rate, "given beside a cadence ("+of+"), which tells the period", "one of the two")
	}
	if !own {
		return
	}
	for _, l := range p.Limits {
		if l.Segment > len(cadence) {
			d.reject(&r.Cadence, fmt.Sprintf("%d segments, but the limits %s bound segment %d", len(cadence), p.ID, l.Segment),
				"a cadence that the limits are for")
			return
		}
	}
}

// checkSettle reports a settling time that would hide what is to be measured,
// and a train gap that bounce would outlast.
func (c *contactDraft) checkSettle(d *decoder) {
	m, p := &c.Meter, c.profile()
	settle := cmp.Or(m.SettleNS, pulse.DefaultSettleNS)
	if c.raw.TrainGap.good() && !c.raw.Settle.bad && m.Kind == pulse.KindDial && m.TrainGapNS <= settle {
		d.reject(&c.raw.TrainGap, duration.Format(m.TrainGapNS)+" is not above settle "+duration.Format(settle), "a time longer than every make inside a train")
		return
	}
	if !c.raw.Settle.good() {
		return
	}
	longest, of := int64(math.MaxInt64), ""
	bound := func(ns int64, what string) {
		if ns > 0 && ns < longest {
			longest, of = ns, what
		}
	}
	switch m.Kind {
	case pulse.KindDial:
		bound(cmp.Or(m.PulseMaxNS, p.PulseMaxNS, pulse.DefaultPulseMaxNS), "longest pulse")
		bound(cmp.Or(m.TrainGapNS, p.TrainGapNS, pulse.DefaultTrainGapNS), "train gap")
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
		d.reject(&c.raw.Settle, duration.Format(m.SettleNS)+" is not below the "+of+" "+duration.Format(longest), "a time that every make and break outlasts")
	}
}

// checkAgainst reports a second contact that the file has not, that is the contact
// itself, or that is of another kind.
func (c *contactDraft) checkAgainst(d *decoder, all []*contactDraft) {
	k := &c.raw.Against
	if !k.good() {
		return
	}
	const want = "the name of another contact of the same kind"
	if c.raw.Name.good() && c.Against == c.Name {
		d.reject(k, quote(c.Against)+" is the contact itself", want)
		return
	}
	var names []string
	for _, o := range all {
		switch {
		case !o.raw.Name.good() || o == c:
			continue
		case o.Name != c.Against:
			names = append(names, o.Name)
			continue
		case o.Meter.Kind != c.Meter.Kind && o.Meter.Kind != pulse.KindAuto && c.Meter.Kind != pulse.KindAuto:
			d.reject(k, quote(c.Against)+" is of kind "+o.Meter.Kind.String()+", and "+quote(c.Name)+" of kind "+c.Meter.Kind.String(), want)
		}
		return
	}
	what := "no contact " + quote(c.Against)
	if others := near(c.Against, names); len(others) > 0 {
		what += ", near to " + strings.Join(others, ", ")
	}
	d.reject(k, what, want)
}

// checkUnique reports a name or a line that an earlier contact has; seen holds
// where.
func (c *contactDraft) checkUnique(d *decoder, seen map[string]string) {
	once := func(k *key, id, what, want string) {
		if first, ok := seen[id]; ok {
			d.reject(k, what+" is that of "+first, want)
			return
		}
		seen[id] = k.path
	}
	r, s := &c.raw, &c.Source
	if r.Name.good() {
		once(&r.Name, "name "+c.Name, quote(c.Name), "another name")
	}
	if r.Source.good() && s.Kind == SourceGPIO {
		once(&r.Source, "line "+s.Line, quote(s.Text), "another source")
	}
}

// percentSign is a value in percent with its sign.
var percentSign = regexp.MustCompile(`\d%`)

// ParseSim reads the description of a simulated contact.
func ParseSim(description string) (*synth.Spec, error) {
	return parseSim(synth.Parse, description)
}

// ParseSimEndless does so for a contact that goes on without end where the
// description does not say how long.
func ParseSimEndless(description string) (*synth.Spec, error) {
	return parseSim(synth.ParseEndless, description)
}

func parseSim(parse func(string) (*synth.Spec, error), description string) (*synth.Spec, error) {
	spec, err := parse(description)
	if err != nil && percentSign.MatchString(description) {
		err = fmt.Errorf("%w; a percentage is written without %%, such as break=66", err)
	}
	return spec, err
}

func (d *decoder) source(k *key, dst *Source) {
	const want = "gpio:LINE, the name of a recording, or sim:DESCRIPTION"
	d.text(k, &dst.Text, want, func(s string) bool { return isPrintable(s, maxSource) })
	if !k.good() {
		return
	}
	s := dst.Text
	if line, ok := strings.CutPrefix(s, "gpio:"); ok {
		dst.Kind, dst.Line = SourceGPIO, line
		if strings.TrimSpace(line) != line || line == "" {
			d.reject(k, quote(s), "gpio: and the name of a line, such as gpio:GPIO17, gpio:P1_11 or gpio:gpiochip0:17")
		}
		return
	}
	if description, ok := strings.CutPrefix(s, "sim:"); ok {
		var err error
		dst.Kind = SourceSim
		if dst.Sim, err = ParseSim(description); err != nil {
			what, want, _ := strings.Cut(err.Error(), ": expected ")
			d.reject(k, quote(s)+": "+what, cmp.Or(want, "a description as makebreak sim takes it"))
		}
		return
	}
	dst.Kind, dst.Recording = SourceRecording, d.inDir(s)
	info, err := os.Stat(dst.Recording)
	if err == nil && !info.Mode().IsRegular() {
		err = errors.New("not a file")
	}
	if err != nil {
		d.reject(k, quote(s)+": "+reason(err), want)
	}
}

const wantProfileName = "the id of a bundled limits profile, or the name of a file of one's own that ends in .yaml"

func (d *decoder) limits(k *key, dst **pulse.Profile) {
	var name string
	d.text(k, &name, wantProfileName, isText)
	if !k.good() {
		return
	}
	p, known := d.profiles[name]
	if !known {
		p = d.namedProfile(k, name)
		d.profiles[name] = p
		if now := Renamed(name); now != "" && p != nil {
			d.renamed = append(d.renamed, now)
		}
	} else if p == nil {
		d.reject(k, quote(name)+" has mistakes or cannot be read, as told above", wantProfileName)
	}
	*dst = p
}

// namedProfile reads the limits that a contact names, or reports why it cannot.
func (d *decoder) namedProfile(k *key, name string) *pulse.Profile {
	if isPath(name) {
		p, err := profileFile(d.inDir(name))
		var cannot *os.PathError
		switch {
		case errors.As(err, &cannot):
			d.reject(k, quote(name)+": "+cannot.Err.Error(), wantProfileName)
		case err != nil:
			d.reject(k, quote(name)+" has mistakes, told below", "a limits profile without mistakes")
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
	d.reject(k, what, wantProfileName+`; "makebreak limits" lists the bundled ones`)
	return nil
}

// reason is why a file cannot be used, without the name of the file.
func reason(err error) string {
	var p *os.PathError
	if errors.As(err, &p) {
		err = p.Err
	}
	return err.Error()
}

// path reads the name of a file, relative to the folder of the configuration.
func (d *decoder) path(k *key, dst *string, want string) {
	d.text(k, dst, want, isText)
	if k.good() {
		*dst = d.inDir(*dst)
	}
}

func (d *decoder) inDir(name string) string {
	if filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(d.dir, name)
}

func (d *decoder) boolean(k *key, dst *bool) {
	read(d, k, dst, "true or false", func(n ast.Node) (bool, bool) {
		b, ok := n.(*ast.BoolNode)
		return ok && b.Value, ok
	})
}

var amount = regexp.MustCompile(`^(-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?)([A-Za-zµ%]+)$`)

// measure reads a number with a unit, and multiplies it by the unit's factor.
func measure(n ast.Node, units map[string]float64) (x float64, unit string, ok bool) {
	s, _ := textOf(n)
	m := amount.FindStringSubmatch(s)
	if m == nil {
		return 0, "", false
	}
	scale, known := units[m[2]]
	x, err := strconv.ParseFloat(m[1], 64)
	return x * scale, m[2], known && err == nil
}

func (c *contactDraft) rateOf(n ast.Node) (float64, bool) {
	x, unit, ok := measure(n, map[string]float64{"pps": 1, "ipm": 1})
	c.rateUnit = unit
	return x, ok && (unit == "pps" && x >= 0.5 && x <= 100 || unit == "ipm" && x >= 0.01 && x <= 6000)
}

func relativeOf(n ast.Node) (float64, bool) {
	x, _, ok := measure(n, map[string]float64{"ppm": 1e-6, "ppb": 1e-9, "%": 1e-2})
	return x, ok && x >= 0 && x <= 0.01
}

func sizeOf(n ast.Node) (int64, bool) {
	x, _, ok := measure(n, map[string]float64{"MB": 1e6, "GB": 1e9, "TB": 1e12, "MiB": 1 << 20, "GiB": 1 << 30, "TiB": 1 << 40})
	return int64(x), ok && x >= 10e6 && x <= 100e12
}

// times reads a length of time from lo to hi.
func times[T ~int64](d *decoder, k *key, dst *T, lo, hi, example string) {
	want := "a time from " + lo + " to " + hi + " with its unit (us, ms, s, min, h or d), such as " + example
	read(d, k, dst, want, func(n ast.Node) (T, bool) {
		s, isText := textOf(n)
		if _, isNumber := n.(*ast.IntegerNode); isNumber { // 0
			s, isText = n.GetToken().Value, true
		}
		ns, err := duration.Parse(s)
		return T(ns), isText && err == nil && ns >= bound(lo) && ns <= bound(hi)
	})
}

// bound reads a bound that is written in this file.
func bound(s string) int64 {
	ns, err := duration.Parse(s)
	if err != nil {
		panic(err)
	}
	return ns
}

// IsContactName tells whether a contact may have that name.
func IsContactName(name string) bool { return validID(name) }
