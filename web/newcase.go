package web

import (
	"errors"
	"net/http"
	"net/url"

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
	s.render(w, q, http.StatusOK, "new", page{Title: "New case", Body: newPage{Payers: s.payers("")}})
	return nil
}

func (s *Site) openCase(w http.ResponseWriter, q *request) error {
	region, p, faults := s.readNewCase(q.PostForm)
	if len(faults) > 0 {
		s.render(w, q, http.StatusUnprocessableEntity, "new", page{Title: "New case", Body: newPage{Payers: s.payers(region), Form: q.PostForm, Errors: faults}})
		return nil
	}
	st := s.stamp(q.visit.Who, casework.RoleIntake)
	c, err := s.newFile(q.Context(), st, region, p)
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
