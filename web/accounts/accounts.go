// Package accounts is who may sit at which desk: accounts with their roles and
// passwords, the throttle of sign-in, and the sessions that follow it.
//
// Call New on a store, then Book.Make for the first account, Book.SignIn for
// a session, and Book.Session for each request. Every change of an account is
// one entry of its own ledger (casework.Entry), so that who gave whom which
// role, and when, is proved with the cases; sign-ins, refusals and sign-outs
// are entries of the ledger SignIns. Passwords, sessions and counts of tries
// are notes beside them: of a password only its hash by argon2id, of a
// session only the hash of its token.
//
// What it does not do: it knows no page, no cookie and no criteria, and takes
// the time and all randomness from its caller. An account from a sign-in
// provider has no password here.
package accounts

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/text/secure/precis"

	"airwarrant/qualify/casework"
)

// Roles are the roles that an account can have. The tester comes by a link
// alone.
var Roles = []casework.Role{casework.RoleIntake, casework.RoleOffice, casework.RoleMaintainer, casework.RoleAdministrator}

// SignIns is the name of the ledger of sign-ins, refusals and sign-outs.
const SignIns = "sign-ins"

// ledgerPrefix begins the name of the ledger of each account; its id follows.
const ledgerPrefix = "account/"

// NameLimit is the most bytes that the name of an account or an office may have.
const NameLimit = 80

// Errors that a caller tells apart with errors.Is.
var (
	// ErrRefused: no such account, a wrong password, a disabled account or a
	// first password that has expired. Which of them is not told.
	ErrRefused = errors.New("name and password do not fit together")
	// ErrSignedOut: the token opens no session, or no longer.
	ErrSignedOut = errors.New("not signed in, or not any more")
	// ErrNoRole: the provider vouches for the person and names no role of ours.
	ErrNoRole = errors.New("no role is given to this person")
	// ErrNoAccount: there is no account of this id or name.
	ErrNoAccount = errors.New("no such account")
	// ErrLast: nobody would be left who can give accounts.
	ErrLast = errors.New("this is the only account that can give accounts; give the role administrator to another first")
)

// FormError says what is wrong with one field of what was typed.
type FormError struct {
	Field string // name, roles, office, old, new, again
	Say   string // expected, found, what to do
}

// Error names the field.
func (e *FormError) Error() string { return e.Field + ": " + e.Say }

// WaitError says that there were too many wrong tries.
type WaitError struct {
	Until time.Time // when the next try is taken; zero: after an administrator's reset
}

// Error says until when.
func (e *WaitError) Error() string {
	if e.Until.IsZero() {
		return fmt.Sprintf("%d wrong tries in a row: an administrator has to reset the password", mostTries)
	}
	return "too many wrong tries; the next is taken after " + e.Until.UTC().Format(time.RFC3339)
}

// Account is one person, or one office, that can sign in.
type Account struct {
	ID string // in addresses and ledgers; tells nothing of the name
	// Name is how every trail names the account. It is unique when it is
	// given: a provider's name that another account has gets letters of the id
	// behind it.
	Name  string
	Roles []casework.Role
	// Office names the physician's office of an account with that role.
	Office   string
	Disabled bool
	// MustChange says that the password is a first one, of the day PasswordAt.
	MustChange bool
	PasswordAt time.Time
	// Issuer and Subject are of the sign-in provider that vouches for the
	// account, "" for an account with a password.
	Issuer, Subject string
	MadeAt          time.Time

	// epoch is the entry that last ended all sessions.
	epoch int
	// seal is the SHA-256 of the stored hash of the password.
	seal string
	last casework.Entry
}

// Has reports whether the account has a role.
func (a Account) Has(r casework.Role) bool { return slices.Contains(a.Roles, r) }

// The kinds of entries in the ledger of an account.
const (
	kindMade     = "account_made"
	kindNamed    = "name_given"
	kindRoles    = "roles_given"
	kindPassword = "password_set"
	kindDisabled = "account_disabled"
	kindEnabled  = "account_enabled"
	kindOut      = "signed_out_everywhere"
)

type made struct {
	Name    string          `json:"name"`
	Roles   []casework.Role `json:"roles"`
	Office  string          `json:"office,omitempty"`
	Issuer  string          `json:"issuer,omitempty"`
	Subject string          `json:"subject,omitempty"`
}

type named struct {
	Name string `json:"name"`
}

type given struct {
	Roles  []casework.Role `json:"roles"`
	Office string          `json:"office,omitempty"`
}

type password struct {
	// Seal is the SHA-256 of the stored hash: a hash that was exchanged
	// behind the program's back opens nothing.
	Seal       string `json:"seal"`
	MustChange bool   `json:"must_change,omitempty"`
}

