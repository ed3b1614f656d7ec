package web

import (
	"cmp"
	"errors"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/live"
	"makebreak/pulse"
)

func contactPath(name string) string { return "/contacts/" + url.PathEscape(name) }

func (p *handler) hasContact(name string) bool {
	return slices.ContainsFunc(p.Contacts(), func(f live.Figures) bool { return f.Name == name })
}

// A contactPage is one contact.
type contactPage struct {
	frame
	Contact   pageContact
	Face      *face
	Large     string // which figure is shown large
	Recent    strip
	Strip     strip
	StripTime string
	Plane     plane
	Bands     []band
	Changes   []change
	Spans     []choice
	Figures   []choice
	From, To  string // as asked, for the form
	Span      string
	Trend     []picture
	Details   []picture
	Entries   []*Entry
	More      bool
	Trouble   string // why the log is not shown
	Token     string // of the form for notes; empty where none can be added
	Interrupt bool   // it is an interrupter
}

// A choice is a link of several, one of which is in force.
type choice struct {
	Text, Link string
	On         bool
}

// A picture is a drawing in the page.
type picture struct {
	Drawing
	Wide, Narrow template.HTML // for a desk and for a phone
}

// spans are how much of the log a page shows.
var spans = []struct {
	name, text string
	length     time.Duration // 0: all
}{{"hour", "an hour", time.Hour}, {"day", "a day", 24 * time.Hour}, {"month", "a month", 30 * 24 * time.Hour}, {"all", "all", 0}}

// shortTime is the form of times in links and forms; a browser's field has it too.
const shortTime = "2006-01-02T15:04"

// parseTime reads a time of a link, by this computer's zone where it has none of its
// own.
func parseTime(s, what string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	for _, form := range []string{time.RFC3339Nano, "2006-01-02T15:04:05", shortTime, "2006-01-02 15:04", time.DateOnly} {
		if t, err := time.ParseInLocation(form, s, time.Local); err == nil && t.Year() >= 1970 && t.Year() < 2200 {
			return t, nil
		}
	}
	return time.Time{}, &RequestError{http.StatusBadRequest, what + " is not a time: expected one such as 2026-11-20T10:00"}
}

// fieldTime is a time of a link as a browser's field has it; empty where it is none.
func fieldTime(s string) string {
	t, err := parseTime(s, "")
	if err != nil || t.IsZero() {
		return ""
	}
	return t.Local().Format(shortTime)
}

// stretchOf reads what of the log is asked for by from and to, with a suffix.
func stretchOf(q url.Values, suffix string) (s Stretch, err error) {
	if s.From, err = parseTime(q.Get("from"+suffix), "from"+suffix); err != nil {
		return s, err
	}
	if s.To, err = parseTime(q.Get("to"+suffix), "to"+suffix); err != nil {
		return s, err
	}
	if !s.From.IsZero() && !s.To.IsZero() && !s.From.Before(s.To) {
		return s, &RequestError{http.StatusBadRequest, "the stretch begins at its end or after it"}
	}
	return s, nil
}

func (p *handler) contact(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	all := p.Contacts()
	i := slices.IndexFunc(all, func(f live.Figures) bool { return f.Name == name })
	if i < 0 {
		p.fail(w, r, &RequestError{http.StatusNotFound, "there is no contact of that name"})
		return
	}
	f, now, q := &all[i], time.Now(), r.URL.Query()
	s, err := stretchOf(q, "")
	if err != nil {
		p.fail(w, r, err)
		return
	}
	c := newPageContact(f, now)
	p.told(&c)
	v := &contactPage{
		frame: p.frame(r, cmp.Or(c.Title, c.Name), ""), Contact: c, Face: newFace(f, now), Bands: bands(f), Changes: changesOf(f),
		From: fieldTime(q.Get("from")), To: fieldTime(q.Get("to")), Interrupt: f.Kind == pulse.KindInterrupter, StripTime: duration(stripTime.Seconds()),
	}
	if p.notes.enabled() {
		v.Token = p.notes.token(r, name, now)
	}
	if q.Get("refresh") != "off" {
		v.Refresh = refreshSeconds
	}
	var points []live.Point
	if l := p.streams.contacts(name); l != nil {
		latest := l.Latest(live.Cursor{})
		v.Live = name
		v.Strip, v.Recent, points = newStrip(&latest, pulse.Stamp(stripTime)), newStrip(&latest, overviewTime), latest.Points
	}
	v.Large = v.Face.Figures[0].ID
	for _, x := range v.Face.Figures {
		if x.ID == q.Get("figure") {
			v.Large = x.ID
		}
	}
	for _, x := range v.Face.Figures {
		v.Figures = append(v.Figures, choice{x.Noun, withQuery(q, "figure", x.ID), x.ID == v.Large})
	}
	v.Plane = newPlane(v.Face, f.Kind, points)
	if s == (Stretch{}) {
		v.Span = "day"
		for _, x := range spans {
			if x.name == q.Get("span") {
				v.Span = x.name
			}
		}
	}
	for _, x := range spans {
		link := url.Values{"span": {x.name}}
		if q.Has("figure") {
			link.Set("figure", q.Get("figure"))
		}
		v.Spans = append(v.Spans, choice{x.text, "?" + link.Encode() + "#trend", x.name == v.Span})
		if x.name == v.Span && x.length > 0 {
			s.From = now.Add(-x.length)
		}
	}
	if p.Archive != nil {
		p.ask(r, v, f, s)
	}
	p.show(w, http.StatusOK, "contact.html", v)
}

