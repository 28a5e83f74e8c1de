package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"limberjack/sequence"
	"limberjack/transport/live"
	"limberjack/transport/timeline"
)

type playOptions struct {
	file            string
	port, url       string
	boards          []string
	baud            int
	from, to, speed float64
	loop            bool
	countIn         time.Duration
	end             string
	take            string
	atRest          bool
	writeClock      bool
	json            bool
}

func newPlayCommand() *cobra.Command {
	o := playOptions{speed: 1}
	c := &cobra.Command{
		Use:   "play MOTION",
		Short: "Stream a motion to controller boards",
		Long: `play sends a motion to one board or several, ahead of time, and their own timers
play it. No pulse leaves a board until somebody has said that the prop stands at
rest: a servo drives to its first pulse at full speed. Then every axis is moved to
the first pose, no faster than 30 deg/s, and after the count-in all boards start
at the same moment.

Ctrl-C once is a controlled stop: every axis is brought to rest within its limits,
then let go unless it carries weight. Ctrl-C twice drops the pulses now, also of
axes that carry weight, which then fall. Both are stops by software, and replace
no switch that cuts the power.

When a board is not reached for a quarter of a second, each of its axes does what
its lost: says, and the board disarms. play then asks whether to arm again and go on
from there; without an answer, or with --at-rest, it ends (exit 1) and says from
where to go on. --take NAME logs what was sent, when, and what the boards reported, in
NAME.take.jsonl.`,
		Example: `  limberjack play greet.motion.yaml --port /dev/ttyUSB0
  limberjack play greet.motion.yaml --board main=/dev/ttyUSB0 --board shore=ws://shore.local:8090/
  limberjack play greet.motion.yaml --port /dev/ttyUSB0 --speed 0.25 --from 3 --to 8 --loop`,
		Args: needs(1, 1, "one motion", "limberjack play greet.motion.yaml --port /dev/ttyUSB0"),
		RunE: func(c *cobra.Command, args []string) error {
			o.file = args[0]
			return runPlay(contextOr(c.Context()), o, c.InOrStdin(), c.OutOrStdout(), c.ErrOrStderr())
		},
	}
	f := c.Flags()
	f.StringVar(&o.port, "port", "", "serial port of the only board")
	f.StringVar(&o.url, "url", "", "address of the only board, as in ws://keeper.local:8090/")
	f.StringArrayVar(&o.boards, "board", nil, "NAME=PORT or NAME=ws://…, once a board of the rig")
	f.IntVar(&o.baud, "baud", 0, "data rate of serial ports; default: the rig's, or 115200")
	f.Float64Var(&o.from, "from", 0, "seconds to start at")
	f.Float64Var(&o.to, "to", 0, "seconds to end at; default: the end")
	f.Float64Var(&o.speed, "speed", 1, "share of the full speed, 0.05 to 1, for rehearsal")
	f.BoolVar(&o.loop, "loop", false, "play over and over, until it is stopped")
	f.DurationVar(&o.countIn, "count-in", 3*time.Second, "time in the first pose before the start")
	f.StringVar(&o.end, "end", "rest", "after the last frame: hold the pose until Ctrl-C, move to rest and let go, or release at once")
	f.StringVar(&o.take, "take", "", "log this take to NAME.take.jsonl")
	f.BoolVar(&o.atRest, "at-rest", false, "the prop stands at rest: do not ask")
	f.BoolVar(&o.writeClock, "write-clock", false, "write how fast each board's clock runs, as measured, into the rig's clock:")
	f.BoolVar(&o.json, "json", false, "print what happens as JSON, one object a line")
	completeWords(c, "end", "hold", "rest", "release")
	return c
}

var endings = map[string]live.End{"hold": live.EndHold, "rest": live.EndRest, "release": live.EndRelease}

