package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"quaybench/bench"
	"quaybench/bench/link"
	"quaybench/bench/quantity"
	"quaybench/bench/verdict"
)

// controllerFlags are the flags of everything that talks to a controller.
type controllerFlags struct {
	on, file string
}

func (f *controllerFlags) add(cmd *cobra.Command, sys *system) {
	cmd.Flags().StringVar(&f.on, "on", "", "port and rate, for example /dev/ttyUSB0@115200 or /dev/ttyUSB0@19200,8E1; sim: a simulated controller")
	cmd.Flags().StringVar(&f.file, "map", "", "register map (default: registers.toml beside the boat file)")
	_ = cmd.MarkFlagRequired("on")
	cmd.ValidArgsFunction = completeBoats(sys)
}

// open finds the boat and opens its controller.
func (f *controllerFlags) open(cmd *cobra.Command, sys *system, name string) (*bench.Setup, *line, error) {
	setup, err := loadBoat(cmd, sys, name)
	if err != nil {
		return nil, nil, err
	}
	m, err := loadMap(setup, f.file)
	if err != nil {
		return nil, nil, err
	}
	l, err := openLine(setup, m, f.on)
	return setup, l, err
}

func controllerCommand(sys *system) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "controller",
		Short: "read, write and verify the settings in a controller",
	}
	cmd.AddCommand(readCommand(sys), writeCommand(sys), verifyCommand(sys))
	return cmd
}

func readCommand(sys *system) *cobra.Command {
	var f controllerFlags
	cmd := &cobra.Command{
		Use:     "read BOAT",
		Short:   "show the controller's settings beside the file's",
		Example: "  quaybench controller read petrel --on /dev/ttyUSB0@115200\n  quaybench controller read petrel --on sim",
		Args:    arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			setup, l, err := f.open(cmd, sys, args[0])
			if err != nil {
				return err
			}
			_, err = showHeld(cmd, sys, setup, l)
			return errors.Join(err, l.close())
		},
	}
	f.add(cmd, sys)
	return cmd
}

func verifyCommand(sys *system) *cobra.Command {
	var f controllerFlags
	cmd := &cobra.Command{
		Use:     "verify BOAT",
		Short:   "tell whether the controller holds the file's settings; exit code 1 if not",
		Example: "  quaybench controller verify petrel --on /dev/ttyUSB0@115200",
		Args:    arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			setup, l, err := f.open(cmd, sys, args[0])
			if err != nil {
				return err
			}
			held, err := showHeld(cmd, sys, setup, l)
			if err := errors.Join(err, l.close()); err != nil {
				return err
			}
			if n := differing(held); n > 0 {
				return fmt.Errorf("%d settings in the controller differ from %s", n, setup.SettingsFile)
			}
			fmt.Fprintln(sys.Out, "the controller holds the file's settings")
			return nil
		},
	}
	f.add(cmd, sys)
	return cmd
}

func differing(held []bench.Held) (n int) {
	for _, h := range held {
		if !h.Same {
			n++
		}
	}
	return n
}

// showHeld reads the controller and prints its settings beside the file's.
func showHeld(cmd *cobra.Command, sys *system, setup *bench.Setup, l *line) ([]bench.Held, error) {
	if pending, err := unfinished(journalName(setup)); err == nil && len(pending) > 0 {
		fmt.Fprintln(sys.Out, "mind: the journal knows of writes whose outcome it does not tell; what stands below was read just now:")
		for _, e := range pending {
			fmt.Fprintf(sys.Out, "  %s on %s at %s\n", e.Key, e.On, e.At.Format("2006-01-02 15:04:05"))
		}
	}
	values, err := l.ReadSettings(cmd.Context())
	if err != nil {
		return nil, fmt.Errorf("the controller's settings cannot be read: %w", err)
	}
	d := l.Describe()
	held := bench.CompareSettings(setup.Settings, d, values)
	fmt.Fprintf(sys.Out, "%s: %s\n", setup.Boat.Name, orElse(d.Title, "controller"))
	tab := &table{right: map[int]bool{1: true, 2: true}}
	tab.add("setting", "controller", "file", "")
	for _, h := range held {
		note := "same"
		if !h.Same {
			note = "differs"
		}
		if h.ReadOnly {
			note += ", read-only"
		}
		tab.add(h.Key, heldText(h.Setting, h.Controller), heldText(h.Setting, h.File), note)
	}
	for _, line := range tab.lines() {
		fmt.Fprintln(sys.Out, line)
	}
	return held, nil
}

