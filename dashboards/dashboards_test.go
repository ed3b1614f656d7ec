package dashboards

//lint:file-ignore SA1019 every Grafana imports the classic form of a dashboard; only the latest know another

import (
	"encoding/json"
	"errors"
	"flag"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"
	"github.com/grafana/grafana-foundation-sdk/go/cog/plugins"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"

	"makebreak/daemon/metrics"
)

var update = flag.Bool("update", false, "write the dashboards anew")

// What is committed is what is generated, no file more and none less.
func TestGenerated(t *testing.T) {
	files, err := Generate()
	if err != nil {
		t.Fatal(err)
	}
	if *update {
		for name, text := range files {
			if err := os.WriteFile(filepath.Join("grafana", name), text, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	committed, err := filepath.Glob("grafana/*.json")
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, file := range committed {
		names = append(names, filepath.Base(file))
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(strings.Split(string(files[filepath.Base(file)]), "\n"), strings.Split(string(text), "\n")); diff != "" {
			t.Errorf("%s is not what is generated (go generate ./dashboards writes it anew): %s", file, diff)
		}
	}
	if diff := cmp.Diff(slices.Sorted(maps.Keys(files)), names); diff != "" {
		t.Error(diff)
	}
}

// dashboardsOf reads the committed dashboards into the types of Grafana's toolkit. What
// these do not know is lost then, and shows when they are written again. (The toolkit's
// own strict reading gives up at each panel, without a reason.)
func dashboardsOf(t *testing.T) map[string]*dashboard.Dashboard {
	t.Helper()
	plugins.RegisterDefaultPlugins()
	all := map[string]*dashboard.Dashboard{}
	files, err := filepath.Glob("grafana/*.json")
	if err != nil || len(files) != 4 {
		t.Fatal(files, err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		d := dashboard.NewDashboard()
		if err := json.Unmarshal(text, d); err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		if err := d.Validate(); err != nil {
			t.Errorf("%s: %v", file, err)
		}
		again, err := json.Marshal(d)
		if err != nil {
			t.Fatal(err)
		}
		var want, got any
		if err := errors.Join(json.Unmarshal(text, &want), json.Unmarshal(again, &got)); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s: something is lost when it is read: %s", file, diff)
		}
		all[filepath.Base(file)] = d
	}
	return all
}

// panelsOf gives all panels, those of rows too.
func panelsOf(d *dashboard.Dashboard) (all []dashboard.Panel) {
	for _, p := range d.Panels {
		if p.Panel != nil {
			all = append(all, *p.Panel)
		} else {
			all = append(all, p.RowPanel.Panels...)
		}
	}
	return all
}

// Panels stand on the grid without covering each other, and each says what to look
// for. Links go to addresses that exist.
func TestLayout(t *testing.T) {
	uids := map[string]bool{}
	for file, d := range dashboardsOf(t) {
		if d.Id != nil || d.Uid == nil || uids[*d.Uid] || !strings.HasPrefix(*d.Uid, "makebreak-") || *d.Timezone != "browser" || *d.Refresh == "" || !slices.Contains(d.Tags, "makebreak") {
			t.Errorf("%s: id %v, uid %v, time zone %v, refresh %v, tags %q", file, d.Id, *d.Uid, *d.Timezone, *d.Refresh, d.Tags)
		}
		uids[*d.Uid] = true
		ids := map[uint32]bool{}
		id := func(n uint32) {
			if n == 0 || ids[n] {
				t.Errorf("%s: two panels have the id %d, or none", file, n)
			}
			ids[n] = true
		}
		// cells says which panel covers a cell, of the open page and of each collapsed row.
		cover := func(cells map[[2]uint32]string, title string, g *dashboard.GridPos) {
			if g == nil || g.W == 0 || g.H == 0 || g.X+g.W > 24 {
				t.Fatalf("%s: %q is at %+v", file, title, g)
			}
			for x := g.X; x < g.X+g.W; x++ {
				for y := g.Y; y < g.Y+g.H; y++ {
					if other, taken := cells[[2]uint32{x, y}]; taken {
						t.Fatalf("%s: %q covers %q", file, title, other)
					}
					cells[[2]uint32{x, y}] = title
				}
			}
		}
		open := map[[2]uint32]string{}
		for _, p := range d.Panels {
			if r := p.RowPanel; r != nil {
				id(r.Id)
				cover(open, *r.Title, r.GridPos)
				inside := map[[2]uint32]string{}
				for _, p := range r.Panels {
					cover(inside, *p.Title, p.GridPos)
					if p.GridPos.Y <= r.GridPos.Y {
						t.Errorf("%s: %q stands above its row", file, *p.Title)
					}
				}
				continue
			}
			cover(open, *p.Panel.Title, p.Panel.GridPos)
		}
		titles := map[string]bool{}
		for _, p := range panelsOf(d) {
			id(*p.Id)
			if p.Type == "text" {
				continue
			}
			if titles[*p.Title] || p.Description == nil || !strings.Contains(strings.TrimSuffix(*p.Description, caution), ".") {
				t.Errorf("%s: %q is there twice, or without a description", file, *p.Title)
			}
			titles[*p.Title] = true
			if p.FieldConfig.Defaults.Thresholds == nil || p.FieldConfig.Defaults.Unit == nil && p.Type != "table" {
				t.Errorf("%s: %q has no unit or no thresholds", file, *p.Title)
			}
			if len(p.Targets) == 0 || *p.Datasource.Uid != "${datasource}" {
				t.Errorf("%s: %q asks nothing", file, *p.Title)
			}
		}
	}
	// Each dashboard that is linked to is there.
	for file, d := range dashboardsOf(t) {
		text, err := json.Marshal(d)
		if err != nil {
			t.Fatal(err)
		}
		for _, part := range strings.Split(string(text), `"/d/`)[1:] {
			if uid, _, _ := strings.Cut(part, "?"); !uids[uid] {
				t.Errorf("%s links to the dashboard %q", file, uid)
			}
		}
	}
}

// No judgement is shown by a colour alone, and none by red or green.
func TestColours(t *testing.T) {
	ours := map[string]bool{blue: true, skyBlue: true, orange: true, vermillion: true, grey: true, purple: true, green: true}
	for file, d := range dashboardsOf(t) {
		for _, p := range panelsOf(d) {
			for _, s := range p.FieldConfig.Defaults.Thresholds.Steps {
				if !ours[s.Color] || s.Color == green {
					t.Errorf("%s: %q judges by the colour %s", file, *p.Title, s.Color)
				}
			}
			for _, m := range p.FieldConfig.Defaults.Mappings {
				texts := map[string]bool{}
				for _, r := range m.ValueMap.Options {
					if *r.Text == "" || texts[*r.Text] {
						t.Errorf("%s: %q shows two values by the text %q", file, *p.Title, *r.Text)
					}
					texts[*r.Text] = true
					if r.Color != nil && (!ours[*r.Color] || *r.Color == green) {
						t.Errorf("%s: %q judges by the colour %s", file, *p.Title, *r.Color)
					}
				}
			}
		}
	}
}

// What the metrics do not allow is an error: a name, a label, a unit, a rate of what is
// no counter.
func TestProblems(t *testing.T) {
	for name, c := range map[string]struct {
		of   func(*book)
		want string
	}{
		"name":      {func(b *book) { b.of("last_rate_seconds") }, "no metric"},
		"label":     {func(b *book) { b.of("last_rate_hertz", "quantity=rate") }, "has no label"},
		"histogram": {func(b *book) { b.of("bounce_seconds") }, "is a histogram"},
		"rate":      {func(b *book) { b.of("last_rate_hertz").rate() }, "expected a counter"},
		"units":     {func(b *book) { b.of("last_rate_hertz").plus(b.of("limit_ratio")) }, "differ"},
		"room":      {func(b *book) { b.of("last_rate_hertz").room(b.of("limit_hertz"), b.of("limit_seconds")) }, "differ"},
		"share":     {func(b *book) { b.of("log_bytes").share(b.of("log_lag_seconds")) }, "differ"},
		"mean":      {func(b *book) { b.of("break_seconds_sum").mean(b.of("break_seconds_count")) }, "expected the rates"},
		"millionth": {func(b *book) { b.of("log_bytes").millionths() }, "expected a ratio"},
		"panel": {func(b *book) {
			b.graph(panel{title: "both", width: 1, height: 1, queries: []query{{value: b.of("last_rate_hertz")}, {value: b.of("limit_ratio")}}})
		}, "and others in"},
	} {
		b := newBook(metrics.Families())
		c.of(b)
		if len(b.problems) != 1 || !strings.Contains(b.problems[0].Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, b.problems, c.want)
		}
	}
	b := newBook(metrics.Families())
	if v := b.of("bounce_seconds_bucket").percentile(0.5); v.unit.of != metrics.Seconds || len(b.problems) > 0 {
		t.Errorf("%+v %v", v.unit, b.problems)
	}
}

// The provisioning examples say what Grafana expects, by its handbook ("Provision
// Grafana", data sources and dashboards); the datasource is one that the dashboards
// can choose.
func TestProvisioning(t *testing.T) {
	var sources struct {
		APIVersion  int `yaml:"apiVersion"`
		Datasources []struct {
			Name, UID, Type, Access, URL string
			IsDefault                    bool `yaml:"isDefault"`
			JSONData                     struct {
				TimeInterval string `yaml:"timeInterval"`
				HTTPMethod   string `yaml:"httpMethod"`
			} `yaml:"jsonData"`
		}
	}
	var providers struct {
		APIVersion int `yaml:"apiVersion"`
		Providers  []struct {
			Name, Folder, Type    string
			AllowUIUpdates        bool `yaml:"allowUiUpdates"`
			UpdateIntervalSeconds int  `yaml:"updateIntervalSeconds"`
			Options               struct{ Path string }
		}
	}
	for file, into := range map[string]any{"datasources": &sources, "dashboards": &providers} {
		text, err := os.ReadFile(filepath.Join("provisioning", file, "makebreak.yaml"))
		if err != nil {
			t.Fatal(err)
		}
		if err := yaml.UnmarshalWithOptions(text, into, yaml.Strict()); err != nil {
			t.Errorf("%s: %v", file, err)
		}
	}
	if sources.APIVersion != 1 || len(sources.Datasources) != 1 || sources.Datasources[0].Type != *source.Type || sources.Datasources[0].JSONData.TimeInterval == "" {
		t.Errorf("%+v", sources)
	}
	if providers.APIVersion != 1 || len(providers.Providers) != 1 || providers.Providers[0].Type != "file" || providers.Providers[0].Options.Path != "/usr/share/makebreak/grafana" {
		t.Errorf("%+v", providers)
	}
}
