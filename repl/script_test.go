package repl_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/repl"
)

// Every script gives the same whether it runs by itself or interpreted, against the simulated controller.
func TestScriptsGiveTheSameInterpretedAndCompiled(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped with -short: builds and runs every script")
	}
	folders, err := filepath.Glob("../scripts/*")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(folders), 9)
	for _, folder := range folders {
		t.Run(filepath.Base(folder), func(t *testing.T) {
			source, err := os.ReadFile(filepath.Join(folder, "main.go"))
			require.NoError(t, err)
			var interpreted bytes.Buffer
			host := bench.ScriptHost{Args: []string{"../cmd/quaybench/demo/petrel"}, Load: bench.Load, Run: bench.RunSimulated}
			require.NoError(t, repl.RunScript(t.Context(), filepath.Base(folder)+"/main.go", source, host, &interpreted))
			assert.Contains(t, interpreted.String(), "no proof of safety")

			gotool, err := exec.LookPath("go")
			if err != nil {
				t.Skip("the Go toolchain is not here: the script is not compiled")
			}
			run := exec.CommandContext(t.Context(), gotool, "run", "./scripts/"+filepath.Base(folder), "cmd/quaybench/demo/petrel")
			run.Dir = ".."
			run.Stderr = os.Stderr
			compiled, err := run.Output()
			require.NoError(t, err)
			assert.Equal(t, string(compiled), interpreted.String())
		})
	}
}
