package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/link"
	"quaybench/bench/link/fault"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
	"quaybench/profiles"
)

// registerMap is the file that says which register holds what; it lies beside the boat file where none is named.
const registerMap = "registers.toml"

// simulated is the name of the port at whose end is a simulated controller.
const simulated = "sim"

// berth is a boat with what belongs to its controller.
type berth struct {
	*bench.Setup
	name   string         // as the user calls it
	home   string         // folder of its files; "" for a boat embedded in the program
	book   *profiles.Book // nil where it is in none
	assume []string       // assignments made to the file's settings
	journ  string         // where its journal is
}

// findBerth loads a boat, with assignments made to its settings.
func findBerth(sys *system, name string, set []string) (*berth, error) {
	setup, err := loadBoat(sys, name)
	if err != nil {
		return nil, err
	}
	b := &berth{Setup: setup, name: name, assume: set}
	if setup.Settings, err = bench.Propose(setup.Settings, set); err != nil {
		return nil, input(err)
	}
	dir, noBook := bookDir(sys)
	switch {
	case isPath(name):
		b.home = filepath.Dir(setup.BoatFile)
	case noBook == nil && isThere(filepath.Join(dir, name)):
		b.home = filepath.Join(dir, name)
		if b.book, err = openBook(sys); err != nil {
			return nil, err
		}
	}
	b.journ = filepath.Join(b.home, journalFile)
	if b.home == "" && noBook == nil {
		b.journ = filepath.Join(filepath.Dir(dir), "demo", name, journalFile)
	}
	return b, nil
}

