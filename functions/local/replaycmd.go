package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"airwarrant/qualify/editions"
	"airwarrant/qualify/rehearsal"
	"airwarrant/rules"
)

// replay determines the stored cases of a region under a draft of its criteria
// and under the version in force, and tells whose outcome changes. Every case
// gets its line, or the reason why it can't be replayed; then it exits 0. An
// interrupt keeps how far it is.
func replay(args []string, e env) (err error) {
	fs := flag.NewFlagSet("replay", flag.ContinueOnError)
	file := fs.String("draft", "", "file of the draft")
	region := fs.String("criteria", "", "region that the draft is of")
	var sf storeFlags
	sf.add(fs, true)
	packs := fs.String("packs", "", "folder of criteria")
	csvFile := fs.String("csv", "", "write the lines of cases here")
	resume := fs.Bool("resume", false, "go on where the same replay was interrupted")
	asJSON := fs.Bool("json", false, "print JSON")
	words, err := parse(fs, args)
	if err != nil {
		return err
	}
	switch {
	case len(words) != 0:
		return fmt.Errorf("replay: expected no further word, found %q; see airwarrant --help", words[0])
	case *file == "":
		return errors.New("replay: expected --draft FILE, found none; see airwarrant --help")
	case *csvFile == "-":
		return errors.New("replay: --csv -: expected the name of a file; standard output carries the result")
	}
	lib, err := library(*packs)
	if err != nil {
		return err
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	store, err := sf.open(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	book := editions.New(store, lib, time.Now)
	if lib, err = book.Current(ctx); err != nil {
		return status{exitRefused, err}
	}
	draft, err := readDraft(*file, *region, lib)
	if err != nil {
		return err
	}
	confirmed, err := editions.Confirmed(ctx, store, lib)
	if err != nil {
		return status{exitRefused, err}
	}
	plan, err := rehearsal.New(draft, lib, confirmed)
	if err != nil {
		return err
	}
	if !*resume {
		if err := book.AgainPlan(ctx, plan); err != nil {
			return status{exitRefused, err}
		}
	}
	told := -1
	got, err := book.RehearsePlan(ctx, commandLine, plan, func(r editions.Rehearsal) {
		n := r.Progress.Summary.Cases
		if n/10_000 != told || r.Progress.Done {
			fmt.Fprintf(e.err, "%d cases\n", n)
		}
		told = n / 10_000
	})
	summary := got.Progress.Summary
	if err != nil {
		return status{exitRefused, fmt.Errorf("replay: stopped after %d cases: %w; no case was changed, go on with the same words and --resume, or begin again without", summary.Cases, err)}
	}
	if *csvFile != "" {
		if err := writeLinesCSV(*csvFile, book.PlanLines(ctx, plan)); err != nil {
			return err
		}
	}
	if *asJSON {
		err = writeLinesJSON(e.out, plan, summary, book.PlanLines(ctx, plan))
	} else {
		err = printRehearsal(e.out, plan, summary)
	}
	if err != nil {
		return err
	}
	return book.ForgetPlan(ctx, plan)
}

// readDraft reads the file of a draft. Its region is the one named, or else that
// of the folder in which it lies.
func readDraft(file, region string, lib *rules.Library) (*rules.Pack, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("--draft: %w; check the name", err)
	}
	named := region
	if named == "" {
		whole, err := filepath.Abs(file)
		if err != nil {
			return nil, fmt.Errorf("--draft: %w", err)
		}
		named = filepath.Base(filepath.Dir(whole))
	}
	r, err := lib.Region(named)
	if err != nil && region == "" {
		return nil, fmt.Errorf("--draft %s: expected a file in the folder of its region, found it in %q; name the region with --criteria", file, named)
	}
	if err != nil {
		return nil, fmt.Errorf("--criteria: %w", err)
	}
	p, err := rules.ReadDraft(data, file, r)
	if err != nil {
		return nil, status{exitRefused, err}
	}
	return p, nil
}

// printRehearsal tells the summary in words.
func printRehearsal(w io.Writer, p *rehearsal.Plan, s rehearsal.Summary) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: a draft from %s (%.12s) beside the version in force from %s (%.12s)\n", p.Draft.Region.Region, p.Draft.EffectiveFrom, p.Draft.SHA256, p.InForce.EffectiveFrom, p.InForce.SHA256)
	fmt.Fprintf(&b, "%d cases, %d replayed: the outcome of %d stays, that of %d changes; %d of these have a test from %s on\n", s.Cases, s.Replayed, s.Same, s.Changed, s.InTime, p.Draft.EffectiveFrom)
	was := ""
	for _, c := range s.Changes {
		if between := c.From + c.To; between != was {
			total := 0
			for _, d := range s.Changes {
				if d.From == c.From && d.To == c.To {
					total += d.Cases
				}
			}
			fmt.Fprintf(&b, "\n%s -> %s: %d\n", rules.PlainWord(c.From), rules.PlainWord(c.To), total)
			was = between
		}
		var by []string
		for _, id := range c.By {
			by = append(by, clauseName(p.Draft, id))
		}
		if len(by) == 0 {
			by = []string{"no single clause"}
		}
		fmt.Fprintf(&b, "  %6d  %s\n", c.Cases, strings.Join(by, "; "))
	}
	if s.Moved > 0 {
		fmt.Fprintf(&b, "\nThe outcome stays and is reached by other clauses, or with another disposition: %d\n", s.Moved)
	}
	if s.Asking > 0 {
		fmt.Fprintf(&b, "\n%d cases would need a new fact:\n", s.Asking)
		for _, c := range s.NewFacts {
			what := c.What
			if def, ok := rules.Lookup(c.What); ok {
				what += ": " + def.Question
			}
			fmt.Fprintf(&b, "  %6d  %s\n", c.Cases, what)
		}
	}
	if len(s.Unconfirmed) > 0 {
		fmt.Fprintf(&b, "\nOpen because a clause of the draft is from memory and nobody has confirmed it:\n")
		for _, c := range s.Unconfirmed {
			fmt.Fprintf(&b, "  %6d  %s\n", c.Cases, clauseName(p.Draft, c.What))
		}
	}
	if s.Otherwise > 0 {
		fmt.Fprintf(&b, "\nStored with another outcome than the version in force gives now: %d\n", s.Otherwise)
	}
	if s.Differs > 0 {
		fmt.Fprintf(&b, "\nNothing is determined, because the file may be another person's: %d\n", s.Differs)
	}
	if len(s.Left) > 0 {
		fmt.Fprintf(&b, "\nNot replayed:\n")
		for _, c := range s.Left {
			fmt.Fprintf(&b, "  %6d  %s\n", c.Cases, rehearsal.Reasons[c.What])
		}
	}
	if len(p.Carried) > 0 {
		fmt.Fprintf(&b, "\nTo be confirmed anew on publishing, taken as confirmed here because the draft says the same: %s\n", strings.Join(p.Carried, ", "))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// clauseName is a clause as its pack calls it, with its id.
func clauseName(p *rules.Pack, id string) string {
	if n := p.FindClause(id); n != nil && n.Label != "" {
		return fmt.Sprintf("%s (%s)", n.Label, id)
	}
	return id
}
