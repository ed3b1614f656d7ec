// The Debian packages are built, looked at, installed and run.
package packagetest

import (
	"bytes"
	"context"
	"crypto/sha256"
	"debug/buildinfo"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// TestPackages builds the packages of the commit that is checked out in two
// folders, compares them, has lintian look at them, compares their bills of
// materials with what Go itself tells of the programs, and then boots a Debian
// system, in which the package is installed, run, upgraded, removed and purged.
// It takes minutes, and root: MAKEBREAK_ENDURANCE=1 go test -timeout 20m ./.package
func TestPackages(t *testing.T) {
	if os.Getenv("MAKEBREAK_ENDURANCE") == "" {
		t.Skip("takes minutes: MAKEBREAK_ENDURANCE=1 go test -timeout 20m ./.package")
	}
	for _, program := range []string{"lintian", "debootstrap", "systemd-nspawn", "git"} {
		if _, err := exec.LookPath(program); err != nil {
			if os.Getenv("MAKEBREAK_TESTS") == "require" {
				t.Fatal(err)
			}
			t.Skipf("%v; MAKEBREAK_TESTS=require makes this a failure", err)
		}
	}
	if os.Geteuid() != 0 {
		t.Fatal("a system is booted: expected root")
	}
	if changes := run(t, "..", "git", "status", "--porcelain"); changes != "" {
		t.Logf("what is not committed is not looked at:\n%s", changes)
	}
	dir := t.TempDir()
	build := func(name string, boards ...string) (debs []string) {
		return strings.Fields(run(t, filepath.Join(dir, name), ".package/build", append([]string{filepath.Join(dir, "out-"+name)}, boards...)...))
	}
	for _, name := range []string{"first", "elsewhere/first"} {
		run(t, "..", "git", "clone", "-q", ".", filepath.Join(dir, name))
		run(t, filepath.Join(dir, name), "git", "-c", "tag.gpgSign=false", "tag", "--force", "v1.2.3")
	}
	first, again := build("first"), build("elsewhere/first")
	if len(first) != 3 || len(again) != 3 {
		t.Fatal(first, again)
	}
	for i, deb := range first {
		if filepath.Base(deb) != filepath.Base(again[i]) || sum(t, deb) != sum(t, again[i]) {
			t.Errorf("two builds differ: %s %s", deb, again[i])
		}
		if !strings.Contains(filepath.Base(deb), "makebreak_1.2.3-1_") {
			t.Errorf("the version is not that of the tag: %s", deb)
		}
		billOfMaterials(t, deb)
	}
	if out := run(t, dir, "lintian", append([]string{"--allow-root", "--display-level", ">=warning", "--fail-on", "error,warning"}, first...)...); out != "" {
		t.Errorf("lintian: %s", out)
	}

	run(t, dir, "git", "clone", "-q", "first", "second")
	second := filepath.Join(dir, "second")
	run(t, second, "git", "-c", "user.name=A tester", "-c", "user.email=tester@example.org", "-c", "commit.gpgSign=false", "commit", "-q", "--allow-empty", "-m", "A later one")
	run(t, second, "git", "-c", "tag.gpgSign=false", "tag", "v1.2.4-rc1")
	story(t, first[0], build("second", "amd64")[0])
}

// billOfMaterials compares what the package says it contains with what Go's own
// library reads in the program.
func billOfMaterials(t *testing.T, deb string) {
	root := t.TempDir()
	run(t, root, "dpkg-deb", "-x", deb, ".")
	info, err := buildinfo.ReadFile(filepath.Join(root, "usr/bin/makebreak"))
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(root, "usr/share/doc/makebreak/makebreak.cdx.json"))
	if err != nil {
		t.Fatal(err)
	}
	beside, err := os.ReadFile(strings.TrimSuffix(deb, ".deb") + ".cdx.json")
	if err != nil || !bytes.Equal(text, beside) {
		t.Errorf("the bill of materials beside %s is another: %v", deb, err)
	}
	var bill struct {
		BOMFormat string
		Metadata  struct {
			Timestamp string
			Component struct{ Name, Version string }
		}
		Components []struct{ Name, Version string }
	}
	if err := json.Unmarshal(text, &bill); err != nil {
		t.Fatal(err)
	}
	if c := bill.Metadata.Component; bill.BOMFormat != "CycloneDX" || c.Name != "makebreak" || c.Version != "v1.2.3" || bill.Metadata.Timestamp != "" {
		t.Errorf("%s: %s %+v", deb, bill.BOMFormat, bill.Metadata)
	}
	want, got := map[string]string{"std": info.GoVersion}, map[string]string{}
	for _, m := range info.Deps {
		want[m.Path] = m.Version
	}
	for _, c := range bill.Components {
		got[c.Name] = c.Version
	}
	if diff := cmp.Diff(want, got); diff != "" || len(want) < 20 {
		t.Errorf("%s: modules of the program and of the bill: %s", deb, diff)
	}
}

