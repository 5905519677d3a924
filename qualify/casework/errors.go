package casework

import (
	"errors"
	"fmt"
)

// The faults that a caller tells apart with errors.Is.
var (
	// ErrConflict: somebody else wrote first. Open the case again and decide anew.
	ErrConflict = errors.New("somebody else wrote first")
	// ErrNotFound: there is no such case, upload, key or value.
	ErrNotFound = errors.New("not found")
	// ErrDestroyed: the personal values of the case were destroyed on purpose.
	ErrDestroyed = errors.New("the personal values of this case were destroyed when its retention ended")
	// ErrHash: bytes do not have the hash by which they are named.
	ErrHash = errors.New("the bytes do not have the hash that names them")
	// ErrToken: a page token that this store did not give out.
	ErrToken = errors.New("unknown page token; begin again at the first page")
	// ErrRefused: the change does not fit the case as it stands.
	ErrRefused = errors.New("the change does not fit the case")
	// ErrMove: two stores are not as a move needs them; the error says how.
	ErrMove = errors.New("the move was refused")
	// ErrHead: the event is stored, but the list of cases does not show it
	// yet. RebuildHeads mends that; the change must not be sent again.
	ErrHead = errors.New("the event is stored, but the list of cases could not be brought up to date")
)

// ChainError says where a chain is broken. Every event before K is sound.
type ChainError struct {
	Case   string // number of the case, or "ledger/" and the name of the ledger
	K      int    // the first broken event, counted from 1
	Reason string // what was expected and what was found
}

// Error names the case, the event and the reason.
func (e *ChainError) Error() string {
	return fmt.Sprintf("%s, event %d: %s; restore it from a backup taken before it was altered", chainWords(e.Case), e.K, e.Reason)
}

func refused(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrRefused, fmt.Sprintf(format, args...))
}
