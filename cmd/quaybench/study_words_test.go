package main

import (
	"bytes"
	"errors"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/report"
	"quaybench/bench/study"
)

// Odds count what trials of drawn boats find; a rule that is over for the boat as written is told beside them, since else
// "anything over 0 %" would be surer than it is.
func TestOddsTellTheRulesThatAreOver(t *testing.T) {
	odds := func(limit string) string {
		code, screen, stderr := quaybench(t, nil, "odds", "petrel", "--quick", "--draws", "4", "--trial", "locked-shaft", "--set", "limits.motor_current="+limit)
		assert.Zero(t, code, stderr)
		return unwrapped(screen)
	}
	assert.Contains(t, odds("260 A"), "not counted above, whatever the draw: rule motor-cable is over: the motor current limit, 260 A of motor current, is more than the motor cable may carry")
	assert.NotContains(t, odds("140 A"), "not counted above")
}

// TestOddsTellWhyATrialIsAskedOrNot: beside the usual four those are asked in which the boat as written is close or over, or a part of it uses most of its limit; one that chatters is not, and was left out silently.
func TestOddsTellWhyATrialIsAskedOrNot(t *testing.T) {
	code, screen, stderr := quaybench(t, nil, "odds", "petrel", "--quick", "--draws", "4", "--set", "limits.motor_current=200 A", "--set", "low_voltage.start=45 V", "--set", "low_voltage.end=45.05 V")
	assert.Zero(t, code, stderr)
	screen = unwrapped(screen)
	assert.Contains(t, screen, "asked as well: dry-running, lost-cooling, two-hour-outing, where the boat as written is close or over, or a part comes nearest to its limit")
	assert.Contains(t, screen, "not asked: boat petrel, trial low-battery: ")
}

// A current that falls although the boat is moored is not held by mooring it.
func TestEnvelopeSaysWhyACurrentIsNotHeld(t *testing.T) {
	words := func(moored bool) string {
		out := new(bytes.Buffer)
		show(&system{Out: out, Getenv: func(string) string { return "" }}, aboutBoat("petrel", &report.Envelope{Air: 298.15, Envelope: study.Envelope{
			Longest: 3600, Points: []study.Hold{{Current: 300, Reached: 272, Flows: 258, Time: math.Inf(1), Moored: moored}},
		}}))
		return unwrapped(out.String())
	}
	assert.Contains(t, words(false), "as the boat gathers way the motor takes less than the limit allows")
	assert.Contains(t, words(false), "--moored holds it")
	assert.Contains(t, words(true), "as the motor heats and the bank sags, full voltage no longer drives that current")
	assert.NotContains(t, words(true), "--moored")
}

// A time without a range had a dash that nothing explained.
func TestEnvelopeSaysWhyThereIsNoRange(t *testing.T) {
	words := func(low float64) string {
		out := new(bytes.Buffer)
		show(&system{Out: out, Getenv: func(string) string { return "" }}, aboutBoat("petrel", &report.Envelope{Air: 298.15, Envelope: study.Envelope{
			Longest: 3600, Draws: 80, Points: []study.Hold{{Current: 300, Reached: 300, Flows: 300, Time: 100, Low: low, High: low}},
		}}))
		return unwrapped(out.String())
	}
	assert.Contains(t, words(math.NaN()), "None is told where more than a twentieth of these boats do not hold the current.")
	assert.NotContains(t, words(90), "None is told")
}

// A boost that comes again all the time filled the screen with 150 lines of one boat's trials.
func TestWhatComesAgainAndAgainIsToldOnce(t *testing.T) {
	_, screen, _ := quaybench(t, nil, "try", "petrel", "--trial", "full-throttle", "--set", "boost.current=160 A", "--set", "boost.time=5 s", "--set", "boost.rest=60 s")
	assert.Regexp(t, `boost is used up \(\d\d times until 29 min\)`, unwrapped(screen))
	assert.LessOrEqual(t, strings.Count(screen, "boost is used up"), 2, "in the list, and as what acts first")
}

