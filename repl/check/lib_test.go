package check_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/repl/symbols"
)

func standard(t *testing.T) *symbols.Library {
	t.Helper()
	lib, err := symbols.Standard()
	require.NoError(t, err)
	return lib
}

func mustStandard() *symbols.Library {
	lib, err := symbols.Standard()
	if err != nil {
		panic(err)
	}
	return lib
}
