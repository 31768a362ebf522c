package main

import (
	"context"
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/profiles"
)

// newOptions are what `quaybench new` is asked.
type newOptions struct {
	name string
	all  bool
}

func (o *newOptions) run(ctx context.Context, sys *system) error {
	if err := profiles.CheckBoatName(o.name); err != nil {
		return input(err)
	}
	dir, err := bookDir(sys)
	if err != nil {
		return err
	}
	book, err := profiles.Create(dir, profiles.Options{Now: sys.Clock.Now})
	if err != nil {
		return err
	}
	much := bench.ShortTemplate
	if o.all {
		much = bench.WholeTemplate
	}
	texts := profiles.Texts{Boat: bench.NewBoatFile(o.name, much), Settings: bench.NewSettingsFile(o.name, much)}
	if err := book.AddBoat(ctx, o.name, texts); err != nil {
		return input(err)
	}
	for _, file := range []string{bench.BoatFile, bench.SettingsFile} {
		fmt.Fprintln(sys.Out, "wrote", filepath.Join(dir, o.name, file))
	}
	place := ""
	if sys.Book != "" {
		place = "--book " + word(sys.Book) + " "
	}
	sys.tell("Every value in them is an example, and nothing is judged while one is left: replace it by yours, and the word example by where yours comes from. Then run\n  quaybench %[1]scheck %[2]s\n  quaybench %[1]stry %[2]s\n", place, o.name)
	return nil
}

func newCommand(sys *system) *cobra.Command {
	var o newOptions
	cmd := &cobra.Command{
		Use:   "new NAME",
		Short: "add a boat to the book: two commented files to fill in",
		Long: `Writes a boat file and a settings file into the book, valid as written, each value with what it is
and where to find it on a data sheet or how to measure it: the values that matter most, or every key
with --all. Each says that it is an example, and while one does nothing is judged: put in your own, and
write where it comes from (measured, data sheet, estimated) in place of the word. Nothing is overwritten.`,
		Example: "  quaybench new heron\n  quaybench --book ./yard new heron",
		Args:    arguments(1, 1, "NAME"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.name = args[0]
			return o.run(cmd.Context(), sys)
		},
	}
	cmd.Flags().BoolVar(&o.all, "all", false, "write every key there is")
	return cmd
}
