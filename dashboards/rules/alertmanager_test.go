package rules

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"net"
	"net/http"
	"net/mail"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// mailbox takes mail by SMTP (RFC 5321), as much of it as Alertmanager speaks.
func mailbox(t *testing.T) (addr string, mails <-chan *mail.Message) {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { ln.Close() })
	taken := make(chan *mail.Message, 10)
	serve := func(conn net.Conn) {
		defer conn.Close()
		in := bufio.NewReader(conn)
		fmt.Fprint(conn, "220 mail.marrow-quay.example\r\n")
		for {
			line, err := in.ReadString('\n')
			if err != nil {
				return
			}
			switch verb := strings.ToUpper(strings.Fields(line + " .")[0]); verb {
			case "DATA":
				fmt.Fprint(conn, "354 go on\r\n")
				var text bytes.Buffer
				for {
					line, err := in.ReadString('\n')
					if err != nil {
						return
					}
					if line == ".\r\n" {
						break
					}
					text.WriteString(strings.TrimPrefix(line, "."))
				}
				m, err := mail.ReadMessage(&text)
				if err != nil {
					fmt.Fprint(conn, "554 no message\r\n")
					continue
				}
				taken <- m
				fmt.Fprint(conn, "250 taken\r\n")
			case "QUIT":
				fmt.Fprint(conn, "221 end\r\n")
				return
			default:
				fmt.Fprint(conn, "250 mail.marrow-quay.example\r\n")
			}
		}
	}
	go func() {
		for {
			conn, err := ln.Accept()
			if err != nil {
				return
			}
			go serve(conn)
		}
	}()
	return ln.Addr().String(), taken
}

// body is the plain text of a message.
func body(t *testing.T, m *mail.Message) string {
	t.Helper()
	_, params, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
	if err != nil {
		t.Fatal(err)
	}
	part, err := multipart.NewReader(m.Body, params["boundary"]).NextPart()
	if err != nil {
		t.Fatal(err)
	}
	if kind := part.Header.Get("Content-Type"); kind != "text/plain; charset=UTF-8" {
		t.Errorf("the first part is %s", kind)
	}
	text, err := io.ReadAll(part)
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(strings.ReplaceAll(string(text), "\r\n", "\n"))
}

