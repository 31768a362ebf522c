//go:build slow && linux

package main

import (
	"fmt"
	"math/rand/v2"
	"os"
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

	"quaybench/bench/link/canopen"
	"quaybench/bench/link/slcan"
	"quaybench/bench/record"
)

// overboard is what may go wrong while the built program runs a step test over CAN.
var overboard = []struct {
	name string
	do   func(d *desk, b *buoy)
}{
	{"kill -9", func(d *desk, _ *buoy) { _ = syscall.Kill(d.pid(), syscall.SIGKILL) }},
	{"stopped for 5 s", func(d *desk, _ *buoy) { stopFor(d, 5*time.Second) }},
	{"stopped for 1.5 s", func(d *desk, _ *buoy) { stopFor(d, 1500*time.Millisecond) }},
	{"line pulled", func(_ *desk, b *buoy) { b.unplug() }},
	{"adapter mute", func(_ *desk, b *buoy) { b.mu.Lock(); b.mute = true; b.mu.Unlock() }},
	{"terminal closed", func(d *desk, _ *buoy) { d.hangUp() }},
	{"Ctrl-C five times", func(d *desk, _ *buoy) {
		for range 5 {
			d.interrupt()
			time.Sleep(20 * time.Millisecond)
		}
	}},
	{"boot-up", func(_ *desk, b *buoy) { b.happens((*canopen.Node).Restart) }},
	{"emergency", func(_ *desk, b *buoy) { b.happens(func(n *canopen.Node) { n.Emergency(0x4310) }) }},
	{"another master starts it", func(_ *desk, b *buoy) { b.happens(func(*canopen.Node) {}, slcan.Frame{Data: []byte{1, 5}}) }},
	{"another master stops it", func(_ *desk, b *buoy) { b.happens(func(*canopen.Node) {}, slcan.Frame{Data: []byte{2, 5}}) }},
	{"another throttle", func(_ *desk, b *buoy) {
		b.happens(func(*canopen.Node) {}, slcan.Frame{ID: 0x205, Data: []byte{1, 0xE8, 3}})
	}},
}

func stopFor(d *desk, t time.Duration) {
	_ = syscall.Kill(d.pid(), syscall.SIGSTOP)
	time.Sleep(t)
	_ = syscall.Kill(d.pid(), syscall.SIGCONT)
}

// staleOverCAN lists receive PDOs with throttle that came after a gap longer than the controller's own time-out, or first of all
// after the controller was started, which is to begin at zero.
func (b *buoy) staleOverCAN(timeout time.Duration) (list []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	last, started := time.Time{}, false
	for i, f := range b.told {
		id, data, _ := strings.Cut(f, "#")
		switch {
		case id == "000":
			last, started = time.Time{}, true
		case id != "205":
		case strings.HasSuffix(data, "0000"):
			last, started = b.when[i], false
		case started:
			list = append(list, f+" first after a start")
		default:
			if gap := b.when[i].Sub(last); !last.IsZero() && gap > timeout+200*time.Millisecond {
				list = append(list, fmt.Sprintf("%s after %v", f, gap))
			}
			last = b.when[i]
		}
	}
	return list
}

// TestCANProgramFaultMatrix: the built program in a terminal, over a pseudo-terminal to a node with a time-out of 1 s. Something goes
// wrong at a random moment of the proof or the test. Afterwards the throttle is zero, by the program or by the node's own
// time-out, no stale one came, and the record can be read. QUAYBENCH_TRIALS says how many trials (24), QUAYBENCH_SEED which.
func TestCANProgramFaultMatrix(t *testing.T) {
	trials, err := strconv.Atoi(os.Getenv("QUAYBENCH_TRIALS"))
	if err != nil {
		trials = 24
	}
	seed, _ := strconv.ParseUint(os.Getenv("QUAYBENCH_SEED"), 10, 64)
	var table strings.Builder
	tab := tabwriter.NewWriter(&table, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tab, "trial\twhat goes wrong\tafter the release\tit ended with\tlast throttle ended by")
	for n := range trials {
		random := rand.New(rand.NewPCG(seed, uint64(n)))
		act := overboard[n%len(overboard)]
		moment := 300 + random.IntN(11_000)
		t.Run(fmt.Sprintf("%03d %s", n, act.name), func(t *testing.T) {
			y := ofProcesses(t)
			b := y.anchor(canopen.Acts, `command_timeout = "300 ms"`, `command_timeout = "1 s"`)
			file := filepath.Join(y.home, "run.csv")
			d := y.sit("step", "petrel", "--trial", fileOf(t, "hop.toml", hop), "--map", fileOf(t, "objects.toml", b.text), "--on", b.port, "--record", file)
			d.await("type release")
			assert.Empty(t, b.frames(), "nothing but SDO before the release")
			d.line("release")
			begun := time.Now()
			var left atomic.Bool
			go func() { // the person
				for time.Since(begun) < time.Minute && !left.Load() {
					if strings.Contains(d.screen(), "type ready") {
						d.line("ready")
						return
					}
					time.Sleep(50 * time.Millisecond)
				}
			}()
			time.Sleep(time.Duration(moment) * time.Millisecond)
			left.Store(act.name == "terminal closed") // nobody answers there any more
			act.do(d, b)
			code := d.code()
			time.Sleep(1500 * time.Millisecond)
			assert.Zero(t, b.Lever(), "the throttle")
			assert.Empty(t, b.staleOverCAN(time.Second), "stale throttle")
			by := "the program"
			frames := b.frames()
			for i := len(frames) - 1; i >= 0; i-- {
				if id, data, _ := strings.Cut(frames[i], "#"); id == "205" {
					if !strings.HasSuffix(data, "0000") {
						by = "the node's time-out"
					}
					break
				}
			}
			fmt.Fprintf(tab, "%d\t%s\t%.1f s\t%d\t%s\n", n, act.name, float64(moment)/1000, code, by)
			if f, err := os.Open(file); err == nil {
				_, err := record.Read(file, f)
				require.NoError(t, f.Close())
				assert.NoError(t, err)
			}
			if t.Failed() {
				t.Logf("seed %d, moment %d\n%s", seed, moment, lastOf(d.screen(), 3000))
			}
		})
	}
	_ = tab.Flush()
	fmt.Println(table.String())
}
