package accounts

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/subtle"
	_ "embed"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
	"golang.org/x/text/secure/precis"

	"airwarrant/qualify/casework"
)

// cost is what argon2id is told (RFC 9106 section 3.1).
type cost struct {
	Memory  uint32 // KiB
	Passes  uint32
	Threads uint8
}

// today's cost is the second recommended choice of RFC 9106 section 4, for
// machines with little memory: 64 MiB, three passes, four lanes, with a salt
// of 128 bits and a tag of 256.
var today = cost{Memory: 64 << 10, Passes: 3, Threads: 4}

const (
	saltSize = 16
	tagSize  = 32
	// mostMemory bounds what a stored hash can make a sign-in take, in KiB.
	mostMemory = 1 << 20
)

// Length of a password in characters. NIST SP 800-63B-4 (from memory) section 3.1.1.2 asks
// for at least 15 where the password is the only factor, and for at least 64
// to be taken; that it asks for no mix of kinds of letters is followed too.
const (
	ShortestPassword = 15
	LongestPassword  = 200
)

// firstExpires is how long a first password can be used (our choice: a week
// covers a weekend and a day off).
const firstExpires = 7 * 24 * time.Hour

//go:embed refused.txt
var refusedText []byte

// refused are passwords that everybody would try.
var refused = func() map[string]bool {
	out := map[string]bool{}
	for lines := bufio.NewScanner(bytes.NewReader(refusedText)); lines.Scan(); {
		if line := lines.Text(); line != "" && line[0] != '#' {
			out[squeeze(line)] = true
		}
	}
	return out
}()

// squeeze leaves the small letters and digits of a password.
func squeeze(s string) string {
	return strings.Map(func(r rune) rune {
		if r == ' ' || r == '-' || r == '_' || r == '.' || r == '!' {
			return -1
		}
		return r
	}, strings.ToLower(s))
}

// normal is the password as it is hashed: the same however a keyboard composes
// its letters (RFC 8265 section 4).
func normal(password string) (string, error) {
	return precis.OpaqueString.String(password)
}

// checkPassword says what is wrong with a new password of the account.
func checkPassword(name, password string) error {
	say := func(format string, args ...any) error {
		return &FormError{"new", fmt.Sprintf(format, args...)}
	}
	n := utf8.RuneCountInString(password)
	if n < ShortestPassword || n > LongestPassword {
		return say("Expected %d to %d characters; found %d. Four or five words that do not belong together are easy to keep and hard to guess.", ShortestPassword, LongestPassword, n)
	}
	if _, err := normal(password); err != nil {
		return say("Expected characters that a keyboard gives; found a control character. Type it again.")
	}
	low := squeeze(password)
	if refused[low] || repeats(low) || runs(low) {
		return say("Expected a password that nobody would try; found one from the list of those, one short piece over and over, or a row of the alphabet or the digits. Choose other words.")
	}
	if own := squeeze(name); len(own) >= 4 && strings.Contains(low, own) || strings.Contains(low, "airwarrant") {
		return say("Expected a password without your name and without the name of this program; found one of them. Choose other words.")
	}
	return nil
}

// repeats reports whether s is one piece of up to eight bytes over and over,
// the last time perhaps cut short.
func repeats(s string) bool {
	for n := 1; n <= 8 && n < len(s); n++ {
		if strings.HasPrefix(strings.Repeat(s[:n], len(s)/n+1), s) {
			return true
		}
	}
	return false
}

// runs reports whether each letter of s is the next, or the one before, of
// the letter to its left; zero follows nine.
func runs(s string) bool {
	for _, step := range []int{1, -1} {
		ok := len(s) > 1
		for i := 1; i < len(s) && ok; i++ {
			a, b := int(s[i-1]), int(s[i])
			ok = b == a+step || step == 1 && a == '9' && b == '0' || step == -1 && a == '0' && b == '9' || step == 1 && a == 'z' && b == 'a'
		}
		if ok {
			return true
		}
	}
	return false
}

// hash returns the argon2id hash of a password as one line in the customary
// form $argon2id$v=19$m=…,t=…,p=…$salt$tag, with base64 without padding.
func (b *Book) hash(ctx context.Context, password string) (string, error) {
	salt := make([]byte, saltSize)
	if _, err := io.ReadFull(b.random, salt); err != nil {
		return "", fmt.Errorf("no random bytes for a password's salt: %w", err)
	}
	tag, err := b.tag(ctx, password, salt, b.cost, tagSize)
	if err != nil {
		return "", err
	}
	return line(b.cost, salt, tag), nil
}

func line(c cost, salt, tag []byte) string {
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, c.Memory, c.Passes, c.Threads,
		base64.RawStdEncoding.EncodeToString(salt), base64.RawStdEncoding.EncodeToString(tag))
}

// decoy costs as much to check as a hash of that cost, and fits no password.
func decoy(c cost) string { return line(c, make([]byte, saltSize), make([]byte, tagSize)) }

