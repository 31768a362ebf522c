package main

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/port"
	"quaybench/repl/child"
)

func TestMain(m *testing.M) {
	child.Main(scriptProcess) // a script's process is this binary, started again
	testscript.Main(m, map[string]func(){"quaybench": main})
}

// TestScripts runs the transcripts in testdata/script: what a user types, and what comes of it. The program runs in this process,
// one transcript after the other, because all of a process is in one folder; the slow suite has a process for each line.
func TestScripts(t *testing.T) {
	home, err := os.Getwd()
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.Chdir(home)) })
	transcripts(t, false, func(ts *testscript.TestScript, args []string, stdin string) int {
		ts.Check(os.Chdir(ts.MkAbs(".")))
		for _, key := range []string{"QUAYBENCH_BOOK", "QUAYBENCH_AUTHOR", "XDG_DATA_HOME"} { // a script's process asks for them by itself
			t.Setenv(key, ts.Getenv(key))
		}
		y := &yard{t: t}
		sys := y.system()
		sys.In, sys.Out, sys.Err, sys.Getenv, sys.Open = strings.NewReader(stdin), ts.Stdout(), ts.Stderr(), ts.Getenv, port.Open
		return run(t.Context(), args, sys)
	})
}

// transcripts runs all of them; program runs the program and returns its exit code.
func transcripts(t *testing.T, processes bool, program func(ts *testscript.TestScript, args []string, stdin string) int) {
	dir, err := filepath.Abs("testdata/script")
	require.NoError(t, err)
	params := testscript.Params{
		Dir: dir,
		Condition: func(name string) (bool, error) {
			if name != "processes" {
				return false, fmt.Errorf("unknown condition %s", name)
			}
			return processes, nil
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"exits": func(ts *testscript.TestScript, neg bool, args []string) { exits(ts, neg, args, program) },
			"edit":  edit,
			"copy":  copyFolder,
			"empty": empty,
			"hurt":  hurt,
		},
		Setup: func(e *testscript.Env) error {
			e.Setenv("XDG_DATA_HOME", e.WorkDir+"/data")
			return nil
		},
	}
	if testing.Short() { // as the race detector runs: what has a controller, a script or a session beside it
		params.Dir = ""
		for _, name := range []string{"can", "controller", "repl", "run", "step"} {
			params.Files = append(params.Files, filepath.Join(dir, name+".txtar"))
		}
	}
	testscript.RunT(inTurn{t}, params)
}

// inTurn is a test whose transcripts run one after the other.
type inTurn struct{ *testing.T }

func (inTurn) Parallel() {}

func (t inTurn) Run(name string, f func(testscript.T)) {
	t.T.Run(name, func(t *testing.T) { f(inTurn{t}) })
}

func (inTurn) Verbose() bool { return testing.Verbose() }

// exits CODE PROGRAM ARGUMENTS... [<FILE] runs a program and checks its exit code.
func exits(ts *testscript.TestScript, neg bool, args []string, program func(ts *testscript.TestScript, args []string, stdin string) int) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE PROGRAM [ARGUMENTS...] [<FILE]")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	stdin := ""
	if file, ok := strings.CutPrefix(args[len(args)-1], "<"); ok {
		stdin, args = ts.ReadFile(file), args[:len(args)-1]
	}
	code := 0
	if args[1] == "quaybench" {
		code = program(ts, args[2:], stdin)
	} else if err := ts.Exec(args[1], args[2:]...); err != nil {
		var ended *exec.ExitError
		if !errors.As(err, &ended) {
			ts.Fatalf("%v", err)
		}
		code = ended.ExitCode()
	}
	if code != want {
		ts.Fatalf("exit code %d, wanted %d", code, want)
	}
}

// edit FILE OLD NEW replaces the one place where a file holds a text; \n is a line break.
func edit(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: edit FILE OLD NEW")
	}
	text, file := ts.ReadFile(args[0]), ts.MkAbs(args[0])
	breaks := strings.NewReplacer(`\n`, "\n")
	old := breaks.Replace(args[1])
	if n := strings.Count(text, old); n != 1 {
		ts.Fatalf("%s holds %q %d times", args[0], old, n)
	}
	ts.Check(os.WriteFile(file, []byte(strings.Replace(text, old, breaks.Replace(args[2]), 1)), 0o644))
}

// copy FOLDER NEW copies a folder.
func copyFolder(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: copy FOLDER NEW")
	}
	ts.Check(os.CopyFS(ts.MkAbs(args[1]), os.DirFS(ts.MkAbs(args[0]))))
}

// empty FOLDER says whether nothing is in it.
func empty(ts *testscript.TestScript, neg bool, args []string) {
	entries, err := os.ReadDir(ts.MkAbs(args[0]))
	ts.Check(err)
	if none := len(entries) == 0; none == neg {
		ts.Fatalf("%s holds %d files", args[0], len(entries))
	}
}

// hurt FOLDER changes a byte of the first file in a folder.
func hurt(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: hurt FOLDER")
	}
	dir := ts.MkAbs(args[0])
	entries, err := os.ReadDir(dir)
	ts.Check(err)
	name := dir + "/" + entries[0].Name()
	text, err := os.ReadFile(name)
	ts.Check(err)
	text[len(text)/2] ^= 1
	ts.Check(os.Chmod(name, 0o644)) // they are written read-only
	ts.Check(os.WriteFile(name, text, 0o644))
}
