package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/signal"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"limberjack/sequence"
	"limberjack/transport/live"
	"limberjack/transport/timeline"
	"limberjack/web/rehearse"
)

type jogOptions struct {
	rig, board string
	port, url  string
	baud       int
	atRest     bool
	ends       string
}

func newJogCommand() *cobra.Command {
	var o jogOptions
	c := &cobra.Command{
		Use:   "jog RIG",
		Short: "Move one axis of a board from the keyboard, within its limits",
		Long: `jog arms a board at the rig's rest pose and moves one axis at a time, no faster
than 30 deg/s and never beyond its travel.

On a terminal: left and right arrow move by the step, up and down change the step,
tab takes the next axis, r moves everything to rest, q does so and ends. Space and
Ctrl-C are a controlled stop, also while an axis moves: every axis comes to rest
within its limits, then it is let go unless it carries weight. Otherwise, or for
larger ways, lines are read: head-pan 10deg, head-pan by -2.5, rest, stop, quit.

--ends AXIS looks for the pulses at the ends of a servo's travel, from its centre
outwards, at most 10 us further out at a time. l and h (or the words low and high)
confirm the end that was reached, w (write) writes both into the rig; an end that was
not confirmed is not written. The board must be open for that: its program is made,
or the board in software started, with the same --ends AXIS.`,
		Example: `  limberjack jog keeper.rig.yaml --board main --port /dev/ttyUSB0
  limberjack jog keeper.rig.yaml --board main --port /dev/ttyUSB0 --ends head-pan`,
		Args: needs(1, 1, "a rig", "limberjack jog keeper.rig.yaml --port /dev/ttyUSB0"),
		RunE: func(c *cobra.Command, args []string) error {
			o.rig = args[0]
			return runJog(contextOr(c.Context()), o, c.InOrStdin(), c.OutOrStdout(), c.ErrOrStderr())
		},
	}
	f := c.Flags()
	f.StringVar(&o.board, "board", "", "the board of the rig; needed where it has several")
	f.StringVar(&o.port, "port", "", "serial port of the board")
	f.StringVar(&o.url, "url", "", "address of the board, as in ws://keeper.local:8090/")
	f.IntVar(&o.baud, "baud", 0, "data rate of the serial port; default: the rig's, or 115200")
	f.BoolVar(&o.atRest, "at-rest", false, "the prop stands at rest: do not ask")
	f.StringVar(&o.ends, "ends", "", "look for the pulses at the ends of this axis")
	return c
}

func runJog(ctx context.Context, o jogOptions, in io.Reader, out, errOut io.Writer) error {
	if (o.port == "") == (o.url == "") {
		return errors.New("jog needs the place of the board: --port /dev/ttyUSB0 or --url ws://…")
	}
	rig, err := sequence.LoadRig(openFile, o.rig)
	if err != nil {
		return err
	}
	spec, err := boardOf(rig, o.board)
	if err != nil {
		return err
	}
	pose, err := rehearse.NewPose(rig, spec)
	if err != nil {
		return err
	}
	j := &jogger{pose: pose, step: 1}
	if o.ends != "" {
		if j.finder, err = newFinder(j, o.ends); err != nil {
			return err
		}
	}
	tl, err := pose.Timeline()
	if err != nil {
		return err
	}
	terminal, raw := in.(*os.File)
	if raw = raw && term.IsTerminal(int(terminal.Fd())); raw {
		out = returning{out}
	}
	s := &stage{options: playOptions{baud: o.baud, atRest: o.atRest}, rig: rig, lines: []*timeline.Timeline{tl}, where: map[string]string{spec.Name: o.port + o.url},
		in: in, show: newShow(out, errOut, false)}
	j.out = s.show.out
	defer s.show.end()
	life, end := context.WithCancel(context.WithoutCancel(ctx))
	defer end()
	defer s.live.Close()
	ctx, release := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	defer release()
	signal.Ignore(syscall.SIGPIPE) // who read what jog says may go before the axes have stopped
	err = s.connect(ctx, life, tl, nil)
	if err != nil && j.finder != nil {
		return rehearse.OpenHint(err, o.rig, o.ends)
	}
	if err != nil {
		return err
	}
	b := s.live.Boards()[0]
	j.live = b
	reader := bufio.NewReader(in)
	if !o.atRest {
		s.answers = firstLine(reader)
	}
	if j.finder != nil {
		fmt.Fprintln(j.out, j.finder.Caution())
	}
	if err := s.confirm(ctx); err != nil {
		return j.ended(err)
	}
	if err := b.Arm(ctx, nil); err != nil {
		return j.ended(err)
	}
	if raw {
		err = j.keys(ctx, terminal, reader)
	} else {
		err = j.lines(ctx, reader)
	}
	return j.ended(err)
}

