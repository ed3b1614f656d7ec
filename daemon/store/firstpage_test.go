package store

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A log with one wrong byte in its first page, or with no first page, is set
// aside as any other damage is, or is used where the byte means nothing.
func TestFirstPageDamaged(t *testing.T) {
	path := logPath(t)
	clock := newClock()
	s := open(t, path, clock, Options{})
	s.Contact(dialA).Append(numbered(clock.mono(), 1, 3000))
	mustCommit(t, s)
	closeStore(t, s)
	sound, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	lock, err := os.ReadFile(path + ".lock")
	if err != nil {
		t.Fatal(err)
	}
	spoil := map[string]func(b []byte){"zeroed": func(b []byte) { clear(b[:pageSize]) }}
	mustGo := map[string]bool{"zeroed": true}
	flip := func(at int, mask byte, known bool) {
		name := fmt.Sprintf("%02x at %d", mask, at)
		spoil[name] = func(b []byte) { b[at] ^= mask }
		if known {
			mustGo[name] = true
		}
	}
	// The header by https://sqlite.org/fileformat2.html, 1.3.
	for at := range headerBytes {
		fixed := at < 24 || at >= 44 && at < 48 || at >= 56 && at < 64 || at >= 68 && at < 72
		flip(at, 0xff, fixed)
		if at >= 60 && at < 72 { // the format and the application id
			flip(at, 0x01, fixed)
		}
	}
	for at := headerBytes; at < pageSize; at += 151 { // b-tree and schema
		flip(at, 0x20, false)
	}
	for name, f := range spoil {
		dir := t.TempDir()
		path := filepath.Join(dir, "log")
		b := append([]byte(nil), sound...)
		f(b)
		for p, content := range map[string][]byte{path: b, path + ".lock": lock} {
			if err := os.WriteFile(p, content, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		s, err := Open(t.Context(), path, Options{Site: "Marrow Quay", Boot: "boot-1", Clock: clock.read, SetAside: true})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		c := s.Contact(dialA)
		c.Append(numbered(clock.mono()+60e9, 5000, 10))
		err = s.Flush()
		if err != nil { // it was met only now
			err = s.Flush()
		}
		st := s.Stats()
		if err != nil || waiting(c) != 0 || st.SetAside == "" && mustGo[name] {
			t.Errorf("%s: %v, %d edges wait, set aside as %q", name, err, waiting(c), st.SetAside)
		}
		if st.SetAside != "" {
			kept, err := os.ReadFile(filepath.Join(dir, st.SetAside))
			if err != nil || len(kept) != len(b) {
				t.Errorf("%s: %d bytes are kept, %v", name, len(kept), err)
			}
			fs := texts(findings(t, s.Log, ""))
			if len(fs) == 0 || !strings.HasPrefix(fs[0], "damage: the log was damaged; it was renamed to log.damaged-") {
				t.Error(name, fs)
			}
		}
		if err := s.Close(); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}
