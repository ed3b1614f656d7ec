package web

import (
	"context"
	"net/http/httptest"
	"os"
	"os/exec"
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
	Verdicts   []string
	Rows       string // how a row of a table is laid out
	Broken     []string
}

const measure = `(() => {
  const lum = c => { const [r, g, b] = c.map(v => { v /= 255; return v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const rgb = s => s.match(/[\d.]+/g).map(Number);
  const ground = e => { for (; e; e = e.parentElement) { const c = rgb(getComputedStyle(e).backgroundColor); if (c.length < 4 || c[3] > 0) return c.slice(0, 3); } return [255, 255, 255]; };
  const out = { Overflow: document.documentElement.scrollWidth - innerWidth, Cut: [], Contrast: 99, Verdicts: [], Broken: [] };
  out.Background = getComputedStyle(document.body).backgroundColor;
  for (const e of document.body.querySelectorAll("*")) {
    const own = [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
    const box = e.getBoundingClientRect();
    if (!own || e.closest("thead") && getComputedStyle(e.closest("thead")).position === "absolute") continue;
    if (box.right > innerWidth + 0.5) out.Cut.push(e.className || e.tagName);
    const a = lum(rgb(getComputedStyle(e).color).slice(0, 3)), b = lum(ground(e));
    const c = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (c < out.Contrast) { out.Contrast = c; out.Where = e.className || e.tagName; }
  }
  for (const e of document.querySelectorAll(".head .verdict")) out.Verdicts.push(e.innerText.trim());
  out.Rows = getComputedStyle(document.querySelector("tbody tr")).display;
  for (const a of document.querySelectorAll('a[href^="#"]')) if (!document.getElementById(a.getAttribute("href").slice(1))) out.Broken.push(a.href);
  return out;
})()`

// In a browser the page is whole at the width of a phone and of a desk, in
// light and dark: nothing is cut off or hard to read, nothing is loaded from
// elsewhere, and the policy lets its style through.
func TestPageInBrowser(t *testing.T) {
	ctx := browser(t)
	o := options()
	o.Notices = func() []string {
		return []string{"The changed configuration was refused: watch.yaml:12:9: key contacts[0].settle: the number 4: expected a time with its unit."}
	}
	server := httptest.NewServer(New(o))
	defer server.Close()

	var mu sync.Mutex
	var complaints []string
	requests := 0
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank")); err != nil {
		t.Fatal(err)
	}
	err := chromedp.Listen(ctx, func(e any) {
		mu.Lock()
		defer mu.Unlock()
		switch e := e.(type) {
		case *log.EventEntryAdded:
			if !strings.HasSuffix(e.Entry.URL, "/favicon.ico") {
				complaints = append(complaints, e.Entry.Text)
			}
		case *runtime.EventExceptionThrown:
			complaints = append(complaints, e.ExceptionDetails.Text)
		case *network.EventRequestWillBeSent:
			if !strings.HasPrefix(e.Request.URL, server.URL+"/") {
				complaints = append(complaints, "loads "+e.Request.URL)
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
	grounds := map[string]bool{}
	for _, scheme := range []string{"light", "dark"} {
		for _, width := range []int64{320, 360, 768, 1280} {
			_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
				Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
			})
			if err != nil {
				t.Fatal(err)
			}
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 800), chromedp.Navigate(server.URL+"/")); err != nil {
				t.Fatal(err)
			}
			m, err := chromedp.Run(ctx, chromedp.Evaluate[measured](measure))
			if err != nil {
				t.Fatal(err)
			}
			if m.Overflow > 0 || len(m.Cut) > 0 || len(m.Broken) > 0 {
				t.Errorf("%s, %d px: %d px too wide; cut off: %v; links to nowhere: %v", scheme, width, m.Overflow, m.Cut, m.Broken)
			}
			if m.Contrast < 4.5 { // WCAG 2.2, success criterion 1.4.3
				t.Errorf("%s, %d px: contrast of %s is %.2f", scheme, width, m.Where, m.Contrast)
			}
			if want := map[bool]string{true: "block", false: "table-row"}[width < 640]; m.Rows != want {
				t.Errorf("%s, %d px: rows are %s, want %s", scheme, width, m.Rows, want)
			}
			if got := strings.Join(m.Verdicts, "; "); got != "✗ out of limits; ✗ faulty; ! stuck; ! not being read; – no limits set; – fits; no tolerance is published" {
				t.Errorf("%s, %d px: verdicts are %s", scheme, width, got)
			}
			grounds[m.Background] = true
		}
	}
	if len(grounds) != 2 {
		t.Errorf("light and dark have the backgrounds %v", grounds)
	}
	mu.Lock()
	defer mu.Unlock()
	if len(complaints) > 0 || requests < 8 {
		t.Errorf("of %d requests the browser complains: %q", requests, complaints)
	}
}
