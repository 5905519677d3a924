package editions

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// Proposing is what the first person states beside the draft.
type Proposing struct {
	// Reason is why, in words; needed for a correction.
	Reason string
	// Received is the day on which the payer's document came, zero if not stated.
	Received rules.Date
}

// Propose asks for the publication of a draft as it stands at rev. The draft has
// to be without a refusal (Check) and rehearsed to the end as it stands, unless
// nothing lies beside it. Its texts are kept for good from here on. *Refused with
// every reason, *StaleError if somebody saved the draft since rev.
func (b *Book) Propose(ctx context.Context, who Person, id string, rev int, in Proposing) (*Proposal, error) {
	if err := who.maintains(); err != nil {
		return nil, err
	}
	d, err := b.Draft(ctx, id)
	if err != nil {
		return nil, err
	}
	if d.Rev != rev {
		return nil, &StaleError{d}
	}
	in.Reason = strings.TrimSpace(in.Reason)
	kept := false
	var p *Proposal
	e, err := b.change(ctx, who, KindProposed, func(st *state, at time.Time) (any, error) {
		if p, err = b.propose(ctx, who, d, st, at, in); err != nil {
			return nil, err
		}
		if !kept {
			// Before the entry that names them.
			for _, text := range []string{d.Pack, d.Cases, d.Texts.Region} {
				if err := b.keep(ctx, text); err != nil {
					return nil, err
				}
			}
			kept = true
		}
		return p, nil
	})
	if err != nil {
		return nil, err
	}
	p.Number, p.Entry, p.State = e.N, e.Hash, Open
	return p, nil
}

func (b *Book) keep(ctx context.Context, text string) error {
	if text == "" {
		return nil
	}
	return b.store.PutUpload(ctx, hashOf([]byte(text)), bytes.NewReader([]byte(text)))
}

// propose looks at everything that keeps a draft from being proposed.
func (b *Book) propose(ctx context.Context, who Person, d Draft, st *state, at time.Time, in Proposing) (*Proposal, error) {
	r := check(d, st.library, dayOf(at))
	p := &Proposal{By: who.signed(at), Region: d.Region, Draft: d.ID, DraftSHA256: d.SHA256(), Authors: d.Authors, PackSHA256: d.PackSHA256(),
		CasesSHA256: hashOf([]byte(d.Cases)), Corrects: d.Corrects, Reason: in.Reason, Received: in.Received}
	p.Uploads = []string{p.PackSHA256, p.CasesSHA256}
	if d.Texts.Region != "" {
		p.RegionSHA256, p.RegionBeside = hashOf([]byte(d.Texts.Region)), regionBeside(d.Region, st.library)
		p.Uploads = append(p.Uploads, p.RegionSHA256)
	}
	if r.Pack != nil {
		p.Version, p.Title = r.Pack.EffectiveFrom, r.Pack.Title
	}
	if r.Beside != nil {
		p.Beside = r.Beside.SHA256
	}
	if d.Corrects != "" && in.Reason == "" {
		r.refuse(RuleReason, said("Expected the reason of the correction in words; found none. Say what was wrong and who found it."))
	}
	if len(in.Reason) > reasonLimit {
		r.refuse(RuleReason, said("Expected at most %d letters for the reason; found %d. Shorten it.", reasonLimit, len(in.Reason)))
	}
	if dayOf(at).Before(in.Received) {
		r.refuse(RuleKnown, said("Expected a day of receipt not after today, %s; found %s. Mend the day.", dayOf(at), in.Received))
	}
	for _, n := range st.order {
		q := st.proposals[n]
		if q.State != Open || q.Region != d.Region || q.Version != p.Version {
			continue
		}
		if why, err := b.voided(ctx, q, st); err != nil {
			return nil, err
		} else if why.IsZero() {
			r.refuse(RulePending, said("Expected no other proposal for %s from %s; found number %d by %s, which waits for a second person. Have it approved or turned down first.", q.Region, q.Version.String(), q.Number, q.By.Name))
		}
	}
	if r.Pack != nil {
		var err error
		if p.Rehearsal, err = b.finished(ctx, d, st.library); err != nil {
			var refused *Refused
			if !errors.As(err, &refused) {
				return nil, err
			}
			r.Refusals = append(r.Refusals, refused.Refusals...)
		}
		p.RehearsalSHA256 = p.Rehearsal.SHA256()
	}
	if !r.Ready() {
		return nil, &Refused{r.Refusals}
	}
	return p, nil
}

