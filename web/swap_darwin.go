package web

import "golang.org/x/sys/unix"

// rename2 has two names of a folder change their files over (renameatx_np(2), since
// macOS 10.12).
func rename2(dir int, a, b string) error {
	return unix.RenameatxNp(dir, a, dir, b, unix.RENAME_SWAP)
}
