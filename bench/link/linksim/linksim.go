// Package linksim is a simulated controller: the drive's equations and the controller's law behind the frames of a real one.
//
// A Controller stands behind a Modbus unit (regmap.Unit) or a CANopen node (objmap.Unit). It runs when it is asked: each request first brings the
// simulation up to the clock. Like a real one it forgets a throttle command after its own command time-out.
package linksim

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"quaybench/bench/boat"
	"quaybench/bench/link"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

// Options of a simulated controller. The zero value runs in real time in fair weather with a moored boat.
type Options struct {
	Speed float64      // simulated seconds per second of the clock; 0: 1
	Trial *trial.Trial // weather, load and start temperatures; nil: 25 °C, moored
	Limp  float64      // share of a command that goes on when it is forgotten, as of a controller that means to come home; 0: none
}

// Controller is the simulated controller. It is a guard.Device, safe for several goroutines.
type Controller struct {
	mu       sync.Mutex
	live     *simulate.Live
	clock    port.Clock
	speed    float64
	words    map[string][]string // of choices, in the map's order
	timeout  time.Duration       // 0: it forgets no command by itself
	last     time.Time           // up to when it has run
	share    float64
	forget   time.Time // when the command is forgotten; zero: never
	limp     float64   // share of it that goes on then
	failed   error
	defaults settings.Set
}

// New returns a simulated controller of a boat with what a map describes.
func New(b *boat.Boat, s settings.Set, d link.Description, clock port.Clock, o Options) (*Controller, error) {
	if o.Trial == nil {
		t, err := trial.Builtin("full-throttle")
		if err != nil {
			return nil, err
		}
		moored := *t
		moored.Moored = true
		o.Trial = &moored
	}
	live, err := simulate.NewLive(b, s, o.Trial)
	if err != nil {
		return nil, err
	}
	c := &Controller{live: live, clock: clock, speed: o.Speed, limp: o.Limp, words: map[string][]string{}, last: clock.Now(), defaults: s}
	if c.speed == 0 {
		c.speed = 1
	}
	for _, k := range d.Settings {
		c.words[k.Key] = k.Words
	}
	for _, k := range d.Channels {
		if reads(live, k.Name) == nil {
			return nil, fmt.Errorf("the simulated controller has no reading %q; it has %s", k.Name, link.StandardChannels())
		}
	}
	if d.Throttle != nil {
		c.timeout = d.Throttle.CommandTimeout
	}
	return c, nil
}

// Serve answers requests on a port until the context ends or the port is lost.
func (c *Controller) Serve(ctx context.Context, m *regmap.Map, p port.Port, timing modbus.Timing) error {
	return modbus.NewServer(m.UnitID(), regmap.NewUnit(m, c), timing, c.clock).Serve(ctx, p)
}

// reads returns what shows a channel; nil: nothing does. What is no reading of the controller's own shows the part that its channel is compared with.
func reads(live *simulate.Live, channel string) func(*simulate.Live) float64 {
	if f, ok := readings[channel]; ok {
		return f
	}
	k, _ := link.KindOf(channel)
	if _, ok := live.Part(k.Part); !ok {
		return nil
	}
	return func(l *simulate.Live) float64 { v, _ := l.Part(k.Part); return v }
}

// readings are what the controller measures, by channel name.
var readings = map[string]func(l *simulate.Live) float64{
	link.Voltage:          func(l *simulate.Live) float64 { return l.Point().Voltage },
	link.BatteryCurrent:   func(l *simulate.Live) float64 { return l.Point().BatteryCurrent },
	link.MotorCurrent:     func(l *simulate.Live) float64 { return l.Point().MotorCurrent },
	link.MotorSpeed:       func(l *simulate.Live) float64 { return l.Point().Measured.Speed },
	link.StageTemperature: func(l *simulate.Live) float64 { return l.Point().Measured.StageTemperature },
	link.MotorTemperature: func(l *simulate.Live) float64 { return l.Point().Measured.MotorTemperature },
	link.Duty:             func(l *simulate.Live) float64 { return l.Point().Duty },
	link.Demand:           func(l *simulate.Live) float64 { return l.Point().Command.Demand },
	link.BoatSpeed:        func(l *simulate.Live) float64 { return l.BoatSpeed() },
	link.SpeedOverGround:  func(l *simulate.Live) float64 { return math.Abs(l.BoatSpeed()) }, // the simulated water stands still
}

// catchUp brings the simulation up to the clock, in steps that end where a command is forgotten.
func (c *Controller) catchUp() {
	now := c.clock.Now()
	advance := func(until time.Time) {
		dt := until.Sub(c.last).Seconds() * c.speed
		if dt <= 0 || c.failed != nil {
			return
		}
		c.failed = c.live.Advance(context.Background(), dt, c.share)
		c.last = until
	}
	if c.share != 0 && !c.forget.IsZero() && !now.Before(c.forget) {
		advance(c.forget)
		c.share, c.forget = c.limp*c.share, time.Time{}
	}
	advance(now)
}

// Setting returns a setting as the controller holds it.
func (c *Controller) Setting(key string) float64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.catchUp()
	set := c.live.Settings()
	if words := c.words[key]; words != nil {
		text, _ := set.Get(key)
		for i, w := range words {
			if w == text {
				return float64(i)
			}
		}
		return 0
	}
	v, _ := set.Number(key)
	return v
}

// SetSetting changes a setting.
func (c *Controller) SetSetting(key string, value float64) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.catchUp()
	set := c.live.Settings()
	var err error
	if words := c.words[key]; words != nil {
		set, err = set.With(key, words[int(value)])
	} else {
		set, err = set.WithNumber(key, value)
	}
	if err != nil {
		return errors.Join(modbus.IllegalDataValue, err)
	}
	c.live.Tell(set)
	return nil
}

// Reset sets the controller back to its first settings, as after a reset to defaults.
func (c *Controller) Reset() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.catchUp()
	c.live.Tell(c.defaults)
}

// Reading returns a channel's value now.
func (c *Controller) Reading(name string) float64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.catchUp()
	return reads(c.live, name)(c.live)
}

// Running reports whether the motor is driven or turns by itself.
func (c *Controller) Running() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.catchUp()
	p := c.live.Point()
	return math.Abs(p.MotorCurrent) > 1 || math.Abs(p.Measured.Speed) > 2
}

// Throttle commands a share of full throttle.
func (c *Controller) Throttle(share float64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.catchUp()
	c.share, c.forget = share, time.Time{}
	if c.timeout > 0 {
		c.forget = c.clock.Now().Add(c.timeout)
	}
}

// ForgetAt has the last command forgotten at an instant, in place of the map's time-out after it; the zero time: never.
func (c *Controller) ForgetAt(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.catchUp()
	c.forget = at
}

// Lever returns the share of full throttle that acts now: 0 once the command is forgotten.
func (c *Controller) Lever() float64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.catchUp()
	return c.share
}

// Err is what stopped the simulation, if anything did.
func (c *Controller) Err() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.failed
}
