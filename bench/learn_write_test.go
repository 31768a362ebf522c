package bench_test

import (
	"bytes"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/benchtest"
	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/learn"
	"quaybench/bench/learn/learntest"
	"quaybench/bench/record"
	"quaybench/bench/trial"
)

// learnedOf returns what two invented records told of values of a boat, as WriteLearned takes it.
func learnedOf(values ...learn.Value) *bench.Learned {
	return &bench.Learned{Agreement: math.NaN(), Result: &learn.Result{Doubt: 1, Values: values, Records: []learn.Used{{Name: "a.csv", Hash: "0a1b2c3d"}, {Name: "b.csv", Hash: "99887766"}}}}
}

var sixth = time.Date(2026, 6, 14, 15, 0, 0, 0, time.UTC)

// constant is a told value of petrel, and factor a told factor on a column of a table.
var (
	constant = learn.Value{Key: "motor.constant", Unit: "V·s/rad", Before: 0.20, After: 0.20864, Low: 0.2045, High: 0.2128, Told: true, Width: 0.5}
	factor   = learn.Value{Key: "hull.speed_power", Unit: "1", Factor: true, Table: "hull.speed_power", Columns: []int{1}, Before: 1, After: 1.1, Low: 1.04, High: 1.16, Told: true}
	untold   = learn.Value{Key: "motor.resistance", Unit: "Ω", Before: 0.014, After: 0.0141, Low: 0.0128, High: 0.0155, Width: 0.97}
	leftOut  = learn.Value{Key: "motor.housing_to_air", Unit: "K/W", Before: 0.2, After: 0.25, Low: 0.22, High: 0.28, Told: true}
)

// TestWriteLearned: the told values stand in the file with date, tolerance and hashes; every other line, comment and the order stay.
func TestWriteLearned(t *testing.T) {
	text := benchtest.File(t, "petrel", "boat.toml")
	out, err := bench.WriteLearned("boat.toml", text, learnedOf(constant, factor, untold), sixth)
	require.NoError(t, err)
	before, after := strings.Split(string(text), "\n"), strings.Split(string(out), "\n")
	require.Len(t, after, len(before))
	changed := map[string]string{}
	for i := range before {
		if before[i] != after[i] {
			changed[before[i]] = after[i]
		}
	}
	assert.Equal(t, map[string]string{
		`constant = "0.20 V·s/rad ± 5 %, data sheet"`: `constant = "0.2086 V·s/rad ± 2 %, measured (learned 2026-06-14 from 0a1b2c3d 99887766)"`,
		`speed_power = [["1.5 m/s", "420 W"], ["2.1 m/s", "1.15 kW"], ["2.6 m/s", "2.4 kW"], ["3.0 m/s", "4.6 kW"], ["3.3 m/s", "8.2 kW"]]  # measured`: `speed_power = [["1.5 m/s", "462.0 W"], ["2.1 m/s", "1.265 kW"], ["2.6 m/s", "2.640 kW"], ["3.0 m/s", "5.060 kW"], ["3.3 m/s", "9.020 kW"]]  # measured (learned 2026-06-14 from 0a1b2c3d 99887766)`,
	}, changed)

	b, _, err := boat.Read("boat.toml", out)
	require.NoError(t, err)
	assert.InEpsilon(t, 0.2086, b.Motor.Constant.SI, 1e-9)
	assert.InEpsilon(t, 0.02, b.Motor.Constant.Tolerance/b.Motor.Constant.SI, 0.02)
	assert.InEpsilon(t, 2640, b.Hull.SpeedPower[2][1], 1e-9)

	again, err := bench.WriteLearned("boat.toml", out, learnedOf(constant), sixth.AddDate(0, 0, 1))
	require.NoError(t, err)
	assert.Equal(t, `constant = "0.2086 V·s/rad ± 2 %, measured (learned 2026-06-15 from 0a1b2c3d 99887766)"`, lineOf(again, "constant"), "one origin, the latest")
}

// TestWriteLearnedKeepsTheFilesUnits: a speed in km/h, knots or rpm came back in m/s and rad/s, which no meter on board shows.
func TestWriteLearnedKeepsTheFilesUnits(t *testing.T) {
	speed := learn.Value{Key: "propeller.measured_boat_speed", Unit: "m/s", After: 2.5, Low: 2.4, High: 2.6, Told: true}
	turns := learn.Value{Key: "propeller.measured_speed", Unit: "rad/s", After: 100, Low: 99, High: 101, Told: true}
	for was, is := range map[string]string{
		`measured_boat_speed = "9 km/h, measured"`: `measured_boat_speed = "9.000 km/h ± 4 %,`, `measured_boat_speed = "5 kn"`: `measured_boat_speed = "4.860 kn ± 4 %,`,
		`measured_boat_speed = "2.6 m/s"`: `measured_boat_speed = "2.500 m/s ± 4 %,`, `measured_speed = "900 rpm"`: `measured_speed = "954.9 rpm ± 1 %,`,
		`measured_speed = "900 1/min"`: `measured_speed = "954.9 rpm ± 1 %,`,
	} {
		key, _, _ := strings.Cut(was, " ")
		text := regexp.MustCompile(`(?m)^`+key+` = .*$`).ReplaceAll(benchtest.File(t, "petrel", "boat.toml"), []byte(was))
		require.Contains(t, string(text), was)
		out, err := bench.WriteLearned("boat.toml", text, learnedOf(speed, turns), sixth)
		require.NoError(t, err)
		assert.Contains(t, lineOf(out, key), is, was)
	}
}

