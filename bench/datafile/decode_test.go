package datafile

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/quantity"
)

func TestDecode(t *testing.T) {
	got := yard{note: "mine"}
	src, err := Decode("petrel.toml", []byte(good), &got)
	require.NoError(t, err)
	want := yard{
		Name: "petrel", Cells: 16, Crew: 1, Covered: true, Tags: []string{"harbour", "demo"}, note: "mine",
		Battery: bank{
			Resistance: quantity.Value{SI: 0.014, Tolerance: got.Battery.Resistance.Tolerance, Provenance: "measured", Given: true},
			Chemistry:  "lfp", OCV: Table{{0, 44}, {1, 54}}, Start: 328.15, Band: quantity.Exactly(20),
		},
		Joints: []joint{{"bow", quantity.Exactly(0.0001)}, {"stern", quantity.Exactly(0.0003)}},
	}
	assert.Equal(t, want, got)
	assert.InDelta(t, 0.0014, got.Battery.Resistance.Tolerance, 1e-15)
	assert.True(t, src.Has("battery.resistance"))
	assert.True(t, src.Has("joint[1].resistance"))
	assert.False(t, src.Has("joint[0].resistance"), "a default does not stand in the file")
	assert.Equal(t, "petrel.toml", src.Name())
	assert.Equal(t, good, string(src.Data()))
}

// TestSameInOtherWords: TOML has several ways to write one structure.
func TestSameInOtherWords(t *testing.T) {
	const other = "\xEF\xBB\xBFname = 'petrel'\r\n" +
		"tags = ['harbour', 'demo']\r\n" +
		"battery.resistance = \"\"\"14 m\\u03A9 ± 10 %, measured\"\"\"\r\n" +
		"battery.\"chemistry\" = \"lfp\"\r\n" +
		"battery.ocv = [ [ '0 %', '44 V' ], ['100 %', '54 V'] ]\r\n" +
		"joint = [{name = 'bow'}, {name = 'stern', resistance = '300 µΩ'}]\r\n"
	var a, b yard
	_, err := Decode("a", []byte(good), &a)
	require.NoError(t, err)
	_, err = Decode("b", []byte(other), &b)
	require.NoError(t, err)
	b.Joints[1].Resistance.SI = a.Joints[1].Resistance.SI // 300/1e6 and 0.3/1e3 differ in the last bit
	assert.Equal(t, a, b)
}

// TestDefaultsReplaceOldContents: a struct that held other values is filled as if new.
func TestDefaultsReplaceOldContents(t *testing.T) {
	fresh, used := yard{}, yard{Cells: 3, Fan: &fan{}, Spare: make([]joint, 2), Battery: bank{Steps: []float64{1}, Efficiency: quantity.Exactly(1)}}
	_, err := Decode("", []byte(good), &fresh)
	require.NoError(t, err)
	_, err = Decode("", []byte(good), &used)
	require.NoError(t, err)
	assert.Equal(t, fresh, used)
}

