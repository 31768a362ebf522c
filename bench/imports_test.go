package bench_test

import (
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// room is a line of the house's table: a folder with all that lies below it, and what of ours it may import. What those
// may import it may import too, as in Go's own table of dependencies, but for what it must never reach.
type room struct {
	name   string
	may    []string
	never  []string
	reason string
}

// house is the table of rooms. The line runs from the inputs over the two machines that make records to their readers.
var house = []room{
	{"bench/quantity", nil, nil, "the edge of the tool: text to SI and back, and nothing else"},
	{"bench/datafile", []string{"bench/quantity"}, nil, "files by struct tags: knows units, no boats"},
	{"bench/boat", []string{"bench/quantity", "bench/datafile"}, nil, "an input describes; it computes nothing"},
	{"bench/settings", []string{"bench/quantity", "bench/datafile"}, nil, "an input; one table of parameters, known to no boat"},
	{"bench/trial", []string{"bench/quantity", "bench/datafile"}, nil, "an input; what the helm does, on whatever boat"},
	{"bench/record", []string{"bench/quantity"}, nil, "read by all, so it must know nobody: not even who made it"},
	{"bench/control", []string{"bench/settings"}, nil, "the law alone: simulator and simulated controller run the same"},
	{"bench/root", nil, nil, "where a function of one number changes"},
	{"bench/thermal", []string{"bench/root"}, nil, "heat networks of anything"},
	{"bench/hydro", []string{"bench/root"}, nil, "propellers and hulls of anything"},
	{"bench/layout", nil, nil, "text in columns and lines of a screen; knows no result"},
	{"bench/ode", nil, nil, "integrates anything; knows nothing of boats"},
	{"bench/drive", []string{"bench/boat", "bench/settings", "bench/control", "bench/thermal", "bench/hydro", "bench/record"}, []string{"bench/trial", "bench/ode"}, "one right-hand side: neither a trial nor an integrator is its business; what a part with a limit is, it has from the record"},
	{"bench/simulate", []string{"bench/drive", "bench/trial", "bench/record", "bench/ode"}, []string{"bench/verdict", "bench/link"}, "a machine that makes records; it judges nothing"},
	{"bench/link", []string{"bench/settings", "bench/quantity", "bench/datafile"}, []string{"bench/boat", "bench/record", "bench/drive", "bench/simulate"}, "what hangs on a line; it knows values and settings, no boats"},
	{"bench/link/linksim", []string{"bench/link", "bench/boat", "bench/control", "bench/simulate"}, nil, "a simulated controller on a line: it runs a boat"},
	{"bench/measure", []string{"bench/link", "bench/trial", "bench/record", "bench/drive", "bench/ode"}, []string{"bench/simulate", "bench/verdict"}, "the other machine that makes records; what stops a test comes as a function; what nobody measured is integrated here"},
	{"bench/holder", []string{"bench/measure", "bench/record", "bench/trial"}, []string{"bench/simulate", "bench/verdict"}, "the process that holds the line: a script's process asks it for programmes"},
	{"bench/verdict", []string{"bench/boat", "bench/settings", "bench/trial", "bench/record", "bench/thermal", "bench/hydro", "bench/drive"}, []string{"bench/simulate", "bench/measure", "bench/link"}, "a reader of records, whatever made them; published tables and laws of heat are thermal's, of hulls hydro's, what a motor's rating means is the drive's"},
	{"bench/variant", []string{"bench/boat", "bench/settings", "bench/trial", "bench/drive", "bench/thermal"}, []string{"bench/simulate"}, "any value by its key, and what follows from it; it runs nothing"},
	{"bench/study", []string{"bench/simulate", "bench/verdict", "bench/variant"}, []string{"bench/measure", "bench/link"}, "many runs and their verdicts"},
	{"bench/choose", []string{"bench/study", "bench/variant", "bench/verdict", "bench/thermal", "bench/hydro"}, []string{"bench/measure", "bench/link"}, "which size of a series does: it asks studies and rules, and knows no screen"},
	{"bench/readings", []string{"bench/link", "bench/record", "bench/quantity", "bench/datafile"}, []string{"bench/boat", "bench/measure"}, "what other loggers wrote, as a record: knows channels, no boats"},
	{"bench/learn/leastsquares", nil, nil, "a sum of squares of anything"},
	{"bench/learn", []string{"bench/learn/leastsquares", "bench/simulate", "bench/link"}, []string{"bench/verdict", "bench/measure"}, "records back into a boat's values: it asks simulations, and judges nothing"},
	{"bench/report", []string{"bench/layout", "bench/boat", "bench/settings", "bench/record", "bench/verdict", "bench/study", "bench/choose"}, []string{"bench/measure", "bench/link"}, "a reader: charts and the one-file report"},
	{"profiles", []string{"bench/boat", "bench/settings", "bench/record", "bench/verdict"}, nil, "the book keeps; it runs nothing"},
	{"bench", []string{"bench/..."}, nil, "the front door: verbs over the rooms below it, and no room imports it"},
	{"repl", []string{"bench", "profiles"}, nil, "scripts see the front door and the book"},
	{"bench/benchtest", []string{"bench/boat", "bench/settings", "bench/link"}, nil, "the demo boats, for tests only"},
	{"cmd", []string{"bench", "profiles", "repl", "scripts", "bench/..."}, nil, "flags, exit codes, tables"},
	{"scripts", []string{"bench"}, nil, "an acceptance test of the front door"},
}

// undecided are imports against the table that somebody has to decide on: mend the code, or the table with a reason.
// A line that is mended must go from here.
var undecided = map[[2]string]string{}

// TestImports holds every import of ours, outside tests, against the house's table.
func TestImports(t *testing.T) {
	found := imports(t)
	require.Greater(t, len(found), 15, "the tree was not read")
	open := map[[2]string]bool{}
	for _, from := range slices.Sorted(maps.Keys(found)) {
		r := roomOf(from)
		if !assert.NotNil(t, r, "%s has no line in the house's table; give it one with its reason", from) {
			continue
		}
		for _, to := range found[from] {
			other := roomOf(to)
			if !assert.NotNil(t, other, "%s imports %s, which has no line in the house's table", from, to) || other == r {
				continue
			}
			line := [2]string{r.name, other.name}
			if allowed(r, other) {
				continue
			}
			open[line] = true
			assert.Contains(t, undecided, line, "%s imports %s: %s may import %v (%s)", from, to, r.name, r.may, r.reason)
		}
	}
	for line, why := range undecided {
		assert.True(t, open[line], "%s imports %s no more (%s): take the line out", line[0], line[1], why)
	}
}

// TestTheHouseIsInOrder: the table itself names rooms that are there, without circles, and gives its reasons.
func TestTheHouseIsInOrder(t *testing.T) {
	for i := range house {
		r := &house[i]
		assert.NotEmpty(t, r.reason, r.name)
		_, err := fs.Stat(tree, r.name)
		assert.NoError(t, err, "%s has a line and no folder", r.name)
		for _, may := range append(r.may, r.never...) {
			if may != "bench/..." {
				assert.NotNil(t, roomOf(may), "%s speaks of %s, which has no line", r.name, may)
			}
		}
		for _, never := range r.never {
			assert.False(t, allowed(r, roomOf(never)), "%s must never import %s, and may by its own line", r.name, never)
		}
		for j := range house {
			o := &house[j]
			assert.False(t, r != o && allowed(r, o) && allowed(o, r), "%s and %s may import each other", r.name, o.name)
		}
	}
}

// allowed reports whether one room may import another.
func allowed(from, to *room) bool {
	if slices.Contains(from.never, to.name) {
		return false
	}
	var reach func(r *room, seen []string) bool
	reach = func(r *room, seen []string) bool {
		if r == to {
			return true
		}
		for _, may := range r.may {
			if may == "bench/..." && strings.HasPrefix(to.name, "bench/") {
				return true
			}
			if next := roomOf(may); next != nil && !slices.Contains(seen, next.name) && reach(next, append(seen, next.name)) {
				return true
			}
		}
		return false
	}
	return reach(from, nil)
}

// roomOf returns the room of a folder: the longest line that it lies in. The front door is a folder without those below.
func roomOf(folder string) *room {
	var best *room
	for i := range house {
		r := &house[i]
		within := folder == r.name || r.name != "bench" && strings.HasPrefix(folder, r.name+"/")
		if within && (best == nil || len(r.name) > len(best.name)) {
			best = r
		}
	}
	return best
}

// tree is the project's tree, by paths from its root.
var tree = os.DirFS("..")

// imports lists, by folder, the folders of ours that its files import, tests left out.
func imports(t *testing.T) map[string][]string {
	found := map[string][]string{}
	files := token.NewFileSet()
	err := fs.WalkDir(tree, ".", func(name string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && name != "." && (strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata"):
			return fs.SkipDir
		case d.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go"):
			return nil
		}
		text, err := fs.ReadFile(tree, name)
		if err != nil {
			return err
		}
		f, err := parser.ParseFile(files, filepath.FromSlash(name), text, parser.ImportsOnly)
		if err != nil {
			return err
		}
		folder := path.Dir(name)
		if found[folder] == nil {
			found[folder] = []string{}
		}
		for _, i := range f.Imports {
			p, err := strconv.Unquote(i.Path.Value)
			if err != nil {
				return err
			}
			if ours, ok := strings.CutPrefix(p, "quaybench/"); ok && !slices.Contains(found[folder], ours) {
				found[folder] = append(found[folder], ours)
			}
		}
		return nil
	})
	require.NoError(t, err)
	return found
}