// firstLine gives one line of the input, and leaves the others for who comes after.
func firstLine(in *bufio.Reader) chan string {
	line := make(chan string)
	go func() {
		defer close(line)
		text, _ := in.ReadString('\n')
		line <- strings.ToLower(strings.TrimSpace(text))
	}()
	return line
}

// jogger moves the axes of one board.
type jogger struct {
	pose *rehearse.Pose
	live *live.Board
	out  io.Writer
	axis int
	step float64 // in the axis's unit

	finder *finder // of ends; nil: axes are moved within their limits
}

// move moves one axis, within its travel; a servo that turns on and on has full speed
// both ways for that.
func (j *jogger) move(ctx context.Context, a *sequence.Axis, to float64) error {
	switch {
	case a.HasTravel():
		to = math.Max(a.Travel[0].V, math.Min(a.Travel[1].V, to))
	case a.Kind == sequence.ContinuousServo:
		to = math.Max(-100, math.Min(100, to))
	}
	was := j.pose.At[a]
	j.pose.At[a] = to
	if err := j.pose.Move(ctx, j.live); err != nil {
		j.pose.At[a] = was
		return err
	}
	fmt.Fprintf(j.out, "%s at %s %s\n", a.Name, strconv.FormatFloat(math.Round(to*1000)/1000, 'f', -1, 64), a.Unit)
	return nil
}

// rest moves all axes to rest.
func (j *jogger) rest(ctx context.Context) error {
	for _, a := range j.pose.Axes {
		j.pose.At[a] = a.Rest.V
	}
	if err := j.pose.Move(ctx, j.live); err != nil {
		return err
	}
	fmt.Fprintln(j.out, "all axes at rest")
	return nil
}

// stop brings everything to rest; jog ends, since the board is disarmed then.
func (j *jogger) stop() error {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if err := j.live.Stop(ctx); err != nil {
		return err
	}
	fmt.Fprintln(j.out, "stopped and disarmed")
	return nil
}

// interrupted is stop where not the keyboard asked for it.
func (j *jogger) interrupted() error {
	if err := j.stop(); err != nil {
		return err
	}
	return live.ErrStopped
}

// over says whether an error leaves a board that jog cannot move any more.
func over(err error) bool {
	var lost *live.LostError
	return errors.As(err, &lost) || errors.Is(err, live.ErrNotArmed) || errors.Is(err, live.ErrClosed)
}

// ended turns the end of jog into an exit code.
func (j *jogger) ended(err error) error {
	switch {
	case err != nil && over(err):
		if errors.Is(err, live.ErrNotArmed) {
			err = &live.LostError{Board: j.pose.Board.Name, Text: "it is not armed any more"}
		}
		fmt.Fprintf(j.out, "%v; look at the prop, then start jog again\n", err)
		return errFindings
	case errors.Is(err, live.ErrStopped) || errors.Is(err, context.Canceled):
		return errFindings
	}
	return err
}

// written is a line with the time at which it came.
type written struct {
	text string
	at   time.Time
}

// linesAhead bounds the lines that are read ahead of what they ask for.
const linesAhead = 1024

