package study

import (
	"context"
	"runtime"

	"golang.org/x/sync/errgroup"
)

// each runs n independent jobs on all cores and returns the first error; the rest is then cancelled.
func each(ctx context.Context, n int, job func(ctx context.Context, i int) error) error {
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(runtime.GOMAXPROCS(0))
	for i := range n {
		group.Go(func() error {
			if err := context.Cause(ctx); err != nil {
				return err
			}
			return job(ctx, i)
		})
	}
	return group.Wait()
}
