package main

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"strings"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

func rulesCommand(args []string, e env) error {
	if len(args) == 0 {
		return errors.New("rules: expected one of list, show, facts, check; see airwarrant --help")
	}
	fs := flag.NewFlagSet("rules "+args[0], flag.ContinueOnError)
	asJSON := fs.Bool("json", false, "print JSON")
	on := fs.String("on", "", "day")
	packs := fs.String("packs", "", "folder of criteria")
	words, err := parse(fs, args[1:])
	if err != nil {
		return err
	}
	switch args[0] {
	case "check":
		if len(words) > 1 {
			return fmt.Errorf("rules check: expected at most one DIR, found %d", len(words))
		}
		dir := *packs
		if len(words) == 1 {
			dir = words[0]
		}
		return rulesCheck(dir, *asJSON, e)
	case "facts":
		if len(words) != 0 {
			return fmt.Errorf("rules facts: expected no further word, found %q", words[0])
		}
		return rulesFacts(*asJSON, e.out)
	}
	lib, err := library(*packs)
	if err != nil {
		return err
	}
	switch args[0] {
	case "list":
		if len(words) != 0 {
			return fmt.Errorf("rules list: expected no further word, found %q", words[0])
		}
		return rulesList(lib, *asJSON, e.out)
	case "show":
		if len(words) != 1 {
			return fmt.Errorf("rules show: expected one REGION, found %d", len(words))
		}
		date, err := day(*on)
		if err != nil {
			return err
		}
		regions, err := regionList(words[0], lib)
		if err != nil {
			return err
		}
		if date.IsZero() {
			h := lib.History(regions[0])
			date = h[len(h)-1].EffectiveFrom
		}
		p, err := lib.InForce(regions[0], date)
		if err != nil {
			return err
		}
		return rulesShow(p, *asJSON, e.out)
	}
	return fmt.Errorf("rules %s: expected one of list, show, facts, check; see airwarrant --help", args[0])
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
}

type version struct {
	From   rules.Date  `json:"effective_from"`
	Until  *rules.Date `json:"until"`
	Title  string      `json:"title"`
	SHA256 string      `json:"pack_sha256"`
}

func rulesList(lib *rules.Library, asJSON bool, w io.Writer) error {
	var out []listed
	for _, r := range lib.Regions() {
		if r.Hidden {
			continue
		}
		l := listed{r.Region, r.Name, r.Payer, r.Scope, nil}
		for _, p := range lib.History(r.Region) {
			l.Versions = append(l.Versions, version{p.EffectiveFrom, p.Until, p.Title, p.SHA256})
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
	ID       string        `json:"id"`
	Label    string        `json:"label"`
	Kind     string        `json:"kind"`
	Asked    string        `json:"asked"`
	Applies  string        `json:"applies_when,omitempty"`
	Cites    []string      `json:"cites"`
	Status   rules.Status  `json:"status,omitempty"`
	Reading  string        `json:"reading,omitempty"`
	Note     string        `json:"note,omitempty"`
	Children []shownClause `json:"parts"`
}

// shown lays a clause out in plain words.
func shown(p *rules.Pack, n *rules.Node) shownClause {
	s := shownClause{ID: n.ID, Label: n.Label, Asked: rules.Describe(n), Status: n.Status, Reading: n.Reading, Note: n.Note, Cites: []string{}, Children: []shownClause{}}
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

func rulesShow(p *rules.Pack, asJSON bool, w io.Writer) error {
	root := shown(p, p.Criteria)
	if asJSON {
		return writeJSON(w, struct {
			Region  string      `json:"region"`
			Version rules.Date  `json:"version"`
			Until   *rules.Date `json:"until"`
			Title   string      `json:"title"`
			SHA256  string      `json:"pack_sha256"`
			Clauses shownClause `json:"criteria"`
		}{p.Region.Region, p.EffectiveFrom, p.Until, p.Title, p.SHA256, root})
	}
	until := "open"
	if p.Until != nil {
		until = p.Until.String()
	}
	fmt.Fprintf(w, "%s\n%s\nin force from %s to %s; pack %s\n\n", p.Region.Name, p.Title, p.EffectiveFrom, until, p.SHA256)
	printClause(w, root, 0)
	return nil
}

func printClause(w io.Writer, s shownClause, depth int) {
	in := strings.Repeat("  ", depth)
	if s.Kind == "comparison" || s.Kind == "unsettled" {
		fmt.Fprintf(w, "%s- %s: %s\n", in, s.Label, s.Asked)
	} else {
		fmt.Fprintf(w, "%s- %s: %s\n", in, s.Label, s.Kind)
	}
	if s.Applies != "" {
		fmt.Fprintf(w, "%s    applies when: %s\n", in, s.Applies)
	}
	if s.Note != "" {
		fmt.Fprintf(w, "%s    %s\n", in, s.Note)
	}
	if len(s.Cites) > 0 {
		reading := ""
		if s.Reading == "ours" {
			reading = "; our reading"
		}
		fmt.Fprintf(w, "%s    [%s] %s%s (%s)\n", in, s.Status, strings.Join(s.Cites, "; "), reading, s.ID)
	}
	for _, c := range s.Children {
		printClause(w, c, depth+1)
	}
}

type checkedRules struct {
	Packs    int             `json:"packs"`
	Cases    int             `json:"cases"`
	Faults   []rules.Problem `json:"faults"`
	Failures []string        `json:"failed_cases"`
}

// rulesCheck loads every pack of dir (the embedded ones for "") and runs
// their cases; a fault or a failed case exits 2.
func rulesCheck(dir string, asJSON bool, e env) error {
	var lib *rules.Library
	var err error
	if dir == "" {
		lib, err = rules.Embedded()
	} else {
		if _, serr := os.Stat(dir); serr != nil {
			return fmt.Errorf("rules check: %w; check the name", serr)
		}
		lib, err = rules.Load(os.DirFS(dir))
	}
	out := checkedRules{Faults: []rules.Problem{}, Failures: []string{}}
	var problems rules.Problems
	switch {
	case errors.As(err, &problems):
		out.Faults = problems
	case err != nil:
		return status{exitRefused, err}
	default:
		for _, r := range lib.Regions() {
			for _, p := range lib.History(r.Region) {
				out.Packs++
				cases := criteria.RunCases(p, p.Cases, p.CasesFile)
				if len(cases) == 0 {
					out.Failures = append(out.Failures, p.CasesFile+":1:1: expected boundary cases of the version; found none; write cases below, at and above each figure")
				}
				for _, c := range cases {
					out.Cases++
					if c.Message != "" {
						out.Failures = append(out.Failures, fmt.Sprintf("%s:%d: %s: %s", c.File, c.Line, c.Name, c.Message))
					}
				}
			}
		}
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
