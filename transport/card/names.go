package card

import (
	"fmt"
	"strings"
)

// Names of files have eight characters and three, so that the smallest reader of a
// FAT volume finds them.
const nameLength = 8

// fileNames gives the names of the containers of boards, none of which are alike.
func fileNames(boards []string) []string {
	taken := map[string]bool{"SHOW": true, "README": true, "HANDOVER": true}
	names := make([]string, len(boards))
	for i, b := range boards {
		name := shortName(b)
		for n := 2; taken[name]; n++ {
			tail := fmt.Sprintf("~%d", n)
			whole := shortName(b)
			name = whole[:min(len(whole), nameLength-len(tail))] + tail
		}
		taken[name] = true
		names[i] = name + ContainerExt
	}
	return names
}

// shortName makes a board's name into the eight characters of a file's.
func shortName(s string) string {
	b := []byte(s)
	for i, c := range b {
		if c >= 'a' && c <= 'z' {
			b[i] = c - 'a' + 'A'
		} else if !shortLetter(c) {
			b[i] = '_'
		}
	}
	if len(b) == 0 {
		return "BOARD"
	}
	return string(b[:min(len(b), nameLength)])
}

func shortLetter(c byte) bool { return c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '_' }

// isContainerName says whether a file may be a container.
func isContainerName(s string) bool {
	base, ok := strings.CutSuffix(s, ContainerExt)
	if !ok || base == "" || len(base) > nameLength {
		return false
	}
	for i := range len(base) {
		if !shortLetter(base[i]) && (base[i] != '~' || i == 0) {
			return false
		}
	}
	return true
}

// Belongs says whether a file of this name may be on a card.
func Belongs(name string) bool {
	return isContainerName(name) || name == IndexName || name == ReadmeName || name == HandoverName
}

// ContainerName gives a name by which a container is known whose file has another.
func ContainerName(name string) string {
	if isContainerName(name) {
		return name
	}
	return "CARD" + ContainerExt
}
