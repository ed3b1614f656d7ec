//go:build linux

package main

//lint:file-ignore SA1019 every Grafana imports the classic form of a dashboard; only the latest know another

import (
	"encoding/json"
	"fmt"
	"math"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/grafana/grafana-foundation-sdk/go/cog/plugins"
	"github.com/grafana/grafana-foundation-sdk/go/cog/variants"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	grafana "github.com/grafana/grafana-foundation-sdk/go/prometheus"
)

// dashboardSite gives the files of a site with a contact of each sort, and what each
// contact is: a worn cam before a repeater, a dial that becomes slow, and a cam and a
// dial that nothing is wrong with. All of it is invented. wear is in percentage points
// of break an hour.
func dashboardSite(wear float64) (files map[string]string, contacts [][2]string) {
	worn := fmt.Sprintf("cam,ipm=120,lobes=5,cycles=endless,jitter=0.3ms,bounce=2:0.8ms,lobe-errors=0,4ms,-3ms,2ms,0,break-drift=%g/h,wear=0,0,%gms/h,0,0,gear=3.75:1.5ms,missing-at=20,seed=1",
		wear, wornLobe*wear)
	contacts = [][2]string{ // dials first: they begin with the longest rest
		{"dial", "dial,digits=1234567890,rate=10,break=65,repeat=endless,jitter=0.1ms,bounce=2:0.2ms,seed=4"},
		{"slow-dial", fmt.Sprintf("dial,digits=1234567890,rate=9.5,break=65,repeat=endless,jitter=0.1ms,drift=%g,seed=3", -8000*wear)},
		{"cam", "cam,ipm=120,cycles=endless,jitter=0.3ms,bounce=2:0.8ms,seed=2"},
		{"repeater", worn + ",repeater=12ms:9ms,repeater-lost-at=12"},
		{"worn", worn},
	}
	more := map[string]string{"worn": ", lobes: 5, gears: gears.yaml, against: repeater"}
	watch := "site: Marrow Quay exchange\nstore: {path: log.db}\nlisten: 127.0.0.1:0\ncontacts:\n"
	for _, c := range contacts {
		kind := "limits: cam.yaml, rate: 120ipm"
		if strings.Contains(c[0], "dial") {
			kind = "limits: au-s002-dial, rate: 10pps"
		}
		watch += fmt.Sprintf("  - {name: %s, source: %q, %s%s}\n", c[0], "sim:"+c[1], kind, more[c[0]])
	}
	return map[string]string{
		"watch.yaml": watch,
		"cam.yaml": `id: marrow-quay-cam
title: "Marrow Quay exchange (invented): 120 IPM cam"
use: cadence
kind: interrupter
limits:
  - {quantity: rate_ipm, min: 110, max: 130, source: bench card 7, seen: own}
  - {quantity: break_percent, min: 40, max: 60, source: bench card 7, seen: own}
  - {quantity: break_ms, min: 200, max: 300, source: bench card 7, seen: own}
`,
		"gears.yaml": `motor: {rpm: 120}
shafts:
  - {name: motor}
  - {name: idler, from: motor, teeth: [24, 32]}
  - {name: cam, from: idler, teeth: [20, 75]}
cam: {shaft: cam, lobes: 5}
`,
	}, contacts
}

// wornLobe is by how much the break of lobe 3 grows beside the others, in ms a
// percentage point of wear: little enough for the lobes to be known again, though the
// watch sees the cam as it was at first.
const wornLobe = 0.5

