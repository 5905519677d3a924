package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/editions"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
	"airwarrant/rules/wording"
	"airwarrant/web"
	"airwarrant/web/texts"
)

func rulesCommand(args []string, e env) error {
	if len(args) == 0 {
		return errors.New("rules: expected one of list, for, show, compare, confirm, facts, check, due, export, import; see airwarrant --help")
	}
	fs := flag.NewFlagSet("rules "+args[0], flag.ContinueOnError)
	asJSON := fs.Bool("json", false, "print JSON")
	on := fs.String("on", "", "day")
	var lf libraryFlags
	lf.add(fs)
	blank := fs.Bool("blank", false, "print a worksheet to be filled in by hand")
	pdf := fs.String("pdf", "", "write the blank worksheet as PDF")
	tag := fs.String("language", "", "language of the blank worksheet: en or es")
	var cf confirmFlags
	fs.StringVar(&cf.file, "confirmed", "", "file of confirmations")
	fs.StringVar(&cf.by, "by", "", "who confirms")
	fs.StringVar(&cf.edition, "edition", "", "edition of the document that was seen")
	fs.StringVar(&cf.document, "document", "", "private copy of the document")
	var pf patientFlags
	if args[0] == "for" {
		fs.StringVar(&pf.country, "country", "", "country in which the patient lives, ISO 3166-1")
		fs.StringVar(&pf.subdivision, "subdivision", "", "subdivision in which the patient lives, ISO 3166-2")
		fs.StringVar(&pf.payer, "payer", "", "plans that the patient has")
		fs.StringVar(&pf.birth, "birth", "", "birth date")
	}
	words, err := parse(fs, args[1:])
	if err != nil {
		return err
	}
	if lf.asKnown != "" && !slices.Contains([]string{"list", "show", "compare"}, args[0]) {
		return fmt.Errorf("rules %s: --as-known-on goes with list, show and compare", args[0])
	}
	switch args[0] {
	case "check":
		if len(words) > 1 {
			return fmt.Errorf("rules check: expected at most one DIR, found %d", len(words))
		}
		if len(words) == 1 {
			if lf.packs != "" || lf.stored() {
				return errors.New("rules check: expected DIR, or --packs and --data, found both; leave out one")
			}
			lf.packs = words[0]
		}
		return rulesCheck(lf, *asJSON, e)
	case "facts":
		if len(words) != 0 {
			return fmt.Errorf("rules facts: expected no further word, found %q", words[0])
		}
		return rulesFacts(*asJSON, e.out)
	}
	if args[0] == "import" {
		return rulesImport(words, lf, *asJSON, e)
	}
	lib, stored, err := lf.read(context.Background())
	if err != nil {
		return err
	}
	switch args[0] {
	case "export":
		return rulesExport(words, lib, *asJSON, e)
	case "due":
		return rulesDue(words, lf, lib, *asJSON, e)
	case "list":
		if len(words) != 0 {
			return fmt.Errorf("rules list: expected no further word, found %q", words[0])
		}
		return rulesList(lib, *asJSON, e.out)
	case "show":
		if len(words) != 1 {
			return fmt.Errorf("rules show: expected one REGION, found %d", len(words))
		}
		if *on != "" {
			words[0] += "@" + *on
		}
		p, err := versionOf(words[0], lib)
		if err != nil {
			return err
		}
		if *blank {
			language, err := languageOf(*tag)
			if err != nil {
				return err
			}
			return rulesBlank(p, language, *pdf, e.out)
		}
		conf := stored
		if cf.file != "" {
			if conf, err = readConfirmations(cf.file, lib); err != nil {
				return err
			}
		}
		return rulesShow(p, conf[p.SHA256], *asJSON, e.out)
	case "for":
		pf.on = *on
		return rulesFor(words, pf, lib, *asJSON, e.out)
	case "compare":
		return rulesCompare(words, lib, *asJSON, e.out)
	case "confirm":
		cf.on = *on
		return rulesConfirm(words, cf, lib, e.out)
	}
	return fmt.Errorf("rules %s: expected one of list, for, show, compare, confirm, facts, check, due, export, import; see airwarrant --help", args[0])
}

