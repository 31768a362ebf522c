package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/benchtest"
	"quaybench/bench/learn/learntest"
	"quaybench/bench/record"
)

// learningBook returns a book with the demo boats, and a folder for records.
func learningBook(t *testing.T) (folder string, run func(args ...string) (code int, stdout, stderr string)) {
	t.Helper()
	folder = t.TempDir()
	environment := map[string]string{"XDG_DATA_HOME": folder, "QUAYBENCH_AUTHOR": "yard hand", "NO_COLOR": "1"}
	run = func(args ...string) (int, string, string) {
		return quaybench(t, environment, append([]string{"--book", filepath.Join(folder, "book")}, args...)...)
	}
	code, _, stderr := run("demo", "--copy", filepath.Join(folder, "book"))
	require.Zero(t, code, stderr)
	return folder, run
}

// outingOf returns an invented outing of the demo petrel, its magnets 2.5 % stronger and its propeller 5 % heavier than the file says.
func outingOf(t *testing.T) learntest.Outing {
	t.Helper()
	s, err := bench.Load("demo/petrel")
	require.NoError(t, err)
	return learntest.Outing{Boat: s.Boat, Settings: s.Settings, Lever: true, Seed: 3, True: map[string]float64{"motor.constant": 0.025, "propeller.measured_power": 0.05}}
}

func keepText(t *testing.T, folder, name string, text []byte) string {
	t.Helper()
	path := filepath.Join(folder, name)
	require.NoError(t, os.WriteFile(path, text, 0o644))
	return path
}

// TestLearnWrites: what counts goes into boat.toml and a version is saved with the record; the approval given before lapses, and that is said; the
// same record counts once.
func TestLearnWrites(t *testing.T) {
	benchtest.Computes(t)
	folder, run := learningBook(t)
	typed := keepText(t, folder, "typed.csv", outingOf(t).Text(t))
	boatFile := filepath.Join(folder, "book", "petrel", "boat.toml")
	before, err := os.ReadFile(boatFile)
	require.NoError(t, err)
	for _, args := range [][]string{{"profile", "save", "petrel", "-m", "as found"}, {"profile", "approve", "petrel", "head"}} {
		code, _, stderr := run(args...)
		require.Zero(t, code, stderr)
	}
	code, stdout, stderr := run("learn", "petrel", typed, "--write")
	require.Zero(t, code, stderr)
	said := unwrapped(stdout)
	assert.Contains(t, said, "motor.constant 0.200 V·s/rad 0.190 to 0.210")
	assert.Contains(t, said, "This record cannot tell: battery: capacity, ")
	assert.Contains(t, said, "Wrote 1 value into boat.toml of petrel and saved v2 ")
	assert.Contains(t, said, "The approval of v1")
	assert.Contains(t, said, "lapses: it was given for other numbers.")
	assert.Contains(t, said, "A simulation is no proof of safety.")
	after, err := os.ReadFile(boatFile)
	require.NoError(t, err)
	assert.Len(t, strings.Split(string(after), "\n"), strings.Count(string(before), "\n")+1, "no line more or less")
	assert.Regexp(t, `constant = "0\.20\d\d V·s/rad ± \d[.\d]* %, measured \(learned \d{4}-\d\d-\d\d from [0-9a-f]{8}\)"`, string(after))

	code, stdout, _ = run("profile", "list", "petrel")
	assert.Zero(t, code)
	assert.Contains(t, unwrapped(stdout), "learned 1 value from typed.csv (")
	code, stdout, stderr = run("learn", "petrel", typed)
	assert.Equal(t, exitInput, code, stdout)
	assert.Contains(t, unwrapped(stderr), "has learned from these readings already")
	again := outingOf(t).Run(t)
	again.Provenance.Clock = "2026-07-01T08:00:00Z"
	var text bytes.Buffer
	require.NoError(t, record.Write(&text, again))
	other := keepText(t, folder, "other.csv", text.Bytes())
	code, stdout, stderr = run("learn", "petrel", other)
	assert.Equal(t, exitInput, code, stdout)
	assert.Contains(t, unwrapped(stderr), "other.csv: ")
	assert.Contains(t, unwrapped(stderr), "has learned from these readings already")
}

