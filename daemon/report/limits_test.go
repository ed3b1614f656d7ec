package report

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"makebreak/daemon/config"
	"makebreak/pulse"
)

const wantList = `Australia
  sending
    au-s002-dial  Telephone set, dial pulses, AS/CA S002:2010
      break 60 to 70 ms, make 30 to 40 ms, bounce at most 0.5 ms, interdigit 750
      to 3000 ms

China
  sending
    cn-gbt-15279-dial  Telephone set, GB/T 15279 (from memory: check the
                       document)
      rate 9 to 11 pps, break : make 1.4 to 1.8 : 1, interdigit at least 500 ms
  cadence
    cn-ringing  Ringing and ringing tone, GB 3380-1982
      make 900 to 1100 ms, break 3600 to 4400 ms
  cadence, to recognise only: no tolerance is published
    cn-busy          350/350 ms                          Busy tone
    cn-unobtainable  100/100/100/100/100/100/400/400 ms  Number unobtainable

No country
  sending
    mq-bench  Marrow Quay bench
      break at least 60 ms

USSR (historic code)
  sending
    su-gost-7153-dial  Telephone set, dial pulses, GOST 7153-85
      break 53 to 70 ms, make 34 to 46 ms, break : make 1.4 to 1.7 : 1
  receiving
    su-gost-23595-dial  Dial pulses at line and exchange, GOST 23595-79
      break 39 to 75 ms, make 30 to 50 ms, interdigit at least 200 ms

XX
  sending
    mq-odd  Marrow Quay bench
      break at least 60 ms

makebreak limits ID shows a set in full, with the source of each figure. Before
you rely on a figure, check the document itself. Figures from memory have not
been checked against any: check those first.
`

// mqBench is an invented profile with readings of its own.
func mqBench() *pulse.Profile {
	lo := 60.
	return &pulse.Profile{
		ID: "mq-bench", Title: "Marrow Quay bench", Use: "sending", Kind: pulse.KindDial, Coding: pulse.CodingNPlus1,
		PulseMaxNS: 90e6, FlashMaxNS: 1e9,
		Limits: []pulse.Limit{{Quantity: pulse.BreakMS, Min: &lo, Source: "sheet 4", Seen: pulse.SeenDerived}},
	}
}

func TestLimitsList(t *testing.T) {
	odd := mqBench()
	odd.ID, odd.Country = "mq-odd", "XX"
	profiles := []*pulse.Profile{odd, limits(t, "su-gost-23595-dial"), mqBench()}
	for _, id := range []string{"cn-unobtainable", "cn-busy", "cn-ringing", "su-gost-7153-dial", "cn-gbt-15279-dial", "au-s002-dial"} {
		profiles = append(profiles, limits(t, id))
	}
	got := text(t, OfLimitsList(profiles))
	if diff := cmp.Diff(wantList, got); diff != "" {
		t.Error(diff)
	}
	if profiles[0] != odd {
		t.Error("the caller's slice was sorted")
	}
}

