package choose_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/choose"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
)

func find(t *testing.T, kind string, o choose.Options, set ...string) []choose.Choice {
	t.Helper()
	b, s := benchtest.Boat(t, "petrel")
	v := variant.Of(b, s)
	for _, a := range set {
		key, text, _ := strings.Cut(a, "=")
		var err error
		v, _, err = v.With(key, text)
		require.NoError(t, err)
	}
	var trials []*trial.Trial
	for _, n := range []string{"full-throttle", "hot-restart"} {
		k, err := trial.Builtin(n)
		require.NoError(t, err)
		trials = append(trials, k)
	}
	list, err := choose.Find(t.Context(), v, kind, trials, o)
	require.NoError(t, err)
	return list
}

// TestTheChosenIsTheSmallestThatDoes: what lies below it says why it does not.
func TestTheChosenIsTheSmallestThatDoes(t *testing.T) {
	for _, kind := range []string{"cable", "fuse", "contactor", "precharge"} {
		for _, c := range find(t, kind, choose.Options{}) {
			require.GreaterOrEqual(t, c.Chosen, 0, kind)
			for i, s := range c.Sizes {
				if i < c.Chosen {
					assert.False(t, s.Fits, "%s %s", kind, s.Name)
					assert.NotEmpty(t, s.Why, "%s %s", kind, s.Name)
				}
				assert.NotEmpty(t, s.Source)
			}
			assert.True(t, c.Sizes[c.Chosen].Fits)
		}
	}
}

// TestASizeFarFromThePresentIsFound: the series is followed as far as need be, so that the chosen is the smallest that does and none means
// none of all, however small, large or slow the part in the boat is.
func TestASizeFarFromThePresentIsFound(t *testing.T) {
	for _, c := range []struct{ kind, part, set string }{
		{"cable", "battery cable", "cable[battery cable].section=6 mm²"}, {"cable", "motor cable", "cable[motor cable].section=4 mm²"},
		{"cable", "motor cable", "cable[motor cable].section=400 mm²"}, {"contactor", "", "contactor.current=20 A"},
		{"contactor", "", "contactor.current=1000 A"}, {"gear", "", "shaft.gear_ratio=8"}, {"gear", "", "shaft.gear_ratio=4"},
	} {
		o := choose.Options{Part: c.part}
		if c.kind == "gear" {
			o.Speed = 10 / 3.6
		}
		found := find(t, c.kind, o, c.set)[0]
		if !assert.GreaterOrEqual(t, found.Chosen, 0, c.set) || c.kind == "gear" {
			continue
		}
		require.Positive(t, found.Chosen, "%s: a smaller one was looked at", c.set)
		assert.False(t, found.Sizes[found.Chosen-1].Fits, c.set)
		assert.NotEmpty(t, found.Sizes[found.Chosen-1].Why, c.set)
	}
}

// TestMoreCurrentWantsMoreCopper, and a rule or a limit moved moves the choice: the broken models of this room.
func TestMoreCurrentWantsMoreCopper(t *testing.T) {
	o := choose.Options{Part: "motor cable"}
	now, more := find(t, "cable", o)[0], find(t, "cable", o, "limits.motor_current=190 A")[0]
	assert.Less(t, now.Chosen, more.Chosen)
	hot := find(t, "cable", o, "cable[motor cable].ampacity=120 A")[0]
	assert.Less(t, now.Chosen, hot.Chosen, "a cable that bears less")
	fuse := find(t, "fuse", choose.Options{}, "limits.battery_current=170 A")[0]
	if fuse.Chosen >= 0 {
		assert.NotContains(t, fuse.Sizes[fuse.Chosen].Name, "160 A")
	}
	for _, s := range fuse.Sizes {
		if s.Name == "160 A gG" {
			assert.False(t, s.Fits, "the limit is above its rating")
		}
	}
	slow := find(t, "precharge", choose.Options{}, "stage.capacitance=16 mF")[0]
	quick := find(t, "precharge", choose.Options{})[0]
	assert.NotEqual(t, quick.Sizes[quick.Chosen].Name, slow.Sizes[slow.Chosen].Name, "twice the capacitor wants half the resistor")
}

