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
	table, err := filepath.Abs("settings/settings.go")
	require.NoError(t, err)
	text, err := os.ReadFile(table)
	require.NoError(t, err)
	const place = "\tBatteryCurrent float64"
	require.Equal(t, 1, strings.Count(string(text), place))
	dir := t.TempDir()
	changed := filepath.Join(dir, "settings.go")
	require.NoError(t, os.WriteFile(changed, []byte(strings.Replace(string(text), place, row+place, 1)), 0o644))
	overlay, err := json.Marshal(map[string]map[string]string{"Replace": {table: changed}})
	require.NoError(t, err)
	list := filepath.Join(dir, "overlay.json")
	require.NoError(t, os.WriteFile(list, overlay, 0o644))
	program := filepath.Join(dir, "quaybench")
	out, err := exec.Command("go", "build", "-overlay", list, "-o", program, "../cmd/quaybench").CombinedOutput()
	require.NoError(t, err, string(out))

	run := func(args ...string) string {
		cmd := exec.Command(program, args...)
		cmd.Env = append(os.Environ(), "HOME="+dir)
		out, _ := cmd.CombinedOutput()
		return strings.Join(strings.Fields(string(out)), " ")
	}
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
