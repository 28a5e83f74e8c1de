//go:build !(linux || darwin || freebsd || netbsd || openbsd || dragonfly)

package live

// lockPort does nothing: ports are opened exclusively by the system.
func lockPort(string) (unlock func(), busy bool) { return func() {}, false }
