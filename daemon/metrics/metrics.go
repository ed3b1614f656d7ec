// Package metrics shows watched contacts, the log and the clock to Prometheus.
//
// All names begin with makebreak_, all units are base units: seconds, hertz,
// ratios from 0 to 1. The only labels are contact, numbers of lobes, names of shafts
// as the configuration has them, and fixed words, which the help texts list;
// makebreak_build_info alone has versions. What is not known
// is absent, never 0. Counters and histograms of a contact go on through new
// measurements and changed configurations, as live.Totals do. What the present
// configuration does not use is absent, and comes back with its old value.
package metrics

import (
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"makebreak/daemon/live"
	"makebreak/daemon/trend"
	"makebreak/hw"
	"makebreak/pulse"
)

// A Build tells which program is running.
type Build struct{ Version, GoVersion string }

// SlowDisk is the fault of a disk that takes long to write, without an error.
const SlowDisk = "slow_disk"

// Faults are the label values for why the log cannot be written, or exceeds its
// limits. The last one stands for all others.
var Faults = []string{"disk_full", "read_only", "locked", SlowDisk, "over_limit", "damaged", "other"}

// A Log is the state of the store of edges and findings.
type Log struct {
	Bytes, MaxBytes int64
	Lag             time.Duration // age of the oldest edge that is not committed
	PendingEdges    int64         // not committed
	DroppedEdges    uint64        // that there was no room for
	RemovedEdges    uint64        // because of their age or the size of the log
	WriteErrors     uint64
	Fault           string // one of Faults, empty for none
}

// A Clock is the state of the clock that stamps the edges.
type Clock struct {
	hw.Discipline
	Steps uint64 // of the wall clock, since the start
}

// A Configuration counts changes of the configuration since the start.
type Configuration struct {
	Taken, Refused uint64
	Stale          bool // the latest was refused: the one before is in force
}

// Notes counts the notes of the log by contact, empty for those on the site.
type Notes map[string]NoteCount

// A NoteCount counts notes by their state: neither as found nor as left, and those.
type NoteCount struct{ Plain, AsFound, AsLeft uint64 }

// A Soak is how soak tests of a contact are.
type Soak struct {
	Going *SoakProgress // nil while none goes on
	// Statement is that of the latest finished test, empty without.
	Statement pulse.Statement
}

// A SoakProgress is how the soak test that goes on is, by the log's whole minutes but
// for Elapsed.
type SoakProgress struct {
	Elapsed, Read                                   time.Duration
	Measured, OutOfLimit, Missing, Extra, LostEdges int64
}

// soakWords are the label values of what is counted, as send has them.
var soakWords = [...]string{"measured", "out_of_limit", "missing", "extra", "lost_edges"}

// Annotations are what people added to the log.
type Annotations struct {
	Notes Notes
	Soaks map[string]Soak // by contact
}

// Options are what is shown beside the contacts; nothing of what is nil.
type Options struct {
	Build         Build
	Log           func() Log
	Clock         func() Clock
	Configuration func() Configuration
	// Annotations gives nil while the log was not read yet.
	Annotations func() *Annotations
	Runtime     bool // also the metrics of the process and the Go runtime
}

// Metrics is a registry with all of makebreak's metrics.
type Metrics struct {
	opt      Options
	registry *prometheus.Registry
	lengths  [3]*prometheus.HistogramVec // bounce, period, break
	families families

	mu    sync.Mutex
	shown []*live.Contact
}

// The classic buckets; native histograms have their own. Their bounds are near
// those of limits: dials of 8 to 20 pps with breaks of 60 to 70 ms, interrupters
// of 30 to 120 IPM, cadences of some seconds.
var (
	bounceBuckets = []float64{0, 0.0001, 0.0002, 0.0005, 0.001, 0.002, 0.003, 0.005, 0.01}
	periodBuckets = []float64{0.045, 0.05, 0.055, 0.07, 0.08, 0.09, 0.095, 0.1, 0.105, 0.11, 0.125, 0.15, 0.25, 0.4, 0.49, 0.51, 0.75, 0.95, 1.05, 1.5, 2, 3, 4, 6, 10}
	breakBuckets  = []float64{0.02, 0.03, 0.035, 0.04, 0.05, 0.055, 0.058, 0.06, 0.062, 0.064, 0.066, 0.068, 0.07, 0.075, 0.08, 0.1, 0.15, 0.2, 0.25, 0.3, 0.5, 0.75, 1, 2, 4}
)

