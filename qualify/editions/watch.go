package editions

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// ReviewDays is how long a document counts as read, in days, unless whoever read
// it said otherwise (our choice): payers change their criteria about once a year.
const ReviewDays = 365

// Reading is that somebody looked a document of a version up. It sets the day
// on which the document is due again.
type Reading struct {
	By      Signed     `json:"by"`
	Region  string     `json:"region"`
	Version rules.Date `json:"version"`
	// Document is Watched.ID.
	Document string `json:"document"`
	Title    string `json:"title"` // of the document, as the version names it
	Found    Found  `json:"found"`
	Words    string `json:"words,omitempty"` // what changed, or where it is now
	// SHA256 is of the private copy, "" if none was taken. Book.Copy opens it.
	SHA256  string     `json:"sha256,omitempty"`
	Size    int64      `json:"size,omitempty"`    // bytes of the copy
	Uploads []string   `json:"uploads,omitempty"` // SHA256, for casework.SweepUploads
	Next    rules.Date `json:"next"`              // day on which it is due again
}

// Found is what somebody found at the address of a document.
type Found string

// What can be found.
const (
	FoundSame    Found = "same"    // it says what the version says
	FoundChanged Found = "changed" // a new edition, or other words: it stays due until a version names another document
	FoundGone    Found = "gone"    // it is not there any more: it stays due
)

// Watched is one document on which a version that is in force, or will be, rests.
type Watched struct {
	ID      string     `json:"id"` // of the document within its region; may stand in addresses
	Region  string     `json:"region"`
	Name    string     `json:"name"`    // of the region
	Version rules.Date `json:"version"` // the latest version that rests on it
	Cites   []string   `json:"cites"`   // its names in that version, sorted
	// Document, Edition and Address are those of the citations; Sections are all
	// of theirs.
	Document string   `json:"document"`
	Edition  string   `json:"edition,omitempty"`
	Address  string   `json:"address,omitempty"`
	Sections []string `json:"sections,omitempty"`
	// Read is the day on which it was last read, zero if never, and By who did,
	// "" where the version itself says so.
	Read rules.Date `json:"read,omitzero"`
	By   string     `json:"by,omitempty"`
	// SHA256 and Size are of the latest private copy, "" if there is none.
	SHA256 string `json:"sha256,omitempty"`
	Size   int64  `json:"size,omitempty"`
	// Found and Words are of the latest Reading, "" if there is none.
	Found Found  `json:"found,omitempty"`
	Words string `json:"words,omitempty"`
	// Due is the day on which somebody has to look, Late that it is not after
	// today, and Why one of the constants Due….
	Due  rules.Date `json:"due,omitzero"`
	Late bool       `json:"late"`
	Why  string     `json:"why"`
}

// Why a document is due.
const (
	DueReview  = "review"     // some time after it was last read
	DueNever   = "never_read" // nobody has read it in the document itself
	DueChanged = "changed"    // it was found changed, or gone
	DueExpired = "expired"    // the edition of the version is past its last day
)

// documentID names a document: its title, edition and address.
func documentID(c rules.Citation) string {
	return hashOf(fmt.Appendf(nil, "%q %q %q", c.Document, c.Edition, c.Address))[:16]
}

// Watch lists the documents of every version that is in force today or later, of
// regions that are not hidden, the first due first. A document that several
// citations or versions of a region name stands once. What resets the day is a
// Reading, the confirmation of a clause that cites the document, and read_on of
// the citation, whichever is the latest.
func (b *Book) Watch(ctx context.Context) ([]Watched, error) {
	st, err := b.read(ctx)
	if err != nil {
		return nil, err
	}
	file, err := ConfirmationFile(ctx, b.store)
	if err != nil {
		return nil, err
	}
	// Records that do not fit together confirm nothing.
	confirmed, err := criteria.ParseConfirmations(file, "confirmed drafts")
	if err != nil {
		confirmed = nil
	}
	return watch(st.library, st.readings, criteria.Holding(confirmed, st.library), b.today()), nil
}

// WatchLibrary is Watch of a library alone, without a store: by what its versions
// say themselves.
func WatchLibrary(lib *rules.Library, today rules.Date) []Watched {
	return watch(lib, nil, nil, today)
}

