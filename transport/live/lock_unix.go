//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package live

import (
	"errors"
	"syscall"
)

// lockPort keeps other programs of this kind off a port until unlock is called: the
// exclusive mode of terminals does not bind the superuser, as whom many run on
// single-board computers. It is no error where a port cannot be locked at all.
func lockPort(path string) (unlock func(), busy bool) {
	fd, err := syscall.Open(path, syscall.O_RDWR|syscall.O_NOCTTY|syscall.O_NONBLOCK|syscall.O_CLOEXEC, 0)
	if err != nil {
		return func() {}, false // opening it in earnest will say why
	}
	if err := syscall.Flock(fd, syscall.LOCK_EX|syscall.LOCK_NB); errors.Is(err, syscall.EWOULDBLOCK) {
		syscall.Close(fd)
		return nil, true
	}
	return func() { syscall.Close(fd) }, false
}
