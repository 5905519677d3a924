package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"airwarrant/functions/internal/sealed"
	"airwarrant/functions/internal/store/local"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
)

// storeWords parses the words of a command on a store.
func storeWords(name string, args []string, want int, cloud bool) (words []string, sf *storeFlags, asJSON bool, err error) {
	fs := flag.NewFlagSet(name, flag.ContinueOnError)
	sf = new(storeFlags)
	sf.add(fs, cloud)
	js := fs.Bool("json", false, "print JSON")
	if words, err = parse(fs, args); err != nil {
		return nil, nil, false, err
	}
	if len(words) != want {
		return nil, nil, false, fmt.Errorf("%s: expected %d words, found %d; see airwarrant --help", name, want, len(words))
	}
	return words, sf, *js, nil
}

// audit verify proves every chain of the store; a fault exits 2. audit criteria
// tells what was decided about criteria.
func audit(args []string, e env) (err error) {
	words, sf, asJSON, err := storeWords("audit", args, 1, true)
	if err != nil {
		return err
	}
	if words[0] != "verify" && words[0] != "criteria" {
		return fmt.Errorf("audit %s: expected audit verify or audit criteria; see airwarrant --help", words[0])
	}
	store, err := sf.open(context.Background())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	lib, err := rules.Embedded()
	if err != nil {
		return err
	}
	book := editions.New(store, lib, time.Now)
	if words[0] == "criteria" {
		return auditEvents(book, asJSON, e.out)
	}
	report, err := store.VerifyAll(context.Background())
	if err != nil {
		return status{exitRefused, err}
	}
	if err := auditConfirmations(store, report); err != nil {
		return status{exitRefused, err}
	}
	auditCriteria(book, report)
	return tellReport(report, asJSON, e.out)
}

// auditCriteria proves that what was published was decided as this program
// decides, by two people, and can be read.
func auditCriteria(book *editions.Book, report *casework.Report) {
	lib, err := book.Current(context.Background())
	var broken *casework.ChainError
	switch {
	case errors.As(err, &broken): // it is among the ledgers
		return
	case err != nil:
		report.Faults = append(report.Faults, casework.Fault{Where: "ledger " + casework.Criteria, What: err.Error()})
		return
	}
	for _, r := range lib.Regions() {
		for _, p := range lib.History(r.Region) {
			if p.Unreadable != "" {
				report.Faults = append(report.Faults, casework.Fault{Where: "criteria " + r.Region + " from " + p.EffectiveFrom.String(), What: p.Unreadable})
			}
		}
	}
}

// auditEvents prints everything that was decided about criteria, the first first.
func auditEvents(book *editions.Book, asJSON bool, w io.Writer) error {
	events, err := book.Events(context.Background())
	if err != nil {
		return status{exitRefused, err}
	}
	if asJSON {
		return writeJSON(w, append([]editions.Event{}, events...))
	}
	for _, ev := range events {
		fmt.Fprintf(w, "%d  %s  %s as %s  %s\n    %s\n", ev.N, ev.At.Format(time.RFC3339), ev.By, ev.Role, ev.Kind, ev.Words)
	}
	return nil
}

// auditConfirmations proves the seals of the confirmed drafts: what they let
// decide belongs to the trail as much as the cases do.
func auditConfirmations(store casework.Store, report *casework.Report) error {
	file, err := editions.ConfirmationFile(context.Background(), store)
	if err != nil {
		return err
	}
	_, err = criteria.ParseConfirmations(file, "confirmations")
	var problems rules.Problems
	if !errors.As(err, &problems) {
		return err
	}
	for _, p := range problems {
		report.Faults = append(report.Faults, casework.Fault{Where: "confirmed drafts", What: p.String()})
	}
	return nil
}

func tellReport(r *casework.Report, asJSON bool, w io.Writer) error {
	if asJSON {
		if err := writeJSON(w, r); err != nil {
			return err
		}
	} else {
		fmt.Fprintf(w, "%d cases, %d events, %d personal values, %d cases with personal values destroyed, %d uploads, %d entries of %d ledgers, %d daily anchors: %d faults\n",
			r.Cases, r.Events, r.Personal, r.Destroyed, r.Uploads, r.Entries, r.Ledgers, r.Anchors, len(r.Faults))
		for _, f := range r.Faults {
			fmt.Fprintf(w, "%s: %s\n", f.Where, f.What)
		}
	}
	if len(r.Faults) > 0 {
		return status{code: exitRefused}
	}
	return nil
}

