package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/canopen"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/objmap"
	"quaybench/bench/link/port"
	"quaybench/bench/link/slcan"
	"quaybench/bench/settings"
)

// buoy is petrel's simulated controller as a CANopen node behind a serial CAN adapter, with whoever else is on the bus.
type buoy struct {
	*linksim.Controller
	port   string
	unplug func()

	node *canopen.Node
	mu   sync.Mutex
	does []func() // to the node, between two frames
	says []slcan.Frame
	told []string // by us to the node, but for SDO
	when []time.Time
	mute bool // the adapter sends nothing of ours any more
	keep bool // it sends no zero by receive PDO any more
	text string
}

func (b *buoy) Take(f slcan.Frame) []slcan.Frame {
	if f.ID != 0x605 {
		b.mu.Lock()
		b.told, b.when = append(b.told, f.String()), append(b.when, time.Now())
		b.mu.Unlock()
	}
	return b.node.Take(f)
}

func (b *buoy) Tick() []slcan.Frame {
	b.mu.Lock()
	does, says := b.does, b.says
	b.does, b.says = nil, nil
	b.mu.Unlock()
	for _, do := range does {
		do()
	}
	out := b.node.Tick()
	for _, f := range says {
		out = append(append(out, f), b.node.Take(f)...)
	}
	return out
}

// frames returns those that the node heard, but for SDO.
func (b *buoy) frames() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string(nil), b.told...)
}

// happens has something done to the node, or said by others.
func (b *buoy) happens(do func(n *canopen.Node), says ...slcan.Frame) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.does, b.says = append(b.does, func() { do(b.node) }), append(b.says, says...)
}

// anchor plugs in petrel's controller over CAN, with its object map, changed.
func (y *yard) anchor(silence canopen.Silence, change ...string) *buoy {
	y.t.Helper()
	setup, ok := demoBoat("petrel")
	require.True(y.t, ok)
	text, err := demoFiles.ReadFile("demo/petrel/objects.toml")
	require.NoError(y.t, err)
	changed := strings.NewReplacer(change...).Replace(string(text))
	m, err := objmap.Load("objects.toml", []byte(changed), settings.Fields())
	require.NoError(y.t, err)
	clock := port.WallClock{}
	sim, err := linksim.New(setup.Boat, setup.Settings, m.Describe(), clock, linksim.Options{})
	require.NoError(y.t, err)
	b := &buoy{Controller: sim, node: objmap.NewNode(m, sim, clock, silence), text: changed}
	a := slcan.NewAdapter(b, clock)
	a.Sent = func(f slcan.Frame) []slcan.Delivery {
		b.mu.Lock()
		defer b.mu.Unlock()
		return []slcan.Delivery{{Frame: f, Drop: b.mute || b.keep && f.String() == "205#010000"}}
	}
	name, unplug := y.plug(func(ctx context.Context, p port.Port) { _ = a.Serve(ctx, p, 10*time.Millisecond) })
	b.port, b.unplug = name+"@115200", unplug
	return b
}

// TestStepOverCAN: nothing is started before a person releases the throttle; the time-out is proven, the controller made ready
// again by the person's word; the record says which value came from where; a node that was started is taken out of operation.
func TestStepOverCAN(t *testing.T) {
	inBubble(t, func(y *yard) {
		b := y.anchor(canopen.Acts)
		file := filepath.Join(y.home, "run.csv")
		d := y.sit("step", "petrel", "--as", "canopen", "--trial", fileOf(t, "hop.toml", hop), "--on", b.port, "--record", file)
		d.await("type release")
		assert.Contains(t, flat(d.screen()), "command time-out (300 ms) are proven: node 5 is started, so that it obeys receive PDOs, 2302:00 = 01 is written, then 2.5 % inside the dead band")
		assert.Empty(t, b.frames(), "nothing but SDO before the release")
		d.line("release")
		d.await("type ready")
		assert.Zero(t, b.Lever())
		told := len(b.frames())
		time.Sleep(time.Minute)
		assert.Len(t, b.frames(), told, "silent until the person says so")
		d.line("ready")
		screen := d.ended(0)
		assert.Contains(t, flat(screen), "every measurement, and every part that follows from them, lies within its predicted band")
		frames := b.frames()
		assert.Equal(t, "000#8005", frames[len(frames)-1])
		assert.Zero(t, b.Lever())
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		assert.Contains(t, string(text), "trace = {name = 'motor current', source = 'the controller, by TPDO 1 where that is fresh'}")
	})
}

