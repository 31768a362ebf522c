package datafile

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/quantity"
)

func decoded(t *testing.T) *yard {
	var y yard
	_, err := Decode("petrel.toml", []byte(good), &y)
	require.NoError(t, err)
	return &y
}

func TestSetFieldAndGet(t *testing.T) {
	for _, c := range []struct{ key, text, got string }{
		{"name", "bracken", "bracken"},
		{"cells", "20", "20"},
		{"crew", "3", "3"},
		{"covered", "false", "false"},
		{"battery.resistance", "20 mohm ± 5 %, data sheet (page 2)", "20 mΩ ± 1 mΩ, data sheet (page 2)"},
		{"battery.derating_start", "330 K", "56.85 °C"},
		{"battery.efficiency", "92 %", "0.92"},
		{"joint[1].resistance", "0.2 mΩ", "0.2 mΩ"},
		{"fan.speed", "3000 1/min", "314.15926535898 rad/s"},
	} {
		y := decoded(t)
		require.NoError(t, SetField(y, c.key, c.text), c.key)
		got, ok := Get(y, c.key)
		assert.True(t, ok, c.key)
		assert.Equal(t, c.got, got, c.key)
	}
}

func TestSetFieldMakesAnAbsentTableWithItsDefaults(t *testing.T) {
	y := decoded(t)
	require.Nil(t, y.Fan)
	require.NoError(t, SetField(y, "fan.speed", "100 rad/s"))
	assert.Equal(t, &fan{On: quantity.Exactly(333.15), Speed: quantity.Exactly(100)}, y.Fan)
}

func TestSetFieldErrors(t *testing.T) {
	for _, c := range []struct{ key, text, message string }{
		{"battery.resistance", "220 V", `battery.resistance: 220 V is a voltage; a resistance is wanted, for example "220 mΩ"`},
		{"battery.resistance", "0 Ω", `battery.resistance: 0 Ω is too low; it must be more than 0 Ω`},
		{"battery.chemistry", "lpf", `battery.chemistry: "lpf" is none of lfp, nmc, agm; did you mean "lfp"?`},
		{"battery.resistence", "1 Ω", `unknown key "battery.resistence"; did you mean battery.resistance?`},
		{"resistance", "1 Ω", `unknown key "resistance"; did you mean battery.resistance?`},
		{"bank.efficiency", "1", `unknown key "bank.efficiency"; did you mean battery.efficiency?`},
		{"zzz", "1", `unknown key "zzz"; keys here begin with name, cells, crew, covered, tags, battery, joint[], fan, spare[]`},
		{"", "1", `unknown key ""; keys here begin with name, cells, crew, covered, tags, battery, joint[], fan, spare[]`},
		{"joint[x].name", "1", `unknown key "joint[x].name"; did you mean joint[].name?`},
		{"joint[2].name", "a", `joint[2].name: there are only 2 of joint, counted from 0`},
		{"joint.name", "a", `unknown key "joint.name"; did you mean joint[].name?`},
		{"fan.onn", "a", `unknown key "fan.onn"; did you mean fan.on?`},
		{"name.x", "a", `unknown key "name.x"; did you mean name?`},
		{"fan.on", "60 V", `fan.on: 60 V is a voltage; a temperature is wanted, for example "60 °C"`},
		{"cells", "1.5", `cells: a whole number is wanted, not "1.5"`},
		{"cells", "41", `cells: 41 is above the highest value allowed, 40`},
		{"covered", "yes", `covered: true or false is wanted, not "yes"`},
		{"battery", "x", `battery: a table cannot be set from one text; edit the file`},
		{"battery.ocv", "x", `battery.ocv: a table of rows cannot be set from one text; edit the file`},
		{"tags", "demo", `tags: a list of texts cannot be set from one text; edit the file`},
	} {
		y := decoded(t)
		err := SetField(y, c.key, c.text)
		require.EqualError(t, err, c.message)
		assert.Equal(t, decoded(t), y, "nothing is changed")
	}
	var bad *quantity.Error
	require.ErrorAs(t, SetField(decoded(t), "battery.resistance", "220 V"), &bad)
}

func TestGet(t *testing.T) {
	y := decoded(t)
	for key, want := range map[string]string{
		"battery.ocv": "0 % 44 V, 100 % 54 V", "tags": "harbour, demo", "battery.efficiency": "", "battery.band": "-", "battery": "-", "fan.on": "-", "joint[9].name": "-",
		"battery.resistance": "14 mΩ ± 1.4 mΩ, measured", "battery.derating_start": "55 °C",
	} {
		got, ok := Get(y, key)
		assert.Equal(t, want != "-", ok, key)
		assert.Equal(t, strings.Trim(want, "-"), got, key)
	}
	y.Battery.Steps = []float64{1, 2.5}
	got, _ := Get(*y, "battery.steps")
	assert.Equal(t, "1 A, 2.5 A", got, "a struct will do as well as a pointer")
	assert.Nil(t, y.Fan, "asking makes no table")
}

func TestNumbers(t *testing.T) {
	y := decoded(t)
	require.NoError(t, SetNumber(y, "battery.resistance", 0.02))
	assert.Equal(t, quantity.Exactly(0.02), y.Battery.Resistance)
	require.NoError(t, SetNumber(y, "battery.derating_start", 340))
	si, ok := Number(y, "battery.derating_start")
	assert.Equal(t, []any{340.0, true}, []any{si, ok})
	_, ok = Number(y, "battery.efficiency")
	assert.False(t, ok, "not given")
	_, ok = Number(y, "name")
	assert.False(t, ok)
	require.EqualError(t, SetNumber(y, "battery.resistance", 2), "battery.resistance: 2000 mΩ is above the highest value allowed, 1 Ω")
	require.EqualError(t, SetNumber(y, "name", 2), "name: this is a text, not a quantity")
	require.EqualError(t, SetNumber(y, "battery.resistance", math.NaN()), "battery.resistance: NaN is not a number to compute with")
	require.Error(t, SetNumber(y, "batery.resistance", 1))
}

