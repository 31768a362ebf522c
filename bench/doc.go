// Package bench is the front door: a few verbs over the rooms below it.
//
//	setup, err := bench.Load("petrel")                 // a boat and its settings
//	findings := bench.Check(setup)                     // rules that need no simulation
//	tried, err := bench.Try(ctx, setup, bench.TryOptions{Set: []string{`limits.motor_current=220 A`}})
//
// The library never prints and takes a context for anything long. It reads no arguments, environment or clock of the process by
// itself: they come in by parameters. The exceptions stand for a program or for hardware: RunScript prints a script's error and
// exits; RunScript and StartScript read the process's arguments and watch for an interrupt; a real serial line waits by the machine's
// clock (link/port), and so does a step test whose options name no other (measure.Options.Clock). [Caution] holds for all of it.
package bench

import "quaybench/bench/layout"

// Caution stands on every result, report and write to hardware.
const Caution = "A simulation is no proof of safety. Follow the makers' limits, the standards and codes that apply where you are, and licensed practice; these results are only as good as the numbers in your files."

// CautionLines returns the caution in lines of 80 columns, as a script prints it.
func CautionLines() string { return layout.Wrap(Caution, 80) }

// Version of the tool, kept with every result.
const Version = "0.1.0"
