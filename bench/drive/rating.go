package drive

import (
	"quaybench/bench/boat"
	"quaybench/bench/root"
	"quaybench/bench/thermal"
)

// ratedAir is the air of a motor's rating: 40 °C, IEC 60034-1, 6.3.
const ratedAir = 40 + celsius

// Rating is a motor at its own rating, as its boat file describes it: rated current and speed for ever, in air of 40 °C,
// the winding at the temperature of its class.
type Rating struct {
	Induced float64 // V
	Voltage float64 // V at the terminals
	Torque  float64 // N·m at the shaft
	Power   float64 // W at the shaft

	Copper, Brush, Drag float64 // losses, W

	ClassRise  float64 // K that the thermal class allows the winding above the air
	Winding    float64 // K above the air
	Housing    float64 // K above the air
	Commutator float64 // K above the air; of no meaning where the motor is brushless
}

// RatingOf returns the rating of a motor that package boat has found sound.
func RatingOf(b *boat.Motor) (Rating, error) {
	m, err := newMotor(b)
	if err != nil {
		return Rating{}, err
	}
	r := m.rating(b)
	h := m.thermal(b)
	r.Housing = r.losses() * h.housingToAir
	r.Winding = r.Housing + r.Copper*h.windingToHousing
	r.Commutator = r.Housing + r.Brush*h.brushToHousing
	return r, nil
}

func (r Rating) losses() float64 { return r.Copper + r.Brush + r.Drag }

// rating returns what the motor's electrical figures alone say of its rating: all but the temperatures.
func (m *motor) rating(b *boat.Motor) Rating {
	class := insulation(b)
	i, w := b.RatedCurrent.SI, b.RatedSpeed.SI
	hot := ratedAir + class.Rise
	perSpeed := m.perSpeed(i, copperReference)
	r := Rating{
		Induced:   perSpeed * w,
		Copper:    m.resistance * copper(hot) * i * i,
		Brush:     m.brushDrop * i,
		Drag:      m.drag(w) * w,
		ClassRise: class.Rise,
	}
	r.Voltage = r.Induced + (r.Copper+r.Brush)/i
	r.Torque = perSpeed*i - m.drag(w)
	r.Power = r.Torque * w
	return r
}

// insulation returns the thermal class of a motor's winding.
func insulation(b *boat.Motor) thermal.InsulationClass {
	class, err := thermal.Insulation(b.Insulation)
	if err != nil {
		panic(err) // the boat file allows no other letter
	}
	return class
}

// WindingLimit returns the highest temperature of a motor's winding: its own, or that of its thermal class, K.
func WindingLimit(b *boat.Motor) float64 { return b.WindingLimit.Or(insulation(b).Temperature) }

// MotorNeeds returns the motor current (A) and voltage (V) at which a motor turns at speed (rad/s) against a torque at its
// shaft (N·m), winding and magnets at 20 °C. ok is false where no current up to 100 kA gives that torque.
func MotorNeeds(b *boat.Motor, torque, speed float64) (current, voltage float64, ok bool) {
	m, err := newMotor(b)
	if err != nil {
		return 0, 0, false
	}
	lacks := func(i float64) float64 { return torque + m.drag(speed) - m.perSpeed(i, copperReference)*i }
	const most = 1e5
	if lacks(most) > 0 {
		return 0, 0, false
	}
	i := root.Zero(0, most, lacks)
	return i, m.perSpeed(i, copperReference)*speed + m.resistance*i + m.brushDrop, true
}