const (
	// nativeFactor gives native buckets that are 1.1 % apart (schema 6): the
	// lengths of a good dial differ by little more.
	nativeFactor = 1.02
	// nativeMost bounds the memory of a contact whose lengths differ widely: its
	// buckets become wider.
	nativeMost = 100
)

// New makes the registry, without any contact.
func New(opt Options) *Metrics {
	m := &Metrics{opt: opt, registry: prometheus.NewRegistry(), families: newFamilies()}
	for i, h := range m.families.lengths {
		m.lengths[i] = prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: h.Name, Help: h.Help, Buckets: h.buckets,
			NativeHistogramBucketFactor: nativeFactor, NativeHistogramMaxBucketNumber: nativeMost,
		}, h.Labels)
	}
	m.registry.MustRegister(m)
	if opt.Runtime {
		m.registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	}
	return m
}

// Set shows exactly these contacts from now on. Their names must differ.
func (m *Metrics) Set(contacts []*live.Contact) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.shown = slices.Clone(contacts)
}

// Observer feeds the histograms of a contact that a Meter of that kind measures.
// They go on over all Meters of the contact.
func (m *Metrics) Observer(contact string, kind pulse.Kind) pulse.Observer {
	of := func(i int) func(ns int64) {
		h := m.lengths[i].WithLabelValues(contact, kind.String())
		return func(ns int64) { h.Observe(float64(ns) / 1e9) }
	}
	bounce, period, brk := of(0), of(1), of(2)
	return pulse.Observer{
		Event: func(e *pulse.Event) {
			if e.Kind == pulse.EventTransition {
				bounce(int64(e.End - e.At))
			}
		},
		Pulse: func(r *pulse.PulseRow) {
			if !r.Counts() {
				return
			}
			brk(r.BreakNS)
			if r.PeriodNS > 0 {
				period(r.PeriodNS)
			}
		},
		Cycle: func(r *pulse.CycleRow) {
			if r.Whole {
				period(r.PeriodNS)
			}
			for ns := range r.Breaks() {
				brk(ns)
			}
		},
	}
}

// Handler serves the page of metrics. It makes four pages at a time and
// answers 503 to more.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{
		EnableOpenMetrics: true, MaxRequestsInFlight: 4, Timeout: 10 * time.Second,
	})
}

// Describe implements prometheus.Collector.
func (m *Metrics) Describe(ch chan<- *prometheus.Desc) {
	for _, f := range m.families.all {
		ch <- f.desc
	}
	for _, h := range m.lengths {
		h.Describe(ch)
	}
}

// Collect implements prometheus.Collector.
func (m *Metrics) Collect(ch chan<- prometheus.Metric) {
	m.mu.Lock()
	contacts := m.shown
	m.mu.Unlock()
	f := &m.families
	f.build.send(ch, 1, m.opt.Build.Version, m.opt.Build.GoVersion)
	for _, c := range contacts {
		x := c.Figures()
		f.contact(ch, x)
		if x.Kind != pulse.KindAuto {
			for _, h := range m.lengths {
				ch <- h.WithLabelValues(x.Name, x.Kind.String()).(prometheus.Metric)
			}
		}
	}
	if m.opt.Log != nil {
		f.log(ch, m.opt.Log())
	}
	if m.opt.Clock != nil {
		f.clock(ch, m.opt.Clock())
	}
	if m.opt.Configuration != nil {
		c := m.opt.Configuration()
		f.configStale.send(ch, number(c.Stale))
		f.configReloads.send(ch, float64(c.Taken), "taken")
		f.configReloads.send(ch, float64(c.Refused), "refused")
	}
	if m.opt.Annotations != nil {
		if a := m.opt.Annotations(); a != nil {
			f.annotations(ch, contacts, a)
		}
	}
}

