package bench_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// The relations below need no right answer: they say how a verdict must move, or not, when something about boat or trial is
// changed. What moves the other way for a physical reason is listed as an exception with that reason.

// constantsOfABoat are what is varied at random: no shares, temperatures or ratings, which times 1.3 would mean nothing.
var constantsOfABoat = regexp.MustCompile(`^(battery\.(resistance|heat_capacity|thermal_resistance)$|cable.*\.(length)$|joint.*\.(resistance|thermal_resistance)$|contactor\.resistance$|motor\.(resistance|constant|friction_torque|inertia)$|compartment\.(heat_capacity|thermal_resistance)$|stage\.(on_resistance|housekeeping|capacitance)$|hull\.displacement$)`)

// relation tries a metamorphic relation on random boats: try draws what it needs and checks.
func relation(t *testing.T, try func(t *testing.T, r *rand.Rand, b *boat.Boat, s settings.Set)) {
	seed := uint64(1)
	if text := os.Getenv("QUAYBENCH_SEED"); text != "" {
		n, err := strconv.ParseUint(text, 10, 64)
		require.NoError(t, err)
		seed = n
	}
	for i := range metamorphicBoats {
		name := []string{"petrel", "bracken"}[i%2]
		t.Run(fmt.Sprintf("%s-%d-seed-%d", name, i, seed), func(t *testing.T) {
			r := rand.New(rand.NewPCG(seed, uint64(i)))
			s := setup(t, name)
			b := *s.Boat
			datafile.Walk(&b, func(path string, v *quantity.Value) {
				if v.Given && constantsOfABoat.MatchString(path) {
					v.SI *= math.Exp(0.5 * (r.Float64() - 0.5))
				}
			})
			b.Cables, b.Joints = slices.Clone(b.Cables), slices.Clone(b.Joints)
			try(t, r, &b, s.Settings)
		})
	}
}

// heldCurrent returns a trial and settings under which the motor current is the same whatever is changed: the boat moored, the lever
// ahead, nothing that holds the current back but its limit.
func heldCurrent(r *rand.Rand, b *boat.Boat, s settings.Set) (settings.Set, *trial.Trial) {
	b.Battery.Management = nil
	s.Throttle.Demand = "torque"
	s.Limits.MotorCurrent = (0.4 + 0.6*r.Float64()) * b.Motor.RatedCurrent.SI * 1.3
	s.Limits.BatteryCurrent, s.Boost.Current, s.Stall.Time, s.Limits.Duty = 1e4, 0, 0, 1
	s.Derating.MotorSensor, s.Derating.StageStart, s.Derating.StageEnd = "none", 1e3, 2e3
	s.LowVoltage.Start, s.LowVoltage.End, s.LowVoltage.CutOff = 1e-3, 0, 0
	tr := &trial.Trial{
		Name: "held", Duration: 300 + 1500*r.Float64(), Throttle: []trial.Step{{At: 1, To: 1}}, Air: 283 + 20*r.Float64(), Water: 288, Charge: 0.9,
		Load: "normal", LoadFactor: 1, CoolingLostFrom: math.Inf(1), Moored: true,
	}
	if r.IntN(2) == 0 { // a hot restart: the start does not follow the air
		tr.Start.Winding, tr.Start.Housing = quantity.Exactly(360), quantity.Exactly(340)
	}
	return s, tr
}

// judgedRun runs and judges.
func judgedRun(t *testing.T, b *boat.Boat, s settings.Set, tr *trial.Trial) verdict.Trial {
	t.Helper()
	run, err := simulate.Run(t.Context(), b, s, tr, simulate.Options{})
	require.NoError(t, err)
	v, err := verdict.Judge(run)
	require.NoError(t, err)
	return v
}