// A real Alertmanager with the example, whose mail goes to a mailbox of this
// test without TLS and after 5 s, writes what a technician needs and holds
// back what it should.
func TestMailsOfARealAlertmanager(t *testing.T) {
	program, err := exec.LookPath("prometheus-alertmanager")
	if err != nil {
		if os.Getenv("MAKEBREAK_TESTS") == "require" {
			t.Fatal(err)
		}
		t.Skipf("%v; MAKEBREAK_TESTS=require makes this a failure", err)
	}
	t.Parallel()
	smtp, mails := mailbox(t)
	dir := t.TempDir()
	for _, file := range []string{"alertmanager.yaml", "messages.tmpl"} {
		text, err := os.ReadFile("../alertmanager/" + file)
		if err != nil {
			t.Fatal(err)
		}
		if file == "alertmanager.yaml" {
			for _, x := range [][2]string{{"mail.marrow-quay.example:587", smtp}, {"smtp_require_tls: true", "smtp_require_tls: false"}, {"group_wait: 1m", "group_wait: 5s"}} {
				if bytes.Count(text, []byte(x[0])) != 1 {
					t.Fatalf("not once in the example: %s", x[0])
				}
				text = bytes.Replace(text, []byte(x[0]), []byte(x[1]), 1)
			}
		}
		if err := os.WriteFile(filepath.Join(dir, file), text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := ln.Addr().String()
	ln.Close()
	var log bytes.Buffer
	cmd := exec.CommandContext(t.Context(), program, "--config.file="+filepath.Join(dir, "alertmanager.yaml"), "--storage.path="+filepath.Join(dir, "data"),
		"--web.listen-address="+addr, "--cluster.listen-address=")
	cmd.Stdout, cmd.Stderr = &log, &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
		if t.Failed() {
			t.Log(log.String())
		}
	})
	api := "http://" + addr + "/api/v2/alerts"
	await := func(what string, f func() error) {
		t.Helper()
		var err error
		for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
			if err = f(); err == nil {
				return
			}
		}
		t.Fatalf("%s: %v", what, err)
	}
	type alert struct {
		Labels      map[string]string `json:"labels"`
		Annotations map[string]string `json:"annotations"`
		StartsAt    string            `json:"startsAt,omitempty"`
		Status      struct {
			InhibitedBy []string `json:"inhibitedBy"`
		} `json:"status"`
	}
	begun := time.Now().UTC() // what began earlier would not wait for others of its group
	of := func(name, exchange, instance, contact, urgency string) alert {
		a := alert{Labels: map[string]string{"alertname": name, "exchange": exchange, "urgency": urgency}, StartsAt: begun.Format(time.RFC3339Nano)}
		if instance != "" {
			a.Labels["instance"] = instance
		}
		if contact != "" {
			a.Labels["contact"] = contact
		}
		a.Annotations = map[string]string{"summary": name + " of " + exchange + contact, "description": "What happens.", "look": "What to look at."}
		return a
	}
	out := of("ContactOutOfLimit", "marrow-quay", "pi-1:7610", "busy-cam", "today")
	out.Annotations = map[string]string{
		"summary": "busy-cam at marrow-quay: percent break out of limit", "description": "Values were beyond the limit.",
		"figure": "about 60 values out in the last 20 minutes", "limit": "at most 55%", "look": "The springs.", "caution": "Caution: ±130 V.",
	}
	alerts := []alert{
		out,
		of("ContactLimitNear", "marrow-quay", "pi-1:7610", "busy-cam", "today"),
		of("ContactLimitNear", "marrow-quay", "pi-1:7610", "other-cam", "today"),
		of("MakebreakDown", "harbour", "pi-2:7610", "", "today"),
		of("ContactMissing", "harbour", "pi-2:7610", "cam", "today"),
		of("ContactMissing", "harbour", "pi-3:7610", "cam-of-another-computer", "today"),
		of("ExchangeStandsStill", "lighthouse", "", "", "today"),
		of("ContactStuck", "lighthouse", "pi-4:7610", "cam", "today"),
		of("ContactMissing", "lighthouse", "pi-4:7610", "cam", "today"),
		of("ContactSourceDown", "quarry", "pi-5:7610", "cam", "today"),
		of("ContactNoEdges", "quarry", "pi-5:7610", "cam", "today"),
		of("ContactNoEdges", "quarry", "pi-5:7610", "wired", "today"),
	}
	wantHeld := []string{"ContactLimitNear busy-cam", "ContactMissing cam harbour", "ContactNoEdges cam", "ContactStuck cam"}
	sent, err := json.Marshal(alerts)
	if err != nil {
		t.Fatal(err)
	}
	await("the alerts are taken", func() error {
		resp, err := http.Post(api, "application/json", bytes.NewReader(sent))
		if err != nil {
			return err
		}
		defer resp.Body.Close()
		if resp.StatusCode != http.StatusOK {
			text, _ := io.ReadAll(resp.Body)
			return fmt.Errorf("%s %s", resp.Status, text)
		}
		return nil
	})
	await("some are held back", func() error {
		resp, err := http.Get(api)
		if err != nil {
			return err
		}
		defer resp.Body.Close()
		var got []alert
		if err := json.NewDecoder(resp.Body).Decode(&got); err != nil {
			return err
		}
		var held []string
		for _, a := range got {
			if len(a.Status.InhibitedBy) > 0 {
				s := a.Labels["alertname"] + " " + a.Labels["contact"]
				if a.Labels["alertname"] == "ContactMissing" {
					s += " " + a.Labels["exchange"]
				}
				held = append(held, s)
			}
		}
		slices.Sort(held)
		if diff := cmp.Diff(wantHeld, held); diff != "" || len(got) != len(alerts) {
			return fmt.Errorf("%d alerts; held back: %s", len(got), diff)
		}
		return nil
	})

	// What is of the opening hours may come or not, as the time of day has it.
	bySubject := map[string]*mail.Message{}
	want := []string{
		"TODAY: busy-cam at marrow-quay (ContactOutOfLimit)", "TODAY: other-cam at marrow-quay (ContactLimitNear)",
		"TODAY: harbour (MakebreakDown)", "TODAY: cam-of-another-computer at harbour (ContactMissing)",
		"TODAY: cam at lighthouse (ContactMissing)", "TODAY: cam at quarry (ContactSourceDown)",
	}
	hours := []string{"TODAY: lighthouse (ExchangeStandsStill)", "TODAY: wired at quarry (ContactNoEdges)"}
	for missing := len(want); missing > 0; {
		select {
		case m := <-mails:
			subject := m.Header.Get("Subject")
			bySubject[subject] = m
			if slices.Contains(want, subject) {
				missing--
			} else if !slices.Contains(hours, subject) {
				t.Errorf("a mail that nobody wants: %s", subject)
			}
		case <-time.After(30 * time.Second):
			t.Fatalf("no more mail; there were %v", bySubject)
		}
	}
	m := bySubject[want[0]]
	if to, from := m.Header.Get("To"), m.Header.Get("From"); to != "on-call@marrow-quay.example" || from != "alerts@marrow-quay.example" {
		t.Errorf("from %s to %s", from, to)
	}
	if diff := cmp.Diff(`busy-cam at marrow-quay: percent break out of limit

Values were beyond the limit.

Figure:      about 60 values out in the last 20 minutes
Limit:       at most 55%
Urgency:     today
Since:       `+begun.Format("2006-01-02 15:04 MST")+`

What to look at first: The springs.

Caution: ±130 V.

--------`, body(t, m)); diff != "" {
		t.Error(diff)
	}
}
