package web

import (
	"context"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/crypto/bcrypt"
)

func notesOptions(t *testing.T) (Options, *shelf) {
	o := movingOptions(newBench(t, "dial", 0))
	o.Passwords = true
	return o, o.Archive.(*shelf)
}

// tokenOf loads a contact's page and gives the token of its form.
func tokenOf(t *testing.T, h http.Handler, contact, user string) string {
	t.Helper()
	r := httptest.NewRequest("GET", "/contacts/"+contact, nil)
	if user != "" {
		r.SetBasicAuth(user, "oil-can")
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	found := regexp.MustCompile(`name="token" value="([^"]+)"`).FindStringSubmatch(w.Body.String())
	if found == nil {
		t.Fatal("the page has no form for notes")
	}
	return found[1]
}

// Only a form of this site's own page, sent by who has loaded it with a password,
// adds a note.
func TestNotes(t *testing.T) {
	o, kept := notesOptions(t)
	h := New(o)
	token := tokenOf(t, h, "dial", "bench")
	ringing := tokenOf(t, h, "ringing", "bench")
	other := tokenOf(t, h, "dial", "somebody")
	const same = "same-origin"
	for _, c := range []struct {
		name                      string
		user, site, origin, token string
		form                      url.Values
		status                    int
	}{
		{"no password", "", same, "", token, nil, 403},
		{"no password, nor for the form", "", same, "", tokenOf(t, h, "dial", ""), nil, 403},
		{"another site", "bench", "cross-site", "", token, nil, 403},
		{"another page of the same domain", "bench", "same-site", "", token, nil, 403},
		{"another origin, of an old browser", "bench", "", "http://evil.example", token, nil, 403},
		{"no origin at all", "bench", "", "", token, nil, 403},
		{"no token", "bench", same, "", "", nil, 403},
		{"a made-up token", "bench", same, "", strings.Repeat("A", len(token)), nil, 403},
		{"the token of another contact", "bench", same, "", ringing, nil, 403},
		{"the token of another person", "bench", same, "", other, nil, 403},
		{"no words", "bench", same, "", token, url.Values{"text": {"  "}}, 400},
		{"a book", "bench", same, "", token, url.Values{"text": {strings.Repeat("o", maxNoteText+1)}}, 400},
		{"more than a form", "bench", same, "", token, url.Values{"text": {strings.Repeat("o", maxNoteBytes)}}, 400},
		{"an unknown state", "bench", same, "", token, url.Values{"state": {"broken"}}, 400},
		{"tomorrow", "bench", same, "", token, url.Values{"at": {time.Now().Add(25 * time.Hour).Format(shortTime)}}, 400},
		{"lobe one without a time", "bench", same, "", token, url.Values{"state": {"lobe-one"}}, 400},
		{"a proper one", "bench", same, "", token, nil, 303},
		{"as left", "bench", "", "http://example.com", token, url.Values{"text": {evilText}, "state": {"left"}, "at": {"2024-03-30T10:15"}}, 303},
	} {
		before := len(kept.kept())
		form := url.Values{"text": {"oiled the governor"}, "state": {""}, "token": {c.token}}
		for k, v := range c.form {
			form[k] = v
		}
		r := httptest.NewRequest("POST", "/contacts/dial/notes", strings.NewReader(form.Encode())) // to example.com
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if c.user != "" {
			r.SetBasicAuth(c.user, "oil-can")
		}
		for k, v := range map[string]string{"Sec-Fetch-Site": c.site, "Origin": c.origin} {
			if v != "" {
				r.Header.Set(k, v)
			}
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		stored := len(kept.kept()) - before
		if w.Code != c.status || stored == 1 != (c.status == 303) {
			t.Errorf("%s: %d, %d stored; want %d", c.name, w.Code, stored, c.status)
		}
		if to := w.Header().Get("Location"); c.status == 303 && to != "/contacts/dial#notes" {
			t.Errorf("%s: leads to %q", c.name, to)
		}
	}
	want := []Note{
		{Contact: "dial", Text: "oiled the governor"},
		{Contact: "dial", Text: evilText, State: AsLeft, At: time.Date(2024, 3, 30, 10, 15, 0, 0, time.Local)},
	}
	if diff := cmp.Diff(want, kept.kept()); diff != "" {
		t.Error(diff)
	}
	page := text(t, request(h, "GET", "/contacts/dial", nil))
	if strings.Contains(page, "<script>") || strings.Count(page, "&lt;script&gt;alert(1)") != 2 {
		t.Error("a note is not text on the page")
	}
	if r := request(h, "GET", "/contacts/dial/notes", nil); r.StatusCode != 405 {
		t.Errorf("GET: %d", r.StatusCode)
	}
	if p := request(h, "GET", "/", nil).Header.Get("Content-Security-Policy"); !strings.Contains(p, "form-action 'self'") {
		t.Error(p)
	}
}

// Without passwords notes are read-only, and the page says how that is changed.
func TestNotesReadOnly(t *testing.T) {
	o, kept := notesOptions(t)
	o.Passwords = false
	h := New(o)
	page := text(t, request(h, "GET", "/contacts/dial", nil))
	if strings.Contains(page, "<textarea") || !strings.Contains(page, "basic_auth_users") {
		t.Error("the page has a form, or does not tell how to have one")
	}
	r := httptest.NewRequest("POST", "/contacts/dial/notes", strings.NewReader("text=x"))
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	r.SetBasicAuth("bench", "oil-can")
	w := httptest.NewRecorder()
	if h.ServeHTTP(w, r); w.Code != 403 || len(kept.kept()) > 0 {
		t.Errorf("%d, %d stored", w.Code, len(kept.kept()))
	}
}

// The server itself asks for the password before a note is looked at.
func TestNoteUnauthenticated(t *testing.T) {
	o, kept := notesOptions(t)
	hash, err := bcrypt.GenerateFromPassword([]byte("oil-can"), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "web.yaml")
	if err := os.WriteFile(path, []byte("basic_auth_users: {bench: "+string(hash)+"}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	result := make(chan error, 1)
	h := New(o)
	go func() { result <- Serve(ctx, ln, h, path, quietLog) }()
	post := func(user, password string) int {
		r := httptest.NewRequest("GET", "/contacts/dial", nil)
		r.SetBasicAuth(user, password)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		token := regexp.MustCompile(`name="token" value="([^"]+)"`).FindStringSubmatch(w.Body.String())[1]
		req, err := http.NewRequest("POST", "http://"+ln.Addr().String()+"/contacts/dial/notes", strings.NewReader(url.Values{"text": {"oiled"}, "token": {token}}.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		req.Header.Set("Origin", "http://"+ln.Addr().String())
		if user != "" {
			req.SetBasicAuth(user, password)
		}
		answer, err := (&http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}).Do(req)
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		return answer.StatusCode
	}
	if got := post("", ""); got != 401 || len(kept.kept()) > 0 {
		t.Errorf("without a password: %d, %d stored", got, len(kept.kept()))
	}
	if got := post("bench", "vinegar"); got != 401 || len(kept.kept()) > 0 {
		t.Errorf("with a wrong one: %d, %d stored", got, len(kept.kept()))
	}
	if got := post("bench", "oil-can"); got != 303 || len(kept.kept()) != 1 {
		t.Errorf("with the right one: %d, %d stored", got, len(kept.kept()))
	}
	cancel()
	if err := <-result; err != nil {
		t.Error(err)
	}
}
