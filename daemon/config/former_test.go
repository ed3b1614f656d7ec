package config

import (
	"strings"
	"testing"
)

// A former id gives the profile of its new one; it is no id of a profile now.
func TestFormerIDs(t *testing.T) {
	ids, err := profileIDs()
	if err != nil {
		t.Fatal(err)
	}
	for old, now := range formerIDs {
		p, err := Profile(old)
		if err != nil || p.ID != now {
			t.Errorf("%s gives %+v, %v", old, p, err)
		}
		if p, err = Profile(strings.ToUpper(old)); err != nil || p.ID != now {
			t.Errorf("%s gives %+v, %v", strings.ToUpper(old), p, err)
		}
		for _, id := range ids {
			if id == old || strings.Contains(id, "-bell-") {
				t.Errorf("%s is a profile's id", id)
			}
		}
		if got, want := Renamed(old), "limits profile "+old+" is now called "+now; got != want {
			t.Errorf("%q", got)
		}
	}
	if got := Renamed("us-1956-step"); got != "" {
		t.Errorf("%q", got)
	}
}

// A watch configuration may name a former id, and says so once for each.
func TestFormerIDInWatch(t *testing.T) {
	contact := func(name, limits string) string {
		return "  - name: " + name + "\n    source: sim:dial\n    limits: " + limits + "\n"
	}
	w, err := parseWatch("quay.yaml", []byte("site: Marrow Quay\nstore:\n  path: quay.db\ncontacts:\n"+
		contact("a", "us-bell-1926-dial")+contact("b", "us-bell-1926-dial")+contact("c", "us-1956-dial-late")), nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(w.Renamed) != 1 || w.Renamed[0] != "limits profile us-bell-1926-dial is now called us-1926-dial" {
		t.Errorf("%q", w.Renamed)
	}
	for i, want := range []string{"us-1926-dial", "us-1926-dial", "us-1956-dial-late"} {
		if got := w.Contacts[i].Meter.Limits.ID; got != want {
			t.Errorf("contact %d: %s, want %s", i, got, want)
		}
	}
}
