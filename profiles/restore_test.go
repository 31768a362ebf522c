package profiles

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var restoring = RestoreOptions{Author: "yard hand", Tool: "quaybench test"}

func TestRestoreIsANewVersionWithTheOldVerdict(t *testing.T) {
	b, _ := newYard(t)
	old := saveJudged(t, b, Clear)
	require.NoError(t, b.Edit(t.Context(), "petrel", BoatFile, func([]byte) ([]byte, error) { return []byte("name = \"petrel\"\n"), nil }))
	head := saveCurrent(t, b, 260)

	v, err := b.Restore(t.Context(), "petrel", old.Hash.Short(), restoring)
	require.NoError(t, err)
	assert.Equal(t, []Hash{head.Hash}, v.Parents)
	assert.Equal(t, old.Hash, v.Restores)
	assert.Equal(t, 3, v.Number)
	assert.Equal(t, "restore "+old.Hash.Short(), v.Reason)
	assert.Equal(t, old.Verdicts, v.Verdicts)
	assert.Equal(t, old.Kept, v.Kept)
	texts, err := b.Texts(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Equal(t, petrelBoat, string(texts.Boat))
	assert.Equal(t, petrelSettings, string(texts.Settings))

	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Equal(t, Status{Continues: v.Hash, Heads: []Hash{v.Hash}}, l.Working)

	again, err := b.Restore(t.Context(), "petrel", old.Hash.Short(), restoring)
	require.NoError(t, err)
	assert.Equal(t, v.Hash, again.Hash, "what the head holds already needs no new version")
}

func TestRestoreOfSettingsOnlyLeavesTheBoatAndTheVerdict(t *testing.T) {
	b, _ := newYard(t)
	old := saveJudged(t, b, Clear)
	require.NoError(t, b.Edit(t.Context(), "petrel", BoatFile, func([]byte) ([]byte, error) { return []byte("measured = 1\n"), nil }))
	saveCurrent(t, b, 260)
	o := restoring
	o.SettingsOnly = true
	v, err := b.Restore(t.Context(), "petrel", old.Hash.Short(), o)
	require.NoError(t, err)
	assert.Empty(t, v.Verdicts)
	texts, err := b.Texts(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Equal(t, "measured = 1\n", string(texts.Boat))
	assert.Equal(t, petrelSettings, string(texts.Settings))
	assert.Equal(t, HashOf(texts.Boat), v.BoatFile().Hash)
}

func TestRestoreDoesNotLoseUnsavedText(t *testing.T) {
	b, _ := newYard(t)
	old := saveCurrent(t, b, 240)
	saveCurrent(t, b, 250)
	for _, file := range []string{SettingsFile, BoatFile} {
		t.Run(file, func(t *testing.T) {
			require.NoError(t, b.Edit(t.Context(), "petrel", file, func([]byte) ([]byte, error) { return []byte("unsaved = 1\n"), nil }))
			_, err := b.Restore(t.Context(), "petrel", old.Hash.Short(), restoring)
			require.ErrorIs(t, err, ErrUnsaved)
			assert.ErrorContains(t, err, file)
			texts, err := b.Texts(t.Context(), "petrel")
			require.NoError(t, err)
			assert.Contains(t, string(texts.Boat)+string(texts.Settings), "unsaved = 1")

			o := restoring
			o.Discard = true
			_, err = b.Restore(t.Context(), "petrel", old.Hash.Short(), o)
			require.NoError(t, err)
		})
	}
}

func TestRestoreOfAHeadSetsTheWorkingFiles(t *testing.T) {
	b, _ := newYard(t)
	first := saveCurrent(t, b, 240)
	left := saveCurrent(t, b, 250)
	right := saveCurrent(t, b, 260, string(first.Hash))
	v, err := b.Restore(t.Context(), "petrel", left.Hash.Short(), restoring)
	require.NoError(t, err)
	assert.Equal(t, left.Hash, v.Hash, "no new version")
	next := saveCurrent(t, b, 251)
	assert.Equal(t, []Hash{left.Hash}, next.Parents)

	// Of two heads, something older is restored onto the one being worked on.
	restored, err := b.Restore(t.Context(), "petrel", first.Hash.Short(), restoring)
	require.NoError(t, err)
	assert.Equal(t, []Hash{next.Hash}, restored.Parents)
	require.NoError(t, os.Remove(filepath.Join(b.Dir(), "petrel", continuesFile)))
	var heads *HeadsError
	_, err = b.Restore(t.Context(), "petrel", left.Hash.Short(), restoring)
	require.ErrorAs(t, err, &heads)
	o := restoring
	o.Parents = []string{string(right.Hash)}
	restored, err = b.Restore(t.Context(), "petrel", left.Hash.Short(), o)
	require.NoError(t, err)
	assert.Equal(t, []Hash{right.Hash}, restored.Parents)
}

func TestRestoreNeedsAllThatTheVersionRestsOn(t *testing.T) {
	b, _ := newYard(t)
	old := saveJudged(t, b, Clear)
	saveCurrent(t, b, 260)
	for _, k := range old.Kept {
		if k.Role == RoleRecord {
			damage(t, filepath.Join(b.Dir(), "petrel", keptDir, string(k.Hash)), "edited")
		}
	}
	var hurt *DamageError
	_, err := b.Restore(t.Context(), "petrel", old.Hash.Short(), restoring)
	require.ErrorAs(t, err, &hurt)
	texts, err := b.Texts(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Contains(t, string(texts.Settings), "260 A", "nothing was begun")
}
