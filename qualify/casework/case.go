package casework

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"
)

// Case is the state that the events of a case add up to. Its JSON, save Hash,
// is what Event.State is the hash of; so a member that is added later must be
// left out when it is empty (omitzero), or older chains no longer verify.
type Case struct {
	Number   string    `json:"number"`
	K        int       `json:"k"`      // of the last event
	Hash     string    `json:"-"`      // of the last event
	Edited   int       `json:"edited"` // k of the last event on which a determination may rest
	OpenedAt time.Time `json:"opened_at"`
	ClosedAt time.Time `json:"closed_at,omitzero"` // zero: open
	// DestroyedAt is when personal values and uploads were destroyed; zero: never.
	DestroyedAt   time.Time            `json:"destroyed_at,omitzero"`
	Criteria      []string             `json:"criteria"` // regions
	Patient       PatientStated        `json:"patient,omitzero"`
	Identity      Identity             `json:"identity,omitzero"`
	Facts         map[string]Statement `json:"facts,omitempty"`   // by name
	Uploads       []Upload             `json:"uploads,omitempty"` // in the order they were added
	Answers       map[string]Given     `json:"answers,omitempty"` // an office's latest, by name of the fact
	Links         []Link               `json:"links,omitempty"`
	Determination *Determination       `json:"determination,omitempty"` // the latest; stale if Edited is above its K
	CriticalTold  []Told               `json:"critical_told,omitempty"`
	Documents     []Document           `json:"documents,omitempty"` // in the order they were added
	Owner         string               `json:"owner,omitzero"`      // who works on it, "" for nobody
	DueSet        string               `json:"due_set,omitzero"`    // day that somebody set, as 2006-01-02

	// asked and heard are k of the last link for an office and of the last
	// answer of one. They follow from the events and are no part of the hash.
	asked, heard int
	// corrected and moved are when the patient was last stated otherwise, and when
	// a recording's stretch was; neither is part of the hash.
	corrected, moved Since
}

// Since is the event by which something became what it is; K is 0 for none.
type Since struct {
	K  int
	At time.Time
}

// Corrected is when somebody else was last stated as the patient, or the same
// person otherwise; zero if the first statement stands.
func (c *Case) Corrected() Since { return c.corrected }

// Moved is when another stretch of a recording was chosen, or another way to read
// it, or the choice was taken back; zero if the first choice of each stands.
func (c *Case) Moved() Since { return c.moved }

// Identity is the latest IdentityConfirmed; K is 0 if there is none.
type Identity struct {
	Words Ref       `json:"words"`
	K     int       `json:"k"`
	At    time.Time `json:"at"`
	By    string    `json:"by"`
	Role  Role      `json:"role"`
}

// Statement is a fact as it stands, with who stated it when.
type Statement struct {
	Stated
	K    int       `json:"k"`
	At   time.Time `json:"at"`
	By   string    `json:"by"`
	Role Role      `json:"role"`
}

// Upload is a recording on the case.
type Upload struct {
	SHA256    string          `json:"sha256"`
	Size      int64           `json:"size"` // bytes
	Name      Ref             `json:"name,omitzero"`
	At        time.Time       `json:"at"`
	By        string          `json:"by"`
	Role      Role            `json:"role"`
	Withdrawn bool            `json:"withdrawn,omitzero"`
	Reason    Ref             `json:"reason,omitzero"`  // why withdrawn
	Session   int             `json:"session,omitzero"` // 0: not chosen
	Reading   json.RawMessage `json:"reading,omitempty"`
	Spans     []Judgement     `json:"spans,omitempty"`
}

// Determination is the latest Determined.
type Determination struct {
	Program string    `json:"program"`
	Results []Result  `json:"results"`
	K       int       `json:"k"`
	At      time.Time `json:"at"`
	// Critical and what follows it are as in Determined.
	Critical string `json:"critical,omitzero"`
	Draft    bool   `json:"draft,omitzero"`
	Due      string `json:"due,omitzero"`
	DueFor   string `json:"due_for,omitzero"`
	Until    string `json:"until,omitzero"`
	Kept     Ref    `json:"kept,omitzero"`
}

// Told is one CriticalTold.
type Told struct {
	SHA256 string    `json:"sha256,omitzero"`
	Words  Ref       `json:"words"`
	Alert  string    `json:"alert,omitzero"`
	K      int       `json:"k"`
	At     time.Time `json:"at"`
	By     string    `json:"by"`
	Role   Role      `json:"role"`
}

// AlertOpen reports whether a critically low reading was found at the latest
// determination and nobody is entered as told of it. Readings that came later
// open it again.
func (c *Case) AlertOpen() bool {
	d := c.Determination
	return d != nil && d.Critical != "" && !slices.ContainsFunc(c.CriticalTold, func(t Told) bool { return t.Alert == d.Critical })
}

func (c *Case) uploadAt(sha string) int {
	return slices.IndexFunc(c.Uploads, func(u Upload) bool { return u.SHA256 == sha })
}

