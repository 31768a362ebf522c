package profiles

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// yardWithHistory has four versions: v1 clear and labelled, v2, v3 approved, v4.
func yardWithHistory(t *testing.T) (*Book, []*Version) {
	t.Helper()
	b, _ := newYard(t)
	versions := []*Version{saveJudged(t, b, Clear), saveCurrent(t, b, 240), saveJudged(t, b, Close), saveCurrent(t, b, 250)}
	_, err := b.Label(t.Context(), "petrel", string(versions[0].Hash), "summer", LabelOptions{Author: "yard hand", Tool: "quaybench test"})
	require.NoError(t, err)
	_, err = b.Approve(t.Context(), "petrel", string(versions[2].Hash), ApproveOptions{Author: "yard master", Tool: "quaybench test"})
	require.NoError(t, err)
	return b, versions
}

func TestVerifyOfAWholeBook(t *testing.T) {
	b, _ := yardWithHistory(t)
	r, err := b.Verify(t.Context(), "")
	require.NoError(t, err)
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	require.Len(t, l.Tips, 1)
	tips := []Tip{{"petrel", l.Tips[0]}}
	assert.Equal(t, &Report{Boats: []string{"petrel"}, Versions: 4, Marks: 2, Kept: 3, Problems: []Problem{}, Swept: []string{}, Tips: tips, found: map[string]bool{}}, r)
	assert.False(t, r.Hurt())
}

