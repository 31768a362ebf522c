package profiles

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// changes are all verbs that write, on a book with some history.
var changes = map[string]func(t *testing.T, b *Book) error{
	"edit": func(t *testing.T, b *Book) error {
		return b.Edit(t.Context(), "petrel", SettingsFile, func([]byte) ([]byte, error) { return []byte("x = 1\n"), nil })
	},
	"save": func(t *testing.T, b *Book) error {
		o := because("full?")
		o.Evidence = []File{{Role: RoleRecord, Name: "run.csv", Content: bytes.Repeat([]byte("1,2,3\n"), 1000)}}
		_, err := b.Save(t.Context(), "petrel", o)
		return err
	},
	"restore": func(t *testing.T, b *Book) error {
		_, err := b.Restore(t.Context(), "petrel", "first", restoring)
		return err
	},
	"label": func(t *testing.T, b *Book) error {
		_, err := b.Label(t.Context(), "petrel", "first", "second", LabelOptions{Author: "yard hand", Tool: "quaybench test"})
		return err
	},
	"approve": func(t *testing.T, b *Book) error {
		_, err := b.Approve(t.Context(), "petrel", "first", ApproveOptions{Author: "yard hand", Tool: "quaybench test"})
		return err
	},
	"add a boat": func(t *testing.T, b *Book) error {
		return b.AddBoat(t.Context(), "wren", Texts{Boat: []byte("a = 1"), Settings: []byte("b = 1")})
	},
	"import": func(t *testing.T, b *Book) error {
		_, err := b.Import(t.Context(), bytes.NewReader(exportOf(t, "bracken")), ImportOptions{})
		return err
	},
}

// exportOf returns an export of a small boat of this name.
func exportOf(t *testing.T, boat string) []byte {
	t.Helper()
	c := &clock{at: yardOpens}
	b, err := Create(t.TempDir(), Options{Now: c.now})
	require.NoError(t, err)
	require.NoError(t, b.AddBoat(t.Context(), boat, Texts{Boat: []byte("a = 1"), Settings: []byte("b = 1")}))
	_, err = b.Save(t.Context(), boat, because("to hand over"))
	require.NoError(t, err)
	var out bytes.Buffer
	_, err = b.Export(t.Context(), boat, &out)
	require.NoError(t, err)
	return out.Bytes()
}

func yardToChange(t *testing.T) *Book {
	t.Helper()
	b, _ := newYard(t)
	first := saveJudged(t, b, Clear)
	_, err := b.Label(t.Context(), "petrel", string(first.Hash), "first", LabelOptions{Author: "yard hand", Tool: "quaybench test"})
	require.NoError(t, err)
	saveCurrent(t, b, 240)
	return b
}

// Each file operation of each verb fails once, as on a full disk. The error says so, and all that was
// there is there.
func TestADiskThatFailsLosesNothing(t *testing.T) {
	template := yardToChange(t)
	for name, change := range changes {
		t.Run(name, func(t *testing.T) {
			for step := range 1000 {
				b := openCopy(t, template)
				before, err := b.List(t.Context(), "petrel")
				require.NoError(t, err)
				texts, err := b.Texts(t.Context(), "petrel")
				require.NoError(t, err)
				ops, failed, saved := 0, "", false
				b.fault = func(op, path string) error {
					if ops++; ops-1 == step {
						failed = op
						return &fs.PathError{Op: op, Path: path, Err: syscall.ENOSPC}
					}
					saved = saved || failed == "" && op == "fsync folder" && filepath.Base(path) == versionsDir
					return nil
				}
				err = change(t, b)
				b.fault = nil
				if failed == "" {
					require.NoError(t, err)
					assert.Greater(t, step, 4)
					t.Logf("%d file operations, each failed once", step)
					return
				}
				switch {
				case failed == "link":
					require.NoError(t, err, "a rename does it where links are not known")
				case saved && name != "import":
					require.NoError(t, err, "the version is on the disk")
				default:
					require.ErrorIs(t, err, syscall.ENOSPC)
				}
				checkNothingLost(t, b, before, texts, name)
				_ = change(t, b) // what was begun can be done again, or was done
				checkNothingLeft(t, b.Dir())
			}
		})
	}
}

