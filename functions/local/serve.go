package main

import (
	"context"
	"crypto/rand"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
	"airwarrant/web"
	"airwarrant/web/provider"
)

// serve answers on loopback until it is interrupted.
func serve(args []string, e env) (err error) {
	fs := flag.NewFlagSet("serve", flag.ContinueOnError)
	addr := fs.String("addr", "127.0.0.1:8080", "loopback address")
	var sf storeFlags
	sf.add(fs, false)
	packs := fs.String("packs", "", "folder of criteria")
	var cf criticalFlags
	cf.add(fs, false)
	region := fs.String("criteria", "", "region of the criteria that the form of a new case begins with")
	demo := fs.Bool("demo", false, "start with the demonstration scenario")
	hosts := fs.String("host", "", "names under which a proxy on this machine serves the pages over HTTPS")
	providerFile := fs.String("provider", "", "file of the settings of a sign-in provider")
	days := fs.Int("retention", 0, "days that a closed case is kept, 0 for as long as the store")
	words, err := parse(fs, args)
	if err != nil {
		return err
	}
	if *days < 0 || *days > maxRetention {
		return fmt.Errorf("serve: --retention: expected days from 1 to %d, or 0 to keep closed cases, found %d", maxRetention, *days)
	}
	if len(words) != 0 {
		return fmt.Errorf("serve: expected no further word, found %q; see airwarrant --help", words[0])
	}
	critical, err := cf.setting()
	if err != nil {
		return err
	}
	critical.Today = rules.Date{} // the pages count from each day's own
	if err := loopbackOnly(*addr); err != nil {
		return err
	}
	names, err := hostNames(*hosts, *demo)
	if err != nil {
		return err
	}
	vouches, err := signInProvider(*providerFile, names, *demo)
	if err != nil {
		return err
	}
	lib, err := library(*packs)
	if err != nil {
		return err
	}
	dir := *sf.data
	switch {
	case dir == "" && *demo:
		// A demonstration leaves nothing behind unless it is told where.
		if dir, err = os.MkdirTemp("", "airwarrant-demo-"); err != nil {
			return fmt.Errorf("serve: %w", err)
		}
		defer os.RemoveAll(dir)
	case dir == "":
		if dir, err = defaultData(); err != nil {
			return err
		}
	}
	sf.data = &dir
	store, err := sf.openHere(true)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()

	logger := slog.New(web.LogHandler(slog.NewJSONHandler(e.err, nil)))
	site, err := web.New(web.Config{
		Store: store, Library: editions.New(store, lib, time.Now), Now: time.Now, Random: rand.Reader,
		Program: qualify.Program, Demo: *demo, Hosts: names, Provider: vouches, Critical: critical, Region: *region,
		Log: logger,
	})
	if err != nil {
		return err
	}
	if !*demo && vouches == nil {
		none, err := site.NoAccounts(context.Background())
		if err != nil {
			return err
		}
		if none {
			return fmt.Errorf("serve: the store %s has no account yet; make the first with\n  airwarrant accounts add NAME --role administrator%s\nand start again, or try the program without one: airwarrant serve --demo", dir, sf.words())
		}
	}
	ln, err := net.Listen("tcp", *addr)
	if err != nil {
		return fmt.Errorf("serve: %w; free the address or choose another with --addr", err)
	}
	srv := &http.Server{
		Handler:           site.Handler(),
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       10 * time.Minute, // a full memory over a slow line
		WriteTimeout:      10 * time.Minute,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    64 << 10,
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	go daily(ctx, store, logger, time.Duration(*days)*24*time.Hour)
	done := make(chan error, 1)
	go func() {
		<-ctx.Done()
		c, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		done <- srv.Shutdown(c)
	}()
	fmt.Fprintf(e.out, "%s: open http://%s in a browser; the store is %s\n", qualify.Program, ln.Addr(), dir)
	if err := srv.Serve(ln); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return <-done
}

// maxRetention keeps a duration of days within what can be reckoned with.
const maxRetention = 36500

// daily binds all chains once a day, at the start and then soon after midnight,
// UTC, and ends what retention ends.
func daily(ctx context.Context, store casework.Store, log *slog.Logger, retention time.Duration) {
	tidied := ""
	for {
		now := time.Now()
		if err := anchorOf(ctx, store, now); err != nil && ctx.Err() == nil {
			log.Error("the anchor of the day could not be written; audit verify tells more", "kind", fmt.Sprintf("%T", err))
		}
		if day := now.UTC().Format(time.DateOnly); retention > 0 && day != tidied {
			destroyed, removed, err := tidy(ctx, store, now, retention)
			switch {
			case err == nil:
				tidied = day
				log.Info("retention", "destroyed", destroyed, "uploads", removed)
			case ctx.Err() == nil:
				log.Error("retention could not be carried through and is tried again in an hour; audit verify tells more", "kind", fmt.Sprintf("%T", err))
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(time.Hour):
		}
	}
}

// tidy ends what is kept no longer.
func tidy(ctx context.Context, store casework.Store, at time.Time, retention time.Duration) (destroyed, removed int, err error) {
	return casework.Tidy(ctx, store, casework.Stamp{At: at.UTC(), By: "airwarrant", Role: casework.RoleSystem}, retention)
}

// anchorOf writes the anchor of the day of an instant, unless there is one.
func anchorOf(ctx context.Context, store casework.Store, at time.Time) error {
	_, err := casework.PutDayAnchor(ctx, store, at.UTC().Format(time.DateOnly))
	if errors.Is(err, casework.ErrConflict) {
		return nil
	}
	return err
}

// hostNames reads the names of --host.
func hostNames(text string, demo bool) ([]string, error) {
	if text == "" {
		return nil, nil
	}
	if demo {
		return nil, errors.New("--host: expected none with --demo, because a click opens every desk of a demonstration; leave out one of the two")
	}
	names := strings.Split(text, ",")
	for _, n := range names {
		if n == "" || strings.ContainsAny(n, " :/") {
			return nil, fmt.Errorf("--host %s: expected names without port and address, such as oxygen.example.org, found %q", text, n)
		}
	}
	return names, nil
}

// signInProvider reads the file of --provider, nil for none.
func signInProvider(name string, hosts []string, demo bool) (*provider.Provider, error) {
	if name == "" {
		return nil, nil
	}
	if demo {
		return nil, errors.New("--provider: expected none with --demo, because a click opens every desk of a demonstration; leave out one of the two")
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, fmt.Errorf("--provider: %w; check the name", err)
	}
	defer f.Close()
	set, err := provider.ReadSettings(f)
	if err != nil {
		return nil, fmt.Errorf("--provider %s: %w", name, err)
	}
	p, err := provider.New(set)
	if err != nil {
		return nil, fmt.Errorf("--provider %s: %w", name, err)
	}
	if host := p.Host(); host != "localhost" && net.ParseIP(host) == nil && !slices.ContainsFunc(hosts, func(h string) bool { return strings.EqualFold(h, host) }) {
		return nil, fmt.Errorf("--provider %s: address: expected a name that is served, found %q; name it with --host", name, host)
	}
	return p, nil
}

// loopbackOnly refuses an address that others could reach: what is served is
// plain HTTP.
func loopbackOnly(addr string) error {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return fmt.Errorf("--addr: %w; expected one such as 127.0.0.1:8080", err)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return fmt.Errorf("--addr %s: expected a loopback address such as 127.0.0.1:8080, because passwords would go over the network in the clear; let a proxy on this machine serve HTTPS and name it with --host", addr)
	}
	return nil
}

// defaultData is the folder of the store where none is named.
func defaultData() (string, error) {
	base, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("serve: %w; name a folder with --data", err)
	}
	return filepath.Join(base, "airwarrant"), nil
}
