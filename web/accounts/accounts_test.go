package accounts

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

// bench is a book with its store and a clock that tests move. Its hashes cost
// little, save where a test says so.
type bench struct {
	*Book
	t     *testing.T
	store *storetest.Memory
	clock *time.Time
}

func newBench(t *testing.T) *bench {
	t.Helper()
	now := time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)
	b := &bench{t: t, store: &storetest.Memory{}, clock: &now}
	var mu sync.Mutex
	src := rand.NewChaCha8([32]byte{1})
	b.Book = New(b.store, func() time.Time { mu.Lock(); defer mu.Unlock(); return now }, locked{&mu, src})
	b.cost = cost{Memory: 64, Passes: 1, Threads: 1}
	return b
}

type locked struct {
	mu  *sync.Mutex
	src *rand.ChaCha8
}

func (l locked) Read(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.src.Read(p)
}

var admin = casework.Stamp{At: time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC), By: "T. Vane", Role: casework.RoleAdministrator}

const home = "192.0.2.7"

func (b *bench) make(name string, roles ...casework.Role) (Account, string) {
	b.t.Helper()
	a, first, err := b.Make(b.t.Context(), admin, name, roles, "")
	if err != nil {
		b.t.Fatal(err)
	}
	return a, first
}

// signedIn signs in with a first password and changes it to word.
func (b *bench) signedIn(name, word string, roles ...casework.Role) (Account, string) {
	b.t.Helper()
	a, first := b.make(name, roles...)
	token := b.signIn(name, first)
	token, err := b.ChangePassword(b.t.Context(), b.session(token), first, word, word)
	if err != nil {
		b.t.Fatal(err)
	}
	a, err = b.Account(b.t.Context(), a.ID)
	if err != nil {
		b.t.Fatal(err)
	}
	return a, token
}

func (b *bench) signIn(name, word string) string {
	b.t.Helper()
	token, err := b.SignIn(b.t.Context(), name, word, home)
	if err != nil {
		b.t.Fatal(err)
	}
	return token
}

func (b *bench) session(token string) Session {
	b.t.Helper()
	s, err := b.Session(b.t.Context(), token)
	if err != nil {
		b.t.Fatal(err)
	}
	return s
}

// over fails the test if a token still opens a session.
func (b *bench) over(what, token string) {
	b.t.Helper()
	if s, err := b.Session(b.t.Context(), token); !errors.Is(err, ErrSignedOut) {
		b.t.Errorf("%s: the session of %q goes on: %v", what, s.Account.Name, err)
	}
}

func (b *bench) refused(what, name, word string) {
	b.t.Helper()
	if _, err := b.SignIn(b.t.Context(), name, word, home); !errors.Is(err, ErrRefused) {
		b.t.Errorf("%s: %v, want ErrRefused", what, err)
	}
}

const (
	word  = "gravel lantern otter seven"
	word2 = "seven otters lift gravel"
)

func TestFirstPasswordToSession(t *testing.T) {
	b := newBench(t)
	a, first := b.make("  M.  Reyes ", casework.RoleMaintainer, casework.RoleIntake)
	if a.Name != "M. Reyes" || !slices.Equal(a.Roles, []casework.Role{casework.RoleIntake, casework.RoleMaintainer}) || !a.MustChange {
		t.Errorf("account %+v", a)
	}
	if len(first) != 23 || strings.ContainsAny(first, "il1o") {
		t.Errorf("first password %q: want four groups of five without letters that look alike", first)
	}
	// The name may be typed with other capital letters and blanks.
	token := b.signIn("m. reyes ", first)
	s := b.session(token)
	if s.Account.ID != a.ID || s.Role != "" || !s.Account.MustChange || s.Nonce == "" {
		t.Errorf("session %+v", s)
	}
	other := b.signIn("M. Reyes", first)
	fresh, err := b.ChangePassword(t.Context(), s, first, word, word)
	if err != nil {
		t.Fatal(err)
	}
	b.over("after the change", token)
	b.over("another browser after the change", other)
	if s = b.session(fresh); s.Account.MustChange {
		t.Error("the changed password is still a first one")
	}
	b.refused("the first password, once changed", "M. Reyes", first)
	b.session(b.signIn("M. Reyes", word))

	if err := b.TakeRole(t.Context(), fresh, casework.RoleMaintainer); err != nil {
		t.Fatal(err)
	}
	if took := b.session(fresh); took.Role != casework.RoleMaintainer || took.Nonce == s.Nonce {
		t.Errorf("after a role was taken: %+v, nonce before %q", took, s.Nonce)
	}
	var form *FormError
	if err := b.TakeRole(t.Context(), fresh, casework.RoleAdministrator); !errors.As(err, &form) {
		t.Errorf("a role that the account lacks: %v", err)
	}
	if err := b.SignOut(t.Context(), fresh); err != nil {
		t.Fatal(err)
	}
	b.over("after signing out", fresh)
	if err := b.SignOut(t.Context(), fresh); err != nil {
		t.Errorf("signing out twice: %v", err)
	}

	var kinds []string
	entries, err := casework.ReadLedger(t.Context(), b.store, SignIns)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		kinds = append(kinds, e.Kind+" "+e.By)
	}
	want := []string{"signed_in M. Reyes", "signed_in M. Reyes", "sign_in_refused M. Reyes", "signed_in M. Reyes", "role_taken M. Reyes", "signed_out M. Reyes"}
	if !slices.Equal(kinds, want) {
		t.Errorf("sign-ins %q, want %q", kinds, want)
	}
}

