package bench_test

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/settings"
	"quaybench/bench/verdict"
)

const demo = "../cmd/quaybench/demo"

// setup loads an invented boat of the demo book.
func setup(t testing.TB, name string) *bench.Setup {
	t.Helper()
	s, err := bench.Load(filepath.Join(demo, name))
	require.NoError(t, err)
	return s
}

// drawnFew is setup with few draws for its bands, for tests that do not ask how wide they are.
func drawnFew(t testing.TB, name string) *bench.Setup {
	t.Helper()
	s := setup(t, name)
	s.Draws = 8
	return s
}

func TestLoad(t *testing.T) {
	folder, err := bench.Load(demo + "/petrel")
	require.NoError(t, err)
	file, err := bench.Load(demo + "/petrel/boat.toml")
	require.NoError(t, err)
	assert.Equal(t, folder, file, "a folder stands for the boat file in it")
	assert.Equal(t, "petrel", file.Boat.Name)
	assert.Equal(t, 140.0, file.Settings.Limits.MotorCurrent)
	assert.Len(t, file.BoatHash, 16)

	for path, text := range map[string]string{
		"nosuch":                 "there is no file nosuch",
		demo:                     "there is no file " + demo + "/boat.toml",
		demo + "/petrel/boat.ml": "there is no file " + demo + "/petrel/boat.ml",
	} {
		_, err := bench.Load(path)
		assert.EqualError(t, err, text)
	}
}

// TestLoadReportsBothFiles: everything wrong in both files comes at once, and as Problems.
func TestLoadReportsBothFiles(t *testing.T) {
	read := func(name string) string {
		text, err := os.ReadFile(demo + "/petrel/" + name)
		require.NoError(t, err)
		return string(text)
	}
	files := fstest.MapFS{
		"boat.toml":     {Data: []byte(strings.Replace(read("boat.toml"), "cells = 16", "cells = 0", 1))},
		"settings.toml": {Data: []byte(strings.Replace(read("settings.toml"), `"140 A"`, `"140 Ah"`, 1))},
	}
	_, err := bench.LoadFS(files, "boat.toml", "settings.toml", func(file string) string { return "yard/" + file })
	var problems datafile.Problems
	require.ErrorAs(t, err, &problems)
	require.Len(t, problems, 2)
	assert.Equal(t, "yard/boat.toml", problems[0].File)
	assert.Equal(t, "yard/settings.toml", problems[1].File)
	assert.Equal(t, "limits.motor_current", problems[1].Key)

	delete(files, "settings.toml")
	_, err = bench.LoadFS(files, "boat.toml", "settings.toml", func(file string) string { return file })
	require.ErrorAs(t, err, &problems)
	assert.Len(t, problems, 1)
	assert.ErrorContains(t, err, "there is no file settings.toml")
}

func TestLoadTrial(t *testing.T) {
	builtin, err := bench.LoadTrial("crash-stop")
	require.NoError(t, err)
	assert.Equal(t, "crash-stop", builtin.Name)

	file := filepath.Join(t.TempDir(), "mine.toml")
	require.NoError(t, os.WriteFile(file, []byte("name = \"mine\"\nduration = \"5 s\"\n[[throttle]]\nat = \"1 s\"\nto = \"50 %\"\n"), 0o644))
	mine, err := bench.LoadTrial(file)
	require.NoError(t, err)
	assert.Equal(t, "mine", mine.Name)

	renamed, err := bench.LoadTrial("locked-rotor")
	require.NoError(t, err)
	assert.Equal(t, "locked-shaft", renamed.Name, "an old name is taken")
	_, err = bench.LoadTrial("crash_stop")
	assert.ErrorContains(t, err, `no built-in trial is called "crash_stop"; there are full-throttle, `)

	all, err := bench.AllTrials()
	require.NoError(t, err)
	assert.Len(t, all, 11)
}

// TestNewFiles: a new boat's files hold every key there is, each below what it is, and are valid as they stand.
func TestNewFiles(t *testing.T) {
	for _, c := range []struct {
		text   string
		fields []datafile.Field
	}{
		{string(bench.NewBoatFile("heron", bench.WholeTemplate)), datafile.Fields(boat.Boat{})},
		{string(bench.NewSettingsFile("heron", bench.WholeTemplate)), datafile.Fields(settings.Set{})},
	} {
		blocks := slices.DeleteFunc(strings.Split(c.text, "\n\n"), func(block string) bool { return strings.HasPrefix(block, "# The motor cable") }) // the same keys once more
		at := 0
		for _, f := range c.fields {
			name := f.Key[strings.LastIndex(f.Key, ".")+1:]
			if f.Kind == datafile.KindGroup || f.Kind == datafile.KindGroups {
				continue
			}
			require.NotEmpty(t, f.Doc, "%s says what it is", f.Key)
			for at < len(blocks) && !strings.Contains(blocks[at], "\n"+name+" = ") && !strings.Contains(blocks[at], "\n# "+name+" = ") {
				at++
			}
			require.Less(t, at, len(blocks), "%s is there, in the order of the table", f.Key)
			comment := strings.Join(strings.Fields(strings.ReplaceAll(blocks[at], "\n#", "\n")), " ")
			assert.Contains(t, comment, strings.Join(strings.Fields(f.Doc), " "), f.Key)
			if f.Find != "" {
				assert.Contains(t, comment, "Where: "+strings.Join(strings.Fields(f.Find), " "), f.Key)
			}
			at++
		}
	}
	s, err := bench.LoadTexts("boat.toml", bench.NewBoatFile("heron", bench.WholeTemplate), "settings.toml", bench.NewSettingsFile("heron", bench.WholeTemplate))
	require.NoError(t, err)
	assert.Equal(t, "heron", s.Boat.Name)
	assert.Equal(t, verdict.Clear, verdict.Join(bench.Check(s), nil).Level, "the examples agree with each other")
	short, err := bench.LoadTexts("boat.toml", bench.NewBoatFile("heron", bench.ShortTemplate), "settings.toml", bench.NewSettingsFile("heron", bench.ShortTemplate))
	require.NoError(t, err)
	for _, b := range []*boat.Boat{s.Boat, short.Boat} { // whoever fills in what is asked has the motor cable judged too
		require.Len(t, b.Cables, 2)
		assert.Equal(t, [2]string{"battery", "motor"}, [2]string{b.Cables[0].Circuit, b.Cables[1].Circuit})
	}
}

// TestCloseForIsForAPart: a misspelt part would silently leave its share at the boat's.
func TestCloseForIsForAPart(t *testing.T) {
	text, err := os.ReadFile(demo + "/petrel/boat.toml")
	require.NoError(t, err)
	with := func(lines string) error {
		_, err := bench.LoadTexts("boat.toml", []byte(string(text)+lines), "settings.toml", bench.NewSettingsFile("petrel", bench.ShortTemplate))
		return err
	}
	assert.NoError(t, with("\n[[close_for]]\npart = \"battery cable\"\nshare = \"70 %\"\n"))
	err = with("\n[[close_for]]\npart = \"cable\"\nshare = \"70 %\"\n")
	var problem datafile.Problem
	require.True(t, errors.As(err, &problem), "%v", err)
	assert.Equal(t, "close_for[0].part", problem.Key)
	assert.Contains(t, problem.Text, `no part is called "cable"; this boat has winding, commutator`)
	assert.ErrorContains(t, with(strings.Repeat("\n[[close_for]]\npart = \"fuse\"\nshare = \"70 %\"\n", 2)), `"fuse" has a share already`)
}
