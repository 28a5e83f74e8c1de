//go:build unix

package main

import (
	"bytes"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// TestPreview opens the page of the example, and ends it by the signals that ask a
// program to end: it prints one line, the address, and exits 0.
func TestPreview(t *testing.T) {
	for _, s := range []syscall.Signal{syscall.SIGINT, syscall.SIGTERM} {
		t.Run(s.String(), func(t *testing.T) {
			p := start(t, "../../examples/lighthouse", "preview", "greet.motion.yaml")
			link := p.await("an address", func(l string) bool { return strings.HasPrefix(l, "http://127.0.0.1:") })
			for path, want := range map[string]string{"": "<!doctype html>", "api/motions/greet/score": `"title":"The keeper greets a boat"`} {
				got, err := http.Get(link + path)
				if err != nil {
					t.Fatal(err)
				}
				body, err := io.ReadAll(got.Body)
				got.Body.Close()
				if err != nil || got.StatusCode != 200 || !strings.Contains(string(body), want) {
					t.Errorf("%s: %d %.100s %v", path, got.StatusCode, body, err)
				}
			}
			p.signal(s)
			if code := p.exit(); code != exitDone || len(p.said()) != 1 || p.told() != "" {
				t.Errorf("it exits with %d and says %q, %q", code, p.said(), p.told())
			}
		})
	}
}

// TestPreviewListens holds that a page for other computers has a token in its link,
// which it asks for, and that what goes over the network in the clear is said.
func TestPreviewListens(t *testing.T) {
	p := start(t, "../../examples/lighthouse", "preview", "keeper.show.yaml", "--listen", "0.0.0.0:0")
	link := p.await("an address", func(l string) bool { return strings.HasPrefix(l, "http://") })
	address, token, found := strings.Cut(link, "?token=")
	if !found || len(token) < 26 {
		t.Fatalf("the link is %s", link)
	}
	for at, want := range map[string]int{address: 401, address + "?token=x": 401, link: 200} {
		got, err := http.Get(at)
		if err != nil {
			t.Fatal(err)
		}
		got.Body.Close()
		if got.StatusCode != want {
			t.Errorf("%s: %d", at, got.StatusCode)
		}
	}
	p.signal(syscall.SIGTERM)
	if code := p.exit(); code != exitDone || !strings.Contains(p.told(), "--tls-cert") {
		t.Errorf("it exits with %d and says %q", code, p.told())
	}
}

// What cannot be served is said in one line that names what would do, with exit
// code 2.
func TestPreviewRefuses(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "no.pem"), []byte("none"), 0o600); err != nil {
		t.Fatal(err)
	}
	const motion, rig = "../../examples/lighthouse/greet.motion.yaml", "../../examples/lighthouse/keeper.rig.yaml"
	for _, c := range []struct {
		args string
		want string
	}{
		{"", "limberjack preview greet.motion.yaml"},
		{"none.motion.yaml", "there is no file none.motion.yaml"},
		{rig, "this is a rig, not a motion or a show; name a motion file"},
		{motion + " --port 70000", "may be from 1 to 65535"},
		{motion + " --listen stage", "write an address and a port, as in 192.168.1.20:8080"},
		{motion + " --listen 127.0.0.1:x", "may be from 1 to 65535"},
		{motion + " --listen 127.0.0.1:0 --port 8080", "leave --port out"},
		{motion + " --listen 192.0.2.7:0", "cannot be listened at"}, // TEST-NET-1, RFC 5737: no machine has it
		{motion + " --tls-cert a.pem", "go together"},
		{motion + " --tls-cert " + dir + "/no.pem --tls-key " + dir + "/no.pem", "--tls-cert"},
		{motion + " --token short", "16 to 128 will do"},
		{motion + " --token lamp+oil+and+wick+7", "letters, digits"},
		{motion + " --folder " + dir, "--folder and a folder that holds both"},
		{motion + " --folder none", "there is no folder none"},
		{motion + " --board main", "write NAME=PORT or NAME=ws"},
		{motion + " --board =/dev/ttyUSB0", "write NAME=PORT or NAME=ws"},
		{motion + " --board main=a --board main=b", "is given twice"},
		{motion + " --board mian=/dev/ttyUSB0", "did you mean main?"},
	} {
		var out, errOut bytes.Buffer
		code := run(append([]string{"preview"}, strings.Fields(c.args)...), &out, &errOut)
		if code != exitUnable || !strings.Contains(errOut.String(), c.want) || strings.Count(errOut.String(), "\n") != 1 || out.Len() > 0 {
			t.Errorf("preview %s: %d, %q, %q", c.args, code, out.String(), errOut.String())
		}
	}
}
