package dashboards

//lint:file-ignore SA1019 every Grafana imports the classic form of a dashboard; only the latest know another

import "github.com/grafana/grafana-foundation-sdk/go/dashboard"

// health is that of makebreak itself: whether its figures can be believed.
func health(b *book) *dashboard.DashboardBuilder {
	d := b.page(healthUID, "makebreak: its own health",
		"Whether the daemons of an exchange run, keep up and have room: whether the figures of the other dashboards can be believed.",
		b.instanceVariable(b.of("build_info")))
	b.marks(d)
	d.Link(dashboard.NewDashboardLinkBuilder("The program's own page").Type(dashboard.DashboardLinkTypeLink).Url(pagesOfInstance + "/").TargetBlank(true).
		Tooltip("It names what is wrong in words"))
	own := &link{"The program's own page", pagesOfSeries + "/"}
	of := func(name string, where ...string) value { return b.of(name, where...).by("max") }
	box := func(width uint32, title, description string, l look, noValue string, queries ...query) panel {
		l.link = own
		height := uint32(8)
		if width <= 4 {
			height = 4
		}
		return panel{title: title, description: description, width: width, height: height, queries: queries, look: l, noValue: noValue}
	}
	each := func(v value) query { return query{value: v, legend: "{{instance}}"} }
	const down = "no daemon is scraped"

	d.WithPanel(b.number(box(4, "Daemons not reached", "Targets of this exchange that Prometheus cannot scrape. Any: power, network, certificate, or the daemon ended; systemctl status makebreak says.",
		look{thresholds: none}, down, query{value: b.of("up").zeros()})))
	d.WithPanel(b.number(box(4, "Sources not read", "Contacts whose source is not being read. Any: the chip is unplugged, the line is taken by another program, a file is missing. The page says why. "+caution,
		look{thresholds: none}, down, query{value: b.of("makebreak_up").zeros()})))
	d.WithPanel(b.number(box(4, "Clock", "Whether the computer's clock is steered by a reference. Runs free: rates are off by the quartz, up to some 50 ppm, and times of day by more each day; see to its network or GPS.",
		look{mappings: steered}, down, query{value: b.of("clock_synchronised").total("min")})))
	d.WithPanel(b.number(box(4, "Log", "Whether something keeps the log from being written. Yes: the page names it; a full disk and a read-only file system are the usual ones. Measuring goes on, history does not.",
		look{mappings: faulty}, down, query{value: b.of("log_fault").total("max")})))
	d.WithPanel(b.number(box(4, "Edges not kept", "Edges that there was no room to keep since the start. Any: the disk hung for minutes. Those minutes are missing in all that is asked of the log.",
		look{thresholds: none}, down, query{value: b.of("log_dropped_edges_total").total("sum")})))
	d.WithPanel(b.number(box(4, "Configuration", "Whether the configuration file has mistakes, while what it said before is in force. makebreak watch --check names them.",
		look{mappings: staleMap}, down, query{value: b.of("configuration_stale").total("max")})))

	b.row(d, "Does it keep up?", false,
		b.graph(box(12, "Lag of the log", "Age of the oldest edge that is not safe on disk: what a power cut would take. Some seconds is normal; it climbs while a disk hangs.",
			look{thresholds: thresholds(blue, 30., orange)}, down, each(of("log_lag_seconds")))),
		b.graph(box(12, "Edges waiting for the disk", "Edges that are in memory only. It falls back to little after each commit; if not, the card is too slow or worn out: replace it.",
			look{decimals: ptr(0.)}, down, each(of("log_pending_edges")))),
		b.graph(box(12, "Edges a second", "All contacts of a daemon together. A line that storms shows here, and on its contact's own dashboard which one it is.",
			look{}, down, each(b.of("edges_total").rate().by("sum")))),
		b.graph(box(12, "Lost edges in an hour", "Edges lost between kernel and program, or known to be missing in a recording. Any: too busy a computer, or a line that storms.",
			look{decimals: ptr(0.), thresholds: none}, down, each(b.of("lost_edges_total").increase("1h").by("sum")))))
	b.row(d, "Has the log room?", false,
		b.graph(box(12, "Size of the log", "The log's file, and the size that it does not grow past (dashed). At that size the oldest edges go first; give it more, or export what is to be kept.",
			look{}, down, query{value: of("log_bytes"), legend: "{{instance}}", colour: blue}, query{value: of("log_max_bytes"), legend: "{{instance}}, at most", colour: vermillion, dashed: true})),
		b.graph(box(12, "Filled", "The same as a share. From 90 % on old edges are about to be removed.",
			look{thresholds: thresholds(blue, 0.9, orange), decimals: ptr(1.)}, down, each(of("log_bytes").share(of("log_max_bytes"))))),
		b.graph(box(12, "Edges removed in a day", "Edges removed because of their age or the log's size. Expected once the log is as old as keep_raw; before, it is too small.",
			look{decimals: ptr(0.)}, down, each(b.of("log_removed_edges_total").increase("24h").by("sum")))),
		b.states(box(12, "What keeps the log from being written", "By reason. disk_full: make room. read_only, damaged: replace the card. locked: another program holds the file. slow_disk: it hangs. over_limit: the size cannot be kept.",
			look{mappings: faulty}, down, query{value: b.of("log_fault").by("max", "fault"), legend: "{{instance}} {{fault}}"})),
		b.graph(box(12, "Failed writes in an hour", "Writes of the log that failed; each is tried again.", look{decimals: ptr(0.), thresholds: none}, down, each(b.of("log_write_errors_total").increase("1h").by("sum")))))
	b.row(d, "Is its clock right?", true,
		b.graph(box(12, "Estimated error", "The kernel's own estimate of the clock's error. It grows while the clock is not steered.", look{}, down, each(of("clock_estimated_error_seconds")))),
		b.graph(box(12, "Correction of the frequency", "By how much the quartz is being corrected. Some 10 ppm is usual and moves with temperature; all rates are corrected by it.", look{decimals: ptr(3.)}, down, each(of("clock_frequency_correction_ratio").millionths()))),
		b.graph(box(12, "Steps in an hour", "Steps of the wall clock. They are in no interval, but times of day before and after do not fit together.", look{decimals: ptr(0.), thresholds: none}, down, each(b.of("clock_steps_total").increase("1h").by("sum")))),
		b.states(box(12, "Steered", "Whether a reference steered the clock. State it beside any claim of a drift of the rate.", look{mappings: steered}, down, each(of("clock_synchronised")))))
	b.row(d, "Program and computer", true,
		b.graph(box(12, "Processor", "Part of one core that the daemon takes. A steady rise without more contacts is a fault of the program: report it.", look{decimals: ptr(2.)}, down, each(b.of("process_cpu_seconds_total").rate().by("sum")))),
		b.graph(box(12, "Memory", "Resident memory. It does not grow with time; if it does, report it.", look{}, down, each(of("process_resident_memory_bytes")))),
		b.graph(box(12, "Time since the start", "A saw-tooth is a daemon that restarts: see its journal.", look{}, down, each(of("process_start_time_seconds").age()))),
		b.graph(box(12, "Time that a scrape takes", "Long scrapes point to a slow network or a computer without breath.", look{}, down, each(of("scrape_duration_seconds")))),
		b.graph(box(12, "Samples of a scrape", "Series that a daemon shows; some 200 a contact with limits, lobes and gears. It steps when contacts come and go.", look{decimals: ptr(0.)}, down, each(of("scrape_samples_scraped")))),
		b.graph(box(12, "Configuration read anew, in a day", "Times that the configuration was read anew, taken or refused. Refused: it has mistakes.", look{decimals: ptr(0.)}, down,
			query{value: b.of("configuration_reloads_total").increase("24h").by("sum", "result"), legend: "{{instance}} {{result}}"})),
		b.rows(panel{title: "Versions", width: 24, height: 6, noValue: "–", description: "Which version each daemon runs. Different ones at one exchange: somebody forgot one.",
			queries: []query{{value: b.of("build_info").by("max", "version", "goversion"), table: "Runs", cell: &look{mappings: yesNo(word{text: "no"}, word{text: "yes"})}}}}, "instance", "version", "goversion"))
	return d
}
