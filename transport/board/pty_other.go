//go:build !(linux || darwin || dragonfly || freebsd || netbsd || openbsd)

package board

import (
	"context"
	"errors"
)

// ServePTY serves a board on a pseudo-terminal, which this system does not have.
func (s *Server) ServePTY(ctx context.Context, name string, ready func(path string)) error {
	return errors.New("this system has no pseudo-terminals: serve the board as a WebSocket instead")
}
