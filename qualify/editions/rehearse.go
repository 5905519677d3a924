package editions

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/rehearsal"
	"airwarrant/rules"
)

// The kinds of the notes of rehearsals: one with the progress under the id of
// the plan, and a kind of its own for the lines of each plan.
const (
	rehearsalKind = "criteria-rehearsal"
	linesKind     = "criteria-rehearsal-lines/"
)

// ConfirmationNotes is the kind of the notes that hold confirmations, one each
// as an entry of the file that the command line reads, under keys in the order
// in which they were made. Seals chain them.
const ConfirmationNotes = "confirmation"

// ConfirmationFile is all confirmations of a store as the file that check
// --confirmed reads, empty if it holds none. criteria.ParseConfirmations proves
// its seals. Errors are the store's.
func ConfirmationFile(ctx context.Context, store casework.Store) ([]byte, error) {
	var file []byte
	for n, err := range casework.All(ctx, func(ctx context.Context, after string, limit int) ([]casework.Note, string, error) {
		return store.Notes(ctx, ConfirmationNotes, after, limit)
	}) {
		if err != nil {
			return nil, err
		}
		file = append(file, n.Data...)
	}
	return file, nil
}

// Confirmed returns the confirmations of a store that hold for the criteria of a
// library, by the SHA-256 of their pack. The error is rules.Problems if their
// records do not fit together, or the store's.
func Confirmed(ctx context.Context, store casework.Store, lib *rules.Library) (map[string]criteria.Confirmations, error) {
	file, err := ConfirmationFile(ctx, store)
	if err != nil {
		return nil, err
	}
	list, err := criteria.ParseConfirmations(file, "confirmed drafts")
	if err != nil {
		return nil, err
	}
	return criteria.Holding(list, lib), nil
}

// Rehearsal is how far the rehearsal of a draft is.
type Rehearsal struct {
	Begun    Signed             `json:"begun"`
	Ended    Signed             `json:"ended,omitzero"` // when all cases were through; zero before
	InForce  string             `json:"in_force"`       // SHA-256 of the version beside the draft
	Draft    string             `json:"draft"`          // SHA-256 of the draft's file
	ID       string             `json:"id,omitempty"`   // of the draft, "" where it is none of the book
	Pages    int                `json:"pages"`          // of lines that are stored
	Progress rehearsal.Progress `json:"progress"`
}

// ErrNothingBeside: no version in force could be laid beside the draft, so there
// is nothing to rehearse. Such a draft is proposed without.
var ErrNothingBeside = errors.New("no version in force lies beside the draft")

// Plan is the rehearsal of a draft over the library that counts now, with the
// confirmations of the store. *Refused if the draft has faults, ErrNothingBeside
// if there is nothing to compare it with.
func (b *Book) Plan(ctx context.Context, d Draft) (*rehearsal.Plan, error) {
	lib, err := b.Current(ctx)
	if err != nil {
		return nil, err
	}
	return b.plan(ctx, d, lib)
}

func (b *Book) plan(ctx context.Context, d Draft, lib *rules.Library) (*rehearsal.Plan, error) {
	region, err := regionOf(d, lib)
	if err != nil {
		return nil, refuse(RuleRegion, said("Expected a region that can be read; found a fault. Mend region.yaml first."))
	}
	pack, err := readPack(region, []byte(d.Pack), []byte(d.Cases))
	if err != nil {
		return nil, refuse(RuleFaults, said("Expected a draft without a fault; found one. Mend it first: %s", firstFault(err)))
	}
	confirmed, err := Confirmed(ctx, b.store, lib)
	if err != nil {
		return nil, err
	}
	p, err := rehearsal.New(pack, lib, confirmed)
	if errors.Is(err, rules.ErrNoPackInForce) || errors.Is(err, rules.ErrUnknownRegion) || pack.Withdrawn {
		return nil, fmt.Errorf("%w: %s from %s", ErrNothingBeside, d.Region, pack.EffectiveFrom)
	}
	return p, err
}

