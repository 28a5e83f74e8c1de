package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/signal"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"limberjack/sequence"
	"limberjack/transport/board"
	"limberjack/transport/wire"
)

type boardOptions struct {
	rig, name     string
	port, listen  string
	record        string
	ppm           float64
	jitter        time.Duration
	baud, depth   int
	restart       time.Duration
	resetOnOpen   bool
	faults        board.Faults
	length        time.Duration
	runtimeFaults io.Reader
	ends          string
}

func newBoardCommand() *cobra.Command {
	var o boardOptions
	c := &cobra.Command{
		Use:   "board RIG",
		Short: "Run a controller board in software",
		Long: `board speaks the protocol of a controller board on a pseudo-terminal, or on a
WebSocket with --listen, so that motions can be played without hardware. It holds
the limits of the rig's board itself, and has a clock of its own.

What goes wrong with real boards can be had on request: a clock that is off, a
link that loses or spoils messages, a slow program. While it runs it takes words
from standard input: reset, stall 2s, cut 3s (the cable), press and let-go (the
stop input), state, quit.

--record writes every edge of every pin: .vcd (IEEE 1364) or .csv.`,
		Example: `  limberjack board keeper.rig.yaml --board main --port /tmp/main
  limberjack board keeper.rig.yaml --board shore --listen 127.0.0.1:8090 --ppm -3100`,
		Args: needs(1, 1, "a rig", "limberjack board keeper.rig.yaml --board main"),
		RunE: func(c *cobra.Command, args []string) error {
			o.rig, o.runtimeFaults = args[0], c.InOrStdin()
			return runBoard(c.Context(), o, c.OutOrStdout())
		},
	}
	f := c.Flags()
	f.StringVar(&o.name, "board", "", "the board of the rig; needed where it has several")
	f.StringVar(&o.port, "port", "", "name to give the pseudo-terminal, as a link that others can open")
	f.StringVar(&o.listen, "listen", "", "serve a WebSocket at this address instead, as in 127.0.0.1:8090")
	f.StringVar(&o.record, "record", "", "write every edge of every pin to this file, .vcd or .csv")
	f.Float64Var(&o.ppm, "ppm", 0, "how fast the board's clock runs, in parts per million, -10000 to 10000")
	f.DurationVar(&o.jitter, "jitter", 0, "longest time until the board's program gets to a message")
	f.IntVar(&o.baud, "baud", 0, "data rate of the serial line; default: the rig's")
	f.IntVar(&o.depth, "depth", 0, "frames that the board's queue holds; default: half a second of them")
	f.DurationVar(&o.restart, "restart", 1500*time.Millisecond, "how long the board is deaf after a reset")
	f.BoolVar(&o.resetOnOpen, "reset-on-open", false, "opening the port resets the board, as on many real ones")
	f.Float64Var(&o.faults.Drop, "lose", 0, "share of messages that are lost, 0 to 1")
	f.Float64Var(&o.faults.Corrupt, "spoil", 0, "share of messages that are spoilt, 0 to 1")
	f.Float64Var(&o.faults.Duplicate, "repeat", 0, "share of messages that come twice, 0 to 1")
	f.DurationVar(&o.faults.Delay, "delay", 0, "longest time by which messages are late")
	f.Uint64Var(&o.faults.Seed, "seed", 1, "another seed, other faults")
	f.StringVar(&o.ends, "ends", "", "open this axis to all pulses from 500 to 2500 us, so that jog --ends can look for its ends")
	f.DurationVar(&o.length, "for", 0, "end after so long; default: when it is told")
	return c
}

func (o boardOptions) check() error {
	switch {
	case o.port != "" && o.listen != "":
		return errors.New("--port and --listen are two kinds of link; give one of them")
	case !(o.ppm >= -10000 && o.ppm <= 10000):
		return fmt.Errorf("--ppm is %g; it may be from -10000 to 10000", o.ppm)
	case o.depth < 0 || o.depth > 32767:
		return fmt.Errorf("--depth is %d; it may be from 1 to 32767", o.depth)
	case o.baud < 0 || o.baud > 10_000_000:
		return fmt.Errorf("--baud is %d; it may be up to 10000000", o.baud)
	}
	for name, d := range map[string]time.Duration{"jitter": o.jitter, "restart": o.restart, "delay": o.faults.Delay, "for": o.length} {
		if d < 0 {
			return fmt.Errorf("--%s is %v; a time cannot be negative", name, d)
		}
	}
	for name, v := range map[string]float64{"lose": o.faults.Drop, "spoil": o.faults.Corrupt, "repeat": o.faults.Duplicate} {
		if !(v >= 0 && v <= 1) {
			return fmt.Errorf("--%s is %g; it may be from 0 to 1", name, v)
		}
	}
	return nil
}

