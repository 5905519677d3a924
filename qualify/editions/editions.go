// Package editions keeps the criteria that a house publishes itself: drafts,
// their check and rehearsal, publication by two people, withdrawal and
// correction, the documents that they rest on, and the library that results.
//
// Call New on a store and the library of the program, then Book.Current for the
// criteria that count at this moment. A change goes Book.NewDraft, Book.Save,
// Book.Check, Book.Rehearse, Book.Propose by one account and Book.Approve by
// another. What was decided is one chain of entries, the ledger
// casework.Criteria: an entry is the write, so that of two approvals at once one
// is stored and the other told. Texts of versions and copies of documents are
// uploads that the entries name; drafts and rehearsals are notes. None of it
// holds anything of a patient.
//
// What this package does not do: it knows no page and no account book, judges no
// case, and takes the time from its caller. Who acts is stated by the caller,
// who has to know it.
package editions

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// Errors that a caller tells apart with errors.Is. A *Refused and a *StaleError
// say more.
var (
	// ErrRefused: what is asked for breaks a rule of publication.
	ErrRefused = errors.New("not to be published so")
	// ErrStale: somebody else changed the draft meanwhile.
	ErrStale = errors.New("the draft was changed meanwhile")
	// ErrNotFound: there is no such draft, proposal, version or document.
	ErrNotFound = errors.New("not found")
)

// Person is who acts, and in which role.
type Person struct {
	Account string        // id of the account, which never changes; it tells two people apart
	Name    string        // as the trail shows it
	Role    casework.Role // RoleMaintainer; RoleAdministrator for a second person; RoleSystem for the command line
}

// Signed is who did something and when.
type Signed struct {
	Account string        `json:"account"`
	Name    string        `json:"name"`
	Role    casework.Role `json:"role"`
	At      time.Time     `json:"at"`
}

// Refusal is one reason why something is not to be done.
type Refusal struct {
	Rule   string       // a word of the constants Rule…
	Part   string       // id of the clause or key of the pack, if it is about one
	Was    string       // what the version before says there, by the keys of the file
	Is     string       // what the draft says there, by the keys of the file
	Reason wording.Text // expected, found, mend, as a sentence
}

// The rules of publication, as Refusal.Rule names them.
const (
	RuleFaults     = "faults"     // the texts have faults: Report.Faults
	RuleCases      = "cases"      // boundary cases fail, or there are none: Report.Failures
	RuleCitation   = "citation"   // a figure changed without a new citation: Report.Uncited
	RulePast       = "past"       // a version of that day exists, and this is no correction of it
	RuleCorrection = "correction" // what is to be corrected does not count, or is of another day
	RuleSame       = "same"       // the draft says what the version in force says, byte for byte
	RuleKnown      = "known"      // known_since or the day of receipt lies after today
	RuleRehearsal  = "rehearsal"  // not rehearsed to the end as it stands
	RulePending    = "pending"    // another proposal for that day waits
	RuleSecond     = "second"     // the second person is the first, or has another role
	RuleVoid       = "void"       // the draft or what it was compared with changed since the proposal
	RuleHash       = "hash"       // what was approved is not what was proposed
	RuleClosed     = "closed"     // the proposal is no longer open
	RuleReason     = "reason"     // a reason in words is missing
	RuleRole       = "role"       // not the role for it
	RuleFound      = "found"      // what was found in a document is not told
	RuleCopy       = "copy"       // the copy of a document is too large
	RuleRegion     = "region"     // region.yaml is missing or of another region
)

// Refused lists every reason why something is not to be done. errors.Is finds
// ErrRefused in it.
type Refused struct{ Refusals []Refusal }

// Error gives the reasons, one a line.
func (e *Refused) Error() string {
	s := ErrRefused.Error()
	for _, r := range e.Refusals {
		s += "\n" + r.Reason.String()
	}
	return s
}

// Is reports ErrRefused.
func (e *Refused) Is(target error) bool { return target == ErrRefused }

func refuse(rule string, reason wording.Text) *Refused {
	return &Refused{[]Refusal{{Rule: rule, Reason: reason}}}
}

// said is a text of what keeps something from being done.
var said = wording.Fault

