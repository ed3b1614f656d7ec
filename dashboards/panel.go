package dashboards

//lint:file-ignore SA1019 every Grafana imports the classic form of a dashboard; only the latest know another

import (
	"fmt"

	"github.com/grafana/grafana-foundation-sdk/go/bargauge"
	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/heatmap"
	"github.com/grafana/grafana-foundation-sdk/go/prometheus"
	"github.com/grafana/grafana-foundation-sdk/go/stat"
	"github.com/grafana/grafana-foundation-sdk/go/statetimeline"
	"github.com/grafana/grafana-foundation-sdk/go/table"
	textpanel "github.com/grafana/grafana-foundation-sdk/go/text"
	"github.com/grafana/grafana-foundation-sdk/go/timeseries"
)

// The colours are those of M. Okabe and K. Ito, "Color Universal Design" (2008), which
// people with any colour vision tell apart. Blue is good and vermillion bad, never
// green and red, and a word, a number or a dashed line always says the same.
const (
	orange     = "#E69F00"
	skyBlue    = "#56B4E9"
	green      = "#009E73" // bluish; for series only
	blue       = "#0072B2"
	vermillion = "#D55E00"
	purple     = "#CC79A7"
	grey       = "#999999" // not theirs: not known
)

// palette is for series that have no meaning of their own.
var palette = []string{blue, orange, green, purple, skyBlue, vermillion, grey}

// A query is one of a panel.
type query struct {
	value
	legend string
	// colour and dashed are how it is drawn; without a colour, one of the palette.
	colour string
	dashed bool
	// table asks for the latest values, under this heading.
	table string
	cell  *look // of a table's column
}

// A look is how numbers are shown.
type look struct {
	decimals   *float64
	mappings   []dashboard.ValueMapping
	thresholds []dashboard.Threshold
	link       *link
}

type link struct{ title, url string }

// A panel is what all panels have.
type panel struct {
	title, description string
	width, height      uint32
	queries            []query
	look
	// noValue says in words why a healthy contact may have no value here.
	noValue  string
	min, max *float64
	// series are the beginnings of the names that the series of its queries may have,
	// so that each has a colour of the palette.
	series []string
}

func thresholds(base string, steps ...any) []dashboard.Threshold {
	all := []dashboard.Threshold{{Color: base}}
	for i := 0; i < len(steps); i += 2 {
		all = append(all, dashboard.Threshold{Value: ptr(steps[i].(float64)), Color: steps[i+1].(string)})
	}
	return all
}

var (
	// plain is no judgement.
	plain = thresholds(blue)
	// none is well, any is not.
	none = thresholds(blue, 1., vermillion)
	// margin is of the room to the nearer limit. A tenth of the way from the limit to
	// the middle is our own choice: near enough to plan work.
	margin = thresholds(vermillion, 0., orange, 0.1, blue)
)

// A word is what a number stands for.
type word struct{ label, text, colour string }

// statements are those of conformity, in the order of their numbers.
var statements = []word{
	{"pass", "✓ pass", blue},
	{"conditional_pass", "~ conditional pass", skyBlue},
	{"conditional_fail", "! conditional fail", orange},
	{"fail", "✗ fail", vermillion},
	{"not_measured", "? not measured", grey},
}

var (
	verdicts = words(1, statements...)
	kinds    = words(1, word{text: "dial"}, word{text: "interrupter"})
	yesNo    = func(no, yes word) []dashboard.ValueMapping { return words(0, no, yes) }
	soaking  = yesNo(word{text: "– none", colour: grey}, word{text: "▶ goes on", colour: blue})
	reading  = yesNo(word{text: "✗ not read", colour: vermillion}, word{text: "✓ read", colour: blue})
	moving   = yesNo(word{text: "✓ moves", colour: blue}, word{text: "✗ stuck", colour: vermillion})
	shifting = yesNo(word{text: "✓ steady", colour: blue}, word{text: "! shifted", colour: orange})
	faulty   = yesNo(word{text: "✓ no", colour: blue}, word{text: "✗ yes", colour: vermillion})
	steered  = yesNo(word{text: "! runs free", colour: orange}, word{text: "✓ steered", colour: blue})
	staleMap = yesNo(word{text: "✓ in force", colour: blue}, word{text: "✗ has mistakes", colour: vermillion})
	state    = yesNo(word{text: "open (break)", colour: orange}, word{text: "closed (make)", colour: blue})
)

