package metrics

import (
	"strings"

	"github.com/prometheus/client_golang/prometheus"

	"makebreak/daemon/live"
	"makebreak/pulse"
)

// A Unit is the base unit of a family's values, and the end of its name.
type Unit string

// The units.
const (
	Number  Unit = "" // a count, or 0 for no and 1 for yes
	Seconds Unit = "seconds"
	Hertz   Unit = "hertz"
	Ratio   Unit = "ratio" // of two like values: 0.61 is 61 %
	Bytes   Unit = "bytes"
)

// A Kind says how a family's values move.
type Kind string

// The kinds.
const (
	Gauge     Kind = "gauge"   // a value now
	Counter   Kind = "counter" // never goes back while the program runs; its name ends in _total
	Histogram Kind = "histogram"
)

// A Family describes the metrics of one name.
type Family struct {
	Name   string // whole, such as makebreak_edges_total
	Help   string
	Unit   Unit
	Kind   Kind
	Labels []string // names, in order; nil without any
}

// Families gives every family that a page may have, in a fixed order, without
// those of the process and the Go runtime. The collectors are made from the same
// descriptions.
func Families() []Family {
	f := newFamilies()
	list := make([]Family, 0, len(f.all)+len(f.lengths))
	for _, x := range f.all {
		list = append(list, x.Family)
	}
	for _, x := range f.lengths {
		list = append(list, x.Family)
	}
	return list
}

// describe makes a Family; name is what it is, without prefix, unit and kind.
func describe(kind Kind, name string, unit Unit, help string, labels []string) Family {
	name = "makebreak_" + name
	if unit != Number {
		name += "_" + string(unit)
	}
	if kind == Counter {
		name += "_total"
	}
	return Family{name, help, unit, kind, labels}
}

// A family sends the metrics of a Family.
type family struct {
	Family
	desc  *prometheus.Desc
	value prometheus.ValueType
}

// A length is a Histogram with its classic buckets; native ones have their own.
type length struct {
	Family
	buckets []float64
}

func (f family) send(ch chan<- prometheus.Metric, v float64, labels ...string) {
	ch <- prometheus.MustNewConstMetric(f.desc, f.value, v, labels...)
}

// known sends a value if it is known.
func (f family) known(ch chan<- prometheus.Metric, v pulse.Num, divisor float64, labels ...string) {
	if v.OK {
		f.send(ch, v.V/divisor, labels...)
	}
}

// A total is the family of one of live.Totals.
type total struct {
	family
	kind pulse.Kind // of the contacts that have it; KindAuto: both
	of   func(*live.Totals) uint64
}

// families are all families.
type families struct {
	all     []family  // without the histograms
	lengths [3]length // bounce, period, break

	build, up, info, closed, stuck, edgeAge, findings family
	totals                                            []total
	rate, percent, window, gap                        family
	verdict, out, judged                              family
	limits                                            map[Unit]family
	drift, ewma                                       map[Unit]family
	cusum, shifted, toLimit, deviation                family
	lobeError, lobeDrift, swing, swingByChance        family
	standing                                          family
	pairs, outputLost, outputExtra, together          family

	logBytes, logMax, logLag, logPending, logDropped, logRemoved, logErrors, logFault family
	clockSync, clockError, clockFrequency, clockSteps                                 family
	configStale, configReloads                                                        family

	notes, soakGoing, soakElapsed, soakRead, soakSeen, soakStatement family
}

var statements = []pulse.Statement{pulse.Pass, pulse.ConditionalPass, pulse.ConditionalFail, pulse.Fail, pulse.NotMeasured}