func (c *Case) changeUpload(sha string, change func(*Upload)) error {
	i := c.uploadAt(sha)
	if i < 0 || c.Uploads[i].Withdrawn {
		return refused("the recording %q is not on the case", sha)
	}
	c.Uploads = slices.Clone(c.Uploads)
	change(&c.Uploads[i])
	return nil
}

// Apply returns the case after event e. It reads e's change and place, not
// its hashes: that is Verify. The zero Case is the state before event 1.
// ErrRefused if the change does not fit. c itself stays as it is.
func Apply(c Case, e Event) (Case, error) {
	if e.K != c.K+1 || e.Case == "" || (c.K > 0 && e.Case != c.Number) {
		return Case{}, refused("expected event %d of case %q, found event %d of case %q", c.K+1, c.Number, e.K, e.Case)
	}
	if e.By == "" || e.Role == "" || e.At.IsZero() {
		return Case{}, refused("an event needs an instant, a person and a role")
	}
	if (e.K == 1) != (e.Kind == KindOpened) {
		return Case{}, refused("event 1 and no other opens a case, found %s as event %d", e.Kind, e.K)
	}
	if !e.Kind.look() {
		if !c.DestroyedAt.IsZero() {
			return Case{}, fmt.Errorf("%w: %w; nothing can be added", ErrRefused, ErrDestroyed)
		}
		if !c.ClosedAt.IsZero() && e.Kind != KindReopened && e.Kind != KindDestroyed {
			return Case{}, refused("the case is closed; reopen it first")
		}
	}
	// A store may have laid the JSON out anew.
	change, err := canonical(e.Change)
	if err != nil {
		return Case{}, refused("%s: its change is no JSON: %v", e.Kind, err)
	}
	ch, err := decode(e.Kind, change)
	if err != nil {
		return Case{}, err
	}
	for _, r := range ch.refs() {
		if r != "" && !isHash(string(r)) {
			return Case{}, refused("%s points to %q, which is no reference to a personal value; seal the value first", e.Kind, r)
		}
	}
	if err := ch.apply(&c, e); err != nil {
		return Case{}, err
	}
	c.Number, c.K, c.Hash = e.Case, e.K, e.Hash
	if !e.Kind.look() && e.Kind != KindAssigned {
		c.Edited = e.K
	}
	return c, nil
}

// StateHash returns the SHA-256 of the case's canonical JSON; see Event.Sum.
func (c Case) StateHash() (string, error) {
	data, err := canonical(c)
	if err != nil {
		return "", refused("%v", err)
	}
	return hexHash(data), nil
}

// Create begins a case under a number from NewNumber. ErrConflict if the
// number is taken: take another.
func Create(ctx context.Context, s Store, number string, st Stamp, o Opened) (*Case, error) {
	if _, err := ParseNumber(number); err != nil {
		return nil, err
	}
	c := &Case{Number: number}
	if err := c.Append(ctx, s, st, o); err != nil {
		return nil, err
	}
	return c, nil
}

// Open reads a case and checks its chain. ErrNotFound if there is none, a
// *ChainError if it was altered.
func Open(ctx context.Context, s Store, number string) (*Case, error) {
	events, err := s.Events(ctx, number, 1)
	if err != nil {
		return nil, fmt.Errorf("case %s: %w", number, err)
	}
	if len(events) == 0 {
		return nil, fmt.Errorf("case %s: %w", number, ErrNotFound)
	}
	c, err := fold(number, events)
	if err != nil {
		return nil, err
	}
	return &c, nil
}

// Append writes one change as the next event. On ErrConflict the case in hand
// is out of date: Open it again. On ErrHead the event is stored. On any other
// error nothing is, and c stays as it was.
func (c *Case) Append(ctx context.Context, s Store, st Stamp, ch Change) error {
	e, next, err := newEvent(*c, st, ch)
	if err != nil {
		return err
	}
	if err := s.PutEvent(ctx, e); err != nil {
		return fmt.Errorf("case %s, event %d: %w", e.Case, e.K, err)
	}
	*c = next
	// The event is stored; that the caller gives up now must not leave the
	// list behind.
	if err := s.PutHead(context.WithoutCancel(ctx), headOf(next, e.At)); err != nil {
		return fmt.Errorf("case %s, event %d: %w: %w", e.Case, e.K, ErrHead, err)
	}
	return nil
}

// updateTries is how often Update reads again when others keep writing.
const updateTries = 20

// Update opens a case, asks decide for a change, appends it, and does it all
// again if somebody else wrote meanwhile. Decide compares Case.Edited with
// what its reader saw, and returns ErrConflict if the change rests on what is
// no longer so. An error of decide ends Update.
func Update(ctx context.Context, s Store, number string, st Stamp, decide func(*Case) (Change, error)) (*Case, error) {
	var err error
	for range updateTries {
		var c *Case
		if c, err = Open(ctx, s, number); err != nil {
			return nil, err
		}
		ch, refusal := decide(c)
		if refusal != nil {
			return nil, refusal
		}
		if err = c.Append(ctx, s, st, ch); err == nil {
			return c, nil
		}
		if !errors.Is(err, ErrConflict) {
			return nil, err
		}
	}
	return nil, err
}