// rulesBlank prints a pack to be filled in by hand.
func rulesBlank(p *rules.Pack, language *texts.Language, pdf string, w io.Writer) error {
	var in rules.Language
	if language != nil {
		in = web.Wording(language, p.Region)
	}
	sheet := worksheet.Blank(in, p, qualify.Program, rules.Date{})
	if pdf == "" {
		return sheet.WriteText(w)
	}
	var b bytes.Buffer
	if err := sheet.WritePDF(&b, worksheet.PDFOptions{}); err != nil {
		return fmt.Errorf("--pdf: %w", err)
	}
	if err := os.WriteFile(pdf, b.Bytes(), 0o600); err != nil {
		return fmt.Errorf("--pdf: %w; choose a place that can be written", err)
	}
	return nil
}

func writeJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

type listed struct {
	Region   string    `json:"region"`
	Name     string    `json:"name"`
	Payer    string    `json:"payer"`
	Scope    string    `json:"scope"`
	Versions []version `json:"versions"`
	// Retired are versions that no longer count in this house, with the first day
	// on which they do not.
	Retired []version `json:"retired,omitempty"`
}

type version struct {
	From   rules.Date  `json:"effective_from"`
	Until  *rules.Date `json:"until"`
	Title  string      `json:"title"`
	SHA256 string      `json:"pack_sha256"`
	// Known is the day from which this house knew it, Retired the first day on
	// which it no longer counts here, and Expires the last day of its edition; ""
	// where there is none.
	Known   string `json:"known_since,omitempty"`
	Retired string `json:"retired,omitempty"`
	Expires string `json:"expires,omitempty"`
}

func listedVersion(p *rules.Pack) version {
	return version{p.EffectiveFrom, p.Until, p.Title, p.SHA256, p.KnownSince.String(), p.KnownUntil.String(), p.Expires.String()}
}

func rulesList(lib *rules.Library, asJSON bool, w io.Writer) error {
	var out []listed
	for _, r := range lib.Regions() {
		if r.Hidden {
			continue
		}
		l := listed{Region: r.Region, Name: r.Name, Payer: r.Payer, Scope: r.Scope}
		for _, p := range lib.History(r.Region) {
			l.Versions = append(l.Versions, listedVersion(p))
		}
		for _, p := range lib.Retired(r.Region) {
			l.Retired = append(l.Retired, listedVersion(p))
		}
		out = append(out, l)
	}
	if asJSON {
		return writeJSON(w, out)
	}
	for _, l := range out {
		fmt.Fprintf(w, "%s  %s\n    %s\n", l.Region, l.Name, l.Scope)
		for _, v := range l.Versions {
			until := "open"
			if v.Until != nil {
				until = v.Until.String()
			}
			fmt.Fprintf(w, "    %s to %s  %s  (%s)\n", v.From, until, v.Title, v.SHA256[:12])
			if v.Expires != "" && v.Until == nil && v.Expires < today() {
				fmt.Fprintf(w, "      its edition was valid until %s: look for its successor\n", v.Expires)
			}
		}
		for _, v := range l.Retired {
			fmt.Fprintf(w, "    from %s, withdrawn or corrected here on %s  %s  (%s)\n", v.From, v.Retired, v.Title, v.SHA256[:12])
		}
	}
	return nil
}

type listedFact struct {
	Name     string     `json:"name"`
	Type     rules.Type `json:"type"`
	Unit     string     `json:"unit"`
	Who      rules.Role `json:"who"`
	Question string     `json:"question"`
	Words    []string   `json:"words,omitempty"`
	Meaning  string     `json:"meaning"`
	Settles  string     `json:"settles"`
	From     []string   `json:"from,omitempty"`
}