// annotations sends what people added to the log about the contacts and the site.
func (f *families) annotations(ch chan<- prometheus.Metric, contacts []*live.Contact, a *Annotations) {
	names := []string{""} // of the site
	for _, c := range contacts {
		name := c.Name()
		names = append(names, name)
		soak := a.Soaks[name]
		f.soakGoing.send(ch, number(soak.Going != nil), name)
		if p := soak.Going; p != nil {
			f.soakElapsed.send(ch, p.Elapsed.Seconds(), name)
			f.soakRead.send(ch, p.Read.Seconds(), name)
			for i, n := range [len(soakWords)]int64{p.Measured, p.OutOfLimit, p.Missing, p.Extra, p.LostEdges} {
				f.soakSeen.send(ch, float64(n), name, soakWords[i])
			}
		}
		if soak.Statement != "" {
			for _, s := range statements {
				f.soakStatement.send(ch, number(s == soak.Statement), name, label(s))
			}
		}
	}
	for _, name := range names {
		n := a.Notes[name]
		f.notes.send(ch, float64(n.Plain), name, "plain")
		f.notes.send(ch, float64(n.AsFound), name, "as_found")
		f.notes.send(ch, float64(n.AsLeft), name, "as_left")
	}
}

// label is the label value of a statement.
func label(s pulse.Statement) string { return strings.ReplaceAll(string(s), " ", "_") }

func (f *families) contact(ch chan<- prometheus.Metric, x live.Figures) {
	name := x.Name
	f.up.send(ch, number(x.Up), name)
	if x.Kind == pulse.KindAuto {
		return // it was never measured
	}
	f.info.send(ch, 1, name, x.Kind.String())
	if x.State != live.Unknown {
		f.closed.send(ch, number(x.State == live.Closed), name)
	}
	if x.StuckAfter > 0 {
		f.stuck.send(ch, number(x.Stuck), name)
	}
	f.edgeAge.known(ch, x.SinceEdge, 1, name)
	for _, t := range f.totals {
		if t.kind == pulse.KindAuto || t.kind == x.Kind {
			t.send(ch, float64(t.of(&x.Totals)), name)
		}
	}
	for kind, n := range x.Findings {
		f.findings.send(ch, float64(n), name, live.Finding(kind).String())
	}
	perSecond := 1.
	if x.Kind == pulse.KindInterrupter {
		perSecond = 60
	}
	f.rate.known(ch, x.Rate, perSecond, name)
	f.percent.known(ch, x.BreakPercent, 100, name)
	f.window.send(ch, x.Window.Seconds(), name)
	f.gap.known(ch, x.InterdigitMS, 1000, name)
	f.changes(ch, name, x.Kind, &x.Changes)
	if p := x.Against; p != nil {
		f.pairs.send(ch, float64(p.Counts.Pairs), name)
		f.outputLost.send(ch, float64(p.Counts.Lost), name)
		f.outputExtra.send(ch, float64(p.Counts.Extra), name)
		for _, q := range p.Of {
			quantity, _, divisor := baseUnit(string(q.Quantity))
			for value, v := range map[string]float64{"mean": q.Mean, "min": q.Min, "max": q.Max} {
				f.together.send(ch, v/divisor, name, quantity, value)
			}
		}
	}
	if x.Statement != "" {
		for _, s := range statements {
			f.verdict.send(ch, number(s == x.Statement), name, label(s))
		}
	}
	for _, it := range x.Items {
		quantity, unit, divisor := baseUnit(it.Quantity)
		f.limits[unit].send(ch, it.Limit/divisor, name, quantity, it.Bound)
		f.out.send(ch, float64(it.TotalOut), name, quantity, it.Bound)
		f.judged.send(ch, float64(it.TotalOf), name, quantity, it.Bound)
	}
}

// standing are the findings of the changes that can stand.
var standing = map[trend.ChangeKind]live.Finding{trend.Drifting: live.Drifts, trend.Stepped: live.Stepped, trend.SwingGrown: live.SwingGrown}

