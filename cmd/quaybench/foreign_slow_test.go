//go:build slow && linux

package main

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
	"quaybench/bench/settings"
)

// foreign is petrel's controller with a serial side of libmodbus and a watchdog of its own, in a process of its own.
type foreign struct {
	t       *testing.T
	ctx     context.Context
	port    string // as --on takes it; another one after each plug
	sim     *linksim.Controller
	shared  []byte
	log     string
	program string
	noise   atomic.Bool
	slow    atomic.Bool
	stall   atomic.Bool
	pace    atomic.Int64              // ms that each answer takes longer
	near    atomic.Pointer[port.Port] // quaybench's line, on this side
	other   port.Port                 // the peer's
	theirs  string                    // and as the peer has it
	peer    *exec.Cmd
}

const foreignHolding = 1024

func (f *foreign) holding(address int) int {
	return int(int16(binary.LittleEndian.Uint16(f.shared[2*address:])))
}

func (f *foreign) set(address, value int) {
	binary.LittleEndian.PutUint16(f.shared[2*address:], uint16(int16(value)))
}

// petrelHolds are petrel's settings by register, as its map has them.
var petrelHolds = []struct {
	key     string
	address int
	factor  float64
	offset  float64
}{
	{"limits.motor_current", 0x10, 0.5, 0}, {"limits.astern_current", 0x11, 0.5, 0}, {"limits.battery_current", 0x12, 0.5, 0},
	{"limits.braking_current", 0x13, 0.5, 0}, {"ramp.rise", 0x20, 0.01, 0}, {"ramp.reversal", 0x21, 0.01, 0},
	{"derating.stage_start", 0x30, 0.1, 273.15}, {"low_voltage.start", 0x40, 0.01, 0},
}

// plugForeign compiles and starts the peer.
func plugForeign(t *testing.T) *foreign {
	t.Helper()
	cc, err := exec.LookPath("cc")
	if err != nil {
		t.Skip("NOT TESTED AGAINST A FOREIGN PEER: no C compiler here (apt-get install gcc libmodbus-dev pkg-config)")
	}
	flags, err := exec.CommandContext(t.Context(), "pkg-config", "--cflags", "--libs", "libmodbus").Output()
	if err != nil {
		t.Skip("NOT TESTED AGAINST A FOREIGN PEER: pkg-config does not find libmodbus (apt-get install libmodbus-dev pkg-config)")
	}
	dir := t.TempDir()
	program := filepath.Join(dir, "foreign_controller")
	args := append([]string{"-O1", "-o", program, "testdata/foreign_controller.c"}, strings.Fields(string(flags))...)
	said, err := exec.CommandContext(t.Context(), cc, args...).CombinedOutput()
	require.NoError(t, err, string(said))

	f := &foreign{t: t, log: filepath.Join(dir, "log"), program: program}
	file, err := os.Create(filepath.Join(dir, "shared"))
	require.NoError(t, err)
	require.NoError(t, file.Truncate(2*(foreignHolding+16)))
	f.shared, err = syscall.Mmap(int(file.Fd()), 0, 2*(foreignHolding+16), syscall.PROT_READ|syscall.PROT_WRITE, syscall.MAP_SHARED)
	require.NoError(t, err)
	require.NoError(t, file.Close())

	setup, _ := demoBoat("petrel")
	m, err := regmap.Load("registers.toml", []byte(petrelMap(t)), settings.Fields())
	require.NoError(t, err)
	f.sim, err = linksim.New(setup.Boat, setup.Settings, m.Describe(), port.WallClock{}, linksim.Options{})
	require.NoError(t, err)
	f.reset()
	ctx, stop := context.WithCancel(context.Background())
	drive := make(chan bool)
	go func() { // the drive behind the registers
		defer close(drive)
		for ctx.Err() == nil {
			f.sim.Throttle(float64(f.holding(0x80)) / 1000)
			running := 0
			if f.sim.Running() {
				running = 1
			}
			for i, v := range []float64{float64(running), 100 * f.sim.Reading(link.Voltage), 10 * f.sim.Reading(link.BatteryCurrent),
				10 * f.sim.Reading(link.MotorCurrent), f.sim.Reading(link.MotorSpeed) * 30 / math.Pi, 10 * (f.sim.Reading(link.StageTemperature) - 273.15)} {
				f.set(foreignHolding+i, int(math.Round(v)))
			}
			time.Sleep(5 * time.Millisecond)
		}
	}()

	f.ctx = ctx
	f.other, f.theirs, err = port.Pseudo()
	require.NoError(t, err)
	f.plug()
	go f.relay(f.other, func() port.Port { return *f.near.Load() }, true)
	f.start()
	t.Cleanup(func() {
		stop()
		f.kill()
		<-drive
		f.cut()
		_ = f.other.Close()
		assert.NoError(t, f.sim.Err())
	})
	return f
}

