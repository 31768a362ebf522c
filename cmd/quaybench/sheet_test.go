package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/record"
)

// TestSheet: the form says what to do, what to read with what, the band, when to stop; its table comes back as a record in the book that can be compared.
func TestSheet(t *testing.T) {
	benchtest.Computes(t)
	folder, run := learningBook(t)
	t.Chdir(folder)
	text := "name = \"pier\"\nduration = \"150 s\"\n" // short: each sheet is simulated for each value that is not known
	for i, lever := range []int{40, 80, 60, -40, 50, 0} {
		text += fmt.Sprintf("[[throttle]]\nat = \"%d s\"\nto = \"%d %%\"\nover = \"1 s\"\n", 2+22*i, lever)
	}
	keepText(t, folder, "pier.toml", []byte(text))
	code, stdout, stderr := run("sheet", "petrel", "--trial", "pier.toml", "--csv", "blank.csv", "--report", "sheet.pdf")
	require.Zero(t, code, stderr)
	for _, want := range []string{
		"lever to 40 % over 1.0 s", "read; expected", "________", "battery current passes -100 A or 160 A: beyond what the battery's management or fuse bears",
		"motor current in A: clamp meter round one motor cable", "A simulation is no proof of safety.", "wrote blank.csv", "wrote sheet.pdf",
	} {
		assert.Contains(t, unwrapped(stdout), want)
	}
	pdf, err := os.ReadFile("sheet.pdf")
	require.NoError(t, err)
	assert.True(t, strings.HasPrefix(string(pdf), "%PDF"))
	code, page, _ := run("sheet", "petrel", "--trial", "pier.toml", "--report", "-")
	require.Zero(t, code)
	assert.Contains(t, page, "________")
	assert.Contains(t, page, "<html")

	code, stdout, _ = run("sheet", "petrel", "--trial", "pier.toml", "--json")
	require.Zero(t, code)
	var out struct {
		Rows []struct {
			Do   string
			Read []struct {
				Meter                string
				Predicted, Low, High float64
			}
		}
	}
	require.NoError(t, json.Unmarshal([]byte(stdout), &out))
	blank, err := os.ReadFile("blank.csv")
	require.NoError(t, err)
	lines := strings.Split(strings.TrimSpace(string(blank)), "\n")
	assert.Equal(t, "time [s],lever [%],voltage [V],battery_current [A],motor_current [A],boat_speed [km/h],motor housing [°C]", lines[0])
	at := 1
	for _, row := range out.Rows {
		if row.Do != "read" {
			continue
		}
		cells := strings.Split(lines[at], ",")
		for _, r := range row.Read {
			assert.Less(t, r.Low, r.Predicted)
			assert.Less(t, r.Predicted, r.High)
			switch r.Meter {
			case "voltage":
				cells[2] = "53.2"
			case "battery_current":
				cells[3] = "12"
			}
		}
		lines[at] = strings.Join(cells, ",")
		at++
	}
	require.Len(t, lines, at, "a row of the table for each reading")
	keepText(t, folder, "filled.csv", []byte(strings.Join(lines, "\n")+"\n"))
	code, stdout, stderr = run("sheet", "petrel", "--trial", "pier.toml", "--fill", "filled.csv")
	require.Zero(t, code, stderr)
	assert.Contains(t, unwrapped(stdout), "byte for byte: filled.record.csv (")
	r := recordOf(t, "filled.record.csv")
	assert.Equal(t, "petrel", r.Boat)
	assert.Contains(t, r.Provenance.Program, `name = "pier"`)
	v, ok := r.Trace(record.Voltage)
	require.True(t, ok)
	assert.InDelta(t, 53.2, v.Values[3], 1e-9)
	code, stdout, stderr = run("compare", "petrel", "filled.record.csv")
	require.Zero(t, code, stderr)
	assert.Contains(t, unwrapped(stdout), "battery current")

	for want, args := range map[string][]string{
		"name the trial to read":           {"sheet", "petrel"},
		"nobody reads \"duty\" by hand":    {"sheet", "petrel", "--trial", "pier.toml", "--meters", "duty"},
		"cannot be read":                   {"sheet", "petrel", "--trial", "pier.toml", "--fill", "nosuch.csv"},
		"one at a time":                    {"sheet", "petrel", "--trial", "pier.toml", "--fill", "filled.csv", "--csv", "x.csv"},
		"0 of 7 rows have a reading":       {"sheet", "petrel", "--trial", "pier.toml", "--fill", "blank.csv"},
		"write 2026-05-01":                 {"sheet", "petrel", "--trial", "pier.toml", "--fill", "filled.csv", "--record", "y.csv", "--date", "May"},
		"is it the sheet of another trial": {"sheet", "petrel", "--trial", "hot-day", "--fill", "filled.csv", "--record", "y.csv"},
		"still to come":                    {"sheet", "petrel", "--trial", "pier.toml", "--fill", "filled.csv", "--record", "y.csv", "--date", "2999-01-01"},
	} {
		code, _, stderr := run(args...)
		assert.Equal(t, exitInput, code, want)
		assert.Contains(t, unwrapped(stderr), want)
	}
}

