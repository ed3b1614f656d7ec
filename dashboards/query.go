package dashboards

import (
	"fmt"
	"slices"
	"strings"

	"github.com/grafana/grafana-foundation-sdk/go/units"

	"makebreak/daemon/metrics"
)

// A unit is what a value is in.
type unit struct {
	of metrics.Unit
	// millionths is true of a ratio in parts per million; perSecond of a rate.
	millionths, perSecond bool
}

// shown is what Grafana calls the unit.
func (u unit) shown() string {
	switch {
	case u.millionths:
		return units.PartsPerMillion
	case u.perSecond && u.of == metrics.Number:
		return units.CountsPerSecond
	case u.perSecond && u.of == metrics.Seconds: // of a second
		return units.PercentUnit
	}
	return map[metrics.Unit]string{
		metrics.Number: units.Short, metrics.Seconds: units.Seconds, metrics.Hertz: units.Hertz, metrics.Ratio: units.PercentUnit, metrics.Bytes: units.BytesSI,
	}[u.of]
}

// A book knows the metrics, and gathers what is wrong with queries of them.
type book struct {
	families map[string]metrics.Family
	problems []error
	ids      uint32 // of panels
}

// others are metrics of Prometheus itself and of the Go runtime's collectors that
// makebreak has too.
var others = []metrics.Family{
	{Name: "up", Kind: metrics.Gauge},
	{Name: "scrape_duration_seconds", Kind: metrics.Gauge, Unit: metrics.Seconds},
	{Name: "scrape_samples_scraped", Kind: metrics.Gauge},
	{Name: "process_start_time_seconds", Kind: metrics.Gauge, Unit: metrics.Seconds},
	{Name: "process_cpu_seconds_total", Kind: metrics.Counter, Unit: metrics.Seconds},
	{Name: "process_resident_memory_bytes", Kind: metrics.Gauge, Unit: metrics.Bytes},
	{Name: "process_open_fds", Kind: metrics.Gauge},
}

// prefix begins the name of each metric of makebreak.
const prefix = "makebreak_"

func newBook(families []metrics.Family) *book {
	b := &book{families: map[string]metrics.Family{}}
	for _, f := range append(slices.Clone(families), others...) {
		b.families[f.Name] = f
	}
	return b
}

func (b *book) problem(format string, args ...any) {
	b.problems = append(b.problems, fmt.Errorf(format, args...))
}

// A value is an expression of PromQL whose unit is known.
type value struct {
	*book
	expr string
	unit
	counter bool // never goes back, and is a plain selector
}

const (
	// here is in every query: the chosen exchange.
	here = `exchange="$exchange"`
	// me chooses the contact of a dashboard of one.
	me = "contact=~$contact"
)

// of chooses the series of a metric, without its prefix makebreak_, in the exchange.
// Each of where is label=value or label=~pattern.
func (b *book) of(name string, where ...string) value {
	return b.choose(name, append([]string{here}, b.where(name, where)...))
}

// every is of in all exchanges.
func (b *book) every(name string) value { return b.choose(name, nil) }

func (b *book) choose(name string, where []string) value {
	f, found := b.family(name)
	if !found {
		b.problem("there is no metric %q", name)
	}
	name = b.whole(name)
	v := value{book: b, expr: name, unit: unit{of: f.Unit}, counter: f.Kind == metrics.Counter}
	if len(where) > 0 {
		v.expr += "{" + strings.Join(where, ",") + "}"
	}
	if f.Kind == metrics.Histogram {
		v.counter = true
		switch {
		case strings.HasSuffix(name, "_count"), strings.HasSuffix(name, "_bucket"):
			v.unit = unit{}
		case !strings.HasSuffix(name, "_sum"):
			b.problem("%s is a histogram: expected its _sum, _count or _bucket", name)
		}
	}
	return v
}

// whole is the name of a metric of makebreak with its prefix.
func (b *book) whole(name string) string {
	if _, ok := b.families[name]; ok || strings.HasPrefix(name, prefix) {
		return name
	}
	return prefix + name
}

// family finds the family of a metric, also by the series of a histogram.
func (b *book) family(name string) (metrics.Family, bool) {
	name = b.whole(name)
	if f, ok := b.families[name]; ok {
		return f, true
	}
	for _, end := range []string{"_sum", "_count", "_bucket"} {
		if f, ok := b.families[strings.TrimSuffix(name, end)]; ok && strings.HasSuffix(name, end) && f.Kind == metrics.Histogram {
			return f, true
		}
	}
	return metrics.Family{}, false
}

func (b *book) where(name string, where []string) (all []string) {
	f, _ := b.family(name)
	for _, w := range where {
		label, v, ok := strings.Cut(w, "=")
		if !ok || !slices.Contains(f.Labels, label) {
			b.problem("%s has no label for %q: it has %q", name, w, f.Labels)
		}
		op := "="
		if strings.HasPrefix(v, "~") {
			op, v = "=~", v[1:]
		}
		all = append(all, fmt.Sprintf("%s%s%q", label, op, v))
	}
	return all
}

// by aggregates over all but these labels, and the daemon.
func (v value) by(how string, labels ...string) value {
	by := strings.Join(append([]string{"instance"}, labels...), ", ")
	return value{book: v.book, unit: v.unit, expr: how + " by (" + by + ") (" + v.expr + ")"}
}

