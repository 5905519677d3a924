package casework

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
)

// Cases are found by terms, such as the start of a surname, that must not lie
// in the store in the clear. A term is kept as its HMAC-SHA256 under a key of
// the store: whoever holds the list and not the key cannot try names on it.
// Destroying the personal values of a case removes its terms too.
const (
	termKind  = "term/" // then the code of a term: the cases that have it, by number
	termsKind = "terms" // by the number of a case: the codes of its terms
	// indexKey is the name under which the key lies among those of cases. No
	// case number looks like it.
	indexKey = "terms"
)

// termCode is the name under which a term is kept: 128 bits of its code.
func termCode(key []byte, term string) string {
	m := hmac.New(sha256.New, key)
	m.Write([]byte(term))
	return hex.EncodeToString(m.Sum(nil)[:16])
}

// termKey returns the key of terms, and draws it where there is none.
func termKey(ctx context.Context, s Store, random io.Reader) ([]byte, error) {
	key, err := s.Key(ctx, indexKey)
	if errors.Is(err, ErrNotFound) && random != nil {
		fresh := make([]byte, keySize)
		if _, err := io.ReadFull(random, fresh); err != nil {
			return nil, fmt.Errorf("no random bytes for the key of terms: %w", err)
		}
		if err := s.PutKey(ctx, indexKey, fresh); err != nil && !errors.Is(err, ErrConflict) {
			return nil, fmt.Errorf("the key of terms: %w", err)
		}
		key, err = s.Key(ctx, indexKey)
	}
	if err != nil {
		return nil, fmt.Errorf("the key of terms: %w", err)
	}
	return key, nil
}

// AddTerms lets a case be found by terms, besides those by which it is found
// already. Call it before the event that states what the terms come from:
// then a kill leaves terms too many, which a reader passes over, and none too
// few. random is a source of random bytes fit for keys.
func AddTerms(ctx context.Context, s Store, random io.Reader, number string, terms []string) error {
	key, err := termKey(ctx, s, random)
	if err != nil {
		return err
	}
	codes, err := termsOf(ctx, s, number)
	if err != nil {
		return err
	}
	var fresh []string
	for _, t := range terms {
		if c := termCode(key, t); !slices.Contains(codes, c) && !slices.Contains(fresh, c) {
			fresh = append(fresh, c)
		}
	}
	data, err := json.Marshal(append(codes, fresh...))
	if err != nil {
		return err
	}
	// What has to be removed one day is written down first.
	if err := s.PutNote(ctx, termsKind, number, data); err != nil {
		return fmt.Errorf("case %s: its terms: %w", number, err)
	}
	for _, c := range fresh {
		if err := s.PutNote(ctx, termKind+c, number, nil); err != nil {
			return fmt.Errorf("case %s: a term: %w", number, err)
		}
	}
	return nil
}

// termsOf returns the codes of a case's terms.
func termsOf(ctx context.Context, s Store, number string) ([]string, error) {
	data, err := s.Note(ctx, termsKind, number)
	if errors.Is(err, ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("case %s: its terms: %w", number, err)
	}
	var codes []string
	if err := json.Unmarshal(data, &codes); err != nil {
		return nil, fmt.Errorf("case %s: its terms: expected a list, found something else: %w", number, err)
	}
	return codes, nil
}

// Find lists the numbers of the cases that have a term, in ascending order
// and in pages as Store lists do. A case may be listed that had the term
// once.
func Find(ctx context.Context, s Store, term, after string, limit int) (numbers []string, next string, err error) {
	key, err := termKey(ctx, s, nil)
	if errors.Is(err, ErrNotFound) {
		return nil, "", nil // no case has any term
	}
	if err != nil {
		return nil, "", err
	}
	notes, next, err := s.Notes(ctx, termKind+termCode(key, term), after, limit)
	if err != nil {
		return nil, "", err
	}
	for _, n := range notes {
		numbers = append(numbers, n.Key)
	}
	return numbers, next, nil
}

// HasTerms reports whether AddTerms was ever called for the case, and its
// terms were not removed since.
func HasTerms(ctx context.Context, s Store, number string) (bool, error) {
	_, err := s.Note(ctx, termsKind, number)
	if errors.Is(err, ErrNotFound) {
		return false, nil
	}
	return err == nil, err
}

// removeTerms removes the terms of a case, the list of them last.
func removeTerms(ctx context.Context, s Store, number string) error {
	codes, err := termsOf(ctx, s, number)
	if err != nil {
		return err
	}
	for _, c := range codes {
		if err := s.DeleteNote(ctx, termKind+c, number); err != nil {
			return fmt.Errorf("case %s: a term: %w", number, err)
		}
	}
	return s.DeleteNote(ctx, termsKind, number)
}
