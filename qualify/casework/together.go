package casework

import (
	"context"
	"iter"
	"sync"
)

// together does something for all items, so many at once. After the first error
// no more are begun, and it is returned; so is one of the items themselves.
func together[T any](ctx context.Context, atOnce int, items iter.Seq2[T, error], do func(ctx context.Context, item T) error) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	work := make(chan T)
	var wg sync.WaitGroup
	for range atOnce {
		wg.Go(func() {
			for item := range work {
				if ctx.Err() != nil {
					continue
				}
				if err := do(ctx, item); err != nil {
					cancel(err)
				}
			}
		})
	}
	for item, err := range items {
		if err != nil {
			cancel(err)
		}
		if ctx.Err() != nil {
			break
		}
		work <- item
	}
	close(work)
	wg.Wait()
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	return nil
}
