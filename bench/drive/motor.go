package drive

import (
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/thermal"
)

const celsius = 273.15 // 0 °C in K

const copperReference = thermal.Celsius20 // K

// copper returns the factor on a copper resistance given at 20 °C.
func copper(T float64) float64 { return 1 + copperSlope*(T-copperReference) }

// copperSlope is its change per kelvin.
var copperSlope = thermal.Copper().Coefficient

// motor is the machine as seen from its terminals: voltage = emf + R·i + brush drop.
type motor struct {
	kind        string
	constant    float64 // V·s/rad at 20 °C
	magnetised  hermite // series-wound: V·s/rad over current
	series      bool
	brushless   bool
	resistance  float64 // Ω at 20 °C
	fieldShare  float64
	inductance  float64
	brushDrop   float64
	brushSlope  float64 // share of the drop by which it rises for each 100 A
	brushShare  float64 // of the drop's heat that goes into the commutator
	friction    float64 // N·m
	viscous     float64 // N·m·s/rad
	windage     float64 // N·m·s²/rad²
	perKelvin   float64 // of the magnets
	phaseFactor float64
	ratedSpeed  float64
	standstill  float64 // share of cooling left at standstill

	demagnet          float64 // A at 20 °C, 0: none
	demagnetPerKelvin float64
}

// motorHeat is the motor's thermal figures, from the file or from its rating.
type motorHeat struct {
	windingCapacity, housingCapacity float64
	windingToHousing, housingToAir   float64
	brushCapacity, barCapacity       float64 // commutator with brushes; the bars under the brushes
	brushToHousing, barToCommutator  float64
	windingLimit                     float64 // K
}

func newMotor(b *boat.Motor) (motor, error) {
	m := motor{
		kind:        b.Kind,
		constant:    b.Constant.SI,
		series:      b.Kind == "series-wound",
		brushless:   b.Kind == "permanent-magnet brushless",
		resistance:  b.Resistance.SI / copper(b.ResistanceAt.SI),
		fieldShare:  b.FieldShare.SI,
		inductance:  b.Inductance.SI,
		brushDrop:   b.BrushDrop.SI,
		friction:    b.FrictionTorque.SI,
		viscous:     b.IronTorque.SI,
		windage:     b.Windage.SI,
		phaseFactor: b.StandstillPhaseFactor.SI,
		ratedSpeed:  b.RatedSpeed.SI,
		standstill:  b.StandstillCooling.SI,
		demagnet:    b.DemagnetisingCurrent.SI,
	}
	switch b.MagnetMaterial() { // common values of textbooks, from memory
	case "ferrite":
		m.perKelvin, m.demagnetPerKelvin = -0.002, +0.004
	case "NdFeB":
		m.perKelvin, m.demagnetPerKelvin = -0.001, -0.006
	}
	m.perKelvin = b.MagnetPerKelvin.Or(m.perKelvin)
	m.brushShare = b.BrushHeatShare.SI
	if b.DemagnetisingPerKelvin.Given {
		m.demagnetPerKelvin = b.DemagnetisingPerKelvin.SI
	}
	if m.series {
		xs, ys := columns(b.Magnetisation)
		if err := m.magnetised.Fit(xs, ys); err != nil {
			return m, err
		}
	}
	return m, nil
}

// perSpeed returns the induced voltage per speed at current i (series-wound) and magnet temperature T, V·s/rad.
// It is also the torque per ampere. Field and armature reverse together, so it is even in i.
func (m *motor) perSpeed(i, T float64) float64 {
	if m.series {
		return m.magnetised.Predict(math.Abs(i))
	}
	return m.constant * (1 + m.perKelvin*(T-copperReference))
}

// perSpeedSlope returns the change of perSpeed per ampere.
func (m *motor) perSpeedSlope(i float64) float64 {
	if !m.series {
		return 0
	}
	return math.Copysign(m.magnetised.PredictDerivative(math.Abs(i)), i)
}

// perKelvinSpeed returns the change of perSpeed per kelvin of the magnets.
func (m *motor) perKelvinSpeed() float64 {
	if m.series {
		return 0
	}
	return m.constant * m.perKelvin
}

// drop returns the brush drop, signed with the current; smooth through zero so that the solver has something to hold.
func (m *motor) drop(i float64) float64 { return m.brushDrop * tanh(i) * m.brushRise(i) }

// brushRise returns the factor on the brush drop at a current, 1 at 100 A; 1 everywhere but where SetBrushSlope was called.
func (m *motor) brushRise(i float64) float64 { return 1 + m.brushSlope*(math.Abs(i)/100-1) }

