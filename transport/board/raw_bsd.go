//go:build darwin || dragonfly || freebsd || netbsd || openbsd

package board

import "golang.org/x/sys/unix"

const (
	getTerminal = unix.TIOCGETA
	setTerminal = unix.TIOCSETA
)
