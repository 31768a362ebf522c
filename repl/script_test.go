package repl_test

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/repl"
)

// Every script runs interpreted, against the simulated controller. That it gives the same compiled is in the slow suite.
func TestScriptsRunInterpreted(t *testing.T) {
	eachScript(t, func(*testing.T, string, string) {})
}

// eachScript runs each script interpreted, and hands over what it prints.
func eachScript(t *testing.T, compare func(t *testing.T, folder, interpreted string)) {
	t.Helper()
	mains, err := filepath.Glob("../scripts/*/main.go")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(mains), 9)
	for _, main := range mains {
		folder := filepath.Dir(main)
		t.Run(filepath.Base(folder), func(t *testing.T) {
			source, err := os.ReadFile(main)
			require.NoError(t, err)
			var interpreted bytes.Buffer
			host := bench.ScriptHost{Args: []string{"../cmd/quaybench/demo/petrel"}, Load: bench.Load, Run: bench.RunSimulated}
			require.NoError(t, repl.RunScript(t.Context(), filepath.Base(folder)+"/main.go", source, host, &interpreted))
			assert.Contains(t, interpreted.String(), "no proof of safety")
			compare(t, folder, interpreted.String())
		})
	}
}