// Rehearsed returns how far the rehearsal of a draft is, as it stands, and
// whether one was begun. A draft or a version in force that changed since has
// another rehearsal, which begins anew. Errors are those of Plan.
func (b *Book) Rehearsed(ctx context.Context, d Draft) (Rehearsal, bool, error) {
	p, err := b.Plan(ctx, d)
	if err != nil {
		return Rehearsal{}, false, err
	}
	r, _, err := b.rehearsed(ctx, p)
	return r, r.Begun.Account != "", err
}

func (b *Book) rehearsed(ctx context.Context, p *rehearsal.Plan) (r Rehearsal, raw []byte, err error) {
	raw, err = b.store.Note(ctx, rehearsalKind, p.ID())
	if errors.Is(err, casework.ErrNotFound) {
		return r, nil, nil
	}
	if err == nil {
		err = json.Unmarshal(raw, &r)
	}
	return r, raw, err
}

// Rehearse replays the stored cases under a draft, from where the rehearsal of
// exactly this draft stood, and keeps its progress and its lines after every
// page: it may be ended by ctx at any time and gone on with later, by any
// process. tell, if it is not nil, is called after every page in the goroutine
// of the caller. ErrConflict of casework if another process is at the same
// rehearsal. Errors are those of Plan, of the store and of ctx; the Rehearsal is
// then as far as it is kept.
func (b *Book) Rehearse(ctx context.Context, who Person, d Draft, tell func(Rehearsal)) (Rehearsal, error) {
	p, err := b.Plan(ctx, d)
	if err != nil {
		return Rehearsal{}, err
	}
	return b.rehearse(ctx, who, p, d.ID, tell)
}

// RehearsePlan is Rehearse for a plan over the cases of the store, whose draft
// need not be one of the book.
func (b *Book) RehearsePlan(ctx context.Context, who Person, p *rehearsal.Plan, tell func(Rehearsal)) (Rehearsal, error) {
	return b.rehearse(ctx, who, p, "", tell)
}

func (b *Book) rehearse(ctx context.Context, who Person, p *rehearsal.Plan, id string, tell func(Rehearsal)) (Rehearsal, error) {
	if err := who.writes(); err != nil {
		return Rehearsal{}, err
	}
	at, raw, err := b.rehearsed(ctx, p)
	if err != nil || at.Progress.Done {
		return at, err
	}
	if raw == nil {
		at = Rehearsal{Begun: who.signed(b.now()), InForce: p.InForce.SHA256, Draft: p.Draft.SHA256, ID: id}
		// Those of earlier texts of the draft are read by nobody any more, and what a
		// command left when it was interrupted long ago neither.
		old := at.Begun.At.Add(-keepRehearsals)
		if err := b.tidy(ctx, func(r Rehearsal) bool {
			return id != "" && r.ID == id || r.ID == "" && r.Begun.At.Before(old)
		}); err != nil {
			return at, err
		}
	}
	inner, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	var lines []rehearsal.Line
	page := func(progress rehearsal.Progress) {
		if inner.Err() != nil {
			return
		}
		next := at
		next.Progress = progress
		if len(lines) > 0 {
			data, err := json.Marshal(lines)
			if err == nil {
				err = b.store.PutNote(ctx, linesKind+p.ID(), fmt.Sprintf("%08d", at.Pages), data)
			}
			if err != nil {
				stop(err)
				return
			}
			lines, next.Pages = nil, at.Pages+1
		}
		if progress.Done {
			next.Ended = who.signed(b.now())
		}
		data, err := json.Marshal(next)
		if err == nil {
			err = b.store.SwapNote(ctx, rehearsalKind, p.ID(), raw, data)
		}
		if err != nil {
			stop(fmt.Errorf("the progress of the rehearsal: %w", err))
			return
		}
		at, raw = next, data
		if tell != nil {
			tell(at)
		}
	}
	_, err = p.Run(inner, rehearsal.Stored(b.store), at.Progress, page, func(l rehearsal.Line) error {
		lines = append(lines, l)
		return nil
	})
	if cause := context.Cause(inner); cause != nil && ctx.Err() == nil {
		err = cause
	}
	return at, err
}