// TestProblems changes one thing in the good file and expects one problem, at the
// very place.
func TestProblems(t *testing.T) {
	const header = `[battery]`
	for _, c := range []struct{ name, old, new, problem string }{
		{"number without unit", `"14 mΩ ± 10 %, measured"`, `14`, `8:14: 14 is a number without its unit; write for example "14 mΩ"`},
		{"number with a bad example", `"14 mΩ ± 10 %, measured"`, `-14.5`, `8:14: -14.5 is a number without its unit; write for example "10 mΩ"`},
		{"no unit", `"14 mΩ ±`, `"14 ±`, `8:15: 14 has no unit; write for example "14 mΩ"`},
		{"wrong dimension", `"0.3 mohm"`, `"0.3 V"`, `20:19: 0.3 V is a voltage; a resistance is wanted, for example "0.3 mΩ"`},
		{"columns count characters", `mΩ ± 10 %`, `mΩ ± 10 q`, `8:26: unknown unit "q"`},
		{"position after escapes", `"14 mΩ ± 10 %`, `"14 m\u03a9 \u00B1 10 q`, `8:36: unknown unit "q"`},
		{"position in a literal", `"0.3 mohm"`, `'0.3 V'`, `20:19: 0.3 V is a voltage; a resistance is wanted, for example "0.3 mΩ"`},
		{"position in three quotes", `"0.3 mohm"`, `"""0.3 V"""`, `20:21: 0.3 V is a voltage; a resistance is wanted, for example "0.3 mΩ"`},
		{"nan", `"0.3 mohm"`, `nan`, `20:14: a real number is wanted, not infinity or "not a number"; write for example "10 mΩ"`},
		{"inf", `"0.3 mohm"`, `-inf`, `20:14: a real number is wanted, not infinity or "not a number"; write for example "10 mΩ"`},
		{"nan in quotes", `"0.3 mohm"`, `"nan mΩ"`, `20:15: a real number is wanted, not infinity or "not a number"; write for example "10 mΩ"`},
		{"separators", `"0.3 mohm"`, `1_000`, `20:14: write the number without separators between its digits`},
		{"hexadecimal", `"0.3 mohm"`, `0x10`, `20:14: hexadecimal numbers are not read; write a decimal number`},
		{"boolean for a quantity", `"0.3 mohm"`, `true`, `20:14: a quantity in quotes is wanted, for example "10 mΩ", not true or false`},
		{"date for a quantity", `"0.3 mohm"`, `2026-05-01`, `20:14: a quantity in quotes is wanted, for example "10 mΩ", not a date or time`},
		{"array for a quantity", `"0.3 mohm"`, `["0.3 mohm"]`, `20:14: a quantity in quotes is wanted, for example "10 mΩ", not an array`},
		{"table for a quantity", `"0.3 mohm"`, `{ r = "0.3 mohm" }`, `20:14: a quantity in quotes is wanted, for example "10 mΩ", not a table`},

		{"not above", `"14 mΩ ±`, `"0 mΩ ±`, `8:15: 0 mΩ is too low; it must be more than 0 Ω`},
		{"above the maximum", `"14 mΩ ±`, `"1.001 Ω ±`, `8:15: 1.001 Ω is above the highest value allowed, 1 Ω`},
		{"below the minimum", header, header + "\nefficiency = -0.1", `7:14: -0.1 is below the lowest value allowed, 0`},
		{"not below", header, header + "\nderating_start = '120 °C'", `7:19: 120 °C is too high; it must be less than 120 °C`},
		{"absolute zero", header, header + "\nderating_start = '-300 °C'", `7:19: this is below absolute zero (-273.15 °C)`},
		{"difference", header, header + "\nderating_band = '20 °C'", `7:21: 20 °C is a temperature; write a temperature difference in K, for example "20 K"`},

		{"missing", `chemistry = "lfp"`, ``, `6:2: battery.chemistry is missing; write for example chemistry = "lfp"`},
		{"missing, with doc", `resistance = "14 mΩ ± 10 %, measured"`, ``, `6:2: battery.resistance is missing (internal resistance of the whole bank); write for example resistance = "14 mΩ ± 10 %, measured"`},
		{"missing at the top", `name = "petrel"`, ``, `1:1: name is missing (what the boat is called); write for example name = "…"`},
		{"missing in an array of tables", `name = "stern"`, ``, `18:3: joint[1].name is missing; write for example name = "…"`},
		{"empty text", `"petrel"`, `""`, `3:8: name is empty; write for example name = "…"`},

		{"unknown key", header, header + "\nweight = '5 kg'", `7:1: unknown key "weight"; known here: resistance, chemistry, ocv, derating_start, derating_band, efficiency, steps, sag`},
		{"misspelt key", `chemistry =`, `chemestry =`, `9:1: unknown key "chemestry"; did you mean chemistry?`},
		{"wrong case", `chemistry =`, `Chemistry =`, `9:1: unknown key "Chemistry"; did you mean chemistry?`},
		{"misspelt table", `[battery]`, `[batery]`, `6:2: unknown key "batery"; did you mean battery?`},
		{"key of another table", `name = "bow"`, "name = \"bow\"\nefficiency = 1", `17:1: unknown key "efficiency" here; battery.efficiency is known`},
		{"key of the top in a table", `name = "bow"`, "name = \"bow\"\ncrew = 1", `17:1: unknown key "crew" here; crew belongs at the top of the file, before the first table`},
		{"control characters", header, header + "\n\"\\u001b[2J\" = 1", `7:1: unknown key "\x1b[2J"; known here: resistance, chemistry, ocv, derating_start, derating_band, efficiency, steps, sag`},

		{"key twice", `chemistry = "lfp"`, "chemistry = \"lfp\"\nchemistry = \"nmc\"", `10:1: chemistry is there twice; first in line 9`},
		{"table twice", `[[joint]]` + "\nname = \"bow\"", "[battery]\n[[joint]]\nname = \"bow\"", `15:2: the table [battery] is there twice; first in line 6`},
		{"table and value", `tags =`, "fan = 3\n[fan]\n[[spare]]\nname = \"x\"\n[rest]\n#", "4:7: fan is a table; write [fan] or { … }, not a whole number\n5:2: [fan] is already used as a whole number in line 4\n8:2: unknown key \"rest\"; known here: name, cells, crew, covered, tags, battery, joint, fan, spare"},
		{"array of tables and table", `[[joint]]` + "\nname = \"bow\"", "[joint]\nname = \"bow\"", "15:2: there can be several joint; write [[joint]], not a table\n18:3: [[joint]] is already used as a table in line 15"},
		{"dotted key into a value", header, header + "\nresistance.x = 1", "7:1: a quantity in quotes is wanted, for example \"10 mΩ\", not a table\n9:1: resistance is there twice; first in line 7"},
		{"too deep", header, header + "\na.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a = 1", `7:1: a key of 17 parts is too deep; at most 16 are read`},

		{"word not allowed", `"lfp"`, `"lpf"`, `9:14: "lpf" is none of lfp, nmc, agm; did you mean "lfp"?`},
		{"word far off", `"lfp"`, `"zinc-air"`, `9:14: "zinc-air" is none of lfp, nmc, agm`},
		{"word in a list", `"demo"]`, `"dmeo"]`, `4:20: "dmeo" is none of harbour, workboat, demo; did you mean "demo"?`},
		{"number in a list of texts", `"demo"]`, `7]`, `4:20: a text in quotes is wanted, not a whole number`},
		{"text for a list", `["harbour", "demo"]`, `"demo"`, `4:8: an array is wanted, for example tags = ["harbour"], not a text`},
		{"number for a text", `"petrel"`, `3`, `3:8: name wants a text in quotes, for example name = "…", not a whole number`},
		{"text for a whole number", `tags =`, "cells = \"16\"\ntags =", `4:9: cells wants a whole number, for example cells = 16, not a text`},
		{"whole number too high", `tags =`, "cells = 41\ntags =", `4:9: 41 is above the highest value allowed, 40`},
		{"whole number too low", `tags =`, "cells = 0\ntags =", `4:9: 0 is below the lowest value allowed, 1`},
		{"whole number too large for its type", `tags =`, "crew = 256\ntags =", `4:8: 256 does not fit`},
		{"negative for an unsigned", `tags =`, "crew = -1\ntags =", `4:8: -1 does not fit`},
		{"whole number beyond 64 bits", `tags =`, "cells = 99999999999999999999\ntags =", `4:9: 99999999999999999999 is too large`},
		{"text for a boolean", `tags =`, "covered = \"yes\"\ntags =", `4:11: covered wants true or false, for example covered = true, not a text`},

		{"short row", `["0 %", "44 V"]`, `["0 %"]`, `11:3: a row of 2 values is wanted (%, V), for example ["10 %", "10 V"], not 1`},
		{"no row", `["0 %", "44 V"]`, `"0 %"`, `11:3: a row of 2 values is wanted (%, V), for example ["10 %", "10 V"], not a text`},
		{"unit in a row", `["0 %", "44 V"]`, `["0 %",   "44"]`, `11:14: 44 has no unit; write for example "44 V"`},
		{"column bound", `["0 %", "44 V"]`, `["-1 %", "44 V"]`, `11:5: -1 % is below the lowest value allowed, 0 %`},
		{"number in a row", `["0 %", "44 V"]`, `[0, "44 V"]`, `11:4: 0 is a number without its unit; write for example "0 %"`},
		{"empty rows", "ocv = [\n  [\"0 %\", \"44 V\"], # empty\n  [\"100 %\", \"54 V\"],\n]", `ocv = []`, `10:7: ocv is empty; write for example ocv = [["10 %", "10 V"]]`},
		{"text for rows", "ocv = [\n  [\"0 %\", \"44 V\"], # empty\n  [\"100 %\", \"54 V\"],\n]", `ocv = "44 V"`, `10:7: an array is wanted, for example ocv = [["10 %", "10 V"]], not a text`},
		{"no rows where there may be none", header, header + "\nsag = []", `7:7: sag has no rows; leave it out, or write for example sag = [["10 mΩ", "10 s"]]`},
		{"list of quantities", header, header + "\nsteps = [\"5 A\", # first\n  \"7 V\"]", `8:6: 7 V is a voltage; a current is wanted, for example "7 A"`},

		{"syntax: no quotes", `"petrel"`, `petrel`, `3:8: syntax: unexpected character U+0070 'p' at start of value; a value with a unit stands in quotes, for example resistance = "14 mΩ"`},
		{"syntax: unit without quotes", `"14 mΩ ± 10 %, measured"`, `14 mΩ`, `8:17: syntax: expected newline but got U+006D 'm'; a value with a unit stands in quotes, for example resistance = "14 mΩ"`},
		{"syntax: no equals sign", `chemistry = "lfp"`, `chemistry "lfp"`, `9:11: syntax: expected '=' after key; write key = value`},
		{"syntax: row not closed", `["0 %", "44 V"], # empty`, `["0 %", "44 V", # empty`, "15:1: syntax: expected ',' or ']' after array value (in what starts in line 10)"},
		{"syntax: text not closed", `"lfp"`, `"lfp`, `9:17: syntax: basic strings cannot have new lines`},
		{"syntax: bad escape", `"lfp"`, `"\q"`, `9:14: syntax: invalid escape character U+0071 'q'`},
		{"syntax: header not closed", `[battery]`, `[battery`, `6:9: syntax: expected ']' to close table name`},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Equal(t, 1, strings.Count(good, c.old), "the test changes exactly one place")
			assert.Equal(t, c.problem, problems(t, strings.Replace(good, c.old, c.new, 1)))
		})
	}
}

