package web

import (
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"makebreak/daemon/live"
	"makebreak/pulse"
)

var noon = time.Date(2024, 3, 30, 12, 0, 0, 0, time.UTC)

var quietLog = slog.New(slog.DiscardHandler)

func item(q pulse.Quantity, bound string, limit, observed, u float64, s pulse.Statement, out, of int, where pulse.Location) live.Item {
	it := live.Item{Limits: pulse.Limit{Quantity: q}}
	it.Quantity, it.Bound, it.Limit, it.Statement = string(q), bound, limit, s
	if s != pulse.NotMeasured {
		it.Observed, it.ExpandedU, it.AgoS = pulse.Known(observed), pulse.Known(u), pulse.Known(192)
		it.OutOfLimit, it.Of, it.At = out, of, where
	}
	return it
}

// marrowQuay are the figures of an invented exchange, with one contact of
// each sort of verdict.
func marrowQuay() []live.Figures {
	const window = 10 * time.Minute
	good := live.Figures{
		Setting: live.Setting{Name: "busy-cam", Title: "Busy tone interrupter, five lobes", Source: "gpio:P1_13", Rate: 60},
		Kind:    pulse.KindInterrupter, Up: true, State: live.Closed, Window: window, SinceEdge: pulse.Known(0.2),
		Rate: pulse.Known(60.021), BreakPercent: pulse.Known(49.96), Statement: pulse.Fail,
		MeanRate: pulse.Known(60.00411), MeanRateU: pulse.Known(0.0060), MeanPercent: pulse.Known(50.0123), MeanPercentU: pulse.Known(0.0116),
		Limits:  &pulse.Profile{ID: "us-fcc-busy", Title: "47 CFR 80.74 busy tone"},
		Because: []string{"1234 interruptions are missing", "1 interruption is extra"},
		Recent:  pulse.Counts{Cycles: 598, Missing: 1234, Extra: 1}, Totals: live.Totals{Counts: pulse.Counts{Cycles: 5_184_012, Missing: 2345, Extra: 1}},
		Items: []live.Item{
			item(pulse.RateIPM, "min", 54, 59.62, 0.0034, pulse.Pass, 0, 598, pulse.Location{Lobe: 3}),
			item(pulse.RateIPM, "max", 66, 60.41, 0.0034, pulse.Pass, 0, 598, pulse.Location{Lobe: 2}),
			item(pulse.BreakMS, "min", 450, 493.1, 0.13, pulse.Pass, 0, 598, pulse.Location{Lobe: 3}),
			item(pulse.BreakMS, "max", 550, 508.8, 0.13, pulse.Pass, 0, 598, pulse.Location{Lobe: 4}),
		},
	}
	bad := live.Figures{
		Setting: live.Setting{Name: "generator-a", Title: "Dial-pulse generator A, bench 3", Source: "gpio:GPIO17", Rate: 10,
			Notes: []string{"Governor adjusted by the bench card on 2 March.", "Wired through coupler board 7, channel 1."}},
		Kind: pulse.KindDial, Up: true, State: live.Open, Window: window, SinceEdge: pulse.Known(0.01),
		MeanRate: pulse.Known(9.2041), MeanRateU: pulse.Known(0.0013), MeanPercent: pulse.Known(63.961), MeanPercentU: pulse.Known(0.1066),
		Rate: pulse.Known(9.204), BreakPercent: pulse.Known(63.96), Statement: pulse.Fail, InterdigitMS: pulse.Known(799.7),
		Limits: &pulse.Profile{ID: "au-s002-dial", Title: "AS/CA S002:2010 decadic dialling, sending"},
		Recent: pulse.Counts{Pulses: 1265, Trains: 230, Chatter: 4}, Totals: live.Totals{Counts: pulse.Counts{Pulses: 1_234_567_890, Trains: 224_466_889, Chatter: 4411, LostEdges: 1}},
		Items: []live.Item{
			item(pulse.BreakMS, "min", 60, 68.21, 0.12, pulse.Pass, 0, 1265, pulse.Location{Pulse: 4}),
			item(pulse.BreakMS, "max", 70, 81.52, 0.12, pulse.Fail, 3, 1265, pulse.Location{Pulse: 2}),
			item(pulse.BreakPercent, "min", 60, 62.71, 0.12, pulse.Pass, 0, 1035, pulse.Location{Pulse: 9}),
			item(pulse.BreakPercent, "max", 70, 70.05, 0.12, pulse.ConditionalFail, 1, 1035, pulse.Location{Pulse: 2}),
			item(pulse.RatePPS, "min", 9.09, 9.11, 0.0036, pulse.Pass, 0, 1035, pulse.Location{Pulse: 1}),
			item(pulse.InterdigitMS, "min", 750, 799.7, 0.13, pulse.Pass, 0, 229, pulse.Location{}),
			item(pulse.BounceMS, "max", 0.5, 0.46, 0.057, pulse.ConditionalPass, 0, 2530, pulse.Location{}),
		},
	}
	ringing := live.Figures{
		Setting: live.Setting{Name: "ringing", Title: "Ringing interrupter", Source: "gpio:P1_15", StuckAfter: 30 * time.Second},
		Kind:    pulse.KindInterrupter, Up: true, State: live.Closed, Stuck: true, Window: window, SinceEdge: pulse.Known(7384),
		Rate: pulse.Known(20.01), BreakPercent: pulse.Known(73.3), RateAgoS: pulse.Known(7385),
		Statement: pulse.NotMeasured, Limits: &pulse.Profile{ID: "au-s002-ringing-tone", Title: "AS/CA S002:2010 ringing tone"},
		Items: []live.Item{item(pulse.MakeMS, "min", 360, 0, 0, pulse.NotMeasured, 0, 0, pulse.Location{}), item(pulse.MakeMS, "max", 440, 0, 0, pulse.NotMeasured, 0, 0, pulse.Location{})},
	}
	down := live.Figures{
		Setting: live.Setting{Name: "metering", Source: "gpio:GPIO27"}, Window: window,
		Why: `open line "GPIO27": line is in use by "fan-control"`,
	}
	plain := live.Figures{
		Setting: live.Setting{Name: "practice-dial", Title: "Simulated dial", Source: "sim:dial,digits=1234567890,rate=9.2,break=64,repeat=endless,jitter=0.2ms,bounce=2:0.8ms,seed=1"},
		Kind:    pulse.KindDial, Up: true, Window: window, Rate: pulse.Known(9.2), BreakPercent: pulse.Known(64), Recent: pulse.Counts{Pulses: 1, Trains: 1},
	}
	nominal := live.Figures{
		Setting: live.Setting{Name: "ringing-2", Title: "Ringing interrupter, other floor", Source: "gpio:P1_18"},
		Kind:    pulse.KindInterrupter, Up: true, State: live.Closed, Window: window, Rate: pulse.Known(12.01), BreakPercent: pulse.Known(80.1),
		MeanRate: pulse.Known(12.004), MeanRateU: pulse.Known(0.0012), MeanPercent: pulse.Known(80.02), MeanPercentU: pulse.Known(0.0023),
		Limits:     &pulse.Profile{ID: "mq-ringing", Title: "Marrow Quay ringing, as it was drawn", CadenceNS: []int64{1e9, 4e9}},
		SegmentsMS: []float64{998.7, 3999.6}, Recent: pulse.Counts{Cycles: 119}, Totals: live.Totals{Counts: pulse.Counts{Cycles: 119}},
	}
	return []live.Figures{bad, good, ringing, down, plain, nominal}
}