// SetBrushSlope lets the brush drop rise with the current by a share of itself for each 100 A, for experiments: a boat file does not hold it.
func (m *Model) SetBrushSlope(share float64) { m.motor.brushSlope = share }

// drag returns the torque lost to friction, iron and windage at speed w, N·m, signed with the speed.
func (m *motor) drag(w float64) float64 {
	return m.friction*tanh(w) + m.viscous*w + m.windage*w*math.Abs(w)
}

// dragSlope returns the change of drag per speed, N·m·s/rad.
func (m *motor) dragSlope(w float64) float64 {
	return m.friction*bell(w) + m.viscous + 2*m.windage*math.Abs(w)
}

// dropSlope returns the change of the brush drop per ampere.
func (m *motor) dropSlope(i float64) float64 {
	return m.brushDrop * (bell(i)*m.brushRise(i) + m.brushSlope/100*math.Abs(tanh(i)))
}

// coolingSlope returns the change of cooling per speed, s/rad.
func (m *motor) coolingSlope(w float64) float64 {
	if math.Abs(w) >= 1.5*m.ratedSpeed {
		return 0
	}
	return math.Copysign((1-m.standstill)/m.ratedSpeed, w)
}

// cooling returns the share of the rated cooling at speed w.
func (m *motor) cooling(w float64) float64 {
	return m.standstill + (1-m.standstill)*min(1.5, math.Abs(w)/m.ratedSpeed)
}

// standing returns 1 at standstill and 0 when the shaft turns: whether brushes or phases keep their place.
func standing(w float64) float64 {
	if math.Abs(w) > 30 { // e^−100
		return 0
	}
	return math.Exp(-(w / 3) * (w / 3))
}

// unequal returns the loss of the most loaded phase and its devices over the mean, at speed w: at standstill a brushless motor's
// current stays in one phase.
func (m *motor) unequal(w float64) float64 {
	if !m.brushless {
		return 1
	}
	return 1 + (m.phaseFactor-1)*standing(w)
}

// unequalSlope returns the change of unequal per speed, s/rad.
func (m *motor) unequalSlope(w float64) float64 {
	if !m.brushless {
		return 0
	}
	return -(m.phaseFactor - 1) * 2 * w / 9 * standing(w)
}

// Shares of a motor's figures that its rating and mass leave open; all are estimates, no source.
const (
	windingShare    = 0.3   // of the winding's rise at the rating: between winding and housing
	copperShare     = 0.15  // of the mass
	commutatorShare = 0.015 // of the mass, as copper: commutator and brushes
	barShare        = 0.1   // of the commutator's heat capacity: the bars under the brushes
	barPath         = 1.4   // thermal resistance from those bars to the rest, over that from the commutator to the housing
	brushMargin     = 10.0  // K between the commutator at the rating and its limit
	leastBrushRise  = 5.0   // K of the commutator above the housing at the rating
)

// thermal returns the motor's heat figures. What the file leaves out follows from the rating: at rated current and speed
// in air of 40 °C the winding just reaches its class's rise, and the commutator stays 10 K below its limit.
func (m *motor) thermal(b *boat.Motor) motorHeat {
	r := m.rating(b)
	h := motorHeat{
		windingCapacity:  b.WindingHeatCapacity.Or(copperShare * b.Mass.SI * specificCopper),
		housingCapacity:  b.HousingHeatCapacity.Or((1 - copperShare) * b.Mass.SI * specificIron),
		windingToHousing: b.WindingToHousing.Or(windingShare * r.ClassRise / r.Copper),
		housingToAir:     b.HousingToAir.Or((1 - windingShare) * r.ClassRise / r.losses()),
		windingLimit:     WindingLimit(b),
	}
	mass := b.Mass.Or((h.windingCapacity + h.housingCapacity) / (copperShare*specificCopper + (1-copperShare)*specificIron))
	h.brushCapacity = b.BrushHeatCapacity.Or(commutatorShare * mass * specificCopper)
	h.barCapacity = b.BarHeatCapacity.Or(barShare * h.brushCapacity)
	h.brushToHousing = b.BrushToHousing.Or(anyBrushPath)
	if !b.BrushToHousing.Given && r.Brush > 0 {
		housing := ratedAir + r.losses()*h.housingToAir
		h.brushToHousing = max(b.BrushLimit.SI-brushMargin-housing, leastBrushRise) / (b.BrushHeatShare.SI * r.Brush)
	}
	h.barToCommutator = b.BarToCommutator.Or(barPath * h.brushToHousing)
	return h
}

const (
	specificCopper = 385 // J/(kg·K)
	specificIron   = 460 // J/(kg·K)
	anyBrushPath   = 0.5 // K/W, where no brush drop heats the commutator
)
