package profiles

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Books that save, label and copy in any order hold the same in the end, and all that was saved: the
// order of versions, their numbers, heads and labels follow from the files alone.
func TestBooksMergeInAnyOrder(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c := &clock{at: yardOpens}
		var books []*Book
		for range 3 {
			dir, err := os.MkdirTemp(t.TempDir(), "book")
			require.NoError(rt, err)
			b, err := Create(dir, Options{Now: c.now})
			require.NoError(rt, err)
			require.NoError(rt, b.AddBoat(t.Context(), "petrel", Texts{Boat: []byte(petrelBoat), Settings: []byte(petrelSettings)}))
			books = append(books, b)
		}
		which := rapid.IntRange(0, len(books)-1)
		saved := map[Hash]bool{}
		for range rapid.IntRange(1, 8).Draw(rt, "steps") {
			b := books[which.Draw(rt, "book")]
			switch rapid.SampledFrom([]string{"save", "save", "copy", "label", "join", "clock"}).Draw(rt, "step") {
			case "save":
				text := fmt.Sprintf("x = %d\n", rapid.IntRange(0, 3).Draw(rt, "value"))
				require.NoError(rt, b.Edit(t.Context(), "petrel", SettingsFile, func([]byte) ([]byte, error) { return []byte(text), nil }))
				if v, err := b.Save(t.Context(), "petrel", because("a try")); err == nil {
					saved[v.Hash] = true
				} else if heads := new(HeadsError); !errors.As(err, &heads) { // two heads may hold what the files hold
					require.ErrorIs(rt, err, ErrUnchanged)
				}
			case "copy":
				copyBook(rt, b, books[which.Draw(rt, "to")])
			case "label":
				if heads, err := b.Heads(t.Context(), "petrel"); err == nil && len(heads) > 0 {
					_, err := b.Label(t.Context(), "petrel", string(heads[0]), "best", LabelOptions{Author: "yard hand", Tool: "quaybench test"})
					require.NoError(rt, err)
				}
			case "join":
				heads, err := b.Heads(t.Context(), "petrel")
				require.NoError(rt, err)
				if len(heads) > 1 {
					o := because("join")
					for _, h := range heads {
						o.Parents = append(o.Parents, string(h))
					}
					v, err := b.Save(t.Context(), "petrel", o)
					require.NoError(rt, err)
					saved[v.Hash] = true
				}
			case "clock": // one of the laptops runs ahead or behind
				c.set(yardOpens.Add(time.Duration(rapid.IntRange(-1000, 1000).Draw(rt, "minutes")) * time.Minute))
			}
		}
		for _, from := range books {
			for _, to := range books {
				copyBook(rt, from, to)
			}
		}
		copyBook(rt, books[2], books[0])
		copyBook(rt, books[2], books[1])
		first, err := books[0].List(t.Context(), "petrel")
		require.NoError(rt, err)
		for _, p := range first.Problems { // the books set labels without seeing each other: told, and nothing else is amiss
			require.Contains(rt, p.What, "two machines put it on different versions")
		}
		require.Len(rt, first.Versions, len(saved))
		place := map[Hash]int{}
		for i, e := range first.Versions {
			require.True(rt, saved[e.Hash])
			require.Equal(rt, i+1, e.Number)
			for _, p := range e.Parents {
				_, before := place[p]
				require.True(rt, before, "a version comes after what it continues")
			}
			place[e.Hash] = i
		}
		for _, b := range books[1:] {
			l, err := b.List(t.Context(), "petrel")
			require.NoError(rt, err)
			require.Equal(rt, first.Working.Heads, l.Working.Heads)
			for i := range l.Versions {
				l.Versions[i].Continued = first.Versions[i].Continued // each machine's own
			}
			require.Equal(rt, first.Versions, l.Versions)
			require.Equal(rt, first.Problems, l.Problems)
		}
	})
}