// Of a password and a token nothing is stored that opens anything.
func TestStoreHoldsNoSecret(t *testing.T) {
	b := newBench(t)
	a, token := b.signedIn("M. Reyes", word, casework.RoleIntake)
	var all bytes.Buffer
	for _, kind := range []string{passwordKind, sessionKind, triesKind} {
		for n, err := range casework.All(t.Context(), func(ctx context.Context, after string, limit int) ([]casework.Note, string, error) {
			return b.store.Notes(ctx, kind, after, limit)
		}) {
			if err != nil {
				t.Fatal(err)
			}
			fmt.Fprintf(&all, "%s %s %s\n", kind, n.Key, n.Data)
		}
	}
	for _, ledger := range []string{SignIns, ledgerPrefix + a.ID} {
		entries, err := casework.ReadLedger(t.Context(), b.store, ledger)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			fmt.Fprintf(&all, "%s %s %s\n", e.Kind, e.By, e.Change)
		}
	}
	for _, secret := range []string{word, token} {
		if strings.Contains(all.String(), secret) {
			t.Errorf("the store holds %q", secret)
		}
	}
	if n := strings.Count(all.String(), "$argon2id$"); n != 1 {
		t.Errorf("%d hashes are stored, want that of the present password alone", n)
	}
}

// An unknown name, a disabled account and a wrong password get one answer,
// after one hash each, and nothing that was typed is written down.
func TestRefusalsAreAlike(t *testing.T) {
	b := newBench(t)
	b.signedIn("T. Vane", word, casework.RoleAdministrator)
	a, _ := b.signedIn("M. Reyes", word, casework.RoleIntake)
	gone, _ := b.signedIn("O. Lund", word, casework.RoleIntake)
	if err := b.Disable(t.Context(), admin, gone.ID); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Admit(t.Context(), Person{Issuer: "https://id.example", Subject: "7", Name: "Provided", Roles: []casework.Role{casework.RoleIntake}}, home); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ what, name, word string }{
		{"wrong password", "M. Reyes", word2},
		{"unknown name", "N. Nobody", word},
		{"disabled account", "O. Lund", word},
		{"name of a provider's account", "Provided", ""},
		{"no name", "", word},
		{"a name with letters that cannot be in one", "a\x00[b", word},
		{"password that cannot be one", "M. Reyes", "\x00"},
		{"endless password", "M. Reyes", strings.Repeat("x", 1<<16)},
	} {
		before := b.hashed
		b.refused(tt.what, tt.name, tt.word)
		if n := b.hashed - before; n != 1 {
			t.Errorf("%s: %d hashes, want 1", tt.what, n)
		}
	}
	entries, err := casework.ReadLedger(t.Context(), b.store, SignIns)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		for _, s := range []string{"Nobody", word, word2} {
			if strings.Contains(string(e.Change), s) || strings.Contains(e.By, s) {
				t.Errorf("an entry holds what was typed: %s by %s", e.Change, e.By)
			}
		}
	}
	if last := entries[len(entries)-1]; last.Kind != kindRefused || !strings.Contains(string(last.Change), a.ID) || !strings.Contains(string(last.Change), home) {
		t.Errorf("the refusal names neither account nor address: %+v", last)
	}
}

