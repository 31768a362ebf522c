package linksim_test

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/link"
	"quaybench/bench/link/canfault"
	"quaybench/bench/link/canopen"
	"quaybench/bench/link/guard"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/objmap"
	"quaybench/bench/link/slcan"
	"quaybench/bench/settings"
)

func objects(t testing.TB, change ...string) *objmap.Map {
	t.Helper()
	text := strings.NewReplacer(change...).Replace(string(benchtest.File(t, "petrel", "objects.toml")))
	m, err := objmap.Load("objects.toml", []byte(text), settings.Fields())
	require.NoError(t, err)
	return m
}

// onCAN opens petrel's controller over CAN in virtual time.
func onCAN(t *testing.T) (*guard.Controller, *linksim.Controller, *linksim.Virtual) {
	t.Helper()
	b := newBus(t, objects(t), canopen.Acts)
	return b.open(t), b.sim, b.clock
}

// bus is petrel's simulated controller as a node on a CAN bus behind an adapter, in virtual time.
type bus struct {
	m       *objmap.Map
	sim     *linksim.Controller
	clock   *linksim.Virtual
	node    *canopen.Node
	adapter *slcan.Adapter
	others  []slcan.Frame // that somebody else sends next
}

// Take and Tick make a bus of the node and of others: none hears its own frames, as on a real one.
func (b *bus) Take(f slcan.Frame) []slcan.Frame { return b.node.Take(f) }

func (b *bus) Tick() []slcan.Frame {
	out := b.node.Tick()
	for _, f := range b.others {
		out = append(append(out, f), b.node.Take(f)...)
	}
	b.others = nil
	return out
}

func newBus(t *testing.T, m *objmap.Map, silence canopen.Silence) *bus {
	t.Helper()
	boat, s, _ := petrel(t)
	b := &bus{m: m, clock: linksim.NewVirtual(time.Unix(0, 0))}
	var err error
	b.sim, err = linksim.New(boat, s, m.Describe(), b.clock, linksim.Options{})
	require.NoError(t, err)
	b.node = objmap.NewNode(m, b.sim, b.clock, silence)
	b.adapter = slcan.NewAdapter(b, b.clock)
	return b
}

// open opens the controller.
func (b *bus) open(t *testing.T) *guard.Controller {
	t.Helper()
	p := linksim.CANLoopback(b.adapter, b.clock)
	c, shut, err := objmap.Open(t.Context(), b.m, p, b.clock, false)
	require.NoError(t, err)
	t.Cleanup(func() {
		_ = shut() // some tests unplug it
		require.NoError(t, p.Close())
		require.NoError(t, b.sim.Err())
	})
	return c
}

// pass lets time go by.
func (b *bus) pass(t *testing.T, d time.Duration) {
	t.Helper()
	require.NoError(t, b.clock.Sleep(t.Context(), d))
}

// TestCANConformance runs the suite of every controller over CAN: SDO, an adapter that is listened through first, the same
// simulated motor behind it.
func TestCANConformance(t *testing.T) {
	for name, m := range throttles(t) {
		t.Run(name, func(t *testing.T) {
			linktest.Controller(t, func(t *testing.T) linktest.Bench {
				b := newBus(t, m, canopen.Acts)
				return linktest.Bench{Controller: b.open(t), Throttle: b.sim.Lever, Tell: func() { b.node.Emergency(0x4310) }, SetRunning: func(on bool) {
					b.sim.Throttle(0)
					b.pass(t, 100*time.Millisecond)
					if on {
						b.sim.Throttle(0.6)
						b.sim.ForgetAt(time.Time{})
						b.pass(t, 2*time.Second)
						return
					}
					b.pass(t, 30*time.Second)
				}}
			})
		})
	}
}

// throttles returns the ways in which a controller takes its throttle over CAN, and none at all.
func throttles(t testing.TB) map[string]*objmap.Map {
	heartbeat := []string{`watch = "commands"`, "watch = \"heartbeat\"\nour_node = 1"}
	bySDO := []string{"rpdo = 1\n", "", "[[throttle.with]]\nindex = 0x2302\ntype = \"u8\"\nvalue = 1\n", ""}
	return map[string]*objmap.Map{
		"RPDO, its event timer":         objects(t),
		"RPDO, our heartbeat":           objects(t, heartbeat...),
		"SDO, the maker's own time-out": objects(t, bySDO...),
		"SDO, our heartbeat":            objects(t, slices.Concat(heartbeat, bySDO)...),
		"RPDO, with a direction": objects(t, "astern = -1000\n", "", "[throttle.ready]",
			"[throttle.direction]\nindex = 0x2303\ntype = \"u8\"\nneutral = 0\nahead = 1\nastern = 2\n[throttle.ready]"),
		"no throttle": without(t, "[throttle]"),
	}
}

// without is petrel's map up to a line.
func without(t testing.TB, from string) *objmap.Map {
	t.Helper()
	text, _, ok := strings.Cut(string(benchtest.File(t, "petrel", "objects.toml")), from)
	require.True(t, ok)
	m, err := objmap.Load("objects.toml", []byte(text), settings.Fields())
	require.NoError(t, err)
	return m
}

