package drive

import (
	"fmt"
	"math"

	"quaybench/bench/quantity"
)

// MeterError is the half-width of what a meter may be wrong by: a share of what it shows, and an offset, SI.
type MeterError struct{ Share, Offset float64 }

func (e MeterError) of(shown float64) float64 { return e.Share*math.Abs(shown) + e.Offset }

// MeterErrors are those behind what was seen.
type MeterErrors struct{ MotorCurrent, BatteryCurrent, Voltage, Speed MeterError }

// Agreement is one question to what instruments saw at an instant: whether it can be so at once, in this boat.
type Agreement struct {
	Name   string // of the question, the same at every instant
	Of     Measured
	Denied bool
	Words  func() string // what was seen, and what it would have to be
}

// How far off a thing may be before it is denied, beside the meters' errors. They are wide: warm magnets, a cold winding and a value of the file that is off by
// its tolerance must not be denied, a clamp that shows the tenth or the half must (common practice, no source).
const (
	offBalance  = 0.25 // of a battery current that follows from motor current and speed or duty
	offVoltage  = 0.15 // of an induced voltage
	offBank     = 0.1  // of a bank's open-circuit voltage
	offPart     = 0.1  // beyond what a controller is made for
	offAbove    = 4.0  // times the propeller's torque at its speed, held fast: weed
	offBelow    = 6.0  // that torque over the motor's: the boat makes way
	leastLoad   = 0.05 // of the rated current, below which nothing is asked
	leastTorque = 0.03 // of the rated torque
)

// Agree asks whether what was seen can be so at once; y is a state of about the right temperatures. What a question needs and was not seen is not asked.
func (r *Run) Agree(y []float64, seen Seen, e MeterErrors) (list []Agreement) {
	state := make([]float64, len(y))
	copy(state, y)
	state[r.layout.boat] = 0
	if given(seen.Boat) {
		state[r.layout.boat] = seen.Boat
	}
	point := func(s Seen) Point {
		r.see = func(float64) Seen { return s }
		r.Changed()
		return *r.Point(0, state)
	}
	amps := func(v float64) string { return quantity.Format(v, "A", 3) }
	volts := func(v float64) string { return quantity.Format(v, "V", 3) }
	rpm := func(v float64) string { return quantity.Format(v, "rpm", 3) }
	ask := func(name string, of Measured, denied bool, words func() string) {
		list = append(list, Agreement{name, of, denied, words})
	}
	b := r.boat
	rated, most := b.Motor.RatedCurrent.SI, b.Stage.Current.SI
	im, ib, u, n, duty := seen.MotorCurrent, seen.BatteryCurrent, seen.Voltage, seen.Speed, seen.Duty
	motor, battery, speed := given(im), given(ib), given(n)

	if given(u) {
		low, high := r.bankVoltages(state, seen)
		off := e.Voltage.of(u)
		ask("bank", Measured{Voltage: true}, u < low-off || u > high+off, func() string {
			return fmt.Sprintf("%s at the controller, where this bank has %s to %s", volts(u), volts(low), volts(high))
		})
	}
	if motor {
		ask("stage", Measured{MotorCurrent: true}, math.Abs(im) > most*(1+offPart)+e.MotorCurrent.of(im), func() string {
			return fmt.Sprintf("%s of motor current through a controller for %s", amps(im), amps(most))
		})
	}
	if battery {
		ask("circuit", Measured{BatteryCurrent: true}, math.Abs(ib) > most*(1+offPart)+e.BatteryCurrent.of(ib), func() string {
			return fmt.Sprintf("%s of battery current through a controller for %s", amps(ib), amps(most))
		})
	}
	if motor && battery && math.Abs(ib) > leastLoad*rated {
		standby := 0.0
		if given(u) && u > 0 {
			standby = b.Stage.Housekeeping.SI / u
		}
		reach := math.Abs(im)*(1+offPart) + e.MotorCurrent.of(im) + e.BatteryCurrent.of(ib) + standby
		ask("duty", Measured{MotorCurrent: true, BatteryCurrent: true}, math.Abs(ib) > reach, func() string {
			return fmt.Sprintf("%s of battery current beside %s of motor current: a controller takes no more from the battery than it gives the motor", amps(ib), amps(im))
		})
	}

	driven := seen // what motor current and speed, else what any two tell
	switch {
	case motor && speed:
		driven.BatteryCurrent, driven.Duty = math.NaN(), math.NaN()
	case motor && given(duty):
		driven.BatteryCurrent = math.NaN()
	case motor && battery, battery && given(duty), battery && speed:
	default:
		return list
	}
	p := point(driven)
	of := Measured{MotorCurrent: motor, BatteryCurrent: given(driven.BatteryCurrent), Speed: given(driven.Speed), Duty: given(driven.Duty)}
	balance := func(name string, p *Point, of Measured) {
		would := p.BatteryCurrent
		if larger := max(math.Abs(would), math.Abs(ib)); larger > leastLoad*rated {
			off := offBalance*larger + e.BatteryCurrent.of(ib) + math.Abs(would)*e.MotorCurrent.of(im)/max(math.Abs(im), e.MotorCurrent.Offset)
			if of.Speed {
				off += math.Abs(would) * e.Speed.of(n) / max(math.Abs(n), e.Speed.Offset)
			}
			of.BatteryCurrent, of.Voltage = true, given(u)
			ask(name, of, !(math.Abs(ib-would) <= off), func() string {
				with := rpm(n)
				if !of.Speed {
					with = fmt.Sprintf("a duty of %.0f %%", 100*duty)
				}
				return fmt.Sprintf("%s of battery current, where %s of motor current at %s take %s", amps(ib), amps(im), with, amps(would))
			})
		}
	}
	if motor && battery && (speed || given(duty)) {
		balance("power", &p, of)
	}
	if motor && battery && speed && given(duty) {
		other := seen
		other.BatteryCurrent, other.Speed = math.NaN(), math.NaN()
		q := point(other)
		balance("power by duty", &q, Measured{MotorCurrent: true, Duty: true})
	}
	if speed {
		top := r.battery.openCircuit(1)
		by := Measured{Speed: true}
		if given(u) {
			top, by.Voltage = u+e.Voltage.of(u), true
		}
		constant := r.motor.perSpeed(p.MotorCurrent, r.magnet(state[r.layout.nodes:]))
		if r.motor.series {
			by.MotorCurrent = motor
			by.BatteryCurrent = !motor
		}
		induced := constant * math.Abs(n)
		ask("speed", by, induced*(1-offVoltage) > top+constant*e.Speed.of(n), func() string {
			return fmt.Sprintf("%s, at which the motor induces %s: more than the %s that there are", rpm(n), volts(induced), volts(top))
		})
	}
	i, w := p.MotorCurrent, p.Measured.Speed
	if !(math.Abs(i) > leastLoad*rated) {
		return list
	}
	if !motor {
		ask("stage", of, math.Abs(i) > most*(1+2*offPart), func() string {
			return fmt.Sprintf("%s of motor current, that %s of battery current would make, through a controller for %s", amps(i), amps(ib), amps(most))
		})
	}
	if !battery {
		ask("brakes", of, i*w < 0, func() string {
			return fmt.Sprintf("%s at %s: the motor brakes", amps(i), rpm(w))
		})
	}
	pushed := !speed && battery && ib > 0 // by the battery, whatever its voltage says
	if (i*w >= 0 || pushed) && !r.Locked && !r.Loaded {
		of.Voltage = given(u) && !of.Speed
		torque, load, side := r.beside(&p)
		for _, shift := range []struct {
			value *float64
			by    float64
		}{{&driven.MotorCurrent, e.MotorCurrent.of(im)}, {&driven.BatteryCurrent, e.BatteryCurrent.of(ib)}, {&driven.Speed, e.Speed.of(n)}} {
			if !given(*shift.value) || side == 0 {
				continue
			}
			shown := *shift.value
			for _, sign := range []float64{-1, 1} { // what a meter's error explains is not denied
				*shift.value = shown + sign*shift.by
				q := point(driven)
				if _, _, other := r.beside(&q); other != side {
					side = 0
				}
			}
			*shift.value = shown
		}
		ask("propeller", of, side != 0, func() string {
			but := "unless it draws air"
			if side > 0 {
				but = "unless something holds it"
			}
			return fmt.Sprintf("%s of motor current at %s: the motor gives %s, and the propeller takes %s at that speed, %s", amps(i), rpm(max(0, w*math.Copysign(1, i))), quantity.Format(torque, "N·m", 2), quantity.Format(load, "N·m", 2), but)
		})
	}
	return list
}

