// Package web serves makebreak's pages: what is measured now and as it moves, what
// the log tells, whether the program is well, and the metrics. Everything is
// read-only, but notes can be added where passwords are asked for.
package web

import (
	"bytes"
	"cmp"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"log/slog"
	"net"
	"net/http"
	"net/http/pprof"
	"net/netip"
	"runtime/debug"
	"strings"
	"time"

	"makebreak/daemon/live"
)

// Options are what the pages show. Functions may be called from several
// goroutines at once.
type Options struct {
	Site    string
	Version string
	// Contacts gives the figures of all contacts, in the order in which they are
	// shown.
	Contacts func() []live.Figures
	// Contact gives a contact by its name, or nil; it may be nil, and then nothing
	// moves.
	Contact func(name string) *live.Contact
	// Archive is the log; it may be nil.
	Archive Archive
	// Notices gives what a person should know now beside the contacts, a sentence
	// each; it may be nil.
	Notices func() []string
	// Changes gives how a contact changes over hours and days, a sentence each; it may
	// be nil.
	Changes func(contact string) []string
	// Ready gives why the program is not ready yet, or nil.
	Ready   func() error
	Metrics http.Handler
	Pprof   bool // serve /debug/pprof/
	// LocalOnly says that being on this computer is all that is asked of a client.
	// Then a request must name this computer as such: else a page from anywhere,
	// open in a browser here, could read what is served under a name of its own
	// that it lets point here.
	LocalOnly bool
	// Passwords says that each request has a password that was checked. Only then
	// notes can be added.
	Passwords bool
	Log       *slog.Logger
}

// refreshSeconds is how often a page is loaded again where no script does it: often
// enough for a person who adjusts a contact and looks up, seldom enough to cost
// nothing.
const refreshSeconds = 15

var (
	//go:embed templates
	templateFiles embed.FS
	//go:embed static
	staticFiles embed.FS
)

// New gives the handler of all pages:
//
//	/                       all contacts
//	/contacts/NAME          one contact; ?span=hour|day|month|all or ?from=…&to=… chooses
//	                        what is shown of the log, ?figure=… what is shown large
//	/contacts/NAME/events   what it does, as server-sent events
//	/contacts/NAME/stretch  one stretch, measured edge by edge
//	/contacts/NAME/notes    POST adds a note, where passwords are asked for
//	/soaks, /soaks/NAME     soak tests
//	/compare                two stretches of a contact
//	/wiring                 how a contact is connected
//	/static/                style and script
//	/-/healthy              200 while the program runs
//	/-/ready                200 when it is ready, else 503 with the reason
//	/metrics                for Prometheus
//	/debug/pprof/           Go's profiles, if asked for
//
// But for notes, other methods than GET and HEAD are refused, and so are requests
// with a body.
func New(o Options) http.Handler {
	var p *handler
	return newHandler(o, &p)
}

// newHandler is New; it gives the handler behind it too.
func newHandler(o Options, to **handler) http.Handler {
	p := &handler{Options: o, templates: template.Must(template.ParseFS(templateFiles, "templates/*.html"))}
	*to = p
	p.notes = newNoteKeeper(p)
	form := "'none'"
	if o.Passwords {
		form = "'self'"
	}
	p.policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; base-uri 'none'; " +
		"form-action " + form + "; frame-ancestors 'none'"
	p.streams = &streams{contacts: func(string) *live.Contact { return nil }, by: map[string]int{}, feed: map[string]*feed{}}
	if o.Contact != nil {
		p.streams.contacts = o.Contact
	}
	mux := http.NewServeMux()
	mux.HandleFunc("/{$}", p.first)
	mux.HandleFunc("/contacts/{name}", p.contact)
	mux.HandleFunc("/contacts/{name}/events", p.events)
	mux.HandleFunc("/contacts/{name}/stretch", p.stretch)
	mux.HandleFunc("/contacts/{name}/notes", p.notes.add)
	mux.HandleFunc("/soaks", p.soaks)
	mux.HandleFunc("/soaks/{title}", p.soak)
	mux.HandleFunc("/compare", p.compare)
	mux.HandleFunc("/wiring", p.wiring)
	mux.HandleFunc("/static/{file}", p.static)
	mux.HandleFunc("/-/healthy", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "healthy") })
	mux.HandleFunc("/-/ready", p.ready)
	mux.Handle("/metrics", o.Metrics)
	if o.Pprof {
		mux.HandleFunc("/debug/pprof/", pprof.Index)
		mux.HandleFunc("/debug/pprof/cmdline", pprof.Cmdline)
		mux.HandleFunc("/debug/pprof/profile", pprof.Profile)
		mux.HandleFunc("/debug/pprof/symbol", pprof.Symbol)
		mux.HandleFunc("/debug/pprof/trace", pprof.Trace)
	}
	return p.guard(mux)
}

type handler struct {
	Options
	templates *template.Template
	policy    string
	streams   *streams
	notes     *noteKeeper
}

