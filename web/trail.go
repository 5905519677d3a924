package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"airwarrant/qualify/casework"
	"airwarrant/rules"
)

// revealer opens the personal values of a case; "" is a dash, and a value that
// was destroyed is told as destroyed.
func (s *Site) revealer(ctx context.Context, c *casework.Case) func(casework.Ref) (string, error) {
	return func(r casework.Ref) (string, error) {
		if r == "" {
			return "–", nil
		}
		b, err := c.Reveal(ctx, s.cfg.Store, r)
		if errors.Is(err, casework.ErrDestroyed) {
			return "(destroyed)", nil
		}
		return string(b), err
	}
}

// eventWords says in words what one event changed, with the new values in the
// clear and days as l writes them. Values that were destroyed are told as destroyed.
func (s *Site) eventWords(ctx context.Context, f *file, e casework.Event, l rules.Language) (string, error) {
	reveal := s.revealer(ctx, f.Case)
	switch e.Kind {
	case casework.KindOpened:
		ch, err := changeOf[casework.Opened](e)
		return "case opened under " + strings.Join(ch.Criteria, ", "), err
	case casework.KindPatientStated:
		ch, err := changeOf[casework.PatientStated](e)
		if err != nil {
			return "", err
		}
		parts := []string{}
		for _, r := range append([]casework.Ref{ch.Name, ch.BirthDate}, ch.Identifiers...) {
			t, err := reveal(r)
			if err != nil {
				return "", err
			}
			if r == ch.BirthDate {
				t = l.Stamp(t)
			}
			parts = append(parts, t)
		}
		words := "patient stated: " + strings.Join(parts, "; ")
		if ch.Chosen != "" && e.K == 2 {
			by, err := reveal(ch.Chosen)
			if err != nil {
				return "", err
			}
			words += ". Criteria chosen: " + chosenWords(by)
		}
		return words + stoppedWords(ch.Links), nil
	case casework.KindFactsStated:
		ch, err := changeOf[casework.FactsStated](e)
		if err != nil {
			return "", err
		}
		return s.statedWords(ch.Facts, reveal, l)
	case casework.KindFactWithdrawn:
		ch, err := changeOf[casework.FactWithdrawn](e)
		return "withdrawn: " + meaningOf(ch.Name), err
	case casework.KindUploadAdded:
		ch, err := changeOf[casework.UploadAdded](e)
		return fmt.Sprintf("recording added, %s, SHA-256 %s", size(ch.Size), ch.SHA256), err
	case casework.KindUploadWithdrawn:
		ch, err := changeOf[casework.UploadWithdrawn](e)
		if err != nil {
			return "", err
		}
		why, err := reveal(ch.Reason)
		why += stoppedWords(ch.Links)
		if ch.To != "" {
			why += "; laid on case " + ch.To
		}
		return fmt.Sprintf("recording %s withdrawn: %s", clipHash(ch.SHA256), why), err
	case casework.KindDocumentAdded:
		ch, err := changeOf[casework.DocumentAdded](e)
		of := ""
		for _, name := range ch.For {
			of += "; the copy of: " + meaningOf(name)
		}
		return fmt.Sprintf("document added: %s, %d pages, %s, SHA-256 %s%s", ch.Is, ch.Pages, size(ch.Size), ch.SHA256, of), err
	case casework.KindDocumentWithdrawn:
		ch, err := changeOf[casework.DocumentWithdrawn](e)
		if err != nil {
			return "", err
		}
		why, err := reveal(ch.Reason)
		return fmt.Sprintf("document %s withdrawn: %s", clipHash(ch.SHA256), why), err
	case casework.KindSessionChosen:
		ch, err := changeOf[casework.SessionChosen](e)
		return fmt.Sprintf("recording %s: session %d, read with %s", clipHash(ch.SHA256), ch.Session, orNothing(string(ch.Reading))), err
	case casework.KindSpanJudged:
		ch, err := changeOf[casework.SpanJudged](e)
		return fmt.Sprintf("span %s to %s judged %s by %s, %s", spanStamp(l, ch.From), spanStamp(l, ch.To), ch.Judgement, ch.Name, ch.Credential), err
	case casework.KindSpansJudged:
		ch, err := changeOf[casework.SpansJudged](e)
		if err != nil {
			return "", err
		}
		by, err := reveal(ch.By)
		var parts []string
		for _, sp := range ch.Spans {
			parts = append(parts, fmt.Sprintf("%s to %s %s", spanStamp(l, sp.From), spanStamp(l, sp.To), judgementWord(sp.Judgement)))
		}
		return fmt.Sprintf("doubtful stretches judged by %s: %s", by, strings.Join(parts, "; ")), err
	case casework.KindIdentityConfirmed:
		ch, err := changeOf[casework.IdentityConfirmed](e)
		if err != nil {
			return "", err
		}
		why, err := reveal(ch.Words)
		return "same person: " + why, err
	case casework.KindDetermined:
		ch, err := changeOf[casework.Determined](e)
		parts := []string{}
		for _, r := range ch.Results {
			word, _ := outcomeWords(r.Outcome)
			parts = append(parts, fmt.Sprintf("%s (%s %s)", word, r.Criteria, r.Version))
		}
		return "determined by " + ch.Program + ": " + strings.Join(parts, "; "), err
	case casework.KindViewed:
		ch, err := changeOf[casework.Viewed](e)
		return "looked at: " + ch.Page, err
	case casework.KindLinkMade:
		ch, err := changeOf[casework.LinkMade](e)
		if ch.Office != "" {
			return fmt.Sprintf("put on the list of %s, until %s (link %s)", ch.Office, l.Stamp(moment(ch.Expires)), ch.SHA256[:8]), err
		}
		return fmt.Sprintf("link %s made for the %s, until %s", ch.SHA256[:8], Desk(ch.Role).Words(), l.Stamp(moment(ch.Expires))), err
	case casework.KindLinkRevoked:
		ch, err := changeOf[casework.LinkRevoked](e)
		return "link " + ch.SHA256[:8] + " withdrawn", err
	case casework.KindLinkTried:
		ch, err := changeOf[casework.LinkTried](e)
		if ch.Right {
			return "link " + ch.SHA256[:8] + " opened with its code", err
		}
		return "link " + ch.SHA256[:8] + ": a wrong code was given", err
	case casework.KindAnswered:
		ch, err := changeOf[casework.Answered](e)
		if err != nil {
			return "", err
		}
		return s.answeredWords(ch, reveal, l)
	case casework.KindDisputeTaken:
		ch, err := changeOf[casework.DisputeTaken](e)
		return "took the dispute about: " + meaningOf(ch.Fact), err
	case casework.KindDisputeSettled:
		ch, err := changeOf[casework.DisputeSettled](e)
		if err != nil {
			return "", err
		}
		words, err := reveal(ch.Words)
		return "settled the dispute about: " + meaningOf(ch.Fact) + " (" + words + ")", err
	case casework.KindCriticalTold:
		ch, err := changeOf[casework.CriticalTold](e)
		if err != nil {
			return "", err
		}
		words, err := reveal(ch.Words)
		return "critically low reading told: " + words, err
	case casework.KindAssigned:
		ch, err := changeOf[casework.Assigned](e)
		return assignedWords(ch, l), err
	case casework.KindClosed:
		ch, err := changeOf[casework.Closed](e)
		if err != nil {
			return "", err
		}
		why, err := reveal(ch.Reason)
		why += stoppedWords(ch.Links)
		return "case closed: " + why, err
	case casework.KindReopened:
		ch, err := changeOf[casework.Reopened](e)
		if err != nil {
			return "", err
		}
		why, err := reveal(ch.Reason)
		return "case opened again: " + why, err
	case casework.KindDestroyed:
		ch, err := changeOf[casework.Destroyed](e)
		return "personal values destroyed: " + ch.Reason, err
	}
	return string(e.Kind), nil
}