// TestSheetIsTyped: the answers are asked for row by row; what is no number is asked for again.
func TestSheetIsTyped(t *testing.T) {
	inBubble(t, func(y *yard) {
		file := filepath.Join(y.home, "typed.csv")
		code, stdout, stderr := y.run("53,2 7\nback\n53,2 2\n5\nx 3\n52.9 9,5\n- 20\nend\n", "sheet", "petrel", "--trial", "harbour", "--meters", "voltage,battery_current", "--fill", "-", "--record", file,
			"--date", "1999-05-01 14:30")
		require.Zero(y.t, code, stdout+stderr)
		assert.Contains(y.t, unwrapped(stdout), "That is 1 number, and 2 are asked for. Type all of them")
		assert.Contains(y.t, stdout, `"x" is no number`)
		r := recordOf(y.t, file)
		v, _ := r.Trace(record.Voltage)
		i, _ := r.Trace(record.BatteryCurrent)
		assert.Equal(y.t, []float64{53.2, 52.9}, v.Values[:2])
		assert.Equal(y.t, []float64{2, 9.5, 20}, i.Values[:3])
		assert.NotEqual(y.t, v.Values[2], v.Values[2], "a dash is no reading")
		assert.True(y.t, strings.HasPrefix(r.Provenance.Clock, "1999-05-01T14:30:00"), r.Provenance.Clock)
		code, stdout, stderr = y.run("", "sheet", "petrel", "--trial", "harbour", "--fill", "-", "--record", file)
		assert.Equal(y.t, exitInput, code)
		assert.Contains(y.t, stderr, "exists already")
		assert.NotContains(y.t, stdout, "Type what was read", "that is said before anything is typed")
	})
}

// TestSheetOfSettings: what a controller's own software shows is typed in and journalled; what differs is told, with exit code 1.
func TestSheetOfSettings(t *testing.T) {
	folder, run := learningBook(t)
	t.Chdir(folder)
	code, stdout, stderr := run("sheet", "petrel", "--settings", "--csv", "type.csv")
	require.Zero(t, code, stderr)
	assert.Regexp(t, `limits.motor_current +140 A +____________`, stdout)
	text, err := os.ReadFile("type.csv")
	require.NoError(t, err)
	assert.Contains(t, string(text), "setting,value,after\nlimits.motor_current,140 A,\n")
	fill := func(shown string) string {
		return keepText(t, folder, "shown.csv", []byte(strings.Replace(string(text), "limits.motor_current,140 A,\n", "limits.motor_current,140 A,"+shown+"\n", 1)))
	}
	code, stdout, stderr = run("sheet", "petrel", "--settings", "--fill", fill("140 A"))
	require.Zero(t, code, stderr)
	assert.Contains(t, unwrapped(stdout), "1 setting typed in; the journal of petrel knows them now")
	code, stdout, _ = run("sheet", "petrel", "--settings", "--fill", fill("150 A"))
	assert.Equal(t, exitOther, code)
	assert.Contains(t, unwrapped(stdout), "differs: limits.motor_current: the controller shows 150 A, the file says 140 A")
	code, stdout, _ = run("controller", "journal", "petrel")
	require.Zero(t, code)
	assert.Regexp(t, `limits.motor_current +150 A`, stdout)
	assert.Contains(t, unwrapped(stdout), "typed in")
	for want, shown := range map[string]string{"no blank of it is filled in": "", "limits.motor_current": "150"} {
		code, _, stderr := run("sheet", "petrel", "--settings", "--fill", fill(shown))
		assert.Equal(t, exitInput, code, want)
		assert.Contains(t, unwrapped(stderr), want)
	}
}