func watch(lib *rules.Library, readings []Reading, confirmed map[string]criteria.Confirmations, today rules.Date) []Watched {
	var out []Watched
	for _, r := range lib.Regions() {
		if r.Hidden {
			continue
		}
		byID := map[string]*Watched{}
		for _, p := range lib.History(r.Region) {
			if p.Until != nil && p.Until.Before(today) || p.Unreadable != "" {
				continue
			}
			confirmedOn := confirmedDays(p, confirmed[p.SHA256])
			seen := map[string]bool{}
			for _, name := range slices.Sorted(maps.Keys(p.Cites)) {
				c := p.Cites[name]
				id := documentID(c)
				w := byID[id]
				if w == nil {
					w = &Watched{ID: id, Region: r.Region, Name: r.Name, Document: c.Document, Edition: c.Edition, Address: c.Address}
					byID[id] = w
				}
				if !seen[id] { // the latest version names it last
					seen[id], w.Cites, w.Sections, w.Version = true, nil, nil, p.EffectiveFrom
				}
				w.Cites = append(w.Cites, name)
				if c.Section != "" && !slices.Contains(w.Sections, c.Section) {
					w.Sections = append(w.Sections, c.Section)
				}
				w.reset(c.ReadOn, "")
				if conf, ok := confirmedOn[name]; ok {
					w.reset(conf.On, conf.By)
				}
				if e := p.Expires; !e.IsZero() && e.Before(today) && slices.Contains(p.ExpiresCite, name) {
					w.Why, w.Due = DueExpired, e.AddDays(1)
				}
			}
		}
		for _, id := range slices.Sorted(maps.Keys(byID)) {
			w := byID[id]
			w.settle(readings, today)
			out = append(out, *w)
		}
	}
	slices.SortStableFunc(out, func(a, b Watched) int {
		return cmp.Or(cmp.Compare(a.Due.Days(), b.Due.Days()), strings.Compare(a.Region, b.Region), strings.Compare(a.Document, b.Document), strings.Compare(a.ID, b.ID))
	})
	return out
}

// reset takes a later day of reading.
func (w *Watched) reset(day rules.Date, by string) {
	if !day.IsZero() && w.Read.Before(day) || w.Read.IsZero() {
		w.Read, w.By = day, by
	}
}

// settle says when it is due, after the readings of it in order.
func (w *Watched) settle(readings []Reading, today rules.Date) {
	next := rules.Date{}
	if !w.Read.IsZero() {
		next = w.Read.AddDays(ReviewDays)
	}
	for _, r := range readings {
		if r.Region != w.Region || r.Document != w.ID {
			continue
		}
		w.Found, w.Words = r.Found, r.Words
		if r.SHA256 != "" {
			w.SHA256, w.Size = r.SHA256, r.Size
		}
		if day := dayOf(r.By.At); !day.Before(w.Read) {
			w.Read, w.By, next = day, r.By.Name, r.Next
		}
	}
	switch {
	case w.Found == FoundChanged || w.Found == FoundGone:
		w.Why, w.Due = DueChanged, w.Read
	case w.Why == DueExpired && w.Read.Before(w.Due):
		// An edition that ran out is due since then, until somebody looks for its
		// successor.
	case w.Read.IsZero():
		w.Why, w.Due = DueNever, rules.Date{}
	default:
		w.Why, w.Due = DueReview, next
	}
	w.Late = !today.Before(w.Due)
}

// confirmedDays are the latest confirmations of a version, by the citations of
// what they confirm.
func confirmedDays(p *rules.Pack, by criteria.Confirmations) map[string]criteria.Confirmation {
	out := map[string]criteria.Confirmation{}
	for _, d := range p.Drafts() {
		c, ok := by[d.ID]
		if !ok {
			continue
		}
		for _, name := range d.Cite {
			if out[name].On.IsZero() || out[name].On.Before(c.On) {
				out[name] = c
			}
		}
	}
	return out
}

// Looked is what somebody states who looked a document up.
type Looked struct {
	Region   string
	Document string // Watched.ID
	Found    Found
	Words    string     // needed unless it was found the same
	Next     rules.Date // when to look again; zero: ReviewDays after today
	// Copy is the private copy of what was read, nil if none is taken: at most
	// CopyLimit bytes. It is kept for as long as the store, and Copy opens it.
	Copy []byte
}

// CopyLimit is the most bytes that a copy of a document may have.
const CopyLimit = 24 << 20

// nextLimit is how far ahead a look may be put off, in days (our choice).
const nextLimit = 2 * ReviewDays

