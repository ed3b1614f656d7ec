package web

import (
	"context"
	"fmt"
	"net/http/httptest"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// browser starts the browser that is installed. Without one the test is
// skipped, or fails where MAKEBREAK_TESTS=require.
func browser(t *testing.T) context.Context {
	t.Helper()
	var path string
	for _, name := range []string{"chromium", "chromium-browser"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		const missing = "not run: no chromium is installed"
		if os.Getenv("MAKEBREAK_TESTS") == "require" {
			t.Fatal(missing)
		}
		t.Skip(missing + "; MAKEBREAK_TESTS=require makes this a failure")
	}
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewExecAllocator(ctx, append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()))...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	return ctx
}

// measured is what the page looks like to a browser.
type measured struct {
	Overflow   int      // pixels that the page is wider than the window
	Cut        []string // elements that end beyond the window
	Background string
	Contrast   float64 // the least of all text, as WCAG 2 defines it
	Where      string  // it is least
	Graphic    float64 // the least of what the drawings of the page itself show
	GraphicOf  string
	Broken     []string // links to nowhere on the page
	Unnamed    []string // pictures and fields without a name
	Split      []string // figures with a break within a word, or between value and unit
	Texts      int
}

const measure = `(() => {
  const lum = c => { const [r, g, b] = c.map(v => { v /= 255; return v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const rgb = s => s.match(/[\d.]+/g).map(Number);
  const ground = e => { for (; e; e = e.parentElement) { const c = rgb(getComputedStyle(e).backgroundColor); if (c.length < 4 || c[3] > 0) return c.slice(0, 3); } return [255, 255, 255]; };
  const ratio = (a, b) => (Math.max(lum(a), lum(b)) + 0.05) / (Math.min(lum(a), lum(b)) + 0.05);
  const out = { Overflow: document.documentElement.scrollWidth - innerWidth, Cut: [], Contrast: 99, Graphic: 99, Broken: [], Unnamed: [], Split: [], Texts: 0 };
  out.Background = getComputedStyle(document.body).backgroundColor;
  for (const e of document.body.querySelectorAll("*")) {
    const own = [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
    const box = e.getBoundingClientRect(), style = getComputedStyle(e);
    if (!own || e.matches("option, .skip") || !box.width || e.closest(".drawing, .hidden, noscript, thead") && style.color === style.color && (e.closest(".drawing, .hidden, noscript") || getComputedStyle(e.closest("thead")).position === "absolute")) continue;
    if (e.closest(".bands .short")) continue; // its mark shows, its word is for the ear
    if (box.right > innerWidth + 0.5 || box.left < -0.5) out.Cut.push((e.className.baseVal ?? e.className) || e.tagName);
    const text = e instanceof SVGElement ? style.fill : style.color;
    out.Texts++;
    const c = ratio(rgb(text).slice(0, 3), ground(e));
    if (c < out.Contrast) { out.Contrast = c; out.Where = (e.className.baseVal ?? e.className) || e.tagName; }
  }
  for (const e of document.querySelectorAll(".pen, .limit, .needle, .box, .seen")) {
    const c = ratio(rgb(getComputedStyle(e).stroke).slice(0, 3), ground(e));
    if (c < out.Graphic) { out.Graphic = c; out.GraphicOf = e.className.baseVal; }
  }
  for (const e of document.querySelectorAll(".rate p, .seen-text, .distance, .value, .ends span, td")) {
    if (e.closest(".document")) continue; // a table there may scroll
    const texts = document.createTreeWalker(e, NodeFilter.SHOW_TEXT);
    for (let n; (n = texts.nextNode());) for (const word of n.textContent.matchAll(/[^ \n]+/g)) {
      const range = document.createRange();
      range.setStart(n, word.index);
      range.setEnd(n, word.index + word[0].length);
      if (new Set([...range.getClientRects()].map(r => Math.round(r.top))).size > 1) out.Split.push(word[0]);
    }
  }
  for (const a of document.querySelectorAll('a[href^="#"]')) if (!document.getElementById(a.getAttribute("href").slice(1))) out.Broken.push(a.href);
  for (const e of document.querySelectorAll("svg")) if (!e.closest(".drawing") && e.getAttribute("aria-hidden") !== "true" && !e.getAttribute("aria-label")) out.Unnamed.push("svg " + e.outerHTML.slice(0, 60));
  for (const e of document.querySelectorAll("input:not([type=hidden]), select, textarea")) if (!e.labels || !e.labels.length) out.Unnamed.push(e.name);
  return out;
})()`

