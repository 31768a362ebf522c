package main

import (
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/profiles"
)

func newCommand(sys *system) *cobra.Command {
	return &cobra.Command{
		Use:   "new NAME",
		Short: "add a boat to the book: two commented files to fill in",
		Long: `Writes a boat file and a settings file into the book, valid as written, each value with what it is
and where to find it on a data sheet or how to measure it. Nothing is overwritten.`,
		Example: "  quaybench new heron\n  quaybench --book ./yard new heron",
		Args:    arguments(1, 1, "NAME"),
		RunE: func(cmd *cobra.Command, args []string) error {
			name := args[0]
			if err := profiles.CheckBoatName(name); err != nil {
				return input(err)
			}
			dir, err := bookDir(cmd, sys)
			if err != nil {
				return err
			}
			book, err := profiles.Create(dir, profiles.Options{Now: sys.Clock.Now})
			if err != nil {
				return err
			}
			texts := profiles.Texts{Boat: bench.NewBoatFile(name), Settings: bench.NewSettingsFile(name)}
			if err := book.AddBoat(cmd.Context(), name, texts); err != nil {
				return input(err)
			}
			for _, file := range []string{bench.BoatFile, bench.SettingsFile} {
				fmt.Fprintln(sys.Out, "wrote", filepath.Join(dir, name, file))
			}
			place := ""
			if flag, _ := cmd.Flags().GetString("book"); flag != "" {
				place = "--book " + flag + " "
			}
			fmt.Fprintf(sys.Out, "Every value in them is an example: replace it by yours, then run\n  quaybench %[1]scheck %[2]s\n  quaybench %[1]stry %[2]s\n", place, name)
			return nil
		},
	}
}
