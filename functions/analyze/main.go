// Command analyze is the function that takes a recording which a browser put
// into the bucket: it reads it, lays it on its case and determines the case,
// or writes down for the page why not.
//
// Events come at least once and in any order; the ticket of a file settles
// once. A file whose event fails is tried again by the platform, and its event
// then goes to the queue of failed events.
package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"time"

	"github.com/aws/aws-lambda-go/events"
	"github.com/aws/aws-lambda-go/lambda"

	"airwarrant/functions/internal/metrics"
	"airwarrant/functions/internal/settings"
	"airwarrant/functions/internal/store/cloud"
	"airwarrant/qualify"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
	"airwarrant/web"
)

func main() {
	log := settings.Log("analyze")
	a, err := open(context.Background(), log)
	if err != nil {
		log.Error("cannot start", "error", err.Error())
		os.Exit(1)
	}
	lambda.Start(a.run)
}

type analyze struct {
	store *cloud.Store
	site  *web.Site
	log   *slog.Logger
}

func open(ctx context.Context, log *slog.Logger) (*analyze, error) {
	set, store, err := settings.Open(ctx, "analyze")
	if err != nil {
		return nil, err
	}
	lib, err := rules.Embedded()
	if err != nil {
		return nil, err
	}
	site, err := web.New(web.Config{Store: store, Library: editions.New(store, lib, time.Now), Now: time.Now, Random: rand.Reader, Program: qualify.Program,
		Hosts: []string{set.Host}, Arrivals: store, Log: log, Determined: metrics.Determined("analyze")})
	if err != nil {
		return nil, err
	}
	return &analyze{store, site, log}, nil
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
