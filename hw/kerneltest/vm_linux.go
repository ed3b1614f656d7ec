package kerneltest

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
)

// A VM is one run of a program in the emulated machine.
type VM struct {
	Kernel string            // folder that Fetch filled
	Init   string            // the built program ./init
	Files  map[string]string // further files: path in the machine -> path here; all are executable
	Args   []string          // program of the machine to run, and its arguments
}

// Run boots, copies what the program prints to out line by line, and gives
// the program's exit status. Where the machine stops without one, the error holds
// what the console said.
func (vm *VM) Run(ctx context.Context, out io.Writer) (status int, err error) {
	tmp, err := os.MkdirTemp("", "makebreak-vm-")
	if err != nil {
		return 0, err
	}
	defer os.RemoveAll(tmp)
	initrd := filepath.Join(tmp, "initrd")
	if err := vm.writeInitrd(initrd); err != nil {
		return 0, err
	}
	console := filepath.Join(tmp, "console")
	cmd := exec.CommandContext(ctx, "qemu-system-aarch64",
		"-M", "virt", "-cpu", "cortex-a53", "-m", "512", "-smp", "1", // "max" is several times slower
		"-nodefaults", "-no-user-config", "-display", "none", "-monitor", "none", "-no-reboot",
		"-kernel", filepath.Join(vm.Kernel, "kernel"), "-initrd", initrd,
		"-append", "console=ttyAMA0 panic=-1 quiet mitigations=off nokaslr cryptomgr.notests random.trust_cpu=on",
		"-serial", "file:"+console,
		"-device", "virtio-serial-pci",
		"-chardev", "stdio,id=out,signal=off", "-device", "virtserialport,chardev=out,name=out",
		// One instruction is one nanosecond and idle time is skipped.
		"-icount", "shift=0,sleep=off", "-rtc", "base=2026-01-01T00:00:00,clock=vm", "-seed", "1")
	// The emulator dies with the thread that started it, however that ends.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	stdin, err := cmd.StdinPipe() // its stdio device wants an input that does not end
	if err != nil {
		return 0, err
	}
	defer stdin.Close()
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		return 0, err
	}
	if err := cmd.Start(); err != nil {
		return 0, err
	}
	status = -1
	lines := bufio.NewReader(stdout)
	for {
		line, err := lines.ReadString('\n')
		if s, ok := strings.CutPrefix(line, resultMark); ok {
			status, _ = strconv.Atoi(strings.TrimSpace(s))
		} else if _, e := io.WriteString(out, line); e != nil {
			cmd.Process.Kill()
		}
		if err != nil {
			break
		}
	}
	err = cmd.Wait()
	if status < 0 {
		said, _ := os.ReadFile(console)
		return status, fmt.Errorf("the machine gave no result (%v)\n%s%s", cmp.Or(ctx.Err(), err), said, complaint.Bytes())
	}
	return status, nil
}

// resultMark begins the line in which ./init gives the exit status.
const resultMark = "\x1eresult "

func (vm *VM) writeInitrd(path string) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer f.Close()
	c := &cpio{w: bufio.NewWriterSize(f, 1<<20)}
	made := []string{"dev", "proc", "sys", "tmp", "mod", "etc"}
	for _, d := range made {
		c.entry(d, syscall.S_IFDIR|0o755, nil, 0, 0)
	}
	// Go's runtime opens /dev/null before anything can be mounted.
	c.entry("dev/console", syscall.S_IFCHR|0o600, nil, 5, 1)
	c.entry("dev/null", syscall.S_IFCHR|0o666, nil, 1, 3)
	c.entry("etc/passwd", syscall.S_IFREG|0o644, []byte("root:x:0:0::/:/\n"), 0, 0)
	c.entry("etc/group", syscall.S_IFREG|0o644, []byte("root:x:0:\ngpio:x:986:\n"), 0, 0)
	c.entry("args", syscall.S_IFREG|0o644, []byte(strings.Join(vm.Args, "\x00")), 0, 0)
	c.file("init", vm.Init)
	modules, err := filepath.Glob(filepath.Join(vm.Kernel, "mod", "*"))
	if err != nil {
		return err
	}
	for _, m := range modules {
		c.file("mod/"+filepath.Base(m), m)
	}
	for _, to := range slices.Sorted(maps.Keys(vm.Files)) {
		name := strings.TrimPrefix(to, "/")
		for i, r := range name { // the folders above it
			if d := name[:i]; r == '/' && !slices.Contains(made, d) {
				c.entry(d, syscall.S_IFDIR|0o755, nil, 0, 0)
				made = append(made, d)
			}
		}
		c.file(name, vm.Files[to])
	}
	c.entry("TRAILER!!!", 0, nil, 0, 0)
	return errors.Join(c.err, c.w.Flush())
}

// A cpio writes the "newc" format by hand, so that device nodes need no root.
type cpio struct {
	w   *bufio.Writer
	ino int
	err error
}

func (c *cpio) file(name, from string) {
	b, err := os.ReadFile(from)
	if err != nil {
		c.err = errors.Join(c.err, fmt.Errorf("initrd: %w", err))
	}
	c.entry(name, syscall.S_IFREG|0o755, b, 0, 0)
}

func (c *cpio) entry(name string, mode uint32, data []byte, major, minor int) {
	c.ino++
	c.put(fmt.Appendf(nil, "070701%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%s\x00",
		c.ino, mode, 0, 0, 1, 0, len(data), 0, 0, major, minor, len(name)+1, 0, name))
	c.put(data)
}

func (c *cpio) put(b []byte) {
	c.w.Write(b)
	c.w.Write(make([]byte, -len(b)&3))
}

// Build compiles a package of this module for the machine; goarch is "arm64"
// or "arm" (ARMv6). The package is a command, or with tags a test.
func Build(ctx context.Context, out, goarch, pkg, testTags string) error {
	args := []string{"build"}
	if testTags != "" {
		args = []string{"test", "-c", "-tags", testTags}
	}
	cmd := exec.CommandContext(ctx, "go", append(args, "-ldflags=-s -w", "-o", out, pkg)...)
	cmd.Env = append(os.Environ(), "GOOS=linux", "GOARCH="+goarch, "GOARM=6", "CGO_ENABLED=0", "GOFLAGS=")
	if b, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("build %s for %s: %w\n%s", pkg, goarch, err, b)
	}
	if _, err := os.Stat(out); errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("build %s for %s: it has no tests", pkg, goarch)
	}
	return nil
}
