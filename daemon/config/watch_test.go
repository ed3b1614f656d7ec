package config

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"makebreak/configs"
	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

// users is a web configuration with a password; the hash was made with bcrypt
// for "marrow", cost 4.
const users = "basic_auth_users: {reader: $2y$04$f/vP3R7gXzJjp3p6HchDUubi9WyWoJKCsbKEmR7dSDYQGsMQ4VqAu}\n"

// pair is a self-signed certificate with its key.
var pair = sync.OnceValue(func() string {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		panic(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true}
	cert, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		panic(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		panic(err)
	}
	return string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: cert})) + string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}))
})

// folder makes a folder with the files that configurations here name, and
// goes there.
func folder(t testing.TB) {
	dir := t.TempDir()
	for name, text := range map[string]string{
		"web.yaml":        users,
		"open.yaml":       "http_server_config: {http2: false}\n",
		"broken.yaml":     "basic_auth_users: hunter2-is-secret\n",
		"recordings.csv":  "time_ns,level,contact\n0,0,generator-b\n",
		"alone.csv":       "time_ns,level\n0,0\n",
		"two.csv":         "time_ns,level,contact\n0,0,a\n1,0,b\n",
		"none.csv":        "time_ns,level\n",
		"no.csv":          "when,what\n",
		"top.vcd":         "$timescale 1 ns $end $scope module top $end $var wire 1 ! ring $end $var wire 1 + busy $end $upscope $end $enddefinitions $end #5 1! 0+ #9 0! 1+\n",
		"own.yaml":        mq,
		"mistaken.yaml":   strings.Replace(strings.Replace(mq, "min: 60", "min: 600", 1), "use: sending", "use: sendin", 1),
		"cadence-4.yaml":  "id: mq-4\ntitle: Ring\nuse: cadence\nkind: interrupter\ncadence_ms: [400, 200, 400, 2000]\nlimits: [{quantity: segment_ms, segment: 3, min: 300, source: sheet 4, seen: own}]\n",
		"cadence-2.yaml":  "id: mq-2\ntitle: Busy\nuse: cadence\nkind: interrupter\ncadence_ms: [375, 375]\nno_tolerance: {source: sheet 4, seen: own}\n",
		"sub/nothing.txt": "",
		"pair.pem":        pair(),
		"tls.yaml":        "tls_server_config: {cert_file: pair.pem, key_file: pair.pem}\n",
		"any.yaml":        "tls_server_config: {cert_file: pair.pem, key_file: pair.pem, client_auth_type: RequireAnyClientCert}\n",
		"noca.yaml":       "tls_server_config: {cert_file: pair.pem, key_file: pair.pem, client_auth_type: RequireAndVerifyClientCert}\n",
		"emptyca.yaml":    "tls_server_config: {cert_file: pair.pem, key_file: pair.pem, client_auth_type: RequireAndVerifyClientCert, client_ca_file: none.csv}\n",
		"ca.yaml":         "tls_server_config: {cert_file: pair.pem, key_file: pair.pem, client_auth_type: RequireAndVerifyClientCert, client_ca_file: pair.pem}\n",
	} {
		path := filepath.Join(dir, name)
		os.MkdirAll(filepath.Dir(path), 0o700)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if t, ok := t.(*testing.T); ok {
		t.Chdir(dir)
	}
}

var switchedOff = regexp.MustCompile(`(?m)^#((?: {2,}(?:- )?)?[a-z_]+:)`)

// The reference configuration is right as it stands, and with all that is
// switched off switched on. No key is missing in it.
func TestReferenceConfiguration(t *testing.T) {
	folder(t)
	for name, text := range map[string]string{
		"as it stands": configs.Watch,
		"all on":       switchedOff.ReplaceAllString(configs.Watch, "$1"),
	} {
		if err := os.WriteFile("watch.yaml", []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		w, err := LoadWatch("watch.yaml")
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		off := 0
		if name == "as it stands" {
			off = 1
		}
		if len(w.Contacts) != 5-off || (w.WebConfig == "") != (off == 1) {
			t.Errorf("%s: %d contacts, web_config %q", name, len(w.Contacts), w.WebConfig)
		}
		for _, c := range w.Contacts {
			if _, err := pulse.NewMeter(c.Meter); err != nil {
				t.Errorf("%s: %s: %v", name, c.Name, err)
			}
		}
	}
	for _, raw := range []any{&rawWatch{}, &rawStore{}, &rawContact{}, &rawPulse{}, &rawChain{}, &rawDrive{}, &rawMotor{}, &rawShaft{}, &rawCam{}} {
		_, names, _ := fields(raw)
		for _, name := range names {
			if !regexp.MustCompile(`(?m)^#?[ {-]*([a-z_]+: \{)?([a-z]+: [0-9a-z]+, )?` + name + ":").MatchString(configs.Watch) {
				t.Errorf("the reference has no key %s", name)
			}
		}
	}
}

// The first configuration is right as it stands, and with its listening address and
// its passwords switched on.
func TestFirstConfiguration(t *testing.T) {
	data, err := os.ReadFile("../../configs/first-watch.yaml")
	if err != nil {
		t.Fatal(err)
	}
	folder(t)
	isWeb := regexp.MustCompile(`(?m)^#(listen|web_config):`)
	for text, want := range map[string]string{
		string(data): "",
		strings.Replace(isWeb.ReplaceAllString(string(data), "$1:"), "listen: 127.0.0.1:", "listen: 0.0.0.0:", 1): "web.yaml",
	} {
		text = strings.Replace(text, "/var/lib/makebreak/", "", 1) // a folder of the package's
		if err := os.WriteFile("watch.yaml", []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		w, err := LoadWatch("watch.yaml")
		if err != nil {
			t.Fatal(err)
		}
		listen := "127.0.0.1:7610"
		if want != "" {
			listen = "0.0.0.0:7610"
		}
		if len(w.Contacts) != 1 || filepath.Base(w.WebConfig) != filepath.Base(want) || w.Listen != listen {
			t.Errorf("%d contacts, web_config %q, listen %q", len(w.Contacts), w.WebConfig, w.Listen)
		}
	}
}

// The name of the store's file may stand for the mapping, and times are written in
// one syntax.
func TestWatchStoreName(t *testing.T) {
	folder(t)
	const rest = "\ncontacts: [{name: a, source: gpio:GPIO17, kind: dial}]\n"
	short, err := parseWatch("w.yaml", []byte("site: x\nwindow: 10m\nstore: log.db"+rest), nil)
	if err != nil {
		t.Fatal(err)
	}
	long, err := parseWatch("w.yaml", []byte("site: x\nwindow: 10min\nstore: {path: log.db, keep_raw: 90d, max_size: 1GB}"+rest), nil)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(long, short); diff != "" || short.Store.Path != "log.db" {
		t.Error(short.Store.Path, diff)
	}
}

// The values that the reference's comments call defaults are those in force.
func TestWatchDefaults(t *testing.T) {
	folder(t)
	w, err := parseWatch("w.yaml", []byte("site: Marrow Quay\nstore: {path: log.db}\ncontacts: [{name: a, source: gpio:GPIO17, kind: dial}]\n"), nil)
	if err != nil {
		t.Fatal(err)
	}
	setup := pulse.DefaultSetup()
	want := &Watch{
		Site: "Marrow Quay", Store: Store{"log.db", 90 * 24 * time.Hour, 1e9}, Listen: "127.0.0.1:7610", Window: 10 * time.Minute,
		Contacts: []Contact{{
			Name:   "a",
			Source: Source{Kind: SourceGPIO, Text: "gpio:GPIO17", Line: "GPIO17", Bias: hw.BiasAsIs},
			Meter:  pulse.Config{Kind: pulse.KindDial, Setup: &setup, Forget: true},
			Text:   "{name: a, source: gpio:GPIO17, kind: dial}",
		}},
	}
	if diff := cmp.Diff(want, w); diff != "" {
		t.Error(diff)
	}
}

func TestWatchValues(t *testing.T) {
	folder(t)
	path := filepath.Join("sub", "w.yaml")
	text := `site: "Marrow Quay: upper floor"
store: {path: /var/log.db, keep_raw: 1.5d, max_size: 64MiB}
listen: "[::1]:0"
web_config: ../web.yaml
listen_unprotected: true
pprof: true
window: 90min
calibrations: ../cal
contacts:
  - name: generator-a
    title: Generator A
    bias: pull-up       # before the source
    source: gpio:pinctrl-rp1:GPIO17
    closed: low
    settle: 2.5ms
    timing: settled
    limits: ../own.yaml
    rate: 9.5pps
    coding: n+1
    pulse: {min: 20ms, max: 0.1s}
    train_gap: 110ms
    flash_max: 900ms
    stuck_after: 2d
    chain: {edge_noise: 0us, asymmetry: -12.5us, asymmetry_u: 3µs, clock_error: 20ppb, from: loopback calibration}
    notes: [one, two]
  - {name: ring, source: ../top.vcd, recording_contact: top.ring, kind: interrupter, cadence: [400ms, 200ms, 400ms, 2s]}
  - {name: cam, source: "sim:cam,ipm=60,lobes=5", limits: us-fcc-busy, rate: 60ipm, lobes: 5, chain: {clock_error: 0.1%, asymmetry: 7ns}}
`
	w, err := parseWatch(path, []byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	busy, err := Profile("us-fcc-busy")
	if err != nil {
		t.Fatal(err)
	}
	spec, err := synth.Parse("cam,ipm=60,lobes=5")
	if err != nil {
		t.Fatal(err)
	}
	plain, rough, fine := pulse.DefaultSetup(), pulse.DefaultSetup(), pulse.DefaultSetup()
	rough.ClockRel, rough.ClockFrom, rough.AsymmetryNS = 1e-3, pulse.ClockFrom{Given: "given"}, 7
	const from = "loopback calibration"
	fine.EdgeNoiseNS, fine.EdgeNoiseFrom, fine.AsymmetryNS, fine.AsymmetryUNS, fine.AsymmetryFrom, fine.ClockRel, fine.ClockFrom = 0, from, -12500, 3000, from, 2e-8, pulse.ClockFrom{Given: from}
	want := &Watch{
		Site: "Marrow Quay: upper floor", Store: Store{"/var/log.db", 36 * time.Hour, 64 << 20},
		Listen: "[::1]:0", ListenUnprotected: true, WebConfig: "web.yaml", Protection: Protection{Passwords: true}, Pprof: true, Window: 90 * time.Minute, Calibrations: "cal",
		Contacts: []Contact{
			{
				Name: "generator-a", Title: "Generator A", Notes: []string{"one", "two"}, Rate: 9.5, StuckAfter: 48 * time.Hour, OwnNoise: true, OwnAsymmetry: true,
				Source: Source{Kind: SourceGPIO, Text: "gpio:pinctrl-rp1:GPIO17", Line: "pinctrl-rp1:GPIO17", Bias: hw.BiasPullUp},
				Meter: pulse.Config{
					Kind: pulse.KindDial, Polarity: pulse.ClosedLow, SettleNS: 2.5e6, Timing: pulse.TimingSettled, Limits: mqProfile(),
					Coding: pulse.CodingNPlus1, CodingSet: true, PulseMinNS: 20e6, PulseMaxNS: 100e6, TrainGapNS: 110e6, FlashMaxNS: 900e6,
					Setup: &fine, Forget: true,
				},
			},
			{
				Name: "ring", Source: Source{Kind: SourceRecording, Text: "../top.vcd", Recording: "top.vcd", RecordingContact: "top.ring"},
				Meter: pulse.Config{Kind: pulse.KindInterrupter, CadenceNS: []int64{400e6, 200e6, 400e6, 2000e6}, Setup: &plain, Forget: true},
			},
			{
				Name: "cam", Rate: 60, OwnAsymmetry: true, Source: Source{Kind: SourceSim, Text: "sim:cam,ipm=60,lobes=5", Sim: spec},
				Meter: pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 1e9, Lobes: 5, Limits: busy, Setup: &rough, Forget: true},
			},
		},
	}
	if diff := cmp.Diff(want, w, cmpopts.IgnoreFields(Contact{}, "Text")); diff != "" {
		t.Error(diff)
	}
	// The text of a contact is YAML that says the same.
	for _, c := range w.Contacts {
		indented := "  - " + strings.ReplaceAll(strings.TrimSpace(c.Text), "\n", "\n    ")
		again, err := parseWatch(path, []byte("site: x\nstore: {path: y}\ncontacts:\n"+indented+"\n"), nil)
		if err != nil {
			t.Errorf("%v\n%s", err, indented)
			continue
		}
		if !again.Contacts[0].SameReading(c) {
			t.Errorf("another contact from\n%s", indented)
		}
	}
}

// A time may be written here as in a flag and in a description.
func TestWatchTimes(t *testing.T) {
	folder(t)
	for text, want := range map[string]time.Duration{
		"90min": 90 * time.Minute, "90m": 90 * time.Minute, "1h30m": 90 * time.Minute, "+.5h": 30 * time.Minute,
		"0010m": 10 * time.Minute, "60000000µs": time.Minute, "7d": 168 * time.Hour, "59999999999.5ns": time.Minute,
	} {
		w, err := parseWatch("w.yaml", []byte("window: "+text+"\n"+wHead+wContact+", chain: {edge_noise: 0}}]\n"), nil)
		if err != nil {
			t.Errorf("%s: %v", text, err)
			continue
		}
		if w.Window != want || w.Contacts[0].Meter.Setup.EdgeNoiseNS != 0 || !w.Contacts[0].OwnNoise {
			t.Errorf("%s: %v, %+v", text, w.Window, w.Contacts[0])
		}
	}
}

func TestSameReading(t *testing.T) {
	folder(t)
	contact := func(keys string) Contact {
		t.Helper()
		w, err := parseWatch("w.yaml", []byte("site: x\nstore: {path: y}\ncontacts:\n  - {"+keys+"}\n"), nil)
		if err != nil {
			t.Fatal(err)
		}
		return w.Contacts[0]
	}
	a := contact("name: a, source: gpio:X, limits: own.yaml")
	for keys, want := range map[string]bool{
		"name: a, source: gpio:X, limits: own.yaml, title: T, notes: [n], stuck_after: 1min": true,
		"source: gpio:X, limits: ./own.yaml, name: a":                                        true,
		"name: b, source: gpio:X, limits: own.yaml":                                          false,
		"name: a, source: gpio:Y, limits: own.yaml":                                          false,
		"name: a, source: gpio:X, limits: own.yaml, bias: pull-up":                           false,
		"name: a, source: gpio:X, limits: au-s002-dial":                                      false,
		"name: a, source: gpio:X, limits: own.yaml, settle: 5ms":                             false,
		"name: a, source: gpio:X, limits: own.yaml, chain: {edge_noise: 1us}":                false,
		"name: a, source: gpio:X, limits: own.yaml, rate: 10pps":                             false,
	} {
		if got := a.SameReading(contact(keys)); got != want {
			t.Errorf("%s: %v", keys, got)
		}
	}
	if a.Text == "" || a.Source.Text == "" {
		t.Error("comparing changed the contact")
	}
}

const (
	wHead      = "site: x\nstore: {path: y}\n"
	wContact   = "contacts: [{name: a, source: gpio:X, kind: dial"
	aTime      = "with its unit (us, ms, s, min, h or d), such as "
	aLimit     = `expected the id of a bundled limits profile, or the name of a file of one's own that ends in .yaml; "makebreak limits" lists the bundled ones`
	someSource = "expected gpio:LINE, the name of a recording, or sim:DESCRIPTION"
	anOpen     = "is open to other computers, for anyone to read the site's figures and to load this one"
	aGuard     = "expected a loopback address, or web_config with passwords or with clients' certificates, or listen_unprotected: true"
	aListen    = "expected an IP address or localhost, and a port, such as 127.0.0.1:7610"
	aWeb       = "expected the name of a web configuration file, with TLS, passwords or both"
)

// watchMistakes hold what is told of each; every line stands behind "w.yaml:".
var watchMistakes = []struct{ name, text, want string }{
	{"nothing", "# nothing\n", "1:1: nothing in the file: expected a watch configuration"},
	{"no keys of it", "[1]\n", "1:1: a list: expected the keys of a watch configuration"},
	{"all required keys missing", "pprof: true\n",
		"1:1: key site: missing: expected text on one line, at most 500 letters, in quotes where it looks like a number\n" +
			"1:1: key store: missing: expected the name of a file, or path and perhaps keep_raw and max_size\n" +
			"1:1: key contacts: missing: expected a list of 1 to 256 contacts"},
	{"a store that is no name", "site: x\nstore: 7\n" + wContact + "}]\n", "2:8: key store: the number 7: expected the name of a file, or path and perhaps keep_raw and max_size"},
	{"unknown keys at each depth", "site: x\nsight: y\nstore: {path: y, keep: 1d}\ncontacts: [{name: a, source: gpio:X, kind: dial, limit: 1, pulse: {minimum: 1ms}, chain: {noise: 1us}}]\n",
		"2:1: key sight: unknown: expected one of site, store, listen, web_config, listen_unprotected, pprof, window, calibrations, contacts\n" +
			"3:18: key store.keep: unknown, near to keep_raw: expected one of path, keep_raw, max_size\n" +
			"4:50: key contacts[0].limit: unknown, near to limits: expected one of name, title, source, recording_contact, closed, bias, kind, settle, timing, limits, rate, lobes, gears, cadence, coding, pulse, train_gap, flash_max, stuck_after, chain, against, notes\n" +
			"4:68: key contacts[0].pulse.minimum: unknown: expected one of min, max\n" +
			"4:91: key contacts[0].chain.noise: unknown, near to edge_noise: expected one of edge_noise, asymmetry, asymmetry_u, clock_error, from"},
	{"every value wrong", `site: [x]
store: {path: 7, keep_raw: 10min, max_size: 1MB}
listen: localhost
web_config: nope.yaml
listen_unprotected: yes
pprof: 1
window: 10
contacts:
  - name: Generator A
    title: 7
    source: gpio
    closed: up
    bias: up
    kind: auto
    settle: 4
    timing: last
    limits: au-s002-dail
    rate: 10
    lobes: 0
    cadence: [400, 200ms]
    coding: 1
    pulse: {min: 0ms, max: 2d}
    train_gap: -1ms
    flash_max: 1.5 s
    stuck_after: 10ms
    chain: {edge_noise: 1s, asymmetry: 6ms, asymmetry_u: -1us, clock_error: 50, from: 7}
    notes: one
`,
		"1:7: key site: a list: expected text on one line, at most 500 letters, in quotes where it looks like a number\n" +
			"2:15: key store.path: the number 7: expected the name of a file\n" +
			"2:28: key store.keep_raw: \"10min\": expected a time from 1h to 36500d " + aTime + "90d\n" +
			"2:45: key store.max_size: \"1MB\": expected a size from 10MB to 100TB, such as 1GB\n" +
			"3:9: key listen: \"localhost\": " + aListen + "\n" +
			"4:13: key web_config: stat nope.yaml: no such file or directory: " + aWeb + "\n" +
			"5:21: key listen_unprotected: \"yes\": expected true or false\n" +
			"6:8: key pprof: the number 1: expected true or false\n" +
			"7:9: key window: the number 10: expected a time from 1min to 7d " + aTime + "10min\n" +
			"9:11: key contacts[0].name: \"Generator A\": expected small letters a-z, digits and hyphens, at most 64\n" +
			"10:12: key contacts[0].title: the number 7: expected text on one line, at most 500 letters, in quotes where it looks like a number\n" +
			"11:13: key contacts[0].source: \"gpio\": no such file or directory: " + someSource + "\n" +
			"12:13: key contacts[0].closed: \"up\": expected high or low\n" +
			"13:11: key contacts[0].bias: \"up\": expected as-is, pull-up, pull-down or disabled\n" +
			"14:11: key contacts[0].kind: \"auto\": expected dial or interrupter\n" +
			"15:13: key contacts[0].settle: the number 4: expected a time from 10us to 1s " + aTime + "4ms\n" +
			"16:13: key contacts[0].timing: \"last\": expected first or settled\n" +
			"17:13: key contacts[0].limits: \"au-s002-dail\" is unknown, near to au-s002-dial, au-s002-busy, au-s002-intrusion, au-s002-unobtainable, au-s002-ringing-tone: " + aLimit + "\n" +
			"18:11: key contacts[0].rate: the number 10: expected pulses per second or interruptions per minute, such as 10pps or 60ipm\n" +
			"19:12: key contacts[0].lobes: the number 0: expected a whole number from 1 to 64\n" +
			"20:15: key contacts[0].cadence[0]: the number 400: expected a time from 1ms to 1h " + aTime + "400ms\n" +
			"21:13: key contacts[0].coding: the number 1: expected normal, n+1 or 10-n\n" +
			"22:18: key contacts[0].pulse.min: \"0ms\": expected a time from 1ms to 1h " + aTime + "10ms\n" +
			"22:28: key contacts[0].pulse.max: \"2d\": expected a time from 1ms to 1h " + aTime + "200ms\n" +
			"23:16: key contacts[0].train_gap: \"-1ms\": expected a time from 1ms to 1h " + aTime + "150ms\n" +
			"24:16: key contacts[0].flash_max: \"1.5 s\": expected a time from 1ms to 1h " + aTime + "1500ms\n" +
			"25:18: key contacts[0].stuck_after: \"10ms\": expected a time from 1s to 365d " + aTime + "5min\n" +
			"26:25: key contacts[0].chain.edge_noise: \"1s\": expected a time from 0us to 10ms " + aTime + "20us\n" +
			"26:40: key contacts[0].chain.asymmetry: \"6ms\": expected a time from -5ms to 5ms " + aTime + "-12us\n" +
			"26:58: key contacts[0].chain.asymmetry_u: \"-1us\": expected a time from 0us to 5ms " + aTime + "58us\n" +
			"26:77: key contacts[0].chain.clock_error: the number 50: expected a relative error from 0ppm to 1%, in ppm, ppb or %, such as 50ppm\n" +
			"26:87: key contacts[0].chain.from: the number 7: expected text on one line, at most 500 letters, in quotes where it looks like a number\n" +
			"27:12: key contacts[0].notes: \"one\": expected a list of sentences"},
	{"no contacts", wHead + "contacts: []\n", "3:11: key contacts: 0 contacts: expected a list of 1 to 256 contacts"},
	{"too many contacts", wHead + "contacts:\n" + manyContacts(257, ""), "4:3: key contacts: 257 contacts: expected a list of 1 to 256 contacts"},
	{"contact of another sort", wHead + "contacts: [x, {}]\n",
		"3:12: key contacts[0]: \"x\": expected the keys of a contact\n3:15: key contacts[1]: an empty mapping: expected the keys of a contact"},
	{"contact without anything required", wHead + "contacts: [{title: T}]\n",
		"3:12: key contacts[0].name: missing: expected small letters a-z, digits and hyphens, at most 64\n" +
			"3:12: key contacts[0].source: missing: " + someSource + "\n" +
			"3:12: key contacts[0].kind: missing: expected dial or interrupter, or limits that tell it"},
	{"keys without a value", wHead + "contacts:\n  - {name}\n  -\n  - {name: b, source: gpio:X, kind: dial, pulse: , chain: {edge_noise, asymmetry: ~}}\n",
		"4:5: key contacts[0].source: missing: " + someSource + "\n" +
			"4:5: key contacts[0].kind: missing: expected dial or interrupter, or limits that tell it\n" +
			"4:6: key contacts[0].name: nothing: expected small letters a-z, digits and hyphens, at most 64\n" +
			"5:4: key contacts[1]: nothing: expected the keys of a contact\n" +
			"6:43: key contacts[2].pulse: nothing: expected min, max or both\n" +
			"6:60: key contacts[2].chain.edge_noise: nothing: expected a time from 0us to 10ms " + aTime + "20us\n" +
			"6:72: key contacts[2].chain.asymmetry: nothing: expected a time from -5ms to 5ms " + aTime + "-12us"},
	{"names and lines twice", wHead + "contacts:\n  - {name: a, source: gpio:X, kind: dial}\n  - {name: a, source: gpio:X, kind: dial}\n  - {name: a, source: gpio:Y, kind: auto}\n",
		"5:12: key contacts[1].name: \"a\" is that of contacts[0].name: expected another name\n" +
			"5:23: key contacts[1].source: \"gpio:X\" is that of contacts[0].source: expected another source\n" +
			"6:12: key contacts[2].name: \"a\" is that of contacts[0].name: expected another name\n" +
			"6:37: key contacts[2].kind: \"auto\": expected dial or interrupter"},

	{"kind against the limits", wHead + wContact + ", limits: us-fcc-busy}]\n",
		"3:44: key contacts[0].kind: dial, but the limits us-fcc-busy are for kind interrupter: expected interrupter, or other limits"},
	{"keys of the other kind", wHead + "contacts:\n  - {name: a, source: gpio:X, limits: us-fcc-busy, coding: normal, pulse: {min: 9ms}, train_gap: 1s, flash_max: 2s, rate: 10pps}\n  - {name: b, source: gpio:Y, kind: dial, lobes: 5, cadence: [1s, 1s], rate: 60ipm}\n",
		"4:60: key contacts[0].coding: not for kind interrupter, which the limits us-fcc-busy are for: expected it with kind dial only\n" +
			"4:75: key contacts[0].pulse: not for kind interrupter, which the limits us-fcc-busy are for: expected it with kind dial only\n" +
			"4:98: key contacts[0].train_gap: not for kind interrupter, which the limits us-fcc-busy are for: expected it with kind dial only\n" +
			"4:113: key contacts[0].flash_max: not for kind interrupter, which the limits us-fcc-busy are for: expected it with kind dial only\n" +
			"4:123: key contacts[0].rate: a rate in pps for a contact of kind interrupter: expected a rate in ipm\n" +
			"5:50: key contacts[1].lobes: not for kind dial: expected it with kind interrupter only\n" +
			"5:62: key contacts[1].cadence: not for kind dial: expected it with kind interrupter only\n" +
			"5:78: key contacts[1].rate: a rate in ipm for a contact of kind dial: expected a rate in pps"},
	{"lobes and rate of a compound cadence", wHead + "contacts:\n  - {name: a, source: gpio:X, limits: cadence-4.yaml, lobes: 5, rate: 60ipm}\n  - {name: b, source: gpio:Y, kind: interrupter, cadence: [1s, 1s, 1s, 2s], lobes: 2}\n  - {name: c, source: gpio:Z, kind: interrupter, cadence: [1s, 1s], lobes: 2, rate: 30ipm}\n  - {name: d, source: gpio:Q, limits: cadence-2.yaml, lobes: 2, rate: 80ipm}\n",
		"4:62: key contacts[0].lobes: given for a cadence of 4 segments (limits mq-4): expected lobes of a plain interrupter only\n" +
			"4:71: key contacts[0].rate: given beside a cadence (limits mq-4), which tells the period: expected one of the two\n" +
			"5:84: key contacts[1].lobes: given for a cadence of 4 segments (cadence): expected lobes of a plain interrupter only\n" +
			"6:85: key contacts[2].rate: given beside a cadence (cadence), which tells the period: expected one of the two"},
	{"cadences", wHead + "contacts:\n  - {name: a, source: gpio:X, limits: cadence-4.yaml, cadence: [1s, 1s]}\n  - {name: b, source: gpio:Y, kind: interrupter, cadence: [1s, 1s, 1s]}\n",
		"4:64: key contacts[0].cadence: 2 segments, but the limits mq-4 bound segment 3: expected a cadence that the limits are for\n" +
			"5:59: key contacts[1].cadence: 3 segments: expected an even number of them from 2 to 64: make, break, make, break …"},
	{"thresholds", wHead + "contacts:\n  - {name: a, source: gpio:X, kind: dial, pulse: {min: 200ms}}\n  - {name: b, source: gpio:Y, kind: dial, pulse: {max: 1.6s}}\n  - {name: c, source: gpio:Z, kind: dial, flash_max: 200ms}\n  - {name: d, source: gpio:Q, limits: own.yaml, pulse: {min: 160ms}}\n",
		"4:50: key contacts[0].pulse: min 200ms is not below max 200ms: expected min below max\n" +
			"5:50: key contacts[1].pulse: flash_max 1500ms is not above pulse.max 1600ms: expected flash_max above pulse.max\n" +
			"6:54: key contacts[2].flash_max: flash_max 200ms is not above pulse.max 200ms: expected flash_max above pulse.max\n" +
			"7:56: key contacts[3].pulse: min 160ms is not below max 150ms: expected min below max"},
	{"thresholds with a mistake", wHead + "contacts:\n  - {name: a, source: gpio:X, kind: dial, pulse: {min: 250ms, max: x}}\n",
		"4:68: key contacts[0].pulse.max: \"x\": expected a time from 1ms to 1h " + aTime + "200ms"},
	{"settling too long", wHead + "contacts:\n  - {name: a, source: gpio:X, kind: dial, settle: 200ms}\n  - {name: b, source: gpio:Y, limits: cadence-2.yaml, settle: 375ms}\n  - {name: c, source: gpio:Z, kind: interrupter, rate: 6000ipm, settle: 10ms}\n",
		"4:51: key contacts[0].settle: 200ms is not below the train gap 150ms: expected a time that every make and break outlasts\n" +
			"5:63: key contacts[1].settle: 375ms is not below the shortest segment 375ms: expected a time that every make and break outlasts\n" +
			"6:73: key contacts[2].settle: 10ms is not below the period 10ms: expected a time that every make and break outlasts"},

	{"train gap inside the settling", wHead + "contacts:\n  - {name: a, source: gpio:X, kind: dial, train_gap: 1ms}\n  - {name: b, source: gpio:Y, kind: dial, settle: 20ms, train_gap: 20ms}\n  - {name: c, source: gpio:Z, kind: dial, settle: 150ms}\n",
		"4:54: key contacts[0].train_gap: 1ms is not above settle 4ms: expected a time longer than every make inside a train\n" +
			"5:68: key contacts[1].train_gap: 20ms is not above settle 20ms: expected a time longer than every make inside a train\n" +
			"6:51: key contacts[2].settle: 150ms is not below the train gap 150ms: expected a time that every make and break outlasts"},
	{"an open quote", "site: \"Marrow Quay\nstore: {path: y}\n" + wContact + "}]\n",
		"1:7: a quote that its line does not close: expected one at the end of the text"},
	{"an open quote that another closes, lines below", "site: x # it's\nstore: {path: 'y}\nlisten: 127.0.0.1:0\npprof: true\ncontacts:\n  - {name: a, kind: dial, source: gpio:X}\n  - {name: b, kind: dial, source: 'sim:dial'}\n",
		"2:15: a quote that its line does not close: expected one at the end of the text"},
	{"an open quote before others", "site: x\nstore: {path: \"y}\nweb_config: \"z\"\nlisten: \"127.0.0.1:0\"\n" + wContact + "}]\n",
		"2:15: a quote that its line does not close: expected one at the end of the text"},
	{"another mistake than a quote", "site: \"a\n  b\"\nstore: {path: y}\ncontacts: [\n",
		"4:11: sequence end token ']' not found: expected YAML"},

	{"sources", wHead + "contacts:\n  - {name: a, source: \"gpio:\", kind: dial}\n  - {name: b, source: \"gpio: X\", kind: dial}\n  - {name: c, source: \"sim:dial,rat=10\", kind: dial}\n  - {name: d, source: \"sim:\", kind: dial}\n  - {name: e, source: sub, kind: dial}\n  - {name: f, source: 7, kind: dial}\n",
		"4:23: key contacts[0].source: \"gpio:\": expected gpio: and the name of a line, such as gpio:GPIO17, gpio:P1_11 or gpio:gpiochip0:17\n" +
			"5:23: key contacts[1].source: \"gpio: X\": expected gpio: and the name of a line, such as gpio:GPIO17, gpio:P1_11 or gpio:gpiochip0:17\n" +
			"6:23: key contacts[2].source: \"sim:dial,rat=10\": key \"rat\" of a dial: expected one of digits, coding, rate, break, break-also, break-drift, make, gap, flash, hangup, repeat, ramp, break-at, lead, drift, steps, wander, wander-white, wander-flicker, wander-walk, jitter, bounce, bounce-open, bounce-close, chatter, chatter-length, short-breaks, short-length, spurious-breaks, spurious-makes, spurious-length, outages, outage-length, outage-state, outage-noise, lost, lost-silent, asymmetry, clock, closed, contact, shift, repeater, repeater-jitter, repeater-first, repeater-lost, repeater-lost-at, repeater-extra-at, seed\n" +
			"7:23: key contacts[3].source: \"sim:\": signal \"\": expected dial, cam, cadence first, such as dial,digits=0123,rate=10\n" +
			"8:23: key contacts[4].source: \"sub\": not a file: " + someSource + "\n" +
			"9:23: key contacts[5].source: the number 7: " + someSource},
	{"all that is wrong with a source", wHead + "contacts:\n  - {name: a, source: gone.csv, kind: dial, bias: pull-up}\n  - {name: b, source: \"sim:dail\", kind: dial, bias: pull-up}\n  - {name: c, source: [x], kind: dial, recording_contact: x}\n  - {name: d, source: GPIO17, kind: dial, bias: pull-up}\n",
		"4:23: key contacts[0].source: \"gone.csv\": no such file or directory: " + someSource + "\n" +
			"4:51: key contacts[0].bias: not for \"gone.csv\": expected it with a gpio: line only\n" +
			"5:23: key contacts[1].source: \"sim:dail\": signal \"dail\": expected dial, cam, cadence first, such as dial,digits=0123,rate=10\n" +
			"5:53: key contacts[1].bias: not for \"sim:dail\": expected it with a gpio: line only\n" +
			"6:23: key contacts[2].source: a list: " + someSource + "\n" +
			"7:23: key contacts[3].source: \"GPIO17\": no such file or directory: " + someSource},
	{"a contact that a recording has not", wHead + "contacts:\n  - {name: a, source: alone.csv, kind: dial, recording_contact: x}\n  - {name: b, source: recordings.csv, kind: dial, recording_contact: x}\n  - {name: c, source: top.vcd, kind: dial, recording_contact: x}\n  - {name: d, source: top.vcd, kind: dial}\n  - {name: e, source: two.csv, kind: dial}\n",
		"4:65: key contacts[0].recording_contact: \"alone.csv\", line 1: no column contact to find \"x\" in: expected one, or no contact to be chosen\n" +
			"5:70: key contacts[1].recording_contact: \"recordings.csv\": no edges of contact \"x\": expected one of \"generator-b\"\n" +
			"6:63: key contacts[2].recording_contact: \"top.vcd\": no variable \"x\": expected one of \"top.ring\", \"top.busy\"\n" +
			"7:23: key contacts[3].source: \"top.vcd\": several variables: expected a choice of one with recording_contact: \"top.ring\", \"top.busy\"\n" +
			"8:23: key contacts[4].source: \"two.csv\": several contacts: expected recording_contact with one of a, b"},
	{"a recording that cannot be played", wHead + "contacts:\n  - {name: a, source: none.csv, kind: dial}\n  - {name: b, source: no.csv, kind: dial, recording_contact: x}\n",
		"4:23: key contacts[0].source: \"none.csv\": no edges: expected a recording of the contact\n" +
			"5:23: key contacts[1].source: \"no.csv\", line 1: column \"when\" is not known: expected a header line of time_ns or time_s, level, and if wanted contact and seq, separated by commas"},
	{"keys of another source", wHead + "contacts:\n  - {name: a, source: gpio:X, kind: dial, recording_contact: b}\n  - {name: b, source: recordings.csv, kind: dial, bias: pull-up}\n  - {name: c, source: \"sim:dial\", kind: dial, bias: as-is, recording_contact: x}\n",
		"4:62: key contacts[0].recording_contact: not for \"gpio:X\": expected it with a recording only\n" +
			"5:57: key contacts[1].bias: not for \"recordings.csv\": expected it with a gpio: line only\n" +
			"6:53: key contacts[2].bias: not for \"sim:dial\": expected it with a gpio: line only\n" +
			"6:79: key contacts[2].recording_contact: not for \"sim:dial\": expected it with a recording only"},
	{"a second contact", wHead + "contacts:\n  - {name: in-a, source: gpio:X, kind: dial, against: in-a}\n  - {name: b, source: gpio:Y, kind: dial, against: in-aa}\n" +
		"  - {name: c, source: gpio:Z, kind: dial, against: cam}\n  - {name: cam, source: gpio:W, kind: interrupter, against: [c]}\n  - {name: e, source: gpio:V, kind: dial, against: b}\n",
		"4:55: key contacts[0].against: \"in-a\" is the contact itself: expected the name of another contact of the same kind\n" +
			"5:52: key contacts[1].against: no contact \"in-aa\", near to in-a: expected the name of another contact of the same kind\n" +
			"6:52: key contacts[2].against: \"cam\" is of kind interrupter, and \"c\" of kind dial: expected the name of another contact of the same kind\n" +
			"7:61: key contacts[3].against: a list: expected small letters a-z, digits and hyphens, at most 64"},
	{"limits of one's own", wHead + "contacts:\n  - {name: a, source: gpio:X, limits: nope.yaml}\n  - {name: b, source: gpio:Y, limits: mistaken.yaml}\n  - {name: c, source: gpio:Z, limits: mistaken.yaml}\n",
		"4:39: key contacts[0].limits: \"nope.yaml\": no such file or directory: expected the id of a bundled limits profile, or the name of a file of one's own that ends in .yaml\n" +
			"5:39: key contacts[1].limits: \"mistaken.yaml\" has mistakes, told below: expected a limits profile without mistakes\n" +
			"6:39: key contacts[2].limits: \"mistaken.yaml\" has mistakes or cannot be read, as told above: expected the id of a bundled limits profile, or the name of a file of one's own that ends in .yaml\n" +
			"=mistaken.yaml:5:6: key use: \"sendin\": expected sending, receiving or cadence\n" +
			"=mistaken.yaml:13:10: key limits[0].min: 600 is above max 70.25: expected min not above max"},

	{"listening", wHead + "listen: 192.168.7.2:7610\n" + wContact + "}]\n", "3:9: key listen: 192.168.7.2:7610 " + anOpen + ": " + aGuard},
	{"listening everywhere", wHead + "listen: :7610\nlisten_unprotected: false\n" + wContact + "}]\n", "3:9: key listen: :7610 " + anOpen + ": " + aGuard},
	{"listening with a web configuration that keeps nobody out", wHead + "listen: \"[::]:7610\"\nweb_config: open.yaml\n" + wContact + "}]\n",
		"3:9: key listen: [::]:7610 " + anOpen + ", and web_config has no passwords: " + aGuard},
	{"listening with TLS alone", wHead + "listen: 0.0.0.0:7610\nweb_config: tls.yaml\n" + wContact + "}]\n",
		"3:9: key listen: 0.0.0.0:7610 " + anOpen + "; TLS alone, as web_config has it, keeps nobody out: " + aGuard},
	{"asking for certificates that nobody has to verify", wHead + "listen: 0.0.0.0:7610\nweb_config: any.yaml\n" + wContact + "}]\n",
		"3:9: key listen: 0.0.0.0:7610 " + anOpen + "; TLS alone, as web_config has it, keeps nobody out: " + aGuard},
	{"certificates of clients without an authority", wHead + "web_config: noca.yaml\n" + wContact + "}]\n",
		"3:13: key web_config: noca.yaml: client_auth_type RequireAndVerifyClientCert without client_ca_file, which says whose certificates count: " + aWeb},
	{"an authority without a certificate", wHead + "web_config: emptyca.yaml\n" + wContact + "}]\n",
		"3:13: key web_config: emptyca.yaml: no certificate in client_ca or client_ca_file: " + aWeb},
	{"listening on a name", wHead + "listen: raspberry:7610\n" + wContact + "}]\n", "3:9: key listen: \"raspberry:7610\": " + aListen},
	{"listening on no port", wHead + "listen: 127.0.0.1:http\n" + wContact + "}]\n", "3:9: key listen: \"127.0.0.1:http\": " + aListen},
	{"listening on a port beyond", wHead + "listen: 127.0.0.1:65536\n" + wContact + "}]\n", "3:9: key listen: \"127.0.0.1:65536\": " + aListen},
	// What the file holds is not told: it may be a secret.
	{"broken web configuration", wHead + "web_config: broken.yaml\n" + wContact + "}]\n",
		"3:13: key web_config: yaml: unmarshal errors:   line 1: cannot unmarshal !!str … into map[string]config.Secret: " + aWeb},
	{"web configuration that is a folder", wHead + "web_config: sub\n" + wContact + "}]\n",
		"3:13: key web_config: sub: not a file of up to 1 MiB: " + aWeb},
}

// manyContacts gives n contacts with some keys more.
func manyContacts(n int, keys string) (s string) {
	for i := range n {
		s += fmt.Sprintf("  - {name: c-%d, source: gpio:X%d, kind: dial%s}\n", i, i, keys)
	}
	return s
}

func TestWatchMistakes(t *testing.T) {
	folder(t)
	for _, c := range watchMistakes {
		t.Run(c.name, func(t *testing.T) {
			w, err := parseWatch("w.yaml", []byte(c.text), nil)
			if err == nil || w != nil {
				t.Fatal("accepted")
			}
			want := strings.ReplaceAll("w.yaml:"+strings.ReplaceAll(c.want, "\n", "\nw.yaml:"), "w.yaml:=", "")
			if diff := cmp.Diff(strings.Split(want, "\n"), strings.Split(err.Error(), "\n")); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// A name server is not asked and a guarded or wanted opening is let through.
func TestListen(t *testing.T) {
	folder(t)
	for _, keys := range []string{
		"listen: 127.0.0.1:1", "listen: \"[::1]:65535\"", "listen: localhost:0", "listen: 127.9.9.9:80", "listen: \"[::ffff:127.0.0.1]:80\"",
		"listen: 0.0.0.0:7610\nweb_config: web.yaml", "listen: 0.0.0.0:7610\nweb_config: ca.yaml", "listen: 127.0.0.1:0\nweb_config: tls.yaml", "listen: :7610\nlisten_unprotected: true", "listen: 10.0.0.7:7610\nweb_config: open.yaml\nlisten_unprotected: true",
	} {
		if _, err := parseWatch("w.yaml", []byte(wHead+keys+"\n"+wContact+"}]\n"), nil); err != nil {
			t.Errorf("%s: %v", keys, err)
		}
	}
}

// What a web configuration asks of clients.
func TestProtection(t *testing.T) {
	folder(t)
	for file, want := range map[string]Protection{
		"web.yaml": {Passwords: true}, "open.yaml": {}, "tls.yaml": {TLS: true}, "any.yaml": {TLS: true}, "ca.yaml": {TLS: true, Certificates: true},
	} {
		for listen, local := range map[string]bool{"127.0.0.1:0": true, "0.0.0.0:0": false} {
			w, err := parseWatch("w.yaml", []byte(wHead+"listen_unprotected: true\nlisten: "+listen+"\nweb_config: "+file+"\n"+wContact+"}]\n"), nil)
			if err != nil {
				t.Fatal(err)
			}
			if w.Protection != want || w.LocalOnly() != (local && !want.KeepsOut()) {
				t.Errorf("%s on %s: %+v, local only %v", file, listen, w.Protection, w.LocalOnly())
			}
		}
	}
}

// A log that cannot be written is told by a check, and by no other reading: it
// must not keep a running watch from its configuration.
func TestLogThatCannotBeWritten(t *testing.T) {
	folder(t)
	mayNot := func(which string) func(string) error {
		return func(path string) error {
			if path == which {
				return errors.New("permission denied")
			}
			return nil
		}
	}
	for _, c := range []struct{ log, mayNot, want string }{
		{"sub/new.db", "", ""},
		{"no/such/x.db", "", `folder "no/such": no such file or directory: expected the name of a file in a folder that exists`},
		{"own.yaml/x.db", "", `"own.yaml" is no folder: expected the name of a file in a folder`},
		{"sub/x.db", "sub", `folder "sub" cannot be written: permission denied: expected the name of a file in a folder that this user may write to`},
		{"sub/nothing.txt", "sub/nothing.txt", `"sub/nothing.txt" cannot be written: permission denied: expected the name of a file that this user may write to`},
	} {
		text := "site: x\nstore: {path: " + c.log + "}\n" + wContact + "}]\n"
		_, err := parseWatch("w.yaml", []byte(text), mayNot(c.mayNot))
		if want := "w.yaml:2:15: key store.path: " + c.want; c.want == "" && err != nil || c.want != "" && (err == nil || err.Error() != want) {
			t.Errorf("%s: %v, want %s", c.log, err, want)
		}
		if _, err := parseWatch("w.yaml", []byte(text), nil); err != nil {
			t.Errorf("%s, not checked: %v", c.log, err)
		}
	}
}

// The most contacts, with all keys of a dial, are read.
func TestMostContacts(t *testing.T) {
	folder(t)
	keys := ", title: t, closed: low, bias: pull-up, settle: 4ms, timing: first, limits: au-s002-dial, rate: 10pps, coding: normal" +
		", pulse: {min: 10ms, max: 200ms}, train_gap: 150ms, flash_max: 1500ms, stuck_after: 1d" +
		", chain: {edge_noise: 8us, asymmetry: -12us, asymmetry_u: 3us, clock_error: 20ppm, from: f}, notes: [a, b]"
	w, err := parseWatch("w.yaml", []byte(wHead+"contacts:\n"+manyContacts(maxContacts, keys)), nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(w.Contacts) != maxContacts || w.Contacts[0].Meter.Limits != w.Contacts[255].Meter.Limits {
		t.Errorf("%d contacts, or limits read anew for each", len(w.Contacts))
	}
	if _, err := parseWatch("w.yaml", []byte(strings.Repeat("- ", 5e5)), nil); err == nil || err.Error() != "w.yaml:1:1: more than 30000 words and signs: expected a watch configuration" {
		t.Error(err)
	}
	if _, err := LoadWatch("nope.yaml"); err == nil || err.Error() != "watch configuration: open nope.yaml: no such file or directory" {
		t.Error(err)
	}
}

// What is accepted can be measured and served as its documentation says; what
// is not gives lines that name a file. Nothing panics.
func FuzzWatch(f *testing.F) {
	folder(f)
	f.Add([]byte(configs.Watch))
	for _, c := range watchMistakes {
		if len(c.text) < 1000 { // a mutant of a long one takes long to make small
			f.Add([]byte(c.text))
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		w, err := parseWatch("w.yaml", data, nil)
		if err != nil {
			if w != nil {
				t.Error("a configuration beside an error")
			}
			for line := range strings.Lines(err.Error()) {
				if !regexp.MustCompile(`^\S+(:\d+:\d+)?: `).MatchString(line) {
					t.Errorf("%q does not name a file", line)
				}
			}
			return
		}
		names := map[string]bool{}
		for _, c := range w.Contacts {
			if names[c.Name] || !validID(c.Name) {
				t.Errorf("name %q", c.Name)
			}
			names[c.Name] = true
			if c.Meter.Kind == pulse.KindAuto || c.Meter.Setup == nil || !c.Meter.Forget {
				t.Errorf("%s: %+v", c.Name, c.Meter)
			}
			if _, err := pulse.NewMeter(c.Meter); err != nil {
				t.Errorf("%s: %v", c.Name, err)
			}
			if c.Source.Kind != SourceGPIO && c.Source.Bias != hw.BiasAsIs {
				t.Errorf("%s: %+v", c.Name, c.Source)
			}
		}
		if len(names) == 0 || w.Site == "" || w.Store.Path == "" || w.Window < time.Minute || !validListen(w.Listen) {
			t.Errorf("%+v", w)
		}
	})
}