// apply adds one entry to the account.
func (a *Account) apply(e casework.Entry) error {
	var err error
	read := func(v any) {
		if err = json.Unmarshal(e.Change, v); err != nil {
			err = fmt.Errorf("ledger %s, entry %d: %s cannot be read: %w", e.Ledger, e.N, e.Kind, err)
		}
	}
	if (e.N == 1) != (e.Kind == kindMade) {
		return fmt.Errorf("ledger %s, entry %d: expected entry 1 and no other to make the account, found %s", e.Ledger, e.N, e.Kind)
	}
	switch e.Kind {
	case kindMade:
		var v made
		read(&v)
		a.ID, a.MadeAt = strings.TrimPrefix(e.Ledger, ledgerPrefix), e.At
		a.Name, a.Roles, a.Office, a.Issuer, a.Subject = v.Name, v.Roles, v.Office, v.Issuer, v.Subject
	case kindNamed:
		var v named
		read(&v)
		a.Name = v.Name
	case kindRoles:
		var v given
		read(&v)
		a.Roles, a.Office = v.Roles, v.Office
	case kindPassword:
		var v password
		read(&v)
		a.seal, a.MustChange, a.PasswordAt, a.epoch = v.Seal, v.MustChange, e.At, e.N
	case kindDisabled:
		a.Disabled, a.epoch = true, e.N
	case kindEnabled:
		a.Disabled = false
	case kindOut:
		a.epoch = e.N
	default:
		return fmt.Errorf("ledger %s, entry %d: kind %q is not known to this version of the program; use the version that wrote it or a later one", e.Ledger, e.N, e.Kind)
	}
	a.last = e
	return err
}

// Book is the accounts of one store. It may be used from several goroutines.
type Book struct {
	store  casework.Store
	now    func() time.Time
	random io.Reader
	// hashing holds one place for each password that is hashed at a time:
	// each takes 64 MiB.
	hashing chan struct{}
	cost    cost
	// hashed counts the hashes, so that a test can hold the work for an
	// unknown name against that for a known one.
	mu     sync.Mutex
	hashed int
	swept  time.Time
}

// New returns the accounts of a store. Now and random are the caller's clock
// and its source of random bytes fit for keys.
func New(store casework.Store, now func() time.Time, random io.Reader) *Book {
	return &Book{store: store, now: now, random: random, hashing: make(chan struct{}, 2), cost: today}
}

// idOf is the id of the account with a name, and the name as it is kept:
// without blanks at its ends, compared without regard to case (RFC 8266).
func idOf(name string) (id, kept string, err error) {
	kept, err = precis.Nickname.String(name)
	if err != nil || len(kept) > NameLimit || strings.ContainsAny(kept, "[]<>") || strings.HasPrefix(kept, "link ") {
		return "", "", &FormError{"name", fmt.Sprintf("Expected a name of 1 to %d letters without brackets, not beginning with “link”; found none, a longer one, or letters that cannot stand in it. Type it again.", NameLimit)}
	}
	key, err := precis.Nickname.CompareKey(kept)
	if err != nil {
		return "", "", &FormError{"name", "Expected letters that can be compared; found others. Type it again."}
	}
	return hashID("name", key), kept, nil
}

func hashID(parts ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(parts, "\x00")))
	return hex.EncodeToString(sum[:8])
}

// checkRoles returns the roles in the order of Roles.
func checkRoles(roles []casework.Role, office string) ([]casework.Role, string, error) {
	var out []casework.Role
	for _, r := range Roles {
		if slices.Contains(roles, r) {
			out = append(out, r)
		}
	}
	for _, r := range roles {
		if !slices.Contains(Roles, r) {
			return nil, "", &FormError{"roles", fmt.Sprintf("Expected one or more of %s; found %q. Choose again.", roleNames(), r)}
		}
	}
	office = strings.TrimSpace(office)
	atOffice := slices.Contains(out, casework.RoleOffice)
	switch {
	case len(out) == 0:
		return nil, "", &FormError{"roles", "Expected at least one role; found none. Choose one."}
	case atOffice && len(out) > 1:
		// Nobody of the supplier answers for the office (design section 4).
		return nil, "", &FormError{"roles", "Expected the role of the physician's office alone; found it beside another. Make a second account."}
	case atOffice && (office == "" || len(office) > NameLimit):
		return nil, "", &FormError{"office", fmt.Sprintf("Expected the name of the physician's office, at most %d letters; found none or more. Type it.", NameLimit)}
	case !atOffice && office != "":
		return nil, "", &FormError{"office", "Expected no office beside these roles; found one. Empty the field, or choose the role of the physician's office."}
	}
	return out, office, nil
}

