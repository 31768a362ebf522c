package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"quaybench/bench"
	"quaybench/bench/holder"
	"quaybench/bench/trial"
	"quaybench/repl"
	"quaybench/repl/child"
)

// script is a script in Go and what it is run on. It runs interpreted in a process of its own, which has no line: it asks
// this process, the holder, for programmes.
type script struct {
	sys     *system
	file    string
	source  string
	boat    string // as the user calls it
	setup   *bench.Setup
	assume  []string // assignments made to the file's settings
	args    []string // what follows the boat
	longest time.Duration
}

// isScript says whether a name is that of a script in Go, and not of a trial.
func isScript(name string) bool {
	if filepath.Ext(name) == ".go" {
		return true
	}
	return !slices.Contains(trial.Names(), name) && isThere(filepath.Join(name, "main.go"))
}

// readScript reads a script given as a folder or as a file.
func readScript(sys *system, name string) (*script, error) {
	info, err := os.Stat(name)
	if now, old := oldScripts[filepath.Base(name)]; err != nil && old {
		sys.hint(filepath.Base(name), now)
		name = filepath.Join(filepath.Dir(name), now)
		info, err = os.Stat(name)
	}
	if err != nil {
		return nil, input(fmt.Errorf("no script %s: give a folder with main.go, or a .go file", name))
	}
	if info.IsDir() {
		name = filepath.Join(name, "main.go")
	}
	source, err := readSource(name)
	if err != nil {
		return nil, input(fmt.Errorf("the script cannot be read: %w", err))
	}
	return &script{sys: sys, file: name, source: string(source)}, nil
}

// largestSource is more than anybody writes by hand.
const largestSource = 1 << 20

// readSource reads a script's text. Opening a pipe or a device would wait or have effects, so the file is looked at first.
func readSource(name string) ([]byte, error) {
	info, err := os.Stat(name)
	switch {
	case err != nil:
		return nil, err
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("%s is not a plain file", name)
	case info.Size() > largestSource:
		return nil, fmt.Errorf("%s has %d bytes; a script has at most %d", name, info.Size(), largestSource)
	}
	return os.ReadFile(name)
}

// scriptData is what a script's process is told beside the script.
type scriptData struct {
	Book   string // of the flag; the environment goes along by itself
	Assume []string
}

// stepper runs a programme that a script asks for.
type stepper func(ctx context.Context, s *bench.Setup, program *trial.Trial, rate float64) (*bench.StepResult, error)

// run runs the script to its end. say shows what it prints.
func (s *script) run(ctx context.Context, step stepper, say func(text string)) error {
	data, err := json.Marshal(scriptData{s.sys.Book, s.assume})
	if err != nil {
		return err
	}
	const patience = 5 * time.Second // the holder ends a script that runs too long; the limit stands behind it
	job := child.Job{
		Name: s.file, Source: s.source, Args: append([]string{s.boat}, s.args...), Data: data,
		Limits: child.Limits{Wall: s.longest + patience, Grace: patience},
	}
	err = s.sys.RunScript(ctx, job, func(ctx context.Context, from io.Reader, to io.Writer) error {
		return bench.Hold(ctx, from, to, s.setup, step, holder.Options{Longest: s.longest, Say: func(text string) { say(repl.Shown(text)) }})
	})
	var ended *child.Error
	switch {
	case ctx.Err() != nil && err != nil:
		return stopError{ctx.Err()}
	case errors.As(err, &ended) && ended.Reason != child.Crashed, errors.Is(err, holder.ErrTooLong), errors.Is(err, holder.ErrNoise), errors.Is(err, holder.ErrFlood):
		return input(err)
	}
	return err
}

// scriptProcess is a script's own process.
func scriptProcess(ctx context.Context, job child.Job, from io.Reader, to io.Writer) error {
	var data scriptData
	if err := json.Unmarshal(job.Data, &data); err != nil {
		return err
	}
	sys := process()
	sys.Book = data.Book
	line := holder.Connect(from, to)
	find := scriptBoats(&sys, job.Args)
	host := bench.ScriptHost{
		Args: job.Args,
		Load: func(name string) (*bench.Setup, error) {
			setup, err := find(name)
			if err == nil {
				setup.Settings, err = bench.Propose(setup.Settings, data.Assume)
			}
			return setup, err
		},
		Trial: scriptTrials(job.Args),
		Run:   bench.HeldRun(line),
	}
	return repl.RunScript(ctx, job.Name, []byte(job.Source), host, line)
}

