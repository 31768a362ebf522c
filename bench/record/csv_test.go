package record_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/record"
)

// small returns a run with one of everything.
func small() *record.Run {
	speed := 3.1
	return &record.Run{
		Boat: "petrel", Trial: "full-throttle",
		Provenance: record.Provenance{Source: "simulation", Tool: "0.1.0", Settings: "5ca1ab1e", Boat: "b0a7", Version: "3", Clock: "2026-11-25T08:00:00Z"},
		Time:       []float64{0, 0.1, 0.1, 2.5},
		Traces: []record.Trace{
			{Name: record.MotorCurrent, Unit: "A", Values: []float64{0, 12.5, 13, 139.99999999999997}},
			{Name: record.MotorSpeed, Unit: "rpm", Values: []float64{0, 1, 1, 120.42771838760874}},
			{Name: "winding", Unit: "°C", Values: []float64{298.15, 298.16, 298.16, 301.00000000000006}, Inferred: true,
				Low: []float64{295.15, 295.16, 295.16, 298}, High: []float64{301.15, 301.16, 301.16, 304}},
		},
		Events: []record.Event{
			{At: 0.1, Device: "battery current limit", What: "battery current limit holds the motor current down", Kind: record.Limiting, Until: 2.2, Count: 3},
			{At: 2.4, Device: "fuse", What: "fuse opens (battery current)", Kind: record.Protecting, Latest: math.Inf(1)},
		},
		Parts: []record.Part{{
			Name: "winding", Trace: "winding", Unit: "°C", Limit: 428.15, Start: 298.15, Measure: record.Temperature, Close: 0.9,
			Consequence: "insulation ages and chars; the winding shorts", Current: "motor",
		}},
		Expect:     []string{"stall timer"},
		Gain:       record.Gain{TopSpeed: &speed},
		Energy:     record.Energy{Battery: 1234.5, Heat: 200, Shaft: 1000, Stored: 34.5, Throughput: 1300},
		Statistics: record.Statistics{Steps: 66, Rejected: 12, Evaluations: 3251, States: 39, Suspect: 0.1},
	}
}

const smallText = `# quaybench_record = 1
## Simulated or measured, these values are no proof of safety: follow the makers' limits and the codes that apply where you are.
# boat = 'petrel'
# trial = 'full-throttle'
# source = 'simulation'
# tool_version = '0.1.0'
# settings_hash = '5ca1ab1e'
# boat_hash = 'b0a7'
# profile_version = '3'
# clock = '2026-11-25T08:00:00Z'
# rows = 4
# expect = ['stall timer']
# gain = {top_speed = '3.1 m/s'}
# energy = {battery = '1234.5 J', heat = '200 J', shaft = '1000 J', stored = '34.5 J', residual = '0 J', throughput = '1300 J'}
# statistics = {steps = 66, rejected = 12, evaluations = 3251, states = 39, suspect = 0.1}
# part = {name = 'winding', trace = 'winding', unit = '°C', limit = '155 °C', start = '25 °C', measure = 'temperature', close = '90 %', consequence = 'insulation ages and chars; the winding shorts', current = 'motor'}
# trace = {name = 'winding', inferred = true, band = true}
# event = {at = '0.1 s', device = 'battery current limit', what = 'battery current limit holds the motor current down', kind = 'limiting', until = '2.2 s', count = 3}
# event = {at = '2.4 s', device = 'fuse', what = 'fuse opens (battery current)', kind = 'protecting', latest = 'never'}
time [s],motor current [A],motor speed [rpm],winding [°C],winding low [°C],winding high [°C]
0,0,0,25,22,28
0.1,12.5,9.5492965855137211,25.01,22.01,28.01
0.1,13,9.5492965855137211,25.01,22.01,28.01
2.5,139.99999999999997,1150,27.850000000000058,24.85,30.85
`

func TestWriteGivesTextThatASpreadsheetOpens(t *testing.T) {
	var text strings.Builder
	require.NoError(t, record.Write(&text, small()))
	assert.Equal(t, smallText, text.String())
	back, err := record.Read("small.csv", strings.NewReader(smallText))
	require.NoError(t, err)
	assert.Equal(t, small(), back)
}