// problems decodes a file and lists its problems without file name and excerpt.
func problems(t *testing.T, data string) string {
	src, err := Decode("x", []byte(data), &yard{})
	if err == nil {
		return ""
	}
	var list Problems
	require.ErrorAs(t, err, &list)
	require.NotNil(t, src)
	var lines []string
	for _, p := range list {
		lines = append(lines, fmt.Sprintf("%d:%d: %s", p.Line, p.Column, p.Text))
	}
	return strings.Join(lines, "\n")
}

func TestFilesThatAreNone(t *testing.T) {
	missing := "1:1: name is missing (what the boat is called); write for example name = \"…\"\n" +
		"1:1: the table [battery] is missing (the bank that drives the motor); it needs resistance, chemistry, ocv\n" +
		"1:1: at least one table [[joint]] is missing; it needs name"
	for _, c := range []struct{ name, data, problems string }{
		{"empty", "", "1:1: the file is empty"},
		{"blank", "\xEF\xBB\xBF \n\n", "1:1: the file is empty"},
		{"only a comment", "# nothing yet\n", missing},
		{"binary", "name = \"a\"\nx\x00y", "2:2: this is not a text file: there is a zero byte here"},
		{"other encoding", "# Motorl\xfcfter\n", "1:9: this is not UTF-8 text; save the file as UTF-8"},
		{"too large", strings.Repeat("# twelve bytes\n", maxSize/12), "1:1: the file is too large; at most 4 MB are read"},
	} {
		t.Run(c.name, func(t *testing.T) { assert.Equal(t, c.problems, problems(t, c.data)) })
	}
}

