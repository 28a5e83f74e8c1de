#!/bin/sh
# Makes the sound files of this folder: sox 14.4.2, and sndfile-convert of
# libsndfile 1.2.0 for the 64-bit form. One period of a sine at half scale.
set -e
cd "$(dirname "$0")"
tone="synth 8s sine 1000 vol 0.5"
sox -D -r 8000 -n -c 1 -b 8 pcm8.wav $tone
sox -D -r 8000 -n -c 1 -b 16 pcm16.wav $tone
sox -D -r 8000 -n -c 1 -b 24 pcm24.wav $tone
sox -D -r 8000 -n -c 1 -b 32 -e signed-integer pcm32.wav $tone
sox -D -r 8000 -n -c 1 -b 32 -e floating-point float32.wav $tone
sox -D -r 8000 -n -c 1 -b 64 -e floating-point float64.wav $tone
sox -D -r 8000 -n -c 2 -b 24 stereo24.wav synth 8s sine 1000 sine 2000 vol 0.5
sox -D -r 8000 -c 6 -n -b 16 surround16.wav $tone remix 1v0.25 2v0.5 3 4v0 5v-1 6v-0.5
sox -D -r 8000 -n -c 1 -b 8 -t wav - synth 7s sine 1000 vol 0.5 2>/dev/null | cat >piped8.wav
sox -D -r 8000 -n -c 1 -b 24 -t wav - synth 7s sine 1000 vol 0.5 2>/dev/null | cat >piped24.wav
sox -D -r 8000 -n -c 1 -e a-law alaw.wav $tone
sox -D -r 8000 -n -c 1 -e mu-law mulaw.wav $tone
sox -D -r 8000 -n -c 1 -e ms-adpcm adpcm.wav $tone
sox -D -r 8000 -n -c 1 -b 16 -B rifx.wav $tone
sndfile-convert pcm16.wav rf64.rf64 && mv rf64.rf64 rf64.wav