// TestNothingIsLearnedFromBadRecords: one sentence each, and nothing is written.
func TestNothingIsLearnedFromBadRecords(t *testing.T) {
	folder, run := learningBook(t)
	o := outingOf(t)
	o.Every = 150
	boatFile := filepath.Join(folder, "book", "petrel", "boat.toml")
	before, err := os.ReadFile(boatFile)
	require.NoError(t, err)
	for want, change := range map[string]func(*record.Run){
		"it is a record of bracken, not of petrel":  func(r *record.Run) { r.Boat = "bracken" },
		"it was made with other settings":           func(r *record.Run) { r.Provenance.Settings = "0123456789abcdef" },
		"neither motor current nor battery current": func(r *record.Run) { r.Traces = r.Traces[:2] },
		"it has 3 rows: 6 are the fewest to learn from": func(r *record.Run) {
			r.Time = r.Time[:3]
			for i := range r.Traces {
				r.Traces[i].Values = r.Traces[i].Values[:3]
			}
		},
	} {
		r := o.Run(t)
		change(r)
		var text bytes.Buffer
		require.NoError(t, record.Write(&text, r))
		bad := keepText(t, folder, "bad.csv", text.Bytes())
		for _, args := range [][]string{{"learn", "petrel", bad, "--write"}, {"compare", "petrel", bad}} {
			code, stdout, stderr := run(args...)
			assert.Equal(t, exitInput, code, want)
			assert.Empty(t, stdout)
			assert.Contains(t, unwrapped(stderr), want)
		}
	}
	raw := keepText(t, folder, "raw.csv", []byte("time;volts\n0;53,1\n"))
	code, _, stderr := run("compare", "petrel", raw)
	assert.Equal(t, exitInput, code)
	assert.Contains(t, unwrapped(stderr), "it does not look like a record: `quaybench readings petrel "+raw+"` makes one")
	after, err := os.ReadFile(boatFile)
	require.NoError(t, err)
	assert.Equal(t, string(before), string(after))
	code, stdout, _ := run("profile", "list", "petrel")
	assert.Zero(t, code)
	assert.Contains(t, stdout, "nothing is saved yet")
}

// TestWhatNextKnowsTheScripts: the shipped scripts that run a step test stand among the tests, with the meters at hand.
func TestWhatNextKnowsTheScripts(t *testing.T) {
	benchtest.Computes(t)
	_, run := learningBook(t)
	code, stdout, stderr := run("learn", "petrel", "--next", "--meters", "voltage,thermometer", "--json")
	require.Zero(t, code, stderr)
	var told struct {
		Tests []struct {
			Trial   string
			Minutes float64
			Verdict string
			By      float64 `json:"narrows_by"`
		}
		Half float64 `json:"half_width"`
	}
	require.NoError(t, json.Unmarshal([]byte(stdout), &told))
	found := map[string]float64{}
	for _, k := range told.Tests {
		found[k.Trial] = k.Minutes
		assert.InDelta(t, 0, max(0, k.By-told.Half), 1e-9)
	}
	folders, err := filepath.Glob("../../scripts/*/main.go")
	require.NoError(t, err)
	for _, f := range folders {
		text, err := os.ReadFile(f)
		require.NoError(t, err)
		name := "scripts/" + filepath.Base(filepath.Dir(f))
		if bytes.Contains(text, []byte(".Step(")) && name != "scripts/everyday" { // that shows how things are done
			assert.Contains(t, found, name)
		}
	}
	assert.InDelta(t, 1.1, found["scripts/staircase"], 1e-9, "66 s")
	code, _, stderr = run("learn", "petrel", "--meters", "voltage", "a.csv")
	assert.Equal(t, exitInput, code)
	assert.Contains(t, unwrapped(stderr), "--meters goes with --next")
}

// TestASessionLearns: what learn, compare, drift, sheet and --next do, a session does too, with the files that its command line names and those that the book keeps.
func TestASessionLearns(t *testing.T) {
	folder, _ := learningBook(t)
	o := outingOf(t)
	o.Every, o.Clock = 120, "2026-05-01T10:00:00Z"
	first := keepText(t, folder, "first.csv", o.Text(t))
	o.Seed, o.Clock = 4, "2026-05-08T10:00:00Z"
	second := keepText(t, folder, "second.csv", o.Text(t))
	lines := `boat.Args
boat.Compare(boat.Args[0])
l, err := boat.Learn(boat.Args...)
l
fmt.Print(l.Summary())
d, err := boat.Drift(boat.Args...)
d
fmt.Print(d.Summary())
boat.Sheet("harbour", "voltage")
`
	var out, wrong bytes.Buffer
	y := &yard{t: t}
	sys := y.system()
	sys.In, sys.Out, sys.Err = strings.NewReader(lines), &out, &wrong
	code := run(t.Context(), []string{"--book", filepath.Join(folder, "book"), "repl", "petrel", first, second}, sys)
	assert.Zero(t, code, wrong.String())
	for _, wanted := range []string{
		"first.csv", "agrees with the prediction", "what became of the margins", "margin of the commutator in hot-restart",
		"drift over 2 records", "nothing moved beyond chance over 2 records", "sheet for harbour",
	} {
		assert.Contains(t, unwrapped(out.String()), wanted)
	}
}
