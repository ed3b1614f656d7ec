// The Debian packages are built, looked at, installed and run.
package packagetest

import (
	"bytes"
	"context"
	"crypto/sha256"
	"debug/buildinfo"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"
)

// TestPackages builds the packages of the commit that is checked out, the one for
// this kind of computer in two folders, compares them, has lintian look at them,
// compares their bills of materials with what Go itself tells of the programs, and
// then installs, runs, upgrades, removes and purges the package in a Debian
// system: in a chroot, and with a systemd of its own where a system can be booted
// here. It takes minutes, and root:
// MAKEBREAK_ENDURANCE=1 go test -timeout 20m -v ./.package
func TestPackages(t *testing.T) {
	if os.Getenv("MAKEBREAK_ENDURANCE") == "" {
		t.Skip("takes minutes: MAKEBREAK_ENDURANCE=1 go test -timeout 20m -v ./.package")
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
		t.Fatal("a system is made and run: expected root")
	}
	if changes := run(t, "..", "git", "status", "--porcelain"); changes != "" {
		t.Logf("what is not committed is not looked at:\n%s", changes)
	}
	made := debian(t)
	dir := t.TempDir()
	tester := []string{"-c", "user.name=A tester", "-c", "user.email=tester@example.org", "-c", "commit.gpgSign=false", "-c", "tag.gpgSign=false"}
	version := func(from, name, tag string) {
		run(t, dir, "git", "clone", "-q", from, name)
		run(t, filepath.Join(dir, name), "git", append(tester, "commit", "-q", "--allow-empty", "-m", "A version")...)
		run(t, filepath.Join(dir, name), "git", append(tester, "tag", "--force", tag)...)
	}
	build := func(name string, boards ...string) (debs []string) {
		return strings.Fields(run(t, filepath.Join(dir, name), ".package/build", append([]string{filepath.Join(dir, "out-"+name)}, boards...)...))
	}
	here, err := filepath.Abs("..")
	if err != nil {
		t.Fatal(err)
	}
	version(here, "first", "v1.2.3")
	version("first", "second", "v1.2.4-rc1")
	run(t, dir, "git", "clone", "-q", "first", "elsewhere/first")

	first := build("first")
	if len(first) != 3 {
		t.Fatal(first)
	}
	// What differs by folder, time or chance does for each board: one is enough.
	again := build("elsewhere/first", "amd64")
	if len(again) != 1 || filepath.Base(first[0]) != filepath.Base(again[0]) || sum(t, first[0]) != sum(t, again[0]) {
		t.Errorf("two builds differ: %s %s", first[0], again)
	}
	for _, deb := range first {
		if !strings.Contains(filepath.Base(deb), "makebreak_1.2.3-1_") {
			t.Errorf("the version is not that of the tag: %s", deb)
		}
		billOfMaterials(t, deb)
	}
	dashboards(t, first[0])
	if out := run(t, dir, "lintian", append([]string{"--allow-root", "--display-level", ">=warning", "--fail-on", "error,warning"}, first...)...); out != "" {
		t.Errorf("lintian: %s", out)
	}
	second := build("second", "amd64")[0]
	base := made()
	t.Run("chroot", func(t *testing.T) { plain(t, system(t, base, first[0], second)) })
	t.Run("booted", func(t *testing.T) { booted(t, system(t, base, first[0], second)) })
}

