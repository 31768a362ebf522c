package boat

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"path"
	"slices"
	"strings"
	"sync"

	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
)

// usual is a row of the table: how well values of a kind, or of a key, are known when the file does not. Half-widths of 95 % intervals: shares of the
// value; of a temperature kelvins; of a fraction (a ratio with bounds) points, 0.05 being five per cent points.
type usual struct {
	of       string // a kind of quantity, or a pattern of keys: "*_limit"; elements of tables without number
	measured float64
	sheet    float64 // data sheet
	guessed  float64 // estimated, an example, or without a word
	leftOut  float64
}

// usuals is the table; the first row that fits holds, so keys stand before kinds. Every row is common practice, no source. What
// makers or standards set (limits, ratings), what is counted or chosen, and the temperature at which a figure was stated are exact: a
// limit does not spread, what is known of it is its margin's business.
var usuals = []usual{
	// Limits, ratings and choices.
	{"close*", 0, 0, 0, 0},
	{"*limit", 0, 0, 0, 0},
	{"*_at", 0, 0, 0, 0},
	{"*rated_*", 0, 0, 0, 0}, // current, speed, time and temperature of a rating
	{"*short_circuit_temperature", 0, 0, 0, 0},
	{"*bundling", 0, 0, 0, 0},
	{"*ampacity", 0, 0, 0, 0},
	{"cable.section", 0, 0, 0, 0},
	{"battery.cell_*", 0, 0, 0, 0},
	{"battery.charge_lowest_temperature", 0, 0, 0, 0},
	{"battery.management.*", 0, 0, 0, 0},
	{"fuse.resistance", 0.1, 0.1, 0.3, 0.5},
	{"fuse.*", 0, 0, 0, 0}, // its fastest and slowest curve are its spread
	{"contactor.resistance", 0.2, 0.3, 0.5, 0.7},
	{"contactor.*_resistance", 0.1, 0.15, 0.3, 0.3},
	{"contactor.*capacity", 0.2, 0.2, 0.4, 0.5},
	{"contactor.coil_power", 0.05, 0.1, 0.2, 0.3},
	{"contactor.*", 0, 0, 0, 0},
	{"precharge.*", 0, 0, 0, 0},
	{"stage.current", 0, 0, 0, 0},
	{"motor.demagnetising_*", 0, 0, 0, 0},
	{"shaft.gear_ratio", 0, 0, 0, 0},
	{"instruments.*", 0, 0, 0, 0}, // are errors themselves

	// Tables of rows: a factor on one column.
	{"battery.ocv", 0.002, 0.005, 0.01, 0.01},
	{"battery.polarisation", 0.15, 0.3, 0.5, 0.7},
	{"battery.polarisation.time", 0.3, 0.4, 0.6, 0.7},
	{"motor.magnetisation", 0.03, 0.05, 0.1, 0.2},
	{"stage.*_heat", 0.15, 0.2, 0.4, 0.8},
	{"propeller.open_water", 0.05, 0.05, 0.15, 0.15},
	{"hull.speed_power", 0.08, 0.1, 0.25, 0.4},
	{"hull.resistance", 0.08, 0.1, 0.25, 0.8}, // left out: the estimate; half to double

	// Keys that are known better or worse than their kind.
	{"battery.capacity", 0.03, 0.05, 0.15, 0.15},
	{"battery.resistance", 0.1, 0.2, 0.4, 0.6},
	{"battery.peukert", 0.02, 0.03, 0.05, 0},
	{"cable.resistance", 0.03, 0.03, 0.1, 0.04}, // left out: from length, section and class
	{"cable.thermal_resistance", 0.1, 0.15, 0.3, 0.2},
	{"cable.heat_capacity", 0.1, 0.1, 0.2, 0.1},
	{"cable.inductance", 0.1, 0.2, 0.4, 0.5},
	{"joint.resistance", 0.2, 0.4, 0.6, 0.7},
	{"motor.constant", 0.02, 0.05, 0.1, 0.1},
	{"motor.resistance", 0.05, 0.1, 0.2, 0.3},
	{"motor.brush_drop", 0.15, 0.25, 0.3, 0.5},
	{"motor.winding_to_housing", 0.1, 0.15, 0.3, 0.25}, // left out: from the rating
	{"motor.housing_to_air", 0.1, 0.15, 0.3, 0.2},
	{"motor.*_heat_capacity", 0.1, 0.15, 0.3, 0.3},
	{"motor.mass", 0.02, 0.05, 0.15, 0.2},
	{"*lost_cooling_factor", 0.15, 0.2, 0.3, 0.4},
	{"compartment.closed_factor", 0.15, 0.2, 0.3, 0.4},
	{"stage.switch_resistance", 0.1, 0.15, 0.3, 0.6},
	{"stage.freewheel_resistance", 0.1, 0.15, 0.3, 0.1},
	{"stage.switching_frequency", 0.01, 0.02, 0.1, 0.2},
	{"stage.sink_heat_capacity", 0.1, 0.1, 0.25, 0.6},
	{"motor.inertia", 0.1, 0.1, 0.4, 0.8},
	{"motor.inductance", 0.1, 0.2, 0.4, 0.8},
	{"stage.sink_resistance", 0.1, 0.15, 0.3, 0.4},
	{"propeller.measured_speed", 0.01, 0.02, 0.05, 0},
	{"propeller.measured_boat_speed", 0.03, 0.05, 0.1, 0},
	{"propeller.measured_power", 0.08, 0.1, 0.2, 0},
	{"propeller.measured_torque", 0.08, 0.1, 0.2, 0},
	{"propeller.pitch", 0.02, 0.03, 0.08, 0},
	{"propeller.*diameter", 0.005, 0.005, 0.02, 0},
	{"shaft.gear_efficiency", 0.01, 0.01, 0.03, 0.03},
	{"hull.waterline_length", 0.01, 0.02, 0.1, 0.2},
	{"hull.added_mass", 0.02, 0.03, 0.04, 0.05},
	{"hull.displacement", 0.03, 0.1, 0.15, 0.2},

	// Kinds.
	{"temperature", 2, 3, 5, 10},
	{"ratio", 0.02, 0.03, 0.06, 0.1},
	{"resistance", 0.05, 0.1, 0.3, 0.5},
	{"thermal resistance", 0.1, 0.15, 0.3, 0.4},
	{"heat capacity", 0.1, 0.1, 0.25, 0.4},
	{"mass", 0.03, 0.03, 0.1, 0.2},
	{"inductance", 0.1, 0.2, 0.4, 0.5},
	{"capacitance", 0.1, 0.2, 0.4, 0.5},
	{"voltage", 0.05, 0.1, 0.25, 0.4},
	{"torque", 0.1, 0.15, 0.4, 0.6},
	{"viscous friction", 0.1, 0.2, 0.5, 0.7},
	{"moment of inertia", 0.1, 0.1, 0.4, 0.5},
	{"power", 0.05, 0.1, 0.25, 0.4},
	{"charge", 0.03, 0.05, 0.15, 0.2},
	{"energy", 0.03, 0.05, 0.15, 0.2},
	{"current", 0.03, 0.05, 0.15, 0.3},
	{"time", 0.1, 0.2, 0.4, 0.5},
	{"rate", 0.01, 0.05, 0.2, 0.3},
	{"angular speed", 0.01, 0.02, 0.05, 0.1},
	{"speed", 0.02, 0.03, 0.1, 0.15},
	{"length", 0.01, 0.02, 0.1, 0.1},
	{"area", 0.05, 0.05, 0.15, 0.25},
	{"temperature coefficient", 0.1, 0.15, 0.3, 0.4},
}

