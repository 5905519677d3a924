// Package paging writes and reads the tokens by which the stores list in
// pages: the kind of list and the last key of the page, in hex.
package paging

import (
	"encoding/hex"
	"fmt"
	"strings"

	"airwarrant/qualify/casework"
)

// The kinds of lists. That of selected cases is followed by its order.
const (
	Cases   = "c"
	Heads   = "h"
	Uploads = "u"
	Anchors = "a"
	Notes   = "n"
	List    = "l"
	Ledgers = "g"
	Values  = "p"
)

// After returns the key after which a page of limit items begins, "" for the
// first page. A token of another list, or of none, gives casework.ErrToken.
func After(kind, token string, limit int) (string, error) {
	if limit < 1 {
		return "", fmt.Errorf("expected a page of 1 item or more, found %d", limit)
	}
	if token == "" {
		return "", nil
	}
	digits, ok := strings.CutPrefix(token, kind)
	key, err := hex.DecodeString(digits)
	if !ok || err != nil || len(key) == 0 {
		return "", casework.ErrToken
	}
	return string(key), nil
}

// Token is the token of the page that ends with key.
func Token(kind, key string) string { return kind + hex.EncodeToString([]byte(key)) }