// isPath says whether a boat's name is written as a path, as loadBoat takes it.
func isPath(name string) bool {
	return strings.ContainsAny(name, `/\`) || filepath.Ext(name) == ".toml" || name == "." || name == ".."
}

// registers reads the boat's register map, or the one named. A simulated controller needs none.
func (b *berth) registers(file, on string) (*regmap.Map, error) {
	var text []byte
	var err error
	named := file != ""
	switch {
	case named:
		text, err = readFile(file, largestText)
	case b.home == "":
		file = path.Join("demo", b.name, registerMap)
		text, err = demoFiles.ReadFile(file)
	default:
		file = filepath.Join(b.home, registerMap)
		text, err = readFile(file, largestText)
	}
	switch missing := errors.Is(err, fs.ErrNotExist); {
	case missing && on == simulated && !named:
		return bench.SimulatedRegisters()
	case missing:
		return nil, input(fmt.Errorf("no register map %s: give --map FILE, or put %s beside the boat file", file, registerMap))
	case err != nil:
		return nil, input(fmt.Errorf("the register map cannot be read: %w", err))
	}
	m, err := regmap.Load(file, text, settings.Fields())
	return m, input(err)
}

// version is the saved version that the boat's files are, if they are one; nil where the boat is in no book.
func (b *berth) version(ctx context.Context) *profiles.Entry {
	if b.book == nil || len(b.assume) > 0 {
		return nil
	}
	l, err := b.book.List(ctx, b.name)
	if err != nil || l.Working.BoatChanged || l.Working.SettingsChanged {
		return nil
	}
	for i := range l.Versions {
		if l.Versions[i].Hash == l.Working.Continues {
			return &l.Versions[i]
		}
	}
	return nil
}

// line is an open controller. Its throttle is locked out until release.
type line struct {
	link.Controller
	release func()
	clock   port.Clock
	on      string
	close   func() error
}

func (l *line) sim() bool { return l.on == simulated }

// openLine opens a controller: the simulated one, which answers at once in virtual time, in the weather of a trial (nil: a
// fair day, moored), else one on a serial port.
func openLine(sys *system, b *berth, m *regmap.Map, on string, weather *trial.Trial) (*line, error) {
	var clock port.Clock
	var p port.Port
	timing := modbus.TimingAt(115200)
	if on == simulated {
		virtual := linksim.NewVirtual(sys.Clock.Now())
		sim, err := linksim.New(b.Boat, b.Settings, m, virtual, linksim.Options{Trial: weather})
		if err != nil {
			return nil, input(err)
		}
		clock, p = virtual, sim.Loopback(m, timing, virtual)
	} else {
		address, err := port.ParseAddress(on)
		if err != nil {
			return nil, input(err)
		}
		if p, err = sys.Open(address); err != nil {
			return nil, err
		}
		clock, timing = sys.Clock, modbus.TimingAt(address.Baud)
	}
	c := regmap.NewController(m, modbus.NewMaster(p, timing, clock), clock)
	locked, release := link.LockOut(c)
	if on == simulated { // nothing moves
		release()
	}
	return &line{Controller: locked, release: release, clock: clock, on: on, close: func() error { return errors.Join(c.Close(), p.Close()) }}, nil
}

// simulateControllerOptions are what `quaybench simulate-controller` is asked.
type simulateControllerOptions struct {
	boat  string
	file  string
	speed float64
	set   []string
	wrong mischief
}

func (o *simulateControllerOptions) run(ctx context.Context, sys *system) error {
	b, err := findBerth(sys, o.boat, o.set)
	if err != nil {
		return err
	}
	if !(o.speed > 0 && o.speed <= 1000) {
		return input(fmt.Errorf("--speed must be above 0 and 1000 at most, got %g", o.speed))
	}
	m, err := b.registers(o.file, simulated)
	if err != nil {
		return err
	}
	sim, err := linksim.New(b.Boat, b.Settings, m, sys.Clock, linksim.Options{Speed: o.speed})
	if err != nil {
		return input(err)
	}
	near, far, err := port.Pseudo()
	if err != nil {
		return err
	}
	defer near.Close()
	near, err = o.wrong.on(near, sim, sys.Clock)
	if err != nil {
		return err
	}
	fmt.Fprintf(sys.Out, "%s's simulated controller is on %s@115200\n%s\nCtrl-C ends it.\n", b.Boat.Name, far, wrapped(bench.Caution, sys.width()))
	err = sim.Serve(ctx, m, near, modbus.TimingAt(115200))
	if ctx.Err() != nil {
		return sim.Err()
	}
	return errors.Join(err, sim.Err())
}

func simulateControllerCommand(sys *system) *cobra.Command {
	var o simulateControllerOptions
	cmd := &cobra.Command{
		Use:   "simulate-controller BOAT",
		Short: "put a simulated controller on a pseudo-terminal, to practise on",
		Long: `Runs the boat's drive and its controller's law behind the frames of a real controller, on a pseudo-terminal, and prints the port. Everything that
talks to a controller can talk to this one. It runs until Ctrl-C, and forgets what was written to it then.

With --fault it misbehaves as a line or a controller may, to practise what to do then.`,
		Example: `  quaybench simulate-controller petrel
  quaybench controller read petrel --on /dev/pts/7@115200     # in another terminal
  quaybench simulate-controller petrel --set limits.motor_current="120 A" --fault "bad check sum" --every 200`,
		Args: arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.boat = args[0]
			return o.run(cmd.Context(), sys)
		},
	}
	cmd.Flags().StringVar(&o.file, "map", "", "register map (default: registers.toml beside the boat file)")
	cmd.Flags().Float64Var(&o.speed, "speed", 1, "simulated seconds per second")
	addSet(cmd, &o.set)
	o.wrong.add(cmd)
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

// mischief is a fault of the simulated controller, on demand.
type mischief struct {
	name  string
	every int
}

// reset is the one fault that is not the line's: the controller falls back to its first settings.
const reset = "reset"

func (w *mischief) add(cmd *cobra.Command) {
	cmd.Flags().StringVar(&w.name, "fault", "", "misbehave at some replies: "+strings.Join(faultNames(), ", ")+" (to the first settings)")
	cmd.Flags().IntVar(&w.every, "every", 100, "with --fault: at every so many replies")
	_ = cmd.RegisterFlagCompletionFunc("fault", cobra.FixedCompletions(faultNames(), cobra.ShellCompDirectiveNoFileComp))
}

func faultNames() (names []string) {
	for _, f := range fault.All(modbus.TimingAt(115200)) {
		names = append(names, f.Name)
	}
	return append(names, reset)
}

// on puts the fault on the controller's port.
func (w *mischief) on(p port.Port, sim *linksim.Controller, clock port.Clock) (port.Port, error) {
	if w.name == "" {
		return p, nil
	}
	if w.every < 1 {
		return nil, input(fmt.Errorf("--every must be 1 or more, got %d", w.every))
	}
	due := func(n int) bool { return n%w.every == 0 }
	if w.name == reset {
		return fault.FarEnd(p, clock, fault.Fault{}, func(n int) bool {
			if due(n) {
				sim.Reset()
			}
			return false
		}), nil
	}
	for _, f := range fault.All(modbus.TimingAt(115200)) {
		if f.Name == w.name {
			return fault.FarEnd(p, clock, f, due), nil
		}
	}
	return nil, input(fmt.Errorf("no fault is called %q; there are %s", w.name, strings.Join(faultNames(), ", ")))
}

// addSet adds the flag that makes assignments to the file's settings.
func addSet(cmd *cobra.Command, set *[]string) {
	cmd.Flags().StringArrayVar(set, "set", nil, "take this instead of the file's value: `KEY=VALUE` (may be repeated)")
	_ = cmd.RegisterFlagCompletionFunc("set", completeKeys)
}
