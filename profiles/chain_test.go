package profiles

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// watched opens a book again, and collects the problems that its verbs tell.
func watched(t *testing.T, b *Book) (*Book, *[]Problem) {
	t.Helper()
	var told []Problem
	w, err := Open(b.Dir(), Options{Now: b.now, OnProblem: func(p Problem) { told = append(told, p) }})
	require.NoError(t, err)
	return w, &told
}

// The book, point 7: where the newest version is damaged or deleted, or a boat file that versions keep, every verb says so, and
// the ones that write refuse. The table has every verb of a Book, so a new one cannot be forgotten.
func TestEveryVerbTellsWhatIsHurt(t *testing.T) {
	verbs := map[string]struct {
		writes bool
		do     func(b *Book, v []*Version) error
	}{
		"List":    {false, func(b *Book, _ []*Version) error { _, err := b.List(t.Context(), "petrel"); return err }},
		"Heads":   {false, func(b *Book, _ []*Version) error { _, err := b.heads(t.Context(), "petrel"); return err }},
		"Show":    {false, func(b *Book, _ []*Version) error { _, err := b.Show(t.Context(), "petrel", RefHead); return err }},
		"Resolve": {false, func(b *Book, _ []*Version) error { _, err := b.resolve(t.Context(), "petrel", RefHead); return err }},
		"Diff": {false, func(b *Book, _ []*Version) error {
			_, err := b.Diff(t.Context(), "petrel", RefHead, RefWorking)
			return err
		}},
		"History": {false, func(b *Book, _ []*Version) error {
			_, err := b.History(t.Context(), "petrel", "limits.motor_current")
			return err
		}},
		"Texts": {false, func(b *Book, _ []*Version) error { _, err := b.Texts(t.Context(), "petrel"); return err }},
		"Edit": {false, func(b *Book, _ []*Version) error {
			return b.Edit(t.Context(), "petrel", SettingsFile, func(x []byte) ([]byte, error) { return append(x, '\n'), nil })
		}},
		"Save": {true, func(b *Book, _ []*Version) error {
			_, err := b.Save(t.Context(), "petrel", because("more"))
			return err
		}},
		"Restore": {true, func(b *Book, v []*Version) error {
			_, err := b.Restore(t.Context(), "petrel", string(v[0].Hash), RestoreOptions{Author: "yard hand", Tool: "quaybench test", Discard: true})
			return err
		}},
		"Label": {true, func(b *Book, v []*Version) error {
			_, err := b.Label(t.Context(), "petrel", string(v[0].Hash), "spring", LabelOptions{Author: "yard hand", Tool: "quaybench test"})
			return err
		}},
		"Approve": {true, func(b *Book, v []*Version) error {
			_, err := b.Approve(t.Context(), "petrel", string(v[0].Hash), ApproveOptions{Author: "yard hand", Tool: "quaybench test"})
			return err
		}},
		"MarkWritten": {true, func(b *Book, v []*Version) error {
			_, err := b.MarkWritten(t.Context(), "petrel", string(v[0].Hash), WrittenOptions{Author: "yard hand", Tool: "quaybench test", Controller: "no 1"})
			return err
		}},
		"MarkReplaced": {true, func(b *Book, v []*Version) error {
			_, err := b.MarkReplaced(t.Context(), "petrel", "no 1", WrittenOptions{Author: "yard hand", Tool: "quaybench test"})
			return err
		}},
		"MarkMeasured": {true, func(b *Book, v []*Version) error {
			_, err := b.MarkMeasured(t.Context(), "petrel", string(v[0].Hash), MeasuredOptions{Author: "yard hand", Tool: "quaybench test", Evidence: []File{{Role: RoleRecord, Name: "bench.csv", Content: []byte("t_s\n")}}})
			return err
		}},
		"Export": {true, func(b *Book, _ []*Version) error {
			_, err := b.Export(t.Context(), "petrel", &bytes.Buffer{})
			return err
		}},
	}
	// These need no version to be whole, or look at each file themselves.
	others := []string{"Dir", "Boats", "AddBoat", "Import", "Kept", "Verify"}
	book := reflect.TypeFor[*Book]()
	for i := range book.NumMethod() {
		_, listed := verbs[book.Method(i).Name]
		assert.True(t, listed || strings.Contains(strings.Join(others, " "), book.Method(i).Name), book.Method(i).Name)
	}
	keptBoat := func(b *Book, v []*Version) string {
		return filepath.Join(b.Dir(), "petrel", keptDir, string(v[0].BoatFile().Hash))
	}
	for hurt, c := range map[string]struct {
		do    func(t *testing.T, b *Book, v []*Version)
		names func(v []*Version) Hash
	}{
		"newest version damaged": {
			func(t *testing.T, b *Book, v []*Version) { damage(t, versionFile(b, v[3]), "edited") },
			func(v []*Version) Hash { return v[3].Hash },
		},
		"newest entry deleted": { // only the working files tell
			func(t *testing.T, b *Book, v []*Version) {
				v[3] = saveCurrent(t, b, 260)
				require.NoError(t, os.Remove(versionFile(b, v[3])))
			},
			func(v []*Version) Hash { return v[3].Hash },
		},
		"kept boat file deleted": {
			func(t *testing.T, b *Book, v []*Version) { require.NoError(t, os.Remove(keptBoat(b, v))) },
			func(v []*Version) Hash { return v[0].BoatFile().Hash },
		},
		"kept boat file damaged": {
			func(t *testing.T, b *Book, v []*Version) {
				damage(t, keptBoat(b, v), strings.Repeat("x", int(v[0].BoatFile().Bytes)))
			},
			func(v []*Version) Hash { return v[0].BoatFile().Hash },
		},
	} {
		t.Run(hurt, func(t *testing.T) {
			whole, v := yardWithHistory(t)
			_, err := whole.MarkWritten(t.Context(), "petrel", string(v[0].Hash), WrittenOptions{Author: "yard hand", Tool: "quaybench test", Controller: "no 1"})
			require.NoError(t, err)
			c.do(t, whole, v)
			require.NoError(t, whole.Edit(t.Context(), "petrel", BoatFile, func(x []byte) ([]byte, error) { return append(x, "# looked at again\n"...), nil }))
			for name, verb := range verbs {
				t.Run(name, func(t *testing.T) {
					b, told := watched(t, openCopy(t, whole))
					err := verb.do(b, v)
					require.NotEmpty(t, *told)
					assert.Equal(t, c.names(v), (*told)[0].Hash)
					if !verb.writes {
						require.NoError(t, err)
						return
					}
					require.ErrorContains(t, err, c.names(v).Short())
				})
			}
		})
	}
}

