// Tables writes, from the table of messages in messages.txt, the Go of package wire,
// the C header for boards, and the tables in PROTOCOL.md. It is run in the folder of
// package wire by go generate.
package main

import (
	"fmt"
	"os"
	"path/filepath"
)

func main() {
	files, err := generate(".")
	for name, content := range files {
		if err == nil {
			err = os.WriteFile(name, content, 0o644)
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "tables:", err)
		os.Exit(1)
	}
}

// generate gives the files that belong to the table in a folder, by their paths.
func generate(dir string) (map[string][]byte, error) {
	text, err := os.ReadFile(filepath.Join(dir, "messages.txt"))
	if err != nil {
		return nil, err
	}
	t, err := parse(string(text))
	if err != nil {
		return nil, fmt.Errorf("messages.txt: %v", err)
	}
	source, err := golang(t)
	if err != nil {
		return nil, err
	}
	guide := filepath.Join(dir, "PROTOCOL.md")
	words, err := os.ReadFile(guide)
	if err != nil {
		return nil, err
	}
	said, err := markdown(t, string(words))
	if err != nil {
		return nil, fmt.Errorf("PROTOCOL.md: %v", err)
	}
	return map[string][]byte{
		filepath.Join(dir, "messages.go"):       source,
		filepath.Join(dir, "limberjack_wire.h"): clang(t),
		guide:                                   []byte(said),
	}, nil
}
