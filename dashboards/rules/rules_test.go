package rules

import (
	"fmt"
	"maps"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/common/model"
	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/promql/parser"

	"makebreak/daemon/live"
	"makebreak/daemon/metrics"
	"makebreak/daemon/report"
)

// A ruleFile is a rule file, as far as it is looked at here.
type ruleFile struct {
	Groups []struct {
		Name, Interval string
		Rules          []rule
	}
}

type rule struct {
	Record, Alert, Expr, For string
	KeepFiringFor            string `yaml:"keep_firing_for"`
	Labels, Annotations      map[string]string
}

func (r *rule) name() string { return r.Record + r.Alert }

// parse reads the rules of a file; what it does not know is a mistake.
func parse(t *testing.T, file []byte) (all []rule) {
	t.Helper()
	var f ruleFile
	if err := yaml.UnmarshalWithOptions(file, &f, yaml.Strict()); err != nil {
		t.Fatal(err)
	}
	for _, g := range f.Groups {
		all = append(all, g.Rules...)
	}
	return all
}

// run runs a program of Prometheus in this folder, which must succeed. It is
// skipped where there is none, or fails where MAKEBREAK_TESTS=require.
func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	file, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("MAKEBREAK_TESTS") == "require" {
			t.Fatal(err)
		}
		t.Skipf("%v; MAKEBREAK_TESTS=require makes this a failure", err)
	}
	out, err := exec.Command(file, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

func TestRulesAreValid(t *testing.T) {
	out := run(t, "promtool", "check", "rules", "alerts.yaml", "recording.yaml")
	for file, n := range map[string]int{"alerts.yaml": len(parse(t, Alerts)), "recording.yaml": len(parse(t, Recording))} {
		if want := fmt.Sprintf("%s\n  SUCCESS: %d rules found", file, n); !strings.Contains(out, want) {
			t.Errorf("no %q in\n%s", want, out)
		}
	}
}

// What the alerts do with made-up series, by Prometheus' own engine.
func TestRulesDoWhatTheySay(t *testing.T) {
	for _, file := range []string{"firing_test.yaml", "quiet_test.yaml", "edge_test.yaml", "text_test.yaml"} {
		t.Run(file, func(t *testing.T) {
			t.Parallel()
			run(t, "promtool", "test", "rules", file)
		})
	}
}

var promql = parser.NewParser(parser.Options{})

// selectors calls f for each selector of an expression.
func selectors(t *testing.T, expr string, f func(*parser.VectorSelector)) {
	t.Helper()
	e, err := promql.ParseExpr(expr)
	if err != nil {
		t.Fatalf("%s: %v", expr, err)
	}
	parser.Inspect(e, func(n parser.Node, _ []parser.Node) error {
		if s, ok := n.(*parser.VectorSelector); ok {
			f(s)
		}
		return nil
	})
}

// Each alert is tested firing, not firing, and on the edge: not yet and then.
func TestEveryAlertIsTestedThreeWays(t *testing.T) {
	type count struct{ firing, quiet, edgeQuiet, edgeFiring int }
	counts := map[string]*count{}
	for _, r := range parse(t, Alerts) {
		counts[r.Alert] = new(count)
	}
	read := func(file string, f func(c *count, fires bool)) {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		var tests struct {
			Tests []struct {
				Samples []struct {
					Expr    string
					Samples []any `yaml:"exp_samples"`
				} `yaml:"promql_expr_test"`
			}
		}
		if err := yaml.Unmarshal(text, &tests); err != nil {
			t.Fatal(file, err)
		}
		for _, group := range tests.Tests {
			for _, x := range group.Samples {
				selectors(t, x.Expr, func(s *parser.VectorSelector) {
					of := map[string]string{}
					for _, m := range s.LabelMatchers {
						if m.Type != labels.MatchEqual {
							t.Errorf("%s: %s is no alert's name", file, x.Expr)
						}
						of[m.Name] = m.Value
					}
					c := counts[of["alertname"]]
					if c == nil || s.Name != "ALERTS" || of["alertstate"] != "firing" {
						t.Errorf("%s: %s asks for no alert that fires", file, x.Expr)
						return
					}
					f(c, len(x.Samples) > 0)
				})
			}
		}
	}
	read("firing_test.yaml", func(c *count, fires bool) {
		if fires {
			c.firing++
		}
	})
	read("quiet_test.yaml", func(c *count, fires bool) {
		if !fires {
			c.quiet++
		}
	})
	read("edge_test.yaml", func(c *count, fires bool) {
		if fires {
			c.edgeFiring++
		} else {
			c.edgeQuiet++
		}
	})
	if len(counts) == 0 {
		t.Error("no alerts")
	}
	for name, c := range counts {
		if c.firing == 0 || c.quiet == 0 || c.edgeQuiet == 0 || c.edgeFiring == 0 {
			t.Errorf("%s is tested firing, quiet, before and behind the edge: %+v times", name, *c)
		}
	}
}

// scraped are the labels that a scrape gives to each series.
var scraped = []string{"exchange", "instance", "job"}

// vocabulary gives the labels of every metric that a rule may use.
func vocabulary(t *testing.T) map[string][]string {
	known := map[string][]string{"up": scraped,
		"prometheus_remote_storage_samples_failed_total": slices.Concat([]string{"remote_name", "url", "agent"}, scraped)} // of an agent, by site-agent.yaml
	for _, f := range metrics.Families() {
		known[f.Name] = slices.Concat(f.Labels, scraped)
	}
	for _, r := range parse(t, Recording) {
		// By its own name, which says what it keeps.
		level, metric, _ := strings.Cut(r.Record, ":")
		if !regexp.MustCompile(`^makebreak_[a-z_]+:[a-z0-9]+$`).MatchString(metric) {
			t.Errorf("%s is not level:metric:operation", r.Record)
		}
		switch level {
		case "exchange":
			known[r.Record] = []string{"exchange"}
		case "contact":
			known[r.Record] = slices.Concat([]string{"contact"}, scraped)
		case "contact_quantity_bound":
			known[r.Record] = slices.Concat([]string{"contact", "quantity", "bound"}, scraped)
		default:
			t.Errorf("%s has an unknown level", r.Record)
		}
	}
	return known
}

// queries are the expressions in an annotation, which are printf formats with
// quoted labels.
var queries = regexp.MustCompile("printf `([^`]+)`")

// Every metric is one that makebreak has, with labels that it has and words that
// those may be.
func TestRulesUseWhatThereIs(t *testing.T) {
	known := vocabulary(t)
	words := map[string][]string{
		"kind": {"dial", "interrupter"}, "bound": {"min", "max"}, "estimate": {"low", "middle", "high"}, "fault": metrics.Faults,
		"statement": {"pass", "conditional_pass", "conditional_fail", "fail", "not_measured"},
	}
	for i := range live.Findings {
		words["finding"] = append(words["finding"], live.Finding(i).String())
	}
	used := map[string]bool{}
	check := func(where, expr string) {
		e, err := promql.ParseExpr(expr)
		if err != nil {
			t.Errorf("%s: %v", where, err)
			return
		}
		all := map[string]bool{} // labels of all metrics in it
		selectors(t, expr, func(s *parser.VectorSelector) {
			var names []string
			for _, m := range s.LabelMatchers {
				if m.Name == model.MetricNameLabel {
					for name := range known {
						if m.Matches(name) {
							names = append(names, name)
							used[name] = true
						}
					}
					if len(names) == 0 {
						t.Errorf("%s: no metric %s", where, m.Value)
					}
				}
			}
			for _, name := range names {
				for _, l := range known[name] {
					all[l] = true
				}
				for _, m := range s.LabelMatchers {
					if m.Name != model.MetricNameLabel && !slices.Contains(known[name], m.Name) {
						t.Errorf("%s: %s has no label %s", where, name, m.Name)
					}
					if w := words[m.Name]; w != nil && m.Value != "%q" && !slices.ContainsFunc(w, m.Matches) {
						t.Errorf("%s: %s is never %s", where, m.Name, m.Value)
					}
					if m.Name == "job" && m.Value != "makebreak" {
						t.Errorf("%s: job %s", where, m.Value)
					}
				}
			}
		})
		parser.Inspect(e, func(n parser.Node, _ []parser.Node) error {
			var grouped []string
			switch n := n.(type) {
			case *parser.AggregateExpr:
				grouped = n.Grouping
			case *parser.BinaryExpr:
				if n.VectorMatching != nil {
					grouped = n.VectorMatching.MatchingLabels
				}
			}
			for _, l := range grouped {
				if !all[l] {
					t.Errorf("%s: by the label %s, which none of its metrics has", where, l)
				}
			}
			return nil
		})
	}
	for _, r := range slices.Concat(parse(t, Recording), parse(t, Alerts)) {
		check(r.name(), r.Expr)
		for key, text := range r.Annotations {
			for _, q := range queries.FindAllStringSubmatch(text, -1) {
				check(r.name()+" "+key, strings.ReplaceAll(q[1], "%q", `"%q"`))
			}
		}
	}
	for _, r := range parse(t, Recording) {
		if level, _, _ := strings.Cut(r.Record, ":"); level != "exchange" && !used[r.Record] {
			t.Errorf("no alert uses %s", r.Record)
		}
	}
}

// Each alert says what a person needs, in words of its own, and the caution of
// every page where the way leads to the wiring.
func TestAlertsSayWhatToDo(t *testing.T) {
	caution := strings.Join(strings.Fields(report.CautionText), " ")
	hands := []string{"MakebreakDown"} // its computer is at the exchange's wiring
	seen := map[string]bool{}
	for _, r := range parse(t, Alerts) {
		if seen[r.Alert] {
			t.Errorf("%s twice", r.Alert)
		}
		seen[r.Alert] = true
		if !slices.Contains([]string{"today", "this week", "next visit"}, r.Labels["urgency"]) || len(r.Labels) != 1 {
			t.Errorf("%s: labels %v", r.Alert, r.Labels)
		}
		for _, key := range []string{"summary", "description", "look"} {
			if strings.TrimSpace(r.Annotations[key]) == "" {
				t.Errorf("%s has no %s", r.Alert, key)
			}
		}
		extra := slices.DeleteFunc(slices.Sorted(maps.Keys(r.Annotations)), func(k string) bool {
			return slices.Contains([]string{"summary", "description", "look", "caution", "figure", "limit"}, k)
		})
		if len(extra) > 0 {
			t.Errorf("%s: %v", r.Alert, extra)
		}
		near := slices.Contains(hands, r.Alert) || !strings.HasPrefix(r.Alert, "Makebreak")
		got := r.Annotations["caution"]
		if near && (!strings.HasPrefix(got, caution) || !strings.Contains(got, "Stop the drive and lock it against starting")) || !near && got != "" {
			t.Errorf("%s: caution %q", r.Alert, got)
		}
		if strings.HasPrefix(r.Alert, "Contact") && !strings.Contains(r.Annotations["summary"], "{{ $labels.contact }} at {{ $labels.exchange }}") {
			t.Errorf("%s does not name its contact: %s", r.Alert, r.Annotations["summary"])
		}
	}
}

// The messages of alertmanager.yaml and what it holds back name alerts and
// labels that there are.
func TestAlertmanagerNamesWhatThereIs(t *testing.T) {
	text, err := os.ReadFile("../alertmanager/alertmanager.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var config struct {
		Route struct {
			GroupBy []string `yaml:"group_by"`
		}
		Inhibit []struct {
			Source []string `yaml:"source_matchers"`
			Target []string `yaml:"target_matchers"`
			Equal  []string
		} `yaml:"inhibit_rules"`
	}
	if err := yaml.Unmarshal(text, &config); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"exchange", "contact"}, config.Route.GroupBy); diff != "" {
		t.Error(diff)
	}
	var names []string
	for _, r := range parse(t, Alerts) {
		names = append(names, r.Alert)
	}
	pattern := regexp.MustCompile(`^alertname *(=~?) *"?([^"]+)"?$`)
	for _, x := range config.Inhibit {
		for _, m := range slices.Concat(x.Source, x.Target) {
			part := pattern.FindStringSubmatch(m)
			if part == nil {
				t.Errorf("%s is no matcher of an alert", m)
				continue
			}
			for _, want := range strings.Split(part[2], "|") {
				re := regexp.MustCompile("^(?:" + want + ")$")
				if !slices.ContainsFunc(names, re.MatchString) {
					t.Errorf("%s: no such alert", want)
				}
			}
		}
		for _, l := range x.Equal {
			if !slices.Contains([]string{"exchange", "instance", "contact"}, l) {
				t.Errorf("equal: %s", l)
			}
		}
	}
	if len(config.Inhibit) == 0 {
		t.Error("nothing is held back")
	}
}

