//go:build slow

package bench_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestNewLimitIsOneLine: a limit that is added to the table, in one line, is known to every room: the program built with that
// line explains it, reads it, checks it by the rules, proposes it, searches its highest value, and compares it.
func TestNewLimitIsOneLine(t *testing.T) {
	const row = "\tManoeuvring float64 `key:\"manoeuvring_current\" unit:\"A\" min:\"0 A\" max:\"2000 A\" default:\"0 A\" title:\"manoeuvring limit\" heats:\"motor\" raise:\"a livelier boat in harbour\" doc:\"motor current limit near neutral; 0 A: none\"`\n"
	dir := t.TempDir()
	run := programWith(t, dir, "settings/settings.go", "\tBatteryCurrent float64", row)
	const key = "limits.manoeuvring_current"
	assert.Contains(t, run("settings", key), "motor current limit near neutral; 0 A: none (0 A to 2000 A; left out: 0 A; heats what carries motor current; raised for a livelier boat in harbour)")
	assert.Contains(t, run("__complete", "settings", "limits.man"), key)
	assert.Contains(t, run("check", "petrel", "--set", key+"=190 A"), "the manoeuvring limit, 190 A of motor current, is more than the motor cable may carry for ever where it lies, 184 A change "+key+" from 190 A to 184 A")
	assert.Contains(t, run("check", "petrel", "--set", key+"=500 A"), "the manoeuvring limit, 500 A of motor current, is more than the controller's 400 A")
	tried := run("try", "petrel", "--trial", "harbour", "--set", key+"=300 A")
	assert.Contains(t, tried, "proposed: "+key+" 300 A instead of 0 A")
	assert.Contains(t, tried, "to change: "+key+" from 300 A to 184 A")
	assert.Contains(t, run("highest", "petrel", key, "--trial", "harbour"), "next limit reached")
	paper := filepath.Join(dir, "report.html")
	run("try", "petrel", "--trial", "harbour", "--set", key+"=100 A", "--report", paper)
	page, err := os.ReadFile(paper)
	require.NoError(t, err)
	assert.Contains(t, string(page), key)
}

// programWith builds the program with a line more in one file of the tree, before the text place. It runs in dir and returns what it prints, on one line.
func programWith(t *testing.T, dir, file, place, row string) func(args ...string) string {
	t.Helper()
	table, err := filepath.Abs(file)
	require.NoError(t, err)
	text, err := os.ReadFile(table)
	require.NoError(t, err)
	require.Equal(t, 1, strings.Count(string(text), place))
	changed := filepath.Join(dir, filepath.Base(file))
	require.NoError(t, os.WriteFile(changed, []byte(strings.Replace(string(text), place, row+place, 1)), 0o644))
	overlay, err := json.Marshal(map[string]map[string]string{"Replace": {table: changed}})
	require.NoError(t, err)
	list := filepath.Join(dir, "overlay.json")
	require.NoError(t, os.WriteFile(list, overlay, 0o644))
	program := filepath.Join(dir, "quaybench")
	out, err := exec.Command("go", "build", "-overlay", list, "-o", program, "../cmd/quaybench").CombinedOutput()
	require.NoError(t, err, string(out))
	return func(args ...string) string {
		cmd := exec.Command(program, args...)
		cmd.Dir, cmd.Env = dir, append(os.Environ(), "HOME="+dir, "QUAYBENCH_BOOK="+filepath.Join(dir, "book"))
		out, _ := cmd.CombinedOutput()
		return strings.Join(strings.Fields(string(out)), " ")
	}
}
