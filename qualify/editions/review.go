package editions

import (
	"context"
	"iter"

	"airwarrant/qualify/casework"
	"airwarrant/rules"
)

// Changed says that the criteria of a case changed since it was determined.
type Changed struct {
	Region string
	// Version and SHA256 are of the version by which it was determined, Since the
	// day from which that one no longer counts, zero where it does.
	Version string
	SHA256  string
	Since   rules.Date
	// Why is ChangedGone, ChangedCorrected or ChangedLater.
	Why string
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
		case p.Until != nil && !h.ChangedAt.IsZero():
			next, err := lib.At(r.Criteria, p.Until.AddDays(1))
			// Known on the day of the last event, or before: then the event may
			// have been judged by it already, and a look at the case tells.
			if err == nil && !next.KnownSince.IsZero() && dayOf(h.ChangedAt).Before(next.KnownSince) {
				c.Why = ChangedLater
				out = append(out, c)
			}
		}
	}
	return out
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
