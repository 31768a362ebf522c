package verdict_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/record"
	"quaybench/bench/verdict"
)

// oneTrace returns a run of one trace, sampled every second.
func oneTrace(p record.Part, values ...float64) *record.Run {
	r := &record.Run{Trial: "made up", Parts: []record.Part{p}, Traces: []record.Trace{{Name: p.Trace, Unit: p.Unit, Values: values}}}
	for i := range values {
		r.Time = append(r.Time, float64(i))
	}
	return r
}

func TestJudgeEachMeasure(t *testing.T) {
	winding := record.Part{Name: "winding", Trace: "winding", Unit: "°C", Measure: record.Temperature, Start: 300, Limit: 400, Close: 0.9, Current: "motor"}
	battery := record.Part{Name: "battery", Trace: "battery", Unit: "°C", Measure: record.Temperature, Start: 300, Limit: 320, Close: 0.9, Current: "battery"}
	careful := winding
	careful.Close = 0.5
	fuse := record.Part{Name: "fuse", Trace: "fuse", Unit: "%", Measure: record.Melting, Limit: 1, Close: 0.9, Current: "battery"}
	stage := record.Part{Name: "power stage", Trace: "power stage", Unit: "A", Measure: record.Ceiling, Limit: 400, Close: 0.9, Current: "motor"}
	link := record.Part{Name: "link voltage", Trace: "link voltage", Unit: "V", Measure: record.Band, Start: 50, Limit: 70, Close: 0.9}
	cell := record.Part{Name: "lowest cell", Trace: "lowest cell", Unit: "V", Measure: record.Floor, Start: 3.3, Limit: 2.5, Close: 0.9, Current: "battery"}
	never := math.NaN()
	for _, c := range []struct {
		name                            string
		part                            record.Part
		values                          []float64
		peak, at, margin, used, crossed float64
		level                           verdict.Level
	}{
		{"a winding with room", winding, []float64{300, 350, 340}, 350, 1, 50, 0.5, never, verdict.Clear},
		{"a winding at nine tenths", winding, []float64{300, 390}, 390, 1, 10, 0.9, never, verdict.Clear},
		{"a winding past nine tenths", winding, []float64{300, 391, 391}, 391, 1, 9, 0.91, never, verdict.Close},
		{"a winding at its limit", winding, []float64{300, 400}, 400, 1, 0, 1, never, verdict.Close},
		{"a winding past it", winding, []float64{300, 380, 420, 410}, 420, 2, -20, 1.2, 1.5, verdict.Over},
		{"a small rise of which 5 K are left", battery, []float64{300, 315}, 315, 1, 5, 0.75, never, verdict.Clear},
		{"a small rise of which less is left", battery, []float64{300, 316}, 316, 1, 4, 0.8, never, verdict.Close},
		{"a part colder than the air it is rated in", battery, []float64{280, 290}, 290, 1, 30, 0, never, verdict.Clear},
		{"a part that is called close sooner", careful, []float64{300, 360}, 360, 1, 40, 0.6, never, verdict.Close},
		{"a fuse half molten", fuse, []float64{0, 0.5}, 0.5, 1, 0.5, 0.5, never, verdict.Clear},
		{"a fuse that is all but molten", fuse, []float64{0, 0.95}, 0.95, 1, 0.05, 0.95, never, verdict.Close},
		{"a current of either sign", stage, []float64{0, 410, 100}, 410, 1, -10, 1.025, 400.0 / 410, verdict.Over},
		{"a voltage in its band", link, []float64{50, 60, 55}, 60, 1, 10, 0.5, never, verdict.Clear},
		{"a voltage that leaves it", link, []float64{50, 60, 80}, 80, 2, -10, 1.5, 1.5, verdict.Over},
		{"a cell that sags", cell, []float64{3.3, 2.9, 3.2}, 2.9, 1, 0.4, 0.5, never, verdict.Clear},
		{"a cell that sags too far", cell, []float64{3.3, 2.9, 2.1}, 2.1, 2, -0.4, 1.5, 1.5, verdict.Over},
	} {
		t.Run(c.name, func(t *testing.T) {
			j, err := verdict.Judge(oneTrace(c.part, c.values...))
			require.NoError(t, err)
			require.Len(t, j.Parts, 1)
			p := j.Parts[0]
			assert.Equal(t, c.level, p.Level)
			assert.Equal(t, c.level, j.Level)
			assert.InDelta(t, c.peak, p.Peak, 1e-9)
			assert.InDelta(t, c.at, p.At, 1e-9)
			assert.InDelta(t, c.margin, p.Margin, 1e-9)
			assert.InDelta(t, c.used, p.Used, 1e-9)
			if math.IsNaN(c.crossed) {
				assert.True(t, math.IsNaN(p.Crossed), "crossed at %g s", p.Crossed)
			} else {
				assert.InDelta(t, c.crossed, p.Crossed, 1e-9)
			}
		})
	}
}

