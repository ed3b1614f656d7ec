package watch

import (
	"os"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/store"
	"makebreak/hw"
	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

// What a configuration changes is changed, and a contact whose source stays
// loses no edge, whatever else of it changes.
func TestReload(t *testing.T) {
	const (
		stays  = "dial,digits=1234567890,rate=20,repeat=endless,jitter=0.1ms,bounce=3:1ms,seed=1"
		limits = "dial,digits=1357924680,rate=10,repeat=endless,jitter=0.1ms,seed=2"
		other  = "cam,ipm=60,cycles=endless,seed=3"
	)
	bubble(t, func(t *testing.T) {
		r := newRig(t, sim("stays", stays, "kind: dial"), sim("limits", limits, "limits: uk-gpo-dial-accept"),
			sim("goes", other, "kind: interrupter"), sim("moves", other, "kind: interrupter"), sim("ends", "dial,digits=1", "kind: dial"))
		r.start()
		r.pass(10300 * time.Millisecond)

		// By the changed file, within some seconds.
		r.write(sim("comes", other, "kind: interrupter"), sim("stays", stays, "kind: dial", "title: A new title", "notes: [oiled]"),
			sim("limits", limits, "limits: us-1926-dial", "settle: 5ms"), sim("moves", "cam,ipm=120,cycles=endless,seed=4", "kind: interrupter"),
			sim("ends", "dial,digits=1", "kind: dial", "title: Over and done"))
		r.pass(10 * time.Second)
		if n := len(r.lines("configuration taken over")); n != 1 || len(r.lines("added=1 ended=1 changed=4")) != 1 {
			t.Fatalf("taken over %d times: %s", n, r.lines("configuration"))
		}
		r.is(map[string]float64{"up{comes}": 1, "up{moves}": 1, "configuration_reloads_total{taken}": 1, "configuration_stale{}": 0})
		all, err := r.metrics()
		if err != nil {
			t.Fatal(err)
		}
		if _, ok := all["up{goes}"]; ok {
			t.Error("a contact that was taken out is still shown")
		}
		if _, ok := all["limit_hertz{min,limits,rate}"]; !ok {
			t.Errorf("the new limits are not in force: %v", all)
		}
		if page := r.page(); !strings.Contains(page, "A new title") || !strings.Contains(page, "oiled") || !strings.Contains(page, "Over and done") || strings.Contains(page, "goes") {
			t.Error("the page does not show the new configuration")
		}

		// By a signal, with mistakes: refused, each told.
		r.writeText(head + "contacts:\n  - {name: stays, source: 'sim:dial', kind: dail}\n  - {name: UPPER, source: 'sim:dial', kind: dial}\n")
		r.reload <- syscall.SIGHUP
		r.pass(3 * time.Second)
		if n := len(r.lines("configuration refused")); n != 2 {
			t.Errorf("%d mistakes told: %s", n, r.lines("refused"))
		}
		r.is(map[string]float64{"configuration_reloads_total{refused}": 1, "configuration_stale{}": 1, "up{comes}": 1})
		if page := r.page(); !strings.Contains(page, "The configuration file has mistakes") || !strings.Contains(page, "dail") {
			t.Error("the page does not tell of the mistakes")
		}

		// Mended, with what takes effect at a start only; and the first contact goes.
		r.writeText(head + "window: 1h\nlisten: '127.0.0.1:1'\ncontacts:\n" + yaml(sim("stays", stays, "kind: dial", "closed: low"), sim("limits", limits, "kind: dial")))
		r.pass(7 * time.Second)
		r.is(map[string]float64{"configuration_reloads_total{taken}": 2, "configuration_stale{}": 0, "window_seconds{stays}": 600})
		if page := r.page(); !strings.Contains(page, "in force only after the next start: listen, window") {
			t.Error("the page does not tell what needs a start")
		}
		edges, err := r.metrics()
		if err != nil {
			t.Fatal(err)
		}
		now := r.now()
		r.finish()

		for name, d := range map[string]string{"stays": stays, "limits": limits} {
			all := r.logged(name)
			got, readings := known(all)
			want := signal(t, d, booted, now-pulse.Stamp(batch))
			if err := sameEdges(got, want); err != nil || readings != 1 {
				t.Errorf("%s: %d readings, %v", name, readings, err)
			}
			if n := edges["edges_total{"+name+"}"]; n != float64(len(want)) {
				t.Errorf("%s: %v edges counted, want %d", name, n, len(want))
			}
			if lost, unknown := edges["lost_edges_total{"+name+"}"], edges["unknown_intervals_total{"+name+"}"]; lost != 0 || unknown != 0 {
				t.Errorf("%s: %v edges lost, %v intervals unknown", name, lost, unknown)
			}
			sum := int64(0)
			for m, err := range r.book().Summaries(t.Context(), store.Span{}, name) {
				if err != nil {
					t.Fatal(err)
				}
				sum += m.Edges
			}
			if sum != int64(len(want)) {
				t.Errorf("%s: %d edges in the summaries, want %d", name, sum, len(want))
			}
		}
		for name, want := range map[string]int{"moves": 2, "goes": 1, "comes": 1} {
			if _, n := known(r.logged(name)); n != want {
				t.Errorf("%s was read %d times, want %d", name, n, want)
			}
		}
		all2, err := r.book().Configurations(t.Context(), "limits")
		if err != nil || len(all2) != 3 || !strings.Contains(string(all2[1].Settings), `"limits":"us-1926-dial"`) {
			t.Errorf("%v: %d configurations of limits: %+v", err, len(all2), all2)
		}
		var states []string
		for _, s := range r.told() {
			if !strings.HasPrefix(s, "WATCHDOG") {
				states = append(states, strings.Split(s, "\n")[0])
			}
		}
		want := []string{"READY=1", "RELOADING=1", "READY=1", "RELOADING=1", "READY=1", "RELOADING=1", "READY=1", "STOPPING=1"}
		if !slices.Equal(states, want) {
			t.Errorf("told the service manager %q, want %q", states, want)
		}
		if s := r.told()[1]; !strings.Contains(s, "\nMONOTONIC_USEC=36") {
			t.Errorf("%q has not the time", s)
		}
	})
}

// A line goes from one contact to another in one step, and a file that is being
// written is not read by halves.
func TestReloadOrder(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, "name: a\nsource: 'gpio:L1'\nkind: dial", "name: b\nsource: 'gpio:L2'\nkind: dial")
		held := map[string]bool{}
		for _, line := range []string{"L1", "L2"} {
			r.open[line] = func() (src, error) {
				r.host.mu.Lock()
				defer r.host.mu.Unlock()
				if held[line] {
					t.Errorf("%s is opened by two", line)
				}
				held[line] = true
				return &held1{silent(r.now()), func() { r.host.mu.Lock(); held[line] = false; r.host.mu.Unlock() }}, nil
			}
		}
		r.start()
		r.pass(3 * time.Second)
		// An editor writes for a while.
		for i := range 5 {
			r.writeText(head + strings.Repeat("#\n", i) + "contacts: [\n")
			r.pass(time.Second)
		}
		r.write("name: a\nsource: 'gpio:L2'\nkind: dial", "name: b\nsource: 'gpio:L1'\nkind: dial")
		r.pass(10 * time.Second)
		if n := r.lines("refused"); len(n) > 0 {
			t.Errorf("a half-written file was read: %s", n)
		}
		r.is(map[string]float64{"up{a}": 1, "up{b}": 1, "configuration_reloads_total{taken}": 1})
		r.finish()
		if held["L1"] || held["L2"] {
			t.Error("lines are held at the end")
		}
	})
}

