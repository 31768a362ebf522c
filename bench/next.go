package bench

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/learn"
	"quaybench/bench/link"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// NextTest is a test that could be made next, and what it would make of the tightest margin.
type NextTest struct {
	Trial   string
	With    string  // which meters, in words
	Minutes float64 // it takes
	Now     float64 // half-width of the margin's 95 % band afterwards, SI
	Level   verdict.Level
}

// NextTests are all of them, the one that narrows most per minute first; tests that are not clear stand last.
type NextTests struct {
	Setup *Setup
	Tight *learn.Tight
	Tests []NextTest
	// AtHand is what is read, in words; "": sets that people usually have.
	AtHand string
	// LeftOut names tests and meters that were asked for, or are shipped, and are of no use here, and why.
	LeftOut []string
}

// NextOptions say which tests are asked. The zero value: all built-in trials that a person can run, with the sets of meters that people usually have.
type NextOptions struct {
	Trials []*trial.Trial // none: the built-in ones
	Also   []*trial.Trial // beside those: programmes of scripts, named after them
	Meters []string       // at hand, by the names of NextMeters; none: usual sets
}

// meterSet is what is read, by hand or by telemetry.
type meterSet struct {
	with      string
	telemetry bool
	traces    []string
}

// What is read beside the meters of a sheet. The resistance of the hot winding is read with a milliohmmeter or from current and voltage at standstill right after the lever
// went to neutral; hotWinding, 1.5 % of it, are 4 K (copper, IEC 60034-1's 235 K + θ). spotError is the half-width of what a contact thermometer, or infrared on tape, misses
// right after stopping, K (common practice, no source).
const (
	meterWinding   = "winding resistance"
	meterSpot      = "thermometer"
	meterTelemetry = "telemetry"

	winding    = "winding"
	hotWinding = 4.0
	spotError  = 5.0
)

// telemetered are the channels that a controller's line or a logger shows ten times a second.
var telemetered = link.Names(func(k link.Kind) bool { return k.Panel })

// NextMeters lists the meters that may be at hand.
func NextMeters() []string { return append(sheetNames(), meterWinding, meterSpot, meterTelemetry) }

// meterSets returns what can be read with the meters at hand, else with those that people usually have; without says of one that is of no use here why.
func (n *NextTests) meterSets(atHand []string) (sets []meterSet, without []string, err error) {
	says := func(m string) string {
		if m == meterSpot {
			return "thermometer on the " + n.Tight.Part
		}
		return quantity.Spoken(m)
	}
	set := func(with string, telemetry bool, meters ...string) {
		k := meterSet{with: with, telemetry: telemetry}
		for _, m := range meters {
			switch m {
			case meterWinding:
				k.traces = append(k.traces, winding)
			case meterSpot:
				k.traces = append(k.traces, n.Tight.Part)
			default:
				k.traces = append(k.traces, traceOfMeter(m))
			}
		}
		sets = append(sets, k)
	}
	if len(atHand) == 0 {
		of := func(who string) []string { return link.Names(func(k link.Kind) bool { return k.Usual == who }) }
		panel := of("panel")
		set("panel", false, panel...)
		set("panel, clamp meter, infrared", false, append(slices.Concat(panel, of("toolbox")), housing)...)
		set("panel, winding resistance", false, append(slices.Clone(panel), meterWinding)...)
		set("telemetry", true, telemetered...)
		set("telemetry, winding resistance", true, append(slices.Clone(telemetered), meterWinding)...)
		if n.spotted() {
			set("panel, "+says(meterSpot), false, append(slices.Clone(panel), meterSpot)...)
		}
		return sets, nil, nil
	}
	var hand []string
	telemetry := false
	for _, m := range atHand {
		switch {
		case !slices.Contains(NextMeters(), m):
			return nil, nil, fmt.Errorf("there is no meter %q: those at hand may be %s", m, strings.Join(NextMeters(), ", "))
		case m == meterTelemetry:
			telemetry = true
		case m == meterSpot && !n.spotted():
			without = append(without, "a thermometer does not reach the "+n.Tight.Part)
		case !slices.Contains(hand, m):
			hand = append(hand, m)
		}
	}
	spoken := func(list []string) string {
		var words []string
		for _, m := range list {
			words = append(words, says(m))
		}
		return strings.Join(words, ", ")
	}
	switch {
	case telemetry:
		hand = slices.DeleteFunc(hand, func(m string) bool { return slices.Contains(telemetered, m) })
		set(spoken(append([]string{meterTelemetry}, hand...)), true, append(slices.Clone(telemetered), hand...)...)
	case len(hand) == 0:
		return nil, nil, fmt.Errorf("none of these meters reads anything that narrows the margin: %s", strings.Join(without, "; "))
	default:
		set(spoken(hand), false, hand...)
	}
	return sets, without, nil
}

// longest a person stays at it, s.
const longestNext = 3 * 3600.0