func (o playOptions) check() error {
	_, known := endings[o.end]
	switch {
	case !known:
		return fmt.Errorf("--end is %q; it may be hold, rest or release", o.end)
	case !(o.speed >= live.SpeedLeast && o.speed <= live.SpeedMost):
		return fmt.Errorf("--speed is %g; it may be from %g to %g", o.speed, live.SpeedLeast, live.SpeedMost)
	case !(o.from >= 0) || !(o.to >= 0) || o.to != 0 && o.to <= o.from:
		return fmt.Errorf("--from %g and --to %g hold nothing: --to comes after --from", o.from, o.to)
	case o.baud < 0 || o.baud > 10_000_000:
		return fmt.Errorf("--baud is %d; it may be up to 10000000", o.baud)
	case o.countIn < 0 || o.countIn > time.Minute:
		return fmt.Errorf("--count-in is %v; it may be up to 1m", o.countIn)
	case o.port != "" && o.url != "" || (o.port != "" || o.url != "") && len(o.boards) > 0:
		return errors.New("give one of --port and --url for the only board, or --board NAME=WHERE for each of several")
	}
	return nil
}

func runPlay(ctx context.Context, o playOptions, in io.Reader, out, errOut io.Writer) error {
	if err := o.check(); err != nil {
		return err
	}
	p, lines, err := pulsesOf(o.file, errOut)
	if err != nil {
		return err
	}
	if p.Script.Audio != nil {
		lines = timeline.AddTrigger(p.Rig, lines)
	}
	where, err := o.places(lines)
	if err != nil {
		return err
	}
	for _, t := range lines {
		if end := t.Time(t.Frames - 1); o.from > 0 && o.from >= end {
			return fmt.Errorf("--from %g is no place in the motion, which ends at %.3f s", o.from, end)
		}
	}
	s := &stage{options: o, rig: p.Rig, lines: lines, where: where, in: in, show: newShow(out, errOut, o.json)}
	s.show.mute, s.show.boards = p.Script.Audio == nil, len(lines)
	return s.perform(ctx)
}

// places gives the port or address of each timeline's board.
func (o playOptions) places(lines []*timeline.Timeline) (map[string]string, error) {
	var names []string
	for _, t := range lines {
		names = append(names, t.Board.Name)
	}
	if len(names) == 0 {
		return nil, errors.New("the rig has no axes, so that there is nothing to play")
	}
	where := map[string]string{}
	if only := o.port + o.url; only != "" {
		if len(names) > 1 {
			return nil, fmt.Errorf("the rig has %d boards (%s); give each its place by --board NAME=WHERE", len(names), strings.Join(names, ", "))
		}
		where[names[0]] = only
		return where, nil
	}
	for _, text := range o.boards {
		name, at, ok := strings.Cut(text, "=")
		if !ok || at == "" {
			return nil, fmt.Errorf("--board %s: write NAME=PORT or NAME=ws://…, as in %s=/dev/ttyUSB0", text, names[0])
		}
		if where[name] != "" {
			return nil, fmt.Errorf("--board %s is given twice", name)
		}
		where[name] = at
	}
	for name := range where {
		if !slices.Contains(names, name) {
			return nil, fmt.Errorf("the motion moves nothing on a board %q; the boards are %s", name, strings.Join(names, ", "))
		}
	}
	for _, n := range names {
		if where[n] == "" {
			return nil, fmt.Errorf("board %s has no place; add --board %s=/dev/ttyUSB0 (limberjack ports lists them)", n, n)
		}
	}
	return where, nil
}

// stage is one performance on real boards.
type stage struct {
	options playOptions
	rig     *sequence.Rig
	lines   []*timeline.Timeline
	where   map[string]string
	in      io.Reader
	answers chan string
	show    *show
	live    live.Ensemble
	enter   float64 // s of performance time at which the first round is entered
}