// guard refuses requests that no page needs, and answers after a panic.
func (p *handler) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		h.Set("Content-Security-Policy", p.policy)
		switch {
		case p.LocalOnly && !isLocal(r.Host):
			http.Error(w, fmt.Sprintf("%.100q is not a name of this computer that is served without a password: expected localhost, an address 127.…, or [::1]; "+
				"for other names give the configuration a web_config with passwords", r.Host), http.StatusMisdirectedRequest)
			return
		case r.Method == http.MethodPost && p.notes.takes(r):
		case r.Method != http.MethodGet && r.Method != http.MethodHead:
			h.Set("Allow", "GET, HEAD")
			h.Set("Connection", "close") // so that a body is not read
			http.Error(w, "only GET and HEAD are served", http.StatusMethodNotAllowed)
			return
		case r.ContentLength != 0:
			h.Set("Connection", "close")
			http.Error(w, "a request must have no body", http.StatusRequestEntityTooLarge)
			return
		}
		defer func() {
			if e := recover(); e != nil {
				if e == http.ErrAbortHandler {
					panic(e)
				}
				p.Log.Error("a page failed", "path", r.URL.Path, "panic", fmt.Sprint(e), "stack", string(debug.Stack()))
				http.Error(w, "this page failed; the log has more", http.StatusInternalServerError)
			}
		}()
		next.ServeHTTP(w, r)
	})
}

// isLocal reports whether the host of a request, with or without a port, is this
// computer whoever asks. Only a browser can be misled, and that names a host.
func isLocal(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.TrimSuffix(strings.TrimPrefix(name, "["), "]")
	if ip, err := netip.ParseAddr(name); err == nil {
		return ip.Unmap().IsLoopback()
	}
	return host == "" || strings.EqualFold(strings.TrimSuffix(name, "."), "localhost")
}

// A frame is what all pages have around what they show.
type frame struct {
	Site, Version, Now string
	Title              string
	Here               string // which link of the head is this page
	Path               string // to this page, with what was asked
	Refresh            int    // seconds until it is loaded again, 0: never
	Live               string // the contact whose movements the script follows
	Archive            bool   // there is a log to ask
	OwnCaution         bool   // the page has the caution where it is needed first
}

func (p *handler) frame(r *http.Request, title, here string) frame {
	f := frame{
		Site: cmp.Or(p.Site, "makebreak"), Version: p.Version, Now: time.Now().Format("2 January 2006, 15:04:05 MST"),
		Title: title, Here: here, Path: r.URL.RequestURI(), Archive: p.Archive != nil,
	}
	return f
}

// show writes a page by its template.
func (p *handler) show(w http.ResponseWriter, status int, name string, v any) {
	var out bytes.Buffer
	if err := p.templates.ExecuteTemplate(&out, name, v); err != nil {
		panic(err) // the template does not fit the page
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	w.Write(out.Bytes()) // a client that has gone is no fault
}

// A messagePage says why something is not shown.
type messagePage struct {
	frame
	Text string
}

// fail tells a person why a page cannot be had.
func (p *handler) fail(w http.ResponseWriter, r *http.Request, err error) {
	v := messagePage{p.frame(r, "Not shown", ""), "The log cannot be read just now; measuring goes on. Try again in a moment."}
	status := http.StatusServiceUnavailable
	var asked *RequestError
	if errors.As(err, &asked) {
		v.Text, status = title(asked.Text)+".", asked.Status
	} else if r.Context().Err() == nil {
		p.Log.Warn("a page has nothing of the log", "path", r.URL.Path, "error", err)
	}
	p.show(w, status, "message.html", v)
}

func (p *handler) static(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("file")
	b, err := staticFiles.ReadFile("static/" + name)
	if err != nil {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	switch {
	case strings.HasSuffix(name, ".css"):
		h.Set("Content-Type", "text/css; charset=utf-8")
	case strings.HasSuffix(name, ".js"):
		h.Set("Content-Type", "text/javascript; charset=utf-8")
	case strings.HasSuffix(name, ".svg"):
		h.Set("Content-Type", "image/svg+xml")
	}
	h.Set("Cache-Control", "max-age=300") // a page is loaded again and again
	w.Write(b)
}

func (p *handler) ready(w http.ResponseWriter, _ *http.Request) {
	if err := p.Ready(); err != nil {
		http.Error(w, "not ready: "+err.Error(), http.StatusServiceUnavailable)
		return
	}
	fmt.Fprintln(w, "ready")
}

// told is what is said of a contact beside its figures of now.
func (p *handler) told(c *pageContact) {
	if p.Changes != nil {
		for _, text := range p.Changes(c.Name) {
			c.tell("near", title(text)+".")
		}
	}
}

func (p *handler) notices() (all []string) {
	if p.Notices != nil {
		all = p.Notices()
	}
	if err := p.Ready(); err != nil {
		all = append([]string{"Not ready yet: " + err.Error() + "."}, all...)
	}
	return all
}

func (p *handler) first(w http.ResponseWriter, r *http.Request) {
	figures := p.Contacts()
	v := newPage(cmp.Or(p.Site, "makebreak"), figures, time.Now())
	v.frame = p.frame(r, "Contacts", "contacts")
	if r.URL.Query().Get("refresh") != "off" {
		v.Refresh = refreshSeconds
	}
	for i := range v.Contacts {
		c := &v.Contacts[i]
		p.told(c)
		x := row{pageContact: *c, Since: since(&figures[i]), Bands: bands(&figures[i]), Changes: changesOf(&figures[i])}
		if l := p.streams.contacts(c.Name); l != nil {
			latest := l.Latest(live.Cursor{})
			x.Strip = newStrip(&latest, overviewTime)
		}
		v.Rows = append(v.Rows, x)
	}
	v.Notices = p.notices()
	p.show(w, http.StatusOK, "contacts.html", v)
}
