//go:build linux

package main

import (
	"fmt"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"makebreak/dashboards/rules"
)

// hurry is how many times as fast as at an exchange the rules are run here: a
// piece of 20 minutes becomes 2 s, so that three of them take some seconds. The
// contacts are not hurried.
const hurry = 600

var (
	ruleDuration = regexp.MustCompile(`\b([0-9]+)([mhd])\b`)
	ruleInterval = regexp.MustCompile(`(?m)^( *)interval: .*$`)
)

// hurried is a copy of rules whose times are divided by hurry, and which are
// evaluated twice a second. Names, and numbers without a unit, stay.
func hurried(file []byte) string {
	lines := strings.SplitAfter(string(file), "\n")
	annotations := ""
	for i, l := range lines {
		indent := l[:len(l)-len(strings.TrimLeft(l, " "))]
		switch text := strings.TrimSpace(l); {
		case strings.HasSuffix(text, "annotations:"):
			annotations = indent
			continue
		case annotations != "" && len(indent) > len(annotations) || strings.HasPrefix(text, "#"):
			continue // words
		}
		annotations = ""
		lines[i] = ruleDuration.ReplaceAllStringFunc(l, func(s string) string {
			part := ruleDuration.FindStringSubmatch(s)
			n, _ := strconv.Atoi(part[1])
			d := time.Duration(n) * map[string]time.Duration{"m": time.Minute, "h": time.Hour, "d": 24 * time.Hour}[part[2]] / hurry
			return strconv.Itoa(int(d.Milliseconds())) + "ms"
		})
	}
	return ruleInterval.ReplaceAllString(strings.Join(lines, ""), "${1}interval: 500ms")
}

