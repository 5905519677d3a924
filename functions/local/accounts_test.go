package main

import (
	"encoding/json"
	"regexp"
	"strings"
	"testing"
	"time"

	"airwarrant/functions/internal/store/local"
	"airwarrant/qualify/casework"
	"airwarrant/web/accounts"
)

// The first account comes from the command line, and lets the program serve.
func TestAccountsOnTheCommandLine(t *testing.T) {
	dir := t.TempDir()
	r := command(t, "", "serve", "--data", dir, "--addr", "127.0.0.1:0")
	if r.code != 1 || r.out != "" || !strings.Contains(r.err, "no account yet") || !strings.Contains(r.err, "accounts add NAME --role administrator --data "+dir) {
		t.Errorf("serving without an account: exit %d\n%s%s", r.code, r.out, r.err)
	}
	if r := command(t, "", "accounts", "list", "--data", dir); r.code != 0 || r.out != "no account yet\n" {
		t.Errorf("exit %d\n%s%s", r.code, r.out, r.err)
	}
	r = command(t, "", "accounts", "add", "T. Vane", "--role", "administrator,intake", "--data", dir)
	word := regexp.MustCompile(`shown this once: (\S+)\n`).FindStringSubmatch(r.out)
	if r.code != 0 || word == nil {
		t.Fatalf("exit %d\n%s%s", r.code, r.out, r.err)
	}
	for _, tt := range []struct {
		args []string
		want string
	}{
		{[]string{"add", "t. vane", "--role", "intake"}, "NAME: Expected a name that no account has"},
		{[]string{"add", "O. Lund", "--role", "king"}, "--role: Expected one or more of intake, office, maintainer, administrator"},
		{[]string{"add", "O. Lund", "--role", "office"}, "--office: Expected the name"},
		{[]string{"add", "O. Lund"}, "expected --role"},
		{[]string{"add", "O.", "Lund", "--role", "intake"}, "in quotes"},
		{[]string{"list", "--role", "intake"}, "expected --role with add"},
		{[]string{"disable", "T. Vane"}, "the only account"},
		{[]string{"roles", "T. Vane", "--role", "intake"}, "the only account"},
		{[]string{"reset", "O. Lund"}, "no such account"},
		{[]string{"burn"}, "expected accounts add"},
		{nil, "expected accounts add"},
	} {
		r := command(t, "", append(append([]string{"accounts"}, tt.args...), "--data", dir)...)
		if r.code != 1 || r.out != "" || !strings.Contains(r.err, tt.want) {
			t.Errorf("accounts %q: exit %d, want 1 and %q\n%s%s", tt.args, r.code, tt.want, r.out, r.err)
		}
	}
	command(t, "", "accounts", "add", "Harbour desk", "--role", "office", "--office", "Harbour Road Practice", "--data", dir)
	command(t, "", "accounts", "disable", "harbour desk", "--data", dir)
	r = command(t, "", "accounts", "list", "--json", "--data", dir)
	var list []accountLine
	if err := json.Unmarshal([]byte(r.out), &list); err != nil || len(list) != 2 || list[0].Office != "Harbour Road Practice" || !list[0].Disabled || !list[1].MustChange {
		t.Errorf("%v\n%s%s", err, r.out, r.err)
	}
	if r := command(t, "", "accounts", "list", "--data", dir); r.out != "Harbour desk; office; at Harbour Road Practice; disabled; first password\nT. Vane; intake, administrator; first password\n" {
		t.Errorf("list %q", r.out)
	}
	r = command(t, "", "accounts", "reset", "T. Vane", "--json", "--data", dir)
	var fresh struct {
		Password string `json:"first_password"`
	}
	if err := json.Unmarshal([]byte(r.out), &fresh); err != nil || fresh.Password == word[1] || len(fresh.Password) != len(word[1]) {
		t.Errorf("%v\n%s%s", err, r.out, r.err)
	}
	if r := command(t, "", "audit", "verify", "--data", dir); r.code != 0 || !strings.Contains(r.out, "6 entries of 2 ledgers") || !strings.Contains(r.out, ": 0 faults") {
		t.Errorf("exit %d\n%s%s", r.code, r.out, r.err)
	}
}

// Each day's first hour of serving binds the chains, the ledgers among them.
func TestDayIsAnchoredOnce(t *testing.T) {
	dir := t.TempDir()
	store, err := local.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := casework.Record(t.Context(), store, accounts.SignIns, casework.Stamp{At: time.Unix(1, 0), By: "nobody", Role: casework.RoleSystem}, "sign_in_refused", struct{}{}); err != nil {
		t.Fatal(err)
	}
	day := time.Date(2026, 3, 2, 23, 30, 0, 0, time.UTC)
	for _, at := range []time.Time{day, day.Add(20 * time.Minute), day.Add(time.Hour), day.Add(2 * time.Hour)} {
		if err := anchorOf(t.Context(), store, at); err != nil {
			t.Error(err)
		}
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	if r := command(t, "", "audit", "verify", "--data", dir); r.code != 0 || !strings.Contains(r.out, "1 entries of 1 ledgers, 2 daily anchors: 0 faults") {
		t.Errorf("exit %d\n%s%s", r.code, r.out, r.err)
	}
}

func TestServeReadsAProvider(t *testing.T) {
	set := func(text string) string { return file(t, "provider.json", text) }
	good := `{"issuer": "https://id.example", "client_id": "a", "client_secret": "b", "address": "https://oxygen.example", "roles": {"g": "intake"}}`
	for _, tt := range []struct {
		args []string
		want string
	}{
		{[]string{"--provider", "nowhere.json"}, "check the name"},
		{[]string{"--provider", set("{")}, "expected JSON with issuer"},
		{[]string{"--provider", set(`{"isuer": "x"}`)}, "isuer"},
		{[]string{"--provider", set(good)}, "name it with --host"},
		{[]string{"--provider", set(good), "--host", "other.example"}, "name it with --host"},
		{[]string{"--provider", set(good), "--demo"}, "expected none with --demo"},
	} {
		if r := command(t, "", append([]string{"serve", "--data", t.TempDir()}, tt.args...)...); r.code != 1 || r.out != "" || !strings.Contains(r.err, tt.want) {
			t.Errorf("serve %q: exit %d, want 1 and %q\n%s%s", tt.args, r.code, tt.want, r.out, r.err)
		}
	}
}

func TestServeRefusesNames(t *testing.T) {
	for _, args := range [][]string{{"--host", "a b"}, {"--host", "oxygen.example:443"}, {"--host", "https://oxygen.example"}, {"--host", "a.example,"}, {"--demo", "--host", "oxygen.example"}} {
		if r := command(t, "", append([]string{"serve", "--data", t.TempDir()}, args...)...); r.code != 1 || r.out != "" || !strings.Contains(r.err, "--host") {
			t.Errorf("serve %q: exit %d\n%s%s", args, r.code, r.out, r.err)
		}
	}
}
