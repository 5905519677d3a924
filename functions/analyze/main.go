// Command analyze is the function that takes a file which a browser put into the
// bucket: a recording, which it lays on its case and determines the case by, a
// document of a case, or a folder of recordings. Of one that it can't take it
// writes down for the page why not.
//
// Events come at least once and in any order; the ticket of a file settles
// once. A file whose event fails is tried again by the platform, and its event
// then goes to the queue of failed events.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"time"

	"github.com/aws/aws-lambda-go/events"

	"airwarrant/functions/internal/metrics"
	"airwarrant/functions/internal/start"
	"airwarrant/functions/internal/store/cloud"
	"airwarrant/web"
)

func main() {
	start.Run("analyze", func(_ context.Context, f start.Function) (any, error) {
		site, err := f.Site(nil)
		a := &analyze{f.Store, site, f.Log}
		return a.run, err
	})
}

type analyze struct {
	store *cloud.Store
	site  *web.Site
	log   *slog.Logger
}

// run takes every object of an event. One that fails does not keep the others
// from being taken.
func (a *analyze) run(ctx context.Context, e events.S3Event) error {
	var errs []error
	for _, r := range e.Records {
		if err := a.take(ctx, r); err != nil {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// take takes one object. The name of the request that made its ticket, and the
// id of that, follow it through the logs of all functions: both are random, and
// tell nothing of the case.
func (a *analyze) take(ctx context.Context, r events.S3EventRecord) error {
	id, ok := cloud.TicketOf(r.S3.Object.URLDecodedKey)
	if !ok {
		return fmt.Errorf("expected an object whose key begins with %q, found another; let the bucket tell this function of those alone", cloud.ArrivalsPrefix)
	}
	began := time.Now()
	out, err := a.site.Arrived(ctx, id, r.S3.Object.Size, r.EventTime, func(ctx context.Context) (io.ReadCloser, error) { return a.store.Arrival(ctx, id) })
	ctx = web.WithRequestID(ctx, out.Request)
	if err != nil {
		// The texts of errors may quote what the platform says of a store, and
		// never what a file says: those are refusals.
		a.log.ErrorContext(ctx, "arrival failed", "ticket", id, "error", err.Error())
		return fmt.Errorf("arrival %s failed; see the log of this function", id)
	}
	if err := a.store.DropArrival(ctx, id); err != nil {
		return err
	}
	a.log.InfoContext(ctx, "arrival", "ticket", id, "state", out.State, "reason", out.Reason, "bytes", r.S3.Object.Size)
	return a.count(began, out)
}

// count writes what became of an arrival as figures.
func (a *analyze) count(began time.Time, out web.Arrival) error {
	values := []metrics.Value{
		{Name: "Arrivals", Unit: metrics.Count, Value: 1, By: map[string]string{"State": out.State}},
		{Name: "AnalysisTime", Unit: metrics.Milliseconds, Value: float64(time.Since(began).Milliseconds())},
	}
	if out.Reason != "" {
		values = append(values, metrics.Value{Name: "Refused", Unit: metrics.Count, Value: 1, By: map[string]string{"Reason": out.Reason}})
	}
	return metrics.Write(os.Stdout, began, "analyze", values...)
}
