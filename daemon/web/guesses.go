package web

import (
	"crypto/sha256"
	"math"
	"net/http"
	"strconv"
	"sync"
	"time"
)

// Checking a password costs some 0.1 s of a core by design, so those that guess
// are slowed down.
const (
	freeGuesses = 10 // a person who mistypes is not held up
	firstWait   = time.Second
	longestWait = 5 * time.Minute
	// forgetAfter without a wrong password an address begins anew.
	forgetAfter = 15 * time.Minute
	// maxGuessers and maxRight bound the memory; more than the clients of a site.
	maxGuessers = 1000
	maxRight    = 100
)

// guesses refuses, without checking them, passwords from an address that has
// given too many wrong ones. The wait doubles with each more. Passwords that
// were right before are let through at any time: the toolkit remembers them too,
// so they cost nothing, and a scraper goes on beside a guesser behind the same
// proxy.
type guesses struct {
	next http.Handler // asks for passwords

	mu    sync.Mutex
	by    map[string]*guesser
	right map[[sha256.Size]byte]bool // by header
}

// A guesser is an address that has given wrong passwords.
type guesser struct {
	wrong       int // those being checked included
	last, until time.Time
}

func newGuesses(next http.Handler) *guesses {
	return &guesses{next: next, by: map[string]*guesser{}, right: map[[sha256.Size]byte]bool{}}
}

// ServeHTTP implements http.Handler.
func (g *guesses) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	header := r.Header.Get("Authorization")
	if header == "" { // refused at once where a password is needed
		g.next.ServeHTTP(w, r)
		return
	}
	address, sum := addressOf(r.RemoteAddr), sha256.Sum256([]byte(header))
	if wait := g.admit(address, sum); wait > 0 {
		w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(wait.Seconds()))))
		http.Error(w, "too many wrong passwords from this address; wait as long as Retry-After says", http.StatusTooManyRequests)
		return
	}
	s := &answer{ResponseWriter: w}
	g.next.ServeHTTP(s, r)
	g.answered(address, sum, s)
}

// letIn wraps what the passwords protect, so that it is known when one was right.
func letIn(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if a, ok := w.(*answer); ok {
			a.right = true
		}
		next.ServeHTTP(w, r)
	})
}

// admit gives how long the address must wait before its password is checked.
func (g *guesses) admit(address string, sum [sha256.Size]byte) time.Duration {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.right[sum] {
		return 0
	}
	now := time.Now()
	x := g.by[address]
	if x == nil || now.Sub(x.last) > forgetAfter {
		g.makeRoom(now)
		x = &guesser{}
		g.by[address] = x
	}
	if wait := x.until.Sub(now); wait > 0 {
		return wait
	}
	// It counts as wrong until it is known to be right, so that many at once are
	// not all checked.
	x.wrong++
	x.last = now
	if more := x.wrong - freeGuesses; more >= 0 {
		x.until = now.Add(min(firstWait<<min(more, 20), longestWait))
	}
	return 0
}

// makeRoom forgets those without a wrong password for long, else the one for
// whom it has been longest.
func (g *guesses) makeRoom(now time.Time) {
	if len(g.by) < maxGuessers {
		return
	}
	oldest := ""
	for address, x := range g.by {
		if now.Sub(x.last) > forgetAfter {
			delete(g.by, address)
		} else if oldest == "" || x.last.Before(g.by[oldest].last) {
			oldest = address
		}
	}
	if len(g.by) >= maxGuessers {
		delete(g.by, oldest)
	}
}

// answered takes how the check ended. It has not said that a password is wrong
// where the web configuration cannot be read.
func (g *guesses) answered(address string, sum [sha256.Size]byte, a *answer) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if a.status == http.StatusUnauthorized {
		delete(g.right, sum) // the file may have changed
		return
	}
	if g.right[sum] { // of a scraper, which vouches for nobody else at its address
		return
	}
	delete(g.by, address)
	if !a.right {
		return
	}
	if len(g.right) >= maxRight {
		clear(g.right)
	}
	g.right[sum] = true
}

// An answer is one to a request with a password.
type answer struct {
	http.ResponseWriter
	status int
	right  bool // the password is
}

// WriteHeader implements http.ResponseWriter.
func (a *answer) WriteHeader(status int) {
	a.status = status
	a.ResponseWriter.WriteHeader(status)
}

// Unwrap is for http.ResponseController.
func (a *answer) Unwrap() http.ResponseWriter { return a.ResponseWriter }