// anyUsual is the row of a kind without a line of its own, such as windage.
var anyUsual = usual{"", 0.1, 0.2, 0.4, 0.5}

// width returns the half-width for an origin.
func (u usual) width(origin string) float64 {
	switch origin {
	case quantity.Measured:
		return u.measured
	case quantity.DataSheet:
		return u.sheet
	case LeftOut:
		return u.leftOut
	}
	return u.guessed
}

// known holds what the schema says of a key, and its row of the table.
type known struct {
	key       string // elements of tables without number: "joint.resistance"
	kind      string // of quantity; "" for a table of rows
	low, high float64
	fraction  bool // a ratio with bounds
	row       usual
}

// keys holds what is known of each key that can spread.
var keys = sync.OnceValue(func() map[string]*known {
	out := map[string]*known{}
	add := func(k *known) {
		k.row = anyUsual
		if i := slices.IndexFunc(usuals, func(u usual) bool { return u.names(k) || k.kind != "" && u.of == k.kind }); i >= 0 {
			k.row = usuals[i]
		}
		out[k.key] = k
	}
	for _, f := range datafile.Fields(Boat{}) {
		key := strings.ReplaceAll(f.Key, "[]", "")
		switch f.Kind {
		case datafile.KindQuantity:
			k := &known{key: key, kind: quantity.MustUnit(f.Unit).Name(), low: f.Low, high: f.High}
			k.fraction = k.kind == "ratio" && !math.IsInf(k.high, 1)
			add(k)
		case datafile.KindRows:
			add(&known{key: key, low: 0, high: math.Inf(1)})
		}
	}
	add(&known{key: "battery.polarisation.time", low: 0, high: math.Inf(1)})
	return out
})

// names reports whether the row names a key.
func (u usual) names(k *known) bool {
	ok, _ := path.Match(u.of, k.key)
	return ok
}

// fieldOf returns what is known of a key; of one that cannot spread, that it is exact.
func fieldOf(key string) *known {
	if k := keys()[WithoutNumbers(key)]; k != nil {
		return k
	}
	return &known{key: key, low: math.Inf(-1), high: math.Inf(1)}
}

