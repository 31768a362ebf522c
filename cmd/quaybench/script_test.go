package main

import (
	"errors"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"quaybench/repl/child"
)

func TestMain(m *testing.M) {
	child.Main(scriptProcess) // a script's process is this binary, started again
	testscript.Main(m, map[string]func(){"quaybench": main})
}

// TestScripts runs the transcripts in testdata/script: what a user types, and what comes of it. Each is a process of its own.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"exits": exits,
			"edit":  edit,
			"copy":  copyFolder,
			"empty": empty,
			"hurt":  hurt,
		},
		Setup: func(e *testscript.Env) error {
			e.Setenv("XDG_DATA_HOME", e.WorkDir+"/data")
			return nil
		},
	})
}

// exits CODE PROGRAM ARGUMENTS... runs a program and checks its exit code.
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE PROGRAM [ARGUMENTS...]")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	code := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		var ended *exec.ExitError
		if !errors.As(err, &ended) {
			ts.Fatalf("%v", err)
		}
		code = ended.ExitCode()
	}
	if code != want {
		ts.Fatalf("exit code %d, wanted %d", code, want)
	}
	if strings.Contains(ts.ReadFile("stderr"), "goroutine ") {
		ts.Fatalf("a panic reached the user")
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
