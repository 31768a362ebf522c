//go:build slow

package profiles

import (
	"bufio"
	"bytes"
	"io"
	"math/rand/v2"
	"os"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

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
