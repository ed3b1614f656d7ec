//go:build guest

package guest

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"makebreak/hw"
	"makebreak/pulse"
)

// monitor starts the kernel tools' gpiomon of libgpiod 2. Its result is what it
// printed until its end.
func (b *bank) monitor(t testing.TB, lines []int, args ...string) (printed func() string) {
	t.Helper()
	const dir = "/gpiomon2"
	cmd := exec.Command(dir+"/ld-linux-aarch64.so.1", append([]string{"--library-path", dir, dir + "/gpiomon"}, args...)...)
	var out, complaint bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &complaint
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() {
		cmd.Wait()
		close(ended)
	}()
	t.Cleanup(func() {
		cmd.Process.Kill()
		<-ended
	})
	for _, line := range lines {
		until(t, fmt.Sprintf("gpiomon has line %d", line), func() bool {
			select {
			case <-ended:
				t.Fatalf("gpiomon: %v\n%s", cmd.ProcessState, complaint.String())
			default:
			}
			v, err := hw.Lines()
			if err != nil {
				t.Fatal(err)
			}
			l, err := v.Resolve(fmt.Sprintf("%s:%d", b.chip, line))
			return err == nil && l.Used
		})
	}
	return func() string {
		t.Helper()
		select {
		case <-ended:
		case <-time.After(time.Hour):
			t.Fatal("gpiomon does not end")
		}
		if !cmd.ProcessState.Success() {
			t.Fatalf("gpiomon: %v\n%s", cmd.ProcessState, complaint.String())
		}
		return out.String()
	}
}

// What gpiomon of libgpiod 1 prints: it cannot wait for edges in a kernel without
// the first form of the kernel's interface, as this one is, so its lines are made
// by the formats that its own binary holds.
func TestGpiomonOne(t *testing.T) {
	const format = "event: %s offset: %u timestamp: [%8ld.%09ld]\n"
	edges := [2]string{"FALLING EDGE", " RISING EDGE"}
	tool, err := os.ReadFile("/gpiomon1/gpiomon")
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{format, edges[0], edges[1]} {
		if !bytes.Contains(tool, append([]byte(text), 0)) {
			t.Errorf("%q is not in the tool", text)
		}
	}
	goFormat := strings.NewReplacer("%u", "%d", "ld", "d").Replace(format)
	want := []pulse.Edge{{At: 123_456_789_012, Level: pulse.High}, {At: 123_456_789_912}, {At: 1_123_456_789_000_000_012, Level: pulse.High}}
	var text strings.Builder
	for _, e := range want {
		fmt.Fprintf(&text, goFormat, edges[e.Level], 17, e.At/1e9, e.At%1e9)
	}
	t.Log("\n" + text.String())
	src, err := hw.OpenRecording(strings.NewReader(text.String()), hw.RecordingOptions{Contact: "17"})
	if err != nil {
		t.Fatal(err)
	}
	if got := collect(t, src, len(want))(); !slices.Equal(got, want) {
		t.Errorf("read as %v", got)
	}
}

// What gpiomon of libgpiod 2 prints of two lines is read as a recording of two contacts, each
// edge at the time when the line moved.
func TestGpiomonTwo(t *testing.T) {
	b := newBank(t, "tools", "HOOK", "SECOND", "")
	for _, c := range []struct {
		name     string
		args     []string
		lines    [2]int
		contacts [2]string
	}{
		{"libgpiod 2 by number", []string{"--num-events=25", "--chip=" + b.chip, "0", "2"}, [2]int{0, 2}, [2]string{"HOOK", b.chip + " 2"}},
		{"libgpiod 2 by name", []string{"--num-events=25", "HOOK", "SECOND"}, [2]int{0, 1}, [2]string{"HOOK", "SECOND"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			hook, other := b.contact(t, c.lines[0]), b.contact(t, c.lines[1])
			hook.set(pulse.Low)
			other.set(pulse.Low)
			printed := b.monitor(t, c.lines[:], c.args...)
			driven := [2][]write{hook.train(21, 60*ms, 40*ms), other.train(4, 100*ms)}
			text := printed()
			t.Log("printed\n" + text)
			file := filepath.Join(t.TempDir(), "printed.txt")
			if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
			for i, contact := range c.contacts {
				src, err := hw.OpenRecordingFile(file, nil, hw.RecordingOptions{Contact: contact})
				if err != nil {
					t.Fatal(err)
				}
				got := collect(t, src, len(driven[i]))()
				for j := range got {
					got[j].Seq = uint32(j + 1) // it prints none
				}
				compare(t, got, driven[i])
				src.Close()
			}
			var m measured
			start(t, "measure", file, "--contact", c.contacts[0], "--kind", "dial", "--json").status(0).json(&m)
			if d := m.Dial; d == nil || d.Pulses != 10 || math.Abs(d.RatePPS.Overall.V-10) > 1e-3 { // ten breaks of 40 ms between eleven makes of 60 ms
				t.Errorf("%+v", m.Dial)
			}
			r := start(t, "measure", file).status(2)
			r.says("several contacts")
			if !strings.Contains(r.stderr.String(), c.contacts[1]) {
				t.Error(r.stderr.String())
			}
		})
	}
}
