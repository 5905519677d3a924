package web

import (
	"errors"
	"math/rand/v2"
	"net/http"
	"net/url"
	"strings"

	"airwarrant/qualify/casework"
	"airwarrant/rules"
)

// newPage is the form that opens a case.
type newPage struct {
	Payers []payerLine
	Form   url.Values
	Errors map[string]string
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

// Once is drawn anew for each blank form, and tells a form that is sent twice
// (a double click, or after going back) from a second case of one patient.
func (p newPage) Once() string { return p.value("once") }

func (s *Site) payers(chosen string) []payerLine {
	var out []payerLine
	for _, r := range s.cfg.Library.Regions() {
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
	s.render(w, q, http.StatusOK, "new", page{Title: "New case", Body: newPage{Payers: s.payers(""), Form: url.Values{"once": {once}}}})
	return nil
}

func (s *Site) openCase(w http.ResponseWriter, q *request) error {
	region, p, faults := s.readNewCase(q.PostForm)
	if len(faults) > 0 {
		s.render(w, q, http.StatusUnprocessableEntity, "new", page{Title: "New case", Body: newPage{Payers: s.payers(region), Form: q.PostForm, Errors: faults}})
		return nil
	}
	st := s.stamp(q.visit.Who, casework.RoleIntake)
	numbers := s.cfg.Random
	if once := q.PostForm.Get("once"); once != "" {
		seed := s.sign("once", strings.Join([]string{once, st.By, region, p.Name, p.Birth.String(), p.Identifier}, "\x00"))
		numbers = rand.NewChaCha8([32]byte(seed))
	}
	c, err := s.newFile(q.Context(), st, region, p, numbers)
	if err != nil && !errors.Is(err, casework.ErrHead) {
		return err
	}
	if err := s.settle(q.Context(), c.Number); err != nil {
		return err
	}
	seeOther(w, "/cases/"+c.Number)
	return nil
}

func (s *Site) readNewCase(form url.Values) (region string, p patient, faults map[string]string) {
	faults = map[string]string{}
	region = typed(form, "payer")
	if r, err := s.cfg.Library.Region(region); err != nil || r.Hidden {
		faults["payer"] = "Expected one of the payers listed; found none. Choose whose criteria the case is judged by."
		region = ""
	}
	p.Name = typed(form, "name")
	if p.Name == "" || len(p.Name) > textLimit {
		faults["name"] = "Expected the patient's name as the payer has it; found none, or more than 400 letters. Type it."
	}
	var err error
	if p.Birth, err = rules.ParseDate(typed(form, "birth")); err != nil {
		faults["birth"] = sentence(err)
	}
	p.Identifier = typed(form, "identifier")
	if len(p.Identifier) > textLimit {
		faults["identifier"] = "Expected at most 400 letters; found more. Shorten it."
	}
	return region, p, faults
}