// dashboards looks whether the examples find what the package brings, and
// Prometheus only what are rules.
func dashboards(t *testing.T, deb string) {
	root := t.TempDir()
	run(t, root, "dpkg-deb", "-x", deb, ".")
	examples := filepath.Join(root, "usr/share/doc/makebreak/examples")
	provisioning, err := os.ReadFile(filepath.Join(examples, "provisioning/dashboards/makebreak.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	_, path, _ := strings.Cut(string(provisioning), "path: ")
	path, _, _ = strings.Cut(path, "\n")
	for _, pattern := range []string{
		filepath.Join(root, path, "contact.json"),
		filepath.Join(root, "usr/share/makebreak/rules/alerts.yaml"),
		filepath.Join(examples, "provisioning/datasources/makebreak.yaml"),
		filepath.Join(examples, "prometheus/targets/*.yaml"),
		filepath.Join(examples, "alertmanager/messages.tmpl"),
	} {
		if found, err := filepath.Glob(pattern); err != nil || len(found) == 0 {
			t.Errorf("the package has no %s: %v", strings.TrimPrefix(pattern, root), err)
		}
	}
	rules, err := filepath.Glob(filepath.Join(root, "usr/share/makebreak/rules/*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range rules {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		// As Prometheus reads rule_files.
		if err := yaml.UnmarshalWithOptions(text, new(struct{ Groups []any }), yaml.Strict()); err != nil {
			t.Errorf("%s holds more than rules: %v", filepath.Base(file), err)
		}
	}
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

// debian begins to make a Debian system in the user's cache, if none is there;
// what it gives waits for it and tells the folder.
func debian(t *testing.T) func() string {
	cache, err := os.UserCacheDir()
	if err != nil {
		t.Fatal(err)
	}
	base := filepath.Join(cache, "makebreak-package", "bookworm")
	if _, err := os.Stat(base); err == nil {
		return func() string { return base }
	}
	if err := os.MkdirAll(filepath.Dir(base), 0o755); err != nil {
		t.Fatal(err)
	}
	run(t, ".", "rm", "-rf", "--one-file-system", base+".new")
	cmd := exec.CommandContext(t.Context(), "debootstrap", "--variant=minbase", "--include=systemd,systemd-sysv,udev,dbus", "bookworm", base+".new")
	began := time.Now()
	var out []byte
	made := make(chan error)
	go func() {
		var err error
		out, err = cmd.CombinedOutput()
		made <- err
	}()
	return func() string {
		if err := <-made; err != nil {
			t.Fatalf("%s: %v\n%s", cmd, err, out)
		}
		cost(t, began, cmd)
		if err := os.Rename(base+".new", base); err != nil {
			t.Fatal(err)
		}
		return base
	}
}

// system is a copy of a Debian system with both packages and the stories in it.
func system(t *testing.T, base, first, second string) string {
	root := filepath.Join(t.TempDir(), "root")
	run(t, ".", "cp", "-a", base, root)
	run(t, ".", "cp", first, filepath.Join(root, "first.deb"))
	run(t, ".", "cp", second, filepath.Join(root, "second.deb"))
	run(t, ".", "install", "-t", root, "-m755", "testdata/say.sh", "testdata/plain.sh", "testdata/booted.sh")
	return root
}

// plain has testdata/plain.sh run, for which a chroot is enough.
func plain(t *testing.T, root string) {
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_, port, _ := net.SplitHostPort(free.Addr().String())
	free.Close()
	// The mount ends with the script.
	told := run(t, ".", "unshare", "--mount", "sh", "-ec", `mount --bind /proc "$1/proc"; exec chroot "$1" /plain.sh "$2"`, "sh", root, port)
	tale(t, "testdata/plain.sh", told, "")
}

// booted boots the system and has testdata/booted.sh run in it. Not every machine
// can: a container may lack the rights or the control groups.
func booted(t *testing.T, root string) {
	for name, text := range map[string]string{
		"etc/systemd/system/story.service": "[Unit]\nSuccessAction=poweroff-force\nFailureAction=poweroff-force\n[Service]\nType=oneshot\nExecStart=/booted.sh\nStandardOutput=file:/story.txt\nStandardError=file:/story.err\n[Install]\nWantedBy=multi-user.target\n",
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
	began := time.Now()
	log, bootErr := boot.CombinedOutput()
	cost(t, began, boot)
	told, err := os.ReadFile(filepath.Join(root, "story.txt"))
	if errors.Is(err, fs.ErrNotExist) {
		// The package was not there yet, so it is none of its faults.
		t.Skipf("not run: no system can be booted here (%v), so that the unit's restrictions and the restart by an upgrade were not seen at work; the chroot saw the rest\n%s", bootErr, log)
	}
	if err != nil {
		t.Fatal(err)
	}
	complaints, err := os.ReadFile(filepath.Join(root, "story.err"))
	if err != nil {
		t.Fatal(err)
	}
	tale(t, "testdata/booted.sh", string(told), string(complaints))
}

// tale compares what a script told with the lines that it should have told.
func tale(t *testing.T, file, told, complaints string) {
	t.Helper()
	t.Logf("%s", told)
	script, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if n, want := strings.Count("\n"+told, "\nok "), strings.Count(string(script), "\nok \""); n != want || want < 20 || !strings.HasSuffix(told, "\nend\n") {
		t.Errorf("%d of %d are ok\n%s", n, want, complaints)
	}
}

// cost tells what a program that has ended took, if it is worth telling.
func cost(t *testing.T, began time.Time, cmd *exec.Cmd) {
	t.Helper()
	if p := cmd.ProcessState; p != nil && time.Since(began) > time.Second {
		t.Logf("%.0f s, %.0f s of processor time: %s", time.Since(began).Seconds(), (p.UserTime() + p.SystemTime()).Seconds(), cmd)
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
	began := time.Now()
	out, err := cmd.Output()
	cost(t, began, cmd)
	if err != nil {
		t.Fatalf("%s %s: %v\n%s%s", name, strings.Join(args, " "), err, out, &stderr)
	}
	return string(out)
}
