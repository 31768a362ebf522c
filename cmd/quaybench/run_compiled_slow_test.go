//go:build slow && unix

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	. "quaybench/repl/line/linetest"
)

// A script run with --compare is compiled, too, when the person trusts it, and what it then does otherwise is shown.
func TestRunCompare(t *testing.T) {
	if _, err := exec.LookPath("go"); err != nil {
		t.Skip("NOT TESTED AGAINST COMPILED CODE: no Go toolchain here")
	}
	dir := t.TempDir()
	script := func(name, statements string) string {
		name = filepath.Join(dir, name)
		text := "package main\n\nimport (\n\t\"fmt\"\n\n\t\"quaybench/bench\"\n)\n\nfunc main() { bench.RunScript(run) }\n\nfunc run(s *bench.Script) error {\n\tfmt.Println(s.Setup.Boat.Name, s.Args)\n" + statements + "\n}\n"
		require.NoError(t, os.WriteFile(name, []byte(text), 0o644))
		return name
	}
	run := func(from string, args ...string) (code int, stdout, stderr string) {
		cmd := command(t, append([]string{"run"}, args...)...)
		var out, wrong strings.Builder
		cmd.Dir, cmd.Stdout, cmd.Stderr = from, &out, &wrong
		_ = cmd.Run()
		return cmd.ProcessState.ExitCode(), out.String(), wrong.String()
	}
	const trusted, source = "--i-trust-this-script", "../.."
	same := script("same.go", "\treturn nil")
	for _, c := range []struct {
		file           string
		code           int
		stdout, stderr string
	}{
		{same, exitClear, "petrel [a]\n", "it prints the same"},
		{script("fails.go", "\treturn fmt.Errorf(\"no %d\", 3)"), exitInput, "petrel [a]\n", "it prints the same\nquaybench: no 3\n"},
		{script("panics.go", "\tvar list []int\n\t_ = list[len(s.Args)]\n\treturn nil"), exitInput, "petrel [a]\n", "it prints the same"},
		// A file that only compiled code reaches is there, so the two differ.
		{script("differs.go", "\t_, err := bench.Load(\""+dir+"\")\n\tfmt.Println(err != nil && len(err.Error()) > 0)\n\tfmt.Println(err)\n\treturn nil"), exitOther, "petrel [a]\ntrue\n", "--- interpreted\n+++ compiled\n@@ -1,3 +1,3 @@\n petrel [a]\n true\n-a script reaches no file"},
		{script("ends.go", "\t_, err := s.Profile(\"petrel\", \"none\")\n\treturn err"), exitOther, "petrel [a]\n", "compiled it ended with: no book here"},
		{script("wrong.go", "\treturn undefined"), exitInput, "", "undefined: undefined"},
	} {
		code, stdout, stderr := run(source, c.file, "petrel", "a", "--compare", trusted)
		assert.Equal(t, c.code, code, c.file+stderr)
		assert.True(t, strings.HasPrefix(stdout, c.stdout), "%s: %s", c.file, stdout)
		assert.Contains(t, stderr, c.stderr, c.file)
	}
	code, stdout, stderr := run(source, "scripts/staircase", "bracken", "--compare", trusted)
	assert.Zero(t, code, stderr)
	assert.Contains(t, stdout, "verdict: clear")
	assert.Contains(t, stderr, "it prints the same")

	// Without the person's word, the source or the time nothing is compiled.
	code, stdout, stderr = run(source, same, "petrel", "--compare")
	assert.Equal(t, exitInput, code)
	assert.Empty(t, stdout)
	assert.Contains(t, stderr, "say that you trust it by --i-trust-this-script, or at a terminal")
	code, _, stderr = run(dir, same, "petrel", "--compare", trusted)
	assert.Equal(t, exitOther, code)
	assert.Contains(t, stderr, "the source of quaybench is not here")
	code, _, stderr = run(source, same, "petrel", "--compare", trusted, "--report", filepath.Join(dir, "r.html"))
	assert.Equal(t, exitInput, code)
	assert.Contains(t, stderr, "leave out --report and --plot")

	// At a terminal it asks.
	for answer, want := range map[string]struct {
		code int
		sees string
	}{"trust": {exitClear, "it prints the same"}, "yes": {exitInput, "nothing was done"}} {
		cmd := command(t, "run", same, "petrel", "--compare")
		cmd.Dir = source
		p := Sit(t, cmd, 100)
		p.Sees("every file, program and network")
		p.Sees("type trust")
		p.Types(answer + Enter)
		p.Sees(want.sees)
		assert.Equal(t, want.code, p.Leaves())
	}
}