// checkNothingLost looks for all that was there before a change that failed.
func checkNothingLost(t *testing.T, b *Book, before *Listing, texts Texts, change string) {
	t.Helper()
	after, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	require.Empty(t, after.Problems)
	have := map[Hash]bool{}
	for _, e := range after.Versions {
		have[e.Hash] = true
		for _, m := range e.Marks {
			have[m.Hash] = true
		}
	}
	for _, e := range before.Versions {
		require.True(t, have[e.Hash])
		for _, m := range e.Marks {
			require.True(t, have[m.Hash])
		}
	}
	now, err := b.Texts(t.Context(), "petrel")
	require.NoError(t, err)
	if change != "restore" && change != "edit" {
		require.Equal(t, texts, now, "the working files are as they were")
	}
}

// mountTiny returns a disk of its own, where the test may mount one.
func mountTiny(t *testing.T, options string) string {
	t.Helper()
	dir := t.TempDir()
	if err := mountTmpfs(dir, options); err != nil {
		t.Skipf("NOT TESTED ON A FULL DISK: no small file system can be mounted here: %v", err)
	}
	t.Cleanup(func() { assert.NoError(t, unmount(dir)) })
	return dir
}

func TestAFullDisk(t *testing.T) {
	dir := mountTiny(t, "size=256k")
	book := filepath.Join(dir, "book")
	require.NoError(t, os.CopyFS(book, os.DirFS(yardToChange(t).Dir())))
	b, err := Open(book, Options{Now: (&clock{at: yardOpens.Add(1000)}).now})
	require.NoError(t, err)
	saved := 0
	for n := range 1000 {
		err = b.Edit(t.Context(), "petrel", SettingsFile, func([]byte) ([]byte, error) {
			return []byte(strings.Repeat("# filler\n", 500) + "x = " + strconv.Itoa(n) + "\n"), nil
		})
		if err == nil {
			_, err = b.Save(t.Context(), "petrel", because("fill"))
		}
		if err != nil {
			break
		}
		saved++
	}
	require.ErrorIs(t, err, syscall.ENOSPC)
	t.Logf("after %d versions: %v", saved, err)
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Empty(t, l.Problems)
	assert.Len(t, l.Versions, saved+2)
	_, err = b.Label(t.Context(), "petrel", "first", "third", LabelOptions{Author: "yard hand", Tool: strings.Repeat("x", 200), Note: strings.Repeat("x", 900)})
	if err != nil {
		require.ErrorIs(t, err, syscall.ENOSPC)
	}
	checkNothingLeft(t, book)
}

func TestAReadOnlyDisk(t *testing.T) {
	dir := mountTiny(t, "size=1m")
	book := filepath.Join(dir, "book")
	require.NoError(t, os.CopyFS(book, os.DirFS(yardToChange(t).Dir())))
	b, err := Open(book, Options{Now: (&clock{at: yardOpens.Add(1000)}).now})
	require.NoError(t, err)
	require.NoError(t, mountTmpfs(dir, "remount,ro"))
	for name, change := range changes {
		err := change(t, b)
		require.ErrorIs(t, err, syscall.EROFS, name)
		t.Log(err)
	}
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err, "reading goes on")
	assert.Len(t, l.Versions, 2)
	_, err = b.Diff(t.Context(), "petrel", "first", RefWorking)
	require.NoError(t, err)
	r, err := b.Verify(t.Context(), "")
	require.NoError(t, err)
	assert.False(t, r.Hurt())
	var out bytes.Buffer
	_, err = b.Export(t.Context(), "petrel", &out)
	require.NoError(t, err)
}