func rulesFacts(asJSON bool, w io.Writer) error {
	var out []listedFact
	for _, d := range rules.Vocabulary() {
		out = append(out, listedFact{d.Name, d.Type, d.Unit, d.Who, d.Question, d.Words, d.Meaning, d.Settles, d.From})
	}
	if asJSON {
		return writeJSON(w, out)
	}
	for _, f := range out {
		unit := ""
		if f.Unit != "" {
			unit = ", " + f.Unit
		}
		fmt.Fprintf(w, "%s (%s%s)\n    %s\n", f.Name, f.Type, unit, f.Meaning)
		if len(f.Words) > 0 {
			fmt.Fprintf(w, "    one of: %s\n", strings.Join(f.Words, ", "))
		}
		if f.Question != "" {
			fmt.Fprintf(w, "    %s asks: %s\n", f.Who, f.Question)
		} else {
			fmt.Fprintf(w, "    computed from: %s\n", strings.Join(f.From, ", "))
		}
	}
	return nil
}

type shownClause struct {
	ID       string       `json:"id"`
	Label    string       `json:"label"`
	Kind     string       `json:"kind"`
	Asked    string       `json:"asked"`
	Applies  string       `json:"applies_when,omitempty"`
	Cites    []string     `json:"cites"`
	Status   rules.Status `json:"status,omitempty"`
	Reading  string       `json:"reading,omitempty"`
	Note     string       `json:"note,omitempty"`
	Strength string       `json:"strength,omitempty"`
	Grade    string       `json:"grade,omitempty"`
	Since    string       `json:"since,omitempty"`
	Until    string       `json:"until,omitempty"`
	// Confirmed says who confirmed a draft, when and in which edition.
	Confirmed string        `json:"confirmed,omitempty"`
	Children  []shownClause `json:"parts"`
}

// shownPack is one version in plain words.
type shownPack struct {
	Region       string       `json:"region"`
	Version      rules.Date   `json:"version"`
	Until        *rules.Date  `json:"until"`
	Title        string       `json:"title"`
	SHA256       string       `json:"pack_sha256"`
	Expires      string       `json:"expires,omitempty"`
	Population   *shownClause `json:"population"`
	OtherwiseSee string       `json:"otherwise_see,omitempty"`
	DeferTo      []shownOther `json:"defer_to"`
	Overrides    []shownOther `json:"overrides"`
	Confirmed    []string     `json:"confirmed,omitempty"`
	Clauses      shownClause  `json:"criteria"`
	shownFollows
}

// shownOther is a deferral to other criteria, or a waiver for a time.
type shownOther struct {
	ID     string       `json:"id"`
	When   string       `json:"when"`
	Text   string       `json:"text"`
	Cites  []string     `json:"cites"`
	Status rules.Status `json:"status"`
}

// shownOf lays a pack out in plain words.
func shownOf(p *rules.Pack) shownPack {
	s := shownPack{Region: p.Region.Region, Version: p.EffectiveFrom, Until: p.Until, Title: p.Title, SHA256: p.SHA256,
		Expires: p.Expires.String(), OtherwiseSee: p.OtherwiseSee, DeferTo: []shownOther{}, Overrides: []shownOther{}, shownFollows: followsOf(p)}
	if p.Criteria != nil {
		s.Clauses = shown(p, p.Criteria)
	}
	if p.Population != nil {
		c := shown(p, p.Population)
		s.Population = &c
	}
	cites := func(ids []string) []string {
		out := []string{}
		for _, id := range ids {
			out = append(out, criteria.CiteText(p, id))
		}
		return out
	}
	for _, d := range p.DeferTo {
		s.DeferTo = append(s.DeferTo, shownOther{d.ID, rules.Describe(d.When), d.Text, cites(d.Cite), d.Status})
	}
	for _, o := range p.Overrides {
		until := "further notice"
		if !o.Until.IsZero() {
			until = o.Until.String()
		}
		s.Overrides = append(s.Overrides, shownOther{o.ID, fmt.Sprintf("tests of %s to %s; waives %s", o.From, until, strings.Join(o.Waives, ", ")), o.Text, cites(o.Cite), o.Status})
	}
	return s
}