func TestLimitsListOfNothing(t *testing.T) {
	got := text(t, OfLimitsList(nil))
	const want = `makebreak limits ID shows a set in full, with the source of each figure. Before
you rely on a figure, check the document itself.
`
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

var wantOne = map[string]string{
	"de-bundespost-dial": `de-bundespost-dial
Dial (Nummernschalter), Deutsche Bundespost
Germany, sending, dial

Limits
                    min  nominal     max
  period             90      100     110  ms
  break : make      1.3      1.6     1.9  : 1
  break              51       62      72  ms
  make               31       38      48  ms
  percent break  56.521    61.54  65.518  %
  Source period, break : make, break, make: Deutsche Bundespost training text on
         the Nummernschalter, reprinted in Hackerbibel 1; text of the reprint
         (OCR scan) (read in the document)
         percent break: Deutsche Bundespost training text on the
         Nummernschalter, reprinted in Hackerbibel 1; 100 r / (r + 1) of the
         ratio r : 1, rounded outward (by arithmetic from it)

How a recording is read
  Pulse: a break of 10 ms (default) to 200 ms (default).
  Train: ended by a make of 150 ms (default).
  Flash: a break longer than a pulse, up to 1.5 s (default); then a disconnect.
  Digit: 1 to 9 pulses are 1 to 9, ten are 0 (normal coding).

Where published figures disagree
  - Popular pages give 60/40 ms (1.5 : 1) for the 1.6 : 1 here; both lie inside
    1.3 to 1.9 : 1.
  - Hook flash is an opening of 300 to 1000 ms in North America and a timed
    break of about 100 to 120 ms in Europe (Wikipedia, Hook flash, no clause;
    weak).

Notes
  - Europe writes break : make as r : 1; it is judged as such.
  - Three collectors' pages agree with the ratio.
  - A collectors' page says that modern German exchanges take up to 20 pps
    (weak); no limit is made of it.

Before you rely on a figure, check the document itself.
`,
	"jp-busy": `jp-busy
Busy tone, Japan (from memory: check the document)
Japan, cadence, interrupter

Limits
                 min  nominal  max
  rate            48       60   72  IPM
  percent break   40       50   60  %
  Source MPT Ordinance 30 of 1985, Annexed Table 5 (from memory: check the
         document)

How a recording is read
  Cadence: make 500 ms, break 500 ms.
  Cycle: 1 s, 60 a minute; make 50 % of the time.

Where published figures disagree
  - Tolerances on 60 IPM differ: ±10 % (47 CFR 80.74) and ±20 % (busy tone of
    the Japanese ordinance, from memory).

Notes
  - The table was cut off in the copy read.

Before you rely on a figure, check the document itself. Figures from memory have
not been checked against any: check those first.
`,
	"cn-unobtainable": `cn-unobtainable
Number unobtainable
China, cadence, interrupter

Limits
  None: no tolerance is published. The cadence is recognised and measured, never
  judged: the verdict is "not measured", or "fail" where interruptions are
  missing, extra or slipped.

How a recording is read
  Cadence: make 100 ms, break 100 ms, make 100 ms, break 100 ms, make 100 ms,
           break 100 ms, make 400 ms, break 400 ms.
  Cycle: 1.4 s, 42.86 a minute with 171.43 makes; make 50 % of the time.

Notes
  - Nominal cadence from GB 3380-1982 (secondary; three short, one long).

Before you rely on a figure, check the document itself.
`,
	"int-e180-ringing-tone": `int-e180-ringing-tone
Ringing tone as recommended, E.180
International, cadence, interrupter

Limits
          min  nominal   max
  make    670        -  1500  ms
  break  3000        -  5000  ms
  Source E.180/Q.35 (1988); as given by TELECOM Digest, 30 Aug 1990 (as another
         published page states it)

How a recording is read
  Period and cadence are told from the data.

Notes
  - Recommended values are for new equipment, accepted values for what exists;
    the figures include tolerances (read in the opening of E.180).

Before you rely on a figure, check the document itself.
`,
	"mq-bench": `mq-bench
Marrow Quay bench
No country, sending, dial

Limits
         min  nominal  max
  break   60        -    -  ms
  Source sheet 4 (by arithmetic from it)

How a recording is read
  Pulse: a break of 10 ms (default) to 90 ms.
  Train: ended by a make of 150 ms (default).
  Flash: a break longer than a pulse, up to 1 s; then a disconnect.
  Digit: one pulse is 0, two are 1, ten are 9 (n+1 coding).

Before you rely on a figure, check the document itself.
`,
}

func TestLimitsOne(t *testing.T) {
	for id, want := range wantOne {
		p := mqBench()
		if id != p.ID {
			p = limits(t, id)
		}
		got := text(t, OfLimits(p))
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s: %s", id, diff)
		}
	}
}