// TestStepOverCANIsRefused: what ends a test over CAN, or keeps it from beginning, and that the throttle is zero then.
func TestStepOverCANIsRefused(t *testing.T) {
	type refusal struct {
		name    string
		silence canopen.Silence
		happens func(b *buoy) // while the throttle is on
		code    int
		says    string
	}
	eachInBubble(t, []refusal{
		{"no time-out", canopen.Ignores, nil, 1, "the controller went on for more than"},
		{"it only reports", canopen.Reports, nil, 1, "throttle over the line is refused"},
		{"another master", canopen.Acts, func(b *buoy) { b.happens(func(*canopen.Node) {}, slcan.Frame{Data: []byte{1, 5}}) }, 4, "a network master is on the bus too (frame 000#0105)"},
		{"another throttle", canopen.Acts, func(b *buoy) { b.happens(func(*canopen.Node) {}, slcan.Frame{ID: 0x205, Data: []byte{1, 0, 0}}) }, 4, "another throttle is on the bus too (frame 205#010000)"},
		{"boot-up", canopen.Acts, func(b *buoy) { b.happens((*canopen.Node).Restart) }, 4, "node 5 began anew (boot-up heard)"},
		{"emergency", canopen.Acts, func(b *buoy) { b.happens(func(n *canopen.Node) { n.Emergency(0x2310) }) }, 4, "node 5 reports an emergency: current (code 2310"},
		{"line pulled", canopen.Acts, func(b *buoy) { b.unplug() }, 4, "lost the line"},
	}, func(c refusal) string { return c.name }, func(y *yard, c refusal) {
		b := y.anchor(c.silence)
		d := y.sit("step", "petrel", "--as", "canopen", "--trial", fileOf(y.t, "hop.toml", hop), "--on", b.port)
		d.await("type release")
		d.line("release")
		if c.happens != nil {
			d.await("type ready")
			d.line("ready")
			d.until(func() bool {
				if b.Lever() < 0.5 {
					time.Sleep(10 * time.Millisecond)
				}
				return b.Lever() >= 0.5
			}, "the throttle never came on")
			c.happens(b)
		}
		screen := d.ended(c.code)
		assert.Contains(y.t, flat(screen), c.says)
		time.Sleep(time.Second)
		assert.Zero(y.t, b.Lever())
	})
}

// TestStepOverCANTellsHowZeroWasReached: where the halt got no zero in the usual way, screen and record say what it did instead.
func TestStepOverCANTellsHowZeroWasReached(t *testing.T) {
	inBubble(t, func(y *yard) {
		b := y.anchor(canopen.Acts)
		file := filepath.Join(y.home, "run.csv")
		d := y.sit("step", "petrel", "--as", "canopen", "--trial", fileOf(t, "hop.toml", hop), "--on", b.port, "--record", file)
		d.await("type release")
		d.line("release")
		d.await("type ready")
		d.line("ready")
		d.until(func() bool { time.Sleep(10 * time.Millisecond); return b.Lever() >= 0.5 }, "the throttle never came on")
		b.mu.Lock()
		b.keep = true
		b.mu.Unlock()
		d.interrupt()
		want := "zero throttle is confirmed, though not in the usual way: object 2300:01 holds"
		assert.Contains(t, flat(d.ended(4)), want)
		assert.Zero(t, b.Lever())
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		assert.Contains(t, string(text), want)
	})
}

// TestStepOverCANListensWhileAPersonReads: what happens on the bus while a person is asked ends the test at once, though the
// system's buffer would be full of readings by the time of the answer.
func TestStepOverCANListensWhileAPersonReads(t *testing.T) {
	eachInBubble(t, []string{"boot-up", "emergency", "line pulled", "boot-up before the release"}, func(name string) string { return name }, func(y *yard, name string) {
		b := y.anchor(canopen.Acts)
		d := y.sit("step", "petrel", "--as", "canopen", "--trial", fileOf(y.t, "hop.toml", hop), "--on", b.port)
		d.await("type release")
		name, early := strings.CutSuffix(name, " before the release")
		if !early {
			d.line("release")
			d.await("type ready")
		}
		time.Sleep(30 * time.Second)
		switch name {
		case "boot-up":
			b.happens((*canopen.Node).Restart)
		case "emergency":
			b.happens(func(n *canopen.Node) { n.Emergency(0x4310) })
		case "line pulled":
			b.unplug()
		}
		want := map[string]string{"boot-up": "node 5 began anew", "emergency": "temperature (code 4310", "line pulled": "lost the line"}[name]
		screen := flat(d.ended(1))
		assert.Contains(y.t, screen, want)
		assert.LessOrEqual(y.t, strings.Count(screen, "zero throttle was not confirmed"), 1, "said once")
		assert.Zero(y.t, b.Lever())
	})
}

// flat returns a screen without its line breaks.
func flat(screen string) string { return strings.Join(strings.Fields(screen), " ") }
