package drive

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

// TestOpeningWhileBrakingByIntegration follows what happens when management opens under a braking current, in small steps
// and from the circuit alone: the current loop lets the motor's current die away with its time constant, the bridge goes on
// putting it into the link, and the capacitor alone takes it. The link voltage must not come out higher than Open says,
// and not much lower.
func TestOpeningWhileBrakingByIntegration(t *testing.T) {
	for _, braking := range []float64{20, 60, 150} {
		s := situated(t, "brushed, braking", nil)
		s.run.Law.Settings.Limits.BrakingCurrent, s.run.Law.Settings.Limits.ChargeCurrent = braking, 500
		for _, speed := range []float64{60, 120, 220} {
			p := *s.at(-1, speed)
			if !assert.Negative(t, p.BatteryCurrent) {
				continue
			}
			st, m := &s.run.stage, &s.run.motor
			L, C := m.inductance+s.run.motorL, st.capacitance
			e := p.Torque / p.MotorCurrent * speed
			V, i0, path := p.Voltage, math.Abs(p.MotorCurrent), -p.BatteryCurrent
			highest := V
			const dt = 1e-7
			for k := range int(8 * st.loop / dt) {
				i := i0 * math.Exp(-float64(k)*dt/st.loop)
				// The motor gives what it induces, less resistance and brushes, and what its inductance releases.
				watts := e*i - p.DriveLoop.R*i*i - m.brushDrop*i + L*i*i/st.loop
				watts -= (p.DriveLoop.devices.switchR + p.DriveLoop.devices.freewheelR) / 2 * i * i
				V += watts / (C * V) * dt
				highest = max(highest, V)
			}
			// And the cable, whose current toward the battery turns into the capacitor at once.
			highest = math.Sqrt(highest*highest + s.run.pathL*path*path/C)
			says := s.run.OpeningVoltage(&p)
			t.Logf("%.0f A at %.0f rad/s: %.1f A back, %.2f V before, %.3f V by integration, OpeningVoltage says %.3f V", i0, speed, path, p.Voltage, highest, says)
			assert.InEpsilon(t, highest-p.Voltage, says-p.Voltage, 0.03)
		}
	}
}

// TestOpeningAboveTheBatterysVoltage: a motor turned so fast that it rectifies drives the capacitor beyond what it induces,
// as any LC circuit switched onto a source does: integrated here in small steps, without damping.
func TestOpeningAboveTheBatterysVoltage(t *testing.T) {
	s := situated(t, "brushed, braking", nil)
	p := *s.at(0, 320)
	if !assert.True(t, p.Uncontrolled) {
		return
	}
	L, C := s.run.motor.inductance+s.run.motorL, s.run.stage.capacitance
	e, V, i := s.run.motor.perSpeed(0, p.DriveLoop.magnetT)*320, p.Voltage, math.Abs(p.MotorCurrent)
	const dt = 1e-7
	for i >= 0 {
		i += (e - V) / L * dt
		V += i / C * dt
	}
	says := s.run.OpeningVoltage(&p)
	t.Logf("%.0f A rectified, %.2f V induced, %.2f V before: %.2f V by integration, OpeningVoltage says %.2f V", math.Abs(p.MotorCurrent), e, p.Voltage, V, says)
	assert.InEpsilon(t, V, says, 0.002)
	assert.Greater(t, says, e)
}
