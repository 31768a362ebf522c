package verdict

import (
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/hydro"
	"quaybench/bench/quantity"
)

const (
	seaWater = 1025.0 // kg/m³
)

var dataPropeller = dataRule("data-propeller", "gear, propeller and motor fit each other", func(b *boat.Boat) (out []comparison) {
	p, gear := &b.Propeller, b.Shaft.GearRatio.SI
	out = append(out, comparison{
		says:  quantity.Sentence("the motor turns %.3g times for one turn of the propeller", gear),
		value: gear, unit: "times", usual: span{0.95, 8}, possible: span{0.7, 30}, look: "shaft.gear_ratio (motor turns per propeller turn: 2:1 where the propeller turns half as fast)",
	})
	d5 := math.Pow(p.Diameter.SI, 5)
	out = append(out, comparison{
		says:  quantity.Sentence("propeller and shaft have an inertia of %s at a diameter of %s", written(b.Shaft.Inertia.SI, "kg·m²"), written(p.Diameter.SI, "m")),
		value: b.Shaft.Inertia.SI, unit: "kg·m²", usual: span{0.05 * d5, 300 * d5}, possible: span{0, 10000 * d5}, look: "shaft.inertia, propeller.diameter",
	})
	if p.Pitch.Given {
		out = append(out, comparison{
			says:  quantity.Sentence("the pitch, %s, is %.2g times the diameter, %s", written(p.Pitch.SI, "m"), p.Pitch.SI/p.Diameter.SI, written(p.Diameter.SI, "m")),
			value: p.Pitch.SI / p.Diameter.SI, unit: "times", usual: span{0.4, 1.8}, possible: span{0.15, 4}, look: "propeller.pitch, propeller.diameter",
		})
	}
	rated := 0.0
	if r, err := drive.RatingOf(&b.Motor); err == nil {
		rated = r.Torque * gear
	}
	out = append(append(out, waterSizes(b, rated)...), openWater(b)...)
	torque := p.MeasuredTorque.SI
	if !p.MeasuredTorque.Given && p.MeasuredPower.Given && p.MeasuredSpeed.SI > 0 {
		torque = p.MeasuredPower.SI / p.MeasuredSpeed.SI
	}
	if p.Kind != "measured point" || torque == 0 || p.MeasuredSpeed.SI == 0 {
		return out
	}
	n := p.MeasuredSpeed.SI / (2 * math.Pi)
	k := torque / (seaWater * n * n * d5)
	point := "propeller.measured_speed, " + measuredLoad(p)
	out = append(out, comparison{
		says:  quantity.Sentence("the measured point, %s at %s, means a torque coefficient of %.2g for a propeller of %s", written(torque, "N·m"), written(p.MeasuredSpeed.SI, "rpm"), k, written(p.Diameter.SI, "m")),
		value: k, usual: span{0.004, 0.1}, possible: span{0.0005, 0.5}, look: point + ", propeller.diameter",
	})
	out = append(out, sister(b, k)...)
	amps, volts, ok := drive.MotorNeeds(&b.Motor, torque/(gear*b.Shaft.GearEfficiency.SI), p.MeasuredSpeed.SI*gear)
	most := HighestVoltage(b)
	if !ok {
		amps, volts = 1e5, most
	}
	return append(out, comparison{
		says: quantity.Sentence("at the propeller's measured point this motor would turn at %s and need %s, %.2g times what the full bank has, %s",
			written(p.MeasuredSpeed.SI*gear, "rpm"), written(volts, "V"), volts/most, written(most, "V")),
		value: volts / most, unit: "times", usual: span{0.05, 1.1}, possible: span{0.01, 1.8}, look: point + ", shaft.gear_ratio, motor.constant",
	}, comparison{
		says: quantity.Sentence("at the propeller's measured point this motor would take %s of motor current, %.2g times its rated current", written(amps, "A"), amps/b.Motor.RatedCurrent.SI),
		// a point far below the rating is no fault
		value: amps / b.Motor.RatedCurrent.SI, unit: "times", usual: span{0, 2.5}, possible: span{0, 5}, look: point + ", shaft.gear_ratio, motor.rated_current",
	})
})

