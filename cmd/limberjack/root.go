package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"runtime/debug"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"golang.org/x/term"

	"limberjack/sequence"
)

// Exit codes of every command.
const (
	exitDone     = 0
	exitFindings = 1
	exitUnable   = 2
)

// errFindings says that a command did its work and found errors; what they are
// has been printed.
var errFindings = errors.New("findings at error level")

// run runs one command line and gives its exit code.
func run(args []string, out, errOut io.Writer) int {
	root := newRootCommand(out, errOut)
	root.SetArgs(args)
	err := root.Execute()
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, errFindings):
		return exitFindings
	}
	for _, p := range sequence.AsProblems(err) {
		fmt.Fprintln(errOut, p.Error())
	}
	return exitUnable
}

func newRootCommand(out, errOut io.Writer) *cobra.Command {
	root := &cobra.Command{
		Use:   "limberjack",
		Short: "Choreograph props and puppets: check, plot and export motions for servos, motors and lamps",
		Long: `limberjack reads a rig and a motion script and says, before anything is powered,
whether the servos can follow and whether the supply holds. It then writes the
pulses that a controller board plays.

Exit codes: 0 done and nothing wrong, 1 findings at error level, 2 could not do it.`,
		Example:       "  limberjack check examples/lighthouse/greet.motion.yaml",
		Version:       version(),
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	root.SetOut(out)
	root.SetErr(errOut)
	root.SetFlagErrorFunc(flagError)
	root.AddCommand(newCheckCommand(), newSampleCommand(), newSimulateCommand(), newPlotCommand(), newPreviewCommand(), newExportCommand(), newVerifyCommand(), newInspectCommand(), newFirmwareCommand(), newShapeCommand(), newRetimeCommand(), newPlayCommand(), newJogCommand(), newBoardCommand(), newPortsCommand(), newSchemaCommand(), newNewCommand())
	return root
}

// flagError adds the nearest flag to what is said of one that does not exist.
func flagError(c *cobra.Command, err error) error {
	var unknown *pflag.NotExistError
	if !errors.As(err, &unknown) {
		return err
	}
	var names []string
	c.Flags().VisitAll(func(f *pflag.Flag) { names = append(names, f.Name) })
	if near := sequence.Nearest(unknown.GetSpecifiedName(), names); near != "" {
		return fmt.Errorf("%w; did you mean --%s?", err, near)
	}
	return fmt.Errorf("%w; limberjack %s --help lists them", err, c.Name())
}

// needs checks the number of arguments, at least low and at most high of them
// (-1: as many as one likes), and says what is missing.
func needs(low, high int, what, example string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) < low || (high >= 0 && len(args) > high) {
			return fmt.Errorf("%s needs %s, as in: %s", c.Name(), what, example)
		}
		return nil
	}
}

func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	v := info.Main.Version
	if v == "" || v == "(devel)" {
		v = "development"
	}
	return v + " (" + info.GoVersion + ")"
}

// openFile opens a file for the readers of documents. A pipe or a device is
// refused: reading it might never end.
func openFile(name string) (io.ReadCloser, error) {
	info, err := os.Stat(name)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() && !info.IsDir() {
		return nil, &os.PathError{Op: "open", Path: name, Err: errors.New("it is not a plain file")}
	}
	return os.Open(name)
}

// colourFor reports whether text for w may have colour: on a terminal, unless
// NO_COLOR is set (no-color.org).
func colourFor(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb" && term.IsTerminal(int(f.Fd()))
}
