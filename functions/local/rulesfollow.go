package main

import (
	"cmp"
	"fmt"
	"io"
	"strings"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// shownFollow is what follows from a case that qualifies, or a prompt.
type shownFollow struct {
	Kind   string       `json:"kind,omitempty"`
	When   string       `json:"when"`
	Text   string       `json:"text"`
	Cites  []string     `json:"cites"`
	Status rules.Status `json:"status"`
}

// shownFollows is the part of a pack that decides nothing: what it allows,
// what falls due, what to document, and which of several tests decides.
type shownFollows struct {
	Allows   []shownFollow `json:"allows"`
	FollowUp []shownFollow `json:"follow_up"`
	Prompts  []shownFollow `json:"prompts"`
	Choose   *shownFollow  `json:"choose"`
}

func followsOf(p *rules.Pack) shownFollows {
	cites := func(keys []string) []string {
		out := []string{}
		for _, k := range keys {
			out = append(out, criteria.CiteText(p, k))
		}
		return out
	}
	list := func(cs []rules.Consequence) []shownFollow {
		out := []shownFollow{}
		for _, c := range cs {
			out = append(out, shownFollow{cmp.Or(c.Kind, "note"), c.Condition(), c.Text, cites(c.Cite), c.Status})
		}
		return out
	}
	s := shownFollows{Allows: list(p.Allows), FollowUp: list(p.FollowUp), Prompts: []shownFollow{}}
	for _, x := range p.Prompts {
		when := "always"
		if x.If != nil {
			when = rules.DescribeWhole(x.If)
		}
		s.Prompts = append(s.Prompts, shownFollow{"", when, x.Text, cites(x.Cite), x.Status})
	}
	if c := p.Choose; c != nil {
		s.Choose = &shownFollow{"", "several tests were taken in one state", strings.TrimSpace(c.Describe() + ". " + c.Note), cites(c.Cite), c.Status}
	}
	return s
}

func (s shownFollows) print(w io.Writer) {
	list := func(title string, fs []shownFollow) {
		if len(fs) > 0 {
			fmt.Fprintf(w, "\n%s:\n", title)
		}
		for _, f := range fs {
			about := f.Text
			if f.Kind != "" {
				about = rules.PlainWord(f.Kind) + ": " + f.Text
			}
			fmt.Fprintf(w, "  - %s\n      where %s\n      [%s] %s\n", about, f.When, f.Status, strings.Join(f.Cites, "; "))
		}
	}
	if s.Choose != nil {
		list("of several tests this decides", []shownFollow{*s.Choose})
	}
	list("what it allows", s.Allows)
	list("what follows", s.FollowUp)
	list("what to document", s.Prompts)
}
