package rehearse

import (
	"bytes"
	"encoding/json"
	"maps"
	"math"
	"time"

	"limberjack/transport/live"
	"limberjack/transport/wire"
)

// Phase is what the rehearsal is doing.
type Phase string

// The phases.
const (
	Apart      Phase = "apart"      // no boards are connected
	Connecting Phase = "connecting" // boards are opened, identified and set up
	Connected  Phase = "connected"  // they are there; no pulse leaves
	Arming     Phase = "arming"     // somebody has answered the question
	Armed      Phase = "armed"      // pulses leave, and hold a pose
	Moving     Phase = "moving"     // to a pose, at the soft speed
	CountIn    Phase = "count-in"   // in the first pose
	Playing    Phase = "playing"
	Held       Phase = "held" // in the middle of a motion
	Stopping   Phase = "stopping"
	Stopped    Phase = "stopped" // disarmed; what carries weight still holds, unless the pulses were dropped
	Lost       Phase = "lost"    // boards were not reached, or were reset; all others were stopped
)

// State is what every page is told. Times are seconds of performance time where their
// names do not say otherwise.
type State struct {
	Type     string `json:"type"` // "rehearsal"
	Phase    Phase  `json:"phase"`
	Driver   string `json:"driver"` // page; empty: nobody
	Beat     bool   `json:"beat"`   // the page that drives has to send beats now
	Motion   string `json:"motion"`
	Revision string `json:"revision"` // that is played, or was
	Newest   string `json:"newest"`   // of the motion now
	Newer    bool   `json:"newer"`    // what is played is not the newest

	Position figure  `json:"position"`
	Begin    figure  `json:"begin"` // of a round
	Length   figure  `json:"length"`
	Speed    figure  `json:"speed"`
	Round    int     `json:"round"` // from 1; 0: nothing was played
	Loop     bool    `json:"loop"`
	Every    *figure `json:"every"`    // s of the clock from the start of a round to that of the next; null: there is one, or it is not known yet
	SoundAt  *figure `json:"sound_at"` // ms by now_ms's clock, at which the motion's time is begin in this round; null: nothing runs
	Now      figure  `json:"now_ms"`   // ms since 1970 by the server's clock

	Boards []BoardState      `json:"boards"`
	Places map[string]string `json:"places"`  // at which boards were last, or that were given, by the rig's names
	Skew   *figure           `json:"skew_ms"` // bound of the time between boards; null: unknown

	Confirm   string       `json:"confirm"`   // to be answered with yes by somebody who sees the prop, before arm; empty: there is no arming now
	Loose     []string     `json:"loose"`     // axes that were let go, and where they are taken to stand
	ResumeAt  *figure      `json:"resume_at"` // where a motion was when a board was lost
	Note      string       `json:"note"`
	Calibrate *Calibration `json:"calibrate"`
	Slew      *Slew        `json:"slew"`
}

// BoardState is one board.
type BoardState struct {
	Name      string    `json:"name"` // in the rig
	At        string    `json:"at"`
	Says      string    `json:"says"` // its own name
	Linked    bool      `json:"linked"`
	Tick      wire.Tick `json:"tick"` // us of the board's clock, of its last report
	Buffer    figure    `json:"buffer_ms"`
	Queued    int       `json:"queued"`
	Late      int       `json:"late"`
	Bridged   int       `json:"bridged"`
	Clamped   int       `json:"clamped"`
	Bad       int       `json:"bad"`
	Stale     int       `json:"stale"`
	Drift     figure    `json:"drift_ppm"`
	DriftSD   figure    `json:"drift_sd"` // ppm
	RoundTrip figure    `json:"round_trip_ms"`
	Supply    int       `json:"supply_mv"` // 0: not measured
	StopInput bool      `json:"stop_input"`
	Inputs    []int     `json:"inputs"` // numbers of those that are active
	State     string    `json:"state"`
	Why       string    `json:"why"`  // what is the matter; empty: nothing
	Lost      string    `json:"lost"` // why it was lost since it was armed, also when it is back; empty: it was not
	Help      string    `json:"help"` // what would help then
}

// phase gives the phase by what the desk knows.
func (d *Desk) phase() Phase {
	d.mu.Lock()
	c, halting := d.cast, d.halting
	d.mu.Unlock()
	switch {
	case c == nil:
		return Apart
	case d.job != nil && d.job.phase == Connecting:
		return Connecting
	case halting > 0:
		return Stopping
	case d.job != nil && d.job.move && d.play.held:
		return Held
	case d.job != nil:
		return d.job.phase
	case d.lost != "":
		return Lost
	case d.armed:
		return Armed
	case d.stopped:
		return Stopped
	}
	return Connected
}

