package hydro

import (
	"fmt"
	"math"
	"quaybench/bench/root"
)

// Measured is a propeller known by one measured point: at this shaft speed and
// this speed of advance it took this torque (or shaft power).
//
// The form of KT and KQ over J is that of a B-series propeller, thrust and torque
// each scaled to pass through the point. At a constant J torque and thrust then go
// with n² and power with n³ (the propeller law); at the bollard and at other J they
// follow the B-series form, which is an estimate.
type Measured struct {
	Diameter     float64 // m
	ShaftSpeed   float64 // rev/s at the propeller, after any gear; above zero
	Torque       float64 // N·m at the propeller shaft; give either this
	Power        float64 // W at the propeller shaft; or this
	AdvanceSpeed float64 // m/s, boat speed × (1 − wake); zero at the bollard
	Density      float64 // of the water, kg/m³

	// Thrust in N. Zero: not measured; take the hull's [Hull.ThrustNeeded] at the
	// measured speed where you can. Left at zero, thrust is scaled as torque is, which
	// takes the propeller to be as good as its B-series sister.
	Thrust float64

	PitchRatio float64 // P/D; zero: the one whose B-series torque fits the point
	AreaRatio  float64 // AE/A0; zero: 0.55
	Blades     int     // zero: 3

	// Fitted is the propeller to describe, where it is not the measured one; a zero field is as measured. It keeps
	// the correction to the B-series that the measured one showed; the point itself is not on its curve.
	Fitted struct {
		Diameter, PitchRatio float64
		Blades               int
	}
}

// NewMeasured returns the propeller m describes, or a [*RangeError].
func NewMeasured(m Measured) (*Screw, error) {
	screw, err := newMeasured(m)
	if err != nil {
		return nil, fmt.Errorf("propeller from a measured point: %w", err)
	}
	return screw, nil
}

func newMeasured(m Measured) (*Screw, error) {
	if (m.Torque == 0) == (m.Power == 0) {
		return nil, &RangeError{Name: "torque or shaft power", Value: m.Torque, Low: 0, High: math.Inf(1), Why: "give one of the two, above zero"}
	}
	for _, err := range []error{
		within("propeller diameter in m", m.Diameter, 0.01, 20, "a propeller"),
		within("shaft speed in 1/min", 60*m.ShaftSpeed, 6, 30000, "a turning shaft"),
		within("speed of advance in m/s", m.AdvanceSpeed, 0, 40, "ahead or at the bollard"),
		within("water density in kg/m³", m.Density, 900, 1100, "water"),
		within("thrust in N", m.Thrust, 0, 1e7, "a driving propeller"),
		within("torque in N·m", m.Torque, 0, 1e7, "a driving propeller"),
		within("shaft power in W", m.Power, 0, 1e8, "a driving propeller"),
	} {
		if err != nil {
			return nil, err
		}
	}
	n := m.ShaftSpeed
	shaftPower := m.Power + 2*math.Pi*n*m.Torque // one of them is zero
	for _, err := range []error{
		within("power of the thrust, which is thrust times speed of the water at the propeller, in W", m.Thrust*m.AdvanceSpeed, 0, 0.9*shaftPower,
			"nine tenths of the shaft power: the hull needs more at that boat speed than the propeller takes; check the hull, boat speed and power"),
		within("shaft power in W", shaftPower, 0.7*idealPower(m.Thrust, m.AdvanceSpeed, m.Diameter, m.Density), 1e8,
			"what momentum theory asks for the thrust that the hull needs at that boat speed, less a margin; check the hull, power, boat speed and diameter"),
	} {
		if err != nil {
			return nil, err
		}
	}
	sister := BSeries{Diameter: m.Diameter, Blades: m.Blades, AreaRatio: m.AreaRatio, PitchRatio: m.PitchRatio}
	if sister.Blades == 0 {
		sister.Blades = 3
	}
	if sister.AreaRatio == 0 {
		sister.AreaRatio = 0.55
	}
	unit := m.Density * n * n * math.Pow(m.Diameter, 4)
	j := m.AdvanceSpeed / (n * m.Diameter)
	kq := shaftPower / (2 * math.Pi * n) / (unit * m.Diameter)
	if sister.PitchRatio == 0 {
		sister.PitchRatio = pitchForTorque(sister, j, kq)
	}
	if err := sister.check(); err != nil {
		return nil, err
	}
	form := sister.polynomials()
	zero := form.zeroThrust()
	// Near zero thrust a small error of the speed would scale the whole curve.
	if err := within("advance of a turn over the diameter", j, 0, 0.95*zero, "a propeller of that pitch gives no thrust beyond: check pitch, propeller speed and boat speed, and that the gear is the right way round"); err != nil {
		return nil, err
	}
	scaleQ := kq / form.KQ(j)
	scaleT := scaleQ
	if m.Thrust > 0 {
		scaleT = m.Thrust / unit / form.KT(j)
	}
	fitted := sister
	if m.Fitted.Diameter > 0 { // the pitch in metres stays
		fitted.Diameter = m.Fitted.Diameter
		fitted.PitchRatio *= m.Diameter / fitted.Diameter
	}
	if m.Fitted.PitchRatio > 0 {
		fitted.PitchRatio = m.Fitted.PitchRatio
	}
	if m.Fitted.Blades > 0 {
		fitted.Blades = m.Fitted.Blades
	}
	if fitted != sister {
		if err := fitted.check(); err != nil {
			return nil, err
		}
		form = fitted.polynomials()
		zero = form.zeroThrust()
	}
	return newScrew(fitted.Diameter, form.scaled(scaleT, scaleQ), 0, zero, shape{pitch: fitted.PitchRatio, area: fitted.AreaRatio})
}

// pitchForTorque returns the pitch ratio at which the B-series takes torque kq at j,
// held to the series' range and to pitches that drive at j.
func pitchForTorque(b BSeries, j, kq float64) float64 {
	drives := root.Zero(0.5, 1.4, func(pitch float64) float64 {
		b.PitchRatio = pitch
		return b.polynomials().zeroThrust() - j/0.9
	})
	return root.Zero(drives, 1.4, func(pitch float64) float64 {
		b.PitchRatio = pitch
		return b.polynomials().KQ(j) - kq
	})
}
