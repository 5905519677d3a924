package recording

import (
	"errors"
	"fmt"
	"strings"
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

// Error prints one fault a line.
func (e *FormatErrors) Error() string {
	var b strings.Builder
	for i, f := range e.Faults {
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(f.Error())
	}
	if e.More > 0 {
		fmt.Fprintf(&b, "\nand %d more", e.More)
	}
	return b.String()
}

// Unwrap returns the faults.
func (e *FormatErrors) Unwrap() []error {
	out := make([]error, len(e.Faults))
	for i, f := range e.Faults {
		out[i] = f
	}
	return out
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
	Field    string // name of the column or header field, "" if none
	Expected string
	Found    string
	Mend     string
	Err      error // one of the Err values above
}

// Error prints the refusal as one line that ends in the mend.
func (e *FormatError) Error() string {
	var b strings.Builder
	if e.Format != "" {
		b.WriteString(e.Format)
	}
	switch {
	case e.Line > 0 && e.Column > 0:
		fmt.Fprintf(&b, " line %d, column %d", e.Line, e.Column)
	case e.Line > 0:
		fmt.Fprintf(&b, " line %d", e.Line)
	case e.Offset >= 0:
		fmt.Fprintf(&b, " byte %d", e.Offset)
	}
	if e.Field != "" {
		fmt.Fprintf(&b, ", %s", e.Field)
	}
	if b.Len() > 0 {
		b.WriteString(": ")
	}
	fmt.Fprintf(&b, "expected %s; found %s; %s", e.Expected, e.Found, e.Mend)
	return strings.TrimSpace(b.String())
}

// Unwrap returns the class of the refusal.
func (e *FormatError) Unwrap() error { return e.Err }