// LookedUp writes down that a document was looked up. *Refused for what does not
// fit, ErrNotFound if no version that is in force rests on such a document.
func (b *Book) LookedUp(ctx context.Context, who Person, in Looked) (Reading, error) {
	if err := who.maintains(); err != nil {
		return Reading{}, err
	}
	all, err := b.Watch(ctx)
	if err != nil {
		return Reading{}, err
	}
	i := slices.IndexFunc(all, func(w Watched) bool { return w.Region == in.Region && w.ID == in.Document })
	if i < 0 {
		return Reading{}, fmt.Errorf("document %.20s of %.64s: %w", in.Document, in.Region, ErrNotFound)
	}
	w := all[i]
	today := b.today()
	r := Reading{Region: w.Region, Version: w.Version, Document: w.ID, Title: w.Document, Found: in.Found, Words: strings.TrimSpace(in.Words), Next: in.Next, Size: int64(len(in.Copy))}
	if r.Next.IsZero() {
		r.Next = today.AddDays(ReviewDays)
	}
	var refusals []Refusal
	add := func(rule string, reason wording.Text) {
		refusals = append(refusals, Refusal{Rule: rule, Reason: reason})
	}
	if in.Found != FoundSame && in.Found != FoundChanged && in.Found != FoundGone {
		add(RuleFound, said("Expected what was found: the same, changed, or gone; found %.20q. Choose one.", in.Found))
	}
	if r.Words == "" && in.Found != FoundSame || len(r.Words) > reasonLimit {
		add(RuleReason, said("Expected what changed in words, at most %d letters; found %d. Say what it says now, or where it went.", reasonLimit, len(r.Words)))
	}
	if !today.Before(r.Next) || today.AddDays(nextLimit).Before(r.Next) {
		add(RuleKnown, said("Expected a day after today, %s, and at most %d days ahead; found %s. Choose another.", today, nextLimit, r.Next))
	}
	if len(in.Copy) > CopyLimit {
		add(RuleCopy, said("Expected a copy of at most %d MiB; found more. Keep the pages that matter.", CopyLimit>>20))
	}
	if refusals != nil {
		return Reading{}, &Refused{refusals}
	}
	if len(in.Copy) > 0 {
		r.SHA256 = hashOf(in.Copy)
		r.Uploads = []string{r.SHA256}
		// Before the entry that names it.
		if err := b.store.PutUpload(ctx, r.SHA256, bytes.NewReader(in.Copy)); err != nil {
			return Reading{}, err
		}
	}
	_, err = b.change(ctx, who, KindRead, func(_ *state, at time.Time) (any, error) {
		r.By = who.signed(at)
		return r, nil
	})
	return r, err
}

// Copy opens the private copy of a document, for maintainers alone: a hash that
// no Reading names gives ErrNotFound, whatever else the store holds under it. The
// caller closes it.
func (b *Book) Copy(ctx context.Context, sha256 string) (io.ReadCloser, error) {
	st, err := b.read(ctx)
	if err != nil {
		return nil, err
	}
	if !slices.ContainsFunc(st.readings, func(r Reading) bool { return r.SHA256 != "" && r.SHA256 == sha256 }) {
		return nil, fmt.Errorf("copy %.12s: %w", sha256, ErrNotFound)
	}
	r, err := b.store.Upload(ctx, sha256)
	if errors.Is(err, casework.ErrNotFound) {
		return nil, fmt.Errorf("copy %.12s: %w; restore the store from a backup", sha256, ErrNotFound)
	}
	return r, err
}

// Readings lists who looked a document of a region up, the latest first.
func (b *Book) Readings(ctx context.Context, region, document string) ([]Reading, error) {
	st, err := b.read(ctx)
	if err != nil {
		return nil, err
	}
	var out []Reading
	for _, r := range slices.Backward(st.readings) {
		if r.Region == region && r.Document == document {
			out = append(out, r)
		}
	}
	return out, nil
}

// Expired lists the versions that are in force today, of regions that are not
// hidden, whose edition is past its last day.
func Expired(lib *rules.Library, today rules.Date) []*rules.Pack {
	var out []*rules.Pack
	for _, r := range lib.Regions() {
		if r.Hidden {
			continue
		}
		if p, err := lib.InForce(r.Region, today); err == nil && !p.Expires.IsZero() && p.Expires.Before(today) {
			out = append(out, p)
		}
	}
	return out
}
