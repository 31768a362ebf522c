//go:build slow

package profiles

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
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

// sealed returns a text whose first line tells whether the rest is whole.
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
		require.True(t, keepsFile(have[version].Kept, RoleRecord, text))
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

func TestKilledAtRandomInstants(t *testing.T) {
	const kills = 500
	seed, err := strconv.ParseUint(os.Getenv("QUAYBENCH_SEED"), 10, 64)
	if err != nil { // .ci/run gives one
		seed = uint64(time.Now().UnixNano())
	}
	t.Logf("seed %d, %d kills", seed, kills)
	const atOnce, killsPerBook = 4, 25
	var reports atomic.Int64
	var workers sync.WaitGroup
	books := make(chan int, kills)
	for n := range kills / killsPerBook {
		books <- n
	}
	if kills%killsPerBook != 0 {
		books <- kills / killsPerBook
	}
	close(books)
	for range atOnce {
		workers.Go(func() {
			for n := range books {
				random := rand.New(rand.NewPCG(seed, uint64(n)))
				b, _ := newYard(t)
				r := reported{versions: map[Hash]Hash{}}
				for range min(killsPerBook, kills-n*killsPerBook) {
					r.read(saveUntilKilled(t, b.Dir(), time.Duration(random.Int64N(int64(30*time.Millisecond)))))
					checkSurvived(t, b.Dir(), r)
					if t.Failed() {
						return
					}
				}
				reports.Add(int64(len(r.versions)))
				checkNothingLeft(t, b.Dir())
			}
		})
	}
	workers.Wait()
	t.Logf("%d versions were reported saved, and all are there", reports.Load())
	assert.Positive(t, reports.Load())
}

// saveUntilKilled lets a child save for a while after it is ready, and gives what it printed.
func saveUntilKilled(t *testing.T, dir string, while time.Duration) string {
	cmd := child(t, noStep, endless, dir)
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	lines := bufio.NewReader(out)
	first, err := lines.ReadString('\n')
	require.NoError(t, err)
	require.Equal(t, "ready\n", first)
	killed := time.AfterFunc(while, func() { _ = cmd.Process.Kill() })
	defer killed.Stop()
	output, err := io.ReadAll(lines)
	require.NoError(t, err)
	require.Error(t, cmd.Wait(), "it must be the kill that ends it")
	require.Empty(t, complaint.String())
	return string(output)
}