const reasonLimit = 1000

// finished is the rehearsal of a draft that went through all cases; nil if there
// is nothing to rehearse.
func (b *Book) finished(ctx context.Context, d Draft, lib *rules.Library) (*Rehearsed, error) {
	plan, err := b.plan(ctx, d, lib)
	if errors.Is(err, ErrNothingBeside) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	r, _, err := b.rehearsed(ctx, plan)
	if err != nil {
		return nil, err
	}
	if !r.Progress.Done {
		return nil, refuse(RuleRehearsal, said("Expected a rehearsal of the draft as it stands, beside the version in force, through all stored cases; found none, or one that is not through. Rehearse it first."))
	}
	return &Rehearsed{Plan: plan.ID(), InForce: r.InForce, Draft: r.Draft, Begun: r.Begun, Ended: r.Ended.At, Summary: r.Progress.Summary}, nil
}

// ProposeWithdrawal asks that a version that counts be withdrawn, as one that
// should never have been published: it stops to decide on the day on which a
// second person agrees, and the version before it holds in its place, or the one
// that it had corrected. That a payer ended its criteria is no withdrawal but a new version with withdrawn:
// true. *Refused without a reason or if no such version counts.
func (b *Book) ProposeWithdrawal(ctx context.Context, who Person, packSHA256, reason string) (*Proposal, error) {
	if err := who.maintains(); err != nil {
		return nil, err
	}
	reason = strings.TrimSpace(reason)
	var p *Proposal
	e, err := b.change(ctx, who, KindWithdrawal, func(st *state, at time.Time) (any, error) {
		var found []Refusal
		v := counting(st.library, packSHA256)
		if v == nil {
			return nil, refuse(RuleClosed, said("Expected a version that counts; found none with the SHA-256 %.12s. It was withdrawn or corrected, or never published.", packSHA256))
		}
		if reason == "" || len(reason) > reasonLimit {
			found = append(found, Refusal{Rule: RuleReason, Reason: said("Expected the reason of the withdrawal in words, at most %d letters; found %d. Say what was wrong and who found it.", reasonLimit, len(reason))})
		}
		for _, n := range st.order {
			if q := st.proposals[n]; q.State == Open && q.Withdraws && q.PackSHA256 == packSHA256 {
				found = append(found, Refusal{Rule: RulePending, Reason: said("Expected no other proposal to withdraw it; found number %d by %s, which waits for a second person.", q.Number, q.By.Name)})
			}
		}
		if found != nil {
			return nil, &Refused{found}
		}
		p = &Proposal{Withdraws: true, By: who.signed(at), Region: v.Region.Region, Version: v.EffectiveFrom, Title: v.Title, PackSHA256: packSHA256, Reason: reason}
		return p, nil
	})
	if err != nil {
		return nil, err
	}
	p.Number, p.Entry, p.State = e.N, e.Hash, Open
	return p, nil
}

// counting is the version that counts with a SHA-256, nil if there is none.
func counting(lib *rules.Library, sha string) *rules.Pack {
	if p := lib.Find(sha); p != nil && p.KnownUntil.IsZero() {
		return p
	}
	return nil
}

// voided says why an open proposal can no longer be approved, "" if it can.
func (b *Book) voided(ctx context.Context, p *Proposal, st *state) (wording.Text, error) {
	if p.Withdraws {
		if counting(st.library, p.PackSHA256) == nil {
			return said("the version no longer counts"), nil
		}
		return wording.Text{}, nil
	}
	d, err := b.Draft(ctx, p.Draft)
	if errors.Is(err, ErrNotFound) {
		return said("the draft was discarded"), nil
	}
	if err != nil {
		return wording.Text{}, err
	}
	if d.SHA256() != p.DraftSHA256 {
		return said("the draft was changed by %s at %s", d.Saved.Name, d.Saved.At.Format(time.RFC3339)), nil
	}
	beside := ""
	if v := besideOf(d, st.library); v != nil {
		beside = v.SHA256
	}
	if beside != p.Beside {
		return said("another version is in force beside it since"), nil
	}
	if p.RegionSHA256 != "" && regionBeside(p.Region, st.library) != p.RegionBeside {
		return said("region.yaml is another one since"), nil
	}
	return wording.Text{}, nil
}

