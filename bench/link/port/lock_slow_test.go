//go:build slow && unix

package port_test

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/port"
)

// A port belongs to one program at a time, for root too, by whatever name it is called.
func TestPortIsHeldByOne(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	near, far, err := port.Pseudo()
	if err != nil {
		t.Skip("NOT TESTED ON EXCLUSIVE USE: no pseudo-terminal here: ", err)
	}
	defer near.Close()
	open := func(name string) (port.Port, error) {
		return port.Open(port.Address{Name: name, Baud: 115200, DataBits: 8, Parity: port.None, StopBits: 1})
	}
	first, err := open(far)
	require.NoError(t, err)
	t.Setenv("TMPDIR", t.TempDir()) // as another user's is
	_, err = open(far)
	assert.ErrorContains(t, err, "is in use by another quaybench")
	_, err = open(filepath.Dir(far) + "/../pts/" + filepath.Base(far))
	assert.ErrorContains(t, err, "is in use by another quaybench")
	require.NoError(t, first.Close())
	again, err := open(far)
	require.NoError(t, err)
	require.NoError(t, again.Close())
}
