package profiles

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// A book of a yard: 50 boats, 10,000 versions, 1,000 of them of one boat. Versions are written straight
// to their files here, without waiting for the disk; they are what Save writes.
const (
	yardBoats    = 50
	yardVersions = 10_000
	mostVersions = 1_000
)

func benchBook(b *testing.B) (*Book, []Hash) {
	b.Helper()
	c := &clock{at: yardOpens}
	book, err := Create(b.TempDir(), Options{Now: c.now})
	require.NoError(b, err)
	var petrel []Hash
	for n := range yardBoats {
		boat, count := fmt.Sprintf("boat-%d", n), (yardVersions-mostVersions)/(yardBoats-1)
		if n == 0 {
			boat, count = "petrel", mostVersions
		}
		require.NoError(b, book.AddBoat(ctxOf(b), boat, Texts{Boat: []byte(petrelBoat), Settings: []byte(longSettings(count))}))
		f, err := book.openBoat(boat)
		require.NoError(b, err)
		defer f.close()
		file := File{Role: RoleBoat, Name: BoatFile, Content: []byte(petrelBoat)}
		require.NoError(b, f.keep(ctxOf(b), []File{file}))
		dir := filepath.Join(book.Dir(), boat, versionsDir)
		require.NoError(b, os.Mkdir(dir, 0o755))
		var parents []Hash
		for i := range count {
			v := &Version{Boat: boat, Time: c.now(), Author: "yard hand", Reason: fmt.Sprintf("try step %d", i), Tool: "quaybench test",
				Parents: parents, Kept: []Kept{file.kept()}, Settings: longSettings(i)}
			for _, trial := range []string{"full throttle held", "crash stop", "locked shaft", "two-hour outing"} {
				verdict := judged(Close)
				verdict.Trial = trial
				v.Verdicts = append(v.Verdicts, verdict)
			}
			content := v.encode()
			st := newStamp(v.Time, HashOf(content))
			require.NoError(b, os.WriteFile(filepath.Join(dir, st.name), content, 0o444))
			parents = []Hash{st.hash}
			if n == 0 {
				petrel = append(petrel, st.hash)
			}
		}
	}
	return book, petrel
}

// longSettings returns a settings file of the usual length, 60 settings with a comment each.
func longSettings(step int) string {
	var s strings.Builder
	for i := range 60 {
		if i%10 == 0 {
			fmt.Fprintf(&s, "\n[group_%d]\n", i/10)
		}
		fmt.Fprintf(&s, "# what this setting is for\nsetting_%d = \"%d.5 A\"\n", i, i+step)
	}
	return s.String()
}

func BenchmarkBook(b *testing.B) {
	book, petrel := benchBook(b)
	ctx := ctxOf(b)
	b.Run("list 1000 versions", func(b *testing.B) {
		for b.Loop() {
			l, err := book.List(ctx, "petrel")
			if err != nil || len(l.Versions) != mostVersions || len(l.Problems) != 0 {
				b.Fatal(err, len(l.Versions), l.Problems)
			}
		}
	})
	b.Run("list 183 versions", func(b *testing.B) {
		for b.Loop() {
			if _, err := book.List(ctx, "boat-7"); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("diff", func(b *testing.B) {
		for b.Loop() {
			if _, err := book.Diff(ctx, "petrel", string(petrel[0]), string(petrel[999])); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("show", func(b *testing.B) {
		for b.Loop() {
			if _, err := book.Show(ctx, "petrel", string(petrel[500])); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("history", func(b *testing.B) {
		for b.Loop() {
			if _, err := book.History(ctx, "petrel", "group_0.setting_3"); err != nil {
				b.Fatal(err)
			}
		}
	})
	step := 0
	b.Run("save", func(b *testing.B) {
		for b.Loop() {
			step++
			if err := book.Edit(ctx, "petrel", SettingsFile, func([]byte) ([]byte, error) { return []byte(longSettings(-step)), nil }); err != nil {
				b.Fatal(err)
			}
			if _, err := book.Save(ctx, "petrel", because("benchmark")); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("save in a fresh clone", func(b *testing.B) {
		for b.Loop() {
			step++
			if err := os.Remove(filepath.Join(book.Dir(), "petrel", continuesFile)); err != nil {
				b.Fatal(err)
			}
			if err := book.Edit(ctx, "petrel", SettingsFile, func([]byte) ([]byte, error) { return []byte(longSettings(-step)), nil }); err != nil {
				b.Fatal(err)
			}
			if _, err := book.Save(ctx, "petrel", because("benchmark")); err != nil {
				b.Fatal(err)
			}
		}
	})
}
