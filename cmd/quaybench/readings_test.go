package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/record"
)

// TestReadingsAreKept: the bytes that the logger wrote are in the book, in an export and under verify; nothing is kept with --dry-run.
func TestReadingsAreKept(t *testing.T) {
	folder, run := learningBook(t)
	original, err := os.ReadFile("../../bench/readings/testdata/strangers/02-ampm.csv")
	require.NoError(t, err)
	t.Chdir(folder)
	log := keepText(t, folder, "log.csv", original)
	code, stdout, stderr := run("readings", "petrel", log, "--dry-run")
	require.Zero(t, code, stderr)
	assert.Contains(t, unwrapped(stdout), `"SOG (kn)" is speed_over_ground in kn, ± 0.97 kn (the water's own speed is in it, taken as up to 0.5 m/s; two opposite runs are surer)`)
	assert.Contains(t, unwrapped(stdout), "nothing was kept (--dry-run)")
	assert.NoFileExists(t, "log.record.csv")

	code, stdout, stderr = run("readings", "petrel", log, "--meter", "battery_current=± 2 % ± 3 A", "--charge", "90 %", "--report", "log.html")
	require.Zero(t, code, stderr)
	paper, err := os.ReadFile("log.html")
	require.NoError(t, err)
	assert.Contains(t, string(paper), "What was understood of")
	assert.Contains(t, string(paper), "<svg")
	assert.Contains(t, unwrapped(stdout), "byte for byte: log.record.csv (")
	r := recordOf(t, "log.record.csv")
	tr, _ := r.Trace(record.BatteryCurrent)
	assert.Equal(t, &record.Meter{Gain: 0.02, Offset: 3}, tr.Meter)

	code, _, stderr = run("profile", "export", "petrel", "petrel.quaybook")
	require.Zero(t, code, stderr)
	export, err := os.ReadFile("petrel.quaybook")
	require.NoError(t, err)
	assert.True(t, bytes.Contains(export, original), "the original bytes are in the export")
	code, _, _ = run("profile", "verify", "petrel")
	assert.Zero(t, code)
	code, stdout, _ = run("profile", "show", "petrel", "head")
	assert.Zero(t, code)
	assert.Contains(t, unwrapped(stdout), "measured on the boat as this version has it")
	found := 0
	require.NoError(t, filepath.WalkDir(filepath.Join(folder, "book"), func(path string, e os.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			if text, _ := os.ReadFile(path); bytes.Equal(text, original) {
				found++
				require.NoError(t, os.Chmod(path, 0o644))
				require.NoError(t, os.WriteFile(path, append([]byte("x"), original...), 0o644))
			}
		}
		return nil
	}))
	assert.Equal(t, 1, found)
	code, stdout, stderr = run("profile", "verify", "petrel")
	assert.Equal(t, exitOther, code, "changed bytes are found")
	assert.Contains(t, stdout+stderr, "its content is not what was saved")
}

func recordOf(t *testing.T, name string) *record.Run {
	t.Helper()
	text, err := os.ReadFile(name)
	require.NoError(t, err)
	r, err := record.Read(name, bytes.NewReader(text))
	require.NoError(t, err)
	return r
}

// TestSeveralReadings: two loggers become one record, the second one's clock moved by hand.
func TestSeveralReadings(t *testing.T) {
	folder, run := learningBook(t)
	t.Chdir(folder)
	var a, b strings.Builder
	a.WriteString("time [s],voltage [V],battery current [A]\n")
	b.WriteString("time [s];boat speed [km/h]\n")
	for _, at := range []string{"0", "10", "20", "30", "40", "50"} {
		a.WriteString(at + ",52.1,20\n")
		b.WriteString("1" + fmt.Sprintf("%02s", at) + ";9\n") // 100 s ahead
	}
	keepText(t, folder, "a.csv", []byte(a.String()))
	keepText(t, folder, "b.csv", []byte(b.String()))
	code, _, refused := run("readings", "petrel", "a.csv", "--record", "-", "--json")
	assert.Equal(t, exitInput, code)
	assert.Contains(t, refused, "a record needs a file")
	code, stdout, stderr := run("readings", "petrel", "a.csv", "b.csv", "--shift", "0 s", "--shift", "-100 s", "--record", "both.csv", "--json")
	require.Zero(t, code, stderr)
	var out struct {
		Files []struct{ Rows int }
		Kept  []string
	}
	require.NoError(t, json.Unmarshal([]byte(stdout), &out))
	assert.Equal(t, 6, out.Files[1].Rows)
	r := recordOf(t, "both.csv")
	speed, ok := r.Trace(record.BoatSpeed)
	require.True(t, ok)
	assert.InDelta(t, 10, r.Time[1], 1e-9)
	assert.InDelta(t, 2.5, speed.Values[1], 1e-3)
}