// complaints gathers what a browser has to complain about from now on: errors on the
// console, and requests to anywhere but the site.
func complaints(t *testing.T, ctx context.Context, site string) (all func() (list []string, requests int)) {
	t.Helper()
	var mu sync.Mutex
	var list []string
	requests := 0
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank")); err != nil {
		t.Fatal(err)
	}
	err := chromedp.Listen(ctx, func(e any) {
		mu.Lock()
		defer mu.Unlock()
		switch e := e.(type) {
		case *log.EventEntryAdded:
			list = append(list, e.Entry.Text)
		case *runtime.EventConsoleAPICalled:
			list = append(list, "console")
		case *runtime.EventExceptionThrown:
			list = append(list, e.ExceptionDetails.Text)
		case *network.EventRequestWillBeSent:
			if !strings.HasPrefix(e.Request.URL, site+"/") && !strings.HasPrefix(e.Request.URL, "data:") {
				list = append(list, "loads "+e.Request.URL)
			}
			requests++
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, enable := range []func() error{
		func() error { _, err := chromedp.Call(ctx, network.Enable, network.EnableParams{}); return err },
		func() error { _, err := chromedp.Call(ctx, log.Enable, cdp.Empty{}); return err },
		func() error { _, err := chromedp.Call(ctx, runtime.Enable, cdp.Empty{}); return err },
	} {
		if err := enable(); err != nil {
			t.Fatal(err)
		}
	}
	return func() ([]string, int) {
		mu.Lock()
		defer mu.Unlock()
		return slices.Clone(list), requests
	}
}

// serveForBrowser serves until the browser has gone, and ends streams then.
func serveForBrowser(t *testing.T, o Options) *httptest.Server {
	server := httptest.NewServer(New(o))
	t.Cleanup(func() {
		server.CloseClientConnections()
		server.Close()
	})
	return server
}

func evaluate[T any](t *testing.T, ctx context.Context, script string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](script))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// eventually waits until a script gives true.
func eventually(t *testing.T, ctx context.Context, within time.Duration, script string) {
	t.Helper()
	for end := time.Now().Add(within); ; time.Sleep(50 * time.Millisecond) {
		if evaluate[bool](t, ctx, script) {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("not within %v: %s; the page says %.600q", within, script, evaluate[string](t, ctx, "document.getElementById('main').innerText"))
		}
	}
}

// In a browser every page is whole at the width of a phone and of a desk, in light
// and dark: nothing is cut off or hard to read, nothing is loaded from elsewhere, and
// the policy lets its style and script through.
func TestPagesInBrowser(t *testing.T) {
	ctx := browser(t)
	b := newBench(t, "dial", 0)
	for range 40 {
		b.change()
	}
	o := movingOptions(b)
	o.Passwords = true
	o.Notices = func() []string {
		return []string{"The changed configuration was refused: watch.yaml:12:9: key contacts[0].settle: the number 4: expected a time with its unit."}
	}
	server := serveForBrowser(t, o)
	said := complaints(t, ctx, server.URL)
	grounds := map[string]bool{}
	for _, path := range []string{"/", "/contacts/dial", "/contacts/generator-a", "/contacts/metering", "/soaks", "/soaks/after%20oiling", "/compare", "/wiring"} {
		if err := chromedp.Do(ctx, chromedp.Navigate(server.URL+path)); err != nil {
			t.Fatal(err)
		}
		for _, scheme := range []string{"light", "dark"} {
			_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
				Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
			})
			if err != nil {
				t.Fatal(err)
			}
			for _, width := range []int64{320, 360, 768, 1440} {
				if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 800)); err != nil {
					t.Fatal(err)
				}
				m := evaluate[measured](t, ctx, measure)
				where := fmt.Sprintf("%s, %s, %d px", path, scheme, width)
				if m.Overflow > 0 || len(m.Cut) > 0 || len(m.Broken) > 0 || len(m.Unnamed) > 0 || m.Texts < 10 {
					t.Errorf("%s: %d px too wide; cut off: %v; links to nowhere: %v; without a name: %v; %d texts", where, m.Overflow, m.Cut, m.Broken, m.Unnamed, m.Texts)
				}
				if len(m.Split) > 0 && width >= 360 {
					t.Errorf("%s: broken within %q", where, m.Split)
				}
				if m.Contrast < 4.5 { // WCAG 2.2, success criterion 1.4.3
					t.Errorf("%s: contrast of %s is %.2f", where, m.Where, m.Contrast)
				}
				if m.Graphic < 3 { // WCAG 2.2, success criterion 1.4.11
					t.Errorf("%s: contrast of the drawing's %s is %.2f", where, m.GraphicOf, m.Graphic)
				}
				grounds[m.Background] = true
			}
		}
	}
	if len(grounds) != 2 {
		t.Errorf("light and dark have the backgrounds %v", grounds)
	}
	list, requests := said()
	if len(list) > 0 || requests < 8*2 {
		t.Errorf("of %d requests the browser complains: %q", requests, list)
	}
}

