package casework

import (
	"context"
	"crypto/aes"
	"crypto/cipher"
	"errors"
	"fmt"
	"io"
)

// Ref points from an event to a personal value beside the chain: it is the
// SHA-256 of the sealed value, in lower-case hex, so that a value cannot be
// exchanged unseen. "" points to nothing.
type Ref string

const (
	keySize   = 32 // AES-256
	nonceSize = 12 // of GCM, NIST SP 800-38D section 8.2.2
)

// Seal encrypts a personal value under the key of the case (AES-256-GCM, a
// random nonce before the ciphertext, the number of the case as additional
// data), stores it beside the chain and returns its Ref. The case gets its
// key on first use. random is a source of random bytes fit for keys.
// ErrDestroyed if the personal values of the case were destroyed.
func (c *Case) Seal(ctx context.Context, s Store, random io.Reader, value []byte) (Ref, error) {
	if c.K == 0 {
		// A number that is not ours yet may be another case's.
		return "", refused("a case must be opened before personal values are put beside it")
	}
	key, err := s.Key(ctx, c.Number)
	if errors.Is(err, ErrNotFound) {
		fresh := make([]byte, keySize)
		if _, err := io.ReadFull(random, fresh); err != nil {
			return "", fmt.Errorf("case %s: no random bytes for its key: %w", c.Number, err)
		}
		if err := s.PutKey(ctx, c.Number, fresh); err != nil && !errors.Is(err, ErrConflict) {
			return "", fmt.Errorf("case %s: its key: %w", c.Number, err)
		}
		// After a conflict the key is the other writer's.
		key, err = s.Key(ctx, c.Number)
	}
	if err != nil {
		return "", fmt.Errorf("case %s: its key: %w", c.Number, err)
	}
	gcm, err := newGCM(key)
	if err != nil {
		return "", fmt.Errorf("case %s: %w", c.Number, err)
	}
	sealed := make([]byte, nonceSize, nonceSize+len(value)+gcm.Overhead())
	if _, err := io.ReadFull(random, sealed); err != nil {
		return "", fmt.Errorf("case %s: no random bytes: %w", c.Number, err)
	}
	sealed = gcm.Seal(sealed, sealed, value, []byte(c.Number))
	id := hexHash(sealed)
	if err := s.PutPersonal(ctx, c.Number, id, sealed); err != nil {
		return "", fmt.Errorf("case %s: a personal value: %w", c.Number, err)
	}
	return Ref(id), nil
}

// Reveal returns the personal value that r points to. ErrDestroyed if the
// personal values of the case were destroyed, ErrHash if the value was
// exchanged or altered, ErrNotFound if it is gone.
func (c *Case) Reveal(ctx context.Context, s Store, r Ref) ([]byte, error) {
	key, err := s.Key(ctx, c.Number)
	if err != nil {
		return nil, fmt.Errorf("case %s: its key: %w", c.Number, err)
	}
	sealed, err := s.Personal(ctx, c.Number, string(r))
	if err != nil {
		return nil, fmt.Errorf("case %s: personal value %s: %w", c.Number, r, err)
	}
	if hexHash(sealed) != string(r) {
		return nil, fmt.Errorf("case %s: personal value %s: %w", c.Number, r, ErrHash)
	}
	gcm, err := newGCM(key)
	if err != nil {
		return nil, fmt.Errorf("case %s: %w", c.Number, err)
	}
	if len(sealed) < nonceSize {
		return nil, fmt.Errorf("case %s: personal value %s: %w", c.Number, r, ErrHash)
	}
	value, err := gcm.Open(nil, sealed[:nonceSize], sealed[nonceSize:], []byte(c.Number))
	if err != nil {
		return nil, fmt.Errorf("case %s: personal value %s does not open with the key of the case: %w", c.Number, r, ErrHash)
	}
	return value, nil
}

func newGCM(key []byte) (cipher.AEAD, error) {
	if len(key) != keySize {
		return nil, fmt.Errorf("expected a key of %d bytes, found %d; restore the store from a backup", keySize, len(key))
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	return cipher.NewGCM(block)
}

// Destroy destroys the personal values of a closed case for good. The event
// that says so is written first: a kill in between leaves values that a
// second call destroys, never values that are gone without a word. The
// uploads go with the next SweepUploads, unless another case needs them.
func Destroy(ctx context.Context, s Store, number string, st Stamp, reason string) error {
	_, err := Update(ctx, s, number, st, func(c *Case) (Change, error) {
		if !c.DestroyedAt.IsZero() {
			return nil, ErrDestroyed
		}
		return Destroyed{Reason: reason}, nil
	})
	if err != nil && !errors.Is(err, ErrDestroyed) && !errors.Is(err, ErrHead) {
		return err
	}
	if err := removeTerms(ctx, s, number); err != nil {
		return fmt.Errorf("%w; call again", err)
	}
	if err := s.DestroyPersonal(ctx, number); err != nil {
		return fmt.Errorf("case %s: its personal values: %w; call again", number, err)
	}
	return nil
}
