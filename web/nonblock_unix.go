//go:build unix

package web

import "syscall"

// openPlain keeps the opening of a pipe from waiting for its writer.
const openPlain = syscall.O_NONBLOCK