// TestWriteLearnedOfALeftOutKey puts the key into its table.
func TestWriteLearnedOfALeftOutKey(t *testing.T) {
	out, err := bench.WriteLearned("boat.toml", benchtest.File(t, "petrel", "boat.toml"), learnedOf(leftOut), sixth)
	require.NoError(t, err)
	b, _, err := boat.Read("boat.toml", out)
	require.NoError(t, err)
	assert.InEpsilon(t, 0.25, b.Motor.HousingToAir.SI, 1e-9)
	short := learn.Value{Key: "stage.switching_time", Unit: "s", Before: 3e-7, After: 2.946e-7, Low: 2.4e-7, High: 3.5e-7, Told: true}
	brief, err := bench.WriteLearned("boat.toml", out, learnedOf(short), sixth)
	require.NoError(t, err)
	assert.Contains(t, lineOf(brief, "switching_time"), `"294.6 ns ± 19 %, measured`, "in a unit that a person reads")
	assert.Equal(t, `housing_to_air = "0.2500 K/W ± 12 %, measured (learned 2026-06-14 from 0a1b2c3d 99887766)"`, lineOf(out, "housing_to_air"))
}

// TestWriteLearnedOfALeftOutTable writes the table that follows from the chemistry, scaled.
func TestWriteLearnedOfALeftOutTable(t *testing.T) {
	text := benchtest.File(t, "petrel", "boat.toml")
	bare := regexp.MustCompile(`(?s)\nocv = \[.*?\n\]`).ReplaceAll(text, nil)
	before, _, err := boat.Read("boat.toml", bare)
	require.NoError(t, err)
	require.Empty(t, before.Battery.OCV)
	ocv := learn.Value{Key: "battery.ocv", Unit: "1", Factor: true, Table: "battery.ocv", Columns: []int{1}, Before: 1, After: 1.004, Low: 1.001, High: 1.007, Told: true}
	out, err := bench.WriteLearned("boat.toml", bare, learnedOf(ocv), sixth)
	require.NoError(t, err)
	after, _, err := boat.Read("boat.toml", out)
	require.NoError(t, err)
	own := drive.TableOf(before, "battery.ocv")
	require.Len(t, after.Battery.OCV, len(own))
	for i, row := range own {
		assert.InDelta(t, row[0], after.Battery.OCV[i][0], 1e-6)
		assert.InEpsilon(t, 1.004*row[1], after.Battery.OCV[i][1], 1e-3)
	}
	assert.Contains(t, lineOf(out, "ocv"), "# measured (learned 2026-06-14 from")
}

// TestWriteLearnedOfPractice calls what a simulated controller showed estimated, never measured.
func TestWriteLearnedOfPractice(t *testing.T) {
	l := learnedOf(constant)
	l.Practice = true
	out, err := bench.WriteLearned("boat.toml", benchtest.File(t, "petrel", "boat.toml"), l, sixth)
	require.NoError(t, err)
	assert.Contains(t, string(out), "± 2 %, estimated (learned 2026-06-14")
}

// TestWhichValuesCount: what makes a part cooler waits for a record that was held out and agrees; nothing counts while the boat is in doubt or a cause is named.
func TestWhichValuesCount(t *testing.T) {
	cooler := func(agreement float64) *bench.Learned {
		l := learnedOf(constant)
		l.Cooler, l.Agreement = []string{"motor.constant"}, agreement
		return l
	}
	doubt := learnedOf(constant)
	doubt.Doubt = 0.001
	named := learnedOf(constant)
	named.Suspects = []learn.Suspect{{Cause: "propeller fouled", Score: 5}}
	for why, l := range map[string]*bench.Learned{
		"": learnedOf(constant), "cannot tell": learnedOf(untold),
		"give a second record":                      cooler(math.NaN()),
		"the last record does not agree":            cooler(0.004),
		"the records do not fit the boat":           doubt,
		"do not fit the boat: find the cause first": named,
	} {
		ok, got := l.Counts(&l.Values[0])
		assert.Equal(t, why == "", ok, why)
		assert.Contains(t, got, why)
		text := benchtest.File(t, "petrel", "boat.toml")
		out, err := bench.WriteLearned("boat.toml", text, l, sixth)
		require.NoError(t, err)
		assert.Equal(t, ok, string(out) != string(text), why)
	}
	agreed := cooler(0.2)
	ok, _ := agreed.Counts(&agreed.Values[0])
	assert.True(t, ok, "a held-out record agrees")
}

