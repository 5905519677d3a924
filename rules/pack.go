package rules

import "time"

// Status is how far a figure can be trusted (design section 6).
type Status string

// The three degrees, strongest first.
const (
	Verified  Status = "verified"           // read in the document itself
	Secondary Status = "verified-secondary" // read in another text that reports it
	Draft     Status = "draft"              // from memory: never decides until a maintainer confirms it
)

// Weaker reports whether s is weaker evidence than t.
func (s Status) Weaker(t Status) bool { return s.rank() > t.rank() }

func (s Status) rank() int {
	switch s {
	case Verified:
		return 0
	case Secondary:
		return 1
	}
	return 2
}

// Region is region.yaml: what the packs of one folder have in common.
type Region struct {
	Region   string `yaml:"region" validate:"required"` // equals the folder's name
	Name     string `yaml:"name" validate:"required"`
	Payer    string `yaml:"payer" validate:"required"`
	SelectBy string `yaml:"select_by" validate:"required,oneof=test_date"` // the fact whose date picks the version
	Home     string `yaml:"home"`                                          // address of the coverage documents
	Scope    string `yaml:"scope" validate:"required"`                     // who it is for, one sentence
	// Hidden keeps an invented payer out of what users are offered.
	Hidden bool `yaml:"hidden"`
	// Applies says which patients come under the criteria; at least one holds.
	Applies []Applies `yaml:"applies" validate:"dive"`

	Text string `yaml:"-"` // bytes of region.yaml
}

// Pack is one version of a region's criteria: <effective-date>.yaml. It is not
// changed once it is loaded: whoever reads it may keep what follows from it.
type Pack struct {
	Region        Region `yaml:"-" validate:"-"`
	File          string `yaml:"-"` // path inside the packs folder
	SHA256        string `yaml:"-"` // of the file's bytes, lowercase hexadecimal
	CasesFile     string `yaml:"-"` // path of its boundary cases inside the packs folder
	Cases         []byte `yaml:"-"` // bytes of CasesFile, decoded by package criteria
	Until         *Date  `yaml:"-"` // last day in force, derived from the next file; nil if open
	EffectiveFrom Date   `yaml:"effective_from" validate:"required"`
	KnownSince    Date   `yaml:"known_since"` // day from which this house knew it; zero if not recorded
	// KnownUntil is the first day on which the version no longer counts in this
	// house, because it was withdrawn or corrected; zero: it counts.
	KnownUntil Date `yaml:"-"`
	// PublishedAt and RetiredAt are the instants from which a version that this
	// house published counts, and any version no longer does; zero where there is
	// none. See Library.AsOf.
	PublishedAt time.Time `yaml:"-" validate:"-"`
	RetiredAt   time.Time `yaml:"-" validate:"-"`
	Text        []byte    `yaml:"-"` // bytes of File
	// Unreadable says why a version that counts here can't be read, "" if it
	// can: then it has no criteria, and no day from EffectiveFrom on any either.
	Unreadable string `yaml:"-"`
	Title      string `yaml:"title" validate:"required"`
	Withdrawn  bool   `yaml:"withdrawn"` // the payer stopped: no criteria in force from EffectiveFrom

	// Population is who the pack is for. Where it is not met the outcome is
	// undetermined with the disposition not_addressed, and OtherwiseSee says
	// in words which set to choose. Where it is not known its facts are asked
	// before any other.
	Population   *Node  `yaml:"population"`
	OtherwiseSee string `yaml:"otherwise_see"`
	// DeferTo lists conditions under which another set of criteria decides.
	DeferTo []Deferral `yaml:"defer_to" validate:"dive"`
	// Expires is the last day on which the edition counts as current. A test
	// after it is judged all the same, with a caution.
	Expires     Date     `yaml:"expires"`
	ExpiresCite []string `yaml:"expires_cite"`
	// Overrides waive clauses for a time.
	Overrides []Override `yaml:"overrides" validate:"dive"`

	Cites   map[string]Citation `yaml:"cites" validate:"required,dive"`
	Reading Reading             `yaml:"reading"`
	// Choose is how one of several tests of one state decides; without it,
	// tests that differ in outcome leave the case undetermined.
	Choose  *Choose  `yaml:"choose"`
	Custody *Custody `yaml:"custody"`

	// Criteria is the root of the tree. It decides the outcome.
	Criteria *Node `yaml:"criteria" validate:"required_unless=Withdrawn true"`
	// Qualifies is the disposition of an outcome of qualifies: covered
	// (the default), or refer where the document only names whom to refer.
	Qualifies string `yaml:"qualifies" validate:"omitempty,oneof=covered refer"`
	// Fails is the disposition of does_not_qualify unless the clause that
	// decides names another: not_covered (default) or recommended_against.
	Fails string `yaml:"fails" validate:"omitempty,oneof=not_covered recommended_against refer"`

	OnFile   []Item        `yaml:"on_file" validate:"dive"`
	Allows   []Consequence `yaml:"allows" validate:"dive"`
	FollowUp []Consequence `yaml:"follow_up" validate:"dive"`
	// Prompts ask for documentation, whatever the outcome. They move no
	// threshold and ask no question.
	Prompts  []Prompt `yaml:"prompts" validate:"dive"`
	Cautions []string `yaml:"cautions"`
}

