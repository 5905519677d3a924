// Command api is the function that serves the pages behind an HTTP API: the
// same handler as on one machine, on the store without a server.
package main

import (
	"context"
	"fmt"
	"os"
	"strings"

	"airwarrant/functions/internal/gateway"
	"airwarrant/functions/internal/settings"
	"airwarrant/functions/internal/start"
	"airwarrant/functions/internal/store/cloud"
	"airwarrant/web/provider"
)

func main() {
	start.Run("api", func(ctx context.Context, f start.Function) (any, error) {
		vouches, err := signInProvider(ctx, f.Provider)
		if err != nil {
			return nil, err
		}
		site, err := f.Site(vouches)
		if err != nil {
			return nil, err
		}
		return gateway.Handler(site.Handler(), f.Log, os.Stdout), nil
	})
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
