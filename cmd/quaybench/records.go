package main

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"quaybench/bench"
	"quaybench/bench/record"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// checkRecords reports, before the work, why the records of trials cannot be written after it; sides are "present" and the proposals.
func checkRecords(sys *system, f *tableFile, trials []*trial.Trial, sides []string, asJSON bool) error {
	if err := f.check(sys, asJSON); err != nil || f.name == "" {
		return err
	}
	if len(trials) == 1 && len(sides) == 1 {
		return nil
	}
	if f.name == standardOutput {
		return input(errors.New("--csv - takes the record of one run: name one --trial, and no proposal"))
	}
	for _, side := range sides {
		names, err := filepath.Glob(f.beside(strings.Map(plain, side) + ".*"))
		if err == nil && len(names) > 0 && !f.force.given() {
			return taken(names[0])
		}
	}
	return nil
}

// writeRecords writes the records of all runs, each whole or not at all: to the file itself where there is one run,
// else to files beside it. It returns the names of the files.
func writeRecords(f *tableFile, t *bench.Tried) (names []string, err error) {
	if f.name == "" {
		return nil, nil
	}
	runs := records(t)
	for _, r := range runs {
		name := f.name
		if len(runs) > 1 {
			name = f.beside(r.name)
		}
		if err := f.write(name, func(to io.Writer) error { return record.Write(to, r.run) }); err != nil {
			return names, err
		}
		if name != standardOutput {
			names = append(names, name)
		}
	}
	return names, nil
}

// named is a run with its part of a file name.
type named struct {
	name string
	run  *record.Run
}

// records returns the runs of both sides, each with a name of its own.
func records(t *bench.Tried) (runs []named) {
	taken := map[string]int{}
	add := func(side string, s *verdict.Side) {
		for i := range s.Trials {
			name := strings.Map(plain, side) + "." + strings.Map(plain, s.Trials[i].Name)
			taken[name]++
			if n := taken[name]; n > 1 {
				name += fmt.Sprintf("-%d", n)
			}
			runs = append(runs, named{name, s.Trials[i].Run})
		}
	}
	add("present", &t.Present)
	if t.Proposed != nil {
		add("proposed", t.Proposed)
	}
	for i := range t.Several {
		add(t.Several[i].Name, &t.Several[i].Side)
	}
	return runs
}

// plain returns a name with only what every file system takes.
func plain(r rune) rune {
	switch {
	case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_':
		return r
	}
	return '-'
}
