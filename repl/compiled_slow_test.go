//go:build slow

package repl_test

import (
	"bytes"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// goRun compiles and runs a script from the module's folder, on petrel.
func goRun(t *testing.T, script string) string {
	t.Helper()
	gotool, err := exec.LookPath("go")
	if err != nil {
		t.Skip("NOT TESTED AGAINST COMPILED CODE: no Go toolchain here")
	}
	run := exec.CommandContext(t.Context(), gotool, "run", script, "cmd/quaybench/demo/petrel")
	run.Dir = ".."
	var wrong bytes.Buffer
	run.Stderr = &wrong
	out, err := run.Output()
	require.NoError(t, err, wrong.String())
	return string(out)
}

// Every script gives the same whether it runs by itself or interpreted.
func TestScriptsGiveTheSameInterpretedAndCompiled(t *testing.T) {
	eachScript(t, func(t *testing.T, folder, interpreted string) {
		assert.Equal(t, goRun(t, "./scripts/"+filepath.Base(folder)), interpreted)
	})
}

// A session that was written out as a script gives the same compiled.
func TestSessionIsAProgram(t *testing.T) {
	file, interpreted := sessionAsAScript(t)
	assert.Equal(t, goRun(t, file), interpreted)
}