// withQuery is a link to the same page with another value of a key.
func withQuery(q url.Values, key, value string) string {
	next := url.Values{}
	for k, v := range q {
		next[k] = v
	}
	next.Set(key, value)
	return "?" + next.Encode()
}

// ask fills in what the log tells. What it cannot tell is said on the page.
func (p *handler) ask(r *http.Request, v *contactPage, f *live.Figures, s Stretch) {
	ctx := r.Context()
	trouble := func(err error) {
		if err != nil && v.Trouble == "" {
			v.Trouble = "The log cannot be read just now; measuring goes on."
			if ctx.Err() == nil {
				p.Log.Warn("a page has nothing of the log", "path", r.URL.Path, "error", err)
			}
		}
	}
	drawings, err := p.Archive.Trend(ctx, f, s)
	trouble(err)
	v.Trend = p.pictures(drawings)
	drawings, err = p.Archive.Details(ctx, f, s)
	trouble(err)
	v.Details = p.pictures(drawings)
	var entries []Entry
	entries, v.More, err = p.Archive.Entries(ctx, f.Name, s)
	for i := range entries {
		v.Entries = append(v.Entries, &entries[i])
	}
	trouble(err)
}

func (p *handler) pictures(all []Drawing) (pictures []picture) {
	for _, d := range all {
		x := picture{Drawing: d}
		for _, size := range []struct {
			to    *template.HTML
			width int
		}{{&x.Wide, wideDrawing}, {&x.Narrow, narrowDrawing}} {
			var b strings.Builder
			if err := d.SVG(&b, size.width); err != nil {
				p.Log.Warn("a drawing failed", "drawing", d.ID, "error", err)
				continue
			}
			*size.to = template.HTML(b.String()) // of plot, which escapes what it writes
		}
		pictures = append(pictures, x)
	}
	return pictures
}

// Widths of drawings, in CSS pixels: letters keep their size on a phone of 360.
const (
	wideDrawing   = 640
	narrowDrawing = 328
)

// A plane is the latest pulses by rate and percent break, with the limits as a box.
type plane struct {
	Unit              string
	X, Y              axis // percent break, rate
	BoxX, BoxY        float64
	BoxWidth, BoxHigh float64
	Box               bool
	XTicks, YTicks    []planeTick
	Points            []planePoint
	Words             string
	FromX, ToX        float64
	FromY, ToY        float64
	PeriodToRate      float64 // rate · period in ms
}

type planeTick struct {
	At   float64
	Text string
}

type planePoint struct {
	X, Y   float64
	Beyond bool // the frame
}

// The drawing of a plane: its frame within the picture.
const (
	planeLeft, planeTop, planeWide, planeHigh = 52.0, 10.0, 330.0, 220.0
)

