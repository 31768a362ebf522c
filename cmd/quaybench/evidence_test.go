package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The book, point 7: what is no whole record of the version is no evidence for it, and a reason given for it is noted.
func TestDamagedEvidenceIsRefused(t *testing.T) {
	dir := t.TempDir()
	book, whole := filepath.Join(dir, "book"), filepath.Join(dir, "whole.csv")
	code, _, stderr := quaybench(t, nil, "try", "petrel", "--trial", "locked-shaft", "--csv", whole)
	require.Zero(t, code, stderr)
	text, err := os.ReadFile(whole)
	require.NoError(t, err)
	middle := len(text)*2/3 + bytes.IndexByte(text[len(text)*2/3:], '\n')
	damaged := bytes.Clone(text)
	copy(damaged[middle+1:], "no number")
	approve := func(content []byte, more ...string) (int, string, string) {
		name := filepath.Join(dir, "evidence.csv")
		require.NoError(t, os.WriteFile(name, content, 0o600))
		return quaybench(t, nil, append([]string{"--book", book, "profile", "approve", "petrel", "head", "--author", "yard", "--evidence", name}, more...)...)
	}
	for why, content := range map[string][]byte{
		"is not whole":                 text[:middle-1],
		"the file was cut off: it has": text[:middle+1], // at a line's end
		"the record is damaged":        damaged,
	} {
		code, _, stderr := approve(content)
		require.Equal(t, exitInput, code, why)
		require.Contains(t, stderr, why)
		code, stdout, stderr := approve(content, "--despite", "the boat is needed")
		require.Zero(t, code, stderr)
		require.Contains(t, stdout, "evidence.csv is")
	}
	for _, empty := range []string{"", " \n\t\n"} {
		code, _, stderr := approve([]byte(empty), "--despite", "the boat is needed")
		require.Equal(t, exitInput, code)
		require.Contains(t, stderr, "evidence.csv is empty")
	}
	for content, kind := range map[string]string{"the display showed 120 A": "text", "\x89PNG\x0D\x0A\x1A\x0A...": "not text"} {
		code, stdout, stderr := approve([]byte(content))
		require.Zero(t, code, stderr)
		require.Contains(t, strings.Join(strings.Fields(stdout), " "), "evidence.csv is no record ("+kind+"), and was not judged")
	}
	code, stdout, stderr := approve(text)
	require.Zero(t, code, stderr)
	require.NotContains(t, stdout, "row count")

	// A record from before the row count is taken as it was, and the doubt is noted.
	_, after, _ := bytes.Cut(text, []byte("\n# rows = "))
	count, _, _ := bytes.Cut(after, []byte("\n"))
	old := bytes.Replace(text, append([]byte("# rows = "), append(count, '\n')...), nil, 1)
	require.Less(t, len(old), len(text))
	code, stdout, stderr = approve(old)
	require.Zero(t, code, stderr)
	require.Contains(t, stdout, "row count")
}