// TestAPropellerGivesWhatWasAsked: at the least power, and a speed out of reach has none.
func TestAPropellerGivesWhatWasAsked(t *testing.T) {
	c := find(t, "propeller", choose.Options{})[0]
	require.GreaterOrEqual(t, c.Chosen, 0)
	none := find(t, "propeller", choose.Options{Speed: 8})[0]
	assert.Equal(t, -1, none.Chosen)
	gear := find(t, "gear", choose.Options{})[0]
	require.GreaterOrEqual(t, gear.Chosen, 0)
	assert.NotEmpty(t, gear.Sizes[gear.Chosen].Costs)
}

// TestASizeIsNotBlamedForWhatIsOverAlready: a weak pre-charge resistor keeps no propeller, gear or contactor from being chosen, and is told;
// what is the part's own, a voltage that it does not bear, refuses every size of it.
func TestASizeIsNotBlamedForWhatIsOverAlready(t *testing.T) {
	for _, kind := range []string{"propeller", "gear", "contactor", "precharge"} {
		c := find(t, kind, choose.Options{}, "precharge.pulse_energy=5 J")[0]
		assert.GreaterOrEqual(t, c.Chosen, 0, kind)
		assert.Regexp(t, `\b5(.00)? J`, strings.Join(c.Notes, "; "), kind)
	}
	for kind, set := range map[string]string{"contactor": "contactor.voltage=40 V", "fuse": "fuse.voltage=40 V"} {
		assert.Equal(t, -1, find(t, kind, choose.Options{}, set)[0].Chosen, "%s: %s", kind, set)
	}
}

// TestThePresentSizeIsAmongThem: a bolt-in fuse of a rating that the series does not list was not tried, and choose ended with "none of these does" beside a
// clear check; a section or a contactor between two of the series was not shown either.
func TestThePresentSizeIsAmongThem(t *testing.T) {
	for _, c := range []struct{ kind, part, size, set string }{
		{"fuse", "", "155 A SF51", "fuse.class=SF51,fuse.rating=155 A,fuse.voltage=80 V,fuse.breaking_capacity=10 kA"},
		{"cable", "battery cable", "60 mm²", "cable[battery cable].section=60 mm²"}, {"contactor", "", "240 A", "contactor.current=240 A"},
	} {
		choice := find(t, c.kind, choose.Options{Part: c.part}, strings.Split(c.set, ",")...)[0]
		i := slices.IndexFunc(choice.Sizes, func(s choose.Size) bool { return s.Present })
		if assert.GreaterOrEqual(t, i, 0, c.kind) {
			assert.Equal(t, c.size, choice.Sizes[i].Name)
			assert.NotNil(t, choice.Sizes[i].Used, "%s was not simulated", c.size)
		}
	}
}

// TestAGuessedLinkCapacitorIsToldOfItsResistor: the largest resistor that is quick enough leaves a guessed capacitance no room.
func TestAGuessedLinkCapacitorIsToldOfItsResistor(t *testing.T) {
	told := func(capacitance string) string {
		return strings.Join(find(t, "precharge", choose.Options{}, "stage.capacitance="+capacitance)[0].Notes, "\n")
	}
	assert.Regexp(t, `stage.capacitance is known no closer than up to [\d.]+ mF \(estimated\): with [\d.]+ Ω it takes [\d.]+ s to 95 %, longer than [\d.]+ s; [\d.]+ Ω is quick enough then too`, told("8 mF, estimated"))
	assert.NotContains(t, told("8 mF ± 0.1 %, measured"), "is known no closer")
}

// TestPrechargeTellsWhatTheControllerDraws: the gentlest resistor can leave the link far down where the controller's electronics are fed from it, and nothing said so.
func TestPrechargeTellsWhatTheControllerDraws(t *testing.T) {
	told := func(watts string) string {
		return strings.Join(find(t, "precharge", choose.Options{}, "stage.housekeeping="+watts)[0].Notes, "\n")
	}
	assert.Regexp(t, `the controller's own electronics, 8.00 W, are fed from the link and not through the key switch, [\d.]+ Ω leave the link`, told("8 W"))
	assert.NotContains(t, told("0 W"), "fed from there")
}