// TestAnUnreadableEntryIsNoTip: its name alone is nothing to hold a book against. What it came after is the newest that is known.
func TestAnUnreadableEntryIsNoTip(t *testing.T) {
	b, _ := newYard(t)
	saveJudged(t, b, Clear)
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	before := l.Tips
	require.Len(t, before, 1)
	newest := saveCurrent(t, b, 240)
	require.NoError(t, os.Truncate(versionFile(b, newest), 100))
	r, err := b.Verify(t.Context(), "")
	require.NoError(t, err)
	assert.True(t, r.Hurt())
	assert.Equal(t, []Tip{{"petrel", before[0]}}, r.Tips)
	l, err = b.List(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Equal(t, before, l.Tips)
}

// For each way a file can be hurt: Verify names that file, List and Show give all others, and a new
// version can be saved.
func TestVerifyNamesWhatIsHurtAndTheRestIsUsable(t *testing.T) {
	for _, c := range []struct {
		name string
		hurt func(t *testing.T, b *Book, v []*Version) (files []string)
		what string
	}{
		{"truncated", func(t *testing.T, b *Book, v []*Version) []string {
			f := versionFile(b, v[1])
			require.NoError(t, os.Truncate(f, 100))
			return []string{f}
		}, "not what was saved"},
		{"emptied", func(t *testing.T, b *Book, v []*Version) []string {
			f := versionFile(b, v[1])
			require.NoError(t, os.Truncate(f, 0))
			return []string{f}
		}, "empty"},
		{"edited", func(t *testing.T, b *Book, v []*Version) []string {
			f := versionFile(b, v[1])
			damage(t, f, strings.Replace(readFile(t, f), "240 A", "340 A", 1))
			return []string{f}
		}, "not what was saved"},
		{"one bit flipped", func(t *testing.T, b *Book, v []*Version) []string {
			f := versionFile(b, v[1])
			content := []byte(readFile(t, f))
			content[len(content)/2] ^= 1
			damage(t, f, string(content))
			return []string{f}
		}, "not what was saved"},
		{"line ends changed", func(t *testing.T, b *Book, v []*Version) []string {
			f := versionFile(b, v[1])
			damage(t, f, strings.ReplaceAll(readFile(t, f), "\n", "\r\n"))
			return []string{f}
		}, "line ends"},
		{"swapped", func(t *testing.T, b *Book, v []*Version) []string {
			f, g := versionFile(b, v[1]), versionFile(b, v[2])
			x, y := readFile(t, f), readFile(t, g)
			damage(t, f, y)
			damage(t, g, x)
			return []string{f, g}
		}, "not what was saved"},
		{"renamed to another time", func(t *testing.T, b *Book, v []*Version) []string {
			f := versionFile(b, v[1])
			g := filepath.Join(filepath.Dir(f), newStamp(v[1].Time.Add(time.Hour), v[1].Hash).name)
			require.NoError(t, os.Rename(f, g))
			return []string{g}
		}, "renamed"},
		{"a folder in its place", func(t *testing.T, b *Book, v []*Version) []string {
			f := versionFile(b, v[1])
			require.NoError(t, os.Remove(f))
			require.NoError(t, os.Mkdir(f, 0o755))
			return []string{f}
		}, "not a plain file"},
		{"deleted", func(t *testing.T, b *Book, v []*Version) []string {
			require.NoError(t, os.Remove(versionFile(b, v[1])))
			return []string{versionFile(b, v[2])}
		}, "which is missing"},
		{"from another boat", func(t *testing.T, b *Book, v []*Version) []string {
			other := *v[1]
			other.Boat = "bracken"
			content := other.encode()
			f := filepath.Join(b.Dir(), "petrel", versionsDir, newStamp(other.Time, HashOf(content)).name)
			require.NoError(t, os.WriteFile(f, content, 0o644))
			return []string{f}
		}, `of the boat "bracken"`},
		{"mark edited", func(t *testing.T, b *Book, v []*Version) []string {
			f := filepath.Join(b.Dir(), "petrel", marksDir, firstIn(t, b, marksDir))
			damage(t, f, strings.Replace(readFile(t, f), "summer", "winter", 1))
			return []string{f}
		}, "not what was saved"},
		{"kept edited", func(t *testing.T, b *Book, v []*Version) []string {
			f := filepath.Join(b.Dir(), "petrel", keptDir, string(v[1].BoatFile().Hash))
			damage(t, f, "edited")
			return []string{f}
		}, "not what was saved"},
		{"kept deleted", func(t *testing.T, b *Book, v []*Version) []string {
			f := filepath.Join(b.Dir(), "petrel", keptDir, string(v[1].BoatFile().Hash))
			require.NoError(t, os.Remove(f))
			return []string{f}
		}, "missing"},
		{"working file is binary", func(t *testing.T, b *Book, v []*Version) []string {
			f := filepath.Join(b.Dir(), "petrel", SettingsFile)
			require.NoError(t, os.WriteFile(f, []byte{0, 1, 2}, 0o644))
			return []string{f}
		}, "control character"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, v := yardWithHistory(t)
			hurt := c.hurt(t, b, v)
			r, err := b.Verify(t.Context(), "")
			require.NoError(t, err)
			assert.True(t, r.Hurt())
			var named []string
			for _, p := range r.Problems {
				if p.Hurt {
					named = append(named, filepath.Join(b.Dir(), filepath.FromSlash(p.Path)))
					assert.Contains(t, p.What, c.what)
				}
			}
			assert.ElementsMatch(t, hurt, named)

			l, err := b.List(t.Context(), "petrel")
			require.NoError(t, err)
			assert.GreaterOrEqual(t, len(l.Versions), 2)
			for _, e := range l.Versions {
				_, err := b.Show(t.Context(), "petrel", string(e.Hash))
				require.NoError(t, err)
			}
			setCurrentByHand(t, b, 270)
			_, err = b.Save(t.Context(), "petrel", because("work goes on"))
			if doubtful := c.name == "swapped" || c.name == "from another boat"; doubtful { // no readable version has seen one of them
				var doubt *DoubtError
				require.ErrorAs(t, err, &doubt)
				b.despiteDamage = true
				_, err = b.Save(t.Context(), "petrel", because("work goes on despite it"))
				require.NoError(t, err)
				b.despiteDamage = false
				_, err = b.Label(t.Context(), "petrel", RefHead, "autumn", LabelOptions{Author: "yard hand", Tool: "quaybench test"})
				var heads *HeadsError
				assert.False(t, errors.As(err, &doubt), "what the new version has seen is in doubt no more")
				assert.True(t, err == nil || errors.As(err, &heads))
				return
			}
			require.NoError(t, err)
		})
	}
}

func versionFile(b *Book, v *Version) string {
	return filepath.Join(b.Dir(), v.Boat, versionsDir, newStamp(v.Time, v.Hash).name)
}

func readFile(t *testing.T, path string) string {
	t.Helper()
	content, err := os.ReadFile(path)
	require.NoError(t, err)
	return string(content)
}

func firstIn(t *testing.T, b *Book, folder string) string {
	t.Helper()
	entries, err := os.ReadDir(filepath.Join(b.Dir(), "petrel", folder))
	require.NoError(t, err)
	return entries[0].Name()
}

// setCurrentByHand writes the working file as an editor does, whatever is in it.
func setCurrentByHand(t *testing.T, b *Book, amps int) {
	t.Helper()
	text := strings.Replace(petrelSettings, "220", strconv.Itoa(amps), 1)
	require.NoError(t, os.WriteFile(filepath.Join(b.Dir(), "petrel", SettingsFile), []byte(text), 0o644))
}

