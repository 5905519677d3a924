package main

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// patientFlags are what is stated of a patient for the choice of criteria.
type patientFlags struct{ country, subdivision, payer, birth, on string }

// rulesFor tells which criteria apply to a patient, and why.
func rulesFor(words []string, f patientFlags, lib *rules.Library, asJSON bool, w io.Writer) error {
	if len(words) != 0 {
		return fmt.Errorf("rules for: expected no further word, found %q; see airwarrant --help", words[0])
	}
	p := criteria.Patient{Country: f.country, Subdivision: f.subdivision}
	if f.payer != "" {
		p.Payers = strings.Split(f.payer, ",")
	}
	now := time.Now()
	p.On = rules.Date{Year: now.Year(), Month: int(now.Month()), Day: now.Day()}
	for _, d := range []struct {
		flag, text string
		to         *rules.Date
	}{{"--birth", f.birth, &p.Birth}, {"--on", f.on, &p.On}} {
		if d.text == "" {
			continue
		}
		var err error
		if *d.to, err = rules.ParseDate(d.text); err != nil {
			return fmt.Errorf("%s: %w", d.flag, err)
		}
	}
	c, err := criteria.ForPatient(lib, p)
	if pe, ok := errors.AsType[*criteria.PatientError](err); ok {
		return fmt.Errorf("rules for: --%s: %s", pe.Field, pe.Said())
	}
	if err != nil {
		return err
	}
	if asJSON {
		return writeJSON(w, c)
	}
	return printChoice(w, c)
}

var standingWords = map[criteria.Standing]string{criteria.Applies: "applies", criteria.MayApply: "may apply", criteria.AppliesNot: "does not apply"}

func printChoice(w io.Writer, c criteria.Choice) error {
	var b strings.Builder
	b.WriteString(criteria.ReasonWords[c.Reason] + "\n")
	if c.Region != "" {
		b.WriteString(c.Region + "\n")
	}
	for _, s := range c.Between {
		b.WriteString(s + "\n")
	}
	if len(c.Ask) > 0 {
		fmt.Fprintf(&b, "Asked: %s\n", strings.Join(c.Ask, ", "))
	}
	for _, part := range []struct {
		title string
		list  []criteria.Candidate
	}{{"Criteria of payers", c.Sets}, {"Guidelines, which decide nothing on payment", c.Guidelines}} {
		fmt.Fprintf(&b, "\n%s\n", part.title)
		for _, k := range part.list {
			fmt.Fprintf(&b, "  %s: %s\n", k.Region, standingWords[k.Says])
			for _, s := range k.Because {
				fmt.Fprintf(&b, "      %s\n", s)
			}
			fmt.Fprintf(&b, "      (%s; %s)\n", k.Source, k.Status)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}
