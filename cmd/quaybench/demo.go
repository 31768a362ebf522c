package main

import (
	"embed"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/profiles"
)

//go:embed demo
var demoFiles embed.FS

// demoBook is the embedded book of the two invented boats.
func demoBook() fs.FS {
	book, err := fs.Sub(demoFiles, "demo")
	if err != nil {
		panic(err) // the folder is embedded above
	}
	return book
}

// demoBoat loads an embedded boat.
func demoBoat(name string) (*bench.Setup, bool) {
	folder, err := fs.Sub(demoBook(), name)
	if err != nil {
		return nil, false
	}
	setup, err := bench.LoadFS(folder, bench.BoatFile, bench.SettingsFile, func(file string) string { return "demo/" + name + "/" + file })
	return setup, err == nil
}

func demoCommand(sys *system) *cobra.Command {
	var copyTo string
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "try a raised limit on an invented boat, with nothing to set up",
		Long: `Loads the embedded demo book (two invented boats: the 48 V harbour launch petrel and the 72 V
workboat bracken), tries a raised motor current limit on petrel beside its present settings, and
shows the verdict. The exit code is 0 even where the verdict is over: that is what the demo shows.`,
		Example: "  quaybench demo\n  quaybench demo --copy ./book     # the demo book as files, to play with\n  quaybench try petrel --set limits.motor_current=\"180 A\"",
		Args:    arguments(0, 0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if copyTo != "" {
				return copyDemo(sys, copyTo)
			}
			setup, ok := demoBoat("petrel")
			if !ok {
				return fmt.Errorf("the demo book is damaged; this is a fault of the program")
			}
			const raised = `limits.motor_current=240 A`
			fmt.Fprintf(sys.Out, "The demo boat petrel is invented. The same as:\n  quaybench try petrel --set limits.motor_current=\"240 A\"\n\n")
			tried, err := try(cmd.Context(), sys, setup, bench.TryOptions{Set: []string{raised}})
			if err == nil || stopped(err) {
				showTried(sys, tried, nil, err != nil)
			}
			return err
		},
	}
	cmd.Flags().StringVar(&copyTo, "copy", "", "copy the demo book to this new `FOLDER` instead")
	return cmd
}

// copyDemo writes the demo book to a new folder.
func copyDemo(sys *system, dir string) error {
	if _, err := os.Stat(dir); err == nil {
		return input(fmt.Errorf("%s exists already; name a new folder for the demo book", dir))
	}
	if _, err := profiles.Create(dir, profiles.Options{Now: sys.Clock.Now}); err != nil {
		return input(fmt.Errorf("the demo book cannot be copied: %w", err))
	}
	if err := os.CopyFS(dir, demoBook()); err != nil {
		return fmt.Errorf("the demo book cannot be copied: %w", err)
	}
	fmt.Fprintf(sys.Out, "demo book copied to %s; try\n  quaybench --book %s try petrel\n", filepath.Clean(dir), filepath.Clean(dir))
	return nil
}