// Citation is where a figure stands.
type Citation struct {
	Document string `yaml:"document" validate:"required"` // title of the document
	Section  string `yaml:"section"`
	Edition  string `yaml:"edition"`
	Address  string `yaml:"address"` // web address, or how to obtain it
	ReadOn   Date   `yaml:"read_on"` // zero if it was not read
}

// Reading holds the parameters of reading a test (design section 8).
type Reading struct {
	// Level is how a level of saturation or pressure is read before it is
	// compared, unless the clause says otherwise: none or half_up (to a whole
	// percent or mmHg). Totals of time and falls are never rounded.
	Level string `yaml:"level" validate:"omitempty,oneof=none half_up"`
	// Accumulation is cumulative or longest_run: the worksheet says so among
	// how the recording was read; clauses name the fact that they read.
	Accumulation string `yaml:"accumulation" validate:"omitempty,oneof=cumulative longest_run"`
	// Artifacts is bounds (verdict on both bounds), strict (undoubted
	// readings alone) or as_recorded (every plausible reading).
	Artifacts string `yaml:"artifacts" validate:"omitempty,oneof=bounds strict as_recorded"`
	// Denominator of percentages of a recording: valid or recorded time.
	Denominator string `yaml:"denominator" validate:"omitempty,oneof=valid recorded"`
	// Baseline that a fall is measured from: mean (of the recording) or
	// highest.
	Baseline string `yaml:"baseline" validate:"omitempty,oneof=mean highest"`
	// ReportLevel is the saturation at or below which the minutes of a signed
	// report are counted (fact reported_minutes).
	ReportLevel *Quantity `yaml:"report_level"`
	// ShortBelow is the valid time under which a recording of a test asleep is
	// told to be short. It changes no verdict.
	ShortBelow *Quantity `yaml:"short_below"`
	// LegHold is the time for which a value has to hold in a leg of an
	// exertional test to be that leg's value; nil: any reading is.
	LegHold *Quantity `yaml:"leg_hold"`
}

// Choose says how one of several tests of one state is chosen.
type Choose struct {
	// Order lists rules, the first before the next: nearest_discharge (the
	// test nearest to the discharge from hospital), most_recent, and
	// gas_over_oximetry (a blood gas before oximetry).
	Order   []string `yaml:"order" validate:"required,dive,oneof=nearest_discharge most_recent gas_over_oximetry"`
	Cite    []string `yaml:"cite" validate:"required"`
	Status  Status   `yaml:"status" validate:"required,oneof=verified verified-secondary draft"`
	Reading string   `yaml:"reading" validate:"omitempty,oneof=stated ours"` // whose reading of the document
	Note    string   `yaml:"note"`                                           // one sentence for the worksheet
}

