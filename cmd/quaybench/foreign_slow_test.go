//go:build slow && linux

package main

import (
	"context"
	"encoding/binary"
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
	"text/tabwriter"
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
	t      *testing.T
	port   string
	sim    *linksim.Controller
	shared []byte
	log    string
	cut    func() // pulls the line
	noise  atomic.Bool
	slow   atomic.Bool
	stall  atomic.Bool
	peer   *exec.Cmd
	start  func() // starts the peer, again
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

	f := &foreign{t: t, log: filepath.Join(dir, "log")}
	file, err := os.Create(filepath.Join(dir, "shared"))
	require.NoError(t, err)
	require.NoError(t, file.Truncate(2*(foreignHolding+16)))
	f.shared, err = syscall.Mmap(int(file.Fd()), 0, 2*(foreignHolding+16), syscall.PROT_READ|syscall.PROT_WRITE, syscall.MAP_SHARED)
	require.NoError(t, err)
	require.NoError(t, file.Close())

	setup, _ := demoBoat("petrel")
	m, err := regmap.Load("registers.toml", []byte(petrelMap(t)), settings.Fields())
	require.NoError(t, err)
	f.sim, err = linksim.New(setup.Boat, setup.Settings, m, port.WallClock{}, linksim.Options{})
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

	near, far, err := port.Pseudo() // quaybench's line
	require.NoError(t, err)
	other, theirs, err := port.Pseudo() // the peer's
	require.NoError(t, err)
	f.port = far + "@115200"
	f.cut = func() { _ = near.Close() }
	relay := func(from, to port.Port, answers bool) {
		b := make([]byte, 512)
		for ctx.Err() == nil {
			n, err := from.Read(ctx, b, 20*time.Millisecond)
			if n == 0 {
				if err != port.ErrTimeout {
					time.Sleep(20 * time.Millisecond)
				}
				continue
			}
			out := append([]byte(nil), b[:n]...)
			if answers && f.stall.Load() {
				continue
			}
			if answers && f.noise.Load() {
				out[rand.IntN(n)] ^= byte(1 + rand.IntN(255))
			}
			if answers && f.slow.Load() {
				time.Sleep(300 * time.Millisecond)
			}
			_ = to.Write(ctx, out)
		}
	}
	go relay(near, other, false)
	go relay(other, near, true)
	f.start = func() {
		f.peer = exec.Command(program, theirs, filepath.Join(dir, "shared"), f.log)
		require.NoError(t, f.peer.Start())
		require.Eventually(t, func() bool { return len(f.lines()) > 0 }, aLot, 10*time.Millisecond, "the peer does not start")
	}
	f.start()
	t.Cleanup(func() {
		stop()
		_ = f.peer.Process.Kill()
		_ = f.peer.Wait()
		<-drive
		_, _ = near.Close(), other.Close()
		assert.NoError(t, f.sim.Err())
	})
	return f
}

// reset gives the peer petrel's settings, as its settings file has them.
func (f *foreign) reset() {
	for _, h := range petrelHolds {
		f.set(h.address, int(math.Round((f.sim.Setting(h.key)-h.offset)/h.factor)))
	}
}

// lines are the peer's log: ms, what, register, count.
func (f *foreign) lines() (list [][]string) {
	text, _ := os.ReadFile(f.log)
	for _, line := range strings.Split(string(text), "\n") {
		if words := strings.Fields(line); len(words) == 4 {
			list = append(list, words)
		}
	}
	return list
}

// stale lists throttles other than zero that came after a gap longer than the watchdog in which the state was not read.
func (f *foreign) stale() (list []string) {
	last := 0
	for _, w := range f.lines() {
		at, _ := strconv.Atoi(w[0])
		if w[1] == "read" {
			last = max(last, at)
		}
		if w[1] != "write" || w[2] != "128" {
			continue
		}
		if last > 0 && at-last > 420 && w[3] != "0" && !f.fromRest(at) {
			list = append(list, fmt.Sprintf("%s after %d ms", w[3], at-last))
		}
		last = at
	}
	return list
}

// fromRest reports whether the command before was zero: then a gap means nothing.
func (f *foreign) fromRest(at int) bool {
	before := "0"
	for _, w := range f.lines() {
		if t, _ := strconv.Atoi(w[0]); w[1] == "write" && w[2] == "128" {
			if t >= at {
				break
			}
			before = w[3]
		}
	}
	return before == "0"
}

