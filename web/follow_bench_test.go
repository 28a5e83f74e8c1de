package web

import (
	"fmt"
	"testing"
)

// BenchmarkEdit is the time from an edit on disk to the news of it on the socket: with
// the 20 ms that an editor gets to finish, loaded, played, checked and told.
func BenchmarkEdit(b *testing.B) {
	for _, file := range []string{"greet.motion.yaml", "storm.motion.yaml", "idle.motion.yaml"} {
		b.Run(file, func(b *testing.B) {
			d := openDesk(b, example(b), file, nil)
			e := d.listen()
			e.until("loaded", settled(stateGood))
			i := 0
			for b.Loop() {
				title := fmt.Sprintf("motion: %d The", i)
				d.edit(file, map[bool]string{true: "motion: The", false: fmt.Sprintf("motion: %d The", i-1)}[i == 0], title)
				e.until(title, func(l listing) bool { return "motion: "+l.Title[:len(title)-8] == title && settled(stateGood)(l) })
				i++
			}
		})
	}
}

// BenchmarkLoad is one load of the example, as an edit costs without any waiting.
func BenchmarkLoad(b *testing.B) {
	d := openDesk(b, example(b), "greet.motion.yaml", nil)
	d.listen().until("loaded", settled(stateGood))
	m := &motion{name: "greet", file: "greet.motion.yaml"}
	for b.Loop() {
		if _, err := d.project.make.load(b.Context(), newSnapshot(d.project.folder).reading(), m, mostParts, nil); err != nil {
			b.Fatal(err)
		}
	}
}
