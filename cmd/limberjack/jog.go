package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/signal"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"limberjack/interp"
	"limberjack/sequence"
	"limberjack/transport/live"
	"limberjack/transport/timeline"
)

type jogOptions struct {
	rig, board string
	port, url  string
	baud       int
	atRest     bool
}

func newJogCommand() *cobra.Command {
	var o jogOptions
	c := &cobra.Command{
		Use:   "jog RIG",
		Short: "Move one axis of a board from the keyboard, within its limits",
		Long: `jog arms a board at the rig's rest pose and moves one axis at a time, no faster
than 30 deg/s and never beyond its travel.

On a terminal: left and right arrow move by the step, up and down change the step,
tab takes the next axis, r moves everything to rest, space is a controlled stop,
q ends. Otherwise, or for larger ways, lines are read: head-pan 10deg, head-pan by
-2.5, rest, stop, quit.`,
		Example: `  limberjack jog keeper.rig.yaml --board main --port /dev/ttyUSB0`,
		Args:    needs(1, 1, "a rig", "limberjack jog keeper.rig.yaml --port /dev/ttyUSB0"),
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
	j := &jogger{rig: rig, board: spec, out: out, at: map[*sequence.Axis]float64{}, step: 1}
	for _, a := range rig.Axes {
		if a.Board == spec {
			j.axes = append(j.axes, a)
			j.at[a] = a.Rest.V
		}
	}
	if len(j.axes) == 0 {
		return fmt.Errorf("board %s drives no axis", spec.Name)
	}
	tl, err := j.timeline()
	if err != nil {
		return err
	}
	s := &stage{options: playOptions{baud: o.baud, atRest: o.atRest}, rig: rig, lines: []*timeline.Timeline{tl}, where: map[string]string{spec.Name: o.port + o.url},
		in: in, show: newShow(out, errOut, false)}
	life, end := context.WithCancel(context.WithoutCancel(ctx))
	defer end()
	defer s.close()
	ctx, release := signal.NotifyContext(ctx, os.Interrupt)
	defer release()
	b, err := s.connect(ctx, life, tl, nil)
	if err != nil {
		return err
	}
	s.boards = []*live.Board{b}
	reader := bufio.NewReader(in)
	s.in = reader
	if err := s.confirm(ctx); err != nil {
		return err
	}
	if err := b.Arm(ctx, nil); err != nil {
		return err
	}
	j.live = b
	if f, ok := in.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		return j.keys(ctx, f, reader)
	}
	return j.lines(ctx, reader)
}

// jogger moves the axes of one board.
type jogger struct {
	rig   *sequence.Rig
	board *sequence.Board
	axes  []*sequence.Axis
	at    map[*sequence.Axis]float64
	live  *live.Board
	out   io.Writer
	axis  int
	step  float64 // in the axis's unit
}

// timeline makes the pose that the axes are at into frames, by the same way as
// every motion goes.
func (j *jogger) timeline() (*timeline.Timeline, error) {
	s := &sequence.Script{Name: "jog", Rig: j.rig, Length: 1}
	for _, a := range j.axes {
		s.Cues = append(s.Cues, sequence.Cue{Set: []sequence.CueSet{{Axis: a, Value: j.at[a]}}})
	}
	p, err := interp.Compile(s)
	if err != nil {
		return nil, err
	}
	lines, err := timeline.Build(p)
	if err != nil {
		return nil, err
	}
	for _, t := range lines {
		if t.Board == j.board {
			return t, nil
		}
	}
	return nil, fmt.Errorf("board %s drives no axis", j.board.Name)
}

// move moves one axis, within its travel.
func (j *jogger) move(ctx context.Context, a *sequence.Axis, to float64) error {
	if a.HasTravel() {
		to = math.Max(a.Travel[0].V, math.Min(a.Travel[1].V, to))
	}
	was := j.at[a]
	j.at[a] = to
	if err := j.follow(ctx); err != nil {
		j.at[a] = was
		return err
	}
	fmt.Fprintf(j.out, "%s at %s %s\r\n", a.Name, strconv.FormatFloat(math.Round(to*1000)/1000, 'f', -1, 64), a.Unit)
	return nil
}

// rest moves all axes to rest.
func (j *jogger) rest(ctx context.Context) error {
	for _, a := range j.axes {
		j.at[a] = a.Rest.V
	}
	if err := j.follow(ctx); err != nil {
		return err
	}
	fmt.Fprint(j.out, "all axes at rest\r\n")
	return nil
}