// A real Prometheus evaluates the real rules, with shorter times, over a real
// watch: each faulty contact has its alert, and the healthy ones have none. It is
// skipped where there is no prometheus, or fails where MAKEBREAK_TESTS=require.
func TestAlertsOfARealWatch(t *testing.T) {
	need(t, "prometheus")
	t.Parallel() // it mostly waits
	dir := t.TempDir()
	writeFile(t, filepath.Join(dir, "cams.yaml"), `id: cams
title: "Marrow Quay exchange: cams of the timing rack"
use: sending
kind: interrupter
limits:
  - {quantity: break_percent, min: 45, max: 55, source: "bench card 4", seen: own}
`)
	writeFile(t, filepath.Join(dir, "watch.yaml"), `site: Marrow Quay exchange
store: {path: log.db}
listen: 127.0.0.1:0
contacts:
  - {name: healthy, source: "sim:cam,ipm=600,cycles=endless,jitter=0.2ms", limits: cams.yaml, rate: 600ipm}
  - {name: resting, source: "sim:dial,lead=10min", kind: dial}
  - {name: worn, source: "sim:cam,ipm=600,break=60,cycles=endless,jitter=0.2ms", limits: cams.yaml, rate: 600ipm}
  - {name: dirty, source: "sim:cam,ipm=600,cycles=endless,missing=0.1,seed=3", limits: cams.yaml, rate: 600ipm}
  - {name: stuck, source: "sim:cam,ipm=600,cycles=endless,outages=3s,outage-length=10min", limits: cams.yaml, rate: 600ipm, stuck_after: 1s}
  - {name: unplugged, source: "gpio:no-such-line", limits: cams.yaml}
`)
	writeFile(t, filepath.Join(dir, "recording.yaml"), hurried(rules.Recording))
	writeFile(t, filepath.Join(dir, "alerts.yaml"), hurried(rules.Alerts))
	watched := launch(t, dir, nil, "watch", "watch.yaml")
	p := runPrometheus(t, dir, `global: {scrape_interval: 500ms, evaluation_interval: 500ms}
rule_files: [recording.yaml, alerts.yaml]
scrape_configs:
  - job_name: makebreak
    static_configs: [{targets: ['`+watched.address()+`'], labels: {exchange: marrow-quay}}]
`)
	type alert struct {
		Labels, Annotations map[string]string
		State               string
	}
	// firing gives the alerts that fire, by contact and name.
	firing := func() map[string]map[string]alert {
		var data struct{ Alerts []alert }
		p.get("alerts", nil, &data)
		all := map[string]map[string]alert{}
		for _, a := range data.Alerts {
			if c := a.Labels["contact"]; a.State == "firing" {
				if all[c] == nil {
					all[c] = map[string]alert{}
				}
				all[c][a.Labels["alertname"]] = a
			}
		}
		return all
	}
	want := map[string][]string{
		"worn": {"ContactOutOfLimit"}, "dirty": {"ContactMissing"}, "stuck": {"ContactStuck"}, "unplugged": {"ContactSourceDown"},
	}
	p.await("told of each fault", func() error {
		now := firing()
		for contact, names := range want {
			for _, name := range names {
				if _, ok := now[contact][name]; !ok {
					return fmt.Errorf("%s does not fire for %s: %v", name, contact, now[contact])
				}
			}
		}
		return nil
	})
	now := firing()
	for _, contact := range []string{"healthy", "resting"} {
		if now[contact] != nil {
			t.Errorf("the contact %s has alerts: %v", contact, now[contact])
		}
	}
	for contact, names := range want {
		for name, a := range now[contact] {
			if name != names[0] && !(contact == "dirty" && (name == "ContactOutOfLimit" || name == "ContactExtra" || name == "ContactSlipped")) {
				t.Errorf("%s has the alert %s", contact, name)
			}
			if a.Labels["exchange"] != "marrow-quay" || a.Labels["instance"] != watched.address() {
				t.Errorf("labels %v", a.Labels)
			}
			for key, text := range a.Annotations {
				if strings.Contains(text, "error") || strings.Contains(text, "<no value>") || strings.Contains(text, "{{") {
					t.Errorf("%s: %s: %s", name, key, text)
				}
			}
		}
	}
	if got := now["worn"]["ContactOutOfLimit"].Annotations; got["limit"] != "at most 55%" || !strings.HasPrefix(got["summary"], "worn at marrow-quay: percent break") ||
		!regexp.MustCompile(`^about [1-9][0-9]* values out`).MatchString(got["figure"]) {
		t.Errorf("the worn cam's alert says %v", got)
	}
	// The healthy cam was looked at, too. What the stuck one misses is not counted,
	// and three of the six are out of limits or miss interruptions.
	got := p.values(`{__name__=~"contact.*:makebreak_(out_of_limit|missing):.*",contact=~"healthy|stuck",bound!="min"} or {__name__=~"exchange:makebreak_(interrupter|up|verdict).*"}`, "job", "instance")
	if diff := cmp.Diff(map[string]float64{
		`contact:makebreak_missing:increase20m{contact="healthy",exchange="marrow-quay"}`:                                                          0,
		`contact_quantity_bound:makebreak_out_of_limit:increase20m{bound="max",contact="healthy",exchange="marrow-quay",quantity="percent_break"}`: 0,
		`contact_quantity_bound:makebreak_out_of_limit:increase20m{bound="max",contact="stuck",exchange="marrow-quay",quantity="percent_break"}`:   0,
		`exchange:makebreak_interrupter_stuck:avg{exchange="marrow-quay"}`:                                                                         0.25,
		`exchange:makebreak_interrupter_stuck:count{exchange="marrow-quay"}`:                                                                       4,
		`exchange:makebreak_up:sum{exchange="marrow-quay"}`:                                                                                        5,
		`exchange:makebreak_verdict_failed:sum{exchange="marrow-quay"}`:                                                                            3,
	}, got); diff != "" {
		t.Error(diff)
	}

	watched.end(syscall.SIGTERM)
	p.await("told that the program is down", func() error {
		if _, ok := firing()[""]["MakebreakDown"]; !ok {
			return fmt.Errorf("no MakebreakDown")
		}
		return nil
	})
}
