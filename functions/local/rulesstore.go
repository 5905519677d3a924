package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
)

// commandLine is who acts where nobody signed in: it writes drafts, and can
// neither propose nor approve.
var commandLine = editions.Person{Account: "the command line", Name: "the command line", Role: casework.RoleSystem}

func today() string { return time.Now().Format(time.DateOnly) }

// exported is the JSON of rules export.
type exported struct {
	Files     int      `json:"files"`
	Versions  int      `json:"versions"`
	Foreign   []string `json:"foreign"`
	SHA256    string   `json:"library_sha256"`
	Directory string   `json:"directory"`
}

// rulesExport writes the criteria that count into a folder that --packs reads.
// Nothing outside the folder is written, whatever links it holds, and nothing in
// it is removed: YAML that is none of these criteria is told.
func rulesExport(words []string, lib *rules.Library, asJSON bool, e env) (err error) {
	if len(words) != 1 {
		return fmt.Errorf("rules export: expected one DIR, found %d words; see airwarrant --help", len(words))
	}
	files, err := editions.Export(lib)
	if err != nil {
		return status{exitRefused, fmt.Errorf("rules export: %w", err)}
	}
	if err := os.MkdirAll(words[0], 0o755); err != nil {
		return fmt.Errorf("rules export: %w; choose a place that can be written", err)
	}
	root, err := os.OpenRoot(words[0])
	if err != nil {
		return fmt.Errorf("rules export: %w", err)
	}
	defer func() { err = errors.Join(err, root.Close()) }()
	out := exported{Files: len(files), Foreign: []string{}, SHA256: lib.SHA256(), Directory: words[0]}
	for _, r := range lib.Regions() {
		out.Versions += len(lib.History(r.Region))
	}
	known := map[string]bool{}
	for _, f := range files {
		known[f.Name] = true
		if err := writeInside(root, f.Name, f.Data); err != nil {
			return fmt.Errorf("rules export: %s: %w", f.Name, err)
		}
	}
	err = fs.WalkDir(root.FS(), ".", func(name string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && (path.Ext(name) == ".yaml" || path.Ext(name) == ".yml") && !known[name] {
			out.Foreign = append(out.Foreign, name)
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("rules export: %w", err)
	}
	if asJSON {
		return writeJSON(e.out, out)
	}
	fmt.Fprintf(e.out, "%d versions in %d files written to %s\n", out.Versions, out.Files, words[0])
	for _, name := range out.Foreign {
		fmt.Fprintf(e.out, "not among them, and left as it is: %s; delete it if it was withdrawn\n", name)
	}
	return nil
}

// writeInside puts a file below a folder, whole or not at all, and leaves one
// that has these bytes as it is.
func writeInside(root *os.Root, name string, data []byte) error {
	if err := root.MkdirAll(path.Dir(name), 0o755); err != nil {
		return err
	}
	if was, err := root.ReadFile(name); err == nil && bytes.Equal(was, data) {
		return nil
	}
	next := name + ".new"
	if err := root.WriteFile(next, data, 0o644); err != nil {
		return err
	}
	return root.Rename(next, name)
}

// imported is the JSON of rules import.
type imported struct {
	Drafts  []importedDraft `json:"drafts"`
	Same    []string        `json:"same"`
	Waiting []string        `json:"waiting"`
	Absent  []string        `json:"absent"`
}

type importedDraft struct {
	ID       string `json:"id"`
	Region   string `json:"region"`
	SHA256   string `json:"sha256"`
	Corrects string `json:"corrects,omitempty"`
}

// rulesImport makes drafts of a folder of criteria in the store. They count after
// a maintainer has rehearsed and proposed each, and another person approved it, in
// the pages.
func rulesImport(words []string, lf libraryFlags, asJSON bool, e env) (err error) {
	if len(words) != 1 {
		return fmt.Errorf("rules import: expected one DIR, found %d words; see airwarrant --help", len(words))
	}
	root, err := os.OpenRoot(words[0])
	if err != nil {
		return fmt.Errorf("rules import: %w; check the name", err)
	}
	defer func() { err = errors.Join(err, root.Close()) }()
	// A folder out of version control may hold links to anything on this machine.
	err = fs.WalkDir(root.FS(), ".", func(name string, d fs.DirEntry, err error) error {
		if err == nil && d.Type()&fs.ModeSymlink != 0 {
			if _, serr := root.Stat(name); serr != nil {
				return fmt.Errorf("%s: expected files of the folder; found a link that leads out of it or nowhere; put the file itself there", name)
			}
		}
		return err
	})
	if err != nil {
		return status{exitRefused, fmt.Errorf("rules import: %w", err)}
	}
	lib, err := library(lf.packs)
	if err != nil {
		return err
	}
	ctx := context.Background()
	store, err := lf.store.open(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	got, err := editions.New(store, lib, time.Now).Import(ctx, commandLine, root.FS())
	if err != nil {
		return status{exitRefused, err}
	}
	out := imported{Drafts: []importedDraft{}, Same: got.Same, Waiting: got.Waiting, Absent: got.Absent}
	for _, d := range got.Drafts {
		out.Drafts = append(out.Drafts, importedDraft{d.ID, d.Region, d.PackSHA256(), d.Corrects})
	}
	if asJSON {
		return writeJSON(e.out, out)
	}
	fmt.Fprintf(e.out, "%d drafts made, %d versions count already, %d were drafts before\n", len(out.Drafts), len(out.Same), len(out.Waiting))
	for _, d := range out.Drafts {
		what := "a new version"
		if d.Corrects != "" {
			what = fmt.Sprintf("a correction of %.12s", d.Corrects)
		}
		fmt.Fprintf(e.out, "  %s  %s: %s (%.12s)\n", d.ID, d.Region, what, d.SHA256)
	}
	for _, v := range out.Absent {
		fmt.Fprintf(e.out, "not in the folder, and counts as before: %s\n", v)
	}
	if len(out.Drafts) > 0 {
		fmt.Fprintln(e.out, "None of them counts yet: a maintainer rehearses and proposes each in the pages, and another person approves it.")
	}
	return nil
}

// rulesDue lists the documents that criteria rest on by the day on which somebody
// has to look: of the store that is named, or what the versions say themselves.
func rulesDue(words []string, lf libraryFlags, lib *rules.Library, asJSON bool, e env) (err error) {
	if len(words) != 0 {
		return fmt.Errorf("rules due: expected no further word, found %q", words[0])
	}
	now := time.Now().UTC()
	all := editions.WatchLibrary(lib, rules.Date{Year: now.Year(), Month: int(now.Month()), Day: now.Day()})
	if lf.stored() {
		base, err := library(lf.packs)
		if err != nil {
			return err
		}
		ctx := context.Background()
		store, err := lf.store.open(ctx)
		if err != nil {
			return err
		}
		all, err = editions.New(store, base, time.Now).Watch(ctx)
		if err = errors.Join(err, store.Close()); err != nil {
			return status{exitRefused, err}
		}
	}
	if asJSON {
		return writeJSON(e.out, append([]editions.Watched{}, all...))
	}
	late := 0
	for _, w := range all {
		if w.Late {
			late++
		}
	}
	fmt.Fprintf(e.out, "%d documents, %d to be looked up now\n", len(all), late)
	for _, w := range all {
		when := "due on " + w.Due.String()
		if w.Due.IsZero() {
			when = "due now"
		}
		fmt.Fprintf(e.out, "%s  %s: %s\n    %s", when, w.Region, w.Document, dueWords[w.Why])
		if !w.Read.IsZero() {
			fmt.Fprintf(e.out, ", on %s", w.Read)
		}
		if w.By != "" {
			fmt.Fprintf(e.out, " by %s", w.By)
		}
		if w.Words != "" {
			fmt.Fprintf(e.out, ": %s", w.Words)
		}
		fmt.Fprintln(e.out)
		if w.Address != "" {
			fmt.Fprintf(e.out, "    %s\n", w.Address)
		}
	}
	return nil
}

var dueWords = map[string]string{
	editions.DueReview:  "last read",
	editions.DueNever:   "nobody has read it in the document itself",
	editions.DueChanged: "found changed or gone",
	editions.DueExpired: "the edition is past its last day",
}
