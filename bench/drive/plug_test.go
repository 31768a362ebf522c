package drive

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

// TestPluggingBeginsWithoutAJump: as a lever is drawn against the rotation of a series-wound motor, its currents grow
// from nothing, and the armature never carries more than is asked or than its remanence drives. (With full brush and
// diode drops at milliamperes it once excited itself to 32 A first.)
func TestPluggingBeginsWithoutAJump(t *testing.T) {
	for _, stage := range []string{"series-wound, no braking", "series-wound, braking stage", "series-wound, synchronous"} {
		s := situated(t, stage, nil)
		m := &s.run.motor
		for _, speed := range []float64{5, 20, 50, 100, 200, 300} {
			// Remanence, and the little field that the plug diode's drop keeps up against the freewheel path (testdata/reference/circuits/plug.cir),
			// drive this through armature, brushes and diode, whose drops are full at an ampere.
			kept := 0.0
			if diode := s.run.stage.diodeDrop; !s.run.stage.braking {
				field := s.at(-0.05, speed).DriveLoop.R - s.run.Point(0, s.y).DriveLoop.armature
				for diode*(1-math.Tanh(2*kept)) > field*kept {
					kept += 1e-4
				}
			}
			remanent := max(1, (m.perSpeed(kept, 0)*speed-m.brushDrop-s.run.stage.diodeDrop)/(m.resistance*(1-m.fieldShare)))
			before := *s.at(0, speed)
			for demand := 0.0; demand < 0.05; demand += 2e-5 {
				p := s.at(-demand, speed)
				assert.LessOrEqual(t, math.Abs(p.ArmatureCurrent), max(p.Asked+1e-9, remanent), "%s: demand %g, %g rad/s", stage, demand, speed)
				if !assert.InDelta(t, before.BatteryCurrent, p.BatteryCurrent, 0.01, "%s: battery current, demand %g, %g rad/s", stage, demand, speed) ||
					!assert.InDelta(t, before.ArmatureCurrent, p.ArmatureCurrent, 0.02*math.Max(1, remanent), "%s: armature, demand %g, %g rad/s", stage, demand, speed) {
					break
				}
				before = *p
			}
		}
	}
}

// TestAChopperWithoutBrakingNeverFeedsTheBattery, whatever the motor does.
func TestAChopperWithoutBrakingNeverFeedsTheBattery(t *testing.T) {
	for _, stage := range []string{"series-wound, no braking", "series-wound, synchronous", "brushed, no braking"} {
		s := situated(t, stage, nil)
		for demand := -1.0; demand <= 1; demand += 0.02 {
			for _, speed := range []float64{-300, -100, -20, -1, 0, 1, 20, 100, 300} {
				p := s.at(demand, speed)
				assert.GreaterOrEqual(t, p.BatteryCurrent, resting(p)-1e-9, "%s: demand %g, %g rad/s", stage, demand, speed)
			}
		}
	}
}
