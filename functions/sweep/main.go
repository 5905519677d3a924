// Command sweep is the function that runs on a schedule: it ends what
// retention ends, removes uploads that nothing needs, writes the anchor of the
// day and counts what is late.
//
// It runs daily. Each step is safe to run again, and the first that fails ends
// the run with its error, so that the platform tries again and then tells.
package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"time"

	"github.com/aws/aws-lambda-go/events"

	"airwarrant/functions/internal/metrics"
	"airwarrant/functions/internal/start"
	"airwarrant/qualify/casework"
	"airwarrant/web"
)

func main() {
	start.Run("sweep", func(_ context.Context, f start.Function) (any, error) {
		s := &sweep{f.Store, f.Retention, f.Log}
		return s.run, nil
	})
}

type sweep struct {
	store     casework.Store
	retention time.Duration
	log       *slog.Logger
}

// run does the work of one day, that of the schedule's event.
func (s *sweep) run(ctx context.Context, e events.CloudWatchEvent) error {
	ctx = web.WithRequestID(ctx, e.ID)
	now := e.Time.UTC()
	if now.IsZero() {
		return errors.New("sweep: expected an event of a schedule with its time, found none")
	}
	// An empty store waits for its first account, or for a store to be moved
	// into it; one that is being moved into is not whole.
	unfinished, err := casework.Unfinished(ctx, s.store)
	if err != nil {
		return fmt.Errorf("looking at the store: %w", err)
	}
	ledgers, _, err := s.store.Ledgers(ctx, "", 1)
	if err != nil {
		return fmt.Errorf("looking at the store: %w", err)
	}
	cases, _, err := s.store.Cases(ctx, "", 1)
	if err != nil {
		return fmt.Errorf("looking at the store: %w", err)
	}
	if unfinished || len(ledgers)+len(cases) == 0 {
		s.log.InfoContext(ctx, "nothing swept", "unfinished_move", unfinished)
		return nil
	}
	destroyed, removed, err := casework.Tidy(ctx, s.store, casework.Stamp{At: now, By: "sweep", Role: casework.RoleSystem}, s.retention)
	if err != nil {
		return err
	}
	// The day before is over everywhere that writes with this clock.
	day := now.AddDate(0, 0, -1).Format(time.DateOnly)
	if _, err := casework.PutDayAnchor(ctx, s.store, day); err != nil && !errors.Is(err, casework.ErrConflict) {
		return fmt.Errorf("anchor: %w", err)
	}
	late, err := overdue(ctx, s.store, now.Format(time.DateOnly))
	if err != nil {
		return fmt.Errorf("due dates: %w", err)
	}
	s.log.InfoContext(ctx, "swept", "day", day, "destroyed", destroyed, "uploads", removed, "late", late)
	return metrics.Write(os.Stdout, now, "sweep",
		metrics.Value{Name: "CasesDestroyed", Unit: metrics.Count, Value: float64(destroyed)},
		metrics.Value{Name: "UploadsRemoved", Unit: metrics.Count, Value: float64(removed)},
		metrics.Value{Name: "CasesLate", Unit: metrics.Count, Value: float64(late)})
}

// overdue counts the cases, closed ones apart, on which something was due
// before a day.
func overdue(ctx context.Context, s casework.Store, day string) (int, error) {
	n := 0
	for _, state := range casework.States() {
		if state == casework.StateClosed {
			continue
		}
		list := func(ctx context.Context, after string, limit int) ([]casework.Head, string, error) {
			return s.List(ctx, casework.Selection{State: state, Order: casework.ByDue}, after, limit)
		}
		for h, err := range casework.All(ctx, list) {
			if err != nil {
				return 0, err
			}
			if h.Due == "" || h.Due >= day {
				break
			}
			n++
		}
	}
	return n, nil
}