func runBoard(ctx context.Context, o boardOptions, out io.Writer) error {
	if err := o.check(); err != nil {
		return err
	}
	rig, err := sequence.LoadRig(openFile, o.rig)
	if err != nil {
		return err
	}
	spec, err := boardOf(rig, o.name)
	if err != nil {
		return err
	}
	if err := openForEnds(rig, spec, o.ends); err != nil {
		return err
	}
	config, err := board.ConfigOf(rig, spec)
	config.Boot = uint16(rand.Uint32()) // another number after each start, as the protocol asks for
	if err != nil {
		return err
	}
	if o.depth > 0 {
		config.Depth = o.depth
	}
	print := &lockedPrinter{out: out}
	watch := &stateWatch{print: print}
	options := board.Options{Config: config, PPM: o.ppm, Jitter: o.jitter, Baud: o.baud, Restart: o.restart, OnOpen: o.resetOnOpen, Faults: o.faults}
	if o.baud == 0 && spec.Baud.Given() {
		options.Baud = int(spec.Baud.V)
	}
	finish, err := o.recordTo(&options.Config)
	if err != nil {
		return err
	}
	ctx, end := signal.NotifyContext(contextOr(ctx), os.Interrupt)
	defer end()
	if o.length > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, o.length)
		defer cancel()
	}
	server := board.NewServer(options)
	ctx, quit := context.WithCancel(ctx)
	defer quit()
	go watch.follow(ctx, server)
	go o.obey(server, print, quit)
	if o.listen != "" {
		err = serveSocket(ctx, server, o.listen, print)
	} else {
		err = server.ServePTY(ctx, o.port, func(path string) {
			print.line("board %s of %s: port %s", spec.Name, rig.Name, path)
		})
	}
	server.Close()
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		err = nil
	}
	return errors.Join(err, finish())
}

func contextOr(ctx context.Context) context.Context {
	if ctx == nil {
		return context.Background()
	}
	return ctx
}

// boardOf finds a board of a rig by its name, or the only one.
func boardOf(rig *sequence.Rig, name string) (*sequence.Board, error) {
	var names []string
	for _, b := range rig.Boards {
		if b.Name == name || name == "" && len(rig.Boards) == 1 {
			return b, nil
		}
		names = append(names, b.Name)
	}
	if name == "" {
		return nil, fmt.Errorf("the rig has several boards; say which by --board: %s", strings.Join(names, ", "))
	}
	return nil, fmt.Errorf("the rig has no board %q; it has %s", name, strings.Join(names, ", "))
}

func serveSocket(ctx context.Context, server *board.Server, address string, print *lockedPrinter) error {
	on, err := net.Listen("tcp", address)
	if err != nil {
		return fmt.Errorf("--listen %s: %w", address, err)
	}
	print.line("listening at ws://%s/", on.Addr())
	return server.ServeWebSocket(ctx, on)
}

// lockedPrinter writes lines from several goroutines, each whole.
type lockedPrinter struct {
	mu  sync.Mutex
	out io.Writer
}

func (p *lockedPrinter) line(format string, args ...any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	fmt.Fprintf(p.out, format+"\n", args...)
}

// stateWatch tells what the board is doing when that changes.
type stateWatch struct{ print *lockedPrinter }

func (w *stateWatch) follow(ctx context.Context, s *board.Server) {
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	state := s.State()
	w.print.line("%s: %s", state, state.Meaning())
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			if now := s.State(); now != state {
				state = now
				w.print.line("%s: %s", state, state.Meaning())
			}
		}
	}
}

// obey takes words from standard input.
func (o boardOptions) obey(s *board.Server, print *lockedPrinter, quit func()) {
	lines := bufio.NewScanner(o.runtimeFaults)
	for lines.Scan() {
		word, rest, _ := strings.Cut(strings.TrimSpace(lines.Text()), " ")
		span := time.Second
		if rest != "" {
			d, err := time.ParseDuration(strings.TrimSpace(rest))
			if err != nil || d < 0 || d > time.Hour {
				print.line("%q is no time; write for example 2s", rest)
				continue
			}
			span = d
		}
		switch word {
		case "":
		case "reset":
			s.Reset(wire.ResetPin)
		case "stall":
			s.Stall(span)
		case "cut":
			s.Cut(span)
		case "press":
			s.Input(wire.InputsStop)
		case "let-go":
			s.Input(0)
		case "state":
			print.line("%s: %s", s.State(), s.State().Meaning())
		case "quit":
			quit()
			return
		default:
			print.line("%q is not known here; write reset, stall 2s, cut 3s, press, let-go, state or quit", word)
		}
	}
}