// sameMotorCurrent reports whether two runs carry the same motor current, which the relation needs.
func sameMotorCurrent(t *testing.T, a, b verdict.Trial) bool {
	t.Helper()
	d, err := record.Compare(a.Run, b.Run, record.MotorCurrent)
	require.NoError(t, err)
	return d[0].RMS < 1e-3*math.Abs(a.Run.At(mustTrace(t, a.Run, record.MotorCurrent), a.Run.Time[len(a.Run.Time)-1]))
}

func mustTrace(t *testing.T, r *record.Run, name string) *record.Trace {
	t.Helper()
	tr, ok := r.Trace(name)
	require.True(t, ok, name)
	return tr
}

// noBetter requires of every part limited by heat that its peak in worse is no lower, and its level no better, than in base, but
// for the parts excepted. A tenth of a kelvin is the solver's.
func noBetter(t *testing.T, base, worse verdict.Trial, except func(p record.Part) bool) {
	t.Helper()
	for i, p := range base.Parts {
		if p.Measure != record.Temperature || except != nil && except(p.Part) {
			continue
		}
		w := worse.Parts[i]
		require.Equal(t, p.Name, w.Name)
		assert.GreaterOrEqual(t, w.Peak, p.Peak-0.1, "%s", p.Name)
		for _, margin := range []float64{-1, 1, 4, 6, 9, 11, 14, 20} { // whatever the limit is: most boats are far from theirs
			before, after := p.Part, w.Part
			before.Limit, after.Limit = p.Peak+margin, p.Peak+margin
			if hot := max(w.Peak, p.Peak); level(after, hot) < level(before, p.Peak) {
				assert.Fail(t, "better", "%s, limit %.1f K: %s becomes %s at %.2f K and %.2f K", p.Name, before.Limit, level(before, p.Peak), level(after, hot), p.Peak, w.Peak)
			}
		}
	}
}

// level judges a value of a part as Judge does.
func level(p record.Part, value float64) verdict.Level {
	switch {
	case p.Used(value) > 1:
		return verdict.Over
	case p.IsClose(value):
		return verdict.Close
	}
	return verdict.Clear
}

// ofTheVoltage reports whether a part is heated by the link voltage too, which sags with every milliohm of path: the capacitor's
// ripple goes with √(D(1 − D)) and falls as sag drives the duty D beyond a half, the devices' switching loss with the voltage.
func ofTheVoltage(p record.Part) bool {
	return slices.Contains([]string{"link capacitor", "switch junction", "freewheel junction", "heat sink"}, p.Name)
}

// TestHotterAirImprovesNoLevel: Exceptions: what the battery current heats, since at one motor current hotter
// magnets give less torque and a warmer bank less sag, so the battery current is another one; it is compared where the battery
// current is not lower.
func TestHotterAirImprovesNoLevel(t *testing.T) {
	compared := 0
	relation(t, func(t *testing.T, r *rand.Rand, b *boat.Boat, s settings.Set) {
		s, tr := heldCurrent(r, b, s)
		hotter := *tr
		hotter.Air += 5 + 25*r.Float64()
		base, hot := judgedRun(t, b, s, tr), judgedRun(t, b, s, &hotter)
		if !sameMotorCurrent(t, base, hot) {
			return
		}
		compared++
		noBetter(t, base, hot, func(p record.Part) bool { return p.Current == "battery" })
	})
	assert.Greater(t, 2*compared, metamorphicBoats, "in most boats the motor current is the same")
}

