package drive

import (
	"strings"
	"sync"

	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/hydro"
	"quaybench/bench/quantity"
)

// Unknown is a value of a boat that is not known exactly, or a factor on a column of one of its tables.
type Unknown struct {
	Key    string // of the boat file: "joint[1].resistance"; a factor on a table has the table's key, see tables
	Unit   string // in which the boat file writes it; "1" of a factor
	Spread boat.Spread

	follows bool // the file leaves it out, and it follows from other values: it moves with them
	table   int  // index into tables; -1: a value
}

// tables lists what of a boat's tables is not known exactly: a factor on a column of each.
var tables = []struct {
	key     string
	table   func(*boat.Boat) *datafile.Table
	columns []int
}{
	{"battery.ocv", func(b *boat.Boat) *datafile.Table { return &b.Battery.OCV }, []int{1}},
	{"battery.polarisation", func(b *boat.Boat) *datafile.Table { return &b.Battery.Polarisation }, []int{0}},
	{"battery.polarisation.time", func(b *boat.Boat) *datafile.Table { return &b.Battery.Polarisation }, []int{1}},
	{"motor.magnetisation", func(b *boat.Boat) *datafile.Table { return &b.Motor.Magnetisation }, []int{1}},
	{"stage.switch_heat", func(b *boat.Boat) *datafile.Table { return &b.Stage.SwitchHeat }, []int{0}},
	{"stage.freewheel_heat", func(b *boat.Boat) *datafile.Table { return &b.Stage.FreewheelHeat }, []int{0}},
	{"propeller.open_water", func(b *boat.Boat) *datafile.Table { return &b.Propeller.OpenWater }, []int{1, 2}},
	{"hull.speed_power", func(b *boat.Boat) *datafile.Table { return &b.Hull.SpeedPower }, []int{1}},
	{"hull.resistance", func(b *boat.Boat) *datafile.Table { return &b.Hull.Resistance }, []int{1}},
}

// Filled returns a copy of a boat in which everything that follows from other values is written out: the heat paths and capacities
// that a motor's rating and mass mean, a cable's resistance, the open-circuit voltage of the chemistry. A boat that cannot be
// computed is returned as far as it can. Learning fills a boat before it changes a value, so that no other moves with it.
func Filled(b *boat.Boat) *boat.Boat {
	f := *b
	datafile.Walk(&f, func(string, *quantity.Value) {}) // own copies of what lies behind pointers and slices
	fill := func(v *quantity.Value, x float64) {
		if !v.Given && x > 0 {
			*v = quantity.Exactly(x)
		}
	}
	fill(&f.Battery.HeatCapacity, b.Battery.Mass.SI*specificBank)
	if len(f.Battery.OCV) == 0 {
		f.Battery.OCV = own(chemistryOCV[b.Battery.Chemistry])
	}
	for i := range f.Cables {
		c := &f.Cables[i]
		if k, err := CableHeat(c); err == nil {
			fill(&c.Resistance, k.Ohms)
			fill(&c.ThermalResistance, k.Resistance)
			fill(&c.HeatCapacity, k.Capacity)
			fill(&c.Inductance, k.Inductance)
		}
	}
	fill(&f.Fuse.Resistance, anyFuse(&b.Fuse))
	fill(&f.Contactor.ThermalResistance, anyContactor(&b.Contactor))
	if f.Stage.Freewheel != "diode" {
		fill(&f.Stage.FreewheelResistance, b.Stage.SwitchResistance.SI)
	}
	if m, err := newMotor(&b.Motor); err == nil {
		h := m.thermal(&b.Motor)
		fill(&f.Motor.WindingHeatCapacity, h.windingCapacity)
		fill(&f.Motor.HousingHeatCapacity, h.housingCapacity)
		fill(&f.Motor.WindingToHousing, h.windingToHousing)
		fill(&f.Motor.HousingToAir, h.housingToAir)
		if !m.brushless {
			fill(&f.Motor.BrushHeatCapacity, h.brushCapacity)
			fill(&f.Motor.BarHeatCapacity, h.barCapacity)
			fill(&f.Motor.BrushToHousing, h.brushToHousing)
			fill(&f.Motor.BarToCommutator, h.barToCommutator)
		}
		if m.perKelvin != 0 && !f.Motor.MagnetPerKelvin.Given {
			f.Motor.MagnetPerKelvin = quantity.Exactly(m.perKelvin)
		}
		if m.demagnetPerKelvin != 0 && m.demagnet > 0 && !f.Motor.DemagnetisingPerKelvin.Given {
			f.Motor.DemagnetisingPerKelvin = quantity.Exactly(m.demagnetPerKelvin)
		}
	}
	if h := &f.Hull; len(h.SpeedPower) == 0 && len(h.Resistance) == 0 {
		h.Resistance = estimated(h)
	}
	return &f
}

// estimated returns the table of a hull's estimated resistance; nil where it cannot be estimated.
func estimated(h *boat.Hull) (t datafile.Table) {
	const rows = 40
	r, err := resist(h)
	curve, ok := r.(*hydro.Curve)
	if err != nil || !ok {
		return nil
	}
	low, high := curve.Range()
	for i := range rows {
		v := low + (high-low)*float64(i)/(rows-1)
		t = append(t, []float64{v, curve.Force(v)})
	}
	return t
}

