package casework

import (
	"context"
	"fmt"
	"sync"
	"time"
)

// Head is one line of the list of cases: a projection of the case, which can
// be rebuilt from its events at any time.
type Head struct {
	// Form is HeadForm of the program that made it.
	Form        int       `json:"form,omitzero"`
	Case        string    `json:"case"`
	K           int       `json:"k"`    // of the last event
	Hash        string    `json:"hash"` // of the last event
	Edited      int       `json:"edited"`
	Criteria    []string  `json:"criteria"`
	OpenedAt    time.Time `json:"opened_at"`
	ChangedAt   time.Time `json:"changed_at"` // of the last event
	ClosedAt    time.Time `json:"closed_at,omitzero"`
	DestroyedAt time.Time `json:"destroyed_at,omitzero"`
	// Results are of the latest determination, Current if nothing was edited
	// since.
	Results []Result `json:"results,omitempty"`
	Current bool     `json:"current,omitzero"`
	// DeterminedAt is when they were determined, zero if never.
	DeterminedAt time.Time `json:"determined_at,omitzero"`
	// Alert says that a critically low reading is on the case and nobody is
	// entered as told.
	Alert bool   `json:"alert,omitzero"`
	State State  `json:"state,omitzero"`
	Owner string `json:"owner,omitzero"` // "" for nobody
	// Due and Until are days as 2006-01-02, "" for none; see Case.Due and
	// Determined.Until.
	Due    string `json:"due,omitzero"`
	DueFor string `json:"due_for,omitzero"`
	Until  string `json:"until,omitzero"`
	// Patient points to who the patient is, so that a list of many cases
	// need not read all their events.
	Patient PatientStated `json:"patient,omitzero"`
	// Uploads are the hashes of all recordings and documents ever on the case
	// whose bytes must stay.
	Uploads []string `json:"uploads,omitempty"`
	// Kept is Determined.Kept where Results are current, so that many cases
	// can be determined again without their events. "" otherwise.
	Kept Ref `json:"kept,omitzero"`
}

// HeadForm is raised whenever a line holds something new: a store makes those
// of an earlier form anew when it is opened.
const HeadForm = 3

// Region is the region by whose criteria the case is judged first.
func (h Head) Region() string {
	if len(h.Criteria) == 0 {
		return ""
	}
	return h.Criteria[0]
}

// Reveal returns a personal value of the case; see Case.Reveal.
func (h Head) Reveal(ctx context.Context, s Store, r Ref) ([]byte, error) {
	return (&Case{Number: h.Case}).Reveal(ctx, s, r)
}

func headOf(c Case, changed time.Time) Head {
	h := Head{Form: HeadForm, Case: c.Number, K: c.K, Hash: c.Hash, Edited: c.Edited, Criteria: c.Criteria, OpenedAt: c.OpenedAt,
		ChangedAt: changed, ClosedAt: c.ClosedAt, DestroyedAt: c.DestroyedAt}
	h.Alert = c.AlertOpen()
	if c.Determination != nil {
		h.Results, h.Current = c.Determination.Results, c.Edited == c.Determination.K
		h.Until, h.DeterminedAt = c.Determination.Until, c.Determination.At
	}
	h.State, h.Owner = c.State(), c.Owner
	h.Due, h.DueFor = c.Due()
	if c.DestroyedAt.IsZero() {
		h.Patient = c.Patient
		if h.Current {
			h.Kept = c.Determination.Kept
		}
		for _, u := range c.Uploads {
			h.Uploads = append(h.Uploads, u.SHA256)
		}
		for _, d := range c.Documents {
			h.Uploads = append(h.Uploads, d.SHA256)
		}
	}
	return h
}

// HeadOf returns the projection of a chain after checking it.
func HeadOf(number string, events []Event) (Head, error) {
	c, err := fold(number, events)
	if err != nil {
		return Head{}, err
	}
	return headOf(c, events[len(events)-1].At), nil
}

// RebuildHead stores the projection of one case anew and returns it.
func RebuildHead(ctx context.Context, s Store, number string) (Head, error) {
	events, err := s.Events(ctx, number, 1)
	if err != nil {
		return Head{}, fmt.Errorf("case %s: %w", number, err)
	}
	h, err := HeadOf(number, events)
	if err != nil {
		return Head{}, err
	}
	if err := s.PutHead(ctx, h); err != nil {
		return Head{}, fmt.Errorf("case %s: %w", number, err)
	}
	return h, nil
}

// RebuildHeads stores the projection of every case anew: after a kill between
// an event and its projection, and from time to time. A case whose chain is
// broken keeps its old line, and the fault of the first of them by number is
// returned after all others are done.
func RebuildHeads(ctx context.Context, s Store) error {
	var mu sync.Mutex
	var at string
	var first error
	err := together(ctx, rebuiltAtOnce, All(ctx, s.Cases), func(ctx context.Context, id string) error {
		_, err := RebuildHead(ctx, s, id)
		if err == nil || ctx.Err() != nil {
			return err
		}
		mu.Lock()
		defer mu.Unlock()
		if first == nil || id < at {
			at, first = id, err
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("going through the cases: %w", err)
	}
	return first
}

// rebuiltAtOnce is how many lines are made anew at once (our choice: what a
// store elsewhere takes to answer is most of the time).
const rebuiltAtOnce = 16
