package readings

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/record"
)

// TestForeignFiles reads ten files in ten habits without a columns file. All hold the same invented run, 40 rows 5 s apart, but for what each leaves out.
// They were written by the author of the reader, after it.
func TestForeignFiles(t *testing.T) {
	for _, c := range []struct {
		name, delimiter, decimal, clock string
		traces                          []string
		rows, left, moved               int
	}{
		{"01_plain.csv", "comma", "point", plainSeconds, []string{record.Lever, record.Voltage, record.BatteryCurrent, record.MotorCurrent, record.MotorSpeed}, 40, 0, 0},
		{"02_semicolon_comma_bom.csv", "semicolon", "comma", plainSeconds, []string{record.Voltage, record.BatteryCurrent, record.MotorSpeed}, 40, 0, 0},
		{"03_tabs_unit_row.txt", "tab", "point", clockOfDay, []string{record.Lever, record.Voltage, record.BatteryCurrent}, 40, 0, 0},
		{"04_iso_preamble.csv", "comma", "point", dateAndTime, []string{record.Voltage, record.BatteryCurrent, record.OverGround}, 40, 0, 0},
		{"05_date_time_gaps.csv", "semicolon", "point", dateAndTime, []string{record.Voltage, record.BatteryCurrent, "motor housing"}, 40, 0, 0},
		{"06_newest_first.csv", "comma", "point", plainSeconds, []string{record.Voltage, record.BatteryCurrent}, 40, 0, 39},
		{"07_doubles_disorder.csv", "comma", "point", plainSeconds, []string{record.Voltage, record.BatteryCurrent, record.MotorSpeed}, 40, 1, 1},
		{"08_utf16.txt", "tab", "point", "hours, minutes and seconds", []string{record.Voltage, record.BatteryCurrent}, 40, 0, 0},
		{"09_latin1_thousands.csv", "semicolon", "point", plainSeconds, []string{record.Voltage, record.BatteryCurrent, record.MotorSpeed, "stage_temperature"}, 40, 1, 0},
		{"10_us_times.csv", "comma", "point", dateAndTime, []string{record.Voltage, record.BatteryCurrent, record.BoatSpeed}, 40, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			text, err := os.ReadFile("testdata/foreign/" + c.name)
			require.NoError(t, err)
			u, err := Read(c.name, text, nil, 0)
			require.NoError(t, err)
			assert.Equal(t, c.delimiter, u.Delimiter)
			assert.Equal(t, c.decimal, u.Decimal)
			assert.Equal(t, c.clock, u.Clock)
			var names []string
			for _, tr := range u.Run.Traces {
				names = append(names, tr.Name)
			}
			assert.Equal(t, c.traces, names)
			assert.Equal(t, c.rows, u.Rows)
			assert.Len(t, u.LeftOut, c.left, "%v", u.LeftOut)
			assert.Equal(t, c.moved, u.Moved)
			assert.InDelta(t, 0, u.Run.Time[0], 1e-9)
			assert.InDelta(t, 195, u.Run.Time[len(u.Run.Time)-1], 1e-6)
			v, _ := u.Run.Trace(record.Voltage)
			assert.InDelta(t, 53.39, v.Values[0], 0.006)
			i, _ := u.Run.Trace(record.BatteryCurrent)
			assert.InDelta(t, 35.8, i.Values[30], 0.06)
			if s, ok := u.Run.Trace(record.BoatSpeed); ok {
				assert.InDelta(t, 4.2, s.Values[39], 0.03)
			}
			if s, ok := u.Run.Trace("stage_temperature"); ok {
				assert.InDelta(t, 273.15+24+0.05*195, s.Values[39], 0.06)
			}
		})
	}
}

