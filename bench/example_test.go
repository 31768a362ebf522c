package bench_test

import (
	"context"
	"fmt"
	"os"

	"quaybench/bench"
	"quaybench/bench/report"
	"quaybench/bench/study"
	"quaybench/bench/trial"
)

// The highest motor current that stays clear at full throttle. The search is rough, to be quick. The boat is invented.
func ExampleHighest() {
	setup, err := bench.Load("../cmd/quaybench/demo/petrel")
	if err != nil {
		fmt.Println(err)
		return
	}
	full, err := bench.LoadTrial("full-throttle")
	if err != nil {
		fmt.Println(err)
		return
	}
	highest, err := bench.FindHighest(context.Background(), setup, "limits.motor_current", []*trial.Trial{full}, study.HighestOptions{Grid: 5, Exact: 0.05})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("now:", bench.Format(highest.Present, "A"))
	fmt.Printf("clear up to %.0f A, no longer at %.0f A\n", highest.Value, highest.Next)
	fmt.Println("next limit reached:", highest.NextLimit.What)
	// Output:
	// now: 140 A
	// clear up to 180 A, no longer at 188 A
	// next limit reached: the motor current limit, 188 A of motor current, is more than the motor cable may carry for ever where it lies, 184 A
}

// How likely a part passes its limit at full throttle with 240 A, over the tolerances of the boat file. The boat is invented.
func ExampleFindOdds() {
	setup, err := bench.Load("../cmd/quaybench/demo/petrel")
	if err != nil {
		fmt.Println(err)
		return
	}
	setup.Settings, err = bench.Assign(setup.Settings, []string{"limits.motor_current=240 A"})
	if err != nil {
		fmt.Println(err)
		return
	}
	full, err := bench.LoadTrial("full-throttle")
	if err != nil {
		fmt.Println(err)
		return
	}
	odds, err := bench.FindOdds(context.Background(), setup, []*trial.Trial{full}, study.OddsOptions{Draws: 20, Seed: 1})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%d boats judged; over in %.0f %% of them, in %.0f to %.0f %% of all by a 95 %% interval\n", odds.Runs, 100*odds.Over.Value, 100*odds.Over.Low, 100*odds.Over.High)
	// Output:
	// 20 boats judged; over in 60 % of them, in 36 to 81 % of all by a 95 % interval
}

// A step test on the simulated controller, in virtual time. The boat is invented.
func ExampleScript_Step() {
	s, err := bench.StartScriptIn(bench.ScriptHost{
		Args: []string{"../cmd/quaybench/demo/petrel"}, Context: context.Background, Load: bench.Load, Run: bench.RunSimulated,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	result, err := s.Step(bench.NewProgramme("nudge", 2).To(0.2, 0.3, 0.2).To(1.5, 0, 0.2))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Print(result.Summary())
	// Output:
	// test: finished
	// verdict: clear
	// A simulation is no proof of safety. Follow the makers' limits, the standards and
	// codes that apply where you are, and licensed practice; these results are only as
	// good as the numbers in your files.
}

// A script compares the boat's settings with a version in the book. The book here is a stand-in of one version; `quaybench run` gives
// a script the real one. The boat is invented.
func ExampleScript_Profile() {
	s, err := bench.StartScriptIn(bench.ScriptHost{
		Args: []string{"../cmd/quaybench/demo/petrel"}, Context: context.Background, Load: bench.Load,
		Profile: func(_ context.Context, boat, version string) (*bench.Setup, error) {
			setup, err := bench.Load("../cmd/quaybench/demo/" + boat)
			if err != nil {
				return nil, err
			}
			setup.Settings, err = bench.Assign(setup.Settings, []string{"limits.motor_current=160 A", "ramp.rise=3 s"})
			return setup, err
		},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	summer, err := s.Profile("petrel", "summer")
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, difference := range s.Differences(summer) {
		fmt.Println(difference)
	}
	// Output:
	// limits.motor_current: 140 A here, 160 A there
	// ramp.rise: 2.5 s here, 3 s there
}

// What the rules find, as text of a screen 70 columns wide. The boat is invented.
func Example_report() {
	setup, err := bench.Load("../cmd/quaybench/demo/petrel")
	if err != nil {
		fmt.Println(err)
		return
	}
	setup.Settings, err = bench.Assign(setup.Settings, []string{"derating.stage_start=90 °C", "derating.stage_end=75 °C"})
	if err != nil {
		fmt.Println(err)
		return
	}
	paper := report.Paper{Boat: setup.Boat, Settings: setup.Settings, Result: report.Findings(bench.Check(setup)), Caution: bench.Caution}
	if err := paper.Text(os.Stdout, report.Screen{Width: 70}); err != nil {
		fmt.Println(err)
	}
	// Output:
	// petrel: invented 48 V harbour launch, 6.5 m, for the demo
	//
	//   clear  fuse-against-cable: the fuse is as small as the standards ask
	//          for the battery cables
	//          mind: from 234 A to 256 A of battery current nothing protects
	//          the battery cable but the settings (battery current limit
	//          130 A); before a slow fuse of 160 A opens the battery cable
	//          can reach 150 °C, at 436 A of battery current; it is rated
	//          for 90 °C
	//   over   derating-order: stage derating ends at 75 °C, not above its
	//          start at 90 °C: the limit would fall at once
	//          change derating.stage_start from 90 °C to 65 °C (10 K below
	//          the end)
	//          source: order of the law: the limits fall from start to end
	// A simulation is no proof of safety. Follow the makers' limits, the
	// standards and codes that apply where you are, and licensed practice;
	// these results are only as good as the numbers in your files.
}