// heldText is a setting's value in words or with its unit.
func heldText(k link.Setting, v float64) string {
	if len(k.Words) > 0 {
		if i := int(v); i >= 0 && i < len(k.Words) {
			return k.Words[i]
		}
		return "?"
	}
	return quantity.Format(v, orElse(k.Unit, "1"), 4)
}

func journalName(setup *bench.Setup) string {
	return filepath.Join(filepath.Dir(setup.BoatFile), "controller-journal.jsonl")
}

func writeCommand(sys *system) *cobra.Command {
	var f controllerFlags
	var yes bool
	cmd := &cobra.Command{
		Use:   "write BOAT",
		Short: "write the file's settings to the controller, each read back",
		Long: `Shows what differs, judges the settings in all built-in trials, asks, and writes in an order that is safe at each step: what lowers a limit comes
first. Each value is read back; if one is not taken, everything is put back as it was. A journal beside the boat file says after any crash or unplugged line
what was under way. Refused while the motor runs, while the verdict is over, or where the register map says read-only.`,
		Example: "  quaybench controller write petrel --on /dev/ttyUSB0@115200",
		Args:    arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			setup, l, err := f.open(cmd, sys, args[0])
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, l.close()) }()
			held, err := showHeld(cmd, sys, setup, l)
			if err != nil {
				return err
			}
			if differing(held) == 0 {
				fmt.Fprintln(sys.Out, "the controller holds the file's settings already: nothing to write")
				return nil
			}
			order, err := bench.WriteOrder(setup, held)
			if err != nil {
				return input(err)
			}
			tried, err := try(cmd.Context(), sys, setup, bench.TryOptions{NoChange: true})
			if err != nil {
				return err
			}
			fmt.Fprintf(sys.Out, "\nverdict of these settings in all built-in trials: %s\n", tried.Level())
			if tried.Level() == verdict.Over {
				fmt.Fprintln(sys.Err, "quaybench: nothing was written: these settings are over a limit; see `quaybench try "+args[0]+"`")
				return overError{}
			}
			fmt.Fprintf(sys.Out, "to write, in this order:\n")
			for _, c := range order {
				k := setting(held, c.Key)
				fmt.Fprintf(sys.Out, "  %s from %s to %s\n", c.Key, heldText(k, c.From), heldText(k, c.To))
			}
			fmt.Fprintln(sys.Out, wrapped(bench.Caution, sys.width()))
			if !yes {
				if err := confirm(sys, setup.Boat.Name, "to write them"); err != nil {
					return err
				}
			}
			j, err := openJournal(journalName(setup), f.on)
			if err != nil {
				return err
			}
			defer j.file.Close()
			if err := link.Transfer(cmd.Context(), l, order, j); err != nil {
				return err
			}
			fmt.Fprintf(sys.Out, "%d settings written and read back\n", len(order))
			return nil
		},
	}
	f.add(cmd, sys)
	cmd.Flags().BoolVar(&yes, "yes", false, "do not ask")
	return cmd
}

func setting(held []bench.Held, key string) link.Setting {
	for _, h := range held {
		if h.Key == key {
			return h.Setting
		}
	}
	return link.Setting{}
}

// confirm asks the person to type a word. Only a terminal can answer.
func confirm(sys *system, word, what string) error {
	f, ok := sys.In.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return input(fmt.Errorf("this asks a person: run it in a terminal"))
	}
	fmt.Fprintf(sys.Out, "type %s %s: ", word, what)
	answer, err := bufio.NewReader(sys.In).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if strings.TrimSpace(answer) != word {
		return input(fmt.Errorf("not confirmed: nothing was done"))
	}
	return nil
}