// regionBeside is the SHA-256 of the region.yaml that counts, "" for none.
func regionBeside(name string, lib *rules.Library) string {
	r, err := lib.Region(name)
	if err != nil {
		return ""
	}
	return hashOf([]byte(r.Text))
}

// besideOf is the version beside a draft, without running anything.
func besideOf(d Draft, lib *rules.Library) *rules.Pack {
	region, err := regionOf(d, lib)
	if err != nil {
		return nil
	}
	pack, err := readPack(region, []byte(d.Pack), []byte(d.Cases))
	if err != nil {
		return nil
	}
	var beside *rules.Pack
	for _, p := range lib.History(d.Region) {
		if !pack.EffectiveFrom.Before(p.EffectiveFrom) {
			beside = p
		}
	}
	return beside
}

// Proposals lists all proposals, the latest first, with what became of each.
func (b *Book) Proposals(ctx context.Context) ([]*Proposal, error) {
	st, err := b.read(ctx)
	if err != nil {
		return nil, err
	}
	var out []*Proposal
	for _, n := range slices.Backward(st.order) {
		p, err := b.shown(ctx, st, n)
		if err != nil {
			return nil, err
		}
		out = append(out, p)
	}
	return out, nil
}

// Proposal returns one proposal, ErrNotFound if there is none of that number.
func (b *Book) Proposal(ctx context.Context, number int) (*Proposal, error) {
	st, err := b.read(ctx)
	if err != nil {
		return nil, err
	}
	if st.proposals[number] == nil {
		return nil, fmt.Errorf("proposal %d: %w", number, ErrNotFound)
	}
	return b.shown(ctx, st, number)
}

// shown is a copy of a proposal with its state as it is now.
func (b *Book) shown(ctx context.Context, st *state, number int) (*Proposal, error) {
	p := *st.proposals[number]
	if p.State == Open {
		why, err := b.voided(ctx, &p, st)
		if err != nil {
			return nil, err
		}
		if !why.IsZero() {
			p.State, p.Why = Void, why
		}
	}
	return &p, nil
}

// Texts returns the texts that a proposal of a draft asks to publish: what the
// second person reads. The error wraps ErrNotFound where they are missing.
func (b *Book) Texts(ctx context.Context, p *Proposal) (Texts, error) {
	var out Texts
	for _, x := range []struct {
		sha string
		to  *string
	}{{p.PackSHA256, &out.Pack}, {p.CasesSHA256, &out.Cases}, {p.RegionSHA256, &out.Region}} {
		if x.sha == "" {
			continue
		}
		data, why, err := b.text(ctx, x.sha)
		if err != nil {
			return Texts{}, err
		}
		if why != "" {
			return Texts{}, fmt.Errorf("proposal %d: %w: %s", p.Number, ErrNotFound, why)
		}
		*x.to = string(data)
	}
	return out, nil
}

// Approval is what the second person agrees to, by the hashes that the page
// showed: of everything that the proposal says, its draft and its rehearsal.
type Approval struct {
	Number          int    // of the proposal
	Entry           string // Proposal.Entry
	DraftSHA256     string // "" for a withdrawal
	RehearsalSHA256 string // "" where nothing was rehearsed
}

// Approval returns the approval of exactly what p says, for the form of a page.
func (p *Proposal) Approval() Approval {
	return Approval{p.Number, p.Entry, p.DraftSHA256, p.RehearsalSHA256}
}

