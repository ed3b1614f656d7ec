package filelock

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"testing"
)

func TestLock(t *testing.T) { testLock(t, Lock) }

func TestLockFar(t *testing.T) {
	if runtime.GOOS != "linux" && runtime.GOOS != "windows" {
		t.Skip("it does nothing here")
	}
	testLock(t, LockFar)
}

// One file at a time has the lock; the others can still read and write, and
// closing lets the next one in.
func testLock(t *testing.T, lock func(*os.File) error) {
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
	if err := lock(first); err != nil {
		t.Fatal(err)
	}
	if err := lock(second); !errors.Is(err, ErrHeld) {
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
	if err := lock(second); err != nil {
		t.Errorf("after the first was closed: %v", err)
	}
	if err := lock(first); err == nil || errors.Is(err, ErrHeld) {
		t.Errorf("a closed file: %v", err)
	}
}
