package criteria

import (
	"cmp"
	"math/big"

	"airwarrant/qualify/analysis"
	"airwarrant/rules"
)

// State says how a fact is known.
type State string

// The states of a fact. A fact that is not in the set is absent: not yet asked.
const (
	Stated   State = "stated"   // typed from a paper or said
	Located  State = "located"  // an office says where it stands in the chart
	Unknown  State = "unknown"  // asked, and not known: not asked again
	Computed State = "computed" // from a recording or other facts
)

// Value is a fact's value; which field holds it follows from the fact's type.
type Value struct {
	Bool bool       // TypeBool, TypePaper
	Word string     // TypeWord; TypeOxygen: "room_air" or "oxygen"
	Date rules.Date // TypeDate
	// Num is a number, or the flow of TypeOxygen, exact, in Unit. Places is
	// the number of decimals as it was printed: "5.0" has 1, "5" has 0.
	Num    *big.Rat
	Unit   string
	Places int
	// Low and High bound a number that is only known between them, in Unit; a
	// nil one is Num itself, so that both nil are an exact number. They are
	// computed for one run and not stored with the fact.
	Low, High *big.Rat
	List      []RecordingRole // recordings
	Tests     []Test          // tests
	Report    []Reported      // report
	Spans     []JudgedSpan    // spans
}

// Bounds returns the least and the greatest that a number may be, in its Unit.
func (v Value) Bounds() (low, high *big.Rat) {
	return cmp.Or(v.Low, v.Num), cmp.Or(v.High, v.Num)
}

// Place is where the office found a fact in the chart. It locates a
// statement; it is not the record itself. Copy names the document on file that
// is the copy of that page, "" while there is none.
type Place struct {
	Document string     `json:"document"`
	Date     rules.Date `json:"date"`
	Page     string     `json:"page"`
	By       string     `json:"by"`
	Copy     string     `json:"copy,omitempty"`
}

// Fact is one named value with its provenance.
type Fact struct {
	Name  string
	State State
	Value Value
	Place *Place // of a located fact
	// Basis says in words what a computed fact, or its bounds, come from.
	Basis string
	// Asked says that somebody was asked for a fact that has since been
	// computed, and does not know it: it is not asked again.
	Asked bool
}

// Facts is the flat set that criteria read: named facts and, if a recording
// was read, its analysis, from which the measures of the vocabulary come.
type Facts struct {
	Named map[string]Fact
	Night *analysis.Analysis // nil: recording not seen, or withheld
	// Language is that of every text of a Determination that the pack does not
	// hold; it moves no outcome. The zero value is English.
	Language rules.Language
}

// Known returns the fact if it is stated, located or computed.
func (f Facts) Known(name string) (Fact, bool) {
	v, ok := f.Named[name]
	return v, ok && v.State != Unknown
}
