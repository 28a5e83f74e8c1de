package web

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"sync"
)

// errSilent says that a motion has no sound.
var errSilent = errors.New("no sound")

// mostWaves is how many waveforms are kept, of 4 MB at most.
const mostWaves = 16

// waveform is that of one sound in one state, worked out when it is first asked for.
type waveform struct {
	sound string // what names the sound in its state
	mu    sync.Mutex
	body  []byte
}

// soundOf opens the sound of a take, and gives its number of frames.
func (p *Project) soundOf(t *take) (file *os.File, frames int64, err error) {
	if t.sound == "" {
		return nil, 0, errSilent
	}
	a := t.perf.Script.Audio
	if file, _, err = p.folder.open(a.File); err != nil {
		return nil, 0, fmt.Errorf("%s cannot be read: %w", a.File, reason(err))
	}
	return file, a.Level.Info.Frames, nil
}

// waveformOf gives the waveform of a take's sound. Motions with one sound share it,
// and an edit of the motion does not make it anew.
func (p *Project) waveformOf(ctx context.Context, t *take) ([]byte, error) {
	if t.sound == "" {
		return nil, errSilent
	}
	w := p.wave(t.sound)
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.body == nil {
		file, frames, err := p.soundOf(t)
		if err != nil {
			return nil, err
		}
		defer file.Close()
		if w.body, err = waveformOf(file, frames, stopOf(ctx)); err != nil {
			return nil, err
		}
	}
	return w.body, nil
}

// wave finds the waveform of a sound, or makes room for one.
func (p *Project) wave(sound string) *waveform {
	p.mu.Lock()
	defer p.mu.Unlock()
	w := &waveform{sound: sound}
	if i := slices.IndexFunc(p.waves, func(o *waveform) bool { return o.sound == sound }); i >= 0 {
		w = p.waves[i]
		p.waves = slices.Delete(p.waves, i, i+1)
	}
	p.waves = append(p.waves, w)
	if n := len(p.waves) - mostWaves; n > 0 {
		p.waves = slices.Delete(p.waves, 0, n)
	}
	return w
}