// TestBandsNeverChangeALevel: a band says how sure the value is; what is judged is the value.
func TestBandsNeverChangeALevel(t *testing.T) {
	part := record.Part{Name: "winding", Trace: "winding", Unit: "°C", Start: 300, Limit: 400, Close: 0.9}
	for _, value := range []float64{350, 392, 404} {
		r := oneTrace(part, 300, value)
		bare, err := verdict.Judge(r)
		require.NoError(t, err)
		r.Traces[0].Low, r.Traces[0].High = []float64{200, 200}, []float64{900, 900}
		banded, err := verdict.Judge(r)
		require.NoError(t, err)
		require.Len(t, banded.Parts, 1)
		assert.Equal(t, bare.Parts[0].Level, banded.Parts[0].Level)
		assert.Equal(t, bare.Parts[0].Used, banded.Parts[0].Used)
		assert.Equal(t, bare.Level, banded.Level)
	}
}

func TestJudgeFailsWithoutAPartsTrace(t *testing.T) {
	r := oneTrace(record.Part{Name: "winding", Trace: "winding", Limit: 400}, 300)
	r.Parts[0].Trace = "rotor"
	_, err := verdict.Judge(r)
	require.EqualError(t, err, `the run has no trace "rotor", which part "winding" is judged by`)
}

// cool returns a run in which no part is in trouble, with events.
func cool(expect []string, events ...record.Event) *record.Run {
	r := oneTrace(record.Part{Name: "winding", Trace: "winding", Unit: "°C", Start: 300, Limit: 400, Close: 0.9, Current: "motor"}, 300, 301, 302, 303, 304, 305)
	r.Expect, r.Events = expect, events
	return r
}

func event(at float64, device string, kind record.EventKind) record.Event {
	return record.Event{At: at, Device: device, What: device + " acts", Kind: kind}
}

