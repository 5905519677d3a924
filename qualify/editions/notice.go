package editions

import (
	"context"
	"fmt"
	"strings"

	"airwarrant/qualify/rehearsal"
	"airwarrant/rules"
)

// Notice is half a page for the desks: what changes, for whom, from which day.
// It is a model for page and print; Text is the same in plain lines.
type Notice struct {
	Region, Name, Payer string
	Scope               string // whom the criteria are for
	Title               string
	Withdrawn           bool // the version is withdrawn: From and what follows are those of it
	// From is the first day of a test that it holds for, Until the last, nil if open.
	From  rules.Date
	Until *rules.Date
	// Known is the day from which this house applies it: of the publication or of
	// the withdrawal; zero while it is only proposed.
	Known rules.Date
	// Past says that From lies before Known, or before today while it is proposed:
	// cases that were judged already are touched.
	Past bool
	// Corrects says that it puts a version of the same day right.
	Corrects bool
	First    bool // no version was in force before it: Changes is empty
	// Lost says that a version was in force before it which is not there to be
	// compared with any more: Changes is empty.
	Lost   bool
	Reason string // of a correction or withdrawal, as it was typed
	// Changes are the differences that the desks have to know, Further how many
	// there are beside them: wording, documents, notes.
	Changes []rules.Difference
	Further int
	// Summary is that of the rehearsal, nil if there was none.
	Summary *rehearsal.Summary
	By      Signed // who proposed it
	Second  Signed // who approved it, zero while it is open
}

// noticeLines is how many changes half a page holds.
const noticeLines = 12

// Notice tells what a proposal changes; it may be open or approved. The error
// wraps ErrNotFound where its texts are missing.
func (b *Book) Notice(ctx context.Context, p *Proposal) (*Notice, error) {
	lib, err := b.Current(ctx)
	if err != nil {
		return nil, err
	}
	n := &Notice{Region: p.Region, Title: p.Title, Withdrawn: p.Withdraws, From: p.Version, Corrects: p.Corrects != "", Reason: p.Reason, By: p.By}
	if p.State == Approved {
		n.Second, n.Known = p.Second, dayOf(p.Second.At)
	}
	if p.Rehearsal != nil {
		n.Summary = &p.Rehearsal.Summary
	}
	day := n.Known
	if day.IsZero() {
		day = b.today()
	}
	n.Past = n.From.Before(day)
	var was, is *rules.Pack
	if p.Withdraws {
		// What holds in its place is looked up as it is now.
		was = lib.Find(p.PackSHA256)
		for _, q := range lib.History(p.Region) {
			if !p.Version.Before(q.EffectiveFrom) && q.SHA256 != p.PackSHA256 {
				is = q
			}
		}
	} else {
		t, err := b.Texts(ctx, p)
		if err != nil {
			return nil, err
		}
		d := Draft{Region: p.Region, Texts: t}
		region, err := regionOf(d, lib)
		if err != nil {
			return nil, err
		}
		if is, err = readPack(region, []byte(t.Pack), []byte(t.Cases)); err != nil {
			return nil, fmt.Errorf("proposal %d: %w", p.Number, err)
		}
		was = lib.Find(p.Beside)
	}
	for _, v := range []*rules.Pack{was, is} {
		if v != nil {
			n.Name, n.Payer, n.Scope = v.Region.Name, v.Region.Payer, v.Region.Scope
		}
	}
	for _, q := range lib.History(p.Region) {
		if p.Version.Before(q.EffectiveFrom) {
			until := q.EffectiveFrom.AddDays(-1)
			n.Until = &until
			break
		}
	}
	n.First = !p.Withdraws && p.Beside == "" || p.Withdraws && is == nil
	if n.Lost = !n.First && (was == nil || is == nil || was.Unreadable != "" || is.Unreadable != ""); n.First || n.Lost {
		return n, nil
	}
	for _, d := range rules.Compare(was, is) {
		if forDesks(d) && len(n.Changes) < noticeLines {
			n.Changes = append(n.Changes, d)
		} else {
			n.Further++
		}
	}
	return n, nil
}

// forDesks reports whether a difference changes what a desk does: not who says
// so, and how sure it is.
func forDesks(d rules.Difference) bool {
	switch d.Part {
	case "title", "cites", "cautions", "choose":
		return d.Part == "cautions" || d.Part == "choose"
	}
	for _, start := range []string{"The label of", "The citations of", "The note of", "Whose reading", "The grade of", "The strength of"} {
		if strings.HasPrefix(d.Text, start) {
			return false
		}
	}
	return true
}

// Text is the notice in plain lines of English.
func (n *Notice) Text() string {
	var b strings.Builder
	p := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	switch {
	case n.Withdrawn:
		p("%s: the version from %s is withdrawn", n.Name, n.From)
	case n.Corrects:
		p("%s: the version from %s is corrected", n.Name, n.From)
	default:
		p("%s: new criteria for tests from %s on", n.Name, n.From)
	}
	p("%s", n.Title)
	p("For whom: %s", n.Scope)
	if n.Until != nil {
		p("In force for tests from %s to %s.", n.From, *n.Until)
	} else {
		p("In force for tests from %s on.", n.From)
	}
	if !n.Known.IsZero() {
		p("Applied in this house since %s, by %s and %s.", n.Known, n.By.Name, n.Second.Name)
	} else {
		p("Proposed by %s; it waits for a second person and counts for no case yet.", n.By.Name)
	}
	if n.Reason != "" {
		p("Why: %s", n.Reason)
	}
	if n.Past {
		p("Tests from %s on may have been judged by other criteria already: those cases are listed for review. What is printed stays as it is; a new determination is added.", n.From)
	}
	switch {
	case n.First:
		p("There were no criteria of this payer before it.")
	case n.Lost:
		p("What it changes can't be listed: a version to compare it with can't be read any more.")
	case len(n.Changes) == 0:
		p("What a desk does stays as it is.")
	default:
		p("What changes:")
		for _, d := range n.Changes {
			p("- %s", d.Text)
		}
	}
	if n.Further > 0 {
		p("%d further changes are of wording, documents or notes: see the version.", n.Further)
	}
	if s := n.Summary; s != nil {
		p("Of %d stored cases the outcome of %d changes; %d of these have a test from %s on.", s.Cases, s.Changed, s.InTime, n.From)
	}
	return b.String()
}
