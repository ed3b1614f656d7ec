//go:build linux

package main

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"maps"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/goccy/go-yaml"

	"makebreak/daemon/config"
)

// The examples for Prometheus and their rules.
const (
	examples  = "../../dashboards/prometheus"
	ruleFiles = "../../dashboards/rules"
)

// A fleet is a folder as the examples want it: their files, the rules of each
// exchange, and what the commands in web.yaml make.
type fleet struct {
	*testing.T
	dir      string
	password string
	client   http.Client // knows the authority and the password
}

func newFleet(t *testing.T) *fleet {
	need(t, "prometheus", "promtool", "openssl", "mkpasswd")
	t.Parallel() // they mostly wait
	f := &fleet{T: t, dir: t.TempDir()}
	if err := os.CopyFS(f.dir, os.DirFS(examples)); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(f.dir, "rules"), 0o755); err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob(ruleFiles + "/*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range files {
		if !strings.HasSuffix(name, "_test.yaml") {
			writeFile(t, filepath.Join(f.dir, "rules", filepath.Base(name)), f.read(name))
		}
	}

	web := f.read(f.path("web.yaml"))
	var commands strings.Builder
	for _, m := range regexp.MustCompile(`(?m)^#\$  (.*)$`).FindAllStringSubmatch(web, -1) {
		fmt.Fprintln(&commands, strings.ReplaceAll(m[1], "DNS:marrow-quay.example", "IP:127.0.0.1"))
	}
	cmd := exec.Command("sh", "-e", "-c", commands.String())
	cmd.Dir = f.dir
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	hash := strings.TrimSpace(string(out))
	if err != nil || !strings.HasPrefix(hash, "$2") || strings.Contains(hash, "\n") {
		t.Fatalf("the commands of web.yaml: %v, printed %q\n%s", err, out, &stderr)
	}
	f.edit("web.yaml", "prometheus: HASH", "prometheus: "+hash)
	f.password = strings.TrimSpace(f.read(f.path("makebreak.password")))

	authority := x509.NewCertPool()
	if !authority.AppendCertsFromPEM([]byte(f.read(f.path("tls/ca.crt")))) {
		t.Fatal("no certificate of the authority")
	}
	f.client = http.Client{Transport: withPassword{f.password, &http.Transport{TLSClientConfig: &tls.Config{RootCAs: authority}}}}
	return f
}

// withPassword asks as the user prometheus.
type withPassword struct {
	password string
	*http.Transport
}

func (w withPassword) RoundTrip(r *http.Request) (*http.Response, error) {
	r = r.Clone(r.Context())
	r.SetBasicAuth("prometheus", w.password)
	return w.Transport.RoundTrip(r)
}

func (f *fleet) path(name string) string { return filepath.Join(f.dir, name) }

func (f *fleet) read(path string) string {
	f.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		f.Fatal(err)
	}
	return string(b)
}

// edit replaces texts in a file; each must be there.
func (f *fleet) edit(name string, oldnew ...string) {
	f.Helper()
	text := f.read(f.path(name))
	for i := 0; i < len(oldnew); i += 2 {
		if !strings.Contains(text, oldnew[i]) {
			f.Fatalf("%s has no %q", name, oldnew[i])
		}
		text = strings.ReplaceAll(text, oldnew[i], oldnew[i+1])
	}
	writeFile(f.T, f.path(name), text)
}

// arguments are those that an example's head gives to Prometheus, without the
// address, with its own folder for what it keeps.
func (f *fleet) arguments(name string) []string {
	f.Helper()
	head := strings.NewReplacer("\n#", " ").Replace(f.read(f.path(name)))
	args := []string{"--config.file=" + f.path(name)}
	data := "--storage.tsdb.path="
	if m := regexp.MustCompile(`ARGS="([^"]*)"`).FindStringSubmatch(head); m != nil {
		for _, a := range strings.Fields(m[1]) {
			switch flag, _, _ := strings.Cut(a, "="); flag {
			case "--web.listen-address":
			case "--storage.agent.path":
				data = flag + "="
			case "--web.config.file":
				args = append(args, flag+"="+f.path("web.yaml"))
			default:
				args = append(args, a)
			}
		}
	}
	return append(args, data+f.TempDir())
}