// words shows whole numbers from first on as words.
func words(first int, all ...word) []dashboard.ValueMapping {
	m := map[string]dashboard.ValueMappingResult{}
	for i, w := range all {
		r := dashboard.ValueMappingResult{Text: ptr(w.text), Index: ptr(int32(i))}
		if w.colour != "" {
			r.Color = ptr(w.colour)
		}
		m[fmt.Sprint(first+i)] = r
	}
	return []dashboard.ValueMapping{{ValueMap: &dashboard.ValueMap{Type: dashboard.MappingTypeValueToText, Options: m}}}
}

// A built is a panel that was built.
type built struct {
	panel dashboard.Panel
	err   error
}

func (x built) Build() (dashboard.Panel, error) { return x.panel, x.err }

// finish gives a panel of any kind what all have.
func (b *book) finish(p panel, kind cog.Builder[dashboard.Panel], instant bool, format prometheus.PromQueryFormat) cog.Builder[dashboard.Panel] {
	x, err := kind.Build()
	b.ids++
	x.Id, x.Title, x.Description, x.Datasource = ptr(b.ids), ptr(p.title), ptr(p.description), &source
	x.GridPos = &dashboard.GridPos{W: p.width, H: p.height}
	if x.FieldConfig == nil {
		x.FieldConfig = dashboard.NewFieldConfigSource()
	}
	f := &x.FieldConfig.Defaults
	f.Decimals, f.Mappings, f.Min, f.Max = p.decimals, p.mappings, p.min, p.max
	if p.noValue != "" {
		f.NoValue = ptr(p.noValue)
	}
	if p.thresholds == nil {
		p.thresholds = plain
	}
	f.Thresholds = &dashboard.ThresholdsConfig{Mode: dashboard.ThresholdsModeAbsolute, Steps: p.thresholds}
	if p.link != nil {
		f.Links = []dashboard.DashboardLink{p.link.built()}
	}
	unit := ""
	for i, q := range p.queries {
		ref := string(rune('A' + i))
		t := prometheus.NewDataqueryBuilder().RefId(ref).Datasource(source).Expr(q.expr).LegendFormat(q.legend).Format(format).
			EditorMode(prometheus.QueryEditorModeCode)
		if instant {
			t.Instant()
		} else {
			t.Range()
		}
		target, e := t.Build()
		if e != nil {
			err = e
		}
		x.Targets = append(x.Targets, target)
		if q.table != "" {
			x.FieldConfig.Overrides = append(x.FieldConfig.Overrides, q.column())
			continue
		}
		if unit != "" && unit != q.unit.shown() {
			b.problem("panel %q: %s is in %s, and others in %s", p.title, q.expr, q.unit.shown(), unit)
		}
		unit = q.unit.shown()
		f.Unit = ptr(unit)
		if x.Type == "timeseries" {
			x.FieldConfig.Overrides = append(x.FieldConfig.Overrides, q.line(ref, i, len(p.queries)))
		}
	}
	for i, name := range p.series {
		look := []dashboard.DynamicConfigValue{{Id: "color", Value: map[string]any{"mode": dashboard.FieldColorModeIdFixed, "fixedColor": palette[i%len(palette)]}}}
		if i >= len(palette) {
			look = append(look, dashed)
		}
		x.FieldConfig.Overrides = append(x.FieldConfig.Overrides, dashboard.DashboardFieldConfigSourceOverrides{
			Matcher: dashboard.MatcherConfig{Id: "byRegexp", Options: "/^" + name + "( |$)/"}, Properties: look,
		})
	}
	return built{x, err}
}

var dashed = dashboard.DynamicConfigValue{Id: "custom.lineStyle", Value: map[string]any{"fill": "dash", "dash": []int{10, 6}}}

