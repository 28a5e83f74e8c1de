package web_test

import (
	"bufio"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/cdproto/security"
)

// selfSigned writes a certificate for this computer and its key, as PEM files.
func selfSigned(t *testing.T, dir string) (cert, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "stage"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
	body, err := x509.CreateCertificate(rand.Reader, &template, &template, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	cert, key = filepath.Join(dir, "stage.crt"), filepath.Join(dir, "stage.key")
	for name, block := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: body}, key: {Type: "PRIVATE KEY", Bytes: secret}} {
		if err := os.WriteFile(name, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return cert, key
}

// preview starts the command, and gives the link that it prints.
func preview(t *testing.T, args ...string) string {
	t.Helper()
	program := filepath.Join(t.TempDir(), "limberjack")
	if out, err := exec.Command("go", "build", "-o", program, "limberjack/cmd/limberjack").CombinedOutput(); err != nil {
		t.Fatalf("go build: %v\n%s", err, out)
	}
	command := exec.Command(program, append([]string{"preview"}, args...)...)
	var said strings.Builder
	command.Stderr = &said
	out, err := command.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := command.Start(); err != nil {
		t.Fatal(err)
	}
	link, err := bufio.NewReader(out).ReadString('\n')
	t.Cleanup(func() {
		command.Process.Signal(syscall.SIGTERM)
		if err := command.Wait(); err != nil {
			t.Errorf("preview ended with %v; it said %q", err, said.String())
		}
	})
	if err != nil {
		t.Fatalf("preview prints no link: %v; it said %q", err, said.String())
	}
	return strings.TrimSpace(link)
}

// TestPageByTLS serves the page by HTTPS, with a certificate that was made for the day, and
// opens it by the link with its token: sheet, socket and sound come by TLS too, and the
// token does not stay in the address.
func TestPageByTLS(t *testing.T) {
	dir := copied(t)
	cert, key := selfSigned(t, t.TempDir())
	link := preview(t, filepath.Join(dir, "greet.motion.yaml"), "--listen", "127.0.0.1:0", "--tls-cert", cert, "--tls-key", key, "--token", "a-token-for-one-test-only")
	if !strings.HasPrefix(link, "https://127.0.0.1:") {
		t.Fatalf("the link is %q", link)
	}
	b := newTab(t, 1440, 900) // it goes before its server does, which it would miss
	call(b, security.SetIgnoreCertificateErrors, security.SetIgnoreCertificateErrorsParams{Ignore: true})
	b.open(link)
	b.until("the sound is decoded", `s.sound === 'ready'`)
	if at := get[string](b, `location.href`); !strings.HasPrefix(at, "https://127.0.0.1:") || strings.Contains(at, "token") {
		t.Errorf("the page is at %q", at)
	}
	others := get[[]string](b, `performance.getEntriesByType('resource').map(e => e.name).filter(n => !n.startsWith(location.origin + '/') && !n.startsWith('wss:'))`)
	if len(others) > 0 {
		t.Errorf("the page also asked for %q", others)
	}
	// The socket lives: an edit on disk comes by it.
	edit(t, filepath.Join(dir, "greet.motion.yaml"), "motion: The keeper greets a boat", "motion: The keeper greets a ship")
	b.until("the page has the new title", `s.score.title === 'The keeper greets a ship'`)
}
