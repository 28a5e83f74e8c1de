package main

import (
	"limberjack/interp"
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