// Every query of every panel, variable and annotation of the committed dashboards is
// asked of a real Prometheus that scrapes a real watch. It has data, in the panel's
// unit; where a contact can have none, the panel says in words why.
func TestDashboards(t *testing.T) {
	need(t, "prometheus")
	t.Parallel() // it mostly waits
	dir := t.TempDir()
	// Lobes are numbered some turns after a start, and shown two minutes after it. A log
	// has hours of them, and their drift needs thirty; of all else three hours are enough,
	// for the deviation over 1,000 s.
	history, wear, patience := 3*time.Hour, 1., 30*time.Second
	lobes := []string{"Lobes: openings", "Lobes: breaks", "Lobes: drift of the openings in an hour", "Lobes: drift of the breaks in an hour"}
	if os.Getenv("MAKEBREAK_ENDURANCE") != "" {
		history, wear, patience, lobes = 36*time.Hour, 0.1, 3*time.Minute, nil
	}
	files, contacts := dashboardSite(wear)
	for name, text := range files {
		writeFile(t, filepath.Join(dir, name), text)
	}
	makebreak := func(args ...string) {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), "makebreak", append(args, "--log", "log.db")...)
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%q: %v: %s", args, err, out)
		}
	}
	began := time.Now().Add(-history).Format(time.RFC3339)
	for _, c := range contacts {
		contact, sim := c[0], c[1]
		args := []string{"import", "sim:" + sim, "--contact", contact, "--for", history.String(), "--began", began, "--site", "Marrow Quay exchange"}
		if strings.Contains(contact, "dial") {
			args = append(args, "--limits", "au-s002-dial")
		} else {
			args = append(args, "--limits", "cam.yaml", "--rate-ipm", "120")
		}
		if contact == "worn" {
			args = append(args, "--lobes", "5")
		}
		makebreak(args...)
	}
	// Soak tests begin in a first watch; a second one sums up a stretch of them at its
	// end, which would else come with the next minute.
	first := launch(t, dir, nil, "watch", "watch.yaml")
	makebreak("soak", "start", "three days", "--contact", "cam")
	makebreak("soak", "start", "a short one", "--contact", "dial", "--limits", "au-s002-dial")
	first.end(syscall.SIGTERM)
	second := launch(t, dir, nil, "watch", "watch.yaml")
	time.Sleep(3 * time.Second) // for some pulses and cycles
	second.end(syscall.SIGTERM)
	makebreak("soak", "finish", "a short one")

	watched := launch(t, dir, nil, "watch", "watch.yaml")
	p := startPrometheus(t, dir, watched.address())
	p.await("scraping", func() error {
		if len(p.query(`makebreak_notes_total{contact="worn"} and on() makebreak_judged_total`)) == 0 {
			return fmt.Errorf("nothing yet")
		}
		return nil
	})
	makebreak("note", "lights on in the switch room") // on a contact it would begin a new series

	seen := map[string]bool{} // queries that had data
	for _, c := range []struct {
		dashboard, contact string
		empty              []string // panels that say in words why they are
	}{
		{dashboard: "exchange"},
		{dashboard: "soaks", contact: ".*"},
		{dashboard: "health"},
		{dashboard: "contact", contact: "worn", empty: append(slices.Clone(lobes), "Smallest interdigit gap", "Breaks of a dial that are no pulses, in an hour")},
		{dashboard: "contact", contact: "slow-dial", empty: ofInterrupters},
		{dashboard: "contact", contact: "cam", empty: []string{
			"First limit in", "Time to the limit", "Smallest interdigit gap", "Breaks of a dial that are no pulses, in an hour",
			"Lobes: openings", "Lobes: breaks", "Lobes: drift of the openings in an hour", "Lobes: drift of the breaks in an hour",
			"Swing of the shafts", "Could it be chance?", "Together", "Breaks that differ, in an hour",
		}},
		{dashboard: "contact", contact: "dial", empty: append(slices.Clone(ofInterrupters), "First limit in", "Time to the limit")},
	} {
		t.Run(c.dashboard+" "+c.contact, func(t *testing.T) {
			d := committed(t, c.dashboard)
			p := &prometheus{T: t, url: p.url}
			v := p.choose(d)
			if c.contact != "" {
				v["contact"] = c.contact
			}
			p.awaitFor(patience, "shown", func() error { return p.check(d, v, c.empty, seen) })
		})
	}
	for _, name := range []string{"exchange", "soaks", "health", "contact"} {
		d := committed(t, name)
		for _, q := range queriesOf(d) {
			if !seen[q.expr] && !slices.ContainsFunc(lobes, func(title string) bool { return q.where == fmt.Sprintf("panel %q", title) }) {
				t.Errorf("%s, %s: no contact had data for %s", name, q.where, q.expr)
			}
		}
	}

	// Truth known from the descriptions.
	at := func(expr string) float64 {
		for _, v := range p.query(expr) {
			return v
		}
		return math.NaN()
	}
	truth := map[string][2]float64{
		`makebreak_last_rate_hertz{contact="cam"}`:                    {1.99, 2.01},
		`makebreak_last_rate_hertz{contact="dial"}`:                   {9.9, 10.1},
		`makebreak_last_percent_break_ratio{contact="dial"}`:          {0.64, 0.66},
		`makebreak_shaft_swing_seconds{contact="worn",shaft="idler"}`: {0.001, 0.002},
		`makebreak_soak_going{contact="cam"}`:                         {1, 1},
		`makebreak_soak_statement{contact="dial",statement="pass"}`:   {1, 1},
	}
	if lobes == nil {
		truth[`max(makebreak_lobe_drift_per_hour_seconds{contact="worn",of="break",estimate="middle"})`] = [2]float64{0.8e-3 * wornLobe * wear, 1.2e-3 * wornLobe * wear}
	}
	for expr, want := range truth {
		if got := at(expr); !(got >= want[0] && got <= want[1]) {
			t.Errorf("%s is %v, want %v", expr, got, want)
		}
	}

	// A query that is broken is found.
	for what, spoil := range map[string]func(*grafana.Dataquery){
		"a metric that does not exist":     func(q *grafana.Dataquery) { q.Expr = strings.ReplaceAll(q.Expr, "last_rate", "latest_rate") },
		"a label value that does not come": func(q *grafana.Dataquery) { q.Expr = strings.ReplaceAll(q.Expr, `contact=`, `contact="x",contact=`) },
		"another unit":                     func(q *grafana.Dataquery) { q.Expr = "1000 * (" + q.Expr + ")" },
		"no number":                        func(q *grafana.Dataquery) { q.Expr = "0 * (" + q.Expr + ") / 0" },
		"bad grammar":                      func(q *grafana.Dataquery) { q.Expr += ")" },
	} {
		d := committed(t, "contact")
		for _, x := range d.Panels {
			if x.Panel != nil && *x.Panel.Title == "Rate" {
				spoil(dataquery(x.Panel.Targets[0]))
			}
		}
		v := p.choose(d)
		v["contact"] = "cam"
		if err := p.check(d, v, nil, map[string]bool{}); err == nil || !strings.Contains(err.Error(), `"Rate"`) {
			t.Errorf("%s is not found: %v", what, err)
		}
	}
	watched.end(syscall.SIGTERM)
}

