package rehearse

import (
	"context"
	"errors"
	"fmt"

	"limberjack/sequence"
	"limberjack/transport/live"
	"limberjack/transport/timeline"
)

// Calibration is the state of looking for the ends of an axis. Pulses are in us.
type Calibration struct {
	Axis     string     `json:"axis"`
	Board    string     `json:"board"`
	Unit     string     `json:"unit"`
	Travel   [2]figure  `json:"travel"` // in the axis's unit, that the ends will stand for
	Pulse    figure     `json:"us"`     // at which the axis is, as far as that is known
	Centre   figure     `json:"centre"`
	Reached  [2]figure  `json:"reached"` // least and greatest pulse so far
	Step     figure     `json:"step"`    // by which the axis may go beyond what was reached
	Least    figure     `json:"least"`
	Greatest figure     `json:"greatest"`
	Ends     [2]*figure `json:"ends"`    // confirmed, at the low and at the high end of the travel; null: not yet
	Written  bool       `json:"written"` // both are in the rig's file
}

// calibration gives the state of a finder. No job may be using it.
func (c *cast) calibration(written bool) *Calibration {
	f := c.finder
	at := f.At()
	if f.astray {
		at = f.stands(c.live.Boards()[0])
	}
	s := &Calibration{Axis: f.Read.Name, Board: f.Read.Board.Name, Unit: f.Read.Unit, Pulse: tenth(at), Centre: tenth(f.AtBegin),
		Step: live.WidenMost, Least: sequence.PulseLeast, Greatest: sequence.PulseGreatest, Written: written}
	least, greatest := f.Range()
	s.Reached = [2]figure{tenth(least), tenth(greatest)}
	for end := range s.Ends {
		s.Travel[end] = figure(f.Read.Travel[end].V)
		if us, ok := f.Confirmed(live.TravelEnd(end)); ok {
			at := tenth(us)
			s.Ends[end] = &at
		}
	}
	return s
}

// lookAgain sees where the axis stands whose ends are looked for, if any are.
func (d *Desk) lookAgain(c *cast) {
	if c.finder == nil {
		return
	}
	c.finder.Look(c.live.Boards()[0])
	d.calib = c.calibration(d.calib != nil && d.calib.Written)
}

func tenth(us float64) figure { return rounded(us, 10) }

// findAxis finds an axis of a rig by its name.
func findAxis(rig *sequence.Rig, name string) (*sequence.Axis, error) {
	var names []string
	for _, a := range rig.Axes {
		if a.Name == name {
			return a, nil
		}
		names = append(names, a.Name)
	}
	return nil, unknown("axis", name, names)
}

// alone gives the place of the only board that is connected for an axis.
func (d *Desk) alone(w *wish, b *sequence.Board) (*cast, error) {
	at := w.At
	if at == "" {
		at = d.places[b.Name]
	}
	if at == "" {
		return nil, fmt.Errorf("board %s has no place: give it by at, as in /dev/ttyUSB0", b.Name)
	}
	return newCast(map[string]string{b.Name: at}), nil
}

// ready says why a board cannot be connected for one axis.
func (d *Desk) ready() error {
	if d.armed {
		return errors.New("the boards are armed: stop first")
	}
	return d.busy()
}

// calibrate connects to the board of an axis, opened for looking for its ends, as jog with
// --ends does.
func (d *Desk) calibrate(w *wish) error {
	if err := d.ready(); err != nil {
		return err
	}
	rig, a, err := d.rigWith(w.Axis)
	if err != nil {
		return err
	}
	c, err := d.alone(w, a.Board)
	if err != nil {
		return err
	}
	pose, err := NewPose(rig, a.Board)
	if err != nil {
		return err
	}
	if c.finder, err = NewFinder(pose, w.Axis); err != nil {
		return err
	}
	return d.meet(w, c, func(ctx context.Context, c *cast) error {
		t, err := pose.Timeline()
		if err == nil {
			err = d.dial(ctx, c, a.Board, w.Baud, d.sessions(t))
		}
		return OpenHint(err, rig.File, w.Axis)
	}, func() {
		d.calib = c.calibration(false)
		d.question = c.finder.Caution() + "\n" + live.RestQuestion
	})
}

// rigPatience is how long reading the rig may take: one document.
const rigPatience = askPatience