// The page of a contact moves as the contact does, grows no further than it should,
// and tells when it stops.
func TestPageMoves(t *testing.T) {
	ctx := browser(t)
	b := newBench(t, "dial", time.Second)
	server := serveForBrowser(t, movingOptions(b))
	said := complaints(t, ctx, server.URL)
	going, stop := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { b.run(going) })
	time.Sleep(1500 * time.Millisecond)
	if err := chromedp.Do(ctx, chromedp.Navigate(server.URL+"/contacts/dial")); err != nil {
		t.Fatal(err)
	}
	const trace = `document.querySelector("#strip .pen").getAttribute("d")`
	eventually(t, ctx, 5*time.Second, `document.getElementById("stream").textContent === "It moves as it comes."`)
	first := evaluate[string](t, ctx, trace)
	time.Sleep(time.Second)
	second := evaluate[string](t, ctx, trace)
	if n := strings.Count(second, "V"); first == second || n < 15 {
		t.Errorf("the strip has %d changes and was %q, is %q", n, first, second)
	}
	before := evaluate[int](t, ctx, `document.getElementById("points").childElementCount`)
	eventually(t, ctx, 5*time.Second, `document.getElementById("points").childElementCount > `+strconv.Itoa(before+10))
	for _, script := range []string{
		`document.querySelector('[data-figure="rate"] [data-where]').textContent.includes(", inside")`,
		`/^(9|10)\.\d\d$/.test(document.querySelector('[data-figure="rate"] [data-value]').textContent)`,
		`/^[+−][01]\.\d\d pps$/.test(document.querySelector('[data-figure="rate"] [data-distance]').textContent)`, // sign and unit
		`parseFloat(getComputedStyle(document.querySelector('[data-figure="rate"] [data-value]')).fontSize) >= 64`,
		`Math.abs(parseFloat(document.querySelector('[data-figure="rate"] [data-needle]').getAttribute("x1")) - 50) < 25`,
		`document.querySelector('[data-figure="percent"]').hidden && !document.querySelector('[data-figure="rate"]').hidden`, // one is large
	} {
		eventually(t, ctx, 5*time.Second, script)
	}
	// The tone in words, for who cannot hear it; nothing sounds before it is asked for.
	if evaluate[string](t, ctx, `document.getElementById("heard").textContent`) != "" {
		t.Error("something is heard that nobody asked for")
	}
	for _, box := range []string{"tone", "clicks"} { // a browser lets a page sound only after a click
		if err := chromedp.Do(ctx, chromedp.Click("#sound [name="+box+"]")); err != nil {
			t.Fatal(err)
		}
	}
	eventually(t, ctx, 3*time.Second, `/middle|limit/.test(document.getElementById("heard").textContent)`)
	evaluate[bool](t, ctx, `(v => { v.value = 65; v.dispatchEvent(new Event("input", {bubbles: true})); return true; })(document.querySelector("#sound [name=volume]"))`)
	if v := evaluate[string](t, ctx, `localStorage.getItem("makebreak-volume")`); v != "65" {
		t.Errorf("the volume that is kept is %q", v)
	}

	stop()
	running.Wait()
	stopped := time.Now()
	for time.Since(stopped) < 900*time.Millisecond {
		time.Sleep(50 * time.Millisecond)
		b.wait()
		if evaluate[bool](t, ctx, `document.querySelector("[data-field=state]").textContent.includes("no signal")`) && time.Since(stopped) < 900*time.Millisecond {
			t.Errorf("no signal already after %v", time.Since(stopped))
			break
		}
	}
	time.Sleep(300 * time.Millisecond)
	b.wait()
	eventually(t, ctx, time.Second, `document.querySelector("[data-field=state]").textContent.startsWith("no signal; it rests ") && document.querySelector("[data-verdict]").innerText.trim() === "! no signal"`)
	eventually(t, ctx, time.Second, `document.querySelector('[data-figure="rate"] [data-value]').textContent === "–"`)
	// The pen rests up where the contact is closed, down where it is open.
	eventually(t, ctx, time.Second, `(m => m && { 4: "closed", 24: "open" }[m[1]] === document.querySelector("[data-field=state]").textContent.split(" ").pop())(document.querySelector("#strip .pen").getAttribute("d").match(/[V ](4|24)H[^VM]*$/))`)
	if err := chromedp.Do(ctx, chromedp.Navigate(server.URL+"/")); err != nil {
		t.Fatal(err)
	}
	if !evaluate[bool](t, ctx, `document.querySelector("#dial .verdict").innerText.includes("no signal")`) {
		t.Error("the page of all contacts does not say that there is no signal")
	}
	list, _ := said()
	if len(list) > 0 {
		t.Errorf("the browser complains: %q", list)
	}
}

