//go:build slow

package report

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// seen is what testdata/browser.cjs found on a page in a view.
type seen struct {
	File, View         string
	Errors, Requests   []string
	Violations, Passes []string
	Title, Hover       string
	Charts, Figures    int
	Rows, Overflow     int
	Left               int
	Key                []string
	Cut                []string
	Pages              int
	Box                string
}

// TestBrowser opens reports in Debian's Chromium, 360 and 1280 px wide, dark, without script and in print: no error, no request,
// nothing wider than the view or cut off, the read-out works with pointer and keys, and axe-core has nothing to say.
func TestBrowser(t *testing.T) {
	chromium, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("NOT TESTED IN A BROWSER: no Chromium here: apt-get install chromium")
	}
	node, err := exec.LookPath("node")
	if err != nil {
		t.Skip("NOT TESTED IN A BROWSER: no node here: apt-get install nodejs")
	}
	modules, err := filepath.Abs(filepath.Join("..", "..", ".ci", "cache", "browser", "node_modules"))
	require.NoError(t, err)
	for _, name := range []string{"playwright-core", "axe-core"} {
		if _, err := os.Stat(filepath.Join(modules, name)); err != nil {
			t.Skipf("NOT TESTED IN A BROWSER: no %s here: npm install --prefix .ci/cache/browser %s", name, name)
		}
	}
	const hostile = `<script>alert("1")</script>`
	all := papers(t)
	pages := map[string]*Paper{"hostile": named(t, hostile)}
	dir := t.TempDir()
	args := []string{filepath.Join("testdata", "browser.cjs"), chromium, modules}
	for _, name := range []string{"try", "step", "highest", "envelope", "odds", "hostile"} {
		if pages[name] == nil {
			pages[name] = all[name]
		}
		file := filepath.Join(dir, name+".html")
		require.NoError(t, os.WriteFile(file, []byte(html(t, pages[name])), 0o644))
		args = append(args, file)
	}
	cmd := exec.CommandContext(t.Context(), node, args...)
	var errors bytes.Buffer
	cmd.Stderr = &errors
	out, err := cmd.Output()
	require.NoError(t, err, errors.String())
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	assert.Len(t, lines, 3*len(pages)+2)
	for _, line := range lines {
		var s seen
		require.NoError(t, json.Unmarshal([]byte(line), &s))
		name := strings.TrimSuffix(s.File, ".html")
		t.Run(name+" "+s.View, func(t *testing.T) {
			assert.Empty(t, s.Errors)
			assert.Empty(t, s.Requests)
			assert.Contains(t, s.Title, pages[name].Boat.Name)
			assert.Positive(t, s.Charts)
			assert.Greater(t, s.Rows, 150, "settings and boat are there")
			switch s.View {
			case "no script":
				return
			case "print":
				assert.Contains(t, []string{"0 0 595.91998 842.88", "0 0 594.95996 841.91998", "0 0 595.92 842.88"}, strings.TrimSpace(s.Box), "A4 (595 × 842 pt)")
				assert.Less(t, s.Pages, 20)
			}
			assert.Equal(t, s.Figures, s.Charts, "each figure shows one of its two sizes")
			assert.LessOrEqual(t, s.Overflow, 0, "wider than the view")
			if name != "hostile" { // signs alone are wider than words
				assert.Empty(t, s.Cut, "writing is cut off at the edge of a chart")
			}
			if s.View == "print" {
				return
			}
			assert.Empty(t, s.Violations)
			assert.Contains(t, s.Passes, "color-contrast")
			if s.Hover == "" {
				assert.Contains(t, []string{"odds", "highest"}, name, "no read-out")
				return
			}
			want := map[string]string{"try": "demand", "step": "measured", "hostile": "lever", "envelope": "may be held"}[name]
			assert.Contains(t, s.Hover, want)
			assert.Zero(t, s.Left, "the read-out goes when the pointer does")
			require.Len(t, s.Key, 2)
			assert.NotEmpty(t, s.Key[0])
			assert.NotEqual(t, s.Key[0], s.Key[1], "arrow keys move it")
		})
	}
}