// TestQuestions: what may mean two things is asked about, with the column's name in the question.
func TestQuestions(t *testing.T) {
	const rows = "\n0,53,10\n5,53,11\n10,53,12\n"
	for text, want := range map[string]string{
		"time [s],voltage [V],current [A]" + rows:                               "battery_current or motor_current?",
		"time [s],voltage,battery current [A]" + rows:                           `"voltage", has no unit`,
		"time,voltage [V],battery current [A]" + rows:                           "plain numbers without a unit",
		"time [s],voltage [A],battery current [A]" + rows:                       "A is a unit of current, and a voltage belongs here",
		"t [s],foo [V],bar [A]" + rows:                                          "no column of it is understood",
		"volts [V],battery amps [A],x [m]" + rows:                               "no column is a time",
		strings.TrimPrefix(rows, "\n"):                                          "no header row",
		"time [s],temp [°C],battery amps [A]" + rows:                            "motor housing?",
		"time [s];volts [V];battery amps [A];batt amps [A]\n0;1;2;3\n1;1;2;3\n": "which one counts?",
	} {
		_, err := Read("a.csv", []byte(text), nil, 0)
		assert.ErrorContains(t, err, want, text)
	}
}

// TestHostile: what is no record gets one clear error, in one line.
func TestHostile(t *testing.T) {
	head := "time [s],voltage [V],battery current [A]\n"
	backwards := head
	for i := range 100 {
		backwards += []string{"5,1,1\n", "3,1,1\n", "9,1,1\n"}[i%3]
	}
	for text, want := range map[string]string{
		"":                "it is empty",
		"1\n2\n3\n":       "one column",
		"\n\nabc\n2\n3\n": "line 3 is \"abc\"",
		"time;battery current [A]\nsoon;1\nlater;2\nlast;3\n": "its times, such as \"soon\" in line 2, are in no format known here",
		"\nvoltage [V];battery current [A]\n50;1\n50;2\n":     "its headers, in line 2, are",
		"a\x00b,c\n":                                 "NUL byte",
		head + "0,NaN,NaN\n1,NaN,NaN\n":              "fewer than 2 rows",
		head + "0,=A1,2\n1,=A2,3\n":                  "formula",
		"\n\ntime [s];current [A]\n0;1\n1;2\n":       "is it battery_current or motor_current? (its headers, in line 3, say no more; answer in a columns file",
		backwards:                                    "time runs backwards",
		head + strings.Repeat("1,2,3\n", mostRows+1): "more than the 2000000 rows",
	} {
		_, err := Read("a.csv", []byte(text), nil, 0)
		if assert.ErrorContains(t, err, want) {
			assert.NotContains(t, err.Error(), "\n")
		}
	}
}

// TestColumnsFile: a file without a header is read by a columns file, with the errors of its meters.
func TestColumnsFile(t *testing.T) {
	c, err := ReadColumns("c.toml", []byte(`
[[column]]
number = 1
is = "time"
unit = "s"
[[column]]
number = 2
is = "battery_current"
unit = "A"
error = "± 2 % ± 3 A"
[[column]]
number = 3
is = "motor housing"
unit = "°C"
spot = "bare metal"
`))
	require.NoError(t, err)
	u, err := Read("a.csv", []byte("0;10;30\n5;11;31\n10;12;32\n"), c, 2.5)
	require.NoError(t, err)
	i, _ := u.Run.Trace(record.BatteryCurrent)
	assert.Equal(t, &record.Meter{Gain: 0.02, Offset: 3}, i.Meter)
	h, _ := u.Run.Trace("motor housing")
	assert.Equal(t, bareMetal, h.Meter.ReadsLow)
	assert.InDelta(t, 303.15, h.Values[0], 1e-9)
	assert.InDelta(t, 2.5, u.Run.Time[0], 1e-9, "the clock's shift")
	_, err = ReadColumns("c.toml", []byte("[[column]]\nis = \"time\"\n"))
	assert.ErrorContains(t, err, "give number")
}

func FuzzRead(f *testing.F) {
	entries, err := os.ReadDir("testdata/foreign")
	require.NoError(f, err)
	for _, e := range entries {
		text, err := os.ReadFile("testdata/foreign/" + e.Name())
		require.NoError(f, err)
		f.Add(text[:min(len(text), 400)])
	}
	f.Add([]byte("time [s],voltage [V]\n0,=1\n\"1,2\n"))
	f.Add([]byte(outing()))
	f.Fuzz(func(t *testing.T, text []byte) {
		u, err := Read("a.csv", text, nil, 0)
		if err != nil {
			return
		}
		for i := 1; i < len(u.Run.Time); i++ {
			if u.Run.Time[i] < u.Run.Time[i-1] {
				t.Fatal("time goes backwards in what was read")
			}
		}
		for _, tr := range u.Run.Traces {
			if len(tr.Values) != len(u.Run.Time) {
				t.Fatal("a trace has another length than the time")
			}
		}
	})
}

