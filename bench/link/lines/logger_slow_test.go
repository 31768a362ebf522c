//go:build slow && unix

package lines_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/link/port"
)

// TestLoggerConformsOverAPseudoTerminal: see TestLoggerConforms.
func TestLoggerConformsOverAPseudoTerminal(t *testing.T) {
	conforms(t, func(t *testing.T) (near, far port.Port) {
		far, name, err := port.Pseudo()
		require.NoError(t, err)
		near, err = port.Open(port.Address{Name: name, Baud: 1_000_000, DataBits: 8, Parity: port.None, StopBits: 1})
		require.NoError(t, err)
		return near, far
	})
}