// rigWith reads the rig anew, and finds an axis in it. The desk waits for that: nothing is
// armed when it is asked.
func (d *Desk) rigWith(axis string) (*sequence.Rig, *sequence.Axis, error) {
	ctx, cancel := context.WithTimeout(d.life, rigPatience)
	defer cancel()
	rig, err := d.opts.Source.Rig(ctx)
	if err != nil {
		return nil, nil, err
	}
	a, err := findAxis(rig, axis)
	return rig, a, err
}

// finding gives the cast whose ends are looked for.
func (d *Desk) finding() (*cast, error) {
	c := d.present()
	if c == nil || c.finder == nil {
		return nil, errors.New("no axis's ends are looked for: calibrate one first")
	}
	return c, nil
}

// pulse goes to a pulse. Of those that come while the axis moves only the last counts.
func (d *Desk) pulse(w *wish) error {
	c, err := d.finding()
	if err != nil {
		return err
	}
	if d.job != nil && d.job.phase == Moving {
		if d.pending != nil {
			d.pending.answer(errors.New("a later pulse was asked for"))
		}
		d.pending = w
		return nil
	}
	return d.seek(w, c, func(ctx context.Context, b *live.Board) error { return c.finder.To(ctx, b, w.US) })
}

// forget refuses the pulse that waits: what comes now is no place for it.
func (d *Desk) forget() {
	if d.pending != nil {
		d.pending.answer(errOvertaken)
		d.pending = nil
	}
}

// seek moves the axis in a job.
func (d *Desk) seek(w *wish, c *cast, move func(context.Context, *live.Board) error) error {
	if err := d.free(c); err != nil {
		return err
	}
	b := c.live.Boards()[0]
	return d.begin(w, &job{what: "the axis is moving", phase: Moving, move: true}, false, c.life, func(ctx context.Context) error { return move(ctx, b) }, func(err error) {
		d.calib = c.calibration(d.calib != nil && d.calib.Written)
		if b := c.live.Armed(); b != nil { // a refused step moves nothing, and is told to who asked only
			d.ended(c, err)
		}
		w.answer(stoppedBy(err))
		if next := d.pending; next != nil {
			d.pending = nil
			if err := d.pulse(next); err != nil {
				next.answer(err)
			}
		}
	})
}

// settled gives the finder while the axis stands still, armed.
func (d *Desk) settled() (*cast, error) {
	c, err := d.finding()
	if err == nil {
		err = d.free(c)
	}
	return c, err
}

// confirm takes the present pulse for an end.
func (d *Desk) confirm(w *wish) error {
	c, err := d.settled()
	if err != nil {
		return err
	}
	end := live.LowEnd
	if w.End == "high" {
		end = live.HighEnd
	}
	if err := c.finder.Confirm(end); err != nil {
		return err
	}
	d.calib = c.calibration(false)
	w.answer(nil)
	return nil
}

// reverse makes the confirmed ends change places.
func (d *Desk) reverse(w *wish) error {
	c, err := d.finding()
	if err == nil {
		err = d.busy()
	}
	if err == nil {
		err = c.finder.Swap()
	}
	if err != nil {
		return err
	}
	d.calib = c.calibration(false)
	w.answer(nil)
	return nil
}

// centre goes back to where the axis took hold.
func (d *Desk) centre(w *wish) error {
	c, err := d.finding()
	if err != nil {
		return err
	}
	return d.seek(w, c, func(ctx context.Context, b *live.Board) error { return c.finder.To(ctx, b, c.finder.AtBegin) })
}

// sweep goes to and fro between the confirmed ends, at the soft speed.
func (d *Desk) sweep(w *wish) error {
	c, err := d.finding()
	if err != nil {
		return err
	}
	if _, _, err := c.finder.Pulses(); err != nil && d.job == nil {
		return err
	}
	return d.seek(w, c, func(ctx context.Context, b *live.Board) error { return c.finder.Sweep(ctx, b, w.Times) })
}

// done goes to the centre, stops, and parts.
func (d *Desk) done(w *wish) error {
	c, err := d.finding()
	if err != nil {
		return err
	}
	if !d.armed {
		return d.part(w)
	}
	if err := d.free(c); err != nil {
		return err
	}
	b := c.live.Boards()[0]
	return d.begin(w, &job{what: "the axis is moving", phase: Moving, move: true}, false, c.life, func(ctx context.Context) error {
		return c.finder.To(ctx, b, c.finder.AtBegin)
	}, func(err error) {
		d.forget()
		if err != nil {
			d.calib = c.calibration(d.calib != nil && d.calib.Written)
			d.ended(c, err)
			w.answer(stoppedBy(err))
			return
		}
		if err := d.part(w); err != nil {
			w.answer(err)
		}
	})
}

