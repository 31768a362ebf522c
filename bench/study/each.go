package study

import (
	"context"
	"runtime"
	"sync"

	"golang.org/x/sync/errgroup"
)

// each runs n independent jobs on all cores and returns the first error; the rest is then cancelled.
func each(ctx context.Context, n int, job func(ctx context.Context, i int) error) error {
	group, inner := errgroup.WithContext(ctx)
	group.SetLimit(runtime.GOMAXPROCS(0))
	for i := range n {
		if inner.Err() != nil {
			break
		}
		group.Go(func() error {
			if err := inner.Err(); err != nil {
				return err
			}
			return job(inner, i)
		})
	}
	if err := group.Wait(); err != nil {
		return err
	}
	return context.Cause(ctx)
}

// counter tells progress, one call at a time.
type counter struct {
	mu        sync.Mutex
	done, all int
	tell      func(done, all int)
}

func newCounter(tell func(done, all int), all int) *counter { return &counter{tell: tell, all: all} }

func (c *counter) add() {
	if c.tell == nil {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.done++
	c.tell(c.done, c.all)
}

// skip counts n jobs that need not be done.
func (c *counter) skip(n int) {
	if c.tell == nil || n == 0 {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.done += n
	c.tell(c.done, c.all)
}