// Bad input ends with 2 by whichever command meets it: a share of draws that is none, a current that no controller has.
func TestStudiesRefuseWhatIsOutOfBounds(t *testing.T) {
	for _, c := range []struct {
		says string
		args []string
	}{
		{"--odds must be above 0 % and at most 100 %", []string{"highest", "petrel", "limits.motor_current", "--odds", "0 %"}},
		{"--odds must be above 0 % and at most 100 %", []string{"highest", "petrel", "limits.motor_current", "--odds", "1e300 %"}},
		{"--hold must be above 0 s", []string{"highest", "petrel", "limits.motor_current", "--hold", "0 s"}}, // it found a limit for no time at all
		{`the boat has no cable "nosuch"`, []string{"choose", "petrel", "cable", "--part", "nosuch"}},
		{"--part names one of several cables", []string{"choose", "petrel", "fuse", "--part", "battery cable"}},
		{"--speed is what a propeller or a gear has to give", []string{"choose", "petrel", "fuse", "--speed", "9 km/h"}},
		{"above the highest value allowed", []string{"envelope", "petrel", "--current", "1 A..1e300 A"}},
	} {
		code, _, stderr := quaybench(t, nil, c.args...)
		assert.Equal(t, exitInput, code, c.args)
		assert.Contains(t, unwrapped(stderr), c.says)
	}
}

// TestBoatWithoutTolerancesIsDrawnToo: what states none takes one by where it comes from.
func TestBoatWithoutTolerancesIsDrawnToo(t *testing.T) {
	bare := filepath.Join(t.TempDir(), "bare")
	require.NoError(t, os.Mkdir(bare, 0o755))
	for _, name := range []string{"boat.toml", "settings.toml"} {
		text, err := os.ReadFile(filepath.Join("demo", "petrel", name))
		require.NoError(t, err)
		text = regexp.MustCompile(` ± [0-9.]+ %`).ReplaceAll(text, nil)
		require.NoError(t, os.WriteFile(filepath.Join(bare, name), text, 0o644))
	}
	code, stdout, _ := quaybench(t, nil, "odds", bare, "--draws", "8", "--trial", "locked-shaft", "--quick")
	assert.Zero(t, code)
	assert.Contains(t, unwrapped(stdout), "what states no tolerance takes one by where it comes from")
}

// A front of two settings tells what it rests on as the highest value of one does: the trials, the draws, and those left out.
func TestFrontTellsWhatItRestsOn(t *testing.T) {
	out := new(bytes.Buffer)
	show(&system{Out: out, Getenv: func(string) string { return "" }}, aboutBoat("petrel", &report.Front{Trials: []string{"crash-stop"}, Odds: 0.7, Front: study.Front{
		Keys: [2]string{"limits.battery_current", "limits.motor_current"}, Units: [2]string{"A", "A"}, Points: []study.FrontPoint{{First: 100, Second: 180}},
		LeftOut: study.LeftOut{Draws: 20, NoDrive: 3, WhyNoDrive: errors.New("no such propeller")},
	}}))
	assert.Contains(t, unwrapped(out.String()), "3 of 20 draws are impossible boats and are not counted; the first: no such propeller judged in: crash-stop how sure: certain to 0.5 % of the value, by 70 % of the draws")
}

// TestHighestEndsOverWhereNothingIsClear: it ended with 0, as if a value had been found, where `choose` and `propose` end with 3.
func TestHighestEndsOverWhereNothingIsClear(t *testing.T) {
	hot := []string{"--set", "compartment.limit=15 °C", "--trial", "harbour"} // colder than the air
	code, screen, stderr := quaybench(t, nil, append([]string{"highest", "petrel", "limits.motor_current"}, hot...)...)
	assert.Equal(t, exitOver, code, stderr)
	assert.Contains(t, screen, "is clear")
	code, screen, stderr = quaybench(t, nil, append([]string{"highest", "petrel", "limits.battery_current", "limits.motor_current"}, hot...)...)
	assert.Equal(t, exitOver, code, stderr)
	assert.Contains(t, screen, "none is clear")
	code, _, stderr = quaybench(t, nil, "highest", "petrel", "limits.motor_current", "--trial", "harbour")
	assert.Zero(t, code, stderr)
}
