// Command api is the function that serves the pages behind an HTTP API: the
// same handler as on one machine, on the store without a server.
package main

import (
	"context"
	"crypto/rand"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"strings"
	"time"

	"github.com/aws/aws-lambda-go/lambda"

	"airwarrant/functions/internal/gateway"
	"airwarrant/functions/internal/metrics"
	"airwarrant/functions/internal/settings"
	"airwarrant/functions/internal/store/cloud"
	"airwarrant/qualify"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
	"airwarrant/web"
	"airwarrant/web/provider"
)

func main() {
	log := settings.Log("api")
	h, err := handler(context.Background(), log)
	if err != nil {
		log.Error("cannot start", "error", err.Error())
		os.Exit(1)
	}
	lambda.Start(gateway.Handler(h, log, os.Stdout))
}

// handler wires the site.
func handler(ctx context.Context, log *slog.Logger) (http.Handler, error) {
	set, store, err := settings.Open(ctx, "api")
	if err != nil {
		return nil, err
	}
	lib, err := rules.Embedded()
	if err != nil {
		return nil, err
	}
	vouches, err := signInProvider(ctx, set.Provider)
	if err != nil {
		return nil, err
	}
	site, err := web.New(web.Config{
		Store: store, Library: editions.New(store, lib, time.Now), Now: time.Now, Random: rand.Reader, Program: qualify.Program,
		Hosts: []string{set.Host}, Arrivals: store, Provider: vouches, Region: set.Region, Log: log,
		Determined: metrics.Determined("api"),
	})
	if err != nil {
		return nil, err
	}
	return site.Handler(), nil
}

// signInProvider reads the settings of the provider from a secret, nil if
// none is named.
func signInProvider(ctx context.Context, name string) (*provider.Provider, error) {
	if name == "" {
		return nil, nil
	}
	text, err := cloud.Secret(ctx, name)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", settings.Provider, err)
	}
	set, err := provider.ReadSettings(strings.NewReader(text))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", settings.Provider, err)
	}
	return provider.New(set)
}