func (l *link) built() dashboard.DashboardLink {
	return dashboard.DashboardLink{Title: l.title, Type: dashboard.DashboardLinkTypeLink, Url: ptr(l.url), Tags: []string{}, TargetBlank: true}
}

// line is how the series of a query of a graph are drawn.
func (q *query) line(ref string, i, of int) dashboard.DashboardFieldConfigSourceOverrides {
	colour := q.colour
	if colour == "" {
		colour = palette[i%len(palette)]
	}
	// Series of one query that have no colours of their own are told apart by shade
	// and by the legend's words.
	mode := dashboard.FieldColorModeIdFixed
	if q.colour == "" && of == 1 {
		mode = dashboard.FieldColorModeIdShades
	}
	o := dashboard.DashboardFieldConfigSourceOverrides{
		Matcher:    dashboard.MatcherConfig{Id: "byFrameRefID", Options: ref},
		Properties: []dashboard.DynamicConfigValue{{Id: "color", Value: map[string]any{"mode": mode, "fixedColor": colour}}},
	}
	if q.dashed {
		o.Properties = append(o.Properties,
			dashed,
			dashboard.DynamicConfigValue{Id: "custom.lineWidth", Value: 2},
			dashboard.DynamicConfigValue{Id: "custom.showPoints", Value: "never"})
	}
	return o
}

// column is how a column of a table is shown.
func (q *query) column() dashboard.DashboardFieldConfigSourceOverrides {
	o := dashboard.DashboardFieldConfigSourceOverrides{
		Matcher:    dashboard.MatcherConfig{Id: "byName", Options: q.table},
		Properties: []dashboard.DynamicConfigValue{{Id: "unit", Value: q.unit.shown()}},
	}
	add := func(id string, v any) {
		o.Properties = append(o.Properties, dashboard.DynamicConfigValue{Id: id, Value: v})
	}
	if s := q.cell; s != nil {
		if s.decimals != nil {
			add("decimals", *s.decimals)
		}
		if s.mappings != nil {
			add("mappings", s.mappings)
		}
		if s.thresholds != nil {
			add("thresholds", dashboard.ThresholdsConfig{Mode: dashboard.ThresholdsModeAbsolute, Steps: s.thresholds})
		}
		if s.thresholds != nil || s.mappings != nil {
			add("custom.cellOptions", map[string]any{"type": "color-text"})
		}
	}
	return o
}

// graph draws lines over time.
func (b *book) graph(p panel) cog.Builder[dashboard.Panel] {
	k := timeseries.NewPanelBuilder().LineWidth(1).FillOpacity(0).ShowPoints(common.VisibilityModeAuto).SpanNulls(common.BoolOrFloat64{Bool: ptr(false)}).
		Legend(common.NewVizLegendOptionsBuilder().DisplayMode(common.LegendDisplayModeTable).Placement(common.LegendPlacementBottom).ShowLegend(true).
			Calcs([]string{"lastNotNull", "min", "max"})).
		Tooltip(common.NewVizTooltipOptionsBuilder().Mode(common.TooltipDisplayModeMulti).Sort(common.SortOrderDescending))
	if p.thresholds != nil {
		k.ThresholdsStyle(common.NewGraphThresholdsStyleConfigBuilder().Mode(common.GraphThresholdsStyleModeDashed))
	}
	return b.finish(p, k, false, prometheus.PromQueryFormatTimeSeries)
}

// number shows latest values as numbers or words.
func (b *book) number(p panel) cog.Builder[dashboard.Panel] {
	return b.finish(p, stat.NewPanelBuilder().ColorMode(common.BigValueColorModeValue).GraphMode(common.BigValueGraphModeNone).
		TextMode(common.BigValueTextModeAuto).Orientation(common.VizOrientationAuto).
		ReduceOptions(common.NewReduceDataOptionsBuilder().Calcs([]string{"lastNotNull"})), true, prometheus.PromQueryFormatTimeSeries)
}