// TestRoundTripLosesNothing writes any run and reads the same back, to the last bit.
func TestRoundTripLosesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		run := anyRun(t)
		var text bytes.Buffer
		require.NoError(t, record.Write(&text, run))
		back, err := record.Read("run.csv", bytes.NewReader(text.Bytes()))
		require.NoError(t, err)
		require.Equal(t, run, back)
	})
}

// anyRun draws a run of the shape that every maker of runs keeps to: finite values, events in time order.
func anyRun(t *rapid.T) *record.Run {
	number := rapid.OneOf(rapid.Float64Range(-1e9, 1e9), rapid.Float64Range(200, 500), rapid.Float64Range(-1, 1), rapid.SampledFrom([]float64{
		0, 1, 1e-300, -1e300, 5e-324, math.MaxFloat64,
	}))
	text := rapid.OneOf(rapid.String(), rapid.StringMatching(`[a-z ',"#\[\]{}]{0,20}`))
	kelvin := rapid.OneOf(rapid.Float64Range(200, 500), rapid.Float64Range(1e-6, 1e4), rapid.SampledFrom([]float64{273.15, math.Nextafter(273.15, 300), math.Nextafter(273.15, 0)}))
	unit := rapid.SampledFrom([]string{"A", "V", "°C", "%", "rpm", "m/s", "N·m", "1", "kW", "mΩ", "kn", "W/(m/s)^3"})
	n := rapid.IntRange(1, 6).Draw(t, "samples")
	series := func() []float64 { return rapid.SliceOfN(number, n, n).Draw(t, "values") }
	in := func(unit string) func() []float64 {
		if unit == "°C" {
			return func() []float64 { return rapid.SliceOfN(kelvin, n, n).Draw(t, "values") }
		}
		return series
	}
	run := &record.Run{
		Boat: text.Draw(t, "boat"), Trial: text.Draw(t, "trial"),
		Provenance: record.Provenance{Source: text.Draw(t, "source"), Tool: text.Draw(t, "tool"), Settings: text.Draw(t, "settings"), Boat: text.Draw(t, "hash"), Version: text.Draw(t, "version"), Clock: text.Draw(t, "clock")},
		Time:       series(),
		Traces:     []record.Trace{},
		Energy:     record.Energy{Battery: number.Draw(t, "battery"), Residual: number.Draw(t, "residual"), Throughput: number.Draw(t, "throughput")},
		Statistics: record.Statistics{Steps: rapid.IntRange(0, 9).Draw(t, "steps"), Suspect: rapid.SampledFrom([]float64{0, 0.3, math.Inf(1)}).Draw(t, "suspect")},
	}
	slices.Sort(run.Time)
	names := rapid.StringMatching(`[a-zA-Zéß°,"'#\[\]()]{1,9}`)
	for i := range rapid.IntRange(0, 4).Draw(t, "traces") {
		tr := record.Trace{Name: fmt.Sprint(names.Draw(t, "name"), i), Unit: unit.Draw(t, "unit"), Inferred: rapid.Bool().Draw(t, "inferred"), Source: text.Draw(t, "meter")}
		tr.Values = in(tr.Unit)()
		if rapid.Bool().Draw(t, "band") {
			tr.Low, tr.High = in(tr.Unit)(), in(tr.Unit)()
		}
		run.Traces = append(run.Traces, tr)
	}
	for range rapid.IntRange(0, 3).Draw(t, "events") {
		run.Events = append(run.Events, record.Event{
			At: number.Draw(t, "at"), Device: text.Draw(t, "device"), What: text.Draw(t, "what"), Kind: record.EventKind(rapid.IntRange(0, 3).Draw(t, "kind")),
			Until: number.Draw(t, "until"), Count: rapid.IntRange(0, 5).Draw(t, "count"), Latest: rapid.SampledFrom([]float64{0, 3.25, math.Inf(1)}).Draw(t, "latest"),
		})
	}
	slices.SortStableFunc(run.Events, func(a, b record.Event) int {
		switch {
		case a.At < b.At:
			return -1
		case a.At > b.At:
			return 1
		}
		return 0
	})
	for range rapid.IntRange(0, 3).Draw(t, "parts") {
		run.Parts = append(run.Parts, record.Part{
			Name: "part " + text.Draw(t, "part"), Trace: text.Draw(t, "of"), Unit: unit.Draw(t, "unit"), Limit: kelvin.Draw(t, "limit"), Start: kelvin.Draw(t, "start"),
			Measure: record.Measure(rapid.IntRange(0, 4).Draw(t, "measure")), Close: rapid.Float64Range(0, 1).Draw(t, "close"), Consequence: text.Draw(t, "consequence"), Current: text.Draw(t, "current"),
		})
	}
	if rapid.Bool().Draw(t, "expects") {
		run.Expect = rapid.SliceOfN(text, 1, 3).Draw(t, "expect")
		run.Assumed = rapid.SliceOfN(text, 1, 3).Draw(t, "assumed")
		run.LeftOut = rapid.SliceOfN(text, 1, 3).Draw(t, "left out")
		run.Stopped = text.Draw(t, "stopped")
	}
	for _, g := range []**float64{&run.Gain.TopSpeed, &run.Gain.Thrust, &run.Gain.Endurance, &run.Gain.Distance} {
		if rapid.Bool().Draw(t, "gain") {
			v := number.Draw(t, "gained")
			*g = &v
		}
	}
	return run
}