// lines obeys lines of words, one after the other, until there are no more. A stop that
// is written while an axis moves is obeyed at once; one that stood there before, as in a
// script, has its turn.
func (j *jogger) lines(ctx context.Context, in *bufio.Reader) error {
	lines := make(chan written, linesAhead)
	go func() {
		defer close(lines)
		for text := bufio.NewScanner(in); text.Scan(); {
			lines <- written{strings.TrimSpace(text.Text()), time.Now()}
		}
	}()
	var waiting []written
	for {
		if ctx.Err() != nil { // whatever else has come
			return j.interrupted()
		}
		var next written
		more := true
		if len(waiting) > 0 {
			next, waiting = waiting[0], waiting[1:]
		} else {
			select {
			case <-ctx.Done():
				continue
			case next, more = <-lines:
			}
		}
		if !more {
			return j.rest(ctx)
		}
		ended, stop, err := j.obeying(ctx, next.text, lines, &waiting)
		switch {
		case stop:
			return j.stop()
		case ended || over(err):
			return err
		case err != nil && ctx.Err() == nil:
			fmt.Fprintln(j.out, err)
		}
	}
}

// obeying does what a line says, unless a stop is written meanwhile. Other lines wait.
func (j *jogger) obeying(ctx context.Context, text string, lines <-chan written, waiting *[]written) (ended, stop bool, err error) {
	const before = 50 * time.Millisecond // what is read so soon was written before
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	began, done := time.Now(), make(chan struct{})
	go func() {
		defer close(done)
		ended, err = j.obey(ctx, text)
	}()
	for {
		heard := lines
		if len(*waiting) >= linesAhead {
			heard = nil
		}
		select {
		case <-done:
			return ended, stop, err
		case l, more := <-heard:
			switch {
			case !more:
				lines = nil
			case l.text == "stop" && l.at.Sub(began) > before:
				stop = true
				cancel()
			default:
				*waiting = append(*waiting, l)
			}
		}
	}
}

// obey does what a line says.
func (j *jogger) obey(ctx context.Context, text string) (ended bool, err error) {
	if j.finder != nil {
		return j.finder.obey(ctx, text)
	}
	switch text {
	case "":
		return false, nil
	case "rest":
		return false, j.rest(ctx)
	case "stop":
		return true, j.stop()
	case "quit", "q":
		return true, j.rest(ctx)
	}
	name, value, _ := strings.Cut(text, " ")
	for _, a := range j.pose.Axes {
		if a.Name != name {
			continue
		}
		// -10deg is a place; by -10deg is a way.
		way, by := strings.CutPrefix(strings.TrimSpace(value), "by ")
		value = strings.TrimSpace(way)
		number := strings.TrimSpace(strings.TrimSuffix(value, a.Unit))
		v, err := strconv.ParseFloat(number, 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return false, fmt.Errorf("%q is no value of %s; write for example %s 10%s, or %s by -2%s", value, name, name, a.Unit, name, a.Unit)
		}
		if by {
			v += j.pose.At[a]
		}
		return false, j.move(ctx, a, v)
	}
	var names []string
	for _, a := range j.pose.Axes {
		names = append(names, a.Name)
	}
	return false, fmt.Errorf("%q is no axis of board %s; it has %s (or write rest, stop, quit)", name, j.pose.Board.Name, strings.Join(names, ", "))
}

// returning ends lines as a terminal wants it that adds nothing by itself.
type returning struct{ io.Writer }

func (r returning) Write(p []byte) (int, error) {
	_, err := r.Writer.Write(bytes.ReplaceAll(p, []byte("\n"), []byte("\r\n")))
	return len(p), err
}

// key is a byte that was typed, or one of those below.
type key int

const (
	keyUp key = 256 + iota
	keyDown
	keyRight
	keyLeft
	keyOther // a key that means nothing here
	keyGone  // the terminal is gone
	keyNone  = key(-1)
	keyStop  = key(' ')
	ctrlC    = key(3)
	ctrlD    = key(4)
)

func (k key) stops() bool { return k == keyStop || k == ctrlC || k == keyGone }

// moves says whether what a key asks for takes time.
func (k key) moves() bool { return k == keyLeft || k == keyRight || k == 'r' || k == 'q' || k == ctrlD }

