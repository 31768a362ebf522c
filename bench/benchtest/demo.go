// Package benchtest gives tests the two invented boats of the demo book, which lie in the command's folder.
package benchtest

import (
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/link/regmap"
	"quaybench/bench/settings"
)

// folder returns the folder of a demo boat, petrel or bracken.
func folder(name string) string {
	_, here, _, _ := runtime.Caller(0)
	return filepath.Join(filepath.Dir(here), "..", "..", "cmd", "quaybench", "demo", name)
}

// File returns the text of a demo boat's file: boat.toml, settings.toml or registers.toml.
func File(t testing.TB, name, file string) []byte {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(folder(name), file))
	require.NoError(t, err)
	return text
}

// Boat returns a demo boat and its settings, read anew each time.
func Boat(t testing.TB, name string) (*boat.Boat, settings.Set) {
	t.Helper()
	b, _, err := boat.Read("boat.toml", File(t, name, "boat.toml"))
	require.NoError(t, err)
	s, _, err := settings.Read("settings.toml", File(t, name, "settings.toml"))
	require.NoError(t, err)
	return b, s
}

// Registers returns a demo boat's register map.
func Registers(t testing.TB, name string) *regmap.Map {
	t.Helper()
	m, err := regmap.Load("registers.toml", File(t, name, "registers.toml"), settings.Fields())
	require.NoError(t, err)
	return m
}
