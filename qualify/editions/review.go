package editions

import (
	"context"
	"errors"
	"fmt"
	"iter"

	"airwarrant/qualify"
	"airwarrant/qualify/casework"
	"airwarrant/rules"
)

// Changed says that the criteria of a case changed since it was determined.
type Changed struct {
	Region string
	// Version and SHA256 are of the version by which it was determined, Since the
	// day from which its criteria are others, zero where that is not known.
	Version string
	SHA256  string
	Since   rules.Date
	// Why is ChangedGone, ChangedCorrected or ChangedLater.
	Why string
	// From is the first day of the version published since, of ChangedLater: no
	// earlier test is judged by it.
	From rules.Date
}

// Why the criteria of a case are others now.
const (
	ChangedGone      = "gone"      // the version was withdrawn, or is not known any more
	ChangedCorrected = "corrected" // another version of the same day counts in its place
	ChangedLater     = "later"     // a version published since holds on later days, and so maybe on the day of the test
)

// CriteriaChanged tells, from its line in the list alone, whether the criteria of
// a case changed since it was determined: by the hash of the version that its
// determination names. A case of which it can't be told without its test date
// counts as changed with ChangedLater, until it is determined again. nil for a
// case whose criteria are as they were, or that was never determined.
func CriteriaChanged(lib *rules.Library, h casework.Head) []Changed {
	var out []Changed
	for _, r := range h.Results {
		if r.PackSHA256 == "" {
			continue
		}
		c := Changed{Region: r.Criteria, Version: r.Version, SHA256: r.PackSHA256}
		p := lib.Find(r.PackSHA256)
		if p != nil && p.Region.Region != r.Criteria {
			p = nil
		}
		switch {
		case p == nil || !p.KnownUntil.IsZero():
			c.Why = ChangedGone
			if p != nil {
				c.Since = p.KnownUntil
			}
			if day, err := rules.ParseDate(r.Version); err == nil {
				if q, err := lib.At(r.Criteria, day); err == nil && q.SHA256 != r.PackSHA256 {
					c.Why = ChangedCorrected
				}
			}
			out = append(out, c)
		case p.Until != nil:
			// Only the version that follows it can have taken days from it.
			next, err := lib.At(r.Criteria, p.Until.AddDays(1))
			if err == nil && h.DeterminedAt.Before(next.PublishedAt) {
				c.Why, c.Since, c.From = ChangedLater, dayOf(next.PublishedAt), next.EffectiveFrom
				out = append(out, c)
			}
		}
	}
	return out
}

// Reviewed is a case whose criteria changed since it was determined.
type Reviewed struct {
	Head    casework.Head
	Changed Changed
	// Exact says that the date of its test was looked at: by the criteria as they
	// are now another version is applied to it. Otherwise that may be so.
	Exact bool
}

// Review lists the cases of a region whose criteria changed since they were
// determined, by number: what is to be looked at after a publication, a correction
// or a withdrawal. Where a case keeps the date of its test it is listed only if
// another version is applied to that day now. Closed cases are among them, and
// those whose values were destroyed, which nobody can determine again. Nothing is
// changed. It ends after the first error.
func Review(ctx context.Context, store casework.Store, lib *rules.Library, region string) iter.Seq2[Reviewed, error] {
	return func(yield func(Reviewed, error) bool) {
		for h, err := range casework.All(ctx, store.Heads) {
			if err != nil {
				yield(Reviewed{}, err)
				return
			}
			for _, c := range CriteriaChanged(lib, h) {
				if c.Region != region {
					continue
				}
				r := Reviewed{Head: h, Changed: c}
				day, err := testDate(ctx, store, h)
				if err != nil {
					yield(Reviewed{}, fmt.Errorf("case %s: %w", h.Case, err))
					return
				}
				if !day.IsZero() {
					p, err := lib.InForce(region, day)
					if err == nil && p.SHA256 == c.SHA256 {
						continue
					}
					r.Exact = true
				}
				if !yield(r, nil) {
					return
				}
			}
		}
	}
}

// testDate is the date of the only test of a case as it keeps it, zero if it keeps
// none that can be read, or rests on several.
func testDate(ctx context.Context, store casework.Store, h casework.Head) (rules.Date, error) {
	if h.Kept == "" {
		return rules.Date{}, nil
	}
	packed, err := h.Reveal(ctx, store, h.Kept)
	if errors.Is(err, casework.ErrDestroyed) || errors.Is(err, casework.ErrNotFound) {
		return rules.Date{}, nil
	}
	if err != nil {
		return rules.Date{}, err
	}
	k, err := qualify.DecodeKept(packed)
	if err != nil || k.Tests() > 1 {
		return rules.Date{}, nil
	}
	return k.TestDate(), nil
}

// Under lists the cases that were last determined by a version, by the SHA-256 of
// its file: for the review after a withdrawal or a correction. Closed cases and
// those whose values were destroyed are among them: their lines say so. It ends
// after the first error.
func Under(ctx context.Context, store casework.Store, packSHA256 string) iter.Seq2[casework.Head, error] {
	return func(yield func(casework.Head, error) bool) {
		for h, err := range casework.All(ctx, store.Heads) {
			if err != nil {
				yield(h, err)
				return
			}
			for _, r := range h.Results {
				if r.PackSHA256 == packSHA256 {
					if !yield(h, nil) {
						return
					}
					break
				}
			}
		}
	}
}
