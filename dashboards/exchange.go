package dashboards

//lint:file-ignore SA1019 every Grafana imports the classic form of a dashboard; only the latest know another

import "github.com/grafana/grafana-foundation-sdk/go/dashboard"

// exchange is all contacts of one exchange at a glance.
func exchange(b *book) *dashboard.DashboardBuilder {
	d := b.page(exchangeUID, "makebreak: exchange at a glance",
		"All contacts of an exchange that makebreak watches: which are within their limits, which move towards one, which stand still. "+caution,
		b.instanceVariable(b.of("build_info")))
	b.marks(d)
	d.Link(dashboard.NewDashboardLinkBuilder("The program's own page").Type(dashboard.DashboardLinkTypeLink).Url(pagesOfInstance + "/").TargetBlank(true).
		Tooltip("All contacts as they are now, by the program itself"))

	one := func(title, description string, v value, l look, noValue string) panel {
		return panel{title: title, description: description, width: 4, height: 4, queries: []query{{value: v}}, look: l, noValue: noValue}
	}
	d.WithPanel(b.number(one("Contacts watched", "How many contacts the exchange's daemons watch. Fewer than yesterday: a daemon is down, or somebody changed its configuration.",
		b.of("contact_info").total("count"), look{}, "no daemon is scraped")))
	d.WithPanel(b.number(one("Not read", "Contacts whose source is not being read. Any: look at the computer, the chip's plug and the coupler's supply; the program's page says why. "+caution,
		b.of("makebreak_up").zeros(), look{thresholds: none}, "no daemon is scraped")))
	d.WithPanel(b.number(one("Out of limits", "Contacts whose statement is fail or conditional fail in the window of the configuration. Any: open the contact below and see which limit, which pulse. "+caution,
		b.of("verdict", "statement=~fail|conditional_fail").total("sum"), look{thresholds: none}, "no contact has limits")))
	d.WithPanel(b.number(one("Shifted", "Contacts of which a mean moved further than chance explains, in or out of limits. Any: look at its drift and at what was done since; wear is found here weeks before a limit is.",
		b.of("shifted").by("max", "contact").total("sum"), look{thresholds: thresholds(blue, 1., orange)}, "not analysed yet")))
	d.WithPanel(b.number(one("Stuck", "Contacts without an edge for longer than the configuration allows. Any: is the drive running, the fuse whole, the wire on? "+caution,
		b.of("contact_stuck").total("sum"), look{thresholds: none}, "none is an interrupter or has stuck_after")))
	d.WithPanel(b.number(one("Soak tests going on", "Contacts under a soak test: leave those alone until it is finished.",
		b.of("soak_going").total("sum"), look{}, "no daemon is scraped")))

	contactLink := &link{"History of this contact", "/d/" + contactUID + "?var-datasource=${datasource}&var-exchange=${exchange}&var-contact=${__data.fields.contact}&${__url_time_range}"}
	hz := func(name string, where ...string) value { return b.of(name, where...).by("max", "contact") }
	d.WithPanel(b.rows(panel{
		title: "Contacts", width: 24, height: 10, look: look{link: contactLink}, noValue: "–",
		description: "Every contact now. Read it from the verdict to the right: what fails, how near the others are to a limit, how soon they get there. " +
			"An empty cell means that there is no such figure: no limits, no drift, no edge yet. The name opens its history. " + caution,
		queries: []query{
			{value: b.of("contact_info", "kind=dial").by("count", "contact").or(b.of("contact_info", "kind=interrupter").by("count", "contact").times(2)), table: "Kind", cell: &look{mappings: kinds}},
			{value: statement(b, "verdict"), table: "Verdict", cell: &look{mappings: verdicts}},
			{value: hz("last_rate_hertz"), table: "Rate", cell: &look{decimals: ptr(3.)}},
			{value: hz("last_percent_break_ratio"), table: "Break", cell: &look{decimals: ptr(1.)}},
			{value: ofRate.room(b), table: "Rate: room to the limit", cell: &look{decimals: ptr(0.), thresholds: margin}},
			{value: ofPercent.room(b), table: "Break: room to the limit", cell: &look{decimals: ptr(0.), thresholds: margin}},
			{value: b.of("time_to_limit_seconds", "estimate=middle").by("min", "contact"), table: "First limit in"},
			{value: hz("last_edge_age_seconds"), table: "Last edge"},
			{value: b.of("out_of_limit_total").increase("24h").by("sum", "contact"), table: "Out of limit, 24 h", cell: &look{decimals: ptr(0.), thresholds: none}},
			{value: hz("contact_stuck"), table: "Moves", cell: &look{mappings: moving}},
		},
	}, "contact", "instance"))

	own := contactPage(pagesOfSeries, "${__field.labels.contact}")
	b.row(d, "Over time", false,
		b.states(panel{title: "Verdicts", width: 24, height: 8, look: look{mappings: verdicts, link: own}, noValue: "no contact has limits",
			description: "The statement of conformity of each contact over time, by ILAC-G8: conditional means nearer the limit than the uncertainty. A contact that changes with the time of day points to temperature, supply or load.",
			queries:     []query{{value: statement(b, "verdict"), legend: "{{contact}}"}}}),
		b.bars(panel{title: "Rate: room to the nearer limit", width: 12, height: 8, look: look{thresholds: margin, decimals: ptr(0.), link: own}, max: ptr(1.), noValue: "no contact has limits on its rate",
			description: "100 % is the middle between the limits, 0 % a limit, below it is out. Orange: plan an adjustment. " + caution,
			queries:     []query{{value: ofRate.room(b), legend: "{{contact}}"}}}),
		b.bars(panel{title: "Percent break: room to the nearer limit", width: 12, height: 8, look: look{thresholds: margin, decimals: ptr(0.), link: own}, max: ptr(1.), noValue: "no contact has limits on percent break",
			description: "100 % is the middle between the limits, 0 % a limit, below it is out. Orange: plan an adjustment. " + caution,
			queries:     []query{{value: ofPercent.room(b), legend: "{{contact}}"}}}),
		b.graph(panel{title: "Findings in an hour", width: 12, height: 8, look: look{decimals: ptr(0.)}, min: ptr(0.),
			description: "What makebreak found, by kind, all contacts together. A burst of one kind on many contacts at once points to what they share: supply, drive, computer. One contact alone points to that contact.",
			queries:     []query{{value: b.of("findings_total").increase("1h").sumBy("finding"), legend: "{{finding}}"}}, series: findingNames()}),
		b.states(panel{title: "Sources", width: 12, height: 8, look: look{mappings: reading, link: own},
			description: "Whether each contact's source was being read. A gap is time that nothing is known of: no verdict holds of it.",
			queries:     []query{{value: hz("makebreak_up"), legend: "{{contact}}"}}}))
	b.row(d, "Cautions", false, b.words("", "**"+caution+"**\n\nmakebreak measures; it does not make anything safe.", 24, 3))
	return d
}