// Every example is what Prometheus, or makebreak, takes; what it refers to is
// there once its head was followed.
func TestPrometheusExamples(t *testing.T) {
	f := newFleet(t)
	checked := map[string][]string{
		"one.yaml":               {"check", "config"},
		"many.yaml":              {"check", "config"},
		"central.yaml":           {"check", "config"},
		"site-agent.yaml":        {"check", "config", "--agent"},
		"web.yaml":               {"check", "web-config"},
		"targets/exchanges.yaml": nil, // with many.yaml
	}
	var found []string
	names, err := filepath.Glob(examples + "/*")
	if err != nil {
		t.Fatal(err)
	}
	more, err := filepath.Glob(examples + "/*/*")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range append(names, more...) {
		if filepath.Ext(name) == ".yaml" {
			name, err = filepath.Rel(examples, name)
			if err != nil {
				t.Fatal(err)
			}
			found = append(found, name)
		}
	}
	slices.Sort(found)
	if want := slices.Sorted(maps.Keys(checked)); !slices.Equal(found, want) {
		t.Fatalf("the examples are %q, checked are %q", found, want)
	}
	promtool := func(args ...string) {
		t.Helper()
		if out, err := exec.Command("promtool", args...).CombinedOutput(); err != nil {
			t.Errorf("promtool %q: %v\n%s", args, err, out)
		}
	}
	references := 0
	for name, args := range checked {
		if args != nil {
			promtool(append(args, f.path(name))...)
		}
		var document any
		if err := yaml.Unmarshal([]byte(f.read(f.path(name))), &document); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for _, file := range filesOf(document) {
			references++
			if found, err := filepath.Glob(f.path(file)); err != nil || len(found) == 0 {
				t.Errorf("%s refers to %s, which no instruction makes", name, file)
			}
		}
	}
	if references < 10 {
		t.Errorf("only %d references were found", references)
	}
	promtool("check", "rules", ruleFiles+"/site.yaml")
	promtool("test", "rules", ruleFiles+"/site_test.yaml")

	p, err := config.CheckWebConfig(f.path("web.yaml"))
	if want := (config.Protection{TLS: true, Passwords: true}); err != nil || p != want {
		t.Errorf("web.yaml: %+v, %v, want %+v", p, err, want)
	}
	hash := regexp.MustCompile(`prometheus: \$.*`).FindString(f.read(f.path("web.yaml")))
	f.edit("web.yaml", hash, "prometheus: HASH")
	if _, err := config.CheckWebConfig(f.path("web.yaml")); err == nil {
		t.Error("web.yaml is taken without a hash")
	}
}

// filesOf gives the names of files that a configuration refers to: the values of
// keys that end in _file or are named files or rule_files.
func filesOf(document any) (files []string) {
	switch x := document.(type) {
	case []any:
		for _, y := range x {
			files = append(files, filesOf(y)...)
		}
	case map[string]any:
		for key, y := range x {
			if strings.HasSuffix(key, "_file") {
				files = append(files, fmt.Sprint(y))
			} else if list, ok := y.([]any); ok && (key == "files" || key == "rule_files") {
				for _, z := range list {
					files = append(files, fmt.Sprint(z))
				}
			} else {
				files = append(files, filesOf(y)...)
			}
		}
	}
	return files
}

