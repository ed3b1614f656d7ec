// Package dashboards makes the Grafana dashboards of this folder: grafana/*.json.
//
// They are generated from the descriptions of the metrics: a query of a metric or a
// label that does not exist, or a panel whose unit is not that of its query, is an
// error of Generate. After a change run
//
//	go generate ./dashboards
//
// The dashboards expect that each series has a label exchange, the name of the site,
// which the scrape configuration of Prometheus sets.
package dashboards

//lint:file-ignore SA1019 every Grafana imports the classic form of a dashboard; only the latest know another

import (
	"encoding/json"
	"errors"
	"fmt"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/prometheus"

	"makebreak/daemon/live"
	"makebreak/daemon/metrics"
)

//go:generate go test -run TestGenerated -update .

// Generate gives the dashboards by the names of their files. The error names every
// query that the metrics do not allow.
func Generate() (map[string][]byte, error) {
	files := map[string][]byte{}
	var all error
	for _, d := range []struct {
		file string
		make func(*book) *dashboard.DashboardBuilder
	}{
		{"exchange.json", exchange},
		{"contact.json", contact},
		{"soaks.json", soaks},
		{"health.json", health},
	} {
		b := newBook(metrics.Families())
		built, err := d.make(b).Build()
		b.problems = append(b.problems, err)
		if err := errors.Join(b.problems...); err != nil {
			all = errors.Join(all, fmt.Errorf("%s: %w", d.file, err))
			continue
		}
		for i := range built.Links { // above the panels, where they are seen, and not in a menu
			built.Links[i].Placement = nil
		}
		for i := range built.Annotations.List {
			built.Annotations.List[i].Placement = nil
		}
		text, err := json.MarshalIndent(built, "", "  ")
		if err != nil {
			return nil, err
		}
		files[d.file] = append(text, '\n')
	}
	return files, all
}

// Names of dashboards in their addresses. Links and bookmarks hold them: they stay.
const (
	exchangeUID = "makebreak-exchange"
	contactUID  = "makebreak-contact"
	soaksUID    = "makebreak-soaks"
	healthUID   = "makebreak-health"
)

// The program's own pages. The label instance of a series is the host and port that
// Prometheus scrapes, which serves the pages too.
const (
	pagesOfInstance = "${scheme}://${instance}"
	pagesOfSeries   = "${scheme}://${__field.labels.instance}"
	pagesOfRow      = "${scheme}://${__data.fields.instance}"
)

// caution is shown wherever a panel sends hands to a contact.
const caution = "Before hands come near: exchange battery, ±130 V leads, ringing voltage and mains meet this wiring and can kill, and cams and gears " +
	"catch fingers. De-energise, isolate, do not work alone; local codes, the site's rules and licensed people come first."

// source is the Prometheus that the reader chose.
var source = common.DataSourceRef{Type: ptr("prometheus"), Uid: ptr("${datasource}")}

func ptr[T any](v T) *T { return &v }

// page begins a dashboard.
func (b *book) page(uid, title, description string, variables ...cog.Builder[dashboard.VariableModel]) *dashboard.DashboardBuilder {
	d := dashboard.NewDashboardBuilder(title).Uid(uid).Description(description).Tags([]string{"makebreak", "telephone exchange"}).
		Timezone("browser").Editable().Tooltip(dashboard.DashboardCursorSyncCrosshair).
		// A day holds a shift and its night; wear shows over the weeks that one then chooses.
		Time("now-24h", "now").Refresh("30s").
		Timepicker(dashboard.NewTimePickerBuilder().RefreshIntervals([]string{"10s", "30s", "1m", "5m", "1h"})).
		WithVariable(dashboard.NewDatasourceVariableBuilder("datasource").Label("Prometheus").Type("prometheus").
			Description("The Prometheus that scrapes makebreak.")).
		WithVariable(b.variable("exchange", "Exchange", "Label exchange of the series: the scrape configuration of Prometheus sets it.",
			b.every("build_info"), "exchange"))
	for _, v := range variables {
		d.WithVariable(v)
	}
	d.WithVariable(dashboard.NewCustomVariableBuilder("scheme").Label("Pages by").
		Description("How the program's own pages are reached: https where its web configuration has a certificate.").
		Values(dashboard.StringOrMap{String: ptr("http,https")}).
		Current(dashboard.VariableOption{Selected: ptr(true), Text: text("http"), Value: text("http")}).
		Options([]dashboard.VariableOption{{Selected: ptr(true), Text: text("http"), Value: text("http")}, {Selected: ptr(false), Text: text("https"), Value: text("https")}}))
	d.Link(dashboard.NewDashboardLinkBuilder("Other dashboards").Type(dashboard.DashboardLinkTypeDashboards).Tags([]string{"makebreak"}).
		AsDropdown(true).IncludeVars(true).KeepTime(true))
	return d
}

func text(s string) dashboard.StringOrArrayOfString {
	return dashboard.StringOrArrayOfString{String: &s}
}

// instanceVariable is the daemon whose pages are linked to.
func (b *book) instanceVariable(of value) cog.Builder[dashboard.VariableModel] {
	return b.variable("instance", "Pages of", "Host and port of the program's own pages, as Prometheus scrapes them. Where a browser reaches them by another name, type that one in.", of, "instance")
}

func contactVariable(b *book) *dashboard.QueryVariableBuilder {
	return b.variable("contact", "Contact", "Contact, as the configuration of makebreak watch names it.", b.of("contact_info"), "contact")
}

// variable is one whose choices are the values of a label.
func (b *book) variable(name, label, description string, of value, by string) *dashboard.QueryVariableBuilder {
	expr := "label_values(" + of.expr + ", " + by + ")"
	return dashboard.NewQueryVariableBuilder(name).Label(label).Description(description).Datasource(source).
		Query(dashboard.StringOrMap{Map: map[string]any{"qryType": 1, "query": expr, "refId": "Variable-" + name}}).Definition(expr).
		Refresh(dashboard.VariableRefreshOnTimeRangeChanged).Sort(dashboard.VariableSortNaturalAsc).AllowCustomValue(true)
}

// mark marks the times at which a counter rises on every panel.
func mark(name, colour, title, words string, of value, by ...string) *dashboard.AnnotationQueryBuilder {
	expr := of.increase("$__rate_interval").by("sum", by...).expr + " > 0"
	return dashboard.NewAnnotationQueryBuilder().Name(name).Datasource(source).Enable(true).IconColor(colour).
		TitleFormat(title).TextFormat(words).Step("30s").Expr(expr).
		Target(prometheus.NewDataqueryBuilder().RefId("Mark").Expr(expr).Interval("30s").LegendFormat(title))
}

// marks are the notes and findings of a contact, or of all without one.
func (b *book) marks(d *dashboard.DashboardBuilder, contact ...string) {
	var also []string
	for _, c := range contact { // and notes on the site, which name no contact
		also = append(also, c+"|")
	}
	d.Annotation(mark("Notes", purple, "note {{contact}}", "Somebody added a note to the log ({{state}}): makebreak notes shows its words.",
		b.of("notes_total", also...), "contact", "state"))
	d.Annotation(mark("Findings", vermillion, "{{finding}} {{contact}}", "makebreak found: {{finding}}. Its page and makebreak notes --findings say more.",
		b.of("findings_total", contact...), "contact", "finding"))
}

// findingNames are the kinds of findings.
func findingNames() (all []string) {
	for kind := range live.Findings {
		all = append(all, live.Finding(kind).String())
	}
	return all
}