func roleNames() string {
	var out []string
	for _, r := range Roles {
		out = append(out, string(r))
	}
	return strings.Join(out, ", ")
}

// Make makes an account with a password and returns it with its first
// password, which is kept nowhere and has to be changed at the first sign-in.
// office is the name of the physician's office, for that role alone. A
// *FormError says what does not fit.
func (b *Book) Make(ctx context.Context, st casework.Stamp, name string, roles []casework.Role, office string) (Account, string, error) {
	id, name, err := idOf(name)
	if err != nil {
		return Account{}, "", err
	}
	roles, office, err = checkRoles(roles, office)
	if err != nil {
		return Account{}, "", err
	}
	free, err := b.unlike(ctx, id, name)
	if err != nil {
		return Account{}, "", err
	}
	if free != name {
		return Account{}, "", taken
	}
	if _, err = b.write(ctx, st, Account{ID: id}, kindMade, made{Name: name, Roles: roles, Office: office}); errors.Is(err, casework.ErrConflict) {
		return Account{}, "", taken
	}
	if err != nil {
		return Account{}, "", err
	}
	first, err := b.Reset(ctx, st, id)
	if err != nil {
		return Account{}, "", err
	}
	a, err := b.Account(ctx, id)
	return a, first, err
}

var taken = &FormError{"name", "Expected a name that no account has; found one that is taken, whatever its capital letters. Choose another, or reset the password of that account."}

// unlike returns the name with letters of the id behind it if another account
// has it.
func (b *Book) unlike(ctx context.Context, id, name string) (string, error) {
	key, err := precis.Nickname.CompareKey(name)
	if err != nil {
		return "", err
	}
	all, err := b.Accounts(ctx)
	if err != nil {
		return "", err
	}
	for _, a := range all {
		if other, err := precis.Nickname.CompareKey(a.Name); a.ID != id && err == nil && other == key {
			return name + " [" + id[:6] + "]", nil
		}
	}
	return name, nil
}

// write appends one entry to the ledger of a.
func (b *Book) write(ctx context.Context, st casework.Stamp, a Account, kind string, change any) (Account, error) {
	e, err := casework.AppendEntry(ctx, b.store, ledgerPrefix+a.ID, a.last, st, kind, change)
	if err != nil {
		return a, err
	}
	return a, a.apply(e)
}

// Account returns an account by its id, ErrNoAccount if there is none.
func (b *Book) Account(ctx context.Context, id string) (Account, error) {
	entries, err := casework.ReadLedger(ctx, b.store, ledgerPrefix+id)
	if err != nil {
		return Account{}, err
	}
	if len(entries) == 0 {
		return Account{}, ErrNoAccount
	}
	var a Account
	for _, e := range entries {
		if err := a.apply(e); err != nil {
			return Account{}, err
		}
	}
	return a, nil
}

// Named returns the account with a password that has a name, ErrNoAccount if
// there is none.
func (b *Book) Named(ctx context.Context, name string) (Account, error) {
	id, _, err := idOf(name)
	if err != nil {
		return Account{}, ErrNoAccount
	}
	return b.Account(ctx, id)
}

// Accounts returns all accounts by name.
func (b *Book) Accounts(ctx context.Context) ([]Account, error) {
	var out []Account
	for name, err := range casework.All(ctx, b.store.Ledgers) {
		if err != nil {
			return nil, fmt.Errorf("listing accounts: %w", err)
		}
		id, ok := strings.CutPrefix(name, ledgerPrefix)
		if !ok {
			continue
		}
		a, err := b.Account(ctx, id)
		if err != nil {
			return nil, err
		}
		out = append(out, a)
	}
	slices.SortStableFunc(out, func(x, y Account) int { return strings.Compare(x.Name, y.Name) })
	return out, nil
}

// updateTries is how often a change is tried again when others keep writing.
const updateTries = 20

// errNothing ends an update that would change nothing.
var errNothing = errors.New("nothing to change")

// update reads an account, asks decide for a change, and does it again if
// somebody else wrote meanwhile.
func (b *Book) update(ctx context.Context, st casework.Stamp, id string, decide func(Account) (kind string, change any, err error)) (Account, error) {
	var err error
	for range updateTries {
		var a Account
		if a, err = b.Account(ctx, id); err != nil {
			return Account{}, err
		}
		kind, change, refusal := decide(a)
		if errors.Is(refusal, errNothing) {
			return a, nil
		}
		if refusal != nil {
			return a, refusal
		}
		if a, err = b.write(ctx, st, a, kind, change); !errors.Is(err, casework.ErrConflict) {
			return a, err
		}
	}
	return Account{}, err
}

