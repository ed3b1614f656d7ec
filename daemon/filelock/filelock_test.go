package filelock

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
)

// One file at a time has the lock; the others can still read and write, and
// closing lets the next one in.
func TestLock(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lock")
	open := func() *os.File {
		f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { f.Close() })
		return f
	}
	first, second := open(), open()
	if err := Lock(first); err != nil {
		t.Fatal(err)
	}
	if err := Lock(second); !errors.Is(err, ErrHeld) {
		t.Errorf("a second lock: %v", err)
	}
	if _, err := second.WriteAt([]byte("mark"), 0); err != nil {
		t.Error(err)
	}
	if b, err := io.ReadAll(first); err != nil || string(b) != "mark" {
		t.Errorf("%q, %v", b, err)
	}
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	if err := Lock(second); err != nil {
		t.Errorf("after the first was closed: %v", err)
	}
	if err := Lock(first); err == nil || errors.Is(err, ErrHeld) {
		t.Errorf("a closed file: %v", err)
	}
}
