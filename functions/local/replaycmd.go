package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"

	"airwarrant/qualify/editions"
	"airwarrant/qualify/rehearsal"
	"airwarrant/rules"
)

// replay determines the stored cases of a region under a draft of its criteria
// and under the version in force, and tells whose outcome changes. Every case
// gets its line, or the reason why it can't be replayed; then it exits 0.
func replay(args []string, e env) (err error) {
	fs := flag.NewFlagSet("replay", flag.ContinueOnError)
	file := fs.String("draft", "", "file of the draft")
	region := fs.String("criteria", "", "region that the draft is of")
	var sf storeFlags
	sf.add(fs, true)
	packs := fs.String("packs", "", "folder of criteria")
	csvFile := fs.String("csv", "", "write the lines of cases here")
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
	draft, err := readDraft(*file, *region, lib)
	if err != nil {
		return err
	}
	store, err := sf.open(context.Background())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	confirmed, err := editions.Confirmed(ctx, store, lib)
	if err != nil {
		return status{exitRefused, err}
	}
	plan, err := rehearsal.New(draft, lib, confirmed)
	if err != nil {
		return err
	}

	var lines caseLines
	defer lines.drop()
	if err := lines.open(*csvFile, *asJSON); err != nil {
		return err
	}
	through := 0
	got, err := plan.Run(ctx, rehearsal.Stored(store), rehearsal.Progress{}, func(p rehearsal.Progress) {
		if p.Summary.Cases/10_000 > through/10_000 || p.Done {
			fmt.Fprintf(e.err, "%d cases\n", p.Summary.Cases)
		}
		through = p.Summary.Cases
	}, lines.add)
	if err != nil {
		return status{exitRefused, fmt.Errorf("replay: stopped after %d cases: %w; nothing was changed, begin again", got.Summary.Cases, err)}
	}
	if err := lines.close(*csvFile); err != nil {
		return err
	}
	if *asJSON {
		return lines.writeJSON(e.out, plan, got.Summary)
	}
	return printRehearsal(e.out, plan, got.Summary)
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

// caseLines writes the lines of cases as they come, so that no number of them is
// held at once: to the CSV, and for the JSON beside it, whose array is copied
// into place when all have come.
type caseLines struct {
	table *os.File
	csv   *csv.Writer
	spool *os.File
	json  *bufio.Writer
	n     int
}

func (c *caseLines) open(csvFile string, asJSON bool) (err error) {
	if csvFile != "" {
		if c.table, err = os.OpenFile(csvFile+".new", os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600); err != nil {
			return fmt.Errorf("--csv: %w; choose a place that can be written", err)
		}
		c.csv = csv.NewWriter(c.table)
		if err := c.csv.Write([]string{"case", "in_force", "draft", "in_force_disposition", "draft_disposition", "in_force_decided_by", "draft_decided_by", "new_facts", "unconfirmed", "stored", "not_replayed"}); err != nil {
			return fmt.Errorf("--csv: %w", err)
		}
	}
	if asJSON {
		if c.spool, err = os.CreateTemp("", "airwarrant-replay-*"); err != nil {
			return fmt.Errorf("replay: %w; make room for a file of temporary lines", err)
		}
		c.json = bufio.NewWriter(c.spool)
	}
	return nil
}

func (c *caseLines) add(l rehearsal.Line) error {
	if c.csv != nil {
		was, will := rehearsal.Verdict{}, rehearsal.Verdict{}
		if l.InForce != nil {
			was, will = *l.InForce, *l.Draft
		}
		err := c.csv.Write([]string{l.Case, was.Outcome, will.Outcome, was.Disposition, will.Disposition, strings.Join(was.DecidedBy, " "), strings.Join(will.DecidedBy, " "),
			strings.Join(l.NewFacts, " "), strings.Join(l.Unconfirmed, " "), l.Stored, l.Left})
		if err != nil {
			return fmt.Errorf("--csv: %w", err)
		}
	}
	if c.json == nil {
		return nil
	}
	data, err := json.Marshal(l)
	if err != nil {
		return err
	}
	if c.n++; c.n > 1 {
		data = append([]byte(",\n    "), data...)
	}
	_, err = c.json.Write(data)
	return err
}

// close puts the table under its name.
func (c *caseLines) close(csvFile string) error {
	if c.csv == nil {
		return nil
	}
	c.csv.Flush()
	if err := errors.Join(c.csv.Error(), c.table.Close()); err != nil {
		return fmt.Errorf("--csv: %w", err)
	}
	if err := os.Rename(c.table.Name(), csvFile); err != nil {
		return fmt.Errorf("--csv: %w", err)
	}
	c.table = nil
	return nil
}

// drop removes what was not finished.
func (c *caseLines) drop() {
	for _, f := range []*os.File{c.table, c.spool} {
		if f != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}
}

// writeJSON prints the whole: both versions, the lines of cases, the summary.
func (c *caseLines) writeJSON(w io.Writer, p *rehearsal.Plan, s rehearsal.Summary) error {
	if err := c.json.Flush(); err != nil {
		return err
	}
	if _, err := c.spool.Seek(0, io.SeekStart); err != nil {
		return err
	}
	of := func(p *rules.Pack) version { return version{p.EffectiveFrom, p.Until, p.Title, p.SHA256} }
	var parts [][]byte
	for _, v := range []any{p.Draft.Region.Region, of(p.InForce), of(p.Draft), p.Carried, s} {
		data, err := json.Marshal(v)
		if err != nil {
			return err
		}
		parts = append(parts, data)
	}
	if _, err := fmt.Fprintf(w, "{\n  \"criteria\": %s,\n  \"in_force\": %s,\n  \"draft\": %s,\n  \"carried\": %s,\n  \"summary\": %s,\n  \"cases\": [", parts[0], parts[1], parts[2], parts[3], parts[4]); err != nil {
		return err
	}
	if c.n > 0 {
		if _, err := io.WriteString(w, "\n    "); err != nil {
			return err
		}
	}
	if _, err := io.Copy(w, c.spool); err != nil {
		return err
	}
	_, err := io.WriteString(w, "]\n}\n")
	return err
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
