//go:build outside

package main

import (
	"crypto/rand"
	"strings"
	"testing"
	"time"

	cdp "github.com/chromedp/chromedp"
	"github.com/oauth2-proxy/mockoidc"

	"airwarrant/qualify/casework"
	"airwarrant/web"
	"airwarrant/web/accounts"
	"airwarrant/web/provider"
)

// wants fails the test if a text does not stand on the page.
func (b *browser) wants(texts ...string) {
	b.t.Helper()
	s := b.text()
	for _, w := range texts {
		if !strings.Contains(s, w) {
			b.t.Errorf("%s lacks %q:\n%s", b.path(), w, s)
		}
	}
}

// The administrator's first sign-in, an account for a colleague, and its end;
// then somebody for whom a provider vouches.
func TestOutsideSignInAndAccounts(t *testing.T) {
	m, err := mockoidc.Run()
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := m.Shutdown(); err != nil {
			t.Error(err)
		}
	}()
	first := ""
	b := openSite(t, func(c *web.Config, address string) {
		book := accounts.New(c.Store, time.Now, rand.Reader)
		_, first, err = book.Make(t.Context(), casework.Stamp{At: time.Now(), By: "the command line", Role: casework.RoleSystem}, "T. Vane",
			[]casework.Role{casework.RoleAdministrator, casework.RoleIntake}, "")
		if err != nil {
			t.Fatal(err)
		}
		c.Provider, err = provider.New(provider.Settings{Name: "the clinic's directory", Issuer: m.Issuer(), ClientID: m.Config().ClientID, ClientSecret: m.Config().ClientSecret,
			Address: address, Scopes: []string{"profile", "groups"}, NameClaim: "preferred_username", Roles: map[string]string{"oxygen-rules": "maintainer"}})
		if err != nil {
			t.Fatal(err)
		}
	})
	const word = "gravel lantern otter seven"
	signIn := func(name, password string) {
		b.give("form", map[string]string{"name": name, "password": password})
		b.press("form[action='/sign-in'] button")
	}
	b.visit("/cases")
	b.wants("you are not signed in", "Sign in with the clinic's directory")
	b.look("60-sign-in")
	signIn("T. Vane", "not the password")
	b.wants("Name and password do not fit together")
	if !b.js("document.querySelector('#name').value==='T. Vane' && document.querySelector('#password').value===''") {
		t.Error("after a refusal the name is lost, or the password is still there")
	}
	b.look("61-sign-in-refused")
	signIn("t. vane", first)
	if b.path() != "/password" {
		t.Errorf("with a first password the browser is at %s", b.path())
	}
	b.give("form[action='/password']", map[string]string{"old": first, "new": "too short", "again": "too short"})
	b.press("form[action='/password'] button")
	b.wants("Expected 15 to 200 characters")
	b.look("62-password")
	b.give("form[action='/password']", map[string]string{"old": first, "new": word, "again": word})
	b.press("form[action='/password'] button")
	b.wants("Your desks", "Sign out everywhere")
	b.look("63-desks-of-an-account")
	b.press("button[name=desk][value=administrator]")

	b.give("form[action='/accounts']", map[string]string{"name": "O. Lund"})
	b.press("form[action='/accounts'] button")
	b.wants("Expected at least one role")
	b.look("64-account-refused")
	if !b.js("document.querySelector('input[name=role][value=intake]').click(),document.querySelector('#name').value==='O. Lund'") {
		t.Error("the name that was typed is lost")
	}
	b.press("form[action='/accounts'] button")
	b.wants("First password of O. Lund, shown this once")
	b.look("65-accounts")
	lund, err := cdp.Run(b.ctx, cdp.Evaluate[string]("document.querySelector('#first-password').textContent"))
	if err != nil {
		t.Fatal(err)
	}
	if !b.js("(()=>{for(const a of document.querySelectorAll('main td a'))if(a.textContent==='O. Lund'){document.body.dataset.before=1;a.click();return true}return false})()") {
		t.Fatal("O. Lund is not in the list")
	}
	b.settled("the name")
	b.press("button[value=disable]")
	b.wants("account disabled, all sessions ended")
	b.look("66-account")
	b.visit("/accounts/sign-ins")
	b.wants("sign-in refused, from 127.0.0.1", "acts at another desk")
	b.look("67-sign-ins")
	b.visit("/cases/new")
	b.wants("Not for this desk")
	b.look("68-another-desk")

	b.press("form[action='/sign-out'] button")
	signIn("O. Lund", lund)
	b.wants("Name and password do not fit together")

	m.QueueUser(&mockoidc.MockUser{Subject: "17", PreferredUsername: "Dana Quist", Groups: []string{"oxygen-rules"}})
	b.visit("/")
	b.press("a[href^='/sign-in/provider']")
	b.wants("Desk: rule maintainer, Dana Quist")
	// The back button leads to no page of before, and a reload repeats nothing.
	b.press("form[action='/sign-out'] button")
	b.do(cdp.NavigateBack())
	if s := b.text(); strings.Contains(s, "Desk: rule maintainer") {
		t.Errorf("after signing out the back button shows:\n%s", s)
	}
	m.QueueUser(&mockoidc.MockUser{Subject: "18", PreferredUsername: "Noel Hart", Groups: []string{"choir"}})
	b.visit("/sign-in/provider")
	b.wants("none of the groups")
	b.look("69-no-group")
}