// tag hashes, when a place is free.
func (b *Book) tag(ctx context.Context, password string, salt []byte, c cost, size uint32) ([]byte, error) {
	select {
	case b.hashing <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	defer func() { <-b.hashing }()
	b.mu.Lock()
	b.hashed++
	b.mu.Unlock()
	return argon2.IDKey([]byte(password), salt, c.Passes, c.Memory, c.Threads, size), nil
}

// fits reports whether a password has a stored hash. A hash that is not in
// the form of hash is an error.
func (b *Book) fits(ctx context.Context, password, stored string) (bool, error) {
	var c cost
	var version int
	parts := strings.Split(stored, "$")
	bad := fmt.Errorf("a stored password is not a hash of this program; reset the password of the account")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" {
		return false, bad
	}
	if _, err := fmt.Sscanf(parts[2], "v=%d", &version); err != nil || version != argon2.Version {
		return false, bad
	}
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &c.Memory, &c.Passes, &c.Threads); err != nil || c.Memory > mostMemory || c.Passes < 1 || c.Passes > 100 || c.Threads < 1 {
		return false, bad
	}
	salt, err := base64.RawStdEncoding.DecodeString(parts[4])
	if err != nil {
		return false, bad
	}
	want, err := base64.RawStdEncoding.DecodeString(parts[5])
	if err != nil || len(want) < 16 || len(want) > 64 {
		return false, bad
	}
	got, err := b.tag(ctx, password, salt, c, uint32(len(want)))
	if err != nil {
		return false, err
	}
	return subtle.ConstantTimeCompare(got, want) == 1, nil
}

// passwordKind is the kind of the notes that hold hashes, under the id of the
// account and the seal that its ledger names.
const passwordKind = "password"

func sealOf(stored string) string {
	sum := sha256.Sum256([]byte(stored))
	return hex.EncodeToString(sum[:])
}

// set stores a password that is checked already. The entry of the ledger is
// the write: a hash that no entry names opens nothing.
func (b *Book) set(ctx context.Context, st casework.Stamp, id, word string, mustChange bool) (Account, error) {
	word, err := normal(word)
	if err != nil {
		return Account{}, err
	}
	stored, err := b.hash(ctx, word)
	if err != nil {
		return Account{}, err
	}
	seal := sealOf(stored)
	if err := b.store.PutNote(ctx, passwordKind, id+"/"+seal, []byte(stored)); err != nil {
		return Account{}, err
	}
	before := ""
	a, err := b.update(ctx, st, id, func(a Account) (string, any, error) {
		before = a.seal
		return kindPassword, password{seal, mustChange}, nil
	})
	if err != nil {
		return a, err
	}
	if before != "" {
		if err := b.store.DeleteNote(ctx, passwordKind, id+"/"+before); err != nil {
			return a, err
		}
	}
	// What was typed wrong before no longer counts.
	return a, b.store.DeleteNote(ctx, triesKind, accountTries(id))
}

// stored returns the hash of the account's password, the decoy if it has
// none that may be used now.
func (b *Book) stored(ctx context.Context, a Account) (string, error) {
	if a.seal == "" || a.Disabled || a.MustChange && !b.now().Before(a.PasswordAt.Add(firstExpires)) {
		return decoy(b.cost), nil
	}
	data, err := b.store.Note(ctx, passwordKind, a.ID+"/"+a.seal)
	if err != nil {
		return "", fmt.Errorf("account %s: its password: %w", a.ID, err)
	}
	if sealOf(string(data)) != a.seal {
		return "", fmt.Errorf("account %s: its stored password was altered outside this program; reset it", a.ID)
	}
	return string(data), nil
}

// Reset gives an account a first password, ends its sessions and returns the
// password, which is kept nowhere. An account of a provider has none.
func (b *Book) Reset(ctx context.Context, st casework.Stamp, id string) (string, error) {
	a, err := b.Account(ctx, id)
	if err != nil {
		return "", err
	}
	if a.Issuer != "" {
		return "", &FormError{"name", "Expected an account with a password; found one whose sign-in provider vouches for it. Reset it there."}
	}
	first, err := b.first()
	if err != nil {
		return "", err
	}
	_, err = b.set(ctx, st, id, first, true)
	return first, err
}

// first draws a password of 100 bits in groups that can be read out: small
// letters and digits without those that look alike.
func (b *Book) first() (string, error) {
	const letters = "abcdefghjkmnpqrstuvwxyz023456789"
	raw := make([]byte, 20)
	if _, err := io.ReadFull(b.random, raw); err != nil {
		return "", fmt.Errorf("no random bytes for a first password: %w", err)
	}
	var out strings.Builder
	for i, c := range raw {
		if i > 0 && i%5 == 0 {
			out.WriteByte('-')
		}
		out.WriteByte(letters[int(c)%len(letters)])
	}
	return out.String(), nil
}

// ChangePassword changes the password of who is signed in. It ends every
// session of the account and returns the token of a new one in the same role.
// A *FormError says what is wrong with which field, a *WaitError that the old
// password was typed wrong too often.
func (b *Book) ChangePassword(ctx context.Context, s Session, old, word, again string) (string, error) {
	a := s.Account
	if a.Issuer != "" {
		return "", &FormError{"old", "Expected an account with a password; found one whose sign-in provider vouches for it. Change it there."}
	}
	if word != again {
		return "", &FormError{"again", "Expected the new password twice; found two that differ. Type both again."}
	}
	if err := checkPassword(a.Name, word); err != nil {
		return "", err
	}
	if err := b.take(ctx, accountTries(a.ID), ofAccount); err != nil {
		return "", err
	}
	stored, err := b.stored(ctx, a)
	if err != nil {
		return "", err
	}
	was, err := normal(old)
	if err != nil {
		was = ""
	}
	ok, err := b.fits(ctx, was, stored)
	if err != nil {
		return "", err
	}
	if !ok {
		return "", &FormError{"old", "Expected the password that you signed in with; found another. Type it again."}
	}
	if same, _ := normal(word); same == was {
		return "", &FormError{"new", "Expected another password than before; found the same. Choose other words."}
	}
	if a, err = b.set(ctx, b.stamp(a.Name, s.roleOr(casework.RoleSystem)), a.ID, word, false); err != nil {
		return "", err
	}
	if err := b.store.DeleteNote(ctx, sessionKind, s.key); err != nil {
		return "", err
	}
	return b.begin(ctx, a, s.Role)
}