// keys obeys single keys of a terminal. A key that stops is obeyed while an axis
// moves; of others that come meanwhile the last one is kept, so that an arrow that is
// held down moves no further than a step after it is let go.
func (j *jogger) keys(ctx context.Context, f *os.File, in *bufio.Reader) error {
	was, err := term.MakeRaw(int(f.Fd()))
	if err != nil {
		return j.lines(ctx, in)
	}
	defer term.Restore(int(f.Fd()), was)
	typed := make(chan key)
	go readKeys(in, typed)
	j.tell()
	for next := keyNone; ; {
		k := next
		if k == keyNone {
			select {
			case <-ctx.Done():
			case k = <-typed:
			}
		}
		switch {
		case ctx.Err() != nil || k == keyGone:
			return j.interrupted()
		case k.stops():
			return j.stop()
		}
		next = keyNone
		if !k.moves() {
			j.turn(k)
			continue
		}
		ended, err := false, error(nil)
		if ended, next, err = j.doing(ctx, typed, k); ended || over(err) {
			return err
		}
		if err != nil && ctx.Err() == nil {
			fmt.Fprintln(j.out, err)
		}
	}
}

// doing does what a key says, unless one that stops comes meanwhile. It gives the
// last key of those that came, to be done next.
func (j *jogger) doing(ctx context.Context, typed <-chan key, k key) (ended bool, next key, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	done := make(chan struct{})
	go func() {
		defer close(done)
		ended, err = j.press(ctx, k)
	}()
	next = keyNone
	for {
		select {
		case <-done:
			if next.stops() {
				ended, err = false, nil // what was begun has been given up
			}
			return ended, next, err
		case k := <-typed:
			if next.stops() {
				continue
			}
			if next = k; k.stops() {
				cancel()
			}
		}
	}
}

// readKeys gives keys; the last is that the terminal is gone.
func readKeys(in *bufio.Reader, typed chan<- key) {
	for {
		k, err := keyOf(in)
		if err != nil {
			typed <- keyGone
			return
		}
		typed <- k
	}
}

var arrows = map[byte]key{'A': keyUp, 'B': keyDown, 'C': keyRight, 'D': keyLeft}

// keyOf reads a key. An arrow is ESC [ and a letter, or ESC O and a letter (ECMA-48,
// CSI and SS3; the letters are those of CUU, CUD, CUF and CUB). A sequence with
// parameters is another key, and is read to its end, so that no part of it is taken
// for a letter that was typed.
func keyOf(in *bufio.Reader) (key, error) {
	b, err := in.ReadByte()
	if err != nil || b != 0x1b {
		return key(b), err
	}
	if b, err = in.ReadByte(); err != nil {
		return keyNone, err
	}
	if b != '[' && b != 'O' {
		return keyOther, in.UnreadByte() // the escape key, and then another one
	}
	plain := true
	for {
		b, err = in.ReadByte()
		switch {
		case err != nil:
			return keyNone, err
		case b < 0x20: // no part of a sequence
			return key(b), nil
		case b < 0x40:
			plain = false
			continue
		}
		if k, ok := arrows[b]; ok && plain {
			return k, nil
		}
		return keyOther, nil
	}
}

// press does what a key says that moves axes.
func (j *jogger) press(ctx context.Context, k key) (ended bool, err error) {
	if j.finder != nil {
		return j.finder.press(ctx, k)
	}
	a := j.pose.Axes[j.axis]
	switch k {
	case keyLeft:
		return false, j.move(ctx, a, j.pose.At[a]-j.step)
	case keyRight:
		return false, j.move(ctx, a, j.pose.At[a]+j.step)
	case 'r':
		return false, j.rest(ctx)
	}
	return true, j.rest(ctx)
}

// turn changes what the next arrow will do.
func (j *jogger) turn(k key) {
	if j.finder != nil {
		if err := j.finder.turn(k); err != nil {
			fmt.Fprintln(j.out, err)
		}
		return
	}
	const least, most = 0.1, 20
	switch k {
	case keyUp:
		j.step = math.Min(most, j.step*2)
	case keyDown:
		j.step = math.Max(least, j.step/2)
	case '\t':
		j.axis = (j.axis + 1) % len(j.pose.Axes)
	default:
		return
	}
	j.tell()
}

func (j *jogger) tell() {
	if j.finder != nil {
		j.finder.tell()
		return
	}
	a := j.pose.Axes[j.axis]
	fmt.Fprintf(j.out, "%s, step %g %s  (arrows move, tab: next axis, r: rest, space: stop, q: quit)\n", a.Name, j.step, a.Unit)
}