// No counter falls, whatever is changed and changed back, and the pulses that
// are counted are those in the histograms. The onlooker compares with all that
// was ever shown.
func TestCountersGoOn(t *testing.T) {
	const (
		d   = "dial,digits=1234567890,rate=10,repeat=endless,jitter=0.1ms,seed=2"
		cam = "cam,ipm=120,cycles=endless,jitter=0.1ms,seed=3"
	)
	bubble(t, func(t *testing.T) {
		limited, plain := sim("a", d, "limits: uk-gpo-dial-accept"), sim("a", d, "kind: dial")
		r := newRig(t, limited, sim("k", d, "kind: dial"), sim("m", cam, "limits: us-fcc-busy"), sim("out", cam, "kind: interrupter"))
		r.start()
		show := func() map[string]float64 {
			t.Helper()
			all, err := r.metrics()
			if err != nil {
				t.Fatal(err)
			}
			for _, c := range []string{"a", "k"} {
				pulses, there := all["pulses_total{"+c+"}"]
				// The last pulse of all is told once it has a period or ends its train.
				if breaks := all["break_seconds_count{"+c+",dial}"]; there && pulses != breaks && pulses != breaks+1 {
					t.Errorf("%s: %v pulses, %v breaks", c, pulses, breaks)
				}
			}
			return all
		}
		r.pass(30 * time.Second)
		before := show()
		if before["out_of_limit_total{min,a,percent_break}"] == 0 || before["pulses_total{k}"] < 100 {
			t.Fatalf("the signals show nothing: %v", before)
		}
		r.write(plain, sim("k", d, "kind: interrupter"), sim("m", cam, "kind: dial"))
		r.reload <- syscall.SIGHUP
		r.pass(5 * time.Second)
		all := show()
		for _, k := range []string{"out_of_limit_total{min,a,percent_break}", "pulses_total{k}", "break_seconds_count{k,dial}", "edges_total{out}"} {
			if _, there := all[k]; there {
				t.Errorf("%s is shown although nothing has a use for it", k)
			}
		}
		r.write(limited, sim("k", d, "limits: us-1926-dial"), sim("m", cam, "limits: us-fcc-busy"), sim("out", cam, "kind: interrupter"))
		r.reload <- syscall.SIGHUP
		r.pass(5 * time.Second)
		all = show()
		for k, v := range before {
			if strings.Contains(k, "_total") && all[k] < v {
				t.Errorf("%s fell from %v to %v", k, v, all[k])
			}
		}
		// A hundred changes of the reading, at any phase of the signal.
		for i := range 100 {
			settle := "settle: " + itoa(3+i%2) + "ms"
			r.write(sim("a", d, "limits: uk-gpo-dial-accept", settle), sim("k", d, "kind: dial"), sim("m", cam, "limits: us-fcc-busy", settle), sim("out", cam, "kind: interrupter"))
			r.reload <- syscall.SIGHUP
			r.pass(737 * time.Millisecond)
			show()
		}
		all = show()
		now := r.now()
		r.finish()
		for name, d := range map[string]string{"a": d, "k": d, "m": cam} {
			want := len(signal(t, d, booted, now-pulse.Stamp(batch)))
			if n := all["edges_total{"+name+"}"]; n != float64(want) {
				t.Errorf("%s: %v edges counted, want %d", name, n, want)
			}
			if sum := r.sum(name); sum.Edges != int64(want) {
				t.Errorf("%s: %d edges in the summaries, want %d", name, sum.Edges, want)
			}
			if n := all["unknown_intervals_total{"+name+"}"]; n != 0 {
				t.Errorf("%s: %v unknown intervals", name, n)
			}
		}
		if sum := r.sum("a"); sum.Pulses != sum.Break.N || sum.Pulses < 300 {
			t.Errorf("%d pulses and %d breaks in the summaries", sum.Pulses, sum.Break.N)
		}
	})
}

