//go:build linux

package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
)

// A real Prometheus scrapes a real watch, and has each metric with the value,
// the type and the unit that it should have. It is skipped where there is no
// prometheus, or fails where MAKEBREAK_TESTS=require.
func TestPrometheus(t *testing.T) {
	need(t, "prometheus")
	t.Parallel() // it mostly waits
	dir := t.TempDir()
	writeFile(t, filepath.Join(dir, "watch.yaml"), `site: Marrow Quay exchange
store: {path: log.db}
listen: 127.0.0.1:0
contacts:
  - {name: dial, source: "sim:dial,digits=1234567890,rate=20,gap=300ms", kind: dial, limits: us-tia-470-dial}
  - {name: cam, source: "sim:cam,ipm=600,cycles=50,missing-at=20,extra-at=30", kind: interrupter}
  - {name: lasting, source: "sim:cam,ipm=600,cycles=endless", kind: interrupter}
`)
	watched := launch(t, dir, nil, "watch", "watch.yaml")
	p := startPrometheus(t, dir, watched.address())

	// The signals of dial and cam end after some seconds, and their metrics
	// then stay as they are.
	var families map[string]*dto.MetricFamily
	var page, got map[string]float64
	p.await("the same as the page has", func() error {
		var err error
		if families, err = expfmtParse(watched.get("metrics")); err != nil {
			t.Fatal(err)
		}
		page = samples(families)
		got = p.query(`{__name__=~"makebreak_.+"}`)
		if page[`makebreak_up{contact="dial"}`] != 0 || page[`makebreak_up{contact="cam"}`] != 0 {
			return fmt.Errorf("a signal goes on")
		}
		steady := func(all map[string]float64) map[string]float64 {
			all = maps.Clone(all)
			maps.DeleteFunc(all, func(series string, _ float64) bool {
				return strings.Contains(series, `contact="lasting"`) || strings.HasPrefix(series, "makebreak_last_edge_age") ||
					strings.HasPrefix(series, "makebreak_log_") || strings.HasPrefix(series, "makebreak_clock_")
			})
			return all
		}
		if diff := cmp.Diff(steady(page), steady(got)); diff != "" {
			return fmt.Errorf("page and Prometheus: %s", diff)
		}
		return nil
	})
	for series := range page { // the others move, but are there
		if _, ok := got[series]; !ok {
			t.Errorf("Prometheus has no %s", series)
		}
	}

	// What is known of the signals by their description: 55 pulses in 10 trains
	// of 20 pps and 61.5 % break, 0.3 s apart; 50 cycles of 0.1 s. The limits are
	// those of the profile: 8 to 11 pps, 58 to 64 %, 0.6 s.
	for series, want := range map[string]float64{
		`makebreak_up{contact="lasting"}`:                                                   1,
		`makebreak_pulses_total{contact="dial"}`:                                            55,
		`makebreak_trains_total{contact="dial"}`:                                            10,
		`makebreak_edges_total{contact="dial"}`:                                             110,
		`makebreak_lost_edges_total{contact="dial"}`:                                        0,
		`makebreak_last_rate_hertz{contact="dial"}`:                                         20,
		`makebreak_last_rate_hertz{contact="cam"}`:                                          10,
		`makebreak_last_percent_break_ratio{contact="dial"}`:                                0.615,
		`makebreak_interdigit_gap_min_seconds{contact="dial"}`:                              0.3,
		`makebreak_break_seconds_count{contact="dial",kind="dial"}`:                         55,
		`makebreak_break_seconds_sum{contact="dial",kind="dial"}`:                           55 * 0.03075,
		`makebreak_period_seconds_count{contact="dial",kind="dial"}`:                        45,
		`makebreak_period_seconds_sum{contact="dial",kind="dial"}`:                          45 * 0.05,
		`makebreak_period_seconds_bucket{contact="dial",kind="dial",le="+Inf"}`:             45,
		`makebreak_limit_hertz{bound="max",contact="dial",quantity="rate"}`:                 11,
		`makebreak_limit_ratio{bound="min",contact="dial",quantity="percent_break"}`:        0.58,
		`makebreak_limit_seconds{bound="min",contact="dial",quantity="interdigit"}`:         0.6,
		`makebreak_out_of_limit_total{bound="max",contact="dial",quantity="rate"}`:          45,
		`makebreak_out_of_limit_total{bound="max",contact="dial",quantity="percent_break"}`: 0,
		`makebreak_out_of_limit_total{bound="min",contact="dial",quantity="interdigit"}`:    9,
		`makebreak_judged_total{bound="min",contact="dial",quantity="interdigit"}`:          9,
		`makebreak_verdict{contact="dial",statement="fail"}`:                                1,
		`makebreak_verdict{contact="dial",statement="pass"}`:                                0,
		`makebreak_due_cycles_total{contact="cam"}`:                                         50,
		`makebreak_missing_total{contact="cam"}`:                                            1,
		`makebreak_extra_total{contact="cam"}`:                                              1,
		`makebreak_findings_total{contact="cam",finding="missing"}`:                         1,
		`makebreak_log_fault{fault="disk_full"}`:                                            0,
		`makebreak_contact_info{contact="cam",kind="interrupter"}`:                          1,
	} {
		if v, ok := got[series]; !ok || v < want-1e-9 || v > want+1e-9 {
			t.Errorf("%s is %v in Prometheus, want %v", series, v, want)
		}
	}
	if age := got[`makebreak_last_edge_age_seconds{contact="lasting"}`]; age < 0 || age > 1 {
		t.Errorf("the last edge is %v s old", age)
	}
	p.await("a rate of about 10 cycles a second", func() error { // once it has seen enough scrapes
		rate := p.query(`rate(makebreak_cycles_total{contact="lasting"}[4s])`)[`{contact="lasting"}`]
		if rate < 9 || rate > 11 {
			return fmt.Errorf("%v", rate)
		}
		return nil
	})

	var metadata map[string][]struct{ Type, Help string }
	p.get("metadata", nil, &metadata)
	for name, f := range families {
		m := metadata[strings.TrimSuffix(name, "_total")] // as OpenMetrics names the family
		if want := strings.ToLower(f.GetType().String()); strings.HasPrefix(name, "makebreak_") && (len(m) != 1 || m[0].Type != want || m[0].Help != f.GetHelp()) {
			t.Errorf("%s: %v in Prometheus, want %s, %s", name, m, want, f.GetHelp())
		}
	}
	watched.end(syscall.SIGTERM)
}