func TestProtectionThatATrialExpects(t *testing.T) {
	stall := event(3, "stall timer", record.Stopping)
	derating, cutOff := event(1, "low-voltage derating", record.Limiting), event(4, "controller cut-off", record.Stopping)
	opens := event(2, "management", record.Protecting)
	melts := event(2, "fuse", record.Protecting)
	both := []string{"low-voltage derating", "controller cut-off"}
	for _, c := range []struct {
		name    string
		run     *record.Run
		level   verdict.Level
		missing int
	}{
		{"it comes", cool([]string{"stall timer"}, stall), verdict.Clear, 0},
		{"it does not", cool([]string{"stall timer"}), verdict.Over, 1},
		{"both come, in their order", cool(both, derating, cutOff), verdict.Clear, 0},
		{"both come, the wrong way round", cool(both, event(0.5, "controller cut-off", record.Stopping), derating), verdict.Over, 1},
		{"only the second comes", cool(both, cutOff), verdict.Over, 1},
		{"neither comes", cool(both), verdict.Over, 2},
		{"the wrong one comes", cool([]string{"stall timer"}, cutOff), verdict.Over, 1},
		{"what nobody expected opens", cool(nil, opens), verdict.Over, 0},
		{"what was expected opens", cool([]string{"management"}, opens), verdict.Clear, 0},
		{"the expected one and another open", cool([]string{"management"}, opens, melts), verdict.Over, 0},
		{"the controller stops by itself, unexpected", cool(nil, cutOff), verdict.Clear, 0},
		{"the motor stands still, unexpected", cool(nil, stall), verdict.NotJudged, 0},
		{"the motor stands still, since the trial holds the shaft", cool(nil, stall, record.Event{At: 1, Device: "load", What: record.ShaftLocked}), verdict.Clear, 0},
		{"a reversed series motor excites itself", cool(nil, event(3, record.SelfExcitation, record.Limiting)), verdict.NotJudged, 0},
		{"a limit acts", cool(nil, derating), verdict.Clear, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			j, err := verdict.Judge(c.run)
			require.NoError(t, err)
			assert.Equal(t, c.level, j.Level)
			require.Len(t, j.Missing, c.missing, "%v", j.Missing)
			for _, m := range j.Missing {
				assert.Regexp(t, `^the trial expects the .* to act, and it did not$`, m)
			}
		})
	}

	t.Run("it comes too late", func(t *testing.T) {
		r := oneTrace(record.Part{Name: "winding", Trace: "winding", Unit: "°C", Start: 300, Limit: 400, Close: 0.9, Current: "motor"}, 300, 380, 420, 420)
		r.Expect, r.Events = []string{"stall timer"}, []record.Event{stall}
		j, err := verdict.Judge(r)
		require.NoError(t, err)
		assert.Equal(t, verdict.Over, j.Level, "the winding passed its limit before the stall timer stopped the motor")
		require.NotNil(t, j.First)
		assert.Equal(t, "winding passes its limit (motor current)", j.First.What)
		assert.InDelta(t, 1.5, j.First.At, 1e-9)
	})

	t.Run("a fuse that is meant to open", func(t *testing.T) {
		r := oneTrace(record.Part{Name: "fuse", Trace: "fuse", Unit: "%", Measure: record.Melting, Limit: 1, Close: 0.9, Current: "battery"}, 0, 0.5, 1)
		r.Expect, r.Events = []string{"fuse"}, []record.Event{melts}
		j, err := verdict.Judge(r)
		require.NoError(t, err)
		assert.Equal(t, verdict.Clear, j.Level)
		r.Expect = nil
		j, err = verdict.Judge(r)
		require.NoError(t, err)
		assert.Equal(t, verdict.Over, j.Level)
	})
}

// TestWhatActsFirst: a device that opens or a part that passes its limit counts before the controller's own stops, those
// before a limit that merely holds, and a note never; among equals the earlier.
func TestWhatActsFirst(t *testing.T) {
	limit, earlier := event(1, "battery current limit", record.Limiting), event(0.5, "stage derating", record.Limiting)
	stop, opens := event(3, "stall timer", record.Stopping), event(4, "management", record.Protecting)
	for _, c := range []struct {
		name string
		run  *record.Run
		what string // "" for nothing
		at   float64
	}{
		{"nothing", cool(nil), "", 0},
		{"a note", cool(nil, event(0, "load", record.Note)), "", 0},
		{"a limit", cool(nil, limit), "battery current limit acts", 1},
		{"the earlier of two limits", cool(nil, limit, earlier), "stage derating acts", 0.5},
		{"a stop before a limit", cool(nil, limit, stop), "stall timer acts", 3},
		{"an opening before all", cool(nil, limit, stop, opens), "management acts", 4},
	} {
		t.Run(c.name, func(t *testing.T) {
			j, err := verdict.Judge(c.run)
			require.NoError(t, err)
			if c.what == "" {
				assert.Nil(t, j.First)
				return
			}
			require.NotNil(t, j.First)
			assert.Equal(t, c.what, j.First.What)
			assert.Equal(t, c.at, j.First.At)
			assert.Equal(t, "made up", j.First.Trial)
		})
	}
	hot := oneTrace(record.Part{Name: "compartment air", Trace: "air", Start: 300, Limit: 310, Close: 0.9}, 300, 320)
	hot.Events = []record.Event{opens}
	j, err := verdict.Judge(hot)
	require.NoError(t, err)
	assert.Equal(t, "compartment air passes its limit", j.First.What, "no current heats it, so none is named")
	assert.InDelta(t, 0.5, j.First.At, 1e-9)
}

