package recording

import (
	"errors"
	"strings"

	"airwarrant/rules/wording"
)

// Errors that callers tell apart. Every error of Read wraps one of them.
var (
	// ErrFormat: the bytes are not a recording that this program reads, or
	// break the rules of their format.
	ErrFormat = errors.New("unreadable recording")
	// ErrTooLarge: the upload exceeds Options.MaxBytes, or claims sizes that
	// its bytes do not bear out.
	ErrTooLarge = errors.New("recording too large")
	// ErrNoSpO2: no column or signal of oxygen saturation was found.
	ErrNoSpO2 = errors.New("no oxygen saturation found")
	// ErrAmbiguous: the file can be read in two ways, and the caller must say
	// which (for example a date order, or which column is which).
	ErrAmbiguous = errors.New("ambiguous recording")
	// ErrOptions: what the caller gave beside the file (columns, zone) cannot
	// be used, whatever the file holds.
	ErrOptions = errors.New("unusable option")
)

// maxFaults is how many faults one refusal lists (our choice: more than fit a
// screen help nobody).
const maxFaults = 20

// FormatErrors is a refusal for several faults. Faults holds at most 20 in
// file order and More counts the rest.
type FormatErrors struct {
	Faults []*FormatError
	More   int
}

// Said has one fault a line.
func (e *FormatErrors) Said() wording.Text {
	var lines []wording.Text
	for _, f := range e.Faults {
		lines = append(lines, f.Said())
	}
	if e.More > 0 {
		lines = append(lines, wording.Said("and %d more", e.More))
	}
	return wording.List("\n", lines)
}

// Error prints one fault a line, in English.
func (e *FormatErrors) Error() string {
	lines := make([]string, 0, len(e.Faults)+1)
	for _, f := range e.Faults {
		lines = append(lines, f.Error())
	}
	if e.More > 0 {
		lines = append(lines, wording.Said("and %d more", e.More).String())
	}
	return strings.Join(lines, "\n")
}

// Unwrap returns the faults.
func (e *FormatErrors) Unwrap() []error {
	out := make([]error, len(e.Faults))
	for i, f := range e.Faults {
		out[i] = f
	}
	return out
}

// Refusal is what a refusal in err says, in its parts, without what err adds; it
// is empty where err holds none.
func Refusal(err error) wording.Text {
	var one *FormatError
	var several *FormatErrors
	switch {
	case errors.As(err, &several):
		return several.Said()
	case errors.As(err, &one):
		return one.Said()
	}
	return wording.Text{}
}

// faults gathers what is wrong with one file.
type faults struct {
	list []*FormatError
	more int
}

func (f *faults) add(e *FormatError) {
	if len(f.list) < maxFaults {
		f.list = append(f.list, e)
		return
	}
	f.more++
}

// err returns nil, the one fault, or all of them.
func (f *faults) err() error {
	switch {
	case len(f.list) == 0:
		return nil
	case len(f.list) == 1 && f.more == 0:
		return f.list[0]
	}
	return &FormatErrors{Faults: f.list, More: f.more}
}

// FormatError is a refusal: where, what was expected, what was found, and the
// mend. Line and Column count from 1 and are 0 where a byte Offset (from 0)
// places the fault instead; Offset is -1 where it does not apply. Column is the
// number of the field in its row, as --columns takes it. Found quotes
// at most a short excerpt and never a patient's name.
type FormatError struct {
	Format   string
	Line     int
	Column   int
	Offset   int64
	Field    wording.Text // name of the column or header field, empty if none
	Expected wording.Text
	Found    wording.Text
	Mend     wording.Text
	Err      error // one of the Err values above
}

// Said is the refusal as one line that ends in the mend, in its parts.
func (e *FormatError) Said() wording.Text {
	var place wording.Text
	switch {
	case e.Line > 0 && e.Column > 0:
		place = wording.Said("line %d, column %d", e.Line, e.Column)
	case e.Line > 0:
		place = wording.Said("line %d", e.Line)
	case e.Offset >= 0:
		place = wording.Said("byte %d", e.Offset)
	}
	switch format := (wording.Text{Format: e.Format}); {
	case place.Format == "":
		place = format
	case e.Format != "":
		place = wording.Joined("%s %s", format, place)
	}
	switch {
	case e.Field.Format == "":
	case place.Format == "": // of what came beside the file
		place = e.Field
	default:
		place = wording.Joined("%s, %s", place, e.Field)
	}
	said := wording.Said("expected %s; found %s; %s", e.Expected, e.Found, e.Mend)
	if place.Format != "" {
		said = wording.Joined("%s: %s", place, said)
	}
	return said
}

// Error is the refusal in English.
func (e *FormatError) Error() string { return strings.TrimSpace(e.Said().String()) }

// Unwrap returns the class of the refusal.
func (e *FormatError) Unwrap() error { return e.Err }