func options() Options {
	return Options{
		Site: "Marrow Quay exchange", Version: "1.2.3", Log: quietLog,
		Contacts: marrowQuay,
		Ready:    func() error { return nil },
		Metrics:  http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "makebreak_up 1\n") }),
	}
}

func request(h http.Handler, method, target string, body io.Reader) *http.Response {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(method, target, body))
	return w.Result()
}

func text(t *testing.T, r *http.Response) string {
	t.Helper()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestPaths(t *testing.T) {
	o := options()
	h := New(o)
	o.Pprof = true
	withPprof := New(o)
	o.Ready = func() error { return errors.New("the log is being opened") }
	starting := New(o)
	for _, c := range []struct {
		h              http.Handler
		method, target string
		status         int
		body           string // its beginning
	}{
		{h, "GET", "/", 200, "<!DOCTYPE html>"},
		{h, "GET", "/?refresh=off", 200, "<!DOCTYPE html>"},
		{h, "HEAD", "/", 200, ""},
		{h, "GET", "/index.html", 404, "404"},
		{h, "GET", "/-/healthy", 200, "healthy\n"},
		{h, "GET", "/-/ready", 200, "ready\n"},
		{starting, "GET", "/-/ready", 503, "not ready: the log is being opened\n"},
		{starting, "GET", "/-/healthy", 200, "healthy\n"},
		{h, "GET", "/metrics", 200, "makebreak_up 1\n"},
		{h, "GET", "/metrics/", 404, "404"},
		{h, "GET", "/debug/pprof/", 404, "404"},
		{h, "GET", "/debug/pprof/heap", 404, "404"},
		{withPprof, "GET", "/debug/pprof/", 200, "<html>"},
		{withPprof, "GET", "/debug/pprof/heap", 200, "\x1f\x8b"},
		{h, "POST", "/", 405, "only GET and HEAD are served\n"},
		{h, "OPTIONS", "/metrics", 405, "only GET and HEAD are served\n"},
		{h, "DELETE", "/nope", 405, "only GET and HEAD are served\n"},
		{withPprof, "POST", "/debug/pprof/symbol", 405, "only GET and HEAD are served\n"},
	} {
		r := request(c.h, c.method, c.target, nil)
		if body := text(t, r); r.StatusCode != c.status || !strings.HasPrefix(body, c.body) {
			t.Errorf("%s %s: %d %.40q, want %d %q", c.method, c.target, r.StatusCode, body, c.status, c.body)
		}
		if c.status == 405 && r.Header.Get("Allow") != "GET, HEAD" {
			t.Errorf("%s %s: Allow is %q", c.method, c.target, r.Header.Get("Allow"))
		}
		for k, v := range map[string]string{"X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer", "Cache-Control": "no-store"} {
			if r.Header.Get(k) != v {
				t.Errorf("%s %s: %s is %q", c.method, c.target, k, r.Header.Get(k))
			}
		}
		if p := r.Header.Get("Content-Security-Policy"); !strings.HasPrefix(p, "default-src 'none'; script-src 'self'; style-src 'self'; ") || !strings.Contains(p, "form-action 'none'") || strings.Contains(p, "unsafe") {
			t.Errorf("%s %s: policy %q", c.method, c.target, p)
		}
	}
	if r := request(h, "GET", "/metrics", strings.NewReader("x")); r.StatusCode != 413 {
		t.Errorf("a body is answered %d", r.StatusCode)
	}
}

// On a computer that asks for nothing else, no foreign name is served: it may be
// one that a page from elsewhere lets point here.
func TestForeignHosts(t *testing.T) {
	o := options()
	open := New(o)
	o.LocalOnly = true
	h := New(o)
	for host, want := range map[string]int{
		"localhost": 200, "localhost:7610": 200, "LOCALHOST.:7610": 200, "127.0.0.1:7610": 200, "127.8.9.10": 200, "[::1]:7610": 200, "[::1]": 200,
		"[::ffff:127.0.0.1]:7610": 200, "": 200, // of HTTP/1.0: no browser
		"evil.example": 421, "evil.example:7610": 421, "localhost.evil.example": 421, "127.0.0.1.evil.example:7610": 421, "192.0.2.1:7610": 421,
		"0.0.0.0:7610": 421, "[::]:7610": 421, "localhost:evil.example:1": 421, "[2001:db8::1]": 421, "2130706433": 421,
	} {
		for _, path := range []string{"/", "/metrics", "/-/ready", "/nope"} {
			r := httptest.NewRequest("GET", path, nil)
			r.Host = host
			want := want
			if want == 200 && path == "/nope" {
				want = 404
			}
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			if w.Code != want || want == 421 && !strings.Contains(w.Body.String(), "expected localhost, an address 127.…, or [::1]") {
				t.Errorf("%q %s: %d %.80q, want %d", host, path, w.Code, w.Body, want)
			}
			w = httptest.NewRecorder()
			if open.ServeHTTP(w, r); w.Code == 421 {
				t.Errorf("%q: refused where clients are to come from elsewhere", host)
			}
		}
	}
}

// A page that fails is answered, and told once in the log.
func TestPanic(t *testing.T) {
	var b strings.Builder
	o := options()
	o.Log = slog.New(slog.NewTextHandler(&b, nil))
	o.Contacts = func() []live.Figures { panic("no figures") }
	r := request(New(o), "GET", "/", nil)
	if r.StatusCode != 500 || strings.Contains(text(t, r), "no figures") {
		t.Error(r.StatusCode)
	}
	if s := b.String(); strings.Count(s, "\n") != 1 || !strings.Contains(s, `panic="no figures"`) || !strings.Contains(s, "path=/") {
		t.Errorf("log: %s", s)
	}
}

func short(v badge, word string) badge {
	v.Word = word
	return v
}

// Each contact in the words that the page has.
func TestWords(t *testing.T) {
	v := newPage("Marrow Quay exchange", marrowQuay(), noon)
	if want := "6 contacts: 1 not being read; 1 no signal; 1 out of limits; 1 faulty; 1 no limits set; 1 fits, no tolerance is published."; v.Summary != want {
		t.Errorf("summary %q, want %q", v.Summary, want)
	}
	fail, near, pass, none := verdicts[pulse.Fail], verdicts[pulse.ConditionalFail], verdicts[pulse.Pass], badge{"none", "–", "not measured"}
	want := []pageContact{
		{
			Name: "generator-a", Title: "Dial-pulse generator A, bench 3", Source: "gpio:GPIO17", Kind: "dial", State: "open",
			Verdict: fail, Latest: "9.20 pps", Rate: "9.2041 ± 0.0013 pps", Nominal: "10 pps", Percent: "63.96 ± 0.11 %", Means: true,
			Problems: []problem{
				{"fail", "Longest break 81.52 ms, 11.52 ms above the limit of 70 ms; pulse 2 of its train; 3 minutes ago."},
				{"near", "Highest percent break 70.05 %, 0.05 percentage points above the limit of 70 %, by less than the uncertainty (± 0.12 percentage points); pulse 2 of its train; 3 minutes ago."},
				{"near", "Longest bounce 0.460 ms, 0.040 ms inside the limit of 0.5 ms, by less than the uncertainty (± 0.057 ms); 3 minutes ago."},
			},
			Limits: []pageLimit{
				{"break", "60 to 70 ms", "68.21 to 81.52 ms", "3 of 1,265", fail},
				{"percent break", "60 to 70 %", "62.71 to 70.05 %", "1 of 1,035", short(near, "just beyond")},
				{"rate", "at least 9.09 pps", "slowest 9.1100 pps", "0 of 1,035: fewer than 1 in 345", pass},
				{"interdigit", "at least 750 ms", "shortest 799.70 ms", "0 of 229: fewer than 1 in 76", pass},
				{"bounce", "at most 0.5 ms", "longest 0.460 ms", "0 of 2,530: fewer than 1 in 845", short(near, "just within")},
			},
			Profile: "AS/CA S002:2010 decadic dialling, sending", ProfileID: "au-s002-dial", Window: "10 minutes",
			Recent: "1,265 pulses in 230 trains, 4 bursts of chatter",
			Total:  "1,234,567,890 pulses in 224,466,889 trains, 4,411 bursts of chatter, 1 lost edge",
			Notes:  []string{"Governor adjusted by the bench card on 2 March.", "Wired through coupler board 7, channel 1."},
		},
		{
			Name: "busy-cam", Title: "Busy tone interrupter, five lobes", Source: "gpio:P1_13", Kind: "interrupter", State: "closed",
			Verdict: badge{"fail", "✗", "faulty"}, Latest: "60.02 IPM", Rate: "60.0041 ± 0.0060 IPM", Nominal: "60 IPM", Percent: "50.012 ± 0.012 %", Means: true,
			Faults: []badge{{"fail", "✗", "1,234 missing"}, {"fail", "✗", "1 extra"}},
			Problems: []problem{
				{"fail", "1234 interruptions are missing in the last 10 minutes."},
				{"fail", "1 interruption is extra in the last 10 minutes."},
			},
			Limits: []pageLimit{
				{"rate", "54 to 66 IPM", "59.6200 to 60.4100 IPM", "0 of 598: fewer than 1 in 200", pass},
				{"break", "450 to 550 ms", "493.10 to 508.80 ms", "0 of 598: fewer than 1 in 200", pass},
			},
			Profile: "47 CFR 80.74 busy tone", ProfileID: "us-fcc-busy", Window: "10 minutes",
			Recent: "598 whole cycles, 1,234 interruptions missing, 1 extra interruption", Total: "5,184,012 whole cycles, 2,345 interruptions missing, 1 extra interruption",
		},
		{
			Name: "ringing", Title: "Ringing interrupter", Source: "gpio:P1_15", Kind: "interrupter", State: "closed",
			Verdict: silent, Latest: "20.01 IPM", Rate: "20.01 IPM", Percent: "73.3 %", RateAgo: "2 hours ago",
			Problems: []problem{{"fail", "Standing still: no edge for 2 hours 3 minutes; one was expected within 30 seconds."}},
			Limits:   []pageLimit{{"make", "360 to 440 ms", "–", "–", none}},
			Profile:  "AS/CA S002:2010 ringing tone", ProfileID: "au-s002-ringing-tone", Window: "10 minutes",
			Recent: "0 whole cycles", Total: "0 whole cycles",
		},
		{
			Name: "metering", Source: "gpio:GPIO27", State: "state not known", Verdict: notRead, Window: "10 minutes",
			Problems: []problem{{"fail", `The contact is not being read: open line "GPIO27": line is in use by "fan-control".`}},
		},
		{
			Name: "practice-dial", Title: "Simulated dial", Source: "sim:dial,digits=1234567890,rate=9.2,break=64,repeat=endless,jitter=0.2ms,bounce=2:0.8ms,seed=1",
			Kind: "dial", State: "state not known", Verdict: verdicts[""], Latest: "9.20 pps", Rate: "9.20 pps", Percent: "64.0 %", Window: "10 minutes",
			Recent: "1 pulse in 1 train", Total: "0 pulses in 0 trains",
		},
		{
			Name: "ringing-2", Title: "Ringing interrupter, other floor", Source: "gpio:P1_18", Kind: "interrupter", State: "closed", Verdict: fits,
			Latest: "12.01 IPM", Rate: "12.0040 ± 0.0012 IPM", Percent: "80.0200 ± 0.0023 %", Means: true,
			Segments: []pageSegment{{"make 1", "1000 ms", "998.7 ms"}, {"break 1", "4000 ms", "3999.6 ms"}},
			Profile:  "Marrow Quay ringing, as it was drawn", ProfileID: "mq-ringing", Window: "10 minutes",
			Recent: "119 whole cycles", Total: "119 whole cycles",
		},
	}
	// Where a line may break is not compared.
	spaces := cmp.Comparer(func(a, b string) bool {
		return strings.ReplaceAll(a, "\u00a0", " ") == strings.ReplaceAll(b, "\u00a0", " ")
	})
	if diff := cmp.Diff(want, v.Contacts, spaces); diff != "" {
		t.Error(diff)
	}

	atEnd := live.Figures{Ended: true, Statement: pulse.Fail, Kind: pulse.KindDial, Totals: live.Totals{Counts: pulse.Counts{Pulses: 7, Trains: 1}, OutOfLimit: 2}}
	if c := newPageContact(&atEnd, noon); c.Verdict != faulty || c.State != "at its end" || c.Problems != nil || c.Total != "7 pulses in 1 train, 2 of them out of limits" {
		t.Errorf("at its end: %+v", c)
	}
	dial := live.Figures{Setting: live.Setting{StuckAfter: time.Hour}, Kind: pulse.KindDial, Up: true, Stuck: true}
	if p := newPageContact(&dial, noon).Problems; len(p) != 1 || p[0].Text != "No edge; one was expected within 1 hour." {
		t.Errorf("a stuck dial: %+v", p)
	}
	swapped := live.Figures{Kind: pulse.KindDial, Polarity: pulse.ClosedHigh, Up: true, RestsOpen: true}
	if p := newPageContact(&swapped, noon).Problems; len(p) != 1 || p[0].Text != "The contact seems to rest open; with closed: low it would read as a dial. Is the polarity the other way round?" {
		t.Errorf("a dial that rests open: %+v", p)
	}
	waiting := marrowQuay()[5]
	waiting.SegmentsMS = nil
	if c := newPageContact(&waiting, noon); c.Verdict != notKnown || c.Segments != nil {
		t.Errorf("before the first cycle: %+v", c)
	}
	for seconds, want := range map[float64]string{3600: "11:00", 11.9 * 3600: "00:06", 86400: "29 March 12:00"} {
		if got := moment(noon, seconds); got != want {
			t.Errorf("%v s before noon: %s, want %s", seconds, got, want)
		}
	}
	since := item(pulse.BreakMS, "max", 70, 81.5, 0.12, pulse.Fail, 3, 9, pulse.Location{})
	since.OutForS = pulse.Known(5400)
	if got := worst(since, noon); !strings.HasSuffix(got, "; 3 minutes ago; beyond it since 10:30, 1 hour ago.") {
		t.Error(got)
	}
	other := live.Figures{Up: true, OtherCadence: true}
	if p := newPageContact(&other, noon).Problems; len(p) != 1 || !strings.Contains(p[0].Text, "another cadence") {
		t.Errorf("another cadence: %+v", p)
	}
	faulty := live.Figures{Kind: pulse.KindInterrupter, Up: true, Window: 90 * time.Second, Recent: pulse.Counts{Missing: 1, PhaseSlips: 2, LostEdges: 3}}
	faulty.Because = faulty.Recent.Faults().Because()
	wantProblems := []problem{
		{"fail", "1 interruption is missing in the last 1 minute 30 seconds."},
		{"fail", "The phase slipped 2 times in the last 1 minute 30 seconds."},
		{"near", "3 edges lost in the last 1 minute 30 seconds; what they were part of is not in the figures."},
	}
	if diff := cmp.Diff(wantProblems, newPageContact(&faulty, noon).Problems); diff != "" {
		t.Error(diff)
	}
	if c := newPageContact(&faulty, noon); c.Verdict != verdicts[""] || !slices.Equal(c.Faults, []badge{{"fail", "✗", "1 missing"}, {"fail", "✗", "2 slipped"}}) {
		t.Errorf("faulty, without limits: %+v", c)
	}
	for n, want := range map[int]string{0: "0 contacts.", 1: "1 contact: 1 out of limits.", 2: "2 contacts: 1 out of limits; 1 faulty."} {
		if got := newPage("", marrowQuay()[:n], noon).Summary; got != want {
			t.Errorf("summary %q, want %q", got, want)
		}
	}
	if got := newPage("", []live.Figures{faulty}, noon).Summary; got != "1 contact: 1 no limits set; of these 1 with faults that never pass." {
		t.Error(got)
	}
	good := marrowQuay()[1]
	if got := newPage("", []live.Figures{good, good}, noon).Summary; got != "All 2 contacts: faulty." {
		t.Error(got)
	}
	good.Recent, good.Because, good.Statement = pulse.Counts{}, nil, pulse.Pass
	if got := newPage("", []live.Figures{good, good}, noon).Summary; got != "All 2 contacts: within limits." {
		t.Error(got)
	}
}

func TestDuration(t *testing.T) {
	for s, want := range map[float64]string{
		0: "0 seconds", 0.6: "1 second", 59.4: "59 seconds", 59.6: "1 minute", 61: "1 minute 1 second", 3600: "1 hour",
		7384: "2 hours 3 minutes", 86400: "1 day", 200000: "2 days 7 hours", 1e9: "11,574 days 1 hour",
	} {
		if got := duration(s); got != want {
			t.Errorf("%v: %q, want %q", s, got, want)
		}
	}
	if got := ago(0.4) + ago(2); got != "just now2 seconds ago" {
		t.Error(got)
	}
}

// What a user wrote is text on the page and nothing else.
func TestEscaping(t *testing.T) {
	const evil = `<script>alert(1)</script>"'&`
	o := options()
	o.Site = evil
	o.Contacts = func() []live.Figures {
		f := marrowQuay()[0]
		f.Name, f.Title, f.Source, f.Notes, f.Up, f.Why = evil, evil, evil, []string{evil}, false, evil
		f.Limits = &pulse.Profile{ID: evil, Title: evil}
		return []live.Figures{f, f}
	}
	o.Notices = func() []string { return []string{evil} }
	for path, least := range map[string]int{"/": 9, "/contacts/" + url.PathEscape(evil): 10} {
		page := text(t, request(New(o), "GET", path, nil))
		if strings.Contains(page, "<script>") || strings.Contains(page, "alert(1)<") {
			t.Errorf("%s: a script on the page", path)
		}
		if n := strings.Count(page, "&lt;script&gt;"); n < least {
			t.Errorf("%s: the text is there %d times", path, n)
		}
	}
}

// The page loads nothing from elsewhere, and itself again only until that is
// stopped.
func TestPageStandsAlone(t *testing.T) {
	o := options()
	o.Notices = func() []string { return []string{"The disk is full."} }
	page := text(t, request(New(o), "GET", "/", nil))
	files := ""
	for _, name := range []string{"makebreak.css", "makebreak.js"} {
		files += text(t, request(New(o), "GET", "/static/"+name, nil))
	}
	for _, s := range []string{"://", "@import", "url(", "style="} {
		if strings.Contains(page, s) || s != "://" && strings.Contains(files, s) {
			t.Errorf("the page has %s", s)
		}
	}
	if all := regexp.MustCompile(`(src|href)="[^"]*\.(js|css|svg)"`).FindAllString(page, -1); !slices.Equal(all, []string{`href="/static/makebreak.css"`, `href="/static/mark.svg"`, `src="/static/makebreak.js"`}) {
		t.Error(all)
	}
	for _, s := range []string{`http-equiv="refresh" content="15"`, "The disk is full.", "Never connect a computer’s pins straight to exchange wiring", `href="/metrics"`, "Marrow Quay exchange", "makebreak 1.2.3"} {
		if !strings.Contains(page, s) {
			t.Errorf("the page has no %s", s)
		}
	}
	// The list of all contacts tells what is wrong with one beside its verdict, and
	// which rate is not that of now.
	for _, s := range []string{
		`<span class="word">faulty</span></span> <span class="verdict fail"><span class="mark" aria-hidden="true">✗</span> <span class="word">1,234 missing</span></span> <span class="verdict fail"><span class="mark" aria-hidden="true">✗</span> <span class="word">1 extra</span></span></p>`,
		"<p class=\"figure\">60.02\u00a0IPM</p>", "<p class=\"figure\">last 20.01\u00a0IPM</p>\n<p class=\"quiet\">2 hours ago</p>", "last edge 2 hours ago",
		`aria-label="break: seen 68.21 to 81.52 ms ± 0.12 ms; limits 60 to 70 ms: out of limits"`,
	} {
		if !strings.Contains(page, s) {
			t.Errorf("the page has no %s", s)
		}
	}
	one := text(t, request(New(o), "GET", "/contacts/ringing", nil))
	for _, s := range []string{"<dt>Last rate</dt><dd>20.01\u00a0IPM, 2 hours ago</dd>", "<dt>Last percent break</dt>", `data-field="state">no signal; it rests closed</span>`, "Never connect a computer’s pins"} {
		if !strings.Contains(one, s) {
			t.Errorf("the contact's page has no %s", s)
		}
	}
	if strings.Contains(text(t, request(New(o), "GET", "/?refresh=off", nil)), "http-equiv") {
		t.Error("the page refreshes although it should not")
	}
}

// A distance from a limit is never told as 0. Invented figures.
func TestDistances(t *testing.T) {
	for _, c := range []struct {
		observed float64
		s        pulse.Statement
		want     string
	}{
		{70.0004, pulse.ConditionalFail, "Longest break 70.0004 ms, 0.00040 ms above the limit of 70 ms, by less than the uncertainty (± 0.13 ms)."},
		{69.9996, pulse.ConditionalPass, "Longest break 69.9996 ms, 0.00040 ms inside the limit of 70 ms, by less than the uncertainty (± 0.13 ms)."},
		{70, pulse.ConditionalPass, "Longest break 70.00 ms, on the limit of 70 ms, by less than the uncertainty (± 0.13 ms)."},
	} {
		it := item(pulse.BreakMS, "max", 70, c.observed, 0.13, c.s, 0, 9, pulse.Location{})
		it.AgoS = pulse.Num{}
		if got := strings.ReplaceAll(worst(it, noon), "\u00a0", " "); got != c.want {
			t.Errorf("%v: %q, want %q", c.observed, got, c.want)
		}
	}
}

// Links that were sent, and such as are wrong.
func TestStretches(t *testing.T) {
	h := New(movingOptions(newBench(t, "dial", 0)))
	for path, want := range map[string]struct {
		status int
		text   string
	}{
		"/contacts/dial?span=month":                                {200, `aria-current="true">a month</a>`},
		"/contacts/dial?span=century":                              {200, `aria-current="true">a day</a>`},
		"/contacts/dial?figure=percent":                            {200, `data-figure="rate" hidden>`},
		"/contacts/dial?from=2024-03-30T10:00&to=2024-03-30T11:00": {200, `name="from" value="2024-03-30T10:00"`},
		"/contacts/dial?from=noon":                                 {400, "From is not a time: expected one such as 2026-11-20T10:00."},
		"/contacts/dial?from=2024-03-30T12:00&to=2024-03-30T11:00": {400, "The stretch begins at its end or after it."},
		"/contacts/nobody":                                         {404, "There is no contact of that name."},
		"/contacts/dial/stretch":                                   {400, "Expected from, the start"},
		"/contacts/dial/stretch?from=2024-03-30":                   {200, "WITHIN LIMITS"},
		"/soaks":                                                   {200, `<a href="/soaks/after%20oiling">after oiling</a>`},
		"/soaks?1":                                                 {200, `<div class="found document"><p class="verdict good">WITHIN LIMITS</p></div>`},
		"/soaks?2":                                                 {200, `<div class="found document"><p class="quiet">Its verdict is on its own page: it takes longer to work out.</p></div>`},
		"/compare":                                                 {200, `<h3>generator-a</h3><ol class="entries"><li class="note"><time datetime="` + noon.Format("2006-01-02T15:04:05Z07:00") + `">`},
		"/compare?1":                                               {200, `from2=` + url.QueryEscape(noon.Format(time.RFC3339)) + `&amp;`},
		"/soaks/after%20oiling":                                    {200, "WITHIN LIMITS"},
		"/soaks/never":                                             {404, "No soak test has that title."},
		"/compare?contact=dial&from1=2024-03-30&from2=2024-03-31": {200, "<h1>Compared</h1>"},
		"/compare?contact=dial&from1=2024-03-30&from2=soon":       {400, "From2 is not a time"},
		"/wiring": {200, "Never connect a computer’s pins"},
		"/wiring?voltage=48V-battery&superposed=none": {200, "FITS"},
		"/wiring?voltage=48V&superposed=none":         {400, "48V is no range."},
		"/wiring?voltage=48V-battery":                 {400, "Say what lies on the lead"},
		"/static/makebreak.js":                        {200, "EventSource"},
		"/static/..%2fweb.go":                         {404, "404"},
		"/contacts/dial/events/more":                  {404, "404"},
	} {
		r := request(h, "GET", path, nil)
		if body := text(t, r); r.StatusCode != want.status || !strings.Contains(body, want.text) {
			t.Errorf("%s: %d, want %d with %q", path, r.StatusCode, want.status, want.text)
		}
	}
	// Without a log the pages say so.
	o := options()
	for _, path := range []string{"/soaks", "/compare", "/contacts/generator-a/stretch?from=2024-03-30"} {
		if r := request(New(o), "GET", path, nil); r.StatusCode != 404 || !strings.Contains(text(t, r), "There is no log to ask.") {
			t.Errorf("%s without a log: %d", path, r.StatusCode)
		}
	}
}

// A figure of the frame by its limits. Invented figures.
func TestFace(t *testing.T) {
	limits := bounds{low: pulse.Known(9), high: pulse.Known(11), u: 0.05}
	for v, want := range map[float64][4]string{ // value, distance, where, class
		10.4:   {"10.40", "−0.60 pps", "below the upper limit of 11, inside", "pass"},
		9.2:    {"9.20", "+0.20 pps", "above the lower limit of 9, inside", "pass"},
		9.02:   {"9.02", "+0.02 pps", "above the lower limit of 9, inside by less than the uncertainty", "near"},
		8.97:   {"8.97", "−0.03 pps", "below the lower limit of 9, outside by less than the uncertainty", "near"},
		8.5:    {"8.50", "−0.50 pps", "below the lower limit of 9, outside", "fail"},
		12:     {"12.00", "+1.00 pps", "above the upper limit of 11, outside", "fail"},
		9.0012: {"9.00", "+0.0012 pps", "above the lower limit of 9, inside by less than the uncertainty", "near"}, // never told as 0
	} {
		f := newFaceFigure("rate", limits, pulse.RatePPS, pulse.Known(v), 2)
		if got := [4]string{f.Value, f.Distance, f.Where, f.Class}; got != want {
			t.Errorf("%v: %q, want %q", v, got, want)
		}
		if at := v - 10; f.At == nil || *f.At < at-0.001 || *f.At > at+0.001 {
			t.Errorf("%v: %v from the middle", v, f.At)
		}
	}
	if f := newFaceFigure("rate", bounds{nominal: pulse.Known(10)}, pulse.RatePPS, pulse.Known(9.5), 2); f.Distance != "−0.50 pps" || f.Where != "below the nominal of 10; no limit is set" || f.At != nil {
		t.Errorf("%+v", f)
	}
	if f := newFaceFigure("rate", limits, pulse.RatePPS, pulse.Num{}, 2); f.Value != "–" || f.At != nil || f.Where != "nothing to read now" {
		t.Errorf("%+v", f)
	}
}

// A strip as a pen would draw it.
func TestStrip(t *testing.T) {
	const s = pulse.Stamp(1e9)
	l := live.Latest{Now: 100 * s, Before: live.Closed, Marks: []live.Mark{{At: 92 * s, To: live.Open}, {At: 94 * s, To: live.Closed}, {At: 97 * s, To: live.Unknown}}}
	got := newStrip(&l, 10*s)
	want := strip{Trace: "M0 4H72H72V24H144H144V4H252", Gaps: "M252 14H360", Words: "last 10 seconds: 1 opening, open 29 % of the time"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	// More changes than there is room for are one drawing of bounded size.
	l = live.Latest{Now: 100 * s}
	for i := range 20_000 {
		l.Marks = append(l.Marks, live.Mark{At: 90*s + pulse.Stamp(i)*5e5, To: live.Open + live.State(i%2)})
	}
	if got = newStrip(&l, 10*s); len(got.Trace) > 8000 || !strings.Contains(got.Words, "9,999 openings, open 50 %") {
		t.Errorf("%d bytes, %s", len(got.Trace), got.Words)
	}
}
