// Package bench is the front door: a few verbs over the rooms below it.
//
//	setup, err := bench.Load("petrel")                 // a boat and its settings
//	findings := bench.Check(setup)                     // rules that need no simulation
//	tried, err := bench.Try(ctx, setup, bench.TryOptions{Set: []string{`limits.motor_current=220 A`}})
//
// The library never prints, reads no global state, and takes a context for anything long. A simulation is no proof of
// safety: follow the makers' limits, the standards and codes that apply where you are, and licensed practice.
package bench

// Caution stands on every result, report and write to hardware.
const Caution = "A simulation is no proof of safety. Follow the makers' limits, the standards and codes that apply where you are, and licensed practice; what is reckoned here is only as good as the numbers in the files."

// Version of the tool, kept with every result.
const Version = "0.1.0"