// TestWriteLearnedBadFile: a file that is no boat file is left as it is, with a sentence.
func TestWriteLearnedBadFile(t *testing.T) {
	_, err := bench.WriteLearned("boat.toml", []byte("name = \n"), learnedOf(constant), sixth)
	require.Error(t, err)
	_, err = bench.WriteLearned("boat.toml", []byte(strings.Replace(string(benchtest.File(t, "petrel", "boat.toml")), "speed_power", "resistance", 1)), learnedOf(factor), sixth)
	require.Error(t, err)
}

// lineOf returns the first line of a text that begins so.
func lineOf(text []byte, prefix string) string {
	for line := range strings.Lines(string(text)) {
		if strings.HasPrefix(line, prefix) {
			return strings.TrimRight(line, "\n")
		}
	}
	return "no line begins with " + prefix
}

// TestScaleColumns multiplies columns of a table in the units that stand there, and leaves the rest of the file.
func TestScaleColumns(t *testing.T) {
	_, source, err := boat.Read("boat.toml", benchtest.File(t, "petrel", "boat.toml"))
	require.NoError(t, err)
	out, err := source.ScaleColumns("battery.polarisation", map[int]float64{0: 2, 1: 0.5}, "learned")
	require.NoError(t, err)
	assert.Equal(t, `polarisation = [["6.000 mΩ", "15.00 s"], ["4.000 mΩ", "300.0 s"]]  # learned`, lineOf(out, "polarisation"))
	out, err = source.ScaleColumns("battery.ocv", map[int]float64{1: 1.01}, "")
	require.NoError(t, err)
	assert.Contains(t, lineOf(out, `  ["0 %"`), `["0 %", "2.727 V"]`)
	assert.Equal(t, "]  # data sheet", lineOf(out, "]  #"), "without a note the comment stays")
	for key, columns := range map[string]map[int]float64{"motor.constant": {0: 2}, "hull.speed_power": {2: 2}, "no.such": {0: 1}, "battery.ocv": {1: -1}} {
		_, err := source.ScaleColumns(key, columns, "")
		assert.Error(t, err, key)
	}
}

func textOf(t *testing.T, r *record.Run) []byte {
	var text bytes.Buffer
	require.NoError(t, record.Write(&text, r))
	return text.Bytes()
}

// cut leaves the first rows of a run.
func cut(r *record.Run, rows int) {
	r.Time = r.Time[:rows]
	for i := range r.Traces {
		r.Traces[i].Values = r.Traces[i].Values[:rows]
	}
}

// TestRecordsThatNothingIsLearnedFrom: each is refused with one sentence that names the record.
func TestRecordsThatNothingIsLearnedFrom(t *testing.T) {
	s := drawnFew(t, "petrel")
	good := learntest.Outing{Boat: s.Boat, Settings: s.Settings}
	run := good.Run(t)
	text := func(change func(*record.Run)) []byte {
		c := *run
		c.Traces = append([]record.Trace(nil), run.Traces...)
		change(&c)
		return textOf(t, &c)
	}
	r, err := bench.ReadRecord(s, "a.csv", text(func(*record.Run) {}), nil)
	require.NoError(t, err)
	assert.Len(t, r.Hash, 8)
	for want, change := range map[string]func(*record.Run){
		"it is a record of bracken, not of petrel":      func(r *record.Run) { r.Boat = "bracken" },
		"it was made with other settings (abc123)":      func(r *record.Run) { r.Provenance.Settings = "abc123" },
		"it is a simulation: nothing was measured":      func(r *record.Run) { r.Provenance.Source = "simulation" },
		"neither motor current nor battery current":     func(r *record.Run) { r.Traces = r.Traces[:1] },
		"it has 3 rows: 6 are the fewest to learn from": func(r *record.Run) { cut(r, 3) },
		"does not hold its programme":                   func(r *record.Run) { r.Provenance.Program = "" },
		"its programme has a fouled propeller": func(r *record.Run) {
			r.Provenance.Program = strings.Replace(r.Provenance.Program, "load = \"normal\"", "load = \"fouled\"", 1)
		},
	} {
		_, err := bench.ReadRecord(s, "a.csv", text(change), nil)
		var bad *bench.RecordError
		if assert.ErrorAs(t, err, &bad, want) {
			assert.ErrorContains(t, err, want)
			assert.NotContains(t, err.Error(), "\n")
			assert.True(t, strings.HasPrefix(err.Error(), "a.csv: "))
		}
	}
	outing, err := trial.Builtin("two-hour-outing")
	require.NoError(t, err)
	_, err = bench.ReadRecord(s, "a.csv", text(func(r *record.Run) { r.Provenance.Program = "" }), outing)
	assert.NoError(t, err, "the trial is named")
}
