package profiles

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A pulled book may hold links. Nothing is read or written through one that leads out of the boat's
// folder.
func TestLinksLeadNowhere(t *testing.T) {
	outside := t.TempDir()
	secret := filepath.Join(outside, "secret.toml")
	require.NoError(t, os.WriteFile(secret, []byte("secret = 1\n"), 0o644))
	for _, c := range []struct {
		name   string
		link   string // in the boat's folder
		target string
	}{
		{"a working file outside", SettingsFile, secret},
		{"a boat file outside", BoatFile, secret},
		{"a record of the working files outside", continuesFile, secret},
		{"the versions outside", versionsDir, outside},
		{"the marks outside", marksDir, outside},
		{"the kept files outside", keptDir, outside},
		{"the versions in a folder above", versionsDir, filepath.Join("..", "..")},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, v := yardWithHistory(t)
			at := filepath.Join(b.Dir(), "petrel", c.link)
			require.NoError(t, os.RemoveAll(at))
			if err := os.Symlink(c.target, at); err != nil {
				t.Skip("NOT TESTED ON LINKS: this system makes none: ", err)
			}
			before := tree(t, outside)
			texts, err := b.Texts(t.Context(), "petrel")
			if err == nil {
				assert.NotContains(t, string(texts.Settings)+string(texts.Boat), "secret")
			}
			_ = b.Edit(t.Context(), "petrel", SettingsFile, func([]byte) ([]byte, error) { return []byte("x = 1\n"), nil })
			_, _ = b.Save(t.Context(), "petrel", because("a trap?"))
			_, _ = b.Restore(t.Context(), "petrel", string(v[0].Hash), RestoreOptions{Author: "yard hand", Tool: "quaybench test", Discard: true})
			_, _ = b.Label(t.Context(), "petrel", string(v[0].Hash), "trap", LabelOptions{Author: "yard hand", Tool: "quaybench test"})
			_, _ = b.Verify(t.Context(), "")
			assert.Equal(t, before, tree(t, outside))
			assert.Equal(t, "secret = 1\n", readFile(t, secret))
		})
	}
	t.Run("a boat that is a link", func(t *testing.T) {
		b, _ := newYard(t)
		if err := os.Symlink("petrel", filepath.Join(b.Dir(), "wren")); err != nil {
			t.Skip("NOT TESTED ON LINKS: this system makes none: ", err)
		}
		boats, err := b.Boats(t.Context())
		require.NoError(t, err)
		assert.Equal(t, []string{"petrel"}, boats)
		_, err = b.List(t.Context(), "wren")
		require.ErrorContains(t, err, "not a folder")
	})
	t.Run("a version that is a link", func(t *testing.T) {
		b, v := yardWithHistory(t)
		file := versionFile(b, v[1])
		elsewhere := filepath.Join(t.TempDir(), "copy.toml")
		require.NoError(t, os.Rename(file, elsewhere))
		if err := os.Symlink(elsewhere, file); err != nil {
			t.Skip("NOT TESTED ON LINKS: this system makes none: ", err)
		}
		l, err := b.List(t.Context(), "petrel")
		require.NoError(t, err)
		assert.Len(t, l.Versions, 3)
		require.Len(t, l.Problems, 1)
		assert.Contains(t, l.Problems[0].What, "not a plain file")
	})
}

// Sizes and numbers are looked at before anything is read.
func TestEndlessFilesAreNotRead(t *testing.T) {
	grow := func(t *testing.T, path string, size int64) {
		t.Helper()
		f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY, 0o644)
		require.NoError(t, err)
		require.NoError(t, f.Truncate(size))
		require.NoError(t, f.Close())
	}
	b, v := yardWithHistory(t)
	boat := filepath.Join(b.Dir(), "petrel")
	require.NoError(t, os.Chmod(versionFile(b, v[1]), 0o644))
	grow(t, versionFile(b, v[1]), 1<<40)
	require.NoError(t, os.Chmod(filepath.Join(boat, keptDir, string(v[0].BoatFile().Hash)), 0o644))
	grow(t, filepath.Join(boat, keptDir, string(v[0].BoatFile().Hash)), 1<<40)
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Len(t, l.Versions, 3)
	r, err := b.Verify(t.Context(), "petrel")
	require.NoError(t, err)
	for _, p := range r.Problems {
		assert.Contains(t, p.What, "larger than")
	}
	assert.Len(t, r.Problems, 2)
	grow(t, filepath.Join(boat, SettingsFile), 1<<40)
	_, err = b.Texts(t.Context(), "petrel")
	require.ErrorContains(t, err, "larger than")
	grow(t, filepath.Join(boat, continuesFile), 1<<40)
	l, err = b.List(t.Context(), "petrel")
	require.NoError(t, err, "the saved ones stay usable")
	assert.Len(t, l.Versions, 3)
}

func TestListTellsAWorkingFileThatCannotBeRead(t *testing.T) {
	b, v := yardWithHistory(t)
	settings := filepath.Join(b.Dir(), "petrel", SettingsFile)
	require.NoError(t, os.Remove(settings))
	require.NoError(t, os.Mkdir(settings, 0o755))
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Len(t, l.Versions, len(v))
	assert.True(t, l.Working.SettingsChanged)
	require.Len(t, l.Problems, 1)
	assert.Equal(t, "petrel/settings.toml", l.Problems[0].Path)
}

func TestAFolderOfTooMuchIsGivenUp(t *testing.T) {
	s := shelf{dir: &folder{path: "petrel/versions"}}
	require.NoError(t, s.countBytes(maxHeldBytes))
	require.ErrorContains(t, s.countBytes(1), "no folder of a book")
}

// Every string that Show, List and Diff return is safe to print: what is not was refused on reading.
func TestNothingReadDrivesTheTerminal(t *testing.T) {
	b, v := yardWithHistory(t)
	evil := *v[0]
	evil.Time = evil.Time.Add(1)
	for _, escape := range []string{"\x1b[2J", "\u009b2J", "\u202e", "\x07", "\x7f"} {
		for _, change := range []func(*Version){
			func(v *Version) { v.Author = "yard" + escape },
			func(v *Version) { v.Reason = "why" + escape },
			func(v *Version) { v.Settings = "# " + escape + "\n" },
			func(v *Version) { v.Verdicts = []Verdict{{Trial: "x" + escape, Result: Clear, Tool: "t"}} },
			func(v *Version) {
				v.Kept = append([]Kept{{Role: RoleOther, Name: "x" + escape, Hash: HashOf(nil)}}, v.Kept...)
			},
		} {
			forged := evil
			change(&forged)
			content := forged.encode()
			name := newStamp(forged.Time, HashOf(content)).name
			require.NoError(t, os.WriteFile(filepath.Join(b.Dir(), "petrel", versionsDir, name), content, 0o644))
		}
	}
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Len(t, l.Versions, 4)
	assert.Len(t, l.Problems, 25)
	for _, p := range l.Problems {
		assert.False(t, strings.ContainsFunc(p.String(), func(r rune) bool { return !plain(r) }))
	}
}