func (s *stage) perform(ctx context.Context) (err error) {
	take, closeTake, err := s.openTake()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, closeTake()) }()
	// A board outlives the signal: it has to be told to stop.
	life, end := context.WithCancel(context.WithoutCancel(ctx))
	defer end()
	defer s.live.Close()
	defer s.show.end()
	// From here on this process mostly sleeps. With one thread at a time it wakes up for
	// two thirds of the processor time (BenchmarkHost).
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	interrupted := make(chan os.Signal, 4)
	signal.Notify(interrupted, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	defer signal.Stop(interrupted)
	// Who reads what is told may go before the prop stands still, as when Ctrl-C ends all
	// of a pipeline: writing to nobody must not end this process.
	signal.Ignore(syscall.SIGPIPE)
	connecting, cancel := context.WithCancel(ctx)
	defer cancel()
	s.listen(interrupted, cancel)
	if err := s.ready(connecting, life, take); err != nil {
		return s.early(err)
	}
	err = s.live.Play(ctx, s.lines, s.playOptions())
	for s.again(connecting, err) {
		err = s.live.Play(ctx, s.lines, s.playOptions())
	}
	if err == nil && s.options.end == "hold" {
		err = s.hold(connecting)
	}
	s.live.Halted()
	if err == nil {
		return s.clocks()
	}
	if errors.Is(err, live.ErrStopped) {
		if e := s.clocks(); e != nil {
			s.show.note(e.Error())
		}
	}
	return s.playError(err)
}

// ready connects all boards, asks whether the prop stands at rest, and arms them.
func (s *stage) ready(ctx, life context.Context, take *live.Take) error {
	for _, t := range s.lines {
		if err := s.connect(ctx, life, t, take); err != nil {
			return err
		}
	}
	if err := s.confirm(ctx); err != nil {
		return err
	}
	return s.live.Arm(ctx)
}

// early turns what went wrong before anything has moved into an exit code.
func (s *stage) early(err error) error {
	if errors.Is(err, live.ErrStopped) || errors.Is(err, context.Canceled) {
		return errFindings
	}
	return err
}

// again asks whether to arm anew boards of which one was lost, and to go on from where
// the motion was, and does so: nothing moves because a cable is back.
func (s *stage) again(ctx context.Context, err error) bool {
	var lost *live.LostError
	if !errors.As(err, &lost) || s.options.atRest || ctx.Err() != nil {
		return false
	}
	if lost.Moving {
		s.enter = lost.At
	}
	s.show.note(fmt.Sprintf("%v; it is waited for, Ctrl-C ends", err))
	if s.deaf() {
		return false
	}
	loose, err := s.live.Back(ctx)
	if err != nil {
		if ctx.Err() == nil {
			s.show.note(err.Error())
		}
		return false
	}
	if s.deaf() { // what was written before the question is no answer to it
		return false
	}
	s.show.note(fmt.Sprintf("%s Write yes to arm again and go on from %.1f s:", live.AgainQuestion(loose), s.enter))
	if a, ok := s.answer(ctx); !ok || !isYes(a) {
		return false
	}
	if err := s.live.Arm(ctx); err != nil {
		if ctx.Err() == nil {
			s.show.note(err.Error())
		}
		return false
	}
	return true
}

// hold keeps the last pose until somebody ends it, or a board is lost.
func (s *stage) hold(ctx context.Context) error {
	s.show.note("holding the last pose; Ctrl-C lets go of what carries no weight")
	for {
		if lost := s.live.Armed(); lost != nil && ctx.Err() == nil {
			return lost
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(50 * time.Millisecond):
		}
	}
}

func (s *stage) playOptions() live.PlayOptions {
	o := live.PlayOptions{From: s.options.from, To: s.options.to, Enter: s.enter, Speed: s.options.speed, CountIn: s.options.countIn, End: endings[s.options.end], Events: s.show.event}
	if s.options.loop {
		o.Rounds = live.Forever
	}
	o.Sounding(s.rig)
	return o
}

