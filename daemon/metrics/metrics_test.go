package metrics

import (
	"bytes"
	"flag"
	"io"
	"math"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus/testutil"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"makebreak/daemon/config"
	"makebreak/daemon/live"
	"makebreak/daemon/trend"
	"makebreak/hw"
	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

var update = flag.Bool("update", false, "write the golden files anew")

// A rig is a contact with the Meter that feeds it.
type rig struct {
	*live.Contact
	mu    sync.Mutex
	now   pulse.Stamp
	meter *pulse.Meter
	edges []pulse.Edge
	cfg   pulse.Config
}

func newRig(t testing.TB, s live.Setting, limits, description string) *rig {
	t.Helper()
	r := &rig{}
	r.Contact = live.New(s, 10*time.Minute, func() pulse.Stamp {
		r.mu.Lock()
		defer r.mu.Unlock()
		return r.now
	})
	p, err := config.Profile(limits)
	if err != nil {
		t.Fatal(err)
	}
	r.cfg = pulse.Config{Kind: p.Kind, Limits: p}
	r.edges = hwtest.Sim(t, description)
	return r
}

func (r *rig) begin(t testing.TB, of *Metrics) {
	t.Helper()
	cfg := r.Begin(r.cfg)
	cfg.Forget = true
	cfg.Observer = pulse.Tee(cfg.Observer, of.Observer(r.Figures().Name, cfg.Kind))
	m, err := pulse.NewMeter(cfg)
	if err != nil {
		t.Fatal(err)
	}
	r.meter = m
	r.Up(pulse.High)
}

// run feeds all edges, later than what came before, and a second of silence.
func (r *rig) run() {
	start := r.now
	for rest := r.edges; len(rest) > 0; {
		batch := slices.Clone(rest[:min(9, len(rest))])
		rest = rest[len(batch):]
		for i := range batch {
			batch[i].At += start
		}
		r.mu.Lock()
		r.now = batch[len(batch)-1].At
		r.mu.Unlock()
		r.meter.Add(batch)
		r.Edges(batch)
		r.Counts(r.meter.Counts())
	}
	r.mu.Lock()
	r.now += 1e9
	r.mu.Unlock()
	r.meter.Advance(r.now)
	r.Counts(r.meter.Counts())
}

// marrowQuay is an exchange with one contact of each sort, all invented.
func marrowQuay(t *testing.T) *Metrics {
	dial := newRig(t, live.Setting{Name: "generator-a", StuckAfter: time.Hour}, "au-s002-dial",
		"dial digits=1234567890 rate=9.2 break=64 gap=800ms break-at=7.2:75 jitter=0.1ms bounce=2:0.8ms chatter=0.02 seed=1")
	cam := newRig(t, live.Setting{Name: "busy-cam"}, "us-fcc-busy",
		"cam ipm=60 lobes=5 lobe-errors=0,6ms,0,0,0 cycles=100 missing-at=50 extra-at=70 jitter=0.5ms seed=2")
	ring := newRig(t, live.Setting{Name: "ringing"}, "au-s002-ringing-tone", "cadence 400/200/400/2000 cycles=20 jitter=1ms seed=3")
	const timingCam = "cam ipm=60 lobes=5 cycles=9000 break-drift=0.2/h gear=3.75:2ms jitter=0.5ms seed=4"
	timing := newRig(t, live.Setting{Name: "timing-cam"}, "us-fcc-busy", timingCam)
	timing.cfg.Lobes, timing.cfg.Drive = 5, timingDrive
	relay := newRig(t, live.Setting{Name: "relay"}, "us-fcc-busy", timingCam+" repeater=12ms:9ms repeater-lost-at=500 repeater-extra-at=700")
	unplugged := live.New(live.Setting{Name: "unplugged"}, time.Minute, func() pulse.Stamp { return 0 })
	unplugged.Down("no such line")
	m := New(Options{
		Build: Build{"1.2.3", "go1.26"},
		Log: func() Log {
			return Log{Bytes: 123456789, MaxBytes: 1e9, Lag: 250 * time.Millisecond, PendingEdges: 12, DroppedEdges: 7, RemovedEdges: 4321, WriteErrors: 3, Fault: "disk_full"}
		},
		Clock: func() Clock {
			return Clock{hw.Discipline{Synchronised: true, EstimatedErrorNS: 1500, FrequencyPPM: -12.5}, 2}
		},
		Configuration: func() Configuration { return Configuration{Taken: 3, Refused: 1, Stale: true} },
		Annotations: func() *Annotations {
			return &Annotations{
				Notes: Notes{"": {Plain: 1}, "busy-cam": {Plain: 2, AsFound: 3, AsLeft: 4}, "gone": {Plain: 5}},
				Soaks: map[string]Soak{
					"busy-cam":   {Going: &SoakProgress{Elapsed: 90 * time.Second, Read: time.Minute, Measured: 60, OutOfLimit: 5, Missing: 4, Extra: 3, LostEdges: 2}},
					"timing-cam": {Statement: pulse.ConditionalFail},
				},
			}
		},
	})
	m.Set([]*live.Contact{dial.Contact, cam.Contact, ring.Contact, unplugged})
	for _, r := range []*rig{dial, cam, ring} {
		r.begin(t, m)
		r.run()
	}
	dial.Finding(live.LimitCrossed)
	timing.follow(t, relay)
	m.Set([]*live.Contact{dial.Contact, cam.Contact, ring.Contact, timing.Contact, unplugged})
	return m
}

// timingDrive turns the cam at 12 rpm: the motor 5 times as fast, the idler 3.75
// times.
var timingDrive = &pulse.Drive{MotorRPM: 60, CamShaft: "cam", Lobes: 5, Shafts: []pulse.Shaft{
	{Name: "motor"}, {Name: "idler", From: "motor", DrivingTeeth: 18, OwnTeeth: 24}, {Name: "cam", From: "idler", DrivingTeeth: 20, OwnTeeth: 75},
}}

// follow feeds all edges to what follows the changes, beside another contact, and
// analyses them.
func (r *rig) follow(t *testing.T, output *rig) {
	pair := trend.NewPair("timing-cam", "relay", pulse.KindInterrupter, 0, 0, nil)
	r.Against(pair, nil)
	for _, side := range []trend.PairSide{{Pair: pair}, {Pair: pair, IsOutput: true}} {
		of := r
		if side.IsOutput {
			of = output
		}
		cfg := r.Begin(r.cfg)
		changes := pulse.NewTransitionReader(&cfg)
		observers := []pulse.Observer{cfg.Observer, {Event: func(e *pulse.Event) {
			if x, ok := changes.Read(e); ok {
				side.Feed(x)
			}
		}}}
		if !side.IsOutput {
			observers = append(observers, r.Trend.Begin(trend.Setting{Kind: cfg.Kind, Lobes: cfg.Lobes, Limits: cfg.Limits, Drive: cfg.Drive}))
		} else {
			observers = observers[1:]
		}
		cfg.Observer, cfg.Forget = pulse.Tee(observers...), true
		m, err := pulse.NewMeter(cfg)
		if err != nil {
			t.Fatal(err)
		}
		m.Add(of.edges)
		m.Finish(0)
		if !side.IsOutput {
			r.now = of.edges[len(of.edges)-1].At
			r.Trend.End(r.now)
			r.Counts(m.Counts())
		}
		side.UpTo(r.now + 5e9)
	}
	for range 3 { // a change stands when three analyses agree
		r.Trend.Analyse(r.now)
		r.Trend.Recall(nil) // there is something new to analyse
	}
}

// get scrapes the page.
func get(t testing.TB, m *Metrics, accept string) (contentType string, body []byte) {
	t.Helper()
	req := httptest.NewRequest("GET", "/metrics", nil)
	req.Header.Set("Accept", accept)
	w := httptest.NewRecorder()
	m.Handler().ServeHTTP(w, req)
	if w.Code != 200 {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	return w.Header().Get("Content-Type"), w.Body.Bytes()
}

// What Families tells is what stands on the page of an exchange that has
// everything, whose lines are the published interface.
func TestFamilies(t *testing.T) {
	page, err := os.ReadFile("testdata/metrics.txt")
	if err != nil {
		t.Fatal(err)
	}
	parser := expfmt.NewTextParser(model.UTF8Validation)
	published, err := parser.TextToMetricFamilies(bytes.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	units := map[Unit]int{}
	for _, f := range Families() {
		p := published[f.Name]
		if p == nil {
			t.Errorf("%s is not on the page", f.Name)
			continue
		}
		delete(published, f.Name)
		units[f.Unit]++
		if p.GetHelp() != f.Help || strings.ToLower(p.GetType().String()) != string(f.Kind) {
			t.Errorf("%s on the page: %s, %q; described: %s, %q", f.Name, p.GetType(), p.GetHelp(), f.Kind, f.Help)
		}
		for _, m := range p.Metric {
			var labels []string
			for _, l := range m.Label {
				labels = append(labels, l.GetName())
			}
			if diff := cmp.Diff(slices.Sorted(slices.Values(f.Labels)), slices.Sorted(slices.Values(labels))); diff != "" {
				t.Errorf("labels of %s: %s", f.Name, diff)
			}
		}
	}
	for name := range published {
		t.Errorf("%s is on the page and not described", name)
	}
	// Counted on the page by the names' ends.
	if diff := cmp.Diff(map[Unit]int{Number: 43, Seconds: 18, Hertz: 4, Ratio: 7, Bytes: 2}, units); diff != "" {
		t.Error(diff)
	}
}

func TestPage(t *testing.T) {
	contentType, got := get(t, marrowQuay(t), "text/plain")
	if !strings.HasPrefix(contentType, "text/plain; version=0.0.4") {
		t.Error(contentType)
	}
	const golden = "testdata/metrics.txt"
	if *update {
		if err := os.WriteFile(golden, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(string(got), "\n")); diff != "" {
		t.Errorf("the page is not the golden one (-update writes it anew):\n%s", diff)
	}
}

func TestLint(t *testing.T) {
	problems, err := testutil.GatherAndLint(marrowQuay(t).registry)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

// samples reads a page into values by name and labels.
func samples(t testing.TB, m *Metrics) map[string]float64 {
	t.Helper()
	_, page := get(t, m, "text/plain")
	parser := expfmt.NewTextParser(model.LegacyValidation)
	families, err := parser.TextToMetricFamilies(bytes.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]float64{}
	for name, f := range families {
		for _, x := range f.Metric {
			labels := map[string]string{}
			for _, l := range x.Label {
				labels[*l.Name] = *l.Value
			}
			key := strings.TrimPrefix(name, "makebreak_")
			for _, l := range []string{"contact", "quantity", "bound", "kind", "finding", "statement", "fault", "goversion", "version", "result",
				"estimate", "direction", "tau", "lobe", "of", "shaft", "value", "state"} {
				if v, ok := labels[l]; ok {
					key += " " + v
					delete(labels, l)
				}
			}
			if len(labels) > 0 {
				t.Errorf("%s has labels that it should not have: %v", name, labels)
			}
			switch {
			case x.Gauge != nil:
				all[key] = *x.Gauge.Value
			case x.Counter != nil:
				all[key] = *x.Counter.Value
			default:
				all[key+" count"], all[key+" sum"] = float64(*x.Histogram.SampleCount), *x.Histogram.SampleSum
			}
		}
	}
	return all
}

// Values are in base units and are what the signals were made to be.
func TestValues(t *testing.T) {
	got := samples(t, marrowQuay(t))
	for key, want := range map[string]float64{
		"up generator-a": 1, "up unplugged": 0, "contact_closed generator-a": 1, "contact_stuck generator-a": 0, "contact_stuck busy-cam": 0, "log_fault slow_disk": 0,
		"contact_info busy-cam interrupter": 1, "last_edge_age_seconds ringing": 1,
		"build_info go1.26 1.2.3": 1,
		// As marrowQuay has them.
		"notes_total  plain": 1, "notes_total busy-cam as_left": 4, "notes_total busy-cam as_found": 3, "notes_total ringing plain": 0,
		"soak_going busy-cam": 1, "soak_going ringing": 0, "soak_elapsed_seconds busy-cam": 90, "soak_read_seconds busy-cam": 60,
		"soak_seen busy-cam out_of_limit": 5, "soak_seen busy-cam lost_edges": 2, "soak_statement timing-cam conditional_fail": 1, "soak_statement timing-cam pass": 0,
		// 1 + 2 + … + 10 pulses in ten trains; 99 whole periods but those of
		// the interruption that is missing and of the one that is extra. An
		// interrupter's last opening waits for the next one to confirm it.
		"pulses_total generator-a": 55, "trains_total generator-a": 10, "cycles_total busy-cam": 96,
		"missing_total busy-cam": 1, "extra_total busy-cam": 1, "due_cycles_total busy-cam": 99,
		"break_seconds generator-a dial count": 55, "period_seconds generator-a dial count": 45, "break_seconds ringing interrupter count": 38,
		"period_seconds busy-cam interrupter count": 96, "bounce_seconds busy-cam interrupter sum": 0,
		"findings_total generator-a limit_crossed": 1, "findings_total generator-a stuck": 0,
		// AS/CA S002:2010 cl. 5.5.1.8: break 60 to 70 ms, pause from 750 ms.
		"limit_seconds generator-a break min": 0.06, "limit_seconds generator-a break max": 0.07,
		"limit_seconds generator-a interdigit min": 0.75, "limit_ratio generator-a percent_break max": 0.7,
		// 47 CFR 80.74: 54 to 66 a minute.
		"limit_hertz busy-cam rate min": 0.9, "limit_hertz busy-cam rate max": 1.1,
		// The break of 75 % is 81.5 ms long.
		"out_of_limit_total generator-a break max": 1, "judged_total generator-a break max": 55, "out_of_limit_total generator-a break min": 0,
		"verdict generator-a fail": 1, "verdict generator-a pass": 0, "verdict ringing not_measured": 0,
		"window_seconds generator-a": 600,
		// Its breaks grow by 0.2 points an hour. It has no lobe and no shaft.
		"standing_change timing-cam percent_break drifts   ": 1,
		"log_bytes": 123456789, "log_max_bytes": 1e9, "log_lag_seconds": 0.25, "log_pending_edges": 12,
		"log_dropped_edges_total": 7, "log_write_errors_total": 3, "log_fault disk_full": 1, "log_fault locked": 0,
		"clock_synchronised": 1, "clock_estimated_error_seconds": 1.5e-6, "clock_frequency_correction_ratio": -12.5e-6, "clock_steps_total": 2,
	} {
		if v, ok := got[key]; !ok || v != want {
			t.Errorf("%s: %v, want %v (shown: %v)", key, v, want, ok)
		}
	}
	for key, want := range map[string]float64{ // within the jitter
		"last_rate_hertz generator-a": 9.2, "last_rate_hertz busy-cam": 1, "last_rate_hertz ringing": 1. / 3,
		"last_percent_break_ratio generator-a": 0.64, "last_percent_break_ratio busy-cam": 0.5, "last_percent_break_ratio ringing": 2.2 / 3,
		"interdigit_gap_min_seconds generator-a": 0.8, "period_seconds busy-cam interrupter sum": 96, "break_seconds ringing interrupter sum": 19 * 2.2,
	} {
		if v, ok := got[key]; !ok || math.Abs(v/want-1) > 0.01 {
			t.Errorf("%s: %v, want about %v", key, v, want)
		}
	}
	for _, absent := range []string{"contact_closed unplugged", "edges_total unplugged", "verdict unplugged pass", "last_rate_hertz unplugged",
		"pulses_total busy-cam", "cycles_total generator-a", "interdigit_gap_min_seconds busy-cam"} {
		if v, ok := got[absent]; ok {
			t.Errorf("%s is shown as %v", absent, v)
		}
	}
	one := 0.0
	for key, v := range got {
		if strings.HasPrefix(key, "verdict ringing ") {
			one += v
		}
	}
	if one != 1 {
		t.Errorf("%v statements hold at once", one)
	}
	if m := New(Options{}); len(samples(t, m)) != 1 {
		t.Errorf("of nothing: %v", samples(t, m))
	}
}

// The histograms hold what the Meter's own statistics are of.
func TestObserverAgreesWithTheMeter(t *testing.T) {
	for _, d := range []string{
		"dial digits=1234567890 repeat=2 jitter=0.3ms bounce=3:1.5ms chatter=0.05 short-breaks=0.05 seed=1",
		"dial digits=0F9H12 rate=8.9 break=70 gap=700ms lost=0.01 lost-silent=0.005 bounce=2:1ms repeat=3 seed=1",
		"cam ipm=120 break=40 cycles=150 missing=0.03 extra=0.03 lost=0.002 jitter=3ms seed=1",
		"cadence 400/200/400/2000 cycles=60 jitter=4ms bounce=2:1ms missing=0.01 seed=1",
	} {
		kind, limits := pulse.KindInterrupter, "us-fcc-busy"
		if strings.HasPrefix(d, "dial") {
			kind, limits = pulse.KindDial, "au-s002-dial"
		}
		m := New(Options{})
		r := newRig(t, live.Setting{Name: "a"}, limits, d)
		meter, err := pulse.NewMeter(pulse.Config{Kind: kind, Observer: m.Observer("a", kind)})
		if err != nil {
			t.Fatal(err)
		}
		meter.Add(r.edges)
		want := meter.Finish(0)
		r.cfg = pulse.Config{Kind: kind}
		r.Begin(r.cfg)
		m.Set([]*live.Contact{r.Contact})
		breaks, periods := pulse.Stat{}, 0
		if want.Dial != nil {
			breaks, periods = want.Dial.BreakMS, want.Dial.RatePPS.N
		} else {
			breaks, periods = want.Interrupter.BreakMS, want.Interrupter.PeriodMS.N
		}
		got := samples(t, m)
		of := " a " + kind.String()
		for key, n := range map[string]int{"bounce": want.Settling.BounceMS.N, "period": periods, "break": breaks.N} {
			if x, ok := got[key+"_seconds"+of+" count"]; !ok || x != float64(n) || n == 0 {
				t.Errorf("%s: %v of %s, %d measured", d, x, key, n)
			}
		}
		sum, mean := got["break_seconds"+of+" sum"], breaks.Mean.V/1e3*float64(breaks.N)
		if math.Abs(sum-mean) > 1e-6*mean {
			t.Errorf("%s: breaks of %v s, %v measured", d, sum, mean)
		}
	}
}

// Native histograms go out with the classic ones; each value is in the right
// bucket.
func TestNativeHistograms(t *testing.T) {
	contentType, page := get(t, marrowQuay(t), "application/vnd.google.protobuf;proto=io.prometheus.client.MetricFamily;encoding=delimited")
	dec := expfmt.NewDecoder(bytes.NewReader(page), expfmt.Format(contentType))
	seen := 0
	for {
		var f dto.MetricFamily
		if err := dec.Decode(&f); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		if f.GetType() != dto.MetricType_HISTOGRAM {
			continue
		}
		for _, x := range f.Metric {
			h := x.Histogram
			seen++
			// Schema 6 has 64 buckets for each doubling: 1.1 % apart.
			if h.GetSchema() != 6 || len(h.Bucket) == 0 {
				t.Errorf("%s: schema %d, %d classic buckets", f.GetName(), h.GetSchema(), len(h.Bucket))
			}
			sum, key, count, delta := 0.0, int32(0), int64(0), h.PositiveDelta
			total := h.GetZeroCount()
			for _, s := range h.PositiveSpan {
				key += s.GetOffset()
				for range s.GetLength() {
					count += delta[0]
					delta = delta[1:]
					total += uint64(count)
					sum += float64(count) * math.Exp2((float64(key)-0.5)/64)
					key++
				}
			}
			if total != h.GetSampleCount() || math.Abs(sum-h.GetSampleSum()) > 0.006*h.GetSampleSum() {
				t.Errorf("%s: native buckets hold %d of %d, sum about %v, is %v", f.GetName(), total, h.GetSampleCount(), sum, h.GetSampleSum())
			}
		}
	}
	if seen != 12 {
		t.Errorf("%d histograms, want 3 for each of 4 contacts that were measured", seen)
	}
}

// A contact that is gone has no series any more, one that stays keeps its own.
func TestSet(t *testing.T) {
	a := newRig(t, live.Setting{Name: "a"}, "au-s002-dial", "dial digits=22")
	b := newRig(t, live.Setting{Name: "b"}, "au-s002-dial", "dial digits=22")
	m := New(Options{})
	m.Set([]*live.Contact{a.Contact, b.Contact})
	a.begin(t, m)
	b.begin(t, m)
	a.run()
	b.run()
	count := func(key string, want float64) {
		t.Helper()
		got, ok := samples(t, m)[key]
		if ok != (want >= 0) || ok && got != want {
			t.Errorf("%s: %v (shown: %v), want %v", key, got, ok, want)
		}
	}
	count("break_seconds a dial count", 4)
	m.Set([]*live.Contact{a.Contact})
	count("break_seconds a dial count", 4)
	count("break_seconds b dial count", -1)
	count("pulses_total b", -1)
	count("up b", -1)
	a.begin(t, m) // the source came back, or its limits changed
	a.run()
	count("break_seconds a dial count", 8)
	count("pulses_total a", 8)
	count("judged_total a break max", 8)
	m.Set([]*live.Contact{a.Contact, b.Contact}) // it comes back as it was
	count("break_seconds b dial count", 4)
	count("pulses_total b", 4)
	m.Set([]*live.Contact{a.Contact})
	// Another kind has histograms of its own, and the counts that both have go on.
	count("edges_total a", 16)
	dial := a.cfg
	a.cfg = pulse.Config{Kind: pulse.KindInterrupter}
	a.begin(t, m)
	count("break_seconds a interrupter count", 0)
	count("break_seconds a dial count", -1)
	count("pulses_total a", -1)
	count("edges_total a", 16)
	a.cfg = dial
	a.begin(t, m)
	count("break_seconds a interrupter count", -1)
	count("break_seconds a dial count", 8)
	count("pulses_total a", 8)
	count("judged_total a break max", 8)
}

// Scrapes and reloads come while edges do; counters never go back. The race
// detector looks on.
func TestScrapeWhileMeasuring(t *testing.T) {
	m := New(Options{})
	var rigs []*rig
	var contacts []*live.Contact
	for _, name := range []string{"a", "b", "c"} {
		r := newRig(t, live.Setting{Name: name}, "au-s002-dial", "dial digits=1234567890 repeat=5 jitter=0.2ms bounce=2:0.5ms")
		rigs = append(rigs, r)
		contacts = append(contacts, r.Contact)
		r.begin(t, m)
	}
	m.Set(contacts)
	var measuring, scraping sync.WaitGroup
	done := make(chan struct{})
	for _, r := range rigs {
		measuring.Go(func() {
			r.run()
			r.begin(t, m)
			r.run()
		})
	}
	for range 2 {
		scraping.Go(func() {
			last := map[string]float64{}
			for {
				now := samples(t, m)
				for key, v := range last {
					if (strings.Contains(key, "_total") || strings.HasSuffix(key, " count")) && v > now[key] {
						t.Errorf("%s went back from %v to %v", key, v, now[key])
					}
				}
				last = now
				m.Set(contacts)
				select {
				case <-done:
					return
				default:
				}
			}
		})
	}
	measuring.Wait()
	close(done)
	scraping.Wait()
	if got := samples(t, m); got["pulses_total c"] != 550 || got["break_seconds c dial count"] != 550 {
		t.Errorf("%v pulses, %v breaks", got["pulses_total c"], got["break_seconds c dial count"])
	}
}

// Four pages are made at a time, and more are refused at once.
func TestManyScrapes(t *testing.T) {
	made, wait := make(chan struct{}), make(chan struct{})
	m := New(Options{Log: func() Log {
		made <- struct{}{}
		<-wait
		return Log{}
	}})
	h := m.Handler()
	scrape := func() int {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
		return w.Code
	}
	var scraping sync.WaitGroup
	for range 4 {
		scraping.Go(func() {
			if code := scrape(); code != 200 {
				t.Errorf("status %d", code)
			}
		})
		<-made
	}
	fifth := make(chan int, 1)
	scraping.Go(func() { fifth <- scrape() })
	select {
	case code := <-fifth:
		if code != 503 {
			t.Errorf("status of a fifth scrape is %d", code)
		}
	case <-made:
		t.Error("a fifth page is being made")
	}
	close(wait)
	scraping.Wait()
}

// What a scrape shows of a pulse costs no allocation when the pulse comes.
func TestNoAllocations(t *testing.T) {
	r := newRig(t, live.Setting{Name: "a"}, "au-s002-dial", "dial digits=2")
	cfg := r.Begin(r.cfg)
	cfg.Observer = pulse.Tee(cfg.Observer, New(Options{}).Observer("a", cfg.Kind))
	row := pulse.PulseRow{Pulse: 3, BreakNS: 61e6, PeriodNS: 100e6, MakeNS: 39e6}
	event := pulse.Event{At: 5, End: 1e6}
	i := int64(0)
	if n := testing.AllocsPerRun(1000, func() {
		i = (i + 1) % 100
		row.At += 100e6
		row.BreakNS = 61e6 + i*1e4
		cfg.Observer.Pulse(&row)
		cfg.Observer.Event(&event)
	}); n != 0 {
		t.Errorf("%v allocations for a pulse", n)
	}
}

func BenchmarkScrape(b *testing.B) {
	m := New(Options{})
	var contacts []*live.Contact
	for i := range 16 {
		r := newRig(b, live.Setting{Name: string(rune('a' + i))}, "au-s002-dial", "dial digits=1234567890 jitter=0.2ms")
		r.begin(b, m)
		r.run()
		contacts = append(contacts, r.Contact)
	}
	m.Set(contacts)
	b.ReportAllocs()
	for b.Loop() {
		get(b, m, "text/plain")
	}
}
