package web

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"

	"airwarrant/qualify/criteria"
	"airwarrant/qualify/editions"
	"airwarrant/rules"
)

// confirmations returns every record. Records that were changed, removed or
// moved behind the program's back give errConfirmations.
func (s *Site) confirmations(ctx context.Context) ([]criteria.Confirmation, error) {
	file, err := editions.ConfirmationFile(ctx, s.cfg.Store)
	if err != nil {
		return nil, err
	}
	list, err := criteria.ParseConfirmations(file, "confirmations.yaml")
	if err != nil {
		return nil, errConfirmations
	}
	return list, nil
}

// confirmed returns the confirmations that hold for the criteria in use, by
// the SHA-256 of their pack. Where the records do not fit together none counts,
// so that drafts decide nothing.
func (s *Site) confirmed(ctx context.Context) (map[string]criteria.Confirmations, error) {
	list, err := s.confirmations(ctx)
	if err != nil {
		if errors.Is(err, errConfirmations) {
			s.cfg.Log.ErrorContext(ctx, "the records of confirmed drafts do not fit together; none counts")
			return nil, nil
		}
		return nil, err
	}
	return criteria.Holding(list, s.lib), nil
}

// draft is a part of a pack that is from memory, and who confirmed it.
type draft struct {
	rules.DraftText
	Cites     []string
	Confirmed string
	// What was typed, and what was wrong with it.
	By, Edition, Say string
}

// draftsOf lists the drafts of a pack.
func (s *Site) draftsOf(ctx context.Context, p *rules.Pack) ([]draft, error) {
	conf, err := s.confirmed(ctx)
	if err != nil {
		return nil, err
	}
	var out []draft
	for _, t := range p.Drafts() {
		d := draft{DraftText: t, Cites: citesOf(p, t.Cite)}
		if c, ok := conf[p.SHA256][t.ID]; ok {
			d.Confirmed = c.String()
		}
		out = append(out, d)
	}
	return out, nil
}

// confirmDraft records that the maintainer has read a draft in its document.
// The copy that was read is kept as the private copy of its document.
func (s *Site) confirmDraft(w http.ResponseWriter, q *request) error {
	p, err := s.versionOf(q)
	if err != nil {
		return err
	}
	in, err := s.receive(q)
	if err != nil && !errors.Is(err, errNoFile) {
		return err
	}
	refuse := func(say string) error {
		return s.showRule(w, q, http.StatusUnprocessableEntity, p, func(d *draft) {
			if d.ID == typed(in.form, "clause") {
				d.By, d.Edition, d.Say = typed(in.form, "by"), typed(in.form, "edition"), say
			}
		})
	}
	switch {
	case err != nil:
		return refuse("Expected the copy of the document that you read; found no file, or an empty one. Choose it and confirm again. Nothing was stored.")
	case typed(in.form, "by") == "" || typed(in.form, "edition") == "":
		return refuse("Expected your name and the edition that you read; one is missing. Fill it in and choose the copy again. Nothing was stored.")
	case len(typed(in.form, "by")) > nameLimit || len(typed(in.form, "edition")) > nameLimit:
		return refuse("Expected at most 80 letters each for the name and the edition; found more. Shorten them and choose the copy again. Nothing was stored.")
	}
	sum := sha256.Sum256(in.data)
	c := criteria.Confirmation{Region: p.Region.Region, Version: p.EffectiveFrom, PackSHA256: p.SHA256, Clause: typed(in.form, "clause"),
		By: typed(in.form, "by"), On: s.today(), Edition: typed(in.form, "edition"), DocumentSHA256: hex.EncodeToString(sum[:])}
	if !c.Holds(s.lib) {
		return errNoPage // a clause that is no draft: no form of this page asks for it
	}
	// One at a time: a record is sealed behind the one before it.
	s.confirming.Lock()
	defer s.confirming.Unlock()
	list, err := s.confirmations(q.Context())
	if err != nil {
		return err
	}
	previous := ""
	if len(list) > 0 {
		previous = list[len(list)-1].Seal
	}
	c.Seal = criteria.SealOf(previous, c)
	if err := s.cfg.Store.PutNote(q.Context(), editions.ConfirmationNotes, fmt.Sprintf("%08d", len(list)+1), []byte(c.YAML())); err != nil {
		return err
	}
	if err := s.keepCopy(q, p, c.Clause, in.data); err != nil {
		return err
	}
	seeOther(w, "/rules/"+p.Region.Region+"/"+p.EffectiveFrom.String()+"#drafts")
	return nil
}

// confirmationsFile gives all confirmations to whoever runs the command line.
func (s *Site) confirmationsFile(w http.ResponseWriter, q *request) error {
	file, err := editions.ConfirmationFile(q.Context(), s.cfg.Store)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Disposition", `attachment; filename="confirmations.yaml"`)
	send(w, http.StatusOK, "text/yaml; charset=utf-8", file)
	return nil
}