// Found are the ends of an axis as somebody has confirmed them.
type Found struct {
	Low, High float64 // us, at the low and at the high end of the travel

	of sequence.Axis // as it was when they were looked for
}

// Set gives the text of a rig's file with the ends in it: see sequence.SetPulse. axis is
// as it was read from that text. Ends of another travel are refused.
func (f *Found) Set(text []byte, axis *sequence.Axis) ([]byte, error) {
	for end := range axis.Travel {
		now, err := HornAt(axis, axis.Travel[end].V)
		was, also := HornAt(&f.of, f.of.Travel[end].V)
		if err != nil || also != nil || axis.Travel[end].V != f.of.Travel[end].V || now != was {
			return nil, fmt.Errorf("the travel of %s has changed in the rig's file since its ends were looked for: look for them again", axis.Name)
		}
	}
	return sequence.SetPulse(text, axis, f.Low, f.High)
}

// HornAt gives where the horn is, in the axis's unit, when the part is at a value.
func HornAt(a *sequence.Axis, value float64) (float64, error) {
	if a.Linkage == nil {
		return value, nil
	}
	horn, _, _, _, ok := a.Linkage.Horn(value)
	if !ok {
		return 0, fmt.Errorf("the linkage of %s does not reach %v %s", a.Name, value, a.Unit)
	}
	return horn, nil
}

// Calibrated gives the confirmed ends of an axis, to be written into the rig's file. page
// is the page that drives. An error says what is missing.
func (d *Desk) Calibrated(ctx context.Context, page, axis string) (found *Found, err error) {
	err = d.call(ctx, func() error {
		c, err := d.finding()
		switch {
		case err != nil:
			return err
		case c.finder.Read.Name != axis:
			return fmt.Errorf("it is %s whose ends are looked for, not %s", c.finder.Read.Name, axis)
		case !d.drives(&wish{seat: &Seat{page: page}}):
			return errNotDriver
		case d.job != nil:
			return d.busy()
		}
		low, high, err := c.finder.Pulses()
		found = &Found{low, high, c.finder.Read}
		return err
	})
	return found, err
}

// MayChange says why a page may not change the rig's file now: another page drives. Where
// the change is one of pulses, boards that are armed are in its way, too: what is written
// would not be what they hold.
func (d *Desk) MayChange(ctx context.Context, page string, pulses bool) error {
	return d.call(ctx, func() error {
		d.mu.Lock()
		driver := d.wheel.driver
		d.mu.Unlock()
		switch {
		case driver != "" && driver != page:
			return fmt.Errorf("another page drives (%s): it has to stop driving first", driver)
		case pulses && d.armed:
			return errors.New("the boards are armed: stop first, since they hold the pulses that the rig has now")
		case pulses:
			return d.busy()
		}
		return nil
	})
}

// Written takes note that what Calibrated gave for an axis is in the rig's file.
func (d *Desk) Written(axis string) {
	d.post(func() {
		if d.calib != nil && d.calib.Axis == axis {
			d.written(true)
		}
	})
}

// Unwritten takes note that the rig's file was changed otherwise: what was found may not be
// in it any more.
func (d *Desk) Unwritten() {
	d.post(func() {
		if d.calib != nil {
			d.written(false)
		}
	})
}

func (d *Desk) written(yes bool) {
	now := *d.calib
	now.Written = yes
	d.calib = &now
}

// call does something in the desk's goroutine, and waits for it.
func (d *Desk) call(ctx context.Context, do func() error) error {
	done := make(chan error, 1)
	d.post(func() { done <- d.safely(do) })
	select {
	case err := <-done:
		return err
	case <-d.over:
		return errClosed
	case <-ctx.Done():
		return ctx.Err()
	}
}

// soleLine gives the timeline of one board.
func soleLine(lines []*timeline.Timeline, b *sequence.Board) (*timeline.Timeline, error) {
	for _, t := range lines {
		if t.Board == b {
			return t, nil
		}
	}
	return nil, fmt.Errorf("board %s drives no axis", b.Name)
}