// TestThickerCablesAreNoHotter: at the same motor current no part gets hotter by more copper. Exceptions: ofTheVoltage; among the
// static rules: a thicker path lets more short-circuit current through, so breaking capacity and pre-charge may be found wanting.
func TestThickerCablesAreNoHotter(t *testing.T) {
	relation(t, func(t *testing.T, r *rand.Rand, b *boat.Boat, s settings.Set) {
		s, tr := heldCurrent(r, b, s)
		thin := *b
		thin.Cables = slices.Clone(b.Cables)
		for i := range b.Cables {
			c := &b.Cables[i]
			if c.Resistance.Given {
				c.Resistance.SI /= 2
			}
			c.Section.SI *= 2 // the ampacity by the heat it may give off: twice the copper, a little more surface
			c.Ampacity.SI *= 1.6
			c.Resistance = quantity.Exactly(c.Resistance.Or(c.Length.SI / (58e6 * c.Section.SI)))
			thin.Cables[i].Resistance = quantity.Exactly(2 * c.Resistance.SI)
		}
		thinner, thicker := judgedRun(t, &thin, s, tr), judgedRun(t, b, s, tr)
		if sameMotorCurrent(t, thinner, thicker) {
			noBetter(t, thicker, thinner, ofTheVoltage)
		}
		for _, f := range verdict.Static(b, s) {
			if f.Level < verdict.Over || f.Rule == "fuse-breaking-capacity" || f.Rule == "pre-charge" {
				continue
			}
			assert.True(t, slices.ContainsFunc(verdict.Static(&thin, s), func(g verdict.Finding) bool { return g.Rule == f.Rule && g.Level == verdict.Over }),
				"%s is over only with thick cables", f.Rule)
		}
	})
}

// TestLongerCablesAreNoCooler: at the same motor current a longer run has the same heat a metre, so it is as hot, and what it
// heats besides is no cooler. Exceptions: ofTheVoltage; among the static rules a short-circuit current that falls, which is not
// looked at here.
func TestLongerCablesAreNoCooler(t *testing.T) {
	relation(t, func(t *testing.T, r *rand.Rand, b *boat.Boat, s settings.Set) {
		s, tr := heldCurrent(r, b, s)
		long := *b
		long.Cables = slices.Clone(b.Cables)
		for i := range long.Cables {
			c := &long.Cables[i]
			c.Length.SI *= 2
			c.Resistance.SI *= 2
			c.HeatCapacity.SI *= 2
			c.ThermalResistance.SI /= 2
		}
		short, longer := judgedRun(t, b, s, tr), judgedRun(t, &long, s, tr)
		if sameMotorCurrent(t, short, longer) {
			noBetter(t, short, longer, ofTheVoltage)
		}
	})
}

// TestALongerTrialImprovesNothing: what has passed its limit has passed it, at the same instant. No exceptions: a run knows
// nothing of its own end.
func TestALongerTrialImprovesNothing(t *testing.T) {
	relation(t, func(t *testing.T, r *rand.Rand, b *boat.Boat, s settings.Set) {
		tr, err := trial.Builtin([]string{"full-throttle", "harbour", "hot-restart", "two-hour-outing"}[r.IntN(4)])
		require.NoError(t, err)
		tr.Duration *= 0.3 + 0.4*r.Float64()
		longer := *tr
		longer.Duration *= 1.4
		a, l := judgedRun(t, b, s, tr), judgedRun(t, b, s, &longer)
		assert.GreaterOrEqual(t, l.Level, a.Level)
		noBetter(t, a, l, nil)
		for i, p := range a.Parts {
			if !math.IsNaN(p.Crossed) {
				assert.InDelta(t, p.Crossed, l.Parts[i].Crossed, 0.05+1e-3*p.Crossed, p.Name)
			}
		}
	})
}

// TestALighterBoatIsNoSlower: over the same time a lighter boat with the same resistance comes as far at least. No part of the
// motor circuit is held to anything: it gathers way sooner, and motor current and battery current shift between each other.
func TestALighterBoatIsNoSlower(t *testing.T) {
	relation(t, func(t *testing.T, r *rand.Rand, b *boat.Boat, s settings.Set) {
		tr, err := trial.Builtin("full-throttle")
		require.NoError(t, err)
		tr.Duration = 60 + 240*r.Float64()
		light := *b
		light.Hull.Displacement.SI *= 0.5 + 0.4*r.Float64()
		heavy, lighter := judgedRun(t, b, s, tr), judgedRun(t, &light, s, tr)
		if heavy.Level == verdict.Over || lighter.Level == verdict.Over { // something may have cut one of them short
			return
		}
		assert.GreaterOrEqual(t, *lighter.Run.Gain.Distance, *heavy.Run.Gain.Distance*0.999)
	})
}

