package kerneltest

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
)

// monitors are the kernel tools' gpiomon of libgpiod 1 and 2, by the Debian
// suites that have them for arm64.
var monitors = []struct{ version, suite, library string }{
	{"1", "bookworm", "libgpiod2"},
	{"2", "trixie", "libgpiod3"},
}

// monitorFile is what a monitor needs of its packages. A library has the name
// that the loader looks for.
var monitorFile = regexp.MustCompile(`/(gpiomon|ld-linux-aarch64\.so\.1|libc\.so\.6|libgpiod\.so\.[0-9]+)(\.[0-9.]+)?$`)

// FetchMonitors puts each gpiomon with its loader and libraries into a folder
// of dir, named by the version of libgpiod, and their packages into a file
// "version". It uses apt-get as Fetch does.
func FetchMonitors(ctx context.Context, dir string) error {
	return fill(dir, func(uri, work, out string) (versions string, err error) {
		for _, m := range monitors {
			to := filepath.Join(out, m.version)
			if err := os.MkdirAll(to, 0o755); err != nil {
				return "", err
			}
			a, err := newApt(ctx, filepath.Join(work, m.suite), uri, m.suite)
			if err != nil {
				return "", err
			}
			if _, err := a.run("apt-get", "download", "gpiod", m.library, "libc6"); err != nil {
				return "", err
			}
			debs, _ := filepath.Glob(filepath.Join(a.dir, "*.deb"))
			for _, deb := range debs {
				if err := members(ctx, deb, func(name string, r io.Reader) error {
					if f := monitorFile.FindStringSubmatch(name); f != nil {
						return write(filepath.Join(to, f[1]), r)
					}
					return nil
				}); err != nil {
					return "", err
				}
				versions += strings.TrimSuffix(filepath.Base(deb), ".deb") + "\n"
			}
			if files, _ := filepath.Glob(filepath.Join(to, "*")); len(files) != 4 {
				return "", fmt.Errorf("gpiomon of %s: found %q: expected program, loader and two libraries", m.suite, files)
			}
		}
		return versions, nil
	})
}
