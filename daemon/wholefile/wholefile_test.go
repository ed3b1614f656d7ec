package wholefile

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func names(t *testing.T, dir string) (names []string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

// A file has its name when it is whole, and never before.
func TestKeep(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "cells.csv")
	f, err := Create(path, false)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString("whole\n"); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("before it is whole: %v", err)
	}
	if err := f.Keep(nil); err != nil {
		t.Fatal(err)
	}
	f.Discard() // too late: it is kept
	if b, err := os.ReadFile(path); err != nil || string(b) != "whole\n" || len(names(t, dir)) != 1 {
		t.Errorf("%q, %v, %q", b, err, names(t, dir))
	}
}

// What fails leaves what was there.
func TestKeepFails(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "cells.csv")
	if err := os.WriteFile(path, []byte("former"), 0o644); err != nil {
		t.Fatal(err)
	}
	f, err := Create(path, true)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Keep(errors.New("the disk is full")); err == nil || err.Error() != "write "+path+": the disk is full" {
		t.Errorf("%v", err)
	}
	f.Discard()
	if b, _ := os.ReadFile(path); string(b) != "former" || len(names(t, dir)) != 1 {
		t.Errorf("%q, %q", b, names(t, dir))
	}
	(*File)(nil).Discard()
}

// A file that has come meanwhile is not replaced unasked.
func TestKeepReplacesNothing(t *testing.T) {
	for _, replace := range []bool{false, true} {
		dir := t.TempDir()
		path := filepath.Join(dir, "cells.csv")
		f, err := Create(path, replace)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte("meanwhile"), 0o644); err != nil {
			t.Fatal(err)
		}
		err = f.Keep(nil)
		f.Discard()
		if b, _ := os.ReadFile(path); (err == nil) != replace || (string(b) == "meanwhile") == replace || len(names(t, dir)) != 1 {
			t.Errorf("replace %v: %v, %q, %q", replace, err, b, names(t, dir))
		}
	}
}

func TestCheck(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "there")
	if err := os.WriteFile(path, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	for name, says := range map[string]string{
		path:                               path + ": the file exists: choose another name",
		dir:                                "a directory: expected the name of a file",
		"-":                                "-: expected the name of a file",
		filepath.Join(path, "x"):           "not a directory",
		filepath.Join(dir, "nowhere", "x"): "",
	} {
		if _, err := Check(name, false); says == "" && err != nil || says != "" && (err == nil || !strings.Contains(err.Error(), says)) {
			t.Errorf("%s: %v", name, err)
		} else if errors.Is(err, fs.ErrExist) != (name == path) {
			t.Errorf("%s: exists: %v", name, err)
		}
	}
	if _, err := Create(filepath.Join(dir, "nowhere", "x"), false); err == nil || !strings.Contains(err.Error(), "cannot write there") {
		t.Errorf("%v", err)
	}
	link := filepath.Join(dir, "link")
	if err := os.Symlink(path, link); err != nil {
		t.Skip(err)
	}
	real, err := Check(link, true)
	if want, _ := filepath.EvalSymlinks(path); err != nil || real != want {
		t.Errorf("%q, %v", real, err)
	}
}
