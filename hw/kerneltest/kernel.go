// Package kerneltest boots a stock Debian arm64 kernel that has simulated GPIO
// lines (gpio-sim) in an emulator and runs Go programs in it: real character
// devices, real edges, real kernel stamps, without hardware. The emulator
// counts instructions as time, so intervals are exact on a loaded machine and
// idle time costs nothing.
package kerneltest

import (
	"archive/tar"
	"bufio"
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

const keyring = "/usr/share/keyrings/debian-archive-keyring.gpg"

// suites are searched in order for the newest kernel that has gpio-sim; Debian
// 12 has none.
var suites = []string{"trixie-backports", "sid"}

// CacheDir is where kernels are kept, outside the repository.
func CacheDir() (string, error) {
	d, err := os.UserCacheDir()
	return filepath.Join(d, "makebreak-kerneltest"), err
}

// Cached reports whether dir holds a kernel, and which.
func Cached(dir string) (version string, ok bool) {
	b, err := os.ReadFile(filepath.Join(dir, "version"))
	return strings.TrimSpace(string(b)), err == nil
}

// Missing names the programs and files that this machine lacks for running a
// kernel, and with fetch for fetching one; each with what provides it.
func Missing(fetch bool) (missing []string) {
	need := [][2]string{{"qemu-system-aarch64", "package qemu-system-arm"}, {"go", "the Go distribution"}}
	if fetch {
		need = append(need, [2]string{"apt-get", "Debian"}, [2]string{"dpkg-deb", "Debian"})
		if _, err := os.Stat(keyring); err != nil {
			missing = append(missing, keyring+" (package debian-archive-keyring)")
		}
		if _, err := mirror("/etc/apt"); err != nil {
			missing = append(missing, err.Error())
		}
	}
	for _, n := range need {
		if _, err := exec.LookPath(n[0]); err != nil {
			missing = append(missing, n[0]+" ("+n[1]+")")
		}
	}
	return missing
}

// mirror gives the Debian mirror that this machine's own apt uses.
func mirror(etc string) (string, error) {
	files, _ := filepath.Glob(filepath.Join(etc, "sources.list.d", "*"))
	for _, f := range append([]string{filepath.Join(etc, "sources.list")}, files...) {
		if ext := filepath.Ext(f); ext != ".list" && ext != ".sources" {
			continue
		}
		b, err := os.ReadFile(f)
		if err != nil {
			continue
		}
		for line := range strings.Lines(string(b)) {
			if line = strings.TrimSpace(line); strings.HasPrefix(line, "#") {
				continue
			}
			for _, w := range strings.Fields(line) {
				if strings.Contains(w, "://") && strings.HasSuffix(strings.TrimRight(w, "/"), "/debian") {
					return w, nil
				}
			}
		}
	}
	return "", errors.New("a Debian mirror in " + etc)
}

// Fetch puts a kernel, the two modules that simulated lines need, and a file
// "version" that names them into dir. It uses apt-get with a state of its own:
// the packages of this system are neither read nor changed.
func Fetch(ctx context.Context, dir string, logf func(string, ...any)) error {
	return fill(dir, func(uri, work, out string) (version string, err error) {
		for _, suite := range suites {
			a, err := newApt(ctx, filepath.Join(work, suite), uri, suite)
			if err != nil {
				return "", err
			}
			kernels, err := a.kernels()
			if err != nil {
				return "", err
			}
			for _, k := range kernels {
				size, err := a.unpack(k, out)
				if err != nil {
					logf("kernel %s of %s: %v", k.version, suite, err)
					continue
				}
				return fmt.Sprintf("linux %s from %s, %d bytes downloaded\n", k.version, suite, size), nil
			}
		}
		return "", fmt.Errorf("no kernel with gpio-sim in %s", strings.Join(suites, ", "))
	})
}

// fill replaces dir, whole or not at all, by what get puts into out and the file
// "version". It can use work for itself, and the mirror at uri.
func fill(dir string, get func(uri, work, out string) (version string, err error)) error {
	uri, err := mirror("/etc/apt")
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(dir), 0o755); err != nil {
		return err
	}
	work, err := os.MkdirTemp(filepath.Dir(dir), "fetch-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(work)
	out := filepath.Join(work, "out")
	version, err := get(uri, work, out)
	if err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(out, "version"), []byte(version), 0o644); err != nil {
		return err
	}
	if err := os.RemoveAll(dir); err != nil {
		return err
	}
	return os.Rename(out, dir)
}

type apt struct {
	ctx context.Context
	dir string
}

type kernel struct {
	version  string
	packages []string
}

const flavour = "-cloud-arm64"

func newApt(ctx context.Context, dir, uri, suite string) (*apt, error) {
	a := &apt{ctx, dir}
	for _, d := range []string{"lists/partial", "cache/archives/partial"} {
		if err := os.MkdirAll(filepath.Join(dir, d), 0o755); err != nil {
			return nil, err
		}
	}
	source := fmt.Sprintf("deb [signed-by=%s] %s %s main\n", keyring, uri, suite)
	for name, text := range map[string]string{"status": "", "sources.list": source} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			return nil, err
		}
	}
	_, err := a.run("apt-get", "-o", "APT::Update::Error-Mode=any", "update")
	return a, err
}

