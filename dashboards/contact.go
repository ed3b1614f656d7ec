package dashboards

//lint:file-ignore SA1019 every Grafana imports the classic form of a dashboard; only the latest know another

import (
	"fmt"
	"strings"

	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
)

// contact is the history of one contact.
func contact(b *book) *dashboard.DashboardBuilder {
	d := b.page(contactUID, "makebreak: one contact",
		"One contact against its limits, how it changes, and what may be wrong with it. "+caution,
		contactVariable(b), b.instanceVariable(b.of("contact_info", me)))
	b.marks(d, me)
	d.Link(dashboard.NewDashboardLinkBuilder("The program's own page of this contact").Type(dashboard.DashboardLinkTypeLink).Url(pagesOfInstance + "/contacts/${contact}").
		TargetBlank(true).Tooltip("Live, with each pulse and the worst ones"))
	own := contactPage(pagesOfInstance, "${contact}")

	now := func(title, description string, v value, l look, noValue string) panel {
		l.link = own
		return panel{title: title, description: description, width: 4, height: 4, queries: []query{{value: v, legend: title}}, look: l, noValue: noValue}
	}
	of := func(name string, where ...string) value { return b.of(name, append([]string{me}, where...)...) }
	best := func(name string, where ...string) value { return of(name, where...).by("max", "contact") }
	d.WithPanel(b.number(now("Verdict", "The statement of conformity of the latest window, after ILAC-G8: conditional means nearer the limit than the uncertainty. Fail: the program's page names the limit, the pulse and the time. "+caution,
		statement(b, "verdict", me), look{mappings: verdicts}, "no limits are given")))
	d.WithPanel(b.number(now("Rate", "Pulses a second of the dial's last train, or cycles a second of the interrupter's last cycle: 1 Hz is 60 IPM.",
		best("last_rate_hertz"), look{decimals: ptr(3.)}, "nothing was measured yet")))
	d.WithPanel(b.number(now("Percent break", "The open part of the same train or cycle.", best("last_percent_break_ratio"), look{decimals: ptr(2.)}, "nothing was measured yet")))
	d.WithPanel(b.number(now("First limit in", "When a drift takes a mean to a limit, if it goes on so. Words: no figure moves towards one more than chance explains. Plan the work before that time. "+caution,
		of("time_to_limit_seconds", "estimate=middle").total("min"), look{thresholds: thresholds(orange)}, "no drift towards a limit")))
	d.WithPanel(b.number(now("Last edge", "Time since the contact last opened or closed. A dial may rest for hours; an interrupter that rests is stopped or unwired.",
		best("last_edge_age_seconds"), look{}, "no edge yet")))
	d.WithPanel(b.number(now("State", "Whether the contact is open or closed at the latest scrape.", best("contact_closed"), look{mappings: state}, "the source is not read")))

	d.WithPanel(b.words("", "**"+caution+"**", 24, 2))

	limits := func(limit, quantity string) []query {
		return []query{
			{value: best(limit, "quantity="+quantity, "bound=min"), legend: "lower limit", colour: vermillion, dashed: true},
			{value: best(limit, "quantity="+quantity, "bound=max"), legend: "upper limit", colour: vermillion, dashed: true},
		}
	}
	measured := func(v value, limit, quantity string) []query {
		return append([]query{{value: v, legend: "measured", colour: blue}}, limits(limit, quantity)...)
	}
	length := func(name string) value {
		return of(name+"_seconds_sum").rate().by("sum", "contact").mean(of(name+"_seconds_count").rate().by("sum", "contact"))
	}
	half := func(title, description string, l look, noValue string, queries ...query) panel {
		l.link = own
		return panel{title: title, description: description, width: 12, height: 8, queries: queries, look: l, noValue: noValue}
	}
	const nothing = "nothing was measured in this time"
	b.row(d, "Against the limits", false,
		b.graph(half("Rate and its limits", "The latest rate at each scrape, between its limits (dashed). A slow slope is wear or a drying governor, a saw-tooth is a supply or a load, a single spike a slip of the finger or lost edges. "+caution,
			look{decimals: ptr(3.)}, nothing, measured(best("last_rate_hertz"), "limit_hertz", "rate")...)),
		b.graph(half("Percent break and its limits", "The latest percent break, between its limits (dashed). It moves when springs, cam or gap do. "+caution,
			look{decimals: ptr(2.)}, nothing, measured(best("last_percent_break_ratio"), "limit_ratio", "percent_break")...)),
		b.graph(half("Length of a break", "Mean length of the breaks, between the limits on a break (dashed) where there are some. Rises with rate unchanged: the gap grows or a spring weakens. "+caution,
			look{}, nothing, measured(length("break"), "limit_seconds", "break")...)),
		b.graph(half("Room to the nearer limit", "100 % is the middle between the limits, 0 % a limit, below it is out: one scale for figures of any unit. At 10 % plan an adjustment. "+caution,
			look{thresholds: margin, decimals: ptr(0.)}, "no figure has limits on both sides",
			query{value: ofRate.room(b, me), legend: "rate", colour: blue}, query{value: ofPercent.room(b, me), legend: "percent break", colour: orange})),
		b.graph(half("Share out of limit", "Of the values judged in the last hour, how many were beyond a limit, by limit. 0 % is what a good contact shows; a steady few per cent is one lobe or one digit.",
			look{decimals: ptr(2.)}, "no limits are given",
			query{value: of("out_of_limit_total").increase("1h").by("sum", "contact", "quantity", "bound").share(of("judged_total").increase("1h").by("sum", "contact", "quantity", "bound")), legend: "{{quantity}} {{bound}}"})),
		b.graph(half("Smallest interdigit gap", "Dials: the shortest pause between two digits in the window, with its limits (dashed). Too short: the registers behind may take two digits for one.",
			look{}, "an interrupter has no digits", measured(best("interdigit_gap_min_seconds"), "limit_seconds", "interdigit")...)))

	drift := func(title, name, quantity, words string) panel {
		var q []query
		for i, e := range []string{"low", "middle", "high"} {
			q = append(q, query{value: best(name, "quantity="+quantity, "estimate="+e), legend: e, colour: []string{skyBlue, blue, skyBlue}[i], dashed: e != "middle"})
		}
		p := half(title+" in an hour", words+" The dashed lines bound 95 %: while they lie on both sides of 0 no drift is shown.", look{}, "not enough windows yet", q...)
		p.width = 8
		return p
	}
	eventually := "not analysed yet: it takes some windows of a minute"
	sums := half("Cumulative sums", "Cumulative sums (CUSUM) of what the windows' means are off their target, in standard deviations. A line that climbs and goes on climbing is a shift; where it left the ground is when.",
		look{}, eventually, query{value: of("cusum").by("max", "contact", "quantity", "direction"), legend: "{{quantity}} {{direction}}"})
	sums.series = []string{"rate up", "rate down", "percent_break up", "percent_break down", "break up", "break down"}
	b.row(d, "Is it changing?", false,
		b.graph(drift("Drift of the rate", "drift_per_hour_hertz", "rate", "By how much the rate grows: governor, motor, oil.")),
		b.graph(drift("Drift of percent break", "drift_per_hour_ratio", "percent_break", "By how much percent break grows: springs, cam, gap.")),
		b.graph(drift("Drift of the break", "drift_per_hour_seconds", "break", "By how much a break grows: wear of the lobes, if the rate stands.")),
		b.graph(half("Time to the limit", "When the mean reaches a limit if the drift goes on: middle, and the ends of 95 %. Falling by a day each day is steady wear. Words: no drift goes towards a limit. "+caution,
			look{}, "no drift towards a limit",
			query{value: of("time_to_limit_seconds", "estimate=middle").by("min", "contact", "quantity"), legend: "{{quantity}}", colour: blue},
			query{value: of("time_to_limit_seconds", "estimate=low").by("min", "contact", "quantity"), legend: "{{quantity}}, early", colour: skyBlue, dashed: true},
			query{value: of("time_to_limit_seconds", "estimate=high").by("min", "contact", "quantity"), legend: "{{quantity}}, late", colour: skyBlue, dashed: true})),
		b.states(half("Shifted", "Whether a weighted mean or a cumulative sum is beyond what chance gives. A shift that begins at a note is what the work did.",
			look{mappings: shifting}, eventually, query{value: of("shifted").by("max", "contact", "quantity"), legend: "{{quantity}}"})),
		b.graph(half("Weighted mean of the rate", "Exponentially weighted mean (EWMA) of the windows' means, with the limits (dashed): small shifts show here before single values do.",
			look{decimals: ptr(4.)}, eventually, measured(best("ewma_hertz", "quantity=rate"), "limit_hertz", "rate")...)),
		b.graph(half("Weighted mean of percent break", "The same of percent break.",
			look{decimals: ptr(3.)}, eventually, measured(best("ewma_ratio", "quantity=percent_break"), "limit_ratio", "percent_break")...)),
		b.graph(sums),
		b.bars(half("Deviation against τ", "Overlapping Allan deviation of an interrupter's openings over 1, 10, 100 and 1,000 s. Falling with τ is jitter that averages out; flat or rising is a motor or supply that wanders. For the whole curve: makebreak measure --stability.",
			look{}, "a dial has no steady beat, and an interrupter needs some thousand seconds",
			query{value: of("allan_deviation_ratio").by("max", "contact", "tau").millionths(), legend: "τ = {{tau}} s"})))

	lobe := func(title, description, metric, kind string, where ...string) panel {
		p := half(title, description, look{}, "no lobes: a dial, or the configuration gives none",
			query{value: of(metric, append([]string{"of=" + kind}, where...)...).by("max", "contact", "lobe"), legend: "lobe {{lobe}}"})
		for i := range 12 { // cams with more are rare: those lobes have shades of one colour
			p.series = append(p.series, fmt.Sprintf("lobe %d", i+1))
		}
		return p
	}
	b.row(d, "Lobes and gears", true,
		b.graph(lobe("Lobes: openings", "Mean error of each lobe's opening about the median of all, late above 0. One lobe off and staying: cut or set wrong; one that walks away: it wears. "+caution, "lobe_error_seconds", "opening")),
		b.graph(lobe("Lobes: breaks", "Mean error of each lobe's break, long above 0. A worn lobe's break grows or shrinks alone. "+caution, "lobe_error_seconds", "break")),
		b.bars(lobe("Lobes: drift of the openings in an hour", "Which lobe moves, and how fast; by the middle estimate.", "lobe_drift_per_hour_seconds", "opening", "estimate=middle")),
		b.bars(lobe("Lobes: drift of the breaks in an hour", "Which lobe wears, and how fast; by the middle estimate.", "lobe_drift_per_hour_seconds", "break", "estimate=middle")),
		b.graph(half("Swing of the shafts", "By how much each shaft of the drive moves the openings to and fro, peak. A swing that grows is a worn gear, a bent shaft or a loose coupling on that shaft. "+caution,
			look{}, "no drive train: the key gears of the configuration gives it", query{value: of("shaft_swing_seconds").by("max", "contact", "shaft"), legend: "{{shaft}}"})),
		b.bars(half("Could it be chance?", "Probability that noise alone gives a swing as large. Above some per cent the swing is not shown to be there: wait for more turns.",
			look{thresholds: thresholds(blue, 0.05, grey), decimals: ptr(2.)}, "no drive train: the key gears of the configuration gives it",
			query{value: of("shaft_swing_false_alarm_ratio").by("max", "contact", "shaft"), legend: "{{shaft}}"})))

	count := func(title, description, noValue string, names ...string) panel {
		p := half(title, description, look{decimals: ptr(0.)}, noValue)
		p.min = ptr(0.)
		for i, n := range names {
			p.queries = append(p.queries, query{value: of(n+"_total").increase("1h").by("sum", "contact"), legend: strings.ReplaceAll(n, "_", " "), colour: palette[i], dashed: i%2 == 1})
		}
		return p
	}
	b.row(d, "Faults and bounce", true,
		b.heights(half("Bounce", "How long the changes bounced; the darker, the more. A clean contact fills the lowest row. Rows that fill upwards over weeks: dirt, burnt contacts, a weak spring. "+caution,
			look{}, nothing, query{value: of("bounce_seconds_bucket").rate().sumBy("le"), legend: "{{le}}"})),
		b.graph(half("Bounce: typical and worst", "Bounce that half and 99 % of the changes keep below, by the buckets.", look{}, nothing,
			query{value: of("bounce_seconds_bucket").percentile(0.5), legend: "half", colour: blue},
			query{value: of("bounce_seconds_bucket").percentile(0.99), legend: "99 %", colour: orange, dashed: true})),
		b.graph(count("Interruptions in an hour", "Interrupters: what was due and did not come, came and was not due, or lost the phase. Any: a chipped lobe, a contact that does not close, a drive that slips. "+caution,
			"a dial has no interruptions", "missing", "extra", "phase_slips")),
		b.graph(count("Breaks of a dial that are no pulses, in an hour", "Dials: too short for a pulse, flashes, disconnects, and stalls inside a digit. Stalls: the governor sticks or a finger held the dial.",
			"an interrupter has no pulses", "short_breaks", "flashes", "disconnects", "stalls")),
		b.graph(count("What is not known, in an hour", "Edges lost on the way, times of which nothing is known, and bursts that ended as they began (chatter). Lost edges: the computer is too busy or the line storms. Chatter: a dirty contact or a noisy wire. "+caution,
			nothing, "lost_edges", "unknown_intervals", "chatter")),
		b.graph(half("Pulses and cycles a second", "How fast pulses or whole cycles come in. Steps to 0 are rests of a dial, and a standstill of an interrupter.", look{}, nothing,
			query{value: of("pulses_total").rate().by("sum", "contact").or(of("cycles_total").rate().by("sum", "contact")), legend: "pulses or cycles"})))

	const alone = "it is not against another contact: the key against of the configuration"
	together := half("Together", "What the contact and the one it is against do together: how much later that one opens and closes, by how much its break is longer, both closed or open. A lag that grows is a relay that tires.",
		look{}, alone, query{value: of("together_seconds", "value=mean").by("max", "contact", "quantity"), legend: "{{quantity}}"})
	together.series = []string{"open_lag", "close_lag", "break_change", "both_closed", "both_open"}
	b.row(d, "Beside a second contact", true,
		b.graph(together),
		b.graph(count("Breaks that differ, in an hour", "Breaks that did not come out at the second contact, and such as it made alone. Any: the repeater misses pulses or chatters. "+caution, alone, "output_lost", "output_extra")))
	return d
}