func TestSessionsEnd(t *testing.T) {
	b := newBench(t)
	a, token := b.signedIn("M. Reyes", word, casework.RoleIntake)
	b.signedIn("T. Vane", word, casework.RoleAdministrator)
	forward := func(d time.Duration) { *b.clock = b.clock.Add(d) }

	// Used every now and then it lasts half a day and no longer.
	began := *b.clock
	for b.clock.Sub(began) < SessionLasts-20*time.Minute {
		forward(20 * time.Minute)
		if b.clock.Sub(began) < SessionLasts {
			b.session(token)
		}
	}
	*b.clock = began.Add(SessionLasts - time.Second)
	b.session(token)
	forward(time.Second)
	b.over("after half a day", token)

	token = b.signIn("M. Reyes", word)
	forward(SessionIdles - time.Second)
	b.session(token)
	forward(SessionIdles - time.Second)
	b.session(token)
	forward(SessionIdles)
	b.over("after half an hour without a request", token)

	for what, end := range map[string]func() error{
		"sign out everywhere": func() error { return b.SignOutEverywhere(t.Context(), admin, a.ID) },
		"a reset":             func() error { _, err := b.Reset(t.Context(), admin, a.ID); return err },
		"disabling":           func() error { return b.Disable(t.Context(), admin, a.ID) },
	} {
		token := b.restored(a, word)
		b.session(token)
		if err := end(); err != nil {
			t.Fatal(err)
		}
		b.over("after "+what, token)
		if err := b.Enable(t.Context(), admin, a.ID); err != nil {
			t.Fatal(err)
		}
		b.over("after "+what+" and enabling again", token)
	}
	for _, token := range []string{"", "x", strings.Repeat("y", 5000)} {
		b.over("a token that was never given", token)
	}
}

// restored gives the account its password again and signs it in.
func (b *bench) restored(a Account, word string) string {
	b.t.Helper()
	first, err := b.Reset(b.t.Context(), admin, a.ID)
	if err != nil {
		b.t.Fatal(err)
	}
	token, err := b.ChangePassword(b.t.Context(), b.session(b.signIn(a.Name, first)), first, word, word)
	if err != nil {
		b.t.Fatal(err)
	}
	return token
}

func TestRolesTakenAway(t *testing.T) {
	b := newBench(t)
	a, token := b.signedIn("M. Reyes", word, casework.RoleIntake, casework.RoleAdministrator)
	if err := b.TakeRole(t.Context(), token, casework.RoleAdministrator); err != nil {
		t.Fatal(err)
	}
	for what, change := range map[string]func() error{
		"roles":     func() error { return b.Give(t.Context(), admin, a.ID, []casework.Role{casework.RoleIntake}, "") },
		"disabling": func() error { return b.Disable(t.Context(), admin, a.ID) },
	} {
		if err := change(); !errors.Is(err, ErrLast) {
			t.Errorf("%s of the last administrator: %v", what, err)
		}
	}
	other, _ := b.signedIn("T. Vane", word, casework.RoleAdministrator)
	if err := b.Give(t.Context(), admin, a.ID, []casework.Role{casework.RoleIntake}, ""); err != nil {
		t.Fatal(err)
	}
	if s := b.session(token); s.Role != "" {
		t.Errorf("a role that was taken away is acted in: %q", s.Role)
	}
	if err := b.Disable(t.Context(), admin, other.ID); !errors.Is(err, ErrLast) {
		t.Errorf("disabling the administrator who is left: %v", err)
	}
	for _, tt := range []struct {
		field  string
		roles  []casework.Role
		office string
	}{
		{"roles", nil, ""}, {"roles", []casework.Role{"king"}, ""}, {"roles", []casework.Role{casework.RoleTester}, ""},
		{"roles", []casework.Role{casework.RoleOffice, casework.RoleIntake}, "Harbour Road Practice"},
		{"office", []casework.Role{casework.RoleOffice}, " "}, {"office", []casework.Role{casework.RoleIntake}, "Harbour Road Practice"},
	} {
		var form *FormError
		if err := b.Give(t.Context(), admin, a.ID, tt.roles, tt.office); !errors.As(err, &form) || form.Field != tt.field {
			t.Errorf("roles %q, office %q: %v, want a fault of %s", tt.roles, tt.office, err, tt.field)
		}
	}
	if err := b.Give(t.Context(), admin, a.ID, []casework.Role{casework.RoleOffice}, "Harbour Road Practice"); err != nil {
		t.Fatal(err)
	}
	if a, _ = b.Account(t.Context(), a.ID); a.Office != "Harbour Road Practice" {
		t.Errorf("account %+v", a)
	}
	if err := b.Give(t.Context(), admin, "0123456789abcdef", []casework.Role{casework.RoleAdministrator}, ""); !errors.Is(err, ErrNoAccount) {
		t.Errorf("roles of no account: %v", err)
	}
}

