package profiles

import (
	"bytes"
	"context"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The test binary is its own child: with this variable set to "STEP COUNT DIR" it saves COUNT versions
// in the book DIR, tells on its output what was reported saved, and kills itself at STEP unless that is
// negative.
const childVariable = "QUAYBENCH_TEST_CHILD"

func TestMain(m *testing.M) {
	job := strings.SplitN(os.Getenv(childVariable), " ", 3)
	if len(job) < 3 {
		os.Exit(m.Run())
	}
	step, err := strconv.Atoi(job[0])
	exitOn(err)
	count, err := strconv.Atoi(job[1])
	exitOn(err)
	childSaves(job[2], step, count)
}

const (
	noStep  = -1
	endless = 1 << 30
)

func child(tb testing.TB, step, count int, dir string) *exec.Cmd {
	tb.Helper()
	cmd := exec.CommandContext(tb.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%d %d %s", childVariable, step, count, dir))
	return cmd
}

// childSaves edits, saves and labels again and again.
func childSaves(dir string, fatalStep, count int) {
	b, err := Open(dir, Options{})
	exitOn(err)
	b.fault = func(string, string) error {
		if fatalStep == 0 {
			self, err := os.FindProcess(os.Getpid())
			exitOn(err)
			exitOn(self.Kill())
			select {}
		}
		fatalStep--
		return nil
	}
	ctx := context.Background()
	fmt.Println("ready")
	for n := range count {
		text := sealed(fmt.Sprintf("[limits]\nmotor_current = \"%d A\"\n# %d\n", 200+n, os.Getpid()))
		exitOn(b.Edit(ctx, "petrel", SettingsFile, func([]byte) ([]byte, error) { return []byte(text), nil }))
		record := File{Role: RoleRecord, Name: "run.csv", Content: []byte(text)}
		o := because(fmt.Sprintf("step %d", n))
		o.Evidence = []File{record}
		v, err := b.Save(ctx, "petrel", o)
		exitOn(err)
		fmt.Println("saved", v.Hash, HashOf([]byte(text)))
		m, err := b.Label(ctx, "petrel", string(v.Hash), "newest", LabelOptions{Author: "yard hand", Tool: "quaybench test"})
		exitOn(err)
		fmt.Println("marked", m.Hash)
	}
	os.Exit(0)
}

func exitOn(err error) {
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// sealed is a text whose first line tells whether the rest is whole.
func sealed(text string) string { return "# sealed " + string(HashOf([]byte(text))) + "\n" + text }

// reported is what a child said is saved.
type reported struct {
	versions map[Hash]Hash // version, and the text saved in it
	marks    []Hash
}

func (r *reported) read(output string) {
	// The last line may be cut off by the kill; then nobody was told.
	end := strings.LastIndexByte(output, '\n') + 1
	for line := range strings.Lines(output[:end]) {
		switch words := strings.Fields(line); words[0] {
		case "saved":
			r.versions[Hash(words[1])] = Hash(words[2])
		case "marked":
			r.marks = append(r.marks, Hash(words[1]))
		}
	}
}

// checkSurvived opens the book as it is, without any repair, and looks for all that was reported.
func checkSurvived(t *testing.T, dir string, r reported) {
	t.Helper()
	b, err := Open(dir, Options{Now: func() time.Time { return time.Now().Add(48 * time.Hour) }})
	require.NoError(t, err)
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	require.Empty(t, l.Problems)
	require.LessOrEqual(t, len(l.Working.Heads), 1, "the versions follow each other")
	have := map[Hash]*Entry{}
	marks := map[Hash]bool{}
	for i, e := range l.Versions {
		have[e.Hash] = &l.Versions[i]
		for _, m := range e.Marks {
			marks[m.Hash] = true
		}
	}
	for version, text := range r.versions {
		require.Contains(t, have, version, "it was reported saved")
		require.True(t, keeps(have[version].Kept, RoleRecord, text))
		_, err := b.Kept(t.Context(), "petrel", text)
		require.NoError(t, err)
	}
	for _, m := range r.marks {
		require.True(t, marks[m], "it was reported marked")
	}

	// The working file is whole, and the next process can save.
	texts, err := b.Texts(t.Context(), "petrel")
	require.NoError(t, err)
	if _, body, found := strings.Cut(string(texts.Settings), "\n"); found && strings.HasPrefix(string(texts.Settings), "# sealed ") {
		require.Equal(t, sealed(body), string(texts.Settings))
	}
	setCurrent(t, b, 1+len(l.Versions))
	_, err = b.Save(t.Context(), "petrel", because("work goes on"))
	require.NoError(t, err)
}

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

// A random instant (TestKilledAtRandomInstants, slow) may miss the one call that matters, so each of them is hit once.
func TestKilledAtEachStep(t *testing.T) {
	for step := range 1000 {
		b, _ := newYard(t)
		saveCurrent(t, b, 100)
		output, err := child(t, step, 1, b.Dir()).Output()
		r := reported{versions: map[Hash]Hash{}}
		r.read(string(output))
		checkSurvived(t, b.Dir(), r)
		checkNothingLeft(t, b.Dir())
		if err == nil {
			t.Logf("%d steps of an edit, a save and a label, killed at each", step)
			assert.Greater(t, step, 20)
			return
		}
	}
	t.Fatal("the child never came to its end")
}

// Each of four processes either saves, or says that another is at work.
func TestProcessesSaveAtOnce(t *testing.T) {
	const each = 10
	b, _ := newYard(t)
	r := reported{versions: map[Hash]Hash{}}
	var children sync.WaitGroup
	var mutex sync.Mutex
	for range 4 {
		children.Go(func() {
			cmd := child(t, noStep, each, b.Dir())
			var complaint bytes.Buffer
			cmd.Stderr = &complaint
			output, err := cmd.Output()
			if err != nil {
				assert.Contains(t, complaint.String(), ErrBusy.Error())
			}
			mutex.Lock()
			defer mutex.Unlock()
			r.read(string(output))
		})
	}
	children.Wait()
	t.Logf("%d versions saved", len(r.versions))
	assert.NotEmpty(t, r.versions)
	checkSurvived(t, b.Dir(), r)
	checkNothingLeft(t, b.Dir())
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

func TestABusyBoatSaysSo(t *testing.T) {
	b, _ := newYard(t)
	f, err := b.openBoat("petrel")
	require.NoError(t, err)
	defer f.close()
	unlock, err := f.lock(t.Context())
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	_, err = b.Save(ctx, "petrel", because("meanwhile"))
	require.ErrorIs(t, err, context.DeadlineExceeded)
	_, err = b.List(t.Context(), "petrel")
	require.NoError(t, err, "reading needs no lock")
	unlock()
	saveCurrent(t, b, 240)
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
	}, ops)
}
