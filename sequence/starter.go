package sequence

import (
	"embed"
	"io/fs"
)

//go:embed starter/*.yaml
var starterFiles embed.FS

// Starter gives a small rig and motion with remarks in plain words, to begin
// with: file name to content. They load without a problem.
func Starter() map[string][]byte {
	files := map[string][]byte{}
	// Reading what was embedded cannot fail.
	names, _ := fs.Glob(starterFiles, "starter/*.yaml")
	for _, name := range names {
		text, _ := starterFiles.ReadFile(name)
		files[name[len("starter/"):]] = text
	}
	return files
}