// A transfer over CAN is the transfer of every controller: what it wrote is there, and no throttle is taken.
func TestTransferOverCAN(t *testing.T) {
	c, sim, _ := onCAN(t)
	held, err := c.ReadSettings(t.Context())
	require.NoError(t, err)
	changes := []link.Change{{Key: "limits.motor_current", From: held["limits.motor_current"], To: 100}, {Key: "limits.battery_current", From: held["limits.battery_current"], To: 90}}
	require.NoError(t, link.Transfer(t.Context(), c, changes, quiet{}))
	assert.Equal(t, 100.0, sim.Setting("limits.motor_current"))
	assert.InDelta(t, 90.0, sim.Setting("limits.battery_current"), 1e-9)
	assert.ErrorIs(t, c.CommandThrottle(t.Context(), 0.1), link.ErrNotReady)
}

// Another device than the map is for is refused before anything else is read of it.
func TestAnotherDeviceIsRefused(t *testing.T) {
	b, s, _ := petrel(t)
	m := objects(t)
	clock := linksim.NewVirtual(time.Unix(0, 0))
	sim, err := linksim.New(b, s, m.Describe(), clock, linksim.Options{})
	require.NoError(t, err)
	other, err := objmap.Load("other.toml", bytes.Replace(benchtest.File(t, "petrel", "objects.toml"), []byte("0x00000ABC"), []byte("0x00000ABD"), 1), settings.Fields())
	require.NoError(t, err)
	_, _, err = objmap.Open(t.Context(), other, linksim.CANLoopback(sim.Adapter(m, clock), clock), clock, false)
	assert.EqualError(t, err, "node 5 is another device than the map is for: 1018:01 is 00000ABC, the map says 00000ABD")
	far, err := objmap.Load("other.toml", bytes.Replace(benchtest.File(t, "petrel", "objects.toml"), []byte("node_id = 5"), []byte("node_id = 6"), 1), settings.Fields())
	require.NoError(t, err)
	_, _, err = objmap.Open(t.Context(), far, linksim.CANLoopback(sim.Adapter(m, clock), clock), clock, false)
	assert.ErrorIs(t, err, canopen.ErrNoReply)
}

// TestCANFaultMatrix: every fault of the bus strikes at every frame of a transfer, one by one. What the tool then says of the
// controller is so: written, put back, or named as not known. No value that is not there is ever told.
func TestCANFaultMatrix(t *testing.T) {
	outcomes := map[string]map[string]int{}
	strikes := 0
	for _, f := range canfault.All(5) {
		count := map[string]int{}
		outcomes[f.Name] = count
		for at := 1; ; at += 1 + at/4 { // the first few, and a share of the rest
			b := newBus(t, objects(t), canopen.Acts)
			c, sim, a := b.open(t), b.sim, b.adapter
			before, err := c.ReadSettings(t.Context())
			require.NoError(t, err)
			n := 0
			a.Mishap = func(frame slcan.Frame) []slcan.Delivery {
				if n++; n == at {
					return f.Strike(frame)
				}
				return []slcan.Delivery{{Frame: frame}}
			}
			a.Silent, a.Flagless = f.Name == canfault.NoWord, f.Name == canfault.NoFlags
			changes := []link.Change{{Key: "limits.motor_current", From: before["limits.motor_current"], To: 100}, {Key: "limits.battery_current", From: before["limits.battery_current"], To: 90}}
			var notes link.Knowledge
			err = link.Transfer(t.Context(), c, changes, &notes)
			struck := n >= at
			if struck {
				strikes++
			}
			truly := map[string]float64{}
			for key := range before {
				truly[key] = sim.Setting(key)
			}
			for key, value := range truly { // what the journal is sure of is so
				if known, sure := notes.Value(key); sure {
					assert.InDelta(t, value, known, 1e-3, "%s at frame %d: %s", f.Name, at, key)
				}
			}
			failed := new(link.TransferError)
			switch {
			case err == nil:
				count["written"]++
				assert.InDelta(t, 100, truly["limits.motor_current"], 1e-9, "%s at frame %d", f.Name, at)
				assert.InDelta(t, 90, truly["limits.battery_current"], 1e-9, "%s at frame %d", f.Name, at)
			case errors.As(err, &failed) && failed.Restored():
				count["put back"]++
				assert.InDelta(t, before["limits.motor_current"], truly["limits.motor_current"], 1e-9, "%s at frame %d", f.Name, at)
				assert.InDelta(t, before["limits.battery_current"], truly["limits.battery_current"], 1e-9, "%s at frame %d", f.Name, at)
			case errors.As(err, &failed):
				count["told as not known"]++
			default:
				count["nothing written"]++
				assert.InDelta(t, before["limits.motor_current"], truly["limits.motor_current"], 1e-9, "%s at frame %d", f.Name, at)
			}
			if !struck {
				break
			}
		}
	}
	assert.Greater(t, strikes, 150)
	for _, f := range canfault.All(5) {
		t.Log(f.Name, outcomes[f.Name])
	}
}

type quiet struct{}

func (quiet) Note(link.State, ...link.Change) error { return nil }
