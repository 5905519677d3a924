package casework

import (
	"context"
	"encoding/base64"
	"fmt"
	"strings"
)

// Part is one of several lists that stand behind each other as one.
type Part struct {
	// Name tells it apart from the others while pages are turned.
	Name string
	Selection
}

// ListParts lists the parts one behind the other, as Store.List lists one: so a
// list is sorted by what its parts are selected by, and then by their order. A
// token leads on in the part that it names, also where other parts came in
// meanwhile; ErrToken if that part is gone.
func ListParts(ctx context.Context, s Store, parts []Part, after string, limit int) (heads []Head, next string, err error) {
	at, inner := 0, ""
	if after != "" {
		name, rest, ok := partOf(after)
		for at < len(parts) && parts[at].Name != name {
			at++
		}
		if !ok || at == len(parts) {
			return nil, "", fmt.Errorf("page token %q: %w", after, ErrToken)
		}
		inner = rest
	}
	for ; at < len(parts); at, inner = at+1, "" {
		// Once the page is full, one line tells whether another page follows.
		more, rest, err := s.List(ctx, parts[at].Selection, inner, max(limit-len(heads), 1))
		switch {
		case err != nil:
			return nil, "", err
		case len(heads) >= limit && (len(more) > 0 || rest != ""):
			return heads, partToken(parts[at].Name, ""), nil
		}
		heads = append(heads, more...)
		if rest != "" {
			return heads, partToken(parts[at].Name, rest), nil
		}
	}
	return heads, "", nil
}

func partToken(name, after string) string {
	return base64.RawURLEncoding.EncodeToString([]byte(name + "\n" + after))
}

func partOf(token string) (name, after string, ok bool) {
	b, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil {
		return "", "", false
	}
	return strings.Cut(string(b), "\n")
}
