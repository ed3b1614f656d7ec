package dashboards

//lint:file-ignore SA1019 every Grafana imports the classic form of a dashboard; only the latest know another

import "github.com/grafana/grafana-foundation-sdk/go/dashboard"

// soaks is how soak tests go and how they ended.
func soaks(b *book) *dashboard.DashboardBuilder {
	d := b.page(soaksUID, "makebreak: soak tests",
		"Soak tests that go on, what they prove so far, and the verdicts of those that were finished. makebreak soak start, status and finish begin, show and end them. "+caution,
		contactVariable(b).Multi(true).IncludeAll(true).AllValue(".*").Current(dashboard.VariableOption{Selected: ptr(true), Text: text("All"), Value: text("$__all")}),
		b.instanceVariable(b.of("contact_info", me)))
	b.marks(d, me)
	d.Link(dashboard.NewDashboardLinkBuilder("The program's own page of soak tests").Type(dashboard.DashboardLinkTypeLink).Url(pagesOfInstance + "/soaks").TargetBlank(true).
		Tooltip("Titles, results and what they prove"))
	own := &link{"The program's own page of soak tests", pagesOfSeries + "/soaks"}
	of := func(name string, where ...string) value {
		return b.of(name, append([]string{me}, where...)...).by("max", "contact")
	}
	const noTest = "no soak test goes on"
	wide := func(title, description string, v value, l look, noValue string) panel {
		l.link = own
		return panel{title: title, description: description, width: 12, height: 8, queries: []query{{value: v, legend: "{{contact}}"}}, look: l, noValue: noValue}
	}
	seen := func(what string) value { return of("soak_seen", "of="+what) }
	third := func(p panel) panel { p.width = 8; return p }

	d.WithPanel(b.states(wide("Soak tests", "When a soak test of a contact went on. Leave the contact alone meanwhile: whatever is done to it belongs into a note.", of("soak_going"), look{mappings: soaking}, "no contact is watched")))
	d.WithPanel(b.number(wide("Latest finished test", "The statement of conformity of the latest finished soak test of each contact. Fail: makebreak soak status names the worst pulse, its time and its limit. "+caution,
		statement(b, "soak_statement", me), look{mappings: verdicts}, "no soak test with limits was finished")))
	d.WithPanel(b.bars(third(wide("Time so far", "How long the test has gone on. A rare fault needs a long test: what was not seen in N cycles may still come once in N/3.", of("soak_elapsed_seconds"), look{}, noTest))))
	d.WithPanel(b.bars(third(wide("Pulses or cycles so far", "What was measured since it began, by the log's whole minutes.", seen("measured"), look{}, noTest))))
	d.WithPanel(b.bars(third(wide("Part of the time that was read", "How much of the test's time the source was read, by the log's whole minutes: the latest minute is not in it yet. Far below 100 %: the source was down, and the test proves that much less.",
		of("soak_read_seconds").share(of("soak_elapsed_seconds")), look{thresholds: thresholds(vermillion, 0.9, orange, 0.99, blue), decimals: ptr(1.)}, noTest))))
	b.row(d, "What it proves", false,
		b.graph(wide("Out of limit so far", "Pulses or cycles with a value beyond the limits that the contact is watched by. Steps tell when: look what else was marked then. "+caution, seen("out_of_limit"), look{decimals: ptr(0.)}, noTest)),
		b.graph(wide("Share out of limit so far", "The same as a share of what was measured.", seen("out_of_limit").share(seen("measured")), look{decimals: ptr(3.)}, noTest)),
		b.graph(wide("At most so many are out of limit, if none was seen", "While none is out of limit: 95 % sure that fewer than this share are, as 1 − 0.05^(1/N) (Clopper–Pearson). It falls as the test goes on. Empty once one was out.",
			seen("measured").atMost(seen("out_of_limit")), look{decimals: ptr(3.)}, "no soak test goes on without a value out of limit")),
		b.graph(wide("Missing and extra so far", "Interruptions that were due and did not come, and such as were not due. One is a fail, whatever the figures. "+caution,
			seen("missing").plus(seen("extra")), look{decimals: ptr(0.), thresholds: none}, noTest)),
		b.graph(wide("Lost edges so far", "Edges lost between contact and program. Many: the test says little; look at the health of makebreak.", seen("lost_edges"), look{decimals: ptr(0.), thresholds: none}, noTest)),
		b.graph(wide("Notes on the contacts", "Notes that the log has. A note during a test tells of work: what comes before and after is not one test.", b.of("notes_total", me).by("sum", "contact"), look{decimals: ptr(0.)}, "no contact is watched")))
	return d
}
