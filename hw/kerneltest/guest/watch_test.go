//go:build guest

package guest

import (
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"makebreak/pulse"
)

// page loads one of a watch's pages; what could not be loaded is empty.
func page(path string) string {
	resp, err := http.Get("http://127.0.0.1:7610" + path)
	if err != nil {
		return ""
	}
	defer resp.Body.Close()
	b, _ := io.ReadAll(resp.Body)
	return string(b)
}

// shows waits until the metrics have each of these lines.
func shows(t *testing.T, lines ...string) {
	t.Helper()
	last := ""
	for range 300 {
		last = page("/metrics")
		missing := false
		for _, l := range lines {
			missing = missing || !strings.Contains(last, "\nmakebreak_"+l+"\n")
		}
		if !missing {
			return
		}
		time.Sleep(100 * ms)
	}
	var own []string
	for l := range strings.Lines(last) {
		if strings.HasPrefix(l, "makebreak_") && !strings.Contains(l, "bucket") {
			own = append(own, l)
		}
	}
	t.Fatalf("the metrics never show %q:\n%s", lines, strings.Join(own, ""))
}

// A watch reads real kernel edges, goes on beside lines that are busy, missing
// or stormed on, and through a chip that is unplugged.
func TestCommandWatch(t *testing.T) {
	b := newBank(t, "exchange", "DIAL", "LAMP=relay driver", "STORM")
	dial, storm := b.contact(t, 0), b.contact(t, 2)
	dial.set(pulse.High)
	storm.set(pulse.Low)
	config := filepath.Join(t.TempDir(), "watch.yaml")
	text := `site: Marrow Quay exchange
store: {path: log.db}
contacts:
  - {name: dial, source: "gpio:exchange:DIAL", limits: uk-gpo-dial-accept}
  - {name: lamp, source: "gpio:LAMP", kind: dial}
  - {name: nowhere, source: "gpio:NOWHERE", kind: dial}
  - {name: storm, source: "gpio:STORM", kind: dial}
`
	if err := os.WriteFile(config, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	r := start(t, "watch", config)
	shows(t, `up{contact="dial"} 1`, `up{contact="storm"} 1`, `up{contact="lamp"} 0`, `up{contact="nowhere"} 0`)
	dial.dial("dial digits=03791 rate=10 break=66 gap=800ms lead=500ms bounce-close=2:0.8ms seed=4")
	shows(t, `pulses_total{contact="dial"} 30`, `trains_total{contact="dial"} 5`, `lost_edges_total{contact="dial"} 0`,
		`verdict{contact="dial",statement="pass"} 1`)

	// As fast as the machine can, beside a contact that is dialled on.
	const many = 20000
	stormed := make(chan time.Duration)
	go func() {
		began := time.Now()
		for range many {
			storm.toggle()
		}
		stormed <- time.Since(began)
	}()
	dial.dial("dial digits=27 rate=10 break=66 gap=800ms lead=100ms")
	took := <-stormed
	shows(t, `pulses_total{contact="dial"} 39`, `trains_total{contact="dial"} 7`, `lost_edges_total{contact="dial"} 0`)
	var edges, lost int
	until(t, "every edge of the storm is counted, or counted as lost", func() bool {
		for l := range strings.Lines(page("/metrics")) {
			fmt.Sscanf(l, `makebreak_edges_total{contact="storm"} %d`, &edges)
			fmt.Sscanf(l, `makebreak_lost_edges_total{contact="storm"} %d`, &lost)
		}
		return edges+lost == many
	})
	t.Logf("%d edges in %v: %d read, %d lost", many, took, edges, lost)

	b.unplug(t)
	shows(t, `up{contact="dial"} 0`, `up{contact="storm"} 0`)
	if !strings.Contains(page("/"), "GPIO chip is gone") && !strings.Contains(page("/"), "no such") {
		t.Error("the page does not tell why")
	}
	b.plug(t)
	b.contact(t, 0).set(pulse.High)
	shows(t, `up{contact="dial"} 1`, `up{contact="storm"} 1`)
	b.contact(t, 0).dial("dial digits=3 rate=10 break=66 lead=100ms")
	shows(t, `pulses_total{contact="dial"} 42`, `trains_total{contact="dial"} 8`)

	r.signal(syscall.SIGTERM)
	r.status(0).says("Marrow Quay exchange: http://127.0.0.1:7610/", `line is in use by \"relay driver\"`, "GPIO chip is gone")
	if n := strings.Count(r.stderr.String(), "msg=reading contact=dial"); n != 2 {
		t.Errorf("dial is told to be read %d times:\n%s", n, r.stderr.String())
	}
	if n := strings.Count(r.stderr.String(), "not read: find line"); n != 1 {
		t.Errorf("a missing line is told %d times:\n%s", n, r.stderr.String())
	}
}