func TestWalkVisitsEveryQuantityInOrder(t *testing.T) {
	y := decoded(t)
	y.Fan = &fan{}
	var paths []string
	Walk(y, func(path string, v *quantity.Value) {
		paths = append(paths, path)
		v.SI = float64(len(paths))
	})
	assert.Equal(t, []string{"battery.resistance", "battery.derating_band", "battery.efficiency", "joint[0].resistance", "joint[1].resistance", "fan.on", "fan.speed"}, paths)
	assert.Equal(t, 5.0, y.Joints[1].Resistance.SI, "visit may change the value")
}

// TestCopiesAreChangedAlone: trying other values on a copy leaves the original be.
func TestCopiesAreChangedAlone(t *testing.T) {
	original := decoded(t)
	require.NoError(t, SetField(original, "fan.on", "50 °C"))
	same := *original
	joints, blower := append([]joint(nil), original.Joints...), *original.Fan

	tried := *original
	require.NoError(t, SetField(&tried, "joint[0].resistance", "9 mΩ"))
	require.NoError(t, SetNumber(&tried, "fan.on", 300))
	Walk(&tried, func(_ string, v *quantity.Value) { v.SI = 7 })
	assert.Equal(t, 7.0, tried.Joints[1].Resistance.SI)
	assert.Equal(t, same, *original)
	assert.Equal(t, joints, original.Joints)
	assert.Equal(t, blower, *original.Fan)
}

func TestFields(t *testing.T) {
	fields := Fields(&yard{})
	byKey := map[string]Field{}
	var keys []string
	for _, f := range fields {
		keys = append(keys, f.Key)
		assert.Equal(t, f.Doc, f.Tags.Get("doc"), f.Key)
		f.Tags = ""
		byKey[f.Key] = f
	}
	assert.Equal(t, "name cells crew covered tags battery battery.resistance battery.chemistry battery.ocv battery.derating_start battery.derating_band battery.efficiency battery.steps battery.sag joint joint[].name joint[].resistance fan fan.on fan.speed spare spare[].name spare[].resistance", strings.Join(keys, " "))
	assert.Equal(t, Field{
		Key: "battery.resistance", Kind: KindQuantity, Unit: "mΩ", Above: "0 Ω", Max: "1 Ω", High: 1, Example: `"14 mΩ ± 10 %, measured"`, Stated: true,
		Doc: "internal resistance of the whole bank", Find: "data sheet, or voltage step over current step",
	}, byKey["battery.resistance"])
	assert.Equal(t, Field{Key: "cells", Kind: KindInteger, Min: "1", Max: "40", Default: "16", Optional: true, Example: "16"}, byKey["cells"])
	assert.Equal(t, KindGroup, byKey["fan"].Kind)
	assert.True(t, byKey["fan"].Optional)
	assert.Equal(t, []string{"lfp", "nmc", "agm"}, byKey["battery.chemistry"].One)
}

// TestExamplesAreValid: a file written from the examples alone is read.
func TestExamplesAreValid(t *testing.T) {
	type bounds struct {
		A float64        `key:"a" unit:"A" min:"300 A" max:"340 A"`
		B float64        `key:"b" unit:"°C" above:"-40 °C" below:"-39 °C"`
		C quantity.Value `key:"c" unit:"1" max:"-3"`
		D quantity.Value `key:"d" unit:"%" below:"0.1 %" above:"0 %"`
		E Table          `key:"e" unit:"A|ms" above:"12345 A|"`
		F int            `key:"f" max:"-5"`
		G []float64      `key:"g" unit:"K/W"`
		H bool           `key:"h"`
		I []string       `key:"i" one:"x|y"`
		J string         `key:"j"`
	}
	for _, into := range []any{&bounds{}, &yard{}} {
		var b strings.Builder
		for _, f := range Fields(into) {
			switch name := f.Key[strings.LastIndex(f.Key, ".")+1:]; f.Kind {
			case KindGroup:
				fmt.Fprintf(&b, "[%s]\n", f.Key)
			case KindGroups:
				fmt.Fprintf(&b, "[[%s]]\n", f.Key)
			default:
				fmt.Fprintf(&b, "%s = %s\n", name, f.Example)
			}
		}
		_, err := Decode("examples", []byte(b.String()), into)
		require.NoError(t, err, b.String())
	}
}

func TestNearest(t *testing.T) {
	keys := []string{"motor_current", "battery_current", "ramp_rise", "ramp_fall", "on"}
	for word, want := range map[string]string{
		"motor": "motor_current", "ra": "", "motor_curent": "motor_current", "motor-current": "motor_current", "MOTOR_CURRENT": "motor_current", "batery_curent": "battery_current",
		"ramp_rsie": "ramp_rise", "ramp_fell": "ramp_fall", "xy": "", "throttle": "", "no": "on", strings.Repeat("m", 100): "",
	} {
		assert.Equal(t, want, nearest(word, keys), word)
	}
}

// TestDistance uses the usual worked examples of edit distance.
func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{{"kitten", "sitting", 3}, {"saturday", "sunday", 3}, {"ca", "ac", 1}, {"", "abc", 3}, {"Ω", "mΩ", 1}} {
		assert.Equal(t, c.want, Distance(c.a, c.b))
		assert.Equal(t, c.want, Distance(c.b, c.a))
	}
}