// Two laptops share the book with the real git, one of them told to change line ends. Both save, pull
// and push; nothing conflicts, nothing is changed, and one of them joins the heads.
func TestTwoClonesMergeWithGit(t *testing.T) {
	if _, err := exec.LookPath("git"); err != nil {
		t.Skip("no git here")
	}
	home := t.TempDir()
	git := func(dir string, args ...string) string {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), "git", args...)
		cmd.Dir = dir
		cmd.Env = append(os.Environ(), "HOME="+home, "GIT_CONFIG_NOSYSTEM=1", "GIT_CONFIG_GLOBAL=", "XDG_CONFIG_HOME="+home,
			"GIT_AUTHOR_NAME=yard hand", "GIT_AUTHOR_EMAIL=yard@example.org", "GIT_COMMITTER_NAME=yard hand", "GIT_COMMITTER_EMAIL=yard@example.org")
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, "git %s\n%s", strings.Join(args, " "), out)
		return string(out)
	}
	hub := filepath.Join(home, "hub.git")
	git(home, "init", "-q", "--bare", "-b", "main", hub)

	here, c := newYard(t)
	first := saveJudged(t, here, Clear)
	git(here.Dir(), "init", "-q", "-b", "main")
	git(here.Dir(), "config", "core.autocrlf", "true")
	git(here.Dir(), "remote", "add", "origin", hub)
	commit := func(b *Book) {
		git(b.Dir(), "add", "-A")
		git(b.Dir(), "commit", "-q", "-m", "profiles")
	}
	commit(here)
	git(here.Dir(), "push", "-q", "-u", "origin", "main")

	there := filepath.Join(home, "clone")
	git(home, "-c", "core.autocrlf=true", "clone", "-q", hub, there)
	git(there, "config", "core.autocrlf", "true")
	clone, err := Open(there, Options{Now: c.now})
	require.NoError(t, err)
	texts, err := clone.Texts(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Equal(t, petrelSettings, string(texts.Settings), "a clone works from the head")

	ours := saveCurrent(t, here, 240)
	theirs := saveCurrent(t, clone, 260)
	assert.Equal(t, []Hash{first.Hash}, theirs.Parents)
	label := LabelOptions{Author: "yard hand", Tool: "quaybench test"}
	_, err = here.Label(t.Context(), "petrel", string(ours.Hash), "calm", label)
	require.NoError(t, err)
	_, err = clone.Label(t.Context(), "petrel", string(theirs.Hash), "storm", label)
	require.NoError(t, err)
	commit(here)
	git(here.Dir(), "push", "-q")
	commit(clone)
	git(there, "pull", "-q", "--no-rebase", "--no-edit")
	git(there, "push", "-q")
	git(here.Dir(), "pull", "-q", "--no-rebase", "--no-edit")
	for _, b := range []*Book{here, clone} {
		assert.Empty(t, git(b.Dir(), "status", "--porcelain"))
		r, err := b.Verify(t.Context(), "")
		require.NoError(t, err)
		assert.Empty(t, r.Problems)
		l, err := b.List(t.Context(), "petrel")
		require.NoError(t, err)
		assert.Equal(t, []Hash{ours.Hash, theirs.Hash}, l.Working.Heads)
		assert.Equal(t, []string{"calm"}, l.Versions[1].Labels)
		assert.Equal(t, []string{"storm"}, l.Versions[2].Labels)
	}

	joined := saveCurrent(t, clone, 250, string(ours.Hash), string(theirs.Hash))
	commit(clone)
	git(there, "push", "-q")
	git(here.Dir(), "pull", "-q")
	h, err := here.Resolve(t.Context(), "petrel", RefHead)
	require.NoError(t, err)
	assert.Equal(t, joined.Hash, h)
	v, err := here.Restore(t.Context(), "petrel", "head", restoring)
	require.NoError(t, err)
	assert.Equal(t, joined.Hash, v.Hash)
}

// The same without the .gitattributes shows what it is there for, and that Verify tells it.
func TestVerifyTellsLineEndsThatGitChanged(t *testing.T) {
	if _, err := exec.LookPath("git"); err != nil {
		t.Skip("no git here")
	}
	b, _ := newYard(t)
	saveCurrent(t, b, 240)
	require.NoError(t, os.Remove(filepath.Join(b.Dir(), attributesFile)))
	clone := filepath.Join(t.TempDir(), "clone")
	for _, args := range [][]string{
		{"-C", b.Dir(), "init", "-q"}, {"-C", b.Dir(), "add", "-A"},
		{"-C", b.Dir(), "-c", "user.name=yard hand", "-c", "user.email=yard@example.org", "commit", "-q", "-m", "x"},
		{"-c", "core.autocrlf=true", "clone", "-q", b.Dir(), clone},
	} {
		out, err := exec.CommandContext(t.Context(), "git", args...).CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
	changed, err := Open(clone, Options{Now: b.now})
	require.NoError(t, err)
	r, err := changed.Verify(t.Context(), "")
	require.NoError(t, err)
	assert.True(t, r.Hurt())
	assert.Contains(t, fmt.Sprint(r.Problems), "had its line ends changed")
}
