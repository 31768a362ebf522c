package report

import (
	"errors"
	"flag"
	"math"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

var update = flag.Bool("update", false, "rewrite golden files")

func set(t testing.TB) settings.Set {
	t.Helper()
	name := filepath.Join("..", "..", "cmd", "quaybench", "demo", "petrel", "settings.toml")
	text, err := os.ReadFile(name)
	require.NoError(t, err)
	s, _, err := settings.Read(name, text)
	require.NoError(t, err)
	return s
}

const caution = "A simulation is no proof of safety: these words stand for the real ones."

func made() Made {
	return Made{Tool: "0.0-test", Command: "quaybench try petrel", When: time.Date(2026, 5, 4, 3, 2, 1, 0, time.UTC), BoatFile: "boat.toml", BoatHash: "0123456789abcdef", SettingsFile: "settings.toml"}
}

// ran runs trials once for all tests.
var ran = struct {
	sync.Mutex
	sides map[string][][]verdict.Trial
}{sides: map[string][][]verdict.Trial{}}

// triedPaper returns a report of petrel with 240 A of motor current beside its own settings, in these trials.
func triedPaper(t testing.TB, trials ...string) *Paper {
	t.Helper()
	b, s := petrel(t), set(t)
	raised, err := s.With("limits.motor_current", "240 A")
	require.NoError(t, err)
	ran.Lock()
	defer ran.Unlock()
	key := ""
	var list []*trial.Trial
	for _, name := range trials {
		k, err := trial.Builtin(name)
		require.NoError(t, err)
		list, key = append(list, k), key+" "+name
	}
	judged, ok := ran.sides[key]
	if !ok {
		judged, err = study.RunAll(t.Context(), b, []settings.Set{s, raised}, list, simulate.Options{}, nil)
		require.NoError(t, err)
		ran.sides[key] = judged
	}
	proposed := verdict.Join(verdict.Static(b, raised), judged[1])
	return &Paper{
		Boat: b, Settings: s, Proposal: &raised, NoApproval: "No version has been approved.", Caution: caution, Made: made(),
		Result: &Tried{Asked: list, Present: verdict.Join(verdict.Static(b, s), judged[0]), Proposed: &proposed},
	}
}

// smallRun returns a run made by hand: what its charts show is known.
func smallRun() *record.Run {
	r := &record.Run{Boat: "petrel", Trial: "by hand", Provenance: record.Provenance{Source: "simulation"}}
	var lever, motor, battery, winding []float64
	for i := range 61 {
		t := float64(i)
		r.Time = append(r.Time, t)
		on := 0.0
		if t >= 5 {
			on = 1
		}
		lever, motor, battery = append(lever, on), append(motor, 140*on), append(battery, 70*on)
		winding = append(winding, 298.15+100*(1-math.Exp(-t/20)))
	}
	motor[30] = 333 // one sample
	r.Traces = []record.Trace{
		{Name: record.Lever, Unit: "%", Values: lever}, {Name: record.MotorCurrent, Unit: "A", Values: motor},
		{Name: record.BatteryCurrent, Unit: "A", Values: battery}, {Name: "winding", Unit: "°C", Values: winding},
	}
	r.Events = []record.Event{
		{At: 5, Until: 20, Device: "battery current limit", What: "battery current limit holds the motor current down", Kind: record.Limiting, Count: 1},
		{At: 40, Device: "stall timer", What: "stall timer stops the motor", Kind: record.Stopping, Count: 1},
	}
	r.Parts = []record.Part{{Name: "winding", Trace: "winding", Unit: "°C", Limit: 400, Start: 298.15, Close: 0.9, Consequence: "insulation ages", Current: "motor"}}
	return r
}

// paperOf returns a report on petrel about any result.
func paperOf(t testing.TB, result Result) *Paper {
	return &Paper{Boat: petrel(t), Settings: set(t), NoApproval: "No version has been approved.", Caution: caution, Made: made(), Result: result}
}

// stepPaper returns a report of a step test made by hand: measured, inferred and predicted.
func stepPaper(t testing.TB) *Paper {
	t.Helper()
	predicted, measured := smallRun(), smallRun()
	measured.Traces[3].Inferred = true
	b := PredictedBand{Trace: record.MotorCurrent, Predicted: record.MotorCurrent}
	for _, v := range predicted.Traces[1].Values {
		b.Low, b.High = append(b.Low, v-10), append(b.High, v+10)
	}
	for _, v := range measured.Traces[3].Values {
		measured.Traces[3].Low, measured.Traces[3].High = append(measured.Traces[3].Low, v-5), append(measured.Traces[3].High, v+5)
	}
	judged, err := verdict.Judge(measured)
	require.NoError(t, err)
	differences, err := record.Compare(predicted, measured)
	require.NoError(t, err)
	return paperOf(t, &Step{
		Measured: measured, Verdict: judged, Predicted: predicted, Bands: []PredictedBand{b}, Draws: 200, Differences: differences,
		Finished: true, Ended: "the programme ran to its end", EndedAt: 60,
	})
}

func probability(v, low, high float64) study.Probability {
	return study.Probability{Value: v, Low: low, High: high}
}

// papers returns a report of every kind.
func papers(t testing.TB) map[string]*Paper {
	t.Helper()
	nan, inf := math.NaN(), math.Inf(1)
	return map[string]*Paper{
		"try":    triedPaper(t, "hot-restart", "locked-shaft"),
		"one":    triedPaper(t, "full-throttle"),
		"step":   stepPaper(t),
		"nobody": paperOf(t, &Step{Measured: &record.Run{Trial: "none", Time: []float64{0}}, Predicted: smallRun(), Ended: "stopped by hand"}),
		"highest": paperOf(t, &Highest{Highest: study.Highest{Unit: "A",
			Key: "limits.motor_current", Present: 140, PresentClear: true, Value: 174, Next: 175, Low: 14, High: 500, Tried: 31,
			NextLimit: &study.NextLimit{What: "winding (motor current)", Trial: "hot-day"}, Gaps: []study.Gap{{From: 20, To: 30}, {From: 300, To: 310, Clear: true}},
		}, Trials: []string{"hot-day"}}),
		"none clear": paperOf(t, &Highest{Highest: study.Highest{Unit: "A", Key: "limits.motor_current", Present: 140, Value: nan, Next: nan, Low: 14, High: 500}, Trials: []string{"hot-day"}, Odds: 0.95, Draws: 100}),
		"front": paperOf(t, &Front{Front: study.Front{Keys: [2]string{"limits.battery_current", "limits.motor_current"}, Units: [2]string{"A", "A"}, Points: []study.FrontPoint{
			{First: 50, Second: 260}, {First: 100, Second: 180, NextLimit: &study.NextLimit{What: "winding", Trial: "hot-day"}}, {First: 150, Second: nan},
		}}, Trials: []string{"hot-day"}}),
		"envelope": paperOf(t, &Envelope{Envelope: study.Envelope{Longest: 3600, Points: []study.Hold{
			{Current: 100, Reached: 100, Flows: 100, Time: inf, Peaks: []study.Peak{{Part: "winding", Used: 0.5}}}, {Current: 200, Reached: 190, Flows: 190, Time: 1200, Part: "winding"}, {Current: 250, Reached: 250, Flows: 180, Time: 1100, Part: "winding"}, {Current: 300, Reached: 300, Flows: 300, Time: 12, Part: "management"},
		}}, Air: 298.15, Note: ", the boat moored"}),
		"odds": paperOf(t, &Odds{Odds: study.Odds{
			Runs: 200, LeftOut: study.LeftOut{Draws: 203, NoDrive: 3, WhyNoDrive: errors.New("boat petrel: propeller: outside its series")}, Over: probability(0.2, 0.15, 0.26), Target: "winding", In: "hot-day",
			Parts:    []study.PartOdds{{Part: "winding", Current: "motor", Over: probability(0.2, 0.15, 0.26), Median: 0.92, High: 1.1, Trial: "hot-day"}, {Part: "rotor speed", Over: probability(0, 0, 0.018), Median: 0.4, High: 0.5, Trial: "hot-day"}},
			Devices:  []study.DeviceOdds{{Device: "fuse", Opens: probability(0.01, 0.001, 0.04)}},
			Unknowns: []study.Unknown{{Key: "motor.resistance", Tolerance: 0.1, Indices: study.Indices{First: 0.8, FirstError: 0.06, Total: 0.85, TotalError: 0.05}}},
		}, Trials: []string{"hot-day"}, Seed: 7}),
	}
}

// named puts a text in every place of a report where a user's words go.
func named(t testing.TB, name string) *Paper {
	t.Helper()
	b := *petrel(t)
	b.Name, b.About = name, name
	b.Cables = append([]boat.Cable{}, b.Cables...)
	b.Cables[0].Name = name
	r := smallRun()
	r.Trial, r.Events[0].What, r.Parts[0].Name, r.Parts[0].Consequence = name, name, name, name
	r.Traces[3].Name, r.Parts[0].Trace = name, name
	r.Parts[0].Limit = 350 // over
	judged, err := verdict.Judge(r)
	require.NoError(t, err)
	s := set(t)
	m := made()
	m.Command, m.BoatFile = name, name
	return &Paper{
		Boat: &b, Settings: s, Approved: &Approved{Settings: s, Version: name, By: name, When: m.When, Despite: name}, Caution: caution, Made: m,
		Result: &Tried{Present: verdict.Join([]verdict.Finding{{Rule: name, Level: verdict.Over, Text: name, Source: name, Change: &verdict.Change{Key: name, From: name, To: name, Why: name}}}, []verdict.Trial{judged}), Change: []verdict.Change{{Key: name, From: name, To: name, Why: name}}},
	}
}