// Approve publishes a draft, or withdraws a version, as the second person: an
// account that acts as maintainer or administrator and is not the one that
// proposed it, in whatever role. Everything is looked at again. A version is
// known here from today on, whatever it says itself, because no case was judged
// by it before; from the entry on Current applies it. *Refused if the hashes are
// not those of the proposal, if the draft changed since, or if it is not open.
func (b *Book) Approve(ctx context.Context, who Person, in Approval) (*Proposal, error) {
	if err := who.seconds(); err != nil {
		return nil, err
	}
	first, err := b.Proposal(ctx, in.Number)
	if err != nil {
		return nil, err
	}
	kind := KindPublished
	if first.Withdraws {
		kind = KindWithdrawn
	}
	var d Draft
	e, err := b.change(ctx, who, kind, func(st *state, at time.Time) (any, error) {
		p := st.proposals[in.Number]
		if err := open(p); err != nil {
			return nil, err
		}
		if p.By.Account == who.Account {
			return nil, refuse(RuleSecond, said("Expected another person than %s, who proposed it; found the same account. A second maintainer or an administrator has to read it and approve.", p.By.Name))
		}
		if in != p.Approval() {
			return nil, refuse(RuleHash, said("Expected the approval of proposal %d as it stands; found that of another text or another rehearsal. Open the proposal again and read what it says now.", p.Number))
		}
		why, err := b.voided(ctx, p, st)
		if err != nil {
			return nil, err
		}
		if !why.IsZero() {
			return nil, refuse(RuleVoid, said("Expected the draft and the version beside it as they were when it was proposed; found that %s. Propose it again.", why))
		}
		if !p.Withdraws {
			if d, err = b.Draft(ctx, p.Draft); err != nil {
				return nil, err
			}
			if r := check(d, st.library, dayOf(at)); !r.Ready() {
				return nil, &Refused{r.Refusals}
			}
			// The texts are those of the draft, and in the store.
			texts, err := b.Texts(ctx, p)
			if err != nil {
				return nil, err
			}
			if texts != d.Texts {
				return nil, refuse(RuleHash, said("Expected the texts that were proposed; found others in the store. Propose it again."))
			}
		}
		return answered{Proposal: p.Number, Entry: p.Entry, By: who.signed(at), Region: p.Region, Version: p.Version, PackSHA256: p.PackSHA256,
			RehearsalSHA256: p.RehearsalSHA256, Known: dayOf(at)}, nil
	})
	if err != nil {
		return nil, err
	}
	if !first.Withdraws {
		// What was saved since stays as a draft. It is published whatever happens here.
		if err := b.remove(ctx, d); err != nil && !errors.Is(err, ErrStale) && !errors.Is(err, ErrNotFound) && !errors.Is(err, casework.ErrConflict) {
			return nil, fmt.Errorf("it is published, entry %d, but its draft could not be removed: %w", e.N, err)
		}
	}
	return b.Proposal(ctx, in.Number)
}

// open refuses a proposal that was answered.
func open(p *Proposal) error {
	switch {
	case p == nil:
		return ErrNotFound
	case p.State == Approved:
		return refuse(RuleClosed, said("Expected an open proposal; found that %s approved number %d at %s.", p.Second.Name, p.Number, p.Second.At.Format(time.RFC3339)))
	case p.State == TurnedDown:
		return refuse(RuleClosed, said("Expected an open proposal; found that %s turned number %d down at %s. Propose it again.", p.Second.Name, p.Number, p.Second.At.Format(time.RFC3339)))
	}
	return nil
}

// TurnDown ends an open proposal without publication, with a reason: by the
// second person, or by the first, who takes it back. A draft stays.
func (b *Book) TurnDown(ctx context.Context, who Person, number int, reason string) error {
	if err := who.seconds(); err != nil {
		return err
	}
	reason = strings.TrimSpace(reason)
	if reason == "" || len(reason) > reasonLimit {
		return refuse(RuleReason, said("Expected the reason in words, at most %d letters; found %d. Say what has to change.", reasonLimit, len(reason)))
	}
	_, err := b.change(ctx, who, KindTurnedDown, func(st *state, at time.Time) (any, error) {
		p := st.proposals[number]
		if p == nil {
			return nil, fmt.Errorf("proposal %d: %w", number, ErrNotFound)
		}
		if err := open(p); err != nil {
			return nil, err
		}
		return answered{Proposal: number, Entry: p.Entry, By: who.signed(at), Region: p.Region, Version: p.Version, PackSHA256: p.PackSHA256, Known: dayOf(at), Reason: reason}, nil
	})
	return err
}