// usual returns the half-width, SI, of a value that states no tolerance.
func (b *Boat) usual(k *known, origin string, value float64) float64 {
	row := k.row
	for _, byKey := range []bool{false, true} { // a key counts more than its kind
		for i := range b.Tolerances {
			t := &b.Tolerances[i]
			switch {
			case byKey && k.key == t.Of:
				row = t.over(row, k, false)
			case !byKey && k.kind == t.Of:
				row = t.over(row, k, true)
			}
		}
	}
	w := row.width(origin)
	if k.absolute() {
		return w
	}
	return w * math.Abs(value)
}

// absolute reports whether half-widths of the key are kelvins or points, not shares of the value.
func (k *known) absolute() bool { return k.fraction || k.kind == "temperature" }

// WidthIn returns in what half-widths of a key are written: "K", "points" of a fraction, or "%" of the value.
func WidthIn(key string) string {
	switch k := fieldOf(key); {
	case k.kind == "temperature":
		return "K"
	case k.fraction:
		return "points"
	}
	return "%"
}

// Tolerance sets, for one boat, how well values of a kind or a key are known that state no tolerance.
type Tolerance struct {
	Of        string `key:"of" doc:"a kind of quantity, for example \"thermal resistance\", or a key, for example \"joint.resistance\" (of every joint)"`
	Measured  string `key:"measured" optional:"yes" doc:"half-width of the 95 % interval of a value that was measured: \"10 %\" of the value; of a temperature \"3 K\"; of a fraction \"5 %\", which are points; \"0 %\": exact"`
	DataSheet string `key:"data_sheet" optional:"yes" doc:"the same of a value from a data sheet"`
	Estimated string `key:"estimated" optional:"yes" doc:"the same of one that is estimated, an example, or does not say"`
	LeftOut   string `key:"left_out" optional:"yes" doc:"the same of one that the file leaves out"`
}

// texts lists what the table states, by key.
func (t *Tolerance) texts() [4]struct{ key, text string } {
	return [4]struct{ key, text string }{{"measured", t.Measured}, {"data_sheet", t.DataSheet}, {"estimated", t.Estimated}, {"left_out", t.LeftOut}}
}

// over returns a row with what the table states. What is exact stays so where only its kind is named.
func (t *Tolerance) over(row usual, k *known, kind bool) usual {
	for i, to := range []*float64{&row.measured, &row.sheet, &row.guessed, &row.leftOut} {
		if w, err := halfWidth(t.texts()[i].text, k.kind); err == nil && !(kind && *to == 0) {
			*to = w
		}
	}
	return row
}

// widest half-widths that mean anything: a factor of two, or so many kelvins.
const (
	widestShare   = 1.0
	widestKelvins = 100.0
)

var errNotStated = errors.New("not stated")

// halfWidth reads a half-width of a kind of quantity.
func halfWidth(text, kind string) (float64, error) {
	unit, most, example := "1", widestShare, "10 %"
	if kind == "temperature" {
		unit, most, example = "K", widestKelvins, "3 K"
	}
	if text == "" {
		return 0, errNotStated
	}
	v, err := quantity.Parse(text, quantity.MustUnit(unit))
	switch {
	case err != nil:
		return 0, fmt.Errorf("%w; write for example %q", err, example)
	case v.Tolerance > 0 || v.Provenance != "":
		return 0, fmt.Errorf("a half-width alone is wanted, for example %q, not %q", example, text)
	case v.SI < 0 || v.SI > most:
		return 0, fmt.Errorf("%s is no half-width: from 0 to %s", text, quantity.Format(most, map[string]string{"1": "%", "K": "K"}[unit], 3))
	}
	return v.SI, nil
}

// tolerances checks the [[tolerance]] tables.
func (c checker) tolerances() {
	seen := map[string]bool{}
	for i := range c.Tolerances {
		t, at := &c.Tolerances[i], element("tolerance", i)
		kinds, found := map[string]bool{}, false
		for _, k := range keys() {
			if t.Of == k.key || t.Of == k.kind {
				kinds[k.kind], found = true, true
			}
		}
		switch {
		case t.Of == "": // said already
			continue
		case !found:
			c.Problem(at+".of", "%q is neither a kind of quantity nor a key of a boat file; kinds are %s; a key is written without numbers, for example \"joint.resistance\"", t.Of, strings.Join(kindsKnown(), ", "))
			continue
		case seen[t.Of]:
			c.Problem(at+".of", "there is a table for %q already; keep one", t.Of)
		}
		seen[t.Of] = true
		stated := false
		for _, s := range t.texts() {
			for _, kind := range slices.Sorted(maps.Keys(kinds)) {
				_, err := halfWidth(s.text, kind)
				if err == nil || errors.Is(err, errNotStated) {
					continue
				}
				c.Problem(at+"."+s.key, "%v", err)
				break
			}
			stated = stated || s.text != ""
		}
		if !stated {
			c.Problem(at, "states nothing; give measured, data_sheet, estimated or left_out, for example estimated = \"20 %%\"")
		}
	}
}

// kindsKnown lists the kinds of quantity of a boat file.
func kindsKnown() []string {
	kinds := map[string]bool{}
	for _, k := range keys() {
		if k.kind != "" {
			kinds[k.kind] = true
		}
	}
	return slices.Sorted(maps.Keys(kinds))
}
