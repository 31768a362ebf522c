//go:build slow

package profiles

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Two laptops share the book with the real git, one of them told to change line ends. Both save, pull
// and push; nothing conflicts, nothing is changed, and one of them joins the heads.
func TestTwoClonesMergeWithGit(t *testing.T) {
	if _, err := exec.LookPath("git"); err != nil {
		t.Skip("NOT TESTED WITH GIT: it is not here (apt-get install git)")
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
	h, err := here.resolve(t.Context(), "petrel", RefHead)
	require.NoError(t, err)
	assert.Equal(t, joined.Hash, h)
	v, err := here.Restore(t.Context(), "petrel", "head", restoring)
	require.NoError(t, err)
	assert.Equal(t, joined.Hash, v.Hash)
}

// The same without the .gitattributes shows what it is there for, and that Verify tells it.
func TestVerifyTellsLineEndsThatGitChanged(t *testing.T) {
	if _, err := exec.LookPath("git"); err != nil {
		t.Skip("NOT TESTED WITH GIT: it is not here (apt-get install git)")
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

// The container is POSIX tar, so that a person without the tool can look in: GNU tar lists and unpacks
// it.
func TestAnExportIsATarFile(t *testing.T) {
	if _, err := exec.LookPath("tar"); err != nil {
		t.Skip("NOT TESTED WITH TAR: it is not here (apt-get install tar)")
	}
	b, v := yardWithHistory(t)
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "petrel.tar"), export(t, b), 0o644))
	out, err := exec.Command("tar", "-C", dir, "-xf", filepath.Join(dir, "petrel.tar")).CombinedOutput()
	require.NoError(t, err, "%s", out)
	name := filepath.Join(versionsDir, newStamp(v[0].Time, v[0].Hash).name)
	assert.Equal(t, readFile(t, filepath.Join(b.Dir(), "petrel", name)), readFile(t, filepath.Join(dir, name)))
}
