//go:build slow

package main

import (
	"bytes"
	"compress/gzip"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var updateLicences = flag.Bool("update-licences", false, "collect the licences anew")

// releases are the systems a program is released for.
var releases = [][2]string{{"linux", "amd64"}, {"linux", "arm"}, {"linux", "arm64"}, {"windows", "amd64"}, {"darwin", "arm64"}}

// Manners, point 8: the text that --licences prints names each module that is linked into a released program, in the version
// of go.mod, and Go itself.
func TestLicences(t *testing.T) {
	program, err := exec.LookPath("go")
	if err != nil {
		t.Skip("NOT TESTED THAT THE LICENCES ARE WHOLE: no Go toolchain here to ask for the modules")
	}
	dirs := map[string]string{} // by "module version"
	for _, r := range releases {
		list := exec.Command(program, "list", "-deps", "-f", "{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}}\t{{.Dir}}{{end}}{{end}}", ".")
		list.Env = append(os.Environ(), "GOOS="+r[0], "GOARCH="+r[1], "CGO_ENABLED=0")
		out, err := list.Output()
		require.NoError(t, err)
		for _, line := range strings.Split(string(out), "\n") {
			if module, dir, ok := strings.Cut(line, "\t"); ok {
				dirs[module] = dir
			}
		}
	}
	require.NotEmpty(t, dirs)
	if *updateLicences {
		require.NoError(t, os.WriteFile("licences.gz", packed(t, collected(t, program, dirs)), 0o644))
		t.Skip("collected; build again to embed it")
	}
	var out bytes.Buffer
	require.NoError(t, printLicences(&system{Out: &out}))
	var named []string
	for _, m := range heading.FindAllStringSubmatch(out.String(), -1) {
		named = append(named, m[1])
	}
	var want []string
	for module := range dirs {
		want = append(want, module)
	}
	slices.Sort(want)
	assert.Equal(t, append([]string{"quaybench", "Go, its standard library and runtime"}, want...), named, "go test -tags slow -run Licences -update-licences collects them")
	assert.Contains(t, out.String(), "The Go Authors")
	assert.GreaterOrEqual(t, strings.Count(strings.ToLower(out.String()), "copyright"), len(want))
}

// collected joins the licences of all modules.
func collected(t *testing.T, program string, dirs map[string]string) string {
	var b strings.Builder
	add := func(name string, files ...string) {
		fmt.Fprintf(&b, "==== %s ====\n\n", name)
		for _, f := range files {
			text, err := os.ReadFile(f)
			require.NoError(t, err)
			b.WriteString(strings.TrimSpace(strings.ReplaceAll(inUTF8(text), "\r\n", "\n")) + "\n\n")
		}
	}
	readme, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	_, own, found := strings.Cut(string(readme), "\n## Licence\n")
	require.True(t, found, "the README's last section is the licence")
	fmt.Fprintf(&b, "==== quaybench ====\n\n%s\n\n", strings.TrimSpace(own))
	root, err := exec.Command(program, "env", "GOROOT").Output()
	require.NoError(t, err)
	add("Go, its standard library and runtime", filepath.Join(strings.TrimSpace(string(root)), "LICENSE"))
	var modules []string
	for m := range dirs {
		modules = append(modules, m)
	}
	slices.Sort(modules)
	for _, m := range modules {
		files := notices(t, dirs[m])
		require.NotEmpty(t, files, m)
		add(m, files...)
	}
	return b.String()
}

// inUTF8 returns a text whose bytes may be of Latin-1, as in old licences.
func inUTF8(text []byte) string {
	if utf8.Valid(text) {
		return string(text)
	}
	var b strings.Builder
	for _, c := range text {
		b.WriteRune(rune(c))
	}
	return b.String()
}

var noticeName = regexp.MustCompile(`(?i)^(licen[cs]e|copying|notice|patents|authors|unlicense)([.-].*)?$`)

// noticeFolder holds the licences of code that a module took from elsewhere.
var noticeFolder = regexp.MustCompile(`(?i)^(third.party.)?licen[cs]es$`)

// notices returns the files of a module that its licence wants handed on, those of code it took from elsewhere too.
func notices(t *testing.T, dir string) (files []string) {
	require.NoError(t, filepath.WalkDir(dir, func(path string, e os.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case e.IsDir() && e.Name() == "testdata":
			return filepath.SkipDir
		case e.IsDir() || filepath.Ext(path) == ".go":
		case noticeName.MatchString(e.Name()), noticeFolder.MatchString(filepath.Base(filepath.Dir(path))) && !strings.Contains(path, "gpl"): // of two licences offered, the other one
			files = append(files, path)
		}
		return nil
	}))
	return files
}

func packed(t *testing.T, text string) []byte {
	var b bytes.Buffer
	w, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	require.NoError(t, err)
	_, err = w.Write([]byte(text))
	require.NoError(t, err)
	require.NoError(t, w.Close())
	return b.Bytes()
}
