package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/link/canfault"
	"quaybench/bench/link/canopen"
	"quaybench/bench/link/fault"
	"quaybench/bench/link/guard"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/objmap"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
	"quaybench/bench/link/slcan"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
	"quaybench/profiles"
)

// The maps beside the boat file where none is named: which register holds what, which object does.
const (
	registerMap = profiles.MapFile
	objectMap   = profiles.ObjectMapFile
)

// The protocols a controller may speak: whose map is meant where a boat has both.
const (
	asModbus  = "modbus"
	asCANopen = "canopen"
)

// controllerMap is what stands where in a boat's controller: a map of registers, or one of objects.
type controllerMap struct {
	*guard.Map
	registers *regmap.Map
	objects   *objmap.Map
}

// simulated is the name of the port at whose end is a simulated controller.
const simulated = "sim"

// berth is a boat with what belongs to its controller.
type berth struct {
	*bench.Setup
	name   string         // as the user calls it
	home   string         // folder of its files; "" for a boat embedded in the program
	book   *profiles.Book // nil where it is in none
	assume []string       // assignments made to the file's settings
	filed  settings.Set   // without them
	journ  string         // where its journal is; "" for a demo boat where there can be no book
}

// findBerth loads a boat, with assignments made to its settings.
func findBerth(sys *system, name string, set []string) (*berth, error) {
	setup, err := loadBoat(sys, name)
	if err != nil {
		return nil, err
	}
	b := &berth{Setup: setup, name: name, assume: set, filed: setup.Settings}
	if b.Setup, err = setup.With(set); err != nil {
		return nil, input(err)
	}
	dir, noBook := bookDir(sys)
	switch {
	case isPath(name):
		b.home = filepath.Dir(setup.BoatFile)
	case noBook == nil && hasBoat(dir, name):
		b.home = filepath.Join(dir, name)
		if b.book, err = openBook(sys); err != nil {
			return nil, err
		}
	}
	switch {
	case b.home != "" && b.book == nil:
		b.journ = filepath.Join(b.home, journalFile)
	case noBook == nil:
		b.journ, err = bookJournal(dir, name)
	}
	return b, err
}

// shelve copies a demo boat into the book, so that what is done to its controller is kept there.
func (b *berth) shelve(ctx context.Context, sys *system) error {
	if b.home != "" {
		return nil
	}
	book, done, err := openBookWith(ctx, sys, b.name, true)
	if err != nil {
		return err
	}
	done()
	b.book, b.home = book, filepath.Join(book.Dir(), b.name)
	return nil
}