// follow sends the board to the pose that the axes are at.
func (j *jogger) follow(ctx context.Context) error {
	t, err := j.timeline()
	if err != nil {
		return err
	}
	frame := make([]uint16, len(t.Channels))
	t.Reader().Next(frame)
	pose := make([]int64, len(frame))
	for i, c := range t.Channels {
		if pose[i] = int64(c.Unit.Number(frame[i])); c.Unit == timeline.StepDelta {
			pose[i] = c.Start
		}
	}
	return j.live.Move(ctx, pose)
}

// stop brings everything to rest; jog ends, since the board is disarmed then.
func (j *jogger) stop() error {
	stopBoard(j.live, false)
	fmt.Fprint(j.out, "stopped and disarmed\r\n")
	return nil
}

// lines obeys lines of words until there are no more.
func (j *jogger) lines(ctx context.Context, in *bufio.Reader) error {
	for {
		line, err := in.ReadString('\n')
		if text := strings.TrimSpace(line); text != "" {
			ended, problem := j.obey(ctx, text)
			if ended || ctx.Err() != nil {
				return problem
			}
			if problem != nil {
				fmt.Fprintln(j.out, problem)
			}
		}
		if err != nil {
			return j.rest(ctx)
		}
	}
}

// obey does what a line says.
func (j *jogger) obey(ctx context.Context, text string) (ended bool, err error) {
	switch text {
	case "rest":
		return false, j.rest(ctx)
	case "stop":
		return true, j.stop()
	case "quit", "q":
		return true, j.rest(ctx)
	}
	name, value, _ := strings.Cut(text, " ")
	for _, a := range j.axes {
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
			v += j.at[a]
		}
		return false, j.move(ctx, a, v)
	}
	var names []string
	for _, a := range j.axes {
		names = append(names, a.Name)
	}
	return false, fmt.Errorf("%q is no axis of board %s; it has %s (or write rest, stop, quit)", name, j.board.Name, strings.Join(names, ", "))
}

// keys obeys single keys of a terminal.
func (j *jogger) keys(ctx context.Context, f *os.File, in *bufio.Reader) error {
	was, err := term.MakeRaw(int(f.Fd()))
	if err != nil {
		return j.lines(ctx, in)
	}
	defer term.Restore(int(f.Fd()), was)
	j.tell()
	for ctx.Err() == nil {
		key, err := keyOf(in)
		if err != nil {
			return j.rest(ctx)
		}
		ended, err := j.press(ctx, key)
		if ended {
			return err
		}
		if err != nil {
			fmt.Fprintf(j.out, "%v\r\n", err)
		}
	}
	return j.stop()
}

// keyOf reads a key; an arrow is ESC [ and a letter (ECMA-48, cursor keys), given
// as that letter.
func keyOf(in *bufio.Reader) (byte, error) {
	b, err := in.ReadByte()
	if err != nil || b != 0x1b {
		return b, err
	}
	if next, err := in.ReadByte(); err != nil || next != '[' {
		return 0, err
	}
	return in.ReadByte()
}

// press does what a key says.
func (j *jogger) press(ctx context.Context, key byte) (ended bool, err error) {
	const least, most = 0.1, 20
	a := j.axes[j.axis]
	switch key {
	case 'D': // left
		return false, j.move(ctx, a, j.at[a]-j.step)
	case 'C': // right
		return false, j.move(ctx, a, j.at[a]+j.step)
	case 'A': // up
		j.step = math.Min(most, j.step*2)
		j.tell()
	case 'B': // down
		j.step = math.Max(least, j.step/2)
		j.tell()
	case '\t':
		j.axis = (j.axis + 1) % len(j.axes)
		j.tell()
	case 'r':
		return false, j.rest(ctx)
	case ' ', 3: // space, Ctrl-C
		return true, j.stop()
	case 'q', 4: // q, Ctrl-D
		return true, j.rest(ctx)
	}
	return false, nil
}

func (j *jogger) tell() {
	a := j.axes[j.axis]
	fmt.Fprintf(j.out, "%s, step %g %s  (arrows move, tab: next axis, r: rest, space: stop, q: quit)\r\n", a.Name, j.step, a.Unit)
}
