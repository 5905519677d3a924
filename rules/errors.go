package rules

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
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
	File     string `json:"file"`     // path inside the packs folder
	Line     int    `json:"line"`     // from 1; 0 if the fault is the file as a whole
	Column   int    `json:"column"`   // from 1, in characters; 0 as Line
	Key      string `json:"key"`      // path of the key, such as criteria.all_of[0].fact; "" for the file
	Expected string `json:"expected"` // what would be right
	Found    string `json:"found"`    // what stands there
	Mend     string `json:"mend"`     // what to do next
}

// String prints "file:line:column: key: expected …; found …; mend". Line and
// column are left out where the fault is the file as a whole, and so is an
// empty key.
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", p.Line, p.Column)
	}
	if p.Key != "" {
		b.WriteString(": " + p.Key)
	}
	fmt.Fprintf(&b, ": expected %s; found %s; %s", p.Expected, p.Found, p.Mend)
	return b.String()
}

// Problems are the faults of all files, sorted by file, line and column. It
// is the error of Load.
type Problems []Problem

// Error prints one problem a line.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

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
func didYouMean(s string, words []string) string {
	if w := nearest(s, words); w != "" {
		return fmt.Sprintf("did you mean %q?", w)
	}
	return "use one of: " + strings.Join(words, ", ")
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
