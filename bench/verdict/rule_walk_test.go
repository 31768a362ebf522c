package verdict_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/drive"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/verdict"
	"quaybench/testdata/reference"
)

// bases are boats that between them state every key with a number, and that no rule of data has anything against.
func bases(t require.TestingT) map[string]*boat.Boat {
	petrel, _ := sound(t)
	bracken, _, err := reference.Boat("bracken")
	require.NoError(t, err)
	bracken.Motor.BrushToHousing, bracken.Motor.BrushLimit = exactly(0.16), degrees(180) // as in the demo
	all := map[string]*boat.Boat{"petrel": petrel, "bracken": bracken, "in other words": inOtherWords(t), "brushless": brushless(t)}
	for name, b := range all {
		for _, f := range verdict.Static(b, settings.Set{}) {
			if strings.HasPrefix(f.Rule, "data-") {
				require.Equal(t, verdict.Clear, f.Level, "%s: %s", name, f.Text)
			}
		}
	}
	return all
}

// inOtherWords is petrel with all that its file leaves out.
func inOtherWords(t require.TestingT) *boat.Boat {
	b, _ := sound(t)
	rating, err := drive.RatingOf(&b.Motor)
	require.NoError(t, err)
	none := quantity.Value{}
	k := &b.Battery
	k.HeatCapacity, k.Mass, k.Energy, k.OCV = none, exactly(95), exactly(10.24*3.6e6), nil
	k.Peukert = exactly(1.05)
	for i := range b.Cables {
		c := &b.Cables[i]
		heat, err := drive.CableHeat(c)
		require.NoError(t, err)
		c.ThermalResistance, c.HeatCapacity, c.Inductance, c.ShortCircuitTemperature = exactly(heat.Resistance), exactly(1.2*heat.Capacity), exactly(heat.Inductance), degrees(160)
		if i == 0 {
			c.Ampacity = none
		}
	}
	b.CloseFor = []boat.CloseFor{{Part: "winding", Share: exactly(0.8)}}
	b.Charging = &boat.Charging{Power: exactly(350), CurrentLimit: exactly(10), VoltageLimit: exactly(58)}
	b.Fuse.MeltingI2t = exactly(9e4)
	b.Contactor.ThermalResistance = exactly(2.5)
	b.Stage.FreewheelHeat = datafile.Table{{0.05, 5e-3}, {0.12, 0.15}}
	b.Stage.FreewheelResistance = exactly(0.9e-3)
	m := &b.Motor
	m.HousingToAir = exactly(rating.Housing / (rating.Copper + rating.Brush + rating.Drag))
	m.WindingToHousing = exactly((rating.Winding - rating.Housing) / rating.Copper)
	m.WindingHeatCapacity, m.HousingHeatCapacity, m.WindingLimit = exactly(1960), exactly(13300), degrees(150)
	m.MagnetPerKelvin, m.DemagnetisingPerKelvin = exactly(-0.002), exactly(0.004)
	p := &b.Propeller
	p.Kind, p.AsternShare = "open water", exactly(0.7)
	p.OpenWater = datafile.Table{{0, 0.33, 0.036}, {0.3, 0.23, 0.028}, {0.6, 0.09, 0.015}, {0.75, 0.01, 0.008}}
	h := &b.Hull
	h.SpeedPower, h.Resistance = nil, nil
	h.WettedSurface, h.FormFactor = exactly(2.6*math.Sqrt(1800/1025.0*6.4)), exactly(0.1)
	return b
}

