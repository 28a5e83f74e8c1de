package web

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
)

// errSilent says that a motion has no sound.
var errSilent = errors.New("no sound")

// mostWaves is how many waveforms are kept, of 4 MB at most.
const mostWaves = 16

// waveform is that of one sound in one state, worked out when it is first asked for.
// The project's lock guards it.
type waveform struct {
	sound  string // what names the sound in its state
	body   []byte
	making *errand // that works it out; nil: none does
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

// waveformOf gives the waveform of a take's sound, and waits for it until ctx ends.
// Motions with one sound share it, and an edit of the motion does not make it anew.
func (p *Project) waveformOf(ctx context.Context, t *take) ([]byte, error) {
	if t.sound == "" {
		return nil, errSilent
	}
	body, work := p.waveOrWork(t)
	if work != nil {
		return work.wait(ctx)
	}
	return body, nil
}

// waveOrWork gives the waveform of a sound, or the work on it.
func (p *Project) waveOrWork(t *take) ([]byte, *errand) {
	p.mu.Lock()
	defer p.mu.Unlock()
	w := p.wave(t.sound)
	if w.body == nil && w.making == nil {
		w.making = p.errands.send(func(stop func() bool) ([]byte, error) {
			file, frames, err := p.soundOf(t)
			if err != nil {
				return nil, err
			}
			defer file.Close()
			return waveformOf(file, frames, stop)
		}, func(body []byte) {
			p.mu.Lock()
			defer p.mu.Unlock()
			w.body, w.making = body, nil
		})
	}
	return w.body, w.making
}

// wave finds the waveform of a sound, or makes room for one. The lock is held.
func (p *Project) wave(sound string) *waveform {
	w := &waveform{sound: sound}
	if i := slices.IndexFunc(p.waves, func(o *waveform) bool { return o.sound == sound }); i >= 0 {
		w = p.waves[i]
		p.waves = slices.Delete(p.waves, i, i+1)
	}
	p.waves = append(p.waves, w)
	for len(p.waves) > mostWaves {
		p.waves[0].retire()
		p.waves = slices.Delete(p.waves, 0, 1)
	}
	return w
}

// retireWaves calls off the work on sounds that no motion has any more; what is done
// stays for when they come back. The lock is held.
func (p *Project) retireWaves() {
	sounds := map[string]bool{}
	for _, m := range p.motions {
		if m.take != nil {
			sounds[m.take.sound] = true
		}
	}
	p.waves = slices.DeleteFunc(p.waves, func(w *waveform) bool { return !sounds[w.sound] && w.retire() })
}

// retire calls off the work on a waveform, and reports whether there was any.
func (w *waveform) retire() bool {
	if w.making != nil {
		w.making.callOff(errGone)
	}
	return w.making != nil
}
