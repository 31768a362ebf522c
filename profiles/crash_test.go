package profiles

import (
	"context"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// checkNothingLeft runs Verify two days later, when leftovers of killed processes are swept.
func checkNothingLeft(t *testing.T, dir string) {
	t.Helper()
	b, err := Open(dir, Options{Now: func() time.Time { return time.Now().Add(48 * time.Hour) }})
	require.NoError(t, err)
	r, err := b.Verify(t.Context(), "")
	require.NoError(t, err)
	require.False(t, r.Hurt(), "%v", r.Problems)
	require.NoError(t, filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		assert.False(t, strings.HasPrefix(e.Name(), temporaryPrefix), path)
		assert.NotContains(t, e.Name(), "lock")
		return err
	}))
}

// Without a lock, as on a disk that has none, both are saved all the same; there are then two heads at
// the most.
func TestSavesAtOnceWithoutALock(t *testing.T) {
	b, _ := newYard(t)
	first := saveCurrent(t, b, 240)
	setCurrent(t, b, 250)
	saved := make([]*Version, 8)
	var savers sync.WaitGroup
	for i := range saved {
		savers.Go(func() {
			o := because("at once " + strconv.Itoa(i))
			o.Parents = []string{string(first.Hash)}
			assert.NoError(t, b.read(t.Context(), "petrel", nil, func(s *view) (err error) {
				saved[i], err = s.save(t.Context(), o)
				return err
			}))
		})
	}
	savers.Wait()
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	require.Empty(t, l.Problems)
	for _, v := range saved {
		assert.True(t, slices.ContainsFunc(l.Versions, func(e Entry) bool { return e.Hash == v.Hash }))
	}
}

// Who writes waits for another writer, as long as the context lets it and no longer than a moment; who reads does not.
func TestABusyBoatSaysSo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, _ := newYard(t)
		f, err := b.openBoat("petrel")
		require.NoError(t, err)
		defer f.close()
		unlock, err := f.lock(t.Context())
		require.NoError(t, err)
		ctx, cancel := context.WithTimeout(t.Context(), lockWait/2)
		defer cancel()
		_, err = b.Save(ctx, "petrel", because("meanwhile"))
		require.ErrorIs(t, err, context.DeadlineExceeded)
		_, err = b.Save(t.Context(), "petrel", because("meanwhile"))
		require.ErrorIs(t, err, ErrBusy)
		_, err = b.List(t.Context(), "petrel")
		require.NoError(t, err, "reading needs no lock")
		time.AfterFunc(lockWait/2, unlock)
		saveCurrent(t, b, 240)
	})
}

// What a kill cannot show, a power cut would: a file is on the disk before it gets its name, its name
// before anything that refers to it is written, and all before Save returns.
func TestSaveWaitsForTheDisk(t *testing.T) {
	b, _ := newYard(t)
	saveCurrent(t, b, 240)
	setCurrent(t, b, 250)
	var ops []string
	b.fault = func(op, path string) error {
		switch folder := filepath.Base(filepath.Dir(path)); {
		case op == "fsync folder":
			ops = append(ops, op+" "+filepath.Base(path))
		case op == "fsync":
			ops = append(ops, op+" in "+folder)
		case op == "link", op == "rename":
			ops = append(ops, op+" in "+folder)
		}
		return nil
	}
	o := because("a record too")
	o.Evidence = []File{{Role: RoleRecord, Name: "run.csv", Content: []byte("t_s\n")}}
	_, err := b.Save(t.Context(), "petrel", o)
	require.NoError(t, err)
	assert.Equal(t, []string{
		"fsync folder kept", // the boat file, which is there already
		"fsync in kept", "link in kept", "fsync folder kept",
		"fsync in petrel", "rename in petrel", "fsync folder petrel", // what the working files continue
		"fsync in versions", "link in versions", "fsync folder versions",
		"fsync in petrel", "rename in petrel", "fsync folder petrel", // that it is there
	}, ops)
}