// What was typed before a question was asked is no answer to it.
func TestTypedAheadIsNoAnswer(t *testing.T) {
	y := ofProcesses(t)
	f := plugForeign(t)
	d := y.sitInTerminal("step", "petrel", "--script", fileOf(t, "hop.toml", hop), "--on", f.port)
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

// TestForeignPeerFaultMatrix: the built program in a terminal, against a controller of libmodbus with a watchdog of its own.
// Something goes wrong at a random moment of a step test or of a write. Afterwards the throttle is zero, no stale one came,
// and the journal is never surer than the truth; the next command finds the controller locked or locks it. QUAYBENCH_TRIALS
// says how many trials (200); the table is printed.
func TestForeignPeerFaultMatrix(t *testing.T) {
	trials, err := strconv.Atoi(os.Getenv("QUAYBENCH_TRIALS"))
	if err != nil {
		trials = 200
	}
	seed, _ := strconv.ParseUint(os.Getenv("QUAYBENCH_SEED"), 10, 64)
	random := rand.New(rand.NewPCG(seed, 1))
	type tally struct{ tried, zero, watchdog, unsure, relocked int }
	counts := map[string]*tally{}
	names := []string{}
	acts := []struct {
		name string
		do   func(y *yard, f *foreign, d *desk)
	}{
		{"kill -9", func(_ *yard, _ *foreign, d *desk) { _ = syscall.Kill(d.pid(), syscall.SIGKILL) }},
		{"stopped for 5 s", func(_ *yard, _ *foreign, d *desk) {
			_ = syscall.Kill(d.pid(), syscall.SIGSTOP)
			time.Sleep(5 * time.Second)
			_ = syscall.Kill(d.pid(), syscall.SIGCONT)
		}},
		{"line pulled", func(_ *yard, f *foreign, _ *desk) { f.cut() }},
		{"noise", func(_ *yard, f *foreign, _ *desk) { f.noise.Store(true) }},
		{"slow", func(_ *yard, f *foreign, _ *desk) { f.slow.Store(true) }},
		{"stalled", func(_ *yard, f *foreign, _ *desk) { f.stall.Store(true) }},
		{"terminal closed", func(_ *yard, _ *foreign, d *desk) { d.hangUp() }},
		{"Ctrl-C five times", func(_ *yard, _ *foreign, d *desk) {
			for range 5 {
				d.interrupt()
				time.Sleep(20 * time.Millisecond)
			}
		}},
		{"peer reset", func(_ *yard, f *foreign, _ *desk) {
			_ = f.peer.Process.Kill()
			_ = f.peer.Wait()
			f.set(0x80, 0)
			f.reset()
		}},
		{"second tool", func(y *yard, f *foreign, _ *desk) {
			code, _, stderr := y.run("", "controller", "read", "petrel", "--on", f.port)
			if code != 0 { // else the write was over already
				assert.Contains(y.t, stderr, "in use by another quaybench")
			}
		}},
		{"disk full", func(*yard, *foreign, *desk) {}},
	}
	for n := range trials {
		act, writing := acts[n%len(acts)], n/len(acts)%2 == 1
		what := map[bool]string{false: "step test", true: "write"}[writing] + ", " + act.name
		ok := t.Run(fmt.Sprintf("%03d %s", n, what), func(t *testing.T) {
			y := ofProcesses(t)
			f := plugForeign(t)
			c := counts[what]
			if c == nil {
				c = &tally{}
				counts[what] = c
				names = append(names, what)
			}
			c.tried++
			var d *desk
			if writing {
				d = y.sitInTerminal("controller", "write", "petrel", "--yes", "--unconfirmed", "--on", f.port,
					"--set", "limits.motor_current=120 A", "--set", "limits.astern_current=110 A", "--set", "ramp.rise=3 s", "--set", "ramp.reversal=2 s")
				d.await("to write, in this order")
				time.Sleep(time.Duration(random.IntN(250)) * time.Millisecond)
			} else {
				file := filepath.Join(y.home, "run.csv")
				if act.name == "disk full" {
					file = "/dev/full"
				}
				d = y.sitInTerminal("step", "petrel", "--script", fileOf(t, "hop.toml", hop), "--on", f.port, "--record", file)
				if act.name != "disk full" {
					d.await("type release")
					d.line("release")
					time.Sleep(time.Duration(500+random.IntN(6500)) * time.Millisecond)
				}
			}
			act.do(y, f, d)
			d.code()
			time.Sleep(600 * time.Millisecond)
			if act.name != "peer reset" {
				assert.Zero(t, f.holding(0x80), "the throttle")
			}
			assert.Empty(t, f.stale(), "stale throttle")
			watchdog := false
			for _, w := range f.lines() {
				watchdog = watchdog || w[1] == "watchdog"
			}
			if watchdog {
				c.watchdog++
			} else {
				c.zero++
			}
			if !writing {
				return
			}
			journal := filepath.Join(y.home, "quaybench", "demo", "petrel", journalFile)
			known, err := readJournal(journal)
			require.NoError(t, err)
			for _, e := range known {
				for _, h := range petrelHolds {
					_, sure := e.known()
					if e.Key != h.key || act.name == "peer reset" {
						continue
					}
					value := e.FromSI
					if e.State == link.Holds {
						value = e.ToSI
					}
					held := float64(f.holding(h.address))*h.factor + h.offset
					if !sure {
						c.unsure++
						continue
					}
					assert.InDelta(t, held, value, h.factor/2+1e-9, "%s: the journal is surer than the truth", e.Key)
				}
			}
			if f.holding(1000) != 0 && (act.name == "kill -9" || act.name == "terminal closed") { // left unlocked
				code, stdout, stderr := y.run("", "controller", "read", "petrel", "--on", f.port)
				assert.Zero(t, code, stderr)
				assert.Contains(t, stdout, "it is locked now")
				assert.Zero(t, f.holding(1000), "locked again")
				c.relocked++
			}
		})
		if !ok {
			t.Logf("seed %d, trial %d failed", seed, n)
		}
	}
	var table strings.Builder
	tab := tabwriter.NewWriter(&table, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tab, "what, and what goes wrong\ttrials\tno watchdog needed\twatchdog acted\tsettings left unsure\tlocked by the next command")
	for _, name := range names {
		c := counts[name]
		fmt.Fprintf(tab, "%s\t%d\t%d\t%d\t%d\t%d\n", name, c.tried, c.zero, c.watchdog, c.unsure, c.relocked)
	}
	_ = tab.Flush()
	fmt.Println(table.String())
}
