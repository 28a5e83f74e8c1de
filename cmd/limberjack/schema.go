package main

import (
	"github.com/spf13/cobra"

	"limberjack/sequence"
)

func newSchemaCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "schema rig|motion|show",
		Short: "Print the JSON Schema of a document, for editors",
		Long: `schema prints the JSON Schema (2020-12) of rig, motion or show files. Editors that
know JSON Schema for YAML use it for completion and for marking mistakes.`,
		Example:   "  limberjack schema motion > motion.schema.json",
		Args:      needs(1, 1, "rig, motion or show", "limberjack schema motion"),
		ValidArgs: []string{"rig", "motion", "show"},
		RunE: func(c *cobra.Command, args []string) error {
			text, err := sequence.Schema(args[0])
			if err != nil {
				return err
			}
			_, err = c.OutOrStdout().Write(text)
			return err
		},
	}
}