func newPlane(x *face, kind pulse.Kind, points []live.Point) plane {
	rate, percent := &x.Figures[0], &x.Figures[1]
	v := plane{Unit: rate.Unit, PeriodToRate: 1000}
	if kind == pulse.KindInterrupter {
		v.PeriodToRate = 60_000
	}
	v.X, v.Y = percent.axis, rate.axis
	known := func(p live.Point) (float64, float64) {
		return 100 * float64(p.BreakNS) / float64(p.PeriodNS), v.PeriodToRate * 1e6 / float64(p.PeriodNS)
	}
	points = slices.DeleteFunc(slices.Clone(points), func(p live.Point) bool { return p.PeriodNS <= 0 })
	if len(points) > 0 {
		b, r := known(points[len(points)-1])
		if !(v.X.to > v.X.from) {
			v.X = percent.bounds.axis(b)
		}
		if !(v.Y.to > v.Y.from) {
			v.Y = rate.bounds.axis(r)
		}
	}
	if !(v.X.to > v.X.from) {
		v.X = axis{0, 100}
	}
	if !(v.Y.to > v.Y.from) {
		v.Y = axis{0, 20}
	}
	v.FromX, v.ToX, v.FromY, v.ToY = v.X.from, v.X.to, v.Y.from, v.Y.to
	px := func(b float64) float64 { return math.Round(10*(planeLeft+planeWide*v.X.at(b)/100)) / 10 }
	py := func(r float64) float64 { return math.Round(10*(planeTop+planeHigh*(1-v.Y.at(r)/100))) / 10 }
	for _, t := range ticks(v.X.from, v.X.to) {
		v.XTicks = append(v.XTicks, planeTick{px(t), figure.Trimmed(t, 4)})
	}
	for _, t := range ticks(v.Y.from, v.Y.to) {
		v.YTicks = append(v.YTicks, planeTick{py(t), figure.Trimmed(t, 4)})
	}
	edge := func(n pulse.Num, other float64) float64 {
		if n.OK {
			return n.V
		}
		return other
	}
	r, b := &rate.bounds, &percent.bounds
	if v.Box = r.low.OK || r.high.OK || b.low.OK || b.high.OK; v.Box {
		left, right := px(edge(b.low, v.X.from)), px(edge(b.high, v.X.to))
		top, bottom := py(edge(r.high, v.Y.to)), py(edge(r.low, v.Y.from))
		v.BoxX, v.BoxY, v.BoxWidth, v.BoxHigh = left, top, right-left, bottom-top
	}
	in := 0
	for _, p := range points {
		x, y := known(p)
		v.Points = append(v.Points, planePoint{px(x), py(y), x < v.X.from || x > v.X.to || y < v.Y.from || y > v.Y.to})
		if b.holds(x) && r.holds(y) {
			in++
		}
	}
	what := "pulses"
	if kind == pulse.KindInterrupter {
		what = "cycles"
	}
	v.Words = "The last " + figure.Count(len(points)) + " " + what + " by percent break and rate"
	if v.Box {
		v.Words += "; " + figure.Count(in) + " of them inside the box of the limits"
	}
	return v
}

// ticks are some round values of an axis.
func ticks(from, to float64) (all []float64) {
	step := math.Pow(10, math.Floor(math.Log10((to-from)/3)))
	for _, m := range []float64{5, 2} {
		if (to-from)/(m*step) >= 3 {
			step *= m
			break
		}
	}
	for n := math.Ceil(from / step); n*step <= to && len(all) < 12; n++ {
		all = append(all, n*step)
	}
	return all
}

// A documentPage shows a result.
type documentPage struct {
	frame
	Intro    string
	Contacts []string
	Contact  string
	Before   [2]string // from and to, for the form
	After    [2]string
	Body     template.HTML
	Soaks    []soakRow
	Around   []noted // what may be compared, where nothing is
	Form     string  // which form is shown
	Headed   bool    // Body has a heading of its own
}

// A soakRow is a soak test in the list.
type soakRow struct {
	*SoakTest
	Found template.HTML // its verdicts; empty where they are not worked out
}

// noted are notes on a contact.
type noted struct {
	Contact string
	Notes   []*Entry
}

// mostNoted are the notes on a contact that a list for all contacts shows: work that
// one wants to see the effect of is recent.
const mostNoted = 5

// noted lists the latest notes on the contacts.
func (p *handler) noted(r *http.Request, contacts []string) (all []noted, err error) {
	for _, name := range contacts {
		entries, err := p.Archive.Notes(r.Context(), name, mostNoted)
		if err != nil {
			return nil, err
		}
		if len(entries) == 0 {
			continue
		}
		x := noted{Contact: name}
		for i := range entries {
			x.Notes = append(x.Notes, &entries[i])
		}
		all = append(all, x)
	}
	return all, nil
}

func (p *handler) document(d Document) template.HTML {
	var b strings.Builder
	if err := d.Fragment(&b); err != nil {
		panic(err) // of a writer in memory
	}
	return template.HTML(b.String()) // made by a renderer that escapes
}

func (v *documentPage) put(body template.HTML) {
	v.Body, v.Headed = body, strings.Contains(string(body), "<h1")
}

func (p *handler) withArchive(w http.ResponseWriter, r *http.Request) bool {
	if p.Archive == nil {
		p.fail(w, r, &RequestError{http.StatusNotFound, "there is no log to ask"})
	}
	return p.Archive != nil
}

