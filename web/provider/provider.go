// Package provider lets a sign-in provider vouch for people: OpenID Connect by
// its authorization code flow with PKCE (RFC 7636), a state and a nonce.
//
// Call New with what was agreed with the provider, Provider.Begin for the
// address that a browser is sent to, and Provider.Finish with what it comes
// back with. What a person may do here follows from the groups that the
// provider names, by Settings.Roles.
//
// What it does not do: it keeps nothing and knows no page, no cookie and no
// account. What Begin returns has to come back to Finish from the same
// browser and from nowhere else.
package provider

import (
	"context"
	"crypto/subtle"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"airwarrant/qualify/casework"
	"airwarrant/web/accounts"
)

// Settings are what was agreed with a provider.
type Settings struct {
	// Name stands on the button, "" for "the sign-in provider".
	Name string `json:"name,omitempty"`
	// Issuer is the address of the provider, under which it describes itself.
	Issuer       string `json:"issuer"`
	ClientID     string `json:"client_id"`
	ClientSecret string `json:"client_secret"`
	// Address is where this site is reached, without path: the provider sends
	// the browser to ReturnPath under it.
	Address string `json:"address"`
	// Scopes are asked for beside openid; profile if there is none.
	Scopes []string `json:"scopes,omitempty"`
	// GroupsClaim names the claim that holds a person's groups, NameClaim the
	// one that holds the name; "groups" and "name" if empty.
	GroupsClaim string `json:"groups_claim,omitempty"`
	NameClaim   string `json:"name_claim,omitempty"`
	// Roles gives each group a role, or "office:NAME" for the role office at
	// that physician's office.
	Roles map[string]string `json:"roles"`
}

// ReturnPath is where the provider sends a browser back to.
const ReturnPath = "/sign-in/return"

// ErrRefused: the provider does not vouch for the person, or what came back
// was not asked for.
var ErrRefused = errors.New("the sign-in provider does not vouch for this browser")

// Provider is a sign-in provider. It may be used from several goroutines.
type Provider struct {
	set    Settings
	client *http.Client

	mu    sync.Mutex
	found *oidc.Provider // nil until it was reached
}

// ReadSettings reads settings from JSON. A member that is not known is an
// error, so that a mistyped name is not overlooked.
func ReadSettings(r io.Reader) (Settings, error) {
	var s Settings
	dec := json.NewDecoder(r)
	dec.DisallowUnknownFields()
	if err := dec.Decode(&s); err != nil {
		return Settings{}, fmt.Errorf("settings of the sign-in provider: %w; expected JSON with issuer, client_id, client_secret, address and roles", err)
	}
	return s, nil
}

