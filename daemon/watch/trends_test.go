package watch

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"makebreak/daemon/store"
	"makebreak/hw"
)

// A lobe that wears is found while another cam is at rest, and told once, also after
// a restart; when the contact was worked on, it is another one. The truth is that of
// the simulated cams.
func TestLobeWears(t *testing.T) {
	bubble(t, func(t *testing.T) {
		const (
			perHour = 48e-3 / 24 // s
			drift   = "lobe_drift_per_hour_seconds{worn,middle,3,break}"
		)
		r := newRig(t,
			sim("worn", "cam,ipm=60,lobes=5,cycles=endless,jitter=0.3ms,wear=0,0,48ms,0,0,seed=1", "kind: interrupter", "lobes: 5"),
			sim("sound", "cam,ipm=60,lobes=5,cycles=endless,jitter=0.3ms,seed=2", "kind: interrupter", "lobes: 5"))
		wears := func() {
			t.Helper()
			all, err := r.metrics()
			if err != nil {
				t.Fatal(err)
			}
			if got := all[drift]; math.Abs(got-perHour) > 0.2*perHour {
				t.Errorf("%s is %v, want %v", drift, got, perHour)
			}
			for k, v := range all {
				if strings.Contains(k, "findings_total{sound") && v != 0 {
					t.Errorf("%s is %v", k, v)
				}
			}
		}
		r.start()
		r.pass(80 * time.Minute)
		wears()
		if page := r.page(); !strings.Contains(page, "The break of lobe 3 drifts: ") || strings.Contains(page, "The break of lobe 2 drifts") {
			t.Error("the page does not tell the drift of lobe 3 alone")
		}
		r.finish()
		told := r.changes(store.Drifts)
		lobe := slices.IndexFunc(told, func(f store.Finding) bool { return strings.HasPrefix(f.Text, "the break of lobe 3 drifts: +4") })
		if len(told) != 2 || lobe < 0 || !strings.Contains(told[lobe].Text, "ms a day since 2024-03-30 12:00 UTC") ||
			!strings.HasPrefix(told[1-lobe].Text, "percent break drifts: +0.9") { // a fifth of it
			t.Errorf("%+v", told)
		}

		r.pass(time.Minute)
		r.start()
		r.pass(2 * analyseEvery)
		all, err := r.metrics()
		if err != nil {
			t.Fatal(err)
		}
		if all["drift_per_hour_ratio{worn,middle,percent_break}"] == 0 || all["allan_deviation_ratio{worn,1000}"] == 0 {
			t.Error("after a restart what was before is not known:", all["drift_per_hour_ratio{worn,middle,percent_break}"], all["allan_deviation_ratio{worn,1000}"])
		}
		if _, err := r.book().AddNote(t.Context(), store.Note{Contact: "worn", State: store.AsLeft, Text: "new lobe"}); err != nil {
			t.Fatal(err)
		}
		r.pass(2 * analyseEvery)
		if all, err = r.metrics(); err != nil {
			t.Fatal(err)
		}
		if v, ok := all["drift_per_hour_ratio{worn,middle,percent_break}"]; ok {
			t.Errorf("some minutes after the work: a drift of %v", v)
		}
		r.finish()
		if found := r.changes(store.Drifts); len(found) != len(told) {
			t.Errorf("told again: %+v", found)
		}
		if hours, err := r.book().LobeHours(t.Context(), store.Span{}, "worn"); err != nil || len(hours) < 2 || len(hours[0].Figures) != 5 {
			t.Errorf("%+v, %v", hours, err)
		}
	})
}

