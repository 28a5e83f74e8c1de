package main

import (
	"sync"

	"limberjack/interp"
	"limberjack/interp/drive"
	"limberjack/sequence"
)

// compileMotion loads and compiles a motion file.
func compileMotion(file string) (*interp.Performance, error) {
	s, err := sequence.LoadMotion(openFile, file)
	if err != nil {
		return nil, err
	}
	return interp.Compile(s)
}

// predict runs the drive model, the supplies side by side, since they do not know
// of one another.
func predict(p *interp.Performance) *drive.Trace {
	trace, parts := drive.Parts(p)
	var wait sync.WaitGroup
	for _, part := range parts {
		wait.Go(part)
	}
	wait.Wait()
	return trace
}