// ofInterrupters are the panels that a dial has no figure for.
var ofInterrupters = []string{
	"Deviation against τ", "Lobes: openings", "Lobes: breaks", "Lobes: drift of the openings in an hour", "Lobes: drift of the breaks in an hour",
	"Swing of the shafts", "Could it be chance?", "Interruptions in an hour", "Together", "Breaks that differ, in an hour",
}

// committed reads a dashboard that is in the repository.
func committed(t *testing.T, name string) *dashboard.Dashboard {
	t.Helper()
	plugins.RegisterDefaultPlugins()
	text, err := os.ReadFile(filepath.Join("..", "..", "dashboards", "grafana", name+".json"))
	if err != nil {
		t.Fatal(err)
	}
	d := dashboard.NewDashboard()
	if err := json.Unmarshal(text, d); err != nil {
		t.Fatal(err)
	}
	return d
}

func dataquery(q variants.Dataquery) *grafana.Dataquery {
	if x, ok := q.(grafana.Dataquery); ok {
		return &x
	}
	return q.(*grafana.Dataquery)
}

// A query is one that a dashboard asks.
type query struct {
	where, expr string
	unit        string
	instant     bool
	mark        bool // of an annotation
}

func queriesOf(d *dashboard.Dashboard) (all []query) {
	panel := func(p *dashboard.Panel) {
		for i, target := range p.Targets {
			q := dataquery(target)
			x := query{where: fmt.Sprintf("panel %q", *p.Title), expr: q.Expr, instant: q.Instant != nil && *q.Instant}
			if u := p.FieldConfig.Defaults.Unit; u != nil {
				x.unit = *u
			} else if p.Type == "table" {
				x.unit = p.FieldConfig.Overrides[slices.IndexFunc(p.FieldConfig.Overrides, func(o dashboard.DashboardFieldConfigSourceOverrides) bool {
					return o.Matcher.Options == columnName(p, i)
				})].Properties[0].Value.(string)
			}
			all = append(all, x)
		}
	}
	for _, p := range d.Panels {
		if p.Panel != nil {
			panel(p.Panel)
			continue
		}
		for i := range p.RowPanel.Panels {
			panel(&p.RowPanel.Panels[i])
		}
	}
	for _, a := range d.Annotations.List {
		all = append(all, query{where: "annotation " + a.Name, expr: dataquery(a.Target).Expr, unit: "short", mark: true})
	}
	return all
}

// columnName is what the values of a table's query are called.
func columnName(p *dashboard.Panel, i int) any {
	for _, t := range p.Transformations {
		if names, ok := t.Options.(map[string]any)["renameByName"].(map[string]any); ok {
			if len(p.Targets) == 1 {
				return names["Value"]
			}
			return names["Value #"+string(rune('A'+i))]
		}
	}
	return nil
}

// plausible are the values that a unit can have here: of these contacts, of a site that
// is some hours old. Whatever is a share may be below 0 as the room to a limit that is
// crossed, and far below where limits lie close together.
var plausible = map[string][2]float64{
	"short":       {-1e9, 1e9},
	"cps":         {0, 1000},
	"hertz":       {-20, 20},
	"percentunit": {-10, 1},
	"ppm":         {-1e6, 1e6},
	"s":           {-1e9, 1e9}, // a forecast may be years away
	"decbytes":    {1, 1e12},
}

var labelValues = regexp.MustCompile(`^label_values\((.+), (\w+)\)$`)

