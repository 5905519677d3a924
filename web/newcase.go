package web

import (
	"errors"
	"maps"
	"math/rand/v2"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// newPage is the form that opens a case.
type newPage struct {
	Payers []payerLine
	Form   url.Values
	Errors map[string]string
	Places []placeGroup
	Plans  []planLine
	// Asked is whether the page says which criteria apply; Choice, Open and Shut
	// are what it says.
	Asked      bool
	Choice     criteria.Choice
	Reason     string
	Asks       []string
	Open, Shut []setsPart
	// AskWhy asks for a word on why the criteria that were chosen are, although
	// others apply or these do not.
	AskWhy bool
}

type payerLine struct {
	Region rules.Region
	On     bool
}

func (p newPage) value(key string) string { return p.Form.Get(key) }

// Name, Birth and Identifier are what was typed, so that none of it is lost.
func (p newPage) Name() string { return p.value("name") }

// Birth is the birth date as typed.
func (p newPage) Birth() string { return p.value("birth") }

// Identifier is the identifier as typed.
func (p newPage) Identifier() string { return p.value("identifier") }

// Place is the code of the place chosen.
func (p newPage) Place() string { return p.value("place") }

// Other is whether a plan is ticked for which no criteria are held.
func (p newPage) Other() bool { return slices.Contains(p.Form["plan"], criteria.OtherPayer) }

// Why is the word on why the criteria are chosen all the same.
func (p newPage) Why() string { return p.value("why") }

// Once is drawn anew for each blank form, and tells a form that is sent twice
// (a double click, or after going back) from a second case of one patient.
func (p newPage) Once() string { return p.value("once") }

func (s *Site) payers(chosen string) []payerLine {
	var out []payerLine
	for _, r := range s.lib.Regions() {
		if !r.Hidden {
			out = append(out, payerLine{r, r.Region == chosen})
		}
	}
	return out
}

func (s *Site) newCase(w http.ResponseWriter, q *request) error {
	once, err := s.secret(16)
	if err != nil {
		return err
	}
	s.showNew(w, q, http.StatusOK, newPage{Form: url.Values{"once": {once}, "payer": {s.cfg.Region}}})
	return nil
}

// showNew shows the form with what was typed into it.
func (s *Site) showNew(w http.ResponseWriter, q *request, status int, b newPage) {
	b.Payers, b.Places, b.Plans = s.payers(typed(b.Form, "payer")), s.placeGroups(), s.planLines(b.Form["plan"])
	if b.Asked {
		b.Reason = criteria.ReasonWords[b.Choice.Reason]
		for _, a := range b.Choice.Ask {
			b.Asks = append(b.Asks, askWords(a))
		}
		b.Open, b.Shut = s.partsOf(b.Choice, typed(b.Form, "payer"))
	}
	s.render(w, q, status, "new", page{Title: "New case", Body: b})
}

// askWords says what settles which criteria apply.
func askWords(a string) string {
	switch a {
	case "country":
		return "In which country does the patient live?"
	case "subdivision":
		return "In which state, province or other part of the country does the patient live?"
	case "payer":
		return "Which plan pays?"
	}
	if def, ok := rules.Lookup(a); ok && def.Question != "" {
		return def.Question
	}
	return rules.PlainWord(a)
}

func (s *Site) openCase(w http.ResponseWriter, q *request) error {
	region, p, faults := s.readNewCase(q.PostForm, q.fault)
	choice, by := s.choiceFor(q.PostForm, p.Birth, faults, q.fault)
	if q.PostForm.Get("which") != "" {
		// Which criteria apply can be asked before anything else is typed.
		for _, field := range []string{"payer", "name", "identifier"} {
			delete(faults, field)
		}
		if typed(q.PostForm, "birth") == "" {
			delete(faults, "birth")
		}
		status := http.StatusOK
		if len(faults) > 0 {
			status = http.StatusUnprocessableEntity
		}
		// What was marked before is no answer to what is asked now.
		form := maps.Clone(q.PostForm)
		form.Set("payer", choice.Region)
		s.showNew(w, q, status, newPage{Form: form, Errors: faults, Asked: len(faults) == 0, Choice: choice})
		return nil
	}
	var ask bool
	by.Region = region
	by.Says, ask = needsWhy(choice, region)
	if ask {
		switch by.Why = typed(q.PostForm, "why"); {
		case by.Why == "":
			faults["why"] = "Expected a word on why these criteria are chosen, although by what is stated others apply or these do not; found none. Say why, or choose those that apply."
		case len(by.Why) > textLimit:
			faults["why"] = "Expected at most 400 letters; found more. Shorten it."
		}
	}
	if len(faults) > 0 {
		s.showNew(w, q, http.StatusUnprocessableEntity, newPage{Form: q.PostForm, Errors: faults, Asked: faults["place"]+faults["plan"] == "" && !by.empty() || ask, Choice: choice, AskWhy: ask})
		return nil
	}
	st := s.stamp(q.visit.Who, casework.RoleIntake)
	numbers := s.cfg.Random
	if once := q.PostForm.Get("once"); once != "" {
		seed := s.sign("once", strings.Join([]string{once, st.By, region, p.Name, p.Birth.String(), p.Identifier}, "\x00"))
		numbers = rand.NewChaCha8([32]byte(seed))
	}
	c, err := s.newFile(q.Context(), st, by, p, numbers)
	if err != nil && !errors.Is(err, casework.ErrHead) {
		return err
	}
	if err := s.settle(q.Context(), c.Number); err != nil {
		return err
	}
	seeOther(w, "/cases/"+c.Number)
	return nil
}

func (s *Site) readNewCase(form url.Values, fault func(error) string) (region string, p patient, faults map[string]string) {
	faults = map[string]string{}
	region = typed(form, "payer")
	if r, err := s.lib.Region(region); err != nil || r.Hidden {
		faults["payer"] = "Expected one of the payers listed; found none. Choose whose criteria the case is judged by."
		region = ""
	}
	p.Name = typed(form, "name")
	if p.Name == "" || len(p.Name) > textLimit {
		faults["name"] = "Expected the patient's name as the payer has it; found none, or more than 400 letters. Type it."
	}
	if fault := oddLetters(p.Name); faults["name"] == "" && fault != "" {
		faults["name"] = fault
	} else if faults["name"] == "" && !strings.ContainsFunc(p.Name, unicode.IsLetter) {
		faults["name"] = "Expected a name with at least one letter; found none. Type it as the payer has it."
	}
	var err error
	if p.Birth, err = rules.ParseDate(typed(form, "birth")); err != nil {
		faults["birth"] = fault(err)
	} else if s.today().AddDays(1).Before(p.Birth) { // where the patient lives the next day may have begun
		faults["birth"] = "Expected a birth date that has come; found one in the future. Compare it with the order and correct it."
	} else if p.Birth.Year < s.today().Year-oldest {
		faults["birth"] = "Expected a birth date of the last 130 years; found an earlier one. Compare it with the order and correct it."
	}
	p.Identifier = typed(form, "identifier")
	if len(p.Identifier) > textLimit {
		faults["identifier"] = "Expected at most 400 letters; found more. Shorten it."
	} else if fault := oddLetters(p.Identifier); fault != "" {
		faults["identifier"] = fault
	}
	return region, p, faults
}

// oldest is how many years a patient may count at most (our choice, some years
// above the greatest age on record, 122, from memory).
const oldest = 130

// oddLetters says what is wrong with a text that holds what nobody can see: signs
// that control a machine, or that turn the letters after them around, so that
// another name or birth date seems to stand there (Unicode Standard Annex 9,
// section 2: embeddings, overrides and isolates). "" if nothing is.
func oddLetters(s string) string {
	for _, r := range s {
		if unicode.IsControl(r) || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 || r == utf8.RuneError {
			return "Expected letters that can be seen; found a sign that cannot be, such as one that turns the writing around. Type it by hand."
		}
	}
	return ""
}
