package main

import (
	"bytes"
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
	"quaybench/bench/datafile"
	"quaybench/bench/holder"
	"quaybench/bench/learn"
	"quaybench/bench/trial"
	"quaybench/profiles"
	"quaybench/repl"
	"quaybench/repl/check"
	"quaybench/repl/child"
)

// script is a script in Go and what it is run on. It runs interpreted in a process of its own, which has no line: it asks
// this process, the holder, for programmes.
type script struct {
	sys     *system
	file    string
	source  string
	more    []check.Source // the other files of its folder
	boat    string         // as the user calls it
	setup   *bench.Setup
	assume  []string // assignments made to the file's settings
	args    []string // what follows the boat
	longest time.Duration
	papers  *paperFlags // what the script hands over is written there; nil: nobody asked
}

// isScript reports whether a name is that of a script in Go, and not of a trial.
func isScript(name string) bool {
	if filepath.Ext(name) == ".go" {
		return true
	}
	return name != "" && !slices.Contains(trial.Names(), name) && isThere(filepath.Join(name, "main.go"))
}

// isTrial reports whether a name is that of a built-in trial or of a file that is no Go source.
func isTrial(name string) bool {
	info, err := os.Stat(name)
	return slices.Contains(trial.Names(), name) || err == nil && !info.IsDir() && filepath.Ext(name) != ".go"
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
	var more []check.Source
	if info.IsDir() {
		if more, err = restOfFolder(name); err != nil {
			return nil, input(fmt.Errorf("the script cannot be read: %w", err))
		}
		name = filepath.Join(name, "main.go")
	}
	source, err := datafile.ReadFile(name, largestText)
	if err != nil {
		return nil, input(fmt.Errorf("the script cannot be read: %w", err))
	}
	return &script{sys: sys, file: name, source: string(source), more: more}, nil
}

// restOfFolder reads what belongs to a folder's program beside main.go: as for Go, all its .go files but tests and those whose
// names begin with a dot or a low line.
func restOfFolder(dir string) (more []check.Source, err error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	size := 0
	for _, e := range entries {
		base, name := e.Name(), filepath.Join(dir, e.Name())
		if base == "main.go" || filepath.Ext(base) != ".go" || strings.HasSuffix(base, "_test.go") || base[0] == '.' || base[0] == '_' {
			continue
		}
		text, err := datafile.ReadFile(name, largestText)
		if err != nil {
			return nil, err
		}
		if size += len(text); size > largestText {
			return nil, fmt.Errorf("the files of %s have more than %d bytes together", dir, largestText)
		}
		more = append(more, check.Source{Name: name, Text: string(text)})
	}
	return more, nil
}

// scriptData is what a script's process is told beside the script.
type scriptData struct {
	Book         string // of the flag; the environment goes along by itself
	Assume       []string
	Draws        int // as the system's
	More         []check.Source
	Report, Plot string // names, of which the endings count here: the holder writes
	Command      string
}

// stepper runs a programme that a script asks for.
type stepper func(ctx context.Context, s *bench.Setup, program *trial.Trial, rate float64) (*bench.StepResult, error)

// run runs the script to its end. say shows what it prints.
func (s *script) run(ctx context.Context, step stepper, say func(text string)) error {
	told := scriptData{Book: s.sys.Book, Assume: s.assume, Draws: s.sys.Draws, More: s.more}
	handed := map[string]int{}
	var paper func(name string, content []byte) error
	if s.papers != nil {
		told.Report, told.Plot, told.Command = s.papers.report, s.papers.plot, commandLine(s.sys.called)
		paper = func(flag string, content []byte) error {
			name := map[string]string{"--report": told.Report, "--plot": told.Plot}[flag]
			if name == "" {
				return fmt.Errorf("%w: a paper that nobody asked for", holder.ErrNoise)
			}
			handed[flag]++
			return s.papers.put(s.sys, flag, numbered(name, handed[flag]), func(to io.Writer) error {
				_, err := to.Write(content)
				return err
			}, false)
		}
	}
	data, err := json.Marshal(told)
	if err != nil {
		return err
	}
	const patience = 5 * time.Second // the holder ends a script that runs too long; the limit stands behind it
	job := child.Job{
		Name: s.file, Source: s.source, Args: append([]string{s.boat}, s.args...), Data: data,
		Limits: child.Limits{Wall: s.longest + patience, Grace: patience},
	}
	err = s.sys.RunScript(ctx, job, func(ctx context.Context, from io.Reader, to io.Writer) error {
		return bench.ServeScript(ctx, from, to, s.setup, step, holder.Options{Longest: s.longest, Say: func(text string) { say(repl.Shown(text)) }, Paper: paper})
	})
	var ended *child.Error
	switch {
	case ctx.Err() != nil && err != nil:
		return stopError{ctx.Err()}
	case errors.As(err, &ended) && ended.Reason == child.Blank:
		return notJudgedError{why: ended.Text, err: ended}
	case errors.As(err, &ended) && ended.Reason != child.Crashed, errors.Is(err, holder.ErrTooLong), errors.Is(err, holder.ErrNoise), errors.Is(err, holder.ErrFlood):
		return input(err)
	case err == nil && len(handed) == 0 && told.Report+told.Plot != "":
		return errors.New("the script handed over nothing for a report: call s.Report(result) in it")
	}
	return err
}

