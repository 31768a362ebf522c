package datafile

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestSet(t *testing.T) {
	for _, c := range []struct{ name, file, key, text, old, new string }{
		{"a quantity", good, "battery.resistance", "15 mΩ", `"14 mΩ ± 10 %, measured" #`, `"15 mΩ" #`},
		{"a text", good, "name", `she said "aye" \o/`, `"petrel"`, `"she said \"aye\" \\o/"`},
		{"in an array of tables", good, "joint[1].resistance", "0.2 mΩ", `"0.3 mohm"`, `"0.2 mΩ"`},
		{"absent, end of its table", good, "joint[0].resistance", "0.2 mΩ", "name = \"bow\"\n", "name = \"bow\"\nresistance = \"0.2 mΩ\"\n"},
		{"absent, after an array", good, "battery.derating_start", "60 °C", "54 V\"],\n]\n", "54 V\"],\n]\nderating_start = \"60 °C\"\n"},
		{"absent at the top", good, "cells", "+015", `"demo"]`, "\"demo\"]\ncells = 15"},
		{"absent table", good, "fan.on", "70 °C", `"0.3 mohm"` + "\n", `"0.3 mohm"` + "\n\n[fan]\non = \"70 °C\"\n"},
		{"no newline at the end", strings.TrimSuffix(good, "\n"), "fan.on", "70 °C", `"0.3 mohm"`, `"0.3 mohm"` + "\n\n[fan]\non = \"70 °C\"\n"},
		{"no newline at the end of the table", good + "[fan]\non = \"1 °C\"", "fan.speed", "1 rad/s", `"1 °C"`, "\"1 °C\"\nspeed = \"1 rad/s\"\n"},
		{"empty table", good + "[fan] # quiet\n", "fan.on", "70 °C", "# quiet\n", "# quiet\non = \"70 °C\"\n"},
		{"Windows line ends", strings.ReplaceAll(good, "\n", "\r\n"), "battery.derating_start", "60 °C", "54 V\"],\r\n]\r\n", "54 V\"],\r\n]\r\nderating_start = \"60 °C\"\r\n"},
		{"inline table", good + "[[spare]]\nname='x'\n[fan]\n", "fan.on", "70 °C", "[fan]\n", "[fan]\non = \"70 °C\"\n"},
		{"inside an inline table", "fan = { on = \"1 °C\" } # f\n" + good, "fan.speed", "1 rad/s", `{ on = "1 °C" }`, `{ on = "1 °C", speed = "1 rad/s" }`},
		{"inside an empty inline table", "fan = {} # f\n" + good, "fan.speed", "1 rad/s", `{}`, `{speed = "1 rad/s"}`},
		{"dotted keys", "fan.on = \"1 °C\"\n" + good, "fan.speed", "1 rad/s", "fan.on = \"1 °C\"\n", "fan.on = \"1 °C\"\nfan.speed = \"1 rad/s\"\n"},
		{"a number becomes a text", strings.Replace(good, "[battery]", "[battery]\nefficiency = 0.9", 1), "battery.efficiency", "92 %", "= 0.9\n", "= \"92 %\"\n"},
		{"a literal text", strings.Replace(good, `"0.3 mohm"`, `'0.3 mohm'`, 1), "joint[1].resistance", "1 Ω", `'0.3 mohm'`, `"1 Ω"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			src, err := Decode("petrel.toml", []byte(c.file), &yard{})
			require.NoError(t, err)
			changed, err := src.Set(c.key, c.text)
			require.NoError(t, err)
			require.Equal(t, 1, strings.Count(c.file, c.old))
			assert.Equal(t, strings.Replace(c.file, c.old, c.new, 1), string(changed))
			assert.Equal(t, c.file, string(src.Data()), "the source stays as it was")
			var y, want yard
			_, err = Decode("", changed, &y)
			require.NoError(t, err)
			_, err = Decode("", []byte(c.file), &want)
			require.NoError(t, err)
			require.NoError(t, SetField(&want, c.key, c.text))
			assert.Equal(t, want, y, "the file and SetField agree")
		})
	}
}

// TestSetAtTheTopOfAFileWithoutTopLevelKeys keeps the opening comment first.
func TestSetAtTheTopOfAFileWithoutTopLevelKeys(t *testing.T) {
	type small struct {
		Cells int `key:"cells" default:"1"`
		Fan   fan `key:"fan"`
	}
	for file, want := range map[string]string{
		"":                         "cells = 2\n",
		"[fan]\n":                  "cells = 2\n[fan]\n",
		"# about the fan\n[fan]\n": "cells = 2\n# about the fan\n[fan]\n",
		"# petrel\n\n[fan]\n":      "# petrel\ncells = 2\n\n[fan]\n",
		"\xEF\xBB\xBF[fan]\n":      "\xEF\xBB\xBFcells = 2\n[fan]\n",
	} {
		src, _ := Decode("x", []byte(file), &small{})
		changed, err := src.Set("cells", "2")
		require.NoError(t, err, file)
		assert.Equal(t, want, string(changed))
	}
}

func TestSetRefuses(t *testing.T) {
	for _, c := range []struct{ name, file, key, text, message string }{
		{"a bad value", good, "battery.resistance", "15 V", `battery.resistance: 15 V is a voltage; a resistance is wanted, for example "15 mΩ"`},
		{"an unknown key", good, "battery.resistence", "15 mΩ", `unknown key "battery.resistence"; did you mean battery.resistance?`},
		{"rows", good, "battery.ocv", "15 mΩ", "battery.ocv: a table of rows cannot be set from one text; edit the file"},
		{"an absent joint", good, "joint[2].name", "x", "joint[2].name: there are only 2 of joint, counted from 0"},
		{"a broken file", strings.Replace(good, `"lfp"`, "", 1), "name", "x", "correct the syntax of petrel.toml first: petrel.toml:9:13: syntax: the value after = is missing\n    chemistry = \n                ^"},
	} {
		t.Run(c.name, func(t *testing.T) {
			src, _ := Decode("petrel.toml", []byte(c.file), &yard{})
			changed, err := src.Set(c.key, c.text)
			require.EqualError(t, err, c.message)
			assert.Nil(t, changed)
		})
	}
}

// TestSetRefusesNewProblems: one key cannot bring in a table that needs two.
func TestSetRefusesNewProblems(t *testing.T) {
	var boat struct {
		Charger *struct {
			Voltage float64 `key:"voltage" unit:"V"`
			Current float64 `key:"current" unit:"A"`
		} `key:"charger"`
	}
	src, err := Decode("x", []byte("# none yet\n"), &boat)
	require.NoError(t, err)
	changed, err := src.Set("charger.voltage", "48 V")
	require.EqualError(t, err, "charger.voltage is left as it was: x:3:2: charger.current is missing; write for example current = \"10 A\"\n    [charger]\n     ^")
	assert.Nil(t, changed)
}

// TestSetMendsAFaultyFile: a file with other problems can still be changed.
func TestSetMendsAFaultyFile(t *testing.T) {
	src, err := Decode("x", []byte(strings.Replace(good, `"14 mΩ ±`, `"14 V ±`, 1)), &yard{})
	require.Error(t, err)
	changed, err := src.Set("battery.resistance", "14 mΩ ± 10 %, measured")
	require.NoError(t, err)
	assert.Equal(t, good, string(changed))
}

// TestSetKeepsTheRest: whatever is set, every other line stays as it is.
func TestSetKeepsTheRest(t *testing.T) {
	values := map[string][]string{
		"name": {"a", "Ωmega # no comment", `"`}, "cells": {"1", "40"}, "covered": {"true", "false"},
		"battery.resistance": {"1 mΩ", "2 mΩ ± 1 µΩ, estimated"}, "battery.chemistry": {"agm"}, "battery.efficiency": {"0.5", "99 %"},
		"joint[0].resistance": {"1 mΩ"}, "joint[1].name": {"mid"}, "fan.on": {"50 °C"}, "fan.speed": {"10 1/min"},
	}
	var keys []string
	for _, f := range Fields(yard{}) {
		key := strings.ReplaceAll(f.Key, "[]", "[0]")
		if values[key] != nil {
			keys = append(keys, key)
		}
	}
	keys = append(keys, "joint[1].name")
	rapid.Check(t, func(t *rapid.T) {
		data, want := []byte(good), yard{}
		_, err := Decode("", data, &want)
		require.NoError(t, err)
		for range rapid.IntRange(1, 8).Draw(t, "changes") {
			key := rapid.SampledFrom(keys).Draw(t, "key")
			text := rapid.SampledFrom(values[key]).Draw(t, "text")
			src, err := Decode("", data, &yard{})
			require.NoError(t, err)
			changed, err := src.Set(key, text)
			require.NoError(t, err)
			require.NoError(t, SetField(&want, key, text))
			kept := strings.Split(string(changed), "\n")
			for _, line := range strings.Split(string(data), "\n") {
				if !strings.HasPrefix(strings.TrimSpace(line), key[strings.LastIndex(key, ".")+1:]) {
					require.Contains(t, kept, line)
				}
			}
			data = changed
		}
		var got yard
		_, err = Decode("", data, &got)
		require.NoError(t, err)
		require.Equal(t, want, got)
	})
}
