package main

import (
	"bytes"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var heading = regexp.MustCompile(`(?m)^==== (.*) ====$`)

// Each module that --licences names is there in the version of go.mod, and every module that the program imports itself is named.
// TestLicences (slow) asks go what is linked into each release.
func TestLicencesAreOfTheVersionsInGoMod(t *testing.T) {
	var out bytes.Buffer
	require.NoError(t, printLicences(&system{Out: &out}))
	assert.True(t, utf8.Valid(out.Bytes()), "a terminal shows UTF-8")
	var named []string
	for _, m := range heading.FindAllStringSubmatch(out.String(), -1) {
		named = append(named, m[1])
	}
	require.Greater(t, len(named), 10)
	assert.Equal(t, []string{"quaybench", "Go, its standard library and runtime"}, named[:2])
	text, err := os.ReadFile("../../go.mod")
	require.NoError(t, err)
	var modules []string
	for _, m := range regexp.MustCompile(`(?m)^\s*(?:require )?(\S+\.\S+/\S+ v\S+)`).FindAllStringSubmatch(string(text), -1) {
		modules = append(modules, m[1])
	}
	for _, m := range named[2:] {
		assert.Contains(t, modules, m, "go test -tags slow -run Licences -update-licences collects them")
	}
	for _, direct := range []string{"traefik/yaegi", "go.bug.st/serial", "chzyer/readline", "spf13/cobra"} {
		assert.True(t, slices.ContainsFunc(named, func(m string) bool { return strings.Contains(m, direct) }), direct)
	}
}
