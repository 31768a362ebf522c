package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/link"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
	"quaybench/bench/settings"
)

// registerMap is the file that says which register holds what; it lies beside the boat file where none is named.
const registerMap = "registers.toml"

// loadMap reads the register map of a boat.
func loadMap(setup *bench.Setup, file string) (*regmap.Map, error) {
	var text []byte
	var err error
	if file == "" {
		file = filepath.Join(filepath.Dir(setup.BoatFile), registerMap)
		if strings.HasPrefix(setup.BoatFile, "demo/") { // an embedded boat
			text, err = demoFiles.ReadFile(filepath.ToSlash(file))
		} else {
			text, err = os.ReadFile(file)
		}
		if errors.Is(err, os.ErrNotExist) {
			return nil, input(fmt.Errorf("no register map: give --map FILE, or put %s beside the boat file", registerMap))
		}
	} else {
		text, err = os.ReadFile(file)
	}
	if err != nil {
		return nil, input(fmt.Errorf("the register map cannot be read: %w", err))
	}
	m, err := regmap.Load(file, text, settings.Fields())
	return m, input(err)
}

// line is an open controller.
type line struct {
	link.Controller
	clock port.Clock
	sim   bool
	close func() error
}

// openLine opens a controller: "sim" for the simulated one, which answers at once in virtual time, else a serial port.
func openLine(setup *bench.Setup, m *regmap.Map, on string) (*line, error) {
	if on == "sim" {
		clock := linksim.NewVirtual(time.Now())
		sim, err := linksim.New(setup.Boat, setup.Settings, m, clock, linksim.Options{})
		if err != nil {
			return nil, input(err)
		}
		timing := modbus.TimingAt(115200)
		p := sim.Loopback(m, timing, clock)
		c := regmap.NewController(m, modbus.NewMaster(p, timing, clock), clock)
		return &line{Controller: c, clock: clock, sim: true, close: func() error { return errors.Join(c.Close(), p.Close()) }}, nil
	}
	address, err := port.ParseAddress(on)
	if err != nil {
		return nil, input(err)
	}
	p, err := port.Open(address)
	if err != nil {
		return nil, input(err)
	}
	clock := port.WallClock{}
	c := regmap.NewController(m, modbus.NewMaster(p, modbus.TimingAt(address.Baud), clock), clock)
	return &line{Controller: c, clock: clock, close: func() error { return errors.Join(c.Close(), p.Close()) }}, nil
}

func simulateControllerCommand(sys *system) *cobra.Command {
	var file string
	var speed float64
	cmd := &cobra.Command{
		Use:   "simulate-controller BOAT",
		Short: "put a simulated controller on a pseudo-terminal, to practise on",
		Long: `Runs the boat's drive and its controller's law behind the frames of a real controller, on a pseudo-terminal, and prints the port. Everything that
talks to a controller can talk to this one. It runs until Ctrl-C.`,
		Example: "  quaybench simulate-controller petrel\n  quaybench controller read petrel --on /dev/pts/7@115200     # in another terminal",
		Args:    arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			setup, err := loadBoat(cmd, sys, args[0])
			if err != nil {
				return err
			}
			m, err := loadMap(setup, file)
			if err != nil {
				return err
			}
			sim, err := linksim.New(setup.Boat, setup.Settings, m, port.WallClock{}, linksim.Options{Speed: speed})
			if err != nil {
				return input(err)
			}
			near, far, err := port.Pseudo()
			if err != nil {
				return err
			}
			defer near.Close()
			fmt.Fprintf(sys.Out, "%s's simulated controller is on %s@115200\n%s\nCtrl-C ends it.\n", setup.Boat.Name, far, wrapped(bench.Caution, sys.width()))
			err = sim.Serve(cmd.Context(), m, near, modbus.TimingAt(115200))
			if cmd.Context().Err() != nil {
				return sim.Err()
			}
			return errors.Join(err, sim.Err())
		},
	}
	cmd.Flags().StringVar(&file, "map", "", "register map (default: registers.toml beside the boat file)")
	cmd.Flags().Float64Var(&speed, "speed", 1, "simulated seconds per second")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}
