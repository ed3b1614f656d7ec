// Package web serves makebreak's pages: what is measured now, whether the
// program is well, and the metrics. Everything is read-only.
package web

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
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
	Log       *slog.Logger
}

// refreshSeconds is how often the page is loaded again: often enough for a
// person who adjusts a contact and looks up, seldom enough to cost nothing.
const refreshSeconds = 15

var (
	//go:embed page.html
	pageHTML string
	//go:embed page.css
	pageCSS string
)

// New gives the handler of all pages:
//
//	/              the first page, for people
//	/-/healthy     200 while the program runs
//	/-/ready       200 when it is ready, else 503 with the reason
//	/metrics       for Prometheus
//	/debug/pprof/  Go's profiles, if asked for
//
// Other methods than GET and HEAD are refused, and so are requests with a body.
func New(o Options) http.Handler {
	sum := sha256.Sum256([]byte(pageCSS))
	p := &handler{
		Options:  o,
		template: template.Must(template.New("page").Parse(pageHTML)),
		policy: "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) +
			"'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
	}
	mux := http.NewServeMux()
	mux.HandleFunc("/{$}", p.first)
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
	template *template.Template
	policy   string
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

func (p *handler) ready(w http.ResponseWriter, _ *http.Request) {
	if err := p.Ready(); err != nil {
		http.Error(w, "not ready: "+err.Error(), http.StatusServiceUnavailable)
		return
	}
	fmt.Fprintln(w, "ready")
}

func (p *handler) first(w http.ResponseWriter, r *http.Request) {
	now := time.Now()
	v := newPage(cmp.Or(p.Site, "makebreak"), p.Contacts(), now)
	v.Version, v.Now, v.CSS = p.Version, now.Format("2 January 2006, 15:04:05 MST"), template.CSS(pageCSS)
	if r.URL.Query().Get("refresh") != "off" {
		v.Refresh = refreshSeconds
	}
	if p.Changes != nil {
		for i := range v.Contacts {
			c := &v.Contacts[i]
			for _, text := range p.Changes(c.Name) {
				c.tell("near", title(text)+".")
			}
		}
	}
	if p.Notices != nil {
		v.Notices = p.Notices()
	}
	if err := p.Ready(); err != nil {
		v.Notices = append([]string{"Not ready yet: " + err.Error() + "."}, v.Notices...)
	}
	var out bytes.Buffer
	if err := p.template.Execute(&out, v); err != nil {
		panic(err) // the template does not fit the page
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Write(out.Bytes()) // a client that has gone is no fault
}
