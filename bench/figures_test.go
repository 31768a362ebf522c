package bench_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// improvements are figures of which a hundred times as much ("more") or a hundredth ("less") may make something better without a
// finding of data, and the physical reason.
var improvements = map[string]string{
	"contactor.coil_power, less":      "a coil that is switched back once it has closed, or a latching one, takes so little and heats nothing",
	"stage.lost_cooling_factor, less": "1, as little as the reader takes: a heat sink without a fan has none to lose; one that is cooled by water is denied",
	"motor.lost_cooling_factor, less": "1, as little as the reader takes: a motor without a fan has none to lose; one that is cooled by water is denied",
	"motor.windage, less":             "a motor without a fan on its shaft has as little; bracken's, which takes 270 W at its rating, is within what its efficiency allows",
	"motor.standstill_cooling, more":  "100 %, as much as the reader takes: a motor with a fan of its own",
}

// improvementsOfTen are figures that may be ten times as large or a tenth and make something better without a finding, with the reason:
// what boats have differs by as much, or what gets better does so for another reason than the figure's own part.
var improvementsOfTen = map[string]string{
	"battery.management.discharge_current, less": "management opens, which is over: what stands still stays cool",
	"joint[0].resistance, less":                  "joints differ by as much: 0.1 mΩ ± 50 % is what the template estimates, a clean large lug has a tenth",
	"contactor.coil_power, less":                 improvements["contactor.coil_power, less"],
	"stage.switching_frequency, less":            "older choppers work at 1.5 kHz",
	"stage.switching_time, more":                 "losses so large that the controller derates, and what it feeds stays cooler",
	"stage.switching_time, less":                 "30 ns are what fast switches have",
	"stage.switch_heat column 1, less":           "many devices beside each other on a thin pad",
	"stage.lost_cooling_factor, less":            improvements["stage.lost_cooling_factor, less"],
	"stage.capacitor_esr, less":                  "film capacitors have a tenth of what electrolytic ones have",
	"motor.standstill_cooling, more":             improvements["motor.standstill_cooling, more"],
	"motor.lost_cooling_factor, less":            improvements["motor.lost_cooling_factor, less"],
	"motor.bar_to_commutator, more":              "bars that take up less from the rest of a hot commutator: theirs is the smaller heat under way",
	"motor.windage, less":                        improvements["motor.windage, less"],
}

// strained returns a demo boat with settings that bring most of its parts to their limits.
func strained(t *testing.T, name string) (*boat.Boat, settings.Set) {
	s := setup(t, name)
	set := s.Settings
	set.Limits.MotorCurrent, set.Limits.AsternCurrent = 1.9*s.Boat.Motor.RatedCurrent.SI, 1.5*s.Boat.Motor.RatedCurrent.SI
	set.Limits.BatteryCurrent = 1.2 * s.Boat.Fuse.Rating.SI
	set.Derating.StageStart, set.Derating.StageEnd, set.Derating.MotorSensor = 273.15+190, 273.15+199, "none"
	return s.Boat, set
}

// tried returns the side of a boat with settings in trials.
func tried(t *testing.T, b *boat.Boat, s settings.Set, trials []*trial.Trial) (verdict.Side, error) {
	var judged []verdict.Trial
	for _, tr := range trials {
		run, err := simulate.Run(t.Context(), b, s, tr, simulate.Options{})
		if err != nil {
			return verdict.Side{}, err
		}
		v, err := verdict.Judge(run)
		require.NoError(t, err)
		judged = append(judged, v)
	}
	return verdict.Join(verdict.Static(b, s), judged), nil
}

// better lists what of a side is better than of another: its level, the level of a rule, and parts that use less of their limits by a
// tenth of it.
func better(was, is verdict.Side) (out []string) {
	if is.Level < was.Level {
		out = append(out, fmt.Sprintf("the verdict, %s instead of %s", is.Level, was.Level))
	}
	rules := map[string]verdict.Level{}
	for _, f := range is.Findings {
		rules[f.Rule] = max(rules[f.Rule], f.Level)
	}
	for _, f := range was.Findings {
		if rules[f.Rule] < f.Level {
			out = append(out, fmt.Sprintf("rule %s, %s instead of %s", f.Rule, rules[f.Rule], f.Level))
		}
	}
	before, _ := was.Worst()
	after, _ := is.Worst()
	for _, p := range before {
		i := slices.IndexFunc(after, func(q verdict.Part) bool { return q.Name == p.Name })
		if i < 0 || p.Measure == record.Melting {
			continue
		}
		if q := after[i]; q.Used < p.Used-0.1 {
			out = append(out, fmt.Sprintf("%s, %.0f %% instead of %.0f %%", p.Name, 100*q.Used, 100*p.Used))
		}
	}
	return out
}

// TestNoFigureOutOfAllMeasureMakesABoatBetter: each number of both demo boats, a hundred times as large and a hundredth, and ten times and
// a tenth (in the plain run each fifth number): check and try together get no better by it unless a rule of data says that the number is wrong, or the tables above why it may.
func TestNoFigureOutOfAllMeasureMakesABoatBetter(t *testing.T) {
	benchtest.Computes(t)
	t.Run("100 times", func(t *testing.T) { noFigureMakesBetter(t, 100, improvements) })
	t.Run("10 times", func(t *testing.T) { noFigureMakesBetter(t, 10, improvementsOfTen) })
}

func noFigureMakesBetter(t *testing.T, factor float64, may map[string]string) {
	var trials []*trial.Trial
	for _, name := range []string{"full-throttle", "crash-stop", "locked-shaft", "hot-restart", "lost-cooling"} {
		tr, err := trial.Builtin(name)
		require.NoError(t, err)
		trials = append(trials, tr)
	}
	used := map[string]bool{}
	for _, name := range []string{"petrel", "bracken"} {
		b, set := strained(t, name)
		was, err := tried(t, b, set, trials)
		require.NoError(t, err)
		parts, _ := was.Worst()
		over := 0
		for _, p := range parts {
			if p.Used > 0.9 {
				over++
			}
		}
		require.Greater(t, over, 3, "the boat is strained: %v", was.Reasons())
		for i, f := range benchtest.Figures() {
			if i%figuresApart != 0 {
				continue
			}
			for _, way := range []struct {
				word   string
				factor float64
			}{{"more", factor}, {"less", 1 / factor}} {
				if !f.Stated(b) {
					continue
				}
				changed, ok := f.Times(b, way.factor)
				if !ok || drive.Problems(changed) != nil {
					continue
				}
				said := slices.ContainsFunc(verdict.Static(changed, set), func(f verdict.Finding) bool {
					return f.Level > verdict.Clear && strings.HasPrefix(f.Rule, "data-")
				})
				if said {
					continue
				}
				is, err := tried(t, changed, set, trials)
				if err != nil {
					continue // refused with a sentence: another test
				}
				figure := f.String() + ", " + way.word
				if gained := better(was, is); len(gained) > 0 {
					used[figure] = true
					assert.NotEmpty(t, may[figure], "%s: %s: %s", name, figure, strings.Join(gained, "; "))
				}
			}
		}
	}
	if figuresApart > 1 {
		return // not all were looked at
	}
	for figure := range may {
		assert.True(t, used[figure], "%s makes nothing better, or a rule of data denies it: take the line out", figure)
	}
}