func TestVerifyRemarksOnWhatIsNotOfTheBook(t *testing.T) {
	b, v := yardWithHistory(t)
	stray := strings.Replace(versionFile(b, v[1]), ".toml", " (conflicted copy).toml", 1)
	require.NoError(t, os.WriteFile(stray, []byte("x"), 0o644))
	evil := filepath.Join(b.Dir(), "petrel", versionsDir, "\x1b[2J")
	evilMade := os.WriteFile(evil, nil, 0o644) == nil // not on every system
	orphan := HashOf([]byte("orphan"))
	require.NoError(t, os.WriteFile(filepath.Join(b.Dir(), "petrel", keptDir, string(orphan)), []byte("orphan"), 0o644))
	require.NoError(t, os.Remove(filepath.Join(b.Dir(), attributesFile)))
	require.NoError(t, os.MkdirAll(filepath.Join(b.Dir(), "Wren of mine", versionsDir), 0o755))
	require.NoError(t, os.Mkdir(filepath.Join(b.Dir(), ".git"), 0o755))
	r, err := b.Verify(t.Context(), "")
	require.NoError(t, err)
	assert.False(t, r.Hurt())
	want := 4
	if evilMade {
		want++
	}
	assert.Len(t, r.Problems, want)
	for _, p := range r.Problems {
		assert.Equal(t, p.String(), Printable(p.String()))
	}
}

func TestVerifyRemarksOnTheFuture(t *testing.T) {
	b, c := newYard(t)
	c.set(yardOpens.Add(1000 * time.Hour))
	saveCurrent(t, b, 240)
	c.set(yardOpens)
	r, err := b.Verify(t.Context(), "petrel")
	require.NoError(t, err)
	require.Len(t, r.Problems, 1)
	assert.Contains(t, r.Problems[0].What, "future")
	assert.False(t, r.Hurt())
}

func TestLeftoversOfKilledProcessesAreSwept(t *testing.T) {
	b, c := newYard(t)
	saveCurrent(t, b, 240)
	boat := filepath.Join(b.Dir(), "petrel")
	now := time.Now()
	c.set(now)
	file := func(folder, name string, age time.Duration) string {
		path := filepath.Join(boat, folder, name)
		require.NoError(t, os.WriteFile(path, []byte("half"), 0o444))
		require.NoError(t, os.Chtimes(path, now.Add(-age), now.Add(-age)))
		return path
	}
	const noProcess = "2147483646" // above the highest number Linux gives, 4194304, and macOS, 99999
	old := []string{
		file(".", ".tmp-"+noProcess+"-0", 25*time.Hour), file(versionsDir, ".tmp-"+noProcess+"-1", 25*time.Hour),
		file(keptDir, ".tmp-"+noProcess+"-0", 1000*time.Hour),
	}
	spared := []string{
		file(versionsDir, ".tmp-"+noProcess+"-2", time.Hour),
		file(versionsDir, ".tmp-not-ours", 1000*time.Hour),
		file(versionsDir, fmt.Sprintf("%s%d-7", temporaryPrefix, os.Getpid()), 1000*time.Hour),
	}
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Empty(t, l.Problems, "leftovers are not even mentioned")
	r, err := b.Verify(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Len(t, r.Swept, len(old))
	for _, path := range old {
		assert.NoFileExists(t, path)
	}
	for _, path := range spared {
		assert.FileExists(t, path)
	}
	stuck, other := file(versionsDir, ".tmp-"+noProcess+"-4", 25*time.Hour), file(versionsDir, ".tmp-"+noProcess+"-5", 25*time.Hour)
	b.fault = func(op, path string) error {
		if op == "remove" && strings.HasSuffix(path, filepath.Base(stuck)) {
			return errors.New("it is stuck")
		}
		return nil
	}
	r, err = b.Verify(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Len(t, r.Swept, 1, "the other one")
	assert.NoFileExists(t, other)
	assert.True(t, slices.ContainsFunc(r.Problems, func(p Problem) bool { return strings.Contains(p.What, "it is stuck") }), "%v", r.Problems)
	b.fault = nil
	again := file(versionsDir, ".tmp-"+noProcess+"-3", 25*time.Hour)
	saveCurrent(t, b, 250)
	assert.NoFileExists(t, again, "saving sweeps too")
}
