//go:build unix

package live

import (
	"os"
	"os/user"
	"strconv"
	"syscall"
)

// groupOf gives the name of the group that owns a file, nothing where it has none.
func groupOf(path string) string {
	info, err := os.Stat(path)
	if err != nil {
		return ""
	}
	s, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return ""
	}
	g, err := user.LookupGroupId(strconv.FormatUint(uint64(s.Gid), 10))
	if err != nil {
		return ""
	}
	return g.Name
}
