package learn

import (
	"fmt"
	"math"
	"strings"

	"quaybench/bench/boat"
)

// wear is one way in which a boat ages: a value of its file, or a factor on one of its tables, that goes one way from outing to outing, or back where somebody mends it.
// Whatever no row names (areas, masses, heat capacities, a hull's wake) nothing wears: it is the same in all records.
type wear struct {
	cause string  // in the trade's words; the name of the joint or cable follows a colon
	key   string  // of the value, without numbers
	usual float64 // change of it where it is there, as a share
	// scatter is the share by which the value differs from outing to outing though nothing wears: sea, wind, the load aboard, what air moves round a part, warmth of grease and cells.
	scatter float64
	loose   float64 // as that of a cause: its scores spread so much wider than 1 in boats that stay as they are
}

// wears lists the values that drift asks for, each with the change that is usual where it wears, as a share of the value, and with its scatter (common practice, no source).
var wears = []wear{
	{jointUp, "joint.resistance", 8, 0.05, 1}, // ten times as much glows
	{"crimp or cable corroded: ", "cable.resistance", 1, 0.03, 1},
	{"contacts of the contactor burnt", "contactor.resistance", 4, 0.05, 1},
	{batteryTired, "battery.resistance", 1, 0.05, 1},
	{"battery tired: it holds less", "battery.capacity", -0.3, 0.02, 1},
	{magnetsWeak, "motor.constant", -0.15, 0.005, 1},
	{"brushes worn", "motor.brush_drop", 0.5, 0.05, 1},
	{"bearings drag", "motor.friction_torque", 2, 0.1, 1},
	{"shaft seal drags", "shaft.seal_friction", 2, 0.1, 1},
	{"cooling of the stage blocked", "stage.sink_resistance", 1, 0.05, 1},
	{"cooling of the motor blocked", "motor.housing_to_air", 1, 0.1, 1},
	{"vents of the compartment blocked", "compartment.thermal_resistance", 1, 0.1, 1},
	{propFouled, "propeller.measured_power", 0.5, 0.03, wandering},
	{propFouled, "propeller.open_water", 0.5, 0.03, wandering},
	{propFouled, "propeller.pitch", 0.15, 0.01, wandering}, // of one of a series, which stands for all that is not known of it
	{hullFouled, "hull.speed_power", 0.5, 0.05, wandering},
	{hullFouled, "hull.resistance", 0.5, 0.05, wandering},
}

const hullFouled = "hull fouled"

// usually returns the change of a value that is usual where it wears.
func usually(b *boat.Boat, key string) float64 { return wearOf(b, key).usual }

// wearOf returns the row of a value; nil where nothing wears it.
func wearOf(b *boat.Boat, key string) *wear {
	plain := boat.WithoutNumbers(key)
	if plain == "propeller.pitch" && b.Propeller.Kind != "B-series" {
		return nil
	}
	for i := range wears {
		if wears[i].key == plain {
			return &wears[i]
		}
	}
	return nil
}

// name returns what happened to a value in the trade's words, with the name of the joint or cable.
func (w *wear) name(b *boat.Boat, key string) string {
	if !strings.HasSuffix(w.cause, ": ") {
		return w.cause
	}
	for i, j := range b.Joints {
		if key == fmt.Sprintf("joint[%d].resistance", i) {
			return w.cause + j.Name
		}
	}
	for i, c := range b.Cables {
		if key == fmt.Sprintf("cable[%d].resistance", i) {
			return w.cause + c.Name
		}
	}
	return w.cause
}

// size returns the standard deviation of the logarithm of a value's change before the records say anything, with the sign of what wears.
func (w *wear) size() float64 { return math.Log1p(w.usual) }

// worn returns the score of a value whose score would be z, had it not changed by the factor exp(size·d).
func (w *wear) worn(u *Unknown, z, d float64) float64 {
	return u.Spread.Score(u.Spread.At(z) * math.Exp(w.size()*d))
}

// slope returns by how much such a score moves with d, over what it moves by with z.
func (w *wear) slope(u *Unknown, z, d float64) float64 {
	const h = 1e-3
	return (w.worn(u, z, d+h) - w.worn(u, z, d-h)) / (w.worn(u, z+h, d) - w.worn(u, z-h, d))
}