// What nothing shows leaves its row out, with the reason: a lever of 10,000 %, a temperature below absolute zero, and in a file
// with decimal commas a point that sets no thousands apart ("95.6" was once read as 956).
func TestWhatCannotBeIsLeftOut(t *testing.T) {
	file := "time [s];lever [%];voltage [V];battery current [A];motor housing [°C]\n" +
		"0;0;53,4;0,5;20,5\n10;100;52,5;82,1;24,5\n20;10000;52,5;82,4;25,5\n30;100;52,4;82,2;95.6\n40;100;52,4;82,2;-300,5\n50;100;1.052,4;82,2;26,5\n60;0;53,1;0,5;27,5\n"
	u, err := Read("hand.csv", []byte(file), nil, 0)
	require.NoError(t, err)
	assert.Equal(t, "comma", u.Decimal)
	var why []string
	for _, l := range u.LeftOut {
		why = append(why, l.Why)
	}
	assert.Equal(t, []string{
		`column "lever [%]" holds "10000": it goes from -100 % to 100 %`,
		`column "motor housing [°C]" holds "95.6", and the file's decimal is a comma`,
		`column "motor housing [°C]" holds "-300,5": that is below absolute zero`,
	}, why)
	v, _ := u.Run.Trace(record.Voltage)
	assert.Equal(t, 1052.4, v.Values[2], "a point that sets thousands apart")
}

// TestHabits: what else people's files are like. Each was read wrong, or not, or ended in a panic.
func TestHabits(t *testing.T) {
	for name, c := range map[string]struct {
		text, want string // an error, or the instants
		begins     string
	}{
		"date and time of day in German": {"Datum;Uhrzeit;Spannung [V];Batteriestrom [A];Fahrhebel [%]\n25.10.2026;14:30:00;52,4;1,5;0\n25.10.2026;14:30:20;52,1;24,5;60\n", "[0 20]", "2026-10-25 14:30:00"},
		"units in the cells":             {"Zeit;Spannung;Strom Batterie;Drehzahl Motor\n0 s;52,43 V;0,2 A;0 U/min\n20 s;51,98 V;24,1 A;1.780 U/min\n", "[0 20]", ""},
		"a date alone":                   {"Datum;Spannung [V];Batteriestrom [A]\n25.10.2026;52,4;1,5\n25.10.2026;52,1;24,5\n", "dates without a time of day", ""},
		"days of a spreadsheet":          {"Time,Battery Voltage (V),Battery Current (A)\n46320.5,52,1\n46320.501,51,20\n", "time [d]", ""},
		"a day that may be another":      {"Date,Time,Voltage (V),Battery Current (A)\n03/04/2026,09:00:00,52,1\n03/04/2026,09:00:20,51,20\n", "[0 20]", ""},
		"a day that is none but one":     {"Date,Time,Voltage (V),Battery Current (A)\n03/24/2026,09:00:00,52,1\n03/24/2026,09:00:20,51,20\n", "[0 20]", "2026-03-24 09:00:00"},
		"the end of summer time": {"time,voltage [V],battery current [A]\n2026-10-25 02:59:00,52,1\n2026-10-25 02:59:20,52,1\n2026-10-25 02:59:40,52,1\n2026-10-25 02:00:00,51,2\n2026-10-25 02:00:20,51,2\n",
			"clock goes back by an hour in line 5", ""},
		"decimal commas between quotes": {"time [s],voltage [V],battery current [A]\n0,\"52,4\",\"0,5\"\n10,\"52,1\",\"1.020,5\"\n", "[0 10]", ""},
		"thousands between quotes":      {"time [s],voltage [mV],battery current [mA]\n0,\"52,433\",\"1,174\"\n10,\"51,976\",\"24,112\"\n", "[0 10]", ""},
		"two values in a cell":          {"time [s],voltage [V],battery current [A]\n0,52,1\n10,52,20/21\n20,52,100-102\n30,5O.1,2\n40,52,3 A\n", "[0 40]", ""},
		"a workbook":                    {"PK\x03\x04\x14\x00", "save its sheet as CSV", ""},
		"a lever in volts":              {"time [s],voltage [V],battery current [A],lever [V]\n0,52,1,0.5\n10,52,2,2.9\n", "Write it in per cent of full ahead", ""},
		"a row out of order": {"time,voltage [V],battery current [A]\n2026-10-25 02:59:00,52,1\n2026-10-25 02:59:20,52,1\n2026-10-25 02:59:40,52,1\n2026-10-25 02:59:30,51,2\n2026-10-25 02:59:50,51,2\n",
			"[0 20 30 40 50]", "2026-10-25 02:59:00"},
	} {
		u, err := Read("a.csv", []byte(c.text), nil, 0)
		if c.want[0] != '[' {
			assert.ErrorContains(t, err, c.want, name)
			continue
		}
		if assert.NoError(t, err, name) {
			assert.Equal(t, c.want, fmt.Sprint(u.Run.Time), name)
			begins := ""
			if !u.Begins.IsZero() {
				begins = u.Begins.Format(time.DateTime)
			}
			assert.Equal(t, c.begins, begins, name)
			assert.Equal(t, c.begins == "" && strings.Contains(c.text, "03/04"), u.AnyOrder, name)
		}
	}
	u, err := Read("a.csv", []byte("Zeit;Spannung;Strom Batterie;Drehzahl Motor\n0 s;52,43 V;0,2 A;0 U/min\n20 s;51,98 V;24,1 A;1.780 U/min\n"), nil, 0)
	require.NoError(t, err)
	q, err := Read("a.csv", []byte("time [s],voltage [V],battery current [A]\n0,\"52,4\",\"0,5\"\n10,\"52,1\",\"1.020,5\"\n"), nil, 0)
	require.NoError(t, err)
	assert.Equal(t, []float64{52.4, 52.1}, q.Run.Traces[0].Values)
	assert.Equal(t, []float64{0.5, 1020.5}, q.Run.Traces[1].Values)
	n, _ := u.Run.Trace(record.MotorSpeed)
	assert.InDelta(t, 1780*math.Pi/30, n.Values[1], 1e-9)
}