// A relay that loses a pulse and makes one is watched beside its input, through a
// configuration that does not name it for a while. The truth is that of the
// simulated relay.
func TestOutputBesideInput(t *testing.T) {
	bubble(t, func(t *testing.T) {
		const dial = "dial,digits=1234567890,repeat=endless,seed=7"
		alone := sim("generator", dial, "kind: dial")
		out := sim("relay", dial+",repeater=12ms:9ms,repeater-lost-at=20,200,repeater-extra-at=100", "kind: dial")
		r := newRig(t, alone+"\nagainst: relay", out)
		figures := func() map[string]float64 {
			t.Helper()
			all, err := r.metrics()
			if err != nil {
				t.Fatal(err)
			}
			return all
		}
		r.start()
		r.pass(5 * time.Minute)
		all := figures()
		for key, want := range map[string]float64{
			"together_seconds{generator,open_lag,min}": 0.012, "together_seconds{generator,open_lag,mean}": 0.012, "together_seconds{generator,open_lag,max}": 0.012,
			"together_seconds{generator,close_lag,mean}": 0.009, "together_seconds{generator,break_change,mean}": -0.003,
			"together_seconds{generator,both_open,min}": 0.0495, // 61.5 ms less 12 ms
			"output_lost_total{generator}":              2, "output_extra_total{generator}": 1,
		} {
			if got, ok := all[key]; !ok || math.Abs(got-want) > 1e-9 {
				t.Errorf("%s is %v, want %v", key, got, want)
			}
		}
		// Of every break that was over a second ago, one is a pair or was lost.
		pairs := all["pairs_total{generator}"]
		if made := all["pulses_total{generator}"]; pairs+2 < made-20 || pairs+2 > made {
			t.Errorf("%v pairs of %v pulses", pairs, made)
		}
		r.write(alone, out)
		r.pass(2 * pollEvery)
		for key := range figures() {
			if strings.HasPrefix(key, "together") {
				t.Error(key, "without a second contact")
			}
		}
		r.write(alone+"\nagainst: relay", out)
		r.pass(2*pollEvery + time.Minute)
		if now := figures(); now["pairs_total{generator}"] < pairs+100 || now["output_lost_total{generator}"] != 2 || now["output_extra_total{generator}"] != 1 {
			t.Error(pairs, now["pairs_total{generator}"], now["output_lost_total{generator}"], now["output_extra_total{generator}"])
		}
		r.finish()
		var lost, extra uint64
		for kind, n := range map[store.FindingKind]*uint64{store.OutputLost: &lost, store.OutputExtra: &extra} {
			for _, f := range r.changes(kind) {
				var detail map[string]uint64
				if err := json.Unmarshal(f.Detail, &detail); err != nil {
					t.Error(err)
				}
				*n += detail["count"]
			}
		}
		if lost != 2 || extra != 1 {
			t.Errorf("findings of %d lost and %d extra", lost, extra)
		}
	})
}

// An output that is not read holds up nothing: what the input did meanwhile is
// neither lost nor waits for it.
func TestOutputNotRead(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, sim("generator", "dial,digits=1234567890,repeat=endless,seed=7", "kind: dial", "against: relay"), "name: relay\nsource: 'gpio:AWAY'\nkind: dial")
		r.open["AWAY"] = func() (hw.Live, error) { return nil, hw.ErrNoChip }
		r.start()
		r.pass(10 * time.Minute)
		all, err := r.metrics()
		if err != nil {
			t.Fatal(err)
		}
		if all["pulses_total{generator}"] < 1500 || all["pairs_total{generator}"] != 0 || all["output_lost_total{generator}"] != 0 {
			t.Error(all["pulses_total{generator}"], all["pairs_total{generator}"], all["output_lost_total{generator}"])
		}
	})
}

// changes gives the findings of a kind.
func (r *rig) changes(kind store.FindingKind) (all []store.Finding) {
	r.Helper()
	for f, err := range r.book().Findings(r.Context(), store.Span{}, "") {
		if err != nil {
			r.Fatal(err)
		}
		if f.Kind == kind {
			all = append(all, f)
		}
	}
	return all
}

// The lobes of a cam have figures as soon as their first minute is over, not with the
// next analysis.
func TestLobesAreShownSoon(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, sim("cam", "cam,ipm=120,lobes=5,lobe-errors=0,4ms,-3ms,2ms,0,cycles=endless", "kind: interrupter", "lobes: 5"))
		r.start()
		r.pass(2*time.Minute + 45*time.Second)
		all, err := r.metrics()
		if err != nil {
			t.Fatal(err)
		}
		var figures []string
		for k := range all {
			if strings.HasPrefix(k, "lobe_error_seconds{") {
				figures = append(figures, k)
			}
		}
		if len(figures) != 10 {
			t.Errorf("%q, want the openings and breaks of five lobes", figures)
		}
		r.finish()
	})
}
