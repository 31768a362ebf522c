package main

import (
	"encoding/json"
	"maps"
	"math"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/layout"
)

// object is a JSON object as a reader in any language sees it.
type object = map[string]any

func decode(t *testing.T, text string) object {
	t.Helper()
	var o object
	d := json.NewDecoder(strings.NewReader(text))
	require.NoError(t, d.Decode(&o), text)
	assert.False(t, d.More(), "one object and nothing else")
	return o
}

func hasKeys(t *testing.T, o any, keys ...string) object {
	t.Helper()
	m, ok := o.(object)
	require.True(t, ok, "an object is wanted, not %v", o)
	assert.ElementsMatch(t, keys, slices.Collect(maps.Keys(m)))
	return m
}

func list(t *testing.T, o object, key string) []any {
	t.Helper()
	l, ok := o[key].([]any)
	require.True(t, ok, "%s is a list, never null: %v", key, o[key])
	return l
}

var verdicts = []any{"clear", "close", "over"}

// checkSide walks one side through the schema that issue 2 states, key by key.
func checkSide(t *testing.T, o any) object {
	side := hasKeys(t, o, "settings", "findings", "first", "trials", "verdict")
	assert.Contains(t, verdicts, side["verdict"])
	assert.Regexp(t, `^\d+ A$`, side["settings"].(object)["limits.motor_current"])
	for _, f := range list(t, side, "findings") {
		finding := hasKeys(t, f, "rule", "verdict", "text", "mind", "source", "change")
		if finding["change"] != nil {
			hasKeys(t, finding["change"], "key", "from", "to", "why")
		}
	}
	if side["first"] != nil {
		first := hasKeys(t, side["first"], "what", "at_s", "trial")
		assert.IsType(t, 0.0, first["at_s"])
	}
	for _, tr := range list(t, side, "trials") {
		tried := hasKeys(t, tr, "trial", "parts", "events", "gain", "energy", "statistics", "verdict")
		assert.Contains(t, verdicts, tried["verdict"])
		for _, p := range list(t, tried, "parts") {
			part := hasKeys(t, p, "part", "peak", "unit", "at_s", "limit", "margin", "margin_band", "used", "verdict")
			assert.Contains(t, verdicts, part["verdict"])
			assert.NotEmpty(t, part["unit"])
		}
		last := math.Inf(-1)
		for _, e := range list(t, tried, "events") {
			event := hasKeys(t, e, "t_s", "part", "what")
			if at, ok := event["t_s"].(float64); ok {
				assert.GreaterOrEqual(t, at, last, "events are in time order")
				last = at
			} else {
				assert.Contains(t, event["what"], "did not", "only what never came has no time")
				last = math.Inf(1)
			}
			assert.NotEmpty(t, event["part"])
			if what := event["what"].(string); strings.Contains(what, "current") {
				assert.Regexp(t, "motor current|battery current|charge", what)
			}
		}
		hasKeys(t, tried["gain"], "top_speed_mps", "thrust_n", "endurance_s", "endurance_to_charge", "distance_m", "distance_if_fuse_holds_m")
		energy := hasKeys(t, tried["energy"], "battery_j", "heat_j", "shaft_j", "stored_j", "residual_j")
		number := func(key string) float64 { return energy[key].(float64) }
		assert.InDelta(t, number("battery_j"), number("heat_j")+number("shaft_j")+number("stored_j")+number("residual_j"), 1e-6*math.Abs(number("battery_j"))+1e-6)
		statistics := hasKeys(t, tried["statistics"], "steps", "rejected", "evaluations")
		assert.Positive(t, statistics["steps"])
	}
	return side
}

func TestJSONSchema(t *testing.T) {
	code, stdout, stderr := quaybench(t, nil, "try", "petrel", "--json", "--trial", "full-throttle", "--trial", "locked-shaft")
	assert.Equal(t, 0, code)
	assert.Empty(t, stderr)
	whole := hasKeys(t, decode(t, stdout), "format", "boat", "caution", "present", "change", "verdict", "basis") // proposed is absent
	assert.Equal(t, 1.0, whole["format"])
	assert.Equal(t, "petrel", whole["boat"])
	assert.Contains(t, whole["caution"], "no proof of safety")
	assert.Empty(t, list(t, whole, "change"))
	present := checkSide(t, whole["present"])
	assert.Equal(t, whole["verdict"], present["verdict"])

	// Null, never zero, where a value does not exist: a moored boat with a locked shaft has no speed, no steady stretch to
	// reckon endurance from, and covers no distance.
	gain := list(t, present, "trials")[1].(object)["gain"].(object)
	assert.Equal(t, object{"top_speed_mps": nil, "thrust_n": gain["thrust_n"], "endurance_s": gain["endurance_s"], "endurance_to_charge": 0.1, "distance_m": nil, "distance_if_fuse_holds_m": nil}, gain)
	for key, value := range list(t, present, "trials")[0].(object)["gain"].(object) {
		assert.Positive(t, value, key)
	}
	assert.Contains(t, present["first"].(object)["what"], "stall timer")

	// Nothing acts in half an hour of full throttle: first is null.
	_, stdout, _ = quaybench(t, nil, "try", "petrel", "--json", "--trial", "full-throttle")
	present = checkSide(t, decode(t, stdout)["present"])
	assert.Nil(t, present["first"])
}