func TestReadSaysWhereAFileIsWrong(t *testing.T) {
	const head = "time [s],voltage [V],winding [°C]\n"
	for _, c := range []struct {
		name, text, want string
	}{
		{"empty", "", "f.csv:1:1: there is no header row"},
		{"no header, only comments", "# boat = 'a'\n", "f.csv:2:1: there is no header row"},
		{"binary", "\x00\x01\x02\x7fELF\n\x00", "f.csv:1:1: the column"},
		{"column without unit", "time [s],voltage\n", `f.csv:1:10: the column "voltage" names no unit`},
		{"semicolons", "time [s];voltage [V]\n", "f.csv:1:9: set commas between columns"},
		{"unknown unit", "time [s],winding [°F]\n", `f.csv:1:10: column "winding": unknown unit "°F"`},
		{"no time", "voltage [V],time [s]\n", "f.csv:1:1: the first column is the time"},
		{"time in metres", "time [m],voltage [V]\n", "f.csv:1:1: the first column is the time"},
		{"same column twice", "time [s],voltage [V],voltage [V]\n", `f.csv:1:22: two columns are called "voltage"`},
		{"column without name", "time [s],[V]\n", "f.csv:1:10: the column"},
		{"open quote", "time [s],\"voltage [V]\n", "f.csv:1:"},
		{"word for a number", head + "0,forty,25\n", `f.csv:2:3: column "voltage": "forty" is not a number`},
		{"decimal comma", head + "0,48,5,25\n", "f.csv:2:6: this row has 4 columns, the header row has 3"},
		{"too few", head + "0,48\n", "f.csv:2:3: this row has 2 columns, the header row has 3"},
		{"gap", head + "0,,25\n", `f.csv:2:3: column "voltage": there is no number here`},
		{"not a number", head + "0,48,NaN\n", `f.csv:2:6: column "winding": "NaN" is not a value a record can hold`},
		{"infinite", head + "0,48,25\n1,-Inf,25\n", "f.csv:3:3: column \"voltage\": \"-Inf\" is not a value"},
		{"beyond float64", head + "0,1e400,25\n", "f.csv:2:3: column \"voltage\": \"1e400\" is beyond any number"},
		{"hexadecimal", head + "0,0x10,25\n", "f.csv:2:3: column \"voltage\": \"0x10\" is not a number"},
		{"endless number", head + "0," + strings.Repeat("1", 200) + ",25\n", "is too long for a number"},
		{"endless exponent", head + "0,48,1e-99999999\n", "f.csv:2:6: column \"winding\": \"1e-99999999\" is too long for a number"},
		{"time backwards", head + "1,48,25\n0.5,48,25\n", "f.csv:3:1: time goes backwards: 0.5 s comes after 1 s"},
		{"characters, not bytes", "time [s],wärme [°C],größe [°F]\n", "f.csv:1:21: column \"größe\""},
		{"other format", "# quaybench_record = 2\n", "f.csv:1:1: this record is of format 2"},
		{"unknown key", "# boot = 'a'\n", "f.csv:1:3: a record has no \"boot\""},
		{"unknown inner key", "# event = {at = '1 s', devise = 'fuse', kind = 'note'}\n", "f.csv:1:24: a record has no"},
		{"broken comment", "# event = {at = \n", "f.csv:1:"},
		{"comment that says nothing", "#\n", "f.csv:1:2: this comment line says nothing"},
		{"number without unit", "# event = {at = '1', device = 'fuse', kind = 'note'}\n", `f.csv:1:18: at: "1" is a ratio; here a time belongs`},
		{"volts for a time", "# event = {at = '1 V', device = 'fuse', kind = 'note'}\n", `f.csv:1:18: at: "1 V" is a voltage; here a time belongs`},
		{"unknown kind", "# event = {at = '1 s', device = 'fuse', kind = 'sad'}\n", `f.csv:1:49: no kind of event is called "sad"`},
		{"unknown measure", "# part = {name = 'w', trace = 'w', unit = 'V', limit = '1 V', start = '0 V', measure = 'guess', close = '90 %'}\n", `f.csv:1:89: no measure is called "guess"`},
		{"part of no name", "# part = {limit = '1 V'}\n", "f.csv:1:3: a part needs a name"},
		{"nan in statistics", "# statistics = {steps = 1, suspect = nan}\n", "f.csv:1:38: the disagreement is not a number"},
		{"trace said too late", head + "# trace = {name = 'winding', inferred = true}\n", "f.csv:2:1: what is said of a trace must stand above"},
		{"trace without column", "# trace = {name = 'sink', inferred = true}\n" + head, `f.csv:2:1: there is no column for the trace "sink"`},
		{"band without columns", "# trace = {name = 'winding', band = true}\n" + head, `f.csv:2:22: the trace "winding" has a band, so a column "winding low" belongs behind it`},
		{"endless line", head + strings.Repeat("0", 1<<21), "f.csv:2:1: this line is longer than"},
		{"endless header", "time [s]" + strings.Repeat(",v [V]", 3000) + "\n", "f.csv:1:1: there are more than 2000 columns"},
		{"not text", "# boat = '\xff'\n", "f.csv:1:2: this line is no UTF-8 text"},
	} {
		t.Run(c.name, func(t *testing.T) {
			run, err := record.Read("f.csv", strings.NewReader(c.text))
			require.Nil(t, run)
			var wrong *record.FormatError
			require.ErrorAs(t, err, &wrong)
			assert.Truef(t, strings.HasPrefix(err.Error(), c.want) || strings.Contains(err.Error(), c.want) && !strings.HasPrefix(c.want, "f.csv"), "%v\nwant %s", err, c.want)
			assert.NotContains(t, err.Error(), "\n")
		})
	}
}

