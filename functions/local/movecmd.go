package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"airwarrant/qualify/casework"
)

// moveCommand copies a store on this machine into one without a server, or
// back, and proves that all of it arrived. The source is only read; an
// interrupted move goes on when it is called again.
func moveCommand(args []string, e env) (err error) {
	fs := flag.NewFlagSet("move", flag.ContinueOnError)
	var sf storeFlags
	sf.add(fs, true)
	to := fs.String("to", "", "cloud or local")
	asJSON := fs.Bool("json", false, "print JSON")
	words, err := parse(fs, args)
	if err != nil {
		return err
	}
	if len(words) != 0 {
		return fmt.Errorf("move: expected no further word, found %q; see airwarrant --help", words[0])
	}
	if *to != "cloud" && *to != "local" {
		return fmt.Errorf("move: expected --to cloud or --to local, found %q; see airwarrant --help", *to)
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	there, err := sf.openCloud(ctx)
	if err != nil {
		return fmt.Errorf("move: %w", err)
	}
	here, err := sf.openHere(*to == "local")
	if err != nil {
		return fmt.Errorf("move: %w", err)
	}
	defer func() { err = errors.Join(err, here.Close()) }()
	var source, target opened = here, there
	if *to == "local" {
		source, target = there, here
	}
	var last casework.MoveStep
	say := func(s casework.MoveStep) {
		if s.Does != last.Does && last.Does != "" && last.Done%1000 != 0 {
			fmt.Fprintf(e.err, "%s: %d\n", last.Does, last.Done)
		}
		if last = s; s.Done > 0 && s.Done%1000 == 0 {
			fmt.Fprintf(e.err, "%s: %d\n", s.Does, s.Done)
		}
	}
	fmt.Fprintln(e.err, "checking the source")
	moved, err := casework.Move(ctx, source, target, say)
	if err != nil {
		if !errors.Is(err, casework.ErrMove) {
			err = fmt.Errorf("%w; the source is as it was, and the same command goes on", err)
		}
		return status{exitRefused, fmt.Errorf("move: %w", err)}
	}
	say(casework.MoveStep{})
	if *asJSON {
		return writeJSON(e.out, moved)
	}
	r := moved.Report
	_, err = fmt.Fprintf(e.out, `%d cases, %d events, %d personal values, %d uploads, %d entries of %d ledgers, %d daily anchors moved; %d items compared, 0 faults
contents of both stores: %s
The source is as it was. Serve the target from now on and write to the source no more; keep it until you are sure, then destroy it.
`, r.Cases, r.Events, r.Personal, r.Uploads, r.Entries, r.Ledgers, r.Anchors, moved.Items, moved.Contents)
	if err == nil && *to == "cloud" {
		_, err = fmt.Fprintln(e.out, "Functions that ran before the move hold an older key of sign-ins: deploy once more, so that they begin anew.")
	}
	return err
}