// stretch measures a part of the log.
func (p *handler) stretch(w http.ResponseWriter, r *http.Request) {
	if !p.withArchive(w, r) {
		return
	}
	name := r.PathValue("name")
	s, err := stretchOf(r.URL.Query(), "")
	if err == nil && s.From.IsZero() {
		err = &RequestError{http.StatusBadRequest, "expected from, the start of the stretch, such as ?from=2026-11-20T10:00"}
	}
	var d Document
	if err == nil {
		d, err = p.Archive.Measure(r.Context(), name, s)
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	v := &documentPage{frame: p.frame(r, name+", a stretch", ""), Contact: name}
	v.put(p.document(d))
	p.show(w, http.StatusOK, "document.html", v)
}

func (p *handler) soaks(w http.ResponseWriter, r *http.Request) {
	if !p.withArchive(w, r) {
		return
	}
	all, err := p.Archive.Soaks(r.Context())
	if err != nil {
		p.fail(w, r, err)
		return
	}
	v := &documentPage{frame: p.frame(r, "Soak tests", "soaks"), Form: "soaks"}
	for i := range all {
		x := soakRow{SoakTest: &all[i]}
		if x.SoakTest.Found != nil {
			x.Found = p.document(x.SoakTest.Found)
		}
		v.Soaks = append(v.Soaks, x)
	}
	p.show(w, http.StatusOK, "document.html", v)
}

func (p *handler) soak(w http.ResponseWriter, r *http.Request) {
	if !p.withArchive(w, r) {
		return
	}
	d, err := p.Archive.Soak(r.Context(), r.PathValue("title"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	v := &documentPage{frame: p.frame(r, "Soak test", "soaks")}
	v.put(p.document(d))
	p.show(w, http.StatusOK, "document.html", v)
}

// compare compares two stretches of a contact, or asks which.
func (p *handler) compare(w http.ResponseWriter, r *http.Request) {
	if !p.withArchive(w, r) {
		return
	}
	q := r.URL.Query()
	v := &documentPage{frame: p.frame(r, "Comparison", "compare"), Form: "compare", Contact: q.Get("contact"),
		Before: [2]string{fieldTime(q.Get("from1")), fieldTime(q.Get("to1"))}, After: [2]string{fieldTime(q.Get("from2")), fieldTime(q.Get("to2"))}}
	for _, f := range p.Contacts() {
		v.Contacts = append(v.Contacts, f.Name)
	}
	if v.Contact != "" && q.Get("from1") != "" && q.Get("from2") != "" {
		before, err := stretchOf(q, "1")
		if err != nil {
			p.fail(w, r, err)
			return
		}
		after, err := stretchOf(q, "2")
		if err != nil {
			p.fail(w, r, err)
			return
		}
		d, err := p.Archive.Compare(r.Context(), v.Contact, before, after)
		if err != nil {
			p.fail(w, r, err)
			return
		}
		v.put(p.document(d))
	} else {
		var err error
		if v.Around, err = p.noted(r, v.Contacts); err != nil {
			p.fail(w, r, err)
			return
		}
	}
	p.show(w, http.StatusOK, "document.html", v)
}

// A wiringPage tells how a contact is connected.
type wiringPage struct {
	documentPage
	Asked                 WiringRequest
	Batteries, Superposed []string
	Trouble               string
}

func (p *handler) wiring(w http.ResponseWriter, r *http.Request) {
	q, status := r.URL.Query(), http.StatusOK
	v := &wiringPage{Superposed: superposed, Asked: WiringRequest{q.Get("voltage"), q.Get("superposed"), q.Get("peak"), q.Get("reverses") != ""}}
	v.frame = p.frame(r, "Wiring", "wiring")
	v.OwnCaution = true
	if p.Archive != nil {
		v.Batteries = p.Archive.Batteries()
	}
	switch {
	case p.Archive == nil || v.Asked == (WiringRequest{}):
	case !slices.Contains(superposed, v.Asked.Superposed):
		v.Trouble, status = "Say what lies on the lead beside the dc: none, ringing or mains, found with a meter on its ac range before anything is connected.", http.StatusBadRequest
	default:
		d, err := p.Archive.Wiring(v.Asked)
		var asked *RequestError
		switch {
		case errors.As(err, &asked):
			v.Trouble, status = title(asked.Text)+".", asked.Status
		case err != nil:
			p.fail(w, r, err)
			return
		default:
			v.put(p.document(d))
		}
	}
	p.show(w, status, "wiring.html", v)
}