// story boots a Debian system and has testdata/story.sh run in it.
func story(t *testing.T, first, second string) {
	cache, err := os.UserCacheDir()
	if err != nil {
		t.Fatal(err)
	}
	base := filepath.Join(cache, "makebreak-package", "bookworm")
	if _, err := os.Stat(base); err != nil {
		began := time.Now()
		if err := os.MkdirAll(filepath.Dir(base), 0o755); err != nil {
			t.Fatal(err)
		}
		run(t, ".", "debootstrap", "--variant=minbase", "--include=systemd,systemd-sysv,udev,dbus", "bookworm", base+".new")
		if err := os.Rename(base+".new", base); err != nil {
			t.Fatal(err)
		}
		t.Logf("made a Debian system in %.0f s", time.Since(began).Seconds())
	}
	root := filepath.Join(t.TempDir(), "root")
	run(t, ".", "cp", "-a", base, root)
	run(t, ".", "cp", first, filepath.Join(root, "first.deb"))
	run(t, ".", "cp", second, filepath.Join(root, "second.deb"))
	run(t, ".", "install", "-m755", "testdata/story.sh", filepath.Join(root, "story.sh"))
	for name, text := range map[string]string{
		"etc/systemd/system/story.service": "[Unit]\nSuccessAction=poweroff-force\nFailureAction=poweroff-force\n[Service]\nType=oneshot\nExecStart=/story.sh\nStandardOutput=file:/story.txt\nStandardError=file:/story.err\n[Install]\nWantedBy=multi-user.target\n",
		"etc/machine-id":                   strings.Repeat("1", 32) + "\n",
	} {
		if err := os.WriteFile(filepath.Join(root, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	run(t, ".", "chroot", root, "systemctl", "--quiet", "enable", "story.service")
	ctx, cancel := context.WithTimeout(t.Context(), 4*time.Minute)
	defer cancel()
	boot := exec.CommandContext(ctx, "systemd-nspawn", "--directory="+root, "--boot", "--register=no", "--keep-unit", "--private-network", "--machine=makebreak-package")
	log, bootErr := boot.CombinedOutput()
	told, err := os.ReadFile(filepath.Join(root, "story.txt"))
	if err != nil {
		t.Fatalf("%v: %v: %s", err, bootErr, log)
	}
	t.Logf("%s", told)
	script, err := os.ReadFile("testdata/story.sh")
	if err != nil {
		t.Fatal(err)
	}
	if n, want := strings.Count("\n"+string(told), "\nok "), strings.Count(string(script), "\nok \""); n != want || want < 30 || !strings.HasSuffix(string(told), "\nend\n") {
		errors, _ := os.ReadFile(filepath.Join(root, "story.err"))
		t.Errorf("%d of %d are ok\n%s", n, want, errors)
	}
}

func sum(t *testing.T, name string) string {
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		t.Fatal(err)
	}
	return fmt.Sprintf("%x", h.Sum(nil))
}

// run runs a program and gives what it wrote.
func run(t *testing.T, dir, name string, args ...string) string {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), name, args...)
	cmd.Dir = dir
	if strings.HasPrefix(name, ".") {
		cmd.Path = filepath.Join(dir, name)
	}
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s%s", name, strings.Join(args, " "), err, out, &stderr)
	}
	return string(out)
}
