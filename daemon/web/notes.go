package web

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"net/http"
	"strings"
	"time"
	"unicode/utf8"
)

const (
	maxNoteBytes = 8 << 10 // of a request
	maxNoteText  = 1000    // characters: a few sentences
	// tokenTime is how long a page may be open before its form is used, at least.
	tokenTime = 12 * time.Hour
)

// A noteKeeper takes notes from people who gave a password. A request must come from
// a page of this site, as the browser says it, and have the token of such a page.
type noteKeeper struct {
	*handler
	origin *http.CrossOriginProtection
	key    [32]byte // of the tokens; new at each start
}

func newNoteKeeper(p *handler) *noteKeeper {
	n := &noteKeeper{handler: p, origin: http.NewCrossOriginProtection()}
	rand.Read(n.key[:]) // never fails
	return n
}

// enabled tells whether notes can be added.
func (n *noteKeeper) enabled() bool { return n.Passwords && n.Archive != nil }

// takes tells whether a request may add a note; all else of it is looked at later.
func (n *noteKeeper) takes(r *http.Request) bool {
	return strings.HasPrefix(r.URL.Path, "/contacts/") && strings.HasSuffix(r.URL.Path, "/notes")
}

// token is for one contact and one password, and holds for half a day to a day.
func (n *noteKeeper) token(r *http.Request, contact string, at time.Time) string {
	h := hmac.New(sha256.New, n.key[:])
	password := sha256.Sum256([]byte(r.Header.Get("Authorization")))
	h.Write(password[:])
	h.Write([]byte(at.Truncate(tokenTime).UTC().Format(time.RFC3339) + " " + contact))
	return base64.RawURLEncoding.EncodeToString(h.Sum(nil))
}

func (n *noteKeeper) knows(r *http.Request, contact, token string) bool {
	now := time.Now()
	for _, at := range []time.Time{now, now.Add(-tokenTime)} {
		if hmac.Equal([]byte(token), []byte(n.token(r, contact, at))) {
			return true
		}
	}
	return false
}

// add takes a note and shows the contact again.
func (n *noteKeeper) add(w http.ResponseWriter, r *http.Request) {
	contact := r.PathValue("name")
	refuse := func(status int, text string) {
		w.Header().Set("Connection", "close") // what is left of the body is not read
		n.fail(w, r, &RequestError{status, text})
	}
	if r.Method != http.MethodPost {
		w.Header().Set("Allow", http.MethodPost)
		refuse(http.StatusMethodNotAllowed, "notes are added by the form of a contact's page")
		return
	}
	if !n.enabled() {
		refuse(http.StatusForbidden, "notes can be added on the pages only where a web configuration asks for passwords; makebreak note adds them on this computer")
		return
	}
	if _, _, ok := r.BasicAuth(); !ok {
		refuse(http.StatusForbidden, "a note needs a password")
		return
	}
	if r.Header.Get("Sec-Fetch-Site") == "" && r.Header.Get("Origin") == "" || n.origin.Check(r) != nil {
		refuse(http.StatusForbidden, "this request does not come from a page of this site")
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxNoteBytes)
	if err := r.ParseForm(); err != nil {
		refuse(http.StatusBadRequest, "the form cannot be read, or is too large")
		return
	}
	if !n.knows(r, contact, r.PostForm.Get("token")) {
		refuse(http.StatusForbidden, "this form is too old, or not of this site; load the page again")
		return
	}
	if !n.hasContact(contact) {
		refuse(http.StatusNotFound, "there is no contact of that name")
		return
	}
	note := Note{Contact: contact, State: NoteState(r.PostForm.Get("state")), Text: strings.TrimSpace(r.PostForm.Get("text"))}
	switch note.State {
	case PlainNote, AsFound, AsLeft, LobeOne:
	default:
		refuse(http.StatusBadRequest, "expected a plain note, as found, as left, or lobe one")
		return
	}
	if note.Text == "" || utf8.RuneCountInString(note.Text) > maxNoteText || !utf8.ValidString(note.Text) {
		refuse(http.StatusBadRequest, "expected some words, at most 1000 characters")
		return
	}
	at, err := parseTime(r.PostForm.Get("at"), "the note's time")
	switch {
	case err != nil:
		n.fail(w, r, err)
		return
	case at.After(time.Now()):
		refuse(http.StatusBadRequest, "it is not yet that time")
		return
	case at.IsZero() && note.State == LobeOne:
		refuse(http.StatusBadRequest, "expected the time, to the second, at which lobe 1 opened")
		return
	}
	note.At = at
	if err := n.Archive.AddNote(r.Context(), note); err != nil {
		n.fail(w, r, err)
		return
	}
	http.Redirect(w, r, contactPath(contact)+"#notes", http.StatusSeeOther)
}
