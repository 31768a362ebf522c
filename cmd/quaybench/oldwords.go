package main

import (
	"fmt"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"quaybench/bench"
	"quaybench/bench/trial"
)

// Words of the version before that are still taken, with a hint. One version later they go.
var (
	oldFlags   = map[string]string{"lines": "logger", "runs": "draws"}
	oldScripts = map[string]string{"locked-rotor": "locked-shaft"}
)

// takeOldFlags lets all commands take the old names of flags.
func takeOldFlags(root *cobra.Command, sys *system) {
	root.SetGlobalNormalizationFunc(func(_ *pflag.FlagSet, name string) pflag.NormalizedName {
		if now, old := oldFlags[name]; old {
			sys.hint("--"+name, "--"+now)
			name = now
		}
		return pflag.NormalizedName(name)
	})
}

// loadTrial finds a trial as bench.LoadTrial does, and says what one is called now that was named by its old name.
func loadTrial(sys *system, name string) (*trial.Trial, error) {
	if now, old := trial.Renamed(name); old {
		sys.hint(name, now)
	}
	return bench.LoadTrial(name)
}

// hint prints, once in a run, what an old word is called now.
func (s *system) hint(old, now string) {
	if s.once(old) {
		s.say(fmt.Sprintf("quaybench: %s is called %s now; the old word goes with the next version", old, now))
	}
}

// once reports whether something was not yet told in this run.
func (s *system) once(what string) bool {
	if s.told == nil {
		s.told = map[string]bool{}
	}
	told := s.told[what]
	s.told[what] = true
	return !told
}
