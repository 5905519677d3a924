package casework

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"
)

// Event is one link of the chain of a case. It is never changed or removed.
type Event struct {
	Case string    `json:"case"`
	K    int       `json:"k"`    // from 1, without gaps
	At   time.Time `json:"at"`   // UTC, from the caller's clock
	By   string    `json:"by"`   // account or link id, never a patient's name
	Role Role      `json:"role"` // in which role
	Kind Kind      `json:"kind"`
	// Change is the canonical JSON of the change type of Kind.
	Change json.RawMessage `json:"change"`
	Prev   string          `json:"prev"`  // Hash of event K-1; "" for event 1
	State  string          `json:"state"` // hash of the canonical state after this event
	Hash   string          `json:"hash"`  // hash of all of the above; see Event.Sum
}

// Role is the role in which somebody acts.
type Role string

// The roles. RoleSystem is the program itself, on a schedule.
const (
	RoleIntake        Role = "intake"
	RoleOffice        Role = "office"
	RoleTester        Role = "tester"
	RoleMaintainer    Role = "maintainer"
	RoleAdministrator Role = "administrator"
	RoleSystem        Role = "system"
)

// Stamp says when, who and in which role.
type Stamp struct {
	At   time.Time // kept in UTC, to the millisecond
	By   string
	Role Role
}

// Sum returns the hash that e.Hash must have: SHA-256, in lower-case hex, of
// the canonical JSON of the event without its member "hash".
//
// Canonical JSON here is what RFC 8785 asks for in white space, order of
// members and escapes, save that a number keeps the digits it was written
// with, members are ordered by their bytes in UTF-8, and U+2028 and U+2029
// are escaped.
func (e Event) Sum() (string, error) {
	change, err := canonical(e.Change)
	if err != nil {
		return "", err
	}
	// The members stand in the order that canonical JSON asks for.
	data, err := encode(struct {
		At     time.Time       `json:"at"`
		By     string          `json:"by"`
		Case   string          `json:"case"`
		Change json.RawMessage `json:"change"`
		K      int             `json:"k"`
		Kind   Kind            `json:"kind"`
		Prev   string          `json:"prev"`
		Role   Role            `json:"role"`
		State  string          `json:"state"`
	}{e.At, e.By, e.Case, change, e.K, e.Kind, e.Prev, e.Role, e.State})
	if err != nil {
		return "", err
	}
	return hexHash(data), nil
}

// canonical returns the canonical JSON of v; see Event.Sum. A second value
// after the first, in raw JSON, is an error.
func canonical(v any) ([]byte, error) {
	data, ok := v.(json.RawMessage)
	if !ok {
		var err error
		if data, err = json.Marshal(v); err != nil {
			return nil, err
		}
	}
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.UseNumber() // a float64 would alter figures
	var tree any
	if err := dec.Decode(&tree); err != nil {
		return nil, err
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("expected one JSON value, found more after byte %d", dec.InputOffset())
	}
	return encode(tree)
}

// encode writes JSON in the least space, with "<", ">" and "&" as they are.
func encode(v any) ([]byte, error) {
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(out.Bytes(), []byte("\n")), nil
}

// newEvent makes event c.K+1 out of a change, and the case after it.
func newEvent(c Case, st Stamp, ch Change) (Event, Case, error) {
	data, err := canonical(ch)
	if err != nil {
		return Event{}, Case{}, refused("%s: %v", ch.Kind(), err)
	}
	if len(data) > MaxChange {
		return Event{}, Case{}, refused("%s takes %d bytes, at most %d fit in one event; put long words in fewer or shorter answers", ch.Kind(), len(data), MaxChange)
	}
	e := Event{Case: c.Number, K: c.K + 1, At: st.At.UTC().Truncate(time.Millisecond), By: st.By, Role: st.Role,
		Kind: ch.Kind(), Change: data, Prev: c.Hash}
	next, err := Apply(c, e)
	if err != nil {
		return Event{}, Case{}, err
	}
	if e.State, err = next.StateHash(); err != nil {
		return Event{}, Case{}, err
	}
	if e.Hash, err = e.Sum(); err != nil {
		return Event{}, Case{}, refused("%s: %v", ch.Kind(), err)
	}
	next.Hash = e.Hash
	return e, next, nil
}

// MaxChange is the most bytes that the JSON of one change may take. It leaves
// room for the rest of the event in an item of 400 KB, the limit of the
// serverless table (from memory of its published quotas).
const MaxChange = 256 << 10

func hexHash(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// isHash reports whether s is a SHA-256 in lower-case hex.
func isHash(s string) bool {
	if len(s) != 2*sha256.Size {
		return false
	}
	for _, c := range []byte(s) {
		if (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return false
		}
	}
	return true
}