// Alertmanager's own tool takes the example, and sends each urgency where it
// should go.
func TestAlertmanager(t *testing.T) {
	const file = "../alertmanager/alertmanager.yaml"
	run(t, "amtool", "check-config", file)
	for _, x := range []struct{ receiver, alert string }{
		{"on-call", "alertname=ContactOutOfLimit exchange=marrow-quay contact=busy-cam urgency=today"},
		{"workshop", "alertname=ContactStepped exchange=marrow-quay contact=busy-cam urgency=this\\ week"},
		{"workshop", "alertname=ContactDrifts exchange=marrow-quay contact=busy-cam urgency=next\\ visit"},
		{"opening-hours", "alertname=ContactStuck exchange=marrow-quay contact=busy-cam urgency=today"},
		{"opening-hours", "alertname=ExchangeStandsStill exchange=marrow-quay urgency=today"},
		{"on-call", "alertname=MakebreakDown exchange=marrow-quay urgency=today"},
		{"on-call", "alertname=SomethingElse"},
	} {
		var args []string
		for _, a := range strings.Split(strings.ReplaceAll(x.alert, "\\ ", "\x00"), " ") {
			args = append(args, strings.ReplaceAll(a, "\x00", " "))
		}
		run(t, "amtool", slices.Concat([]string{"config", "routes", "test", "--config.file=" + file, "--verify.receivers=" + x.receiver}, args)...)
	}
}
