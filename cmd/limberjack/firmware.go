package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"limberjack/sequence"
	"limberjack/transport/firmware"
)

type firmwareOptions struct {
	rig, board, chip, plays, out, ends string
}

// What firmware plays.
const (
	playsWire = "wire"
	playsCard = "card"
	playsBoth = "both"
)

var playing = map[string]firmware.Plays{playsWire: {Wire: true}, playsCard: {Card: true}, playsBoth: {Wire: true, Card: true}}

func newFirmwareCommand() *cobra.Command {
	var o firmwareOptions
	c := &cobra.Command{
		Use:   "firmware RIG",
		Short: "Write the program of a controller board, with the rig's limits in it",
		Long: `firmware writes the program of one board of a rig as sources in C: a sketch, whose
folder src is all that avr-gcc needs, too. Channels, travel, speed and rest of the
rig are in it; whatever a host or a card says, no pulse leaves them. README.TXT
beside it says how to build it, flash it and wire it.

A program for the wire is played to by "limberjack play"; one for a card plays alone
what "limberjack export --to card" wrote; one for both does that until a host has
stopped it, and plays what the host sends from then on. The folder must be new or empty, or hold
nothing but an earlier program; it appears whole or not at all.`,
		Example: `  limberjack firmware keeper.rig.yaml --board main -o keeper_main
  limberjack firmware keeper.rig.yaml --board main --plays card -o keeper_card
  limberjack firmware keeper.rig.yaml --board shore --chip atmega2560 -o keeper_shore`,
		Args: needs(1, 1, "a rig", "limberjack firmware keeper.rig.yaml -o keeper"),
		RunE: func(c *cobra.Command, args []string) error {
			o.rig = args[0]
			return runFirmware(o, c.OutOrStdout(), c.ErrOrStderr())
		},
	}
	f := c.Flags()
	f.StringVar(&o.board, "board", "", "the board of the rig; needed where it has several")
	f.StringVar(&o.chip, "chip", "atmega328p", strings.Join(chips(), " or "))
	f.StringVar(&o.plays, "plays", "", "wire, what a host sends; card, what is on a card; or both (default: both, or wire where the chip has no memory for both)")
	f.StringVar(&o.ends, "ends", "", "open this axis to all pulses from 500 to 2500 us, so that jog --ends can look for its ends")
	f.StringVarP(&o.out, "output", "o", "", "folder to write")
	completeWords(c, "chip", chips()...)
	completeWords(c, "plays", playsWire, playsCard, playsBoth)
	return c
}

func chips() []string {
	var names []string
	for _, p := range firmware.Ports() {
		names = append(names, p.Name)
	}
	return names
}

// sketchName is what the folder of a sketch may be called.
var sketchName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,62}$`)

func runFirmware(o firmwareOptions, out, errOut io.Writer) error {
	ports := firmware.Ports()
	i := slices.IndexFunc(ports, func(p firmware.Port) bool { return p.Name == o.chip })
	name := filepath.Base(filepath.Clean(o.out))
	switch {
	case i < 0:
		return fmt.Errorf("--chip is %q; it may be %s", o.chip, strings.Join(chips(), ", "))
	case o.plays != "" && playing[o.plays] == firmware.Plays{}:
		return fmt.Errorf("--plays is %q; it may be %s, %s or %s", o.plays, playsWire, playsCard, playsBoth)
	case o.ends != "" && o.plays == playsCard:
		return errors.New("--ends is for a program that a host plays to; leave --plays card out")
	case o.out == "":
		return errors.New("firmware needs a folder to write: -o PATH")
	case !sketchName.MatchString(name):
		return fmt.Errorf("%s cannot be the folder of a sketch: use letters, digits, _ and -", name)
	}
	if err := folderThere(o.out); err != nil {
		return err
	}
	rig, err := sequence.LoadRig(openFile, o.rig)
	if err != nil {
		return err
	}
	board, err := boardOf(rig, o.board)
	if err != nil {
		return err
	}
	if err := openForEnds(rig, board, o.ends); err != nil {
		return err
	}
	port := &ports[i]
	program, err := firmware.ConfigOf(rig, board, port)
	if err != nil {
		return err
	}
	plays := port.Usual()
	if o.plays != "" {
		plays = playing[o.plays]
	}
	if err := program.Plays(plays); err != nil {
		return err
	}
	files, err := program.Tree(name)
	if err != nil {
		return err
	}
	if err := writeTree(o.out, files); err != nil {
		return err
	}
	for _, n := range program.Notes {
		fmt.Fprintln(errOut, "note: "+n)
	}
	if o.ends != "" {
		fmt.Fprintf(errOut, "note: this program lets %s go beyond its calibration; when its ends are found, write the rig's own program onto the board before anything is played\n", o.ends)
	}
	fmt.Fprintf(out, "%s: the program of board %s for an %s; %s says how to build, flash and wire it\n", o.out, board.Name, port.Chip, filepath.Join(o.out, "README.TXT"))
	return nil
}

// writeTree writes files into a folder that then takes the place of an empty one, or of
// one that holds nothing else than such files.
func writeTree(to string, files map[string][]byte) error {
	place, mode, err := treeFolder(to, files)
	if err != nil {
		return err
	}
	failed := func(err error) error { return fmt.Errorf("%s cannot be written: %w", to, reason(err)) }
	temporary, err := os.MkdirTemp(filepath.Dir(place), "."+filepath.Base(place)+".*")
	if err != nil {
		return failed(err)
	}
	defer os.RemoveAll(temporary)
	for name, text := range files {
		path := filepath.Join(temporary, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return failed(err)
		}
		if err := writeSynced(path, text); err != nil {
			return failed(err)
		}
	}
	syncFolder(temporary)
	if err := os.Chmod(temporary, mode); err != nil {
		return failed(err)
	}
	if err := swapFolder(temporary, place); err != nil {
		return failed(err)
	}
	return nil
}

func writeSynced(path string, text []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// treeFolder gives where a folder is to appear, and with what permissions.
func treeFolder(to string, files map[string][]byte) (string, fs.FileMode, error) {
	place, mode, there, err := standing(to, "")
	if err != nil || !there {
		return place, mode, err
	}
	err = filepath.WalkDir(place, func(path string, e fs.DirEntry, err error) error {
		if err != nil || path == place {
			return err
		}
		name, err := filepath.Rel(place, path)
		if err != nil {
			return err
		}
		name = filepath.ToSlash(name)
		if ours := files[name] != nil || firmware.Belongs(name); e.IsDir() && name != "src" || !e.IsDir() && (!ours || !e.Type().IsRegular()) {
			return fmt.Errorf("it holds %s, which is not of such a program: name a new or an empty folder", name)
		}
		return nil
	})
	if err != nil {
		return "", 0, fmt.Errorf("%s cannot be replaced: %w", to, reason(err))
	}
	return place, mode, nil
}