func TestALimitThatComesAndGoesHunts(t *testing.T) {
	often := record.Event{At: 10, Until: 20, Device: "low-voltage derating", Kind: record.Limiting, Count: 4}
	j, err := verdict.Judge(cool(nil, often))
	require.NoError(t, err)
	assert.Equal(t, []string{"the low-voltage derating hunts: it came and went 4 times from 10 s to 20 s"}, j.Hunting)
	assert.Equal(t, verdict.Close, j.Level)
	side := verdict.Join(nil, []verdict.Trial{j})
	assert.Equal(t, []string{"hunting of the low-voltage derating"}, side.Reasons(), "close by nothing that was named")
	assert.Equal(t, "hunting of the low-voltage derating in "+j.Name, side.Gravest())
	seldom, note := often, often
	seldom.Count, note.Kind = 3, record.Note
	j, err = verdict.Judge(cool(nil, seldom, note))
	require.NoError(t, err)
	assert.Empty(t, j.Hunting)
	assert.Equal(t, verdict.Clear, j.Level)
}

// TestHeadingSaysWhatKindOfFirstItIs: what is printed before it must be true of it, whatever else acted sooner.
func TestHeadingSaysWhatKindOfFirstItIs(t *testing.T) {
	heading := func(kind record.EventKind) string { return (&verdict.First{Kind: kind}).Heading() }
	assert.Equal(t, "first protection to act", (*verdict.First)(nil).Heading())
	assert.Equal(t, "first limit to act", heading(record.Limiting))
	assert.Equal(t, "first stop by the controller", heading(record.Stopping))
	assert.Equal(t, "first to open or to pass a limit", heading(record.Protecting))
}

// TestInsulationLife: an hour at the limit uses an hour of life, an hour 10 K below it half of that.
func TestInsulationLife(t *testing.T) {
	for _, c := range []struct{ kelvin, hours float64 }{{400, 1}, {390, 0.5}, {380, 0.25}, {410, 2}} {
		r := oneTrace(record.Part{Name: "winding", Trace: "winding", Start: 300, Limit: 400, Close: 0.9}, c.kelvin, c.kelvin)
		r.Time = []float64{0, 3600}
		j, err := verdict.Judge(r)
		require.NoError(t, err)
		require.NotNil(t, j.Life)
		assert.InDelta(t, c.hours*3600, *j.Life, 1e-6*3600)
	}
	j, err := verdict.Judge(oneTrace(record.Part{Name: "fuse", Trace: "fuse", Measure: record.Melting}, 0))
	require.NoError(t, err)
	assert.Nil(t, j.Life, "no winding, no life")
}