func TestReadTakesWhatOtherProgramsWrite(t *testing.T) {
	run, err := record.Read("log.csv", strings.NewReader("\ufefftime [min], battery voltage [mV] ,\"winding, rear [degC]\"\r\n\r\n0,48000,\"25\"\r\n 1.5 ,47500,2.6e1\r\n"))
	require.NoError(t, err)
	assert.Equal(t, []float64{0, 90}, run.Time)
	tr, ok := run.Trace("winding, rear")
	require.True(t, ok)
	assert.Equal(t, []float64{298.15, 299.15}, tr.Values)
	tr, ok = run.Trace("battery voltage")
	require.True(t, ok)
	assert.Equal(t, []float64{48, 47.5}, tr.Values)
}

// TestACutOffRecordIsReadUpToItsLastSample cuts a record at every byte, as a crash may.
func TestACutOffRecordIsReadUpToItsLastSample(t *testing.T) {
	headEnds := strings.Index(smallText, "winding high [°C]\n") + len("winding high [°C]\n")
	whole := small()
	for cut := range len(smallText) {
		run, err := record.Read("cut.csv", strings.NewReader(smallText[:cut]))
		if cut < headEnds {
			require.Error(t, err, "cut at byte %d", cut)
			continue
		}
		require.NoError(t, err, "cut at byte %d", cut)
		rows := strings.Count(smallText[headEnds:cut], "\n")
		require.Equal(t, whole.Time[:rows], append([]float64{}, run.Time...))
		said := slices.IndexFunc(run.Events, func(e record.Event) bool { return e.Device == "record" })
		require.GreaterOrEqual(t, said, 0, "cut at byte %d: the loss must be said", cut)
		if smallText[cut-1] == '\n' { // between lines: nothing is torn, and the count of rows tells
			assert.Contains(t, run.Events[said].What, fmt.Sprintf("cut off: it has %d of its 4 rows", rows))
			continue
		}
		assert.Contains(t, run.Events[said].What, fmt.Sprintf("cut off within line %d", 1+strings.Count(smallText[:cut], "\n")))
	}
}