// sumBy sums over all but these labels, the daemon too.
func (v value) sumBy(labels ...string) value {
	return value{book: v.book, unit: v.unit, expr: "sum by (" + strings.Join(labels, ", ") + ") (" + v.expr + ")"}
}

// zeros counts the series that are 0, of 0 and 1.
func (v value) zeros() value {
	return value{book: v.book, unit: v.unit, expr: "sum(1 - " + v.expr + ")"}
}

// age is how long ago a time was.
func (v value) age() value { return value{book: v.book, unit: v.unit, expr: "time() - " + v.expr} }

// total aggregates over all.
func (v value) total(how string) value {
	return value{book: v.book, unit: v.unit, expr: how + "(" + v.expr + ")"}
}

// rate is by how much a counter grows in a second.
func (v value) rate() value {
	u := v.unit
	u.perSecond = true
	return v.over("rate", "$__rate_interval", u)
}

// increase is by how much a counter grows in a time.
func (v value) increase(in string) value { return v.over("increase", in, v.unit) }

func (v value) over(function, in string, u unit) value {
	if !v.counter {
		v.problem("%s(%s): expected a counter", function, v.expr)
	}
	return value{book: v.book, unit: u, expr: function + "(" + v.expr + "[" + in + "])"}
}

// percentile is that of a histogram's buckets.
func (v value) percentile(p float64) value {
	name, _, _ := strings.Cut(v.expr, "{")
	f, _ := v.family(name)
	return value{book: v.book, unit: unit{of: f.Unit}, expr: fmt.Sprintf("histogram_quantile(%g, sum by (le) (%s))", p, v.rate().expr)}
}

func (v value) same(how string, w value) {
	if v.unit != w.unit {
		v.problem("%s %s %s: the units %+v and %+v differ", v.expr, how, w.expr, v.unit, w.unit)
	}
}

func (v value) plus(w value) value {
	v.same("+", w)
	return value{book: v.book, unit: v.unit, expr: v.expr + " + " + w.expr}
}

func (v value) or(w value) value {
	v.same("or", w)
	return value{book: v.book, unit: v.unit, expr: v.expr + " or " + w.expr}
}

// share is a part of a whole.
func (v value) share(whole value) value {
	v.same("/", whole)
	return value{book: v.book, unit: unit{of: metrics.Ratio}, expr: v.expr + " / (" + whole.expr + " > 0)"}
}

// mean is a sum by a count.
func (v value) mean(count value) value {
	if count.unit.of != metrics.Number || !count.perSecond || !v.perSecond {
		v.problem("%s / %s: expected the rates of a sum and a count", v.expr, count.expr)
	}
	return value{book: v.book, unit: unit{of: v.unit.of}, expr: v.expr + " / (" + count.expr + " > 0)"}
}

// times multiplies by a plain number.
func (v value) times(k float64) value {
	return value{book: v.book, unit: v.unit, expr: fmt.Sprintf("%g * %s", k, v.expr)}
}

// atMost bounds the share of what was not seen once in v tries, where bad is 0: the
// upper end of a one-sided interval of 95 % after C. Clopper and E. Pearson (1934).
func (v value) atMost(bad value) value {
	v.same("and", bad)
	return value{book: v.book, unit: unit{of: metrics.Ratio}, expr: "1 - 0.05 ^ (1 / (" + v.expr + " > 0)) and " + bad.expr + " == 0"}
}

// millionths gives a ratio in parts per million.
func (v value) millionths() value {
	if v.unit != (unit{of: metrics.Ratio}) {
		v.problem("%s: expected a ratio", v.expr)
	}
	return value{book: v.book, unit: unit{of: metrics.Ratio, millionths: true}, expr: "1e6 * " + v.expr}
}

// room is how far a value is from its nearer limit: 1 in the middle between them, 0
// on one, below 0 beyond it.
func (v value) room(least, most value) value {
	v.same("-", least)
	v.same("-", most)
	return value{book: v.book, unit: unit{of: metrics.Ratio},
		expr: fmt.Sprintf("1 - abs(2 * %s - %s - %s) / (%s - %s)", v.expr, most.expr, least.expr, most.expr, least.expr)}
}

// The figures that have limits on both sides, by the names of their metrics.
var (
	ofRate    = limited{"last_rate_hertz", "limit_hertz", "rate"}
	ofPercent = limited{"last_percent_break_ratio", "limit_ratio", "percent_break"}
)

type limited struct{ last, limit, quantity string }

// room is that of the latest value of each contact.
func (l limited) room(b *book, where ...string) value {
	bound := func(which string) value {
		return b.of(l.limit, append([]string{"quantity=" + l.quantity, "bound=" + which}, where...)...).by("max", "contact")
	}
	return b.of(l.last, where...).by("max", "contact").room(bound("min"), bound("max"))
}

// statement numbers the statements of conformity, as the mapping verdicts shows them.
func statement(b *book, metric string, where ...string) (v value) {
	for i, s := range statements {
		x := b.of(metric, append([]string{"statement=" + s.label}, where...)...).by("max", "contact")
		if i == 0 {
			v = x
		} else {
			v = v.plus(x.times(float64(i + 1)))
		}
	}
	return v
}
