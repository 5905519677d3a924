package web

import (
	"net/http"
	"strings"

	"airwarrant/rules"
)

// rulebookPage lists the payers and their versions.
type rulebookPage struct{ Regions []regionLines }

type regionLines struct {
	Region   rules.Region
	Versions []versionLine
}

type versionLine struct {
	Address, From, Until, Known, Title string
	Withdrawn                          bool
}

func (s *Site) rulebook(w http.ResponseWriter, q *request) error {
	var body rulebookPage
	for _, r := range s.cfg.Library.Regions() {
		if r.Hidden {
			continue
		}
		lines := regionLines{Region: r}
		for _, p := range s.cfg.Library.History(r.Region) {
			l := versionLine{Address: "/rules/" + r.Region + "/" + p.EffectiveFrom.String(), From: p.EffectiveFrom.String(),
				Known: p.KnownSince.String(), Title: p.Title, Withdrawn: p.Withdrawn, Until: "open"}
			if p.Until != nil {
				l.Until = p.Until.String()
			}
			lines.Versions = append([]versionLine{l}, lines.Versions...)
		}
		body.Regions = append(body.Regions, lines)
	}
	s.render(w, q, http.StatusOK, "rulebook", page{Title: "Criteria", Body: body})
	return nil
}

// rulePageBody is one version in plain words.
type rulePageBody struct {
	Pack    *rules.Pack
	Until   string
	Custody *clause // under which the supplier is barred; nil: always, or never
	Accepts []string
	Cites   []string // of custody
	Root    clause
	OnFile  []clause
	Allows  []consequence
	Follow  []consequence
}

// clause is one node in plain words.
type clause struct {
	ID, Label, Asks   string
	Gate              []clause // when it applies
	Cites             []string
	Status            string
	Ours              bool
	Note, Disposition string
	Parts             []clause
}

type consequence struct {
	Text, When, Status string
	Cites              []string
}

func (s *Site) rulePage(w http.ResponseWriter, q *request) error {
	d, err := rules.ParseDate(q.PathValue("version"))
	if err != nil {
		return errNoPage
	}
	p, err := s.cfg.Library.At(q.PathValue("region"), d)
	if err != nil {
		return err
	}
	b := rulePageBody{Pack: p, Until: "open"}
	if p.Until != nil {
		b.Until = p.Until.String()
	}
	if p.Criteria != nil {
		b.Root = clauseOf(p, p.Criteria)
	}
	if p.Custody != nil {
		if p.Custody.When != nil {
			c := clauseOf(p, p.Custody.When)
			b.Custody = &c
		}
		for _, a := range p.Custody.Accepts {
			b.Accepts = append(b.Accepts, wordFor("custody", a))
		}
		b.Cites = citesOf(p, p.Custody.Cite)
	}
	for _, it := range p.OnFile {
		b.OnFile = append(b.OnFile, clause{ID: it.ID, Label: it.Item, Cites: citesOf(p, it.Cite)})
	}
	b.Allows, b.Follow = consequencesOf(p, p.Allows), consequencesOf(p, p.FollowUp)
	s.render(w, q, http.StatusOK, "rule", page{Title: p.Region.Name + ", in force from " + p.EffectiveFrom.String(), Body: b})
	return nil
}

func clauseOf(p *rules.Pack, n *rules.Node) clause {
	c := clause{ID: n.ID, Label: n.Label, Asks: rules.Describe(n), Cites: citesOf(p, n.Cite), Status: string(n.Status),
		Ours: n.Reading == "ours", Note: n.Note, Disposition: strings.ReplaceAll(n.Disposition, "_", " ")}
	if n.AppliesWhen != nil {
		c.Gate = []clause{clauseOf(p, n.AppliesWhen)}
	}
	for _, part := range n.Children() {
		c.Parts = append(c.Parts, clauseOf(p, part))
	}
	return c
}

func consequencesOf(p *rules.Pack, list []rules.Consequence) []consequence {
	var out []consequence
	for _, x := range list {
		when := x.When + " is met"
		if x.Unless != "" {
			when += " and " + x.Unless + " is not"
		}
		out = append(out, consequence{Text: x.Text, When: when, Status: string(x.Status), Cites: citesOf(p, x.Cite)})
	}
	return out
}