// A save brings a kept boat file back that was lost, where the boat's own is still the same.
func TestASaveHealsALostBoatFile(t *testing.T) {
	b, v := yardWithHistory(t)
	require.NoError(t, os.Remove(filepath.Join(b.Dir(), "petrel", keptDir, string(v[0].BoatFile().Hash))))
	_, err := b.Save(t.Context(), "petrel", because("nothing new"))
	require.ErrorIs(t, err, ErrUnchanged)
	r, err := b.Verify(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Empty(t, r.Problems)
}

// A save that was killed before its version was there is no deletion.
func TestASaveCutOffIsNoDeletion(t *testing.T) {
	b, _ := newYard(t)
	first := saveCurrent(t, b, 240)
	require.NoError(t, b.write(t.Context(), "petrel", nil, func(s *view) error {
		return s.beginContinues(t.Context(), HashOf([]byte("never written")), first.Hash)
	}))
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Empty(t, l.Problems)
	assert.Equal(t, first.Hash, l.Working.Continues)
}

// What is deleted, one at a time: Verify misses it, whatever it was, but for the tip; and that it misses with --tip.
func TestADeletedEntryIsMissed(t *testing.T) {
	b, _ := yardWithHistory(t)
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	require.Len(t, l.Tips, 1, "one machine extends the chain in a line")
	for _, folder := range []string{versionsDir, marksDir} {
		entries, err := os.ReadDir(filepath.Join(b.Dir(), "petrel", folder))
		require.NoError(t, err)
		for _, e := range entries {
			other := openCopy(t, b)
			require.NoError(t, os.Remove(filepath.Join(other.Dir(), "petrel", folder, e.Name())))
			r, err := other.Verify(t.Context(), "")
			require.NoError(t, err)
			isTip := strings.Contains(e.Name(), string(l.Tips[0]))
			assert.Equal(t, !isTip, r.Hurt(), e.Name())
			r, err = other.Verify(t.Context(), "", string(l.Tips[0][:16]))
			require.NoError(t, err)
			assert.True(t, r.Hurt(), e.Name())
		}
	}
	r, err := b.Verify(t.Context(), "", string(l.Tips[0]))
	require.NoError(t, err)
	assert.Empty(t, r.Problems)
	_, err = b.Verify(t.Context(), "", string(l.Tips[0][:15]))
	require.ErrorContains(t, err, "at least 16 digits")
}

// An entry put in afterwards, dated back, is whole in itself. The tip has not seen it.
func TestAForgedEntryIsUnknownToTheTip(t *testing.T) {
	b, v := yardWithHistory(t)
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	forged := &Mark{
		Kind: MarkApproval, Boat: "petrel", Version: v[1].Hash, Time: v[1].Time.Add(time.Millisecond), Author: "yard master", Tool: "quaybench test",
		Result: Clear, Verdicts: []Verdict{judged(Clear)}, Seen: []Hash{v[1].Hash},
	}
	content := forged.encode()
	require.NoError(t, os.WriteFile(filepath.Join(b.Dir(), "petrel", marksDir, newStamp(forged.Time, HashOf(content)).name), content, 0o644))
	r, err := b.Verify(t.Context(), "", string(l.Tips[0]))
	require.NoError(t, err)
	require.Len(t, r.Problems, 1)
	assert.Contains(t, r.Problems[0].What, "unknown to it")
	assert.Contains(t, r.Problems[0].Path, string(HashOf(content)))
	assert.Len(t, r.Tips, 2, "it stands apart from the chain")
}

// Two machines extend the chain apart, copying joins it, and the next entry has seen both ends.
func TestTheChainOfTwoMachinesIsJoinedByCopying(t *testing.T) {
	b, _ := newYard(t)
	saveCurrent(t, b, 240)
	other := openCopy(t, b)
	saveCurrent(t, b, 250)
	v := saveCurrent(t, other, 260)
	copyBook(t, other, b)
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Len(t, l.Tips, 2)
	m, err := b.Label(t.Context(), "petrel", string(v.Hash), "summer", LabelOptions{Author: "yard hand", Tool: "quaybench test"})
	require.NoError(t, err)
	assert.ElementsMatch(t, l.Tips, m.Seen)
	l, err = b.List(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Equal(t, []Hash{m.Hash}, l.Tips)
	r, err := b.Verify(t.Context(), "")
	require.NoError(t, err)
	assert.Empty(t, r.Problems)
}

// A book written before the chain opens as it is; what is written next has seen all of it, so from then on it is kept.
func TestABookFromBeforeTheChain(t *testing.T) {
	b, _ := newYard(t)
	old := func(dir string, at time.Time, content []byte) string {
		folder := filepath.Join(b.Dir(), "petrel", dir)
		require.NoError(t, os.MkdirAll(folder, 0o755))
		name := filepath.Join(folder, newStamp(at, HashOf(content)).name)
		require.NoError(t, os.WriteFile(name, content, 0o444))
		return name
	}
	boat := File{Role: RoleBoat, Name: BoatFile, Content: []byte(petrelBoat)}
	first := &Version{
		Boat: "petrel", Time: yardOpens.Add(-time.Hour), Author: "yard hand", Reason: "as she is", Tool: "quaybench 0.1", Parents: []Hash{}, Verdicts: []Verdict{},
		Kept: []Kept{boat.kept()}, Settings: petrelSettings,
	}
	content := first.encode()
	require.True(t, strings.Contains(string(content), "format = 1\n"))
	old(versionsDir, first.Time, content)
	require.NoError(t, os.MkdirAll(filepath.Join(b.Dir(), "petrel", keptDir), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(b.Dir(), "petrel", keptDir, string(boat.kept().Hash)), boat.Content, 0o444))
	mark := &Mark{Kind: MarkLabel, Boat: "petrel", Version: HashOf(content), Time: first.Time.Add(time.Minute), Author: "yard hand", Tool: "quaybench 0.1", Label: "spring"}
	markFile := old(marksDir, mark.Time, mark.encode())

	r, err := b.Verify(t.Context(), "")
	require.NoError(t, err)
	assert.Empty(t, r.Problems)
	assert.Equal(t, 2, r.BeforeChain)
	v := saveCurrent(t, b, 240)
	assert.Equal(t, []Hash{HashOf(mark.encode())}, v.Seen)
	require.NoError(t, os.Remove(markFile))
	r, err = b.Verify(t.Context(), "")
	require.NoError(t, err)
	assert.True(t, r.Hurt(), "the new version misses the old mark")
}

// An entry that is gone is what is told: nobody is said to have put in what only it had seen, and no second machine is made up.
func TestADeletedEntryAccusesNobodyElse(t *testing.T) {
	b, _ := newYard(t)
	label := func(v *Version) {
		_, err := b.Label(t.Context(), "petrel", string(v.Hash), "summer", LabelOptions{Author: "yard hand", Tool: "quaybench test"})
		require.NoError(t, err)
	}
	label(saveCurrent(t, b, 240))
	gone := saveCurrent(t, b, 250)
	label(saveCurrent(t, b, 260))
	r, err := b.Verify(t.Context(), "")
	require.NoError(t, err)
	require.Len(t, r.Tips, 1)
	tip := string(r.Tips[0].Hash)
	for _, name := range []string{"damaged", "deleted"} {
		if damage(t, versionFile(b, gone), ""); name == "deleted" {
			require.NoError(t, os.Remove(versionFile(b, gone)))
		}
		r, err = b.Verify(t.Context(), "", tip)
		require.NoError(t, err)
		assert.True(t, r.Hurt())
		told := fmt.Sprint(r.Problems)
		assert.NotContains(t, told, "two machines", name)
		assert.NotContains(t, told, "put in afterwards", name)
	}
}

// A label that two machines set apart goes to the later clock, and that is told until somebody sets it again.
func TestALabelMovedByAnotherMachinesClockIsTold(t *testing.T) {
	b, c := newYard(t)
	first, second := saveCurrent(t, b, 240), saveCurrent(t, b, 250)
	other := openCopy(t, b)
	label := func(b *Book, v *Version) {
		_, err := b.Label(t.Context(), "petrel", string(v.Hash), "summer", LabelOptions{Author: "yard hand", Tool: "quaybench test"})
		require.NoError(t, err)
	}
	label(b, first)
	c.set(yardOpens.Add(24 * time.Hour)) // the other's clock is a day ahead
	label(other, second)
	c.set(yardOpens.Add(time.Hour))
	copyBook(t, other, b)

	w, told := watched(t, b)
	h, err := w.resolve(t.Context(), "petrel", "summer")
	require.NoError(t, err)
	assert.Equal(t, second.Hash, h)
	require.Len(t, *told, 1)
	assert.Contains(t, (*told)[0].What, "two machines")
	assert.False(t, (*told)[0].Hurt)

	label(w, first) // has seen both, so it holds, whatever the clock says
	*told = nil
	h, err = w.resolve(t.Context(), "petrel", "summer")
	require.NoError(t, err)
	assert.Equal(t, first.Hash, h)
	assert.Empty(t, *told)
}

// "in a controller" is true of one version for each controller: the next write takes it back, also one of settings that
// are no version.
func TestWhatIsInAControllerIsTakenBackByTheNextWrite(t *testing.T) {
	b, _ := newYard(t)
	v := []*Version{saveCurrent(t, b, 240), saveCurrent(t, b, 250)}
	written := func(v *Version, controller string) {
		_, err := b.MarkWritten(t.Context(), "petrel", string(v.Hash), WrittenOptions{Author: "yard hand", Tool: "quaybench test", Controller: controller, ReadBack: true})
		require.NoError(t, err)
	}
	in := func() (out [][]string) {
		l, err := b.List(t.Context(), "petrel")
		require.NoError(t, err)
		for _, e := range l.Versions {
			out = append(out, e.Controllers)
		}
		return out
	}
	written(v[0], "port side")
	written(v[0], "starboard side")
	assert.Equal(t, [][]string{{"port side", "starboard side"}, {}}, in())
	written(v[1], "port side")
	assert.Equal(t, [][]string{{"starboard side"}, {"port side"}}, in())
	m, err := b.MarkReplaced(t.Context(), "petrel", "port side", WrittenOptions{Author: "yard hand", Tool: "quaybench test", Note: "settings that are in no version"})
	require.NoError(t, err)
	assert.Equal(t, v[1].Hash, m.Version)
	assert.Equal(t, [][]string{{"starboard side"}, {}}, in())
	m, err = b.MarkReplaced(t.Context(), "petrel", "port side", WrittenOptions{Author: "yard hand", Tool: "quaybench test"})
	require.NoError(t, err)
	assert.Nil(t, m, "it holds no version any more")
}

// An export carries the maps of the controller and the journal. An import puts them in their place, or beside others.
func TestExportCarriesWhatBelongsToTheController(t *testing.T) {
	b, _ := yardWithHistory(t)
	for name, text := range map[string]string{MapFile: "# map\n", ObjectMapFile: "# objects\n", JournalFile: "{}\n"} {
		require.NoError(t, os.WriteFile(filepath.Join(b.Dir(), "petrel", name), []byte(text), 0o644))
	}
	file := export(t, b)
	other := emptyBook(t)
	done, err := other.Import(t.Context(), bytes.NewReader(file), ImportOptions{})
	require.NoError(t, err)
	assert.Equal(t, []Carried{{JournalFile, JournalFile}, {ObjectMapFile, ObjectMapFile}, {MapFile, MapFile}}, done.Carried)
	assert.Equal(t, "# map\n", readFile(t, filepath.Join(other.Dir(), "petrel", MapFile)))

	require.NoError(t, os.WriteFile(filepath.Join(other.Dir(), "petrel", MapFile), []byte("# my own map\n"), 0o644))
	done, err = other.Import(t.Context(), bytes.NewReader(file), ImportOptions{})
	require.NoError(t, err)
	beside := "registers-" + HashOf([]byte("# map\n")).Short() + ".toml"
	assert.Equal(t, []Carried{{JournalFile, ""}, {ObjectMapFile, ""}, {MapFile, beside}}, done.Carried)
	assert.Equal(t, "# my own map\n", readFile(t, filepath.Join(other.Dir(), "petrel", MapFile)))
	assert.Equal(t, "# map\n", readFile(t, filepath.Join(other.Dir(), "petrel", beside)))
}

// What only a mark keeps goes with an export too: without it, the taker's approval would rest on nothing.
func TestExportHoldsWhatOnlyAnApprovalKeeps(t *testing.T) {
	b, v := yardWithHistory(t)
	record := File{Role: RoleRecord, Name: "bench.csv", Content: []byte("t_s\n1\n")}
	_, err := b.Approve(t.Context(), "petrel", string(v[2].Hash), ApproveOptions{Author: "yard master", Tool: "quaybench test", Evidence: []File{record}})
	require.NoError(t, err)
	other := emptyBook(t)
	_, err = other.Import(t.Context(), bytes.NewReader(export(t, b)), ImportOptions{})
	require.NoError(t, err)
	content, err := other.Kept(t.Context(), "petrel", HashOf(record.Content))
	require.NoError(t, err)
	assert.Equal(t, record.Content, content)
}

// Each thing that export.toml says of the files after it is held against them by itself.
func TestEachClaimOfAnExportIsChecked(t *testing.T) {
	b, _ := yardWithHistory(t)
	good := unpack(t, export(t, b))
	for name, change := range map[string]func(*manifest){
		"the number of files": func(m *manifest) { m.Files++ },
		"the number of bytes": func(m *manifest) { m.Bytes++ },
		"the list of names":   func(m *manifest) { m.List = HashOf([]byte("others")) },
	} {
		t.Run(name, func(t *testing.T) {
			entries := append([]entry(nil), good...)
			m, err := parseManifest(entries[0].content)
			require.NoError(t, err)
			change(m)
			entries[0].content = m.encode()
			entries[0].header.Size = int64(len(entries[0].content))
			refuses(t, pack(t, entries), "cut off or was changed")
		})
	}
}

// A mark from before the port was left out of a controller's name is of the same controller as one with its title.
func TestAControllerIsTheSameOnAnotherPort(t *testing.T) {
	b, v := yardWithHistory(t)
	written := func(at int, controller string) {
		_, err := b.MarkWritten(t.Context(), "petrel", string(v[at].Hash), WrittenOptions{Author: "yard hand", Tool: "quaybench test", Controller: controller})
		require.NoError(t, err)
	}
	entry := func(at int) *Entry {
		e, err := b.Show(t.Context(), "petrel", string(v[at].Hash))
		require.NoError(t, err)
		return e
	}
	written(0, "bow on /dev/ttyUSB0")
	written(0, "stern on /dev/ttyUSB1")
	written(1, "bow")
	assert.Equal(t, []string{"stern on /dev/ttyUSB1"}, entry(0).Controllers)
	assert.Equal(t, []string{"bow"}, entry(1).Controllers)
	m, err := b.MarkReplaced(t.Context(), "petrel", "stern", WrittenOptions{Author: "yard hand", Tool: "quaybench test"})
	require.NoError(t, err)
	require.NotNil(t, m, "the mark with the port is taken back by the title")
	assert.Empty(t, entry(0).Controllers)
	written(0, "bow")
	for _, m := range entry(0).Written() {
		assert.Equal(t, strings.HasPrefix(m.Controller, "bow"), entry(0).Holds(m), m.Controller)
	}
}

// Show and Diff carry what could not be read, as List does: who reads only their JSON learns of a damaged newest version.
func TestShowAndDiffCarryADamagedNewestVersion(t *testing.T) {
	b, v := yardWithHistory(t)
	look := func() map[string][]Problem {
		l, err := b.List(t.Context(), "petrel")
		require.NoError(t, err)
		e, err := b.Show(t.Context(), "petrel", RefHead)
		require.NoError(t, err)
		d, err := b.Diff(t.Context(), "petrel", RefHead, RefWorking)
		require.NoError(t, err)
		found := map[string][]Problem{}
		for name, value := range map[string]any{"list": l, "show": e, "diff": d} {
			text, err := json.Marshal(value)
			require.NoError(t, err)
			require.Contains(t, string(text), `"problems":[`, name)
			var read struct{ Problems []Problem }
			require.NoError(t, json.Unmarshal(text, &read))
			found[name] = read.Problems
		}
		return found
	}
	for name, problems := range look() {
		assert.Empty(t, problems, name)
	}
	damage(t, versionFile(b, v[3]), "edited")
	for name, problems := range look() {
		require.NotEmpty(t, problems, name)
		assert.Equal(t, v[3].Hash, problems[0].Hash, name)
		assert.True(t, problems[0].Hurt, name)
	}
}

// A label that was moved by somebody who saw where it was is told with where it was; one that was put back, or on the same version again, is not
// told as moved from there.
func TestAMovedLabelIsTold(t *testing.T) {
	b, c := newYard(t)
	first, second := saveCurrent(t, b, 240), saveCurrent(t, b, 250)
	other := openCopy(t, b)
	label := func(b *Book, v *Version, who, text string) time.Time {
		m, err := b.Label(t.Context(), "petrel", string(v.Hash), text, LabelOptions{Author: who, Tool: "quaybench test"})
		require.NoError(t, err)
		return m.Time
	}
	moves := func() []Move {
		l, err := b.List(t.Context(), "petrel")
		require.NoError(t, err)
		r, err := b.Verify(t.Context(), "petrel")
		require.NoError(t, err)
		assert.Equal(t, l.Moves, r.Moves)
		return l.Moves
	}
	put := label(b, first, "yard hand", "summer")
	label(b, first, "yard hand", "spring")
	label(b, first, "yard hand", "spring")
	copyBook(t, b, other)
	assert.Empty(t, moves())
	c.set(yardOpens.Add(24 * time.Hour))
	moved := label(other, second, "skipper", "summer")
	copyBook(t, other, b)
	assert.Equal(t, []Move{{"petrel", "summer", first.Hash, second.Hash, moved, "skipper", put, "yard hand"}}, moves())
	back := label(b, first, "yard hand", "summer")
	assert.Equal(t, []Move{{"petrel", "summer", second.Hash, first.Hash, back, "yard hand", moved, "skipper"}}, moves())
}

// What is told of a deleted mark does not say that a version is gone, nor which file is to be copied.
func TestADeletedMarkIsToldAsWhatItMayBe(t *testing.T) {
	b, _ := newYard(t)
	v := saveCurrent(t, b, 240)
	for _, text := range []string{"spring", "summer"} {
		_, err := b.Label(t.Context(), "petrel", string(v.Hash), text, LabelOptions{Author: "yard hand", Tool: "quaybench test"})
		require.NoError(t, err)
	}
	names, err := filepath.Glob(filepath.Join(b.Dir(), "petrel", "marks", "*.toml"))
	require.NoError(t, err)
	require.Len(t, names, 2)
	require.NoError(t, os.Remove(names[0]))
	w, told := watched(t, b)
	_, err = w.List(t.Context(), "petrel")
	require.NoError(t, err)
	require.Len(t, *told, 1)
	assert.Regexp(t, `^has seen the entry \w{8}, a version or a mark of one, which is missing: that entry was deleted, or not copied here; that entry may be a newer version than those shown$`, (*told)[0].What)
	_, err = w.Label(t.Context(), "petrel", string(v.Hash), "autumn", LabelOptions{Author: "yard hand", Tool: "quaybench test"})
	assert.ErrorContains(t, err, "that entry may be a newer version than those here, so nothing is written: copy that entry again")
}
