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
)

// FormatError is a refusal: where, what was expected, what was found, and the
// mend. Line and Column count from 1 and are 0 where a byte Offset (from 0)
// places the fault instead; Offset is -1 where it does not apply. Found quotes
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