// A record from before the row count, or one written while it was measured, opens and says that it has no count; one with
// rows added is not whole; a count that is none is refused.
func TestTheRowCountOfARecord(t *testing.T) {
	old := strings.Replace(smallText, "# rows = 4\n", "", 1)
	run, err := record.Read("old.csv", strings.NewReader(old))
	require.NoError(t, err)
	want := small()
	want.Uncounted = true
	assert.Equal(t, want, run)

	run, err = record.Read("more.csv", strings.NewReader(smallText+"3,139,1150,28,25,31\n"))
	require.NoError(t, err)
	assert.Contains(t, run.Events[len(run.Events)-1].What, "has 5 rows where its head counts 4")
	for _, text := range []string{"# rows = -1\ntime [s]\n0\n", "time [s]\n0\n# rows = 1\n"} {
		_, err = record.Read("f.csv", strings.NewReader(text))
		assert.ErrorContains(t, err, "number of rows")
	}
	var none bytes.Buffer
	require.NoError(t, record.Write(&none, &record.Run{}))
	assert.Contains(t, none.String(), "# rows = 0\n")
	run, err = record.Read("none.csv", &none)
	require.NoError(t, err)
	assert.False(t, run.Uncounted)
}

// TestWriterHandsOverWholeLines: whatever is written, the record is readable after every single write.
func TestWriterHandsOverWholeLines(t *testing.T) {
	whole := small()
	head := *whole
	head.Events = nil
	var text bytes.Buffer
	check := io.Writer(writerFunc(func(p []byte) (int, error) {
		n, err := text.Write(p)
		run, readErr := record.Read("live.csv", bytes.NewReader(text.Bytes()))
		require.NoError(t, readErr)
		for _, e := range run.Events {
			require.NotEqual(t, "record", e.Device, "a write tore a line")
		}
		return n, err
	}))
	w, err := record.NewWriter(check, &head)
	require.NoError(t, err)
	sample := func(k int) {
		tr := whole.Traces
		require.NoError(t, w.Sample(whole.Time[k], tr[0].Values[k], tr[1].Values[k], tr[2].Values[k], tr[2].Low[k], tr[2].High[k]))
	}
	sample(0)
	sample(1)
	require.NoError(t, w.Event(whole.Events[1])) // known before the one that came earlier
	require.NoError(t, w.Event(whole.Events[0]))
	sample(2)
	sample(3)
	back, err := record.Read("live.csv", &text)
	require.NoError(t, err)
	assert.True(t, back.Uncounted)
	back.Uncounted = false
	assert.Equal(t, whole, back)
}

type writerFunc func(p []byte) (int, error)

func (f writerFunc) Write(p []byte) (int, error) { return f(p) }