// brushless is petrel with another motor, a measured torque and a towed hull.
func brushless(t require.TestingT) *boat.Boat {
	b, _ := sound(t)
	m := &b.Motor
	m.Kind, m.Magnets, m.BrushDrop = "permanent-magnet brushless", "NdFeB", exactly(0)
	m.MagnetLimit, m.DemagnetisingPerKelvin = degrees(150), exactly(-0.006)
	p := &b.Propeller
	p.MeasuredTorque, p.MeasuredPower = exactly(2400/p.MeasuredSpeed.SI), quantity.Value{}
	p.MeasuredDiameter, p.MeasuredPitch, p.MeasuredBlades = exactly(0.31), exactly(0.22), 3
	for _, row := range b.Hull.SpeedPower {
		b.Hull.Resistance = append(b.Hull.Resistance, []float64{row[0], row[1] * b.Hull.PropulsiveEfficiency.SI / row[0]})
	}
	b.Hull.SpeedPower = nil
	b.Stage.Freewheel = "diode"
	b.Stage.Cooling, m.Cooling = "water", "water"
	return b
}

// readOn names the bases on which a figure means something, where that is not each that states it: what of a motor is its kind's alone,
// what is only a default, what another description of propeller or hull leaves aside.
var readOn = map[string][]string{
	"battery.rated_time": {"bracken", "in other words"}, "battery.peukert": {"bracken"},
	"stage.freewheel_drop": {"bracken", "brushless"}, "stage.lost_cooling_factor": {"brushless"}, "motor.lost_cooling_factor": {"brushless"},
	"motor.field_share": {"bracken"}, "motor.standstill_phase_factor": {"brushless"},
	"motor.brush_drop": {"petrel", "bracken", "in other words"}, "motor.brush_heat_share": {"petrel", "bracken", "in other words"},
	"propeller.measured_speed": {"petrel", "bracken", "brushless"}, "propeller.measured_power": {"petrel", "bracken"},
	"propeller.measured_boat_speed": {"petrel", "bracken", "brushless"},
	"hull.allowance":                {"in other words"}, "hull.form_factor": {"in other words"},
}

// otherRules judge figures of a boat file without its settings too.
var otherRules = []string{"voltage-ratings", "fuse-breaking-capacity", "charging-voltage", "pre-charge"}

// deniedBy lists the rules of data that find something in a boat, and what they say.
func deniedBy(b *boat.Boat) (names []string, says string) {
	for _, r := range verdict.Rules() {
		if strings.HasPrefix(r.Name, "data-") || slices.Contains(otherRules, r.Name) {
			for _, f := range r.Check(b, settings.Set{}) {
				if f.Level > verdict.Clear {
					names, says = append(names, r.Name), says+f.Text+"\n"
				}
			}
		}
	}
	return slices.Compact(names), says
}

// unjudged are the figures that may be wrong without a rule of data that says so, with the reason. "more" is a value a thousand times
// as large (or as large as the reader lets it be), "less" a thousandth.
var unjudged = map[string]string{
	"close, more": ownChoice, "close, less": ownChoice, "close_for[0].share, more": ownChoice, "close_for[0].share, less": ownChoice,
	"battery.ocv column 1, more":               "the reader refuses a table that does not run from 0 % to 100 %",
	"battery.ocv column 1, less":               "the reader refuses a table that does not run from 0 % to 100 %",
	"battery.management.discharge_delay, less": actsSooner, "battery.management.charge_delay, less": actsSooner, "battery.management.cell_delay, less": actsSooner,
	"charging.power, less":        "a source that gives nothing is none",
	"cable[0].bundling, more":     "100 % is a cable by itself: the reader takes no more",
	"cable[0].bundling, less":     "a cable that carries less is the hotter one",
	"fuse.fastest column 2, less": "fuses for semiconductors are so fast, and a fuse that is taken to open too early is never taken to hold",
	"contactor.coil_power, less":  "a latching contactor takes none",
	"motor.friction_torque, less": noDrag, "motor.iron_torque, less": noDrag, "motor.windage, less": noDrag,
	"shaft.seal_friction, less": noDrag, "shaft.seal_friction_per_kelvin, less": noDrag,
	"motor.standstill_cooling, more":      "a motor with a separate fan keeps 100 %: the reader takes no more",
	"motor.brush_heat_share, more":        "100 % is the hottest for the commutator: the reader takes no more",
	"motor.standstill_phase_factor, more": "2 is the hottest for a phase: the reader takes no more",
	"shaft.gear_efficiency, more":         "a direct drive loses nothing, and a gear a few per cent",
	"propeller.astern_share, more":        "a blade that is the same both ways pulls as much astern: the reader takes no more",
	"hull.wake, less":                     "behind a flat or open stern there is none",
	"hull.form_factor, less":              "0 is the residuary resistance's own, and the default",
	"compartment.closed_factor, less":     "a compartment without vents is as warm with its vents closed",
	"instruments.voltage, more":           errorOnly, "instruments.voltage, less": errorOnly, "instruments.battery_current, more": errorOnly, "instruments.battery_current, less": errorOnly,
	"instruments.motor_current, more": errorOnly, "instruments.motor_current, less": errorOnly, "instruments.speed, more": errorOnly, "instruments.speed, less": errorOnly,
	"instruments.temperature, more": errorOnly, "instruments.temperature, less": errorOnly,
}

