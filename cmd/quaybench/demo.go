package main

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/profiles"
)

//go:embed demo
var demoFiles embed.FS

// demoBook returns the embedded book of the two invented boats.
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
	setup, err := bench.LoadFS(folder, bench.BoatFile, bench.SettingsFile, func(file string) string { return demoName(name, file) })
	return setup, err == nil
}

// demoName returns the name of an embedded boat's file for messages, so that nobody looks for it on the disk.
func demoName(boat, file string) string { return path.Join("<demo>", boat, file) }

// demoTime is when the invented history of a demo boat begins.
var demoTime = time.Date(2026, time.April, 1, 7, 0, 0, 0, time.UTC)

// addDemo adds a demo boat to a book, with an invented history: a version with a lower motor current limit, labelled spring, and
// one of the demo's files, labelled summer. Its verdicts are those of trials run now.
func addDemo(ctx context.Context, sys *system, to *profiles.Book, boat string) error {
	day := 0
	o := bookOptions(sys)
	o.Now = func() time.Time { day++; return demoTime.AddDate(0, 0, day) }
	book, err := profiles.Open(to.Dir(), o)
	if err != nil {
		return err
	}
	var texts profiles.Texts
	if texts.Boat, err = fs.ReadFile(demoBook(), boat+"/"+bench.BoatFile); err != nil {
		return err
	}
	if texts.Settings, err = fs.ReadFile(demoBook(), boat+"/"+bench.SettingsFile); err != nil {
		return err
	}
	if err := book.AddBoat(ctx, boat, texts); err != nil {
		return err
	}
	for _, name := range []string{registerMap, objectMap} {
		text, err := fs.ReadFile(demoBook(), boat+"/"+name)
		if err == nil {
			err = os.WriteFile(filepath.Join(book.Dir(), boat, name), text, 0o644)
		}
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	setup, _ := demoBoat(boat)
	now, _ := setup.Settings.Number(motorLimit)
	const who = "yard hand (invented)"
	for _, step := range []struct {
		share             float64
		reason, nameOfOne string
	}{{0.85, "as she left the yard", "spring"}, {1, "a little more for the summer's tows", "summer"}} {
		text, err := assign(bench.SettingsFile, texts.Settings, motorLimit+"="+quantity.Format(math.Round(step.share*now), "A", 4))
		if err != nil {
			return err
		}
		if step.share == 1 {
			text = texts.Settings
		}
		if err := book.Edit(ctx, boat, bench.SettingsFile, func([]byte) ([]byte, error) { return text, nil }); err != nil {
			return err
		}
		tried, err := tryTexts(ctx, sys, book, boat, profiles.Texts{Boat: texts.Boat, Settings: text})
		if err != nil {
			return err
		}
		v, err := book.Save(ctx, boat, profiles.SaveOptions{Author: who, Reason: step.reason, Tool: bench.Version, Verdicts: profileVerdicts(tried), Tried: &profiles.Texts{Boat: texts.Boat, Settings: text}})
		if err != nil {
			return err
		}
		if _, err := book.Label(ctx, boat, string(v.Hash), step.nameOfOne, profiles.LabelOptions{Author: who, Tool: bench.Version}); err != nil {
			return err
		}
	}
	return nil
}

// motorLimit is the setting that the demo raises.
var motorLimit = func() string {
	var s settings.Set
	return s.Key(&s.Limits.MotorCurrent)
}()

// demoOptions are what `quaybench demo` is asked.
type demoOptions struct {
	copyTo string
}

func (o *demoOptions) run(ctx context.Context, sys *system) error {
	if o.copyTo != "" {
		return copyDemo(sys, o.copyTo)
	}
	setup, ok := demoBoat("petrel")
	if !ok {
		return fmt.Errorf("the demo book is damaged; this is a fault of the program")
	}
	raised := motorLimit + "=240 A"
	fmt.Fprintf(sys.Out, "The demo boat petrel is invented. The same as:\n  quaybench try petrel --set limits.motor_current=\"240 A\"\n\n")
	tried, err := try(ctx, sys, sys.drawing(setup), bench.TryOptions{Set: []string{raised}, Bands: true})
	if err == nil || stopped(err) {
		showTried(sys, tried, nil, err != nil)
	}
	return err
}

func demoCommand(sys *system) *cobra.Command {
	var o demoOptions
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "try a raised limit on an invented boat, with nothing to set up",
		Long: `Loads the embedded demo book (two invented boats: the 48 V harbour launch petrel and the 72 V
workboat bracken), tries a raised motor current limit on petrel beside its present settings, and
shows the verdict. The exit code is 0 even where the verdict is over: that is what the demo shows.`,
		Example: "  quaybench demo\n  quaybench demo --copy ./book     # the demo book as files, to play with\n  quaybench try petrel --set limits.motor_current=\"180 A\"",
		Args:    arguments(0, 0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.run(cmd.Context(), sys)
		},
	}
	cmd.Flags().StringVar(&o.copyTo, "copy", "", "copy the demo book to this new `FOLDER` instead")
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
	if err := copyJournals(sys, dir); err != nil {
		return err
	}
	fmt.Fprintf(sys.Out, "demo book copied to %s; try\n  quaybench --book %s try petrel\n", filepath.Clean(dir), word(filepath.Clean(dir)))
	return nil
}