// TestGoldenBadFile shows all problems of one file as the user sees them.
func TestGoldenBadFile(t *testing.T) {
	path := filepath.Join("testdata", "bad.toml")
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	_, err = Decode("bad.toml", data, &yard{})
	require.Error(t, err)
	golden := filepath.Join("testdata", "bad.golden")
	if *update {
		require.NoError(t, os.WriteFile(golden, []byte(err.Error()+"\n"), 0o644))
	}
	want, readErr := os.ReadFile(golden)
	require.NoError(t, readErr)
	assert.Equal(t, string(want), err.Error()+"\n")
}

// TestManyProblemsStayReadable: a huge wrong file gives a bounded answer soon.
func TestManyProblemsStayReadable(t *testing.T) {
	var b strings.Builder
	for i := range 20000 {
		fmt.Fprintf(&b, "some_unknown_key_%d = \"value\"\n", i)
	}
	_, err := Decode("x", []byte(b.String()), &yard{})
	var list Problems
	require.ErrorAs(t, err, &list)
	assert.Len(t, list, maxProblems)
	assert.Less(t, len(err.Error()), 20000)
	assert.True(t, strings.HasSuffix(err.Error(), "\nand 950 more"))
}

func TestExcerpts(t *testing.T) {
	for _, c := range []struct{ line, at, shown string }{
		{"a = 1", "1", "    a = 1\n        ^"},
		{"\ta\x1b = 1", "1", "     a\uFFFD = 1\n          ^"},
		{"ΩΩΩ = 1", "1", "    ΩΩΩ = 1\n          ^"},
		{strings.Repeat("Ω", 200) + "x" + strings.Repeat("Ω", 200), "x", "    …" + strings.Repeat("Ω", 60) + "x" + strings.Repeat("Ω", 39) + "…\n    " + strings.Repeat(" ", 61) + "^"},
	} {
		assert.Equal(t, c.shown, excerpt(c.line, strings.LastIndex(c.line, c.at)))
	}
	assert.Equal(t, "    abc\n       ^", excerpt("abc", 3), "at the end of the line")
}