// Custody bars the supplier from a result (design section 3).
type Custody struct {
	// When is the condition under which the bar holds; nil means always. A
	// condition that is not known to fail holds.
	When *Node `yaml:"when"`
	// Accepts lists the values of the fact custody on which the supplier may
	// hold and read the file.
	Accepts []string `yaml:"accepts" validate:"required"`
	// Who says who may send the file otherwise, for the page.
	Who  string   `yaml:"who" validate:"required"`
	Cite []string `yaml:"cite" validate:"required"`
}

// Deferral hands a case to another set of criteria: where When is met the
// outcome is undetermined with the disposition deferred.
type Deferral struct {
	ID     string   `yaml:"id" validate:"required"`
	When   *Node    `yaml:"when" validate:"required"`
	Region string   `yaml:"region" validate:"required"` // folder of the set that decides, or its name in words
	Text   string   `yaml:"text" validate:"required"`   // why, one sentence
	Cite   []string `yaml:"cite" validate:"required"`
	Status Status   `yaml:"status" validate:"required,oneof=verified verified-secondary draft"`
}

// Override waives clauses for tests from From to Until, both included. A
// draft never acts.
type Override struct {
	ID     string   `yaml:"id" validate:"required"`
	From   Date     `yaml:"from" validate:"required"`
	Until  Date     `yaml:"until"`                      // zero: not yet ended
	Waives []string `yaml:"waives" validate:"required"` // ids of the clauses that do not apply meanwhile
	Text   string   `yaml:"text" validate:"required"`   // the sentence for the worksheet
	Cite   []string `yaml:"cite" validate:"required"`
	Status Status   `yaml:"status" validate:"required,oneof=verified verified-secondary draft"`
}

// Node is one clause: a group, or a leaf. Exactly one of AllOf, AnyOf,
// NoneOf, NOf, Fact and Unsettled is set.
type Node struct {
	Line, Column int `yaml:"-"` // where the node stands in its file, from 1

	// ID and Label are required outside gates (applies_when, custody.when).
	ID    string `yaml:"id"`
	Label string `yaml:"label"`

	// AppliesWhen gates the node: where it is not met the node does not apply
	// and drops out of its group.
	AppliesWhen *Node `yaml:"applies_when"`

	// Since and Until bound the dates of tests to which the clause applies,
	// both included; zero is unbounded.
	Since Date `yaml:"since"`
	Until Date `yaml:"until"`

	AllOf  []*Node `yaml:"all_of" validate:"dive"`
	AnyOf  []*Node `yaml:"any_of" validate:"dive"`
	NoneOf []*Node `yaml:"none_of" validate:"dive"`
	NOf    *NOf    `yaml:"n_of"`

	// Unsettled makes the leaf undetermined whatever the facts: the text says
	// what has to be settled, and by whom. It is how a pack is honest about a
	// document that was not seen.
	Unsettled string `yaml:"unsettled"`
	// Ask names a stated fact whose better answer takes an unsettled leaf
	// away: whoever answers it is asked the text, and no maintainer is.
	Ask string `yaml:"ask"`

	// Fact names a row of the vocabulary, and the comparison follows. SpO2
	// and Points are the parameters of facts that have one.
	Fact   string    `yaml:"fact"`
	SpO2   *Quantity `yaml:"spo2"`   // level in percent, of time_at_or_below and its kin
	Points *Quantity `yaml:"points"` // fall in points, of time_fall_more_than

	// Figures of a comparison. Several in one list are the same limit printed
	// in several units; the one in the unit of the reported value is used.
	// AtLeast or MoreThan with AtOrBelow or Below on one leaf make a band.
	AtOrBelow Quantities `yaml:"at_or_below"`
	Below     Quantities `yaml:"below"`
	AtLeast   Quantities `yaml:"at_least"`
	MoreThan  Quantities `yaml:"more_than"`
	EqualTo   Quantities `yaml:"equal_to"` // numbers
	Is        string     `yaml:"is,word"`  // true, false or a word of the fact's list
	OneOf     []string   `yaml:"one_of"`   // words of the fact's list
	Known     bool       `yaml:"known"`    // met iff the fact is stated; never undetermined

	// Rounding overrides Reading.Level for this leaf: none, half_up, or
	// either (undetermined where the two differ).
	Rounding string `yaml:"rounding" validate:"omitempty,oneof=none half_up either"`
	// IfAbsent is what an absent fact makes of the leaf: ask (default,
	// undetermined) or not_applicable (the leaf counts only if stated).
	IfAbsent string `yaml:"if_absent" validate:"omitempty,oneof=ask not_applicable"`
	// UnlessKnown names a fact that stands in for this one: while it is
	// stated and this one is absent, the leaf does not apply and is not asked.
	UnlessKnown string `yaml:"unless_known"`
	// Otherwise is the outcome of a comparison that fails: not_met (default)
	// or undetermined (the document does not say).
	Otherwise string `yaml:"otherwise" validate:"omitempty,oneof=not_met undetermined"`

	// Disposition of the case when a failure of this clause decides it.
	Disposition string `yaml:"disposition" validate:"omitempty,oneof=not_covered invalid_test refer recommended_against manual_review"`

	// Strength and Grade are those of a guideline's recommendation, for the
	// worksheet: they change no verdict.
	Strength string `yaml:"strength" validate:"omitempty,oneof=strong conditional"`
	Grade    string `yaml:"grade"` // of the evidence, in the document's words

	Cite    []string `yaml:"cite"`
	Status  Status   `yaml:"status" validate:"omitempty,oneof=verified verified-secondary draft"`
	Reading string   `yaml:"reading" validate:"omitempty,oneof=stated ours"` // whose reading of the document
	Note    string   `yaml:"note"`                                           // one sentence for the worksheet
}