// scriptBoats finds boats for a script: those of the book by name, and files that the command line names.
func scriptBoats(sys *system, files []string) func(name string) (*bench.Setup, error) {
	return func(name string) (*bench.Setup, error) {
		switch {
		case slices.Contains(files, name):
			return loadBoat(sys, name)
		case isPath(name):
			return nil, fmt.Errorf("a script reaches no file that its command line does not name: name the boat %q there, or take a boat of the book", name)
		}
		return namedBoat(sys, name)
	}
}

// scriptTrials finds trials for a script: the built-in ones, and files that the command line names.
func scriptTrials(files []string) func(name string) (*trial.Trial, error) {
	return func(name string) (*trial.Trial, error) {
		switch {
		case slices.Contains(files, name):
			return bench.LoadTrial(name)
		case isPath(name):
			return nil, fmt.Errorf("a script reaches no file that its command line does not name: name the trial %q there, or take a built-in one", name)
		}
		return trial.Builtin(name)
	}
}

// steps runs the programmes of one script as step tests, one after the other, each with all that belongs to one: prediction,
// before-start list, release by the person at the terminal.
type steps struct {
	first   *stepTest // as the flags have it
	flags   controllerFlags
	count   int
	results []error // of the tests that were run, or were over before
	voice   voice
}

// runScript runs a script whose programmes are step tests.
func (t *stepTest) runScript(ctx context.Context, s *script, f controllerFlags) error {
	all := &steps{first: t, flags: f, voice: voice{out: t.sys.Out}}
	s.boat, s.setup, s.assume = t.berth.name, t.berth.Setup, f.set
	err := s.run(ctx, all.step, all.voice.say)
	all.voice.rest()
	return all.result(err)
}

// step is a stepper.
func (all *steps) step(ctx context.Context, s *bench.Setup, program *trial.Trial, _ float64) (*bench.StepResult, error) {
	all.count++
	t := *all.first
	t.voice = &all.voice
	t.program, t.file = program, numbered(t.file, all.count)
	b := *t.berth
	b.Setup = s
	if s.Settings.Hash() != all.first.berth.Settings.Hash() {
		b.assume = append(slices.Clone(b.assume), "as the script has it")
	}
	t.berth = &b
	all.voice.rest()
	err := t.run(ctx, all.flags)
	all.first.meters = t.meters // asked once
	switch over := errors.As(err, new(overError)); {
	case t.result != nil:
		all.results = append(all.results, err)
	case over:
		all.results = append(all.results, err)
		err = errors.New("its simulation is over a limit")
	}
	return t.result, err
}

// result is how a script and its tests ended, in one. A test that was over counts more than one that stopped early, and
// that more than what the script says to it.
func (all *steps) result(script error) error {
	tests := errors.Join(all.results...)
	switch {
	case errors.As(tests, new(overError)):
		if script != nil {
			fmt.Fprintln(all.first.sys.Err, "quaybench:", script)
		}
		return overError{}
	case tests != nil && script != nil:
		return fmt.Errorf("%w\n%v", tests, script)
	case tests != nil:
		return tests
	}
	return script
}

// numbered is the name of a script's n-th file: run.csv, run-2.csv, ... A device keeps its name.
func numbered(name string, n int) string {
	info, err := os.Stat(name)
	if n == 1 || name == "" || err == nil && !info.Mode().IsRegular() {
		return name
	}
	ending := filepath.Ext(name)
	return fmt.Sprintf("%s-%d%s", strings.TrimSuffix(name, ending), n, ending)
}

// voice shows what a script prints: as it comes, or line by line above the picture of a running test. It is for several
// goroutines.
type voice struct {
	out io.Writer

	mu    sync.Mutex
	scope *scope // nil: no test runs
	begun string // of a line
}

func (v *voice) say(text string) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.scope == nil {
		_, _ = io.WriteString(v.out, v.begun+text)
		v.begun = ""
		return
	}
	v.begun += text
	for {
		line, more, whole := strings.Cut(v.begun, "\n")
		if !whole {
			return
		}
		v.scope.say(line)
		v.begun = more
	}
}

// above has what is said shown above a test's picture; nil: as it comes.
func (v *voice) above(s *scope) {
	if v == nil {
		return
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	v.scope = s
}

// rest shows what was begun and not ended.
func (v *voice) rest() { v.say("") }