// isPath reports whether a boat's name is written as a path, as loadBoat takes it.
func isPath(name string) bool {
	return strings.ContainsAny(name, `/\`) || filepath.Ext(name) == ".toml" || name == "." || name == ".."
}

// timing returns that of a Modbus line at a rate; it says nothing of another.
func (m *controllerMap) timing(baud int) modbus.Timing {
	if m.registers == nil {
		return modbus.TimingAt(baud)
	}
	return m.registers.Timing(baud)
}

// mapText reads the boat's map, or the one named, and says which protocol it is for.
func (b *berth) mapText(file, as string) (name string, text []byte, protocol string, err error) {
	if as != "" && as != asModbus && as != asCANopen {
		return "", nil, "", input(fmt.Errorf("--as is %s or %s, got %q", asModbus, asCANopen, as))
	}
	if file != "" {
		if text, err = datafile.ReadFile(file, largestText); err != nil {
			return file, nil, as, err
		}
		protocol = asModbus
		if nodeLine.Match(text) {
			protocol = asCANopen
		}
		if as != "" && as != protocol {
			return file, nil, "", fmt.Errorf("%s is a map for %s, and --as says %s", file, protocol, as)
		}
		return file, text, protocol, nil
	}
	for _, one := range []struct{ protocol, file string }{{asModbus, registerMap}, {asCANopen, objectMap}} {
		if as != "" && as != one.protocol {
			continue
		}
		if protocol = one.protocol; b.home == "" {
			file = demoName(b.name, one.file)
			text, err = fs.ReadFile(demoBook(), path.Join(b.name, one.file))
		} else {
			file = filepath.Join(b.home, one.file)
			text, err = datafile.ReadFile(file, largestText)
		}
		if !errors.Is(err, fs.ErrNotExist) {
			return file, text, protocol, err
		}
	}
	return file, nil, protocol, err
}

// nodeLine is what an object map has and a register map has not.
var nodeLine = regexp.MustCompile(`(?m)^\s*node_id\s*=`)

// controllerMap reads the boat's map of its controller, or the one named. A simulated controller needs none.
func (b *berth) controllerMap(file, as, on string) (*controllerMap, error) {
	name, text, protocol, err := b.mapText(file, as)
	switch missing := errors.Is(err, fs.ErrNotExist); {
	case missing && on == simulated && file == "" && as != asCANopen:
		m, err := bench.SimulatedRegisters()
		if err != nil {
			return nil, err
		}
		return &controllerMap{Map: &m.Map, registers: m}, nil
	case missing && as == "" && file == "":
		return nil, input(fmt.Errorf("no map of the controller, neither %s (Modbus) nor %s (CANopen) beside the boat file: write one (quaybench controller map %s --new TABLE), or give --map FILE", registerMap, objectMap, b.name))
	case missing:
		return nil, input(fmt.Errorf("no map %s: give --map FILE, or put %s (Modbus) or %s (CANopen) beside the boat file", name, registerMap, objectMap))
	case err != nil:
		return nil, input(fmt.Errorf("the map of the controller cannot be read: %w", err))
	}
	return readMap(name, text, protocol)
}

// readMap reads the text of a map.
func readMap(name string, text []byte, protocol string) (*controllerMap, error) {
	if protocol == asCANopen {
		m, err := objmap.Load(name, text, settings.Fields())
		if err != nil {
			return nil, input(err)
		}
		return &controllerMap{Map: &m.Map, objects: m}, nil
	}
	m, err := regmap.Load(name, text, settings.Fields())
	if err != nil {
		return nil, input(err)
	}
	return &controllerMap{Map: &m.Map, registers: m}, nil
}

// version returns the saved version that the boat's files are, if they are one; nil where the boat is in no book.
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
	locks   bool // its map says how it is locked
	survey  func(ctx context.Context) ([]guard.Surveyed, error)
	close   func() error
}

func (l *line) sim() bool { return l.on == simulated }

// openLine opens a controller: the simulated one, which answers at once in virtual time, in the weather of a trial (nil: a
// fair day, moored), else one on a serial port. alone is a person's word that nothing else hangs on its CAN bus.
func openLine(ctx context.Context, sys *system, b *berth, m *controllerMap, on string, alone bool, weather *trial.Trial) (*line, error) {
	var clock port.Clock
	var p port.Port
	timing := m.timing(115200)
	if on == simulated {
		virtual := linksim.NewVirtual(sys.Clock.Now())
		sim, err := linksim.New(b.Boat, b.Settings, m.Describe(), virtual, linksim.Options{Trial: weather})
		if err != nil {
			return nil, input(err)
		}
		clock = virtual
		if m.objects != nil {
			p = linksim.CANLoopback(sim.Adapter(m.objects, virtual), virtual)
		} else {
			p = sim.Loopback(m.registers, timing, virtual)
		}
	} else {
		if a := b.AssumesBoat(); a != nil { // its limits would be those of another boat
			return nil, input(fmt.Errorf("%s is a value of the boat: what is on board is tested as the boat file has it, so change the file (--on sim takes --set %s)", a.Key, a.Key))
		}
		address, err := port.ParseAddress(on)
		if err != nil {
			return nil, input(err)
		}
		if p, err = sys.Open(address); err != nil {
			return nil, err
		}
		clock, timing = sys.Clock, m.timing(address.Baud)
	}
	var c *guard.Controller
	off := func() error { return nil }
	if m.objects != nil {
		var err error
		if c, off, err = objmap.Open(ctx, m.objects, p, clock, alone); err != nil {
			return nil, errors.Join(err, p.Close())
		}
	} else {
		c = regmap.NewController(m.registers, modbus.NewMaster(p, timing, clock), clock)
	}
	locked, release := link.LockOut(c)
	if on == simulated { // nothing moves
		release()
	}
	return &line{Controller: locked, release: release, clock: clock, on: on, locks: len(m.Lock) > 0, survey: c.Survey, close: func() error { return errors.Join(c.Close(), off(), p.Close()) }}, nil
}

// simulateControllerOptions are what `quaybench simulate-controller` is asked.
type simulateControllerOptions struct {
	boat  string
	file  string
	as    string
	speed float64
	set   []string
	// beside are the instruments that are simulated on the same boat.
	beside []string
	wrong  mischief
}

func (o *simulateControllerOptions) run(ctx context.Context, sys *system) error {
	b, err := findBerth(sys, o.boat, o.set)
	if err != nil {
		return err
	}
	if !(o.speed > 0 && o.speed <= 1000) {
		return input(fmt.Errorf("--speed must be above 0 and 1000 at most, got %g", o.speed))
	}
	m, err := b.controllerMap(o.file, o.as, simulated)
	if err != nil {
		return err
	}
	sim, err := linksim.New(b.Boat, b.Settings, m.Describe(), sys.Clock, linksim.Options{Speed: o.speed, Limp: map[bool]float64{true: limp}[o.wrong.name == limps]})
	if err != nil {
		return input(err)
	}
	near, far, err := port.Pseudo()
	if err != nil {
		return err
	}
	defer near.Close()
	var serve func() error
	what := "simulated controller"
	if m.objects != nil {
		adapter, err := o.wrong.adapter(m.objects, sim, sys.Clock)
		if err != nil {
			return err
		}
		what = fmt.Sprintf("simulated controller (CANopen node %d at %s, behind a serial CAN adapter)", m.objects.Node(), m.objects.Rate().Name)
		serve = func() error { return adapter.Serve(ctx, near, 5*time.Millisecond) }
	} else {
		if near, err = o.wrong.on(near, sim, sys.Clock); err != nil {
			return err
		}
		serve = func() error { return sim.Serve(ctx, m.registers, near, modbus.TimingAt(115200)) }
	}
	fmt.Fprintf(sys.Out, "%s's %s is on %s@115200\n", b.Boat.Name, what, far)
	quiet, err := o.serveBeside(ctx, sys, sim)
	if err != nil {
		return err
	}
	defer quiet()
	fmt.Fprintf(sys.Out, "%s\nCtrl-C ends it.\n", wrapped(bench.Caution, sys.width()))
	err = serve()
	if ctx.Err() != nil {
		return sim.Err()
	}
	return errors.Join(err, sim.Err())
}

// serveBeside serves the instruments that were asked for on pseudo-terminals of their own; quiet ends them.
func (o *simulateControllerOptions) serveBeside(ctx context.Context, sys *system, sim *linksim.Controller) (quiet func(), err error) {
	ctx, stop := context.WithCancel(ctx)
	var served sync.WaitGroup
	var ports []port.Port
	quiet = func() {
		stop()
		for _, p := range ports {
			_ = p.Close()
		}
		served.Wait()
	}
	for _, name := range o.beside {
		all := linksim.Instruments()
		i := slices.IndexFunc(all, func(b linksim.Beside) bool { return b.Name == name })
		if i < 0 {
			quiet()
			return nil, input(fmt.Errorf("no instrument %q can be simulated; there are %s", name, strings.Join(besideNames(), ", ")))
		}
		near, far, err := port.Pseudo()
		if err != nil {
			quiet()
			return nil, err
		}
		ports = append(ports, near)
		fmt.Fprintln(sys.Out, hung("  ", fmt.Sprintf("beside it on %s@%d: %s", far, all[i].Baud, all[i].Doc), sys.width()))
		served.Go(func() { _ = all[i].Serve(ctx, sim, near) })
	}
	return quiet, nil
}

func besideNames() (names []string) {
	for _, b := range linksim.Instruments() {
		names = append(names, b.Name)
	}
	return names
}

func simulateControllerCommand(sys *system) *cobra.Command {
	var o simulateControllerOptions
	cmd := &cobra.Command{
		Use:   "simulate-controller BOAT",
		Short: "put a simulated controller on a pseudo-terminal, to practise on",
		Long: `Runs the boat's drive and its controller's law behind the frames of a real controller, on a pseudo-terminal, and prints the port. Everything that
talks to a controller can talk to this one. It runs until Ctrl-C, and forgets what was written to it then.

With --as canopen it is a CANopen node behind a serial CAN adapter (slcan), by the boat's objects.toml.

With --beside there are instruments on the same boat, each on a pseudo-terminal of its own: gps, meter, logger (see quaybench step --logger).

With --fault it misbehaves as a line or a controller may, to practise what to do then.`,
		Example: `  quaybench simulate-controller petrel
  quaybench controller read petrel --on /dev/pts/7@115200     # in another terminal
  quaybench simulate-controller petrel --as canopen
  quaybench simulate-controller petrel --beside gps,meter
  quaybench simulate-controller petrel --set limits.motor_current="120 A" --fault "bad check sum" --every 200`,
		Args: arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.boat = args[0]
			return o.run(cmd.Context(), sys)
		},
	}
	addMap(cmd, &o.file, &o.as)
	cmd.Flags().Float64Var(&o.speed, "speed", 1, "simulated seconds per second")
	addSet(cmd, sys, &o.set, insteadOfFile)
	cmd.Flags().StringSliceVar(&o.beside, "beside", nil, "`INSTRUMENTS` on the same boat, parted by commas: "+strings.Join(besideNames(), ", "))
	_ = cmd.RegisterFlagCompletionFunc("beside", cobra.FixedCompletions(besideNames(), cobra.ShellCompDirectiveNoFileComp))
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
	cmd.Flags().StringVar(&w.name, "fault", "", "misbehave at some replies: "+strings.Join(faultNames(), ", ")+"; with --as canopen: "+strings.Join(canFaultNames(), ", ")+" (reset: to the first settings)")
	cmd.Flags().IntVar(&w.every, "every", 100, "with --fault: at every so many replies")
	_ = cmd.RegisterFlagCompletionFunc("fault", cobra.FixedCompletions(slices.Compact(slices.Sorted(slices.Values(slices.Concat(faultNames(), canFaultNames())))), cobra.ShellCompDirectiveNoFileComp))
}

func faultNames() (names []string) {
	for _, f := range fault.All(modbus.TimingAt(115200)) {
		names = append(names, f.Name)
	}
	return append(names, reset, limps)
}

func canFaultNames() (names []string) {
	for _, f := range slices.Concat(canfault.All(1), canfault.Sent()) {
		names = append(names, f.Name)
	}
	return append(names, reset, onlyReports, noTimeout, limps)
}

// The faults of a CANopen node whose own time-out does not work: a step test has to find them out.
const (
	onlyReports = "time-out only reported"
	noTimeout   = "no time-out"
	limps       = "goes on with less" // also over Modbus
)

// limp is the share of a command that such a controller goes on with: at the proof's small command more than nothing.
const limp = 0.7

// adapter returns the simulated adapter with its node, and the fault in it.
func (w *mischief) adapter(m *objmap.Map, sim *linksim.Controller, clock port.Clock) (*slcan.Adapter, error) {
	if w.name != "" && w.every < 1 {
		return nil, input(fmt.Errorf("--every must be 1 or more, got %d", w.every))
	}
	silence := map[string]canopen.Silence{onlyReports: canopen.Reports, noTimeout: canopen.Ignores, limps: canopen.Limps}[w.name]
	node := objmap.NewNode(m, sim, clock, silence)
	a := slcan.NewAdapter(node, clock)
	a.Rate = m.Rate()
	a.Silent, a.Flagless = w.name == canfault.NoWord, w.name == canfault.NoFlags
	n := 0
	strikes := func(how func(slcan.Frame) []slcan.Delivery) func(slcan.Frame) []slcan.Delivery {
		return func(f slcan.Frame) []slcan.Delivery {
			if n++; n%w.every != 0 {
				return []slcan.Delivery{{Frame: f}}
			}
			return how(f)
		}
	}
	in, out, names := canfault.All(m.Node()), canfault.Sent(), canFaultNames()
	is := func(f canfault.Fault) bool { return f.Name == w.name }
	switch i, k := slices.IndexFunc(in, is), slices.IndexFunc(out, is); {
	case i >= 0:
		a.Mishap = strikes(in[i].Strike)
	case k >= 0:
		a.Sent = strikes(out[k].Strike)
	case w.name == reset:
		a.Mishap = strikes(func(f slcan.Frame) []slcan.Delivery {
			sim.Reset()
			return []slcan.Delivery{{Frame: f}}
		})
	case w.name != "" && !slices.Contains(names, w.name):
		return nil, input(fmt.Errorf("no fault of a CAN bus is called %q; there are %s", w.name, strings.Join(names, ", ")))
	}
	return a, nil
}

// on wraps the controller's port in the fault.
func (w *mischief) on(p port.Port, sim *linksim.Controller, clock port.Clock) (port.Port, error) {
	if w.name == "" || w.name == limps {
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

// addMap adds the flags that say which map of the controller is meant.
func addMap(cmd *cobra.Command, file, as *string) {
	cmd.Flags().StringVar(file, "map", "", "map of the controller (default: registers.toml or objects.toml beside the boat file)")
	cmd.Flags().StringVar(as, "as", "", "`PROTOCOL` the controller speaks, modbus or canopen: which of the two maps, where both are there (default: modbus then)")
	_ = cmd.RegisterFlagCompletionFunc("as", cobra.FixedCompletions([]string{asModbus, asCANopen}, cobra.ShellCompDirectiveNoFileComp))
}

// addSet adds the flag that makes assignments: to settings, values of the boat, conditions of the trials.
func addSet(cmd *cobra.Command, sys *system, set *[]string, what string) {
	cmd.Flags().StringArrayVar(set, "set", nil, what+": `KEY=VALUE` of a setting, of the boat file, or air, water or charge of all trials (may be repeated)")
	_ = cmd.RegisterFlagCompletionFunc("set", completeKeys(sys))
}

// insteadOfFile is what --set does where nothing is proposed.
const insteadOfFile = "take this instead of the file's value"