// plug lays a new line to the peer.
func (f *foreign) plug() {
	near, far, err := port.Pseudo()
	require.NoError(f.t, err)
	f.near.Store(&near)
	f.port = far + "@115200"
	go f.relay(near, func() port.Port { return f.other }, false)
}

// cut pulls the line.
func (f *foreign) cut() { _ = (*f.near.Load()).Close() }

// relay carries bytes until its end of the line is closed.
func (f *foreign) relay(from port.Port, to func() port.Port, answers bool) {
	b := make([]byte, 512)
	for f.ctx.Err() == nil {
		n, err := from.Read(f.ctx, b, 20*time.Millisecond)
		if errors.Is(err, port.ErrClosed) {
			return
		}
		if n == 0 {
			if err != port.ErrTimeout {
				time.Sleep(20 * time.Millisecond)
			}
			continue
		}
		out := append([]byte(nil), b[:n]...)
		if answers {
			if f.stall.Load() {
				continue
			}
			if f.noise.Load() {
				out[rand.IntN(n)] ^= byte(1 + rand.IntN(255))
			}
			if f.slow.Load() {
				time.Sleep(300 * time.Millisecond)
			}
			time.Sleep(time.Duration(f.pace.Load()) * time.Millisecond)
		}
		_ = to().Write(f.ctx, out)
	}
}

// start starts the peer, again.
func (f *foreign) start() {
	before := len(f.lines())
	f.peer = exec.Command(f.program, f.theirs, filepath.Join(filepath.Dir(f.log), "shared"), f.log)
	require.NoError(f.t, f.peer.Start())
	require.Eventually(f.t, func() bool { return len(f.lines()) > before }, aLot, 10*time.Millisecond, "the peer does not start")
}

func (f *foreign) kill() {
	_ = f.peer.Process.Kill()
	_ = f.peer.Wait()
}

// reset gives the peer petrel's settings, as its settings file has them.
func (f *foreign) reset() {
	for _, h := range petrelHolds {
		f.set(h.address, int(math.Round((f.sim.Setting(h.key)-h.offset)/h.factor)))
	}
}

// lines returns the peer's log: ms, what, register, count.
func (f *foreign) lines() (list [][]string) {
	text, _ := os.ReadFile(f.log)
	for _, line := range strings.Split(string(text), "\n") {
		if words := strings.Fields(line); len(words) == 4 {
			list = append(list, words)
		}
	}
	return list
}

// stale lists throttles other than zero that came after a gap longer than the watchdog's in which the state was not read.
// Where the command before was zero there is no gap. What was read counts only if nothing but the beat lay between.
func (f *foreign) stale() (list []string) {
	const watchdog = 420 // ms, and what the relay adds
	told, read, share := 0, 0, "0"
	for _, w := range f.lines() {
		at, _ := strconv.Atoi(w[0])
		if w[1] == "read" {
			read = at
		}
		if w[1] != "write" || w[2] != "128" {
			continue
		}
		if gap := at - max(told, read); share != "0" && w[3] != "0" && gap > watchdog {
			list = append(list, fmt.Sprintf("%s at %d ms, %d ms after the last command or reading", w[3], at, gap))
		}
		if gap := at - told; share != "0" && w[3] != "0" && gap > watchdog+200 {
			list = append(list, fmt.Sprintf("%s at %d ms goes on %d ms after the command before, though the controller forgot it", w[3], at, gap))
		}
		told, share = at, w[3]
	}
	return list
}

// What was typed before a question was asked is no answer to it.
func TestTypedAheadIsNoAnswer(t *testing.T) {
	y := ofProcesses(t)
	f := plugForeign(t)
	d := y.sitInTerminal("step", "petrel", "--trial", fileOf(t, "hop.toml", hop), "--on", f.port)
	d.line("release") // at once, long before it is asked for
	d.await("type release to release")
	time.Sleep(2 * time.Second)
	assert.NotContains(t, d.screen(), "shows nothing;")
	for _, w := range f.lines() {
		assert.NotEqual(t, []string{"write", "128"}, w[1:3], "a throttle")
	}
	d.interrupt()
	d.code()
}