// One Prometheus scrapes many machines by many.yaml; one of them is killed, and
// one contact of another is out of limits. With MAKEBREAK_ENDURANCE=1 there are
// 20 machines of 16 contacts, and what they cost is told.
func TestFleet(t *testing.T) {
	machines, contacts, interval := 3, 4, time.Second
	full := os.Getenv("MAKEBREAK_ENDURANCE") != ""
	if full {
		machines, contacts, interval = 20, 16, 2*time.Second
	}
	f := newFleet(t)
	const firing = "dial-2" // of machine 1
	running := make([]*program, machines)
	targets := make([]string, machines)
	for i := range running {
		text := fmt.Sprintf("site: Marrow Quay exchange, room %d\nstore: {path: log-%d.db}\nlisten: 127.0.0.1:0\nweb_config: web.yaml\ncontacts:\n", i, i)
		for j := range contacts {
			if j%2 == 1 {
				text += fmt.Sprintf("  - {name: cam-%d, source: \"sim:cam,ipm=60,jitter=0.2ms,cycles=endless,seed=%d\", limits: us-fcc-busy, lobes: 5}\n", j, contacts*i+j)
				continue
			}
			name, rate := fmt.Sprintf("dial-%d", j), "10"
			if name == firing && i == 1 {
				rate = "12" // where 11.112 pps are the most
			}
			text += fmt.Sprintf("  - {name: %s, source: \"sim:dial,digits=1234567890,rate=%s,break=66,bounce=2:0.2ms,jitter=0.1ms,repeat=endless,seed=%d\", limits: au-s002-dial}\n", name, rate, contacts*i+j)
		}
		name := fmt.Sprintf("watch-%d.yaml", i)
		writeFile(t, f.path(name), text)
		running[i] = launch(t, f.dir, nil, "watch", name)
		if !strings.HasPrefix(running[i].url, "https://") {
			t.Fatalf("machine %d: without TLS: %s", i, running[i].url)
		}
		targets[i] = fmt.Sprintf("- {labels: {exchange: room-%d}, targets: ['%s']}\n", i, running[i].address())
	}
	f.edit("many.yaml", "15s", fmt.Sprint(interval))
	writeFile(t, f.path("targets/exchanges.yaml"), strings.Join(targets[1:], ""))
	began := time.Now()
	p := launchPrometheus(t, freeAddress(t), "http", http.Client{}, f.arguments("many.yaml")...)

	// Without the password, and by somebody else's authority, there is nothing.
	without := &http.Client{Transport: f.client.Transport.(withPassword).Transport}
	if resp, err := without.Get(running[0].url + "metrics"); err != nil || resp.StatusCode != http.StatusUnauthorized {
		t.Errorf("without a password: %v %v", resp, err)
	}
	if _, err := http.Get(running[0].url + "metrics"); !errors.As(err, new(*tls.CertificateVerificationError)) {
		t.Errorf("without the authority: %v", err)
	}

	each := func(expr string, want func(exchange int) (value float64, known bool)) error {
		got, all := p.values(expr, "job", "instance"), map[string]float64{}
		for i := range machines {
			if v, ok := want(i); ok {
				all[fmt.Sprintf(`{exchange="room-%d"}`, i)] = v
			}
		}
		named := map[string]float64{}
		for series, v := range got {
			named[series[strings.Index(series, "{"):]] = v
		}
		if !maps.Equal(named, all) {
			return fmt.Errorf("%s is %v, want %v", expr, got, all)
		}
		return nil
	}
	// A machine that is added to the file is scraped, without a restart.
	p.await("without one", func() error {
		return each("exchange:makebreak_contacts:count", func(i int) (float64, bool) { return float64(contacts), i > 0 })
	})
	writeFile(t, f.path("targets/exchanges.yaml"), strings.Join(targets, ""))
	p.await("of all contacts", func() error {
		if err := each("exchange:makebreak_contacts:count", func(int) (float64, bool) { return float64(contacts), true }); err != nil {
			return err
		}
		if n := len(p.values("makebreak_contact_info", "job", "instance")); n != machines*contacts {
			return fmt.Errorf("%d contacts were measured", n)
		}
		return each("exchange:makebreak_machines_down:count", func(int) (float64, bool) { return 0, true })
	})

	// One contact is out of limits, alone: the first train of two pulses tells.
	p.await("of a contact that fails", func() error {
		failing := map[string]float64{fmt.Sprintf(`makebreak_verdict{contact="%s",exchange="room-1",statement="fail"}`, firing): 1}
		if got := p.values(`makebreak_verdict{statement="fail"} == 1`, "job", "instance"); !maps.Equal(got, failing) {
			return fmt.Errorf("failing are %v, want %v", got, failing)
		}
		judged := p.query(`count(makebreak_verdict{statement="pass"} == 1)`)["{}"]
		if int(judged) != machines*contacts-1 {
			return fmt.Errorf("%v pass", judged)
		}
		return each(`sum by (exchange) (exchange_statement:makebreak_contacts:count{statement="fail"})`, func(i int) (float64, bool) {
			if i == 1 {
				return 1, true
			}
			return 0, true
		})
	})
	if out := p.values("sum by (exchange, contact) (makebreak_out_of_limit_total) > 0", "job", "instance"); len(out) != 1 {
		t.Errorf("out of limits are %v", out)
	}
	if full {
		f.costs(p, running, began)
	}

	// One is killed.
	killed := machines - 1
	if err := running[killed].Process.Kill(); err != nil {
		t.Fatal(err)
	}
	p.await("of a machine that is down", func() error {
		if err := each("exchange:makebreak_machines_down:count", func(i int) (float64, bool) {
			if i == killed {
				return 1, true
			}
			return 0, true
		}); err != nil {
			return err
		}
		return each("exchange:makebreak_contacts:count", func(i int) (float64, bool) { return float64(contacts), i != killed })
	})
	if err := each(`up{job="makebreak"}`, func(i int) (float64, bool) {
		if i == killed {
			return 0, true
		}
		return 1, true
	}); err != nil {
		t.Error(err)
	}
	running[0].end(syscall.SIGTERM) // the others are killed
}