// FindNextTests asks of tests and of sets of meters which would narrow the tightest margin most. It works by derivatives around the boat file:
// sensitivities of the record to the values, their posterior covariance, the variance of the margin.
func FindNextTests(ctx context.Context, s *Setup, o NextOptions) (*NextTests, error) {
	all, err := s.trials(nil)
	if err != nil {
		return nil, err
	}
	out := &NextTests{Setup: s}
	if out.Tight, err = learn.Tightest(ctx, s.Boat, s.Settings, all); err != nil {
		return nil, err
	}
	sets, without, err := out.meterSets(o.Meters)
	if err != nil {
		return nil, err
	}
	out.LeftOut = without
	if len(o.Meters) > 0 {
		out.AtHand = sets[0].with
	}
	trials := s.Variant().Trials(o.Trials)
	if len(trials) == 0 {
		trials = slices.DeleteFunc(all, func(t *trial.Trial) bool {
			return t.Duration > longestNext || t.Load != "normal" || t.Electrical || len(t.Expect) > 0 || t.CoolingLostFrom < t.Duration
		})
	}
	leaves := func(t *trial.Trial, why string) { out.LeftOut = append(out.LeftOut, t.Name+": "+why) }
	for _, t := range append(trials, s.Variant().Trials(o.Also)...) {
		if why := notLearned(t); why != "" {
			leaves(t, why)
			continue
		}
		run, err := simulate.Run(ctx, s.Boat, s.Settings, t, simulate.Options{})
		if err != nil {
			if ctx.Err() != nil {
				return nil, context.Cause(ctx)
			}
			leaves(t, "the boat as its file has it cannot be simulated in it")
			continue
		}
		judged, err := verdict.Judge(run)
		if err != nil {
			leaves(t, err.Error())
			continue
		}
		for _, telemetry := range []bool{false, true} {
			var with []string
			var traces [][]string
			for _, k := range sets {
				if k.telemetry == telemetry {
					with, traces = append(with, k.with), append(traces, k.traces)
				}
			}
			if len(with) == 0 {
				continue
			}
			plan := out.plan(t, telemetry)
			if len(plan.At) == 0 {
				leaves(t, "it moves the lever too fast to read anything by hand")
				continue
			}
			gains, err := out.Tight.Narrows(ctx, s.Boat, s.Settings, plan, traces)
			if err != nil {
				if ctx.Err() != nil {
					return nil, context.Cause(ctx)
				}
				leaves(t, err.Error())
				break
			}
			for i, g := range gains {
				out.Tests = append(out.Tests, NextTest{Trial: t.Name, With: with[i], Minutes: t.Duration / 60, Now: g, Level: judged.Level})
			}
		}
	}
	if len(out.Tests) == 0 {
		return nil, fmt.Errorf("no test is left that could be read: %s", strings.Join(append(out.LeftOut, "name others with --trial"), "; "))
	}
	rate := func(n NextTest) float64 { return (out.Tight.Around - n.Now) / (n.Minutes + setUp) }
	slices.SortStableFunc(out.Tests, func(a, b NextTest) int {
		switch {
		case (a.Level == verdict.Clear) != (b.Level == verdict.Clear):
			if a.Level == verdict.Clear {
				return -1
			}
			return 1
		case rate(a) > rate(b):
			return -1
		case rate(a) < rate(b):
			return 1
		}
		return 0
	})
	return out, nil
}

// setUp is how long it takes to get ready, min (common practice, no source).
const setUp = 15.0

// spotted reports whether a thermometer can be held to the part that is tightest: a winding, magnets or a junction are out of reach.
func (n *NextTests) spotted() bool {
	part := n.Tight.Part
	return part == "commutator" || part == "heat sink" || part == "battery" || strings.HasSuffix(part, "cable") || slices.ContainsFunc(n.Setup.Boat.Joints, func(j boat.Joint) bool { return j.Name == part })
}

// plan returns a trial as it is read by hand, or ten times a second, of which one reading in ten stands for all. What is read by hand beside telemetry is read as without it.
func (n *NextTests) plan(t *trial.Trial, telemetry bool) *learn.Plan {
	p := handPlan(t, sheetNames())
	if len(p.At) == 0 {
		return p
	}
	if telemetry {
		hand := p.At
		p.At = nil
		for x := 1.0; x < t.Duration; x++ {
			p.At = append(p.At, x)
		}
		p.At = append(p.At, hand...)
		slices.Sort(p.At)
		p.At = slices.Compact(p.At)
		p.Only[record.BoatSpeed] = hand
	}
	last := []float64{p.At[len(p.At)-1]}
	p.Only[winding] = last
	p.Traces = append(p.Traces, winding)
	if n.spotted() {
		p.Only[n.Tight.Part], p.Traces = last, append(p.Traces, n.Tight.Part)
	}
	p.Meters = map[string]*record.Meter{winding: {Offset: hotWinding}, n.Tight.Part: {Offset: spotError}}
	return p
}

// MarshalJSON writes what to do next as one object, format 1, SI.
func (n *NextTests) MarshalJSON() ([]byte, error) {
	type test struct {
		Trial   string  `json:"trial"`
		With    string  `json:"with"`
		Minutes float64 `json:"minutes"`
		Now     float64 `json:"half_width_after"`
		Level   string  `json:"verdict"`
		By      float64 `json:"narrows_by"`
	}
	out := struct {
		Format  int      `json:"format"`
		Boat    string   `json:"boat"`
		Caution string   `json:"caution"`
		Part    string   `json:"part"`
		Trial   string   `json:"trial"`
		Unit    string   `json:"unit"`
		Margin  float64  `json:"margin"`
		Half    float64  `json:"half_width"`
		Tests   []test   `json:"tests"`
		LeftOut []string `json:"left_out"`
	}{1, n.Setup.Boat.Name, Caution, n.Tight.Part, n.Tight.Trial, siUnit(n.Tight.Unit), n.Tight.Before, n.Tight.Around, nil, append([]string{}, n.LeftOut...)}
	for _, t := range n.Tests {
		out.Tests = append(out.Tests, test{t.Trial, t.With, t.Minutes, t.Now, t.Level.String(), n.Tight.Around - t.Now})
	}
	return json.Marshal(out)
}
