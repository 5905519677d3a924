package web

import (
	"context"
	"encoding/json"
	"errors"
	"net/url"
	"slices"
	"strings"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// chosenBy is on what the criteria of a case were chosen, as its sealed value
// holds it: the place says where the patient lives.
type chosenBy struct {
	Region string            `json:"criteria"`
	Place  string            `json:"place,omitempty"` // code of ISO 3166
	Payers []string          `json:"payers,omitempty"`
	Says   criteria.Standing `json:"says"` // of the criteria chosen
	Why    string            `json:"why,omitempty"`
}

func (c chosenBy) empty() bool { return c.Place == "" && len(c.Payers) == 0 && c.Why == "" }

// words say it for the trail.
func (c chosenBy) words() string {
	parts := []string{c.Region + " " + standingWords[c.Says]}
	switch c.Place {
	case "":
	case criteria.Elsewhere:
		parts = append(parts, "the patient lives in another country")
	default:
		parts = append(parts, "the patient lives in "+rules.PlaceName(c.Place)+" ("+c.Place+")")
	}
	if len(c.Payers) > 0 {
		parts = append(parts, "plans: "+plansIn(c.Payers))
	}
	if c.Why != "" {
		parts = append(parts, "chosen all the same: "+c.Why)
	}
	return strings.Join(parts, "; ")
}

func plansIn(words []string) string {
	out := make([]string, len(words))
	for i, w := range words {
		out[i] = rules.PlainWord(w)
	}
	return strings.Join(out, ", ")
}

// standingWords say whether criteria apply.
var standingWords = map[criteria.Standing]string{
	criteria.Applies: "applies", criteria.MayApply: "may apply", criteria.AppliesNot: "does not apply by what is stated",
}

// placeGroup is one country with its subdivisions, as a list offers them.
type placeGroup struct {
	Country rules.Place
	Inside  []rules.Place // none where no criteria name a subdivision
}

// planLine is a plan that can be ticked.
type planLine struct {
	Word, Programs string
	On             bool
}

// setLine is one set of criteria with whether it applies.
type setLine struct {
	criteria.Candidate
	Region rules.Region
	On     bool
}

// Standing says in words whether it applies.
func (l setLine) Standing() string { return standingWords[l.Says] }

// setsPart is a list of criteria under one heading.
type setsPart struct {
	Heading string
	Sets    []setLine
}

// placeGroups are the countries that criteria name.
func (s *Site) placeGroups() []placeGroup {
	var out []placeGroup
	for _, c := range s.lib.Countries() {
		out = append(out, placeGroup{rules.Place{Code: c, Name: rules.PlaceName(c)}, rules.Subdivisions(c)})
	}
	slices.SortFunc(out, func(a, b placeGroup) int { return strings.Compare(a.Country.Name, b.Country.Name) })
	return out
}

func (s *Site) planLines(ticked []string) []planLine {
	var out []planLine
	for _, p := range s.lib.Payers() {
		out = append(out, planLine{p.Word, strings.Join(p.Programs, ", "), slices.Contains(ticked, p.Word)})
	}
	return out
}

// choiceFor tells which criteria apply by what the form states. faults get what
// can't be, at its field.
func (s *Site) choiceFor(form url.Values, birth rules.Date, faults map[string]string, fault func(error) string) (criteria.Choice, chosenBy) {
	by := chosenBy{Place: typed(form, "place"), Payers: form["plan"]}
	p := criteria.Patient{Payers: by.Payers, Birth: birth, On: s.today()}
	if strings.Contains(by.Place, "-") {
		p.Subdivision = by.Place
	} else {
		p.Country = by.Place
	}
	c, err := criteria.ForPatient(s.lib, p)
	if pe, ok := errors.AsType[*criteria.PatientError](err); ok {
		faults[map[string]string{"country": "place", "subdivision": "place", "payer": "plan", "birth": "birth"}[pe.Field]] = fault(pe)
	}
	return c, by
}

// partsOf lays the criteria out for the page: what applies or may, then the
// guidelines, then what does not apply.
func (s *Site) partsOf(c criteria.Choice, chosen string) (open, shut []setsPart) {
	take := func(list []criteria.Candidate, not bool) []setLine {
		var out []setLine
		for _, k := range list {
			if (k.Says == criteria.AppliesNot) == not {
				r, err := s.lib.Region(k.Region)
				if err == nil {
					out = append(out, setLine{k, r, k.Region == chosen})
				}
			}
		}
		return out
	}
	for _, not := range []bool{false, true} {
		for _, p := range []setsPart{{"Criteria of payers", take(c.Sets, not)}, {"Guidelines, which decide nothing on payment", take(c.Guidelines, not)}} {
			switch {
			case len(p.Sets) == 0:
			case not:
				shut = append(shut, p)
			default:
				open = append(open, p)
			}
		}
	}
	return open, shut
}

// needsWhy says whether somebody who chooses criteria has to say why: others
// apply by what is stated, or these do not.
func needsWhy(c criteria.Choice, region string) (criteria.Standing, bool) {
	for _, k := range append(slices.Clone(c.Sets), c.Guidelines...) {
		if k.Region == region {
			return k.Says, k.Says == criteria.AppliesNot || c.Region != "" && c.Region != region
		}
	}
	return criteria.MayApply, false
}

// sealChosen puts on what criteria were chosen beside the chain.
func (s *Site) sealChosen(ctx context.Context, c *casework.Case, by chosenBy) (casework.Ref, error) {
	if by.empty() {
		return "", nil
	}
	raw, err := json.Marshal(by)
	if err != nil {
		return "", err
	}
	return s.sealText(ctx, c, string(raw))
}

// chosenWords reads what sealChosen wrote; a value that is gone is told as it
// comes.
func chosenWords(raw string) string {
	var by chosenBy
	if json.Unmarshal([]byte(raw), &by) != nil {
		return raw
	}
	return by.words()
}