// Lines gives the lines of the rehearsal of a draft as far as it is, in the order
// of case numbers: those cases of which there is something to tell. It ends after
// the first error.
func (b *Book) Lines(ctx context.Context, d Draft) iter.Seq2[rehearsal.Line, error] {
	return func(yield func(rehearsal.Line, error) bool) {
		p, err := b.Plan(ctx, d)
		if err != nil {
			yield(rehearsal.Line{}, err)
			return
		}
		b.PlanLines(ctx, p)(yield)
	}
}

// PlanLines is Lines for a plan.
func (b *Book) PlanLines(ctx context.Context, p *rehearsal.Plan) iter.Seq2[rehearsal.Line, error] {
	return func(yield func(rehearsal.Line, error) bool) {
		at, _, err := b.rehearsed(ctx, p)
		if err != nil {
			yield(rehearsal.Line{}, err)
			return
		}
		for page := range at.Pages {
			data, err := b.store.Note(ctx, linesKind+p.ID(), fmt.Sprintf("%08d", page))
			var lines []rehearsal.Line
			if err == nil {
				err = json.Unmarshal(data, &lines)
			}
			if err != nil {
				yield(rehearsal.Line{}, fmt.Errorf("lines of the rehearsal, page %d: %w; begin it anew", page+1, err))
				return
			}
			for _, l := range lines {
				if !yield(l, nil) {
					return
				}
			}
		}
	}
}

// Again forgets the rehearsal of a draft, so that the next one begins with the
// first case: cases may have come since.
func (b *Book) Again(ctx context.Context, d Draft) error {
	p, err := b.Plan(ctx, d)
	if err != nil {
		return err
	}
	return b.forgetPlan(ctx, p.ID())
}

// AgainPlan is Again for a plan.
func (b *Book) AgainPlan(ctx context.Context, p *rehearsal.Plan) error {
	return b.forgetPlan(ctx, p.ID())
}

// ForgetPlan removes what is kept of the rehearsal of a plan, unless a draft of
// the book is the same: that one keeps it, and may be proposed by it.
func (b *Book) ForgetPlan(ctx context.Context, p *rehearsal.Plan) error {
	drafts, err := b.Drafts(ctx)
	if err != nil {
		return err
	}
	for _, d := range drafts {
		if d.PackSHA256() == p.Draft.SHA256 {
			return nil
		}
	}
	return b.forgetPlan(ctx, p.ID())
}

func (b *Book) forgetPlan(ctx context.Context, id string) error {
	if err := b.store.DeleteNote(ctx, rehearsalKind, id); err != nil {
		return err
	}
	for n, err := range casework.All(ctx, func(ctx context.Context, after string, limit int) ([]casework.Note, string, error) {
		return b.store.Notes(ctx, linesKind+id, after, limit)
	}) {
		if err != nil {
			return err
		}
		if err := b.store.DeleteNote(ctx, linesKind+id, n.Key); err != nil {
			return err
		}
	}
	return nil
}

// keepRehearsals is how long the rehearsal of what is no draft of the book is
// kept, to be gone on with (our choice).
const keepRehearsals = 30 * 24 * time.Hour

// tidy removes rehearsals.
func (b *Book) tidy(ctx context.Context, gone func(Rehearsal) bool) error {
	for n, err := range casework.All(ctx, func(ctx context.Context, after string, limit int) ([]casework.Note, string, error) {
		return b.store.Notes(ctx, rehearsalKind, after, limit)
	}) {
		if err != nil {
			return err
		}
		var r Rehearsal
		if json.Unmarshal(n.Data, &r) != nil || gone(r) {
			if err := b.forgetPlan(ctx, n.Key); err != nil {
				return err
			}
		}
	}
	return nil
}
