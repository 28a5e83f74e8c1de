//go:build unix

package web

import (
	"syscall"
	"testing"
)

func makePipe(t *testing.T, name string) {
	t.Helper()
	if err := syscall.Mkfifo(name, 0o600); err != nil {
		t.Skipf("this system makes no pipes: %v", err)
	}
}