// bars shows latest values side by side.
func (b *book) bars(p panel) cog.Builder[dashboard.Panel] {
	return b.finish(p, bargauge.NewPanelBuilder().Orientation(common.VizOrientationHorizontal).DisplayMode(common.BarGaugeDisplayModeBasic).
		ValueMode(common.BarGaugeValueModeColor).ReduceOptions(common.NewReduceDataOptionsBuilder().Calcs([]string{"lastNotNull"})), true, prometheus.PromQueryFormatTimeSeries)
}

// states shows words over time.
func (b *book) states(p panel) cog.Builder[dashboard.Panel] {
	return b.finish(p, statetimeline.NewPanelBuilder().ShowValue(common.VisibilityModeAuto).MergeValues(true).RowHeight(0.8).FillOpacity(80).
		Legend(common.NewVizLegendOptionsBuilder().DisplayMode(common.LegendDisplayModeList).Placement(common.LegendPlacementBottom).ShowLegend(true)).
		Tooltip(common.NewVizTooltipOptionsBuilder().Mode(common.TooltipDisplayModeSingle)), false, prometheus.PromQueryFormatTimeSeries)
}

// heights shows how a histogram's buckets fill over time, dark for many.
func (b *book) heights(p panel) cog.Builder[dashboard.Panel] {
	axis := heatmap.NewYAxisConfigBuilder().Unit("s").AxisPlacement(common.AxisPlacementLeft)
	return b.finish(p, heatmap.NewPanelBuilder().Calculate(false).YAxis(axis).
		Color(heatmap.NewHeatmapColorOptionsBuilder().Mode(heatmap.HeatmapColorModeScheme).Scheme("Blues").Steps(32)).ShowLegend(),
		false, prometheus.PromQueryFormatHeatmap)
}

// rows is a table of the latest values, a row for each of the labels by.
func (b *book) rows(p panel, by ...string) cog.Builder[dashboard.Panel] {
	names, order, hidden := map[string]any{}, map[string]any{}, map[string]any{"Time": true}
	for i, l := range by {
		order[l] = i
	}
	for i, q := range p.queries {
		v := "Value #" + string(rune('A'+i))
		if len(p.queries) == 1 {
			v = "Value"
		}
		names[v], order[v] = q.table, len(by)+i
	}
	k := table.NewPanelBuilder().ShowHeader(true).
		WithTransformation(dashboard.DataTransformerConfig{Id: "merge", Options: map[string]any{}}).
		WithTransformation(dashboard.DataTransformerConfig{Id: "organize", Options: map[string]any{
			"excludeByName": hidden, "indexByName": order, "renameByName": names,
		}})
	for _, l := range by {
		if p.link != nil && l == "contact" {
			k.OverrideByName(l, []dashboard.DynamicConfigValue{{Id: "links", Value: []dashboard.DashboardLink{p.link.built(), contactPage(pagesOfRow, "${__data.fields.contact}").built()}}})
		}
	}
	p.link = nil
	return b.finish(p, k, true, prometheus.PromQueryFormatTable)
}

// contactPage is the program's own page of a contact.
func contactPage(pages, name string) *link {
	return &link{"The program's own page of it", pages + "/contacts/" + name}
}

// words is a panel of text.
func (b *book) words(title, markdown string, width, height uint32) cog.Builder[dashboard.Panel] {
	p := b.finish(panel{title: title, width: width, height: height}, textpanel.NewPanelBuilder().Mode(textpanel.TextModeMarkdown).Content(markdown), false, "").(built)
	p.panel.Datasource, p.panel.Description = nil, nil
	return p
}

// row begins a row; panels of a collapsed one are inside it.
func (b *book) row(d *dashboard.DashboardBuilder, title string, collapsed bool, panels ...cog.Builder[dashboard.Panel]) {
	b.ids++
	r := dashboard.NewRowBuilder(title).Id(b.ids).Collapsed(collapsed)
	if collapsed {
		for _, p := range panels {
			r.WithPanel(p)
		}
	}
	d.WithRow(r)
	if !collapsed {
		for _, p := range panels {
			d.WithPanel(p)
		}
	}
}