// TestFilesOnOneClock: files that tell the time of day lie beside each other as they tell, whatever row each begins with; others begin where they begin, and what a shift puts before
// the record's begin is left out, not put at it.
func TestFilesOnOneClock(t *testing.T) {
	read := func(text string, shift float64) *Understood {
		u, err := Read("a.csv", []byte("time,voltage [V]\n"+text), nil, shift)
		require.NoError(t, err)
		return u
	}
	dated := "2026-05-01 14:30:00,1\n2026-05-01 14:31:00,1\n2026-05-01 14:32:00,1\n"
	ofDay := "14:29:50,1\n14:31:30,1\n"
	for name, c := range map[string]struct {
		files []*Understood
		want  string
	}{
		"two clocks":            {[]*Understood{read(dated, 0), read(ofDay, 0)}, "[10 70 130] [0 100]"},
		"one in another zone":   {[]*Understood{read(dated, 0), read(strings.ReplaceAll(ofDay, "14:", "12:"), 0)}, "where a clock is off"},
		"and moved":             {[]*Understood{read(dated, 0), read(strings.ReplaceAll(ofDay, "14:", "12:"), 7200)}, "[10 70 130] [0 100]"},
		"one of seconds":        {[]*Understood{read(dated, 0), read("0 s,1\n50 s,1\n90 s,1\n", -10)}, "[0 60 120] [40 80]"},
		"alone, moved backward": {[]*Understood{read(dated, -30)}, "[30 90]"},
		"too far":               {[]*Understood{read(dated, -100)}, "fewer than 2 rows"},
	} {
		err := Align(c.files)
		if c.want[0] != '[' {
			assert.ErrorContains(t, err, c.want, name)
			continue
		}
		require.NoError(t, err, name)
		var got []string
		for _, u := range c.files {
			got = append(got, fmt.Sprint(u.Run.Time))
			assert.Len(t, u.Run.Traces[0].Values, len(u.Run.Time), name)
			assert.Equal(t, len(u.Run.Time), u.Rows, name)
		}
		assert.Equal(t, c.want, strings.Join(got, " "), name)
	}
}