// backup writes the whole store into one file, which appears under its name
// only when it is complete.
func backup(args []string, e env) (err error) {
	words, sf, asJSON, err := storeWords("backup", args, 1, false)
	if err != nil {
		return err
	}
	store, err := sf.openHere(false)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	tmp, err := os.CreateTemp(filepath.Dir(words[0]), ".backup-*")
	if err != nil {
		return fmt.Errorf("backup: %w; choose a place that can be written", err)
	}
	defer os.Remove(tmp.Name())
	damaged, err := store.Backup(context.Background(), tmp)
	if err = errors.Join(err, tmp.Sync(), tmp.Close()); err != nil {
		return status{exitRefused, fmt.Errorf("backup: %w", err)}
	}
	if err := os.Rename(tmp.Name(), words[0]); err != nil {
		return status{exitRefused, fmt.Errorf("backup: %w", err)}
	}
	if damaged == nil {
		damaged = []string{}
	}
	if asJSON {
		err = writeJSON(e.out, struct {
			File    string   `json:"file"`
			Damaged []string `json:"damaged"`
		}{words[0], damaged})
	} else {
		safe := "keep it as safe as the store: it holds patients' data and their keys"
		if *sf.keyFile != "" {
			safe = "it is encrypted by the key of the store: keep that key file elsewhere, it is needed to restore"
		}
		_, err = fmt.Fprintf(e.out, "%s written; %s\n", words[0], safe)
		for _, d := range damaged {
			fmt.Fprintf(e.out, "damaged in the store: %s\n", d)
		}
	}
	if err == nil && len(damaged) > 0 {
		err = status{code: exitRefused}
	}
	return err
}

// restore lays a backup out in an empty folder and verifies it. With
// --key-file the store that it makes is encrypted, whatever the backup is of.
func restore(args []string, e env) error {
	fs := flag.NewFlagSet("restore", flag.ContinueOnError)
	var sf storeFlags
	sf.add(fs, false)
	backupKey := fs.String("backup-key-file", "", "file of the key of the store that the backup is of")
	asJSON := fs.Bool("json", false, "print JSON")
	words, err := parse(fs, args)
	if err != nil {
		return err
	}
	if len(words) != 1 {
		return fmt.Errorf("restore: expected 1 word, found %d; see airwarrant --help", len(words))
	}
	dir, err := sf.dir()
	if err != nil {
		return err
	}
	var keys local.RestoreKeys
	if keys.Store, err = sf.key(); err != nil {
		return err
	}
	keys.Backup = keys.Store
	if *backupKey != "" {
		if keys.Backup, err = keyOf(*backupKey); err != nil {
			return err
		}
	}
	f, err := os.Open(words[0])
	if err != nil {
		return fmt.Errorf("restore: %w; check the name", err)
	}
	defer f.Close()
	report, err := local.Restore(context.Background(), f, dir, keys)
	if err != nil {
		return status{exitRefused, err}
	}
	return tellReport(report, *asJSON, e.out)
}

// newKey writes a file with a new key.
func newKey(args []string, e env) error {
	fs := flag.NewFlagSet("key", flag.ContinueOnError)
	asJSON := fs.Bool("json", false, "print JSON")
	words, err := parse(fs, args)
	if err != nil {
		return err
	}
	if len(words) != 1 {
		return fmt.Errorf("key: expected the name of a file to be written, found %d words; see airwarrant --help", len(words))
	}
	if err := sealed.NewKeyFile(words[0]); err != nil {
		return err
	}
	if *asJSON {
		return writeJSON(e.out, struct {
			File string `json:"file"`
		}{words[0]})
	}
	_, err = fmt.Fprintf(e.out, "%s written. Whoever has it and the store can read the store; without it nobody can, and nobody can make it anew.\nKeep it away from the data folder and its backups, and keep two copies in two places.\n", words[0])
	return err
}