func TestJSONProposal(t *testing.T) {
	code, stdout, _ := quaybench(t, nil, "try", "petrel", "--json", "--trial", "hot-restart", "--set", "limits.motor_current=240 A")
	assert.Equal(t, 3, code)
	whole := hasKeys(t, decode(t, stdout), "format", "boat", "caution", "present", "proposed", "changed", "change", "remedies", "untested", "verdict", "basis")
	present, proposed := checkSide(t, whole["present"]), checkSide(t, whole["proposed"])
	assert.Equal(t, "over", whole["verdict"])
	assert.Equal(t, "over", proposed["verdict"])
	assert.Equal(t, "clear", present["verdict"])
	assert.Equal(t, "140 A", present["settings"].(object)["limits.motor_current"])
	assert.Equal(t, "240 A", proposed["settings"].(object)["limits.motor_current"])
	assert.NotEmpty(t, list(t, proposed, "findings"), "the motor cable is too small for that")
	change := hasKeys(t, list(t, whole, "change")[0], "key", "from", "to", "why")
	assert.Equal(t, "limits.motor_current", change["key"])
	assert.Equal(t, "240 A", change["from"])
}

// TestJSONMissingProtection: what never came has no time, and the verdict is over because of it.
func TestJSONMissingProtection(t *testing.T) {
	code, stdout, _ := quaybench(t, nil, "try", "petrel", "--json", "--trial", "locked-shaft", "--set", "stall.time=0 s")
	assert.Equal(t, 3, code)
	tried := list(t, checkSide(t, decode(t, stdout)["proposed"]), "trials")[0].(object)
	assert.Equal(t, "over", tried["verdict"])
	events := list(t, tried, "events")
	assert.Equal(t, object{"t_s": nil, "part": "stall timer", "what": "the trial expects the stall timer to act, and it did not"}, events[len(events)-1])
}

// TestJSONInfinite: of a battery that bears less than the 25 °C that rises are counted from, no share of an allowed rise is
// used: there is none. JSON has no infinity, so it is null; the part is over all the same.
func TestJSONInfinite(t *testing.T) {
	dir := demoFolder(t)
	change(t, filepath.Join(dir, "boat.toml"), `temperature_limit = "55 °C`, `temperature_limit = "22 °C`)
	code, stdout, _ := quaybench(t, nil, "try", dir, "--json", "--trial", "harbour")
	assert.Equal(t, 3, code)
	for _, p := range list(t, list(t, checkSide(t, decode(t, stdout)["present"]), "trials")[0].(object), "parts") {
		if part := p.(object); part["part"] == "battery" {
			assert.Nil(t, part["used"])
			assert.Equal(t, "over", part["verdict"])
			assert.InDelta(t, -3.0, part["margin"], 0.2)
			return
		}
	}
	t.Error("there is no battery")
}

// TestTableAgreesWithJSON reads the numbers of the table back and finds them, as far as they are shown, in the JSON.
func TestTableAgreesWithJSON(t *testing.T) {
	benchtest.Computes(t)
	args := []string{"try", "petrel", "--trial", "hot-restart", "--set", "limits.motor_current=240 A"}
	_, text, _ := quaybench(t, nil, args...)
	_, stdout, _ := quaybench(t, nil, append(args, "--json")...)
	whole := decode(t, stdout)
	rows := map[string][]string{}
	for _, line := range strings.Split(text, "\n") {
		if cells := strings.Split(line, layout.Parting); len(cells) == 3 {
			rows[strings.TrimSpace(line[:20])] = cells
		}
	}
	limits := regexp.MustCompile(`(\S+) (\S+) $`)
	values := regexp.MustCompile(`^ +(\S+) (\S+) +(\S+) (\S+) +(\S+) (\S+)(?: ± (\S+) \S+)? +(?:> )?(\d+) % +(clear|close|over) *$`)
	for i, name := range []string{"present", "proposed"} {
		parts := list(t, list(t, whole[name].(object), "trials")[0].(object), "parts")
		assert.Len(t, rows, len(parts)+2, "a row per part below the two of the heading")
		for _, p := range parts {
			part := p.(object)
			row := rows[part["part"].(string)]
			require.NotNil(t, row, "%s has a row", part["part"])
			limit := limits.FindStringSubmatch(row[0])
			require.NotNil(t, limit, row[0])
			near(t, part["limit"].(float64), limit[1])
			assert.Equal(t, part["unit"], limit[2])

			v := values.FindStringSubmatch(row[i+1])
			require.NotNil(t, v, "%q", row[i+1])
			near(t, part["peak"].(float64), v[1])
			assert.Equal(t, part["unit"], v[2])
			seconds := map[string]float64{"ms": 1e-3, "s": 1, "min": 60, "h": 3600}[v[4]]
			near(t, part["at_s"].(float64)/seconds, v[3])
			near(t, part["margin"].(float64), v[5])
			if v[7] != "" {
				_, decimals, _ := strings.Cut(v[5], ".")
				near(t, max(part["margin_band"].(float64), math.Pow(10, -float64(len(decimals)))), v[7]) // never finer than the margin
			}
			near(t, 100*math.Max(0, part["used"].(float64)), v[8])
			assert.Equal(t, part["verdict"], v[9])
		}
	}
	_, last, _ := strings.Cut(text, "\nverdict: ")
	assert.True(t, strings.HasPrefix(last, whole["verdict"].(string)+"\n"))
}

// near checks that a shown number is the exact one, rounded where its last digit stands.
func near(t *testing.T, exact float64, shown string) {
	t.Helper()
	x, err := strconv.ParseFloat(shown, 64)
	require.NoError(t, err)
	_, decimals, _ := strings.Cut(shown, ".")
	assert.InDelta(t, x, exact, 0.5001*math.Pow(10, -float64(len(decimals))))
}
