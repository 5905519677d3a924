package worksheet

import (
	"math/big"
	"strings"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
)

// Judged is a judgement of a doubtful stretch with the samples of Recording in
// which it lies; none of them if it is of another recording.
type Judged struct {
	criteria.JudgedSpan
	Samples recording.Session
}

// judgementWords say a judgement as an adjective.
var judgementWords = map[string]string{"genuine": "genuine", "artifact": "artifact", "cannot_tell": "cannot be told"}

// judged lists what was said of doubtful stretches, and lays the measures that
// the criteria ask for with the judgement beside those without it.
func judged(in Input) Section {
	l := in.Language
	s := Section{ID: "judged", Title: l.Say("Doubtful stretches that were judged"),
		Lead:  l.Say("Judged by the tester or the practitioner. Genuine: it counts like any other reading. Artifact: it is no reading, and in no figure. Both readings are printed."),
		Table: &Table{Columns: []Column{{l.Say("Measure"), .30, false}, {l.Say("Reading"), .25, false}, {l.Say("Low"), .15, true}, {l.Say("Value"), .15, true}, {l.Say("High"), .15, true}}}}
	if len(in.Judged) == 0 {
		return s
	}
	s.Items = judgedTogether(l, in.Judged)
	pair := func(what string, with, without [3]string) {
		s.Table.Rows = append(s.Table.Rows,
			Row{Strong: true, Cells: []Cell{{Text: what}, {Text: l.Say("as judged")}, {Text: with[0]}, {Text: with[1]}, {Text: with[2]}}},
			Row{Cells: []Cell{{Text: what}, {Text: l.Say("without the judgement")}, {Text: without[0]}, {Text: without[1]}, {Text: without[2]}}})
	}
	if a, was := in.Analysis, in.Unjudged; a != nil && was != nil {
		seen := map[string]bool{}
		for _, q := range askedBy(in.Pack) {
			if q.level == nil {
				continue
			}
			strict := strings.HasSuffix(q.fact, "_below") && !strings.HasSuffix(q.fact, "_or_below")
			name := l.Say("time at or below %s %%", number(l, q.level))
			if strict {
				name = l.Say("time below %s %%", number(l, q.level))
			}
			if seen[name] {
				continue
			}
			seen[name] = true
			at := func(a *analysis.Analysis) [3]string {
				t := a.AtOrBelow(q.level)
				if strict {
					t = a.Below(q.level)
				}
				return [3]string{duration(l, a, t.Low), duration(l, a, t.Value), duration(l, a, t.High)}
			}
			pair(upper(name), at(a), at(was))
		}
		pair(l.Say("Nadir (lowest saturation)"), bounds(l, a.Nadir), bounds(l, was.Nadir))
		pair(l.Say("Suspect time"), [3]string{1: duration(l, a, a.Suspect)}, [3]string{1: duration(l, was, was.Suspect)})
	}
	for _, leg := range in.Legs {
		if leg.Unjudged != nil {
			pair(upper(l.Say("%s, nadir", l.Say(criteria.RoleText(leg.Role)))), bounds(l, leg.Nadir), bounds(l, leg.Unjudged.Nadir))
		}
	}
	return s
}

func bounds(l rules.Language, b analysis.Bounded) [3]string {
	pct := func(r *big.Rat) string {
		if r == nil {
			return "–"
		}
		return number(l, r) + " %"
	}
	return [3]string{pct(b.Low), pct(b.Value), pct(b.High)}
}

// judgedTogether words the judgements: stretches of which one person said the
// same stand in one line, the first of them by name.
func judgedTogether(l rules.Language, list []Judged) []string {
	const named = 4 // stretches that a line names (our choice); the list of doubted stretches names all
	type group struct{ judged, by string }
	var order []group
	of := map[group][]string{}
	for _, j := range list {
		g := group{j.Judged, j.By}
		if of[g] == nil {
			order = append(order, g)
		}
		from, to := between(l, j.From, j.To)
		of[g] = append(of[g], l.Say("%s to %s", from, to))
	}
	var out []string
	for _, g := range order {
		all := of[g]
		which := strings.Join(all[:min(named, len(all))], "; ")
		if more := len(all) - named; more > 0 {
			which = l.Say("%s and %d more", which, more)
		}
		out = append(out, l.Say("%s, by %s: %s.", upper(l.Say(judgementWords[g.judged])), g.by, which))
	}
	return out
}

// judgement says what was said of a span, "" if nothing was.
func (in Input) judgement(sp analysis.Span) string {
	for i := len(in.Judged) - 1; i >= 0; i-- {
		j := in.Judged[i]
		if j.Samples.From < sp.To && sp.From < j.Samples.To {
			l := in.Language
			if j.Samples.From > sp.From || j.Samples.To < sp.To {
				return l.Say("judged: %s, by %s (in part)", l.Say(judgementWords[j.Judged]), j.By)
			}
			return l.Say("judged: %s, by %s", l.Say(judgementWords[j.Judged]), j.By)
		}
	}
	return ""
}
