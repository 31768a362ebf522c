//go:build slow && unix

package regmap_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/link/port"
)

// TestControllerConformsOverAPseudoTerminal: see TestControllerConforms.
func TestControllerConformsOverAPseudoTerminal(t *testing.T) {
	conforms(t, func(t *testing.T) (near, far port.Port) {
		far, terminal, err := port.Pseudo()
		require.NoError(t, err)
		near, err = port.Open(port.Address{Name: terminal, Baud: 115200, DataBits: 8, Parity: port.None, StopBits: 1})
		require.NoError(t, err)
		return near, far
	})
}