var dataHull = dataRule("data-hull", "displacement, length, resistance and the propeller's power fit each other", func(b *boat.Boat) (out []comparison) {
	h := &b.Hull
	length := h.WaterlineLength.SI
	slender := h.Displacement.SI / math.Pow(length, 3)
	out = append(out, comparison{
		says:  quantity.Sentence("the boat of %s on a waterline of %s weighs %.2g times the cube of its length in t and m", written(h.Displacement.SI, "kg"), written(length, "m"), slender/1000),
		value: slender / 1000, usual: span{0.0012, 0.025}, possible: span{0.0003, 0.12}, look: "hull.displacement, hull.waterline_length",
	})
	// rows of speed and towing resistance
	rows, look := h.Resistance, "hull.resistance"
	if len(h.SpeedPower) > 0 {
		rows, look = nil, "hull.speed_power"
		for _, r := range h.SpeedPower {
			rows = append(rows, []float64{r[0], r[1] * h.PropulsiveEfficiency.SI / r[0]})
		}
	}
	for _, i := range []int{0, len(rows) - 1} {
		if i < 0 || len(rows) == 0 {
			break
		}
		v, pull := rows[i][0], rows[i][1]
		froude := hydro.FroudeNumber(v, length)
		out = append(out, comparison{
			says:  quantity.Sentence("%s has a row at %s, a Froude number of %.2g on a waterline of %s", look, written(v, "km/h"), froude, written(length, "m")),
			value: froude, usual: span{0, 1.3}, possible: span{0, 5}, look: look + ", hull.waterline_length",
		}, comparison{
			says:  quantity.Sentence("%s means a resistance of %s at %s, %.2g %% of the boat's weight", look, written(pull, "N"), written(v, "km/h"), 100*pull/(h.Displacement.SI*hydro.Gravity)),
			value: pull / (h.Displacement.SI * hydro.Gravity), unit: "%", usual: span{0.0004, 0.2}, possible: span{0.00004, 0.8}, look: look + ", hull.displacement",
		})
	}
	p := &b.Propeller
	if p.Kind != "measured point" || !p.MeasuredBoatSpeed.Given || p.MeasuredBoatSpeed.SI < 0.5 || len(rows) == 0 || p.MeasuredBoatSpeed.SI < rows[0][0] || p.MeasuredBoatSpeed.SI > rows[len(rows)-1][0] {
		return out
	}
	power := p.MeasuredPower.SI
	if p.MeasuredTorque.Given {
		power = p.MeasuredTorque.SI * p.MeasuredSpeed.SI
	}
	wants := towing(rows, p.MeasuredBoatSpeed.SI) * p.MeasuredBoatSpeed.SI / h.PropulsiveEfficiency.SI
	return append(out, comparison{
		says: quantity.Sentence("at %s the propeller took %s when it was measured, %.2g times what %s has there, %s",
			written(p.MeasuredBoatSpeed.SI, "km/h"), written(power, "kW"), power/wants, look, written(wants, "kW")),
		value: power / wants, unit: "times", usual: span{0.7, 1.5}, possible: span{0.35, 3}, look: measuredLoad(p) + ", propeller.measured_boat_speed, " + look,
	})
})

// towing returns the resistance (N) at speed v within a table of speed and resistance, linear in resistance over speed squared.
func towing(rows [][]float64, v float64) float64 {
	for i := 1; i < len(rows); i++ {
		if a, b := rows[i-1], rows[i]; v <= b[0] {
			low, high := a[1]/(a[0]*a[0]), b[1]/(b[0]*b[0])
			return v * v * (low + (high-low)*(v-a[0])/(b[0]-a[0]))
		}
	}
	last := rows[len(rows)-1]
	return last[1]
}
