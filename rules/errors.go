package rules

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"airwarrant/rules/wording"
)

// Errors of a Library's queries, wrapped with the region, the date and what
// can be asked instead.
var (
	// ErrUnknownRegion: no folder of that name was loaded.
	ErrUnknownRegion = errors.New("unknown region")
	// ErrNoPackInForce: the region has no criteria in force on that day.
	ErrNoPackInForce = errors.New("no criteria in force")
	// ErrUnread: the version in force can't be read; see Pack.Unreadable. It comes
	// with ErrNoPackInForce.
	ErrUnread = errors.New("criteria can't be read")
	// ErrUnknownVersion: the region has no version with that effective date.
	ErrUnknownVersion = errors.New("unknown version")
)

// Problem is one fault of one file: where it stands, what was expected there,
// what was found, and how to mend it.
type Problem struct {
	File     string       // path inside the packs folder
	Line     int          // from 1; 0 if the fault is the file as a whole
	Column   int          // from 1, in characters; 0 as Line
	Key      string       // path of the key, such as criteria.all_of[0].fact; "" for the file
	Expected wording.Text // what would be right
	Found    wording.Text // what stands there
	Mend     wording.Text // what to do next
}

// Said is the fault without its place, in its parts: "expected …; found …;
// mend".
func (p Problem) Said() wording.Text {
	return said("expected %s; found %s; %s", p.Expected, p.Found, p.Mend)
}

// MarshalJSON writes the fault in English.
func (p Problem) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		File     string `json:"file"`
		Line     int    `json:"line"`
		Column   int    `json:"column"`
		Key      string `json:"key"`
		Expected string `json:"expected"`
		Found    string `json:"found"`
		Mend     string `json:"mend"`
	}{p.File, p.Line, p.Column, p.Key, p.Expected.String(), p.Found.String(), p.Mend.String()})
}

// String prints "file:line:column: key: expected …; found …; mend". Line and
// column are left out where the fault is the file as a whole, and so is an
// empty key.
func (p Problem) String() string { return p.place() + ": " + p.Said().String() }

func (p Problem) place() string {
	place := p.File
	if p.Line > 0 {
		place += fmt.Sprintf(":%d:%d", p.Line, p.Column)
	}
	if p.Key != "" {
		place += ": " + p.Key
	}
	return place
}

// Problems are the faults of all files, sorted by file, line and column. It
// is the error of Load.
type Problems []Problem

// Said has one fault a line, each with its place.
func (ps Problems) Said() wording.Text {
	lines := make([]wording.Text, len(ps))
	for i, p := range ps {
		lines[i] = wording.Joined("%s: %s", wording.Literal(p.place()), p.Said())
	}
	return wording.List("\n", lines)
}

// Error prints one fault a line, in English.
func (ps Problems) Error() string { return ps.Said().String() }

func (ps Problems) sort() {
	slices.SortStableFunc(ps, func(a, b Problem) int {
		return cmp.Or(
			cmp.Compare(a.File, b.File),
			cmp.Compare(a.Line, b.Line),
			cmp.Compare(a.Column, b.Column),
			cmp.Compare(a.Key, b.Key),
		)
	})
}

// said is a text of a fault, and literal what stands in a file.
var said = wording.Fault

func literal(s string) wording.Text { return wording.Literal(s).Text() }

// verbatim is what quote shows, as a whole text.
func verbatim(s string) wording.Text { return literal(quote(s)) }

// quote shows a text that stands in a file, cut to a length that fits a line.
func quote(s string) string {
	const limit = 60
	if r := []rune(s[:min(len(s), 4*limit)]); len(r) > limit || len(s) > 4*limit {
		s = string(r[:min(len(r), limit)]) + "…"
	}
	return fmt.Sprintf("%q", s)
}

// nearest returns the word of words that is the fewest single-letter changes
// (insert, delete, replace, swap of neighbours) away from s, or "" if none is
// near enough to be a slip of the pen: at most a third of its letters.
func nearest(s string, words []string) string {
	best, distance := "", len(s)+1
	if len(s) > 64 {
		return ""
	}
	for _, w := range words {
		if d := editDistance(strings.ToLower(s), w); d < distance && d <= max(1, len(w)/3) {
			best, distance = w, d
		}
	}
	return best
}

// didYouMean is nearest as the beginning of a mend, or the whole list.
func didYouMean(s string, words []string) wording.Text {
	if w := nearest(s, words); w != "" {
		return said("did you mean %q?", w)
	}
	return said("use one of: %s", strings.Join(words, ", "))
}

func editDistance(a, b string) int {
	// Three rows of the usual table: two back for swaps of neighbours.
	before, previous, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range previous {
		previous[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			step := 1
			if a[i-1] == b[j-1] {
				step = 0
			}
			row[j] = min(previous[j]+1, row[j-1]+1, previous[j-1]+step)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, previous, row = previous, row, before
	}
	return previous[len(b)]
}
