package web

import (
	"net/http"
	"strings"

	"airwarrant/qualify/worksheet"
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
	Retired                            string // day from which it counts no longer in this house, "" if it counts
}

func (s *Site) rulebook(w http.ResponseWriter, q *request) error {
	var body rulebookPage
	for _, r := range s.lib.Regions() {
		if r.Hidden {
			continue
		}
		lines := regionLines{Region: r}
		for _, p := range s.lib.History(r.Region) {
			l := versionLine{Address: "/rules/" + r.Region + "/" + p.EffectiveFrom.String(), From: p.EffectiveFrom.String(),
				Known: p.KnownSince.String(), Title: p.Title, Withdrawn: p.Withdrawn, Until: "open"}
			if p.Until != nil {
				l.Until = p.Until.String()
			}
			lines.Versions = append([]versionLine{l}, lines.Versions...)
		}
		for _, p := range s.lib.Retired(r.Region) {
			lines.Versions = append(lines.Versions, versionLine{From: p.EffectiveFrom.String(), Known: p.KnownSince.String(), Title: p.Title, Retired: p.KnownUntil.String(), Until: "–"})
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
	For     *clause // who the version is for; nil: everybody
	Custody *clause // under which the supplier is barred; nil: always, or never
	Accepts []string
	Cites   []string // of custody
	Root    clause
	Defers  []clause // where another set of criteria decides
	Waives  []override
	Expires string // last day of the edition, "" if it has none
	OnFile  []clause
	Allows  []consequence
	Follow  []consequence
	Prompts []consequence
	Choose  *consequence // which of several tests decides, nil where the version does not say
	Drafts  []draft
	// Withdrawal is the form by which a maintainer asks for it.
	Withdrawal withdrawalForm
}

// override is a waiver for a time.
type override struct {
	Text, From, Until, Status string
	Waives                    []string
	Cites                     []string
}

// clause is one node in plain words.
type clause struct {
	ID, Label, Asks   string
	Gate              []clause // when it applies
	Cites             []string
	Status            string
	Ours              bool
	Note, Disposition string
	Recommended       string // strength of a recommendation and grade of its evidence
	Dates             string // of tests to which it applies
	Parts             []clause
}

type consequence struct {
	About, Text, When, Status string
	Cites                     []string
}

func (s *Site) rulePage(w http.ResponseWriter, q *request) error {
	p, err := s.versionOf(q)
	if err != nil {
		return err
	}
	return s.showRule(w, q, http.StatusOK, p, func(*draft) {})
}

// versionOf is the version that the address names.
func (s *Site) versionOf(q *request) (*rules.Pack, error) {
	d, err := rules.ParseDate(q.PathValue("version"))
	if err != nil {
		return nil, errNoPage
	}
	return s.lib.At(q.PathValue("region"), d)
}

// showRule shows a version; amend puts back into the form of a draft what was
// typed there.
func (s *Site) showRule(w http.ResponseWriter, q *request, status int, p *rules.Pack, amend func(*draft)) error {
	return s.showRuleWith(w, q, status, p, amend, withdrawalForm{})
}

// showRuleWith is showRule with what was typed to withdraw the version.
func (s *Site) showRuleWith(w http.ResponseWriter, q *request, status int, p *rules.Pack, amend func(*draft), withdrawal withdrawalForm) error {
	b := s.wordsOf(p)
	b.Withdrawal = withdrawal
	var err error
	if b.Drafts, err = s.draftsOf(q.Context(), p); err != nil {
		return err
	}
	for i := range b.Drafts {
		b.Drafts[i].By = q.visit.Who
		amend(&b.Drafts[i])
	}
	s.render(w, q, status, "rule", page{Title: p.Region.Name + ", in force from " + p.EffectiveFrom.String(), Body: b})
	return nil
}

// wordsOf is a version in plain words, without what was confirmed of it.
func (s *Site) wordsOf(p *rules.Pack) rulePageBody {
	b := rulePageBody{Pack: p, Until: "open"}
	if p.Until != nil {
		b.Until = p.Until.String()
	}
	if p.Criteria != nil {
		b.Root = clauseOf(p, p.Criteria)
	}
	if p.Population != nil {
		c := clauseOf(p, p.Population)
		b.For = &c
	}
	for _, d := range p.DeferTo {
		c := clause{ID: d.ID, Label: d.Text, Status: string(d.Status), Cites: citesOf(p, d.Cite)}
		if d.When != nil {
			c.Gate = []clause{clauseOf(p, d.When)}
		}
		b.Defers = append(b.Defers, c)
	}
	for _, o := range p.Overrides {
		b.Waives = append(b.Waives, override{Text: o.Text, From: o.From.String(), Until: orOpen(o.Until), Status: string(o.Status), Waives: o.Waives, Cites: citesOf(p, o.Cite)})
	}
	b.Expires = p.Expires.String()
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
	for _, x := range p.Prompts {
		c := consequence{Text: x.Text, When: "always", Status: string(x.Status), Cites: citesOf(p, x.Cite)}
		if x.If != nil {
			c.When = "when " + rules.DescribeWhole(x.If)
		}
		b.Prompts = append(b.Prompts, c)
	}
	if c := p.Choose; c != nil {
		b.Choose = &consequence{Text: c.Describe() + ".", When: strings.Trim(map[string]string{"ours": "our reading"}[c.Reading]+". "+c.Note, ". "), Status: string(c.Status), Cites: citesOf(p, c.Cite)}
	}
	return b
}

func clauseOf(p *rules.Pack, n *rules.Node) clause {
	c := clause{ID: n.ID, Label: n.Label, Asks: rules.Describe(n), Cites: citesOf(p, n.Cite), Status: string(n.Status),
		Ours: n.Reading == "ours", Note: n.Note, Disposition: strings.ReplaceAll(n.Disposition, "_", " ")}
	if n.Strength != "" {
		c.Recommended = n.Strength + " recommendation"
	}
	if n.Grade != "" {
		c.Recommended = strings.TrimPrefix(c.Recommended+", "+n.Grade, ", ")
	}
	if !n.Since.IsZero() || !n.Until.IsZero() {
		c.Dates = "tests of " + orOpen(n.Since) + " to " + orOpen(n.Until)
	}
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
		out = append(out, consequence{About: worksheet.KindWords(x.Kind), Text: x.Text, When: "when " + x.Condition(), Status: string(x.Status), Cites: citesOf(p, x.Cite)})
	}
	return out
}

// orOpen prints a day, or that the end is open.
func orOpen(d rules.Date) string {
	if d.IsZero() {
		return "open"
	}
	return d.String()
}