// A changed reading while a line is away does not make two unknown intervals
// of one.
func TestReloadWhileUnknown(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, line)
		opened := 0
		r.open["L"] = func() (src, error) {
			switch opened++; opened {
			case 1:
				at := r.now()
				return scripted(at, pulse.High, after(time.Second), hwtest.Edges(train(at+800e6, at+860e6, at+900e6, at+960e6)...), hwtest.Fail(hw.ErrUnplugged)), nil
			case 2, 3, 4, 5:
				return nil, hw.ErrNoChip
			}
			return silent(r.now()), nil
		}
		r.start()
		r.pass(3 * time.Second)
		r.write(line + "\nsettle: 5ms")
		r.reload <- syscall.SIGHUP
		r.pass(2 * time.Second)
		r.is(map[string]float64{"up{line}": 0, "unknown_intervals_total{line}": 0, "pulses_total{line}": 2, "break_seconds_count{line,dial}": 2})
		r.pass(time.Minute)
		r.is(map[string]float64{"up{line}": 1, "unknown_intervals_total{line}": 1, "edges_total{line}": 4})
	})
}

// A contact that takes the place of one whose stamps are ahead of the clock
// begins after it: the log takes nothing that goes back.
func TestReplacedContactDoesNotGoBack(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, line)
		ahead := booted + pulse.Stamp(time.Minute)
		r.open["L"] = func() (src, error) {
			return scripted(r.now(), pulse.High, hwtest.Edges(train(ahead)...), hwtest.Stall(nil)), nil
		}
		r.open["M"] = func() (src, error) { return silent(r.now()), nil }
		r.start()
		r.pass(time.Second)
		r.write(strings.Replace(line, "gpio:L", "gpio:M", 1))
		r.reload <- syscall.SIGHUP
		r.pass(5 * time.Second)
		r.is(map[string]float64{"up{line}": 1, "log_dropped_edges_total{}": 0})
		r.finish()
		all := r.logged("line")
		if _, readings := known(all); readings != 2 || all[len(all)-1].At != ahead {
			t.Errorf("%d readings: %+v", readings, all)
		}
	})
}

