//go:build unix && !linux

package main

import "github.com/rogpeppe/go-internal/testscript"

func makeLog(ts *testscript.TestScript, _ bool, _ []string) {
	ts.Fatalf("a log is written on Linux only")
}

func newLog(ts *testscript.TestScript, _ bool, _ []string) {
	ts.Fatalf("a log is written on Linux only")
}
