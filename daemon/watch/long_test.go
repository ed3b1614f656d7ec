package watch

import (
	"fmt"
	"os"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"makebreak/daemon/store"
	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

// TestLong watches for MAKEBREAK_LONG days, faster than they pass: memory is
// flat from the second day on, no goroutine is left, and counters, summaries
// and log say the same.
//
//	MAKEBREAK_LONG=30 go test -run TestLong -timeout 5h -v ./daemon/watch
func TestLong(t *testing.T) {
	days, err := strconv.Atoi(os.Getenv("MAKEBREAK_LONG"))
	if err != nil || days < 3 {
		t.Skip("runs for days: ask for it by MAKEBREAK_LONG, the number of them, from 3")
	}
	contacts := map[string]string{
		"dial":    "dial,digits=1234567890,rate=20,gap=100ms,repeat=endless,jitter=0.1ms,bounce=3:1ms,chatter=0.001,lost=0.000001,seed=1",
		"cam":     "cam,ipm=60,cycles=endless,jitter=0.5ms,bounce-close=3:1.5ms,missing=0.0001,extra=0.0001,wander=50,seed=2",
		"cadence": "cadence,400/200/400/2000,cycles=endless,jitter=1ms,seed=3",
	}
	const keep = 2 * 24 * time.Hour
	bubble(t, func(t *testing.T) {
		r := newRig(t)
		r.writeText(head[:strings.Index(head, "\n")+1] + "store: {path: log.db, keep_raw: 2d, max_size: 1GB}\ncontacts:\n" + yaml(
			sim("dial", contacts["dial"], "limits: jp-exchange-20pps", "stuck_after: 1min"),
			sim("cam", contacts["cam"], "limits: us-fcc-busy", "rate: 60ipm", "lobes: 5"),
			sim("cadence", contacts["cadence"], "limits: au-s002-ringing-tone"),
			"name: away\nsource: 'gpio:AWAY'\nkind: dial"))
		r.open["AWAY"] = func() (src, error) { return nil, hw.ErrNoChip }
		r.start()
		var first, last memory
		for d := 1; d <= days; d++ {
			r.pass(24 * time.Hour)
			last = measureMemory()
			t.Logf("day %2d: %v", d, last)
			if d == 2 {
				first = last
			}
		}
		if grown := last.heap - first.heap; grown > first.heap/20 {
			t.Errorf("memory grew from %v to %v", first, last)
		}
		if last.goroutines > first.goroutines {
			t.Errorf("goroutines went from %v to %v", first, last)
		}
		counted, err := r.metrics()
		if err != nil {
			t.Fatal(err)
		}
		end := r.now()
		r.finish()
		for name, d := range contacts {
			total, recent := checkLong(t, r, name, d, end-pulse.Stamp(batch), end-pulse.Stamp(keep-time.Hour))
			var sum store.Summary
			for m, err := range r.book().Summaries(t.Context(), store.Span{}, name) {
				if err != nil {
					t.Fatal(err)
				}
				sum.Edges += m.Edges
				sum.Pulses += m.Pulses
				sum.Missing += m.Missing
				sum.Lost += m.Lost
			}
			key := "{" + name + "}"
			pulses := counted["pulses_total"+key] + counted["cycles_total"+key]
			late := float64(sum.Pulses) - pulses // a last cycle is sure only when watching stops
			if float64(total) != counted["edges_total"+key] || sum.Edges != int64(total) || late < 0 || late > 1 ||
				float64(sum.Missing) != counted["missing_total"+key] || float64(sum.Lost) != counted["lost_edges_total"+key] {
				t.Errorf("%s: %d edges given; summaries %d edges, %d pulses, %d missing, %d lost; counters %v, %v, %v, %v", name, total,
					sum.Edges, sum.Pulses, sum.Missing, sum.Lost, counted["edges_total"+key], pulses, counted["missing_total"+key], counted["lost_edges_total"+key])
			}
			t.Logf("%s: %d edges, the latest %d of them compared with the log; %v pulses or cycles, %v missing, %v lost edges", name, total, recent, pulses, sum.Missing, sum.Lost)
		}
	})
}

// checkLong compares the log from a time on with the signal, and gives how
// many edges that has in all and from then on.
func checkLong(t *testing.T, r *rig, name, description string, until, from pulse.Stamp) (total, recent int) {
	t.Helper()
	spec, err := synth.Parse(description)
	if err != nil {
		t.Fatal(err)
	}
	s, err := synth.New(spec)
	if err != nil {
		t.Fatal(err)
	}
	replay, err := r.book().Replay(t.Context(), store.Span{From: from - booted}, name)
	if err != nil {
		t.Fatal(err)
	}
	var logged []pulse.Edge
	buf := make([]pulse.Edge, 4096)
	one := make([]pulse.Edge, 1)
	for s.Next(one) > 0 {
		e := one[0]
		if e.At += booted; e.At > until {
			break
		}
		total++
		if e.At < from {
			continue
		}
		if len(logged) == 0 {
			n, err := replay.ReadEdges(t.Context(), buf)
			if err != nil {
				t.Fatalf("%s: %v after %d edges", name, err, recent)
			}
			logged = buf[:n]
		}
		if got := logged[0]; got.At+booted != e.At || got.Level != e.Level || got.Lost != e.Lost {
			t.Fatalf("%s: edge %d is %+v, want %+v", name, recent, got, e)
		}
		logged = logged[1:]
		recent++
	}
	return total, recent
}

// memory is what a process uses.
type memory struct {
	heap, resident int64
	goroutines     int
}

func (m memory) String() string {
	return fmt.Sprintf("heap %.2f MB, resident %.1f MB, %d goroutines", float64(m.heap)/1e6, float64(m.resident)/1e6, m.goroutines)
}

func measureMemory() (m memory) {
	runtime.GC()
	runtime.GC()
	var s runtime.MemStats
	runtime.ReadMemStats(&s)
	m.heap, m.goroutines = int64(s.HeapAlloc), runtime.NumGoroutine()
	b, _ := os.ReadFile("/proc/self/statm")
	if f := strings.Fields(string(b)); len(f) > 1 {
		pages, _ := strconv.ParseInt(f[1], 10, 64)
		m.resident = pages * int64(os.Getpagesize())
	}
	return m
}