// Unknowns lists what of a boat is not known exactly, in the order of the boat file's keys, the tables last. The values that follow
// from others are listed too.
func Unknowns(b *boat.Boat) (list []Unknown) {
	given := map[string]bool{}
	own := *b
	datafile.Walk(&own, func(key string, v *quantity.Value) { given[key] = v.Given })
	full := Filled(b)
	datafile.Walk(full, func(key string, v *quantity.Value) {
		if !v.Given || unused(b, key) {
			return
		}
		if s := spreadOf(b, key, *v); s.Law != boat.Exact {
			list = append(list, Unknown{Key: key, Unit: units()[boat.WithoutNumbers(key)], Spread: s, follows: !given[key], table: -1})
		}
	})
	for i, t := range tables {
		if len(*t.table(full)) == 0 {
			continue
		}
		if s := b.Spread(t.key, quantity.Exactly(1)); s.Law != boat.Exact {
			list = append(list, Unknown{Key: t.key, Unit: "1", Spread: s, follows: len(*t.table(b)) == 0, table: i})
		}
	}
	return list
}

// anyScrew is how wide the pitch of a propeller spreads that nobody has measured: its torque then lies within about 15 %.
const anyScrew = 0.08

// spreadOf returns the spread of a value; for a pitch it is wider, since the pitch also stands for what is not known of a propeller.
func spreadOf(b *boat.Boat, key string, v quantity.Value) boat.Spread {
	if key == "propeller.pitch" && v.Tolerance == 0 && (b.Propeller.Kind == "B-series" || b.Propeller.Changed()) {
		v.Tolerance = anyScrew * v.SI
		s := b.Spread(key, v)
		s.Stated = false
		return s
	}
	return b.Spread(key, v)
}

// unused reports whether a value has no part in a boat's simulation: it is of another kind of motor, stage or propeller, or what
// would follow from it is given.
func unused(b *boat.Boat, key string) bool {
	m, h := &b.Motor, &b.Hull
	brushless := m.Kind == "permanent-magnet brushless"
	switch key {
	case "battery.energy": // the capacity has it
		return true
	case "battery.mass":
		return b.Battery.HeatCapacity.Given
	case "motor.mass":
		return m.WindingHeatCapacity.Given && m.HousingHeatCapacity.Given && (brushless || m.BrushHeatCapacity.Given)
	case "stage.freewheel_drop":
		return b.Stage.Freewheel != "diode"
	case "motor.brush_heat_share", "motor.bar_to_commutator", "motor.bar_heat_capacity":
		return brushless
	case "motor.standstill_phase_factor":
		return !brushless
	case "motor.field_share":
		return m.Kind != "series-wound"
	case "propeller.measured_diameter", "propeller.measured_pitch":
		return !b.Propeller.Changed()
	case "hull.waterline_length", "hull.wetted_surface", "hull.allowance", "hull.form_factor":
		return len(h.SpeedPower) > 0 || len(h.Resistance) > 0
	case "hull.propulsive_efficiency":
		return len(h.SpeedPower) == 0
	}
	return false
}

// units holds the unit of each quantity of a boat file, by its key without numbers.
var units = sync.OnceValue(func() map[string]string {
	out := map[string]string{}
	for _, f := range datafile.Fields(boat.Boat{}) {
		if f.Kind == datafile.KindQuantity {
			out[strings.ReplaceAll(f.Key, "[]", "")] = f.Unit
		}
	}
	return out
})

// Place returns a copy of a boat with each unknown at a normal score. What follows from other values follows from them as they are
// placed, times its own spread.
func Place(b *boat.Boat, list []Unknown, scores []float64) *boat.Boat {
	copied := *b
	own := map[string]int{}
	follow := false
	for i := range list {
		if list[i].table < 0 {
			own[list[i].Key] = i
		}
		follow = follow || list[i].follows
	}
	datafile.Walk(&copied, func(key string, v *quantity.Value) {
		if i, ok := own[key]; ok && !list[i].follows {
			v.SI = list[i].Spread.At(scores[i])
		}
	})
	placed := &copied
	if follow {
		placed = Filled(placed)
		datafile.Walk(placed, func(key string, v *quantity.Value) {
			if i, ok := own[key]; ok && list[i].follows {
				s := list[i].Spread
				v.SI *= s.At(scores[i]) / s.Value
			}
		})
	}
	for i := range list {
		if u := &list[i]; u.table >= 0 {
			t := tables[u.table].table(placed)
			*t = times(*t, tables[u.table].columns, u.Spread.At(scores[i]))
		}
	}
	return placed
}

// TableOf returns a table of a boat by its key, with what follows where the file leaves it out; nil where there is none.
func TableOf(b *boat.Boat, key string) datafile.Table {
	full := Filled(b)
	for _, t := range tables {
		if t.key == key {
			return own(*t.table(full))
		}
	}
	return nil
}

// times returns a table with a factor on some of its columns.
func times(t datafile.Table, columns []int, factor float64) datafile.Table {
	t = own(t)
	for _, row := range t {
		for _, c := range columns {
			row[c] *= factor
		}
	}
	return t
}

// Table returns the key and the columns (from 0) of the table that the unknown is a factor on; ok is false where it is a value.
func (u *Unknown) Table() (key string, columns []int, ok bool) {
	if u.table < 0 {
		return "", nil, false
	}
	key = tables[u.table].key
	if key == "battery.polarisation.time" {
		key = "battery.polarisation"
	}
	return key, tables[u.table].columns, true
}