// TestTheOrderOfTrialsDoesNotMatter: level, what acts first and each part's worst are the same in any order.
func TestTheOrderOfTrialsDoesNotMatter(t *testing.T) {
	relation(t, func(t *testing.T, r *rand.Rand, b *boat.Boat, s settings.Set) {
		var judged []verdict.Trial
		for _, name := range []string{"harbour", "crash-stop", "locked-shaft", "dry-running", "full-throttle"} {
			tr, err := trial.Builtin(name)
			require.NoError(t, err)
			tr.Duration = min(tr.Duration, 300)
			judged = append(judged, judgedRun(t, b, s, tr))
		}
		side := verdict.Join(nil, judged)
		shuffled := slices.Clone(judged)
		r.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		other := verdict.Join(nil, shuffled)
		assert.Equal(t, side.Level, other.Level)
		assert.Equal(t, side.First, other.First)
		used := func(s verdict.Side) map[string]float64 {
			out := map[string]float64{}
			parts, _ := s.Worst()
			for _, p := range parts {
				out[p.Name] = p.Used
			}
			return out
		}
		assert.Equal(t, used(side), used(other))
	})
}

// TestUnitsDoNotMatter: a boat file whose values are written in other units is the same boat.
func TestUnitsDoNotMatter(t *testing.T) {
	other := map[string]struct {
		unit  string
		times float64
	}{"mΩ": {"Ω", 1e-3}, "kJ/K": {"J/K", 1e3}, "mF": {"F", 1e-3}, "µH": {"H", 1e-6}, "kW": {"W", 1e3}, "A·h": {"mA·h", 1e3}, "m": {"mm", 1e3}, "kg": {"g", 1e3}, "kA": {"A", 1e3}}
	value := regexp.MustCompile(`"([0-9.]+) (mΩ|kJ/K|mF|µH|kW|A·h|m|kg|kA)([ ,"])`)
	for _, name := range []string{"petrel", "bracken"} {
		as := setup(t, name)
		from, dir, n := filepath.Join("..", "cmd", "quaybench", "demo", name), t.TempDir(), 0
		for _, file := range []string{"boat.toml", "settings.toml"} {
			text, err := os.ReadFile(filepath.Join(from, file))
			require.NoError(t, err)
			text = value.ReplaceAllFunc(text, func(m []byte) []byte {
				parts := value.FindSubmatch(m)
				o := other[string(parts[2])]
				x, err := strconv.ParseFloat(string(parts[1]), 64)
				require.NoError(t, err)
				n++
				return fmt.Appendf(nil, `"%.12g %s%s`, x*o.times, o.unit, parts[3])
			})
			require.NoError(t, os.WriteFile(filepath.Join(dir, file), text, 0o600))
		}
		assert.Greater(t, n, 10, "values written anew")
		again, err := bench.Load(dir)
		require.NoError(t, err)
		tr, err := trial.Builtin("harbour")
		require.NoError(t, err)
		a, b := judgedRun(t, as.Boat, as.Settings, tr), judgedRun(t, again.Boat, again.Settings, tr)
		for i, p := range a.Parts {
			assert.InDelta(t, p.Peak, b.Parts[i].Peak, 1e-6*(1+math.Abs(p.Peak)), p.Name)
			assert.Equal(t, p.Level, b.Parts[i].Level, p.Name)
		}
		var first, second []string
		for _, f := range verdict.Static(as.Boat, as.Settings) {
			first = append(first, f.Text)
		}
		for _, f := range verdict.Static(again.Boat, again.Settings) {
			second = append(second, f.Text)
		}
		assert.Equal(t, first, second)
	}
}