// What a page keeps is bounded: it is fed for as long as fills it many times.
func TestPageDoesNotGrow(t *testing.T) {
	ctx := browser(t)
	b := newBench(t, "dial", 0)
	server := serveForBrowser(t, movingOptions(b))
	if err := chromedp.Do(ctx, chromedp.Navigate(server.URL+"/contacts/dial")); err != nil {
		t.Fatal(err)
	}
	eventually(t, ctx, 5*time.Second, `document.getElementById("stream").textContent !== ""`)
	size := func() (nodes, bytes int) {
		return evaluate[int](t, ctx, `document.getElementsByTagName("*").length`), evaluate[int](t, ctx, `document.querySelector("#strip .pen").getAttribute("d").length`)
	}
	feed := func() {
		for range 40 {
			for range 100 {
				b.fast()
			}
			time.Sleep(50 * time.Millisecond)
		}
		eventually(t, ctx, 5*time.Second, `document.getElementById("points").childElementCount === 256`)
	}
	feed()
	nodes, bytes := size()
	feed()
	if n, d := size(); n > nodes || d > bytes+20_000 {
		t.Errorf("%d elements and %d bytes of the strip have become %d and %d", nodes, bytes, n, d)
	}
}

// Every link and field can be reached with the tabulator key alone, and shows that it
// has the focus.
func TestKeyboard(t *testing.T) {
	ctx := browser(t)
	o := movingOptions(newBench(t, "dial", 0))
	o.Passwords = true
	server := serveForBrowser(t, o)
	for _, path := range []string{"/?refresh=off", "/contacts/dial", "/compare"} {
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(1440, 900), chromedp.Navigate(server.URL+path)); err != nil {
			t.Fatal(err)
		}
		eventually(t, ctx, 5*time.Second, `document.readyState === "complete"`)
		// A group of fields of a date is one stop of several keys.
		want := evaluate[int](t, ctx, `(window.reached = new Set(), window.stops = [...document.querySelectorAll("a[href], button, input:not([type=hidden]), select, textarea, summary")].filter(e => e.getBoundingClientRect().width > 0)).length`)
		if want < 8 {
			t.Fatalf("%s: %d stops", path, want)
		}
		var dim []string
		for range 12 * want {
			if err := chromedp.Do(ctx, chromedp.KeyEvent(kb.Tab)); err != nil {
				t.Fatal(err)
			}
			state := evaluate[string](t, ctx, `(e => { if (e === document.body) return "end"; reached.add(e); const s = getComputedStyle(e), b = e.getBoundingClientRect(); return s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2 && b.width > 0 && b.right > 0 || e.matches(".skip") && b.left >= 0 ? "" : e.outerHTML.slice(0, 80); })(document.activeElement)`)
			if state == "end" {
				break
			}
			if state != "" {
				dim = append(dim, state)
			}
			if evaluate[bool](t, ctx, `stops.every(e => reached.has(e))`) {
				break
			}
		}
		if missed := evaluate[[]string](t, ctx, `stops.filter(e => !reached.has(e)).map(e => e.outerHTML.slice(0, 80))`); len(missed) > 0 || len(dim) > 0 {
			t.Errorf("%s: not reached: %q; without a visible focus: %q", path, missed, dim)
		}
	}
}

// Without a script the pages say the same and load themselves anew.
func TestWithoutScript(t *testing.T) {
	ctx := browser(t)
	b := newBench(t, "dial", 0)
	for range 20 {
		b.change()
		time.Sleep(20 * time.Millisecond)
	}
	server := serveForBrowser(t, movingOptions(b))
	if _, err := chromedp.Call(ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true}); err != nil {
		t.Fatal(err)
	}
	if err := chromedp.Do(ctx, chromedp.Navigate(server.URL+"/contacts/dial")); err != nil {
		t.Fatal(err)
	}
	for _, script := range []string{
		`document.querySelector("#strip .pen").getAttribute("d").split("V").length > 4`, `document.querySelector("#sound").hidden`,
		`getComputedStyle(document.body).fontFamily.includes("system-ui")`, `document.querySelector("noscript meta") !== null || document.querySelector("meta[http-equiv=refresh]") !== null`,
	} {
		if !evaluate[bool](t, ctx, script) {
			t.Errorf("not so: %s", script)
		}
	}
}