// state gives the present state.
func (d *Desk) state() State {
	d.mu.Lock()
	driver, live, c := d.wheel.driver, d.wheel.live, d.cast
	d.mu.Unlock()
	p := &d.play
	s := State{Type: "rehearsal", Phase: d.phase(), Driver: driver, Beat: live, Motion: p.motion, Revision: p.revision,
		Position: figure(p.position), Begin: figure(p.begin), Length: figure(p.length), Speed: figure(p.speed), Round: p.round, Loop: p.loop,
		Now: d.unix(d.clock.Now()), Boards: []BoardState{}, Places: maps.Clone(d.places), Confirm: d.question, Loose: append([]string{}, d.loose...), Note: d.note,
		Calibrate: d.calib, Slew: d.slew}
	if p.motion != "" {
		s.Newest = d.opts.Source.Revision(p.motion)
		s.Newer = p.revision != "" && s.Newest != "" && s.Newest != p.revision
	}
	if p.start != 0 && !p.held {
		at := d.unix(p.start)
		s.SoundAt = &at
	}
	if p.every > 0 {
		every := rounded(p.every.Seconds(), 1e6)
		s.Every = &every
	}
	if d.resume != nil {
		at := figure(*d.resume)
		s.ResumeAt = &at
	}
	if c != nil {
		for _, b := range c.live.Boards() {
			s.Boards = append(s.Boards, d.board(c, b))
		}
	}
	if p.skew > 0 && p.skew < time.Hour {
		ms := milliseconds(p.skew)
		s.Skew = &ms
	}
	return s
}

// board gives the state of one board.
func (d *Desk) board(c *cast, b *live.Board) BoardState {
	e, st, id := b.Figures(), b.Status(), b.Identity()
	s := BoardState{Name: b.Name(), At: c.ask[b.Name()], Says: string(id.Name), Linked: b.Linked(), Tick: st.Time,
		Queued: e.Queued, Late: e.Late, Bridged: e.Bridged, Clamped: e.Clamped, Bad: e.Bad, Stale: e.Stale,
		Drift: rounded(e.Drift, 1000), DriftSD: rounded(e.DriftSD, 1000), RoundTrip: milliseconds(e.RoundTrip), Supply: e.Supply,
		StopInput: st.Inputs&wire.InputsStop != 0, Inputs: []int{}, State: e.State.String(), Why: d.why[b.Name()],
		Lost: d.losses[b.Name()], Help: helpFor(d.losses[b.Name()])}
	for n := 1; n < 16; n++ {
		if st.Inputs>>n&1 != 0 {
			s.Inputs = append(s.Inputs, n)
		}
	}
	if d.job != nil && d.job.move {
		s.Buffer = milliseconds(d.figures[b.Name()].Buffer)
	}
	return s
}

// unix gives a host time as ms since 1970.
func (d *Desk) unix(host time.Duration) figure {
	return rounded(float64(d.wall.Add(host).UnixMicro())/1000, 1000)
}

// milliseconds gives a time to the microsecond.
func milliseconds(d time.Duration) figure { return rounded(float64(d)/1e6, 1000) }

// rounded rounds to a part of one, so that no digits are told that nobody knows.
func rounded(v, parts float64) figure { return figure(math.Round(v*parts) / parts) }

// publish tells all pages, where something has changed, and in any case every 0.1 s while
// boards are connected.
func (d *Desk) publish() {
	now := d.clock.Now()
	if !d.dirty && d.told != nil && (d.present() == nil || now-d.toldAt < tellEvery) {
		return
	}
	d.dirty = false
	s := d.state()
	at := s.Now
	s.Now = 0
	still, err := json.Marshal(s)
	if err != nil {
		return // texts and numbers: there is nothing that cannot be written
	}
	if bytes.Equal(still, d.told) {
		return
	}
	s.Now = at
	body, err := json.Marshal(s)
	if err != nil {
		return
	}
	d.told, d.toldAt = still, now
	d.mu.Lock()
	defer d.mu.Unlock()
	for seat := range d.seats {
		select {
		case <-seat.news:
		default:
		}
		seat.news <- body // nobody else puts anything there
	}
}
