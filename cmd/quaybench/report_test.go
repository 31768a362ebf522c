package main

import (
	"bytes"
	"encoding/json"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/settings"
	"quaybench/profiles"
)

// TestReports writes the report and the charts of every command that has one, by every kind of file.
func TestReports(t *testing.T) {
	dir := t.TempDir()
	steps := filepath.Join(dir, "steps.toml")
	require.NoError(t, os.WriteFile(steps, []byte("name = \"steps\"\nduration = \"12 s\"\nmoored = true\n[[throttle]]\nat = \"1 s\"\nto = \"40 %\"\nover = \"1 s\"\n[[throttle]]\nat = \"8 s\"\nto = \"0 %\"\nover = \"1 s\"\n"), 0o644))
	for _, c := range []struct {
		name, args, says string
	}{
		{"try", "try petrel --trial locked-shaft", "Parts"},
		{"over", "try petrel --trial hot-day --set limits.motor_current=240\u00a0A", "To change"},
		{"highest", "highest petrel limits.motor_current --hold 20\u00a0min", "The range that was searched"},
		{"front", "highest petrel limits.battery_current limits.motor_current --hold 1\u00a0min", "The front"},
		{"envelope", "envelope petrel --locked --times 1\u00a0s..60\u00a0s", "Envelope"},
		{"odds", "odds petrel --trial locked-shaft --draws 8 --quick", "Odds"},
		{"step", "step petrel --trial " + steps, "inferred from what was measured"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var args []string
			for _, a := range strings.Fields(strings.ReplaceAll(c.args, "\u00a0", "~")) {
				args = append(args, strings.ReplaceAll(a, "~", " "))
			}
			page, picture := filepath.Join(dir, c.name+".html"), filepath.Join(dir, c.name+".PNG")
			code, stdout, stderr := quaybench(t, nil, append(args, "--report", page, "--plot", picture)...)
			assert.Contains(t, []int{exitClear, exitOver}, code, stderr)
			assert.Contains(t, stdout, "wrote "+page+"\n")
			assert.Contains(t, stdout, "wrote "+picture+"\n")
			html, err := os.ReadFile(page)
			require.NoError(t, err)
			if c.name == "step" { // a file of the user's: which it was
				assert.Contains(t, string(html), "steps.toml, SHA-256")
			}
			for _, words := range []string{c.says, "A simulation is no proof of safety", "quaybench " + strings.Fields(c.args)[0] + " petrel", bench.Version} {
				assert.Contains(t, string(html), words)
			}
			img, err := os.ReadFile(picture)
			require.NoError(t, err)
			_, err = png.DecodeConfig(bytes.NewReader(img))
			assert.NoError(t, err)
		})
	}
	t.Run("pdf and svg", func(t *testing.T) {
		pdf, svg := filepath.Join(dir, "r.pdf"), filepath.Join(dir, "r.svg")
		code, stdout, stderr := quaybench(t, nil, "try", "petrel", "--trial", "locked-shaft", "--json", "--report", pdf, "--plot", svg)
		require.Equal(t, exitClear, code, stderr)
		assert.True(t, json.Valid([]byte(stdout)), "with --json nothing but the object is printed")
		text, err := os.ReadFile(pdf)
		require.NoError(t, err)
		assert.True(t, bytes.HasPrefix(text, []byte("%PDF")))
		text, err = os.ReadFile(svg)
		require.NoError(t, err)
		assert.True(t, bytes.HasPrefix(text, []byte("<svg ")))
	})
}

// TestReportIsRefusedBeforeTheWork: what could not be written after the work is said before it.
func TestReportIsRefusedBeforeTheWork(t *testing.T) {
	dir := t.TempDir()
	folder := filepath.Join(dir, "folder.html")
	require.NoError(t, os.Mkdir(folder, 0o755))
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--report", "report.doc"}, "quaybench: --report: the kind of file is told by its ending, .html or .pdf; report.doc has neither\n"},
		{[]string{"--plot", "charts"}, "quaybench: --plot: the kind of file is told by its ending, .svg or .png; charts has neither\n"},
		{[]string{"--plot", "report.html"}, "quaybench: --plot: the kind of file is told by its ending, .svg or .png; report.html has neither\n"},
		{[]string{"--report", folder}, "quaybench: --report: " + folder + " is a folder; name a file in it\n"},
		{[]string{"--report", filepath.Join(dir, "none", "r.html")}, "quaybench: --report: " + filepath.Join(dir, "none", "r.html") + " cannot be written: no such file or directory\n"},
	} {
		for _, command := range [][]string{{"try", "petrel"}, {"highest", "petrel", "limits.motor_current"}, {"envelope", "petrel"}, {"odds", "petrel"}, {"step", "petrel", "--trial", "harbour"}} {
			code, stdout, stderr := quaybench(t, nil, append(command, c.args...)...)
			assert.Equal(t, exitInput, code)
			assert.Empty(t, stdout)
			assert.Equal(t, c.want, stderr)
		}
	}
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, left, 1, "no probe is left behind")
}

