package casework

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Retain destroys the personal values of every case that was closed before
// the given instant, as Destroy does, and ends what a kill left half done. It
// returns how many cases it destroyed. A case that somebody reopens meanwhile
// is left alone. The uploads go with the next SweepUploads. Results of batches
// end besides, KeptFor after they were written, and are not counted.
func Retain(ctx context.Context, s Store, st Stamp, before time.Time) (int, error) {
	n := 0
	if _, err := EndKept(ctx, s, BatchLedger, st.At.Add(-KeptFor)); err != nil {
		return n, err
	}
	for h, err := range All(ctx, s.Heads) {
		if err != nil {
			return n, fmt.Errorf("listing heads: %w", err)
		}
		switch {
		case !h.DestroyedAt.IsZero():
			_, err := s.Key(ctx, h.Case)
			if errors.Is(err, ErrDestroyed) {
				continue
			}
			if err != nil && !errors.Is(err, ErrNotFound) {
				return n, fmt.Errorf("case %s: its key: %w", h.Case, err)
			}
		case h.ClosedAt.IsZero() || !h.ClosedAt.Before(before):
			continue
		}
		err := Destroy(ctx, s, h.Case, st, "retention ended")
		if errors.Is(err, ErrRefused) {
			continue
		}
		if err != nil {
			return n, err
		}
		n++
	}
	return n, nil
}

// UploadsWait is how long Tidy leaves an upload whose event was never written.
const UploadsWait = 24 * time.Hour

// Tidy does what a store needs once a day, at st.At: cases closed for longer than
// retention are destroyed, 0 for none ever, results of batches end, and uploads
// that nothing needs are removed. It is safe to run again.
func Tidy(ctx context.Context, s Store, st Stamp, retention time.Duration) (destroyed, removed int, err error) {
	if retention > 0 {
		if destroyed, err = Retain(ctx, s, st, st.At.Add(-retention)); err != nil {
			return destroyed, 0, fmt.Errorf("retention: %w", err)
		}
	} else if _, err := EndKept(ctx, s, BatchLedger, st.At.Add(-KeptFor)); err != nil {
		return 0, 0, fmt.Errorf("results of batches: %w", err)
	}
	if removed, err = SweepUploads(ctx, s, st.At.Add(-UploadsWait)); err != nil {
		return destroyed, removed, fmt.Errorf("uploads: %w", err)
	}
	return destroyed, removed, nil
}