// shown lays a clause out in plain words.
func shown(p *rules.Pack, n *rules.Node) shownClause {
	s := shownClause{ID: n.ID, Label: n.Label, Asked: rules.Describe(n), Status: n.Status, Reading: n.Reading, Note: n.Note,
		Strength: n.Strength, Grade: n.Grade, Since: n.Since.String(), Until: n.Until.String(), Cites: []string{}, Children: []shownClause{}}
	switch {
	case n.AllOf != nil:
		s.Kind = "all of"
	case n.AnyOf != nil:
		s.Kind = "any of"
	case n.NoneOf != nil:
		s.Kind = "none of"
	case n.NOf != nil:
		s.Kind = fmt.Sprintf("at least %d of", n.NOf.N)
	case n.Unsettled != "":
		s.Kind = "unsettled"
	default:
		s.Kind = "comparison"
	}
	if n.AppliesWhen != nil {
		s.Applies = rules.Describe(n.AppliesWhen)
	}
	for _, c := range n.Cite {
		s.Cites = append(s.Cites, criteria.CiteText(p, c))
	}
	for _, c := range n.Children() {
		s.Children = append(s.Children, shown(p, c))
	}
	return s
}

func rulesShow(p *rules.Pack, conf criteria.Confirmations, asJSON bool, w io.Writer) error {
	s := shownOf(p)
	s.Clauses.confirm(conf)
	s.Confirmed = confirmedTexts(conf)
	if asJSON {
		return writeJSON(w, s)
	}
	until := "open"
	if p.Until != nil {
		until = p.Until.String()
	}
	fmt.Fprintf(w, "%s\n%s\nin force from %s to %s; pack %s\n", p.Region.Name, p.Title, p.EffectiveFrom, until, p.SHA256)
	if s.Expires != "" {
		fmt.Fprintf(w, "this edition is valid until %s; for a later test look for its successor\n", s.Expires)
	}
	if s.Population != nil {
		fmt.Fprintln(w, "\nfor whom:")
		printClause(w, *s.Population, 1)
		if s.OtherwiseSee != "" {
			fmt.Fprintf(w, "    for others: %s\n", s.OtherwiseSee)
		}
	}
	for _, d := range s.DeferTo {
		fmt.Fprintf(w, "\nother criteria decide when %s: %s\n    [%s] %s (%s)\n", d.When, d.Text, d.Status, strings.Join(d.Cites, "; "), d.ID)
	}
	for _, o := range s.Overrides {
		fmt.Fprintf(w, "\nfor a time, %s: %s\n    [%s] %s (%s)\n", o.When, o.Text, o.Status, strings.Join(o.Cites, "; "), o.ID)
	}
	if len(s.Confirmed) > 0 {
		fmt.Fprintf(w, "\n%s\n", strings.Join(s.Confirmed, "\n"))
	}
	fmt.Fprintln(w)
	printClause(w, s.Clauses, 0)
	s.shownFollows.print(w)
	return nil
}