func TestJoinTakesTheWorst(t *testing.T) {
	judge := func(r *record.Run, name string) verdict.Trial {
		r.Trial = name
		j, err := verdict.Judge(r)
		require.NoError(t, err)
		return j
	}
	limit := judge(cool(nil, event(1, "battery current limit", record.Limiting)), "harbour")
	opens := judge(cool(nil, event(900, "management", record.Protecting)), "outing")
	sooner := judge(cool(nil, event(800, "fuse", record.Protecting)), "hot day")
	stage := judge(cool(nil, event(1, "stage derating", record.Limiting)), "a hot day")
	quiet := judge(cool(nil), "crash stop")
	for _, c := range []struct {
		name     string
		findings []verdict.Finding
		trials   []verdict.Trial
		level    verdict.Level
		first    string
	}{
		{"nothing at all", nil, nil, verdict.Clear, ""},
		{"a quiet trial", nil, []verdict.Trial{quiet}, verdict.Clear, ""},
		{"a finding counts", []verdict.Finding{{Level: verdict.Close}}, []verdict.Trial{quiet}, verdict.Close, ""},
		{"a failed rule is over", []verdict.Finding{{Level: verdict.Close}, {Level: verdict.Over}}, []verdict.Trial{quiet}, verdict.Over, ""},
		{"a limit", nil, []verdict.Trial{quiet, limit}, verdict.Clear, "battery current limit acts"},
		{"an opening before a limit, however late", nil, []verdict.Trial{limit, opens}, verdict.Over, "management acts"},
		{"the earlier opening", nil, []verdict.Trial{opens, limit, sooner}, verdict.Over, "fuse acts"},
		{"the earlier opening, tried before the later", nil, []verdict.Trial{sooner, limit, opens}, verdict.Over, "fuse acts"},
		{"of two limits at one instant the first by name", nil, []verdict.Trial{stage, limit}, verdict.Clear, "battery current limit acts"},
		{"whichever is tried first", nil, []verdict.Trial{limit, stage}, verdict.Clear, "battery current limit acts"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := verdict.Join(c.findings, c.trials)
			assert.Equal(t, c.level, s.Level)
			if c.first == "" {
				assert.Nil(t, s.First)
				return
			}
			require.NotNil(t, s.First)
			assert.Equal(t, c.first, s.First.What)
		})
	}
}

func TestWorstNamesTheTrialThatUsesMostOfEachPart(t *testing.T) {
	part := func(name string, limit float64) record.Part {
		return record.Part{Name: name, Trace: name, Start: 300, Limit: limit, Close: 0.9}
	}
	trial := func(name string, values map[string]float64) verdict.Trial {
		r := &record.Run{Trial: name, Time: []float64{0}}
		for _, p := range []record.Part{part("winding", 400), part("heat sink", 350)} {
			if v, ok := values[p.Name]; ok {
				r.Parts = append(r.Parts, p)
				r.Traces = append(r.Traces, record.Trace{Name: p.Name, Values: []float64{v}})
			}
		}
		j, err := verdict.Judge(r)
		require.NoError(t, err)
		return j
	}
	side := verdict.Join(nil, []verdict.Trial{
		trial("harbour", map[string]float64{"winding": 350}),
		trial("outing", map[string]float64{"winding": 390, "heat sink": 340}),
		trial("hot day", map[string]float64{"winding": 380, "heat sink": 345}),
	})
	parts, from := side.Worst()
	require.Len(t, parts, 2)
	assert.Equal(t, "winding", parts[0].Name)
	assert.Equal(t, 390.0, parts[0].Peak)
	assert.Equal(t, "heat sink", parts[1].Name)
	assert.Equal(t, 345.0, parts[1].Peak)
	assert.Equal(t, []string{"outing", "hot day"}, from)
}

func TestLevelsHaveNames(t *testing.T) {
	assert.Equal(t, "clear", verdict.Clear.String())
	assert.Equal(t, "close", verdict.Close.String())
	assert.Equal(t, "over", verdict.Over.String())
}

