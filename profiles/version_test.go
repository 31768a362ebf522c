package profiles

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// sampleVersion uses all that a version can hold.
func sampleVersion() *Version {
	boat := File{Role: RoleBoat, Name: BoatFile, Content: []byte(petrelBoat)}
	record := File{Role: RoleRecord, Name: "crash stop.csv", Content: []byte("t_s\n0\n")}
	v := &Version{
		Boat: "petrel", Time: yardOpens.Add(time.Nanosecond), Clock: yardOpens.Add(-time.Hour),
		Author: "yard hand", Reason: `more thrust for the "long" tow, 240 A`, Tool: "quaybench test",
		Parents: []Hash{HashOf([]byte("a")), HashOf([]byte("b"))}, Restores: HashOf([]byte("c")),
		Verdicts: []Verdict{judged(Close), {Trial: "locked shaft", Result: Clear, Tool: "quaybench test"}},
		Kept:     []Kept{boat.kept(), record.kept()},
		Settings: petrelSettings, Result: Close,
	}
	v.Verdicts[0].Record = record.kept().Hash
	return v
}

func TestVersionFileGolden(t *testing.T) {
	golden := filepath.Join("testdata", "version.toml")
	got := sampleVersion().encode()
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(golden, got, 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	assert.Equal(t, string(want), string(got))
	back, err := parseVersion(want)
	require.NoError(t, err)
	expected := sampleVersion()
	expected.Hash = HashOf(want)
	assert.Equal(t, expected, back)
}

func TestMarkFileGolden(t *testing.T) {
	golden := filepath.Join("testdata", "mark.toml")
	record := File{Role: RoleRecord, Name: "bench.csv", Content: []byte("t_s\n")}
	m := &Mark{
		Kind: MarkApproval, Boat: "petrel", Version: HashOf([]byte("a")), Time: yardOpens, Author: "yard hand",
		Tool: "quaybench test", Note: "for the summer", Result: Over, Despite: "tow of an hour at most, watched",
		Verdicts: []Verdict{judged(Over)}, Kept: []Kept{record.kept()},
	}
	got := m.encode()
	if *update {
		require.NoError(t, os.WriteFile(golden, got, 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	assert.Equal(t, string(want), string(got))
	back, err := parseMark(want)
	require.NoError(t, err)
	m.Hash = HashOf(want)
	assert.Equal(t, m, back)
}

// line draws one line of plain text.
func line(t *rapid.T, label string) string {
	s := rapid.StringOfN(rapid.RuneFrom([]rune(`ab "'\#[]={}±Ω°船`+"\u200d")), 1, 20, -1).Draw(t, label)
	return "x" + s
}

// text draws the text of a settings file with all that is awkward in TOML.
func text(t *rapid.T) string {
	parts := rapid.SliceOf(rapid.SampledFrom([]string{
		"\n", "\r\n", "\t", " ", "'", "'''", `"`, `"""`, `\`, `\n`, `\u0041`, "#", "key = 1", "[settings]", "[[kept]]", "Ω", "船", "''",
	})).Draw(t, "settings")
	return strings.Join(parts, "")
}

func TestVersionReadsBackWhatItWrote(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := sampleVersion()
		v.Author, v.Reason, v.Tool = line(t, "author"), line(t, "reason"), line(t, "tool")
		v.Settings = text(t)
		used := rapid.Float64Range(0, maxUsed).Draw(t, "used")
		v.Verdicts[1].Used = &used
		v.Verdicts[1].Part = line(t, "part")
		if rapid.Bool().Draw(t, "first") {
			v.Parents, v.Restores, v.Clock = []Hash{}, "", time.Time{}
		}
		content := v.encode()
		back, err := parseVersion(content)
		require.NoError(t, err, "%s", content)
		v.Hash = HashOf(content)
		assert.Equal(t, v, back)
	})
}

// Each of these is TOML, but not what the book writes: a careless reader would take zero for a missing
// key, any case of a key, the second of two, or infinity.
func TestVersionRefusesWhatItDidNotWrite(t *testing.T) {
	good := string(sampleVersion().encode())
	_, err := parseVersion([]byte(good))
	require.NoError(t, err)
	for name, change := range map[string][2]string{
		"unknown key":             {"format = 1\n", "format = 1\nextra = 1\n"},
		"missing key":             {"author = \"yard hand\"\n", ""},
		"another case":            {"author =", "Author ="},
		"infinite":                {"used = 0.93", "used = inf"},
		"not a number":            {"used = 0.93", "used = nan"},
		"negative":                {"used = 0.93", "used = -0.93"},
		"newer format":            {"format = 1\n", "format = 3\n"},
		"chained without tips":    {"format = 1\n", "format = 2\n"},
		"local time":              {"time = 2026-04-01T07:00:00.000000001Z", "time = 2026-04-01T07:00:00.000000001"},
		"other zone":              {"time = 2026-04-01T07:00:00.000000001Z", "time = 2026-04-01T08:00:00.000000001+01:00"},
		"year of another age":     {"time = 2026", "time = 1926"},
		"control character":       {"yard hand", `yard\u001b[2Jhand`},
		"direction mark":          {"yard hand", `yard\u202ehand`},
		"line break":              {"yard hand", `yard\nhand`},
		"empty author":            {"yard hand", ``},
		"boat that leads away":    {`boat = "petrel"`, `boat = "../petrel"`},
		"kept name that is no":    {`hash = "`, `hash = "../`},
		"two boat files":          {`role = "record"`, `role = "boat"`},
		"no boat file":            {`role = "boat"`, `role = "other"`},
		"unknown role":            {`role = "record"`, `role = "recipe"`},
		"unknown result":          {`result = "close"`, `result = "fine"`},
		"same parent twice":       {string(HashOf([]byte("b"))), string(HashOf([]byte("a")))},
		"short parent":            {string(HashOf([]byte("b"))), "3e23"},
		"record that is not kept": {`record = "`, `record = "0`},
		"carriage returns":        {"\n", "\r\n"},
		"control in settings":     {"# petrel, as", "# petrel,\x1b as"},
		"trailing":                {"'''", "''' # trailing"},
		"endless bytes":           {"bytes = 6", "bytes = 99999999999999"},
	} {
		t.Run(name, func(t *testing.T) {
			bad := strings.Replace(good, change[0], change[1], 1)
			if name == "carriage returns" {
				bad = strings.ReplaceAll(good, "\n", "\r\n")
			}
			if name == "trailing" {
				bad = good + "# trailing\n"
			}
			require.NotEqual(t, good, bad, "the case changes nothing")
			_, err := parseVersion([]byte(bad))
			require.Error(t, err)
			assert.Equal(t, Printable(err.Error()), err.Error())
		})
	}
}

func FuzzParseVersion(f *testing.F) {
	f.Add(sampleVersion().encode())
	f.Add([]byte("format = 1\nboat = \"petrel\"\n"))
	f.Add([]byte(strings.Repeat("[", 5000)))
	f.Fuzz(func(t *testing.T, content []byte) {
		v, err := parseVersion(content)
		if err != nil {
			return
		}
		assert.Equal(t, string(content), string(v.encode()))
		for _, s := range []string{v.Boat, v.Author, v.Reason, v.Tool} {
			assert.Equal(t, s, Printable(s))
		}
		assert.NoError(t, checkText("settings", v.Settings, maxSettingsBytes))
	})
}

func FuzzParseMark(f *testing.F) {
	f.Add([]byte("format = 1\nkind = \"label\"\n"))
	m := &Mark{Kind: MarkLabel, Boat: "petrel", Version: HashOf(nil), Time: yardOpens, Author: "yard hand", Tool: "quaybench test", Label: "summer"}
	f.Add(m.encode())
	f.Fuzz(func(t *testing.T, content []byte) {
		m, err := parseMark(content)
		if err != nil {
			return
		}
		assert.Equal(t, string(content), string(m.encode()))
		for _, s := range []string{m.Boat, m.Author, m.Note, m.Label, m.Controller, m.Despite} {
			assert.Equal(t, s, Printable(s))
		}
	})
}

// A kept file may have as many bytes as the largest, and not one more.
func TestKeptFileOfTheLargestSize(t *testing.T) {
	kept := Kept{Role: RoleOther, Name: "log.bin", Bytes: LargestKept, Hash: HashOf([]byte("x"))}
	assert.NoError(t, checkKept([]Kept{kept}))
	kept.Bytes++
	assert.ErrorContains(t, checkKept([]Kept{kept}), "are not between 0 and")
	kept.Bytes = -1
	assert.ErrorContains(t, checkKept([]Kept{kept}), "are not between 0 and")
}
