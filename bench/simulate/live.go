package simulate

import (
	"context"
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/control"
	"quaybench/bench/drive"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// Live is a boat that runs while somebody moves the lever: the same equations and the same law as Run, advanced piece
// by piece. One goroutine at a time.
type Live struct {
	sim      *simulation
	settings settings.Set
	seen     int // events already told
}

// NewLive starts a boat in a trial's weather, load and temperatures; the trial's lever and length do not matter.
func NewLive(b *boat.Boat, s settings.Set, t *trial.Trial) (*Live, error) {
	model, err := drive.New(b, s, conditions(t))
	if err != nil {
		return nil, &NoDriveError{b.Name, err}
	}
	still := *t
	still.Throttle, still.Expect = nil, nil
	still.Duration = math.Inf(1)
	sim := newSimulation(model, b, &still, Options{RelTol: 1e-5})
	sim.sampler.off = true
	sim.end = math.Inf(1)
	sim.begin()
	sim.corner(0)
	return &Live{sim: sim, settings: s}, nil
}

// Advance runs the boat on by dt seconds with the lever at a share of full throttle, −1 to 1.
func (l *Live) Advance(ctx context.Context, dt, lever float64) error {
	if !(dt > 0) {
		return nil
	}
	s := l.sim
	s.drive.Lever = func(float64) float64 { return lever }
	s.drive.Changed()
	from := s.t
	for _, at := range []float64{s.trial.LoadFrom, s.trial.CoolingLostFrom} {
		if at > from && at <= from+dt {
			if err := s.stretch(ctx, at); err != nil {
				return err
			}
			s.corner(at)
			s.drive.Lever = func(float64) float64 { return lever }
		}
	}
	return s.stretch(ctx, from+dt)
}

// Time returns how long the boat has run, s.
func (l *Live) Time() float64 { return l.sim.t }

// Point returns the operating point now. It is valid until the next call of Advance.
func (l *Live) Point() *drive.Point { return l.sim.drive.Point(l.sim.t, l.sim.y) }

// Part returns the value of a part now, SI, by its name in the verdict table.
func (l *Live) Part(name string) (value float64, ok bool) {
	for i := range l.sim.drive.Parts {
		if p := &l.sim.drive.Parts[i]; p.Name == name {
			return p.Value(l.Point(), l.sim.y), true
		}
	}
	return 0, false
}

// BoatSpeed returns the boat's speed now, m/s.
func (l *Live) BoatSpeed() float64 { return l.sim.drive.BoatSpeed(l.sim.y) }

// Connected reports whether the battery circuit is closed: no fuse, management or contactor has opened.
func (l *Live) Connected() bool { return l.sim.drive.Connected }

// Settings returns what the controller is told now.
func (l *Live) Settings() settings.Set { return l.settings }

// Tell sends the controller other settings at once; its latches and filters stay as they are.
func (l *Live) Tell(s settings.Set) {
	l.settings = s
	l.sim.drive.Law = control.New(s)
	l.sim.drive.Switches = l.sim.drive.Law.Switches()
	l.sim.all = l.sim.watches()
	l.sim.drive.Changed()
}

// Events returns what has happened since the last call.
func (l *Live) Events() []record.Event {
	all := l.sim.tracker.events
	fresh := all[l.seen:]
	l.seen = len(all)
	return fresh
}