// Cycles and makes per minute and the part of make of each compound cadence,
// computed by hand (400/350/225/525: 1500 ms, 625 of them make).
func TestCadenceReading(t *testing.T) {
	for id, want := range map[string]string{
		"uk-congestion":        "Cycle: 1.5 s, 40 a minute with 80 makes; make 41.67 % of the time.",
		"au-s002-ringing-tone": "Cycle: 3 s, 20 a minute with 40 makes; make 26.67 % of the time.",
		"nz-unobtainable":      "Cycle: 1 s, 60 a minute with 240 makes; make 30 % of the time.",
		"au-s002-unobtainable": "Cycle: 3 s, 20 a minute; make 83.33 % of the time.",
		"de-busy":              "Cycle: 960 ms, 62.5 a minute; make 50 % of the time.",
	} {
		got := text(t, OfLimits(limits(t, id)))
		if !strings.Contains(got, "\n  "+want+"\n") {
			t.Errorf("%s: no %q in\n%s", id, want, got)
		}
	}
}

// Every bundled profile is listed once under its country's name and fits the
// page.
func TestLimitsPagesOfAllProfiles(t *testing.T) {
	all, err := config.Profiles()
	if err != nil {
		t.Fatal(err)
	}
	fits := func(name, text string) {
		t.Helper()
		for line := range strings.Lines(text) {
			if w := width(strings.TrimSuffix(line, "\n")); w > PageWidth {
				t.Errorf("%s: a line of %d columns: %s", name, w, line)
			}
		}
	}
	list := text(t, OfLimitsList(all))
	fits("list", list)
	for _, p := range all {
		if n := strings.Count(list, "\n    "+p.ID+" "); n != 1 {
			t.Errorf("%s is listed %d times", p.ID, n)
		}
		if CountryName(p.Country) == p.Country {
			t.Errorf("%s: %s has no name", p.ID, p.Country)
		}
		fits(p.ID, text(t, OfLimits(p)))
		if p.Use == "cadence" != (p.Kind == pulse.KindInterrupter) {
			t.Errorf("%s: use %s of kind %v", p.ID, p.Use, p.Kind)
		}
	}
}

const wantJSON = `{
  "format": "makebreak.limits/1",
  "profiles": [
    {
      "id": "cn-ringing",
      "title": "Ringing and ringing tone, GB 3380-1982",
      "country": "CN",
      "use": "cadence",
      "kind": "interrupter",
      "coding": null,
      "pulse_min_ms": null,
      "pulse_max_ms": null,
      "train_gap_ms": null,
      "flash_max_ms": null,
      "cadence_ms": [
        1000,
        4000
      ],
      "limits": [
        {
          "quantity": "make_ms",
          "segment": null,
          "min": 900,
          "nominal": 1000,
          "max": 1100,
          "source": "GB 3380-1982",
          "seen": "secondary",
          "note": "±10 %; another page names the document"
        },
        {
          "quantity": "break_ms",
          "segment": null,
          "min": 3600,
          "nominal": 4000,
          "max": 4400,
          "source": "GB 3380-1982",
          "seen": "secondary",
          "note": "±10 %; another page names the document"
        }
      ],
      "conflicts": [],
      "notes": []
    }
  ]
}
`

func TestLimitsJSON(t *testing.T) {
	got, err := json.MarshalIndent(LimitsJSON([]*pulse.Profile{limits(t, "cn-ringing")}), "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(wantJSON, string(got)+"\n"); diff != "" {
		t.Error(diff)
	}
	doc := LimitsJSON([]*pulse.Profile{mqBench(), limits(t, "int-e180-sit")})
	if len(doc.Profiles) != 2 {
		t.Fatalf("%d profiles", len(doc.Profiles))
	}
	mq, sit := doc.Profiles[0], doc.Profiles[1]
	if mq.Country != nil || *mq.Coding != "n+1" || mq.PulseMinMS != nil || *mq.PulseMaxMS != 90 || *mq.FlashMaxMS != 1000 ||
		mq.Limits[0].Max != nil || *mq.Limits[0].Min != 60 || mq.Limits[0].Note != nil {
		t.Errorf("%+v", mq)
	}
	if l := sit.Limits[1]; *l.Segment != 2 || l.Min != nil || *l.Max != 30 {
		t.Errorf("%+v", l)
	}
}
