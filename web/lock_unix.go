//go:build darwin || dragonfly || freebsd || linux || netbsd || openbsd

package web

import (
	"io/fs"
	"os"
	"syscall"
)

// errHeld says that somebody is at work with a file.
const errHeld = syscall.EWOULDBLOCK

// lock notes with the system that this process is at work with a file, until it is
// closed or the process ends, however it does (flock(2)).
func lock(file *os.File) error {
	return syscall.Flock(int(file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
}

// keepOwner gives a new file the owner of an old one, where this process may.
func keepOwner(file *os.File, as fs.FileInfo) {
	info, err := file.Stat()
	if err != nil {
		return
	}
	is, ok1 := info.Sys().(*syscall.Stat_t)
	was, ok2 := as.Sys().(*syscall.Stat_t)
	if ok1 && ok2 && (is.Uid != was.Uid || is.Gid != was.Gid) {
		_ = file.Chown(int(was.Uid), int(was.Gid)) // else it is whose it is, as with any editor
	}
}
