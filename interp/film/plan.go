package film

import "math"

// Plan is a move to film for a wished uncertainty.
type Plan struct {
	Move   float64 // how far to command, unit
	Frames int     // about how many frames it will last
	Speed  float64 // expanded uncertainty (k = 2) of the speed then, unit/s
	Delay  float64 // and of the delay, s
	// Rate is how many frames a second the longest move would ask for where it falls
	// short of the wish; 0 where it does not. Speed is then what can be had with Film.
	Rate float64
}

// Propose gives the least move whose film tells a speed to a wished expanded uncertainty
// (k = 2), where the servo is about so fast (unit/s, as of its data sheet) and the move
// may be longest at most. Of m it takes the accelerations and Within; all errors are of
// type *CountError.
func Propose(f Film, m Move, speed, wish, longest float64) (Plan, error) {
	m.By = longest
	if err := f.check(); err != nil {
		return Plan{}, err
	}
	if err := m.check(); err != nil {
		return Plan{}, err
	}
	if !(speed > 0 && speed <= 1e6) || !(wish > 0 && wish < speed) {
		return Plan{}, wrong(0, "a speed of about %v known to %v cannot be planned for; give the data sheet's speed, and a wish below it, such as %.2g", speed, wish, speed/20)
	}
	longest = math.Abs(longest)
	if least := m.leastMove(speed); longest < least {
		return Plan{}, wrong(0, "on a move of %v the servo does not reach %v a second; a move of %.3g or more shows it", longest, speed, math.Ceil(least))
	}
	p := Plan{Move: longest}
	if p.Speed = f.after(m, speed, longest); p.Speed > wish {
		p.Rate = m.rate(f, speed, wish, longest)
	} else {
		low, high := m.leastMove(speed), longest
		for range 60 { // the uncertainty falls as the move grows
			if mid := low + float64((high-low)/2); f.after(m, speed, mid) > wish {
				low = mid
			} else {
				high = mid
			}
		}
		p.Move = math.Min(longest, math.Ceil(high))
		p.Speed = f.after(m, speed, p.Move)
	}
	p.Frames = int(math.Round(f.Rate() * m.lasts(speed, p.Move)))
	p.Delay = 2 * combined(rectangular(f.Seconds(0.5)), rectangular(f.Seconds(f.reading())), rectangular(f.Rolling))
	return p, nil
}

// leastMove is the move on which a servo that speeds up and slows down just reaches a
// speed, and a tenth more, so that it also keeps it for a while.
func (m Move) leastMove(speed float64) float64 {
	if m.Acceleration == 0 {
		return 0
	}
	return 1.1 * speed * speed / m.Acceleration
}

// lasts is how long a move takes.
func (m Move) lasts(speed, by float64) float64 {
	t := by / speed
	if m.Acceleration > 0 {
		t += speed / m.Acceleration
	}
	return t
}

// after gives the expanded uncertainty of a speed after a move, +Inf where the move has
// too few frames.
func (f Film) after(m Move, speed, by float64) float64 {
	m.By = by
	if !(m.Within < by) {
		return math.Inf(1)
	}
	v, err := f.speed(m, []float64{m.lasts(speed, by)})
	if err != nil {
		return math.Inf(1)
	}
	return v.Expanded
}

// rate gives the whole frames a second that a move asks for, +Inf where no film is
// enough.
func (m Move) rate(f Film, speed, wish, by float64) float64 {
	low, high := f.Rate(), float64(mostRate)
	if (Film{mostRate, 1, f.Reading, 0}).after(m, speed, by) > wish {
		return math.Inf(1)
	}
	for high-low > 0.5 {
		mid := low + float64((high-low)/2)
		if (Film{int64(mid * 1000), 1000, f.Reading, 0}).after(m, speed, by) > wish {
			low = mid
		} else {
			high = mid
		}
	}
	return math.Ceil(high)
}