func (s *stage) openTake() (*live.Take, func() error, error) {
	if s.options.take == "" {
		return nil, func() error { return nil }, nil
	}
	name := s.options.take + ".take.jsonl"
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, os.ErrExist) {
		return nil, nil, fmt.Errorf("%s is there already; a take is never written over: choose another name", name)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("%s cannot be written: %w", name, reason(err))
	}
	take := live.NewTake(f, s.options.take, "limberjack "+version(), time.Now(), func(err error) {
		s.show.note(fmt.Sprintf("the take %s is not written any further: %v", name, reason(err)))
	})
	return take, func() error {
		err := take.Close()
		if e := f.Close(); err == nil {
			err = e
		}
		if err != nil {
			return fmt.Errorf("%s is not whole: %w", name, reason(err))
		}
		return nil
	}, nil
}

func (s *stage) connect(ctx, life context.Context, t *timeline.Timeline, take *live.Take) error {
	place := live.PlaceOf(t.Board, s.where[t.Board.Name], s.options.baud)
	place.Address = s.options.url != ""
	return s.live.Connect(ctx, life, place, live.Options{Timeline: t, Events: s.show.event, Take: take})
}

// confirm asks whether the prop stands at rest, since a servo drives to its first
// pulse at full speed.
func (s *stage) confirm(ctx context.Context) error {
	if s.options.atRest {
		return nil
	}
	s.live.Flush()
	s.show.note(live.RestQuestion + " Write yes to arm:")
	a, ok := s.answer(ctx)
	if !ok {
		return live.ErrStopped
	}
	if !isYes(a) {
		return errors.New("not armed: nobody has said that the prop stands at rest (write yes, or give --at-rest)")
	}
	return nil
}

func isYes(a string) bool { return a == "yes" || a == "y" }

// answer reads a line. It is not ok when the context ends before there is one; the end
// of the input is an empty answer.
func (s *stage) answer(ctx context.Context) (text string, ok bool) {
	if s.answers == nil {
		s.answers = make(chan string)
		go func() {
			for lines := bufio.NewScanner(s.in); lines.Scan(); {
				s.answers <- strings.ToLower(strings.TrimSpace(lines.Text()))
			}
			close(s.answers)
		}()
	}
	select {
	case <-ctx.Done():
		return "", false
	case a := <-s.answers:
		return a, true
	}
}

// deaf forgets the lines that were written before a question was asked, and says whether
// there will be none any more.
func (s *stage) deaf() bool {
	const typed = 50 * time.Millisecond // what was typed before is read in this time
	for s.answers != nil {
		select {
		case _, more := <-s.answers:
			if !more {
				return true
			}
		case <-time.After(typed):
			return false
		}
	}
	return false
}

// playError turns the end of a performance into an exit code.
func (s *stage) playError(err error) error {
	var lost *live.LostError
	switch {
	case err == nil:
		return nil
	case errors.Is(err, live.ErrStopped) || errors.Is(err, context.Canceled):
		return errFindings
	case errors.As(err, &lost) && lost.Moving:
		s.show.note(fmt.Sprintf("%v; look at the prop, then go on with --from %.1f", err, lost.At))
		return errFindings
	case errors.As(err, &lost):
		s.show.note(fmt.Sprintf("%v; look at the prop, then start again", err))
		return errFindings
	}
	return err
}

// echo is how soon after the first a second signal is taken for the same press: programs
// that run others pass one on to both the process and its group.
const echo = 100 * time.Millisecond

// listen answers Ctrl-C: once is a controlled stop, twice drops the pulses. It stops
// first, and tells afterwards.
func (s *stage) listen(interrupted <-chan os.Signal, cancel func()) {
	failed := func(err error) { s.show.note(err.Error()) }
	go func() {
		asked, first := 0, time.Time{}
		for sig := range interrupted {
			cancel()
			if asked > 0 && (sig != os.Interrupt || time.Since(first) < echo) {
				continue // only somebody's hand drops what carries weight
			}
			if asked++; asked == 1 {
				first = time.Now()
				s.live.Halt(false, failed)
				s.show.note("controlled stop; Ctrl-C again drops the pulses now, and what carries weight falls")
				continue
			}
			s.live.Halt(true, failed)
			s.show.note("pulses dropped")
		}
	}()
}