// ofSeveral are rules that hold several figures against each other in ranges that another rule's range for one of them ends before.
var ofSeveral = []string{"data-motor-heat"}

const (
	ownChoice  = "from where on a person wants to be warned is their own choice; over does not hang on it"
	actsSooner = "management that opens sooner is an event that a trial shows, and what it opens late for it then opens early for"
	noDrag     = "drag differs from motor to motor and gland to gland by as much; all losses together are bounded by the efficiency at the rating"
	errorOnly  = "an instrument's error widens bands and moves no level"
)

// denials returns, for each figure a thousand times too large or small, the rules that deny it on each boat on which it means something.
func denials(t require.TestingT) map[string][][]string {
	all, out := bases(t), map[string][][]string{}
	for _, f := range benchtest.Figures() {
		known := false
		for name, b := range all {
			if on := readOn[f.Key]; !f.Stated(b) || on != nil && !slices.Contains(on, name) {
				continue
			}
			known = true
			for way, factor := range map[string]float64{"more": 1000, "less": 1e-3} {
				if changed, ok := f.Times(b, factor); ok && drive.Problems(changed) == nil {
					key := f.String() + ", " + way
					rules, says := deniedBy(changed)
					out[key] = append(out[key], rules)
					if len(rules) > 0 && !slices.Contains(otherRules, rules[0]) {
						if leaf := index.ReplaceAllString(f.Key, ""); !strings.Contains(index.ReplaceAllString(says, ""), leaf) {
							assert.Contains(t, says, leaf, "%s: it does not say to look at it", key)
						}
					}
				}
			}
		}
		require.True(t, known, "no boat of this test states %s", f)
	}
	return out
}

// unguarded lists the figures that no rule but one denies somewhere.
func unguarded(of map[string][][]string, but string) (out []string) {
	for figure, boats := range of {
		for _, rules := range boats {
			if len(rules) == 0 || len(rules) == 1 && rules[0] == but {
				out = append(out, figure)
				break
			}
		}
	}
	return out
}

// TestEveryFigureIsJudgedBySize: whatever number a boat file may hold, found by its tags and not by a list, one that no boat has is
// found by a rule of data, or stands in the table of those that need none, with the reason.
func TestEveryFigureIsJudgedBySize(t *testing.T) {
	all := denials(t)
	open := unguarded(all, "")
	for _, f := range open {
		if unjudged[f] == "" {
			assert.Fail(t, "no rule of data denies it", f)
		}
	}
	for f, why := range unjudged {
		if !slices.Contains(open, f) {
			assert.Fail(t, "a rule denies it now: take the line out", "%s: %s", f, why)
		}
	}
	// Broken: without any one of these rules the walk above finds figures that nothing denies.
	for _, rule := range verdict.Rules() {
		if strings.HasPrefix(rule.Name, "data-") && !slices.Contains(ofSeveral, rule.Name) {
			assert.Greater(t, len(unguarded(all, rule.Name)), len(open), "%s denies nothing that another rule does not deny", rule.Name)
		}
	}
}