func TestProblemOfTheCaller(t *testing.T) {
	text := strings.Replace(good, `"0.3 mohm"`, `"0.3 V"`, 1)
	src, err := Decode("petrel.toml", []byte(text), &yard{})
	require.Error(t, err)
	src.Problem("battery.ocv[1]", "the voltage falls to %d V", 54)
	src.Problem("battery.ocv[1][1]", "cell")
	src.Problem("joint[0]", "joint")
	src.Problem("joint[0].resistance", "by default")
	src.Problem("fan.on", "absent table")
	src.Problem("battery", "table")
	src.Problem("not a [key", "no key")
	var list Problems
	require.ErrorAs(t, src.Err(), &list)
	var lines []string
	for _, p := range list {
		lines = append(lines, p.Error())
	}
	assert.Equal(t, []string{
		"petrel.toml:1:1: absent table",
		"petrel.toml:1:1: no key",
		"petrel.toml:6:2: table",
		"petrel.toml:12:3: the voltage falls to 54 V",
		"petrel.toml:12:13: cell",
		"petrel.toml:15:3: joint",
		"petrel.toml:15:3: by default",
		`petrel.toml:20:19: 0.3 V is a voltage; a resistance is wanted, for example "0.3 mΩ"`,
	}, lines)
	assert.Equal(t, "battery.ocv[1]", list[3].Key)
	assert.Equal(t, "      [\"100 %\", \"54 V\"],\n      ^", list[3].Excerpt)
	var one Problem
	require.ErrorAs(t, src.Err(), &one)

	line, column, ok := src.Position("battery.ocv[1][1]")
	assert.Equal(t, []any{12, 13, true}, []any{line, column, ok})
	_, _, ok = src.Position("fan")
	assert.False(t, ok)
}

func TestProblemNamesAreEscaped(t *testing.T) {
	src, _ := Decode("a\x1b[31m.toml", []byte(good), &yard{})
	src.Problem("battery", "colour \x1b[31m, \u202e and \xff")
	assert.Equal(t, "a\\x1b[31m.toml:6:2: colour \\x1b[31m, \\u202e and \\xff\n    [battery]\n     ^", src.Err().Error())
}

func TestMisuse(t *testing.T) {
	for name, into := range map[string]any{
		"no pointer": yard{},
		"nil":        (*yard)(nil),
		"no unit": &struct {
			A float64 `key:"a"`
		}{},
		"bad unit": &struct {
			A float64 `key:"a" unit:"furlong"`
		}{},
		"bad default": &struct {
			A float64 `key:"a" unit:"A" default:"3 V"`
		}{},
		"out of bounds": &struct {
			A float64 `key:"a" unit:"A" max:"2 A" default:"3 A"`
		}{},
		"bad bound": &struct {
			A float64 `key:"a" unit:"A" max:"2"`
		}{},
		"not a word": &struct {
			A string `key:"a" one:"x|y" default:"z"`
		}{},
		"unit of text": &struct {
			A string `key:"a" unit:"A"`
		}{},
		"key twice": &struct {
			A, B string `key:"a"`
		}{},
		"not exported": &struct {
			a string `key:"a"`
		}{},
		"unknown type": &struct {
			A chan int `key:"a"`
		}{},
		"own type": &loop{},
	} {
		assert.Panics(t, func() { _, _ = Decode("x", nil, into) }, name)
	}
}

type loop struct {
	Next *loop `key:"next"`
}

func ExampleDecode() {
	var boat struct {
		Name    string `key:"name"`
		Battery struct {
			Resistance quantity.Value `key:"resistance" unit:"mΩ" above:"0 Ω"`
		} `key:"battery"`
	}
	_, err := Decode("petrel.toml", []byte("name = \"petrel\"\n[battery]\nresistence = 14\n"), &boat)
	fmt.Println(err)
	_, err = Decode("petrel.toml", []byte("name = \"petrel\"\n[battery]\nresistance = \"14 V\"\n"), &boat)
	fmt.Println(err)
	// Output:
	// petrel.toml:3:1: unknown key "resistence"; did you mean resistance?
	//     resistence = 14
	//     ^
	// petrel.toml:3:18: 14 V is a voltage; a resistance is wanted, for example "14 mΩ"
	//     resistance = "14 V"
	//                      ^
}
