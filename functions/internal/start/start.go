// Package start begins a function without a server: its log, its settings, its
// store, and the site that its pages and its recordings need.
//
// Call Run from main, with what wires the function.
package start

import (
	"context"
	"crypto/rand"
	"log/slog"
	"os"
	"time"

	"github.com/aws/aws-lambda-go/lambda"

	"airwarrant/functions/internal/metrics"
	"airwarrant/functions/internal/settings"
	"airwarrant/functions/internal/store/cloud"
	"airwarrant/qualify"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
	"airwarrant/web"
	"airwarrant/web/provider"
)

// Function is what every function begins with.
type Function struct {
	Name string
	settings.Settings
	Store *cloud.Store
	Log   *slog.Logger
}

// Run reads the settings of the function of a name, opens its store, and serves
// events with the handler that wire returns, in any of the shapes that
// lambda.Start takes. What keeps it from starting is logged, and ends the
// process.
func Run(name string, wire func(ctx context.Context, f Function) (handler any, err error)) {
	f := Function{Name: name, Log: settings.Log(name)}
	handler, err := f.begin(context.Background(), wire)
	if err != nil {
		f.Log.Error("cannot start", "error", err.Error())
		os.Exit(1)
	}
	lambda.Start(handler)
}

func (f Function) begin(ctx context.Context, wire func(context.Context, Function) (any, error)) (any, error) {
	var err error
	if f.Settings, err = settings.Read(f.Name, os.Getenv); err != nil {
		return nil, err
	}
	if f.Store, err = cloud.Open(ctx, f.Cloud); err != nil {
		return nil, err
	}
	return wire(ctx, f)
}

// Site is the site on the function's store; vouches may be nil.
func (f Function) Site(vouches *provider.Provider) (*web.Site, error) {
	lib, err := rules.Embedded()
	if err != nil {
		return nil, err
	}
	return web.New(web.Config{
		Store: f.Store, Library: editions.New(f.Store, lib, time.Now), Now: time.Now, Random: rand.Reader, Program: qualify.Program,
		Hosts: []string{f.Host}, Arrivals: f.Store, Provider: vouches, Region: f.Region, Log: f.Log, Determined: metrics.Determined(f.Name),
	})
}