// stoppedWords name the links that a change stopped.
func stoppedWords(links []string) string {
	out := ""
	for _, l := range links {
		out += "; link " + l[:8] + " stopped"
	}
	return out
}

// assignedWords say who has the case from now on, and by which day.
func assignedWords(ch casework.Assigned, l rules.Language) string {
	who, day := ch.Owner, l.Stamp(ch.Due)
	if who == "" {
		who = "nobody"
	}
	if day == "" {
		day = "no day"
	}
	return "with " + who + "; due: " + day
}

func changeOf[T casework.Change](e casework.Event) (T, error) {
	var ch T
	if err := json.Unmarshal(e.Change, &ch); err != nil {
		return ch, fmt.Errorf("event %d is not readable", e.K)
	}
	return ch, nil
}

// spanStamp is an end of a span: as the recording has it, or for people where l
// writes days.
func spanStamp(l rules.Language, stamp string) string {
	if l.Day == nil {
		return stamp
	}
	return l.Stamp(stamp)
}

func clipHash(h string) string { return h[:min(len(h), 12)] }

func orNothing(s string) string {
	if s == "" {
		return "nothing stated"
	}
	return s
}

func meaningOf(name string) string {
	if def, ok := rules.Lookup(name); ok {
		return def.Meaning
	}
	return name
}

func (s *Site) statedWords(facts map[string]casework.Stated, reveal func(casework.Ref) (string, error), l rules.Language) (string, error) {
	var parts []string
	for _, name := range slices.Sorted(maps.Keys(facts)) {
		t, err := statedText(name, facts[name], reveal, l)
		if err != nil {
			return "", err
		}
		parts = append(parts, t)
	}
	return "stated: " + strings.Join(parts, "; "), nil
}

func statedText(name string, v casework.Stated, reveal func(casework.Ref) (string, error), l rules.Language) (string, error) {
	raw := string(v.Fact)
	if v.Personal != "" {
		var err error
		if raw, err = reveal(v.Personal); err != nil {
			return "", err
		}
	}
	var st statement
	if json.Unmarshal([]byte(raw), &st) != nil {
		return meaningOf(name) + ": " + raw, nil // "(destroyed)"
	}
	def, _ := rules.Lookup(name)
	t := meaningOf(name) + ": " + st.words(def, l)
	if !st.Place.empty() {
		t += " (" + st.how(l) + ")"
	}
	return t, nil
}

func (s *Site) answeredWords(ch casework.Answered, reveal func(casework.Ref) (string, error), l rules.Language) (string, error) {
	var parts []string
	for _, name := range slices.Sorted(maps.Keys(ch.Answers)) {
		a := ch.Answers[name]
		t := meaningOf(name) + ": " + saysWords(a.Says)
		if a.Says == casework.SaysLocated {
			var err error
			if t, err = statedText(name, a.Stated, reveal, l); err != nil {
				return "", err
			}
		}
		for _, r := range []casework.Ref{a.By, a.Note} {
			if r == "" {
				continue
			}
			words, err := reveal(r)
			if err != nil {
				return "", err
			}
			t += " (" + words + ")"
		}
		parts = append(parts, t)
	}
	return "answered: " + strings.Join(parts, "; "), nil
}
