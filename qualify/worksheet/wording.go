package worksheet

import (
	"fmt"
	"math/big"
	"strings"
	"unicode"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// headline words the verdict in two lines: what was measured and what it came
// to, and what is owed or asked next.
func headline(in Input) (Mark, [2]string) {
	d, l := in.Determination, in.Language
	m := *outcomeMark(d).in(l)
	first, rests := m.Word, standsOn(in)
	if rests != "" {
		first += " (" + l.Say(rests) + ")"
	}
	if why := because(in); why != "" {
		if in.Analysis == nil && rests == typedOnly {
			why = strings.ReplaceAll(why, "; "+l.Say("recording not seen"), "") // said once
		}
		first += ": " + why
	}
	return m, [2]string{sentence(first), next(l, d)}
}

// outcomeMark words outcome and disposition.
func outcomeMark(d criteria.Determination) Mark {
	switch d.Outcome {
	case criteria.Qualifies:
		if d.Disposition == "refer" {
			return Mark{"Written criteria for referral met", markMet.Symbol, markMet.Class}
		}
		return Mark{"Written criteria met", markMet.Symbol, markMet.Class}
	case criteria.DoesNotQualify:
		word := "Written criteria not met"
		switch d.Disposition {
		case "invalid_test":
			word = "Not a test that the written criteria accept"
		case "recommended_against":
			word = "The written criteria recommend against oxygen at home"
		case "refer":
			word = "Written criteria not met, refer"
		}
		return Mark{word, markNotMet.Symbol, markNotMet.Class}
	}
	word := "Undetermined"
	switch d.Disposition {
	case "incomplete":
		word = "Undetermined, facts are missing"
	case "manual_review":
		word = "Undetermined, a person has to review it"
	case "not_addressed":
		word = "Undetermined, the written criteria do not address this case"
	case "deferred":
		word = "Undetermined, the payer's text defers the decision"
	}
	return Mark{word, markUnclear.Symbol, markUnclear.Class}
}

// typedOnly is what a verdict rests on where no recording is at hand.
const typedOnly = "recording not seen, figures as typed"

// standsOn tells that a verdict does not rest on the recording itself, in
// English.
func standsOn(in Input) string {
	if in.Analysis != nil || len(in.Legs) > 0 {
		return ""
	}
	for _, u := range in.Uploads {
		if u.Withheld != "" {
			return "recording withheld and not read"
		}
	}
	switch {
	case in.Determination.CustodyBarred:
		return "recording withheld and not read"
	case in.Recording != nil || len(in.Uploads) > 0:
		return "no session of the recording chosen"
	}
	return typedOnly
}

// because says what was found and asked by the clause that decided, a measured
// one first. An open case is told by the determination's own sentence, and by
// what was measured so far.
func because(in Input) string {
	d, l := in.Determination, in.Language
	found := measuredFirst(decidingFindings(d), in.Pack)
	if d.Outcome == criteria.Undetermined {
		s := sentence(d.Because)
		if f := firstMeasured(in); f != nil {
			s = strings.TrimSpace(s + " " + l.Say("Measured: %s", measuredAgainst(l, f)))
		}
		return s
	}
	if len(found) == 0 || found[0].Found == "" {
		return d.Because
	}
	f := found[0]
	if measureRank(f.ID, in.Pack) == 2 {
		return l.Say("%s: found %s; asked: %s", f.Label, f.Found, orDash(f.Asked))
	}
	return measuredAgainst(l, &f)
}

// measuredAgainst puts what a clause found between its measure and its
// comparison: "total time at or below 88 %: 6.33 min; at least 5 min asked".
func measuredAgainst(l rules.Language, f *criteria.Finding) string {
	measure, comparison := f.Measured, f.Limits
	if measure == "" || comparison == "" {
		var ok bool
		if measure, comparison, ok = strings.Cut(f.Asked, " is "); !ok {
			return l.Say("%s; asked: %s", f.Found, orDash(f.Asked))
		}
	}
	return l.Say("%s: %s; %s asked", measure, f.Found, comparison)
}

// firstMeasured is the first clause that compares a measure of the recording,
// one that waits before the others; nil if there is none or nothing was read.
func firstMeasured(in Input) *criteria.Finding {
	if in.Analysis == nil {
		return nil
	}
	var all []criteria.Finding
	var walk func(fs []criteria.Finding)
	walk = func(fs []criteria.Finding) {
		for _, f := range fs {
			if f.Outcome != criteria.NotApplicable && f.Found != "" && len(f.Parts) == 0 {
				all = append(all, f)
			}
			walk(f.Parts)
		}
	}
	walk(decidingFindings(in.Determination))
	walk(in.Determination.Clauses)
	for i, f := range all {
		if measureRank(f.ID, in.Pack) == 0 {
			return &all[i]
		}
	}
	return nil
}

func next(l rules.Language, d criteria.Determination) string {
	missing := missingText(l, d.OnFile)
	switch d.Outcome {
	case criteria.Qualifies:
		if missing == "" {
			return l.Say("Every paper that must be on file is seen or located.")
		}
		return missing
	case criteria.DoesNotQualify:
		s := l.Say("This is not the same as needing no oxygen: treatment is for the treating practitioner to decide.")
		if missing != "" {
			s += " " + missing
		}
		return s
	}
	if len(d.Needs) == 0 {
		return l.Say("No question is left that this case could answer; the open clauses say what has to be settled.")
	}
	s := l.Say("Decides next, from the %s: %s", l.Say(strings.ToLower(roleName(d.Needs[0].Who))), d.Needs[0].Question)
	more, maintainer := len(d.Needs)-1, 0
	for _, n := range d.Needs[1:] {
		if n.Who == rules.Maintainer {
			maintainer++
		}
	}
	switch {
	case more == 1 && maintainer == 1:
		s += " " + l.Say("One more question is below, for the rule maintainer.")
	case more == 1:
		s += " " + l.Say("One more question is below.")
	case more > 1 && maintainer > 0:
		s += " " + l.Say("%d more questions are below, %d of them for the rule maintainer.", more, maintainer)
	case more > 1:
		s += " " + l.Say("%d more questions are below.", more)
	}
	return s
}

func missingText(l rules.Language, items []criteria.OnFile) string {
	var names []string
	for _, o := range items {
		if o.State == "missing" {
			names = append(names, brief(o.Item))
		}
	}
	if len(names) == 0 {
		return ""
	}
	return l.Say("Still missing on file (%d of %d): %s.", len(names), len(items), strings.Join(names, "; "))
}

// alerts are the lines above the verdict: a critically low reading, and marks
// of identity that differ and that nobody has explained.
func alerts(in Input) []string {
	var out []string
	if s := critical(in); s != "" {
		out = append(out, s)
	}
	for _, r := range in.Identity {
		if !r.Same && r.Explained == "" {
			out = append(out, in.Language.Say("Whose test is this? The %s differs between the case and %s, and nobody has said why it is the same person. Do not use this worksheet before that is settled.", in.Language.Say(strings.ToLower(r.What)), orDash(in.Language.Tell(r.Where))))
		}
	}
	return out
}

// cautions are the pack's own and those that stand on every worksheet, on
// both sides of a threshold alike (design section 3).
func cautions(l rules.Language, d criteria.Determination) []string {
	own := []string{
		"Neither a test report nor an order, and no guarantee of coverage: the payer's own text and the licensed practitioner decide.",
		"Written criteria not met does not mean: needs no oxygen. Nobody is told here to start, change or stop oxygen.",
		"Pulse oximeters tend to read high in darker skin, and err with nail varnish, cold hands, poor circulation, carbon monoxide and methaemoglobin. A reading on either side of a threshold can be wrong by some points.",
		"Oxygen feeds fire: no smoking and no open flame near it. Oxygen can harm a patient who retains carbon dioxide.",
	}
	seen := map[string]bool{}
	var out []string
	for i := range own {
		own[i] = l.Say(own[i])
	}
	for _, s := range append(append([]string{}, d.Cautions...), own...) {
		if !seen[s] {
			seen[s] = true
			out = append(out, s)
		}
	}
	return out
}

func verdictMark(v criteria.Verdict) *Mark {
	switch v {
	case criteria.Met:
		return &markMet
	case criteria.NotMet:
		return &markNotMet
	case criteria.NotApplicable:
		return &markNotApply
	}
	return &markUnclear
}

func roleName(r rules.Role) string {
	switch r {
	case rules.Intake:
		return "Intake"
	case rules.Office:
		return "Practitioner's office"
	case rules.Tester:
		return "Tester"
	case rules.Maintainer:
		return "Rule maintainer"
	case rules.Patient:
		return "Patient"
	}
	return string(r)
}

// valueText words the value of a fact.
func valueText(l rules.Language, def rules.FactDef, v criteria.Value) string {
	switch def.Type {
	case rules.TypeBool, rules.TypePaper:
		if v.Bool {
			return l.Say("yes")
		}
		return l.Say("no")
	case rules.TypeDate:
		return orDash(l.Date(v.Date))
	case rules.TypeWord:
		return l.Word(v.Word)
	case rules.TypeOxygen:
		if v.Word != "oxygen" || v.Num == nil {
			return l.Word(v.Word)
		}
		return l.Say("oxygen at %s %s", l.Number(printed(v)), v.Unit)
	case rules.TypeList:
		var parts []string
		for _, r := range v.List {
			h := r.SHA256
			if len(h) > 12 {
				h = h[:12]
			}
			if r.From != "" || r.Until != "" {
				h = l.Say("%s from %s until %s", h, orDash(l.Stamp(r.From)), orDash(l.Stamp(r.Until)))
			}
			parts = append(parts, l.Word(r.Role)+" "+h)
		}
		return strings.Join(parts, "; ")
	}
	if v.Num == nil {
		return "–"
	}
	unit := v.Unit
	if unit == "" {
		unit = def.Unit
	}
	s := strings.TrimSpace(l.Number(printed(v)) + " " + l.Say(unit))
	if low, high := v.Bounds(); low.Cmp(high) != 0 {
		s = l.Say("%s (%s)", s, l.Say("between %s and %s", number(l, low), strings.TrimSpace(number(l, high)+" "+l.Say(unit))))
	}
	return s
}

// mostPlaces is how many printed decimals of a stated number are told.
const mostPlaces = 12

// printed is a number with the decimals that it was stated with.
func printed(v criteria.Value) string {
	if v.Places > 0 && v.Places <= mostPlaces {
		return v.Num.FloatString(v.Places)
	}
	return plain(v.Num)
}

// number prints r without loss if two decimals hold it, else cut (never
// rounded) to two decimals, as l writes numbers.
func number(l rules.Language, r *big.Rat) string { return l.Number(plain(r)) }

// plain is number with a decimal point.
func plain(r *big.Rat) string {
	if r.IsInt() {
		return r.Num().String()
	}
	s := cut(rules.Language{}, r, 2)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

func numberOr(l rules.Language, r *big.Rat) string {
	if r == nil {
		return ""
	}
	return number(l, r)
}

// cut prints r with so many decimals, cut towards zero, so that 299.9 s never
// read as 5.00 min.
func cut(l rules.Language, r *big.Rat, places int) string {
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil)
	n := new(big.Int).Mul(r.Num(), scale)
	n.Quo(n, r.Denom())
	return l.Number(new(big.Rat).SetFrac(n, scale).FloatString(places))
}

// duration prints ticks of a, to the millisecond: "7 h 2 min 18 s", "5 min".
func duration(l rules.Language, a *analysis.Analysis, ticks int64) string {
	return secondsText(l, a.Seconds(ticks))
}

// secondsText prints a time in hours, minutes and seconds, cut to milliseconds.
func secondsText(l rules.Language, seconds *big.Rat) string {
	ms := new(big.Rat).Mul(seconds, big.NewRat(1000, 1))
	n := new(big.Int).Quo(ms.Num(), ms.Denom()).Int64()
	h, m, s, frac := n/3600000, n/60000%60, n/1000%60, n%1000
	var parts []string
	if h > 0 {
		parts = append(parts, fmt.Sprintf("%d h", h))
	}
	if m > 0 {
		parts = append(parts, fmt.Sprintf("%d min", m))
	}
	if frac > 0 {
		parts = append(parts, l.Number(strings.TrimRight(fmt.Sprintf("%d.%03d", s, frac), "0"))+" s")
	} else if s > 0 || len(parts) == 0 {
		parts = append(parts, fmt.Sprintf("%d s", s))
	}
	return strings.Join(parts, " ")
}

// minutes prints ticks of a in minutes, cut to two decimals.
func minutes(l rules.Language, a *analysis.Analysis, ticks int64) string {
	return cut(l, new(big.Rat).Quo(a.Seconds(ticks), big.NewRat(60, 1)), 2)
}

// sentence ends s with a full stop unless it ends in one already.
func sentence(s string) string {
	if s == "" || strings.ContainsAny(s[len(s)-1:], ".?!") {
		return s
	}
	return s + "."
}

func upper(s string) string {
	r := []rune(s)
	if len(r) > 0 {
		r[0] = unicode.ToUpper(r[0])
	}
	return string(r)
}

func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}
