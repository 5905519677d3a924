package provider_test

import (
	"crypto/rand"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/golang-jwt/jwt/v5"
	"github.com/oauth2-proxy/mockoidc"

	"airwarrant/qualify/casework"
	"airwarrant/web/accounts"
	"airwarrant/web/provider"
)

// The provider of these tests is github.com/oauth2-proxy/mockoidc: a whole one
// in this process, with its own reading of OpenID Connect Core 1.0 and of
// RFC 7636.

func run(t *testing.T) (*mockoidc.MockOIDC, provider.Settings) {
	t.Helper()
	m, err := mockoidc.Run()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := m.Shutdown(); err != nil {
			t.Error(err)
		}
	})
	return m, provider.Settings{Issuer: m.Issuer(), ClientID: m.Config().ClientID, ClientSecret: m.Config().ClientSecret, Address: "http://localhost:8080",
		Scopes: []string{"profile", "groups"}, NameClaim: "preferred_username",
		Roles: map[string]string{"oxygen-intake": "intake", "oxygen-rules": "maintainer", "harbour": "office: Harbour Road Practice", "quay": "office:Quay Practice"}}
}

func open(t *testing.T, s provider.Settings) *provider.Provider {
	t.Helper()
	p, err := provider.New(s)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// visit follows the address to the provider and returns what the browser
// comes back with.
func visit(t *testing.T, address string) url.Values {
	t.Helper()
	c := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	r, err := c.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	back, err := r.Location()
	if err != nil {
		t.Fatalf("the provider answers %s: %v", r.Status, err)
	}
	if got := back.Scheme + "://" + back.Host + back.Path; got != "http://localhost:8080"+provider.ReturnPath {
		t.Fatalf("the provider sends the browser to %q", got)
	}
	return back.Query()
}

func begin(t *testing.T, p *provider.Provider) (string, provider.Pending) {
	t.Helper()
	address, pending, err := p.Begin(t.Context(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return address, pending
}

func TestPersonFromProvider(t *testing.T) {
	m, set := run(t)
	p := open(t, set)
	for _, tt := range []struct {
		groups []string
		roles  []casework.Role
		office string
	}{
		{[]string{"oxygen-rules", "choir", "oxygen-intake"}, []casework.Role{casework.RoleMaintainer, casework.RoleIntake}, ""},
		{[]string{"harbour"}, []casework.Role{casework.RoleOffice}, "Harbour Road Practice"},
		{[]string{"choir"}, nil, ""},
		{nil, nil, ""},
	} {
		m.QueueUser(&mockoidc.MockUser{Subject: "17", PreferredUsername: "Dana Quist", Groups: tt.groups})
		address, pending := begin(t, p)
		u, err := url.Parse(address)
		if err != nil || u.Query().Get("code_challenge_method") != "S256" || len(pending.Verifier) < 43 || strings.Contains(address, pending.Verifier) {
			t.Errorf("address %s: %v", address, err)
		}
		person, err := p.Finish(t.Context(), pending, visit(t, address))
		if len(tt.groups) == 0 {
			if !errors.Is(err, provider.ErrRefused) && len(person.Roles) != 0 {
				t.Errorf("without groups: %+v, %v", person, err)
			}
			continue
		}
		want := accounts.Person{Issuer: m.Issuer(), Subject: "17", Name: "Dana Quist", Roles: tt.roles, Office: tt.office}
		if err != nil || person.Issuer != want.Issuer || person.Subject != want.Subject || person.Name != want.Name || person.Office != want.Office || !slices.Equal(person.Roles, want.Roles) {
			t.Errorf("groups %q: %+v, %v; want %+v", tt.groups, person, err, want)
		}
	}
	m.QueueUser(&mockoidc.MockUser{Subject: "17", PreferredUsername: "Dana Quist", Groups: []string{"harbour", "quay"}})
	address, pending := begin(t, p)
	if person, err := p.Finish(t.Context(), pending, visit(t, address)); !errors.Is(err, provider.ErrRefused) {
		t.Errorf("two offices: %+v, %v", person, err)
	}
}

// What this browser did not ask for, and what is not the provider's, is refused.
func TestForeignAnswers(t *testing.T) {
	m, set := run(t)
	p := open(t, set)
	for name, alter := range map[string]func(*provider.Pending, url.Values){
		"another state":                func(b *provider.Pending, _ url.Values) { b.State = "x" },
		"nothing asked for":            func(b *provider.Pending, q url.Values) { *b = provider.Pending{}; q.Del("state") },
		"a nonce of another sign-in":   func(b *provider.Pending, _ url.Values) { b.Nonce = "x" },
		"another verifier":             func(b *provider.Pending, _ url.Values) { b.Verifier = strings.Repeat("x", 43) },
		"another code":                 func(_ *provider.Pending, q url.Values) { q.Set("code", "x") },
		"no code":                      func(_ *provider.Pending, q url.Values) { q.Del("code") },
		"the provider says it refuses": func(_ *provider.Pending, q url.Values) { q.Set("error", "access_denied") },
	} {
		m.QueueUser(&mockoidc.MockUser{Subject: "17", PreferredUsername: "Dana Quist", Groups: []string{"oxygen-intake"}})
		address, pending := begin(t, p)
		query := visit(t, address)
		alter(&pending, query)
		if person, err := p.Finish(t.Context(), pending, query); !errors.Is(err, provider.ErrRefused) || person.Subject != "" {
			t.Errorf("%s: %+v, %v", name, person, err)
		}
	}
	// A code is taken once.
	m.QueueUser(&mockoidc.MockUser{Subject: "17", PreferredUsername: "Dana Quist", Groups: []string{"oxygen-intake"}})
	address, pending := begin(t, p)
	query := visit(t, address)
	if _, err := p.Finish(t.Context(), pending, query); err != nil {
		t.Fatal(err)
	}
	if _, err := p.Finish(t.Context(), pending, query); !errors.Is(err, provider.ErrRefused) {
		t.Errorf("a code for the second time: %v", err)
	}
}

// liar is a user whose token is made by somebody else's rules.
type liar struct {
	mockoidc.MockUser
	claims func(*mockoidc.IDTokenClaims)
}

func (l *liar) Claims(scope []string, c *mockoidc.IDTokenClaims) (jwt.Claims, error) {
	l.claims(c)
	return l.MockUser.Claims(scope, c)
}

func TestTokensThatDoNotStand(t *testing.T) {
	m, set := run(t)
	p := open(t, set)
	for name, change := range map[string]func(*mockoidc.IDTokenClaims){
		"for another site":    func(c *mockoidc.IDTokenClaims) { c.Audience = jwt.ClaimStrings{"another"} },
		"of another provider": func(c *mockoidc.IDTokenClaims) { c.Issuer = "https://id.example" },
		"expired":             func(c *mockoidc.IDTokenClaims) { c.ExpiresAt = jwt.NewNumericDate(c.IssuedAt.AddDate(-1, 0, 0)) },
	} {
		m.QueueUser(&liar{mockoidc.MockUser{Subject: "17", PreferredUsername: "Dana Quist", Groups: []string{"oxygen-intake"}}, change})
		address, pending := begin(t, p)
		if person, err := p.Finish(t.Context(), pending, visit(t, address)); !errors.Is(err, provider.ErrRefused) || person.Subject != "" {
			t.Errorf("a token %s: %+v, %v", name, person, err)
		}
	}
}

// A provider that cannot be reached refuses nobody, and is asked again.
func TestUnreachable(t *testing.T) {
	m, set := run(t)
	p := open(t, set)
	m.QueueError(&mockoidc.ServerError{Code: 503, Error: "down"})
	if _, _, err := p.Begin(t.Context(), rand.Reader); err == nil || errors.Is(err, provider.ErrRefused) {
		t.Errorf("a provider that is down: %v", err)
	}
	if _, _, err := p.Begin(t.Context(), rand.Reader); err != nil {
		t.Errorf("the same provider, up again: %v", err)
	}
}

func TestSettings(t *testing.T) {
	good := `{"issuer": "https://id.example", "client_id": "a", "client_secret": "b", "address": "https://oxygen.example", "roles": {"g": "intake"}}`
	read := func(text string) error {
		s, err := provider.ReadSettings(strings.NewReader(text))
		if err == nil {
			_, err = provider.New(s)
		}
		return err
	}
	if err := read(good); err != nil {
		t.Fatal(err)
	}
	for key, bad := range map[string][]any{
		"issuer":        {"", "id.example", "http://id.example", 7},
		"address":       {"", "http://oxygen.example", "https://oxygen.example/pages", "https://oxygen.example/?x=y"},
		"client_id":     {""},
		"client_secret": {""},
		"roles":         {map[string]string{}, map[string]string{"g": "king"}, map[string]string{"g": "office"}, map[string]string{"g": "office: "}, map[string]string{"g": "intake:Harbour"}, map[string]string{"g": "tester"}},
		"group_claim":   {"groups"},
	} {
		for _, v := range bad {
			var set map[string]any
			if err := json.Unmarshal([]byte(good), &set); err != nil {
				t.Fatal(err)
			}
			set[key] = v
			text, err := json.Marshal(set)
			if err != nil {
				t.Fatal(err)
			}
			if err := read(string(text)); err == nil || !strings.Contains(err.Error(), key) {
				t.Errorf("%s %v: %v", key, v, err)
			}
		}
	}
}
