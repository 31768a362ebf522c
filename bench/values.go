package bench

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
	"quaybench/bench/study"
	"quaybench/bench/trial"
)

// ValuesOptions says how to find what is worth measuring. The zero value judges in all built-in trials.
type ValuesOptions struct {
	Trials   []*trial.Trial // in which the tightest margin is looked for; none: all built-in ones
	Examples bool           // judge although values of the boat's files are still the template's
	Seed     uint64
	Progress func(done, all int)
}

// ValuesResult lists the values of a boat in the order in which they move its tightest margin.
type ValuesResult struct {
	study.Movers
	Boat   string
	Values []ValueMoves
}

// ValueMoves is a value, what it does to the tightest margin, and what measuring it would gain.
type ValueMoves struct {
	study.Mover
	Measure  string  // how to measure it, and with what; "": makers alone know
	Measured float64 // half-width to which it is then known, SI
	Gains    float64 // by how much half of the margin's 95 % interval then shrinks, SI; 0: it is known so well already
}

// Known returns how well the value is known: "± 10 %", "± 5 K", "± 5 points".
func (v *ValueMoves) Known() string { return known(v.Unknown.Spread, v.Key, v.Unknown.Spread.Half) }

// Then returns how well it is known once it is measured.
func (v *ValueMoves) Then() string { return known(v.Unknown.Spread, v.Key, v.Measured) }

func known(s boat.Spread, key string, half float64) string {
	switch boat.WidthIn(key) {
	case "K":
		return fmt.Sprintf("± %.2g K", half)
	case "points":
		return fmt.Sprintf("± %.2g points", 100*half)
	}
	return fmt.Sprintf("± %.2g %%", 100*half/math.Abs(s.Value))
}

// FindValues finds which values of the boat file move its tightest margin, and what measuring them would gain. It returns an
// *ExamplesError while values are still the template's, and a *study.NoToleranceError where all are exact.
func FindValues(ctx context.Context, s *Setup, o ValuesOptions) (*ValuesResult, error) {
	tried, err := Try(ctx, s, TryOptions{Trials: o.Trials, NoChange: true, Examples: o.Examples})
	if err == nil {
		err = tried.NotJudged
	}
	if err != nil {
		return nil, err
	}
	trials, err := s.trials(o.Trials)
	if err != nil {
		return nil, err
	}
	m, err := study.FindMovers(ctx, s.Boat, s.Settings, &tried.Present, trials, study.BandOptions{Seed: o.Seed, Progress: o.Progress})
	if err != nil {
		return nil, err
	}
	r := &ValuesResult{Movers: m, Boat: s.Boat.Name}
	where := map[string]string{}
	for _, f := range datafile.Fields(boat.Boat{}) {
		where[strings.ReplaceAll(f.Key, "[]", "")] = f.Find
	}
	for _, k := range m.Values {
		v := ValueMoves{Mover: k, Measured: k.Spread.Half}
		key := boat.WithoutNumbers(k.Key)
		v.Measure = where[strings.TrimSuffix(key, ".time")]
		if v.Measure == "" {
			v.Measure = meters[quantity.MustUnit(k.Unit).Name()]
		}
		if k.Spread.Origin != quantity.Measured {
			best := s.Boat.Spread(k.Key, quantity.Value{SI: k.Spread.Value, Given: true, Provenance: quantity.Measured})
			if best.Half > 0 { // else makers alone know it
				v.Measured = min(v.Measured, best.Half)
			}
			w := v.Measured / k.Spread.Half
			v.Gains = m.Half - math.Sqrt(max(0, m.Half*m.Half-k.Half*k.Half*(1-w*w)))
		}
		r.Values = append(r.Values, v)
	}
	return r, nil
}

// meters says how a kind of quantity is measured on board where its key does not say; common practice, no source.
var meters = map[string]string{
	"resistance":              "millivolts across it over amperes through it",
	"thermal resistance":      "thermometer and clamp meter: steady rise over heat lost, after an hour's even load",
	"heat capacity":           "thermometer and clock: heat lost over how fast it warms at first; or its mass",
	"mass":                    "scales",
	"length":                  "tape measure",
	"area":                    "tape measure",
	"torque":                  "spring balance on a lever, or current drawn without load",
	"viscous friction":        "current drawn without load at two speeds",
	"moment of inertia":       "how long it takes to run down, or its mass and radius",
	"current":                 "clamp meter",
	"voltage":                 "voltmeter",
	"power":                   "volts times amperes, both ends at once",
	"energy":                  "a full discharge through a meter",
	"charge":                  "a full discharge through a meter",
	"speed":                   "speed over ground, two runs against each other",
	"angular speed":           "tachometer",
	"temperature coefficient": "the same reading cold and warm",
	"ratio":                   "compare power, thrust or speed before and after it",
}

// Lines returns the sentences above the list: which margin it is, and how sure.
func (r *ValuesResult) Lines() []string {
	return []string{fmt.Sprintf("tightest margin: %s in %s, %s", r.Part, r.Trial, r.margin())}
}

func (r *ValuesResult) margin() string {
	unit := quantity.Difference(r.Unit)
	return quantity.Format(r.Margin, unit, 2) + " ± " + quantity.Format(r.Half, unit, 2)
}

// MarshalJSON writes the result, format 1. Values are SI; margins are in the unit named.
func (r *ValuesResult) MarshalJSON() ([]byte, error) {
	unit := quantity.Difference(r.Unit)
	in := quantity.MustUnit(unit)
	values := []map[string]any{}
	for _, v := range r.Values {
		values = append(values, map[string]any{
			"key": v.Key, "unit": v.Unit, "value_si": finite(v.Spread.Value), "half_width_si": finite(v.Spread.Half), "origin": v.Spread.Origin,
			"moves": finite(in.FromSI(v.Half)), "share": v.Share, "measured_half_width_si": finite(v.Measured), "gains": finite(in.FromSI(v.Gains)), "measure": v.Measure,
		})
	}
	return json.Marshal(map[string]any{
		"format": 1, "boat": r.Boat, "caution": Caution, "part": r.Part, "trial": r.Trial, "unit": unit,
		"margin": finite(in.FromSI(r.Margin)), "margin_band": finite(in.FromSI(r.Half)), "values": values, "withheld": r.Withheld,
		"left_out": r.LeftOut.Total(), "left_out_why": why(r.LeftOut),
	})
}

// Worth returns the values that are worth a look, the strongest first and at most so many: each alone moves the margin by 3 % of
// half of its 95 % interval or more.
func (r *ValuesResult) Worth(most int) []ValueMoves {
	n := slices.IndexFunc(r.Values, func(v ValueMoves) bool { return math.Abs(v.Half) < 0.03*r.Half })
	if n < 0 {
		n = len(r.Values)
	}
	return r.Values[:min(n, most)]
}