// New checks settings. The provider is reached when the first browser is sent
// there, so that the site starts without it.
func New(s Settings) (*Provider, error) {
	wrong := func(format string, args ...any) (*Provider, error) {
		return nil, fmt.Errorf("settings of the sign-in provider: "+format, args...)
	}
	for name, text := range map[string]string{"issuer": s.Issuer, "address": s.Address} {
		u, err := url.Parse(text)
		if err != nil || u.Host == "" || u.Scheme != "https" && (u.Scheme != "http" || !loopback(u.Hostname())) {
			return wrong("%s: expected an address that begins with https://, or with http:// on loopback, found %q", name, text)
		}
		if name == "address" && strings.Trim(u.Path+u.RawQuery+u.Fragment, "/") != "" {
			return wrong("address: expected one without path, found %q; the provider sends browsers to %s under it", text, ReturnPath)
		}
	}
	if s.ClientID == "" || s.ClientSecret == "" {
		return wrong("client_id, client_secret: expected both as the provider gave them, found none; register this site with the provider")
	}
	if len(s.Roles) == 0 {
		return wrong("roles: expected at least one group with its role, found none; nobody could sign in")
	}
	for group, role := range s.Roles {
		if _, _, err := roleOf(role); err != nil {
			return wrong("roles: group %q: %w", group, err)
		}
	}
	if s.Name == "" {
		s.Name = "the sign-in provider"
	}
	if len(s.Scopes) == 0 {
		s.Scopes = []string{"profile"}
	}
	if s.GroupsClaim == "" {
		s.GroupsClaim = "groups"
	}
	if s.NameClaim == "" {
		s.NameClaim = "name"
	}
	return &Provider{set: s, client: &http.Client{Timeout: 10 * time.Second}}, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// roleOf reads the right side of a line of Settings.Roles.
func roleOf(text string) (casework.Role, string, error) {
	role, office, _ := strings.Cut(text, ":")
	r := casework.Role(role)
	if !slices.Contains(accounts.Roles, r) || (r == casework.RoleOffice) != (strings.TrimSpace(office) != "") {
		return "", "", fmt.Errorf("expected one of %q, with office alone as \"office:NAME\", found %q", accounts.Roles, text)
	}
	return r, strings.TrimSpace(office), nil
}

// Name is what stands on the button.
func (p *Provider) Name() string { return p.set.Name }

// Host is the host name under which this site is reached.
func (p *Provider) Host() string {
	u, err := url.Parse(p.set.Address)
	if err != nil {
		return "" // New has read it before
	}
	return u.Hostname()
}

// reach reads the provider's own description, once.
func (p *Provider) reach(ctx context.Context) (context.Context, *oidc.Provider, *oauth2.Config, error) {
	ctx = oidc.ClientContext(ctx, p.client)
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.found == nil {
		// Its keys are fetched later, when this request is long over.
		found, err := oidc.NewProvider(oidc.ClientContext(context.Background(), p.client), p.set.Issuer)
		if err != nil {
			return ctx, nil, nil, fmt.Errorf("the sign-in provider cannot be reached: %w", err)
		}
		p.found = found
	}
	return ctx, p.found, &oauth2.Config{ClientID: p.set.ClientID, ClientSecret: p.set.ClientSecret, Endpoint: p.found.Endpoint(),
		RedirectURL: strings.TrimSuffix(p.set.Address, "/") + ReturnPath, Scopes: append([]string{oidc.ScopeOpenID}, p.set.Scopes...)}, nil
}

// Pending is what a browser that was sent to the provider has to bring back,
// in a cookie that nobody else can write.
type Pending struct {
	State    string `json:"s"`
	Nonce    string `json:"n"`
	Verifier string `json:"v"`
}

// Begin returns the address to send a browser to. Random is a source of random
// bytes fit for keys.
func (p *Provider) Begin(ctx context.Context, random io.Reader) (string, Pending, error) {
	var words [3]string
	for i := range words {
		raw := make([]byte, 32) // 43 letters, the least that RFC 7636 section 4.1 allows
		if _, err := io.ReadFull(random, raw); err != nil {
			return "", Pending{}, err
		}
		words[i] = base64.RawURLEncoding.EncodeToString(raw)
	}
	_, _, conf, err := p.reach(ctx)
	if err != nil {
		return "", Pending{}, err
	}
	b := Pending{words[0], words[1], words[2]}
	return conf.AuthCodeURL(b.State, oidc.Nonce(b.Nonce), oauth2.S256ChallengeOption(b.Verifier)), b, nil
}

// Finish returns the person for whom the provider vouches. Query is what the
// browser came back with. ErrRefused if anything of it was not asked for, or
// was not signed by the provider for this site.
func (p *Provider) Finish(ctx context.Context, b Pending, query url.Values) (accounts.Person, error) {
	none := accounts.Person{}
	if b.State == "" || subtle.ConstantTimeCompare([]byte(b.State), []byte(query.Get("state"))) != 1 {
		return none, fmt.Errorf("%w: another sign-in was asked for", ErrRefused)
	}
	if query.Has("error") || query.Get("code") == "" {
		return none, fmt.Errorf("%w: it sent no code", ErrRefused)
	}
	ctx, found, conf, err := p.reach(ctx)
	if err != nil {
		return none, err
	}
	token, err := conf.Exchange(ctx, query.Get("code"), oauth2.VerifierOption(b.Verifier))
	var refusal *oauth2.RetrieveError
	if errors.As(err, &refusal) {
		return none, fmt.Errorf("%w: it does not take its own code back", ErrRefused)
	}
	if err != nil {
		return none, fmt.Errorf("the sign-in provider cannot be reached: %w", err)
	}
	raw, _ := token.Extra("id_token").(string)
	id, err := found.Verifier(&oidc.Config{ClientID: p.set.ClientID}).Verify(ctx, raw)
	if err != nil {
		return none, fmt.Errorf("%w: its token does not stand: %w", ErrRefused, err)
	}
	if subtle.ConstantTimeCompare([]byte(id.Nonce), []byte(b.Nonce)) != 1 {
		return none, fmt.Errorf("%w: its token was made for another sign-in", ErrRefused)
	}
	claims := map[string]any{}
	if err := id.Claims(&claims); err != nil {
		return none, fmt.Errorf("%w: its token cannot be read", ErrRefused)
	}
	_, groups := claims[p.set.GroupsClaim]
	if _, name := claims[p.set.NameClaim]; !groups || !name {
		// Some providers tell names and groups only here.
		more, err := found.UserInfo(ctx, oauth2.StaticTokenSource(token))
		if err == nil && more.Subject == id.Subject {
			err = more.Claims(&claims)
		}
		if err != nil && !groups {
			return none, fmt.Errorf("%w: it tells no groups", ErrRefused)
		}
	}
	return p.person(id.Issuer, id.Subject, claims)
}

// person reads name and roles out of claims.
func (p *Provider) person(issuer, subject string, claims map[string]any) (accounts.Person, error) {
	out := accounts.Person{Issuer: issuer, Subject: subject}
	out.Name, _ = claims[p.set.NameClaim].(string)
	var groups []string
	switch v := claims[p.set.GroupsClaim].(type) {
	case string:
		groups = []string{v}
	case []any:
		for _, g := range v {
			if g, ok := g.(string); ok {
				groups = append(groups, g)
			}
		}
	}
	for _, g := range groups {
		text, ok := p.set.Roles[g]
		if !ok {
			continue
		}
		r, office, err := roleOf(text)
		if err != nil {
			return accounts.Person{}, err
		}
		if out.Office != "" && office != "" && out.Office != office {
			return accounts.Person{}, fmt.Errorf("%w: its groups name two physician's offices", ErrRefused)
		}
		if office != "" {
			out.Office = office
		}
		if !slices.Contains(out.Roles, r) {
			out.Roles = append(out.Roles, r)
		}
	}
	return out, nil
}