func expfmtParse(page string) (map[string]*dto.MetricFamily, error) {
	parser := expfmt.NewTextParser(model.LegacyValidation)
	return parser.TextToMetricFamilies(strings.NewReader(page))
}

// samples are the values of a page by series, those of this program.
func samples(families map[string]*dto.MetricFamily) map[string]float64 {
	all := map[string]float64{}
	for name, f := range families {
		if !strings.HasPrefix(name, "makebreak_") {
			continue
		}
		for _, m := range f.GetMetric() {
			labels := map[string]string{}
			for _, l := range m.GetLabel() {
				labels[l.GetName()] = l.GetValue()
			}
			h := m.GetHistogram()
			if h == nil {
				all[series(name, labels)] = m.GetCounter().GetValue() + m.GetGauge().GetValue()
				continue
			}
			all[series(name+"_sum", labels)], all[series(name+"_count", labels)] = h.GetSampleSum(), float64(h.GetSampleCount())
			for _, b := range h.GetBucket() {
				labels["le"] = strconv.FormatFloat(b.GetUpperBound(), 'g', -1, 64)
				all[series(name+"_bucket", labels)] = float64(b.GetCumulativeCount())
			}
		}
	}
	return all
}

// series writes a series in one way: labels in order, le as the shortest number; an
// empty label is none.
func series(name string, labels map[string]string) string {
	s := model.LabelSet{}
	for k, v := range labels {
		if f, err := strconv.ParseFloat(v, 64); k == "le" && err == nil {
			v = strconv.FormatFloat(f, 'g', -1, 64)
		}
		if v != "" {
			s[model.LabelName(k)] = model.LabelValue(v)
		}
	}
	return name + strings.ReplaceAll(s.String(), ", ", ",")
}

