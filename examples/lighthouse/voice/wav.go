package main

import (
	"bytes"
	"encoding/binary"
	"math"
)

// rate is the number of samples a second.
const rate = 16000

// wav writes samples from -1 to 1 as a RIFF WAVE file of 16-bit PCM, mono.
func wav(samples []float64) []byte {
	const channels, bytesASample = 1, 2
	size := uint32(len(samples) * bytesASample)
	var b bytes.Buffer
	put := func(parts ...any) {
		for _, p := range parts {
			if s, ok := p.(string); ok {
				p = []byte(s)
			}
			binary.Write(&b, binary.LittleEndian, p) // a bytes.Buffer takes all
		}
	}
	put("RIFF", 36+size, "WAVE")
	put("fmt ", uint32(16), uint16(1), uint16(channels), uint32(rate), uint32(rate*bytesASample), uint16(bytesASample), uint16(8*bytesASample))
	put("data", size)
	for _, x := range samples {
		put(int16(math.Floor(float64(x*32767) + 0.5)))
	}
	return b.Bytes()
}
