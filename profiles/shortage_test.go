package profiles

import (
	"io"
	"os"
	"path/filepath"
	"sync/atomic"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Manners, point 8: out of file handles is not "the book is hurt". The fault comes at each opening in turn.
func TestOutOfFileHandlesIsNoDamage(t *testing.T) {
	b, _ := yardWithHistory(t)
	for _, shortage := range []error{syscall.EMFILE, syscall.ENFILE} {
		for turn := range 12 {
			var opened atomic.Int32
			b.opens = func(path string) error {
				if int(opened.Add(1)) > turn {
					return &os.PathError{Op: "open", Path: path, Err: shortage}
				}
				return nil
			}
			r, err := b.Verify(t.Context(), "petrel")
			if err == nil { // everything was open before the shortage came
				assert.False(t, r.Hurt(), "turn %d: %v", turn, r.Problems)
			} else {
				require.ErrorIs(t, err, shortage)
			}
			_, err = b.List(t.Context(), "petrel")
			if err != nil {
				require.ErrorIs(t, err, shortage)
			}
		}
	}
}

// Manners, point 8: an import above the stated size is refused at once, before a byte of it is read.
func TestAnImportTooLargeIsRefusedAtOnce(t *testing.T) {
	name := filepath.Join(t.TempDir(), "large")
	f, err := os.Create(name)
	require.NoError(t, err)
	defer f.Close()
	require.NoError(t, f.Truncate(maxImportBytes+1)) // takes no room on the disk
	_, err = emptyBook(t).Import(t.Context(), unread{t, f}, ImportOptions{})
	require.ErrorContains(t, err, "more than 4 GiB")
}

// unread fails the test if it is read.
type unread struct {
	t *testing.T
	io.Seeker
}

func (u unread) Read([]byte) (int, error) {
	u.t.Fatal("it was read")
	return 0, io.EOF
}