// NOf is met when at least N of its parts that apply are met.
type NOf struct {
	N  int     `yaml:"n" validate:"required,min=1"`
	Of []*Node `yaml:"of" validate:"required,dive"`
}

// Children returns the parts of a group in order, nil for a leaf.
func (n *Node) Children() []*Node {
	switch {
	case n.AllOf != nil:
		return n.AllOf
	case n.AnyOf != nil:
		return n.AnyOf
	case n.NoneOf != nil:
		return n.NoneOf
	case n.NOf != nil:
		return n.NOf.Of
	}
	return nil
}

// Item must be on file, although it changes no verdict.
type Item struct {
	ID   string   `yaml:"id" validate:"required"`
	Item string   `yaml:"item" validate:"required"` // what, in words
	Fact string   `yaml:"fact" validate:"required"` // a fact of type paper
	Cite []string `yaml:"cite" validate:"required"`
}

// Consequence is a text that holds when a clause is met (and, with Unless,
// another is not), in a case that qualifies and in no other.
type Consequence struct {
	When   string `yaml:"when" validate:"required"` // id of a clause that has to be met
	Unless string `yaml:"unless"`                   // id of a clause that must not be met
	// Kind is what the text is about; "" is note.
	Kind string `yaml:"kind" validate:"omitempty,oneof=stationary portable sleep_only high_flow modifier order serves_until retest renewal document note"`
	// If is a further condition on facts, such as the flow that was ordered.
	// Where it is not met the text is left out; where it is not known the text
	// is open, and asks for the facts that settle it. They never bear on the
	// outcome.
	If     *Node    `yaml:"if"`
	Due    *Due     `yaml:"due"`
	Text   string   `yaml:"text" validate:"required"`
	Cite   []string `yaml:"cite" validate:"required"`
	Status Status   `yaml:"status" validate:"required,oneof=verified verified-secondary draft"`
}

// Due is when a thing falls due, counted by the calendar from the day that a
// fact states, which is day 0. At least one end is set.
type Due struct {
	From      string    `yaml:"from" validate:"required"` // a fact that is a date
	AtLeast   *Quantity `yaml:"at_least"`                 // first day; nil: at once
	AtOrBelow *Quantity `yaml:"at_or_below"`              // last day, itself included; nil: without end
}

// Prompt is a text on what to document, whatever the outcome, where a
// condition is met.
type Prompt struct {
	If     *Node    `yaml:"if"` // nil: always
	Text   string   `yaml:"text" validate:"required"`
	Cite   []string `yaml:"cite" validate:"required"`
	Status Status   `yaml:"status" validate:"required,oneof=verified verified-secondary draft"`
}