func (a *apt) run(program string, args ...string) ([]byte, error) {
	options := []string{"-q"}
	for _, o := range []string{
		"APT::Architecture=arm64", "APT::Architectures::=arm64", "APT::Sandbox::User=root",
		"Dir::State=" + a.dir, "Dir::State::Lists=" + a.dir + "/lists", "Dir::State::status=" + a.dir + "/status",
		"Dir::Cache=" + a.dir + "/cache", "Dir::Etc::SourceList=" + a.dir + "/sources.list", "Dir::Etc::SourceParts=/dev/null",
		"Acquire::Languages=none", "Acquire::IndexTargets::deb::DEP-11::DefaultEnabled=false", "Acquire::Retries=5",
	} {
		options = append(options, "-o", o)
	}
	cmd := exec.CommandContext(a.ctx, program, append(options, args...)...)
	cmd.Dir = a.dir
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		err = fmt.Errorf("%s %s: %w\n%s", program, strings.Join(args, " "), err, stderr.Bytes())
	}
	return out, err
}

var kernelPackage = regexp.MustCompile(`^linux-(binary|image|modules)-([0-9][^-]*(?:-[0-9]+)?(?:\+[^-]*)?)` + flavour + `$`)

// kernels lists those of the flavour, the newest first. Newer kernels come as
// linux-binary and linux-modules, older ones as linux-image alone.
func (a *apt) kernels() ([]kernel, error) {
	names, err := a.run("apt-cache", "pkgnames", "linux-")
	if err != nil {
		return nil, err
	}
	parts := map[string][]string{}
	for name := range strings.Lines(string(names)) {
		if m := kernelPackage.FindStringSubmatch(strings.TrimSpace(name)); m != nil {
			parts[m[2]] = append(parts[m[2]], m[0])
		}
	}
	var out []kernel
	for v, p := range parts {
		binary := slices.ContainsFunc(p, func(s string) bool { return strings.HasPrefix(s, "linux-binary-") })
		modules := slices.ContainsFunc(p, func(s string) bool { return strings.HasPrefix(s, "linux-modules-") })
		p = slices.DeleteFunc(p, func(s string) bool { return strings.HasPrefix(s, "linux-image-") == (binary && modules) })
		if len(p) > 0 {
			out = append(out, kernel{v, p})
		}
	}
	slices.SortFunc(out, func(a, b kernel) int { return compareVersions(b.version, a.version) })
	return out, nil
}

var digits = regexp.MustCompile(`\d+`)

// compareVersions orders by the numbers in the versions.
func compareVersions(a, b string) int {
	number := func(s string) int { n, _ := strconv.Atoi(s); return n }
	x, y := digits.FindAllString(a, -1), digits.FindAllString(b, -1)
	return cmp.Or(slices.CompareFunc(x, y, func(a, b string) int { return cmp.Compare(number(a), number(b)) }), strings.Compare(a, b))
}

// unpack downloads a kernel's packages and unpacks the kernel and the two modules
// into out. It gives the number of bytes downloaded.
func (a *apt) unpack(k kernel, out string) (size int64, err error) {
	if err := os.RemoveAll(out); err != nil {
		return 0, err
	}
	if err := os.MkdirAll(filepath.Join(out, "mod"), 0o755); err != nil {
		return 0, err
	}
	if _, err := a.run("apt-get", append([]string{"download"}, k.packages...)...); err != nil {
		return 0, err
	}
	debs, _ := filepath.Glob(filepath.Join(a.dir, "*.deb"))
	bootable, simulates := false, false
	for _, deb := range debs {
		if fi, err := os.Stat(deb); err == nil {
			size += fi.Size()
		}
		if err := members(a.ctx, deb, func(name string, r io.Reader) error {
			base, to := filepath.Base(name), ""
			switch {
			case strings.HasPrefix(base, "vmlinuz"):
				bootable, to = true, "kernel"
			case strings.HasPrefix(base, "configfs.ko"):
				to = "mod/1-" + base // loaded in the order of the names
			case strings.HasPrefix(base, "gpio-sim.ko"):
				simulates, to = true, "mod/2-"+base
			default:
				return nil
			}
			return write(filepath.Join(out, to), r)
		}); err != nil {
			return size, err
		}
		os.Remove(deb)
	}
	if !bootable || !simulates {
		return size, errors.New("no gpio-sim in it")
	}
	return size, nil
}

// members calls f for each regular file of a .deb.
func members(ctx context.Context, deb string, f func(name string, r io.Reader) error) error {
	cmd := exec.CommandContext(ctx, "dpkg-deb", "--fsys-tarfile", deb)
	pipe, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return err
	}
	for r := tar.NewReader(bufio.NewReader(pipe)); ; {
		h, err := r.Next()
		if err == io.EOF {
			return cmd.Wait()
		}
		if err == nil && h.Typeflag == tar.TypeReg {
			err = f(h.Name, r)
		}
		if err != nil {
			cmd.Process.Kill()
			cmd.Wait()
			return fmt.Errorf("unpack %s: %w", filepath.Base(deb), err)
		}
	}
}

func write(path string, r io.Reader) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	_, err = io.Copy(f, r)
	return errors.Join(err, f.Close())
}