func TestNames(t *testing.T) {
	b := newBench(t)
	b.make("Élodie Ważna", casework.RoleIntake)
	var form *FormError
	for _, name := range []string{"élodie ważna", "E\u0301lodie  Ważna", "ÉLODIE WAŻNA"} {
		if _, _, err := b.Make(t.Context(), admin, name, Roles[:1], ""); !errors.As(err, &form) || form.Field != "name" {
			t.Errorf("%q beside the name that it equals: %v", name, err)
		}
		if a, err := b.Named(t.Context(), name); err != nil || a.Name != "Élodie Ważna" {
			t.Errorf("%q finds %q: %v", name, a.Name, err)
		}
	}
	for _, name := range []string{"", "  ", strings.Repeat("x", NameLimit+1), "a\nb", "a\x00", "M. Reyes [a1b2c3]", "link 0011aabb", "<b>"} {
		if _, _, err := b.Make(t.Context(), admin, name, Roles[:1], ""); !errors.As(err, &form) || form.Field != "name" {
			t.Errorf("%q as a name: %v", name, err)
		}
		if _, err := b.Named(t.Context(), name); !errors.Is(err, ErrNoAccount) {
			t.Errorf("%q finds an account: %v", name, err)
		}
	}
	all, err := b.Accounts(t.Context())
	if err != nil || len(all) != 1 {
		t.Errorf("accounts %+v: %v", all, err)
	}
}

func TestFirstPasswordExpires(t *testing.T) {
	b := newBench(t)
	a, first := b.make("M. Reyes", casework.RoleIntake)
	*b.clock = a.PasswordAt.Add(firstExpires - time.Second)
	b.signIn("M. Reyes", first)
	*b.clock = b.clock.Add(time.Second)
	b.refused("a first password after a week", "M. Reyes", first)
}

// Five tries at once, then waits that double, and a hundred in all: the
// figure is NIST SP 800-63B-4 section 3.2.2's, the waits are our choice.
func TestThrottleOfAnAccount(t *testing.T) {
	b := newBench(t)
	b.signedIn("T. Vane", word, casework.RoleAdministrator)
	for _, name := range []string{"T. Vane", "N. Nobody"} {
		var waits []time.Duration
		tried := 0
		address := 0
		for {
			address++ // another address each time, so that only the name counts
			_, err := b.SignIn(t.Context(), name, word2, fmt.Sprintf("198.51.100.%d", address))
			var wait *WaitError
			if errors.Is(err, ErrRefused) {
				tried++
				continue
			}
			if !errors.As(err, &wait) {
				t.Fatalf("%s, try %d: %v", name, tried+1, err)
			}
			if wait.Until.IsZero() {
				break
			}
			waits = append(waits, wait.Until.Sub(*b.clock))
			*b.clock = wait.Until
		}
		if tried != mostTries {
			t.Errorf("%s: %d wrong tries were taken, want %d", name, tried, mostTries)
		}
		want := []time.Duration{30 * time.Second, time.Minute, 2 * time.Minute, 4 * time.Minute, 8 * time.Minute, 15 * time.Minute, 15 * time.Minute}
		if len(waits) != mostTries-freeTries || !slices.Equal(waits[:7], want) || waits[len(waits)-1] != 15*time.Minute {
			t.Errorf("%s: waits %v", name, waits)
		}
	}
	a, err := b.Named(t.Context(), "T. Vane")
	if err != nil {
		t.Fatal(err)
	}
	*b.clock = b.clock.Add(48 * time.Hour)
	if _, err := b.Sweep(t.Context()); err != nil {
		t.Fatal(err)
	}
	var wait *WaitError
	if _, err := b.SignIn(t.Context(), "T. Vane", word, home); !errors.As(err, &wait) || !wait.Until.IsZero() {
		t.Errorf("the right password after %d wrong ones: %v", mostTries, err)
	}
	first, err := b.Reset(t.Context(), admin, a.ID)
	if err != nil {
		t.Fatal(err)
	}
	b.signIn("T. Vane", first)
}

// A right password in between starts the count again.
func TestThrottleForgetsAfterSignIn(t *testing.T) {
	b := newBench(t)
	b.signedIn("M. Reyes", word, casework.RoleIntake)
	for range 3 {
		for range freeTries - 1 {
			b.refused("a wrong password", "M. Reyes", word2)
		}
		b.signIn("M. Reyes", word)
	}
}

