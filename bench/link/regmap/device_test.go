package regmap_test

import (
	"context"
	"fmt"
	"math"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
	"quaybench/bench/settings"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func load(t testing.TB, name string) *regmap.Map {
	data, err := os.ReadFile("testdata/" + name)
	require.NoError(t, err)
	m, err := regmap.Load(name, data, settings.Fields())
	require.NoError(t, err)
	return m
}

// device is a controller that just remembers.
type device struct {
	mu       sync.Mutex
	settings map[string]float64
	readings map[string]float64
	runs     bool
	speed    float64 // rad/s while it runs
	share    float64
	refuse   error // of SetSetting
	deaf     bool  // SetSetting does nothing
}

func newDevice(m *regmap.Map) *device {
	d := &device{settings: map[string]float64{}, readings: map[string]float64{}}
	d.readings["motor_temperature"] = 293.15
	for _, s := range m.Describe().Settings {
		d.settings[s.Key] = s.Min
	}
	return d
}

func (d *device) Setting(key string) float64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.settings[key]
}

func (d *device) SetSetting(key string, value float64) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.refuse != nil || d.deaf {
		return d.refuse
	}
	d.settings[key] = value
	return nil
}

func (d *device) Reading(name string) float64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	if name == "motor_speed" && d.runs {
		return d.speed
	}
	return d.readings[name]
}

func (d *device) Running() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.runs
}

func (d *device) Throttle(share float64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.share = share
}

func (d *device) throttle() float64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.share
}

func (d *device) setRunning(runs bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.runs, d.speed = runs, 1000*math.Pi/30
}

// bench joins a controller with a device over a line.
func bench(t *testing.T, m *regmap.Map, near, far port.Port) (linktest.Bench, *device) {
	d := newDevice(m)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	server := modbus.NewServer(m.UnitID(), regmap.NewUnit(m, d), patient, port.WallClock{})
	go func() { ended <- server.Serve(ctx, far) }()
	c := regmap.NewController(m, modbus.NewMaster(near, patient, port.WallClock{}), port.WallClock{})
	t.Cleanup(func() {
		assert.NoError(t, c.Close())
		stop()
		assert.ErrorIs(t, <-ended, context.Canceled)
		near.Close()
		far.Close()
	})
	return linktest.Bench{Controller: c, Throttle: d.throttle, SetRunning: d.setRunning}, d
}

func TestControllerConforms(t *testing.T) {
	conforms(t, func(*testing.T) (near, far port.Port) { return linktest.Pipe() })
}

// conforms holds controllers of both demo boats' maps, at the end of a line, against the conformance suite.
func conforms(t *testing.T, line func(t *testing.T) (near, far port.Port)) {
	for _, name := range []string{"petrel.toml", "bracken.toml"} {
		m := load(t, name)
		t.Run(name, func(t *testing.T) {
			linktest.Controller(t, func(t *testing.T) linktest.Bench {
				near, far := line(t)
				b, _ := bench(t, m, near, far)
				return b
			})
		})
	}
}

// patient is for lines in real time, on a machine that stalls: nothing waits
// so long where all is well.
var patient = func() modbus.Timing {
	timing := modbus.TimingAt(115200)
	timing.Turnaround = 10 * time.Second
	return timing
}()

// direct is a port whose far end is a server called directly; it notes the
// requests, without unit and check sum.
type direct struct {
	server *modbus.Server
	asked  []string
	reply  []byte
	fail   func(request []byte) error // of Write
}

func (d *direct) Write(ctx context.Context, p []byte) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	d.asked = append(d.asked, fmt.Sprintf("% x", p[1:len(p)-2]))
	if d.fail != nil {
		if err := d.fail(p); err != nil {
			return err
		}
	}
	d.reply = d.server.Answer(p)
	return nil
}

func (d *direct) Read(ctx context.Context, p []byte, _ time.Duration) (int, error) {
	if err := ctx.Err(); err != nil {
		return 0, err
	}
	if len(d.reply) == 0 {
		return 0, port.ErrTimeout
	}
	n := copy(p, d.reply)
	d.reply = d.reply[n:]
	return n, nil
}

func (d *direct) Close() error { return nil }
