package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"airwarrant/qualify"
	"airwarrant/qualify/batch"
	"airwarrant/rules/wording"
)

func batchCommand(args []string, e env) error {
	fs := flag.NewFlagSet("batch", flag.ContinueOnError)
	var rf readFlags
	rf.add(fs)
	var cf criticalFlags
	cf.add(fs, true)
	region := fs.String("criteria", "", "region")
	on := fs.String("on", "", "day whose criteria are applied")
	table := fs.String("facts", "", "table of facts by file or hash")
	csvFile := fs.String("csv", "", "write the table here")
	var lf libraryFlags
	lf.add(fs)
	confirmed := fs.String("confirmed", "", "file of confirmations")
	asJSON := fs.Bool("json", false, "print JSON")
	words, err := parse(fs, args)
	if err != nil {
		return err
	}
	if len(words) != 1 {
		return fmt.Errorf("batch: expected one FOLDER, found %d; see airwarrant --help", len(words))
	}
	ro, ao, err := rf.options()
	if err != nil {
		return err
	}
	lib, conf, err := lf.read(context.Background())
	if err != nil {
		return err
	}
	regions, err := regionList(*region, lib)
	if err != nil {
		return err
	}
	if len(regions) != 1 {
		return fmt.Errorf("batch: --criteria: expected one region, found %d", len(regions))
	}
	if *confirmed != "" {
		if conf, err = readConfirmations(*confirmed, lib); err != nil {
			return err
		}
	}
	date, err := day(*on)
	if err != nil {
		return err
	}
	critical, err := cf.setting()
	if err != nil {
		return err
	}
	today, received, err := cf.day()
	if err != nil {
		return err
	}
	var facts *batch.Facts
	if *table != "" {
		data, err := os.ReadFile(*table)
		if err != nil {
			return fmt.Errorf("--facts: %w; check the name", err)
		}
		if facts, err = batch.ReadFacts(wording.Literal(*table).Text(), data); err != nil {
			return fmt.Errorf("--facts: %w", err)
		}
	}
	folder, err := filepath.EvalSymlinks(words[0]) // the folder may be named by a link, what is in it not
	if err != nil {
		return fmt.Errorf("batch: %w; check the name", err)
	}
	files, err := sortedFiles(folder)
	if err != nil {
		return fmt.Errorf("batch: %w; check the name", err)
	}
	lines, used := []batch.Line{}, map[string]bool{}
	for i, f := range files {
		name, err := filepath.Rel(folder, f.path)
		if err != nil {
			return err
		}
		fmt.Fprintf(e.err, "%d of %d: %s\n", i+1, len(files), name)
		src, err := qualify.Source{}, f.err
		if err == nil {
			src, err = load(f.path, e, ro)
		}
		if err != nil {
			lines = append(lines, batch.Refused(name, "", err.Error()))
			continue
		}
		src.Name = name
		src.Read.Sibling = noting(used, folder, filepath.Dir(f.path), src.Read.Sibling)
		for _, one := range batch.Split(src) {
			lines = append(lines, batch.File(one, facts, qualify.Query{Criteria: regions, On: date, Analysis: ao, Confirmed: conf, Critical: critical, Today: today, Received: received, Listed: received}, lib)...)
		}
	}
	for _, key := range facts.Untaken() {
		lines = append(lines, batch.Refused(key, "", batch.NotThere))
	}
	if n := batch.OnceCritical(lines); n > 0 {
		fmt.Fprintf(e.err, "%d tests hold a critically low reading (column critical): tell each treating practitioner now; in an emergency call the emergency number.\n", n)
	}
	// A signal file that was read with its header has no line of its own.
	lines = slices.DeleteFunc(lines, func(l batch.Line) bool { return l.Problem != "" && used[l.File] })
	if *csvFile != "" {
		var b bytes.Buffer
		if err := batch.WriteCSV(&b, lines); err != nil {
			return err
		}
		if err := os.WriteFile(*csvFile, b.Bytes(), 0o600); err != nil {
			return fmt.Errorf("--csv: %w; choose a place that can be written", err)
		}
	}
	if *asJSON {
		return writeJSON(e.out, lines)
	}
	if *csvFile == "" {
		return batch.WriteCSV(e.out, lines)
	}
	return nil
}

// noting wraps a lookup of sibling files so that used holds the names, below
// folder, of those that were found.
func noting(used map[string]bool, folder, dir string, lookup func(string) ([]byte, error)) func(string) ([]byte, error) {
	return func(name string) ([]byte, error) {
		data, err := lookup(name)
		if rel, fault := filepath.Rel(folder, filepath.Join(dir, name)); err == nil && fault == nil {
			used[rel] = true
		}
		return data, err
	}
}