// A run that did not reach its end, or that shows only some of the parts, is not judged, unless what was seen is over.
func TestWhatCannotBeJudgedIsNot(t *testing.T) {
	sound := record.Run{
		Time: []float64{0, 1}, Traces: []record.Trace{{Name: "winding", Unit: "°C", Values: []float64{300, 310}}},
		Parts: []record.Part{{Name: "winding", Trace: "winding", Unit: "°C", Start: 300, Limit: 400, Close: 0.9}},
	}
	for name, c := range map[string]struct {
		change func(*record.Run)
		want   verdict.Level
		why    string
	}{
		"whole":          {func(*record.Run) {}, verdict.Clear, ""},
		"stopped":        {func(r *record.Run) { r.Stopped = "cancelled: by hand" }, verdict.NotJudged, "it did not run to its end: cancelled: by hand"},
		"parts left out": {func(r *record.Run) { r.LeftOut = []string{"battery", "fuse"} }, verdict.NotJudged, "what was measured does not show battery, fuse"},
		"nothing":        {func(r *record.Run) { r.Parts = nil }, verdict.NotJudged, "too little was measured for any part to be judged"},
		"doubted":        {func(r *record.Run) { r.Doubts = []string{"from 1 s to 2 s there are no readings"} }, verdict.NotJudged, "from 1 s to 2 s there are no readings"},
		"a part unsure":  {func(r *record.Run) { r.Parts[0].Unsure = "not known" }, verdict.NotJudged, "winding: not known"},
		"stopped, over": {func(r *record.Run) {
			r.Stopped, r.Traces = "limit: the winding", []record.Trace{{Name: "winding", Unit: "°C", Values: []float64{300, 410}}}
		}, verdict.Over, "it did not run to its end: limit: the winding"},
	} {
		r := sound
		r.Parts = slices.Clone(sound.Parts)
		c.change(&r)
		got, err := verdict.Judge(&r)
		require.NoError(t, err)
		assert.Equal(t, c.want, got.Level, name)
		assert.Equal(t, c.why, strings.Join(got.Unjudged, "; "), name)
	}
	assert.Equal(t, []string{"clear", "close", "not judged", "over"}, []string{verdict.Clear.String(), verdict.Close.String(), verdict.NotJudged.String(), verdict.Over.String()})
}

// TestNothingIsJudgedBeyondAnOpenedCircuit: what a trial tries after a device that it does not expect has opened was not tried, and no part is clear that a longer run
// might have heated; a part that is over is over, and what a trial expects cuts nothing short. Over several trials such a part is not judged, unless it is close or over.
func TestNothingIsJudgedBeyondAnOpenedCircuit(t *testing.T) {
	run := func(trial string, peak float64, expect []string, events ...record.Event) verdict.Trial {
		r := &record.Run{
			Trial: trial, Time: []float64{0, 14, 1800}, Events: events, Expect: expect, Traces: []record.Trace{{Name: "winding", Unit: "°C", Values: []float64{300, peak, 300}}},
			Parts: []record.Part{{Name: "winding", Trace: "winding", Unit: "°C", Start: 300, Limit: 400, Close: 0.9}},
		}
		j, err := verdict.Judge(r)
		require.NoError(t, err)
		return j
	}
	opens := record.Event{At: 14, Device: "management", What: "management opens", Kind: record.Protecting}
	cut := run("cut", 310, nil, opens)
	assert.Equal(t, verdict.Over, cut.Level)
	assert.Equal(t, verdict.NotJudged, cut.Parts[0].Level)
	assert.Equal(t, "nothing is judged beyond 14 s: the management opens then, and what comes after was not driven", cut.Cut)
	assert.Equal(t, verdict.Over, run("hot", 410, nil, opens).Parts[0].Level)
	expected := run("expected", 310, []string{"management"}, opens)
	assert.Equal(t, verdict.Clear, expected.Parts[0].Level)
	assert.Empty(t, expected.Cut)
	mayOpen := run("may", 310, nil, record.Event{At: 14, Device: "fuse", Kind: record.Protecting, Latest: math.Inf(1)})
	assert.Equal(t, verdict.Clear, mayOpen.Parts[0].Level, "a fuse that holds as long as it may")

	side := verdict.Join(nil, []verdict.Trial{run("long", 350, nil), cut})
	parts, trials := side.Worst()
	assert.Equal(t, []string{"long"}, trials)
	assert.Equal(t, verdict.NotJudged, parts[0].Level)
	side = verdict.Join(nil, []verdict.Trial{run("long", 395, nil), cut})
	parts, _ = side.Worst()
	assert.Equal(t, verdict.Close, parts[0].Level)
}
