// Voice makes the lighthouse keeper's voice: a murmur, a pause in which he
// looks, and a greeting, as a WAV file of 16-bit mono at 16 kHz.
//
//	go run ./examples/lighthouse/voice -o examples/lighthouse/voice.wav
//
// It is no recording of anybody. A train of glottal pulses goes through three
// resonators that stand for the formants of the vowels, as simple speech
// synthesisers do. The same bytes come out on every machine, so that the file
// in the repository can be made again and compared.
package main

import (
	"flag"
	"fmt"
	"os"
)

func main() {
	name := flag.String("o", "voice.wav", "the WAV file to write")
	flag.Parse()
	if flag.NArg() > 0 {
		fmt.Fprintf(os.Stderr, "voice takes no file names but that after -o; leave out %q\n", flag.Arg(0))
		os.Exit(2)
	}
	if err := os.WriteFile(*name, wav(speak(greeting, length)), 0o644); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(2)
	}
}
