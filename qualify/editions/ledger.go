package editions

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/rehearsal"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// The kinds of entries in the ledger casework.Criteria.
const (
	KindProposed   = "criteria_proposed"             // Proposal, of a publication
	KindWithdrawal = "criteria_withdrawal_proposed"  // Proposal, of a withdrawal
	KindPublished  = "criteria_published"            // the second person's word for a publication
	KindWithdrawn  = "criteria_withdrawn"            // the same for a withdrawal
	KindTurnedDown = "criteria_proposal_turned_down" // and against either
	KindDiscarded  = "criteria_draft_discarded"
	KindRead       = "criteria_document_read" // Reading
)

// Rehearsed is what a rehearsal came to, as a proposal holds it.
type Rehearsed struct {
	Plan    string            `json:"plan"`     // rehearsal.Plan.ID
	InForce string            `json:"in_force"` // SHA-256 of the version beside the draft
	Draft   string            `json:"draft"`    // SHA-256 of the draft's file
	Begun   Signed            `json:"begun"`
	Ended   time.Time         `json:"ended"` // UTC
	Summary rehearsal.Summary `json:"summary"`
}

// SHA256 is the hash that an approval binds to: of the JSON of r.
func (r *Rehearsed) SHA256() string {
	if r == nil {
		return ""
	}
	data, err := json.Marshal(r)
	if err != nil {
		return "" // of times and counts: it can't be
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// Proposal is what one person asks a second one to agree to: that a draft be
// published, or a version withdrawn.
type Proposal struct {
	// Number is that of its entry in the ledger; it names the proposal.
	Number int `json:"-"`
	// Entry is the hash of that entry: of everything that the proposal says.
	Entry string `json:"-"`
	// Withdraws says that Version of PackSHA256 is to be withdrawn; the fields of
	// a draft are then empty.
	Withdraws bool       `json:"withdraws,omitempty"`
	By        Signed     `json:"by"`
	Region    string     `json:"region"`
	Version   rules.Date `json:"version"` // in force from
	Title     string     `json:"title"`
	// Draft is the id of the draft, and DraftSHA256 Draft.SHA256 of it when it was
	// proposed.
	Draft        string   `json:"draft,omitempty"`
	DraftSHA256  string   `json:"draft_sha256,omitempty"`
	Authors      []Signed `json:"authors,omitempty"` // who wrote it, each once
	PackSHA256   string   `json:"pack_sha256"`
	CasesSHA256  string   `json:"cases_sha256,omitempty"`
	RegionSHA256 string   `json:"region_sha256,omitempty"` // of a new region.yaml, "" if it stays
	RegionBeside string   `json:"region_beside,omitempty"` // of the region.yaml that it replaces, "" for none
	// Beside is the SHA-256 of the version that the draft was compared with and
	// that it replaces from its day on, "" if there was none.
	Beside string `json:"beside,omitempty"`
	// Corrects is the SHA-256 of the version of the same day that it corrects, ""
	// if it is a new version.
	Corrects string `json:"corrects,omitempty"`
	// Reason is why, in words: needed for a correction and a withdrawal.
	Reason string `json:"reason,omitempty"`
	// Received is the day on which the payer's document came to the house, zero if
	// it is not stated. It is told and counts for nothing: see Published.KnownSince.
	Received rules.Date `json:"received,omitzero"`
	// Rehearsal is what became of the stored cases, nil where no version in force
	// could be laid beside it, and for a withdrawal.
	Rehearsal       *Rehearsed `json:"rehearsal,omitempty"`
	RehearsalSHA256 string     `json:"rehearsal_sha256,omitempty"`
	// Uploads are what the store must keep for this entry; casework.SweepUploads
	// reads them.
	Uploads []string `json:"uploads,omitempty"`

	// State is what became of it, By whom and why in Second and Why.
	State  ProposalState `json:"-"`
	Second Signed        `json:"-"` // who approved or turned down; zero while it is open or void
	Why    wording.Text  `json:"-"` // of turned down and void
}

// ProposalState is what became of a proposal.
type ProposalState string

// The states of a proposal.
const (
	Open       ProposalState = "open"        // waits for the second person
	Approved   ProposalState = "approved"    // published, or withdrawn
	TurnedDown ProposalState = "turned_down" // by the second person, or taken back by the first
	Void       ProposalState = "void"        // the draft, or what it was compared with, changed since
)

// answered is the second person's word.
type answered struct {
	Proposal        int        `json:"proposal"`
	Entry           string     `json:"entry"` // Proposal.Entry
	By              Signed     `json:"by"`
	Region          string     `json:"region"`
	Version         rules.Date `json:"version"`
	PackSHA256      string     `json:"pack_sha256"`
	RehearsalSHA256 string     `json:"rehearsal_sha256,omitempty"`
	// Known is the day of the entry: from it on a publication counts, and a
	// withdrawn version does not.
	Known  rules.Date `json:"known"`
	Reason string     `json:"reason,omitempty"`
}

type discarded struct {
	Draft       string `json:"draft"`
	DraftSHA256 string `json:"draft_sha256"`
	Region      string `json:"region"`
	By          Signed `json:"by"`
}

// state is what the entries of the ledger add up to.
type state struct {
	last      casework.Entry
	entries   []casework.Entry
	proposals map[int]*Proposal
	order     []int
	published []*published
	retired   map[string]time.Time // of the program's own versions, by SHA-256
	regions   map[string]string    // SHA-256 of the latest region.yaml published here
	readings  []Reading
	library   *rules.Library
}

// published is a version that counts, or counted, by a decision of the house.
type published struct {
	region       string
	version      rules.Date
	sha          string
	proposal     *Proposal // nil: a version of the program, which counts again
	since, until time.Time
}

// end lets the version with a SHA-256 count no longer, one that was published here
// before one of the program.
func (s *state) end(sha string, at time.Time) *published {
	for _, q := range s.published {
		if q.sha == sha && q.until.IsZero() {
			q.until = at
			return q
		}
	}
	s.retired[sha] = at
	return nil
}

// again lets what a correction had replaced count from now on: who withdraws a
// correction takes it back, and does not want the version of an earlier day in
// its place.
func (s *state) again(of *Proposal, at time.Time) {
	back := &published{region: of.Region, version: of.Version, sha: of.Corrects, since: at}
	for _, q := range s.published {
		if q.sha == of.Corrects && q.region == of.Region {
			back.proposal = q.proposal
		}
	}
	s.published = append(s.published, back)
}

// apply adds one entry. Its error says that the entry can't have been written by
// this program: whoever can write to the store is not let through for that.
func (s *state) apply(e casework.Entry) error {
	read := func(v any) error {
		dec := json.NewDecoder(bytes.NewReader(e.Change))
		dec.DisallowUnknownFields()
		if err := dec.Decode(v); err != nil {
			return fmt.Errorf("%s can't be read: %w; use the version of the program that wrote it or a later one", e.Kind, err)
		}
		return nil
	}
	signs := func(by Signed) error {
		if by.Account == "" || by.Name != e.By || by.Role != e.Role || !by.At.Equal(e.At) {
			return fmt.Errorf("%s: expected the signature of the entry, %s as %s; found %s as %s; restore the store from a backup", e.Kind, e.By, e.Role, by.Name, by.Role)
		}
		return nil
	}
	switch e.Kind {
	case KindProposed, KindWithdrawal:
		p := &Proposal{}
		if err := read(p); err != nil {
			return err
		}
		if err := signs(p.By); err != nil {
			return err
		}
		if p.Withdraws != (e.Kind == KindWithdrawal) || e.Role != casework.RoleMaintainer {
			return fmt.Errorf("%s by %s as %s: no maintainer proposed it, or it is of another kind; restore the store from a backup", e.Kind, e.By, e.Role)
		}
		p.Number, p.Entry, p.State = e.N, e.Hash, Open
		s.proposals[e.N] = p
		s.order = append(s.order, e.N)
	case KindPublished, KindWithdrawn, KindTurnedDown:
		var a answered
		if err := read(&a); err != nil {
			return err
		}
		if err := signs(a.By); err != nil {
			return err
		}
		p := s.proposals[a.Proposal]
		switch {
		case p == nil || p.State != Open || a.Entry != p.Entry:
			return fmt.Errorf("%s of proposal %d: there is no such open proposal with that hash; restore the store from a backup", e.Kind, a.Proposal)
		case e.Role != casework.RoleMaintainer && e.Role != casework.RoleAdministrator:
			return fmt.Errorf("%s of proposal %d by %s as %s: neither maintainer nor administrator; restore the store from a backup", e.Kind, a.Proposal, e.By, e.Role)
		case e.Kind != KindTurnedDown && (a.By.Account == p.By.Account || p.Withdraws != (e.Kind == KindWithdrawn)):
			return fmt.Errorf("%s of proposal %d: one person did both, or it is of another kind; restore the store from a backup", e.Kind, a.Proposal)
		}
		p.Second, p.State = a.By, Approved
		if a.Reason != "" {
			p.Why = wording.Literal(a.Reason).Text()
		}
		switch e.Kind {
		case KindTurnedDown:
			p.State = TurnedDown
		case KindPublished:
			if p.Corrects != "" {
				s.end(p.Corrects, e.At)
			}
			s.published = append(s.published, &published{region: p.Region, version: p.Version, sha: p.PackSHA256, proposal: p, since: e.At})
			if p.RegionSHA256 != "" {
				s.regions[p.Region] = p.RegionSHA256
			}
		case KindWithdrawn:
			if q := s.end(p.PackSHA256, e.At); q != nil && q.proposal != nil && q.proposal.Corrects != "" {
				s.again(q.proposal, e.At)
			}
		}
	case KindDiscarded:
		var d discarded
		if err := read(&d); err != nil {
			return err
		}
		if err := signs(d.By); err != nil {
			return err
		}
	case KindRead:
		var r Reading
		if err := read(&r); err != nil {
			return err
		}
		if err := signs(r.By); err != nil {
			return err
		}
		s.readings = append(s.readings, r)
	default:
		return fmt.Errorf("kind %q is not known to this version of the program; use the version that wrote it or a later one", e.Kind)
	}
	s.last = e
	s.entries = append(s.entries, e)
	return nil
}

// tries is how often a change is decided anew when others keep writing.
const tries = 20

// change decides on the state as it stands and writes one entry behind it; if
// somebody else wrote meanwhile, it decides anew. decide gets the instant that
// the entry will bear.
func (b *Book) change(ctx context.Context, who Person, kind string, decide func(st *state, at time.Time) (any, error)) (casework.Entry, error) {
	var err error
	for range tries {
		var st *state
		if st, err = b.read(ctx); err != nil {
			return casework.Entry{}, err
		}
		at := b.now().UTC().Truncate(time.Millisecond) // as AppendEntry keeps it
		if at.Before(st.last.At) {
			at = st.last.At // clocks of several machines differ, and decisions have an order
		}
		what, refusal := decide(st, at)
		if refusal != nil {
			return casework.Entry{}, refusal
		}
		var e casework.Entry
		e, err = casework.AppendEntry(ctx, b.store, casework.Criteria, st.last, casework.Stamp{At: at, By: who.Name, Role: who.Role}, kind, what)
		if err == nil || !errors.Is(err, casework.ErrConflict) {
			return e, err
		}
	}
	return casework.Entry{}, err
}
