package editions

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"airwarrant/qualify/casework"
)

// Event is one entry of the ledger, for whoever reads the trail.
type Event struct {
	N    int           `json:"n"`
	At   time.Time     `json:"at"`
	By   string        `json:"by"`
	Role casework.Role `json:"role"`
	Kind string        `json:"kind"` // one of the constants Kind…
	// Region is what it is about, and Proposal the number of the proposal, 0 if
	// it is about none.
	Region   string `json:"region"`
	Proposal int    `json:"proposal,omitempty"`
	// Words tells it in a sentence of English: both people, the hashes, and the
	// summary of the rehearsal.
	Words string `json:"words"`
	Hash  string `json:"hash"` // of the entry
}

// Events returns the whole ledger in words, the first entry first.
func (b *Book) Events(ctx context.Context) ([]Event, error) {
	st, err := b.read(ctx)
	if err != nil {
		return nil, err
	}
	var out []Event
	for _, e := range st.entries {
		out = append(out, st.event(e))
	}
	return out, nil
}

func (s *state) event(e casework.Entry) Event {
	out := Event{N: e.N, At: e.At, By: e.By, Role: e.Role, Kind: e.Kind, Hash: e.Hash}
	switch e.Kind {
	case KindProposed, KindWithdrawal:
		p := s.proposals[e.N]
		out.Region, out.Proposal, out.Words = p.Region, e.N, p.words()
	case KindPublished, KindWithdrawn, KindTurnedDown:
		var a answered
		_ = json.Unmarshal(e.Change, &a) // it was read before
		p := s.proposals[a.Proposal]
		out.Region, out.Proposal = p.Region, a.Proposal
		what := fmt.Sprintf("%s from %s, pack %s, proposed by %s (entry %d, %s)", p.Region, p.Version, p.PackSHA256, p.By.Name, p.Number, p.Entry)
		switch e.Kind {
		case KindPublished:
			out.Words = "published " + what + "; known here since " + a.Known.String() + p.Rehearsal.words()
		case KindWithdrawn:
			out.Words = "withdrawn " + what + "; it counts no longer from " + a.Known.String() + "; reason: " + p.Reason
		default:
			out.Words = "turned down " + what + "; reason: " + a.Reason
		}
	case KindDiscarded:
		var d discarded
		_ = json.Unmarshal(e.Change, &d)
		out.Region, out.Words = d.Region, fmt.Sprintf("draft %s of %s discarded, SHA-256 %s", d.Draft, d.Region, d.DraftSHA256)
	case KindRead:
		var r Reading
		_ = json.Unmarshal(e.Change, &r)
		out.Region = r.Region
		out.Words = fmt.Sprintf("document looked up: %s; found %s; to be looked up again on %s", r.Title, r.Found, r.Next)
		if r.Words != "" {
			out.Words += "; " + r.Words
		}
		if r.SHA256 != "" {
			out.Words += "; copy " + r.SHA256
		}
	}
	return out
}

func (p *Proposal) words() string {
	if p.Withdraws {
		return fmt.Sprintf("withdrawal proposed of %s from %s, pack %s; reason: %s", p.Region, p.Version, p.PackSHA256, p.Reason)
	}
	s := fmt.Sprintf("publication proposed of %s from %s, pack %s, draft %s with SHA-256 %s", p.Region, p.Version, p.PackSHA256, p.Draft, p.DraftSHA256)
	for i, a := range p.Authors {
		s += map[bool]string{true: "; written by ", false: ", "}[i == 0] + a.Name
	}
	if p.Corrects != "" {
		s += "; it corrects pack " + p.Corrects + "; reason: " + p.Reason
	} else if p.Reason != "" {
		s += "; " + p.Reason
	}
	if !p.Received.IsZero() {
		s += "; document received on " + p.Received.String()
	}
	return s + p.Rehearsal.words()
}

// words is the summary of a rehearsal in words, with a semicolon before it.
func (r *Rehearsed) words() string {
	if r == nil {
		return "; nothing to rehearse: no version in force lies beside it"
	}
	s := fmt.Sprintf("; rehearsed at %s on %d cases beside pack %s: the outcome of %d stays, that of %d changes, %d of these from its first day on", r.Ended.UTC().Format(time.RFC3339), r.Summary.Cases, r.InForce, r.Summary.Same, r.Summary.Changed, r.Summary.InTime)
	counts := map[string]int{}
	var order []string
	for _, c := range r.Summary.Changes {
		key := c.From + " to " + c.To
		if counts[key] == 0 {
			order = append(order, key)
		}
		counts[key] += c.Cases
	}
	for _, key := range order {
		s += fmt.Sprintf("; %s: %d", key, counts[key])
	}
	return s
}