// costs tells what the machines and their Prometheus take.
func (f *fleet) costs(p *prometheus, running []*program, began time.Time) {
	before := make([]time.Duration, len(running))
	own := busy(f, p.Process.Pid)
	from := time.Now()
	for i, m := range running {
		before[i] = busy(f, m.Process.Pid)
	}
	time.Sleep(10 * time.Second)
	var shares, sizes []float64
	for i, m := range running {
		shares = append(shares, 100*(busy(f, m.Process.Pid)-before[i]).Seconds()/time.Since(from).Seconds())
		sizes = append(sizes, float64(resident(f, m.Process.Pid))/1e6)
	}
	slices.Sort(shares)
	slices.Sort(sizes)
	f.Logf("makebreak, of %d: %.2f %% of a core in the middle, %.2f %% at most; %.1f MB, %.1f MB", len(running), shares[len(shares)/2], shares[len(shares)-1], sizes[len(sizes)/2], sizes[len(sizes)-1])
	f.Logf("Prometheus, %v after its start: %.1f %% of a core, %.0f MB", time.Since(began).Round(time.Second), 100*(busy(f, p.Process.Pid)-own).Seconds()/time.Since(from).Seconds(), float64(resident(f, p.Process.Pid))/1e6)
	for _, expr := range []string{
		"count({job=\"makebreak\"})",
		"sum(scrape_samples_scraped)",
		"quantile(0.5, scrape_duration_seconds)", "max(scrape_duration_seconds)",
		`quantile(0.5, count by (exchange, contact) ({job="makebreak", contact=~"dial.*"}))`,
		`quantile(0.5, count by (exchange, contact) ({job="makebreak", contact=~"cam.*"}))`,
	} {
		f.Logf("%s: %v", expr, p.query(expr)["{}"])
	}
	for _, zipped := range []bool{true, false} {
		req, err := http.NewRequest("GET", running[0].url+"metrics", nil)
		if err != nil {
			f.Fatal(err)
		}
		if req.Header.Set("Accept-Encoding", "identity"); zipped {
			req.Header.Set("Accept-Encoding", "gzip")
		}
		resp, err := f.client.Do(req)
		if err != nil {
			f.Fatal(err)
		}
		n, err := io.Copy(io.Discard, resp.Body)
		resp.Body.Close()
		if err != nil {
			f.Fatal(err)
		}
		f.Logf("a page, gzip %v: %d bytes", zipped, n)
	}
}