// Each key that takes effect at a start only is told.
func TestNeedStart(t *testing.T) {
	for want, change := range map[string]func(*config.Watch){
		"":           func(c *config.Watch) { c.Contacts = []config.Contact{{Name: "a"}} },
		"site":       func(c *config.Watch) { c.Site = "x" },
		"store":      func(c *config.Watch) { c.Store.MaxBytes = 1 },
		"listen":     func(c *config.Watch) { c.Listen = "x" },
		"web_config": func(c *config.Watch) { c.WebConfig = "x" },
		"pprof":      func(c *config.Watch) { c.Pprof = true },
		"window":     func(c *config.Watch) { c.Window = 1 },
	} {
		var next config.Watch
		change(&next)
		if got := strings.Join(needStart(new(config.Watch), &next), ", "); got != want {
			t.Errorf("needs a start: %q, want %q", got, want)
		}
	}
}

// A configuration file that is gone is told once, and what was read stays.
func TestConfigurationGone(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, goodContact())
		r.start()
		r.pass(5 * time.Second)
		text, err := os.ReadFile(r.file)
		if err != nil {
			t.Fatal(err)
		}
		// Away at one look, as with an editor, it is not told.
		if err := os.Remove(r.file); err != nil {
			t.Fatal(err)
		}
		r.pass(2 * time.Second)
		r.writeText(string(text))
		r.pass(10 * time.Second)
		if l := r.lines("configuration file"); len(l) > 0 {
			t.Errorf("told: %s", l)
		}
		if err := os.Remove(r.file); err != nil {
			t.Fatal(err)
		}
		r.pass(time.Minute)
		if l := r.lines("the configuration file is gone"); len(l) != 1 || !strings.Contains(l[0], "level=WARN") {
			t.Errorf("told: %s", l)
		}
		if !strings.Contains(r.page(), "The configuration file is gone; what was read of it stays in force.") {
			t.Error("the page does not tell")
		}
		r.is(map[string]float64{"up{good}": 1})
		r.writeText(string(text))
		r.pass(10 * time.Second)
		if l := r.lines("the configuration file is there again"); len(l) != 1 || strings.Contains(r.page(), "is gone") {
			t.Errorf("told: %s", l)
		}
		r.finish()
		r.isExact("good", good, booted+pulse.Stamp(87*time.Second))
	})
}
