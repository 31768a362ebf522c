//go:build slow

package main

import (
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestAllExamples runs every example of the help.
func TestAllExamples(t *testing.T) { runExamples(t, func(string) bool { return true }) }

// TestReadmeExamples runs the commands of the README.
func TestReadmeExamples(t *testing.T) {
	shell, err := exec.LookPath("sh")
	if err != nil {
		t.Skip("no sh here")
	}
	program, err := exec.LookPath("quaybench")
	require.NoError(t, err)
	readme, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	dir := exampleFolder(t)
	ran := 0
	for _, line := range strings.Split(string(readme), "\n") {
		if command := strings.TrimSpace(line); strings.HasPrefix(line, "    quaybench ") {
			runExample(t, shell, program, dir, command)
			ran++
		}
	}
	require.Greater(t, ran, 2)
}
