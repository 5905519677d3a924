package accounts

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"airwarrant/qualify/casework"
)

// How long a session lasts: NIST SP 800-63B (revision 3, from memory) section
// 4.2.3 names 12 hours, and 30 minutes without a request, for its middle level.
const (
	SessionLasts = 12 * time.Hour
	SessionIdles = 30 * time.Minute
	// seenEvery is how often the last request is written down.
	seenEvery = time.Minute
)

// sessionKind is the kind of the notes that hold sessions, under the SHA-256
// of their token: who reads the store cannot sign in by it.
const sessionKind = "session"

// SessionNotes is that kind, for a store that can let notes end by themselves
// after SessionLasts.
const SessionNotes = sessionKind

// kept is a session as the store holds it.
type kept struct {
	Account string        `json:"account"`
	Role    casework.Role `json:"role,omitempty"`
	Epoch   int           `json:"epoch"`
	Nonce   string        `json:"nonce"`
	Began   time.Time     `json:"began"`
	Seen    time.Time     `json:"seen"`
}

func (k kept) over(now time.Time) bool {
	return !now.Before(k.Began.Add(SessionLasts)) || !now.Before(k.Seen.Add(SessionIdles))
}

// Session is a browser that is signed in.
type Session struct {
	Account Account
	// Role is the one role that it acts in, "" until one is taken.
	Role casework.Role
	// Nonce is a secret of the session from which tokens of forms are made. It
	// is another after each change of role, so that a form of one role is not
	// taken in another.
	Nonce string
	Until time.Time // when it ends, if not before

	key string
	was kept
}

func (s Session) roleOr(r casework.Role) casework.Role {
	if s.Role != "" {
		return s.Role
	}
	return r
}

// secret draws 256 random bits as text for cookies.
func (b *Book) secret() (string, error) {
	raw := make([]byte, 32)
	if _, err := io.ReadFull(b.random, raw); err != nil {
		return "", fmt.Errorf("no random bytes for a session: %w", err)
	}
	return base64.RawURLEncoding.EncodeToString(raw), nil
}

func keyOf(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}

// begin begins a session of an account and returns its token. An account with
// one role acts in it from the start.
func (b *Book) begin(ctx context.Context, a Account, role casework.Role) (string, error) {
	token, err := b.secret()
	if err != nil {
		return "", err
	}
	nonce, err := b.secret()
	if err != nil {
		return "", err
	}
	if role == "" && len(a.Roles) == 1 {
		role = a.Roles[0]
	}
	now := b.now().UTC()
	data, err := json.Marshal(kept{Account: a.ID, Role: role, Epoch: a.epoch, Nonce: nonce, Began: now, Seen: now})
	if err != nil {
		return "", err
	}
	return token, b.store.SwapNote(ctx, sessionKind, keyOf(token), nil, data)
}

// Session returns the session that a token opens. ErrSignedOut if there is
// none, if it is over, or if it was ended from elsewhere.
func (b *Book) Session(ctx context.Context, token string) (Session, error) {
	s, data, err := b.session(ctx, token)
	if err != nil {
		return Session{}, err
	}
	if now := b.now().UTC(); now.Sub(s.was.Seen) >= seenEvery {
		k := s.was
		k.Seen = now
		fresh, err := json.Marshal(k)
		if err != nil {
			return Session{}, err
		}
		// Another request of the same browser may have written it meanwhile.
		if err := b.store.SwapNote(ctx, sessionKind, s.key, data, fresh); err != nil && !errors.Is(err, casework.ErrConflict) {
			return Session{}, err
		}
	}
	return s, nil
}

func (b *Book) session(ctx context.Context, token string) (Session, []byte, error) {
	key := keyOf(token)
	data, err := b.store.Note(ctx, sessionKind, key)
	if errors.Is(err, casework.ErrNotFound) {
		return Session{}, nil, ErrSignedOut
	}
	if err != nil {
		return Session{}, nil, err
	}
	var k kept
	if err := json.Unmarshal(data, &k); err != nil {
		return Session{}, nil, fmt.Errorf("a stored session cannot be read: %w", err)
	}
	a, err := b.Account(ctx, k.Account)
	if err != nil && !errors.Is(err, ErrNoAccount) {
		return Session{}, nil, err
	}
	if err != nil || k.over(b.now()) || a.Disabled || k.Epoch != a.epoch {
		return Session{}, nil, errors.Join(ErrSignedOut, b.store.DeleteNote(ctx, sessionKind, key))
	}
	s := Session{Account: a, Nonce: k.Nonce, Until: k.Began.Add(SessionLasts), key: key, was: k}
	if a.Has(k.Role) {
		s.Role = k.Role
	}
	return s, data, nil
}

// TakeRole lets a session act in another role of its account.
func (b *Book) TakeRole(ctx context.Context, token string, role casework.Role) error {
	nonce, err := b.secret()
	if err != nil {
		return err
	}
	for range updateTries {
		var s Session
		var data, fresh []byte
		if s, data, err = b.session(ctx, token); err != nil {
			return err
		}
		if !s.Account.Has(role) {
			return &FormError{"roles", "Expected a role that the account has; found another. Choose one of those listed."}
		}
		k := s.was
		k.Role, k.Nonce = role, nonce
		if fresh, err = json.Marshal(k); err != nil {
			return err
		}
		if err = b.store.SwapNote(ctx, sessionKind, s.key, data, fresh); err == nil {
			return b.tell(ctx, s.Account, role, kindActs, signIn{})
		}
		if !errors.Is(err, casework.ErrConflict) {
			return err
		}
	}
	return err
}