// TestNoSheetOfExamples: while values are still the example's there is no sheet and no test to make next, since their numbers are another boat's; --example makes one that says so.
func TestNoSheetOfExamples(t *testing.T) {
	benchtest.Computes(t)
	_, run := learningBook(t)
	code, _, stderr := run("new", "heron")
	require.Zero(t, code, stderr)
	for _, args := range [][]string{{"sheet", "heron", "--trial", "harbour"}, {"sheet", "heron", "--settings"}, {"learn", "heron", "--next"}} {
		code, stdout, stderr := run(args...)
		assert.Equal(t, exitNotJudged, code, args)
		assert.Empty(t, stdout)
		assert.Contains(t, unwrapped(stderr), "values are still the example's")
	}
	code, stdout, stderr := run("sheet", "heron", "--trial", "harbour", "--meters", "voltage", "--example")
	assert.Zero(t, code, stderr)
	assert.Contains(t, unwrapped(stdout), "mind: The numbers are not this boat's: 54 values are still the example's")
}

// TestAReadingOutsideItsBandIsNamed: a slip of the pen, as a point left out, is said at once, whatever meters the sheet had; one that lies in the band is not.
func TestAReadingOutsideItsBandIsNamed(t *testing.T) {
	folder, run := learningBook(t)
	t.Chdir(folder)
	code, stdout, stderr := run("sheet", "petrel", "--trial", "full-throttle", "--meters", "voltage,battery_current,motor_speed", "--json")
	require.Zero(t, code, stderr)
	var sheet struct {
		Rows []struct {
			At    float64 `json:"at_s"`
			Lever float64 `json:"lever"`
			Read  []struct {
				Predicted float64 `json:"predicted"`
			} `json:"read"`
		} `json:"rows"`
	}
	require.NoError(t, json.Unmarshal([]byte(stdout), &sheet))
	table, n := "time [s],lever [%],voltage [V],battery_current [A],motor_speed [rpm]\n", 0
	for _, r := range sheet.Rows {
		if len(r.Read) == 0 {
			continue
		}
		speed := r.Read[2].Predicted * 30 / math.Pi
		if n++; n == 5 {
			speed /= 10
		}
		table += fmt.Sprintf("%g,%g,%.2f,%.1f,%.0f\n", r.At, 100*r.Lever, r.Read[0].Predicted, r.Read[1].Predicted, speed)
	}
	keepText(t, folder, "filled.csv", []byte(table))
	code, stdout, stderr = run("sheet", "petrel", "--trial", "full-throttle", "--fill", "filled.csv", "--record", "r.csv", "--json")
	require.Zero(t, code, stderr)
	var out struct {
		Files []struct {
			Remarks []string `json:"second_look"`
		} `json:"files"`
	}
	require.NoError(t, json.Unmarshal([]byte(stdout), &out))
	require.Len(t, out.Files[0].Remarks, 1)
	assert.Contains(t, out.Files[0].Remarks[0], "motor speed is 13")
	assert.Contains(t, out.Files[0].Remarks[0], "outside the band of")
}