// TestEveryUnitIsSaid: a meter's error is read, and said, in whatever unit a column has.
func TestEveryUnitIsSaid(t *testing.T) {
	folder, run := learningBook(t)
	t.Chdir(folder)
	for _, k := range []struct{ header, is, off, said string }{
		{"SOG mph", "", "", "± 0.50 m/s"},
		{"SOG mph", "speed_over_ground", "± 2 mph", "± 0.89 m/s"},
		{"motor speed [Hz]", "motor_speed", "± 1 Hz", "± 6.3 rad/s"},
		{"motor speed [1/s]", "motor_speed", "± 0.1 rad/s", "± 0.10 rad/s"},
		{"motor speed [1/min]", "motor_speed", "± 30 1/min", "± 30 rpm"},
		{"motor speed [1/min]", "motor_speed", "± 2 % ± 30 rpm", "± 2 % ± 30 rpm"},
		{"motor housing [°F]", "motor housing", "± 9 °F", "± 5.0 K"},
		{"motor housing [°C]", "motor housing", "± 2 K", "± 2.0 K"},
		{"boat speed [kn]", "boat_speed", "± 0.2 kn", "± 0.20 kn"},
	} {
		keepText(t, folder, "a.csv", []byte("time [s],battery current [A],"+k.header+"\n0,10,70\n10,10,70\n20,10,71\n"))
		args := []string{"readings", "petrel", "a.csv", "--dry-run"}
		if k.off != "" {
			args = append(args, "--meter", k.is+"="+k.off)
		}
		code, stdout, stderr := run(args...)
		assert.Zero(t, code, k.header+stderr)
		assert.Contains(t, strings.Join(strings.Fields(stdout), " "), k.said, k.header+k.off)
	}
}

// TestPiecesOfOneLog: a log in two files of the same columns is one record, all of it.
func TestPiecesOfOneLog(t *testing.T) {
	folder, run := learningBook(t)
	t.Chdir(folder)
	const head = "time,voltage [V],battery current [A],lever [%]\n"
	keepText(t, folder, "a.csv", []byte(head+"2026-10-25 02:59:20,52,1,0\n2026-10-25 02:59:40,52,2,10\n"))
	keepText(t, folder, "b.csv", []byte(head+"2026-10-25 02:00:00,51,3,20\n2026-10-25 02:00:20,51,4,30\n"))
	code, stdout, stderr := run("readings", "petrel", "a.csv", "b.csv", "--shift", "0 s", "--shift", "1 h", "--record", "both.csv")
	require.Zero(t, code, stderr)
	assert.Contains(t, stdout, `"voltage [V]" is voltage in V`)
	r := recordOf(t, "both.csv")
	assert.Equal(t, []float64{0, 20, 40, 60}, r.Time)
	current, _ := r.Trace(record.BatteryCurrent)
	assert.Equal(t, []float64{1, 2, 3, 4}, current.Values)
	lever, _ := r.Trace(record.Lever)
	assert.InDelta(t, 0.3, lever.Values[3], 1e-9)
}

// TestHostileReadings: what is no record of readings gets one clear error, and nothing is kept.
func TestHostileReadings(t *testing.T) {
	folder, run := learningBook(t)
	t.Chdir(folder)
	const head = "time [s],voltage [V],battery current [A]\n"
	for want, text := range map[string]string{
		"more than the 2000000 rows taken here": head + strings.Repeat("\n", 10_000_000),
		"one column":                            "1\n2\n3\n",
		"fewer than 2 rows of it can be used":   head + "0,NaN,NaN\n1,NaN,NaN\n",
		"holds the formula":                     head + "0,=A1,2\n1,=A2,3\n",
		"NUL byte":                              head + "0,\x00,2\n",
		"time runs backwards in":                head + strings.Repeat("5,1,1\n3,1,1\n9,1,1\n", 30),
	} {
		keepText(t, folder, "bad.csv", []byte(text))
		code, stdout, stderr := run("readings", "petrel", "bad.csv")
		assert.Equal(t, exitInput, code, want)
		assert.Contains(t, unwrapped(stderr), want)
		assert.Equal(t, 1, strings.Count(stderr, "bad.csv: "), "one error")
		assert.Empty(t, stdout)
		assert.NoFileExists(t, "bad.record.csv")
	}
}