// choose takes the first choice of each variable, asking as Grafana does.
func (p *prometheus) choose(d *dashboard.Dashboard) map[string]string {
	p.Helper()
	v := map[string]string{}
	for _, x := range d.Templating.List {
		if x.Type != "query" {
			continue
		}
		m := labelValues.FindStringSubmatch(x.Query.Map["query"].(string))
		if m == nil {
			p.Fatalf("variable %s: %v", x.Name, x.Query)
		}
		var values []string
		p.get("label/"+m[2]+"/values", url.Values{"match[]": {substituted(m[1], v)}}, &values)
		if len(values) == 0 {
			p.Fatalf("variable %s: %s has no value", x.Name, m[0])
		}
		v[x.Name] = values[0]
		if x.AllValue != nil {
			v[x.Name] = *x.AllValue
		}
	}
	if v["exchange"] != "Marrow Quay" {
		p.Errorf("exchange %q", v["exchange"])
	}
	return v
}

// substituted puts values in place of variables. Grafana gives $__rate_interval four
// scrapes at least, which are a second here.
func substituted(expr string, v map[string]string) string {
	for name, value := range v {
		expr = strings.ReplaceAll(expr, "$"+name, value)
	}
	return strings.ReplaceAll(expr, "$__rate_interval", "4s")
}

// check asks all of a dashboard. The error tells of each panel without data that is not
// one of empty, and of each value that its unit cannot have.
func (p *prometheus) check(d *dashboard.Dashboard, v map[string]string, empty []string, seen map[string]bool) error {
	p.Helper()
	var wrong []string
	full := map[string]int{}
	for _, q := range queriesOf(d) {
		values, err := p.numbers(q, v)
		if err != nil {
			wrong = append(wrong, fmt.Sprintf("%s: %v", q.where, err))
			continue
		}
		if len(values) > 0 {
			full[q.where]++
			seen[q.expr] = true
		} else if q.mark && v["contact"] != "" && v["contact"] != "worn" { // nothing happened there
			full[q.where]++
		}
		r, ok := plausible[q.unit]
		for _, x := range values {
			if !ok || !(x >= r[0] && x <= r[1]) {
				wrong = append(wrong, fmt.Sprintf("%s: %v in %q of %s", q.where, x, q.unit, q.expr))
				break
			}
		}
	}
	why := map[string]bool{} // panels that say in words why they are empty
	for _, x := range d.Panels {
		panels := []dashboard.Panel{}
		if x.Panel != nil {
			panels = append(panels, *x.Panel)
		} else {
			panels = x.RowPanel.Panels
		}
		for _, x := range panels {
			if n := x.FieldConfig.Defaults.NoValue; n != nil && strings.Contains(*n, " ") {
				why[*x.Title] = true
			}
		}
	}
	checked := map[string]bool{}
	for _, q := range queriesOf(d) {
		if checked[q.where] {
			continue
		}
		checked[q.where] = true
		title, _ := strconv.Unquote(strings.TrimPrefix(q.where, "panel "))
		switch expected := slices.Contains(empty, title); {
		case full[q.where] == 0 && !expected:
			wrong = append(wrong, q.where+" is empty: "+substituted(q.expr, v))
		case full[q.where] == 0 && !why[title]:
			wrong = append(wrong, q.where+" does not say why it is empty")
		case full[q.where] > 0 && expected:
			wrong = append(wrong, q.where+" was to be empty")
		}
	}
	for _, title := range empty {
		if !checked[fmt.Sprintf("panel %q", title)] {
			wrong = append(wrong, fmt.Sprintf("there is no panel %q", title))
		}
	}
	if wrong != nil {
		return fmt.Errorf("%d: %s", len(wrong), strings.Join(wrong, "\n"))
	}
	return nil
}

// numbers are those that a panel would show.
func (p *prometheus) numbers(q query, v map[string]string) (all []float64, err error) {
	var data struct {
		Result []struct {
			Value  [2]any
			Values [][2]any
		}
	}
	now := time.Now()
	ask, path := url.Values{"query": {substituted(q.expr, v)}}, "query"
	if !q.instant {
		path = "query_range"
		ask.Set("start", fmt.Sprint(now.Add(-8*time.Minute).Unix()))
		ask.Set("end", fmt.Sprint(now.Unix()))
		ask.Set("step", "1")
	}
	if err := p.ask(path, ask, &data); err != nil {
		return nil, err
	}
	for _, r := range data.Result {
		for _, x := range append(r.Values, r.Value) {
			if x[1] == nil {
				continue
			}
			f, err := strconv.ParseFloat(x[1].(string), 64)
			if err != nil {
				return nil, err
			}
			all = append(all, f)
		}
	}
	return all, nil
}