// SignOut ends a session. No error if the token opens none.
func (b *Book) SignOut(ctx context.Context, token string) error {
	s, _, err := b.session(ctx, token)
	if errors.Is(err, ErrSignedOut) {
		return nil
	}
	if err != nil {
		return err
	}
	if err := b.store.DeleteNote(ctx, sessionKind, s.key); err != nil {
		return err
	}
	return b.tell(ctx, s.Account, s.Role, kindSignedOut, signIn{})
}

// The kinds of entries in the ledger SignIns.
const (
	kindSignedIn  = "signed_in"
	kindRefused   = "sign_in_refused"
	kindSignedOut = "signed_out"
	kindActs      = "role_taken"
)

// signIn is what an entry of SignIns holds.
type signIn struct {
	// Account is the id, "" for a name that no account has: what was typed is
	// not kept, because people type a password in the wrong field.
	Account string `json:"account,omitempty"`
	// Address is the network address that it came from.
	Address string `json:"address,omitempty"`
	// Waiting says that a refusal was for too many tries.
	Waiting bool `json:"waiting,omitempty"`
}

func (b *Book) tell(ctx context.Context, a Account, role casework.Role, kind string, v signIn) error {
	by := "nobody"
	if a.ID != "" {
		by, v.Account = a.Name, a.ID
	}
	if role == "" {
		role = casework.RoleSystem
	}
	_, err := casework.Record(ctx, b.store, SignIns, b.stamp(by, role), kind, v)
	return err
}

// SignIn signs in by name and password from a network address and returns the
// token of the session. ErrRefused, whichever of them is wrong and whether or
// not there is such an account, after the same work; *WaitError after too many
// wrong tries of the name or the address.
func (b *Book) SignIn(ctx context.Context, name, password, address string) (string, error) {
	if err := b.take(ctx, addressTries(address), ofAddress); err != nil {
		return "", err
	}
	id, _, err := idOf(name)
	if err != nil {
		id = hashID("no name", name)
	}
	a, err := b.Account(ctx, id)
	if err != nil && !errors.Is(err, ErrNoAccount) {
		return "", err
	}
	if err := b.take(ctx, accountTries(id), ofAccount); err != nil {
		return "", errors.Join(err, b.tell(ctx, a, "", kindRefused, signIn{Address: address, Waiting: true}))
	}
	stored, err := b.stored(ctx, a)
	if err != nil {
		return "", err
	}
	word, err := normal(password)
	if err != nil || len(password) > 4*LongestPassword {
		word, stored = "", decoy(b.cost)
	}
	ok, err := b.fits(ctx, word, stored)
	if err != nil {
		return "", err
	}
	if !ok {
		return "", errors.Join(ErrRefused, b.tell(ctx, a, "", kindRefused, signIn{Address: address}))
	}
	if err := b.store.DeleteNote(ctx, triesKind, accountTries(id)); err != nil {
		return "", err
	}
	if err := b.giveBack(ctx, addressTries(address)); err != nil {
		return "", err
	}
	return b.signedIn(ctx, a, address)
}

func (b *Book) signedIn(ctx context.Context, a Account, address string) (string, error) {
	if err := b.sweepNow(ctx); err != nil {
		return "", err
	}
	if err := b.tell(ctx, a, "", kindSignedIn, signIn{Address: address}); err != nil {
		return "", err
	}
	return b.begin(ctx, a, "")
}

// Person is somebody for whom a sign-in provider vouches.
type Person struct {
	Issuer, Subject string // together they name the person for good
	Name            string // as the provider writes it
	Roles           []casework.Role
	Office          string // of the role office
}

// Admit signs in a person for whom a provider vouches, making the account at
// the first time and giving it the name and roles that the provider says
// now. ErrNoRole if it says none, ErrRefused if the account is disabled.
func (b *Book) Admit(ctx context.Context, p Person, address string) (string, error) {
	if p.Issuer == "" || p.Subject == "" {
		return "", fmt.Errorf("expected a person with issuer and subject, found one without; look at the provider's settings")
	}
	id := hashID("provider", p.Issuer, p.Subject)
	if len(p.Roles) == 0 {
		a, err := b.Account(ctx, id)
		if err != nil && !errors.Is(err, ErrNoAccount) {
			return "", err
		}
		return "", errors.Join(ErrNoRole, b.tell(ctx, a, "", kindRefused, signIn{Address: address}))
	}
	roles, office, err := checkRoles(p.Roles, p.Office)
	if err != nil {
		return "", err
	}
	_, name, err := idOf(strings.Map(func(r rune) rune {
		if strings.ContainsRune("[]<>", r) {
			return -1
		}
		return r
	}, p.Name))
	if err != nil {
		name = "unnamed"
	}
	if name, err = b.unlike(ctx, id, name); err != nil {
		return "", err
	}
	st := b.stamp("the sign-in provider", casework.RoleSystem)
	a, err := b.write(ctx, st, Account{ID: id}, kindMade, made{Name: name, Roles: roles, Office: office, Issuer: p.Issuer, Subject: p.Subject})
	if errors.Is(err, casework.ErrConflict) {
		if _, err = b.update(ctx, st, id, func(a Account) (string, any, error) {
			if a.Name == name {
				return "", nil, errNothing
			}
			return kindNamed, named{name}, nil
		}); err != nil {
			return "", err
		}
		a, err = b.update(ctx, st, id, func(a Account) (string, any, error) {
			if slices.Equal(a.Roles, roles) && a.Office == office {
				return "", nil, errNothing
			}
			return kindRoles, given{roles, office}, nil
		})
	}
	if err != nil {
		return "", err
	}
	if a.Disabled {
		return "", errors.Join(ErrRefused, b.tell(ctx, a, "", kindRefused, signIn{Address: address}))
	}
	return b.signedIn(ctx, a, address)
}