func printClause(w io.Writer, s shownClause, depth int) {
	in := strings.Repeat("  ", depth)
	switch {
	case s.Label == "":
		fmt.Fprintf(w, "%s- %s\n", in, s.Asked) // a gate needs no label
	case s.Kind == "comparison" || s.Kind == "unsettled":
		fmt.Fprintf(w, "%s- %s: %s\n", in, s.Label, s.Asked)
	default:
		fmt.Fprintf(w, "%s- %s: %s\n", in, s.Label, s.Kind)
	}
	if s.Applies != "" {
		fmt.Fprintf(w, "%s    applies when: %s\n", in, s.Applies)
	}
	if recommended := strings.Join(slices.DeleteFunc([]string{s.Strength, s.Grade}, func(x string) bool { return x == "" }), ", "); recommended != "" {
		fmt.Fprintf(w, "%s    recommendation: %s\n", in, recommended)
	}
	if s.Since != "" || s.Until != "" {
		fmt.Fprintf(w, "%s    tests from %s to %s\n", in, orDash(s.Since), orDash(s.Until))
	}
	if s.Note != "" {
		fmt.Fprintf(w, "%s    %s\n", in, s.Note)
	}
	if len(s.Cites) > 0 {
		reading := ""
		if s.Reading == "ours" {
			reading = "; our reading"
		}
		status := string(s.Status)
		if s.Confirmed != "" {
			status += ", confirmed by " + s.Confirmed
		}
		fmt.Fprintf(w, "%s    [%s] %s%s (%s)\n", in, status, strings.Join(s.Cites, "; "), reading, s.ID)
	}
	for _, c := range s.Children {
		printClause(w, c, depth+1)
	}
}

func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}

type checkedRules struct {
	Packs    int             `json:"packs"`
	Cases    int             `json:"cases"`
	Faults   []rules.Problem `json:"faults"`
	Failures []string        `json:"failed_cases"`
	// Warnings are no faults: editions that are past their last day.
	Warnings []string `json:"warnings,omitempty"`
}

// rulesCheck reads every version of the criteria that the flags name and runs
// their cases; a fault or a failed case exits 2. A version of the store that
// can't be read is a fault.
func rulesCheck(lf libraryFlags, asJSON bool, e env) error {
	if lf.packs != "" {
		if _, err := os.Stat(lf.packs); err != nil {
			return fmt.Errorf("rules check: %w; check the name", err)
		}
	}
	lib, _, err := lf.read(context.Background())
	out := checkedRules{Faults: []rules.Problem{}, Failures: []string{}}
	var problems rules.Problems
	switch {
	case errors.As(err, &problems):
		out.Faults = problems
	case err != nil:
		return err
	default:
		for _, r := range lib.Regions() {
			for _, p := range lib.History(r.Region) {
				out.Packs++
				if p.Unreadable != "" {
					out.Faults = append(out.Faults, rules.Problem{File: p.File, Expected: wording.Said("a version that can be read"), Found: wording.Said("none"), Mend: wording.Literal(p.Unreadable).Text()})
					continue
				}
				cases := criteria.RunCases(p, p.Cases, p.CasesFile)
				if len(cases) == 0 {
					out.Failures = append(out.Failures, p.CasesFile+":1:1: expected boundary cases of the version; found none; write cases below, at and above each figure")
				}
				for _, c := range cases {
					out.Cases++
					if !c.Message.IsZero() {
						out.Failures = append(out.Failures, fmt.Sprintf("%s:%d: %s: %s", c.File, c.Line, c.Name, c.Message))
					}
				}
			}
		}
	}
	if lib != nil {
		now := time.Now().UTC()
		for _, p := range editions.Expired(lib, rules.Date{Year: now.Year(), Month: int(now.Month()), Day: now.Day()}) {
			out.Warnings = append(out.Warnings, fmt.Sprintf("%s: its edition was valid until %s; look for its successor", p.File, p.Expires))
		}
	}
	for _, w := range out.Warnings {
		fmt.Fprintln(e.err, "warning: "+w)
	}
	if asJSON {
		if err := writeJSON(e.out, out); err != nil {
			return err
		}
	} else {
		for _, f := range out.Faults {
			fmt.Fprintln(e.out, f)
		}
		for _, f := range out.Failures {
			fmt.Fprintln(e.out, f)
		}
		if len(out.Faults)+len(out.Failures) == 0 {
			fmt.Fprintf(e.out, "%d packs, %d cases: no fault\n", out.Packs, out.Cases)
		}
	}
	if n := len(out.Faults) + len(out.Failures); n > 0 {
		return status{exitRefused, fmt.Errorf("rules check: %d faults, %d failed cases", len(out.Faults), len(out.Failures))}
	}
	return nil
}