// Book is the criteria of one house. It may be used from several goroutines, and
// several Books of several processes may share a store.
type Book struct {
	store casework.Store
	base  *rules.Library
	now   func() time.Time

	mu    sync.Mutex
	state *state                 // as it was last read; never changed once it stands here
	texts map[string]*rules.Pack // versions that were read, by the hashes of their texts
}

// New returns the book of a store over the library of the program, which stays as
// it is. now is the caller's clock.
func New(store casework.Store, base *rules.Library, now func() time.Time) *Book {
	return &Book{store: store, base: base, now: now, texts: map[string]*rules.Pack{}}
}

// Base is the library of the program, without what the house published.
func (b *Book) Base() *rules.Library { return b.base }

// today is the calendar day in UTC, as every date of the pages.
func (b *Book) today() rules.Date { return dayOf(b.now()) }

func dayOf(t time.Time) rules.Date {
	t = t.UTC()
	return rules.Date{Year: t.Year(), Month: int(t.Month()), Day: t.Day()}
}

// Current returns the library that counts at this moment: that of the program
// with everything that the house published and did not withdraw laid over it.
// It never changes once it is returned, so that whoever judges by it judges by
// one library; ask again for the next case. As long as nothing was published it
// costs one small read.
//
// A version whose text is missing, altered or no longer readable by this version
// of the program takes the criteria of its region out of force from its day on
// (rules.Unread): no verdict is better than one by other criteria. An altered
// ledger is an error, a *casework.ChainError among others, and no library.
func (b *Book) Current(ctx context.Context) (*rules.Library, error) {
	st, err := b.read(ctx)
	if err != nil {
		return nil, err
	}
	return st.library, nil
}

// last is the last entry of the ledger, the zero Entry where it has none.
func (b *Book) last(ctx context.Context) (casework.Entry, error) {
	last, err := b.store.LastEntry(ctx, casework.Criteria)
	if err != nil && !errors.Is(err, casework.ErrNotFound) {
		return casework.Entry{}, fmt.Errorf("the criteria published here: %w", err)
	}
	return last, nil
}

