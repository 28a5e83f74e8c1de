package live

import (
	"time"
)

// progressEvery is how often a performance tells where it is.
const progressEvery = 100 * time.Millisecond

func (p *performance) tell(e Event) {
	e.Time = p.clock.Now()
	for _, v := range p.voices {
		if e.What != Progress {
			v.board.opts.Take.add(takeEvent{Log: "event", Host: e.Time.Microseconds(), What: e.What.String(), Text: e.Text})
			break
		}
	}
	if p.opts.Events != nil {
		p.opts.Events(e)
	}
}

// announce tells what has come due.
func (p *performance) announce(now time.Duration) {
	if p.start == 0 {
		return // a move, of which there is nothing to tell
	}
	shift := p.shift()
	first := p.sound
	if p.into > 0 {
		first = p.enter
	}
	p.count(first+shift-now, p.enter+shift-now, p.start+shift)
	if now < p.due {
		return
	}
	p.due = now - now%watchEvery + progressEvery // on the beat on which it is asked
	skew := p.skew(now)
	for _, v := range p.voices {
		p.tell(p.progress(v, now, skew))
	}
}

// count tells of the count-in, second by second, of the sound, and of the start: the
// times to the sound and to the first frame, and the start of the round.
func (p *performance) count(sound, enter, start time.Duration) {
	if left := int((sound + time.Second - 1) / time.Second); sound > 0 && sound <= p.opts.CountIn && left != p.told {
		p.told = left
		p.tell(Event{What: CountIn, Left: sound, Start: start})
	}
	p.once(Sound, sound, start)
	p.once(Started, enter, start)
}

// once tells of something when it has come.
func (p *performance) once(what Happening, left, start time.Duration) {
	if left <= 0 && !p.events[what] {
		p.events[what] = true
		p.tell(Event{What: what, Start: start})
	}
}

// shift gives the time by which holds have moved the motion.
func (p *performance) shift() time.Duration {
	v := p.voices[0]
	v.board.mu.Lock()
	defer v.board.mu.Unlock()
	return v.stream.shift
}

// skew bounds the time between two boards by what is not known of their clocks.
func (p *performance) skew(now time.Duration) (sum time.Duration) {
	if len(p.voices) < 2 {
		return 0
	}
	var most [2]time.Duration
	for _, v := range p.voices {
		v.board.mu.Lock()
		u := v.board.model.Uncertainty(now)
		v.board.mu.Unlock()
		if u > most[0] {
			most[0], most[1] = u, most[0]
		} else {
			most[1] = max(most[1], u)
		}
	}
	return most[0] + most[1]
}

func (p *performance) progress(v *voice, now, skew time.Duration) Event {
	b := v.board
	at := now
	if held, ok := b.waiting(); ok {
		at = held
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	e := b.figures()
	e.Skew, e.Begin, e.Length = skew, v.part.tl.Time(v.part.first), p.length.Seconds()*p.opts.Speed
	e.Buffer = max(0, v.stream.last-at)
	played := max(p.into, at-p.start-v.stream.shift)
	e.Start = p.start + v.stream.shift
	if p.opts.Rounds != 1 {
		e.Every = p.round
	}
	if p.round > 0 {
		e.Round = 1 + int(played/p.round)
		if p.opts.Rounds > 0 && e.Round > p.opts.Rounds {
			e.Round, played = p.opts.Rounds, v.part.length()
		} else {
			played %= p.round
		}
		e.Start += time.Duration(e.Round-1) * p.round
	}
	e.Position = e.Begin + min(played, v.part.length()).Seconds()*p.opts.Speed
	return e
}
