package web

import (
	"errors"

	"golang.org/x/sys/unix"
)

// rename2 has two names of a folder change their files over (renameat2(2), since Linux
// 3.15). What the file system cannot do comes as EINVAL.
func rename2(dir int, a, b string) error {
	err := unix.Renameat2(dir, a, dir, b, unix.RENAME_EXCHANGE)
	if err == unix.EINVAL {
		return errors.ErrUnsupported
	}
	return err
}