// changes sends what is known of how a contact changes.
func (f *families) changes(ch chan<- prometheus.Metric, name string, kind pulse.Kind, c *trend.Figures) {
	if d := c.Drift; d != nil {
		rate := pulse.RatePPS
		if kind == pulse.KindInterrupter {
			rate = pulse.RateIPM
		}
		for _, q := range []struct {
			of pulse.Quantity
			*pulse.Trend
		}{{rate, d.Rate}, {pulse.BreakPercent, d.BreakPercent}, {pulse.BreakMS, d.BreakMS}} {
			if q.Trend != nil {
				f.trend(ch, name, string(q.of), q.Trend)
			}
		}
		for _, l := range d.Lobes {
			for of, t := range map[string]*pulse.Trend{"opening": l.Opening, "break": l.Break} {
				if t != nil {
					estimates(f.lobeDrift, ch, t.Low, t.SlopePerHour, t.High, 1000, name, strconv.Itoa(l.Lobe), of)
				}
			}
		}
	}
	for i, l := range c.Lobes {
		for of, m := range map[string]pulse.WindowMean{"opening": l.Opening, "break": l.Break} {
			f.lobeError.known(ch, pulse.Num{V: m.Mean, OK: m.N > 0}, 1000, name, strconv.Itoa(i+1), of)
		}
	}
	for _, p := range c.Deviations {
		f.deviation.known(ch, p.Deviation, 1, name, strconv.Itoa(int(p.NominalS)))
	}
	if t := c.Train; t != nil {
		for _, s := range t.Shafts {
			f.swing.known(ch, s.AmplitudeMS, 1000, name, s.Name)
			f.swingByChance.known(ch, s.FalseAlarm, 1, name, s.Name)
		}
	}
	for i := range c.Standing {
		finding, ok := standing[c.Standing[i].Kind]
		if !ok {
			continue
		}
		x := &c.Standing[i].Subject
		var quantity, lobe string
		if x.Quantity != "" {
			quantity, _, _ = baseUnit(string(x.Quantity))
		}
		if x.Lobe > 0 {
			lobe = strconv.Itoa(c.Standing[i].Lobe)
		}
		f.standing.send(ch, 1, name, finding.String(), quantity, lobe, x.Of, x.Shaft)
	}
}

// trend sends that of one quantity.
func (f *families) trend(ch chan<- prometheus.Metric, name, of string, t *pulse.Trend) {
	quantity, unit, divisor := baseUnit(of)
	estimates(f.drift[unit], ch, t.Low, t.SlopePerHour, t.High, divisor, name, quantity)
	f.ewma[unit].known(ch, t.EWMA, divisor, name, quantity)
	f.cusum.known(ch, t.CUSUMHigh, 1, name, quantity, "up")
	f.cusum.known(ch, t.CUSUMLow, 1, name, quantity, "down")
	if t.EWMA.OK {
		f.shifted.send(ch, number(t.Alarm), name, quantity)
	}
	if x := t.CrossesLimitInHours; x != nil {
		bound := "min"
		if t.SlopePerHour.V > 0 {
			bound = "max"
		}
		estimates(f.toLimit, ch, x.Low, x.Estimate, x.High, 1./3600, name, quantity, bound)
	}
}

// estimates sends a value with the ends of its 95 % interval.
func estimates(f family, ch chan<- prometheus.Metric, low, middle, high pulse.Num, divisor float64, labels ...string) {
	for _, x := range []struct {
		pulse.Num
		which string
	}{{low, "low"}, {middle, "middle"}, {high, "high"}} {
		f.known(ch, x.Num, divisor, append(slices.Clone(labels), x.which)...)
	}
}

// baseUnit gives a quantity's label and base unit, and the divisor that takes
// its values to that unit.
func baseUnit(quantity string) (label string, unit Unit, divisor float64) {
	switch pulse.Quantity(quantity) {
	case pulse.RatePPS:
		return "rate", Hertz, 1
	case pulse.RateIPM:
		return "rate", Hertz, 60
	case pulse.BreakPercent:
		return "percent_break", Ratio, 100
	case pulse.BreakRatio:
		return "break_to_make", Ratio, 1
	}
	return strings.TrimSuffix(quantity, "_ms"), Seconds, 1000
}

func (f *families) log(ch chan<- prometheus.Metric, l Log) {
	f.logBytes.send(ch, float64(l.Bytes))
	f.logMax.send(ch, float64(l.MaxBytes))
	f.logLag.send(ch, l.Lag.Seconds())
	f.logPending.send(ch, float64(l.PendingEdges))
	f.logDropped.send(ch, float64(l.DroppedEdges))
	f.logRemoved.send(ch, float64(l.RemovedEdges))
	f.logErrors.send(ch, float64(l.WriteErrors))
	fault := l.Fault
	if fault != "" && !slices.Contains(Faults, fault) {
		fault = Faults[len(Faults)-1]
	}
	for _, x := range Faults {
		f.logFault.send(ch, number(x == fault), x)
	}
}

func (f *families) clock(ch chan<- prometheus.Metric, c Clock) {
	f.clockSync.send(ch, number(c.Synchronised))
	f.clockError.send(ch, float64(c.EstimatedErrorNS)/1e9)
	f.clockFrequency.send(ch, c.FrequencyPPM/1e6)
	f.clockSteps.send(ch, float64(c.Steps))
}

func number(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