// beside returns the torque that a motor gives and that its load takes at its speed, N·m, and whether they are further apart than a propeller can explain: 1 where
// the motor gives too much, −1 where it gives too little, else 0.
func (r *Run) beside(p *Point) (torque, load float64, side int) {
	torque, load = math.Abs(p.Torque-p.Drag), math.Abs(p.Shaft)
	rated := r.boat.Motor.RatedCurrent.SI
	least := leastTorque * r.motor.perSpeed(rated, ratedAir) * rated
	switch {
	case torque > offAbove*load+least:
		return torque, load, 1
	case torque < load/offBelow-least:
		return torque, load, -1
	}
	return torque, load, 0
}

// bankVoltages returns the lowest and highest voltage at the controller that the bank can have, at any charge, beside what was seen.
func (r *Run) bankVoltages(y []float64, seen Seen) (low, high float64) {
	b := &r.battery
	ohms := b.ohmic(y[r.layout.nodes+r.nodes.battery]) + r.fuseR + r.pathOhms
	for k := range b.pairs {
		ohms += b.pairR[k]
	}
	out, in := r.boat.Stage.Current.SI, 0.0
	switch {
	case given(seen.BatteryCurrent):
		out, in = max(0, seen.BatteryCurrent), max(0, -seen.BatteryCurrent)
	case given(seen.MotorCurrent):
		out = math.Abs(seen.MotorCurrent)
	}
	const twice = 2 // a bank that is old or cold
	high = b.openCircuit(1)
	if c := r.boat.Charging; c != nil {
		high = max(high, c.VoltageLimit.SI)
	}
	if v := r.boat.Battery.CellHighest; v.Given {
		high = max(high, v.SI*b.cells)
	}
	return b.openCircuit(0)*(1-offBank) - twice*ohms*out, high*(1+offBank/2) + twice*ohms*in
}