// TestReportComparesWithTheApproved: a boat of the book is laid beside the version that was approved last.
func TestReportComparesWithTheApproved(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "book")
	book, err := profiles.Create(dir, profiles.Options{})
	require.NoError(t, err)
	boatText, err := os.ReadFile("demo/petrel/boat.toml")
	require.NoError(t, err)
	settingsText, err := os.ReadFile("demo/petrel/settings.toml")
	require.NoError(t, err)
	require.NoError(t, book.AddBoat(t.Context(), "petrel", profiles.Texts{Boat: boatText, Settings: settingsText}))
	page := filepath.Join(t.TempDir(), "r.html")
	report := func() string {
		t.Helper()
		code, _, stderr := quaybench(t, nil, "--book", dir, "try", "petrel", "--trial", "locked-shaft", "--report", page, "--force")
		require.Equal(t, exitClear, code, stderr)
		text, err := os.ReadFile(page)
		require.NoError(t, err)
		return string(text)
	}
	assert.Contains(t, report(), "No version of this boat&#39;s profile has been approved yet.")
	version, err := book.Save(t.Context(), "petrel", profiles.SaveOptions{Author: "the yard", Reason: "first", Tool: bench.Version})
	require.NoError(t, err)
	_, err = book.Approve(t.Context(), "petrel", string(version.Hash), profiles.ApproveOptions{Author: "the yard", Tool: bench.Version, Despite: "seen on the water"})
	require.NoError(t, err)
	assert.Contains(t, report(), "the settings are those of it")
	require.NoError(t, book.Edit(t.Context(), "petrel", profiles.SettingsFile, func(text []byte) ([]byte, error) {
		_, source, err := settings.Read("settings.toml", text)
		if err != nil {
			return nil, err
		}
		return source.Set("ramp.rise", "3.5 s")
	}))
	got := report()
	assert.Contains(t, got, "version "+version.Hash.Short()+", changed since")
	assert.Contains(t, got, "by the yard on ")
	assert.Contains(t, got, "one setting differs from it")
	assert.Contains(t, got, "seen on the water")

	// A newest version that is damaged may be what was approved: nobody can tell, and no older tip is handed on.
	next, err := book.Save(t.Context(), "petrel", profiles.SaveOptions{Author: "the yard", Reason: "second", Tool: bench.Version})
	require.NoError(t, err)
	files, err := filepath.Glob(filepath.Join(dir, "petrel", "versions", "*"+next.Hash.Short()+"*"))
	require.NoError(t, err)
	require.Len(t, files, 1)
	text, err := os.ReadFile(files[0])
	require.NoError(t, err)
	text[len(text)/2]++
	require.NoError(t, os.WriteFile(files[0], text, 0o644))
	got = report()
	assert.Contains(t, got, "The book is hurt, so that it cannot be told which version was approved last")
	assert.NotContains(t, got, "tip of the book")
	assert.NotContains(t, got, "has been approved yet")
}

// TestCommandLine: the command in a report gives the same again when a shell reads it.
func TestCommandLine(t *testing.T) {
	page := filepath.Join(t.TempDir(), "it's here.html")
	code, _, stderr := quaybench(t, nil, "odds", "petrel", "--quick", "--draws", "4", "--trial", "locked-shaft", "--trial", "dry-running", "--set", "limits.motor_current=150 A", "--report", page)
	require.Equal(t, exitClear, code, stderr)
	text, err := os.ReadFile(page)
	require.NoError(t, err)
	want := "quaybench odds petrel --draws 4 --quick --report &#39;" + strings.ReplaceAll(page, "'", "&#39;\\&#39;&#39;") + "&#39; --set &#39;limits.motor_current=150 A&#39; --trial locked-shaft --trial dry-running"
	assert.Contains(t, string(text), want)
}

// A full disk is no bad use: the exit code is that of a command that failed, and nothing is left.
func TestReportOnAFullDisk(t *testing.T) {
	small := smallDisk(t)
	fillUp(t, small, 100<<10)
	script := fileOf(t, "hop.toml", hop)
	for _, args := range [][]string{
		{"try", "petrel", "--trial", "locked-shaft", "--report", "r.html"},
		{"try", "petrel", "--trial", "locked-shaft", "--csv", "r.csv"},
		{"odds", "petrel", "--plot", "r.png"},
		{"step", "petrel", "--trial", script, "--report", "r.pdf"},
		{"step", "petrel", "--trial", script, "--record", "r.csv"},
	} {
		args[len(args)-1] = filepath.Join(small, args[len(args)-1])
		code, stdout, stderr := quaybench(t, nil, args...)
		require.Equal(t, exitOther, code, stderr)
		require.Contains(t, stderr, "no space left on device")
		require.Contains(t, stderr, args[len(args)-2])
		require.Empty(t, stdout, "it is known before the work")
	}
	left, err := os.ReadDir(small)
	require.NoError(t, err)
	require.Len(t, left, 1, "the folder of what fills it")
}
