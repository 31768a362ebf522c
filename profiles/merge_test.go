package profiles

import (
	"errors"
	"fmt"
	"os"
	"testing"
	"time"

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
				if heads, err := b.heads(t.Context(), "petrel"); err == nil && len(heads) > 0 {
					_, err := b.Label(t.Context(), "petrel", string(heads[0]), "best", LabelOptions{Author: "yard hand", Tool: "quaybench test"})
					require.NoError(rt, err)
				}
			case "join":
				heads, err := b.heads(t.Context(), "petrel")
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
