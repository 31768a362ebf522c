package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/google/renameio/v2/maybe"

	"quaybench/bench"
	"quaybench/bench/record"
	"quaybench/bench/verdict"
)

// writable says, before a long run, whether a file can be written there after it.
func writable(name string) error {
	if info, err := os.Stat(name); err == nil && info.IsDir() {
		return fmt.Errorf("--csv: %s is a folder; name a file in it", name)
	}
	probe, err := os.CreateTemp(filepath.Dir(name), ".quaybench-*")
	if err != nil {
		return unwritten(name, err)
	}
	return errors.Join(probe.Close(), os.Remove(probe.Name()))
}

func unwritten(name string, err error) error {
	var path *os.PathError
	if errors.As(err, &path) {
		err = path.Err // the name is the temporary file's
	}
	return fmt.Errorf("--csv: the record cannot be written to %s: %w", name, err)
}

// writeRecords writes the records of all runs, each whole or not at all: to the file itself where there is one run,
// else to files beside it. It returns the names of the files.
func writeRecords(file string, t *bench.Tried) (names []string, err error) {
	runs := records(t)
	for _, r := range runs {
		name := file
		if len(runs) > 1 {
			ext := filepath.Ext(file)
			name = strings.TrimSuffix(file, ext) + "." + r.name + ext
		}
		var text bytes.Buffer
		if err := record.Write(&text, r.run); err != nil {
			return names, unwritten(name, err)
		}
		if err := maybe.WriteFile(name, text.Bytes(), 0o644); err != nil {
			return names, unwritten(name, err)
		}
		names = append(names, name)
	}
	return names, nil
}

// named is a run with its part of a file name.
type named struct {
	name string
	run  *record.Run
}

// records are the runs of both sides, each with a name of its own.
func records(t *bench.Tried) (runs []named) {
	taken := map[string]int{}
	add := func(side string, s *verdict.Side) {
		for i := range s.Trials {
			name := side + "." + strings.Map(plain, s.Trials[i].Name)
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
	return runs
}

// plain keeps what every file system takes in a name.
func plain(r rune) rune {
	switch {
	case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_':
		return r
	}
	return '-'
}
