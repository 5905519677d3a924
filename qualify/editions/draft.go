package editions

import (
	"bytes"
	"cmp"
	"compress/flate"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// draftKind is the kind of the notes that hold drafts, by id.
const draftKind = "criteria-draft"

// Texts are the files of a version.
type Texts struct {
	Pack   string `json:"pack"`                  // <effective-date>.yaml
	Cases  string `json:"cases"`                 // <effective-date>.cases.yaml
	Region string `json:"region_file,omitempty"` // region.yaml, "" if that of the region stays as it is
}

// Draft is a version of a region's criteria that is being written. It counts
// for no case and holds nothing of a patient.
type Draft struct {
	ID     string `json:"id"` // may stand in addresses
	Region string `json:"region"`
	// Rev is raised by each save; a save names the one that its writer saw.
	Rev int `json:"rev"`
	Texts
	// From is the SHA-256 of the version whose text it began with, "" if it came
	// from a file.
	From string `json:"from,omitempty"`
	// Corrects is the SHA-256 of the version of the same day that it is to
	// correct, "" if it is to be a new one.
	Corrects string   `json:"corrects,omitempty"`
	Made     Signed   `json:"made"`
	Saved    Signed   `json:"saved"`
	Authors  []Signed `json:"authors"` // everybody who saved it, with the latest time
	// Form names the layout of what is stored.
	Form int `json:"form"`
	// Gone marks a draft that is being removed.
	Gone bool `json:"gone,omitempty"`

	raw []byte // as stored, for the next swap
}

// SHA256 is the hash that a proposal and its approval bind to: of all texts and
// of what is to be corrected, each with its length before it.
func (d *Draft) SHA256() string {
	var all bytes.Buffer
	for _, s := range []string{d.Region, d.Pack, d.Cases, d.Texts.Region, d.Corrects} {
		fmt.Fprintf(&all, "%d:%s", len(s), s)
	}
	return hashOf(all.Bytes())
}

// PackSHA256 is the hash that the version will have once it is published.
func (d *Draft) PackSHA256() string { return hashOf([]byte(d.Pack)) }

// StaleError is the error of Save where somebody else saved meanwhile.
// errors.Is finds ErrStale in it.
type StaleError struct {
	Draft Draft // as it stands now
}

// Error says who saved it and when.
func (e *StaleError) Error() string {
	return fmt.Sprintf("%v: by %s at %s, revision %d; lay both texts side by side and save again", ErrStale, e.Draft.Saved.Name, e.Draft.Saved.At.Format(time.RFC3339), e.Draft.Rev)
}

// Is reports ErrStale.
func (e *StaleError) Is(target error) bool { return target == ErrStale }

const draftForm = 1

// encode lays a draft out for the store, packed, because a version and its cases
// may be larger than one item of it.
func (d *Draft) encode() ([]byte, error) {
	d.Form = draftForm
	data, err := json.Marshal(d)
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	w, err := flate.NewWriter(&out, flate.DefaultCompression)
	if err != nil {
		return nil, err
	}
	_, err = w.Write(data)
	if err = errors.Join(err, w.Close()); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

func decodeDraft(raw []byte) (Draft, error) {
	data, err := io.ReadAll(io.LimitReader(flate.NewReader(bytes.NewReader(raw)), 8*textLimit))
	var d Draft
	if err == nil {
		err = json.Unmarshal(data, &d)
	}
	if err == nil && d.Form != draftForm {
		err = fmt.Errorf("expected form %d, found %d", draftForm, d.Form)
	}
	if err != nil {
		return Draft{}, fmt.Errorf("a draft can't be read: %w; restore the store from a backup", err)
	}
	d.raw = raw
	return d, nil
}

// Drafts lists all drafts by region and then by when they were made.
func (b *Book) Drafts(ctx context.Context) ([]Draft, error) {
	var out []Draft
	for n, err := range casework.All(ctx, func(ctx context.Context, after string, limit int) ([]casework.Note, string, error) {
		return b.store.Notes(ctx, draftKind, after, limit)
	}) {
		if err != nil {
			return nil, err
		}
		d, err := decodeDraft(n.Data)
		if err != nil {
			return nil, err
		}
		if d.Gone {
			continue
		}
		out = append(out, d)
	}
	slices.SortStableFunc(out, func(a, b Draft) int {
		return cmp.Or(cmp.Compare(a.Region, b.Region), a.Made.At.Compare(b.Made.At))
	})
	return out, nil
}

// Draft returns one draft, ErrNotFound if there is none.
func (b *Book) Draft(ctx context.Context, id string) (Draft, error) {
	if id == "" {
		return Draft{}, fmt.Errorf("draft %q: %w", id, ErrNotFound)
	}
	raw, err := b.store.Note(ctx, draftKind, id)
	if err != nil && !errors.Is(err, casework.ErrNotFound) {
		return Draft{}, err
	}
	d := Draft{Gone: true}
	if err == nil {
		if d, err = decodeDraft(raw); err != nil {
			return Draft{}, err
		}
	}
	if d.Gone {
		return Draft{}, fmt.Errorf("draft %.20s: %w; it was published or discarded", id, ErrNotFound)
	}
	return d, nil
}

// remove takes a draft away as it is in hand, ErrStale if it was saved since: it
// is marked before it goes, because a note can be swapped and not removed on a
// condition.
func (b *Book) remove(ctx context.Context, d Draft) error {
	gone := d
	gone.Gone = true
	raw, err := gone.encode()
	if err != nil {
		return err
	}
	if err := b.store.SwapNote(ctx, draftKind, d.ID, d.raw, raw); err != nil {
		if errors.Is(err, casework.ErrConflict) {
			now, err := b.Draft(ctx, d.ID)
			if err != nil {
				return err
			}
			return &StaleError{now}
		}
		return err
	}
	// Nobody will read its rehearsal again; that it stays would lose nothing but room.
	err = b.tidy(ctx, func(r Rehearsal) bool { return r.ID == d.ID })
	return errors.Join(err, b.store.DeleteNote(ctx, draftKind, d.ID))
}

// Beginning says what a new draft begins with.
type Beginning struct {
	Region string
	// Texts, or From alone: the SHA-256 of a version whose texts are copied.
	Texts
	From string
	// Day replaces the day from which a copied version is in force, zero to keep it.
	Day rules.Date
	// Corrects makes it a correction of that version, by its SHA-256.
	Corrects string
	// Once tells a beginning that comes twice from a second one: the same beginning
	// of one person with the same Once gives the same draft. "" is never the same.
	Once string
}

var (
	effectiveLine = regexp.MustCompile(`(?m)^effective_from:[ \t]*[^\s#]+`)
	knownLine     = regexp.MustCompile(`(?m)^known_since:[^\n]*\n`)
)

// NewDraft stores a new draft. The texts may have any fault: Check tells. A copy
// loses the line known_since, because a version is known here from its
// publication on. *Refused if the region has no name that a folder can bear, if
// a text is too long, or if what is to be copied or corrected is not there.
func (b *Book) NewDraft(ctx context.Context, who Person, in Beginning) (Draft, error) {
	if err := who.writes(); err != nil {
		return Draft{}, err
	}
	lib, err := b.Current(ctx)
	if err != nil {
		return Draft{}, err
	}
	d := Draft{Region: in.Region, Texts: in.Texts, From: in.From, Corrects: in.Corrects, Rev: 1}
	if in.From != "" {
		p := lib.Find(in.From)
		if p == nil || p.Region.Region != in.Region || p.Unreadable != "" {
			return Draft{}, refuse(RuleCorrection, said("Expected a version of %s to begin from; found none with the SHA-256 %.12s. Choose one of the list.", in.Region, in.From))
		}
		d.Texts.Pack, d.Cases = string(p.Text), string(p.Cases)
		if p.Text != nil {
			d.Texts.Pack = knownLine.ReplaceAllString(d.Texts.Pack, "")
		}
		if !in.Day.IsZero() {
			d.Texts.Pack = effectiveLine.ReplaceAllString(d.Texts.Pack, "effective_from: "+in.Day.String())
		}
	}
	if err := d.fits(); err != nil {
		return Draft{}, err
	}
	at := b.now().UTC().Truncate(time.Millisecond)
	d.Made = who.signed(at)
	d.Saved, d.Authors = d.Made, []Signed{d.Made}
	for n := range tries {
		if in.Once != "" {
			d.ID = hashOf(fmt.Appendf(nil, "once\n%q", []string{d.Region, who.Account, in.Once, in.From, in.Corrects, d.Texts.Pack, d.Cases}))[:12]
			if there, err := b.Draft(ctx, d.ID); err == nil {
				return there, nil
			}
		} else {
			d.ID = hashOf(fmt.Appendf(nil, "%s\n%s\n%s\n%d", d.Region, who.Account, at.Format(time.RFC3339Nano), n))[:12]
		}
		raw, err := d.encode()
		if err != nil {
			return Draft{}, err
		}
		err = b.store.SwapNote(ctx, draftKind, d.ID, nil, raw)
		if err == nil {
			d.raw = raw
			return d, nil
		}
		if !errors.Is(err, casework.ErrConflict) {
			return Draft{}, err
		}
	}
	return Draft{}, fmt.Errorf("a new draft: %w", casework.ErrConflict)
}

// writes reports whether a person may write drafts: whoever may publish, and the
// command line, which brings folders in.
func (p Person) writes() error {
	if p.Role == casework.RoleSystem && p.Account != "" && p.Name != "" {
		return nil
	}
	return p.maintains()
}

var folderName = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

// fits refuses what no draft can hold.
func (d *Draft) fits() error {
	if !folderName.MatchString(d.Region) || len(d.Region) > 64 {
		return refuse(RuleRegion, said("Expected the name of a region as its folder bears it, at most 64 small letters, digits and single dashes; found %.80q. Mend the name.", d.Region))
	}
	for _, part := range []struct {
		what wording.Text
		text string
	}{{said("the version"), d.Pack}, {said("its cases"), d.Cases}, {wording.Literal("region.yaml").Text(), d.Texts.Region}} {
		if len(part.text) > textLimit {
			return refuse(RuleFaults, said("Expected at most %d bytes for %s; found %d. Leave out what is no criterion.", textLimit, part.what, len(part.text)))
		}
	}
	return nil
}

// Save replaces the texts of a draft. rev is Draft.Rev as the writer saw it: if
// somebody else saved since, nothing is stored and the error is a *StaleError
// with what stands there now, so that the page can show both. ErrNotFound if the
// draft was published or discarded meanwhile. The same texts again are no fault
// and raise nothing.
func (b *Book) Save(ctx context.Context, who Person, id string, rev int, in Texts) (Draft, error) {
	if err := who.writes(); err != nil {
		return Draft{}, err
	}
	d, err := b.Draft(ctx, id)
	if err != nil {
		return Draft{}, err
	}
	if d.Texts == in {
		return d, nil
	}
	if d.Rev != rev {
		return Draft{}, &StaleError{d}
	}
	next := d
	next.Texts = in
	if err := next.fits(); err != nil {
		return Draft{}, err
	}
	next.Rev, next.Saved = d.Rev+1, who.signed(b.now().Truncate(time.Millisecond))
	next.Authors = append(slices.DeleteFunc(slices.Clone(d.Authors), func(s Signed) bool { return s.Account == who.Account }), next.Saved)
	raw, err := next.encode()
	if err != nil {
		return Draft{}, err
	}
	err = b.store.SwapNote(ctx, draftKind, id, d.raw, raw)
	if errors.Is(err, casework.ErrConflict) {
		now, err := b.Draft(ctx, id)
		if err != nil {
			return Draft{}, err
		}
		return Draft{}, &StaleError{now}
	}
	if err != nil {
		return Draft{}, err
	}
	next.raw = raw
	return next, nil
}

// Discard removes a draft for good and writes down who did. rev is Draft.Rev as
// it was seen: a draft that somebody saved since stays, with a *StaleError. An
// open proposal of it is void from then on.
func (b *Book) Discard(ctx context.Context, who Person, id string, rev int) error {
	if err := who.writes(); err != nil {
		return err
	}
	d, err := b.Draft(ctx, id)
	if err != nil {
		return err
	}
	if d.Rev != rev {
		return &StaleError{d}
	}
	if _, err := b.change(ctx, who, KindDiscarded, func(_ *state, at time.Time) (any, error) {
		return discarded{d.ID, d.SHA256(), d.Region, who.signed(at)}, nil
	}); err != nil {
		return err
	}
	return b.remove(ctx, d)
}