// Many at once get no more tries than one after another.
func TestThrottleHoldsAtOnce(t *testing.T) {
	b := newBench(t)
	b.signedIn("M. Reyes", word, casework.RoleIntake)
	var mu sync.Mutex
	var wg sync.WaitGroup
	taken := 0
	for i := range 40 {
		wg.Go(func() {
			if _, err := b.SignIn(t.Context(), "M. Reyes", word2, fmt.Sprintf("198.51.100.%d", i)); errors.Is(err, ErrRefused) {
				mu.Lock()
				taken++
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	if taken != freeTries {
		t.Errorf("%d of 40 tries at once were taken, want %d", taken, freeTries)
	}
}

func TestThrottleOfAnAddress(t *testing.T) {
	b := newBench(t)
	b.signedIn("M. Reyes", word, casework.RoleIntake)
	try := func(i int, address string) error {
		_, err := b.SignIn(t.Context(), fmt.Sprint("Name ", i), word, address)
		return err
	}
	start := *b.clock
	for i := range addressMay {
		// Another machine of the same line, by its IPv6 prefix of 64 bits.
		if err := try(i, fmt.Sprintf("2001:db8:0:7::%x", i+1)); !errors.Is(err, ErrRefused) {
			t.Fatalf("try %d: %v", i, err)
		}
	}
	var wait *WaitError
	if _, err := b.SignIn(t.Context(), "M. Reyes", word, "2001:db8:0:7:ffff::1"); !errors.As(err, &wait) || !wait.Until.Equal(start.Add(addressIn)) {
		t.Errorf("after %d wrong tries of one line: %v", addressMay, err)
	}
	if err := try(0, "2001:db8:0:8::1"); !errors.Is(err, ErrRefused) {
		t.Errorf("another line: %v", err)
	}
	*b.clock = start.Add(addressIn)
	if _, err := b.SignIn(t.Context(), "M. Reyes", word, "2001:db8:0:7::1"); err != nil {
		t.Errorf("after the wait: %v", err)
	}
	// Who signs in does not use the address up for the others.
	for range addressMay + 5 {
		b.signIn("M. Reyes", word)
	}
	for address, want := range map[string]string{"192.0.2.1": "address/192.0.2.1", "::ffff:192.0.2.1": "address/192.0.2.1", "fe80::1%eth0": "address/fe80::/64", "": "address/unknown"} {
		if got := addressTries(address); got != want {
			t.Errorf("address %q counts as %q, want %q", address, got, want)
		}
	}
}

func TestSweep(t *testing.T) {
	b := newBench(t)
	_, token := b.signedIn("M. Reyes", word, casework.RoleIntake)
	b.refused("unknown", "N. Nobody", word)
	b.refused("wrong", "M. Reyes", word2)
	*b.clock = b.clock.Add(48 * time.Hour)
	if n, err := b.Sweep(t.Context()); err != nil || n != 3 { // session, address, unknown name
		t.Errorf("%d notes swept: %v", n, err)
	}
	b.over("after two days", token)
	if _, err := b.store.Note(t.Context(), triesKind, accountTries(hashID("name", "m. reyes"))); err != nil {
		t.Errorf("the count of an account that has not signed in since: %v", err)
	}
	live := b.signIn("M. Reyes", word)
	if _, err := b.Sweep(t.Context()); err != nil {
		t.Fatal(err)
	}
	b.session(live)
}

func TestPasswordRules(t *testing.T) {
	b := newBench(t)
	_, token := b.signedIn("Marguerite", word, casework.RoleIntake)
	s := b.session(token)
	for _, tt := range []struct{ field, old, word, again string }{
		{"new", word, "short", "short"},
		{"new", word, strings.Repeat("é", 14), strings.Repeat("é", 14)},
		{"new", word, strings.Repeat("ab c", 60), strings.Repeat("ab c", 60)},
		{"new", word, "Qwertyuiop ASDFGH", "Qwertyuiop ASDFGH"},
		{"new", word, "correct-horse-battery-staple", "correct-horse-battery-staple"},
		{"new", word, "aaaaaaaaaaaaaaaa", "aaaaaaaaaaaaaaaa"},
		{"new", word, "password password passw", "password password passw"},
		{"new", word, "Abcdefghijklmnopq", "Abcdefghijklmnopq"},
		{"new", word, "9876543210987654", "9876543210987654"},
		{"new", word, "I am marguerite of old", "I am marguerite of old"},
		{"new", word, "my air warrant at work", "my air warrant at work"},
		{"new", word, "gravel lantern \x07 otter", "gravel lantern \x07 otter"},
		{"new", word, word, word},
		{"again", word, word2, word2 + "x"},
		{"old", word2, word2, word2},
	} {
		_, err := b.ChangePassword(t.Context(), s, tt.old, tt.word, tt.again)
		var form *FormError
		if !errors.As(err, &form) || form.Field != tt.field || form.Say == "" {
			t.Errorf("%q to %q and %q: %v, want a fault of %q", tt.old, tt.word, tt.again, err, tt.field)
		}
	}
	b.session(token) // nothing was changed
	// Letters composed in two ways are one password.
	composed := "caf\u00e9 gravel otter nine"
	if _, err := b.ChangePassword(t.Context(), s, word, composed, composed); err != nil {
		t.Fatal(err)
	}
	b.signIn("Marguerite", "cafe\u0301 gravel otter nine")
	long := strings.TrimSpace(strings.Repeat("many words ago, ", 4)) // more than the 64 that NIST SP 800-63B-4 asks to take
	if err := checkPassword("Marguerite", long); err != nil {
		t.Errorf("%d letters: %v", len(long), err)
	}
}

// A stolen session cannot try out the old password without end.
func TestChangeIsThrottled(t *testing.T) {
	b := newBench(t)
	_, token := b.signedIn("M. Reyes", word, casework.RoleIntake)
	s := b.session(token)
	var form *FormError
	for i := range freeTries {
		if _, err := b.ChangePassword(t.Context(), s, word2, word2, word2); !errors.As(err, &form) {
			t.Fatalf("try %d: %v", i, err)
		}
	}
	var wait *WaitError
	if _, err := b.ChangePassword(t.Context(), s, word, word2, word2); !errors.As(err, &wait) {
		t.Errorf("after %d wrong tries: %v", freeTries, err)
	}
}

// Each line of the list does something: it is long enough to be taken, and no
// rule refuses it already.
func TestListOfRefusedPasswords(t *testing.T) {
	seen := map[string]bool{}
	for lines := bufio.NewScanner(bytes.NewReader(refusedText)); lines.Scan(); {
		l := lines.Text()
		if l == "" || l[0] == '#' {
			continue
		}
		if len(l) < ShortestPassword || squeeze(l) != l || repeats(l) || runs(l) || seen[l] {
			t.Errorf("%q need not stand in the list", l)
		}
		seen[l] = true
	}
	if len(seen) < 50 {
		t.Errorf("%d passwords are refused by list", len(seen))
	}
}

// The hash is argon2id as others compute it: the value is one of the tests of
// the reference implementation of its authors (argon2id, version 19, 2
// passes, 64 MiB, one lane, "password", "somesalt"; from memory).
func TestHashIsTheReferences(t *testing.T) {
	b := newBench(t)
	const reference = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
	for password, want := range map[string]bool{"password": true, "Password": false, "": false} {
		if ok, err := b.fits(t.Context(), password, reference); err != nil || ok != want {
			t.Errorf("%q: %v, %v", password, ok, err)
		}
	}
	for _, stored := range []string{"", "password", "$2a$10$abcdefghijklmnopqrstuv", "$argon2i$v=19$m=64,t=1,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
		"$argon2id$v=16$m=64,t=1,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc", "$argon2id$v=19$m=4294967295,t=1,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
		"$argon2id$v=19$m=64,t=0,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc", "$argon2id$v=19$m=64,t=1,p=1$c29tZXNhbHQ$AA", "$argon2id$v=19$m=64,t=1,p=1$!$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"} {
		if _, err := b.fits(t.Context(), "password", stored); err == nil {
			t.Errorf("%q was taken for a hash", stored)
		}
	}
}

// What New uses is the second recommended choice of RFC 9106 section 4.
func TestCostIsTheRecommended(t *testing.T) {
	b := newBench(t)
	b.Book = New(b.store, b.now, b.random)
	stored, err := b.hash(t.Context(), word)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(stored, "$argon2id$v=19$m=65536,t=3,p=4$") || len(stored) != len(decoy(b.cost)) {
		t.Errorf("hash %q", stored)
	}
	if ok, err := b.fits(t.Context(), word, stored); !ok || err != nil {
		t.Errorf("the password does not fit its own hash: %v", err)
	}
	if ok, err := b.fits(t.Context(), "", decoy(b.cost)); ok || err != nil {
		t.Errorf("the decoy fits: %v, %v", ok, err)
	}
}

// A hash put behind the program's back opens nothing.
func TestExchangedHashIsTold(t *testing.T) {
	b := newBench(t)
	a, _ := b.signedIn("M. Reyes", word, casework.RoleIntake)
	other, err := b.hash(t.Context(), word2)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.store.PutNote(t.Context(), passwordKind, a.ID+"/"+a.seal, []byte(other)); err != nil {
		t.Fatal(err)
	}
	if _, err := b.SignIn(t.Context(), "M. Reyes", word2, home); err == nil || errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), "altered") {
		t.Errorf("sign-in by an exchanged hash: %v", err)
	}
}

func TestAdmit(t *testing.T) {
	b := newBench(t)
	p := Person{Issuer: "https://id.example", Subject: "17", Name: "Dana [admin]", Roles: []casework.Role{casework.RoleIntake}}
	admit := func() Session {
		t.Helper()
		token, err := b.Admit(t.Context(), p, home)
		if err != nil {
			t.Fatal(err)
		}
		return b.session(token)
	}
	s := admit()
	if s.Account.Name != "Dana admin" || s.Role != casework.RoleIntake {
		t.Errorf("session %+v", s)
	}
	p.Name, p.Roles = "Dana Quist", []casework.Role{casework.RoleMaintainer, casework.RoleIntake}
	if again := admit(); again.Account.ID != s.Account.ID || again.Account.Name != "Dana Quist" || len(again.Account.Roles) != 2 {
		t.Errorf("the next time: %+v", again.Account)
	}
	before := s.Account.ID
	p.Subject = "18"
	other := admit()
	if other.Account.ID == before || other.Account.Name != "Dana Quist ["+other.Account.ID[:6]+"]" {
		t.Errorf("another person of the same name: %+v", other.Account)
	}
	if again := admit(); again.Account.Name != other.Account.Name || again.Account.N() != other.Account.N() {
		t.Errorf("the same person again: %+v", again.Account)
	}
	var form *FormError
	if _, _, err := b.Make(t.Context(), admin, "dana quist", Roles[:1], ""); !errors.As(err, &form) || form.Field != "name" {
		t.Errorf("an account with the name of one of a provider: %v", err)
	}
	p.Subject = "17"
	if _, err := b.Reset(t.Context(), admin, before); err == nil {
		t.Error("an account of a provider got a password")
	}
	if _, err := b.ChangePassword(t.Context(), s, "", word, word); err == nil {
		t.Error("an account of a provider changed a password")
	}
	if err := b.Disable(t.Context(), admin, before); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Admit(t.Context(), p, home); !errors.Is(err, ErrRefused) {
		t.Errorf("a disabled account: %v", err)
	}
	p.Roles = nil
	if _, err := b.Admit(t.Context(), p, home); !errors.Is(err, ErrNoRole) {
		t.Errorf("a person without a role: %v", err)
	}
	if _, err := b.Admit(t.Context(), Person{Issuer: "https://id.example", Roles: Roles[:1]}, home); err == nil {
		t.Error("a person without a subject was admitted")
	}
}

// Everything is in the trail, and an audit finds it sound.
func TestTrailIsSound(t *testing.T) {
	b := newBench(t)
	b.signedIn("T. Vane", word, casework.RoleAdministrator)
	a, _ := b.signedIn("M. Reyes", word, casework.RoleIntake)
	b.refused("wrong", "M. Reyes", word2)
	for _, do := range []func() error{
		func() error { return b.Give(t.Context(), admin, a.ID, Roles[2:3], "") },
		func() error { return b.Give(t.Context(), admin, a.ID, Roles[2:3], "") }, // writes nothing
		func() error { return b.Disable(t.Context(), admin, a.ID) },
		func() error { return b.Enable(t.Context(), admin, a.ID) },
		func() error { return b.SignOutEverywhere(t.Context(), admin, a.ID) },
	} {
		if err := do(); err != nil {
			t.Fatal(err)
		}
	}
	entries, err := casework.ReadLedger(t.Context(), b.store, ledgerPrefix+a.ID)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		got = append(got, e.Kind+" "+e.By)
	}
	want := []string{"account_made T. Vane", "password_set T. Vane", "password_set M. Reyes", "roles_given T. Vane", "account_disabled T. Vane", "account_enabled T. Vane", "signed_out_everywhere T. Vane"}
	if !slices.Equal(got, want) {
		t.Errorf("entries %q, want %q", got, want)
	}
	r, err := casework.Audit(t.Context(), b.store)
	if err != nil || len(r.Faults) != 0 || r.Ledgers != 3 {
		t.Errorf("report %+v: %v", r, err)
	}
}

// between runs something once, right before the entry that would do what the
// store is told to watch for is written.
type between struct {
	*storetest.Memory
	before func(casework.Entry) bool
	do     func()
}

func (s *between) PutEntry(ctx context.Context, e casework.Entry) error {
	if do := s.do; do != nil && s.before(e) {
		s.do = nil
		do()
	}
	return s.Memory.PutEntry(ctx, e)
}

// Of two administrators who take the role from each other in one instant one is
// left, wherever the second comes in between.
func TestAdministratorsDisableEachOther(t *testing.T) {
	none := []casework.Role{casework.RoleIntake}
	for name, end := range map[string]func(*Book, string) error{
		"disabling":  func(b *Book, id string) error { return b.Disable(t.Context(), admin, id) },
		"role taken": func(b *Book, id string) error { return b.Give(t.Context(), admin, id, none, "") },
	} {
		for _, ledger := range []string{leaving, ledgerPrefix} {
			b := newBench(t)
			one, _ := b.make("M. Reyes", casework.RoleAdministrator)
			two, _ := b.make("T. Vane", casework.RoleAdministrator)
			var other error
			store := &between{Memory: b.store, before: func(e casework.Entry) bool { return strings.HasPrefix(e.Ledger, ledger) }}
			store.do = func() { other = end(b.Book, one.ID) }
			err := end(New(store, b.now, b.random), two.ID)
			if store.do != nil || errors.Is(err, ErrLast) == errors.Is(other, ErrLast) {
				t.Errorf("%s, the other before an entry of %s: %v and %v, want one of them told that it is the last", name, ledger, err, other)
			}
			if left := b.administrators(); len(left) != 1 {
				t.Errorf("%s, the other before an entry of %s: %d administrators are left, want one", name, ledger, len(left))
			}
		}
	}
}

// administrators are those who can give accounts.
func (b *bench) administrators() []Account {
	b.t.Helper()
	all, err := b.Accounts(b.t.Context())
	if err != nil {
		b.t.Fatal(err)
	}
	return slices.DeleteFunc(all, func(a Account) bool { return a.Disabled || !a.Has(casework.RoleAdministrator) })
}

// Everybody disables everybody else at once: somebody is left, and an
// announcement that a kill left without its change holds nobody for good.
func TestAdministratorsAllAtOnce(t *testing.T) {
	b := newBench(t)
	var all []Account
	for i := range 4 {
		a, _ := b.make(fmt.Sprintf("Person %d", i), casework.RoleAdministrator)
		all = append(all, a)
	}
	var wg sync.WaitGroup
	for i := range all {
		for _, a := range all {
			wg.Go(func() {
				if a.ID == all[i].ID {
					return
				}
				if err := b.Disable(t.Context(), admin, a.ID); err != nil && !errors.Is(err, ErrLast) && !errors.Is(err, casework.ErrConflict) {
					t.Error(err)
				}
			})
		}
	}
	wg.Wait()
	left := b.administrators()
	if len(left) == 0 {
		t.Fatal("nobody is left who can give accounts")
	}
	for _, a := range left[1:] {
		if err := b.Disable(t.Context(), admin, a.ID); err != nil {
			t.Fatal(err)
		}
	}
	last := left[0]
	fresh, _ := b.make("Somebody else", casework.RoleAdministrator)
	// Killed between the announcement and the change.
	if err := b.leave(t.Context(), admin, fresh); err != nil {
		t.Fatal(err)
	}
	if err := b.Disable(t.Context(), admin, last.ID); !errors.Is(err, ErrLast) {
		t.Errorf("the other is announced to go: %v, want ErrLast", err)
	}
	if err := b.Enable(t.Context(), admin, all[0].ID); err != nil {
		t.Fatal(err)
	}
	if all[0].ID == last.ID {
		if err := b.Enable(t.Context(), admin, all[1].ID); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.Disable(t.Context(), admin, last.ID); err != nil {
		t.Errorf("somebody else can give accounts: %v", err)
	}
	report, err := casework.Audit(t.Context(), b.store)
	if err != nil || len(report.Faults) > 0 {
		t.Errorf("audit: %v, %v", report.Faults, err)
	}
}
