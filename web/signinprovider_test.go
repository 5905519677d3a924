package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/oauth2-proxy/mockoidc"

	"airwarrant/qualify/casework/storetest"
	"airwarrant/web/provider"
)

// providerBench is a bench beside a whole provider in this process
// (github.com/oauth2-proxy/mockoidc).
func providerBench(t *testing.T) (*bench, *mockoidc.MockOIDC) {
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
	b := newBench(t, &storetest.Memory{}, false)
	b.cfg.Provider, err = provider.New(provider.Settings{Name: "the clinic's directory", Issuer: m.Issuer(), ClientID: m.Config().ClientID, ClientSecret: m.Config().ClientSecret,
		Address: "http://localhost:8080", Scopes: []string{"profile", "groups"}, NameClaim: "preferred_username",
		Roles: map[string]string{"oxygen-intake": "intake", "oxygen-rules": "maintainer", "harbour": "office:Harbour Road Practice"}})
	if err != nil {
		t.Fatal(err)
	}
	return b, m
}

// come sends the visitor to the provider and returns the path, with query,
// that it comes back by. The cookie of the way is kept in the visitor.
func (v *visitor) come(to string) string {
	v.b.t.Helper()
	r := v.get("/sign-in/provider" + to)
	if r.Code != http.StatusSeeOther {
		v.b.t.Fatalf("to the provider: status %d: %s", r.Code, text(v.last))
	}
	c := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	at, err := c.Get(r.Header().Get("Location"))
	if err != nil {
		v.b.t.Fatal(err)
	}
	at.Body.Close()
	back, err := at.Location()
	if err != nil {
		v.b.t.Fatal(err)
	}
	return back.RequestURI()
}

func TestSignInByProvider(t *testing.T) {
	b, m := providerBench(t)
	v := b.visitor()
	b.wants(v.page("/"), "Sign in with the clinic's directory", `href="/sign-in/provider"`)
	v.get("/cases?after=x")
	b.wants(v.last, `href="/sign-in/provider?to=%2fcases%3fafter%3dx"`)
	m.QueueUser(&mockoidc.MockUser{Subject: "17", PreferredUsername: "Dana Quist", Groups: []string{"oxygen-intake"}})
	back := v.come("?to=%2Fcases")
	r := v.get(back)
	if r.Code != http.StatusSeeOther || r.Header().Get("Location") != "/cases" {
		t.Fatalf("coming back: status %d to %q: %s", r.Code, r.Header().Get("Location"), text(v.last))
	}
	b.wants(v.page("/cases"), "Desk: intake, Dana Quist")
	if r := v.get("/password"); r.Code != http.StatusNotFound {
		t.Errorf("the page of a password that is the provider's: status %d, want 404", r.Code)
	}
	b.wants(b.at(Administrator).page("/accounts"), "Dana Quist", "signs in with the provider")

	// The groups of the next time are the roles of the next time.
	m.QueueUser(&mockoidc.MockUser{Subject: "17", PreferredUsername: "Dana Quist", Groups: []string{"oxygen-rules"}})
	next := b.visitor()
	if r := next.get(next.come("")); r.Header().Get("Location") != "/rules" {
		t.Errorf("as a maintainer: status %d to %q", r.Code, r.Header().Get("Location"))
	}
	if r := v.get("/cases"); r.Code != http.StatusForbidden {
		t.Errorf("the role that was taken away, in another browser: status %d, want 403", r.Code)
	}
	b.lacks(b.log.String(), "Dana", "Quist")
}

func TestProviderDoesNotVouch(t *testing.T) {
	b, m := providerBench(t)
	person := func(groups ...string) {
		m.QueueUser(&mockoidc.MockUser{Subject: "17", PreferredUsername: "Dana Quist", Groups: groups})
	}
	refused := func(what string, v *visitor, path, say string, want int) {
		t.Helper()
		if r := v.get(path); r.Code != want {
			t.Errorf("%s: status %d, want %d", what, r.Code, want)
		}
		b.wants(v.last, say)
		if r := v.get("/cases"); r.Code != http.StatusForbidden {
			t.Errorf("%s: signed in all the same, status %d", what, r.Code)
		}
	}
	person("oxygen-intake")
	v := b.visitor()
	back := v.come("")
	refused("another browser", b.visitor(), back, "did not vouch", http.StatusForbidden)
	refused("an altered state", v, strings.Replace(back, "state=", "state=x", 1), "did not vouch", http.StatusForbidden)

	person("oxygen-intake")
	v = b.visitor()
	back = v.come("")
	*b.clock = b.clock.Add(providerWaits)
	refused("too late", v, back, "did not vouch", http.StatusForbidden)
	refused("nobody asked", b.visitor(), provider.ReturnPath+"?code=x&state=", "did not vouch", http.StatusForbidden)

	person("choir")
	v = b.visitor()
	refused("no group with a role", v, v.come(""), "none of the groups", http.StatusForbidden)
	person("harbour", "oxygen-intake")
	v = b.visitor()
	refused("an office beside the supplier", v, v.come(""), "do not go together", http.StatusForbidden)

	person("oxygen-intake")
	v = b.visitor()
	v.get(v.come(""))
	all, err := b.accounts.Accounts(t.Context())
	if err != nil || len(all) != 1 {
		t.Fatalf("accounts %+v: %v", all, err)
	}
	if err := b.accounts.Disable(t.Context(), b.stamp("T. Vane", "administrator"), all[0].ID); err != nil {
		t.Fatal(err)
	}
	person("oxygen-intake")
	v = b.visitor()
	refused("disabled here", v, v.come(""), "disabled here", http.StatusForbidden)

	b.cfg.Provider, err = provider.New(provider.Settings{Issuer: "http://127.0.0.1:1", ClientID: "a", ClientSecret: "b", Address: "http://localhost:8080", Roles: map[string]string{"g": "intake"}})
	if err != nil {
		t.Fatal(err)
	}
	refused("a provider that is down", b.visitor(), "/sign-in/provider", "cannot be reached now", http.StatusBadGateway)
	b.cfg.Provider = nil
	for _, path := range []string{"/sign-in/provider", provider.ReturnPath + "?" + url.Values{"code": {"x"}}.Encode()} {
		if r := b.visitor().get(path); r.Code != http.StatusNotFound {
			t.Errorf("%s without a provider: status %d, want 404", path, r.Code)
		}
	}
}