// Give gives an account these roles and no others. Who acts in a role that
// was taken away acts in none from the next request on.
func (b *Book) Give(ctx context.Context, st casework.Stamp, id string, roles []casework.Role, office string) error {
	roles, office, err := checkRoles(roles, office)
	if err != nil {
		return err
	}
	_, err = b.update(ctx, st, id, func(a Account) (string, any, error) {
		if slices.Equal(a.Roles, roles) && a.Office == office {
			return "", nil, errNothing
		}
		if !slices.Contains(roles, casework.RoleAdministrator) {
			if err := b.leave(ctx, st, a); err != nil {
				return "", nil, err
			}
		}
		return kindRoles, given{roles, office}, nil
	})
	return err
}

// Disable ends all sessions of an account and lets it sign in no more.
func (b *Book) Disable(ctx context.Context, st casework.Stamp, id string) error {
	_, err := b.update(ctx, st, id, func(a Account) (string, any, error) {
		if a.Disabled {
			return "", nil, errNothing
		}
		return kindDisabled, struct{}{}, b.leave(ctx, st, a)
	})
	return err
}

// Enable lets a disabled account sign in again.
func (b *Book) Enable(ctx context.Context, st casework.Stamp, id string) error {
	_, err := b.update(ctx, st, id, func(a Account) (string, any, error) {
		if !a.Disabled {
			return "", nil, errNothing
		}
		return kindEnabled, struct{}{}, nil
	})
	return err
}

// leaving is the name of the ledger of administrators who are about to be none.
// Every change that takes one away extends it first, so that of two such changes
// in one instant the second reads the first: administrators who disable each
// other can't both succeed.
const leaving = "administrators"

// leaves is an entry of that ledger: the account, and the last entry of its own
// ledger. Until that has a further one the account counts as gone.
type leaves struct {
	Account string `json:"account"`
	Of      int    `json:"of"`
}

// leave announces that a is about to be no administrator, if it is one, and
// gives ErrLast if nobody else could give accounts then. Call it right before
// the entry that does it, which has to follow a.last.
func (b *Book) leave(ctx context.Context, st casework.Stamp, a Account) error {
	if a.Disabled || !a.Has(casework.RoleAdministrator) {
		return nil
	}
	for range updateTries {
		// In this order: who is announced after the ledger was read makes the
		// entry below conflict.
		said, last, err := b.announced(ctx)
		if err != nil {
			return err
		}
		all, err := b.Accounts(ctx)
		if err != nil {
			return err
		}
		if !slices.ContainsFunc(all, func(o Account) bool {
			return o.ID != a.ID && !o.Disabled && o.Has(casework.RoleAdministrator) && said[o.ID] != o.N()
		}) {
			return ErrLast
		}
		if _, err = casework.AppendEntry(ctx, b.store, leaving, last, st, "leaves", leaves{a.ID, a.N()}); !errors.Is(err, casework.ErrConflict) {
			return err
		}
	}
	return casework.ErrConflict
}

// announced tells of each account that was announced the entry that was its last
// then, and the last entry of the ledger of those announced.
func (b *Book) announced(ctx context.Context) (map[string]int, casework.Entry, error) {
	entries, err := casework.ReadLedger(ctx, b.store, leaving)
	if err != nil {
		return nil, casework.Entry{}, err
	}
	said, last := map[string]int{}, casework.Entry{}
	for _, e := range entries {
		var v leaves
		if err := json.Unmarshal(e.Change, &v); err != nil {
			return nil, last, fmt.Errorf("ledger %s, entry %d cannot be read: %w", leaving, e.N, err)
		}
		said[v.Account], last = v.Of, e
	}
	return said, last, nil
}

// SignOutEverywhere ends all sessions of an account.
func (b *Book) SignOutEverywhere(ctx context.Context, st casework.Stamp, id string) error {
	_, err := b.update(ctx, st, id, func(Account) (string, any, error) { return kindOut, struct{}{}, nil })
	return err
}

// stamp is the program's own, or an account's about itself.
func (b *Book) stamp(by string, role casework.Role) casework.Stamp {
	return casework.Stamp{At: b.now(), By: by, Role: role}
}

// N is the number of the last entry of the account's ledger.
func (a Account) N() int { return a.last.N }

// Trail returns every entry of an account, in order.
func (b *Book) Trail(ctx context.Context, id string) ([]casework.Entry, error) {
	return casework.ReadLedger(ctx, b.store, ledgerPrefix+id)
}
