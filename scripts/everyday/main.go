// Everyday tasks, each a function to take from.
//
// Purpose: show what a script says for the tasks that come up most: the hottest part, the cheapest setting that stays clear, versions of
// the book, a test with its own stop rule, readings beside their prediction, a report.
// Needs: a boat; for a task with readings, a CSV file named after it: quaybench run scripts/everyday petrel readings monday.csv
// Records: what its step test records.
// Flags: any part that is close to its limit or over it, and what parts from its prediction.
// Caution: A simulation is no proof of safety. Follow the makers' limits, the standards and codes that apply where you are, and
// licensed practice; these results are only as good as the numbers in your files. A hard-wired stop in somebody's hand.
package main

import (
	"fmt"
	"strings"

	"quaybench/bench"
)

func main() { bench.RunScript(everyday, "cmd/quaybench/demo/petrel") }

var tasks = []struct {
	name string
	run  func(s *bench.Script) error
}{{"part", hottest}, {"cheapest", cheapest}, {"stop", stopRule}, {"versions", versions}, {"readings", readings}, {"report", report}}

// everyday runs the task that is named behind the boat; without a name those that need nothing else.
func everyday(s *bench.Script) error {
	if len(s.Args) == 0 {
		for _, t := range tasks[:3] {
			if err := t.run(s); err != nil {
				return err
			}
		}
		return nil
	}
	var names []string
	for _, t := range tasks {
		if t.name == s.Args[0] {
			return t.run(s)
		}
		names = append(names, t.name)
	}
	return fmt.Errorf("no task %q; there are %s", s.Args[0], strings.Join(names, ", "))
}

// hottest: one part's verdict, and a trace's largest value.
func hottest(s *bench.Script) error {
	r, err := s.Simulate(bench.NewProgramme("half a minute ahead", 30).To(1, 0.8, 2))
	if err != nil {
		return err
	}
	winding, err := r.Part("winding")
	if err != nil {
		return err
	}
	current, err := bench.Max(r.Run, "motor current")
	if err != nil {
		return err
	}
	fmt.Println("winding:", winding.Level, "at", bench.Format(winding.Peak, "°C"), "with up to", bench.Format(current, "A"))
	return nil
}

// cheapest: a table of two settings, and the row of least energy that stays clear.
func cheapest(s *bench.Script) error {
	p := bench.NewProgramme("away from the quay", 60).To(1, 1, 1).Underway()
	table, err := s.Sweep(p, "limits.motor_current", "100 A, 120 A, 140 A", "ramp.rise", "1 s, 3 s")
	if err != nil {
		return err
	}
	fmt.Print(table)
	best, err := table.Cheapest()
	if err != nil {
		return err
	}
	fmt.Println("cheapest:", strings.Join(best.Values, ", "))
	return nil
}

// stopRule: one step test that ends by a rule of its own.
func stopRule(s *bench.Script) error {
	p := bench.NewProgramme("up to 100 A", 30).To(1, 1, 20).StopWhen("motor current", "above 100 A")
	r, err := s.Step(p)
	if err != nil {
		return err
	}
	fmt.Print(r.Summary())
	return nil
}

// versions: what the newest settings changed since a version of the book: versions BOAT LABEL.
func versions(s *bench.Script) error {
	if len(s.Args) < 3 {
		return fmt.Errorf("name a boat of the book and a version: versions petrel spring")
	}
	earlier, err := s.Profile(s.Args[1], s.Args[2])
	if err != nil {
		return err
	}
	for _, d := range s.Differences(earlier) {
		fmt.Println(d)
	}
	return nil
}

// readings: what was measured, over its prediction: readings FILE.csv, a record or what another logger wrote.
func readings(s *bench.Script) error {
	if len(s.Args) < 2 {
		return fmt.Errorf("name a CSV file: readings monday.csv")
	}
	compared, err := s.Compare(s.Args[1])
	if err != nil {
		return err
	}
	fmt.Print(compared.Summary())
	return s.Report(compared)
}

// report: hands a result to --report and --plot.
func report(s *bench.Script) error {
	tried, err := s.TryIn("harbour", "limits.motor_current=160 A")
	if err != nil {
		return err
	}
	fmt.Println("verdict:", tried.Level())
	return s.Report(tried)
}