func newFamilies() (f families) {
	add := func(kind Kind, value prometheus.ValueType, name string, unit Unit, help string, labels []string) family {
		d := describe(kind, name, unit, help, labels)
		x := family{d, prometheus.NewDesc(d.Name, d.Help, d.Labels, nil), value}
		f.all = append(f.all, x)
		return x
	}
	gauge := func(name string, unit Unit, help string, labels ...string) family {
		return add(Gauge, prometheus.GaugeValue, name, unit, help, labels)
	}
	counter := func(name, help string, labels ...string) family {
		return add(Counter, prometheus.CounterValue, name, Number, help, labels)
	}
	count := func(kind pulse.Kind, name, help string, of func(*live.Totals) uint64) {
		f.totals = append(f.totals, total{counter(name, help, "contact"), kind, of})
	}

	f.build = gauge("build_info", Number, "Always 1; tells which program is running.", "version", "goversion")
	f.up = gauge("up", Number, "1 while the contact's source is being read, 0 while it is not.", "contact")
	f.info = gauge("contact_info", Number, "Always 1; kind is dial or interrupter.", "contact", "kind")
	f.closed = gauge("contact_closed", Number, "1 while the contact is closed (make), 0 while it is open (break).", "contact")
	f.stuck = gauge("contact_stuck", Number, "1 when there was no edge for as long as the configuration allows, or for three cycles of an interrupter for which it says nothing.", "contact")
	f.edgeAge = gauge("last_edge_age", Seconds, "Time since the contact's last edge.", "contact")

	count(pulse.KindAuto, "edges", "Edges read.", func(t *live.Totals) uint64 { return t.Edges })
	count(pulse.KindAuto, "lost_edges", "Edges known to be missing.", func(t *live.Totals) uint64 { return t.LostEdges })
	count(pulse.KindAuto, "unknown_intervals", "Times that nothing was known of the contact for a while.", func(t *live.Totals) uint64 { return t.UnknownIntervals })
	count(pulse.KindAuto, "chatter", "Bursts of edges that ended in the state they began in.", func(t *live.Totals) uint64 { return t.Chatter })
	count(pulse.KindDial, "pulses", "Breaks of a dial that are pulses.", func(t *live.Totals) uint64 { return t.Pulses })
	count(pulse.KindDial, "trains", "Trains of pulses that have ended.", func(t *live.Totals) uint64 { return t.Trains })
	count(pulse.KindDial, "short_breaks", "Breaks of a dial that are too short for a pulse.", func(t *live.Totals) uint64 { return t.ShortBreaks })
	count(pulse.KindDial, "flashes", "Breaks of a dial that are flashes.", func(t *live.Totals) uint64 { return t.Flashes })
	count(pulse.KindDial, "disconnects", "Breaks of a dial that are disconnects.", func(t *live.Totals) uint64 { return t.Disconnects })
	count(pulse.KindDial, "stalls", "Breaks of a flash's length inside a train of pulses.", func(t *live.Totals) uint64 { return t.Stalls })
	count(pulse.KindInterrupter, "cycles", "Whole measured cycles of an interrupter.", func(t *live.Totals) uint64 { return t.Cycles })
	count(pulse.KindInterrupter, "due_cycles", "Cycles that there should have been by the phase.", func(t *live.Totals) uint64 { return t.CyclesDue })
	count(pulse.KindInterrupter, "missing", "Interruptions that were due and did not come.", func(t *live.Totals) uint64 { return t.Missing })
	count(pulse.KindInterrupter, "extra", "Interruptions that were not due.", func(t *live.Totals) uint64 { return t.Extra })
	count(pulse.KindInterrupter, "phase_slips", "Times that the phase was lost and found anew.", func(t *live.Totals) uint64 { return t.PhaseSlips })

	var words []string
	for kind := range live.Findings {
		words = append(words, live.Finding(kind).String())
	}
	f.findings = counter("findings", "Findings; finding is one of "+strings.Join(words, ", ")+".", "contact", "finding")
	f.rate = gauge("last_rate", Hertz, "Pulses a second of the dial's last train, or cycles a second of the interrupter's last whole cycle.", "contact")
	f.percent = gauge("last_percent_break", Ratio, "Percent break of the same, from 0 to 1.", "contact")
	f.window = gauge("window", Seconds, "How far back the verdict and the smallest interdigit gap look.", "contact")
	f.gap = gauge("interdigit_gap_min", Seconds, "Smallest interdigit gap in the window.", "contact")

	f.verdict = gauge("verdict", Number, "1 for the statement of conformity that holds of the window, 0 for the others; it is fail too where interruptions are missing, extra or slipped or a break stalled.", "contact", "statement")
	f.out = counter("out_of_limit", "Values beyond a limit; bound is min or max.", "contact", "quantity", "bound")
	f.judged = counter("judged", "Values that were compared with a limit; bound is min or max.", "contact", "quantity", "bound")
	f.limits = map[Unit]family{}
	for _, x := range []struct {
		unit Unit
		of   string
	}{{Seconds, "a time"}, {Hertz, "a rate"}, {Ratio, "percent break (from 0 to 1) or the ratio of break to make"}} {
		f.limits[x.unit] = gauge("limit", x.unit, "Limit on "+x.of+"; bound is min or max.", "contact", "quantity", "bound")
	}

	estimates := "; estimate is low, middle or high, where low and high bound 95 %."
	f.drift, f.ewma = map[Unit]family{}, map[Unit]family{}
	for _, x := range []struct {
		unit Unit
		of   string
	}{{Seconds, "a time"}, {Hertz, "a rate"}, {Ratio, "percent break (from 0 to 1)"}} {
		f.drift[x.unit] = gauge("drift_per_hour", x.unit, "By how much "+x.of+" grows in an hour"+estimates, "contact", "quantity", "estimate")
		f.ewma[x.unit] = gauge("ewma", x.unit, "Exponentially weighted mean of the windows' means of "+x.of+".", "contact", "quantity")
	}
	f.cusum = gauge("cusum", Number, "Cumulative sum of what the windows' means are off their target, in standard deviations of one; direction is up or down.", "contact", "quantity", "direction")
	f.shifted = gauge("shifted", Number, "1 while the weighted mean or a cumulative sum is beyond what chance gives.", "contact", "quantity")
	f.toLimit = gauge("time_to_limit", Seconds, "Time until a drift reaches a limit, while there is one"+estimates, "contact", "quantity", "bound", "estimate")
	f.deviation = gauge("allan_deviation", Ratio, "Overlapping Allan deviation of an interrupter's openings; tau is the time in seconds.", "contact", "tau")
	f.lobeError = gauge("lobe_error", Seconds, "Mean error of a lobe in the last minutes about the median of the lobes, late or long above 0; of is opening or break.", "contact", "lobe", "of")
	f.lobeDrift = gauge("lobe_drift_per_hour", Seconds, "By how much a lobe's error grows in an hour"+estimates, "contact", "lobe", "of", "estimate")
	f.swing = gauge("shaft_swing", Seconds, "By how much a shaft of the drive moves the openings to and fro, peak.", "contact", "shaft")
	f.swingByChance = gauge("shaft_swing_false_alarm", Ratio, "Probability that noise alone gives a swing as large as that of the shaft.", "contact", "shaft")

	f.standing = gauge("standing_change", Number, "Always 1, while a change that was found of the contact stands, also after a restart; finding is drifts, stepped or swing_grown, and the other labels say of what: of a quantity, or of what a lobe does (of is opening or break), or of a shaft.", "contact", "finding", "quantity", "lobe", "of", "shaft")

	f.pairs = counter("pairs", "Breaks of the contact that the one it is against has too.", "contact")
	f.outputLost = counter("output_lost", "Breaks of the contact that the one it is against has not.", "contact")
	f.outputExtra = counter("output_extra", "Breaks that the contact which it is against has alone.", "contact")
	f.together = gauge("together", Seconds, "What the contact and the one it is against do together in the last minutes: open_lag, close_lag, break_change, both_closed or both_open; value is mean, min or max.", "contact", "quantity", "value")

	f.logBytes = gauge("log", Bytes, "Size of the log on disk.")
	f.logMax = gauge("log_max", Bytes, "Size that the log does not grow past.")
	f.logLag = gauge("log_lag", Seconds, "Age of the oldest edge that is not safe on disk.")
	f.logPending = gauge("log_pending_edges", Number, "Edges that are not safe on disk.")
	f.logDropped = counter("log_dropped_edges", "Edges that there was no room to keep for the log.")
	f.logRemoved = counter("log_removed_edges", "Edges removed from the log because of their age or its size.")
	f.logErrors = counter("log_write_errors", "Failed writes of the log.")
	f.logFault = gauge("log_fault", Number, "1 while the log cannot be written, or kept as it should be, for this reason; fault is one of "+strings.Join(Faults, ", ")+".", "fault")

	f.clockSync = gauge("clock_synchronised", Number, "1 while the computer's clock is steered by a reference.")
	f.clockError = gauge("clock_estimated_error", Seconds, "The kernel's estimate of the clock's error.")
	f.clockFrequency = gauge("clock_frequency_correction", Ratio, "Correction of the clock's frequency in force.")
	f.clockSteps = counter("clock_steps", "Steps of the wall clock; no interval has them.")

	f.configStale = gauge("configuration_stale", Number, "1 while the configuration file has mistakes and what was read before is in force.")
	f.configReloads = counter("configuration_reloads", "Times that the configuration was read anew; result is taken or refused.", "result")

	f.notes = counter("notes", "Notes on the contact in the log; without a name those on the site. state is plain, as_found or as_left.", "contact", "state")
	f.soakGoing = gauge("soak_going", Number, "1 while a soak test of the contact goes on, 0 while none does.", "contact")
	f.soakElapsed = gauge("soak_elapsed", Seconds, "Time since the soak test that goes on began.", "contact")
	f.soakRead = gauge("soak_read", Seconds, "Of that, the time in which the contact's source was read, by the log's whole minutes.", "contact")
	f.soakSeen = gauge("soak_seen", Number, "What the soak test that goes on has seen, by the log's whole minutes; of is one of "+strings.Join(soakWords[:], ", ")+
		". measured are pulses or cycles, out_of_limit those with a value beyond the limits that the contact is watched by.", "contact", "of")
	f.soakStatement = gauge("soak_statement", Number, "1 for the statement of conformity of the contact's latest soak test that was finished, 0 for the others.", "contact", "statement")

	histogram := func(name, help string, buckets []float64) length {
		return length{describe(Histogram, name, Seconds, help, []string{"contact", "kind"}), buckets}
	}
	f.lengths = [...]length{
		histogram("bounce", "Bounce of each transition, 0 for a clean one.", bounceBuckets),
		histogram("period", "Opening to opening: of a dial inside trains, of an interrupter each whole cycle.", periodBuckets),
		histogram("break", "Each pulse of a dial, each break in the whole cycles of an interrupter.", breakBuckets),
	}
	return f
}
