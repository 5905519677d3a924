// Package criteria evaluates a pack on facts: each clause is met, not met,
// undetermined or not applicable, and the root decides the outcome.
//
// Call ParseFacts (or ParseValue for one field) for what people state, then
// Determine with a pack and Facts; before a recording is read, ask Barred. RunCases
// runs the boundary cases of a pack. Determine is pure: the same pack and facts
// give the same Determination. It returns no error, because the pack was
// checked when it was loaded and facts were checked when they were parsed.
//
// How it decides. Every fact that is absent, unknown, or known only between
// bounds is a variable with a finite set of cells: the stretches between the
// thresholds that the pack compares it with. The root is evaluated over all
// completions at once, in a reduced ordered decision diagram. Where all
// completions agree, that is the outcome, even where plain three-valued logic
// would give up ("at or below 88, or equal to 89" for a value between 88 and
// 89). Where they differ, the facts that the diagram still tests are exactly
// those that can change the outcome, and only they are asked.
//
// What it does not do: it knows no figure of any payer, reads no recording
// and rounds nothing except as a clause asks when it reads a fact.
package criteria

import "airwarrant/rules"

// Outcome of a case.
type Outcome string

// The outcomes of the contract.
const (
	Qualifies      Outcome = "qualifies"
	DoesNotQualify Outcome = "does_not_qualify"
	Undetermined   Outcome = "undetermined"
)

// Verdict of one clause.
type Verdict string

// The verdicts of the contract.
const (
	Met           Verdict = "met"
	NotMet        Verdict = "not_met"
	Unclear       Verdict = "undetermined"
	NotApplicable Verdict = "not_applicable"
)

// Determination is the outcome of one case under one version of criteria. Its
// JSON is the contract's (design 7.2).
type Determination struct {
	Criteria      string       `json:"criteria"`
	Version       string       `json:"version"`
	PackSHA256    string       `json:"pack_sha256"`
	Title         string       `json:"title"`
	Outcome       Outcome      `json:"outcome"`
	Disposition   string       `json:"disposition"`
	Status        rules.Status `json:"status"`
	DecidedBy     []string     `json:"decided_by"`
	Because       string       `json:"because"` // one sentence: what decided, with figures
	Clauses       []Finding    `json:"clauses"` // the root's parts, each a tree
	Needs         []Need       `json:"needs"`   // most decisive first
	OnFile        []OnFile     `json:"on_file"`
	Allows        []string     `json:"allows"`
	FollowUp      []string     `json:"follow_up"`
	Cautions      []string     `json:"cautions"`
	Notes         []string     `json:"notes"` // what bears on the verdict without changing it (rounding that decides, short recording, unread time)
	CustodyBarred bool         `json:"custody_barred"`
	// Consequences are what follows, with dates, and what of it is open; none
	// unless the outcome is Qualifies. Allows and FollowUp hold the texts of
	// those that hold.
	Consequences []Consequence `json:"consequences"`
	Document     []string      `json:"document"`      // what to document, whatever the outcome
	DocumentAsks []Ask         `json:"document_asks"` // what would tell whether more is to be documented
	// Tests are all tests of the patient in time order where the case lists
	// several; the rest is of the one that decides.
	Tests []TestLine `json:"tests,omitempty"`
	// NearLimit tells which saturations lie near a limit, on either side of it
	// alike: a caution that changes no verdict.
	NearLimit []string `json:"near_limit,omitempty"`
	// Reconciliation lays each figure of the signed report beside the
	// recording, where both are there.
	Reconciliation []Reconciled `json:"reconciliation,omitempty"`
}

// Finding is one clause with what was asked and found. Parts mirror the pack.
type Finding struct {
	ID          string       `json:"id"`
	Label       string       `json:"label"`
	Outcome     Verdict      `json:"outcome"`
	Asked       string       `json:"asked"` // the comparison in words, with figure and unit
	Found       string       `json:"found"` // the measured or stated value, with bounds and both roundings
	Because     string       `json:"because"`
	Cites       []string     `json:"cites"` // document, section, edition, in words
	Status      rules.Status `json:"status"`
	ReadingOurs bool         `json:"our_reading"`
	Strength    string       `json:"strength,omitempty"`  // of a guideline's recommendation
	Grade       string       `json:"grade,omitempty"`     // of its evidence, in the document's words
	Confirmed   string       `json:"confirmed,omitempty"` // who confirmed the draft, when and in which edition
	Decided     bool         `json:"decided"`             // it is one of decided_by
	Parts       []Finding    `json:"parts"`
	// Measured and Limits are the two sides of Asked, of a clause that compares
	// a number; else "".
	Measured string `json:"-"`
	Limits   string `json:"-"`
}

// Need is a question that is left and can change the outcome.
type Need struct {
	Fact     string     `json:"fact"`
	Question string     `json:"question"`
	Who      rules.Role `json:"who"`
	Decides  []string   `json:"decides"` // ids of the clauses that wait for it
	Why      string     `json:"why"`
}

// OnFile is a paper that has to be on file, whatever the outcome.
type OnFile struct {
	Item  string `json:"item"`
	State string `json:"state"` // seen, located or missing
	Cite  string `json:"cite"`
	Where string `json:"where,omitempty"`
	Fact  string `json:"fact"`
}