// read brings the state up to date.
func (b *Book) read(ctx context.Context) (*state, error) {
	last, err := b.last(ctx)
	if err != nil {
		return nil, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.state != nil && b.state.last.N > last.N {
		// Another goroutine has read on meanwhile, unless the ledger was cut.
		if last, err = b.last(ctx); err != nil {
			return nil, err
		}
	}
	if b.state != nil && b.state.last.N == last.N && b.state.last.Hash == last.Hash {
		return b.state, nil
	}
	entries, err := casework.ReadLedger(ctx, b.store, casework.Criteria)
	if err != nil {
		return nil, fmt.Errorf("the criteria published here: %w", err)
	}
	if b.state != nil && b.state.last.N > 0 && (len(entries) < b.state.last.N || entries[b.state.last.N-1].Hash != b.state.last.Hash) {
		return nil, fmt.Errorf("the criteria published here: entry %d is not the one that this process has read before: the ledger was cut or rewritten; restore the store from a backup", b.state.last.N)
	}
	st := &state{proposals: map[int]*Proposal{}, retired: map[string]time.Time{}, regions: map[string]string{}}
	for _, e := range entries {
		if err := st.apply(e); err != nil {
			return nil, fmt.Errorf("the criteria published here: entry %d: %w", e.N, err)
		}
	}
	if err := b.overlay(ctx, st); err != nil {
		return nil, err
	}
	b.state = st
	return st, nil
}

// overlay makes the library of a state.
func (b *Book) overlay(ctx context.Context, st *state) error {
	var regions []rules.Region
	known := map[string]rules.Region{}
	for _, r := range b.base.Regions() {
		known[r.Region] = r
	}
	for _, p := range st.published { // in their order, so that the last text of a region counts
		if p.proposal == nil {
			continue
		}
		sha := p.proposal.RegionSHA256
		if sha == "" || st.regions[p.region] != sha {
			continue
		}
		text, why, err := b.text(ctx, sha)
		if err != nil {
			return err
		}
		r, rerr := rules.ReadRegion(text, p.region)
		if why == "" && rerr != nil {
			why = rerr.Error()
		}
		if why != "" {
			r = rules.Region{Region: p.region, Name: p.region, SelectBy: "test_date", Scope: "What this region is can't be read: " + why}
			if base, ok := known[p.region]; ok {
				r = base
			}
		}
		known[r.Region] = r
		regions = append(regions, r)
	}
	var own []*rules.Pack
	for _, p := range st.published {
		pack := b.base.Find(p.sha)
		if p.proposal != nil {
			var err error
			if pack, err = b.version(ctx, known[p.region], p.proposal); err != nil {
				return err
			}
		}
		if pack == nil {
			continue // the program no longer brings it; what it brings for that day counts
		}
		q := *pack
		q.Region = known[p.region]
		q.PublishedAt, q.RetiredAt = p.since, p.until
		own = append(own, &q)
	}
	st.library = b.base.With(regions, own, st.retired)
	return nil
}

// version reads the texts of a version, or what stands in for one that can't be
// read.
func (b *Book) version(ctx context.Context, region rules.Region, p *Proposal) (*rules.Pack, error) {
	key := p.Region + " " + p.PackSHA256 + " " + p.CasesSHA256
	if pack := b.texts[key]; pack != nil {
		return pack, nil
	}
	unread := func(why string) (*rules.Pack, error) {
		// Not kept: what is missing now may be restored.
		return rules.Unread(region, p.Version, p.PackSHA256, why), nil
	}
	text, why, err := b.text(ctx, p.PackSHA256)
	if err != nil {
		return nil, err
	}
	if why != "" {
		return unread(why)
	}
	cases, why, err := b.text(ctx, p.CasesSHA256)
	if err != nil {
		return nil, err
	}
	if why != "" {
		return unread(why)
	}
	pack, err := readPack(region, text, cases)
	switch {
	case err != nil:
		return unread("this version of the program does not read it: " + firstFault(err).String() + "; use the version that published it, or publish a correction")
	case pack.EffectiveFrom != p.Version:
		return unread("its text is in force from " + pack.EffectiveFrom.String() + "; restore the store from a backup")
	}
	b.texts[key] = pack
	return pack, nil
}

// readPack reads a version with its cases.
func readPack(region rules.Region, text, cases []byte) (*rules.Pack, error) {
	pack, err := rules.ReadDraft(text, "draft.yaml", region)
	if err != nil {
		return nil, err
	}
	name := region.Region + "/" + pack.EffectiveFrom.String()
	pack.File, pack.CasesFile, pack.Cases = name+".yaml", name+".cases.yaml", cases
	return pack, nil
}

func firstFault(err error) wording.Text {
	var problems rules.Problems
	if errors.As(err, &problems) && len(problems) > 0 {
		return problems[:1].Said()
	}
	return wording.Literal(err.Error()).Text()
}

// text reads an upload of texts; why says what is wrong with it. An error is
// that the store could not be read.
func (b *Book) text(ctx context.Context, sha string) (data []byte, why string, err error) {
	r, err := b.store.Upload(ctx, sha)
	if errors.Is(err, casework.ErrNotFound) {
		return nil, "its text " + sha[:min(12, len(sha))] + " is missing; restore the store from a backup", nil
	}
	if err != nil {
		return nil, "", fmt.Errorf("the text %s: %w", sha, err)
	}
	defer r.Close()
	if data, err = io.ReadAll(io.LimitReader(r, textLimit+1)); err != nil {
		return nil, "", fmt.Errorf("the text %s: %w", sha, err)
	}
	if hashOf(data) != sha {
		return nil, "its text " + sha[:min(12, len(sha))] + " was altered; restore the store from a backup", nil
	}
	return data, "", nil
}

// textLimit bounds one text, in bytes, as rules does.
const textLimit = 1 << 18

func hashOf(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

func (p Person) signed(at time.Time) Signed { return Signed{p.Account, p.Name, p.Role, at.UTC()} }

// maintains reports whether a person writes and proposes.
func (p Person) maintains() error {
	if p.Account == "" || p.Name == "" || p.Role != casework.RoleMaintainer {
		return refuse(RuleRole, said("Expected an account that acts as maintainer; found %q. Act in that role, or ask somebody who has it.", p.Role))
	}
	return nil
}

// seconds reports whether a person may be the second one.
func (p Person) seconds() error {
	if p.Account == "" || p.Name == "" || p.Role != casework.RoleMaintainer && p.Role != casework.RoleAdministrator {
		return refuse(RuleRole, said("Expected an account that acts as maintainer or administrator; found %q. Act in one of these roles, or ask somebody who has it.", p.Role))
	}
	return nil
}