// scriptProcess runs as a script's own process.
func scriptProcess(ctx context.Context, job child.Job, from io.Reader, to io.Writer) error {
	var data scriptData
	if err := json.Unmarshal(job.Data, &data); err != nil {
		return err
	}
	sys := process()
	sys.Book, sys.Draws = data.Book, data.Draws
	line := holder.Connect(from, to)
	find := scriptBoats(&sys, job.Args)
	host := bench.ScriptHost{
		Args: job.Args,
		Load: func(name string) (*bench.Setup, error) {
			setup, err := find(name)
			if err != nil {
				return nil, err
			}
			return setup.With(data.Assume)
		},
		Trial:   scriptTrials(job.Args),
		Run:     bench.RunAtHolder(line),
		Profile: scriptProfiles(&sys),
		File:    scriptFiles(job.Args),
		Records: scriptRecords(&sys),
		Report: func(s *bench.Setup, result any) error {
			p, about := paperOn(result)
			if p == nil {
				return fmt.Errorf("a report shows what Try, Highest, Envelope, Odds, Simulate, Step, Compare, Learn, Drift, Sheet or Next returned, not a %T", result)
			}
			if about == nil {
				about = s
			}
			p = paperOf(about, p.Proposal, p.Result)
			complete(ctx, p, &sys, about)
			p.Made.Command = data.Command
			for _, d := range drawings(p, data.Report, data.Plot) {
				var content bytes.Buffer
				if err := d.draw(&content); err != nil {
					return err
				}
				if err := line.Paper(d.flag, content.Bytes()); err != nil {
					return err
				}
			}
			return nil
		},
	}
	return repl.RunScript(ctx, job.Name, []byte(job.Source), host, line, data.More...)
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

// scriptFiles reads files for a script: those that the command line names.
func scriptFiles(files []string) func(name string) ([]byte, error) {
	return func(name string) ([]byte, error) {
		if !slices.Contains(files, name) {
			return nil, fmt.Errorf("a script reaches no file that its command line does not name: name %q there", name)
		}
		text, err := datafile.ReadFile(name, profiles.LargestKept)
		if err != nil {
			return nil, fmt.Errorf("%s cannot be read: %w", name, err)
		}
		return text, nil
	}
}

// scriptProfiles finds versions of the book for a script.
func scriptProfiles(sys *system) func(ctx context.Context, boat, version string) (*bench.Setup, error) {
	return func(ctx context.Context, boat, version string) (*bench.Setup, error) {
		if isPath(boat) {
			return nil, fmt.Errorf("versions are of boats in the book: give a boat's name, not %q", boat)
		}
		book, done, err := openBookWith(ctx, sys, boat, false)
		if err != nil {
			return nil, err
		}
		defer done()
		e, err := book.Show(ctx, boat, version)
		if err != nil {
			return nil, err
		}
		text, err := book.Kept(ctx, boat, e.BoatFile().Hash)
		if err != nil {
			return nil, err
		}
		setup, err := bench.LoadTexts(e.Hash.Short()+"/"+bench.BoatFile, text, e.Hash.Short()+"/"+bench.SettingsFile, []byte(e.Settings))
		return sys.drawing(setup), err
	}
}

// scriptRecords finds the records that the book keeps of a script's boat.
func scriptRecords(sys *system) func(ctx context.Context, s *bench.Setup, given []*learn.Record) ([]*learn.Record, []string, error) {
	return func(ctx context.Context, s *bench.Setup, given []*learn.Record) ([]*learn.Record, []string, error) {
		home := filepath.Dir(s.BoatFile)
		boat := filepath.Base(home)
		if dir, err := bookDir(sys); err != nil || filepath.Dir(home) != dir {
			return given, nil, nil // no boat of the book: those given are all there are
		}
		book, done, err := openBookWith(ctx, sys, boat, false)
		if err != nil {
			return nil, nil, err
		}
		defer done()
		return keptRecords(ctx, book, boat, s, given)
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

// step runs one programme of a script; see [stepper].
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

// result returns how a script and its tests ended, in one error. A test that was over counts more than one that stopped early, and
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

// numbered returns the name of a script's n-th file: run.csv, run-2.csv, ... A device keeps its name.
func numbered(name string, n int) string {
	info, err := os.Stat(name)
	if n == 1 || name == "" || name == standardOutput || err == nil && !info.Mode().IsRegular() {
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

// above sets where texts are shown above a test's picture; nil: as they come.
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