// need skips a test where a program is not installed, or fails it where
// MAKEBREAK_TESTS=require.
func need(t *testing.T, programs ...string) {
	t.Helper()
	for _, name := range programs {
		if _, err := exec.LookPath(name); err != nil {
			if os.Getenv("MAKEBREAK_TESTS") == "require" {
				t.Fatal(err)
			}
			t.Skipf("%v; MAKEBREAK_TESTS=require makes this a failure", err)
		}
	}
}

// freeAddress is one of this computer on which nothing listens.
func freeAddress(t *testing.T) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().String()
}

// prometheus is a running Prometheus.
type prometheus struct {
	*testing.T
	*exec.Cmd
	url    string
	client http.Client // reaches it
	log    bytes.Buffer
}

func startPrometheus(t *testing.T, dir, target string) *prometheus {
	t.Helper()
	return runPrometheus(t, dir, "global: {scrape_interval: 1s}\nscrape_configs:\n  - {job_name: makebreak, static_configs: [{targets: ['"+target+"'], labels: {exchange: Marrow Quay}}]}\n")
}

// runPrometheus starts one with a configuration.
func runPrometheus(t *testing.T, dir, text string) *prometheus {
	t.Helper()
	config := filepath.Join(dir, "prometheus.yml")
	writeFile(t, config, text)
	return launchPrometheus(t, freeAddress(t), "http", http.Client{}, "--config.file="+config, "--storage.tsdb.path="+filepath.Join(dir, "data"))
}

// launchPrometheus runs one until the test ends.
func launchPrometheus(t *testing.T, address, scheme string, client http.Client, args ...string) *prometheus {
	t.Helper()
	p := &prometheus{T: t, url: scheme + "://" + address, client: client, Cmd: exec.CommandContext(t.Context(), "prometheus", append(args, "--web.listen-address="+address)...)}
	p.Stdout, p.Stderr = &p.log, &p.log
	if err := p.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		p.Process.Kill()
		p.Wait()
		if t.Failed() {
			t.Log(p.log.String())
		}
	})
	p.await("ready", func() error {
		resp, err := p.client.Get(p.url + "/-/ready")
		if err != nil {
			return err
		}
		resp.Body.Close()
		if resp.StatusCode != http.StatusOK {
			return fmt.Errorf("%s", resp.Status)
		}
		return nil
	})
	return p
}

// await waits until f has no error.
func (p *prometheus) await(what string, f func() error) {
	p.Helper()
	p.awaitFor(30*time.Second, what, f)
}

func (p *prometheus) awaitFor(patience time.Duration, what string, f func() error) {
	p.Helper()
	var err error
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
		if err = f(); err == nil {
			return
		}
	}
	p.Fatalf("waited for it to be %s: %v", what, err)
}

// get asks Prometheus' HTTP API.
func (p *prometheus) get(path string, query url.Values, data any) {
	p.Helper()
	if err := p.ask(path, query, data); err != nil {
		p.Fatal(err)
	}
}

// ask is get that tells what is wrong.
func (p *prometheus) ask(path string, query url.Values, data any) error {
	resp, err := p.client.Get(p.url + "/api/v1/" + path + "?" + query.Encode())
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	answer := struct {
		Status, Error string
		Data          any
	}{Data: data}
	if err := json.NewDecoder(resp.Body).Decode(&answer); err != nil || answer.Status != "success" {
		return fmt.Errorf("%s: %w %s", path, err, answer.Error)
	}
	return nil
}

// query gives the values of an expression now, by series, without what the
// scrape added.
func (p *prometheus) query(expr string) map[string]float64 {
	p.Helper()
	return p.values(expr, "job", "instance", "exchange")
}

// values gives the values of an expression now, by series without these labels.
func (p *prometheus) values(expr string, without ...string) map[string]float64 {
	p.Helper()
	var data struct {
		Result []struct {
			Metric map[string]string
			Value  [2]any
		}
	}
	p.get("query", url.Values{"query": {expr}}, &data)
	all := map[string]float64{}
	for _, r := range data.Result {
		name := r.Metric["__name__"]
		for _, k := range append(without, "__name__") {
			delete(r.Metric, k)
		}
		v, err := strconv.ParseFloat(r.Value[1].(string), 64)
		if err != nil {
			p.Fatal(err)
		}
		all[series(name, r.Metric)] = v
	}
	return all
}
