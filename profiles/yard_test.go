package profiles

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "rewrite golden files")

// The yard and its boats are invented.
const (
	petrelBoat = "name = \"petrel\"\n[battery]\nvoltage = \"48 V\" # data sheet\n"

	petrelSettings = `# petrel, as she left the yard
[limits]
motor_current = "220 A"   # astern too
battery_current = "150 A"

[ramp]
rise = "2.5 s"

[derating]
start = "80 °C"
`
)

func ctxOf(tb testing.TB) context.Context { return tb.Context() }

// clock is a clock that tests turn; it moves by a second at each look.
type clock struct {
	sync.Mutex
	at time.Time
}

func (c *clock) now() time.Time {
	c.Lock()
	defer c.Unlock()
	c.at = c.at.Add(time.Second)
	return c.at
}

func (c *clock) set(t time.Time) {
	c.Lock()
	defer c.Unlock()
	c.at = t
}

var yardOpens = time.Date(2026, 4, 1, 7, 0, 0, 0, time.UTC)

// newYard makes a book with the boat petrel in it.
func newYard(tb testing.TB) (*Book, *clock) {
	tb.Helper()
	c := &clock{at: yardOpens}
	b, err := Create(tb.TempDir(), Options{Now: c.now})
	require.NoError(tb, err)
	require.NoError(tb, b.AddBoat(ctxOf(tb), "petrel", Texts{Boat: []byte(petrelBoat), Settings: []byte(petrelSettings)}))
	return b, c
}

// because returns a save by the yard's hand for a reason.
func because(reason string) SaveOptions {
	return SaveOptions{Author: "yard hand", Reason: reason, Tool: "quaybench test"}
}

// setCurrent sets petrel's motor current limit in the working file.
func setCurrent(tb testing.TB, b *Book, amps int) {
	tb.Helper()
	text := fmt.Sprintf("[limits]\nmotor_current = \"%d A\"\n", amps)
	require.NoError(tb, b.Edit(ctxOf(tb), "petrel", SettingsFile, func([]byte) ([]byte, error) { return []byte(text), nil }))
}

// saveCurrent saves a version with this motor current limit.
func saveCurrent(tb testing.TB, b *Book, amps int, parents ...string) *Version {
	tb.Helper()
	setCurrent(tb, b, amps)
	o := because(fmt.Sprintf("try %d A", amps))
	o.Parents = parents
	v, err := b.Save(ctxOf(tb), "petrel", o)
	require.NoError(tb, err)
	return v
}

// judged returns a verdict of the given result.
func judged(r Result) Verdict {
	used := map[Result]float64{Clear: 0.5, Close: 0.93, Over: 1.2}[r]
	return Verdict{Trial: "crash stop", Result: r, Part: "winding", Used: &used, First: "derating starts", Tool: "quaybench test"}
}

// saveJudged saves the working files with a verdict.
func saveJudged(tb testing.TB, b *Book, r Result) *Version {
	tb.Helper()
	texts, err := b.Texts(ctxOf(tb), "petrel")
	require.NoError(tb, err)
	record := File{Role: RoleRecord, Name: "crash stop.csv", Content: []byte("t_s,motor_a\n0,0\n1," + string(r) + "\n")}
	verdict := judged(r)
	verdict.Record = HashOf(record.Content)
	o := because("tried: " + string(r))
	o.Verdicts, o.Tried, o.Evidence = []Verdict{verdict}, &texts, []File{record}
	v, err := b.Save(ctxOf(tb), "petrel", o)
	require.NoError(tb, err)
	return v
}

// openCopy copies a whole book, working files and all, and opens the copy with the same clock.
func openCopy(tb testing.TB, b *Book) *Book {
	tb.Helper()
	dir := tb.TempDir()
	require.NoError(tb, os.CopyFS(dir, os.DirFS(b.Dir())))
	other, err := Open(dir, Options{Now: b.now})
	require.NoError(tb, err)
	return other
}

// copyBook copies the files written once from one book into another, as a stick or rsync does.
func copyBook(tb require.TestingT, from, to *Book) {
	boats, err := from.Boats(context.Background())
	require.NoError(tb, err)
	for _, boat := range boats {
		for _, folder := range []string{versionsDir, marksDir, keptDir} {
			source, target := filepath.Join(from.Dir(), boat, folder), filepath.Join(to.Dir(), boat, folder)
			entries, err := os.ReadDir(source)
			if os.IsNotExist(err) {
				continue
			}
			require.NoError(tb, err)
			require.NoError(tb, os.MkdirAll(target, 0o755))
			for _, e := range entries {
				content, err := os.ReadFile(filepath.Join(source, e.Name()))
				require.NoError(tb, err)
				out, err := os.OpenFile(filepath.Join(target, e.Name()), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
				if os.IsExist(err) {
					continue
				}
				require.NoError(tb, err)
				_, err = out.Write(content)
				require.NoError(tb, err)
				require.NoError(tb, out.Close())
			}
		}
	}
}

// damage overwrites a file that was written once.
func damage(tb testing.TB, path, content string) {
	tb.Helper()
	require.NoError(tb, os.Chmod(path, 0o644))
	require.NoError(tb, os.WriteFile(path, []byte(content), 0o644))
}