// A line carries connections to an address until it is cut, and again once it is
// mended.
type line struct {
	*testing.T
	address, to string

	mu       sync.Mutex
	listener net.Listener
	open     []net.Conn
}

func newLine(t *testing.T, to string) *line {
	l := &line{T: t, address: freeAddress(t), to: to}
	l.mend()
	t.Cleanup(l.cut)
	return l
}

func (l *line) mend() {
	listener, err := net.Listen("tcp", l.address)
	if err != nil {
		l.Fatal(err)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.listener = listener
	go func() {
		for {
			near, err := listener.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", l.to)
			if err != nil {
				near.Close()
				continue
			}
			l.mu.Lock()
			if l.listener != listener { // it was cut meanwhile
				near.Close()
				far.Close()
			}
			l.open = append(l.open, near, far)
			l.mu.Unlock()
			for _, c := range [][2]net.Conn{{near, far}, {far, near}} {
				go func() {
					io.Copy(c[0], c[1])
					near.Close()
					far.Close()
				}()
			}
		}
	}()
}

func (l *line) cut() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.listener == nil {
		return
	}
	l.listener.Close()
	for _, c := range l.open {
		c.Close()
	}
	l.listener, l.open = nil, nil
}

// An agent at a site writes to a central Prometheus, by site-agent.yaml and
// central.yaml; the line between them fails for a while, and afterwards no sample
// is missing at the centre. Another Prometheus of the exchange runs by one.yaml.
//
// What takes hours is shortened: the centre's blocks, so that what is caught up
// with is older than half a block, as after more than an hour; and the agent's
// queue, so that what waits is in its log. With MAKEBREAK_ENDURANCE=1 the log is
// truncated three times meanwhile, which is what site-agent.yaml relies on, after
// it has been so often enough to have all the segments that it keeps.
func TestAgent(t *testing.T) {
	outage, before, truncate := 5*time.Second, time.Duration(0), "1d"
	if os.Getenv("MAKEBREAK_ENDURANCE") != "" {
		outage, before, truncate = 9*time.Second, 18*time.Second, "3s"
	}
	f := newFleet(t)
	watched := launch(t, site(t, map[string]string{"dial": fastDial, "cam": "cam,ipm=600,cycles=endless"}), nil, "watch", "watch.yaml")

	// The exchange's own Prometheus, as the head of one.yaml says.
	f.edit("one.yaml", "15s", "1s", "127.0.0.1:7610", watched.address())
	one := launchPrometheus(t, freeAddress(t), "http", http.Client{}, f.arguments("one.yaml")...)

	address := freeAddress(t)
	f.edit("central.yaml", "15s", "1s", "central.example:9090", address)
	central := launchPrometheus(t, address, "https", f.client, append(f.arguments("central.yaml"), "--storage.tsdb.min-block-duration=4s")...)
	link := newLine(t, address)
	address = freeAddress(t)
	f.edit("site-agent.yaml", "15s", "1s", "127.0.0.1:7610", watched.address(), `"127.0.0.1:9090"`, "'"+address+"'", "central.example:9090", link.address,
		"max_backoff: 30s", "max_backoff: 1s", "max_samples_per_send: 2000", "max_samples_per_send: 100\n      batch_send_deadline: 100ms", "capacity: 10000", "capacity: 200",
		"--storage.agent.wal-truncate-frequency=1d", "--storage.agent.wal-truncate-frequency="+truncate)
	agent := launchPrometheus(t, address, "http", http.Client{}, f.arguments("site-agent.yaml")...)
	own := func(series string) float64 {
		resp, err := http.Get(agent.url + "/metrics")
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		page, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		sum := 0.
		for _, m := range regexp.MustCompile(`(?m)^`+series+`(?:{[^}]*})? (\S+)$`).FindAllSubmatch(page, -1) {
			v, err := strconv.ParseFloat(string(m[1]), 64)
			if err != nil {
				t.Fatal(err)
			}
			sum += v
		}
		return sum
	}
	type samples struct{ Values [][2]any } // time and value, as text
	raw := func(series string) []samples {
		var data struct{ Result []samples }
		central.get("query", url.Values{"query": {series + "[10m]"}}, &data)
		return data.Result
	}
	arrived := func() (n float64) {
		for _, s := range raw(`{agent="marrow-quay"}`) {
			n += float64(len(s.Values))
		}
		return n
	}
	const scraped = `up{agent="marrow-quay",job="makebreak"}`
	central.await("written to", func() error {
		if n := central.values("count_over_time("+scraped+"[10m])", "job", "instance"); len(n) != 1 || n[`{agent="marrow-quay",exchange="marrow-quay"}`] < 3 {
			return fmt.Errorf("%v", n)
		}
		if central.query(`up{job="central"}`)["up{}"] != 1 {
			return errors.New("it does not scrape itself, so that its newest sample would be the agent's")
		}
		return nil
	})
	one.await("of one exchange", func() error {
		if got := one.values("exchange:makebreak_contacts:count", "job", "instance"); got[`exchange:makebreak_contacts:count{exchange="marrow-quay"}`] != 2 {
			return fmt.Errorf("%v", got)
		}
		return nil
	})
	sent := own("prometheus_remote_storage_bytes_total")
	carried := own("prometheus_remote_storage_samples_total")
	t.Logf("%.1f bytes a sample are sent, %.0f samples", sent/carried, carried)

	time.Sleep(before)
	link.cut()
	time.Sleep(outage)
	if age := central.values("time() - timestamp("+scraped+")", "job", "instance")[`{agent="marrow-quay",exchange="marrow-quay"}`]; age < outage.Seconds()-2 {
		t.Fatalf("the line was not cut: the last sample is of %v s ago", age)
	}
	if n := own("prometheus_agent_samples_appended_total") - arrived(); n < 100*outage.Seconds() {
		t.Fatalf("only %v samples wait", n)
	}
	link.mend()

	// All that the agent took is there, as soon as it is sent.
	central.await("without a missing sample", func() error {
		if failed := own("prometheus_remote_storage_samples_failed_total"); failed > 0 {
			t.Fatalf("%v samples were refused", failed)
		}
		taken := own("prometheus_agent_samples_appended_total")
		got := arrived()
		if again := own("prometheus_agent_samples_appended_total"); taken != again || got < taken {
			return fmt.Errorf("%v of %v samples", got, taken)
		}
		return nil
	})
	scrapes := raw(scraped)
	if len(scrapes) != 1 || len(scrapes[0].Values) < int(outage.Seconds())+3 {
		t.Fatalf("%v", scrapes)
	}
	values := scrapes[0].Values
	for i, v := range values {
		if v[1] != "1" {
			t.Errorf("scrape %d failed: %v", i, v)
		}
		if i > 0 {
			if gap := v[0].(float64) - values[i-1][0].(float64); gap > 1.5 || gap < 0.5 {
				t.Errorf("%.3f s between scrapes %d and %d", gap, i-1, i)
			}
		}
	}
	// A counter that is counted through the outage is what the signal has.
	if rate := central.query("sum(rate(makebreak_cycles_total{contact='cam'}[" + strconv.Itoa(int(outage.Seconds())) + "s]))")["{}"]; rate < 9.5 || rate > 10.5 {
		t.Errorf("%v, want 10 cycles a second", rate)
	}
	watched.end(syscall.SIGTERM)
}