func TestWriteRefusesWhatNoReaderUnderstands(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*record.Run)
		want   string
	}{
		{"nan", func(r *record.Run) { r.Traces[0].Values[1] = math.NaN() }, "motor current at 0.1 s is NaN"},
		{"infinite time", func(r *record.Run) { r.Time[3] = math.Inf(1) }, "time at +Inf s"},
		{"time backwards", func(r *record.Run) { r.Time[3] = 0.05 }, "is earlier than the one before, at 0.1 s"},
		{"unknown unit", func(r *record.Run) { r.Traces[0].Unit = "amps per lever" }, `trace "motor current" has an unknown unit`},
		{"no unit", func(r *record.Run) { r.Traces[0].Unit = "" }, `trace "motor current" has an unknown unit`},
		{"short trace", func(r *record.Run) { r.Traces[1].Values = r.Traces[1].Values[:2] }, `column "motor speed" has 2 values for 4 instants`},
		{"half a band", func(r *record.Run) { r.Traces[2].High = nil }, `column "winding high" has 0 values`},
		{"same name twice", func(r *record.Run) { r.Traces[1].Name = r.Traces[0].Name }, "another has that name"},
		{"named like a band", func(r *record.Run) { r.Traces[0].Name = "winding low" }, `needs a column "winding low"`},
		{"named time", func(r *record.Run) { r.Traces[0].Name = "time" }, "another has that name"},
		{"no name", func(r *record.Run) { r.Traces[0].Name = "" }, "has no name that can stand"},
		{"line break in a name", func(r *record.Run) { r.Traces[0].Name = "a\nb" }, "has no name that can stand"},
		{"limit nan", func(r *record.Run) { r.Parts[0].Limit = math.NaN() }, `part "winding", limit is NaN`},
		{"part without name", func(r *record.Run) { r.Parts[0].Name = "" }, "a part has no name"},
		{"unknown measure", func(r *record.Run) { r.Parts[0].Measure = 99 }, "unknown measure 99"},
		{"unknown kind", func(r *record.Run) { r.Events[0].Kind = 99 }, "unknown kind 99"},
		{"event nan", func(r *record.Run) { r.Events[0].At = math.NaN() }, "at is NaN"},
		{"not UTF-8", func(r *record.Run) { r.Boat = "\xff" }, "not UTF-8"},
		{"nan statistics", func(r *record.Run) { r.Statistics.Suspect = math.NaN() }, "not a number"},
		{"endless text", func(r *record.Run) { r.Boat = strings.Repeat("a", 1<<21) }, "more than 1048576 bytes"},
	} {
		t.Run(c.name, func(t *testing.T) {
			run := small()
			c.change(run)
			var wrong *record.ValueError
			require.ErrorAs(t, record.Write(io.Discard, run), &wrong)
			assert.Contains(t, wrong.Error(), c.want)
		})
	}
}

func TestWriteAndReadPassOnTheErrorsOfTheirStreams(t *testing.T) {
	full := errors.New("disk full")
	require.ErrorIs(t, record.Write(writerFunc(func([]byte) (int, error) { return 0, full }), small()), full)
	_, err := record.Read("f.csv", io.MultiReader(strings.NewReader(smallText), brokenReader{full}))
	require.ErrorIs(t, err, full)
	assert.Contains(t, err.Error(), "f.csv cannot be read")
}

type brokenReader struct{ err error }

func (b brokenReader) Read([]byte) (int, error) { return 0, b.err }

func ExampleRead() {
	run, err := record.Read("log.csv", strings.NewReader("time [s],battery current [A]\n0,0\n1.5,38\n2,4"))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(run.Time, run.Events[0].What)
	// Output: [0 1.5] the file was cut off within line 4: what came after 1.5 s is lost
}

// FuzzRead: no input panics, and what is read can be written and read again.
func FuzzRead(f *testing.F) {
	f.Add(smallText)
	f.Add("time [s],voltage [V]\n0,48\n1,4")
	f.Add("# event = {at = '1 h', device = 'fuse', kind = 'note', latest = 'never'}\ntime [min],a [%],b [kn]\n1e-999,1,2\n")
	f.Add("# gain = {thrust = '1 kN'}\n# energy = {}\n## remark\ntime [s]\n0\n")
	f.Fuzz(func(t *testing.T, text string) {
		run, err := record.Read("fuzz.csv", strings.NewReader(text))
		if err != nil {
			var wrong *record.FormatError
			require.ErrorAs(t, err, &wrong)
			return
		}
		var again bytes.Buffer
		require.NoError(t, record.Write(&again, run))
		back, err := record.Read("again.csv", &again)
		require.NoError(t, err)
		run.Uncounted = false // written, it is counted
		require.Equal(t, run, back)
	})
}

func BenchmarkWriteAndRead(b *testing.B) {
	run := small()
	for range 1000 {
		last := run.Time[len(run.Time)-1]
		run.Time = append(run.Time, last+0.1)
		for i := range run.Traces {
			tr := &run.Traces[i]
			tr.Values = append(tr.Values, 300+last/7)
			if tr.Low != nil {
				tr.Low, tr.High = append(tr.Low, 300+last/9), append(tr.High, 300+last/5)
			}
		}
	}
	var text bytes.Buffer
	for b.Loop() {
		text.Reset()
		require.NoError(b, record.Write(&text, run))
		_, err := record.Read("bench.csv", bytes.NewReader(text.Bytes()))
		require.NoError(b, err)
	}
	b.ReportMetric(float64(len(run.Time)*6), "values/op")
}
