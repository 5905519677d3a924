package criteria

import (
	"slices"
	"strings"

	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// Patient is what is stated of one for the choice of criteria. Everything may
// be left out.
type Patient struct {
	Country     string // two letters of ISO 3166-1, or Elsewhere
	Subdivision string // code of ISO 3166-2
	// Payers are words of the plans that the patient has (rules.Library.Payers),
	// or OtherPayer; none: nobody has said.
	Payers []string
	Birth  rules.Date
	On     rules.Date // day for which criteria are looked for: of the test, or today
}

// OtherPayer is the word for a plan for which no criteria are held.
const OtherPayer = "other"

// Elsewhere is the word for a country that no criteria name.
const Elsewhere = "elsewhere"

// PatientError is a statement about a patient that can't be right.
type PatientError struct {
	Field string // country, subdivision, payer, birth
	why   wording.Text
}

// Error says which statement, and what is wrong with it.
func (e *PatientError) Error() string { return e.Field + ": " + e.why.String() }

// Said is what is wrong, without the field, in its parts.
func (e *PatientError) Said() wording.Text { return e.why }

// Standing is whether criteria apply to a patient.
type Standing string

// The three answers.
const (
	Applies    Standing = "applies"
	MayApply   Standing = "may_apply" // hangs on what is not stated, or stands from memory alone
	AppliesNot Standing = "does_not_apply"
)

// Candidate is one set of criteria, and whether it applies to a patient.
type Candidate struct {
	Region    string       `json:"criteria"`
	Name      string       `json:"name"`
	Version   string       `json:"version"` // in force on the day, "" if none is
	Says      Standing     `json:"says"`
	Guideline bool         `json:"guideline"` // it recommends, and decides nothing on payment
	Because   []string     `json:"because"`   // sentences of the criteria, never empty
	Source    string       `json:"source"`    // where it stands who comes under them
	Status    rules.Status `json:"status"`
	Ask       []string     `json:"ask"` // country, subdivision, payer, or names of facts; never null
}

// Choice is what the statements about a patient say of all criteria.
type Choice struct {
	// Region is the one set of a payer that applies while no other may; ""
	// where none or several do: then somebody has to choose, and nothing is
	// guessed.
	Region     string      `json:"criteria"`
	Sets       []Candidate `json:"sets"`       // of payers, those that apply first
	Guidelines []Candidate `json:"guidelines"` // in the same order
	// Reason is why there is one, none or several: a word of ReasonWords.
	Reason string `json:"reason"`
	// Ask is what settles it, in the order in which to ask, never null.
	Ask []string `json:"ask"`
	// Between are sentences of criteria that apply, on which of them comes first.
	Between []string `json:"between"`
}

// Reasons of a Choice.
const (
	ReasonOne     = "one"
	ReasonSeveral = "several"
	ReasonOpen    = "open"
	ReasonNone    = "none"
)

// ReasonWords says each reason, and what to do, in a sentence.
var ReasonWords = map[string]string{
	ReasonOne:     "One set of a payer's criteria applies.",
	ReasonSeveral: "More than one set of a payer's criteria applies. Nothing is chosen: ask which plan pays first, and choose its criteria.",
	ReasonOpen:    "What is stated does not say which criteria apply. Nothing is chosen: state what is asked below, or choose by hand.",
	ReasonNone:    "No payer's criteria that are held here apply. Nothing is chosen: ask the payer for its written criteria. A guideline recommends, and decides nothing on payment.",
}

// ForPatient tells which criteria of a library apply to a patient, with the
// reason for each: where the patient lives, who pays, and whether the population
// of the version in force on the day holds the patient. Hidden regions are left
// out. The error is a *PatientError.
func ForPatient(lib *rules.Library, p Patient) (Choice, error) {
	c := Choice{Sets: []Candidate{}, Guidelines: []Candidate{}, Ask: []string{}, Between: []string{}}
	if err := p.check(lib); err != nil {
		return c, err
	}
	for _, r := range lib.Regions() {
		if r.Hidden {
			continue
		}
		if k := p.candidate(lib, r); k.Guideline {
			c.Guidelines = append(c.Guidelines, k)
		} else {
			c.Sets = append(c.Sets, k)
		}
	}
	order := []Standing{Applies, MayApply, AppliesNot}
	for _, list := range [][]Candidate{c.Sets, c.Guidelines} {
		slices.SortStableFunc(list, func(a, b Candidate) int { return slices.Index(order, a.Says) - slices.Index(order, b.Says) })
	}
	in := map[Standing][]Candidate{}
	for _, k := range c.Sets {
		in[k.Says] = append(in[k.Says], k)
	}
	switch {
	case len(in[Applies]) == 1 && len(in[MayApply]) == 0:
		c.Reason, c.Region = ReasonOne, in[Applies][0].Region
	case len(in[Applies]) > 1:
		c.Reason, c.Between = ReasonSeveral, precedence(lib, p.On, in[Applies])
	case len(in[Applies])+len(in[MayApply]) > 0:
		c.Reason = ReasonOpen
	default:
		c.Reason = ReasonNone
	}
	for _, first := range []string{"country", "subdivision", "payer"} {
		if slices.ContainsFunc(in[MayApply], func(k Candidate) bool { return slices.Contains(k.Ask, first) }) {
			c.Ask = append(c.Ask, first)
		}
	}
	for _, k := range in[MayApply] {
		for _, a := range k.Ask {
			if !slices.Contains(c.Ask, a) {
				c.Ask = append(c.Ask, a)
			}
		}
	}
	return c, nil
}

func (p *Patient) check(lib *rules.Library) error {
	for field, code := range map[string]string{"country": p.Country, "subdivision": p.Subdivision} {
		if code == "" || field == "country" && code == Elsewhere {
			continue
		}
		if err := rules.CheckPlace(code); err != nil {
			return &PatientError{field, wording.Of(err)}
		}
	}
	switch {
	case p.Country != rules.CountryOf(p.Country):
		return &PatientError{"country", said("expected %s; found %s; %s", said("the two letters of a country"), said("the subdivision %s", p.Country), said("state it as the subdivision"))}
	case p.Subdivision != "" && p.Subdivision == rules.CountryOf(p.Subdivision):
		return &PatientError{"subdivision", said("expected %s; found %s; %s", said("a subdivision such as US-NC"), said("the country %s", p.Subdivision), said("leave it out if it is not known"))}
	case p.Country != "" && p.Subdivision != "" && rules.CountryOf(p.Subdivision) != p.Country:
		return &PatientError{"subdivision", said("expected %s; found %s; %s", said("a subdivision of %s", p.Country), literal(p.Subdivision), said("mend one of the two"))}
	case p.Country == "":
		p.Country = rules.CountryOf(p.Subdivision)
	}
	words := []string{}
	for _, w := range lib.Payers() {
		words = append(words, w.Word)
	}
	for _, w := range p.Payers {
		if w != OtherPayer && !slices.Contains(words, w) {
			return &PatientError{"payer", said("expected %s; found %s; %s", said("one of %s, %s", strings.Join(words, ", "), OtherPayer), wording.Literal(w).Quoted(), said("choose one"))}
		}
	}
	if !p.Birth.IsZero() && !p.On.IsZero() && p.On.Before(p.Birth) {
		return &PatientError{"birth", said("expected %s; found %s; %s", said("a day up to %s", p.On), wording.Joined("%s", p.Birth), said("check the date"))}
	}
	return nil
}

// candidate tells whether one region's criteria apply.
func (p *Patient) candidate(lib *rules.Library, r rules.Region) Candidate {
	c := Candidate{Region: r.Region, Name: r.Name, Guideline: r.Guideline(), Says: AppliesNot, Ask: []string{}}
	rank := map[Standing]int{AppliesNot: 0, MayApply: 1, Applies: 2}
	for _, a := range r.Applies {
		says, because, ask := p.under(a)
		if rank[says] > rank[c.Says] || len(c.Because) == 0 {
			c.Says, c.Because, c.Ask, c.Source, c.Status = says, []string{because}, ask, a.Source, a.Status
		}
	}
	if len(r.Applies) == 0 {
		c.Says, c.Because, c.Status = MayApply, []string{"The criteria do not say who comes under them: " + r.Scope}, rules.Draft
	}
	v, err := lib.InForce(r.Region, p.On)
	if err != nil {
		c.Says, c.Ask = AppliesNot, []string{}
		c.Because = append(c.Because, "No version is in force on "+p.On.String()+".")
		return c
	}
	c.Version = v.EffectiveFrom.String()
	if v.Population == nil || c.Says == AppliesNot {
		return c
	}
	e := newEvaluation(v, v.Population, Facts{Named: p.facts()}, true, nil)
	defer e.release()
	who := rules.DescribeWhole(v.Population)
	switch e.valueOf(v.Population) {
	case value(vMet):
		c.Because = append(c.Because, "They are for patients of whom this holds, and it does: "+who+".")
	case value(vNotMet):
		c.Says, c.Ask = AppliesNot, []string{}
		c.Because = append(c.Because, "They are for patients of whom this holds, and it does not: "+who+". For others: "+strings.TrimSuffix(v.OtherwiseSee, ".")+".")
	default:
		c.Says = MayApply
		c.Because = append(c.Because, "They are for patients of whom this holds, and it is not known yet: "+who+".")
		for _, n := range e.settles(v.Population) {
			if !slices.Contains(c.Ask, n.Fact) {
				c.Ask = append(c.Ask, n.Fact)
			}
		}
	}
	return c
}

func (p *Patient) facts() map[string]Fact {
	f := map[string]Fact{}
	for name, d := range map[string]rules.Date{"birth_date": p.Birth, "test_date": p.On} {
		if !d.IsZero() {
			f[name] = Fact{Name: name, State: Stated, Value: Value{Date: d}}
		}
	}
	return f
}

// under tells whether the patient comes under criteria by one of the ways that
// they name.
func (p *Patient) under(a rules.Applies) (says Standing, because string, ask []string) {
	ask = []string{}
	where := Applies
	if len(a.Places) > 0 {
		where = AppliesNot
		for _, code := range a.Places {
			switch {
			case p.Subdivision == code || p.Country == code:
				where = Applies
			case where == AppliesNot && (p.Country == "" || p.Subdivision == "" && p.Country == rules.CountryOf(code)):
				where = MayApply
			}
		}
	}
	if where == AppliesNot {
		return AppliesNot, "They are for " + places(a.Places) + ", and the patient lives in " + p.lives() + ".", ask
	}
	pays := AppliesNot
	switch {
	case a.Payer == "" || slices.Contains(p.Payers, a.Payer):
		pays = Applies
	case len(p.Payers) == 0:
		pays = MayApply
	}
	if pays == AppliesNot {
		return AppliesNot, "They are those of the plan “" + a.Program + "”, which is not stated as the patient's.", ask
	}
	if where == MayApply {
		ask = append(ask, map[bool]string{true: "country", false: "subdivision"}[p.Country == ""])
	}
	if pays == MayApply {
		ask = append(ask, "payer")
	}
	switch {
	case len(ask) > 0:
		return MayApply, "If this holds, they apply: " + a.Text + " They are for " + places(a.Places) + ".", ask
	case a.Status == rules.Draft:
		return MayApply, a.Text + " That this is so stands from memory alone: check it with the payer.", ask
	}
	return Applies, a.Text, ask
}

// lives is the nearest place that is stated.
func (p *Patient) lives() string {
	switch {
	case p.Subdivision != "":
		return rules.PlaceName(p.Subdivision)
	case p.Country == Elsewhere:
		return "another country"
	}
	return rules.PlaceName(p.Country)
}

func places(codes []string) string {
	names := make([]string, len(codes))
	for i, c := range codes {
		names[i] = rules.PlaceName(c)
	}
	if len(names) == 0 {
		return "every country"
	}
	return strings.Join(names, ", ")
}

// precedence collects what sets that apply say of each other.
func precedence(lib *rules.Library, on rules.Date, sets []Candidate) []string {
	out := []string{}
	for _, k := range sets {
		v, err := lib.InForce(k.Region, on)
		if err != nil {
			continue
		}
		for _, d := range v.DeferTo {
			if !slices.ContainsFunc(sets, func(o Candidate) bool { return o.Region == d.Region }) {
				continue
			}
			say := k.Name + ": " + d.Text
			if d.Status == rules.Draft {
				say += " (from memory)"
			}
			out = append(out, say)
		}
	}
	return out
}
