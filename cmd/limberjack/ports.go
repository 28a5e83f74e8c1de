package main

import (
	"encoding/json"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"limberjack/transport/live"
)

func newPortsCommand() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "ports",
		Short: "List the serial ports of this computer",
		Long: `ports lists serial ports with their USB ids, so that a controller board can be
told from others. A board that is plugged in is the port that appears then.`,
		Example: `  limberjack ports
  limberjack ports --json`,
		Args: needs(0, 0, "no arguments", "limberjack ports"),
		RunE: func(c *cobra.Command, args []string) error { return runPorts(asJSON, c.OutOrStdout()) },
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print the list as JSON")
	return c
}

func runPorts(asJSON bool, out io.Writer) error {
	list, err := live.Ports()
	if err != nil {
		return err
	}
	if asJSON {
		e := json.NewEncoder(out)
		e.SetIndent("", "  ")
		return e.Encode(list)
	}
	if len(list) == 0 {
		fmt.Fprintln(out, "no serial ports: plug the board in, or start one in software with limberjack board")
	}
	for _, p := range list {
		text := p.Path
		if p.USB {
			text += fmt.Sprintf("  usb %s:%s", p.Vendor, p.Product)
			for _, s := range []string{p.Name, p.Serial} {
				if s != "" {
					text += "  " + s
				}
			}
		}
		fmt.Fprintln(out, text)
	}
	return nil
}
